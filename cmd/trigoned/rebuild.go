package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"trigone/server"
)

// reportEvery is how often a rebuild says how far it is.
const reportEvery = 2 * time.Second

func rebuildCommand() *cobra.Command {
	var store, policy string
	c := &cobra.Command{
		Use:   "rebuild",
		Short: "Make anew what lists and counts read beside each case",
		Long: `rebuild makes the rows that lists and counts read, from what is on record: needed once
after a new version of this software keeps more or other rows. It judges nothing and
changes no record. It may be ended at any moment and goes on where it was; until it is
done the rows of before are read, where there are any.`,
		Example: `  trigoned rebuild --store trigone.db`,
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			built := map[string]server.Rebuilt{}
			var last time.Time
			err := server.Rebuild(cmd.Context(), store, policy, func(r server.Rebuilt) {
				built[r.Projection] = r
				if time.Since(last) >= reportEvery {
					last = time.Now()
					fmt.Fprintf(cmd.ErrOrStderr(), "%s, version %d: %d cases so far\n", r.Projection, r.Version, r.Cases)
				}
			})
			for name, r := range built {
				fmt.Fprintf(cmd.OutOrStdout(), "%s, version %d: rows of %d cases made\n", name, r.Version, r.Cases)
			}
			switch {
			case err != nil:
				return fmt.Errorf("the rebuild did not end; call it again and it goes on where it was: %w", err)
			case len(built) == 0:
				fmt.Fprintln(cmd.OutOrStdout(), "nothing to make: every row stands")
			}
			return nil
		},
	}
	c.Flags().StringVar(&store, "store", "trigone.db", "SQLite file of the record")
	c.Flags().StringVar(&policy, "policy", "", "the site's clinical policy, YAML; default: the built-in one")
	return c
}
