package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var peakGradientBelowMean = Rule{
	ID: "peak-gradient-below-mean", Reference: "R49",
	Summary:  "The peak gradient is not below the mean gradient of the same study and method.",
	Severity: Contradiction, Kind: Arithmetic, Source: settings.SourceArithmetic,
	Advice: "Correct the gradients; they may be swapped.",
	Since:  "1",
	Where:  pairs(valve.Nowhere, valve.MeanGradient, valve.PeakGradient),
	Check: func(r *Reader) Verdict {
		mean, peak := r.InStudy(valve.MeanGradient, valve.Nowhere), r.InStudy(valve.PeakGradient, valve.Nowhere)
		if !r.Greater(r.Read(mean), r.Read(peak)) || !r.OneMethod(mean, peak) {
			return Verdict{}
		}
		return broken("The peak gradient of %s is below the mean gradient of %s.", r.Text(peak), r.Text(mean))
	},
	Examples: []Example{
		{Name: "mean 3, peak 7 mmHg", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Result("exit", 1, valve.LeavingTheatre).Set(valve.MeanGradient, 3).Set(valve.PeakGradient, 7).Case()
		}},
		{Name: "swapped", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Result("exit", 1, valve.LeavingTheatre).Set(valve.MeanGradient, 7).Set(valve.PeakGradient, 3).Case()
		}},
		{Name: "two sections of one study", Want: Broken, Case: func() *repair.Case {
			one := func(s *repair.Study) { s.StudyID = "tee-1" }
			return repair.NewExample().Assess("a").EditStudy(one).Set(valve.MeanGradient, 7).
				Assess("b").EditStudy(one).Set(valve.PeakGradient, 3).Case()
		}},
		{Name: "a catheter's mean does not contradict a Doppler peak", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("a").Method(valve.Catheter).Set(valve.MeanGradient, 7).Method(valve.Doppler).Set(valve.PeakGradient, 3).Case()
		}},
		{Name: "equal", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Result("exit", 1, valve.LeavingTheatre).Set(valve.MeanGradient, 3).Set(valve.PeakGradient, 3).Case()
		}},
		{Name: "no peak gradient", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Result("exit", 1, valve.LeavingTheatre).Set(valve.MeanGradient, 3).Case()
		}},
	},
}
