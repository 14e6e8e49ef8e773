package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var inotropeAgainstAnteriorMotion = Rule{
	ID: "inotrope-against-anterior-motion", Reference: "R53",
	Summary:  "Systolic anterior motion is not answered by starting an inotrope, which makes it worse.",
	Severity: Caution, Kind: Clinical, Source: settings.SourceCommonPractice,
	Advice: "Check the entry; usual are volume, a vasopressor, less inotrope and a lower rate.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool { return len(s.Manoeuvres) > 0 })
	},
	Check: func(r *Reader) Verdict {
		s := r.Study()
		motion, known := r.Word("anterior_motion", s.AnteriorMotion, s.Occasion)
		if !known || motion == motionNone || !slices.Contains(s.Manoeuvres, inotropeStarted) {
			return Verdict{}
		}
		r.Fact("manoeuvre", inotropeStarted)
		return broken("An inotrope was started against systolic anterior motion.")
	},
	Examples: []Example{
		{Name: "volume and a vasopressor", Want: Holds, Case: func() *repair.Case {
			return exampleManoeuvre("leaflet_with_obstruction", "volume", "vasopressor")
		}},
		{Name: "an inotrope started", Want: Broken, Case: func() *repair.Case {
			return exampleManoeuvre("leaflet_with_obstruction", "inotrope_started")
		}},
		{Name: "an inotrope started, without anterior motion", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleManoeuvre("none", "inotrope_started")
		}},
		{Name: "anterior motion not recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleManoeuvre("", "inotrope_started")
		}},
	},
}

const inotropeStarted = "inotrope_started"

func exampleManoeuvre(motion string, kinds ...string) *repair.Case {
	return repair.NewExample().Operation().Result("off", 1, valve.OffBypass).
		EditStudy(func(s *repair.Study) { s.AnteriorMotion, s.Manoeuvres = motion, kinds }).Case()
}
