package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var plicationExceedsBase = Rule{
	ID: "plication-exceeds-base", Reference: "R13",
	Summary:  "After a resection down to the annulus the plication alone does not take in more than the base width that was resected, by more than 3 mm; sliding removes no annulus.",
	Severity: Note, Kind: Arithmetic, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.BaseGapLeft},
	Advice:     "Correct the plication or the base width; what is taken in beyond the gap narrows the annulus.",
	Since:      "2",
	Under:      []string{"base-gap-not-closed"},
	Where: setPlaces(func(steps []repair.Step) bool {
		return len(reachesBase(steps)) > 0 && len(repair.Of(steps, repair.Plication)) > 0
	}),
	Check: func(r *Reader) Verdict {
		base, taken := 0.0, 0.0
		steps := firmSteps(r.Case(), r.At().Occasion)
		for _, s := range reachesBase(steps) {
			base += r.Read(r.Beside(valve.ResectionBaseWidth, valve.AtStep(s.ID)))
		}
		for _, s := range repair.Of(steps, repair.Plication) {
			taken += r.Read(r.Beside(valve.PlicationLength, valve.AtStep(s.ID)))
		}
		if !r.Beyond(units.Round(taken-base, lengthGrid), settings.BaseGapLeft) {
			return Verdict{}
		}
		return broken("%s of annulus are plicated for %s of base that were resected.", millimetres(taken), millimetres(base))
	},
	Examples: []Example{
		{Name: "8 for 12 mm", Want: Holds, Case: func() *repair.Case { return examplePlication(12, 8) }},
		{Name: "15 for 8 mm", Want: Broken, Case: func() *repair.Case { return examplePlication(8, 15) }},
		{Name: "3 mm more exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return examplePlication(8, 11) }},
		{Name: "no length of the plication", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Resect("o1", repair.Quadrangular, valve.P2).Dim(valve.ResectionBaseWidth, 12).
				Step("o2", repair.Plication, valve.P2).Case()
		}},
	},
}

func examplePlication(base, plication float64) *repair.Case {
	return repair.NewExample().Operation().Resect("o1", repair.Quadrangular, valve.P2).Dim(valve.ResectionBaseWidth, base).
		Step("o2", repair.Plication, valve.P2).Dim(valve.PlicationLength, plication).Case()
}
