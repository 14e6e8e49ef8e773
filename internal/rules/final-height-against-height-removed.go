package rules

import (
	"math"

	"trigone/internal/geometry"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var finalHeightAgainstHeightRemoved = Rule{
	ID: "final-height-against-height-removed", Reference: "R10",
	Summary:  "A final height equals the native height less what was taken off, plus w²/(8h) where a triangle was closed, within 2 mm and 2 combined standard deviations; one method and load.",
	Severity: Contradiction, Kind: Arithmetic, Source: settings.SourceArithmetic,
	Thresholds: []string{settings.HeightMargin, settings.MarginSDs},
	Advice:     "Correct the final height, the native height or the height that was taken off.",
	Since:      "1",
	Under:      []string{"height-removed-not-below-height"},
	Where: func(c *repair.Case) []metric.At {
		var list []metric.At
		occasions := []metric.At{at(valve.AtPlan)}
		for _, f := range fieldSets(c, valve.AfterLeafletWork, valve.AfterRing) {
			here := at(f.Occasion)
			here.Run, here.Stage = f.Run, f.Stage
			occasions = append(occasions, here)
		}
		for _, here := range occasions {
			for _, segment := range valve.Segments() {
				if len(loweredBy(c, here, segment)) == 0 {
					continue
				}
				for _, station := range []valve.Station{valve.Seam, valve.SegmentMid} {
					here.Place = valve.AtStation(segment, station)
					if has(c, here.Key(valve.LeafletHeight)) {
						list = append(list, here)
						break
					}
				}
			}
		}
		return list
	},
	Check: func(r *Reader) Verdict {
		here := r.At()
		segment := here.Place.Segment()
		stated := r.Here(valve.LeafletHeight)
		middle := valve.AtStation(segment, valve.SegmentMid)
		before := native(r.Case(), here.Occasion, valve.LeafletHeight, middle)
		if here.Occasion != valve.AtPlan {
			before = fieldNative(r.Case(), middle)
		}
		height := r.Read(before)
		expected, keys := height, []valve.Key{stated, before}
		for _, s := range loweredBy(r.Case(), here, segment) {
			step := metric.At{Place: valve.AtStep(s.ID), Occasion: valve.Occasion(here.Occasion.Section()), Role: here.Role}
			if s.Technique == repair.HeightReduction {
				removed := step.Key(valve.HeightRemoved)
				expected -= r.Read(removed)
				keys = append(keys, removed)
				continue
			}
			width := r.Read(step.Key(valve.ResectionFreeEdgeWidth))
			expected += float64(geometry.ConeExcess(units.Length(width), units.Length(height)))
		}
		off := math.Abs(r.Read(stated) - expected)
		if !r.MayCompare(stated, before) || height == 0 || !r.Greater(units.Round(off, lengthGrid), r.Margin(settings.HeightMargin, keys...)) {
			return Verdict{}
		}
		v := broken("A final height of %s at %s does not follow from the native %s and what was taken off: that gives %s.",
			r.Text(stated), segmentName(segment), r.Text(before), millimetres(expected))
		v.Disputes = within(here.Occasion.Section(), keys...)
		return v
	},
	Examples: []Example{
		{Name: "22 less 6 is 16 mm", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Field(1, valve.Native).Method(valve.Ruler).Height(valve.P2, 22).
				Operation().Step("o1", repair.HeightReduction, valve.P2).Method(valve.Ruler).Dim(valve.HeightRemoved, 6).
				Field(1, valve.AfterRing).Method(valve.Ruler).Height(valve.P2, 16).Case()
		}},
		{Name: "22 less 6 is not 8 mm", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Field(1, valve.Native).Method(valve.Ruler).Height(valve.P2, 22).SD(0.5).
				Operation().Step("o1", repair.HeightReduction, valve.P2).Method(valve.Ruler).Dim(valve.HeightRemoved, 6).SD(0.5).
				Field(1, valve.AfterRing).Method(valve.Ruler).Height(valve.P2, 8).SD(0.5).Case()
		}},
		{Name: "a planned height that its own steps do not give", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Method(valve.Echo3D).Height(valve.P2, 25).SD(0.5).
				Plan().Height(valve.P2, 12).SD(0.5).Step("s1", repair.HeightReduction, valve.P2).Dim(valve.HeightRemoved, 3).SD(0.5).Case()
		}},
		{Name: "2 mm off exactly, well measured", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Field(1, valve.Native).Method(valve.Ruler).Height(valve.P2, 22).SD(0.5).
				Operation().Step("o1", repair.HeightReduction, valve.P2).Method(valve.Ruler).Dim(valve.HeightRemoved, 6).SD(0.5).
				Field(1, valve.AfterRing).Method(valve.Ruler).Height(valve.P2, 18).SD(0.5).Case()
		}},
		{Name: "a triangle's seam stands higher by w²/(8h)", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Field(1, valve.Native).Method(valve.Ruler).Height(valve.P2, 16).SD(0.1).
				Operation().Resect("o1", repair.Triangular, valve.P2).Dim(valve.ResectionFreeEdgeWidth, 20).SD(0.1).
				Field(1, valve.AfterLeafletWork).Method(valve.Ruler).HeightAt(valve.P2, valve.Seam, 19.1).SD(0.1).Case()
		}},
		{Name: "echo in the beating heart is not a ruler's native height", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Method(valve.Echo3D).Height(valve.P2, 22).
				Operation().Step("o1", repair.HeightReduction, valve.P2).Dim(valve.HeightRemoved, 6).
				Field(1, valve.AfterRing).Method(valve.Ruler).Height(valve.P2, 8).Case()
		}},
		{Name: "after a resection down to the annulus seam heights are measured, never derived", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Field(1, valve.Native).Height(valve.P2, 22).
				Operation().Resect("o1", repair.Quadrangular, valve.P2).Step("o2", repair.HeightReduction, valve.P2).Dim(valve.HeightRemoved, 6).
				Field(1, valve.AfterRing).HeightAt(valve.P2, valve.Seam, 8).Case()
		}},
	},
}

// loweredBy gives the steps that change the height of a segment by what can be
// computed: reductions of height and closed triangles. A resection down to the
// annulus or a sliding plasty on the same leaflet leaves none.
func loweredBy(c *repair.Case, here metric.At, segment valve.Segment) []repair.Step {
	steps := firmSteps(c, here.Occasion)
	if here.Occasion != valve.AtPlan && c.Operation != nil {
		steps = repair.UpToRun(c.Operation.Steps, max(here.Run, 1))
	}
	var list []repair.Step
	for _, s := range steps {
		reaches := s.Technique == repair.SlidingPlasty && segment.Leaflet() == valve.Posterior
		reaches = reaches || (s.At(segment) && s.ReachesAnnulus())
		if reaches {
			return nil
		}
		triangle := s.Technique == repair.LeafletResection && s.Resection != nil && s.Resection.Shape == repair.Triangular
		if s.At(segment) && (s.Technique == repair.HeightReduction || triangle) {
			list = append(list, s)
		}
	}
	return list
}
