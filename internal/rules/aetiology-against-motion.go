package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var aetiologyAgainstMotion = Rule{
	ID: "aetiology-against-motion", Reference: "R60",
	Summary:  "A rheumatic or a secondary valve does not move with excess (type II) everywhere that motion is recorded.",
	Severity: Note, Kind: Definition, Source: settings.SourceCommonPractice,
	Advice: "Check disease and motion; excess motion alone speaks for degenerative disease.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		if c.Plan == nil || c.Plan.Aetiology != "rheumatic" && c.Plan.Aetiology != "secondary" {
			return nil
		}
		return []metric.At{at(valve.AtPlan)}
	},
	Check: func(r *Reader) Verdict {
		r.Fact("aetiology", r.Case().Plan.Aetiology)
		seen := false
		for _, s := range beforeOperation(r.Case()) {
			for _, d := range s.Dysfunctions {
				if d.Type == "" {
					continue
				}
				if d.Type != excessMotion {
					return Verdict{}
				}
				seen = true
			}
		}
		if !seen {
			r.MissFact("dysfunctions", "assessment")
			return Verdict{}
		}
		return broken("The disease is said to be %s, and excess motion is all that was seen.", r.Case().Plan.Aetiology)
	},
	Examples: []Example{
		{Name: "rheumatic, restricted", Want: Holds, Case: func() *repair.Case { return exampleDisease("rheumatic", "iiia") }},
		{Name: "rheumatic, excess motion only", Want: Broken, Case: func() *repair.Case { return exampleDisease("rheumatic", "ii") }},
		{Name: "rheumatic, both", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleDisease("rheumatic", "ii", "iiia") }},
		{Name: "motion not recorded", Want: NotEvaluable, Case: func() *repair.Case { return exampleDisease("secondary") }},
	},
}

func exampleDisease(word string, types ...string) *repair.Case {
	return repair.NewExample().Assess("tee").EditStudy(func(s *repair.Study) {
		for i, t := range types {
			s.Dysfunctions = append(s.Dysfunctions, repair.Dysfunction{Where: repair.Location{Segment: valve.Segments()[i]}, Type: t})
		}
	}).Plan().Edit(func(c *repair.Case) { c.Plan.Aetiology = word }).Case()
}
