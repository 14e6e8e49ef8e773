package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var mildRegurgitationWithoutMechanism = Rule{
	ID: "mild-regurgitation-without-mechanism", Reference: "R46",
	Summary:  "Mild regurgitation on leaving theatre has its mechanism recorded.",
	Severity: Note, Kind: Completeness, Source: settings.SourceImielski,
	Advice: "Record why it leaks, or that the cause was looked for and not understood: mild regurgitation with an unfavourable mechanism progresses more often.",
	Since:  "1",
	Where:  exit,
	Check: func(r *Reader) Verdict {
		s := r.Study()
		more, known := s.Grade.ModerateOrMore()
		if !known {
			r.MissFact("regurgitation_grade", s.Occasion)
			return Verdict{}
		}
		mild := !more && (s.Grade.Value == "mild" || s.Grade.Value == "plus_1")
		if !mild || len(s.Mechanisms) > 0 {
			return Verdict{}
		}
		r.Fact("grade", s.Grade.String())
		return broken("The regurgitation on leaving theatre is %s, and no mechanism is recorded.", s.Grade)
	},
	Examples: []Example{
		{Name: "mild at the suture line", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Graded(repair.FiveStep, "mild").
				EditStudy(func(s *repair.Study) { s.Mechanisms = []string{"suture_line"} }).Case()
		}},
		{Name: "mild, no mechanism", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Graded(repair.PlusSigns, "plus_1").Case()
		}},
		{Name: "trace needs none", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Graded(repair.FiveStep, "trace").Case()
		}},
		{Name: "no grade", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Case()
		}},
	},
}
