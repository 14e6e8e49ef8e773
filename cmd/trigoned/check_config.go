package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"trigone/server"
)

func checkConfigCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "check-config FILE",
		Short: "Read a deployment file and what it names, and tell every fault",
		Long: `check-config reads a deployment file, the policies and the keys that it names, and
tells every fault with line and column. It opens no port and no store.

Exit codes: 0 the file can be served by, 1 it has faults or could not be read, 2 wrong
use.`,
		Example: `  trigoned check-config deployment.yaml`,
		Args:    oneFile,
		RunE: func(cmd *cobra.Command, args []string) error {
			d, err := server.CheckDeployment(args[0])
			if err != nil {
				return err
			}
			for _, s := range d.Sites {
				fmt.Fprintf(cmd.OutOrStdout(), "site %s: policy %s\n", s.Name, s.Policy)
			}
			for _, i := range d.Identities {
				for _, r := range i.Rights {
					fmt.Fprintf(cmd.OutOrStdout(), "%s at %s: %v\n", i.Name, r.Site, r.Roles)
				}
			}
			fmt.Fprintln(cmd.OutOrStdout(), "no fault was found")
			return nil
		},
	}
}

func configSchemaCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "config-schema",
		Short: "Print the JSON schema of a deployment file",
		Long: `config-schema prints the JSON schema of a deployment file, draft 2020-12, for editors
that check while one types. check-config checks more.`,
		Example: `  trigoned config-schema > deployment.schema.json`,
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			schema, err := server.DeploymentSchema()
			if err != nil {
				return err
			}
			_, err = cmd.OutOrStdout().Write(schema)
			return err
		},
	}
}

func oneFile(_ *cobra.Command, args []string) error {
	if len(args) != 1 {
		return fmt.Errorf("%w: needs one FILE; see trigoned --help", errUsage)
	}
	return nil
}
