package main

import (
	"errors"
	"fmt"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/spf13/cobra"

	"trigone/fhirmap"
	"trigone/internal/policy"
)

func (a *app) checkPolicyCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "check-policy FILE",
		Short: "Check a site's clinical policy",
		Long: `check-policy reads a clinical policy as the server would. It prints ok and what
the policy sets otherwise than the built-in one, or every fault with its line and
column, and then ends with exit code 3.`,
		Example: `  trigone check-policy harbour.yaml`,
		Args:    exactly("FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatTable); err != nil {
				return err
			}
			p, err := policy.Load(args[0], fhirmap.Terms{})
			if errors.Is(err, policy.ErrUnread) {
				return err
			}
			if err != nil {
				return inputError{fmt.Errorf("the policy is not in order:\n%w", err)}
			}
			out := cmd.OutOrStdout()
			fmt.Fprintf(out, "ok: site %s, version %s, zone %s\nSHA-256 %s\n", p.Settings.Site, p.Settings.Version, p.Settings.Zone, p.Hash)
			changes := p.Changes()
			if len(changes) == 0 {
				fmt.Fprintln(out, "It changes no built-in value.")
				return nil
			}
			t := table.NewWriter()
			t.SetOutputMirror(out)
			t.SetStyle(table.StyleLight)
			t.AppendHeader(table.Row{"Set by the site", "Value", "Built in"})
			for _, c := range changes {
				t.AppendRow(table.Row{c.Name, c.Site, c.BuiltIn})
			}
			t.Render()
			return nil
		},
	}
}

func (a *app) policySchemaCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "policy-schema",
		Short: "Print the JSON schema of a clinical policy",
		Long: `policy-schema prints the JSON schema of a clinical policy, draft 2020-12, for
editors that check while one types. check-policy checks more.`,
		Example: `  trigone policy-schema > policy.schema.json`,
		Args:    exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			schema, err := policy.Schema(fhirmap.Terms{})
			if err != nil {
				return err
			}
			_, err = cmd.OutOrStdout().Write(schema)
			return err
		},
	}
}
