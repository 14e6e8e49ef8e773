package fhirmap_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
	"trigone/internal/metric"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

var update = flag.Bool("update", false, "write the golden files anew")

type (
	object = map[string]any
	array  = []any
)

func transaction(t testing.TB, h fhirmap.History) []byte {
	t.Helper()
	b, err := fhirmap.Transaction(h)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func decode(t testing.TB, b []byte) object {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	var o object
	if err := d.Decode(&o); err != nil {
		t.Fatal(err)
	}
	return o
}

// resources gives the resources of a bundle by their request's url.
func resources(t testing.TB, bundle []byte) map[string]object {
	t.Helper()
	found := map[string]object{}
	entries, _ := decode(t, bundle)["entry"].(array)
	for _, e := range entries {
		request := e.(object)["request"].(object)
		found[request["url"].(string)] = e.(object)["resource"].(object)
	}
	return found
}

// byKey gives the resource whose identifier ends with the key.
func byKey(t testing.TB, bundle []byte, key string) object {
	t.Helper()
	for _, r := range resources(t, bundle) {
		if _, own, _ := strings.Cut(identifier(r), "/"); own == key {
			return r
		}
	}
	t.Fatalf("the bundle has no resource with the key %s", key)
	return nil
}

// identifier gives the stable identifier of a resource, with bars between the parts
// of its key as they are there; a Provenance has none.
func identifier(r object) string {
	if r["identifier"] == nil {
		return ""
	}
	return strings.ReplaceAll(r["identifier"].(array)[0].(object)["value"].(string), "~", "|")
}

// at walks into a resource: names for objects, numbers for arrays.
func at(x any, path ...any) any {
	for _, p := range path {
		switch key := p.(type) {
		case string:
			o, _ := x.(object)
			x = o[key]
		case int:
			a, _ := x.(array)
			if key >= len(a) {
				return nil
			}
			x = a[key]
		}
	}
	return x
}

func TestGoldenBundles(t *testing.T) {
	for _, example := range fhirtest.Examples() {
		t.Run(example.Name, func(t *testing.T) {
			bundle := transaction(t, example.History)
			for _, fault := range fhirtest.Check(bundle) {
				t.Error(fault)
			}
			var indented bytes.Buffer
			if err := json.Indent(&indented, bundle, "", "  "); err != nil {
				t.Fatal(err)
			}
			indented.WriteByte('\n')
			file := filepath.Join("testdata", example.Name+".json")
			if *update {
				if err := os.WriteFile(file, indented.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(indented.Bytes(), want) {
				t.Errorf("%s differs; look at the difference and run the tests with -update", file)
			}
		})
	}
}

// What the golden bundles must say, element by element; sources: HL7 FHIR R4
// 4.0.1 for elements and bindings, the package's documentation for choices.
func TestElements(t *testing.T) {
	complete := transaction(t, fhirtest.Complete())
	disputed := transaction(t, fhirtest.Disputed())
	converted := transaction(t, fhirtest.Converted())
	core := transaction(t, fhirtest.CoreOnly())
	tests := []struct {
		name   string // why this row
		bundle []byte
		key    string
		path   []any
		want   any
	}{
		{"an ended operation is completed", complete, "operation", []any{"status"}, "completed"},
		{"its period is incision to end", complete, "operation", []any{"performedPeriod", "end"}, "2026-03-03T12:40:00Z"},
		{"it is surgical", complete, "operation", []any{"category", "coding", 0, "code"}, "387713003"},
		{"a step in place is completed", complete, "step/s-resection", []any{"status"}, "completed"},
		{"its place is a local code: none was verified for segments", complete, "step/s-resection", []any{"bodySite", 0, "coding", 0, "code"}, "p2"},
		{"a ring taken down was stopped", complete, "step/s-ring-1", []any{"status"}, "stopped"},
		{"and says why", complete, "step/s-ring-1", []any{"statusReason", "coding", 0, "code"}, "taken-down-test-failed"},
		{"its device is not in use", complete, "ring/s-ring-1", []any{"status"}, "inactive"},
		{"the ring that stayed is", complete, "ring/s-ring-2", []any{"status"}, "active"},
		{"its label is written as it was sent", complete, "ring/s-ring-2", []any{"property", 0, "valueQuantity", 0, "value"}, json.Number("32")},
		{"its family is the site's key", complete, "ring/s-ring-2", []any{"property", 1, "valueCode", 0, "coding", 0, "code"}, "family-a"},
		{"the ring was implanted", complete, "step/s-ring-2", []any{"focalDevice", 0, "action", "coding", 0, "code"}, "implanted"},
		{"a planned step left out is not done", complete, "planned-step/p-cleft", []any{"status"}, "not-done"},
		{"and says why", complete, "planned-step/p-cleft", []any{"statusReason", "coding", 0, "code"}, "finding-differed"},
		{"what it would have been", complete, "planned-step/p-cleft", []any{"code", "coding", 0, "code"}, "cleft-closure"},
		{"a length has one decimal: the grid of the leaf", complete, "value|coaptation_length|result/exit|measured|echo-2d|a2_p2", []any{"valueQuantity", "value"}, json.Number("8.4")},
		{"a whole number keeps the grid's decimals", complete, "value|body_height|identity|measured", []any{"valueQuantity", "value"}, json.Number("168.0")},
		{"a ratio has two", complete, "value|ring_to_native_annulus_area_ratio|operation|derived|step:s-ring-2", []any{"valueQuantity", "value"}, json.Number("0.54")},
		{"UCUM", complete, "value|mean_gradient|result/exit|measured|doppler", []any{"valueQuantity", "code"}, "mm[Hg]"},
		{"a public code first", complete, "value|mean_gradient|result/exit|measured|doppler", []any{"code", "coding", 0, "code"}, "80073-0"},
		{"ours second", complete, "value|mean_gradient|result/exit|measured|doppler", []any{"code", "coding", 1, "code"}, "mean-gradient"},
		{"a systolic code where the study states systole", complete, "value|annulus_area|assessment/tee|measured|echo-3d", []any{"code", "coding", 0, "code"}, "131183"},
		{"a 3D code is not for a 2D value", complete, "value|coaptation_length|result/exit|measured|echo-2d|a2_p2", []any{"code", "coding", 0, "code"}, "coaptation-length"},
		{"a code that means more is not sent", complete, "value|gradient_heart_rate|result/exit|measured", []any{"code", "coding", 0, "code"}, "gradient-heart-rate"},
		{"each place has an Observation", complete, "value|leaflet_height|assessment/tee|measured|echo-3d|p2/segment_mid", []any{"bodySite", "coding", 0, "code"}, "p2-segment-mid"},
		{"with its value at the top", complete, "value|leaflet_height|assessment/tee|measured|echo-3d|p2/segment_mid", []any{"valueQuantity", "value"}, json.Number("19.0")},
		{"one place absent", complete, "value|leaflet_height|assessment/tee|measured|echo-3d|lateral_commissure", []any{"dataAbsentReason", "coding", 0, "code"}, "not-performed"},
		{"and why in fixed words", complete, "value|leaflet_height|assessment/tee|measured|echo-3d|lateral_commissure", []any{"dataAbsentReason", "text"}, "Not possible"},
		{"absent without a place", complete, "value|vena_contracta_width|assessment/tee|measured", []any{"dataAbsentReason", "coding", 0, "code"}, "not-performed"},
		{"not recorded is unknown", complete, "value|mean_gradient|follow_up/one-year|measured", []any{"dataAbsentReason", "coding", 0, "code"}, "unknown"},
		{"zero is a value", complete, "value|resection_base_width|operation|measured|ruler|step:s-resection", []any{"valueQuantity", "value"}, json.Number("0.0")},
		{"the time of the field set", complete, "value|leaflet_height|operation/run1/after_ring|measured|ruler|p2/seam", []any{"effectiveDateTime"}, "2026-03-03T10:50:00Z"},
		{"the time of the test", complete, "value|saline_pressure|operation/run1/after_ring|measured|test:saline-1", []any{"effectiveDateTime"}, "2026-03-03T10:55:00Z"},
		{"a civil date", complete, "value|heart_rate|follow_up/one-year|measured", []any{"effectiveDateTime"}, "2027-03-01"},
		{"the time of the operation for a step's dimension", complete, "value|resection_free_edge_width|operation|measured|ruler|step:s-resection", []any{"effectivePeriod", "start"}, "2026-03-03T08:15:00Z"},
		{"measured by hand", complete, "value|resection_free_edge_width|operation|measured|ruler|step:s-resection", []any{"category", 0, "coding", 0, "code"}, "procedure"},
		{"imaging", complete, "value|annulus_area|assessment/tee|measured|echo-3d", []any{"category", 0, "coding", 0, "code"}, "imaging"},
		{"a height with a day is a vital sign", complete, "value|body_height|identity|measured", []any{"category", 0, "coding", 0, "code"}, "vital-signs"},
		{"by its code", complete, "value|body_height|identity|measured", []any{"code", "coding", 0, "code"}, "8302-2"},
		{"of that day", complete, "value|body_height|identity|measured", []any{"effectiveDateTime"}, "2026-02-27"},
		{"in centimetres", complete, "value|body_height|identity|measured", []any{"valueQuantity", "code"}, "cm"},
		{"a weight without a day is none", complete, "value|body_weight|identity|measured", []any{"category", 0, "coding", 0, "code"}, "exam"},
		{"and has our code alone", complete, "value|body_weight|identity|measured", []any{"code", "coding", 0, "code"}, "body-weight"},
		{"a heart rate with a time meets the vital signs profile", complete, "value|heart_rate|assessment/tee|measured", []any{"category", 0, "coding", 0, "code"}, "vital-signs"},
		{"one without does not", core, "value|heart_rate|result/exit|measured", []any{"category", 0, "coding", 0, "code"}, "exam"},
		{"nor does it use the profile's code", core, "value|heart_rate|result/exit|measured", []any{"code", "coding", 0, "code"}, "heart-rate"},
		{"where a lesion is", complete, "value|flail_gap|assessment/tee|measured|lesion:flail", []any{"bodySite", "coding", 0, "code"}, "p2"},
		{"a prediction is a range", complete, "value|predicted_mean_contact|plan|predicted-from-plan|a2_p2", []any{"valueRange", "low", "value"}, json.Number("4.3")},
		{"it has a code of its own", complete, "value|predicted_mean_contact|plan|predicted-from-plan|a2_p2", []any{"code", "coding", 0, "code"}, "predicted-mean-contact"},
		{"and carries the caution", complete, "value|predicted_mean_contact|plan|predicted-from-plan|a2_p2", []any{"note", 0, "text"}, "Decision support for qualified staff, not a medical device. Predictions are ranges of an uncalibrated model, not advice."},
		{"a prediction from the plan stands at its signing", complete, "value|predicted_mean_contact|plan|predicted-from-plan|a2_p2", []any{"effectiveDateTime"}, "2026-03-03T06:45:00Z"},
		{"a grade has a public code", complete, "grade|regurgitation_grade|assessment/tee", []any{"valueCodeableConcept", "coding", 0, "code"}, "24484000"},
		{"and a local ordinal", complete, "grade|regurgitation_grade|assessment/tee", []any{"valueCodeableConcept", "coding", 1, "code"}, "five-step-4"},
		{"plus signs have no public code", complete, "grade|regurgitation_grade|follow_up/one-year", []any{"valueCodeableConcept", "coding", 0, "code"}, "plus-signs-1"},
		{"nor has a trace", core, "grade|regurgitation_grade|result/exit", []any{"valueCodeableConcept", "coding", 0, "code"}, "split-moderate-1"},
		{"a panel says the occasion", complete, "panel|result/exit", []any{"category", 1, "coding", 0, "code"}, "leaving-theatre"},
		{"and the run", complete, "panel|result/exit", []any{"extension", 0, "valueInteger"}, json.Number("1")},
		{"so does a value", complete, "value|mean_gradient|result/exit|measured|doppler", []any{"category", 2, "coding", 0, "code"}, "leaving-theatre"},
		{"a grade", complete, "grade|regurgitation_grade|follow_up/one-year", []any{"category", 2, "coding", 0, "code"}, "12-months"},
		{"before any leaflet was cut the valve is native", complete, "grade|regurgitation_grade|assessment/tee", []any{"category", 2, "coding", 0, "code"}, "native"},
		{"a set of heights", complete, "value|leaflet_height|operation/run1/after_ring|measured|ruler|p2/seam", []any{"category", 2, "coding", 0, "code"}, "after-ring"},
		{"a step has a time, no stage", complete, "value|resection_free_edge_width|operation|measured|ruler|step:s-resection", []any{"category", 2, "coding", 0, "code"}, "operation"},
		{"a prediction is of the plan", complete, "value|predicted_mean_contact|plan|predicted-from-plan|a2_p2", []any{"category", 2, "coding", 0, "code"}, "plan"},
		{"the software says its version", complete, "software/0.1.0/1/1/", []any{"version", 0, "value"}, "0.1.0"},

		{"a disputed value is an error", disputed, "value|annulus_area|assessment/tee|measured|echo-3d", []any{"dataAbsentReason", "coding", 0, "code"}, "error"},
		{"its number is not sent", disputed, "value|annulus_area|assessment/tee|measured|echo-3d", []any{"valueQuantity"}, nil},
		{"the rest of the case flows on", disputed, "value|mean_gradient|result/exit|measured|doppler", []any{"valueQuantity", "value"}, json.Number("3.2")},
		{"the issue names its rule", disputed, "finding/1f1f1f1f1f1f1f1f", []any{"code", "coding", 0, "code"}, "perimeter-too-short-for-area"},
		{"and what it is", disputed, "finding/1f1f1f1f1f1f1f1f", []any{"evidence", 0, "code", 0, "coding", 0, "code"}, "contradiction"},
		{"moderate", disputed, "finding/1f1f1f1f1f1f1f1f", []any{"severity"}, "moderate"},
		{"a clock that contradicts itself is not sent", disputed, "operation", []any{"performedPeriod"}, nil},

		{"a converted repair was stopped", converted, "operation", []any{"status"}, "stopped"},
		{"why", converted, "operation", []any{"statusReason", "coding", 0, "code"}, "conversion-residual-regurgitation"},
		{"the replacement is completed", converted, "operation/replacement", []any{"status"}, "completed"},
		{"a prosthesis has a public code", converted, "operation/prosthesis", []any{"type", "coding", 0, "code"}, "25510005"},
		{"a step not reached was not done for the conversion", converted, "planned-step/p-ring", []any{"statusReason", "coding", 0, "code"}, "conversion-residual-regurgitation"},

		{"an exit echo ends an operation without an end", core, "operation", []any{"status"}, "completed"},
		{"its period stays open", core, "operation", []any{"performedPeriod", "end"}, nil},
		{"a ring of unstated kind", core, "ring/2", []any{"type", "coding", 0, "code"}, "annuloplasty-device"},
		{"a patient identifier without a system", core, "operation", []any{"subject", "identifier", "value"}, "P-0002"},
	}
	for _, tt := range tests {
		if got := at(byKey(t, tt.bundle, tt.key), tt.path...); got != tt.want {
			t.Errorf("%s: %s %v is %v, want %v", tt.name, tt.key, tt.path, got, tt.want)
		}
	}
}

func TestReferencesBetweenResources(t *testing.T) {
	complete, disputed := transaction(t, fhirtest.Complete()), transaction(t, fhirtest.Disputed())
	converted := transaction(t, fhirtest.Converted())
	tests := []struct {
		name    string // why this row
		bundle  []byte
		from    string
		element string
		to      []string
	}{
		{"a child belongs to the operation", complete, "step/s-resection", "partOf", []string{"operation"}},
		{"also what was not done", complete, "planned-step/p-cleft", "partOf", []string{"operation"}},
		{"also the replacement", converted, "operation/replacement", "partOf", []string{"operation"}},
		{"a step's dimension belongs to the step", complete, "value|ring_orifice_area|operation|measured|step:s-ring-2", "partOf", []string{"step/s-ring-2"}},
		{"and is about the ring", complete, "value|ring_orifice_area|operation|measured|step:s-ring-2", "focus", []string{"ring/s-ring-2"}},
		{"an echo in theatre belongs to the operation", complete, "value|mean_gradient|result/exit|measured|doppler", "partOf", []string{"operation"}},
		{"an echo in the clinic does not", complete, "value|mean_gradient|follow_up/one-year|measured", "partOf", nil},
		{"a computed value names its inputs", complete, "value|ring_to_native_annulus_area_ratio|operation|derived|step:s-ring-2", "derivedFrom",
			[]string{"value|annulus_area|assessment/tee|measured|echo-3d", "value|ring_orifice_area|operation|measured|step:s-ring-2"}},
		{"a planned input is no Observation", complete, "value|predicted_mean_contact|plan|predicted-from-plan|a2_p2", "derivedFrom",
			[]string{"value|leaflet_height|assessment/tee|measured|echo-3d|a2/segment_mid"}},
		{"a contradiction names what it disputes", disputed, "finding/1f1f1f1f1f1f1f1f", "implicated",
			[]string{"value|annulus_antero_posterior_diameter|assessment/tee|measured|echo-3d", "value|annulus_area|assessment/tee|measured|echo-3d"}},
		{"one of clock times the operation", disputed, "finding/2e2e2e2e2e2e2e2e", "implicated", []string{"operation"}},
		{"a panel holds its occasion", complete, "panel|identity", "hasMember", []string{"value|body_height|identity|measured", "value|body_weight|identity|measured"}},
	}
	for _, tt := range tests {
		keys := map[string]string{}
		for _, r := range resources(t, tt.bundle) {
			_, key, _ := strings.Cut(identifier(r), "/")
			keys["urn:uuid:"+r["id"].(string)] = key
		}
		var got []string
		references, _ := byKey(t, tt.bundle, tt.from)[tt.element].(array)
		for _, r := range references {
			got = append(got, keys[r.(object)["reference"].(string)])
		}
		slices.Sort(got)
		if !slices.Equal(got, tt.to) {
			t.Errorf("%s: %s.%s is %v, want %v", tt.name, tt.from, tt.element, got, tt.to)
		}
	}
}

func TestNotSent(t *testing.T) {
	tests := []struct {
		name string // why this row
		text string
	}{
		{"free text of the record", fhirtest.Leak},
		{"who stated nothing but what was intended", "resident-5"},
		{"what was opened and not put in", "LOT-77003"},
		{"the case number", "C-0001"},
		{"a planned value", "|planned"},
		{"a note", "a-note-is-not-sent"},
		{"a value that is not evaluable", "regurgitant_volume_by_flow_convergence"},
		{"a step of the plan that was done", "planned-step/p-resection"},
		{"an operator's sex or age", "female"},
	}
	for _, example := range fhirtest.Examples() {
		bundle := string(transaction(t, example.History))
		for _, tt := range tests {
			if strings.Contains(bundle, tt.text) {
				t.Errorf("%s: %s is in the bundle: %s", example.Name, tt.text, tt.name)
			}
		}
	}
}

func TestOperationWithoutAnyEndIsInProgress(t *testing.T) {
	h := fhirtest.CoreOnly()
	h.Current.Case.CaseFile.Operation.LeftTheatreAlive = trigonev1.Answer_ANSWER_UNSPECIFIED
	h.Current.Case.CaseFile.Results[0].Stage = trigonev1.Stage_STAGE_OFF_BYPASS
	if got := byKey(t, transaction(t, h), "operation")["status"]; got != "in-progress" {
		t.Errorf("status %v, want in-progress", got)
	}
}

func TestOmittedStepIsFoundInTheRevisionInForce(t *testing.T) {
	states := fhirtest.RevisedStates()
	// The second state's head no longer has the step; the first had it.
	bundle := transaction(t, fhirtest.Of("u", states[:2]...))
	if got := at(byKey(t, bundle, "planned-step/p-cleft"), "code", "coding", 0, "code"); got != "cleft-closure" {
		t.Errorf("code %v, want cleft-closure", got)
	}
	// Alone, the bundle still says that a step was left out.
	bundle = transaction(t, fhirmap.History{Site: "s", UID: "u", Current: states[1]})
	if got := at(byKey(t, bundle, "planned-step/p-cleft"), "code", "coding", 0, "code"); got != "step-not-stated" {
		t.Errorf("code %v, want step-not-stated", got)
	}
	// A bundle must not lose the step where no state holds the plan: which ids a
	// state produces does not depend on the states before it.
	states[1].Case.CaseFile.Plan = nil
	bundle = transaction(t, fhirmap.History{Site: "s", UID: "u", Current: states[1]})
	if got := byKey(t, bundle, "planned-step/p-cleft")["status"]; got != "not-done" {
		t.Errorf("status %v, want not-done", got)
	}
	// Without a plan in force nothing was left out of it.
	states[1].Case.Evaluation.PlanInForce.Timing = trigonev1.PlanTiming_PLAN_TIMING_UNSIGNED
	for _, r := range resources(t, transaction(t, fhirmap.History{UID: "u", Current: states[1]})) {
		if r["status"] == "not-done" && strings.Contains(identifier(r), "planned-step") {
			t.Error("a step is not-done although no plan was in force")
		}
	}
}

func TestRetractedCaseGivesTheSameIdsEnteredInError(t *testing.T) {
	h := fhirtest.Retracted()
	before, err := fhirmap.IDs(h.UID, fhirtest.RetractedStates()[0])
	if err != nil {
		t.Fatal(err)
	}
	after := resources(t, transaction(t, h))
	if len(after) != len(before) || len(before) == 0 {
		t.Errorf("%d resources before, %d after", len(before), len(after))
	}
	for _, id := range before {
		r := after[id.Type+"/"+id.ID]
		if id.Type == "Provenance" {
			// That something was received stays true; it says what, not what was in it.
			if list, _ := r["target"].(array); len(list) == 0 {
				t.Errorf("%s/%s names nothing", id.Type, id.ID)
			}
			continue
		}
		if ofSoftware(r) {
			if r["status"] != "inactive" {
				t.Errorf("software that computed something has status %v", r["status"])
			}
			continue
		}
		if fhirtest.Status(r) != "entered-in-error" {
			t.Errorf("%s/%s has status %v", id.Type, id.ID, fhirtest.Status(r))
		}
		for _, element := range []string{"valueQuantity", "component", "performedPeriod", "detail", "property", "text", "target", "parameter", "orderDetail", "conclusionCode"} {
			if r[element] != nil {
				t.Errorf("%s/%s still states %s", id.Type, id.ID, element)
			}
		}
	}
	if ids, err := fhirmap.IDs(h.UID, h.Current); err != nil || len(ids) != 0 {
		t.Errorf("the retracted state produces %d resources, %v", len(ids), err)
	}
}

func TestErrNothing(t *testing.T) {
	retracted := &trigonev1.Case{State: trigonev1.CaseState_CASE_STATE_ACTIVE, Sections: []*trigonev1.SectionStatus{
		{Section: "identity", State: trigonev1.SectionState_SECTION_STATE_RETRACTED},
	}}
	tests := []struct {
		name string // why this row
		h    fhirmap.History
	}{
		{"no case at all", fhirmap.History{}},
		{"no section", fhirmap.History{Current: fhirmap.Snapshot{Case: &trigonev1.Case{}}}},
		{"every section retracted", fhirmap.History{Current: fhirmap.Snapshot{Case: retracted}}},
	}
	for _, tt := range tests {
		if _, err := fhirmap.Transaction(tt.h); !errors.Is(err, fhirmap.ErrNothing) {
			t.Errorf("%s: %v", tt.name, err)
		}
	}
	// A disputed section is no reason to send nothing: the dispute is of values.
	h := fhirtest.CoreOnly()
	for _, s := range h.Current.Case.Sections {
		s.State = trigonev1.SectionState_SECTION_STATE_DISPUTED
	}
	if _, err := fhirmap.Transaction(h); err != nil {
		t.Error(err)
	}
}

func TestFaultyEvaluationIsRefused(t *testing.T) {
	tests := []struct {
		name   string // why this row
		change func(*trigonev1.MetricValue)
		want   string
	}{
		{"not a number would be sent as null or 0", func(v *trigonev1.MetricValue) { v.Value = proto.Float64(math.NaN()) }, "finite"},
		{"an unknown unit", func(v *trigonev1.MetricValue) { v.Unit = "mmHg" }, "mmHg"},
		{"a value by its state and none in fact", func(v *trigonev1.MetricValue) { v.Value = nil }, "none in fact"},
	}
	for _, tt := range tests {
		h := fhirtest.CoreOnly()
		tt.change(h.Current.Case.Evaluation.Metrics[2])
		_, err := fhirmap.Transaction(h)
		if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.Contains(err.Error(), "mean_gradient") {
			t.Errorf("%s: %v", tt.name, err)
		}
	}
	h := fhirtest.CoreOnly()
	h.Current.Case.Evaluation.Metrics = append(h.Current.Case.Evaluation.Metrics, h.Current.Case.Evaluation.Metrics[2])
	if _, err := fhirmap.Transaction(h); err == nil || !strings.Contains(err.Error(), "twice") {
		t.Errorf("two values under one key: %v", err)
	}
}

// A metric that the catalogue no longer holds is still sent, under our code.
func TestRetiredMetricIsStillSent(t *testing.T) {
	h := fhirtest.CoreOnly()
	v := h.Current.Case.Evaluation.Metrics[2]
	v.Metric, v.Value = "retired_metric", proto.Float64(4.25)
	o := byKey(t, transaction(t, h), "value|retired_metric|result/exit|measured")
	if got := at(o, "valueQuantity", "value"); got != json.Number("4.25") {
		t.Errorf("value %v, want 4.25", got)
	}
}

func TestSubjectWithoutPatientIdentifierIsTheCase(t *testing.T) {
	h := fhirtest.CoreOnly()
	h.Current.Case.CaseFile.PatientIdentifier = nil
	bundle := transaction(t, h)
	if got := at(byKey(t, bundle, "operation"), "subject", "identifier", "system"); got != fhirmap.CaseSubjectSystem {
		t.Errorf("system %v", got)
	}
	if faults := fhirtest.Check(bundle); faults != nil {
		t.Error(faults)
	}
}

// Whatever is in the current bundle and whatever vanished speaks of the patient as
// known now.
func TestCorrectedPatientIsTheSubjectOfAll(t *testing.T) {
	for url, r := range resources(t, transaction(t, fhirtest.Revised())) {
		for _, element := range []string{"subject", "patient"} {
			if s, has := r[element].(object); has && at(s, "identifier", "value") != "P-0009" {
				t.Errorf("%s names %v", url, at(s, "identifier", "value"))
			}
		}
	}
}

func TestDeterminism(t *testing.T) {
	for _, example := range fhirtest.Examples() {
		first := transaction(t, example.History)
		for range 20 {
			if !bytes.Equal(first, transaction(t, example.History)) {
				t.Fatalf("%s: two bundles of one history differ", example.Name)
			}
		}
	}
}

func TestRandomBundlesHold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, err := fhirmap.Transaction(fhirtest.Draw(t))
		if err != nil {
			t.Fatal(err)
		}
		if faults := fhirtest.Check(b); faults != nil {
			t.Fatal(strings.Join(faults, "\n"))
		}
		if bytes.Contains(b, []byte(fhirtest.Leak)) {
			t.Fatal("free text of the record is in the bundle")
		}
	})
}

