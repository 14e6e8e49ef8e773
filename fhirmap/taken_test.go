package fhirmap_test

import (
	"testing"

	"google.golang.org/protobuf/encoding/protojson"

	"trigone/internal/convert"
	"trigone/internal/evaluate"
	"trigone/internal/settings"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// A public code stands beside ours where the record says of the value what the code's
// definition asks: at the value itself, at the set around it, or at everything that
// a computed value read. Definitions: internal/metric, publicCodes.
func TestPublicCodeFollowsTheContext(t *testing.T) {
	const systole = `"cardiacPhase":"CARDIAC_PHASE_END_SYSTOLE"`
	rows := []struct{ why, study, own, want string }{
		{
			"what the set around it states",
			`{"context":{"method":"METHOD_ECHO_3D",` + systole + `},"annulus":{"intertrigonalDistance":{"mm":28}}}`,
			"intertrigonal-distance", "131179",
		},
		{
			"the phase is not stated",
			`{"context":{"method":"METHOD_ECHO_3D"},"annulus":{"intertrigonalDistance":{"mm":28}}}`,
			"intertrigonal-distance", "",
		},
		{
			"the value's own method is another one",
			`{"context":{"method":"METHOD_ECHO_3D",` + systole + `},"annulus":{"intertrigonalDistance":{"mm":28,"context":{"method":"METHOD_RULER"}}}}`,
			"intertrigonal-distance", "",
		},
		{
			"the value's own plane is another one",
			`{"context":{"method":"METHOD_ECHO_3D",` + systole + `},"annulus":{"annulusIntercommissuralDiameter":{"mm":38,"context":{"plane":"PLANE_COMMISSURAL"}}}}`,
			"annulus-intercommissural-diameter", "",
		},
		{
			"a plane that has to be stated is",
			`{"context":{"method":"METHOD_ECHO_2D",` + systole + `},"annulus":{"annulusAnteroPosteriorDiameter":{"mm":34,"context":{"plane":"PLANE_SHORT_AXIS"}}}}`,
			"annulus-antero-posterior-diameter", "131182",
		},
		{
			"it is not",
			`{"context":{"method":"METHOD_ECHO_2D",` + systole + `},"annulus":{"annulusAnteroPosteriorDiameter":{"mm":34}}}`,
			"annulus-antero-posterior-diameter", "",
		},
		{
			"the height of a flail edge above the plane",
			`{"context":{"method":"METHOD_ECHO_2D",` + systole + `},"leaflets":{"lesions":[{"id":"l","location":{"segment":"SEGMENT_P2"},"flail":"ANSWER_YES","prolapseHeight":{"mm":6}}]}}`,
			"prolapse-height", "131196",
		},
		{
			"an edge that prolapses and is not flail",
			`{"context":{"method":"METHOD_ECHO_2D",` + systole + `},"leaflets":{"lesions":[{"id":"l","location":{"segment":"SEGMENT_P2"},"flail":"ANSWER_NO","prolapseHeight":{"mm":6}}]}}`,
			"prolapse-height", "",
		},
		{
			"the gap to the opposite leaflet is not that to the plane",
			`{"context":{"method":"METHOD_ECHO_2D",` + systole + `},"leaflets":{"lesions":[{"id":"l","location":{"segment":"SEGMENT_P2"},"flail":"ANSWER_YES","flailGap":{"mm":6}}]}}`,
			"flail-gap", "",
		},
		{
			"computed from two values of one method",
			`{"context":{"method":"METHOD_DOPPLER"},"flow":{"earlyInflowVelocity":{"cmPerS":110},"lateInflowVelocity":{"cmPerS":70}}}`,
			"early-to-late-inflow-ratio", "18038-0",
		},
		{
			"computed from values of two methods",
			`{"context":{"method":"METHOD_DOPPLER"},"flow":{"earlyInflowVelocity":{"cmPerS":110},"lateInflowVelocity":{"cmPerS":70,"context":{"method":"METHOD_MAGNETIC_RESONANCE"}}}}`,
			"early-to-late-inflow-ratio", "",
		},
	}
	for _, row := range rows {
		study := &trigonev1.Study{}
		if err := protojson.Unmarshal([]byte(row.study), study); err != nil {
			t.Fatalf("%s: %v", row.why, err)
		}
		file := &trigonev1.CaseFile{Assessments: []*trigonev1.Assessment{{Id: "a", Study: study}}}
		if got, ok := publicCodes(t, file)[row.own]; !ok || got != row.want {
			t.Errorf("%s: %s has %q beside it (sent: %v), want %q", row.why, row.own, got, ok, row.want)
		}
	}

	// What is computed from a contour has the context of the contour.
	file, err := testdata.Read(testdata.Cases, "saddle-annulus")
	if err != nil {
		t.Fatal(err)
	}
	if got := publicCodes(t, file)["annulus-contour-fold-angle"]; got != "131188" {
		t.Errorf("the fold angle of a contour by 3D in systole has %q beside it, want 131188", got)
	}
	for _, a := range file.GetAssessments() {
		if shape := a.GetStudy().GetAnnulus().GetShape(); shape != nil {
			shape.CardiacPhase = trigonev1.CardiacPhase_CARDIAC_PHASE_UNSPECIFIED
			a.Study.Context.CardiacPhase = trigonev1.CardiacPhase_CARDIAC_PHASE_UNSPECIFIED
		}
	}
	if got := publicCodes(t, file)["annulus-contour-height"]; got != "" {
		t.Errorf("the height of a contour in no stated phase has %q beside it, want none", got)
	}
}

// publicCodes gives what stands before our codes in the bundle of a case.
func publicCodes(t *testing.T, file *trigonev1.CaseFile) map[string]string {
	t.Helper()
	e := evaluate.Evaluate(evaluate.Input{Case: convert.Case(record(file)), Settings: settings.BuiltIn("harbour", "1", "UTC")})
	all := map[string]string{}
	for _, r := range resources(t, transaction(t, historyOf(file, convert.Evaluation(&e)))) {
		if r["resourceType"] != "Observation" {
			continue
		}
		codings := asArray(at(r, "code", "coding"))
		own := at(codings[len(codings)-1], "code").(string)
		all[own] = ""
		if len(codings) > 1 {
			all[own], _ = at(codings[0], "code").(string)
		}
	}
	return all
}
