package fhirmap

import (
	"encoding/json"
	"testing"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	trigonev1 "trigone/proto/trigone/v1"
)

// FuzzEncodeText puts any text and any number wherever a resource has room for
// one. Source of the expected tree: the library's own way of encoding, through
// encoding/json; what that refuses, ours must refuse too.
func FuzzEncodeText(f *testing.F) {
	for _, row := range []struct{ text, number string }{
		{"plain", "1"},
		{"<a> & \"b\" \\ / é ≥ 🫀", "-0.50"},
		{"line\u2028paragraph\u2029\x00\x1f\x7f\t\r\n", "1e-7"},
		{"broken \xff\xfe\xc3\x28 \xed\xa0\x80", "0"},
		{"", ""},
		{`\u0041 \"`, "2.600"},
		{"no number", "NaN"},
		{"no number", "+1"},
		{"no number", ".5"},
		{"no number", "007"},
		{"no number", `1,"x":2`},
	} {
		f.Add(row.text, row.number)
	}
	f.Fuzz(func(t *testing.T, s, number string) {
		n := json.Number(number)
		q := &fhir.Quantity{Value: &n, Unit: &s, Code: &s}
		concept := fhir.CodeableConcept{Coding: []fhir.Coding{{System: &s, Code: &s, Display: &s}}, Text: &s}
		entered, final := fhir.FHIRDeviceStatusEnteredInError, fhir.ObservationStatusFinal
		ids := []fhir.Identifier{{System: &s, Value: &s}}
		reference := fhir.Reference{Reference: &s, Identifier: &ids[0]}
		h := History{Current: Snapshot{Case: &trigonev1.Case{CaseVersion: 7}}}
		resources := []resource{
			{typ: typeObservation, id: "a", observation: &fhir.Observation{
				Id: &s, Meta: tagOf(h), Identifier: ids, Code: concept, Subject: &reference, Status: final,
				ValueQuantity: q, Note: []fhir.Annotation{{Text: s}}, HasMember: []fhir.Reference{},
				Component: []fhir.ObservationComponent{{Code: concept, ValueRange: &fhir.Range{Low: q, High: q}}, {}},
			}},
			{typ: typeProcedure, id: "b", procedure: &fhir.Procedure{
				Id: &s, Identifier: ids, Code: &concept, Subject: reference, Status: fhir.EventStatusNotDone,
				PerformedPeriod: &fhir.Period{Start: &s}, StatusReason: &concept, BodySite: []fhir.CodeableConcept{concept, {}},
			}},
			{typ: typeDevice, id: "c", device: &fhir.Device{Id: &s, Type: &concept, Patient: &reference, Status: &entered}},
			{typ: typeIssue, id: "d", issue: &fhir.DetectedIssue{Id: &s, Status: final, Detail: &s, Code: &concept}},
		}
		b, err := envelope(h, fhir.BundleTypeTransaction, resources, asPut)
		if err != nil {
			t.Fatal(err)
		}
		want, wantErr := naive(b, resources)
		got, gotErr := assembly{h: h, living: resources}.encode(fhir.BundleTypeTransaction, asPut)
		switch {
		case wantErr != nil:
			if gotErr == nil {
				t.Fatalf("the library refuses %q and %q: %v; ours does not", s, number, wantErr)
			}
			return
		case gotErr != nil:
			t.Fatalf("%q and %q: %v", s, number, gotErr)
		}
		if same, err := sameTree(want, got); err != nil || !same {
			t.Fatalf("%q and %q: the trees differ: %v\n%s\n%s", s, number, err, want, got)
		}
	})
}
