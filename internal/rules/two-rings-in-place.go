package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var twoRingsInPlace = Rule{
	ID: "two-rings-in-place", Reference: "",
	Summary:  "At most one ring or band is in place at the end; several may be tried.",
	Severity: Contradiction, Kind: Definition, Source: settings.SourceArithmetic,
	Advice: "State which ring stayed; give the other the fate taken down, and the sizers tried as a list of one ring.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		if c.Operation == nil || len(repair.Of(c.Operation.Steps, repair.Annuloplasty)) == 0 {
			return nil
		}
		return inOperation(c)
	},
	Check: func(r *Reader) Verdict {
		var inPlace, open []repair.Step
		for _, s := range repair.Of(r.Case().Operation.Steps, repair.Annuloplasty) {
			switch s.Fate {
			case repair.InPlace:
				inPlace = append(inPlace, s)
			case "":
				open = append(open, s)
			}
		}
		if len(inPlace) < 2 {
			if len(inPlace)+len(open) > 1 {
				for _, s := range open {
					r.MissFact("fate of "+s.ID, valve.AtOperation)
				}
			}
			return Verdict{}
		}
		for _, s := range inPlace {
			r.Fact("in_place", s.ID)
			for _, k := range r.Case().Measured.Keys() {
				if k.Occasion == valve.AtOperation && k.Place.Step() == s.ID && r.Has(k) {
					r.Read(k)
				}
			}
		}
		v := broken("%d rings or bands are recorded as in place at the end.", len(inPlace))
		v.Sections = []string{string(valve.AtOperation)}
		return v
	},
	Examples: []Example{
		{Name: "one ring", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.CompleteRing).Case()
		}},
		{Name: "two in place", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.CompleteRing).Device("o2", repair.PosteriorBand).Case()
		}},
		{Name: "two tried, one taken down", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.CompleteRing).
				EditStep(func(s *repair.Step) { s.Fate, s.TakenDownInRun = repair.TakenDown, 2 }).Device("o2", repair.CompleteRing).Case()
		}},
		{Name: "the fate of one of two is not recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.CompleteRing).
				EditStep(func(s *repair.Step) { s.Fate = "" }).Device("o2", repair.CompleteRing).Case()
		}},
	},
}
