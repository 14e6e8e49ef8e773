package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var leakOnSalineUnanswered = Rule{
	ID: "leak-on-saline-unanswered", Reference: "R41",
	Summary:  "A leak or an asymmetric closure line on the last saline test is followed by an echo of the repaired valve.",
	Severity: Note, Kind: Completeness, Source: settings.SourceCommonPractice,
	Advice: "Send the echo off bypass with its grade, or the test that was clear.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		tests := saline(c)
		if len(tests) == 0 || !offBypass(c) || c.Operation.Converted() || !leaks(tests[len(tests)-1]) {
			return nil
		}
		return inOperation(c)
	},
	Check: func(r *Reader) Verdict {
		tests := saline(r.Case())
		last := tests[len(tests)-1]
		for _, s := range r.Case().Studies {
			if s.Kind != repair.Assessment && s.Grade.Known() && (s.Run == 0 || s.Run >= last.Run) {
				return Verdict{}
			}
		}
		what := "a leak"
		if last.Leak != leakDiscrete && last.Leak != leakDiffuse {
			what = "an asymmetric closure line"
		}
		r.Fact("last saline test", last.ID)
		return broken("The last saline test showed %s, and no echo after it grades the regurgitation.", what)
	},
	Examples: []Example{
		{Name: "a leak, the echo shows a trace", Want: Holds, Case: func() *repair.Case {
			return exampleSaline(leakDiscrete).Result("exit", 1, valve.LeavingTheatre).Graded(repair.FiveStep, "trace").Case()
		}},
		{Name: "a leak and no echo", Want: Broken, Case: func() *repair.Case { return exampleSaline(leakDiffuse).Case() }},
		{Name: "no leak, but the line is not symmetric", Edge: true, Want: Broken, Case: func() *repair.Case {
			return exampleSaline(leakNone).EditOperation(func(o *repair.Operation) { o.SalineTests[0].LineSymmetric = valve.No }).Case()
		}},
		{Name: "no leak", Want: Inapplicable, Case: func() *repair.Case { return exampleSaline(leakNone).Case() }},
	},
}

// leaks says whether a saline test calls for something.
func leaks(t repair.Test) bool {
	return t.Leak == leakDiscrete || t.Leak == leakDiffuse || t.LineSymmetric == valve.No
}

// exampleSaline gives an operation that ended, with one saline test.
func exampleSaline(leak string) *repair.Example {
	return repair.NewExample().EditOperation(func(o *repair.Operation) {
		o.EndTime = repair.Clock(12, 0)
		o.SalineTests = []repair.Test{{ID: "t1", Run: 1, Stage: valve.AfterRing, Performed: valve.Yes, Leak: leak}}
	})
}