// receiver is a server that keeps what was put last.
type receiver map[string]object

func (r receiver) put(bundle []byte, dropLower bool) {
	for url, resource := range resourcesOf(bundle) {
		if old, has := r[url]; has && dropLower && version(old) > version(resource) {
			continue
		}
		r[url] = resource
	}
}

// version is the history number of a resource, -1 if it has none.
func version(r object) int64 {
	for _, e := range asArray(r["extension"]) {
		if at(e, "url") == fhirmap.HistoryExtension {
			n, err := strconv.ParseFloat(fmt.Sprint(at(e, "valueDecimal")), 64)
			if err != nil {
				return -1
			}
			return int64(n)
		}
	}
	return -1
}

func (r receiver) String() string {
	b, err := json.Marshal(map[string]object(r))
	if err != nil {
		return err.Error()
	}
	return string(b)
}

// Receivers end where the newest bundle leaves them: after any sequence that ends
// with it; and in any order, where lower history numbers are dropped.
func TestConvergence(t *testing.T) {
	check := func(t *rapid.T, states []fhirmap.Snapshot) {
		var bundles [][]byte
		for i := range states {
			b, err := fhirmap.Transaction(fhirtest.Of("u", states[:i+1]...))
			if err != nil {
				t.Fatal(err)
			}
			bundles = append(bundles, b)
		}
		want := receiver{}
		want.put(bundles[len(bundles)-1], false)
		if len(want) == 0 {
			t.Fatal("the newest bundle puts nothing")
		}

		order := rapid.SliceOfN(rapid.IntRange(0, len(bundles)-1), 0, 6).Draw(t, "order")
		inOrder := slices.Sorted(slices.Values(order))
		got := receiver{}
		for _, i := range append(inOrder, len(bundles)-1) {
			got.put(bundles[i], false)
		}
		if got.String() != want.String() {
			t.Fatalf("in the order %v, then the newest: the receiver ends elsewhere", inOrder)
		}
		got = receiver{}
		for _, i := range slices.Insert(slices.Clone(order), rapid.IntRange(0, len(order)).Draw(t, "newest"), len(bundles)-1) {
			got.put(bundles[i], true)
		}
		if got.String() != want.String() {
			t.Fatalf("in the order %v with the newest among them, lower numbers dropped: the receiver ends elsewhere", order)
		}
	}
	t.Run("revised", func(t *testing.T) {
		rapid.Check(t, func(t *rapid.T) { check(t, fhirtest.RevisedStates()) })
	})
	t.Run("random", func(t *testing.T) {
		rapid.Check(t, func(t *rapid.T) { check(t, fhirtest.DrawStates(t)) })
	})
}

