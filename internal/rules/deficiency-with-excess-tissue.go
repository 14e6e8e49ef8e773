package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var deficiencyWithExcessTissue = Rule{
	ID: "deficiency-with-excess-tissue", Reference: "R60",
	Summary:  "Fibroelastic deficiency does not go with excess tissue of two segments or more.",
	Severity: Note, Kind: Definition, Source: settings.SourceCommonPractice,
	Advice: "Check the disease; tissue in excess at several segments speaks for the myxomatous form.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		if c.Plan == nil || c.Plan.Aetiology != "fibroelastic_deficiency" {
			return nil
		}
		return []metric.At{at(valve.AtPlan)}
	},
	Check: func(r *Reader) Verdict {
		var places []repair.Location
		for _, s := range beforeOperation(r.Case()) {
			for _, l := range s.Lesions {
				if l.Has("excess_tissue") && l.Where != (repair.Location{}) && !slices.Contains(places, l.Where) {
					places = append(places, l.Where)
				}
			}
		}
		if len(places) < 2 {
			r.LesionsKnown()
			return Verdict{}
		}
		r.Fact("excess tissue", names(places))
		return broken("The disease is said to be fibroelastic deficiency, and excess tissue was seen at %s.", names(places))
	},
	Examples: []Example{
		{Name: "thin tissue", Want: Holds, Case: func() *repair.Case { return exampleExcess(valve.Complete) }},
		{Name: "excess tissue at A2 and P2", Want: Broken, Case: func() *repair.Case { return exampleExcess(valve.Complete, valve.A2, valve.P2) }},
		{Name: "at the prolapsing segment alone", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleExcess(valve.Complete, valve.P2) }},
		{Name: "the lesions may not be all", Want: NotEvaluable, Case: func() *repair.Case { return exampleExcess(valve.Partial, valve.P2) }},
	},
}

func exampleExcess(recorded valve.Recorded, at ...valve.Segment) *repair.Case {
	return repair.NewExample().Assess("tee").EditStudy(func(s *repair.Study) {
		s.LesionsRecorded = recorded
		for _, segment := range at {
			s.Lesions = append(s.Lesions, repair.Lesion{ID: string(segment), Where: repair.Location{Segment: segment}, Kinds: []string{"excess_tissue"}})
		}
	}).Plan().Edit(func(c *repair.Case) { c.Plan.Aetiology = "fibroelastic_deficiency" }).Case()
}
