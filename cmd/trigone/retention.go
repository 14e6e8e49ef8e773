package main

import (
	"context"

	"github.com/spf13/cobra"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

func (a *app) retentionCommand() *cobra.Command {
	var dryRun, overwrite bool
	var site string
	c := &cobra.Command{
		Use:   "retention",
		Short: "Remove what has been kept for its time",
		Long: `retention removes what has been kept as long as the server's deployment file says:
bodies of quarantined submits that were filed or discarded, rows of earlier requests,
and lines of the access record, from its beginning. A case is never removed for its age,
nor is a submit that nobody has decided on. Nothing goes by itself: call this as often
as wanted, every night by a timer. The run stands in the access record, and where that
is cut a signed mark says so, by which trigoned verify-access proves the rest.

With --dry-run nothing is removed: what would go is listed, by count and oldest, with
the reason. Backups that were made before still hold what is removed.`,
		Example: `  trigone retention --dry-run
  trigone retention`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			if dryRun && overwrite {
				return usagef("--dry-run removes nothing, so that there is nothing to --overwrite; give one of them")
			}
			request := &trigonev1.RunRetentionRequest{ValidateOnly: dryRun, Overwrite: overwrite}
			if site != "" {
				request.Parent = "sites/" + site
			}
			return a.callWithin(cmd, eraseTime, func(ctx context.Context, s services) error {
				answer, err := s.administration.RunRetention(ctx, request)
				switch {
				case err != nil:
					return err
				case a.format == formatJSON:
					return printJSON(cmd.OutOrStdout(), answer)
				}
				render.Retention(cmd.OutOrStdout(), answer)
				return nil
			})
		},
	}
	c.Flags().BoolVar(&dryRun, "dry-run", false, "list what would go, and remove nothing")
	c.Flags().BoolVar(&overwrite, "overwrite", false, "overwrite in the files what was removed before, even if nothing goes now")
	c.Flags().StringVar(&site, "site", "", "site, where one has rights at several")
	return c
}
