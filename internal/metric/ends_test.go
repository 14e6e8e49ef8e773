package metric

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Whatever was typed, no printed end is absurd: both are numbers around their middle,
// none is below 0 where nothing can be, none beyond what there can be or what is
// plausible of the metric.
func TestPrintedEndsAreNeverAbsurd(t *testing.T) {
	bases := map[string]func() *repair.Example{
		"rich": richCase, "band": banded, "shaped": shapedRing,
		"aim":  func() *repair.Example { return aimed(26, units.Some(12.0)) },
		"held": func() *repair.Example { return heldCase(3, 60) },
	}
	names := []string{"rich", "band", "shaped", "aim", "held"}
	rapid.Check(t, func(t *rapid.T) {
		c := bases[rapid.SampledFrom(names).Draw(t, "base")]().Case()
		typed := valve.Measurements{}
		for _, k := range c.Measured.Keys() {
			m := c.Measured[k]
			if v, ok := m.Value.Get(); ok && rapid.IntRange(0, 2).Draw(t, "slip") == 0 {
				factor := rapid.SampledFrom([]float64{0, 0.1, 0.4, 0.8, 1.3, 2, 3, 10}).Draw(t, "factor")
				m.Value = units.Some(v * factor)
			}
			typed[k] = m
		}
		for _, v := range Compute(c.WithMeasured(typed), builtIn()) {
			m, _ := MetricByID(v.Key.ID)
			if strings.Contains(v.Explanation, "NaN") || strings.Contains(v.Explanation, "Inf") {
				t.Fatalf("%s: %s", v.Key, v.Explanation)
			}
			if v.State != HasValue {
				if v.Explanation == "" && len(v.Missing) == 0 {
					t.Fatalf("%s is %s and nobody says why", v.Key, v.State)
				}
				continue
			}
			low, high := v.Lower.OrElse(v.Value), v.Upper.OrElse(v.Value)
			for _, x := range []float64{low, v.Value, high} {
				switch {
				case math.IsNaN(x) || math.IsInf(x, 0):
					t.Fatalf("%s: %v (%v to %v) is no number", v.Key, v.Value, low, high)
				case m.High > 0 && (x < m.Low || x > m.High):
					t.Fatalf("%s: %v (%v to %v) lies outside %v to %v", v.Key, v.Value, low, high, m.Low, m.High)
				case !m.Signed && x < 0 && v.Lower.IsSome():
					t.Fatalf("%s: %v (%v to %v) below 0", v.Key, v.Value, low, high)
				}
			}
			if low > v.Value || high < v.Value {
				t.Fatalf("%s: the middle %v lies outside %v to %v: %s", v.Key, v.Value, low, high, v.Explanation)
			}
		}
	})
}

// Both leaflets never meet over more than the lower one and its uncertainty; what is
// cut there is told.
func TestCoaptationHasRoom(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		length := func(name string, low, high float64) float64 {
			return units.Round(rapid.Float64Range(low, high).Draw(t, name), 0.1)
		}
		a, p := length("a", 8, 45), length("p", 5, 35)
		c := tee().Height(valve.A2, a).Height(valve.P2, p).SetAt(valve.CoaptationDepth, middleSlice, length("depth", 0, 12)).
			Plan().Device("ring", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, length("d", 15, 45)).Case()
		room := min(a+2.1, p+1.2)
		for _, id := range []valve.ID{IDPredictedContact, IDPredictedOverlap} {
			v, _ := find(Compute(c, builtIn()), withID(PredictedContactKey(true), id))
			if v.State == HasValue && v.Upper.OrElse(0) > max(room, min(a, p)+2.1)+0.05 {
				t.Fatalf("%s of %v and %v: %v to %v", id, a, p, v.Lower, v.Upper)
			}
		}
	})
	c := tee().Height(valve.A2, 26).Height(valve.P2, 7).Plan().Device("ring", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 26).Case()
	v := one(t, c, withID(PredictedContactKey(true), IDPredictedOverlap))
	if v.Upper.OrElse(0) != 8.2 || !strings.Contains(v.Explanation, "range cut at 8.2 mm, the lower leaflet and one standard deviation of it") {
		t.Errorf("P2 of 7 mm: %v to %v, %s", v.Lower, v.Upper, v.Explanation)
	}
}

