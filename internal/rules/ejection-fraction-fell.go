package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var ejectionFractionFell = Rule{
	ID: "ejection-fraction-fell", Reference: "",
	Summary:  "The ejection fraction on leaving theatre is not more than 15 points below the last one before the operation.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.EjectionFractionFall},
	Advice:     "Look at the ventricle and its lateral wall again; some fall is expected when the regurgitation is gone.",
	Since:      "1",
	Where: func(c *repair.Case) []metric.At {
		return slices.DeleteFunc(exit(c), func(here metric.At) bool {
			return !holdsAny(c, c.StudyAt(here.Occasion), valve.Nowhere, valve.StatedLeftVentricularEjectionFraction, valve.LeftVentricularEndDiastolicVolume)
		})
	},
	Check: func(r *Reader) Verdict {
		after, ok := r.ejectionFraction(r.At().Occasion)
		before := 0.0
		found := false
		for _, s := range newest(r.Case()) {
			if holdsAny(r.Case(), &s, valve.Nowhere, valve.StatedLeftVentricularEjectionFraction, valve.LeftVentricularEndDiastolicVolume) {
				before, found = r.ejectionFraction(s.Occasion)
				break
			}
		}
		if !found {
			r.MissFact(string(valve.StatedLeftVentricularEjectionFraction)+" before the operation", "")
		}
		if !ok || !found || !r.Beyond(units.Round(before-after, percentGrid), settings.EjectionFractionFall) {
			return Verdict{}
		}
		return broken("The ejection fraction fell from %s before the operation to %s on leaving theatre.",
			Amount(valve.StatedLeftVentricularEjectionFraction, before), Amount(valve.StatedLeftVentricularEjectionFraction, after))
	},
	Examples: []Example{
		{Name: "62 to 52 %", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.StatedLeftVentricularEjectionFraction, 62).
				Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.StatedLeftVentricularEjectionFraction, 52).Case()
		}},
		{Name: "62 to 40 %", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.StatedLeftVentricularEjectionFraction, 62).
				Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.StatedLeftVentricularEjectionFraction, 40).Case()
		}},
		{Name: "15 points exactly", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.StatedLeftVentricularEjectionFraction, 62).
				Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.StatedLeftVentricularEjectionFraction, 47).Case()
		}},
		{Name: "none before", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.StatedLeftVentricularEjectionFraction, 40).Case()
		}},
	},
}

// ejectionFraction reads the ejection fraction of a study, stated or computed.
func (r *Reader) ejectionFraction(o valve.Occasion) (float64, bool) {
	stated := valve.Key{ID: valve.StatedLeftVentricularEjectionFraction, Occasion: o, Role: valve.Measured}
	if r.Has(stated) {
		return r.Read(stated), true
	}
	return r.Metric(r.Derived(metric.IDEjectionFraction, valve.Nowhere, o))
}
