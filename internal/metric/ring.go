package metric

import (
	"trigone/internal/geometry"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var ringMetrics = []Metric{
	{
		ID: IDRingOrifice, Name: "inner orifice area of a complete ring",
		Unit: units.CM2, Grid: 0.01,
		Formula: "orifice area as given; else π/4 · inner antero-posterior · inner transverse diameter; not an effective orifice",
		Inputs:  []valve.ID{valve.RingOrificeArea, valve.RingInnerAnteroPosteriorDiameter, valve.RingInnerTransverseDiameter},
		Source:  settings.SourceArithmetic, Since: "1",
		Where:   atSteps(repair.Annuloplasty),
		Compute: func(r *Reader) float64 { return float64(ringOrifice(r)) },
	},
	{
		ID: IDRingToAnteriorLeaflet, Name: "inner orifice area of a complete ring over the area of the anterior leaflet",
		Unit: units.One, Grid: 0.01, Formula: "ring orifice / native anterior leaflet area; no published cut-off: reported, not judged",
		Inputs: []valve.ID{valve.RingOrificeArea, valve.RingInnerAnteroPosteriorDiameter, valve.RingInnerTransverseDiameter, valve.AnteriorLeafletArea},
		Source: settings.SourceArithmetic, Since: "1",
		Where:   atSteps(repair.Annuloplasty),
		Compute: func(r *Reader) float64 { return float64(ringOrifice(r).Over(nativeArea(r, AnteriorLeafletArea))) },
	},
	{
		ID: IDRingToAnnulus, Name: "inner orifice area of a complete ring over the native annulus area",
		Unit: units.One, Grid: 0.01, Formula: "ring orifice / native annulus area; no published cut-off: reported, not judged",
		Inputs: []valve.ID{valve.RingOrificeArea, valve.RingInnerAnteroPosteriorDiameter, valve.RingInnerTransverseDiameter, valve.AnnulusArea},
		Source: settings.SourceArithmetic, Since: "1",
		Where:   atSteps(repair.Annuloplasty),
		Compute: func(r *Reader) float64 { return float64(ringOrifice(r).Over(nativeArea(r, AnnulusArea))) },
	},
}

// ringOrifice gives the inner orifice of the ring of the place being answered.
func ringOrifice(r *Reader) units.Area { return orificeOf(r, r.At(), stepAt(r)) }

// orificeOf gives the inner orifice of a complete ring of a step at a place.
func orificeOf(r *Reader, at At, step *repair.Step) units.Area {
	if !completeRing(r, step) {
		return units.Area(nan)
	}
	orifice := dimensionKey(at, valve.RingOrificeArea)
	ap, transverse := dimensionKey(at, valve.RingInnerAnteroPosteriorDiameter), dimensionKey(at, valve.RingInnerTransverseDiameter)
	if !r.Has(orifice) {
		if size, ok := tableSize(r, step); ok && (!r.Has(ap) || !r.Has(transverse)) {
			if a, known := tableOrifice(size); known {
				r.Explain("orifice from the site's ring table, by label")
				return a
			}
		}
		r.Explain("orifice taken as the ellipse of the inner diameters")
		return geometry.RingOrifice(units.Length(r.Read(ap)), units.Length(r.Read(transverse)))
	}
	given := units.Area(r.Read(orifice))
	r.Explain("orifice area as given")
	if r.Has(ap) && r.Has(transverse) {
		a, _ := r.Measurement(ap)
		t, _ := r.Measurement(transverse)
		d, _ := a.Value.Get()
		w, _ := t.Value.Get()
		if _, err := geometry.RingExponent(given, units.Length(d), units.Length(w)); err != nil {
			r.Explain("the orifice area given does not fit the two inner diameters: check that all three are inner dimensions")
		}
	}
	return given
}

// tableSize gives the size of a ring or band in the site's ring table: by the
// label implanted, or planned where one label alone was.
func tableSize(r *Reader, step *repair.Step) (settings.RingSize, bool) {
	if step == nil || step.Ring == nil {
		return settings.RingSize{}, false
	}
	label, known := step.Ring.ImplantedLabel.Get()
	if !known {
		low, hasLow := step.Ring.PlannedLabelMin.Get()
		high, hasHigh := step.Ring.PlannedLabelMax.Get()
		if !hasLow || !hasHigh || low != high {
			return settings.RingSize{}, false
		}
		label = low
	}
	size, ok := r.s.Ring(step.Ring.FamilyKey, label)
	return size, ok && size.Kind == step.Ring.Kind
}

func tableOrifice(size settings.RingSize) (units.Area, bool) {
	if a, ok := size.OrificeAreaCM2.Get(); ok {
		return units.Area(a), true
	}
	d, hasAP := size.InnerAnteroPosteriorMM.Get()
	w, hasTransverse := size.InnerTransverseMM.Get()
	return geometry.RingOrifice(units.Length(d), units.Length(w)), hasAP && hasTransverse
}

// completeRing says whether a ring encloses an orifice of its own; a band does
// not.
func completeRing(r *Reader, s *repair.Step) bool {
	switch {
	case s == nil || s.Ring == nil || s.Ring.Kind == "":
		r.Refuse("whether it is a complete ring or a posterior band is not recorded")
		return false
	case s.Ring.Kind != repair.CompleteRing:
		r.DoesNotApply("a posterior band encloses no orifice and sets no antero-posterior diameter")
		return false
	}
	return true
}

func nativeArea(r *Reader, leaf Handle[units.Area]) units.Area {
	return units.Area(r.Read(r.memo.native(r.c, leaf.ID, r.At().Occasion == valve.AtPlan)))
}
