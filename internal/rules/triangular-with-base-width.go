package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var triangularWithBaseWidth = Rule{
	ID: "triangular-with-base-width", Reference: "R15",
	Summary:  "A triangular resection has no base width above 3 mm: with one it is four-sided.",
	Severity: Contradiction, Kind: Definition, Source: settings.SourceArithmetic,
	Thresholds: []string{settings.TriangleBaseWide},
	Advice:     "Correct the shape or the base width.",
	Since:      "2",
	Where: func(c *repair.Case) []metric.At {
		return slices.DeleteFunc(stepPlaces(repair.LeafletResection, func(s repair.Step) bool {
			return s.Resection != nil && s.Resection.Shape == repair.Triangular
		})(c), func(here metric.At) bool {
			_, given := c.Measured[here.Key(valve.ResectionBaseWidth)]
			return !given
		})
	},
	Check: func(r *Reader) Verdict {
		base := r.Here(valve.ResectionBaseWidth)
		if !r.Beyond(r.Read(base), settings.TriangleBaseWide) {
			return Verdict{}
		}
		r.Fact("shape", repair.Triangular)
		return broken("A triangular resection is recorded with a base width of %s.", r.Text(base))
	},
	Examples: []Example{
		{Name: "no base", Want: Holds, Case: func() *repair.Case { return exampleTriangle(0) }},
		{Name: "8 mm", Want: Broken, Case: func() *repair.Case { return exampleTriangle(8) }},
		{Name: "3 mm exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleTriangle(3) }},
		{Name: "not measured", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Plan().Resect("s1", repair.Triangular, valve.P2).
				Absent(valve.ResectionBaseWidth, valve.AtStep("s1"), valve.AbsentNotPerformed).Case()
		}},
	},
}

func exampleTriangle(base float64) *repair.Case {
	return repair.NewExample().Plan().Resect("s1", repair.Triangular, valve.P2).Dim(valve.ResectionBaseWidth, base).Case()
}
