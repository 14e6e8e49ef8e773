package main

import (
	"encoding/hex"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"trigone/server"
)

func verifyAccessCommand() *cobra.Command {
	var store string
	var proof server.AccessProof
	c := &cobra.Command{
		Use:   "verify-access",
		Short: "Prove that the access record is whole, or name the first break",
		Long: `verify-access walks over the access record of a store: every line must follow the one
before it, no number may be missing, and every head that was signed must be part of it.
A line that was changed, removed or moved is named. Lines that trigone retention removed
for their age are no break: a signed mark says up to which one, by whom and when. It
changes nothing and may run beside a server.

Who can write the file and has no key can still cut lines off at the end together with
everything that speaks of them. That is found out by a head from elsewhere: give the log
of the service by --log, or a head as it was printed by --head. With --key-file, the key
that signs or its public half, a head that another key signed is a break; without it the
keys that the store names are believed.

Exit codes: 0 whole, 1 broken or could not be read, 2 wrong use.`,
		Example: `  trigoned verify-access --store trigone.db --key-file access.pub --log trigoned.log`,
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			v, err := server.VerifyAccess(cmd.Context(), store, proof)
			if err != nil {
				return err
			}
			out := cmd.OutOrStdout()
			if v.Lines == 0 {
				fmt.Fprintln(out, "the access record has no line")
				return nil
			}
			fmt.Fprintf(out, "%d lines, %d (%s) to %d (%s): each follows the one before it\n",
				v.Lines, v.First, v.FirstTime.Format(time.RFC3339), v.Last, v.LastTime.Format(time.RFC3339))
			if v.Cut.Number > 0 {
				fmt.Fprintf(out, "lines 1 to %d were removed for their age on %s, as %s at site %s asked: those before %s; the mark of it is signed\n",
					v.Cut.Number, v.Cut.Time.Format(time.RFC3339), v.Cut.Caller, v.Cut.Site, v.Cut.Before.Format(time.RFC3339))
			}
			switch {
			case v.Heads == 0:
				fmt.Fprintln(out, "no head was signed or given: whoever can write the file could have made all of them anew")
			case v.Unknown:
				fmt.Fprintf(out, "%d heads fit, the last one at line %d; no --key-file was given, so that the keys named in the store are believed\n", v.Heads, v.Signed)
			default:
				fmt.Fprintf(out, "%d heads fit, the last one at line %d\n", v.Heads, v.Signed)
			}
			for _, key := range v.Keys {
				if len(key) > 0 {
					fmt.Fprintln(out, "signed by", hex.EncodeToString(key))
				}
			}
			return nil
		},
	}
	c.Flags().StringVar(&store, "store", "trigone.db", "SQLite file of the record")
	c.Flags().StringVar(&proof.KeyFile, "key-file", "", "key that signs the access record, or its public half, PEM")
	c.Flags().StringArrayVar(&proof.Heads, "head", nil, "a head as the log printed it; may be repeated")
	c.Flags().StringArrayVar(&proof.LogFiles, "log", nil, "a log of the service, in which heads are looked for; may be repeated")
	return c
}
