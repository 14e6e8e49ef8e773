package rules

import (
	"slices"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var baseGapWithoutClosure = Rule{
	ID: "base-gap-without-closure", Reference: "R12",
	Summary:  "A resection of the posterior leaflet that takes a width of its base is closed by a sliding plasty or a plication.",
	Severity: Caution, Kind: Clinical, Source: settings.SourceArithmetic,
	Advice: "Say how the gap along the annulus is closed.",
	Since:  "1",
	Where:  setPlaces(func(steps []repair.Step) bool { return len(reachesBase(steps)) > 0 }),
	Check: func(r *Reader) Verdict {
		here := r.At().Occasion
		steps := firmSteps(r.Case(), here)
		if len(closing(steps)) > 0 || !r.Complete("steps_recorded", stepsRecorded(r.Case(), here), here) {
			return Verdict{}
		}
		base := 0.0
		for _, s := range reachesBase(steps) {
			base += r.Read(r.Beside(valve.ResectionBaseWidth, valve.AtStep(s.ID)))
		}
		if !r.Greater(base, 0) {
			return Verdict{}
		}
		return broken("%s of the base of the posterior leaflet are resected, and neither sliding plasty nor plication closes the gap.", millimetres(base))
	},
	Examples: []Example{
		{Name: "a sliding plasty closes it", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Plan().Resect("s1", repair.Quadrangular, valve.P2).Dim(valve.ResectionBaseWidth, 12).
				Step("s2", repair.SlidingPlasty).Case()
		}},
		{Name: "nothing closes 12 mm", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Resect("o1", repair.Quadrangular, valve.P2).Dim(valve.ResectionBaseWidth, 12).Case()
		}},
		{Name: "down to the annulus, but no width of the base", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Plan().Resect("s1", repair.Quadrangular, valve.P2).Dim(valve.ResectionBaseWidth, 0).Case()
		}},
		{Name: "the base width is not recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Plan().Resect("s1", repair.Quadrangular, valve.P2).Case()
		}},
		{Name: "the steps may not be all there were", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Resect("o1", repair.Quadrangular, valve.P2).Dim(valve.ResectionBaseWidth, 12).
				EditOperation(func(o *repair.Operation) { o.StepsRecorded = valve.Partial }).Case()
		}},
		{Name: "a triangle", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Plan().Resect("s1", repair.Triangular, valve.P2).Case()
		}},
	},
}

// closing gives the steps that close a gap along the base.
func closing(steps []repair.Step) []repair.Step {
	return slices.DeleteFunc(slices.Clone(steps), func(s repair.Step) bool {
		return !slices.Contains(s.Technique.Intents(), repair.ClosesGap)
	})
}
