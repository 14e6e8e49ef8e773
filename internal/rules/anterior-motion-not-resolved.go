package rules

import (
	"slices"
	"strings"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
	"trigone/internal/words"
)

var anteriorMotionNotResolved = Rule{
	ID: "anterior-motion-not-resolved", Reference: "R52",
	Summary:  "Systolic anterior motion that obstructs, or leaks moderately or more, has resolved on leaving theatre, or a reason why it was left is recorded.",
	Severity: Caution, Kind: Clinical, Source: settings.SourceAshikhmina2021,
	Thresholds: []string{settings.OutflowObstructed},
	Advice:     "Record how it ended or why it was left, and have the valve looked at again before discharge.",
	Since:      "3",
	Where:      motionOnLeaving,
	Check: func(r *Reader) Verdict {
		s := r.Study()
		seen, known := r.motionSeen()
		if !known || !seen.serious() || answeredWithReason(s) {
			return Verdict{}
		}
		r.Fact("anterior_motion_end", s.AnteriorMotionEnd)
		against := "no manoeuvre against it is recorded"
		if len(s.Manoeuvres) > 0 {
			r.Fact("manoeuvres", strings.Join(s.Manoeuvres, " "))
			var list []string
			for _, m := range s.Manoeuvres {
				list = append(list, manoeuvres[m])
			}
			against = "recorded against it: " + words.And(slices.Compact(list))
		}
		return broken("Systolic anterior motion of the leaflet, %s, %s on leaving theatre; most resolve by discharge; %s.",
			seen.with, motionEnd(s), against)
	},
	Examples: []Example{
		{Name: "resolved", Want: Inapplicable, Case: func() *repair.Case {
			return exampleAnteriorMotion("leaflet_with_obstruction", "resolved", "trace").Case()
		}},
		{Name: "persists with obstruction", Want: Broken, Case: func() *repair.Case {
			return exampleAnteriorMotion("leaflet_with_obstruction", "persists", "trace").Set(valve.OutflowTractGradient, 64).
				EditStudy(func(s *repair.Study) { s.Manoeuvres = []string{"volume", "inotrope_stopped"} }).Case()
		}},
		{Name: "its end is not recorded, it leaks", Want: Broken, Case: func() *repair.Case {
			return exampleAnteriorMotion("leaflet_without_obstruction", "", "moderate").Case()
		}},
		{Name: "it leaks with the motion only, and the motion persists", Want: Broken, Case: func() *repair.Case {
			return exampleAnteriorMotion("leaflet_without_obstruction", "persists", "trace").EditStudy(func(s *repair.Study) {
				s.GradeWithMotion = repair.Grade{Scheme: repair.FiveStep, Value: "severe"}
			}).Case()
		}},
		{Name: "medical treatment first", Want: Holds, Case: func() *repair.Case {
			return exampleAnteriorMotion("leaflet_with_obstruction", "persists", "trace").EditStudy(func(s *repair.Study) { s.Decision = "medical_first" }).Case()
		}},
		{Name: "30 mmHg at rest exactly", Edge: true, Want: Broken, Case: func() *repair.Case {
			return exampleAnteriorMotion("leaflet_without_obstruction", "persists", "mild").Set(valve.OutflowTractGradient, 30).Case()
		}},
		{Name: "29 mmHg and mild", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleAnteriorMotion("leaflet_without_obstruction", "persists", "mild").Set(valve.OutflowTractGradient, 29).Case()
		}},
		{Name: "12 mmHg at rest, 55 provoked", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleAnteriorMotion("leaflet_with_obstruction", "persists", "mild").Set(valve.OutflowTractGradient, 12).
				Set(valve.OutflowTractGradientProvoked, 55).Case()
		}},
		{Name: "chords only", Want: Holds, Case: func() *repair.Case { return exampleAnteriorMotion("chordal", "persists", "moderate").Case() }},
		{Name: "no obstruction, and no grade", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleAnteriorMotion("leaflet_without_obstruction", "persists", "").Case()
		}},
		{Name: "off bypass it may still resolve", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("off", 1, valve.OffBypass).Graded(repair.FiveStep, "severe").
				EditStudy(func(s *repair.Study) { s.AnteriorMotion = "leaflet_with_obstruction" }).Case()
		}},
	},
}

// manoeuvres says in a sentence what was done against anterior motion.
var manoeuvres = map[string]string{
	"volume": "volume", "inotrope_stopped": "less or no inotrope", "vasopressor": "a vasopressor", "beta_blocker": "a beta blocker",
	"rate_or_pacing": "a lower rate or other pacing", inotropeStarted: "an inotrope started", "": "a manoeuvre without a name",
}

// motionOnLeaving gives the echo on leaving theatre where it saw anterior motion
// that is not said to have resolved.
func motionOnLeaving(c *repair.Case) []metric.At {
	return slices.DeleteFunc(exit(c), func(here metric.At) bool { return !c.StudyAt(here.Occasion).MotionOpen() })
}

// answeredWithReason says whether what was decided on a result is more than that it
// was accepted.
func answeredWithReason(s *repair.Study) bool {
	return s.Decision != "" && s.Decision != decisionAccepted
}

func motionEnd(s *repair.Study) string {
	if s.AnteriorMotionEnd == "persists" {
		return "persists"
	}
	return "is seen, and nobody says that it resolved,"
}

// seenMotion is anterior motion as an echo on leaving theatre saw it.
type seenMotion struct {
	obstructs, leaks, chordsOnly, provokedOnly bool
	with                                       string
}

func (m seenMotion) serious() bool { return m.obstructs || m.leaks }

// motionSeen reads what an echo says of anterior motion; known is false where
// neither obstruction nor grade is recorded.
func (r *Reader) motionSeen() (m seenMotion, known bool) {
	s := r.Study()
	r.Fact("anterior_motion", s.AnteriorMotion)
	if !s.LeafletMotion() {
		return seenMotion{chordsOnly: true}, true
	}
	rest, provoked := r.Here(valve.OutflowTractGradient), r.Here(valve.OutflowTractGradientProvoked)
	obstructed := settings.OutflowObstructed
	var with []string
	atRest := s.Provocation == "" || s.Provocation == "none"
	low := r.Has(rest) && !r.Beyond(r.Read(rest), obstructed)
	m.provokedOnly = s.AnteriorMotion == "leaflet_with_obstruction" && !atRest && !r.Has(rest) ||
		low && r.Has(provoked) && r.Beyond(r.Read(provoked), obstructed)
	switch {
	case m.provokedOnly:
	case r.Has(rest) && !low:
		m.obstructs = true
		with = append(with, "with "+r.Text(rest)+" in the outflow tract at rest")
	case s.AnteriorMotion == "leaflet_with_obstruction":
		m.obstructs = true
		with = append(with, "with obstruction")
	}
	grade, _ := s.Residual(true)
	more, graded := grade.ModerateOrMore()
	if graded {
		r.Fact("grade", grade.String())
	}
	if more {
		m.leaks = true
		with = append(with, "with "+grade.String()+" regurgitation")
	}
	if !m.obstructs && !graded {
		r.MissFact("regurgitation_grade", s.Occasion)
		return m, false
	}
	m.with = strings.Join(with, " and ")
	return m, true
}

func exampleAnteriorMotion(state, end, grade string) *repair.Example {
	return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Graded(repair.FiveStep, grade).
		EditStudy(func(s *repair.Study) { s.AnteriorMotion, s.AnteriorMotionEnd = state, end })
}
