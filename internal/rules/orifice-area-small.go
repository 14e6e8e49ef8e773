package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var orificeAreaSmall = Rule{
	ID: "orifice-area-small", Reference: "",
	Summary:  "The orifice area by planimetry after repair is at least 1.5 cm².",
	Severity: Caution, Kind: Clinical, Source: settings.SourceShabsigh2016,
	Thresholds: []string{settings.OrificeAreaSmall},
	Advice:     "Look for what narrows the orifice; compare with the mean gradient and its rate.",
	Since:      "1",
	Where:      afterRepair(valve.Nowhere, valve.PlanimetryOrificeArea),
	Check: func(r *Reader) Verdict {
		area := r.Here(valve.PlanimetryOrificeArea)
		if !r.Below(r.Read(area), settings.OrificeAreaSmall) {
			return Verdict{}
		}
		return broken("The orifice area by planimetry after repair is %s, below %s.", r.Text(area), r.LimitText(settings.OrificeAreaSmall))
	},
	Examples: []Example{
		{Name: "2.8 cm²", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.PlanimetryOrificeArea, 2.8).Case()
		}},
		{Name: "1.2 cm²", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.PlanimetryOrificeArea, 1.2).Case()
		}},
		{Name: "1.5 cm² exactly", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.PlanimetryOrificeArea, 1.5).Case()
		}},
		{Name: "not possible", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).
				Absent(valve.PlanimetryOrificeArea, valve.Nowhere, valve.AbsentNotPossible).Case()
		}},
	},
}