// Every id that any earlier state produced is in the bundle, and nothing else.
func TestBundleNamesEveryIdOfTheHistory(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		states := fhirtest.DrawStates(t)
		h := fhirtest.Of("u", states...)
		b, err := fhirmap.Transaction(h)
		if err != nil {
			t.Fatal(err)
		}
		want := map[string]bool{}
		for _, s := range states {
			ids, err := fhirmap.IDs(h.UID, s)
			if err != nil {
				t.Fatal(err)
			}
			for _, id := range ids {
				want[id.Type+"/"+id.ID] = true
			}
		}
		current, err := fhirmap.IDs(h.UID, h.Current)
		if err != nil {
			t.Fatal(err)
		}
		found := resourcesOf(b)
		if len(found) != len(want) {
			t.Fatalf("%d resources, want %d", len(found), len(want))
		}
		for url, r := range found {
			id := fhirmap.ResourceID{Type: r["resourceType"].(string), ID: r["id"].(string)}
			if !want[url] {
				t.Fatalf("%s is of no state", url)
			}
			if id.Type == "Provenance" || ofSoftware(r) {
				continue
			}
			alive, gone := slices.Contains(current, id), fhirtest.Status(r) == "entered-in-error"
			// What an earlier revision of the plan asked for is revoked or, as the plan in
			// force, completed: only a retraction makes it an error.
			if alive && gone || !alive && !gone && !ofPlan(r) {
				t.Fatalf("%s has status %v, produced by the current state: %v", url, fhirtest.Status(r), alive)
			}
		}
	})
}

