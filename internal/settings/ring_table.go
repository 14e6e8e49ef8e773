package settings

import (
	"cmp"
	"slices"

	"trigone/internal/units"
)

// RingSize is one labelled size of one family in the site's own ring table. No
// table is built in: a label is comparable only inside one family, and its
// dimensions come from the papers that go with the device.
type RingSize struct {
	Family string  // the site's key of a family
	Label  float64 // as printed on the device
	Kind   string  // complete_ring, posterior_band

	InnerAnteroPosteriorMM units.Maybe[float64]
	InnerTransverseMM      units.Maybe[float64]
	OrificeAreaCM2         units.Maybe[float64]
	BandLengthMM           units.Maybe[float64]

	// What the size is meant for, read off its sizer; both ends belong to a range.
	SizerAnteriorLeafletAreaCM2Low  units.Maybe[float64]
	SizerAnteriorLeafletAreaCM2High units.Maybe[float64]
	SizerAnteriorHeightMMLow        units.Maybe[float64]
	SizerAnteriorHeightMMHigh       units.Maybe[float64]
	IntertrigonalMMLow              units.Maybe[float64]
	IntertrigonalMMHigh             units.Maybe[float64]
}

// Range is a range of sizes' property; an end that is not given is open.
type Range struct{ Low, High units.Maybe[float64] }

// Given says whether the range has any end at all.
func (r Range) Given() bool { return r.Low.IsSome() || r.High.IsSome() }

// Holds says whether a value lies in the range; one without any end holds
// nothing.
func (r Range) Holds(v float64) bool {
	low, hasLow := r.Low.Get()
	high, hasHigh := r.High.Get()
	return r.Given() && (!hasLow || v >= low) && (!hasHigh || v <= high)
}

// AnteriorLeafletAreaCM2 gives the range of anterior leaflet areas of the size.
func (s RingSize) AnteriorLeafletAreaCM2() Range {
	return Range{s.SizerAnteriorLeafletAreaCM2Low, s.SizerAnteriorLeafletAreaCM2High}
}

// AnteriorHeightMM gives the range of anterior leaflet heights of the size.
func (s RingSize) AnteriorHeightMM() Range {
	return Range{s.SizerAnteriorHeightMMLow, s.SizerAnteriorHeightMMHigh}
}

// IntertrigonalMM gives the range of intertrigonal distances of the size.
func (s RingSize) IntertrigonalMM() Range {
	return Range{s.IntertrigonalMMLow, s.IntertrigonalMMHigh}
}

// RingFamily gives the sizes of a family, smallest label first.
func (s Settings) RingFamily(family string) []RingSize {
	var list []RingSize
	for _, size := range s.Rings {
		if size.Family == family {
			list = append(list, size)
		}
	}
	slices.SortStableFunc(list, func(a, b RingSize) int { return cmp.Compare(a.Label, b.Label) })
	return list
}

// Ring gives the size of a family by its label; ok is false if the table has
// none.
func (s Settings) Ring(family string, label float64) (size RingSize, ok bool) {
	i := slices.IndexFunc(s.Rings, func(r RingSize) bool { return r.Family == family && r.Label == label })
	if family == "" || i < 0 {
		return RingSize{}, false
	}
	return s.Rings[i], true
}
