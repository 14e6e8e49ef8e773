package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var posteriorShareHigh = Rule{
	ID: "posterior-share-high", Reference: "R40",
	Summary:  "A posterior leaflet that fills half the orifice or more on a saline test is lowered.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.PosteriorShareHigh},
	Advice:     "Consider lowering the posterior leaflet: the closure line lies near the outflow tract.",
	Since:      "2",
	Where: func(c *repair.Case) []metric.At {
		if c.Operation.Converted() {
			return nil
		}
		return keyPlaces(valve.PosteriorOrificeShare, func(valve.Place) bool { return true })(c)
	},
	Check: func(r *Reader) Verdict {
		share := r.Here(valve.PosteriorOrificeShare)
		if !r.Beyond(r.Read(share), settings.PosteriorShareHigh) {
			return Verdict{}
		}
		o := r.Case().Operation
		for _, s := range repair.InPlaceAtEnd(o.Steps) {
			if slices.Contains(s.Technique.Intents(), repair.LowersHeight) && max(s.Run, 1) >= r.At().Run {
				return Verdict{}
			}
		}
		if !r.Complete("steps_recorded", o.StepsRecorded, valve.AtOperation) {
			return Verdict{}
		}
		return broken("The posterior leaflet fills %s of the orifice on a saline test, and no step lowers it.", r.Text(share))
	},
	Examples: []Example{
		{Name: "30 %", Want: Holds, Case: func() *repair.Case { return exampleShare(30).Case() }},
		{Name: "55 % and nothing done", Want: Broken, Case: func() *repair.Case { return exampleShare(55).Case() }},
		{Name: "half exactly", Edge: true, Want: Broken, Case: func() *repair.Case { return exampleShare(50).Case() }},
		{Name: "55 % and lowered", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleShare(55).Step("o2", repair.HeightReduction, valve.P2).Case()
		}},
		{Name: "there may be more steps", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleShare(55).EditOperation(func(o *repair.Operation) { o.StepsRecorded = valve.Partial }).Case()
		}},
	},
}

func exampleShare(percent float64) *repair.Example {
	return repair.NewExample().Field(1, valve.AfterLeafletWork).SetAt(valve.PosteriorOrificeShare, valve.AtTest("t1"), percent).
		EditOperation(func(o *repair.Operation) {
			o.SalineTests = []repair.Test{{ID: "t1", Run: 1, Stage: valve.AfterLeafletWork, Performed: valve.Yes}}
		})
}
