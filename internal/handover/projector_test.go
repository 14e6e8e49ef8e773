package handover

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"testing"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/policy"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// anew gives the rows of a case as a rebuild makes them.
func (f fixture) anew(c storage.Case) storage.Rows {
	f.Helper()
	folder, err := f.book.Load(f.ctx, c)
	if err != nil {
		f.Fatal(err)
	}
	state, err := f.book.State(f.ctx, folder)
	if err != nil {
		f.Fatal(err)
	}
	rows, err := Resources{}.Rows(nil, state)
	if err != nil {
		f.Fatal(err)
	}
	return rows
}

// The rows that every write left are those that a rebuild makes of the record, and
// a bundle made of them is the one made of the record alone.
func TestRowsOfWritesAreThoseOfARebuild(t *testing.T) {
	f := newFixture(t)
	check := func(when string) {
		t.Helper()
		c, err := f.book.Find(f.ctx, ref())
		if err != nil {
			t.Fatal(err)
		}
		got, err := f.store.Resources(f.ctx, c.Site, c.UID)
		if err != nil || len(got) == 0 {
			t.Fatalf("%s: %d rows, %v", when, len(got), err)
		}
		want := f.anew(c).Resources
		if a, b := sentOf(got), sentOf(want); !same(a, b) {
			t.Errorf("%s: %d rows were written, a rebuild makes %d others", when, len(a), len(b))
		}
		written, err := f.desk.account(f.ctx, c)
		if err != nil {
			t.Fatal(err)
		}
		rebuilt := written.history
		rebuilt.Sent = sentOf(want)
		a, err := fhirmap.Transaction(written.history)
		if err != nil {
			t.Fatal(err)
		}
		if b, err := fhirmap.Transaction(rebuilt); err != nil || !bytes.Equal(a, b) {
			t.Errorf("%s: the bundles differ, %v", when, err)
		}
	}
	f.mustSubmit(object(numberAndPatient, identityPart, planPart, resultPart))
	check("opened")
	f.mustSubmit(object(numberAndPatient, strings.Replace(resultPart, `"mmhg":3`, `"mmhg":4`, 1)), expect("result/exit", "1"))
	check("a value changed")
	f.mustSubmit(object(numberAndPatient, strings.Replace(planPart, `"mm":26`, `"mm":28`, 1)), expect("plan", "1"))
	check("the plan revised")
	f.mustSubmit(object(numberAndPatient, brokenResult), expect("result/exit", "2"))
	check("a value disputed")
	if _, err := f.book.RetractSection(f.ctx, caller, &trigonev1.RetractSectionRequest{
		Case: ref(), Section: "plan", Etag: "2", Reason: trigonev1.RetractionReason_RETRACTION_REASON_ENTERED_IN_ERROR,
	}); err != nil {
		t.Fatal(err)
	}
	check("the plan retracted")
	f.mustSubmit(object(numberAndPatient, planPart), expect("plan", "3"))
	check("the plan begun anew")
	c, err := f.book.Find(f.ctx, ref())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.book.AmendIdentity(f.ctx, caller, &trigonev1.AmendIdentityRequest{
		Case: ref(), CaseVersion: c.Version, Amendment: trigonev1.IdentityAmendment_IDENTITY_AMENDMENT_CORRECTION,
		PatientIdentifier: &trigonev1.Identifier{System: "urn:example:patient", Value: "P-OTHER"}, Reason: "typed wrongly",
	}); err != nil {
		t.Fatal(err)
	}
	check("the patient corrected")
}

func same(a, b []fhirmap.Sent) bool {
	norm := func(list []fhirmap.Sent) string {
		var text strings.Builder
		for _, s := range list {
			fmt.Fprintf(&text, "%s %s %d %x %d %d %d %s\n", s.Type, s.ID, s.Mapping, s.Digest, s.First, s.Last, s.State, s.Gone)
		}
		return text.String()
	}
	return norm(a) == norm(b)
}

// A store whose rows were not built yet hands over the same.
func TestWithoutRowsTheSameIsHandedOver(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, planPart, resultPart))
	f.mustSubmit(object(numberAndPatient, strings.Replace(resultPart, `"mmhg":3`, `"mmhg":4`, 1)), expect("result/exit", "1"))
	bare, err := casebook.New(f.ctx, casebook.Config{Store: withoutRows{f.store}, Policy: f.book.Policy, Software: "test"})
	if err != nil {
		t.Fatal(err)
	}
	desk, err := New(f.ctx, Config{Archive: bare.Archive})
	if err != nil {
		t.Fatal(err)
	}
	want, err := f.desk.GetBundle(f.ctx, caller, &trigonev1.GetBundleRequest{Case: ref()})
	if err != nil {
		t.Fatal(err)
	}
	got, err := desk.GetBundle(f.ctx, caller, &trigonev1.GetBundleRequest{Case: ref()})
	if err != nil || got.GetBundle() != want.GetBundle() || got.GetHistoryNumber() != want.GetHistoryNumber() {
		t.Errorf("the bundles differ: %v", err)
	}
}

// withoutRows is a store in which no projection stands.
type withoutRows struct{ storage.Store }

func (withoutRows) Resources(context.Context, string, string) ([]storage.Resource, error) {
	return nil, storage.ErrNotProjected
}

