package casebook

import (
	"errors"
	"path/filepath"
	"strings"
	"testing"

	trigonev1 "trigone/proto/trigone/v1"
)

// An invented case in a store of real ones would be counted among them, and a real
// patient in a store for trying would be lost: a store keeps one kind.
func TestAStoreTakesCasesOfOneKind(t *testing.T) {
	patient := func(system, value string) string {
		return `"patientIdentifier":{"system":"` + system + `","value":"` + value + `"}`
	}
	const invented, recorded = "urn:example:patient", "urn:oid:2.999.1"
	for _, test := range []struct {
		reason, first, other string
		invented             bool
		says                 string
	}{
		{"the example is sent to the hospital's service", recorded, invented, false, "keeps real cases and takes no invented one"},
		{"a real case is sent to the demo", invented, recorded, true, "keeps invented cases only"},
		{"the namespace in capitals", "URN:Example:patient", recorded, true, "keeps invented cases only"},
	} {
		t.Run(test.reason, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "book.db")
			f := newFixtureOn(t, path)
			if is, err := f.book.Invented(f.ctx); is || err != nil {
				t.Errorf("a store without a case is invented: %v, %v", is, err)
			}
			// Nothing stored, nothing marked.
			if _, err := f.submit(object(patient(test.other, "P-0"), identityPart), func(r *trigonev1.SubmitCaseRequest) { r.ValidateOnly = true }); err != nil {
				t.Fatal(err)
			}
			kept := f.mustSubmit(object(`"externalIdentifier":{"system":"urn:example:case","value":"MV-1"}`, patient(test.first, "P-1"), identityPart))
			refused := func(what string, err error) {
				t.Helper()
				var e *Error
				if !errors.As(err, &e) || e.Kind != FailedPrecondition || e.Reason != ReasonMark || !strings.Contains(e.Message, test.says) || strings.Contains(e.Message, "P-") {
					t.Errorf("%s: %v", what, err)
				}
			}
			for _, book := range []fixture{f, newFixtureOn(t, path)} { // as it wrote, and as another process finds it
				if is, err := book.book.Invented(f.ctx); is != test.invented || err != nil {
					t.Errorf("invented: %v, %v", is, err)
				}
				_, err := book.submit(object(patient(test.other, "P-2"), identityPart))
				refused("a new case", err)
				_, err = book.submit(object(patient(test.other, "P-2"), identityPart), func(r *trigonev1.SubmitCaseRequest) { r.ValidateOnly = true })
				refused("a new case, not to be stored", err)
				_, err = book.submit(object(`"externalIdentifier":{"system":"urn:example:case","value":"MV-1"}`, patient(test.other, "P-2"), planPart))
				refused("another patient's submit, which would be set aside", err)
				_, err = book.book.AmendIdentity(f.ctx, caller, &trigonev1.AmendIdentityRequest{
					Case: &trigonev1.CaseReference{Name: kept.GetCaseName()}, CaseVersion: kept.GetCaseVersion(), Reason: "typed",
					Amendment: trigonev1.IdentityAmendment_IDENTITY_AMENDMENT_CORRECTION, PatientIdentifier: &trigonev1.Identifier{System: test.other, Value: "P-2"},
				})
				refused("a corrected identity", err)
			}
			f.mustSubmit(object(patient(test.first, "P-3"), identityPart))
		})
	}
}
