package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
)

var deadWithoutDate = Rule{
	ID:       "dead-without-date",
	Summary:  "An entry that says dead has a date of death, in itself or in another entry.",
	Severity: Note, Kind: Completeness, Source: settings.SourceArithmetic,
	Advice: "Send the date of death; until then survival of this patient cannot be told beyond the last day known alive.",
	Since:  "3",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool { return s.Kind == repair.FollowUp && s.VitalStatus == statusDead })
	},
	Check: func(r *Reader) Verdict {
		if len(deaths(r.Case())) > 0 || diedInTheatre(r.Case()) {
			return Verdict{}
		}
		r.Fact("vital_status", statusDead)
		return broken("The patient is recorded as dead, and no entry states the date of death.")
	},
	Examples: []Example{
		{Name: "with a date", Want: Holds, Case: func() *repair.Case {
			return exampleStatuses(status{"year", "2027-03-05", statusDead, "2026-11-01"})
		}},
		{Name: "without a date", Want: Broken, Case: func() *repair.Case {
			return exampleStatuses(status{"year", "2027-03-05", statusDead, ""})
		}},
		{Name: "the date stands in another entry", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleStatuses(status{"year", "2027-03-05", statusDead, "2026-11-01"}, status{"five", "2031-03-05", statusDead, ""})
		}},
		{Name: "alive", Want: Inapplicable, Case: func() *repair.Case {
			return exampleStatuses(status{"year", "2027-03-05", statusAlive, ""})
		}},
	},
}
