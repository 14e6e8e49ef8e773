package rules

import (
	"math"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var baseGapNotClosed = Rule{
	ID: "base-gap-not-closed", Reference: "R12",
	Summary:  "Before the ring the advances of both sides of a sliding plasty and the plication together equal the base width that was resected, within 3 mm.",
	Severity: Caution, Kind: Arithmetic, Source: settings.SourceArithmetic,
	Thresholds: []string{settings.BaseGapLeft},
	Advice:     "Correct the base width, the advances or the plication: what is left open is a leak, what is closed too much narrows the annulus.",
	Since:      "1",
	Under:      []string{"base-gap-without-closure"},
	Where: setPlaces(func(steps []repair.Step) bool {
		return len(reachesBase(steps)) > 0 && len(closing(steps)) > 0
	}),
	Check: func(r *Reader) Verdict {
		here := r.At().Occasion
		key := r.Derived(metric.IDBaseGap, valve.Nowhere, here)
		if here == valve.AtPlan {
			key.Role = valve.Planned
		}
		gap, known := r.Metric(key)
		if !known || !r.Beyond(math.Abs(gap), settings.BaseGapLeft) {
			return Verdict{}
		}
		base := 0.0
		for _, s := range reachesBase(firmSteps(r.Case(), here)) {
			base += r.Read(r.Beside(valve.ResectionBaseWidth, valve.AtStep(s.ID)))
		}
		if gap < 0 {
			return broken("%s of the base are resected and %s are closed: %s more than was taken.", millimetres(base), millimetres(base-gap), millimetres(-gap))
		}
		return broken("%s of the base are resected and %s are closed: %s are left open.", millimetres(base), millimetres(base-gap), millimetres(gap))
	},
	Examples: []Example{
		{Name: "12 = 6 + 6 mm", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Plan().Resect("s1", repair.Quadrangular, valve.P2).Dim(valve.ResectionBaseWidth, 12).
				Step("s2", repair.SlidingPlasty).Side(valve.Lateral, valve.SlidingAdvance, 6).Side(valve.Medial, valve.SlidingAdvance, 6).Case()
		}},
		{Name: "one side and a plication, unequal", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Resect("o1", repair.Quadrangular, valve.P2).Dim(valve.ResectionBaseWidth, 15).
				Step("o2", repair.SlidingPlasty).Side(valve.Lateral, valve.SlidingAdvance, 9).Side(valve.Medial, valve.SlidingAdvance, 0).
				Step("o3", repair.Plication, valve.P2).Dim(valve.PlicationLength, 5).Case()
		}},
		{Name: "8 of 20 mm are left open", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Resect("o1", repair.Quadrangular, valve.P2).Dim(valve.ResectionBaseWidth, 20).
				Step("o2", repair.SlidingPlasty).Side(valve.Lateral, valve.SlidingAdvance, 6).Side(valve.Medial, valve.SlidingAdvance, 6).Case()
		}},
		{Name: "more is closed than was taken", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Resect("o1", repair.Quadrangular, valve.P2).Dim(valve.ResectionBaseWidth, 8).
				Step("o2", repair.Plication, valve.P2).Dim(valve.PlicationLength, 15).Case()
		}},
		{Name: "3 mm exactly", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Plan().Resect("s1", repair.Quadrangular, valve.P2).Dim(valve.ResectionBaseWidth, 15).
				Step("s2", repair.SlidingPlasty).Side(valve.Lateral, valve.SlidingAdvance, 6).Side(valve.Medial, valve.SlidingAdvance, 6).Case()
		}},
		{Name: "no advance recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Plan().Resect("s1", repair.Quadrangular, valve.P2).Dim(valve.ResectionBaseWidth, 15).
				Step("s2", repair.SlidingPlasty).Case()
		}},
	},
}
