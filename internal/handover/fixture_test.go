package handover

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	"trigone/internal/casebook"
	"trigone/internal/policy"
	"trigone/internal/storage"
	"trigone/internal/storage/sqlite"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// Everything here is invented; there is no such hospital and no such patient.

var caller = casebook.Principal{Name: "local"}

// fixture is a desk beside the casebook that fills its store.
type fixture struct {
	testing.TB
	ctx   context.Context
	book  *casebook.Book
	desk  *Desk
	store storage.Store
}

func newFixture(t testing.TB) fixture { return newFixtureOn(t, openStore(t)) }

func newFixtureOn(t testing.TB, store storage.Store) fixture {
	t.Helper()
	p, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	return fixtureOf(t, store, p)
}

func fixtureOf(t testing.TB, store storage.Store, p policy.Policy) fixture {
	t.Helper()
	now := clockwork()
	book, err := casebook.New(t.Context(), casebook.Config{Store: store, Policy: p, Software: "test", Now: now, Projectors: []casebook.Projector{Resources{}}, WriteNote: WriteSigned(p)})
	if err != nil {
		t.Fatal(err)
	}
	desk, err := New(t.Context(), Config{Archive: book.Archive, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	return fixture{TB: t, ctx: t.Context(), book: book, desk: desk, store: store}
}

func openStore(t testing.TB) storage.Store {
	t.Helper()
	store, err := sqlite.Open(t.Context(), filepath.Join(t.TempDir(), "book.db"), sqlite.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	return store
}

// clockwork is a clock that moves on by a second whenever it is read.
func clockwork() func() time.Time {
	var mu sync.Mutex
	now := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	return func() time.Time {
		mu.Lock()
		defer mu.Unlock()
		now = now.Add(time.Second)
		return now
	}
}

// sameSecret is a store under the secret of another.
type sameSecret struct {
	storage.Store
	secret []byte
}

func (s sameSecret) Secret(context.Context) ([]byte, error) { return s.secret, nil }

const (
	numberAndPatient = `"externalIdentifier":{"system":"urn:example:case","value":"MV-1"},"patientIdentifier":{"system":"urn:example:patient","value":"P-SECRET-1"}`
	identityPart     = `"identity":{"sex":"SEX_FEMALE","ageYears":61}`
	planPart         = `"plan":{"signer":"surgeon-1","signedTime":"2026-03-01T07:00:00Z","stepsRecorded":"RECORDED_COMPLETE","steps":[{"id":"plan-ring","technique":{"annuloplasty":{"kind":"ANNULOPLASTY_KIND_COMPLETE_RING","ringInnerAnteroPosteriorDiameter":{"mm":26},"ringInnerTransverseDiameter":{"mm":34}}}}]}`
	resultPart       = `"results":[{"id":"exit","run":1,"stage":"STAGE_LEAVING_THEATRE","study":{"gradient":{"meanGradient":{"mmhg":3},"peakGradient":{"mmhg":7},"gradientHeartRate":{"perMin":75}}}}]`
	brokenResult     = `"results":[{"id":"exit","run":1,"stage":"STAGE_LEAVING_THEATRE","study":{"gradient":{"meanGradient":{"mmhg":9},"peakGradient":{"mmhg":7},"gradientHeartRate":{"perMin":75}}}}]`
)

func object(parts ...string) string { return "{" + strings.Join(parts, ",") + "}" }

func ref() *trigonev1.CaseReference {
	return &trigonev1.CaseReference{ExternalIdentifier: &trigonev1.Identifier{System: "urn:example:case", Value: "MV-1"}}
}

func (f fixture) mustSubmit(text string, change ...func(*trigonev1.SubmitCaseRequest)) *trigonev1.SubmitCaseResponse {
	f.Helper()
	req := &trigonev1.SubmitCaseRequest{CaseFile: &trigonev1.CaseFile{}}
	if err := protojson.Unmarshal([]byte(text), req.CaseFile); err != nil {
		f.Fatalf("%v in %s", err, text)
	}
	for _, c := range change {
		c(req)
	}
	resp, err := f.book.SubmitCase(f.ctx, caller, req)
	if err != nil {
		f.Fatal(err)
	}
	return resp
}

func expect(section, tag string) func(*trigonev1.SubmitCaseRequest) {
	return func(r *trigonev1.SubmitCaseRequest) {
		r.Conditions = append(r.Conditions, &trigonev1.SectionCondition{Section: section, Expected: &trigonev1.SectionCondition_Etag{Etag: tag}})
	}
}

// numbered is a case file of its own number and patient.
func numbered(t testing.TB, name string, n int) *trigonev1.CaseFile {
	t.Helper()
	file, err := testdata.Read(testdata.Cases, name)
	if err != nil {
		t.Fatal(err)
	}
	file.ExternalIdentifier = &trigonev1.Identifier{System: "urn:example:case", Value: fmt.Sprint("E-", n)}
	file.PatientIdentifier = &trigonev1.Identifier{System: "urn:example:patient", Value: fmt.Sprint("P-", n)}
	return file
}

func (f fixture) store1(n int) string {
	f.Helper()
	resp, err := f.book.SubmitCase(f.ctx, caller, &trigonev1.SubmitCaseRequest{CaseFile: numbered(f, "core-only", n)})
	if err != nil {
		f.Fatal(err)
	}
	return resp.GetCaseName()
}
