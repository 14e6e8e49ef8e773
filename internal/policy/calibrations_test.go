package policy

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/statistics"
	"trigone/internal/valve"
)

// calibrated is an entry as somebody types it: keys in an order of his own, in one line.
const calibrated = `{signed_at: "2026-05-02T09:30:00+02:00", signed_by: lead-3, note: "read beside 12 films", id: cal-%s, quantity: coaptation_length,
   prediction: from_plan, technique: resection, formula: 2, patients: 64, last_case: "2026-03-04T08:12:00Z", shift_mm: -1.25, centre_mm: 8.4, scatter_mm2: 251.2, spread_mm: 1.913}`

// idOfCalibrated is made here from what stands above, in the words of the file's readme.
func idOfCalibrated() string {
	sum := sha256.Sum256([]byte("coaptation_length predicted_from_plan resection 2 64 -1.250 none 8.400 251.200 1.913 2026-03-04T08:12:00Z"))
	return hex.EncodeToString(sum[:6])
}

func entryOfCalibrated(replace ...string) string {
	text := strings.ReplaceAll(calibrated, "%s", idOfCalibrated())
	return strings.NewReplacer(replace...).Replace(text)
}

const calibratedHead = head + "calibrations:\n - "

func TestCalibrations(t *testing.T) {
	p, err := parsed("north.yaml", []byte(calibratedHead+entryOfCalibrated()+"\n"))
	if err != nil {
		t.Fatal(err)
	}
	want := settings.Calibration{
		ID: "cal-" + idOfCalibrated(), Quantity: valve.CoaptationLength, Prediction: valve.PredictedFromPlan, Technique: repair.ClassResection, Formula: 2,
		Correction: statistics.Correction{N: 64, Shift: -1.25, Stretch: 1, Centre: 8.4, Scatter: 251.2, SD: 1.913},
		LastCase:   time.Date(2026, 3, 4, 8, 12, 0, 0, time.UTC), SignedBy: "lead-3", SignedAt: time.Date(2026, 5, 2, 7, 30, 0, 0, time.UTC), Note: "read beside 12 films",
	}
	if len(p.Settings.Calibrations) != 1 || p.Settings.Calibrations[0] != want {
		t.Errorf("%+v\nwant %+v", p.Settings.Calibrations, want)
	}
	const told = "coaptation_length of resection, predicted from plan: shift -1.250 mm, spread 1.913 mm, of 64 patients; signed by lead-3 on 2026-05-02"
	if c := p.Changes(); len(c) != 1 || c[0].Site != told || c[0].BuiltIn != "uncalibrated" {
		t.Errorf("%+v", c)
	}
	if doc, ok := document(calibratedHead + entryOfCalibrated() + "\n"); !ok || compiled(t).Validate(doc) != nil {
		t.Error("the schema refuses it")
	}
}

func calibrationFaults() []faultRow {
	with := func(replace ...string) string { return calibratedHead + entryOfCalibrated(replace...) + "\n" }
	return []faultRow{
		{"nobody signed it", with("lead-3", `""`), "bad.yaml:5:56: calibrations[0].signed_by, signed_at or note is empty: nobody has signed this calibration"},
		{"signed without a reason", with(`"read beside 12 films"`, `" "`), "nobody has signed this calibration"},
		{"the signer left out", with("signed_by: lead-3, ", ""), "calibrations[0] has no signed_by; paste the entry as trigone calibrate prints it, and sign it"},
		{"a number changed after the fit", with("-1.25", "-1.3"), "calibrations[0].id is not the id of these numbers"},
		{"the technique changed after the fit", with("technique: resection", "technique: artificial_chords"), "calibrations[0].id is not the id of these numbers"},
		{"signed before its last case", with("2026-05-02", "2026-01-02"), "calibrations[0].signed_at is not after last_case"},
		{"fitted to another formula", with("formula: 2", "formula: 1"), "predicted_mean_contact is predicted by formula 2 now: what was fitted to another formula corrects nothing"},
		{"a class that there is not", with("technique: resection", "technique: triangle"), "is no class of techniques; the classes are ring_alone, resection, artificial_chords, resection_and_chords, other"},
		{"another quantity", with("coaptation_length", "mean_gradient"), "calibrations[0].quantity is no quantity whose prediction is calibrated"},
		{"predicted from neither", with("from_plan", "plan"), "calibrations[0].prediction is none of from_plan and from_execution"},
		{"too few", with("patients: 64", "patients: 29"), "calibrations[0].patients is 29; give 30 to"},
		{"half a patient", with("patients: 64", "patients: 64.5"), "calibrations[0].patients is 64.5; give a whole number"},
		{"a stretch beyond its bounds", with("centre_mm", "stretch: 1.3, centre_mm"), "calibrations[0].stretch is 1.3; give 0.9 to 1.25"},
		{"centimetres for millimetres the other way", with("-1.25", "-125"), "calibrations[0].shift_mm is -125; give -15 to 15"},
		{"no spread", with("1.913", "0"), "calibrations[0].spread_mm is 0; give 0.001 to 20"},
		{"a day for a time", with("2026-03-04T08:12:00Z", "2026-03-04"), "calibrations[0].last_case is no time with its zone"},
		{"an unknown key", with("shift_mm: -1.25", "shift_mm: -1.25, offset_mm: 1"), "calibrations[0].offset_mm is no key here"},
		{"the same predictions twice", with() + " - " + entryOfCalibrated() + "\n", "calibrations[1] corrects the same predictions as calibrations[0]"},
		{"no list", head + "calibrations: {a: 1}\n", "calibrations holds keys with values where a list is needed"},
	}
}

