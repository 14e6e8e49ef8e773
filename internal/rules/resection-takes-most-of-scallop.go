package rules

import (
	"slices"

	"trigone/internal/geometry"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var resectionTakesMostOfScallop = Rule{
	ID: "resection-takes-most-of-scallop", Reference: "R17",
	Summary:  "A resection takes no more than 60 % of the area of the scallops it lies in.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.ResectedShareHigh},
	Advice:     "Consider a smaller resection, or artificial chords instead: little tissue is left.",
	Since:      "1",
	Under:      []string{"resection-higher-than-leaflet", "resection-wider-than-scallop"},
	Where: func(c *repair.Case) []metric.At {
		return slices.DeleteFunc(resectionsWith(valve.ResectionFreeEdgeWidth, valve.ResectionHeight)(c), func(here metric.At) bool {
			return slices.ContainsFunc(stepsAt(c, here.Occasion), func(s repair.Step) bool {
				return s.ID == here.Place.Step() && (!onPosterior(s) || len(segmentsOf(s)) == 0)
			})
		})
	},
	Check: func(r *Reader) Verdict {
		here := r.At().Occasion
		step := r.Step()
		base := r.Here(valve.ResectionBaseWidth)
		baseWidth := 0.0
		if r.Has(base) || step.ReachesAnnulus() {
			baseWidth = r.Read(base)
		}
		free, height := r.Read(r.Here(valve.ResectionFreeEdgeWidth)), r.Read(r.Here(valve.ResectionHeight))
		piece := geometry.TrapezoidResectionArea(units.Length(free), units.Length(baseWidth), units.Length(height))
		var scallops units.Area
		for _, segment := range segmentsOf(step) {
			at := func(leaf valve.ID, place valve.Place) units.Length {
				return units.Length(r.Read(native(r.Case(), here, leaf, place)))
			}
			scallops = scallops.Plus(geometry.TrapezoidResectionArea(
				at(valve.ScallopFreeEdgeWidth, valve.AtSegment(segment)),
				at(valve.ScallopAnnularWidth, valve.AtSegment(segment)),
				at(valve.LeafletHeight, valve.AtStation(segment, valve.SegmentMid))))
		}
		if scallops == 0 {
			return Verdict{}
		}
		share := units.Round(float64(piece.Over(scallops).Percent()), percentGrid)
		if !r.Beyond(share, settings.ResectedShareHigh) {
			return Verdict{}
		}
		return broken("The resection takes %s of about %s of scallop, %s of it.",
			units.Format(float64(piece), units.CM2, ratioGrid), units.Format(float64(scallops), units.CM2, ratioGrid),
			units.Format(share, units.Percent, percentGrid))
	},
	Examples: []Example{
		{Name: "a triangle of a large scallop", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").SetAt(valve.ScallopFreeEdgeWidth, valve.AtSegment(valve.P2), 28).
				SetAt(valve.ScallopAnnularWidth, valve.AtSegment(valve.P2), 26).Height(valve.P2, 18).
				Plan().Resect("s1", repair.Triangular, valve.P2).Dim(valve.ResectionFreeEdgeWidth, 15).Dim(valve.ResectionHeight, 16).Case()
		}},
		{Name: "nearly the whole scallop", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").SetAt(valve.ScallopFreeEdgeWidth, valve.AtSegment(valve.P2), 25).
				SetAt(valve.ScallopAnnularWidth, valve.AtSegment(valve.P2), 25).Height(valve.P2, 18).
				Plan().Resect("s1", repair.Quadrangular, valve.P2).Dim(valve.ResectionFreeEdgeWidth, 20).Dim(valve.ResectionBaseWidth, 18).
				Dim(valve.ResectionHeight, 18).Case()
		}},
		{Name: "60 % exactly", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").SetAt(valve.ScallopFreeEdgeWidth, valve.AtSegment(valve.P2), 20).
				SetAt(valve.ScallopAnnularWidth, valve.AtSegment(valve.P2), 20).Height(valve.P2, 20).
				Plan().Resect("s1", repair.Quadrangular, valve.P2).Dim(valve.ResectionFreeEdgeWidth, 12).Dim(valve.ResectionBaseWidth, 12).
				Dim(valve.ResectionHeight, 20).Case()
		}},
		{Name: "no scallop widths", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 18).
				Plan().Resect("s1", repair.Triangular, valve.P2).Dim(valve.ResectionFreeEdgeWidth, 15).Dim(valve.ResectionHeight, 16).Case()
		}},
	},
}
