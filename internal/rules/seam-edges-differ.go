package rules

import (
	"math"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var seamEdgesDiffer = Rule{
	ID: "seam-edges-differ", Reference: "",
	Summary:  "Both edges of a suture line are of one height before it is closed, within 2 mm.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.SeamEdgesApart},
	Advice:     "Even out the edges, or expect a step in the free edge.",
	Since:      "1",
	Where: func(c *repair.Case) []metric.At {
		return places(c, func(k valve.Key, m valve.Measurement) (metric.At, bool) {
			here := atValue(k, m)
			here.Place = valve.AtSegment(k.Place.Segment())
			station := k.Place.Station()
			return here, k.ID == valve.LeafletHeight && (station == valve.SeamLateralEdge || station == valve.SeamMedialEdge)
		})
	},
	Check: func(r *Reader) Verdict {
		segment := r.At().Place.Segment()
		lateral := r.Beside(valve.LeafletHeight, valve.AtStation(segment, valve.SeamLateralEdge))
		medial := r.Beside(valve.LeafletHeight, valve.AtStation(segment, valve.SeamMedialEdge))
		apart := math.Abs(r.Read(lateral) - r.Read(medial))
		if !r.Beyond(units.Round(apart, lengthGrid), settings.SeamEdgesApart) {
			return Verdict{}
		}
		return broken("The edges of the seam at %s differ by %s: lateral %s, medial %s.",
			segmentName(segment), millimetres(apart), r.Text(lateral), r.Text(medial))
	},
	Examples: []Example{
		{Name: "13 and 12 mm", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Field(1, valve.AfterLeafletWork).HeightAt(valve.P2, valve.SeamLateralEdge, 13).
				HeightAt(valve.P2, valve.SeamMedialEdge, 12).Case()
		}},
		{Name: "16 and 12 mm", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Field(1, valve.AfterLeafletWork).HeightAt(valve.P2, valve.SeamLateralEdge, 16).
				HeightAt(valve.P2, valve.SeamMedialEdge, 12).Case()
		}},
		{Name: "2 mm exactly", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Plan().HeightAt(valve.P2, valve.SeamLateralEdge, 14).HeightAt(valve.P2, valve.SeamMedialEdge, 12).Case()
		}},
		{Name: "one edge only", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Field(1, valve.AfterLeafletWork).HeightAt(valve.P2, valve.SeamLateralEdge, 13).Case()
		}},
	},
}
