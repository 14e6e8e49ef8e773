package fhirrest

import (
	"net/http"
	"net/url"
	"slices"
	"testing"

	"trigone/fhirmap"
	"trigone/internal/policy"
)

// A site that makes the receiver's ids of identifiers is searched by them, as by the
// identifier; of another site's patients, and of the same value in another system,
// nothing is found.
func TestSearchByTheIDOfAPatient(t *testing.T) {
	clinical, err := policy.Parse("p.yaml", []byte(`site: harbour
version: "2"
zone: Europe/London
fhir: {patient_reference: literal, patient_template: "Patient/kis-{value}", patient_system: "urn:example:harbour-hospital:patient"}
`), fhirmap.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	f, err := openUnder(t.TempDir(), 0, clinical, projectors())
	f = closing(t, f, err)
	for _, name := range []string{"core-only", "neochordae"} {
		if err := f.submit(name); err != nil {
			t.Fatal(err)
		}
	}
	const who = "urn:example:harbour-hospital:patient|P-0005" // of core-only
	for _, typ := range []string{"Observation", "Procedure"} {
		want := f.search(t, ask(typ, "subject:identifier", who, "_count", "1000")).ids("match")
		if len(want) == 0 {
			t.Fatalf("%s: nothing by identifier", typ)
		}
		for _, query := range [][]string{
			{"subject", "Patient/kis-P-0005"}, {"patient", "Patient/kis-P-0005"}, {"patient", "kis-P-0005"}, {"subject", f.base + "/Patient/kis-P-0005"},
		} {
			if got := f.search(t, ask(typ, append(query, "_count", "1000")...)).ids("match"); !slices.Equal(got, want) {
				t.Errorf("%s by %s: %d found, %d by identifier", typ, query, len(got), len(want))
			}
		}
		for _, query := range []string{"Patient/P-0005", "Patient/kis-P-9999", "Group/kis-P-0005", "Patient/kis-"} {
			if got := f.search(t, ask(typ, "subject", query)).ids("match"); len(got) != 0 {
				t.Errorf("%s by %s: %d found", typ, query, len(got))
			}
		}
	}
	one := f.search(t, ask("Observation", "subject", "Patient/kis-P-0005", "_count", "1")).Entry[0]
	if subject, _ := one.Resource["subject"].(map[string]any); subject["reference"] != "Patient/kis-P-0005" {
		t.Errorf("subject %v", subject)
	}
	if r := f.do(t, http.MethodGet, "/Observation?subject="+url.QueryEscape("Patient/kis P"), ""); r.status != http.StatusBadRequest {
		t.Errorf("what is no id is answered with %d", r.status)
	}
}

// Where the site chose nothing an id finds nobody.
func TestSearchByAnIDThatNobodyHas(t *testing.T) {
	if got := all(t).search(t, ask("Observation", "subject", "Patient/P-0005")).ids("match"); len(got) != 0 {
		t.Errorf("%d found", len(got))
	}
}