func TestFaultsOfCalibrations(t *testing.T) {
	for _, tt := range calibrationFaults() {
		t.Run(tt.why, func(t *testing.T) { tt.check(t) })
	}
}

// What was in force once is read again when a formula has changed since: it corrects
// nothing now.
func TestStoredCalibrations(t *testing.T) {
	text := strings.ReplaceAll(entryOfCalibrated("formula: 2", "formula: 1"), idOfCalibrated(), func() string {
		sum := sha256.Sum256([]byte("coaptation_length predicted_from_plan resection 1 64 -1.250 none 8.400 251.200 1.913 2026-03-04T08:12:00Z"))
		return hex.EncodeToString(sum[:6])
	}())
	p, err := ParseStored("then", []byte(calibratedHead+text+"\n"))
	if err != nil || len(p.Settings.Calibrations) != 0 {
		t.Errorf("%+v, %v", p.Settings.Calibrations, err)
	}
	if p, err = ParseStored("then", []byte(calibratedHead+entryOfCalibrated()+"\n")); err != nil || len(p.Settings.Calibrations) != 1 {
		t.Errorf("%+v, %v", p.Settings.Calibrations, err)
	}
}

// A fragment is refused until it is signed, and then gives back every number that was
// printed.
func TestFragmentsComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		role := rapid.SampledFrom([]valve.Role{valve.PredictedFromPlan, valve.PredictedFromExecution}).Draw(t, "role")
		id, _ := metric.Foretells(role)
		formula, _ := metric.FormulaNumber(id)
		number := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
		c := settings.Calibration{
			Quantity: valve.CoaptationLength, Prediction: role, Technique: rapid.SampledFrom(repair.TechniqueClasses()).Draw(t, "class"), Formula: formula,
			Correction: settings.OnGrid(statistics.Correction{
				N: rapid.IntRange(30, 5000).Draw(t, "n"), Shift: number("shift", -6, 6), Stretch: 1, Centre: number("centre", 1, 20), Scatter: number("scatter", 1, 9000), SD: number("spread", 0.1, 6),
			}),
			LastCase: time.Unix(rapid.Int64Range(1, 2e9).Draw(t, "last"), 0).UTC(),
		}
		if c.Stretched = rapid.Bool().Draw(t, "stretched"); c.Stretched {
			c.Stretch = settings.OnGrid(statistics.Correction{Stretch: number("stretch", 0.9, 1.25)}).Stretch
		}
		c.ID = c.ContentID()
		text := head + Fragment([]settings.Calibration{c})
		if _, err := parsed("p.yaml", []byte(text)); err == nil || !strings.Contains(err.Error(), "nobody has signed") {
			t.Fatalf("unsigned: %v", err)
		}
		c.SignedBy, c.SignedAt, c.Note = "lead-3", time.Date(2040, 1, 1, 0, 0, 0, 0, time.UTC), "why"
		text = strings.NewReplacer(`signed_by: ""`, "signed_by: lead-3", `signed_at: ""`, `signed_at: "2040-01-01T00:00:00Z"`, `note: ""`, "note: why").Replace(text)
		p, err := parsed("p.yaml", []byte(text))
		if err != nil || len(p.Settings.Calibrations) != 1 || p.Settings.Calibrations[0] != c {
			t.Fatalf("%+v\nwant %+v\n%v", p.Settings.Calibrations, c, err)
		}
	})
}

// The entry that the README shows is one.
func TestCalibrationOfTheReadme(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, text, found := strings.Cut(string(readme), "```yaml\ncalibrations:\n")
	text, _, closed := strings.Cut(text, "```")
	if !found || !closed {
		t.Fatal("the README shows no calibration")
	}
	if p, err := parsed("README.md", []byte(head+"calibrations:\n"+text)); err != nil || len(p.Settings.Calibrations) != 1 {
		t.Error(err)
	}
}
