package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var halfTimeAlone = Rule{
	ID: "half-time-alone", Reference: "R50",
	Summary:  "A pressure half-time after repair stands beside a mean gradient or an orifice area by planimetry: alone it tells stenosis poorly.",
	Severity: Note, Kind: Completeness, Source: settings.SourceRiegel2011,
	Advice: "Send the mean gradient with its rate, or a planimetry.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool {
			return repaired(c, s) && holdsAny(c, s, valve.Nowhere, valve.PressureHalfTime)
		})
	},
	Check: func(r *Reader) Verdict {
		study := r.Study()
		for i := range r.Case().Studies {
			s := &r.Case().Studies[i]
			if s.StudyID == study.StudyID && holdsAny(r.Case(), s, valve.Nowhere, valve.MeanGradient, valve.PlanimetryOrificeArea) {
				return Verdict{}
			}
		}
		half := r.Here(valve.PressureHalfTime)
		r.Read(half)
		return broken("A pressure half-time of %s after repair stands without mean gradient and planimetry.", r.Text(half))
	},
	Examples: []Example{
		{Name: "with a mean gradient", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.PressureHalfTime, 110).Set(valve.MeanGradient, 3).Case()
		}},
		{Name: "alone", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.PressureHalfTime, 110).Case()
		}},
		{Name: "the gradient in another section of the study", Edge: true, Want: Holds, Case: func() *repair.Case {
			one := func(s *repair.Study) { s.StudyID = "one" }
			return repair.NewExample().Operation().Result("a", 1, valve.LeavingTheatre).EditStudy(one).Set(valve.PressureHalfTime, 110).
				Result("b", 1, valve.LeavingTheatre).EditStudy(one).Set(valve.MeanGradient, 3).Case()
		}},
		{Name: "before the operation", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.PressureHalfTime, 110).Case()
		}},
	},
}
