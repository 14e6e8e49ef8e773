package rules

import (
	"math"
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var identicalValues = Rule{
	ID: "identical-values", Reference: "R76",
	Summary:  "Two different measures of the annulus and the leaflets of one set do not have one value to the decimal.",
	Severity: Note, Kind: Plausibility, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.IdenticalDecimals},
	Advice:     "Check whether one value was copied over another.",
	Since:      "1",
	Where: func(c *repair.Case) []metric.At {
		measures := map[metric.At]int{}
		all := places(c, func(k valve.Key, m valve.Measurement) (metric.At, bool) {
			here := atValue(k, m)
			if copiedAmong(k) {
				measures[here]++
			}
			return here, copiedAmong(k)
		})
		return slices.DeleteFunc(all, func(here metric.At) bool { return measures[here] < 2 })
	},
	Check: func(r *Reader) Verdict {
		here := r.At()
		var keys []valve.Key
		for k := range r.Case().Measured {
			if k.Occasion == here.Occasion && k.Role == here.Role && copiedAmong(k) && r.Has(k) {
				keys = append(keys, k)
			}
		}
		slices.SortFunc(keys, valve.Key.Compare)
		step := math.Pow10(1 - int(r.Limit(settings.IdenticalDecimals).Value))
		for i, a := range keys {
			for _, b := range keys[i+1:] {
				m, _ := r.Measurement(a)
				n, _ := r.Measurement(b)
				v, w := m.Value.OrElse(0), n.Value.OrElse(0)
				if v != w || units.Round(v, step) == v || mayEqual(a, b) {
					continue
				}
				r.Read(a)
				r.Read(b)
				return broken("%s and %s have the same value, %s.", upperFirst(measureName(a)), measureName(b), r.Text(a))
			}
		}
		return Verdict{}
	},
	Examples: []Example{
		{Name: "different values", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.A2, 26.4).Height(valve.P2, 17.3).Case()
		}},
		// The printed P1 height of an autopsy series repeats the anterior one, 2.19
		// (Kaur et al. 2018).
		{Name: "P1 repeats A2 to the decimal", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.A2, 21.9).Height(valve.P1, 21.9).Case()
		}},
		{Name: "whole millimetres may agree", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.A2, 22).Height(valve.P2, 22).Case()
		}},
		{Name: "P1 and P3 are meant to be equal", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P1, 14.5).Height(valve.P3, 14.5).Case()
		}},
		{Name: "one measure only", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.A2, 26.4).Case()
		}},
	},
}

// copiedAmong says whether a value belongs to the tables of which one line is
// easily copied over another. The rule stays among them: over all lengths of a
// study two would agree by chance.
func copiedAmong(k valve.Key) bool {
	return slices.Contains([]valve.ID{
		valve.LeafletHeight, valve.ScallopFreeEdgeWidth, valve.ScallopAnnularWidth, valve.AnnulusAnteroPosteriorDiameter,
		valve.AnnulusIntercommissuralDiameter, valve.AnnulusAnterolateralPosteromedialDiameter, valve.IntertrigonalDistance,
	}, k.ID)
}

// mayEqual says whether two measures are expected to be alike: of one leaflet or
// scallop, or of both sides, and the two diameters across.
func mayEqual(a, b valve.Key) bool {
	if a.ID != b.ID {
		across := func(k valve.Key) bool {
			return k.ID == valve.AnnulusIntercommissuralDiameter || k.ID == valve.AnnulusAnterolateralPosteromedialDiameter
		}
		return (across(a) && across(b)) || (a.Place == b.Place && a.Place.Segment() != "")
	}
	return a.Place.Segment().Leaflet() == b.Place.Segment().Leaflet()
}

// measureName prints a measure with its segment.
func measureName(k valve.Key) string {
	leaf := ranges[k.ID]
	if segment := k.Place.Segment(); segment != "" {
		return leafName(leaf) + " of " + segmentName(segment)
	}
	return leafName(leaf)
}
