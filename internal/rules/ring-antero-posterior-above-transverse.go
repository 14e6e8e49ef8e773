package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
)

var ringAnteroPosteriorAboveTransverse = Rule{
	ID: "ring-antero-posterior-above-transverse", Reference: "R31",
	Summary:  "The inner antero-posterior diameter of a ring does not exceed its inner transverse diameter.",
	Severity: Contradiction, Kind: Definition, Source: settings.SourceArithmetic,
	Advice: "Correct the inner dimensions of the ring; they may be swapped.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		return slices.DeleteFunc(stepPlaces(repair.Annuloplasty, func(repair.Step) bool { return true })(c), func(at metric.At) bool {
			return !has(c, at.Key("ring_inner_antero_posterior_diameter")) && !has(c, at.Key("ring_inner_transverse_diameter"))
		})
	},
	Check: func(r *Reader) Verdict {
		depth, width := r.Here("ring_inner_antero_posterior_diameter"), r.Here("ring_inner_transverse_diameter")
		if !r.Greater(r.Read(depth), r.Read(width)) {
			return Verdict{}
		}
		return broken("The ring's inner antero-posterior diameter of %s exceeds its inner transverse diameter of %s.", r.Text(depth), r.Text(width))
	},
	Examples: []Example{
		{Name: "24 by 32 mm", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Plan().Device("s1", repair.CompleteRing).
				Dim("ring_inner_antero_posterior_diameter", 24).Dim("ring_inner_transverse_diameter", 32).Case()
		}},
		{Name: "swapped", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.CompleteRing).
				Dim("ring_inner_antero_posterior_diameter", 32).Dim("ring_inner_transverse_diameter", 24).Case()
		}},
		{Name: "round", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.CompleteRing).
				Dim("ring_inner_antero_posterior_diameter", 28).Dim("ring_inner_transverse_diameter", 28).Case()
		}},
		{Name: "one dimension only", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Plan().Device("s1", repair.CompleteRing).Dim("ring_inner_antero_posterior_diameter", 24).Case()
		}},
		{Name: "no dimensions", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Plan().Device("s1", repair.PosteriorBand).Case()
		}},
	},
}
