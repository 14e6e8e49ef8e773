package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var bandWithAnteriorSutures = Rule{
	ID: "band-with-anterior-sutures", Reference: "R32",
	Summary:  "A posterior band has no sutures along the anterior annulus.",
	Severity: Contradiction, Kind: Definition, Source: settings.SourceArithmetic,
	Advice: "Correct the kind of the device or the count of its anterior sutures.",
	Since:  "1",
	Where: stepPlaces(repair.Annuloplasty, func(s repair.Step) bool {
		return s.Ring != nil && s.Ring.AnteriorSutureCount.OrElse(0) > 0 || s.Ring != nil && s.Ring.Kind == repair.PosteriorBand
	}),
	Check: func(r *Reader) Verdict {
		here := r.At()
		step := r.Step()
		sutures, known := r.Count("anterior_suture_count", step.Ring.AnteriorSutureCount, here.Occasion)
		kind, both := r.Word("kind", step.Ring.Kind, here.Occasion)
		if !known || !both || kind != repair.PosteriorBand || sutures == 0 {
			return Verdict{}
		}
		for _, leaf := range []valve.ID{valve.BandLength, valve.RingInnerAnteroPosteriorDiameter, valve.RingInnerTransverseDiameter, valve.RingOrificeArea} {
			if r.Has(r.Here(leaf)) {
				r.Read(r.Here(leaf))
			}
		}
		v := broken("A posterior band is recorded with %d sutures along the anterior annulus.", sutures)
		v.Sections = []string{here.Occasion.Section()}
		return v
	},
	Examples: []Example{
		{Name: "a complete ring with anterior sutures", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.CompleteRing).
				EditStep(func(s *repair.Step) { s.Ring.AnteriorSutureCount = units.Some(4) }).Case()
		}},
		{Name: "a band with four", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.PosteriorBand).
				EditStep(func(s *repair.Step) { s.Ring.AnteriorSutureCount = units.Some(4) }).Case()
		}},
		{Name: "a band with none", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.PosteriorBand).
				EditStep(func(s *repair.Step) { s.Ring.AnteriorSutureCount = units.Some(0) }).Case()
		}},
		{Name: "sutures not counted by place", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.PosteriorBand).Case()
		}},
	},
}
