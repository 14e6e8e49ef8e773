package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var acceptedWithHighGradient = Rule{
	ID: "accepted-with-high-gradient", Reference: "R73",
	Summary:  "A repair accepted on leaving theatre, without a reason of risk, has a mean gradient below 7 and a peak gradient below 17 mmHg.",
	Severity: Caution, Kind: Clinical, Source: settings.SourceRiegel2011,
	Thresholds: []string{settings.GradientNotAccepted, settings.PeakNotAccepted},
	Advice:     "Look for stenosis before the patient leaves; at such gradients it led to a further operation.",
	Since:      "2",
	Under:      []string{"peak-gradient-below-mean", "mean-gradient-high", "gradient-high"},
	Where: func(c *repair.Case) []metric.At {
		return slices.DeleteFunc(exit(c), func(here metric.At) bool { return c.StudyAt(here.Occasion).Decision != decisionAccepted })
	},
	Check: func(r *Reader) Verdict {
		mean, peak := r.InStudy(valve.MeanGradient, valve.Nowhere), r.InStudy(valve.PeakGradient, valve.Nowhere)
		r.Fact("decision", decisionAccepted)
		if r.Has(peak) && r.Beyond(r.Read(peak), settings.PeakNotAccepted) {
			if r.Has(mean) {
				r.Read(mean)
			}
			return broken("The repair was accepted with a peak gradient of %s.", r.Text(peak))
		}
		if !r.Beyond(r.Read(mean), settings.GradientNotAccepted) {
			return Verdict{}
		}
		return broken("The repair was accepted with a mean gradient of %s.", r.Text(mean))
	},
	Examples: []Example{
		{Name: "3 and 7 mmHg", Want: Holds, Case: func() *repair.Case { return exampleAccepted(3, 7) }},
		{Name: "9 and 19 mmHg", Want: Broken, Case: func() *repair.Case { return exampleAccepted(9, 19) }},
		// The published rule flags a mean of 7 and a peak of 17, and not 6.9 and 16.9.
		{Name: "mean 7 exactly", Edge: true, Want: Broken, Case: func() *repair.Case { return exampleAccepted(7, 12) }},
		{Name: "6.9 and 16.9 mmHg", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleAccepted(6.9, 16.9) }},
		{Name: "peak 17 exactly", Edge: true, Want: Broken, Case: func() *repair.Case { return exampleAccepted(5, 17) }},
		{Name: "no gradient", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).
				EditStudy(func(s *repair.Study) { s.Decision = decisionAccepted }).Case()
		}},
	},
}

func exampleAccepted(mean, peak float64) *repair.Case {
	return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.MeanGradient, mean).Set(valve.PeakGradient, peak).
		EditStudy(func(s *repair.Study) { s.Decision = decisionAccepted }).Case()
}
