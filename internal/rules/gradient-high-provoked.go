package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var gradientHighProvoked = Rule{
	ID: "gradient-high-provoked", Reference: "R47",
	Summary:  "Under exercise or dobutamine the mean gradient after repair is not above 15 mmHg together with a systolic pulmonary pressure above 60 mmHg.",
	Severity: Note, Kind: Clinical, Source: settings.SourceFunctional2023,
	Thresholds: []string{settings.ProvokedGradientHigh, settings.ProvokedPressureHigh},
	Advice:     "Hold it against gradient and symptoms at rest.",
	Since:      "3",
	Where: func(c *repair.Case) []metric.At {
		return slices.DeleteFunc(afterRepair(valve.Nowhere, valve.MeanGradient)(c), func(here metric.At) bool {
			return metric.Provoked(c.StudyAt(here.Occasion)) == ""
		})
	},
	Check: func(r *Reader) Verdict {
		mean, under := r.Here(valve.MeanGradient), metric.Provoked(r.Study())
		r.Fact("provocation", r.Study().Provocation)
		if !r.Beyond(r.Read(mean), settings.ProvokedGradientHigh) {
			return Verdict{}
		}
		stated := r.InStudy(valve.StatedPulmonaryArterySystolicPressure, valve.Nowhere)
		pressure, text := 0.0, ""
		if r.Has(stated) {
			pressure, text = r.Read(stated), r.Text(stated)
		} else {
			v, known := r.Metric(r.Derived(metric.IDPulmonaryPressure, valve.Nowhere, r.At().Occasion))
			if !known {
				return Verdict{}
			}
			pressure, text = v, Amount(metric.IDPulmonaryPressure, v)
		}
		if !r.Beyond(pressure, settings.ProvokedPressureHigh) {
			return Verdict{}
		}
		return broken("The mean gradient after repair is %s %s, with a systolic pulmonary pressure of %s.", r.Text(mean), under, text)
	},
	Examples: []Example{
		{Name: "11 mmHg and 48 mmHg", Want: Holds, Case: func() *repair.Case { return exampleProvoked(11, 48).Case() }},
		{Name: "18 mmHg and 66 mmHg", Want: Broken, Case: func() *repair.Case { return exampleProvoked(18, 66).Case() }},
		{Name: "18 mmHg, the pressure by the tricuspid jet", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().FollowUp("year").Set(valve.MeanGradient, 18).
				Set(valve.TricuspidRegurgitationPeakVelocity, 400).Set(valve.RightAtrialPressure, 8).
				EditStudy(func(s *repair.Study) { s.Provocation = "inotrope" }).Case()
		}},
		{Name: "15 mmHg exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleProvoked(15, 66).Case() }},
		{Name: "60 mmHg exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleProvoked(18, 60).Case() }},
		{Name: "no pulmonary pressure", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().FollowUp("year").Set(valve.MeanGradient, 18).
				EditStudy(func(s *repair.Study) { s.Provocation = "exercise" }).Case()
		}},
		{Name: "at rest", Want: Inapplicable, Case: func() *repair.Case { return exampleGradient(18, 70, "", "") }},
	},
}
