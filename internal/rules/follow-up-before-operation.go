package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var followUpBeforeOperation = Rule{
	ID: "follow-up-before-operation", Reference: "R71",
	Summary:  "The dates of a follow-up must not lie before the day of the operation.",
	Severity: Contradiction, Kind: Time, Source: settings.SourceArithmetic,
	Advice: "Correct the date of the follow-up or the time of the incision.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool {
			return s.Kind == repair.FollowUp && (s.StatusKnownOn != "" || s.EchoOn != "")
		})
	},
	Check: func(r *Reader) Verdict {
		s := r.Study()
		day, known := r.OperationDay()
		if !known {
			return Verdict{}
		}
		for _, date := range []struct{ name, words, on string }{
			{"status_known_on", "The date on which the status was known", s.StatusKnownOn},
			{"echo_on", "The date of the follow-up echo", s.EchoOn},
		} {
			if date.on == "" || date.on >= day {
				continue
			}
			r.Fact(date.name, date.on)
			v := broken("%s, %s, lies before the day of the operation, %s.", date.words, date.on, day)
			v.Sections = []string{string(s.Occasion), string(valve.AtOperation)}
			return v
		}
		return Verdict{}
	},
	Examples: []Example{
		{Name: "a year later", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().FollowUp("year").EditStudy(func(s *repair.Study) { s.StatusKnownOn = "2027-03-05" }).Case()
		}},
		{Name: "the year was not advanced", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().FollowUp("month").EditStudy(func(s *repair.Study) { s.StatusKnownOn = "2025-04-05" }).Case()
		}},
		{Name: "echo the day before", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().FollowUp("discharge").
				EditStudy(func(s *repair.Study) { s.StatusKnownOn, s.EchoOn = "2026-03-08", "2026-03-01" }).Case()
		}},
		{Name: "on the day itself", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().FollowUp("discharge").EditStudy(func(s *repair.Study) { s.EchoOn = "2026-03-02" }).Case()
		}},
		{Name: "no incision time", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().FollowUp("year").EditStudy(func(s *repair.Study) { s.StatusKnownOn = "2027-03-05" }).Case()
		}},
	},
}
