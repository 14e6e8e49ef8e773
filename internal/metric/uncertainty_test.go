package metric

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

func near(t *testing.T, what string, got units.Maybe[float64], want, tolerance float64) {
	t.Helper()
	v, ok := got.Get()
	if !ok || math.Abs(v-want) > tolerance {
		t.Errorf("%s is %v (%v), want %v ± %v", what, v, ok, want, tolerance)
	}
}

// First-order error of the orifice area by flow convergence with 0.9 mm on the
// radius and 5 % on both velocities: own recomputation of
// √((2·σr/r)² + (σVa/Va)² + (σVmax/Vmax)²).
func TestUncertaintyOfFlowConvergence(t *testing.T) {
	for radius, want := range map[float64]float64{9: 0.2121, 6: 0.3082} {
		c := tte().Set(valve.ProximalIsovelocityRadius, radius).Set(valve.AliasingVelocity, 40).Set(valve.RegurgitationPeakVelocity, 500).Case()
		v := one(t, c, atTTE(IDOrificeByConvergence))
		exact := 2 * math.Pi * radius * radius / 100 * 40 / 500
		near(t, "relative error", scaled(v.SD, 1/exact), want, 0.001)
		near(t, "lower end", v.Lower, v.Value-1.96*want*exact, 0.006)
		near(t, "upper end", v.Upper, v.Value+1.96*want*exact, 0.006)
	}
}

func scaled(m units.Maybe[float64], k float64) units.Maybe[float64] {
	v, ok := m.Get()
	if !ok {
		return m
	}
	return units.Some(v * k)
}

// Where the standard deviation comes from: the record, then the site, then the
// table, doubled where the method of a measurement is not stated.
func TestWhereTheUncertaintyComesFrom(t *testing.T) {
	k := atTTE(IDConvergenceSurface)
	slope := 4 * math.Pi * 0.9 / 10 // cm2 per mm of radius, at 9 mm
	site := builtIn()
	site.InputSDs = map[valve.ID]settings.InputSD{valve.ProximalIsovelocityRadius: {SD: 0.3, Source: settings.SourceOwnModel, Owner: settings.Site}}
	rows := []struct {
		why      string
		c        *repair.Example
		settings settings.Settings
		want     float64
		unstated bool
	}{
		{"the table's 0.9 mm", tte().Set(valve.ProximalIsovelocityRadius, 9), builtIn(), 0.9, false},
		{"the record's own", tte().Set(valve.ProximalIsovelocityRadius, 9).SD(0.2), site, 0.2, false},
		{"the site's", tte().Set(valve.ProximalIsovelocityRadius, 9), site, 0.3, false},
		{"doubled without a method", repair.NewExample().Assess("tte").Set(valve.ProximalIsovelocityRadius, 9), builtIn(), 1.8, true},
		{"stated, without a method: not doubled", repair.NewExample().Assess("tte").Set(valve.ProximalIsovelocityRadius, 9).SD(0.2), builtIn(), 0.2, true},
	}
	for _, row := range rows {
		t.Run(row.why, func(t *testing.T) {
			v, _ := find(Compute(row.c.Case(), row.settings), k)
			near(t, "standard deviation", v.SD, row.want*slope, 1e-9)
			if said := v.Explanation == "context not stated: "+string(valve.ProximalIsovelocityRadius); said != row.unstated {
				t.Errorf("explanation %q", v.Explanation)
			}
		})
	}
	// One input of unknown uncertainty leaves the whole without an interval.
	v := one(t, tte().Set(valve.CardiacOutput, 5).Set(valve.MeanGradient, 4).Set(valve.GradientHeartRate, 70).Case(), atTTE(IDHydraulicOrifice))
	if v.State != HasValue || v.SD.IsSome() || v.Lower.IsSome() || v.Upper.IsSome() {
		t.Errorf("an interval of the orifice although nothing is known of the output's error: %v", v.SD)
	}
}

// The uncertainty of what is made of diameters and integrals, recomputed from the
// table: a diameter of 8 % twice, an integral of 5 %.
func TestUncertaintyOfVolumes(t *testing.T) {
	share := math.Hypot(2*0.08, 0.05)
	for _, row := range []struct {
		id   valve.ID
		c    *repair.Example
		want float64
	}{
		{IDOutflowStrokeVolume, inflowAndOutflow(), 56.549 * share},
		{IDInflowStrokeVolume, inflowAndOutflow(), 120.637 * share},
		{IDVolumeFromInflow, inflowAndOutflow(), math.Hypot(56.549*share, 120.637*share)},
		{IDVentricularStrokeVolume, tte().Method(valve.Echo3D).Set(valve.LeftVentricularEndDiastolicVolume, 160).Set(valve.LeftVentricularEndSystolicVolume, 60), math.Hypot(7, 3)},
		{IDVolumeFromVentricle, ventricle(), math.Sqrt(12*12 + 8*8 + 56.549*56.549*share*share)},
	} {
		v := one(t, row.c.Case(), atTTE(row.id))
		near(t, string(row.id), v.SD, row.want, 0.02*row.want)
	}
}

