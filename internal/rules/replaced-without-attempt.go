package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var replacedWithoutAttempt = Rule{
	ID: "replaced-without-attempt", Reference: "R79",
	Summary:  "A valve whose only prolapse is one posterior segment is not replaced before any repair step, unless tissue, calcification or instability is given as the reason.",
	Severity: Note, Kind: Clinical, Source: settings.SourceGuidelines2014,
	Advice: "Record the reason; such a valve is usually repaired.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		if !c.Operation.Converted() || c.Operation.Conversion.Point != "before_repair" {
			return nil
		}
		return inOperation(c)
	},
	Check: func(r *Reader) Verdict {
		conversion := r.Case().Operation.Conversion
		reason, known := r.Word("reason of the conversion", conversion.Reason, valve.AtOperation)
		where, _ := prolapsing(r.Case())
		if len(where) == 0 {
			r.MissFact("prolapsing segment", "assessment")
		}
		simple := len(where) == 1 && where[0].Segment.Leaflet() == valve.Posterior
		if !known || !simple || slices.Contains([]string{"tissue", "calcification", "instability"}, reason) || len(conversion.TriedStepIDs) > 0 || !r.LesionsKnown() {
			return Verdict{}
		}
		return broken("Only %s prolapses, and the valve was replaced before any repair step.", names(where))
	},
	Examples: []Example{
		{Name: "calcified", Want: Holds, Case: func() *repair.Case { return exampleReplaced("calcification", valve.P2).Case() }},
		{Name: "no reason of anatomy", Want: Broken, Case: func() *repair.Case { return exampleReplaced("other", valve.P2).Case() }},
		{Name: "two segments prolapse", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleReplaced("other", valve.P2).Edit(func(c *repair.Case) {
				c.Studies[0].Dysfunctions = []repair.Dysfunction{{Where: repair.Location{Segment: valve.A2}, Type: "ii"}}
			}).Case()
		}},
		{Name: "reason not recorded", Want: NotEvaluable, Case: func() *repair.Case { return exampleReplaced("", valve.P2).Case() }},
	},
}

func exampleReplaced(reason string, at valve.Segment) *repair.Example {
	return exampleProlapse(at).EditOperation(func(o *repair.Operation) {
		o.Conversion = &repair.Conversion{Converted: valve.Yes, Point: "before_repair", Reason: reason}
	})
}