// No ring that there is not, and no height: the window ends at what is plausible, and
// says where nothing plausible meets the aim.
func TestWindowsHoldWhatThereIs(t *testing.T) {
	at := func(id valve.ID) valve.Key {
		return middle(valve.Key{ID: id, Occasion: valve.AtPlan, Role: valve.PredictedFromPlan})
	}
	build := func(a, p, ring float64) *repair.Case {
		return tee().Height(valve.A2, a).Height(valve.P2, p).Plan().Device("ring", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, ring).
			Edit(func(c *repair.Case) {
				c.Plan.Targets = []repair.Target{
					{ID: "t", Leaf: valve.CoaptationLength, Place: middleSlice, Low: units.Some(6.0)},
					{ID: "line", Leaf: valve.AnteriorClosureShare, Place: middleSlice, Low: units.Some(66.7)},
				}
			}).Case()
	}
	rows := []struct {
		why        string
		a, p, ring float64
		id         valve.ID
		state      State
		value      float64
		says       string
	}{
		{"tall leaflets: any ring there is", 45, 30, 24, IDLargestRing, HasValue, 36, "36.0 mm, and is cut there"},
		{"short leaflets: no ring there is", 14, 8, 24, IDLargestRing, NotApplicable, 0, "no plausible ring meets the target: it would have to be at most 10.0 mm"},
		{"a wide ring: no P2", 10, 12, 45, IDLowestPosterior, NotApplicable, 0, "no plausible height of P2 meets the target: it would have to be at least 47.0 mm"},
		{"a wide ring: no P2 below the line", 14, 12, 36, IDHighestPosterior, NotApplicable, 0, "no plausible height of P2 meets the target: it would have to be at most 2.0 mm"},
		{"a ring of 81 mm", 26, 16, 81, IDLowestPosterior, NotApplicable, 0, "outside the model's domain: the ring's diameter"},
		{"a ring of 81 mm", 26, 16, 81, IDRequiredAnterior, NotApplicable, 0, "outside the model's domain: the ring's diameter"},
	}
	for _, row := range rows {
		v := one(t, build(row.a, row.p, row.ring), at(row.id))
		if v.State != row.state || v.Value != row.value || !strings.Contains(v.Explanation, row.says) {
			t.Errorf("%s: %s %v: %s", row.why, v.State, v.Value, v.Explanation)
		}
		if v.Upper.OrElse(0) > 45 {
			t.Errorf("%s: up to %v", row.why, v.Upper)
		}
	}
}

// What gives no number says so in a sentence that names what to check.
func TestZeroIsToldInWords(t *testing.T) {
	zero := tte().Set(valve.LeftVentricularEndDiastolicVolume, 0).Set(valve.LeftVentricularEndSystolicVolume, 0).Case()
	if v := one(t, zero, atTTE(IDEjectionFraction)); !strings.Contains(v.Explanation, "recorded as 0: no number comes out of it, check it") || strings.Contains(v.Explanation, "_") {
		t.Errorf("%s", v.Explanation)
	}
	none := tee().Height(valve.A2, 26).Height(valve.P2, 0).Plan().Device("ring", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 26).Case()
	if v := one(t, none, PredictedContactKey(true)); v.State != NotEvaluable || v.Explanation != "a height of 0 mm is no leaflet: check P2" {
		t.Errorf("%s: %s", v.State, v.Explanation)
	}
	over := tee().Height(valve.A2, 26).Height(valve.P2, 14).Plan().Step("low", repair.HeightReduction, valve.P2).Dim(valve.HeightRemoved, 15).
		Device("ring", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 26).Case()
	if v := one(t, over, PredictedContactKey(true)); v.Explanation != "what is taken off P2 is at least as high as the leaflet" {
		t.Errorf("%s: %s", v.State, v.Explanation)
	}
}

// A flow that no repaired valve has, and an orifice that no ring has, give no range.
func TestAbsurdFlowsGiveNoGradient(t *testing.T) {
	build := func(output, orifice float64) *repair.Case {
		return male(tte().Set(valve.CardiacOutput, output).Set(valve.GradientHeartRate, 90).
			Plan().Device("ring", repair.CompleteRing).Dim(valve.RingOrificeArea, orifice)).Case()
	}
	for _, row := range []struct {
		output, orifice float64
		says            string
	}{
		{14, 3.1, "more than is plausible after a repair: check output, rate and the ring's dimensions"},
		{5, 57, "an orifice of 57.00 cm² is none of a ring"},
	} {
		v := one(t, build(row.output, row.orifice), planned(IDExpectedGradient, "ring"))
		if v.State != NotApplicable || !strings.Contains(v.Explanation, row.says) {
			t.Errorf("%v L/min, %v cm2: %s %v %s", row.output, row.orifice, v.State, v.Value, v.Explanation)
		}
	}
	v := one(t, build(6, 3.1), planned(IDExpectedGradient, "ring"))
	if v.Upper.OrElse(0) != 20 || !strings.Contains(v.Explanation, "range cut at 20.0 mmHg: beyond is not plausible") {
		t.Errorf("%v, %v to %v: %s", v.Value, v.Lower, v.Upper, v.Explanation)
	}
}
