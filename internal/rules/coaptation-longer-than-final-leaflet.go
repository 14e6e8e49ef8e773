package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var coaptationLongerThanFinalLeaflet = Rule{
	ID: "coaptation-longer-than-final-leaflet", Reference: "R38",
	Summary:  "The coaptation length of A2-P2 after repair does not exceed the final height of P2 taken by another method or in another study, by more than 2 combined standard deviations.",
	Severity: Note, Kind: Arithmetic, Source: settings.SourceArithmetic,
	Thresholds: []string{settings.HeightMargin, settings.MarginSDs},
	Advice:     "Say which of the two counts; the methods do not agree.",
	Since:      "1",
	Under:      []string{"coaptation-longer-than-leaflet"},
	Where: func(c *repair.Case) []metric.At {
		list := afterRepair(valve.AtSlice(valve.A2P2), valve.CoaptationLength)(c)
		for i := range list {
			list[i].Place = valve.AtSlice(valve.A2P2)
		}
		return list
	},
	Check: func(r *Reader) Verdict {
		coaptation := r.Here(valve.CoaptationLength)
		_, own := r.LeafletsOfSlice()
		if r.Has(own) && r.OneMethod(coaptation, own) {
			return Verdict{}
		}
		run := r.At().Run
		if run == 0 {
			run = r.Case().Operation.LastRun()
		}
		final := metric.FinalPosteriorHeightKey(false, run)
		height, known := r.Metric(final)
		length := r.Read(coaptation)
		if !known {
			return Verdict{}
		}
		value, _ := r.Peek(final)
		over := units.Round(length-height, lengthGrid)
		if !r.Greater(over, r.MarginOf(settings.HeightMargin, value.SD.OrElse(0), coaptation)) {
			return Verdict{}
		}
		return broken("The coaptation length of %s exceeds the final height of P2, %s, by %s: the methods differ.",
			r.Text(coaptation), Amount(final.ID, height), millimetres(over))
	},
	Examples: []Example{
		{Name: "8 mm by echo, 14 mm by ruler", Want: Holds, Case: func() *repair.Case {
			return exampleCoaptation(8, 14).Case()
		}},
		{Name: "20 mm by echo, 12 mm by ruler", Want: Broken, Case: func() *repair.Case {
			return exampleCoaptation(20, 12).Case()
		}},
		{Name: "2 mm over exactly, well measured", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleCoaptation(14, 12).SD(0.1).Case()
		}},
		{Name: "the final height is not known", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Resect("o1", repair.Quadrangular, valve.P2).
				Result("exit", 1, valve.LeavingTheatre).Method(valve.Echo2D).Coaptation(8).Case()
		}},
		{Name: "no coaptation length", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Case()
		}},
	},
}

func exampleCoaptation(coaptation, height float64) *repair.Example {
	return repair.NewExample().Field(1, valve.AfterRing).Method(valve.Ruler).Height(valve.P2, height).SD(0.5).
		Result("exit", 1, valve.LeavingTheatre).Method(valve.Echo2D).Coaptation(coaptation)
}
