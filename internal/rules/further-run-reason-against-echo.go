package rules

import (
	"slices"
	"strconv"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var furtherRunReasonAgainstEcho = Rule{
	ID: "further-run-reason-against-echo", Reference: "R70",
	Summary:  "The reason of a further run shows in the echo of the run before: residual regurgitation is not none or a trace, systolic anterior motion not none.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Advice: "Check the reason of the run, or send the echo that led to it.",
	Since:  "2",
	Where:  runs(func(run repair.Run) bool { return run.Number > 1 }),
	Check: func(r *Reader) Verdict {
		run := r.Run(r.At().Run)
		reason, known := r.Word("reason of run "+strconv.Itoa(run.Number), run.Reason, valve.AtOperation)
		if !known || reason != "residual_regurgitation" && reason != "anterior_motion" {
			return Verdict{}
		}
		before := slices.DeleteFunc(r.Case().OfKind(repair.Result), func(s repair.Study) bool { return s.Run != run.Number-1 })
		regurgitation := reason == "residual_regurgitation"
		told := false
		for _, s := range before {
			word := s.AnteriorMotion
			if regurgitation {
				word = s.Grade.Value
			}
			if word == "" {
				continue
			}
			if !slices.Contains([]string{motionNone, "trace", "plus_0"}, word) {
				return Verdict{}
			}
			told = true
		}
		if !told {
			r.MissFact("echo of run "+strconv.Itoa(run.Number-1), "result")
			return Verdict{}
		}
		if regurgitation {
			return broken("Run %d is said to be for residual regurgitation, and the echo of the run before shows none or a trace.", run.Number)
		}
		return broken("Run %d is said to be for systolic anterior motion, and the echo of the run before shows none.", run.Number)
	},
	Examples: []Example{
		{Name: "residual regurgitation, moderate", Want: Holds, Case: func() *repair.Case { return exampleReason("residual_regurgitation", "moderate") }},
		{Name: "residual regurgitation, none", Want: Broken, Case: func() *repair.Case { return exampleReason("residual_regurgitation", "none") }},
		{Name: "mild may be enough", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleReason("residual_regurgitation", "mild") }},
		{Name: "a trace is not", Edge: true, Want: Broken, Case: func() *repair.Case { return exampleReason("residual_regurgitation", "trace") }},
		{Name: "reason not recorded", Want: NotEvaluable, Case: func() *repair.Case { return exampleReason("", "moderate") }},
	},
}

func exampleReason(reason, grade string) *repair.Case {
	return repair.NewExample().Pump(repair.Run{Number: 1}).Pump(repair.Run{Number: 2, Reason: reason}).
		Result("off", 1, valve.OffBypass).Graded(repair.FiveStep, grade).Case()
}
