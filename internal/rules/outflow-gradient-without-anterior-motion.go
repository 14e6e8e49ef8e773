package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var outflowGradientWithoutAnteriorMotion = Rule{
	ID: "outflow-gradient-without-anterior-motion", Reference: "R51",
	Summary:  "A gradient of the outflow tract above 30 mmHg after repair goes with systolic anterior motion, or with another cause that is named.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.OutflowGradientHigh},
	Advice:     "Look at the anterior leaflet and its chords again, or name the other cause of the gradient.",
	Since:      "1",
	Where:      afterRepair(valve.Nowhere, valve.OutflowTractGradient),
	Check: func(r *Reader) Verdict {
		gradient := r.Here(valve.OutflowTractGradient)
		motion, known := r.Word("anterior_motion", r.Study().AnteriorMotion, r.At().Occasion)
		if !known || motion != "none" || !r.Beyond(r.Read(gradient), settings.OutflowGradientHigh) {
			return Verdict{}
		}
		return broken("The outflow tract has a gradient of %s, and systolic anterior motion is recorded as none.", r.Text(gradient))
	},
	Examples: []Example{
		{Name: "8 mmHg", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.OutflowTractGradient, 8).
				EditStudy(func(s *repair.Study) { s.AnteriorMotion = "none" }).Case()
		}},
		{Name: "50 mmHg and no anterior motion", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.OutflowTractGradient, 50).
				EditStudy(func(s *repair.Study) { s.AnteriorMotion = "none" }).Case()
		}},
		{Name: "30 mmHg exactly", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.OutflowTractGradient, 30).
				EditStudy(func(s *repair.Study) { s.AnteriorMotion = "none" }).Case()
		}},
		{Name: "anterior motion not recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.OutflowTractGradient, 50).Case()
		}},
	},
}
