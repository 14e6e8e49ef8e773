package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var lateralWallUnchecked = Rule{
	ID: "lateral-wall-unchecked", Reference: "R65",
	Summary:  "After a lateral slide, compression sutures or a plication at P1 the lateral wall is looked at after bypass.",
	Severity: Note, Kind: Completeness, Source: settings.SourceCommonPractice,
	Advice: "Look at the lateral wall: the circumflex artery runs close to the lateral annulus.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		if c.Operation == nil || !offBypass(c) || nearCircumflex(c) == "" {
			return nil
		}
		return inOperation(c)
	},
	Check: func(r *Reader) Verdict {
		if r.Case().Operation.Neighbourhood.LateralWallChecked == valve.Yes {
			return Verdict{}
		}
		what := nearCircumflex(r.Case())
		r.Fact("near the circumflex artery", what)
		return broken("After %s no look at the lateral wall after bypass is recorded.", what)
	},
	Examples: []Example{
		{Name: "looked at", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Step("o1", repair.SlidingPlasty).Side(valve.Lateral, valve.SlidingAdvance, 6).
				EditOperation(func(o *repair.Operation) {
					o.EndTime, o.Neighbourhood.LateralWallChecked = repair.Clock(12, 0), valve.Yes
				}).Case()
		}},
		{Name: "a lateral slide, not recorded", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Step("o1", repair.SlidingPlasty).Side(valve.Lateral, valve.SlidingAdvance, 6).
				Result("exit", 1, valve.LeavingTheatre).Case()
		}},
		{Name: "a plication at P1", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Step("o1", repair.Plication, valve.P1).
				EditOperation(func(o *repair.Operation) { o.EndTime = repair.Clock(12, 0) }).Case()
		}},
		{Name: "compression sutures: one is enough", Edge: true, Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.PosteriorBand).
				EditStep(func(s *repair.Step) { s.Ring.CompressionSutureCount = units.Some(1) }).
				EditOperation(func(o *repair.Operation) { o.EndTime = repair.Clock(12, 0) }).Case()
		}},
		{Name: "a medial slide only", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Step("o1", repair.SlidingPlasty).Side(valve.Medial, valve.SlidingAdvance, 6).
				EditOperation(func(o *repair.Operation) { o.EndTime = repair.Clock(12, 0) }).Case()
		}},
	},
}

// offBypass says whether the heart is known to be off bypass.
func offBypass(c *repair.Case) bool {
	return !c.Operation.EndTime.IsZero() || len(c.OfKind(repair.Result)) > 0
}

// nearCircumflex says what was done close to the circumflex artery, or "".
func nearCircumflex(c *repair.Case) string {
	for _, s := range repair.InPlaceAtEnd(c.Operation.Steps) {
		advance := valve.Key{ID: valve.SlidingAdvance, Place: valve.AtStepSide(s.ID, valve.Lateral), Occasion: valve.AtOperation, Role: valve.Measured}
		switch {
		case s.Technique == repair.SlidingPlasty && c.Measured[advance].Value.OrElse(0) > 0:
			return "a lateral slide"
		case s.Sliding != nil && s.Sliding.LateralCompressionSutures.OrElse(0) > 0,
			s.Ring != nil && s.Ring.CompressionSutureCount.OrElse(0) > 0:
			return "compression sutures"
		case s.Technique == repair.Plication && s.At(valve.P1):
			return "a plication at P1"
		}
	}
	return ""
}
