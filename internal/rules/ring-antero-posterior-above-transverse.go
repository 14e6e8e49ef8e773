package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var ringAnteroPosteriorAboveTransverse = Rule{
	ID: "ring-antero-posterior-above-transverse", Reference: "R31",
	Summary:  "The inner antero-posterior diameter of a ring does not exceed its inner transverse diameter.",
	Severity: Contradiction, Kind: Definition, Source: settings.SourceArithmetic,
	Advice: "Correct the inner dimensions of the ring; they may be swapped.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		return slices.DeleteFunc(stepPlaces(repair.Annuloplasty, func(repair.Step) bool { return true })(c), func(at metric.At) bool {
			return !has(c, at.Key(valve.RingInnerAnteroPosteriorDiameter)) && !has(c, at.Key(valve.RingInnerTransverseDiameter))
		})
	},
	Check: func(r *Reader) Verdict {
		depth, width := r.Here(valve.RingInnerAnteroPosteriorDiameter), r.Here(valve.RingInnerTransverseDiameter)
		if !r.Greater(r.Read(depth), r.Read(width)) {
			return Verdict{}
		}
		return broken("The ring's inner antero-posterior diameter of %s exceeds its inner transverse diameter of %s.", r.Text(depth), r.Text(width))
	},
	Examples: []Example{
		{Name: "24 by 32 mm", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Plan().Device("s1", repair.CompleteRing).
				Dim(valve.RingInnerAnteroPosteriorDiameter, 24).Dim(valve.RingInnerTransverseDiameter, 32).Case()
		}},
		{Name: "swapped", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.CompleteRing).
				Dim(valve.RingInnerAnteroPosteriorDiameter, 32).Dim(valve.RingInnerTransverseDiameter, 24).Case()
		}},
		{Name: "round", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.CompleteRing).
				Dim(valve.RingInnerAnteroPosteriorDiameter, 28).Dim(valve.RingInnerTransverseDiameter, 28).Case()
		}},
		{Name: "one dimension only", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Plan().Device("s1", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 24).Case()
		}},
		{Name: "no dimensions", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Plan().Device("s1", repair.PosteriorBand).Case()
		}},
	},
}
