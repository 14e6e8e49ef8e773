package fhirmap_test

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
	"trigone/internal/settings"
	trigonev1 "trigone/proto/trigone/v1"
)

const patientSystem = "urn:oid:2.999.1"

var (
	byID     = settings.PatientReference{Form: settings.PatientLiteral, System: patientSystem, Template: "Patient/kis-{value}"}
	bySearch = settings.PatientReference{Form: settings.PatientConditional}
)

// forms are all in which references stand.
var forms = map[string]func(fhirmap.History) ([]byte, error){
	"transaction": fhirmap.Transaction, "conditional transaction": fhirmap.ConditionalTransaction, "collection": fhirmap.Collection,
	"parts":             inParts(fhirmap.PartTransaction),
	"conditional parts": inParts(fhirmap.PartConditional),
	"batch":             inParts(fhirmap.PartBatch),
	"parts alone":       inParts(fhirmap.PartCollection),
	"resources": func(h fhirmap.History) ([]byte, error) {
		list, err := fhirmap.Resources(h)
		if err != nil {
			return nil, err
		}
		if list, err = fhirmap.Literal(list); err != nil {
			return nil, err
		}
		var lines [][]byte
		for _, r := range list {
			lines = append(lines, fmt.Appendf(nil, `{"resource":%s}`, r.JSON))
		}
		return fmt.Appendf(nil, `{"resourceType":"Bundle","entry":[%s]}`, bytes.Join(lines, []byte(","))), nil
	},
}

// inParts gives the parts as one bundle.
func inParts(form fhirmap.PartForm) func(fhirmap.History) ([]byte, error) {
	return func(h fhirmap.History) ([]byte, error) {
		list, err := fhirmap.Parts(h, form, 0)
		if err != nil {
			return nil, err
		}
		return list[0], nil
	}
}

// In each form every subject has what the site has chosen beside the identifier and
// nothing else; what the checkers know of a bundle, and what the site's profiles
// promise, holds.
func TestPatientReference(t *testing.T) {
	const search = "Patient?identifier=urn%3Aoid%3A2.999.1%7CP-0009"
	for _, tt := range []struct {
		choice settings.PatientReference
		want   map[string]string // by form; "" of the others
		others string
	}{
		{settings.PatientReference{}, nil, ""},
		{byID, nil, "Patient/kis-P-0009"},
		{bySearch, map[string]string{"transaction": search, "conditional transaction": search, "parts": search, "conditional parts": search}, ""},
	} {
		list, err := fhirmap.Terminology(fhirmap.Site{Patient: tt.choice})
		if err != nil {
			t.Fatal(err)
		}
		all := read(t, list)
		for name, form := range forms {
			h := fhirtest.Revised() // has resources that ended, too
			h.Patient = tt.choice
			want, has := tt.want[name]
			if !has {
				want = tt.others
			}
			text := mustForm(t, form, h)
			if name == "transaction" || name == "conditional transaction" || name == "collection" {
				for _, fault := range fhirtest.CheckPatient(text, want) {
					t.Errorf("%s, %s: %s", tt.choice.Form, name, fault)
				}
			}
			n := 0
			types := map[string]string{}
			for _, e := range entriesOf(tree(t, text)) {
				r := e["resource"].(object)
				typ := r["resourceType"].(string)
				if url, ok := e["fullUrl"].(string); ok {
					types[url] = typ
				}
				if id, ok := r["id"].(string); ok {
					types[typ+"/"+id] = typ
				}
			}
			for _, e := range entriesOf(tree(t, text)) {
				r := e["resource"].(object)
				for _, element := range []string{"subject", "patient"} {
					s, has := r[element].(object)
					if !has {
						continue
					}
					n++
					link, _ := s["reference"].(string)
					if link != want || at(s, "identifier", "value") != "P-0009" || s["type"] != "Patient" {
						t.Fatalf("%s, %s: %v", tt.choice.Form, name, s)
					}
				}
				for _, claim := range walkPath(r, []string{"meta", "profile"}) {
					id := strings.TrimPrefix(claim.(string), fhirmap.Base+"/StructureDefinition/")
					for _, fault := range all.conform(id, r, types) {
						t.Errorf("%s, %s: %s: %s", tt.choice.Form, name, identifier(r), fault)
					}
				}
			}
			if n < 20 {
				t.Errorf("%s, %s: %d subjects", tt.choice.Form, name, n)
			}
		}
	}
}

// The profiles of a site that chose nothing forbid what another site's allow.
func TestProfilesOfTheBuiltInFormForbidALiteralPatient(t *testing.T) {
	h := fhirtest.Complete()
	h.Patient = byID
	if faults := read(t, terminology(t, nil)).judge(resourcesOf(mustForm(t, fhirmap.Transaction, h)), map[string]int{}); len(faults) == 0 {
		t.Error("a literal reference to the patient meets the built-in profiles")
	}
}

