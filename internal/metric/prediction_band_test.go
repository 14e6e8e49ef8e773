package metric

import (
	"math"
	"strings"
	"testing"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// banded: A2 of 27 and P2 of 14 mm, an annulus of 36 by 42 mm with trigones 28 mm
// apart, and a planned band of 66 mm: 66 + 1.05 · 28 = 95.4 mm around.
func banded() *repair.Example {
	return tee().Height(valve.A2, 27).Height(valve.P2, 14).Set(valve.IntertrigonalDistance, 28).
		Set(valve.AnnulusAnteroPosteriorDiameter, 36).Set(valve.AnnulusIntercommissuralDiameter, 42).
		Plan().Device("band", repair.PosteriorBand).Dim(valve.BandLength, 66)
}

// Behind a band the diameter is that of the ellipse around which band and anterior
// arc go. The diameters are computed by the elliptic integral outside this project
// (see the vectors of package geometry); c = (a + p − d)/2.
func TestPredictionBehindABand(t *testing.T) {
	contact := func(e *repair.Example) Value { return one(t, e.Case(), PredictedContactKey(true)) }
	width := func(v Value) float64 { return v.Upper.OrElse(0) - v.Lower.OrElse(0) }
	ring := contact(banded().Device("ring", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 26.5))
	rows := []struct {
		why  string
		e    *repair.Example
		want float64
		says string
	}{
		{"width of the band known", banded().Dim(valve.RingInnerTransverseDiameter, 34), (27 + 14 - 26.5009) / 2,
			"a posterior band leaves the antero-posterior diameter free: taken as 26.5 mm from its length and width and the distance between the trigones, with a standard deviation of 2 mm"},
		{"width not known: the shape of the annulus", banded(), (27 + 14 - 27.9894) / 2,
			"taken as 28.0 mm from its length, the distance between the trigones and the shape of the annulus before the repair, with a standard deviation of 3 mm"},
		{"a diameter given", banded().Dim(valve.RingInnerAnteroPosteriorDiameter, 25), (27 + 14 - 25.0) / 2,
			"taken as 25.0 mm as given, with a standard deviation of 2 mm"},
	}
	for _, row := range rows {
		v := contact(row.e)
		if v.State != HasValue || math.Abs(v.Value-row.want) > 0.0501 || !strings.Contains(v.Explanation, row.says) {
			t.Errorf("%s: %s %v, want %v: %s", row.why, v.State, v.Value, row.want, v.Explanation)
		}
		if width(v) <= width(ring)+0.3 {
			t.Errorf("%s: the range is %.1f mm wide, that of a complete ring %.1f", row.why, width(v), width(ring))
		}
		if !strings.Contains(v.Explanation, "mm assumed of a diameter that a band does not hold") {
			t.Errorf("%s: the standard deviation is not told: %s", row.why, v.Explanation)
		}
	}
	// ∂c/∂d = −½, so that 3 mm are 1.5; with A2 2.1, P2 1.2 (half each), the depth's
	// 1.5 mm that flat leaves out in the first order, and the model's 2 mm.
	if sd, _ := contact(banded()).SD.Get(); math.Abs(sd-math.Sqrt(1.5*1.5+1.05*1.05+0.6*0.6+4)) > 0.15 {
		t.Errorf("standard deviation %v", sd)
	}

	missing := banded().Case()
	delete(missing.Measured, IntertrigonalDistance.Key(valve.Nowhere, "assessment/tee", valve.Measured))
	if v := one(t, missing, PredictedContactKey(true)); v.State != NotEvaluable || strings.Join(v.Missing, "") != "intertrigonal_distance of assessment/tee" {
		t.Errorf("without the trigones: %s, missing %v", v.State, v.Missing)
	}
	if v := contact(banded().Dim(valve.RingInnerTransverseDiameter, 48)); v.State != NotEvaluable || !strings.Contains(v.Explanation, "band and anterior arc, 95.4 mm together, do not go round an annulus 48.0 mm wide") {
		t.Errorf("too wide: %s %v %s", v.State, v.Value, v.Explanation)
	}

	s := builtIn()
	s.Rings = []settings.RingSize{{Family: "bands", Label: 30, Kind: repair.PosteriorBand, BandLengthMM: units.Some(66.0), InnerTransverseMM: units.Some(34.0)}}
	byLabel := tee().Height(valve.A2, 27).Height(valve.P2, 14).Set(valve.IntertrigonalDistance, 28).Plan().Device("band", repair.PosteriorBand).
		EditStep(func(step *repair.Step) {
			step.Ring.FamilyKey = "bands"
			step.Ring.PlannedLabelMin, step.Ring.PlannedLabelMax = units.Some(30.0), units.Some(30.0)
		}).Case()
	v, _ := find(Compute(byLabel, s), PredictedContactKey(true))
	if v.State != HasValue || v.Value != 7.2 || v.SD.IsNone() {
		t.Errorf("by the site's table: %s %v %v: %s", v.State, v.Value, v.SD, v.Explanation)
	}
}

// A band has no inner diameter to be the largest of.
func TestNoLargestRingOfABand(t *testing.T) {
	c := banded().Edit(func(c *repair.Case) {
		c.Plan.Targets = []repair.Target{{ID: "t", Leaf: valve.CoaptationLength, Place: middleSlice, Low: units.Some(6.0)}}
	}).Case()
	if v := one(t, c, middle(valve.Key{ID: IDLargestRing, Occasion: valve.AtPlan, Role: valve.PredictedFromPlan})); v.State != NotApplicable {
		t.Errorf("%s %v", v.State, v.Value)
	}
	if v := one(t, c, middle(valve.Key{ID: IDLowestPosterior, Occasion: valve.AtPlan, Role: valve.PredictedFromPlan})); v.State != HasValue || v.Value != 13 {
		t.Errorf("lowest P2: %s %v, want 12 + 28.0 − 27: %s", v.State, v.Value, v.Explanation)
	}
}

// A planned height without a method is read as its native one was taken, else as by
// ruler, and the other reading lies inside the range.
func TestPlannedHeightsAreRead(t *testing.T) {
	build := func(native, planned valve.Method, withNative bool) *repair.Example {
		e := repair.NewExample().Assess("tee").Method(native)
		if withNative {
			e.Height(valve.A1, 18).Height(valve.P1, 12)
		}
		return e.Height(valve.A2, 26).Height(valve.P2, 16).Plan().Method(planned).Height(valve.A1, 16).Height(valve.P1, 10).
			Device("r", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 26).Dim(valve.RingInnerTransverseDiameter, 34)
	}
	side := 26 * math.Sqrt(1-0.49)
	cos := math.Cos(math.Atan2(26*0.7, 34*math.Sqrt(1-0.49)))
	slice, oblique := units.Round((26-side)/2, 0.1), units.Round((26/cos-side)/2, 0.1)
	rows := []struct {
		why             string
		native, planned valve.Method
		withNative      bool
		want            float64
		says            string
	}{
		{"native by echo", valve.Echo3D, "", true, slice, "planned heights read as by 3D echo (A1 and P1)"},
		{"native by ruler", valve.Ruler, "", true, oblique, "planned heights read as by ruler (A1 and P1)"},
		{"native without a method", "", "", true, oblique, "planned heights read as by ruler (A1 and P1)"},
		{"no native height", valve.Echo3D, "", false, oblique, "planned heights read as by ruler (A1 and P1)"},
		{"planned by ruler, whatever the native one", valve.Echo3D, valve.Ruler, true, oblique, ""},
		{"planned by echo", valve.Ruler, valve.Echo2D, true, slice, ""},
	}
	for _, row := range rows {
		v := one(t, build(row.native, row.planned, row.withNative).Case(), sidePlan(IDPredictedContact))
		if v.State != HasValue || v.Value != row.want || !strings.Contains(v.Explanation, row.says) || strings.Contains(v.Explanation, "read as") != (row.says != "") {
			t.Errorf("%s: %s %v, want %v: %s", row.why, v.State, v.Value, row.want, v.Explanation)
		}
		stated := one(t, build(row.native, valve.Ruler, row.withNative).Case(), sidePlan(IDPredictedContact))
		if row.planned == "" {
			low, high := v.Lower.OrElse(0), v.Upper.OrElse(0)
			if low > slice || high < oblique || high-low <= stated.Upper.OrElse(0)-stated.Lower.OrElse(0) {
				t.Errorf("%s: %v to %v does not hold both readings, %v and %v, or is no wider than %v to %v", row.why, low, high, slice, oblique, stated.Lower, stated.Upper)
			}
		}
	}
	// The middle slice is not oblique: the reading is told, and moves nothing.
	middle := tee().Height(valve.A2, 26).Height(valve.P2, 20).Plan().Height(valve.P2, 16).Device("r", repair.CompleteRing).
		Dim(valve.RingInnerAnteroPosteriorDiameter, 26)
	v := one(t, middle.Case(), PredictedContactKey(true))
	if v.Value != 8 || !strings.Contains(v.Explanation, "planned heights read as by 3D echo (P2)") {
		t.Errorf("middle: %v %s", v.Value, v.Explanation)
	}
	// Two segments with two readings are told apart.
	mixed := repair.NewExample().Assess("tee").Method(valve.Echo3D).Height(valve.A2, 26).Method(valve.Ruler).Height(valve.P2, 20).
		Plan().Height(valve.A2, 26).Height(valve.P2, 16).Device("r", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 26)
	if v := one(t, mixed.Case(), PredictedContactKey(true)); !strings.Contains(v.Explanation, "planned heights read as by 3D echo (A2) and by ruler (P2)") {
		t.Errorf("mixed: %s", v.Explanation)
	}
}

// Equal numbers at the side, planned and found by ruler, are predicted equally.
func TestPlanAndExecutionAgreeAtTheSide(t *testing.T) {
	c := repair.NewExample().Assess("field").Method(valve.Ruler).Height(valve.A1, 18).Height(valve.P1, 12).Height(valve.A2, 26).Height(valve.P2, 16).
		Plan().Height(valve.A1, 16).Height(valve.P1, 10).Device("r", repair.CompleteRing).
		Dim(valve.RingInnerAnteroPosteriorDiameter, 26).Dim(valve.RingInnerTransverseDiameter, 34).
		Operation().Device("r2", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 26).Dim(valve.RingInnerTransverseDiameter, 34).
		Field(1, valve.AfterLeafletWork).Method(valve.Ruler).Height(valve.A1, 16).Height(valve.P1, 10).Case()
	plan := one(t, c, sidePlan(IDPredictedContact))
	done := one(t, c, valve.Key{ID: IDPredictedContact, Place: valve.AtSlice(valve.A1P1), Occasion: valve.AtOperation, Role: valve.PredictedFromExecution})
	if plan.State != HasValue || plan.Value != done.Value {
		t.Errorf("planned %v (%s), done %v (%s)", plan.Value, plan.Explanation, done.Value, done.Explanation)
	}
}
