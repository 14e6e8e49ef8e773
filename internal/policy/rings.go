package policy

import (
	"fmt"

	"trigone/internal/metric"
	"trigone/internal/settings"
	"trigone/internal/strictyaml"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Keys of an entry of the ring table.
const (
	keyFamily = "family"
	keyLabel  = "label"
	keyKind   = "kind"
	keyLow    = "low"
	keyHigh   = "high"

	keyInnerAnteroPosterior = "inner_antero_posterior_mm"
	keyInnerTransverse      = "inner_transverse_mm"
	keyOrificeArea          = "orifice_area_cm2"
	keyBandLength           = "band_length_mm"
)

// Kinds of a ring, the contract's words.
const (
	completeRing  = "complete_ring"
	posteriorBand = "posterior_band"
)

// A label is a number printed on a device; the contract takes no other.
const mostLabel = 100

// ringDimension is a number of an entry: what it is of, and of which kind only.
type ringDimension struct {
	key  string
	leaf valve.ID // bounds and unit are those of this leaf
	only string   // kind that alone has it
	set  func(*settings.RingSize) *units.Maybe[float64]
}

// ringRange is what a size is meant for: a range with a low and a high end.
type ringRange struct {
	key       string
	leaf      valve.ID
	low, high func(*settings.RingSize) *units.Maybe[float64]
}

var ringDimensions = []ringDimension{
	{keyInnerAnteroPosterior, valve.RingInnerAnteroPosteriorDiameter, completeRing,
		func(s *settings.RingSize) *units.Maybe[float64] { return &s.InnerAnteroPosteriorMM }},
	{keyInnerTransverse, valve.RingInnerTransverseDiameter, completeRing,
		func(s *settings.RingSize) *units.Maybe[float64] { return &s.InnerTransverseMM }},
	{keyOrificeArea, valve.RingOrificeArea, completeRing,
		func(s *settings.RingSize) *units.Maybe[float64] { return &s.OrificeAreaCM2 }},
	{keyBandLength, valve.BandLength, posteriorBand,
		func(s *settings.RingSize) *units.Maybe[float64] { return &s.BandLengthMM }},
}

var ringRanges = []ringRange{
	{"sizer_anterior_leaflet_area_cm2", valve.AnteriorLeafletArea,
		func(s *settings.RingSize) *units.Maybe[float64] { return &s.SizerAnteriorLeafletAreaCM2Low },
		func(s *settings.RingSize) *units.Maybe[float64] { return &s.SizerAnteriorLeafletAreaCM2High }},
	{"sizer_anterior_height_mm", valve.LeafletHeight,
		func(s *settings.RingSize) *units.Maybe[float64] { return &s.SizerAnteriorHeightMMLow },
		func(s *settings.RingSize) *units.Maybe[float64] { return &s.SizerAnteriorHeightMMHigh }},
	{"intertrigonal_mm", valve.IntertrigonalDistance,
		func(s *settings.RingSize) *units.Maybe[float64] { return &s.IntertrigonalMMLow },
		func(s *settings.RingSize) *units.Maybe[float64] { return &s.IntertrigonalMMHigh }},
}

func ringKeys() []string {
	keys := []string{keyFamily, keyLabel, keyKind}
	for _, d := range ringDimensions {
		keys = append(keys, d.key)
	}
	for _, d := range ringRanges {
		keys = append(keys, d.key)
	}
	return keys
}

// ringTable reads the site's rings.
func (r *reading) ringTable(s *settings.Settings, f field) {
	type label struct {
		family string
		label  float64
	}
	seen := map[label]string{}
	kinds := map[string]string{}
	for _, item := range r.Items(f) {
		size, ok := r.ringSize(item)
		if !ok {
			continue
		}
		l := label{size.Family, size.Label}
		if first, again := seen[l]; again {
			r.Fault(item, "%s is label %g of family %s a second time, first in %s; give each label of a family once", item.Path(), l.label, strictyaml.Named(l.family), first)
			continue
		}
		seen[l] = item.Path()
		if kind, have := kinds[size.Family]; have && kind != size.Kind {
			r.Fault(item, "%s is a %s in family %s, which has a %s before it; a family holds one kind", item.Path(), size.Kind, strictyaml.Named(size.Family), kind)
			continue
		}
		kinds[size.Family] = size.Kind
		s.Rings = append(s.Rings, size)
	}
}

// ringSize reads one entry; ok is false if it had a fault.
func (r *reading) ringSize(item field) (size settings.RingSize, ok bool) {
	before := r.Count()
	parts := r.Fields(item, ringKeys()...)
	if len(parts) == 0 && r.Count() > before {
		return size, false
	}
	if f, given := r.required(parts, item, keyFamily); given {
		var text bool
		if size.Family, text = r.Text(f); text && !strictyaml.PlainKey.MatchString(size.Family) {
			r.Fault(f, "%s is no key of a family; give 1 to 100 of A-Z, a-z, 0-9, _ and -", f.Path())
		}
	}
	if f, given := r.required(parts, item, keyLabel); given {
		size.Label, _ = r.within(f, 0, mostLabel, "")
	}
	if f, given := r.required(parts, item, keyKind); given {
		var text bool
		if size.Kind, text = r.Text(f); text && size.Kind != completeRing && size.Kind != posteriorBand {
			r.Fault(f, "%s is no kind of a ring; give %s or %s", f.Path(), completeRing, posteriorBand)
			size.Kind = ""
		}
	}
	for _, d := range ringDimensions {
		f, given := parts[d.key]
		if !given {
			continue
		}
		if size.Kind != "" && size.Kind != d.only {
			r.Fault(f, "%s is of a %s only; this entry is a %s", f.Path(), d.only, size.Kind)
			continue
		}
		if v, good := r.ofLeaf(f, d.leaf); good {
			*d.set(&size) = units.Some(v)
		}
	}
	for _, d := range ringRanges {
		r.ringRange(&size, parts, d)
	}
	r.ringAgrees(size, parts)
	return size, r.Count() == before
}

func (r *reading) required(parts map[string]field, item field, key string) (field, bool) {
	f, given := parts[key]
	if !given {
		r.Fault(item, "%s has no %s; every entry needs %s, %s and %s", item.Path(), key, keyFamily, keyLabel, keyKind)
	}
	return f, given
}

func (r *reading) ringRange(size *settings.RingSize, parts map[string]field, d ringRange) {
	f, given := parts[d.key]
	if !given {
		return
	}
	ends := r.Fields(f, keyLow, keyHigh)
	end := func(key string, set *units.Maybe[float64]) {
		if e, have := ends[key]; have {
			if v, good := r.ofLeaf(e, d.leaf); good {
				*set = units.Some(v)
			}
		}
	}
	end(keyLow, d.low(size))
	end(keyHigh, d.high(size))
	low, hasLow := d.low(size).Get()
	high, hasHigh := d.high(size).Get()
	if hasLow && hasHigh && low > high {
		r.Fault(ends[keyLow], "%s is %g, above the high end of %g", ends[keyLow].Path(), low, high)
	}
}

// ringAgrees compares the dimensions of a ring with one another: arithmetic.
func (r *reading) ringAgrees(size settings.RingSize, parts map[string]field) {
	ap, hasAP := size.InnerAnteroPosteriorMM.Get()
	across, hasAcross := size.InnerTransverseMM.Get()
	if !hasAP || !hasAcross {
		return
	}
	if f := parts[keyInnerAnteroPosterior]; ap > across {
		r.Fault(f, "%s is %g mm, above the transverse diameter of %g mm; are they exchanged?", f.Path(), ap, across)
	}
	box := float64(units.Length(ap).Times(units.Length(across)))
	if area, has := size.OrificeAreaCM2.Get(); has && area > box {
		f := parts[keyOrificeArea]
		r.Fault(f, "%s is %g cm2, more than the rectangle of both inner diameters, %.3g cm2; is it of the outer dimensions?", f.Path(), area, box)
	}
}

// ofLeaf reads a number that is of a leaf: within what the leaf takes for
// plausible.
func (r *reading) ofLeaf(f field, id valve.ID) (float64, bool) {
	low, high, unit := leafBounds(id)
	return r.within(f, low, high, unit)
}

// within reads a number within bounds that both belong to it.
func (r *reading) within(f field, low, high float64, unit string) (v float64, ok bool) {
	v, ok = r.Number(f)
	if ok && !(v >= low && v <= high && v > 0) {
		bounds := fmt.Sprintf("%g to %g", low, high)
		if low == 0 {
			bounds = fmt.Sprintf("above 0 and at most %g", high)
		}
		if unit != "" {
			bounds += " " + unit
		}
		r.Fault(f, "%s is %g; give %s", f.Path(), v, bounds)
		return 0, false
	}
	return v, ok
}

func leafBounds(id valve.ID) (low, high float64, unit string) {
	leaf, ok := metric.LeafByID(id)
	if !ok {
		panic("policy: no leaf named " + string(id))
	}
	return leaf.Low, leaf.High, leaf.Unit.Text()
}