// A reference to somebody else is worse than none: it is refused, and says not of whom.
func TestPatientReferenceIsRefused(t *testing.T) {
	for _, tt := range []struct {
		why           string
		choice        settings.PatientReference
		system, value string
	}{
		{"no id has a slash", byID, patientSystem, "1/2"},
		{"no id has an umlaut", byID, patientSystem, "Müller"},
		{"longer than an id", byID, patientSystem, strings.Repeat("1", 61)},
		{"the number of another system", byID, "urn:oid:2.999.2", "1"},
		{"a bar would cut the search", bySearch, patientSystem, "1|2"},
		{"a bar in the system", bySearch, "urn:a|b", "1"},
		{"a comma would search for two", bySearch, patientSystem, "1,2"},
		{"an escape", bySearch, patientSystem, `1\2`},
		{"no system: anybody's number", bySearch, "", "1"},
	} {
		for name, form := range forms {
			h := fhirtest.CoreOnly()
			h.Patient = tt.choice
			h.Current.Case.CaseFile.PatientIdentifier = &trigonev1.Identifier{System: tt.system, Value: tt.value}
			_, err := form(h)
			searched := strings.Contains(name, "transaction") || strings.HasSuffix(name, "parts")
			switch refused := errors.Is(err, fhirmap.ErrPatient); {
			case refused != (tt.choice == byID || searched), !refused && err != nil:
				t.Errorf("%s, %s: %v", tt.why, name, err)
			case refused && (strings.Contains(err.Error(), tt.value) || tt.system != "" && strings.Contains(err.Error(), tt.system)) && len(tt.value) > 1:
				t.Errorf("%s: the error names the patient: %v", tt.why, err)
			}
		}
	}
}

// Where no patient is known the case stands in, which is nobody's id and found by no
// search.
func TestPatientReferenceOfNobody(t *testing.T) {
	for _, choice := range []settings.PatientReference{byID, bySearch} {
		for name, form := range forms {
			h := fhirtest.CoreOnly()
			h.Patient = choice
			h.Current.Case.CaseFile.PatientIdentifier = nil
			for _, e := range entriesOf(tree(t, mustForm(t, form, h))) {
				if s, has := e["resource"].(object)["subject"].(object); has && (s["reference"] != nil || at(s, "identifier", "system") != fhirmap.CaseSubjectSystem) {
					t.Fatalf("%s, %s: %v", choice.Form, name, s)
				}
			}
		}
	}
}

// A search is written so that every character of an identifier comes back from it.
func TestSearchForThePatientIsEncoded(t *testing.T) {
	h := fhirtest.CoreOnly()
	h.Patient = bySearch
	h.Current.Case.CaseFile.PatientIdentifier = &trigonev1.Identifier{System: "http://a.example/x?y=1&z#f", Value: `Ä 1+2"%`}
	const want = "Patient?identifier=http%3A%2F%2Fa.example%2Fx%3Fy%3D1%26z%23f%7C%C3%84%201%2B2%22%25" // RFC 3986, 2.1
	if faults := fhirtest.CheckPatient(mustForm(t, fhirmap.Transaction, h), want); faults != nil {
		t.Error(faults)
	}
}

// A de-identified bundle is the same whatever the site chose, also where that would be
// refused elsewhere.
func TestDeIdentifiedBundleKnowsNoPatientReference(t *testing.T) {
	d := deIdentifier(t, key(1))
	h := fhirtest.Complete()
	h.Current.Case.CaseFile.PatientIdentifier = &trigonev1.Identifier{System: patientSystem, Value: "1/2"}
	want := mustForm(t, d.Collection, h)
	for _, choice := range []settings.PatientReference{byID, bySearch} {
		h.Patient = choice
		if got := mustForm(t, d.Collection, h); !bytes.Equal(got, want) {
			t.Errorf("%s: another bundle", choice.Form)
		}
	}
}

// What a site chose is part of what its history numbers and its package are known by.
func TestSitesAreToldApart(t *testing.T) {
	other := byID
	other.Template = "Patient/{value}"
	seen := map[string]bool{}
	for _, site := range []fhirmap.Site{
		{}, {Codes: siteCodes()}, {Patient: byID}, {Patient: other}, {Patient: bySearch}, {Codes: siteCodes(), Patient: byID},
		{Base: bases[0]}, {Base: bases[1]}, {Codes: siteCodes(), Base: bases[0]}, {Patient: byID, Base: bases[0]}, {Codes: siteCodes(), Patient: byID, Base: bases[0]},
	} {
		hash, err := site.Hash()
		if err != nil {
			t.Fatal(err)
		}
		if seen[string(hash)] || seen[fhirmap.PackageVersion(site)] {
			t.Errorf("%+v has the hash or the package of another", site.Patient)
		}
		seen[string(hash)], seen[fhirmap.PackageVersion(site)] = true, true
	}
	codes, err := fhirmap.CodesHash(siteCodes())
	if hash, _ := (fhirmap.Site{Codes: siteCodes(), Patient: settings.PatientReference{Form: settings.PatientLogical}, Base: fhirmap.Base}).Hash(); err != nil || !bytes.Equal(hash, codes) {
		t.Error("the built-in form is part of the hash: every site's numbers would rise")
	}
}
