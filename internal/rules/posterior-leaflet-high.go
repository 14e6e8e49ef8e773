package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var posteriorLeafletHigh = Rule{
	ID: "posterior-leaflet-high", Reference: "R05",
	Summary:  "The final height of P2, native where no step lowers it, is not above 20 mm: by the plan and after each run.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.PosteriorHeightHigh},
	Advice:     "Consider lowering the posterior leaflet: a high one pushes the closure line forward.",
	Since:      "1",
	Where:      finalHeights,
	Check: func(r *Reader) Verdict {
		height, known := r.Metric(r.Here(metric.IDFinalPosteriorHeight))
		if !known || !r.Beyond(height, settings.PosteriorHeightHigh) {
			return Verdict{}
		}
		return broken("The final height of P2 is %s, above %s.",
			Amount(metric.IDFinalPosteriorHeight, height), r.LimitText(settings.PosteriorHeightHigh))
	},
	Examples: []Example{
		{Name: "lowered from 25 to 15 mm", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 25).
				Plan().Step("s1", repair.HeightReduction, valve.P2).Dim(valve.HeightRemoved, 10).Case()
		}},
		{Name: "25 mm and no step lowers it", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 25).Plan().Step("s1", repair.ArtificialChord, valve.P2).Case()
		}},
		{Name: "after run 1, as it was left", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Field(1, valve.AfterRing).Height(valve.P2, 23).Case()
		}},
		{Name: "20 mm exactly", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 20).Plan().Step("s1", repair.ArtificialChord, valve.P2).Case()
		}},
		{Name: "after a resection down to the annulus, seam not planned: never the native height", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 25).Plan().Resect("s1", repair.Quadrangular, valve.P2).Case()
		}},
	},
}

// finalHeights gives P2 by the plan and after each run after which the valve was
// still native; the last run is the state on leaving theatre.
func finalHeights(c *repair.Case) []metric.At {
	m, _ := metric.MetricByID(metric.IDFinalPosteriorHeight)
	return slices.DeleteFunc(m.Where(c), func(here metric.At) bool {
		return here.Place.Segment() != valve.P2 || here.Occasion != valve.AtPlan && c.Operation.Converted() && here.Run >= c.Operation.LastRun()
	})
}
