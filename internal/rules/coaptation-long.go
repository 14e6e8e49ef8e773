package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var coaptationLong = Rule{
	ID: "coaptation-long", Reference: "R36",
	Summary:  "A coaptation length of A2-P2 above 10 mm after repair does not go with a low height ratio of A2 over P2 or a closure line that lies near the outflow tract.",
	Severity: Note, Kind: Clinical, Source: settings.SourceSurgeryTextbook,
	Thresholds: []string{settings.CoaptationLong, settings.LeafletRatioLow, settings.AnteriorShareLow},
	Advice:     "Look for systolic anterior motion, provoked too; both together speak of too much tissue.",
	Since:      "2",
	Where:      afterRepair(valve.AtSlice(valve.A2P2), valve.CoaptationLength),
	Check: func(r *Reader) Verdict {
		middle := valve.AtSlice(valve.A2P2)
		length := r.Beside(valve.CoaptationLength, middle)
		if !r.Beyond(r.Read(length), settings.CoaptationLong) {
			return Verdict{}
		}
		share := r.InStudy(valve.AnteriorClosureShare, middle)
		run := r.At().Run
		if run == 0 {
			run = r.Case().Operation.LastRun()
		}
		ratio := metric.FinalHeightRatioKey(false, run)
		known, there := r.Peek(ratio)
		there = there && known.State == metric.HasValue
		if !there && !r.Has(share) {
			r.Miss(ratio)
			r.Miss(share)
			return Verdict{}
		}
		if there {
			if v, ok := r.Metric(ratio); ok && r.Below(v, settings.LeafletRatioLow) {
				return broken("The coaptation length of A2-P2 is %s, above %s, and A2 is only %s times as high as P2.",
					r.Text(length), r.LimitText(settings.CoaptationLong), Amount(metric.IDHeightRatio, v))
			}
		}
		if r.Has(share) && r.Below(r.Read(share), settings.AnteriorShareLow) {
			return broken("The coaptation length of A2-P2 is %s, above %s, and only %s of the diameter lie in front of the closure line.",
				r.Text(length), r.LimitText(settings.CoaptationLong), r.Text(share))
		}
		return Verdict{}
	},
	Examples: []Example{
		{Name: "14 mm, the closure line far back", Want: Holds, Case: func() *repair.Case { return exampleLongCoaptation(14, 72) }},
		{Name: "14 mm, the closure line in the middle", Want: Broken, Case: func() *repair.Case { return exampleLongCoaptation(14, 50) }},
		{Name: "14 mm, A2 hardly higher than P2", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Field(1, valve.AfterRing).Height(valve.A2, 22).Height(valve.P2, 20).
				Result("exit", 1, valve.LeavingTheatre).Coaptation(14).Case()
		}},
		{Name: "10 mm exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleLongCoaptation(10, 50) }},
		{Name: "12 mm exactly", Want: Broken, Case: func() *repair.Case { return exampleLongCoaptation(12, 50) }},
		{Name: "neither ratio nor line is known", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Coaptation(14).Case()
		}},
	},
}

func exampleLongCoaptation(length, share float64) *repair.Case {
	return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Coaptation(length).
		SetAt(valve.AnteriorClosureShare, valve.AtSlice(valve.A2P2), share).Case()
}
