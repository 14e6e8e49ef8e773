package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var gradientWithoutHeartRate = Rule{
	ID: "gradient-without-heart-rate", Reference: "R48",
	Summary:  "A mitral gradient has the heart rate at which it was taken beside it.",
	Severity: Note, Kind: Completeness, Source: settings.SourceCommonPractice,
	Advice: "Record the heart rate: the gradient grows with the square of the flow and cannot be compared without it.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool {
			return holdsAny(c, s, valve.Nowhere, valve.MeanGradient, valve.PeakGradient)
		})
	},
	Check: func(r *Reader) Verdict {
		if r.Has(r.InStudy(valve.GradientHeartRate, valve.Nowhere)) {
			return Verdict{}
		}
		gradient := r.Here(valve.MeanGradient)
		if !r.Has(gradient) {
			gradient = r.Here(valve.PeakGradient)
		}
		r.Read(gradient)
		return broken("A gradient of %s is recorded without the heart rate at which it was taken.", r.Text(gradient))
	},
	Examples: []Example{
		{Name: "3 mmHg at 75/min", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Result("exit", 1, valve.LeavingTheatre).Set(valve.MeanGradient, 3).Set(valve.GradientHeartRate, 75).Case()
		}},
		{Name: "3 mmHg, no rate", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Result("exit", 1, valve.LeavingTheatre).Set(valve.MeanGradient, 3).Case()
		}},
		{Name: "the rate of the whole examination is not the gradient's own", Edge: true, Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Result("exit", 1, valve.LeavingTheatre).Set(valve.PeakGradient, 7).Set(valve.HeartRate, 80).Case()
		}},
		{Name: "no gradient", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Result("exit", 1, valve.LeavingTheatre).Case()
		}},
	},
}
