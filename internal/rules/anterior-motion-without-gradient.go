package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var anteriorMotionWithoutGradient = Rule{
	ID: "anterior-motion-without-gradient", Reference: "R51",
	Summary:  "Systolic anterior motion of the leaflet after repair has a gradient of the outflow tract beside it.",
	Severity: Note, Kind: Completeness, Source: settings.SourceCommonPractice,
	Advice: "Measure the gradient of the outflow tract at rest and provoked.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool {
			return repaired(c, s) && s.AnteriorMotion != "" && s.AnteriorMotion != "none"
		})
	},
	Check: func(r *Reader) Verdict {
		motion := r.Study().AnteriorMotion
		if motion == "chordal" || r.Has(r.Here(valve.OutflowTractGradient)) || r.Has(r.Here(valve.OutflowTractGradientProvoked)) {
			return Verdict{}
		}
		r.Fact("anterior_motion", motion)
		return broken("Systolic anterior motion of the leaflet is recorded without a gradient of the outflow tract.")
	},
	Examples: []Example{
		{Name: "with 45 mmHg", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("off", 1, valve.OffBypass).Set(valve.OutflowTractGradient, 45).
				EditStudy(func(s *repair.Study) { s.AnteriorMotion = "leaflet_with_obstruction" }).Case()
		}},
		{Name: "without", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("off", 1, valve.OffBypass).
				EditStudy(func(s *repair.Study) { s.AnteriorMotion = "leaflet_with_obstruction" }).Case()
		}},
		{Name: "chords only", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("off", 1, valve.OffBypass).
				EditStudy(func(s *repair.Study) { s.AnteriorMotion = "chordal" }).Case()
		}},
		{Name: "none", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("off", 1, valve.OffBypass).
				EditStudy(func(s *repair.Study) { s.AnteriorMotion = "none" }).Case()
		}},
	},
}
