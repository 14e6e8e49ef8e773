package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var resectionHigherThanLeaflet = Rule{
	ID: "resection-higher-than-leaflet", Reference: "R16",
	Summary:  "A resected piece is not higher than the highest of the leaflets it lies in, by more than 2 mm and 2 combined standard deviations; one method and load.",
	Severity: Caution, Kind: Arithmetic, Source: settings.SourceArithmetic,
	Thresholds: []string{settings.HeightMargin, settings.MarginSDs},
	Advice:     "Correct the height of the resection or the leaflet height; a unit may have slipped.",
	Since:      "1",
	Where:      resectionsWith(valve.ResectionHeight),
	Check: func(r *Reader) Verdict {
		piece := r.Here(valve.ResectionHeight)
		step := r.Step()
		var highest valve.Key
		for _, l := range step.Places {
			place := l.Place()
			if l.Segment != "" {
				place = valve.AtStation(l.Segment, valve.SegmentMid)
			}
			height := native(r.Case(), r.At().Occasion, valve.LeafletHeight, place)
			if highest == (valve.Key{}) || r.Read(height) > r.Read(highest) {
				highest = height
			}
		}
		if highest == (valve.Key{}) {
			r.MissFact("segments of "+string(r.At().Place), r.At().Occasion)
			return Verdict{}
		}
		over := r.Read(piece) - r.Read(highest)
		if !r.MayCompare(piece, highest) || !r.Greater(units.Round(over, lengthGrid), r.Margin(settings.HeightMargin, piece, highest)) {
			return Verdict{}
		}
		return broken("A piece of %s in height does not fit into a leaflet %s high.", r.Text(piece), r.Text(highest))
	},
	Examples: []Example{
		{Name: "15 mm of a leaflet of 18", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 18).
				Plan().Resect("s1", repair.Triangular, valve.P2).Dim(valve.ResectionHeight, 15).Case()
		}},
		{Name: "30 mm of 18", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Method(valve.Echo3D).Height(valve.P2, 18).
				Plan().Resect("s1", repair.Quadrangular, valve.P2).Dim(valve.ResectionHeight, 30).Case()
		}},
		{Name: "2 mm over exactly, well measured", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Field(1, valve.Native).Method(valve.Ruler).Height(valve.P2, 18).SD(0.5).
				Operation().Method(valve.Ruler).Resect("o1", repair.Quadrangular, valve.P2).Dim(valve.ResectionHeight, 20).SD(0.5).Case()
		}},
		{Name: "a commissural leaflet", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Field(1, valve.Native).SetAt(valve.LeafletHeight, valve.AtCommissure(valve.MedialCommissure), 8).SD(1).
				Operation().Resect("o1", repair.Triangular).EditStep(func(s *repair.Step) {
				s.Places = []repair.Location{{Commissure: valve.MedialCommissure}}
			}).Dim(valve.ResectionHeight, 20).SD(1).Case()
		}},
		{Name: "the leaflet height is not recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Plan().Resect("s1", repair.Triangular, valve.P2).Dim(valve.ResectionHeight, 15).Case()
		}},
	},
}

// resectionsWith gives the resections of which at least one of the leaves is
// recorded.
func resectionsWith(leaves ...valve.ID) func(*repair.Case) []metric.At {
	return func(c *repair.Case) []metric.At {
		return slices.DeleteFunc(stepPlaces(repair.LeafletResection, func(repair.Step) bool { return true })(c), func(at metric.At) bool {
			return !slices.ContainsFunc(leaves, func(leaf valve.ID) bool { return has(c, at.Key(leaf)) })
		})
	}
}
