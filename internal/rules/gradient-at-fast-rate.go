package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var gradientAtFastRate = Rule{
	ID: "gradient-at-fast-rate", Reference: "R48",
	Summary:  "A gradient taken at a heart rate above 100/min is not comparable.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.GradientRateHigh},
	Advice:     "Measure again at a lower rate before it is compared with anything.",
	Since:      "1", Until: "3",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool { return holdsAny(c, s, valve.Nowhere, valve.MeanGradient) })
	},
	Check: func(r *Reader) Verdict {
		mean, rate := r.Here(valve.MeanGradient), r.InStudy(valve.GradientHeartRate, valve.Nowhere)
		r.Read(mean)
		if !r.Beyond(r.Read(rate), settings.GradientRateHigh) {
			return Verdict{}
		}
		return broken("The mean gradient of %s was taken at %s, above %s: not comparable.", r.Text(mean), r.Text(rate), r.LimitText(settings.GradientRateHigh))
	},
	Examples: []Example{
		{Name: "at 80/min", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Result("exit", 1, valve.LeavingTheatre).Set(valve.MeanGradient, 4).Set(valve.GradientHeartRate, 80).Case()
		}},
		{Name: "at 120/min", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Result("exit", 1, valve.LeavingTheatre).Set(valve.MeanGradient, 4).Set(valve.GradientHeartRate, 120).Case()
		}},
		{Name: "100/min exactly", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Result("exit", 1, valve.LeavingTheatre).Set(valve.MeanGradient, 4).Set(valve.GradientHeartRate, 100).Case()
		}},
		{Name: "no rate", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Result("exit", 1, valve.LeavingTheatre).Set(valve.MeanGradient, 4).Case()
		}},
	},
}
