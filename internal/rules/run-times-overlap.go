package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var runTimesOverlap = Rule{
	ID: "run-times-overlap", Reference: "R71",
	Summary:  "A further run on the pump must not start before the run before it ended.",
	Severity: Contradiction, Kind: Time, Source: settings.SourceArithmetic,
	Advice: "Correct the times of bypass of both runs.",
	Since:  "1",
	Under:  []string{"bypass-ends-before-start"},
	Where: func(c *repair.Case) []metric.At {
		return runs(func(run repair.Run) bool {
			return slices.ContainsFunc(c.Operation.Runs, func(before repair.Run) bool {
				return before.Number == run.Number-1 && (!before.BypassEnd.IsZero() || !run.BypassStart.IsZero())
			})
		})(c)
	},
	Check: func(r *Reader) Verdict {
		at := r.At()
		end, known := r.Clock("bypass_end", r.Run(at.Run-1).BypassEnd, valve.InRun(at.Run-1, ""))
		start, both := r.Clock("bypass_start", r.Run(at.Run).BypassStart, at.Occasion)
		if !known || !both || !start.Before(end) {
			return Verdict{}
		}
		v := broken("Run %d starts %s before run %d ends.", at.Run, minutes(end.Sub(start)), at.Run-1)
		v.Sections = []string{at.Occasion.Section()}
		return v
	},
	Examples: []Example{
		{Name: "a quarter of an hour between the runs", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, BypassEnd: repair.Clock(11, 0)}).
				Pump(repair.Run{Number: 2, BypassStart: repair.Clock(11, 15)}).Case()
		}},
		{Name: "the second starts within the first", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, BypassEnd: repair.Clock(11, 0)}).
				Pump(repair.Run{Number: 2, BypassStart: repair.Clock(10, 45)}).Case()
		}},
		{Name: "one ends as the other starts", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, BypassEnd: repair.Clock(11, 0)}).
				Pump(repair.Run{Number: 2, BypassStart: repair.Clock(11, 0)}).Case()
		}},
		{Name: "the end of the first is not recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1}).Pump(repair.Run{Number: 2, BypassStart: repair.Clock(11, 0)}).Case()
		}},
		{Name: "one run only", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, BypassEnd: repair.Clock(11, 0)}).Case()
		}},
	},
}
