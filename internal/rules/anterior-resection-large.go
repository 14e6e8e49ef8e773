package rules

import (
	"fmt"
	"slices"
	"strings"

	"trigone/internal/geometry"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var anteriorResectionLarge = Rule{
	ID: "anterior-resection-large", Reference: "R18",
	Summary:  "A resection of the anterior leaflet takes no more than 10 % of the leaflet's area and goes no more than a third of the way from the free edge to the annulus.",
	Severity: Note, Kind: Clinical, Source: settings.SourceTechniqueAtlas,
	Thresholds: []string{settings.AnteriorShareResected, settings.AnteriorHeightResected},
	Advice:     "Consider a smaller triangle, or artificial chords instead.",
	Since:      "3",
	Under:      []string{"resection-higher-than-leaflet"},
	Where: func(c *repair.Case) []metric.At {
		return slices.DeleteFunc(resectionsWith(valve.ResectionFreeEdgeWidth, valve.ResectionHeight)(c), func(here metric.At) bool {
			return !slices.ContainsFunc(stepsAt(c, here.Occasion), func(s repair.Step) bool {
				return s.ID == here.Place.Step() && onAnterior(s)
			})
		})
	},
	Check: func(r *Reader) Verdict {
		step, here := r.Step(), r.At().Occasion
		height := r.Here(valve.ResectionHeight)
		whole := native(r.Case(), here, valve.AnteriorLeafletArea, valve.Nowhere)
		segments := segmentsOf(step)
		leaflet := native(r.Case(), here, valve.LeafletHeight, valve.AtStation(segments[0], valve.SegmentMid))
		var said []string
		byArea := r.Has(whole) && r.Has(r.Here(valve.ResectionFreeEdgeWidth))
		if byArea {
			share := units.Round(float64(r.anteriorPiece(step).Over(units.Area(r.Read(whole))).Percent()), percentGrid)
			if r.Beyond(share, settings.AnteriorShareResected) {
				said = append(said, fmt.Sprintf("takes %s of the anterior leaflet's area, more than %s",
					units.Format(share, units.Percent, percentGrid), r.LimitText(settings.AnteriorShareResected)))
			}
		}
		if r.Has(leaflet) || !byArea {
			share := units.Round(float64(units.Length(r.Read(height)).Over(units.Length(r.Read(leaflet))).Percent()), percentGrid)
			if r.Beyond(share, settings.AnteriorHeightResected) {
				said = append(said, fmt.Sprintf("goes %s of the way from the free edge to the annulus, more than %s",
					units.Format(share, units.Percent, percentGrid), r.LimitText(settings.AnteriorHeightResected)))
			}
		}
		if len(said) == 0 {
			return Verdict{}
		}
		return broken("The resection at %s %s.", names(step.Places), strings.Join(said, " and "))
	},
	Examples: []Example{
		{Name: "8 mm wide and 8 high of 27 mm and 8 cm²", Want: Holds, Case: func() *repair.Case { return exampleAnteriorResection(8, 8, 8) }},
		{Name: "14 mm wide and 14 high", Want: Broken, Case: func() *repair.Case { return exampleAnteriorResection(14, 14, 8) }},
		{Name: "half of the way, the area unknown", Want: Broken, Case: func() *repair.Case { return exampleAnteriorResection(8, 14, 0) }},
		// ½·20·8 mm of 8 cm².
		{Name: "10 % exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleAnteriorResection(20, 8, 8) }},
		{Name: "a triangle of P2 is no concern", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Resect("o1", repair.Triangular, valve.P2).Dim(valve.ResectionHeight, 14).Case()
		}},
		{Name: "neither area nor height of the leaflet", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Resect("o1", repair.Triangular, valve.A2).Dim(valve.ResectionHeight, 14).Case()
		}},
	},
}

// onAnterior says whether a step is done at segments of the anterior leaflet alone.
func onAnterior(s repair.Step) bool {
	segments := segmentsOf(s)
	return len(segments) > 0 && !slices.ContainsFunc(segments, func(seg valve.Segment) bool { return seg.Leaflet() != valve.Anterior })
}

// anteriorPiece gives the area of what a step resects.
func (r *Reader) anteriorPiece(step repair.Step) units.Area {
	base := 0.0
	if width := r.Here(valve.ResectionBaseWidth); r.Has(width) || step.ReachesAnnulus() {
		base = r.Read(width)
	}
	return geometry.TrapezoidResectionArea(
		units.Length(r.Read(r.Here(valve.ResectionFreeEdgeWidth))), units.Length(base), units.Length(r.Read(r.Here(valve.ResectionHeight))))
}

func exampleAnteriorResection(width, height, leaflet float64) *repair.Case {
	e := repair.NewExample().Assess("tee").Method(valve.Echo3D).Height(valve.A2, 27)
	if leaflet > 0 {
		e.Set(valve.AnteriorLeafletArea, leaflet)
	}
	return e.Plan().Resect("s1", repair.Triangular, valve.A2).Dim(valve.ResectionFreeEdgeWidth, width).Dim(valve.ResectionHeight, height).Case()
}