func ofSoftware(r object) bool {
	_, key, _ := strings.Cut(identifier(r), "/")
	return r["resourceType"] == "Device" && strings.HasPrefix(key, "software/")
}

func ofPlan(r object) bool {
	_, key, _ := strings.Cut(identifier(r), "/")
	return strings.HasPrefix(key, "plan/")
}

// Every public code in the catalogue is a row of the closed table, with the same
// display; otherwise it would silently not be sent.
func TestCatalogueCodesAreInTheClosedTable(t *testing.T) {
	check := func(id valve.ID, codes []metric.Coding) {
		for _, c := range codes {
			i := slices.IndexFunc(fhirmap.StandardCodes(), func(s fhirmap.Code) bool { return s.System == c.System && s.Code == c.Code })
			if i < 0 {
				t.Errorf("%s: %s|%s is not in the closed table", id, c.System, c.Code)
				continue
			}
			if row := fhirmap.StandardCodes()[i]; row.Display != c.Display {
				t.Errorf("%s: %s is %q in the catalogue and %q in the closed table", id, c.Code, c.Display, row.Display)
			}
		}
	}
	for _, l := range metric.Leaves() {
		check(l.ID, l.Codes)
	}
	for _, m := range metric.Metrics() {
		check(m.ID, m.Codes)
	}
}

