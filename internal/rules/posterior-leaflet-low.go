package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var posteriorLeafletLow = Rule{
	ID: "posterior-leaflet-low", Reference: "R06",
	Summary:  "The final height of P2 is at least 5 mm: by the plan and after each run.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.PosteriorHeightLow},
	Advice:     "Check the height; what is left can hardly meet the anterior leaflet.",
	Since:      "2",
	Where:      finalHeights,
	Check: func(r *Reader) Verdict {
		height, known := r.Metric(r.Here(metric.IDFinalPosteriorHeight))
		if !known || !r.Below(height, settings.PosteriorHeightLow) {
			return Verdict{}
		}
		return broken("The final height of P2 is %s, below %s.", Amount(metric.IDFinalPosteriorHeight, height), r.LimitText(settings.PosteriorHeightLow))
	},
	Examples: []Example{
		{Name: "13 mm", Want: Holds, Case: func() *repair.Case { return exampleFinalHeight(13) }},
		{Name: "3 mm", Want: Broken, Case: func() *repair.Case { return exampleFinalHeight(3) }},
		{Name: "5 mm exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleFinalHeight(5) }},
		{Name: "seam not planned", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 25).Plan().Resect("s1", repair.Quadrangular, valve.P2).Case()
		}},
	},
}

func exampleFinalHeight(height float64) *repair.Case {
	return repair.NewExample().Field(1, valve.AfterRing).Height(valve.P2, height).Case()
}
