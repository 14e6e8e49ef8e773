package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
)

var bypassEndsBeforeStart = Rule{
	ID: "bypass-ends-before-start", Reference: "R71",
	Summary:  "The end of bypass must not lie before its start.",
	Severity: Contradiction, Kind: Time, Source: settings.SourceArithmetic,
	Advice: "Correct the start or the end of bypass.",
	Since:  "1",
	Where:  runs(func(run repair.Run) bool { return !run.BypassStart.IsZero() || !run.BypassEnd.IsZero() }),
	Check: func(r *Reader) Verdict {
		at := r.At()
		run := r.Run(at.Run)
		start, known := r.Clock("bypass_start", run.BypassStart, at.Occasion)
		end, both := r.Clock("bypass_end", run.BypassEnd, at.Occasion)
		if !known || !both || !end.Before(start) {
			return Verdict{}
		}
		v := broken("Bypass of run %d ends %s before it starts.", at.Run, minutes(start.Sub(end)))
		v.Sections = []string{at.Occasion.Section()}
		return v
	},
	Examples: []Example{
		{Name: "two hours on bypass", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, BypassStart: repair.Clock(9, 0), BypassEnd: repair.Clock(11, 0)}).Case()
		}},
		{Name: "the times are swapped", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, BypassStart: repair.Clock(11, 0), BypassEnd: repair.Clock(9, 0)}).Case()
		}},
		{Name: "start and end in one minute", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, BypassStart: repair.Clock(9, 0), BypassEnd: repair.Clock(9, 0)}).Case()
		}},
		{Name: "the end is not recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Pump(repair.Run{Number: 1, BypassStart: repair.Clock(9, 0)}).Case()
		}},
	},
}
