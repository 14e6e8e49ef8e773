package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
)

var aliveWithDateOfDeath = Rule{
	ID: "alive-with-date-of-death", Reference: "R71",
	Summary:  "An entry that says alive states no date of death.",
	Severity: Contradiction, Kind: Definition, Source: settings.SourceArithmetic,
	Advice: "Correct the status, or take the date of death out.",
	Since:  "3",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool { return s.Kind == repair.FollowUp && s.DiedOn != "" })
	},
	Check: func(r *Reader) Verdict {
		s := r.Study()
		vital, known := r.Word("vital_status", s.VitalStatus, s.Occasion)
		if !known || vital != statusAlive {
			return Verdict{}
		}
		r.Fact("died_on", s.DiedOn)
		v := broken("One entry says that the patient is alive and states a date of death, %s.", s.DiedOn)
		v.Sections = []string{string(s.Occasion)}
		return v
	},
	Examples: []Example{
		{Name: "dead, with a date", Want: Holds, Case: func() *repair.Case {
			return exampleStatuses(status{"year", "2027-03-05", statusDead, "2026-11-01"})
		}},
		{Name: "alive, with a date of death", Want: Broken, Case: func() *repair.Case {
			return exampleStatuses(status{"year", "2027-03-05", statusAlive, "2026-11-01"})
		}},
		{Name: "even where status and death are of one day", Edge: true, Want: Broken, Case: func() *repair.Case {
			return exampleStatuses(status{"year", "2027-03-05", statusAlive, "2027-03-05"})
		}},
		{Name: "a date of death and no status", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleStatuses(status{"year", "2027-03-05", "", "2026-11-01"})
		}},
	},
}
