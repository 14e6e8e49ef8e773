package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var slideWithoutResection = Rule{
	ID: "slide-without-resection", Reference: "R11",
	Summary:  "A sliding plasty goes with a resection, a reduction of height or a strip taken off the base.",
	Severity: Note, Kind: Completeness, Source: settings.SourceCommonPractice,
	Advice: "Record what was resected or taken off; without it there is nothing to slide for.",
	Since:  "2",
	Where:  setPlaces(func(steps []repair.Step) bool { return len(repair.Of(steps, repair.SlidingPlasty)) > 0 }),
	Check: func(r *Reader) Verdict {
		here := r.At().Occasion
		steps := firmSteps(r.Case(), here)
		if len(repair.Of(steps, repair.LeafletResection))+len(repair.Of(steps, repair.HeightReduction)) > 0 {
			return Verdict{}
		}
		for _, s := range repair.Of(steps, repair.SlidingPlasty) {
			for _, side := range []valve.Side{valve.Lateral, valve.Medial} {
				for _, leaf := range []valve.ID{valve.SlidingStripHeightAtCutEdge, valve.SlidingStripHeightAtFarEnd} {
					if k := r.Beside(leaf, valve.AtStepSide(s.ID, side)); r.Has(k) && r.Greater(r.Read(k), 0) {
						return Verdict{}
					}
				}
			}
			r.Fact("sliding plasty", s.ID)
		}
		if !r.Complete("steps_recorded", stepsRecorded(r.Case(), here), here) {
			return Verdict{}
		}
		return broken("A sliding plasty is recorded, and nothing that was resected or taken off.")
	},
	Examples: []Example{
		{Name: "after a quadrangular resection", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Resect("o1", repair.Quadrangular, valve.P2).Step("o2", repair.SlidingPlasty).Case()
		}},
		{Name: "alone", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Step("o1", repair.SlidingPlasty).Side(valve.Lateral, valve.SlidingAdvance, 6).Case()
		}},
		{Name: "a strip of 3 mm is a reduction of height", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Step("o1", repair.SlidingPlasty).Side(valve.Lateral, valve.SlidingStripHeightAtCutEdge, 3).Case()
		}},
		{Name: "there may be more steps", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Step("o1", repair.SlidingPlasty).
				EditOperation(func(o *repair.Operation) { o.StepsRecorded = valve.Partial }).Case()
		}},
	},
}
