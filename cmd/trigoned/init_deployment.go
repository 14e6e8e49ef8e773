package main

import (
	"fmt"
	"net"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"trigone/internal/policy"
	"trigone/internal/trial"
)

func initDeploymentCommand() *cobra.Command {
	o := trial.Options{}
	var dir, grpc, http string
	c := &cobra.Command{
		Use:   "init-deployment",
		Short: "Write a deployment to try: TLS, two roles and a token",
		Long: `init-deployment writes a deployment that works: a deployment file, certificates for
the server, a surgeon, an engine and the keeper of the service, a key that signs tokens
with one token of an auditor, one that signs who looked, and the built-in clinical policy. The authority that signed the certificates is
not kept. It is for trying: a hospital has its own authority and its own place to sign
in.`,
		Example: `  trigoned init-deployment --out trial
  trigoned --deployment trial/deployment.yaml`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			clinical, err := policy.BuiltIn()
			if err != nil {
				return err
			}
			o.Dir, o.GRPC, o.HTTP, o.Now = dir, grpc, http, time.Now()
			o.Site, o.Policy = clinical.Settings.Site, []byte(clinical.Text)
			until, err := trial.Write(o)
			if err != nil {
				return err
			}
			_, port, err := net.SplitHostPort(grpc)
			if err != nil {
				return fmt.Errorf("%w: --grpc is no address: %w", errUsage, err)
			}
			server := net.JoinHostPort("localhost", port)
			in := func(name string) string { return filepath.Join(dir, name) }
			fmt.Fprintf(cmd.OutOrStdout(), `written to %[1]s, with a token that is valid until %[2]s

serve:              trigoned --deployment %[3]s
as the surgeon:     trigone changes --server %[4]s --ca %[5]s --cert %[6]s --key %[7]s
as the auditor:     trigone discrepancies --server %[4]s --ca %[5]s --token-file %[8]s
refused by a role:  trigone discrepancies --server %[4]s --ca %[5]s --cert %[6]s --key %[7]s
refused, nobody:    trigone discrepancies --server %[4]s --ca %[5]s
`, dir, until.Format(time.DateOnly), in(trial.DeploymentName), server, in(trial.AuthorityName),
				in(trial.SurgeonName+".pem"), in(trial.SurgeonName+".key"), in(trial.TokenName))
			return nil
		},
	}
	c.Flags().StringVar(&dir, "out", "", "folder to write to; it must hold no deployment")
	c.Flags().StringSliceVar(&o.Hosts, "host", []string{"localhost", "127.0.0.1", "::1"}, "names and addresses of the server's certificate")
	c.Flags().StringVar(&grpc, "grpc", "127.0.0.1:7430", "where the server listens for gRPC")
	c.Flags().StringVar(&http, "http", "127.0.0.1:7431", "where the server listens for FHIR over HTTP and for browsers")
	if err := c.MarkFlagRequired("out"); err != nil {
		panic(err) // the flag stands above
	}
	return c
}
