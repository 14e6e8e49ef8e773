package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
)

var deathAfterStatusKnown = Rule{
	ID: "death-after-status-known", Reference: "R71",
	Summary:  "A date of death does not lie after the day on which the status of the same entry was known.",
	Severity: Contradiction, Kind: Time, Source: settings.SourceArithmetic,
	Advice: "Correct the date of death or the day on which the status was known.",
	Since:  "3",
	Under:  []string{"alive-with-date-of-death"},
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool { return s.Kind == repair.FollowUp && s.DiedOn != "" })
	},
	Check: func(r *Reader) Verdict {
		s := r.Study()
		known, ok := r.Word("status_known_on", s.StatusKnownOn, s.Occasion)
		if !ok || s.DiedOn <= known {
			return Verdict{}
		}
		r.Fact("died_on", s.DiedOn)
		v := broken("The date of death, %s, lies after the day on which the status was known, %s.", s.DiedOn, known)
		v.Sections = []string{string(s.Occasion)}
		return v
	},
	Examples: []Example{
		{Name: "heard of ten days later", Want: Holds, Case: func() *repair.Case {
			return exampleStatuses(status{"late", "2030-05-01", statusDead, "2030-04-21"})
		}},
		{Name: "known before it happened", Want: Broken, Case: func() *repair.Case {
			return exampleStatuses(status{"late", "2030-05-01", statusDead, "2030-06-01"})
		}},
		{Name: "known on the day itself", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleStatuses(status{"late", "2030-05-01", statusDead, "2030-05-01"})
		}},
		{Name: "nobody says when it was known", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleStatuses(status{"late", "", statusDead, "2030-05-01"})
		}},
	},
}
