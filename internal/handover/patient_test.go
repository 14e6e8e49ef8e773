package handover

import (
	"errors"
	"strings"
	"testing"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/policy"
	trigonev1 "trigone/proto/trigone/v1"
)

// A site's reference to the patient stands in what leaves; where none can be made,
// bundles and exports are refused without a word of who it is, and what is read
// resource by resource has the identifier alone.
func TestPatientReferenceOfTheSite(t *testing.T) {
	f := newFixture(t)
	name := f.mustSubmit(object(numberAndPatient, identityPart, resultPart)).GetCaseName()
	under := func(section string) fixture {
		p, err := policy.Parse("p.yaml", []byte("site: harbour\nversion: \"2\"\nzone: Europe/London\nfhir: "+section+"\n"), fhirmap.Terms{})
		if err != nil {
			t.Fatal(err)
		}
		return fixtureOf(t, f.store, p)
	}
	const (
		transaction = trigonev1.BundleForm_BUNDLE_FORM_TRANSACTION
		batch       = trigonev1.BundleForm_BUNDLE_FORM_BATCH
		collection  = trigonev1.BundleForm_BUNDLE_FORM_COLLECTION
	)
	for _, tt := range []struct {
		why, section, want string // nothing: refused
		form               trigonev1.BundleForm
	}{
		{"a search", "{patient_reference: conditional}", `"subject":{"reference":"Patient?identifier=urn%3Aexample%3Apatient%7CP-SECRET-1","type":"Patient"`, transaction},
		{"no search in a batch", "{patient_reference: conditional}", `"subject":{"type":"Patient"`, batch},
		{"no search in a collection", "{patient_reference: conditional}", `"subject":{"type":"Patient"`, collection},
		{"an id", `{patient_reference: literal, patient_template: "Patient/{value}", patient_system: "urn:example:patient"}`, `"subject":{"reference":"Patient/P-SECRET-1","type":"Patient"`, collection},
		{"an id of another system", `{patient_reference: literal, patient_template: "Patient/{value}", patient_system: "urn:example:other"}`, "", transaction},
	} {
		d := under(tt.section).desk
		resp, err := d.GetBundle(f.ctx, caller, &trigonev1.GetBundleRequest{Case: ref(), Form: tt.form})
		x, exportErr := export1(f.ctx, d, "")
		uid := name[strings.LastIndexByte(name, '/')+1:]
		read, readErr := d.CaseResources(f.ctx, caller, uid)
		if readErr != nil || len(read.Resources) == 0 {
			t.Fatalf("%s: read resource by resource: %v", tt.why, readErr)
		}
		if tt.want != "" {
			if err != nil || exportErr != nil || !strings.Contains(resp.GetBundle(), tt.want) || len(x.lines) != len(read.Resources) {
				t.Errorf("%s: %v, %v, in %.600s", tt.why, err, exportErr, resp.GetBundle())
			}
			continue
		}
		for _, err := range []error{err, exportErr} {
			var refusal *casebook.Error
			if !errors.As(err, &refusal) || refusal.Reason != casebook.ReasonPatientReference || strings.Contains(err.Error(), "SECRET") || strings.Contains(err.Error(), "urn:") || !strings.Contains(err.Error(), name) {
				t.Errorf("%s: %v", tt.why, err)
			}
		}
		for _, r := range read.Resources {
			if strings.Contains(string(r.JSON), `"reference":"Patient`) {
				t.Errorf("%s: %s", tt.why, r.JSON)
			}
		}
	}
}
