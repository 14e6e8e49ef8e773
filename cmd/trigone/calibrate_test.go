package main

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/statistics"
	"trigone/internal/valve"
)

// calibratedPolicy is a policy as somebody else writes it: in one line, keys in an order of
// his own, with the id that the numbers have.
func calibratedPolicy(shift, spread float64) (text, id string) {
	id = settings.Calibration{
		Quantity: valve.CoaptationLength, Prediction: valve.PredictedFromPlan, Technique: repair.ClassResection, Formula: 2,
		Correction: statistics.Correction{N: 31, Shift: shift, Stretch: 1, Centre: 7, Scatter: 90, SD: spread}, LastCase: time.Date(2026, 5, 7, 13, 25, 0, 0, time.UTC),
	}.ContentID()
	return fmt.Sprintf(`site: harbour
version: 3
zone: Europe/London
calibrations: [{note: of one summer, signed_at: '2026-06-01T10:00:00Z', signed_by: lead-3, spread_mm: %g, scatter_mm2: 90, centre_mm: 7, shift_mm: %g,
  last_case: 2026-05-07T13:25:00Z, patients: 31, formula: 2, technique: resection, prediction: from_plan, quantity: coaptation_length, id: %s}]
`, spread, shift, id), id
}

// The model says 7.4 mm (2.1 to 12.7) of this case's plan. By hand: 2.042, the 97.5 % point
// of t with 30 degrees of freedom (tables in print), times 1.5 √(1 + 1/31) is 3.112.
func TestEvaluateUnderACalibration(t *testing.T) {
	const file = "../../testdata/cases/triangular-complete-ring.json"
	for _, r := range []struct {
		why   string
		shift float64
		row   string
	}{
		{"moved", -2, "2.3 to 8.5 mm about 5.4 mm"},
		{"no length lies below 0", -6, "0.0 to 4.5 mm about 1.4 mm"},
	} {
		text, id := calibratedPolicy(r.shift, 1.5)
		path := policyFile(t, text)
		call(t, "check-policy", path).want(t, exitOK)
		said := call(t, "evaluate", "--policy", path, file).want(t, exitOK)
		printed := strings.Join(strings.Fields(said.stdout), " ")
		for _, want := range []string{
			"Predicted coaptation length A2-P2 plan " + r.row, "Predicted coaptation length on echo A2-P2 plan " + r.row,
			"Predicted coaptation length A2-P2 what was done 2.1 to 12.7 mm about 7.4 mm",
			"Ranges of a model, not advice: the coaptation length of A2-P2 from the plan under calibration " + id + ", all else uncalibrated.",
			"the model itself says 7.4 mm; the range is that of 31 patients of this site",
			"the site has calibrated some of them (" + id + "), the others are uncalibrated.",
		} {
			if !strings.Contains(printed, want) {
				t.Errorf("%s: %q is not said:\n%s", r.why, want, said.stdout)
			}
		}
		if strings.Contains(printed, "(range of an uncalibrated model") {
			t.Errorf("%s: what is calibrated is called uncalibrated", r.why)
		}
	}
	text, id := calibratedPolicy(-2, 1.5)
	for what, spoiled := range map[string]string{
		"nobody has signed this calibration":                      strings.Replace(text, "lead-3", "''", 1),
		"is not the id of these numbers: one of them was changed": strings.Replace(text, "shift_mm: -2", "shift_mm: -3", 1),
		"calibrations[0] has no last_case":                        strings.Replace(text, "last_case: 2026-05-07T13:25:00Z, ", "", 1),
	} {
		refused := call(t, "check-policy", policyFile(t, spoiled)).want(t, exitRefused)
		if !strings.Contains(refused.stderr, what) {
			t.Errorf("%s is not said of %s:\n%s", what, id, refused.stderr)
		}
	}
}