func TestCodeTables(t *testing.T) {
	seen := map[string]bool{}
	for _, c := range fhirmap.StandardCodes() {
		key := c.System + "|" + c.Code
		if seen[key] {
			t.Errorf("%s stands twice", key)
		}
		seen[key] = true
		if c.Display == "" || c.Where == "" {
			t.Errorf("%s has no display or does not say where it was verified", key)
		}
		if strings.HasPrefix(c.System, fhirmap.Base) {
			t.Errorf("%s is ours and no public code", key)
		}
	}
	for _, s := range fhirmap.CodeSystems() {
		if !strings.HasPrefix(s.URL, fhirmap.Base+"/CodeSystem/") {
			t.Errorf("%s is not below our base", s.URL)
		}
		if s.Open == (len(s.Concepts) > 0) {
			t.Errorf("%s: open %v with %d concepts", s.URL, s.Open, len(s.Concepts))
		}
		codes := map[string]bool{}
		for _, c := range s.Concepts {
			if codes[c.Code] {
				t.Errorf("%s: %s stands twice", s.URL, c.Code)
			}
			codes[c.Code] = true
			if c.Display == "" || c.Code != strings.ToLower(c.Code) || strings.ContainsAny(c.Code, "_ /") {
				t.Errorf("%s: code %q, display %q", s.URL, c.Code, c.Display)
			}
		}
	}
}

