package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"trigone/server"
)

func restateCommand() *cobra.Command {
	var store, policy string
	var drop bool
	c := &cobra.Command{
		Use:   "restate",
		Short: "Judge the cases on record again, as a report beside what was answered",
		Long: `restate judges every case of the policy's site again under the present versions of
this software and the policy given, its tolerances included. It makes rows that lists
show when asked for the basis restated; no state, revision, evaluation or change of the
record is written, and nothing of it is sent anywhere. What was predicted from a plan
stays what was known. A case that is written later loses these rows; called again, it
restates what lacks them. It may be ended at any moment and goes on where it was; until
it is done the restating before is read, if there was one. --drop removes the rows.`,
		Example: `  trigoned restate --store trigone.db --policy harbour.yaml
  trigoned restate --store trigone.db --drop`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if drop && policy != "" {
				return fmt.Errorf("%w: --drop takes no --policy: it removes whatever was restated", errUsage)
			}
			if drop {
				if err := server.DropRestated(cmd.Context(), store); err != nil {
					return fmt.Errorf("what was restated could not be removed; call it again: %w", err)
				}
				fmt.Fprintln(cmd.OutOrStdout(), "no restated rows are left")
				return nil
			}
			var done server.Restated
			var last time.Time
			err := server.Restate(cmd.Context(), store, policy, func(r server.Restated) {
				done = r
				if time.Since(last) >= reportEvery {
					last = time.Now()
					fmt.Fprintf(cmd.ErrOrStderr(), "%d cases so far\n", r.Cases)
				}
			})
			if err != nil {
				return fmt.Errorf("the restating did not end; call it again and it goes on where it was: %w", err)
			}
			fmt.Fprintf(cmd.OutOrStdout(), "%d cases restated under %s\n", done.Cases, done.Under)
			if done.Elsewhere > 0 {
				fmt.Fprintf(cmd.OutOrStdout(), "%d cases of other sites than the policy's were left alone\n", done.Elsewhere)
			}
			return nil
		},
	}
	c.Flags().StringVar(&store, "store", "trigone.db", "SQLite file of the record")
	c.Flags().StringVar(&policy, "policy", "", "the clinical policy to judge by, YAML; default: the built-in one")
	c.Flags().BoolVar(&drop, "drop", false, "remove what was restated")
	return c
}
