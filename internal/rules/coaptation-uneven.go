package rules

import (
	"strings"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var coaptationUneven = Rule{
	ID: "coaptation-uneven", Reference: "R35",
	Summary:  "The coaptation length of a side slice after repair is at least 0.33 of that of A2-P2 in the same study.",
	Severity: Note, Kind: Clinical, Source: settings.SourceGogoladze2010,
	Thresholds: []string{settings.SideCoaptationShort},
	Advice:     "Look at that side for a leak, an open indentation or a leaflet held short.",
	Since:      "2",
	Where: func(c *repair.Case) []metric.At {
		var list []metric.At
		for _, side := range []valve.Slice{valve.A1P1, valve.A3P3} {
			for _, here := range afterRepair(valve.AtSlice(side), valve.CoaptationLength)(c) {
				here.Place = valve.AtSlice(side)
				list = append(list, here)
			}
		}
		return list
	},
	Check: func(r *Reader) Verdict {
		side, middle := r.Here(valve.CoaptationLength), r.InStudy(valve.CoaptationLength, valve.AtSlice(valve.A2P2))
		whole := r.Read(middle)
		part := r.Read(side)
		if whole == 0 || !r.Below(units.Round(part/whole, ratioGrid), settings.SideCoaptationShort) {
			return Verdict{}
		}
		return broken("The coaptation length is %s at %s and %s at A2-P2.", r.Text(side),
			strings.ToUpper(strings.ReplaceAll(string(r.At().Place), "_", "-")), r.Text(middle))
	},
	Examples: []Example{
		{Name: "6 beside 8 mm", Want: Holds, Case: func() *repair.Case { return exampleSides(8, 6) }},
		{Name: "2 beside 8 mm", Want: Broken, Case: func() *repair.Case { return exampleSides(8, 2) }},
		{Name: "0.33 exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleSides(10, 3.3) }},
		{Name: "half exactly", Want: Holds, Case: func() *repair.Case { return exampleSides(8, 4) }},
		{Name: "nothing measured in the middle", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).
				SetAt(valve.CoaptationLength, valve.AtSlice(valve.A3P3), 4).Case()
		}},
	},
}

func exampleSides(middle, side float64) *repair.Case {
	return repair.NewExample().Operation().Result("exit", 1, valve.LeavingTheatre).Coaptation(middle).
		SetAt(valve.CoaptationLength, valve.AtSlice(valve.A3P3), side).Case()
}
