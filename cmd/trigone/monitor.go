package main

import (
	"context"

	"github.com/spf13/cobra"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

func (a *app) monitorCommand() *cobra.Command {
	var filter caseFilter
	var groups, outcomes []string
	var operator, asOf string
	var since int64
	var sheet sheetFlags
	var plots plotFlags
	c := &cobra.Command{
		Use:   "monitor",
		Short: "Follow outcomes from operation to operation",
		Long: `monitor draws charts of outcomes in order of operation and says where there were more,
or fewer, failures than expected. Only what the policy names under monitoring signals, by
limits computed over a baseline of the site's own; everything else is a picture. Beside
each chart stands after how many operations it would signal with nothing amiss, and if
odds had doubled. A chart ends before the first operation whose outcome may still come.
Without a flag it answers for all outcomes of the department; with a period or a group
nothing signals, since limits are those of all operations.`,
		Example: `  trigone monitor
  trigone monitor --outcome operative_mortality --as-of 2026-06-30
  trigone monitor --operator op-7
  trigone monitor --changed-since 1200
  trigone monitor --outcome any_failure --plot failures.svg
  trigone monitor --format csv > charts.csv`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON, formatCSV); err != nil {
				return err
			}
			if err := sheet.check(a); err != nil {
				return err
			}
			if err := plots.check(cmd); err != nil {
				return err
			}
			cases, err := filter.selected()
			if err != nil {
				return err
			}
			request := &trigonev1.MonitorOutcomesRequest{
				Outcomes: outcomes, Operator: operator, ChangedSince: since, Basis: cases.basis,
				Filter: &trigonev1.AuditFilter{IncisionFrom: cases.from, IncisionBefore: cases.before},
			}
			if request.Filter.Groups, err = factFilters(groups); err != nil {
				return err
			}
			if request.AsOf, err = instant("--as-of", asOf); err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				answer, err := s.audit.MonitorOutcomes(ctx, request)
				if err != nil {
					return err
				}
				if err := plots.write("monitor", "Outcomes followed from operation to operation", render.MonitoringPlots(answer)); err != nil {
					return err
				}
				return printFigures(a, cmd, answer, sheet, render.Monitoring, render.MonitoringCSV, render.MonitoringDictionary)
			})
		},
	}
	sheet.flags(c, false)
	plots.flags(c)
	f := c.Flags()
	f.StringVar(&filter.from, "from", "", "only with incision at or after this date or time; then nothing signals")
	f.StringVar(&filter.before, "before", "", "only with incision before this date or time; then nothing signals")
	f.StringVar(&filter.basis, "basis", "stored", "stored: as answered when a case was last written; restated: as trigoned restate judged it again")
	f.StringArrayVar(&groups, "group", nil, groupUsage+"; then nothing signals")
	f.StringArrayVar(&outcomes, "outcome", nil, "only this outcome, such as conversion; may be repeated")
	f.StringVar(&operator, "operator", "", "only the operations of this pseudonym: of anybody for an auditor, else one's own")
	f.Int64Var(&since, "changed-since", 0, "last_change of an earlier answer: tell what was written since, as the path may differ from there on")
	f.StringVar(&asOf, "as-of", "", "leave out operations after this date or time, and look at windows on that day; default: now")
	return c
}
