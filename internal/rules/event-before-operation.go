package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
	"trigone/internal/words"
)

var eventBeforeOperation = Rule{
	ID: "event-before-operation", Reference: "R71",
	Summary:  "No complication, no further intervention on the valve and no readmission is dated before the day of the operation.",
	Severity: Contradiction, Kind: Time, Source: settings.SourceArithmetic,
	Advice: "Correct the date, or take out what happened before this operation.",
	Since:  "3",
	Where: func(c *repair.Case) []metric.At {
		dated := func(o valve.Occasion) bool {
			return slices.ContainsFunc(events(c, o), func(e event) bool { return e.on != "" })
		}
		list := studies(c, func(s *repair.Study) bool { return s.Kind == repair.FollowUp && dated(s.Occasion) })
		if dated(valve.AtOperation) {
			list = append(list, at(valve.AtOperation))
		}
		return list
	},
	Check: func(r *Reader) Verdict {
		here := r.At().Occasion
		day, known := r.OperationDay()
		if !known {
			return Verdict{}
		}
		for _, e := range events(r.Case(), here) {
			if e.on == "" || e.on >= day {
				continue
			}
			r.Fact(e.what, e.on)
			v := broken("%s is dated %s, before the day of the operation, %s.", words.Capital(e.what), e.on, day)
			v.Sections = []string{string(here), string(valve.AtOperation)}
			return v
		}
		return Verdict{}
	},
	Examples: []Example{
		{Name: "a stroke on the third day", Want: Holds, Case: func() *repair.Case { return exampleStroke("2026-03-05") }},
		{Name: "a stroke a year before", Want: Broken, Case: func() *repair.Case { return exampleStroke("2025-03-05") }},
		{Name: "on the day of the operation", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleStroke("2026-03-02") }},
		{Name: "repaired again the day before", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().FollowUp("late").EditStudy(func(s *repair.Study) {
				s.Reinterventions = []repair.Reintervention{{On: "2026-03-01", Kind: "repaired_again"}}
			}).Case()
		}},
		{Name: "readmitted before it, the cause unknown", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().FollowUp("month").EditStudy(func(s *repair.Study) {
				s.Readmissions = []repair.Event{{On: "2026-02-20"}}
			}).Case()
		}},
		{Name: "a complication in theatre, dated the day before", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().EditOperation(func(o *repair.Operation) {
				o.Complications = []repair.Event{{Kind: "bleeding", On: "2026-03-01"}}
			}).Case()
		}},
		{Name: "no incision time", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().FollowUp("discharge").EditStudy(func(s *repair.Study) {
				s.Complications = []repair.Event{{Kind: "stroke", On: "2026-03-05"}}
			}).Case()
		}},
		{Name: "an event without a date", Want: Inapplicable, Case: func() *repair.Case { return exampleStroke("") }},
	},
}

// event is a dated fact after an operation, in words.
type event struct{ what, on string }

// events gives what happened, as a section tells it.
func events(c *repair.Case, o valve.Occasion) []event {
	var list []event
	add := func(complications []repair.Event) {
		for _, e := range complications {
			list = append(list, event{"a complication" + inBrackets(e.Kind), e.On})
		}
	}
	if o == valve.AtOperation {
		if c.Operation != nil {
			add(c.Operation.Complications)
		}
		return list
	}
	s := c.StudyAt(o)
	add(s.Complications)
	for _, again := range s.Reinterventions {
		list = append(list, event{"a further intervention on the valve" + inBrackets(again.Kind), again.On})
	}
	for _, e := range s.Readmissions {
		list = append(list, event{"a readmission" + inBrackets(e.Kind), e.On})
	}
	return list
}

func inBrackets(word string) string {
	if word == "" {
		return ""
	}
	return " (" + words.Spaced(word) + ")"
}

func exampleStroke(on string) *repair.Case {
	return repair.NewExample().Operation().FollowUp("discharge").EditStudy(func(s *repair.Study) {
		s.Complications = []repair.Event{{Kind: "stroke", On: on}}
	}).Case()
}