// The rhythm is that of the study the gradient was read in.
func TestAGradientInFibrillationIsLessCertain(t *testing.T) {
	for rhythm, want := range map[string]float64{"": 0.4, "sinus": 0.4, "atrial_fibrillation": 0.88} {
		c := tte().Set(valve.MeanGradient, 4).EditStudy(func(s *repair.Study) { s.Rhythm = rhythm }).Case()
		s := builtIn()
		near(t, "standard deviation in "+rhythm, SDOf(c, valve.Key{ID: valve.MeanGradient, Occasion: "assessment/tte", Role: valve.Measured}, &s), want, 1e-12)
	}
	s := builtIn().Under("2")
	c := tte().Set(valve.MeanGradient, 4).Case()
	near(t, "under rule set 2", SDOf(c, valve.Key{ID: valve.MeanGradient, Occasion: "assessment/tte", Role: valve.Measured}, &s), 1, 1e-12)
}

// The case a 26, p 16, d 25, depth 3 mm: own vector, σ of the inputs 1.34, with
// the model 2.41, ± 5.3 mm (manual) and ± 4.9 mm (automated) for one observation.
// A depth of 3 mm with 1.5 mm is just far enough from 0 for the first order.
func TestUncertaintyOfThePrediction(t *testing.T) {
	rows := []struct {
		name             string
		sdA, sdP         float64
		sd, within, firm float64
	}{
		{"manual, by the table", 0, 0, 2.41, 5.3, 0.005},
		{"automated, stated", 0.8, 0.8, 2.19, 4.9, 0.02},
	}
	for _, row := range rows {
		for _, id := range []valve.ID{IDPredictedContact, IDPredictedOverlap} {
			v := one(t, modelCase(3, row.sdA, row.sdP).Case(), withID(PredictedContactKey(true), id))
			if v.Value != 8.1 || strings.Contains(v.Explanation, "Monte Carlo") {
				t.Errorf("%s, %s: %v mm, want 8.1 to first order; %s", row.name, id, v.Value, v.Explanation)
			}
			near(t, row.name+" standard uncertainty", v.SD, row.sd, row.firm)
			near(t, row.name+" lower end for one observation", v.Lower, 8.1-row.within, 0.11)
			near(t, row.name+" upper end for one observation", v.Upper, 8.1+row.within, 0.11)
		}
	}
	// Without a depth the value is the flat one; drawn, the depth lessens the mean.
	v := one(t, modelCase(0, 0, 0).Case(), PredictedContactKey(true))
	if v.Value != 8.5 || !strings.Contains(v.Explanation, "their mean 8.4 mm") {
		t.Errorf("flat: %v mm, %s", v.Value, v.Explanation)
	}
	near(t, "flat standard uncertainty", v.SD, 2.39, 0.08)
	near(t, "flat lower end", v.Lower, 8.4-5.24, 0.3)
	near(t, "flat upper end", v.Upper, 8.4+5.24, 0.3)
	// s = 0.700 (own vector); the model's 2.0 mm are 8 % of 25 mm.
	v = one(t, modelCase(0, 0, 0).Case(), withID(PredictedContactKey(true), IDPredictedAnteriorShare))
	if v.Value != 70 {
		t.Errorf("share %v %%, want 70", v.Value)
	}
	halves := (2.1*2.1 + 1.2*1.2) / (50 * 50)
	ring := 10.0 / (2 * 25 * 25)
	near(t, "share", v.SD, 100*math.Sqrt(halves+ring*ring+0.08*0.08), 0.02)
}

// Property: a longer leaflet and a smaller ring never lessen the contact, and
// the interval always holds the value.
func TestPredictionIsMonotonic(t *testing.T) {
	contact := func(a, p, d float64) Value {
		c := repair.NewExample().Assess("tee").Method(valve.Echo3D).Height(valve.A2, a).Height(valve.P2, p).
			Plan().Device("ring", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, d).Case()
		v, _ := find(Compute(c, builtIn()), PredictedContactKey(true))
		return v
	}
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Float64Range(22, 30).Draw(t, "anterior")
		p := rapid.Float64Range(12, 20).Draw(t, "posterior")
		d := rapid.Float64Range(24, 30).Draw(t, "diameter")
		v := contact(a, p, d)
		if v.State != HasValue {
			t.Fatalf("%s: %s", v.State, v.Explanation)
		}
		if contact(a+0.5, p, d).Value < v.Value || contact(a, p+0.5, d).Value < v.Value || contact(a, p, d+0.5).Value > v.Value {
			t.Fatal("not monotonic")
		}
		low, _ := v.Lower.Get()
		high, _ := v.Upper.Get()
		if !(low < v.Value && v.Value < high) {
			t.Fatalf("%v outside %v to %v", v.Value, low, high)
		}
	})
}
