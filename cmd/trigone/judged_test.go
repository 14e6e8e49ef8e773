package main

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	trigonev1 "trigone/proto/trigone/v1"
)

// trialFile is an invented case as somebody else would write it: an assessment, a plan,
// an operation and the echo on leaving theatre, whose parts a row fills in.
func trialFile(assessment, plan, steps, exit string) string {
	return fmt.Sprintf(`{
  "externalIdentifier": {"system": "urn:example:harbour-hospital:case", "value": "MV-TRIAL-1"},
  "patientIdentifier": {"system": "urn:example:harbour-hospital:patient", "value": "P-TRIAL-1"},
  "identity": {"sex": "SEX_MALE", "heightCm": 180, "weightKg": 80},
  "assessments": [{"id": "tte", "kind": "ASSESSMENT_KIND_TRANSTHORACIC", "study": {"time": "2026-10-01T09:00:00Z", "context": {"method": "METHOD_ECHO_3D"}%s}}],
  "plan": {"signedTime": "2026-10-20T09:00:00Z", "stepsRecorded": "RECORDED_COMPLETE", "steps": [%s]},
  "operation": {"incisionTime": "2026-11-02T08:00:00Z", "stepsRecorded": "RECORDED_COMPLETE", "steps": [%s]},
  "results": [{"id": "exit", "stage": "STAGE_LEAVING_THEATRE", "run": 1, "study": {"context": {"method": "METHOD_DOPPLER"}%s}}]
}`, assessment, plan, steps, exit)
}

// What the sources changed, through the program: limits, the ejection fraction, the
// orifice by continuity, intervals of volumes.
func TestEvaluateSaysWhatTheSourcesSay(t *testing.T) {
	chambers := func(volumes, stated string, percent int) string {
		at := func(unit string, v int, method string) string {
			if method != "" {
				method = fmt.Sprintf(`, "context": {"method": %q}`, method)
			}
			return fmt.Sprintf(`{%q: %d%s}`, unit, v, method)
		}
		return fmt.Sprintf(`, "chambers": {"leftVentricularEndDiastolicVolume": %s, "leftVentricularEndSystolicVolume": %s, "statedLeftVentricularEjectionFraction": %s}`,
			at("ml", 160, volumes), at("ml", 60, volumes), at("percent", percent, stated))
	}
	resection := func(width, height int) string {
		return fmt.Sprintf(`{"id": "p1", "technique": {"leafletResection": {"segments": ["SEGMENT_A2"], "shape": "RESECTION_SHAPE_TRIANGULAR", "resectionFreeEdgeWidth": {"mm": %d}, "resectionHeight": {"mm": %d}}}}`, width, height)
	}
	leaflet := `, "leaflets": {"anteriorLeafletArea": {"cm2": 8}, "heights": [{"segment": "SEGMENT_A2", "leafletHeight": {"mm": 27}}]}`
	const edge = `{"id": "o1", "run": 1, "technique": {"edgeToEdge": {"slice": "SLICE_A2_P2"}}}`
	orifices := func(cm2 string) string { return `, "gradient": {"planimetryOrificeArea": {"cm2": ` + cm2 + `}}` }
	for _, row := range []struct {
		why, file string
		rule      string // what is found
		says      string // in its message
		not       string // what is not
	}{
		{"one method at each value, 17.5 points apart", trialFile(chambers("METHOD_ECHO_3D", "METHOD_ECHO_3D", 45), "", "", ""),
			"ejection-fraction-contradicts-volumes", "17.5 points", "ejection-fraction-unlike-volumes"},
		{"the method stands at the study alone", trialFile(chambers("", "", 45), "", "", ""),
			"ejection-fraction-unlike-volumes", "17.5 points apart", "ejection-fraction-contradicts-volumes"},
		{"by eye", trialFile(chambers("METHOD_ECHO_3D", "METHOD_VISUAL", 45), "", "", ""),
			"ejection-fraction-unlike-volumes", "45.0 % as stated", "ejection-fraction-contradicts-volumes"},
		{"three points apart", trialFile(chambers("METHOD_ECHO_3D", "METHOD_ECHO_3D", 60), "", "", ""),
			"", "", "ejection-fraction-unlike-volumes"},
		{"half of the anterior leaflet's height", trialFile(leaflet, resection(14, 14), "", ""),
			"anterior-resection-large", "51.9 % of the way", ""},
		{"a limited triangle", trialFile(leaflet, resection(8, 8), "", ""), "", "", "anterior-resection-large"},
		{"1.9 cm2 after an edge-to-edge suture", trialFile("", "", edge, orifices("1.9")), "edge-to-edge-orifice-small", "below 2.5 cm²", "orifice-area-small"},
		{"1.9 cm2 without one", trialFile("", "", "", orifices("1.9")), "", "", "edge-to-edge-orifice-small"},
	} {
		printed := call(t, "evaluate", write(t, []byte(row.file)), "--format", "json")
		if printed.code != exitOK && printed.code != exitContradiction {
			t.Fatalf("%s: exit code %d: %s", row.why, printed.code, printed.stderr)
		}
		e := decode(t, printed.stdout, &trigonev1.Evaluation{})
		find := func(rule string) *trigonev1.Finding {
			i := slices.IndexFunc(e.GetFindings(), func(f *trigonev1.Finding) bool { return f.GetRule() == rule })
			if i < 0 {
				return nil
			}
			return e.GetFindings()[i]
		}
		if f := find(row.rule); row.rule != "" && (f == nil || !strings.Contains(f.GetMessage(), row.says)) {
			t.Errorf("%s: %s says %q, want %q", row.why, row.rule, f.GetMessage(), row.says)
		}
		if f := find(row.not); row.not != "" && f != nil {
			t.Errorf("%s: %q", row.why, f.GetMessage())
		}
	}
}

// The orifice by continuity is that of the jet: 56.5 mL over 27 cm are 2.09 cm2; over
// the integral at the annulus there is no orifice. Volumes carry an interval.
func TestEvaluateDividesByTheJet(t *testing.T) {
	flow := func(integral string) string {
		return fmt.Sprintf(`, "regurgitation": {"grade": {"scheme": "GRADE_SCHEME_FIVE_STEP", "value": "GRADE_VALUE_TRACE"}}, "flow": {"outflowTractDiameter": {"mm": 20}, "outflowTractVelocityTimeIntegral": {"cm": 18}, %s}`, integral)
	}
	for integral, want := range map[string]float64{
		`"transmitralJetVelocityTimeIntegral": {"cm": 27}`: 2.09,
		`"inflowVelocityTimeIntegral": {"cm": 8}`:          0,
	} {
		e := decode(t, call(t, "evaluate", write(t, []byte(trialFile("", "", "", flow(integral)))), "--format", "json").stdout, &trigonev1.Evaluation{})
		got, interval := 0.0, false
		for _, m := range e.GetMetrics() {
			switch m.GetMetric() {
			case "continuity_orifice_area":
				got = m.GetValue()
			case "outflow_tract_stroke_volume":
				interval = m.Lower != nil && m.Upper != nil && m.GetLower() < 38 && m.GetUpper() > 75
			}
		}
		if got != want {
			t.Errorf("with %s the orifice is %v cm2, want %v", integral, got, want)
		}
		if !interval {
			t.Errorf("with %s the stroke volume of 56.5 mL is not told as uncertain by a third", integral)
		}
	}
}
