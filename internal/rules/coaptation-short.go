package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var coaptationShort = Rule{
	ID: "coaptation-short", Reference: "R35",
	Summary:  "The coaptation length of the slice A2-P2 after repair is at least 5 mm.",
	Severity: Caution, Kind: Clinical, Source: settings.SourceMcCarthy2021,
	Thresholds: []string{settings.CoaptationShort},
	Advice:     "Look at the closure again; what is short now has no reserve. That a longer one lasts better is not proven.",
	Since:      "1",
	Where:      afterRepair(valve.AtSlice(valve.A2P2), valve.CoaptationLength),
	Check: func(r *Reader) Verdict {
		length := r.Beside(valve.CoaptationLength, valve.AtSlice(valve.A2P2))
		if !r.Below(r.Read(length), settings.CoaptationShort) {
			return Verdict{}
		}
		return broken("The coaptation length of A2-P2 is %s, below %s.", r.Text(length), r.LimitText(settings.CoaptationShort))
	},
	Examples: []Example{
		{Name: "8 mm", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Coaptation(8).Case()
		}},
		{Name: "3.5 mm", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Coaptation(3.5).Case()
		}},
		{Name: "5 mm exactly", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Coaptation(5).Case()
		}},
		{Name: "tried and not possible", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).
				Absent(valve.CoaptationLength, valve.AtSlice(valve.A2P2), valve.AbsentNotPossible).Case()
		}},
		{Name: "before the operation it says nothing", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Coaptation(2).Case()
		}},
		{Name: "replaced", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().EditOperation(func(o *repair.Operation) { o.Conversion = &repair.Conversion{Converted: valve.Yes} }).
				Result("exit", 1, valve.LeavingTheatre).Coaptation(2).Case()
		}},
	},
}