func resourcesOf(bundle []byte) map[string]object {
	var b struct {
		Entry []struct {
			Resource object `json:"resource"`
			Request  struct {
				URL string `json:"url"`
			} `json:"request"`
		} `json:"entry"`
	}
	if json.Unmarshal(bundle, &b) != nil {
		return nil
	}
	found := map[string]object{}
	for _, e := range b.Entry {
		found[e.Request.URL] = e.Resource
	}
	return found
}

// A contradiction whose values a reviewer confirmed stays an issue and says so by a
// code of ours (HL7 FHIR R4 4.0.1, DetectedIssue.mitigation); its values are sent
// again, for their state is no longer disputed. One that is open has no mitigation.
func TestConfirmedContradiction(t *testing.T) {
	h := fhirtest.Disputed()
	for _, f := range h.Current.Case.Evaluation.Findings {
		f.Confirmed = f.GetId() == "1f1f1f1f1f1f1f1f"
	}
	for _, v := range h.Current.Case.Evaluation.Metrics {
		if v.GetState() == trigonev1.MetricState_METRIC_STATE_DISPUTED {
			v.State = trigonev1.MetricState_METRIC_STATE_VALUE
		}
	}
	h.Current.Case.Confirmations = []*trigonev1.Confirmation{
		{FindingId: "1f1f1f1f1f1f1f1f", State: trigonev1.ConfirmationState_CONFIRMATION_STATE_LAPSED, Time: timestamppb.New(time.Date(2026, 3, 4, 8, 0, 0, 0, time.UTC))},
		{
			FindingId: "1f1f1f1f1f1f1f1f", State: trigonev1.ConfirmationState_CONFIRMATION_STATE_STANDING, Caller: "reviewer-3", Reason: fhirtest.Leak,
			Time: timestamppb.New(time.Date(2026, 3, 5, 8, 0, 0, 0, time.UTC)),
		},
	}
	bundle := transaction(t, h)
	if text := string(bundle); strings.Contains(text, fhirtest.Leak) || strings.Contains(text, "reviewer-3") {
		t.Error("the reviewer or the reviewer's words are in the bundle")
	}
	for _, tt := range []struct {
		why, key string
		path     []any
		want     any
	}{
		{"it is still an issue", "finding/1f1f1f1f1f1f1f1f", []any{"status"}, "final"},
		{"with what was done about it", "finding/1f1f1f1f1f1f1f1f", []any{"mitigation", 0, "action", "coding", 0, "code"}, "confirmed-by-reviewer"},
		{"in a system of ours", "finding/1f1f1f1f1f1f1f1f", []any{"mitigation", 0, "action", "coding", 0, "system"}, fhirmap.Base + "/CodeSystem/mitigation"},
		{"and when", "finding/1f1f1f1f1f1f1f1f", []any{"mitigation", 0, "date"}, "2026-03-05T08:00:00Z"},
		{"an open one has none", "finding/2e2e2e2e2e2e2e2e", []any{"mitigation"}, nil},
		{"its value is sent again", "value|annulus_area|assessment/tee|measured|echo-3d", []any{"dataAbsentReason"}, nil},
	} {
		t.Run(tt.why, func(t *testing.T) {
			if got := at(byKey(t, bundle, tt.key), tt.path...); got != tt.want {
				t.Errorf("%v is %v, want %v", tt.path, got, tt.want)
			}
		})
	}
	if v := at(byKey(t, bundle, "value|annulus_area|assessment/tee|measured|echo-3d"), "valueQuantity", "value"); v == nil {
		t.Error("the confirmed value is not sent")
	}
}

// A receiver that keeps the tags and the extensions of meta that it has, as many do
// when they update, still tells what is newer: the number stands on the resource.
// Source: hapifhir/hapi-fhir issues 1477 and 4993.
func TestHistoryNumberOutlivesMergedMeta(t *testing.T) {
	states := fhirtest.RevisedStates()
	held := map[string]object{}
	for i := range states {
		h := fhirtest.Of("u", states[:i+1]...)
		for url, r := range resources(t, transaction(t, h)) {
			if old, has := held[url]; has {
				r["meta"] = old["meta"]
			}
			held[url] = r
		}
		for url, r := range held {
			if got := version(r); got != h.Number() {
				t.Fatalf("%s has the number %d after state %d, want %d", url, got, i+1, h.Number())
			}
		}
	}
}
