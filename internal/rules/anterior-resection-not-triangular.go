package rules

import (
	"slices"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var anteriorResectionNotTriangular = Rule{
	ID: "anterior-resection-not-triangular", Reference: "R18",
	Summary:  "A resection of the anterior leaflet is a limited triangle.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Advice: "Check segment and shape; a resection of the anterior leaflet down to the annulus is not usual.",
	Since:  "2",
	Where: stepPlaces(repair.LeafletResection, func(s repair.Step) bool {
		return slices.ContainsFunc(segmentsOf(s), func(seg valve.Segment) bool { return seg.Leaflet() == valve.Anterior })
	}),
	Check: func(r *Reader) Verdict {
		step := r.Step()
		shape := ""
		if step.Resection != nil {
			shape = step.Resection.Shape
		}
		word, known := r.Word("shape", shape, r.At().Occasion)
		if !known || word == repair.Triangular {
			return Verdict{}
		}
		return broken("The resection at %s of the anterior leaflet is not triangular.", names(step.Places))
	},
	Examples: []Example{
		{Name: "a triangle of A2", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Resect("o1", repair.Triangular, valve.A2).Case()
		}},
		{Name: "four-sided at A2", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Resect("o1", repair.Quadrangular, valve.A2).Case()
		}},
		{Name: "four-sided at P2 is no concern", Edge: true, Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Resect("o1", repair.Quadrangular, valve.P2).Case()
		}},
		{Name: "shape not recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Step("o1", repair.LeafletResection, valve.A2).Case()
		}},
	},
}
