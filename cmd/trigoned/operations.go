package main

import (
	"fmt"
	"runtime"

	"github.com/spf13/cobra"

	"trigone/server"
)

func alertRulesCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "alert-rules",
		Short: "Print alert rules for Prometheus over the metrics of the service",
		Long: `alert-rules prints rules over the metrics that are served at --operations-listen, each
with what to do. Their thresholds are common practice, no source: set them to what your
department can live with.`,
		Example: `  trigoned alert-rules > trigone-alerts.yaml`,
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			_, err := cmd.OutOrStdout().Write(server.AlertRules)
			return err
		},
	}
}

func versionCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Print the version of this program",
		Args:  noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			fmt.Fprintf(cmd.OutOrStdout(), "trigoned %s, %s %s/%s\n", server.Version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return nil
		},
	}
}
