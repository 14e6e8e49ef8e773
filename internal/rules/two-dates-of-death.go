package rules

import (
	"time"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var twoDatesOfDeath = Rule{
	ID: "two-dates-of-death", Reference: "R71",
	Summary:  "All entries that state a date of death state the same; after a death in theatre it is the day of the operation or the next.",
	Severity: Contradiction, Kind: Definition, Source: settings.SourceArithmetic,
	Advice: "Find out which date is right and correct the other.",
	Since:  "3",
	Where: func(c *repair.Case) []metric.At {
		list := deaths(c)
		if len(list) == 0 {
			return nil
		}
		return studies(c, func(s *repair.Study) bool {
			later := s.Occasion != list[0].Occasion
			return s.Kind == repair.FollowUp && s.DiedOn != "" && (later || diedInTheatre(c))
		})
	},
	Check: func(r *Reader) Verdict {
		s, first := r.Study(), deaths(r.Case())[0]
		if s.DiedOn != first.DiedOn {
			r.Fact("died_on", s.DiedOn)
			r.Fact("died_on of another entry", first.DiedOn)
			v := broken("Two dates of death are recorded: %s and %s.", first.DiedOn, s.DiedOn)
			v.Sections = []string{string(s.Occasion), string(first.Occasion)}
			return v
		}
		if !diedInTheatre(r.Case()) {
			return Verdict{}
		}
		day, known := r.OperationDay()
		if !known || s.DiedOn >= day && s.DiedOn <= nextDay(day) {
			return Verdict{}
		}
		r.Fact("died_on", s.DiedOn)
		r.Fact("left_theatre_alive", string(valve.No))
		v := broken("The date of death is %s, and the patient is recorded as having died in theatre on %s.", s.DiedOn, day)
		v.Sections = []string{string(s.Occasion), string(valve.AtOperation)}
		return v
	},
	Examples: []Example{
		{Name: "the same date twice", Want: Holds, Case: func() *repair.Case {
			return exampleStatuses(status{"month", "2026-04-05", statusDead, "2026-03-22"}, status{"year", "2027-03-05", statusDead, "2026-03-22"})
		}},
		{Name: "two dates", Want: Broken, Case: func() *repair.Case {
			return exampleStatuses(status{"month", "2026-04-05", statusDead, "2026-03-22"}, status{"year", "2027-03-05", statusDead, "2026-03-12"})
		}},
		{Name: "a day apart", Edge: true, Want: Broken, Case: func() *repair.Case {
			return exampleStatuses(status{"month", "2026-04-05", statusDead, "2026-03-22"}, status{"year", "2027-03-05", statusDead, "2026-03-23"})
		}},
		{Name: "died in theatre, after midnight", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleTheatreDeath("2026-03-03")
		}},
		{Name: "died in theatre, and ten days later", Want: Broken, Case: func() *repair.Case {
			return exampleTheatreDeath("2026-03-12")
		}},
		{Name: "died in theatre, no incision time", Want: NotEvaluable, Case: func() *repair.Case {
			c := exampleTheatreDeath("2026-03-02")
			c.Operation.IncisionTime = time.Time{}
			return c
		}},
		{Name: "one date", Want: Inapplicable, Case: func() *repair.Case {
			return exampleStatuses(status{"month", "2026-04-05", statusDead, "2026-03-22"})
		}},
	},
}

// nextDay gives the day after a day.
func nextDay(day string) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return t.AddDate(0, 0, 1).Format(time.DateOnly)
}

func exampleTheatreDeath(on string) *repair.Case {
	c := exampleStatuses(status{"month", "2026-04-05", statusDead, on})
	c.Operation.LeftTheatreAlive = valve.No
	return c
}
