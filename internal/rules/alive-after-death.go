package rules

import (
	"cmp"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var aliveAfterDeath = Rule{
	ID: "alive-after-death", Reference: "R71",
	Summary:  "No entry says alive, and no echo is dated, after a date of death or a death in theatre.",
	Severity: Contradiction, Kind: Time, Source: settings.SourceArithmetic,
	Advice: "Correct the status, the date of the echo or the date of death; look whether one of the entries belongs to another patient.",
	Since:  "3",
	Under:  []string{"alive-with-date-of-death", "two-dates-of-death"},
	Where: func(c *repair.Case) []metric.At {
		if len(deaths(c)) == 0 && !diedInTheatre(c) {
			return nil
		}
		return studies(c, func(s *repair.Study) bool {
			return s.Kind == repair.FollowUp && (s.VitalStatus == statusAlive || s.EchoOn != "")
		})
	},
	Check: func(r *Reader) Verdict {
		s := r.Study()
		said := func(section valve.Occasion, format string, args ...any) Verdict {
			v := broken(format, args...)
			v.Sections = []string{string(s.Occasion), string(section)}
			return v
		}
		if diedInTheatre(r.Case()) {
			r.Fact("left_theatre_alive", string(valve.No))
			if s.VitalStatus == statusAlive {
				r.Fact("vital_status", statusAlive)
				return said(valve.AtOperation, "The patient is recorded as alive after the operation%s, and as having died in theatre.", on(s.StatusKnownOn))
			}
			if day, known := r.OperationDay(); known && s.EchoOn > day {
				r.Fact("echo_on", s.EchoOn)
				return said(valve.AtOperation, "The follow-up echo is dated %s, and the patient is recorded as having died in theatre on %s.", s.EchoOn, day)
			}
		}
		for _, death := range deaths(r.Case()) {
			if s.EchoOn > death.DiedOn {
				r.Fact("echo_on", s.EchoOn)
				r.Fact("died_on", death.DiedOn)
				return said(death.Occasion, "The follow-up echo is dated %s, after the date of death, %s.", s.EchoOn, death.DiedOn)
			}
			if s.VitalStatus != statusAlive || death.Occasion == s.Occasion {
				continue
			}
			if s.StatusKnownOn == "" {
				r.MissFact("status_known_on", s.Occasion)
				continue
			}
			if s.StatusKnownOn > death.DiedOn {
				r.Fact("status_known_on", s.StatusKnownOn)
				r.Fact("died_on", death.DiedOn)
				return said(death.Occasion, "The patient is recorded as alive on %s, after the date of death, %s.", s.StatusKnownOn, death.DiedOn)
			}
		}
		return Verdict{}
	},
	Examples: []Example{
		{Name: "alive at a year, dead after four: the ordinary course", Want: Holds, Case: func() *repair.Case {
			return exampleStatuses(status{"year", "2027-03-05", statusAlive, ""}, status{"late", "2030-05-01", statusDead, "2030-04-20"})
		}},
		{Name: "alive a year after the date of death", Want: Broken, Case: func() *repair.Case {
			return exampleStatuses(status{"month", "2026-04-05", statusDead, "2026-03-22"}, status{"year", "2027-03-05", statusAlive, ""})
		}},
		{Name: "an echo after the date of death, in the same entry", Want: Broken, Case: func() *repair.Case {
			c := exampleStatuses(status{"month", "2026-04-05", statusDead, "2026-03-22"})
			c.Studies[0].EchoOn = "2026-03-23"
			return c
		}},
		{Name: "alive on the day of death", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleStatuses(status{"month", "2026-04-05", statusDead, "2026-03-22"}, status{"day", "2026-03-22", statusAlive, ""})
		}},
		{Name: "died in theatre, alive at a year", Want: Broken, Case: func() *repair.Case {
			c := exampleStatuses(status{"year", "2027-03-05", statusAlive, ""})
			c.Operation.LeftTheatreAlive = valve.No
			return c
		}},
		{Name: "died in theatre, echo the day after", Want: Broken, Case: func() *repair.Case {
			c := exampleStatuses(status{"day", "", "", ""})
			c.Operation.LeftTheatreAlive, c.Studies[0].EchoOn = valve.No, "2026-03-03"
			return c
		}},
		{Name: "alive, nobody knows on which day", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleStatuses(status{"month", "2026-04-05", statusDead, "2026-03-22"}, status{"other", "", statusAlive, ""})
		}},
		{Name: "nobody died", Want: Inapplicable, Case: func() *repair.Case {
			return exampleStatuses(status{"year", "2027-03-05", statusAlive, ""})
		}},
	},
}

// Words of a vital status.
const (
	statusAlive = "alive"
	statusDead  = "dead"
)

// deaths gives the follow-ups that state a date of death.
func deaths(c *repair.Case) []repair.Study {
	var list []repair.Study
	for _, s := range c.OfKind(repair.FollowUp) {
		if s.DiedOn != "" {
			list = append(list, s)
		}
	}
	return list
}

// diedInTheatre says whether the patient is recorded as having left theatre dead.
func diedInTheatre(c *repair.Case) bool {
	return c.Operation != nil && c.Operation.LeftTheatreAlive == valve.No
}

// on prints a day that may not be recorded.
func on(day string) string {
	if day == "" {
		return ""
	}
	return ", on " + day
}

// status is what a follow-up of an example says: id, day on which it was known,
// alive or dead, date of death.
type status struct{ id, knownOn, vital, diedOn string }

func exampleStatuses(list ...status) *repair.Case {
	e := repair.NewExample().Operation()
	for _, s := range list {
		e = e.FollowUp(cmp.Or(s.id, "f")).EditStudy(func(f *repair.Study) {
			f.StatusKnownOn, f.VitalStatus, f.DiedOn = s.knownOn, s.vital, s.diedOn
		})
	}
	return e.Case()
}
