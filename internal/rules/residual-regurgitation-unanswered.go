package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var residualRegurgitationUnanswered = Rule{
	ID: "residual-regurgitation-unanswered", Reference: "R45",
	Summary:  "Moderate or more regurgitation on leaving theatre is answered by a further run or by a reason why not.",
	Severity: Caution, Kind: Clinical, Source: settings.SourceElEshmawi,
	Advice: "Record why it was accepted, or the further run.",
	Since:  "1", Until: "3",
	Where: exit,
	Check: func(r *Reader) Verdict {
		s := r.Study()
		severe, known := s.Grade.ModerateOrMore()
		if !known {
			r.MissFact("regurgitation_grade", s.Occasion)
			return Verdict{}
		}
		r.Fact("grade", s.Grade.String())
		answered := s.Decision != "" && s.Decision != decisionAccepted
		if !severe || answered || r.Case().Operation.LastRun() > s.Run && s.Run > 0 {
			return Verdict{}
		}
		r.Fact("decision", s.Decision)
		return broken("The regurgitation on leaving theatre is %s, with neither a further run nor a reason.", s.Grade)
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
		{Name: "no grade", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Case()
		}},
	},
}

// decisionAccepted is the decision that gives no reason.
const decisionAccepted = "accepted"
