package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var residualRegurgitationLeft = Rule{
	ID: "residual-regurgitation-left", Reference: "R45",
	Summary:  "Moderate or more regurgitation on leaving theatre, that of anterior motion included while it has not resolved, is answered by a further run or a reason.",
	Severity: Caution, Kind: Clinical, Source: settings.SourceElEshmawi,
	Advice: "Record why it was accepted, or the further run.",
	Since:  "3",
	Under:  []string{"anterior-motion-not-resolved"},
	Where:  exit,
	Check: func(r *Reader) Verdict {
		s := r.Study()
		left, _ := s.Residual(true)
		severe, known := left.ModerateOrMore()
		if !known {
			r.MissFact("regurgitation_grade", s.Occasion)
			return Verdict{}
		}
		r.Fact("grade", left.String())
		if !severe || answeredWithReason(s) || r.Case().Operation.LastRun() > s.Run && s.Run > 0 {
			return Verdict{}
		}
		r.Fact("decision", s.Decision)
		return broken("The regurgitation on leaving theatre is %s, with neither a further run nor a reason.", left)
	},
	Examples: []Example{
		{Name: "trace", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Graded(repair.FiveStep, "trace").Case()
		}},
		{Name: "moderate and nothing said", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Graded(repair.FiveStep, "moderate").Case()
		}},
		{Name: "moderate, a further run judged too dangerous", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Graded(repair.FiveStep, "moderate").
				EditStudy(func(s *repair.Study) { s.Decision = "accepted_for_risk" }).Case()
		}},
		{Name: "mild is still below the line", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Graded(repair.FiveStep, "mild").Case()
		}},
		{Name: "mild to moderate is on it", Edge: true, Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Graded(repair.SplitModerate, "mild_to_moderate").Case()
		}},
		{Name: "trace, and severe with anterior motion that persists", Want: Broken, Case: func() *repair.Case {
			return exampleAnteriorMotion("leaflet_without_obstruction", "persists", "trace").EditStudy(func(s *repair.Study) {
				s.GradeWithMotion = repair.Grade{Scheme: repair.FiveStep, Value: "severe"}
			}).Case()
		}},
		{Name: "trace, and severe with anterior motion that resolved", Want: Holds, Case: func() *repair.Case {
			return exampleAnteriorMotion("leaflet_without_obstruction", "resolved", "trace").EditStudy(func(s *repair.Study) {
				s.GradeWithMotion = repair.Grade{Scheme: repair.FiveStep, Value: "severe"}
			}).Case()
		}},
		{Name: "no grade", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Case()
		}},
	},
}
