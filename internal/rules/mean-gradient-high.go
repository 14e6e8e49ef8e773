package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var meanGradientHigh = Rule{
	ID: "mean-gradient-high", Reference: "R47",
	Summary:  "The mean gradient after repair is not above 5 mmHg.",
	Severity: Caution, Kind: Clinical, Source: settings.SourceShabsigh2016,
	Thresholds: []string{settings.GradientHigh},
	Advice:     "Measure again at a lower rate and with planimetry; consider the size of the ring and what narrows the orifice.",
	Since:      "1", Until: "3",
	Where: afterRepair(valve.Nowhere, valve.MeanGradient),
	Check: func(r *Reader) Verdict {
		mean := r.Here(valve.MeanGradient)
		if !r.Beyond(r.Read(mean), settings.GradientHigh) {
			return Verdict{}
		}
		return broken("The mean gradient after repair is %s, above %s.", r.Text(mean), r.LimitText(settings.GradientHigh))
	},
	Examples: []Example{
		{Name: "3 mmHg", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.MeanGradient, 3).Case()
		}},
		{Name: "7 mmHg at discharge", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().FollowUp("discharge").Set(valve.MeanGradient, 7).Case()
		}},
		{Name: "5 mmHg exactly: functional stenosis is strictly above", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.MeanGradient, 5).Case()
		}},
		{Name: "not performed", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).
				Absent(valve.MeanGradient, valve.Nowhere, valve.AbsentNotPerformed).Case()
		}},
	},
}
