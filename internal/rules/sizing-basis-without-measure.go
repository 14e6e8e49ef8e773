package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var sizingBasisWithoutMeasure = Rule{
	ID: "sizing-basis-without-measure", Reference: "R24",
	Summary:  "What an implanted ring was sized by is itself recorded: a measurement, or the sizers tried.",
	Severity: Note, Kind: Completeness, Source: settings.SourceCommonPractice,
	Advice: "Send the measurement or the sizers tried; without them the choice cannot be followed.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		return slices.DeleteFunc(stepPlaces(repair.Annuloplasty, func(s repair.Step) bool {
			return s.Ring != nil && sizedBy[s.Ring.SizingBasis].leaf != ""
		})(c), func(here metric.At) bool { return here.Occasion == valve.AtPlan })
	},
	Check: func(r *Reader) Verdict {
		ring := r.Step().Ring
		basis := sizedBy[ring.SizingBasis]
		if len(ring.SizersTried) > 0 {
			return Verdict{}
		}
		for k := range r.Case().Measured {
			if k.ID == basis.leaf && (k.ID != valve.LeafletHeight || k.Place.Segment() == valve.A2) {
				return Verdict{}
			}
		}
		r.Fact("sizing_basis", ring.SizingBasis)
		return broken("A ring was sized by %s, which is nowhere recorded, nor are sizers.", basis.words)
	},
	Examples: []Example{
		{Name: "by the intertrigonal distance, which is there", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.IntertrigonalDistance, 26).Operation().Device("o1", repair.CompleteRing).
				EditStep(func(s *repair.Step) { s.Ring.SizingBasis = string(valve.IntertrigonalDistance) }).Case()
		}},
		{Name: "by the height of the anterior leaflet, which is not", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 14).Operation().Device("o1", repair.CompleteRing).
				EditStep(func(s *repair.Step) { s.Ring.SizingBasis = "anterior_leaflet_height" }).Case()
		}},
		{Name: "one sizer tried is enough", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.CompleteRing).EditStep(func(s *repair.Step) {
				s.Ring.SizingBasis, s.Ring.SizersTried = "anterior_leaflet_surface", []units.Maybe[float64]{units.Some(32.0)}
			}).Case()
		}},
		{Name: "a plan says what will be measured", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Plan().Device("s1", repair.CompleteRing).
				EditStep(func(s *repair.Step) { s.Ring.SizingBasis = "anterior_leaflet_surface" }).Case()
		}},
		{Name: "no basis recorded", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.CompleteRing).Case()
		}},
	},
}

// sizedBy gives the leaf in which what a ring was sized by is measured.
var sizedBy = map[string]struct {
	leaf  valve.ID
	words string
}{
	"anterior_leaflet_surface":          {valve.AnteriorLeafletArea, "the surface of the anterior leaflet"},
	"anterior_leaflet_height":           {valve.LeafletHeight, "the height of the anterior leaflet"},
	string(valve.IntertrigonalDistance): {valve.IntertrigonalDistance, "the distance between the trigones"},
	"intercommissural_distance":         {valve.AnnulusIntercommissuralDiameter, "the distance between the commissures"},
}
