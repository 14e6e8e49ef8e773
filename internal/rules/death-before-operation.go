package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var deathBeforeOperation = Rule{
	ID: "death-before-operation", Reference: "R71",
	Summary:  "A date of death must not lie before the day of the operation.",
	Severity: Contradiction, Kind: Time, Source: settings.SourceArithmetic,
	Advice: "Correct the date of death or the time of the incision.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool { return s.Kind == repair.FollowUp && s.DiedOn != "" })
	},
	Check: func(r *Reader) Verdict {
		s := r.Study()
		day, known := r.OperationDay()
		if !known || s.DiedOn >= day {
			return Verdict{}
		}
		r.Fact("died_on", s.DiedOn)
		v := broken("The date of death, %s, lies before the day of the operation, %s.", s.DiedOn, day)
		v.Sections = []string{string(s.Occasion), string(valve.AtOperation)}
		return v
	},
	Examples: []Example{
		{Name: "years later", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().FollowUp("late").EditStudy(func(s *repair.Study) { s.DiedOn = "2031-05-01" }).Case()
		}},
		{Name: "the day before", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().FollowUp("late").EditStudy(func(s *repair.Study) { s.DiedOn = "2026-03-01" }).Case()
		}},
		{Name: "on the day itself", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().FollowUp("late").EditStudy(func(s *repair.Study) { s.DiedOn = "2026-03-02" }).Case()
		}},
		{Name: "no incision time", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().FollowUp("late").EditStudy(func(s *repair.Study) { s.DiedOn = "2031-05-01" }).Case()
		}},
	},
}
