package fhirmap_test

import (
	"bytes"
	"net/url"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
	"trigone/internal/note"
	"trigone/internal/settings"
	trigonev1 "trigone/proto/trigone/v1"
)

// bases are a longer one, a shorter one and one without an address.
var bases = []string{"https://fhir.harbour-hospital.example:8443/records/of_valves/trigone", "http://h.example", "urn:example:harbour:trigone"}

// everyForm gives all forms in which something of a case leaves the package.
func everyForm() map[string]func(fhirmap.History) ([]byte, error) {
	all := map[string]func(fhirmap.History) ([]byte, error){
		"document": func(h fhirmap.History) ([]byte, error) {
			n, err := note.Build(note.Input{Site: h.Site, Case: h.Current.Case, Annex: true})
			if err != nil {
				return nil, err
			}
			return fhirmap.Document(h, n)
		},
		"small conditional parts": func(h fhirmap.History) ([]byte, error) {
			parts, err := fhirmap.Parts(h, fhirmap.PartConditional, 8)
			return bytes.Join(parts, []byte("\n")), err
		},
	}
	for name, form := range forms {
		all[name] = form
	}
	return all
}

// What leaves under a site's base is what leaves without one, letter for letter, but
// for the base: the same ids, references and history numbers, and no other name of
// ours. Cases with ended resources, whose forms are kept under the built-in base, are
// among them.
func TestCanonicalBaseIsTheOnlyDifference(t *testing.T) {
	codes, who := siteCodes(), []settings.PatientReference{{}, byID, bySearch}
	n := 0
	for _, base := range bases {
		for i, h := range []fhirmap.History{fhirtest.Complete(), fhirtest.Disputed(), fhirtest.Converted(), fhirtest.Revised(), fhirtest.Retracted(), fhirtest.CoreOnly()} {
			h.Codes, h.Patient = codes, who[i%len(who)]
			for name, form := range everyForm() {
				want, err := form(h)
				under := h
				under.Base = base
				got, underErr := form(under)
				if err != nil {
					if underErr == nil || underErr.Error() != err.Error() {
						t.Fatalf("%s, %s: %v, without a base %v", base, name, underErr, err)
					}
					continue
				}
				n++
				if underErr != nil {
					t.Fatalf("%s, %s: %v", base, name, underErr)
				}
				switch back, builtIn := fhirtest.Unnamed(string(got), base); {
				case builtIn:
					t.Errorf("%s, %s: the built-in base is in it", base, name)
				case back != string(want) || !bytes.Contains(got, []byte(base+"/CodeSystem/")):
					t.Errorf("%s, %s: differs by more than the base", base, name)
				}
				if under.Base = fhirmap.Base; name == "transaction" && !bytes.Equal(mustForm(t, form, under), want) {
					t.Error("the built-in base, where a site writes it, is another")
				}
			}
		}
	}
	if n < 150 {
		t.Errorf("%d texts compared", n)
	}
}

func TestCanonicalBaseOfDrawnHistories(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := fhirtest.Draw(t)
		under := h
		under.Base = rapid.SampledFrom(bases).Draw(t, "base")
		for name, form := range forms {
			want, err := form(h)
			got, underErr := form(under)
			if (err == nil) != (underErr == nil) {
				t.Fatalf("%s: %v, without a base %v", name, underErr, err)
			}
			if back, builtIn := fhirtest.Unnamed(string(got), under.Base); builtIn || back != string(want) {
				t.Fatalf("%s: differs by more than the base", name)
			}
		}
	})
}

// What is published of our codes goes under the base too, with the views' paths.
func TestPublishedUnderACanonicalBase(t *testing.T) {
	published := func(site fhirmap.Site) (list []fhirmap.Resource) {
		t.Helper()
		list, err := fhirmap.Terminology(site)
		if err != nil {
			t.Fatal(err)
		}
		guide, err := fhirmap.Guide(list, site)
		if err != nil {
			t.Fatal(err)
		}
		views, err := fhirmap.Views(site)
		if err != nil {
			t.Fatal(err)
		}
		return slices.Concat(list, views, []fhirmap.Resource{guide})
	}
	for _, base := range bases {
		site := fhirmap.Site{Codes: siteCodes(), Base: base}
		without := published(fhirmap.Site{Codes: siteCodes()})
		for i, r := range published(site) {
			back, builtIn := fhirtest.Unnamed(string(r.JSON), base)
			if builtIn || !bytes.Contains(r.JSON, []byte(`"url":"`+site.Canonical(r.Type, r.ID)+`"`)) || r.Type != without[i].Type || r.ID != without[i].ID {
				t.Errorf("%s %s: built-in base %v", r.Type, r.ID, builtIn)
			}
			if r.Type != fhirmap.TypeImplementationGuide && back != string(without[i].JSON) { // the guide says whose base it is
				t.Errorf("%s %s differs by more than the base", r.Type, r.ID)
			}
		}
		for own := range fhirmap.PublicCodes(site) {
			if !strings.HasPrefix(own, base+"/CodeSystem/") {
				t.Errorf("the public codes are of %s", own)
			}
		}
	}
	if s := (fhirmap.Site{Base: bases[0]}).PackageCaution(); strings.Contains(s, "base are invented") {
		t.Error(s)
	}
}

