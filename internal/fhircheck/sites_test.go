package fhircheck

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
	"trigone/internal/settings"
)

// siteBase is an invented one.
const siteBase = "https://fhir.harbour-hospital.example/trigone"

// Sites that chose something of their own in the section fhir of their policy: what
// they send decodes, and the checks of the mapping find nothing. TRIGONE_SITES names a
// folder for it, and for the terminology of the one with a base, so that the checks and
// the receiver of others take the same.
func TestBundlesOfSites(t *testing.T) {
	u := decoder(t)
	folder := os.Getenv("TRIGONE_SITES")
	if folder == "" {
		folder = t.TempDir()
	}
	write := func(site, name string, text []byte) {
		t.Helper()
		if err := os.MkdirAll(filepath.Join(folder, site), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(folder, site, name), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	const search = "Patient?identifier=urn%3Aoid%3A2.999.1%7CP-0009"
	for _, tt := range []struct {
		name        string
		site        fhirmap.Site
		transaction string // the reference to the patient in one
		other       string
	}{
		{"built-in", fhirmap.Site{}, "", ""},
		{"literal", fhirmap.Site{Patient: settings.PatientReference{Form: settings.PatientLiteral, System: "urn:oid:2.999.1", Template: "Patient/kis-{value}"}}, "Patient/kis-P-0009", "Patient/kis-P-0009"},
		{"conditional", fhirmap.Site{Patient: settings.PatientReference{Form: settings.PatientConditional}}, search, ""},
		{"base", fhirmap.Site{Base: siteBase}, "", ""},
	} {
		for name, form := range map[string]func(fhirmap.History) ([]byte, error){
			"transaction": fhirmap.Transaction, "conditional-transaction": fhirmap.ConditionalTransaction, "collection": fhirmap.Collection,
			"parts": func(h fhirmap.History) ([]byte, error) {
				parts, err := fhirmap.Parts(h, fhirmap.PartTransaction, 12)
				for _, part := range parts {
					if n, err := decode(u, part); err != nil || n == 0 {
						t.Errorf("%s, parts: %d entries, %v", tt.name, n, err)
					}
				}
				return bytes.Join(parts, []byte("\n")), err
			},
		} {
			h := fhirtest.Revised() // some of it has ended
			if name == "conditional-transaction" {
				who := h.Current.Case.CaseFile.PatientIdentifier
				h = fhirtest.CoreOnly() // the receiver goes through all that it has for each search
				h.Current.Case.CaseFile.PatientIdentifier = who
			}
			h.Patient, h.Base = tt.site.Patient, tt.site.Base
			text, err := form(h)
			if err != nil {
				t.Fatal(err)
			}
			if name == "parts" {
				write(tt.name, name+".ndjson", text)
				continue
			}
			write(tt.name, name+".json", text)
			if n, err := decode(u, text); err != nil || n == 0 {
				t.Errorf("%s, %s: %d entries, %v", tt.name, name, n, err)
			}
			who := tt.transaction
			if name == "collection" {
				who = tt.other
			}
			if tt.site.Base != "" {
				for _, fault := range fhirtest.CheckUnder(text, tt.site.Base) {
					t.Errorf("%s, %s: %s", tt.name, name, fault)
				}
				continue
			}
			for _, fault := range fhirtest.CheckPatient(text, who) {
				t.Errorf("%s, %s: %s", tt.name, name, fault)
			}
		}
		list, err := fhirmap.Terminology(tt.site)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range list {
			write(filepath.Join(tt.name, "terminology"), r.Type+"-"+r.ID+".json", r.JSON)
		}
	}
}
