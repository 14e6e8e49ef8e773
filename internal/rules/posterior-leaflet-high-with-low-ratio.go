package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var posteriorLeafletHighWithLowRatio = Rule{
	ID: "posterior-leaflet-high-with-low-ratio", Reference: "R07",
	Summary:  "A final height of P2 above 15 mm does not go with an A2 less than 1.3 times as high: by the plan and after each run.",
	Severity: Note, Kind: Clinical, Source: settings.SourceSurgeryTextbook,
	Thresholds: []string{settings.PosteriorHeightLowRatio, settings.LeafletRatioLow},
	Advice:     "Consider lowering the posterior leaflet: both together are known to favour systolic anterior motion.",
	Since:      "1",
	Where:      finalHeights,
	Check: func(r *Reader) Verdict {
		here := r.At()
		height, known := r.Metric(r.Here(metric.IDFinalPosteriorHeight))
		ratio, both := r.Metric(metric.FinalHeightRatioKey(here.Occasion == valve.AtPlan, here.Run))
		if !known || !both || !r.Beyond(height, settings.PosteriorHeightLowRatio) || !r.Below(ratio, settings.LeafletRatioLow) {
			return Verdict{}
		}
		return broken("The final height of P2 is %s, above %s, and A2 is only %s times as high, below %s.",
			Amount(metric.IDFinalPosteriorHeight, height), r.LimitText(settings.PosteriorHeightLowRatio),
			Amount(metric.IDHeightRatio, ratio), r.LimitText(settings.LeafletRatioLow))
	},
	Examples: []Example{
		{Name: "27 over 14 mm", Want: Holds, Case: func() *repair.Case {
			return exampleRatio(27, 14)
		}},
		{Name: "24 over 20 mm", Want: Broken, Case: func() *repair.Case {
			return exampleRatio(24, 20)
		}},
		{Name: "26 over 20 mm is 1.3 exactly", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleRatio(26, 20)
		}},
		{Name: "15 mm exactly, however low the ratio", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleRatio(16, 15)
		}},
		{Name: "no height of A2", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 20).Plan().Step("s1", repair.ArtificialChord, valve.P2).Case()
		}},
	},
}

func exampleRatio(anterior, posterior float64) *repair.Case {
	return repair.NewExample().Assess("tee").Height(valve.A2, anterior).Height(valve.P2, posterior).
		Plan().Step("s1", repair.ArtificialChord, valve.P2).Case()
}
