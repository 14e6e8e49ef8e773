package rules

import (
	"time"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var leftTheatreOnBypass = Rule{
	ID: "left-theatre-on-bypass", Reference: "R71",
	Summary:  "A result on leaving theatre is not timed more than 10 min before the end of bypass.",
	Severity: Contradiction, Kind: Time, Source: settings.SourceArithmetic,
	Thresholds: []string{settings.BypassTail},
	Advice:     "Correct the time of the result, its stage or the end of bypass.",
	Since:      "3",
	Under:      []string{"result-during-clamp", "result-before-incision"},
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool {
			return s.Kind == repair.Result && s.Stage == valve.LeavingTheatre && !s.Time.IsZero() && len(runsOf(c, s)) > 0
		})
	},
	Check: func(r *Reader) Verdict {
		s := r.Study()
		tail := span(r.Limit(settings.BypassTail).Value)
		for _, run := range runsOf(r.Case(), s) {
			end, known := r.Clock("bypass_end", run.BypassEnd, valve.InRun(run.Number, ""))
			if !known || end.Sub(s.Time) <= tail {
				continue
			}
			r.Clock("time", s.Time, s.Occasion)
			v := broken("The result on leaving theatre is timed %s before the end of bypass of run %d.", minutes(end.Sub(s.Time)), run.Number)
			v.Sections = []string{string(s.Occasion), string(valve.AtOperation)}
			return v
		}
		return Verdict{}
	},
	Examples: []Example{
		{Name: "an hour after bypass", Want: Holds, Case: func() *repair.Case { return exampleTimed(valve.LeavingTheatre, repair.Clock(12, 0)) }},
		{Name: "a quarter of an hour before its end", Want: Broken, Case: func() *repair.Case { return exampleTimed(valve.LeavingTheatre, repair.Clock(10, 45)) }},
		{Name: "ten minutes before its end", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleTimed(valve.LeavingTheatre, repair.Clock(10, 50)) }},
		{Name: "nobody says when bypass ended", Want: NotEvaluable, Case: func() *repair.Case {
			c := exampleTimed(valve.LeavingTheatre, repair.Clock(10, 45))
			c.Operation.Runs[0].BypassEnd = time.Time{}
			return c
		}},
		{Name: "back on bypass the next day, the result of the first run", Want: Holds, Case: func() *repair.Case {
			c := exampleTimed(valve.LeavingTheatre, repair.Clock(12, 0))
			c.Operation.Runs = append(c.Operation.Runs, repair.Run{Number: 2, BypassStart: repair.Clock(30, 0), BypassEnd: repair.Clock(31, 0)})
			return c
		}},
	},
}
