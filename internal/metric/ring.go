package metric

import (
	"trigone/internal/geometry"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

const (
	leafRingAP         = "ring_inner_antero_posterior_diameter"
	leafRingTransverse = "ring_inner_transverse_diameter"
	leafRingOrifice    = "ring_orifice_area"
)

var ringMetrics = []Metric{
	{
		ID: IDRingOrifice, Name: "inner orifice area of a complete ring",
		Unit: units.CM2, Grid: 0.01,
		Formula: "orifice area as given; else π/4 · inner antero-posterior · inner transverse diameter; not an effective orifice",
		Inputs:  []string{leafRingOrifice, leafRingAP, leafRingTransverse},
		Source:  settings.SourceArithmetic, Since: "1",
		Where:   atSteps(repair.Annuloplasty),
		Compute: func(r *Reader) float64 { return float64(ringOrifice(r)) },
	},
	{
		ID: IDRingToAnteriorLeaflet, Name: "inner orifice area of a complete ring over the area of the anterior leaflet",
		Unit: units.One, Grid: 0.01, Formula: "ring orifice / native anterior leaflet area; no published cut-off: reported, not judged",
		Inputs: []string{leafRingOrifice, leafRingAP, leafRingTransverse, leafAnteriorArea},
		Source: settings.SourceArithmetic, Since: "1",
		Where:   atSteps(repair.Annuloplasty),
		Compute: func(r *Reader) float64 { return float64(ringOrifice(r).Over(nativeArea(r, AnteriorLeafletArea))) },
	},
	{
		ID: IDRingToAnnulus, Name: "inner orifice area of a complete ring over the native annulus area",
		Unit: units.One, Grid: 0.01, Formula: "ring orifice / native annulus area; no published cut-off: reported, not judged",
		Inputs: []string{leafRingOrifice, leafRingAP, leafRingTransverse, leafAnnulusArea},
		Source: settings.SourceArithmetic, Since: "1",
		Where:   atSteps(repair.Annuloplasty),
		Compute: func(r *Reader) float64 { return float64(ringOrifice(r).Over(nativeArea(r, AnnulusArea))) },
	},
}

// ringOrifice gives the inner orifice of the ring of the place being answered.
func ringOrifice(r *Reader) units.Area {
	if !completeRing(r, stepAt(r)) {
		return units.Area(nan)
	}
	orifice := dimensionKey(r.At(), leafRingOrifice)
	ap, transverse := dimensionKey(r.At(), leafRingAP), dimensionKey(r.At(), leafRingTransverse)
	if !r.Has(orifice) {
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