// A de-identified bundle does not say of which site it is: a base of the site's own
// would.
func TestDeIdentifiedBundleKnowsNoCanonicalBase(t *testing.T) {
	d := deIdentifier(t, key(1))
	h := fhirtest.Complete()
	want := mustForm(t, d.Collection, h)
	if h.Base = bases[0]; !bytes.Equal(mustForm(t, d.Collection, h), want) {
		t.Error("another bundle")
	}
}

// The identifier of a patient is never rewritten, whatever system it has.
func TestPatientOfOurNamesStaysAsItIs(t *testing.T) {
	for _, choice := range []settings.PatientReference{{}, bySearch} {
		for name, form := range forms {
			h := fhirtest.Revised()
			h.Base, h.Patient = bases[1], choice
			h.Current.Case.CaseFile.PatientIdentifier = &trigonev1.Identifier{System: fhirmap.Base + "/case-subject", Value: fhirmap.Base + "/x"}
			for _, e := range entriesOf(tree(t, mustForm(t, form, h))) {
				r := e["resource"].(object)
				s, has := r["subject"].(object)
				if !has {
					continue
				}
				if at(s, "identifier", "system") != fhirmap.Base+"/case-subject" || at(s, "identifier", "value") != fhirmap.Base+"/x" ||
					s["reference"] != nil && !strings.Contains(s["reference"].(string), url.QueryEscape(fhirmap.Base)) {
					t.Fatalf("%s: %v", name, s)
				}
				if r["resourceType"] != "Provenance" && !strings.HasPrefix(at(r, "identifier", 0, "system").(string), bases[1]) {
					t.Fatalf("%s: %v", name, r["identifier"])
				}
			}
		}
	}
}

// Names go in as they came out.
func TestInside(t *testing.T) {
	site := fhirmap.Site{Base: "urn:x:y"}
	for _, tt := range [][2]string{
		{"urn:x:y/sites/a/operator", fhirmap.Base + "/sites/a/operator"}, {"urn:x:y2/a", "urn:x:y2/a"}, {"http://loinc.org", "http://loinc.org"}, {"", ""},
	} {
		if got := site.Inside(tt[0]); got != tt[1] {
			t.Errorf("%s is %s", tt[0], got)
		}
		if got := (fhirmap.Site{}).Inside(tt[1]); got != tt[1] {
			t.Errorf("%s is %s without a base", tt[1], got)
		}
	}
	if got := site.Inside(fhirmap.Base + "/a"); got == fhirmap.Base+"/a" {
		t.Error("the built-in name is one of the site")
	}
}

// A base is only put where a name of ours begins.
func TestNamed(t *testing.T) {
	site := fhirmap.Site{Base: "urn:x:y"}
	const b = fhirmap.Base
	for _, tt := range []struct{ why, text, want string }{
		{"a system", `{"system":"` + b + `/a"}`, `{"system":"urn:x:y/a"}`},
		{"the base itself", `["` + b + `","` + b + `"]`, `["urn:x:y","urn:x:y"]`},
		{"another name with the same beginning", `{"system":"` + b + `2/a"}`, `{"system":"` + b + `2/a"}`},
		{"inside a text", `{"display":"see ` + b + `/a"}`, `{"display":"see ` + b + `/a"}`},
		{"a quoted name inside a text", `{"div":"\"` + b + `/a\""}`, `{"div":"\"` + b + `/a\""}`},
		{"a search", `{"url":"Device?identifier=` + url.QueryEscape(b+"/identifier|v") + `"}`, `{"url":"Device?identifier=` + url.QueryEscape("urn:x:y/identifier|v") + `"}`},
		{"the end of a text", `"` + b, `"` + b},
	} {
		if got := string(site.Named([]byte(tt.text))); got != tt.want {
			t.Errorf("%s: %s, want %s", tt.why, got, tt.want)
		}
	}
}
