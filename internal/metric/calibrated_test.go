package metric

import (
	"math"
	"strings"
	"testing"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/statistics"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// calibratedBy gives settings with a correction of predictions from the plan of resections.
func calibratedBy(c statistics.Correction) settings.Settings {
	s := builtIn()
	s.Calibrations = []settings.Calibration{{
		ID: "cal-1", Quantity: valve.CoaptationLength, Prediction: valve.PredictedFromPlan, Technique: repair.ClassResection, Formula: formulaOf(IDPredictedContact), Correction: c,
	}}
	return s
}

// By hand: the model says 11.9 mm (TestFullPrediction); 11.9 - 2 + 0.1 (11.9 - 8) = 10.29;
// half the range is 1.984, the 97.5 % point of t with 100 degrees of freedom (tables in
// print), times 1.5 √(1 + 1/102 + 3.9²/400) = 1.5355, which is 3.046.
func TestCalibratedPrediction(t *testing.T) {
	c := fullPrediction().Case()
	s := calibratedBy(statistics.Correction{N: 102, Shift: -2, Stretch: 1.1, Stretched: true, Centre: 8, Scatter: 400, SD: 1.5})
	values := Compute(c, s)
	for _, id := range []valve.ID{IDPredictedContact, IDPredictedOverlap} {
		v, _ := find(values, withID(PredictedContactKey(true), id))
		if v.Value != 10.3 || v.Lower != units.Some(7.2) || v.Upper != units.Some(13.3) {
			t.Errorf("%s: %v, %v to %v, want 10.3, 7.2 to 13.3", id, v.Value, v.Lower, v.Upper)
		}
		if v.Calibration != "cal-1" || v.Uncalibrated != units.Some(11.9) {
			t.Errorf("%s: by %q, before it %v", id, v.Calibration, v.Uncalibrated)
		}
		// With the error of one reading it is the spread of the next measured value again.
		if sd := v.SD.OrElse(0); math.Abs(math.Hypot(sd, contactObservationSD)-1.5355) > 1e-3 {
			t.Errorf("%s: standard deviation %v", id, sd)
		}
		if strings.Contains(v.Explanation, "uncalibrated") || !strings.HasPrefix(v.Explanation, "range of a model under calibration cal-1, not advice; ") ||
			!strings.Contains(v.Explanation, "the model itself says 11.9 mm; the range is that of 102 patients") {
			t.Errorf("%s: %s", id, v.Explanation)
		}
	}
	// What was not fitted stays as it is: what was done, other quantities.
	before := Compute(c, builtIn())
	for i, v := range values {
		if v.Calibration == "" && (v.Value != before[i].Value || v.Lower != before[i].Lower || v.Explanation != before[i].Explanation) {
			t.Errorf("%s %s moved: %v, was %v", v.Key, v.Key.Role, v.Value, before[i].Value)
		}
	}
	if v, _ := find(values, PredictedContactKey(false)); v.Calibration != "" || v.Value != 10.9 {
		t.Errorf("from what was done: %v by %q", v.Value, v.Calibration)
	}
	// The middle alone, by which others look for where a limit is crossed, is moved too.
	if middle, _, _ := Middle(c, s, IDPredictedContact, At{Place: valve.AtSlice(valve.A2P2), Occasion: valve.AtPlan, Role: valve.PredictedFromPlan}); math.Abs(middle-10.29) > 0.05 {
		t.Errorf("middle %v", middle)
	}
}

func TestWhatACalibrationDoesNotReach(t *testing.T) {
	shift := statistics.Correction{N: 40, Shift: -10, Stretch: 1, Centre: 8, Scatter: 400, SD: 1.5}
	gap := tee().Height(valve.A2, 12).Height(valve.P2, 10).Plan().Resect("s1", repair.Triangular, valve.P2).Dim("resection_free_edge_width", 4).
		Device("s2", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 34).Dim(valve.RingInnerTransverseDiameter, 40)
	for _, r := range []struct {
		why    string
		c      *repair.Case
		change func(*settings.Calibration)
		by     string
		value  float64
		lower  float64
	}{
		{"no length lies below 0", fullPrediction().Case(), func(*settings.Calibration) {}, "cal-1", 1.9, 0},
		{"a middle below 0 is cut as well", fullPrediction().Case(), func(c *settings.Calibration) { c.Shift = -13 }, "cal-1", 0, 0},
		{"repairs of another class", fullPrediction().Case(), func(c *settings.Calibration) { c.Technique = repair.ClassChords }, "", 11.9, 6.1},
		{"fitted to another formula", fullPrediction().Case(), func(c *settings.Calibration) { c.Formula++ }, "", 11.9, 6.1},
		{"a gap has no length that was fitted", gap.Case(), func(*settings.Calibration) {}, "", 0, 0},
	} {
		s := calibratedBy(shift)
		r.change(&s.Calibrations[0])
		v, _ := find(Compute(r.c, s), PredictedContactKey(true))
		if r.why == "a gap has no length that was fitted" {
			if v.Value >= 0 || v.Calibration != "" {
				t.Errorf("%s: %v by %q", r.why, v.Value, v.Calibration)
			}
			continue
		}
		if v.Value != r.value || v.Calibration != r.by || r.by != "" && v.Lower != units.Some(r.lower) {
			t.Errorf("%s: %v from %v by %q, want %v from %v by %q", r.why, v.Value, v.Lower, v.Calibration, r.value, r.lower, r.by)
		}
		if cut := strings.Contains(v.Explanation, "range cut at 0"); cut != (r.by != "") {
			t.Errorf("%s: %s", r.why, v.Explanation)
		}
	}
}

// The window asks of the model what the calibration makes of the aim: heights found there
// meet it under the calibration.
func TestWindowUnderCalibration(t *testing.T) {
	aim := func(low float64) *repair.Case {
		return fullPrediction().Edit(func(c *repair.Case) {
			c.Plan.Targets = []repair.Target{{ID: "t", Leaf: valve.CoaptationLength, Place: valve.AtSlice(valve.A2P2), Stage: valve.LeavingTheatre, Low: units.Some(low)}}
		}).Case()
	}
	s := calibratedBy(statistics.Correction{N: 40, Shift: -2, Stretch: 1, Centre: 8, Scatter: 400, SD: 1.5})
	key := valve.Key{ID: IDLowestPosterior, Place: valve.AtSlice(valve.A2P2), Occasion: valve.AtPlan, Role: valve.PredictedFromPlan}
	moved, ok := find(Compute(aim(8), s), key)
	plain, ok2 := find(Compute(aim(10), builtIn()), key)
	if !ok || !ok2 || moved.State != HasValue || moved.Value != plain.Value || moved.Lower != plain.Lower {
		t.Errorf("8 mm under a shift of -2 asks for %v (%s), 10 mm of the model itself for %v", moved.Value, moved.Explanation, plain.Value)
	}
	if !strings.Contains(moved.Explanation, "a coaptation length of 8.0 mm under calibration cal-1 is one of 10.0 mm of the model itself") || strings.Contains(moved.Explanation, UncalibratedLabel) {
		t.Error(moved.Explanation)
	}
}
