package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var gradientHigh = Rule{
	ID: "gradient-high", Reference: "R47",
	Summary:  "The mean gradient at rest after repair is not above 5 mmHg; in theatre, under an inotrope or at a fast rate, it is below 7 mmHg.",
	Severity: Caution, Kind: Clinical, Source: settings.SourceShabsigh2016,
	Thresholds: []string{settings.GradientHigh, settings.GradientNotAccepted, settings.GradientRateHigh},
	Advice:     "Measure again at a lower rate and with planimetry; consider the size of the ring and what narrows the orifice.",
	Since:      "3",
	Where:      afterRepair(valve.Nowhere, valve.MeanGradient),
	Check: func(r *Reader) Verdict {
		mean, reading := r.gradient()
		if reading.Verdict != metric.GradientHigh {
			return Verdict{}
		}
		if reading.Under == "" {
			return broken("The mean gradient after repair is %s, above %s.", r.Text(mean), r.LimitText(settings.GradientHigh))
		}
		r.Limit(settings.GradientHigh)
		return broken("The mean gradient after repair is %s, read %s; from %s on it is spoken of at any rate.",
			r.Text(mean), reading.Under, r.LimitText(settings.GradientNotAccepted))
	},
	Examples: []Example{
		{Name: "3 mmHg", Want: Holds, Case: func() *repair.Case { return exampleGradient(3, 70, "", "") }},
		{Name: "6 mmHg at rest", Want: Broken, Case: func() *repair.Case { return exampleGradient(6, 70, "", "") }},
		{Name: "5 mmHg exactly: functional stenosis is strictly above", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleGradient(5, 70, "", "") }},
		{Name: "6.9 mmHg at 112/min", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleGradient(6.9, 112, "", "") }},
		{Name: "7 mmHg at 112/min", Edge: true, Want: Broken, Case: func() *repair.Case { return exampleGradient(7, 112, "", "") }},
		{Name: "6 mmHg under an inotrope", Want: Holds, Case: func() *repair.Case { return exampleGradient(6, 80, valve.Yes, "") }},
		{Name: "9 mmHg under an inotrope at 120/min", Want: Broken, Case: func() *repair.Case { return exampleGradient(9, 120, valve.Yes, "") }},
		{Name: "7 mmHg at discharge", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().FollowUp("discharge").Set(valve.MeanGradient, 7).Case()
		}},
		{Name: "11 mmHg at discharge at 112/min", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().FollowUp("discharge").Set(valve.MeanGradient, 11).Set(valve.GradientHeartRate, 112).Case()
		}},
		{Name: "12 mmHg under exercise", Want: Holds, Case: func() *repair.Case {
			return exampleProvoked(12, 45).Case()
		}},
		{Name: "not performed", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).
				Absent(valve.MeanGradient, valve.Nowhere, valve.AbsentNotPerformed).Case()
		}},
	},
}

// gradient reads the mean gradient that is judged and what it was read under.
func (r *Reader) gradient() (mean valve.Key, reading metric.GradientReading) {
	mean = r.Here(valve.MeanGradient)
	v := r.Read(mean)
	rate := units.None[float64]()
	if k := r.InStudy(valve.GradientHeartRate, valve.Nowhere); r.Has(k) {
		rate = units.Some(r.Read(k))
	}
	s := r.Study()
	if s.Inotrope != "" {
		r.Fact("inotrope", string(s.Inotrope))
	}
	if s.Provocation != "" {
		r.Fact("provocation", s.Provocation)
	}
	if !r.comparable(v) {
		return mean, metric.GradientReading{}
	}
	return mean, metric.JudgeGradient(r.Settings(), s, v, rate)
}

// exampleGradient is a mean gradient on leaving theatre, its rate, and what was
// given.
func exampleGradient(mean, rate float64, inotrope valve.Answer, provocation string) *repair.Case {
	return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.MeanGradient, mean).Set(valve.GradientHeartRate, rate).
		EditStudy(func(s *repair.Study) { s.Inotrope, s.Provocation = inotrope, provocation }).Case()
}

// exampleProvoked is an echo under exercise a year after.
func exampleProvoked(mean, pulmonary float64) *repair.Example {
	return repair.NewExample().Operation().FollowUp("year").Set(valve.MeanGradient, mean).
		Set(valve.StatedPulmonaryArterySystolicPressure, pulmonary).EditStudy(func(s *repair.Study) { s.Provocation = "exercise" })
}
