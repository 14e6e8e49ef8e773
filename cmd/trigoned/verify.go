package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"trigone/server"
)

func verifyCommand() *cobra.Command {
	var store string
	c := &cobra.Command{
		Use:   "verify",
		Short: "Compare everything in a store with its hashes",
		Long: `verify reads the whole store: its pages and indexes, every revision, what identifies,
every answer and policy with its hash, and what is numbered without gaps. It changes
nothing and may run beside a server, or on a backup. What is damaged is named, never its
content. Rows that lists read beside each case are made from the record: if they alone
are damaged, the record is whole.

Exit codes: 0 every hash matches, 1 something is damaged or could not be read, 2 wrong
use.`,
		Example: `  trigoned verify --store trigone.db`,
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			v, err := server.Verify(cmd.Context(), store, func(where string) { fmt.Fprintln(cmd.OutOrStdout(), "DAMAGED:", where) })
			if err != nil {
				return err
			}
			fmt.Fprintf(cmd.OutOrStdout(), "%d cases: %d revisions, %d parts that identify, %d answers, %d policies, %d packed rows of lists\n",
				v.Cases, v.Revisions, v.Texts, v.Answers, v.Policies, v.Rows)
			if v.Damaged > 0 {
				return fmt.Errorf("%d damages; keep this file, and set the store back to a backup that verify finds whole", v.Damaged)
			}
			fmt.Fprintln(cmd.OutOrStdout(), "every hash matches, nothing is missing")
			return nil
		},
	}
	c.Flags().StringVar(&store, "store", "trigone.db", "SQLite file of the record")
	return c
}
