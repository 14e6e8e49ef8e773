package evaluate_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/evaluate"
	"trigone/internal/rules"
	"trigone/internal/settings"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// A repair that went well is left in peace: no contradiction and no caution on the
// textbook, anterior motion that resolved, values that are absent with their reason,
// a band, side slices as they are, and on a death as the ordinary course has it.
func TestHealthyCasesAreLeftInPeace(t *testing.T) {
	absent := func(f *trigonev1.CaseFile) {
		possible := trigonev1.AbsentReason_ABSENT_REASON_NOT_POSSIBLE
		for _, r := range f.GetResults() {
			for _, c := range r.GetStudy().GetLeaflets().GetCoaptation() {
				c.CoaptationLength = &trigonev1.Length{AbsentReason: possible}
			}
			r.GetStudy().GetGradient().PlanimetryOrificeArea = &trigonev1.Area{AbsentReason: possible}
		}
	}
	quick := func(f *trigonev1.CaseFile) {
		for _, r := range f.GetResults() {
			r.GetStudy().GetGradient().GradientHeartRate = &trigonev1.Rate{PerMin: proto.Float64(112)}
			r.GetStudy().GetHaemodynamics().Inotrope = trigonev1.Answer_ANSWER_YES
		}
	}
	for _, row := range []struct {
		why, file string
		change    func(*trigonev1.CaseFile)
	}{
		{"textbook: a triangle and a complete ring", "triangular-complete-ring", nil},
		{"anterior motion that resolved", "anterior-motion", nil},
		{"absent, with the reason", "triangular-complete-ring", absent},
		{"a normal gradient, read at a fast rate under an inotrope", "triangular-complete-ring", quick},
		{"a band", "chord-rupture-sliding", nil},
		{"side slices; dies after four years", "three-slices", nil},
		{"dies in hospital", "two-triangles", nil},
		{"dies at home", "neochordae", nil},
		{"dies in theatre", "no-plan", nil},
		{"lost", "plan-revised", nil},
	} {
		t.Run(row.why, func(t *testing.T) {
			file, err := testdata.Read(testdata.Cases, row.file)
			if err != nil {
				t.Fatal(err)
			}
			if row.change != nil {
				row.change(file)
			}
			e := evaluate.Evaluate(evaluate.Input{Case: convert.Case(record(file)), Settings: settings.BuiltIn("example", "1", "UTC"), First: true})
			for _, f := range e.Findings {
				if f.Severity != rules.Note {
					t.Errorf("%s %s: %s", f.Severity, f.Rule, f.Message)
				}
			}
		})
	}
}
