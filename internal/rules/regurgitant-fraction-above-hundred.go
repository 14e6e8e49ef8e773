package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var regurgitantFractionAboveHundred = Rule{
	ID: "regurgitant-fraction-above-hundred", Reference: "R55",
	Summary:  "A stated regurgitant fraction is not above 100 %: not more can flow back than was ejected.",
	Severity: Contradiction, Kind: Definition, Source: settings.SourceArithmetic,
	Advice: "Correct the fraction; the divisor is the stroke volume through the mitral valve, not the forward one.",
	Since:  "2",
	Where:  keyPlaces(valve.StatedRegurgitantFraction, func(valve.Place) bool { return true }),
	Check: func(r *Reader) Verdict {
		fraction := r.Here(valve.StatedRegurgitantFraction)
		if !r.Greater(r.Read(fraction), whole) {
			return Verdict{}
		}
		return broken("A regurgitant fraction of %s is stated, more than everything.", r.Text(fraction))
	},
	Examples: []Example{
		{Name: "53 %", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.StatedRegurgitantFraction, 53).Case()
		}},
		// A public worked example divides by the forward stroke volume and prints 113 %.
		{Name: "113 %, divided by the forward stroke volume", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.StatedRegurgitantFraction, 113).Case()
		}},
		{Name: "100 % exactly", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.StatedRegurgitantFraction, 100).Case()
		}},
		{Name: "not possible", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Absent(valve.StatedRegurgitantFraction, valve.Nowhere, valve.AbsentNotPossible).Case()
		}},
	},
}

// whole is everything, in %.
const whole = 100
