package main

import (
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"os"

	"github.com/spf13/cobra"
)

func showCertificateCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "show-certificate FILE",
		Short: "Print what a deployment file calls a caller's certificate",
		Long: `show-certificate prints the subject and the alternative names of a certificate, PEM, as
certificate_subjects and certificate_uris of a deployment file write them, and when it
ends.`,
		Example: `  trigoned show-certificate trial/surgeon.pem`,
		Args:    oneFile,
		RunE: func(cmd *cobra.Command, args []string) error {
			text, err := os.ReadFile(args[0])
			if err != nil {
				return fmt.Errorf("read the certificate: %w", err)
			}
			block, _ := pem.Decode(text)
			if block == nil || block.Type != "CERTIFICATE" {
				return fmt.Errorf("%s holds no certificate, PEM", args[0])
			}
			c, err := x509.ParseCertificate(block.Bytes)
			if err != nil {
				return fmt.Errorf("%s: %w", args[0], err)
			}
			fmt.Fprintf(cmd.OutOrStdout(), "certificate_subjects: [%q]\n", c.Subject.String())
			for _, u := range c.URIs {
				fmt.Fprintf(cmd.OutOrStdout(), "certificate_uris: [%q]\n", u.String())
			}
			fmt.Fprintf(cmd.OutOrStdout(), "valid until %s\n", c.NotAfter.UTC().Format("2006-01-02 15:04 UTC"))
			return nil
		},
	}
}
