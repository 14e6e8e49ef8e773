package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var ringInPlaceAfterConversion = Rule{
	ID: "ring-in-place-after-conversion", Reference: "R72",
	Summary:  "No ring or band stays in place when the repair was given up for a replacement.",
	Severity: Contradiction, Kind: Definition, Source: settings.SourceArithmetic,
	Advice: "Give the ring the fate taken down, or correct the conversion.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		if !c.Operation.Converted() || c.Operation.Conversion.Point == "same_stay" ||
			len(repair.Of(c.Operation.Steps, repair.Annuloplasty)) == 0 {
			return nil
		}
		return inOperation(c)
	},
	Check: func(r *Reader) Verdict {
		o := r.Case().Operation
		inPlace := 0
		for _, s := range repair.Of(o.Steps, repair.Annuloplasty) {
			switch {
			case s.Fate == repair.InPlace:
				r.Fact("in_place", s.ID)
				inPlace++
			case s.Fate == "" && !slices.Contains(o.Conversion.TriedStepIDs, s.ID):
				r.MissFact("fate of "+s.ID, valve.AtOperation)
			}
		}
		if inPlace == 0 {
			return Verdict{}
		}
		r.Fact("converted", string(o.Conversion.Converted))
		v := broken("The repair was converted to a replacement, and an annuloplasty device is recorded as in place.")
		v.Sections = []string{string(valve.AtOperation)}
		return v
	},
	Examples: []Example{
		{Name: "ring taken down before the replacement", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.CompleteRing).
				EditStep(func(s *repair.Step) { s.Fate, s.TakenDownInRun = repair.TakenDown, 2 }).
				EditOperation(func(o *repair.Operation) { o.Conversion = &repair.Conversion{Converted: valve.Yes} }).Case()
		}},
		{Name: "ring in place and converted", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.CompleteRing).
				EditOperation(func(o *repair.Operation) { o.Conversion = &repair.Conversion{Converted: valve.Yes} }).Case()
		}},
		{Name: "the fate is not recorded, the step is listed as tried", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.CompleteRing).EditStep(func(s *repair.Step) { s.Fate = "" }).
				EditOperation(func(o *repair.Operation) {
					o.Conversion = &repair.Conversion{Converted: valve.Yes, TriedStepIDs: []string{"o1"}}
				}).Case()
		}},
		{Name: "the fate is not recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.CompleteRing).EditStep(func(s *repair.Step) { s.Fate = "" }).
				EditOperation(func(o *repair.Operation) { o.Conversion = &repair.Conversion{Converted: valve.Yes} }).Case()
		}},
		{Name: "not converted", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.CompleteRing).Case()
		}},
	},
}
