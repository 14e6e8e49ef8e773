package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var gradientNotComparable = Rule{
	ID: "gradient-not-comparable", Reference: "R48",
	Summary:  "A mean gradient above 5 mmHg after repair was not read at a heart rate above 100/min, nor in theatre under an inotrope.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.GradientHigh, settings.GradientNotAccepted, settings.GradientRateHigh},
	Advice:     "Read it again when quiet, before it is compared with anything.",
	Since:      "3",
	Where:      afterRepair(valve.Nowhere, valve.MeanGradient),
	Check: func(r *Reader) Verdict {
		mean, reading := r.gradient()
		switch reading.Verdict {
		case metric.GradientNotComparable:
			return broken("The mean gradient of %s was read %s: not comparable with the limit of %s at rest.",
				r.Text(mean), reading.Under, r.LimitText(settings.GradientHigh))
		case metric.GradientHigh:
			r.Read(r.InStudy(valve.GradientHeartRate, valve.Nowhere)) // without it nobody knows whether it was quiet
		}
		return Verdict{}
	},
	Examples: []Example{
		{Name: "6 mmHg at 80/min", Want: Holds, Case: func() *repair.Case { return exampleGradient(6, 80, "", "") }},
		{Name: "6 mmHg at 112/min", Want: Broken, Case: func() *repair.Case { return exampleGradient(6, 112, "", "") }},
		{Name: "6 mmHg under an inotrope", Want: Broken, Case: func() *repair.Case { return exampleGradient(6, 80, valve.Yes, "") }},
		{Name: "100/min exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleGradient(6, 100, "", "") }},
		{Name: "5 mmHg at 112/min is not high at any rate", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleGradient(5, 112, "", "") }},
		{Name: "7 mmHg at 112/min is a caution", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleGradient(7, 112, "", "") }},
		{Name: "11 mmHg at discharge at 112/min", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().FollowUp("discharge").Set(valve.MeanGradient, 11).Set(valve.GradientHeartRate, 112).Case()
		}},
		{Name: "6 mmHg, no rate", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.MeanGradient, 6).Case()
		}},
	},
}
