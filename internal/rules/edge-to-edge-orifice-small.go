package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var edgeToEdgeOrificeSmall = Rule{
	ID: "edge-to-edge-orifice-small", Reference: "R68",
	Summary:  "After an edge-to-edge suture the orifices have 2.5 cm² together or more, by planimetry.",
	Severity: Note, Kind: Clinical, Source: settings.SourceTechniqueAtlas,
	Thresholds: []string{settings.EdgeToEdgeAreaSmall},
	Advice:     "Check that all orifices were traced, and compare with the mean gradient and its rate.",
	Since:      "3",
	Under:      []string{"orifice-area-small"},
	Where: func(c *repair.Case) []metric.At {
		if c.Operation == nil || len(repair.Of(repair.InPlaceAtEnd(c.Operation.Steps), repair.EdgeToEdge)) == 0 {
			return nil
		}
		return afterRepair(valve.Nowhere, valve.PlanimetryOrificeArea)(c)
	},
	Check: func(r *Reader) Verdict {
		area := r.Here(valve.PlanimetryOrificeArea)
		if !r.Below(r.Read(area), settings.EdgeToEdgeAreaSmall) {
			return Verdict{}
		}
		return broken("The orifice area by planimetry is %s with an edge-to-edge suture in place, below %s.", r.Text(area), r.LimitText(settings.EdgeToEdgeAreaSmall))
	},
	Examples: []Example{
		{Name: "3.1 cm²", Want: Holds, Case: func() *repair.Case { return exampleOrifices(3.1) }},
		{Name: "1.9 cm²", Want: Broken, Case: func() *repair.Case { return exampleOrifices(1.9) }},
		{Name: "2.5 cm² exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleOrifices(2.5) }},
		{Name: "no such suture", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Set(valve.PlanimetryOrificeArea, 1.9).Case()
		}},
		{Name: "not possible", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleEdge().Result("exit", 1, valve.LeavingTheatre).Absent(valve.PlanimetryOrificeArea, valve.Nowhere, valve.AbsentNotPossible).Case()
		}},
	},
}

func exampleOrifices(area float64) *repair.Case {
	return exampleEdge().Result("exit", 1, valve.LeavingTheatre).Set(valve.PlanimetryOrificeArea, area).Case()
}
