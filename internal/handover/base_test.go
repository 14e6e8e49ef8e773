package handover

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
	"trigone/internal/policy"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

const siteBase = "https://fhir.harbour-hospital.example/trigone"

// underBase gives the same record under a policy with a canonical base.
func underBase(t *testing.T, f fixture, base string) fixture {
	t.Helper()
	p, err := policy.Parse("p.yaml", []byte("site: harbour\nversion: \"2\"\nzone: Europe/London\nfhir: {canonical_base: \""+base+"\"}\n"), fhirmap.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	return fixtureOf(t, f.store, p)
}

// Everything that leaves a desk of a site with a canonical base is named under it, with
// the ids that it had before; the history number rises with the base, and again when
// the site goes back.
func TestCanonicalBaseOfTheSite(t *testing.T) {
	f := newFixture(t)
	name := f.mustSubmit(object(numberAndPatient, identityPart, planPart, operationPart, resultPart)).GetCaseName()
	f.mustSubmit(object(numberAndPatient, strings.Replace(resultPart, `"mmhg":7`, `"mmhg":8`, 1)), expect("result/exit", "1"))
	uid := name[strings.LastIndexByte(name, '/')+1:]
	key, err := fhirmap.NewDeIdentifier(bytes.Repeat([]byte{1}, fhirmap.MinKeyBytes))
	if err != nil {
		t.Fatal(err)
	}
	// everything gives all that leaves, and the history number.
	everything := func(d *Desk) (texts map[string]string, number int64) {
		t.Helper()
		d.deIdentifier = key
		texts = map[string]string{}
		for form := range trigonev1.BundleForm_name {
			req := &trigonev1.GetBundleRequest{Case: ref(), Form: trigonev1.BundleForm(form)}
			_, inParts := partForms[req.GetForm()]
			for _, most := range []int32{0, 100} {
				if req.MaxEntries = most; most > 0 && !inParts {
					continue
				}
				resp, err := d.GetBundle(f.ctx, caller, req)
				if err != nil {
					t.Fatalf("%s: %v", req.GetForm(), err)
				}
				texts[fmt.Sprintf("%s in parts of %d", req.GetForm(), most)] = resp.GetBundle()
				number = resp.GetHistoryNumber()
			}
		}
		x, err := export1(f.ctx, d, "")
		if err != nil {
			t.Fatal(err)
		}
		for what, line := range x.lines {
			texts["exported "+what] = line
		}
		read, err := d.CaseResources(f.ctx, caller, uid)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range read.Resources {
			texts["resource "+r.Type+"/"+r.ID] = string(r.JSON)
		}
		list, err := d.Terminology()
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range list {
			texts["terminology "+r.Type+"/"+r.ID] = string(r.JSON)
		}
		return texts, number
	}
	before, first := everything(f.desk)
	under, second := everything(underBase(t, f, siteBase).desk)
	_, third := everything(fixtureOf(t, f.store, f.book.Policy).desk)
	if second <= first || third <= second {
		t.Errorf("history numbers %d, %d with the base, %d without it again", first, second, third)
	}
	if len(under) != len(before) || len(under) < 60 {
		t.Errorf("%d texts, %d with the base", len(before), len(under))
	}
	for what, text := range under {
		if strings.Contains(what, "DE_IDENTIFIED") {
			if strings.Contains(text, siteBase) {
				t.Errorf("%s names the site", what)
			}
			continue
		}
		without, builtIn := fhirtest.Unnamed(text, siteBase)
		if builtIn {
			t.Errorf("%s names something under the built-in base", what)
		}
		if strings.HasPrefix(what, "terminology") && without != before[what] {
			t.Errorf("%s differs by more than the base", what)
		}
	}
	changes, err := f.store.Changes(f.ctx, "harbour", 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	told := 0
	for _, c := range changes {
		if c.Kind == storage.ChangeMappingChanged {
			told++
		}
	}
	if told != 2 { // to the base and back; the first start is no change
		t.Errorf("%d changes of the mapping", told)
	}
}
