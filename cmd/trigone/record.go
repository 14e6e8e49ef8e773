package main

import (
	"context"

	"github.com/spf13/cobra"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

func (a *app) ledgerCommand() *cobra.Command {
	var filter caseFilter
	var groups []string
	var asOf string
	var sheet sheetFlags
	c := &cobra.Command{
		Use:   "ledger",
		Short: "Say how the record itself is kept",
		Long: `ledger counts, over a period, what the rules found and what became of it, submits that
were set aside, retractions, amendments, plans that came late, differences without a
reason, and what became of questions asked while operating. Who signed late, and whose
reasons are missing, is told to an auditor, and to everybody of himself.`,
		Example: `  trigone ledger --from 2026-01-01 --before 2027-01-01
  trigone ledger --format csv > rules.csv`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON, formatCSV); err != nil {
				return err
			}
			if err := sheet.check(a); err != nil {
				return err
			}
			cases, err := filter.selected()
			if err != nil {
				return err
			}
			if len(cases.timings) > 0 {
				return usagef("--plan-timing selects nothing here: late plans are counted")
			}
			request := &trigonev1.SummarizeLedgerRequest{Filter: &trigonev1.AuditFilter{IncisionFrom: cases.from, IncisionBefore: cases.before}, Basis: cases.basis}
			if request.Filter.Groups, err = factFilters(groups); err != nil {
				return err
			}
			if request.AsOf, err = instant("--as-of", asOf); err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				answer, err := s.audit.SummarizeLedger(ctx, request)
				if err != nil {
					return err
				}
				return printFigures(a, cmd, answer, sheet, render.Record, render.RecordCSV, render.RecordDictionary)
			})
		},
	}
	filter.periodFlags(c)
	sheet.flags(c, false)
	c.Flags().StringArrayVar(&groups, "group", nil, groupUsage)
	c.Flags().StringVar(&asOf, "as-of", "", "leave out what happened after this date or time; default: now")
	return c
}