// A start with other codes or another reference to the patient gives every case a higher history number, says so among
// the changes, and an export that goes on from before gives everything once more;
// the same start again changes nothing.
func TestWhatASiteHasOfItsOwnRaisesTheHistoryNumber(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, resultPart))
	f.store1(1)
	number := func(d *Desk) int64 {
		t.Helper()
		resp, err := d.GetBundle(f.ctx, caller, &trigonev1.GetBundleRequest{Case: ref()})
		if err != nil {
			t.Fatal(err)
		}
		return resp.GetHistoryNumber()
	}
	changes := func() (kinds []trigonev1.ChangeKind) {
		t.Helper()
		resp, err := f.book.ListChanges(f.ctx, caller, &trigonev1.ListChangesRequest{})
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range resp.GetChanges() {
			kinds = append(kinds, c.GetKind())
		}
		return kinds
	}
	before, marked, told := f.export(""), number(f.desk), len(changes())
	codes := `site: harbour
version: "2"
zone: Europe/London
codes:
  - {local_system: metric, local_code: peak-gradient, system: "urn:oid:2.16.840.1.113883.3.9999", code: G-2, display: Peak (invented), equivalence: equivalent, verified: invented}
`
	const plain = "site: harbour\nversion: \"1\"\nzone: Europe/London\n"
	for i, row := range []struct {
		why  string
		text string
		rise int64
	}{
		{"the same start", "site: harbour\nversion: \"1\"\nzone: Europe/London\n", 0},
		{"other codes", codes, 1},
		{"the same codes", codes, 1},
		{"none again, which is no return to the former number", "site: harbour\nversion: \"1\"\nzone: Europe/London\n", 2},
		{"what is built in, said", plain + "fhir: {patient_reference: logical}\n", 2},
		{"a search for the patient", plain + "fhir: {patient_reference: conditional}\n", 3},
		{"an id of the patient", plain + "fhir: {patient_reference: literal, patient_template: \"Patient/{value}\", patient_system: \"urn:example:patient\"}\n", 4},
		{"another id of the patient", plain + "fhir: {patient_reference: literal, patient_template: \"Patient/a{value}\", patient_system: \"urn:example:patient\"}\n", 5},
		{"the former id, under a number that was never there", plain + "fhir: {patient_reference: literal, patient_template: \"Patient/{value}\", patient_system: \"urn:example:patient\"}\n", 6},
	} {
		p, err := policy.Parse("p.yaml", []byte(row.text), fhirmap.Terms{})
		if err != nil {
			t.Fatal(err)
		}
		under := fixtureOf(t, f.store, p)
		if got := number(under.desk); got != marked+row.rise {
			t.Errorf("%s: history number %d, want %d", row.why, got, marked+row.rise)
		}
		kinds := changes()
		if len(kinds) != told+int(row.rise) {
			t.Errorf("%s: changes %v", row.why, kinds)
		}
		for _, k := range kinds[told:] {
			if k != trigonev1.ChangeKind_CHANGE_KIND_MAPPING_CHANGED {
				t.Errorf("%s: a change of kind %v", row.why, k)
			}
		}
		after := under.export(before.end.GetNextSince())
		if want := len(before.lines); i == 0 && len(after.lines) != 0 || i > 0 && len(after.lines) != want {
			t.Errorf("%s: an export gives %d lines, everything is %d", row.why, len(after.lines), want)
		}
		if again := under.export(after.end.GetNextSince()); len(again.lines) != 0 {
			t.Errorf("%s: and once more %d lines", row.why, len(again.lines))
		}
	}
}

// Nothing that leaves without the patient names a case: neither its uid nor the part
// of an id that is of it, of any case of the store.
func TestDeIdentifiedBundlesNameNoCase(t *testing.T) {
	f := newFixture(t)
	deIdentifier, err := fhirmap.NewDeIdentifier(bytes.Repeat([]byte{7}, fhirmap.MinKeyBytes))
	if err != nil {
		t.Fatal(err)
	}
	desk, err := New(f.ctx, Config{Archive: f.book.Archive, DeIdentifier: deIdentifier})
	if err != nil {
		t.Fatal(err)
	}
	var secrets []string
	var cases []string
	for n := range 3 {
		name := f.store1(n)
		uid := name[strings.LastIndexByte(name, '/')+1:]
		hex := fmt.Sprintf("%012x", fhirmap.CasePrefix(uid))
		cases, secrets = append(cases, name), append(secrets, uid, hex, hex[:8]+"-"+hex[8:])
	}
	for _, name := range cases {
		plain, err := desk.GetBundle(f.ctx, caller, &trigonev1.GetBundleRequest{Case: &trigonev1.CaseReference{Name: name}})
		if err != nil {
			t.Fatal(err)
		}
		resp, err := desk.GetBundle(f.ctx, caller, &trigonev1.GetBundleRequest{
			Case: &trigonev1.CaseReference{Name: name}, Form: trigonev1.BundleForm_BUNDLE_FORM_DE_IDENTIFIED,
		})
		if err != nil {
			t.Fatal(err)
		}
		found := 0
		for _, s := range secrets {
			if strings.Contains(plain.GetBundle(), s) {
				found++
			}
			if strings.Contains(resp.GetBundle(), s) {
				t.Errorf("%s is in a de-identified bundle", s)
			}
		}
		if found < 2 {
			t.Errorf("only %d of what names a case is in its own bundle: the test looks for the wrong text", found)
		}
	}
}
