package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var regurgitationRoseByDischarge = Rule{
	ID: "regurgitation-rose-by-discharge", Reference: "R74",
	Summary:  "The grade of regurgitation at discharge is not two or more steps above the one on leaving theatre, in one scheme.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.GradeRise},
	Advice:     "Look for an early failure of the repair.",
	Since:      "1",
	Where: func(c *repair.Case) []metric.At {
		if len(exit(c)) == 0 {
			return nil
		}
		return studies(c, func(s *repair.Study) bool {
			return s.Kind == repair.FollowUp && s.FollowUpKind == "discharge" && s.HasRegurgitation && repaired(c, s)
		})
	},
	Check: func(r *Reader) Verdict {
		s, before := r.Study(), r.Case().Exit()
		r.Fact("grade", s.Grade.String())
		r.Fact("grade on leaving theatre", before.Grade.String())
		rise, known := s.Grade.Difference(before.Grade)
		if !known {
			r.MissFact("regurgitation_grade in one scheme", before.Occasion)
			return Verdict{}
		}
		if !r.Beyond(float64(rise), settings.GradeRise) {
			return Verdict{}
		}
		return broken("The regurgitation rose from %s on leaving theatre to %s at discharge.", before.Grade, s.Grade)
	},
	Examples: []Example{
		{Name: "trace to mild", Want: Holds, Case: func() *repair.Case {
			return exampleDischarge("trace", "mild")
		}},
		{Name: "none to moderate", Want: Broken, Case: func() *repair.Case {
			return exampleDischarge("none", "moderate")
		}},
		{Name: "two steps exactly", Edge: true, Want: Broken, Case: func() *repair.Case {
			return exampleDischarge("none", "mild")
		}},
		{Name: "no grade on leaving theatre", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleDischarge("", "mild")
		}},
	},
}

func exampleDischarge(exit, discharge string) *repair.Case {
	return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Graded(repair.FiveStep, exit).
		FollowUp("discharge").Graded(repair.FiveStep, discharge).EditStudy(func(s *repair.Study) { s.FollowUpKind = "discharge" }).Case()
}
