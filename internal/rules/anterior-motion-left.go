package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var anteriorMotionLeft = Rule{
	ID: "anterior-motion-left", Reference: "R52",
	Summary:  "No systolic anterior motion is left on leaving theatre, not even of chords, when provoked, or with mild regurgitation.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.OutflowObstructed},
	Advice:     "Have it looked at again before discharge.",
	Since:      "3",
	Where:      motionOnLeaving,
	Check: func(r *Reader) Verdict {
		s := r.Study()
		seen, known := r.motionSeen()
		switch {
		case !known, seen.serious(), answeredWithReason(s):
			return Verdict{}
		case seen.chordsOnly:
			return broken("Systolic anterior motion, of chords only, %s on leaving theatre.", motionEnd(s))
		case seen.provokedOnly:
			return broken("Systolic anterior motion of the leaflet, obstructing only when provoked, %s on leaving theatre.", motionEnd(s))
		}
		return broken("Systolic anterior motion of the leaflet, without obstruction and with mild regurgitation or less, %s on leaving theatre.", motionEnd(s))
	},
	Examples: []Example{
		{Name: "resolved", Want: Inapplicable, Case: func() *repair.Case {
			return exampleAnteriorMotion("leaflet_without_obstruction", "resolved", "mild").Case()
		}},
		{Name: "mild, without obstruction", Want: Broken, Case: func() *repair.Case {
			return exampleAnteriorMotion("leaflet_without_obstruction", "persists", "mild").Case()
		}},
		{Name: "of chords", Want: Broken, Case: func() *repair.Case { return exampleAnteriorMotion("chordal", "", "trace").Case() }},
		{Name: "with obstruction it is a caution", Want: Holds, Case: func() *repair.Case {
			return exampleAnteriorMotion("leaflet_with_obstruction", "persists", "mild").Case()
		}},
		{Name: "29 mmHg at rest", Edge: true, Want: Broken, Case: func() *repair.Case {
			return exampleAnteriorMotion("leaflet_without_obstruction", "persists", "mild").Set(valve.OutflowTractGradient, 29).Case()
		}},
		{Name: "obstructing under dobutamine only", Edge: true, Want: Broken, Case: func() *repair.Case {
			return exampleAnteriorMotion("leaflet_with_obstruction", "persists", "mild").EditStudy(func(s *repair.Study) { s.Provocation = "inotrope" }).Case()
		}},
		{Name: "no obstruction, and no grade", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleAnteriorMotion("leaflet_without_obstruction", "persists", "").Case()
		}},
	},
}
