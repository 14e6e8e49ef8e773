package main

import (
	"context"

	"github.com/spf13/cobra"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

func (a *app) freedomCommand() *cobra.Command {
	var filter caseFilter
	var groups, events, strata []string
	var grade, asOf string
	var residualCounts bool
	var sheet sheetFlags
	var plots plotFlags
	c := &cobra.Command{
		Use:   "freedom",
		Short: "Say what becomes of patients after the operation: death, re-intervention, recurrence",
		Long: `freedom follows each patient from the first operation: how many of 100 have died, needed a
further intervention on the valve or have regurgitation again within 1, 5 and 10 years,
with numbers at risk and how complete the follow-up is. Recurrence is known only at
echoes; who was not looked at counts neither as free of it nor as having it. A curve stops
where fewer than 10 patients are followed. Without a flag it answers for all events.`,
		Example: `  trigone freedom
  trigone freedom --event recurrence --grade moderate_to_severe
  trigone freedom --event reintervention --by technique
  trigone freedom --as-of 2026-01-01 --format csv > freedom.csv`,
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
			request := &trigonev1.EstimateFreedomRequest{Strata: strata, Basis: cases.basis}
			if len(groups) > 0 || cases.from != nil || cases.before != nil {
				request.Filter = &trigonev1.AuditFilter{IncisionFrom: cases.from, IncisionBefore: cases.before}
				if request.Filter.Groups, err = factFilters(groups); err != nil {
					return err
				}
			}
			if request.Events, err = enumValues[trigonev1.FollowedEvent]("--event", events, "FOLLOWED_EVENT_"); err != nil {
				return err
			}
			if grade != "" {
				levels, err := enumValues[trigonev1.GradeValue]("--grade", []string{grade}, "GRADE_VALUE_")
				if err != nil {
					return err
				}
				request.RecurrenceGrade = levels[0]
			}
			if residualCounts {
				request.Residual = trigonev1.ResidualRegurgitation_RESIDUAL_REGURGITATION_EVENT_ON_DAY_0
			}
			if request.AsOf, err = instant("--as-of", asOf); err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				answer, err := s.audit.EstimateFreedom(ctx, request)
				if err != nil {
					return err
				}
				if err := plots.write("freedom", "What becomes of patients after the operation", render.EventCurvePlots(answer)); err != nil {
					return err
				}
				return printFigures(a, cmd, answer, sheet, render.EventCurves, render.EventCurvesCSV, render.EventCurvesDictionary)
			})
		},
	}
	filter.periodFlags(c)
	sheet.flags(c, false)
	plots.flags(c)
	f := c.Flags()
	f.StringArrayVar(&groups, "group", nil, groupUsage)
	f.StringArrayVar(&events, "event", nil, "only this event: death, reintervention, recurrence or composite; may be repeated")
	f.StringVar(&grade, "grade", "", "least regurgitation that counts as recurrence: mild, moderate, moderate_to_severe or severe; default: moderate")
	f.BoolVar(&residualCounts, "residual-counts", false, "regurgitation of that grade at discharge is an event on day 0; else it is left out")
	f.StringArrayVar(&strata, "by", nil, "kind of words for each of which the curves are given once more, such as technique, half_year or ring_family; first_operator and responsible_operator are for auditors; may be repeated")
	f.StringVar(&asOf, "as-of", "", "leave out operations after this date or time, and what entries of later days tell; default: now")
	return c
}
