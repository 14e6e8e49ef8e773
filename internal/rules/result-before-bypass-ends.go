package rules

import (
	"time"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var resultBeforeBypassEnds = Rule{
	ID: "result-before-bypass-ends", Reference: "R71",
	Summary:  "A result off bypass is not timed more than 10 min before the end of bypass.",
	Severity: Note, Kind: Time, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.BypassTail},
	Advice:     "Check the times; what was read on partial bypass says little of gradient and regurgitation.",
	Since:      "3",
	Under:      []string{"result-during-clamp", "result-before-incision"},
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool {
			return s.Kind == repair.Result && s.Stage == valve.OffBypass && !s.Time.IsZero() && len(runsOf(c, s)) > 0
		})
	},
	Check: func(r *Reader) Verdict {
		s := r.Study()
		tail := span(r.Limit(settings.BypassTail).Value)
		for _, run := range runsOf(r.Case(), s) {
			at := valve.InRun(run.Number, "")
			end, known := r.Clock("bypass_end", run.BypassEnd, at)
			weaning := !s.Time.Before(run.BypassStart) && !s.Time.Before(run.ClampEnd)
			if !known || !weaning || end.Sub(s.Time) <= tail {
				continue
			}
			r.Clock("time", s.Time, s.Occasion)
			return broken("The result off bypass is timed %s before the end of bypass of run %d: read on partial bypass?", minutes(end.Sub(s.Time)), run.Number)
		}
		return Verdict{}
	},
	Examples: []Example{
		{Name: "ten minutes after bypass", Want: Holds, Case: func() *repair.Case { return exampleTimed(valve.OffBypass, repair.Clock(11, 10)) }},
		{Name: "a quarter of an hour before its end", Want: Broken, Case: func() *repair.Case { return exampleTimed(valve.OffBypass, repair.Clock(10, 45)) }},
		{Name: "ten minutes before its end", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleTimed(valve.OffBypass, repair.Clock(10, 50)) }},
		{Name: "on the clamp is another rule's", Want: Holds, Case: func() *repair.Case { return exampleTimed(valve.OffBypass, repair.Clock(10, 0)) }},
		{Name: "nobody says when bypass ended", Want: NotEvaluable, Case: func() *repair.Case {
			c := exampleTimed(valve.OffBypass, repair.Clock(10, 45))
			c.Operation.Runs[0].BypassEnd = time.Time{}
			return c
		}},
		{Name: "two runs, the result of neither, between them", Want: Inapplicable, Case: func() *repair.Case {
			c := exampleTimed(valve.OffBypass, repair.Clock(11, 10))
			c.Studies[0].Run = 0
			c.Operation.Runs = append(c.Operation.Runs, repair.Run{Number: 2, BypassStart: repair.Clock(11, 40), BypassEnd: repair.Clock(12, 30)})
			return c
		}},
	},
}

// runsOf gives the runs that a result may belong to: the one that it states, the
// only one there is, or else those whose bypass it is timed in.
func runsOf(c *repair.Case, s *repair.Study) []repair.Run {
	if c.Operation == nil {
		return nil
	}
	var list []repair.Run
	for _, run := range c.Operation.Runs {
		within := !run.BypassStart.IsZero() && !run.BypassEnd.IsZero() && !s.Time.Before(run.BypassStart) && !s.Time.After(run.BypassEnd)
		if run.Number == s.Run || s.Run == 0 && (within || len(c.Operation.Runs) == 1) {
			list = append(list, run)
		}
	}
	return list
}
