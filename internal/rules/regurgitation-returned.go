package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var regurgitationReturned = Rule{
	ID:       "regurgitation-returned",
	Summary:  "No follow-up shows moderate or more regurgitation where less was left on leaving theatre.",
	Severity: Caution, Kind: Clinical, Source: settings.SourceCommonPractice,
	Advice: "Look for the mechanism, and have the case discussed: the repair no longer holds.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		if len(exit(c)) == 0 {
			return nil
		}
		return studies(c, func(s *repair.Study) bool {
			return s.Kind == repair.FollowUp && s.HasRegurgitation && repaired(c, s)
		})
	},
	Check: func(r *Reader) Verdict {
		s, before := r.Study(), r.Case().Exit()
		r.Fact("grade", s.Grade.String())
		r.Fact("grade on leaving theatre", before.Grade.String())
		now, known := s.Grade.ModerateOrMore()
		then, knownThen := before.Grade.ModerateOrMore()
		switch {
		case !known:
			r.MissFact("regurgitation_grade", s.Occasion)
			return Verdict{}
		case !now:
			return Verdict{}
		case !knownThen:
			r.MissFact("regurgitation_grade", before.Occasion)
			return Verdict{}
		case then:
			return Verdict{}
		}
		return broken("The regurgitation is %s again; on leaving theatre it was %s.", s.Grade, before.Grade)
	},
	Examples: []Example{
		{Name: "trace then, mild now", Want: Holds, Case: func() *repair.Case {
			return exampleReturn("trace", "mild")
		}},
		{Name: "trace then, severe at a year", Want: Broken, Case: func() *repair.Case {
			return exampleReturn("trace", "severe")
		}},
		{Name: "mild then, moderate exactly", Edge: true, Want: Broken, Case: func() *repair.Case {
			return exampleReturn("mild", "moderate")
		}},
		{Name: "moderate was left: it has not returned", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleReturn("moderate", "severe")
		}},
		{Name: "no grade on leaving theatre", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleReturn("", "severe")
		}},
		{Name: "no grade now", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleReturn("trace", "")
		}},
	},
}

func exampleReturn(exit, now string) *repair.Case {
	return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Graded(repair.FiveStep, exit).
		FollowUp("year").Graded(repair.FiveStep, now).EditStudy(func(s *repair.Study) { s.FollowUpKind = "one_year"; s.HasRegurgitation = true }).Case()
}
