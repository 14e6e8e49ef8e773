package main

import (
	"context"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

func (a *app) outcomesCommand() *cobra.Command {
	var filter caseFilter
	var groups, outcomes, strata, benchmarks []string
	var asOf string
	var operators, traineesApart, cases bool
	var sheet sheetFlags
	var plots plotFlags
	c := &cobra.Command{
		Use:   "outcomes",
		Short: "Say what became of the patients",
		Long: `outcomes counts, over all patients of a period, how many left with a repaired valve, with
how much regurgitation and which gradient, who was taken back on bypass or converted, who
had a complication or died: each share with its interval, with those of whom it is not
known, and against what was expected before the operation. A patient counts once, with the
first operation. Deaths and complications have exact intervals; what has 30 days to run
waits until they are over.`,
		Example: `  trigone outcomes
  trigone outcomes --from 2026-01-01 --before 2027-01-01
  trigone outcomes --outcome conversion --outcome further_mitral_run --by technique
  trigone outcomes --benchmark 'conversion=0.0636=a registry, 2014-20, n 53,462'
  trigone outcomes --format csv > outcomes.csv`,
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
			selected, err := filter.selected()
			if err != nil {
				return err
			}
			request := &trigonev1.SummarizeOutcomesRequest{
				Filter:   &trigonev1.AuditFilter{IncisionFrom: selected.from, IncisionBefore: selected.before},
				Outcomes: outcomes, Strata: strata, Basis: selected.basis, TraineesApart: traineesApart, IncludeCases: cases,
			}
			if operators {
				request.Units = trigonev1.OutcomeUnits_OUTCOME_UNITS_OPERATORS
			}
			if request.Filter.Groups, err = factFilters(groups); err != nil {
				return err
			}
			if request.AsOf, err = instant("--as-of", asOf); err != nil {
				return err
			}
			if request.Benchmarks, err = benchmarksOf(benchmarks); err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, s services) error {
				answer, err := s.audit.SummarizeOutcomes(ctx, request)
				if err != nil {
					return err
				}
				if err := plots.write("outcomes", "How outcomes vary", render.OutcomePlots(answer)); err != nil {
					return err
				}
				return printFigures(a, cmd, answer, sheet, render.Outcomes, render.OutcomesCSV, render.OutcomesDictionary)
			})
		},
	}
	filter.spanFlags(c)
	sheet.flags(c, false)
	plots.flags(c)
	f := c.Flags()
	f.StringArrayVar(&groups, "group", nil, groupUsage)
	f.StringArrayVar(&outcomes, "outcome", nil, "only this outcome, such as conversion or operative_mortality; may be repeated")
	f.StringArrayVar(&strata, "by", nil, "kind of words for each of which the figures are given once more, such as technique, half_year or aetiology; first_operator and responsible_operator are for auditors; may be repeated")
	f.StringArrayVar(&benchmarks, "benchmark", nil, "OUTCOME=SHARE=SOURCE: a share from 0 to 1 published elsewhere that half-years and operators are held against; may be repeated")
	f.BoolVar(&operators, "operators", false, "hold operators side by side, as letters, not half-years; for auditors and for operators themselves")
	f.BoolVar(&traineesApart, "trainees-apart", false, "with --operators: count a trainee's operations as the trainee's, not the supervisor's")
	f.BoolVar(&cases, "cases", false, "with --format json: name the cases that went otherwise than hoped")
	f.StringVar(&asOf, "as-of", "", "leave out cases operated on after this date or time; default: now")
	return c
}

// benchmarksOf reads shares from elsewhere.
func benchmarksOf(list []string) ([]*trigonev1.Benchmark, error) {
	var out []*trigonev1.Benchmark
	for _, b := range list {
		parts := strings.SplitN(b, "=", 3)
		if len(parts) != 3 || parts[2] == "" {
			return nil, usagef("--benchmark is OUTCOME=SHARE=SOURCE, such as 'conversion=0.0636=a registry, 2014-20'")
		}
		share, err := strconv.ParseFloat(parts[1], 64)
		if err != nil || !(share > 0 && share < 1) {
			return nil, usagef("--benchmark: the share %q is no number between 0 and 1; 6.36 %% is written 0.0636", parts[1])
		}
		out = append(out, &trigonev1.Benchmark{Outcome: parts[0], Share: share, Source: parts[2]})
	}
	return out, nil
}
