package rules

import (
	"time"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var resultDuringClamp = Rule{
	ID: "result-during-clamp", Reference: "R71",
	Summary:  "A result off bypass or on leaving theatre is not timed while the aorta is clamped, 1 min at either end allowed.",
	Severity: Contradiction, Kind: Time, Source: settings.SourceArithmetic,
	Thresholds: []string{settings.ClampEdge},
	Advice:     "Correct the time of the result or those of the clamp.",
	Since:      "3",
	Where: func(c *repair.Case) []metric.At {
		if !clamped(c) {
			return nil
		}
		return studies(c, func(s *repair.Study) bool { return afterPump(s) && !s.Time.IsZero() })
	},
	Check: func(r *Reader) Verdict {
		s := r.Study()
		edge := span(r.Limit(settings.ClampEdge).Value)
		var open []repair.Run
		for _, run := range r.Case().Operation.Runs {
			switch {
			case run.ClampStart.IsZero() && run.ClampEnd.IsZero():
			case run.ClampStart.IsZero(), run.ClampEnd.IsZero():
				open = append(open, run)
			case s.Time.After(run.ClampStart.Add(edge)) && s.Time.Before(run.ClampEnd.Add(-edge)):
				at := valve.InRun(run.Number, "")
				r.Clock("time", s.Time, s.Occasion)
				r.Clock("clamp_start", run.ClampStart, at)
				r.Clock("clamp_end", run.ClampEnd, at)
				v := broken("The result %s is timed %s after the clamp of run %d went on and %s before it came off.",
					stageWords(s), minutes(s.Time.Sub(run.ClampStart)), run.Number, minutes(run.ClampEnd.Sub(s.Time)))
				v.Sections = []string{string(s.Occasion), string(valve.AtOperation)}
				return v
			}
		}
		for _, run := range open {
			at := valve.InRun(run.Number, "")
			switch {
			case run.ClampEnd.IsZero() && s.Time.After(run.ClampStart.Add(edge)):
				r.MissFact("clamp_end", at)
			case run.ClampStart.IsZero() && s.Time.Before(run.ClampEnd.Add(-edge)):
				r.MissFact("clamp_start", at)
			}
		}
		return Verdict{}
	},
	Examples: []Example{
		{Name: "echo half an hour after the clamp came off", Want: Holds, Case: func() *repair.Case { return exampleTimed(valve.OffBypass, repair.Clock(11, 10)) }},
		{Name: "echo in the middle of the clamp", Want: Broken, Case: func() *repair.Case { return exampleTimed(valve.OffBypass, repair.Clock(10, 0)) }},
		{Name: "on leaving theatre, too", Want: Broken, Case: func() *repair.Case { return exampleTimed(valve.LeavingTheatre, repair.Clock(10, 0)) }},
		{Name: "a minute before it came off: clocks differ", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleTimed(valve.OffBypass, repair.Clock(10, 39)) }},
		{Name: "two minutes before it came off", Edge: true, Want: Broken, Case: func() *repair.Case { return exampleTimed(valve.OffBypass, repair.Clock(10, 38)) }},
		{Name: "nobody says when the clamp came off", Want: NotEvaluable, Case: func() *repair.Case {
			c := exampleTimed(valve.OffBypass, repair.Clock(11, 10))
			c.Operation.Runs[0].ClampEnd = time.Time{}
			return c
		}},
		{Name: "no clamp is recorded", Want: Inapplicable, Case: func() *repair.Case {
			c := exampleTimed(valve.OffBypass, repair.Clock(10, 0))
			c.Operation.Runs[0].ClampStart, c.Operation.Runs[0].ClampEnd = time.Time{}, time.Time{}
			return c
		}},
	},
}

// clamped says whether a time of a clamp is recorded.
func clamped(c *repair.Case) bool {
	if c.Operation == nil {
		return false
	}
	for _, run := range c.Operation.Runs {
		if !run.ClampStart.IsZero() || !run.ClampEnd.IsZero() {
			return true
		}
	}
	return false
}

// afterPump says whether a study is a result off bypass or later.
func afterPump(s *repair.Study) bool {
	return s.Kind == repair.Result && (s.Stage == valve.OffBypass || s.Stage == valve.LeavingTheatre)
}

// stageWords says when a result was read.
func stageWords(s *repair.Study) string {
	if s.Stage == valve.LeavingTheatre {
		return "on leaving theatre"
	}
	return "off bypass"
}

// span gives a limit in minutes as a span of time.
func span(minutes float64) time.Duration { return time.Duration(minutes * float64(time.Minute)) }

// exampleTimed is a run with bypass from 9:00 to 11:00 and a clamp from 9:15 to
// 10:40, and a result of it at a time.
func exampleTimed(stage valve.Stage, t time.Time) *repair.Case {
	return repair.NewExample().Pump(repair.Run{Number: 1, BypassStart: repair.Clock(9, 0), ClampStart: repair.Clock(9, 15),
		ClampEnd: repair.Clock(10, 40), BypassEnd: repair.Clock(11, 0)}).
		Result("echo", 1, stage).EditStudy(func(s *repair.Study) { s.Time = t }).Case()
}
