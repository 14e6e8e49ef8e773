package main

import (
	"context"

	"github.com/spf13/cobra"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

func (a *app) accessCommand() *cobra.Command {
	var caseArg, caller string
	var most int
	var emergencies bool
	var signOff int64
	c := &cobra.Command{
		Use:   "access",
		Short: "List who looked, and who wrote",
		Long: `access lists the access record, newest first: who called what, about which case, and
what came of it; reads, exports and refusals too. With --case it lists the accesses to
that case alone. An answer about several cases, such as a page of a list, a search or
an export, has a line that says how many, and names none: ask for those without --case.
Whether the record is whole, trigoned verify-access proves.`,
		Example: `  trigone access --case 'urn:example:harbour-hospital:case|MV-2026-001'
  trigone access --caller theatre --most 50
  trigone access --emergencies
  trigone access --sign-off 1204`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			if most < 1 {
				return usagef("--most is a number from 1")
			}
			if signOff > 0 {
				return a.call(cmd, func(ctx context.Context, s services) error {
					_, err := s.audit.SignOffAccess(ctx, &trigonev1.SignOffAccessRequest{Number: signOff})
					return err
				})
			}
			request := &trigonev1.ListAccessesRequest{Caller: caller, UnsignedEmergenciesOnly: emergencies}
			if caseArg != "" {
				var err error
				if request.Case, err = caseReference(caseArg); err != nil {
					return err
				}
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				whole := &trigonev1.ListAccessesResponse{}
				for {
					request.PageSize = int32(min(pageSize, most-len(whole.GetAccesses())))
					page, err := s.audit.ListAccesses(ctx, request)
					if err != nil {
						return err
					}
					whole.Accesses = append(whole.Accesses, page.GetAccesses()...)
					request.PageToken = page.GetNextPageToken()
					if request.GetPageToken() == "" || len(whole.GetAccesses()) >= most {
						break
					}
				}
				whole.NextPageToken = request.GetPageToken()
				if a.format == formatJSON {
					return printJSON(cmd.OutOrStdout(), whole)
				}
				render.Accesses(cmd.OutOrStdout(), whole.GetAccesses(), whole.GetNextPageToken() != "")
				return nil
			})
		},
	}
	c.Flags().StringVar(&caseArg, "case", "", "only of this case: a name, or SYSTEM|VALUE")
	c.Flags().StringVar(&caller, "caller", "", "only by this caller")
	c.Flags().BoolVar(&emergencies, "emergencies", false, "only reads in an emergency that nobody signed off yet")
	c.Flags().Int64Var(&signOff, "sign-off", 0, "sign off the line of this number, of a read in an emergency")
	c.Flags().IntVar(&most, "most", 500, "at most as many lines, the newest")
	return c
}
