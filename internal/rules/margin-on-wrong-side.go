package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var marginOnWrongSide = Rule{
	ID: "margin-on-wrong-side", Reference: "R75",
	Summary:  "The lateral margin of a resection does not lie medial of it, nor the medial margin lateral: segment 1 is lateral, segment 3 medial.",
	Severity: Contradiction, Kind: Definition, Source: settings.SourceArithmetic,
	Advice: "Correct the side of the margin, its segment or the segment of the resection.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		return slices.DeleteFunc(stepPlaces(repair.LeafletResection, func(repair.Step) bool { return true })(c), func(here metric.At) bool {
			return here.Occasion != valve.AtOperation || !slices.ContainsFunc(c.Operation.MarginChords, func(m repair.MarginChords) bool {
				return m.StepID == here.Place.Step() && m.Segment != ""
			})
		})
	},
	Check: func(r *Reader) Verdict {
		segments := segmentsOf(r.Step())
		if len(segments) == 0 {
			r.MissFact("segments", valve.AtOperation)
			return Verdict{}
		}
		byIndex := func(a, b valve.Segment) int { return a.Index() - b.Index() }
		first, last := slices.MinFunc(segments, byIndex), slices.MaxFunc(segments, byIndex)
		for _, m := range r.Case().Operation.MarginChords {
			if m.StepID != r.Step().ID || m.Segment == "" {
				continue
			}
			side, known := r.Word("side", string(m.Side), valve.AtOperation)
			if !known {
				return Verdict{}
			}
			r.Fact("margin", string(m.Segment))
			wrong := m.Side == valve.Lateral && m.Segment.Index() > first.Index() || m.Side == valve.Medial && m.Segment.Index() < last.Index()
			if wrong {
				v := broken("The %s margin of a resection at %s is said to lie in %s.", side, names(r.Step().Places), segmentName(m.Segment))
				v.Sections = []string{string(valve.AtOperation)}
				return v
			}
		}
		return Verdict{}
	},
	Examples: []Example{
		{Name: "medial margin of P2 in P3", Want: Holds, Case: func() *repair.Case { return exampleMarginSide(valve.Medial, valve.P3) }},
		{Name: "medial margin of P2 in P1", Want: Broken, Case: func() *repair.Case { return exampleMarginSide(valve.Medial, valve.P1) }},
		{Name: "medial margin in P2 itself", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleMarginSide(valve.Medial, valve.P2) }},
		{Name: "no side", Want: NotEvaluable, Case: func() *repair.Case { return exampleMarginSide("", valve.P1) }},
	},
}

func exampleMarginSide(side valve.Side, segment valve.Segment) *repair.Case {
	return repair.NewExample().Operation().Resect("o1", repair.Triangular, valve.P2).EditOperation(func(o *repair.Operation) {
		o.MarginChords = []repair.MarginChords{{StepID: "o1", Side: side, Segment: segment, Count: units.Some(1)}}
	}).Case()
}
