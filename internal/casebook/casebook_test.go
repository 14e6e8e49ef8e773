package casebook

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/policy"
	"trigone/internal/storage"
	"trigone/internal/storage/sqlite"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// Everything here is invented; there is no such hospital and no such patient.

var caller = Principal{Name: "local"}

type clockwork struct {
	mu  sync.Mutex
	now time.Time
}

func (c *clockwork) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(time.Second)
	return c.now
}

func (c *clockwork) set(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = t
}

type fixture struct {
	*testing.T
	ctx   context.Context
	book  *Book
	store storage.Store
	clock *clockwork
}

func newFixture(t *testing.T) fixture {
	t.Helper()
	return newFixtureOn(t, filepath.Join(t.TempDir(), "book.db"))
}

// newFixtureOn opens a book on a store that may be there already.
func newFixtureOn(t *testing.T, path string) fixture {
	t.Helper()
	ctx := context.Background()
	store, err := sqlite.Open(ctx, path, sqlite.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	p, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	clock := &clockwork{now: time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)}
	book, err := New(ctx, Config{Store: store, Policy: p, Software: "test", Now: clock.Now, WriteNote: shortNote})
	if err != nil {
		t.Fatal(err)
	}
	return fixture{T: t, ctx: ctx, book: book, store: store, clock: clock}
}

// shortNote is a note that is signed in tests.
func shortNote(s Signing) (content []byte, media string, err error) {
	return []byte("signed " + s.Case.GetCaseFile().GetPatientIdentifier().GetValue() + s.Request.GetAddendum()), "text/plain", nil
}

func caseFile(t *testing.T, text string) *trigonev1.CaseFile {
	t.Helper()
	f := &trigonev1.CaseFile{}
	if err := protojson.Unmarshal([]byte(text), f); err != nil {
		t.Fatalf("%v in %s", err, text)
	}
	return f
}

const (
	numberAndPatient = `"externalIdentifier":{"system":"urn:example:case","value":"MV-1"},"patientIdentifier":{"system":"urn:example:patient","value":"P-SECRET-1"}`
	identityPart     = `"identity":{"sex":"SEX_FEMALE","ageYears":61}`
	planPart         = `"plan":{"signer":"surgeon-1","signedTime":"2026-03-01T07:00:00Z","stepsRecorded":"RECORDED_COMPLETE","steps":[{"id":"plan-ring","technique":{"annuloplasty":{"kind":"ANNULOPLASTY_KIND_COMPLETE_RING","ringInnerAnteroPosteriorDiameter":{"mm":26},"ringInnerTransverseDiameter":{"mm":34}}}}]}`
	resultPart       = `"results":[{"id":"exit","run":1,"stage":"STAGE_LEAVING_THEATRE","study":{"gradient":{"meanGradient":{"mmhg":3},"peakGradient":{"mmhg":7},"gradientHeartRate":{"perMin":75}}}}]`
	brokenResult     = `"results":[{"id":"exit","run":1,"stage":"STAGE_LEAVING_THEATRE","study":{"gradient":{"meanGradient":{"mmhg":9},"peakGradient":{"mmhg":7},"gradientHeartRate":{"perMin":75}}}}]`
)

func object(parts ...string) string { return "{" + strings.Join(parts, ",") + "}" }

func (f fixture) submit(text string, change ...func(*trigonev1.SubmitCaseRequest)) (*trigonev1.SubmitCaseResponse, error) {
	f.Helper()
	req := &trigonev1.SubmitCaseRequest{CaseFile: caseFile(f.T, text)}
	for _, c := range change {
		c(req)
	}
	return f.book.SubmitCase(f.ctx, caller, req)
}

func (f fixture) mustSubmit(text string, change ...func(*trigonev1.SubmitCaseRequest)) *trigonev1.SubmitCaseResponse {
	f.Helper()
	resp, err := f.submit(text, change...)
	if err != nil {
		f.Fatal(err)
	}
	return resp
}

func requestID(id string) func(*trigonev1.SubmitCaseRequest) {
	return func(r *trigonev1.SubmitCaseRequest) { r.RequestId = id }
}

func expect(section, tag string) func(*trigonev1.SubmitCaseRequest) {
	return func(r *trigonev1.SubmitCaseRequest) {
		r.Conditions = append(r.Conditions, &trigonev1.SectionCondition{Section: section, Expected: &trigonev1.SectionCondition_Etag{Etag: tag}})
	}
}

func sourceTime(t time.Time) func(*trigonev1.SubmitCaseRequest) {
	return func(r *trigonev1.SubmitCaseRequest) { r.SourceTime = timestamppb.New(t) }
}

func ref() *trigonev1.CaseReference {
	return &trigonev1.CaseReference{ExternalIdentifier: &trigonev1.Identifier{System: "urn:example:case", Value: "MV-1"}}
}

func (f fixture) get() *trigonev1.Case {
	f.Helper()
	resp, err := f.book.GetCase(f.ctx, caller, &trigonev1.GetCaseRequest{Case: ref()})
	if err != nil {
		f.Fatal(err)
	}
	return resp.GetCase()
}

func (f fixture) changes() []*trigonev1.Change {
	f.Helper()
	var all []*trigonev1.Change
	cursor := ""
	for {
		resp, err := f.book.ListChanges(f.ctx, caller, &trigonev1.ListChangesRequest{Cursor: cursor, PageSize: 2})
		if err != nil {
			f.Fatal(err)
		}
		all = append(all, resp.GetChanges()...)
		cursor = resp.GetNextCursor()
		if !resp.GetMore() {
			return all
		}
	}
}

// wantRefusal checks kind and reason, that the answer says what to do, and that
// it echoes neither identifier nor text of the record.
// wantViolation asks for a refusal of one field.
func wantViolation(t *testing.T, err error, path string) {
	t.Helper()
	wantRefusal(t, err, Invalid, ReasonViolations)
	var e *Error
	if errors.As(err, &e); len(e.Violations) != 1 || e.Violations[0].Path != path {
		t.Errorf("violations %v, want one of %s", e.Violations, path)
	}
}

func wantRefusal(t *testing.T, err error, kind Kind, reason string) {
	t.Helper()
	var e *Error
	if !errors.As(err, &e) {
		t.Fatalf("error %v is no refusal", err)
	}
	if e.Kind != kind || e.Reason != reason {
		t.Fatalf("refused as %s %s, want %s %s: %s", e.Kind, e.Reason, kind, reason, e.Message)
	}
	text := e.Message
	for _, v := range e.Violations {
		text += v.Path + v.Message
	}
	if strings.Contains(text, "SECRET") {
		t.Errorf("the refusal echoes what was sent: %s", text)
	}
	if len(e.Message) < len("it says what to do") {
		t.Errorf("the refusal %q says too little", e.Message)
	}
}

func TestSubmitOpensAndReadsBackUnchanged(t *testing.T) {
	f := newFixture(t)
	sent := caseFile(t, object(numberAndPatient, identityPart, planPart, resultPart))
	// A field of a newer contract inside a section is kept.
	unknown := protowire.AppendTag(nil, 1999, protowire.VarintType)
	sent.GetPlan().ProtoReflect().SetUnknown(protowire.AppendVarint(unknown, 7))
	resp, err := f.book.SubmitCase(f.ctx, caller, &trigonev1.SubmitCaseRequest{CaseFile: sent})
	if err != nil {
		t.Fatal(err)
	}
	if resp.GetCaseVersion() != 1 || len(resp.GetSections()) != 3 {
		t.Errorf("answer %v", resp)
	}
	for _, s := range resp.GetSections() {
		if s.GetOutcome() != trigonev1.SectionOutcome_SECTION_OUTCOME_CREATED || s.GetEtag() != "1" {
			t.Errorf("section %v", s)
		}
	}
	got := f.get()
	if !proto.Equal(got.GetCaseFile(), sent) {
		t.Errorf("read back %v, sent %v", got.GetCaseFile(), sent)
	}
	if !proto.Equal(got.GetEvaluation(), resp.GetEvaluation()) {
		t.Error("the evaluation on record is not the one answered")
	}
}

func TestRepeatedAndChangedSubmits(t *testing.T) {
	f := newFixture(t)
	first := f.mustSubmit(object(numberAndPatient, identityPart, planPart), requestID("r1"))
	again := f.mustSubmit(object(numberAndPatient, identityPart, planPart), requestID("r1"))
	if !proto.Equal(first, again) {
		t.Errorf("a replay answers %v, first was %v", again, first)
	}
	_, err := f.submit(object(numberAndPatient, identityPart), requestID("r1"))
	wantRefusal(t, err, AlreadyExists, ReasonRequestIDReused)

	equal := f.mustSubmit(object(numberAndPatient, planPart), requestID("r2"))
	if equal.GetCaseVersion() != 1 || equal.GetSections()[0].GetOutcome() != trigonev1.SectionOutcome_SECTION_OUTCOME_UNCHANGED {
		t.Errorf("an equal submit wrote: %v", equal)
	}
	if n := len(f.changes()); n != 2 {
		t.Errorf("%d changes, want 2: equal content and replays make none", n)
	}

	changed := strings.Replace(planPart, `"mm":26`, `"mm":27`, 1)
	_, err = f.submit(object(numberAndPatient, changed))
	wantRefusal(t, err, FailedPrecondition, ReasonNoCondition)
	_, err = f.submit(object(numberAndPatient, changed), expect("plan", "4"))
	wantRefusal(t, err, Aborted, ReasonStaleEtag)
	second := f.mustSubmit(object(numberAndPatient, changed), expect("plan", "1"))
	if s := second.GetSections()[0]; s.GetRevision() != 2 || s.GetEtag() != "2" || s.GetOutcome() != trigonev1.SectionOutcome_SECTION_OUTCOME_REPLACED {
		t.Errorf("section %v", s)
	}
	// The first request is still answered as it was.
	if late := f.mustSubmit(object(numberAndPatient, identityPart, planPart), requestID("r1")); !proto.Equal(first, late) {
		t.Error("a late replay answers otherwise than at first")
	}
}

func TestSourceTimeOrdersRevisions(t *testing.T) {
	f := newFixture(t)
	noon := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	f.clock.set(noon.Add(time.Hour))
	f.mustSubmit(object(numberAndPatient, identityPart, resultPart), sourceTime(noon))
	other := func(mean string) string { return strings.Replace(resultPart, `"mmhg":3`, `"mmhg":`+mean, 1) }
	older := f.mustSubmit(object(numberAndPatient, other("4")), sourceTime(noon.Add(-time.Hour)))
	if s := older.GetSections()[0]; s.GetOutcome() != trigonev1.SectionOutcome_SECTION_OUTCOME_STORED_AS_OLDER || s.GetEtag() != "1" || s.GetRevision() != 2 {
		t.Errorf("older submit: %v", s)
	}
	if got := f.get().GetCaseFile().GetResults()[0].GetStudy().GetGradient().GetMeanGradient().GetMmhg(); got != 3 {
		t.Errorf("the head holds %v, want the newer 3", got)
	}
	newer := f.mustSubmit(object(numberAndPatient, other("5")), sourceTime(noon))
	if s := newer.GetSections()[0]; s.GetRevision() != 3 || s.GetEtag() != "3" {
		t.Errorf("not older than the head must become head: %v", s)
	}
	resp, err := f.book.ListRevisions(f.ctx, caller, &trigonev1.ListRevisionsRequest{Case: ref(), Section: "result/exit"})
	if err != nil {
		t.Fatal(err)
	}
	var heads []bool
	for _, r := range resp.GetRevisions() {
		heads = append(heads, r.GetHead())
	}
	if !slices.Equal(heads, []bool{false, false, true}) {
		t.Errorf("heads %v", heads)
	}
}

// A clock that is ahead makes no revision newer than its corrections: a section that
// came with a time of 2036 kept every true correction out for ten years.
func TestSourceTimeAheadOfReceipt(t *testing.T) {
	received := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	other := func(mean string) string { return strings.Replace(resultPart, `"mmhg":3`, `"mmhg":`+mean, 1) }
	tests := []struct {
		why     string
		ahead   time.Duration // of the first submit's source time
		refused bool
		note    string
	}{
		{"made before it was received", -time.Hour, false, ""},
		{"two clocks that differ a little", 4 * time.Minute, false, ""},
		{"local time sent as if it were UTC", 3 * time.Hour, false, "3h0m0s ahead"},
		{"a day, and no more", 24 * time.Hour, false, "24h0m0s ahead"},
		{"more than a day", 24*time.Hour + time.Minute, true, ""},
		{"ten years", 10 * 365 * 24 * time.Hour, true, ""},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			f := newFixture(t)
			f.clock.set(received)
			first, err := f.submit(object(numberAndPatient, identityPart, resultPart), sourceTime(received.Add(tt.ahead)))
			if tt.refused {
				wantViolation(t, err, "source_time")
				_, err := f.submit(object(numberAndPatient, identityPart, resultPart), func(r *trigonev1.SubmitCaseRequest) {
					r.Conditions = []*trigonev1.SectionCondition{{
						Section: "result/exit", Expected: &trigonev1.SectionCondition_SourceTime{SourceTime: timestamppb.New(received.Add(tt.ahead))},
					}}
				})
				wantViolation(t, err, "conditions[0].source_time")
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range first.GetSections() {
				if !strings.Contains(s.GetNote(), tt.note) || (tt.note == "") != (s.GetNote() == "") {
					t.Errorf("%s: note %q, want %q in it", s.GetSection(), s.GetNote(), tt.note)
				}
			}
			if !strings.Contains(first.GetMessage(), tt.note) {
				t.Errorf("the message does not tell: %s", first.GetMessage())
			}
			f.clock.set(received.Add(10 * time.Minute))
			correction := f.mustSubmit(object(numberAndPatient, other("4")), sourceTime(received.Add(9*time.Minute)))
			if s := correction.GetSections()[0]; s.GetOutcome() != trigonev1.SectionOutcome_SECTION_OUTCOME_REPLACED || s.GetHeadTime() != nil || s.GetNote() != "" {
				t.Errorf("a correction made after the receipt: %v", s)
			}
			// The same wrong clock corrects itself, too.
			f.clock.set(received.Add(20 * time.Minute))
			again := f.mustSubmit(object(numberAndPatient, other("5")), sourceTime(received.Add(20*time.Minute+tt.ahead)))
			if s := again.GetSections()[0]; tt.ahead >= 0 && s.GetOutcome() != trigonev1.SectionOutcome_SECTION_OUTCOME_REPLACED {
				t.Errorf("a correction by the same clock: %v", s)
			}
		})
	}
}

// What was stored as older says which head stands, since when, and how to mend it.
func TestStoredAsOlderNamesTheHead(t *testing.T) {
	f := newFixture(t)
	noon := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	f.clock.set(noon.Add(time.Hour))
	f.mustSubmit(object(numberAndPatient, identityPart, resultPart), sourceTime(noon))
	changed := object(numberAndPatient, strings.Replace(resultPart, `"mmhg":3`, `"mmhg":4`, 1))
	older := f.mustSubmit(changed, sourceTime(noon.Add(-time.Minute)))
	s := older.GetSections()[0]
	if !s.GetHeadTime().AsTime().Equal(noon) || !strings.Contains(s.GetNote(), "2026-03-01 12:00:00 UTC") || !strings.Contains(s.GetNote(), "etag 1") {
		t.Errorf("the receipt names no head: %v", s)
	}
	if !strings.Contains(older.GetMessage(), s.GetNote()) {
		t.Errorf("the message does not tell: %s", older.GetMessage())
	}
	if mended := f.mustSubmit(changed, expect("result/exit", "1")).GetSections()[0]; mended.GetEtag() != "3" || mended.GetHeadTime() != nil {
		t.Errorf("the etag does not mend it: %v", mended)
	}
}

// The rows of the code table that the casebook answers, each with a reason.
func TestRefusals(t *testing.T) {
	open := object(numberAndPatient, identityPart, planPart)
	nan := func(r *trigonev1.SubmitCaseRequest) {
		v := math.NaN()
		r.CaseFile.Plan.Steps[0].Technique.GetAnnuloplasty().RingInnerTransverseDiameter.Mm = &v
	}
	tests := []struct {
		why    string
		before []string // submitted first
		text   string
		change []func(*trigonev1.SubmitCaseRequest)
		kind   Kind
		reason string
	}{
		{"unknown case and nothing to open it with", nil, object(numberAndPatient, planPart), nil, NotFound, ReasonUnknownCase},
		{"a site that is not this one", nil, open, []func(*trigonev1.SubmitCaseRequest){func(r *trigonev1.SubmitCaseRequest) { r.Parent = "sites/elsewhere" }}, NotFound, ReasonUnknownSite},
		{"a case name nobody has", nil, open, []func(*trigonev1.SubmitCaseRequest){func(r *trigonev1.SubmitCaseRequest) { r.CaseName = "sites/harbour/cases/none" }}, NotFound, ReasonUnknownCase},
		{"no patient identifier", nil, object(identityPart, planPart), nil, Invalid, ReasonViolations},
		{"no section", nil, object(numberAndPatient), nil, Invalid, ReasonViolations},
		{"not a number", nil, open, []func(*trigonev1.SubmitCaseRequest){nan}, Invalid, ReasonViolations},
		{"negative length", nil, strings.Replace(open, `"mm":26`, `"mm":-1`, 1), nil, Invalid, ReasonViolations},
		{"beyond the bounds of the contract", nil, strings.Replace(open, `"mm":26`, `"mm":26000`, 1), nil, Invalid, ReasonViolations},
		{"unknown enum number", nil, strings.Replace(open, `"SEX_FEMALE"`, `77`, 1), nil, Invalid, ReasonViolations},
		{"NUL in text", nil, strings.Replace(open, `"stepsRecorded"`, `"rationale":"SECRET\u0000","stepsRecorded"`, 1), nil, Invalid, ReasonViolations},
		{"a value and a reason why there is none", nil, strings.Replace(open, `"mm":26`, `"mm":26,"absentReason":"ABSENT_REASON_NOT_RECORDED"`, 1), nil, Invalid, ReasonViolations},
		{"a step id twice", nil, strings.Replace(open, `"steps":[`, `"steps":[{"id":"plan-ring"},`, 1), nil, Invalid, ReasonViolations},
		{"a condition for a section that is not sent", nil, open, []func(*trigonev1.SubmitCaseRequest){expect("operation", "1")}, Invalid, ReasonViolations},
		{"existing section, nothing stated", []string{open}, strings.Replace(open, `"mm":26`, `"mm":25`, 1), nil, FailedPrecondition, ReasonNoCondition},
		{"stale etag", []string{open}, strings.Replace(open, `"mm":26`, `"mm":25`, 1), []func(*trigonev1.SubmitCaseRequest){expect("plan", "9")}, Aborted, ReasonStaleEtag},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			f := newFixture(t)
			for _, b := range tt.before {
				f.mustSubmit(b)
			}
			before := len(f.changes())
			change := append([]func(*trigonev1.SubmitCaseRequest){requestID("once")}, tt.change...)
			_, err := f.submit(tt.text, change...)
			wantRefusal(t, err, tt.kind, tt.reason)
			if after := len(f.changes()); after != before {
				t.Errorf("a refused submit made %d changes", after-before)
			}
			// A refusal consumes nothing: the same request id serves the corrected one.
			if _, err := f.submit(object(numberAndPatient, identityPart), requestID("once")); err != nil {
				t.Errorf("the request id was consumed: %v", err)
			}
		})
	}
}

func TestAllViolationsAtOnce(t *testing.T) {
	f := newFixture(t)
	text := strings.Replace(strings.Replace(object(identityPart, planPart), `"mm":26`, `"mm":-1`, 1), `"mm":34`, `"mm":99999`, 1)
	_, err := f.submit(text)
	var e *Error
	if !errors.As(err, &e) {
		t.Fatal(err)
	}
	var paths []string
	for _, v := range e.Violations {
		paths = append(paths, v.Path)
	}
	for _, want := range []string{
		"case_file.patient_identifier",
		"case_file.plan.steps[0].technique.annuloplasty.ring_inner_antero_posterior_diameter.mm",
		"case_file.plan.steps[0].technique.annuloplasty.ring_inner_transverse_diameter.mm",
	} {
		if !slices.ContainsFunc(paths, func(p string) bool { return strings.HasPrefix(p, want) }) {
			t.Errorf("no violation at %s in %v", want, paths)
		}
	}
}

func TestValidateOnlyStoresNothing(t *testing.T) {
	f := newFixture(t)
	dry := func(r *trigonev1.SubmitCaseRequest) { r.ValidateOnly = true }
	resp := f.mustSubmit(object(numberAndPatient, identityPart, resultPart), dry, requestID("r"))
	if resp.GetEvaluation() == nil || resp.GetCaseName() != "" {
		t.Errorf("answer %v", resp)
	}
	if n := len(f.changes()); n != 0 {
		t.Errorf("%d changes", n)
	}
	f.mustSubmit(object(numberAndPatient, identityPart), requestID("r"))
}

func TestAnotherPatientIsQuarantined(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, planPart))
	wrong := strings.Replace(object(numberAndPatient, resultPart), "P-SECRET-1", "P-SECRET-2", 1)
	resp := f.mustSubmit(wrong)
	if resp.GetQuarantineId() == "" || resp.GetCaseName() != "" || resp.GetEvaluation() != nil {
		t.Fatalf("answer %v tells of the case", resp)
	}
	if again := f.mustSubmit(wrong); again.GetQuarantineId() != resp.GetQuarantineId() {
		t.Error("a repeated submit was set aside twice")
	}
	if got := f.get(); len(got.GetSections()) != 2 || got.GetCaseVersion() != 1 {
		t.Error("the quarantined submit became part of the case")
	}
	last := f.changes()[2]
	if last.GetKind() != trigonev1.ChangeKind_CHANGE_KIND_QUARANTINED || last.GetCaseName() != "" || last.GetQuarantineId() != resp.GetQuarantineId() {
		t.Errorf("change %v", last)
	}

	file := &trigonev1.FileQuarantinedRequest{
		QuarantineId: resp.GetQuarantineId(), Reason: "typing error in the number", RequestId: "f1",
		Decision: &trigonev1.FileQuarantinedRequest_IntoCase{IntoCase: f.get().GetName()}, Etag: f.look(resp.GetQuarantineId()).GetEtag(),
	}
	filed, err := f.book.FileQuarantined(f.ctx, Principal{Name: "reviewer"}, file)
	if err != nil {
		t.Fatal(err)
	}
	if got := f.get(); len(got.GetCaseFile().GetResults()) != 1 || got.GetCaseFile().GetPatientIdentifier().GetValue() != "P-SECRET-1" {
		t.Errorf("case after filing: %v", got.GetCaseFile())
	}
	replay, err := f.book.FileQuarantined(f.ctx, Principal{Name: "reviewer"}, file)
	if err != nil || replay.GetSubmitted().GetCaseVersion() != filed.GetSubmitted().GetCaseVersion() {
		t.Errorf("replay: %v, %v", replay, err)
	}
	file.RequestId = ""
	_, err = f.book.FileQuarantined(f.ctx, Principal{Name: "reviewer"}, file)
	wantRefusal(t, err, FailedPrecondition, ReasonDecided)
	_, err = f.book.FileQuarantined(f.ctx, Principal{Name: "reviewer"}, &trigonev1.FileQuarantinedRequest{
		QuarantineId: "none", Reason: "r", Decision: &trigonev1.FileQuarantinedRequest_Discard{Discard: true},
	})
	wantRefusal(t, err, NotFound, ReasonUnknownQuarantine)
}

func TestDiscardedQuarantineLeavesNothing(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart))
	resp := f.mustSubmit(strings.Replace(object(numberAndPatient, resultPart), "P-SECRET-1", "P-SECRET-2", 1))
	if _, err := f.book.FileQuarantined(f.ctx, caller, &trigonev1.FileQuarantinedRequest{
		QuarantineId: resp.GetQuarantineId(), Reason: "sent twice", Decision: &trigonev1.FileQuarantinedRequest_Discard{Discard: true},
		Etag: f.look(resp.GetQuarantineId()).GetEtag(),
	}); err != nil {
		t.Fatal(err)
	}
	if n := len(f.get().GetSections()); n != 1 {
		t.Errorf("%d sections, want 1", n)
	}
}

func TestContradictionDisputesAndIsSettled(t *testing.T) {
	f := newFixture(t)
	resp := f.mustSubmit(object(numberAndPatient, identityPart, brokenResult))
	state := resp.GetSections()[1].GetState()
	if state != trigonev1.SectionState_SECTION_STATE_DISPUTED {
		t.Fatalf("peak below mean: state %v", state)
	}
	if f.get().GetSections()[0].GetState() != trigonev1.SectionState_SECTION_STATE_ACCEPTED {
		t.Error("the identity section is in dispute too")
	}
	resp = f.mustSubmit(object(numberAndPatient, resultPart), expect("result/exit", "1"))
	if s := resp.GetSections()[0].GetState(); s != trigonev1.SectionState_SECTION_STATE_ACCEPTED {
		t.Errorf("after correction: state %v", s)
	}
}

// A contradiction between two sections appears and goes with a write to only one
// of them; the other's change of state is told.
func TestDisputeAcrossSections(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, strings.Replace(brokenResult, `"study":{`, `"study":{"studyId":"s1",`, 1)))
	f.mustSubmit(object(numberAndPatient, resultPart), expect("result/exit", "1"))
	var kinds []string
	for _, c := range f.changes() {
		kinds = append(kinds, c.GetKind().String()+" "+c.GetSection()+" "+c.GetState().String())
	}
	want := []string{
		"CHANGE_KIND_SUBMITTED identity SECTION_STATE_ACCEPTED",
		"CHANGE_KIND_SUBMITTED result/exit SECTION_STATE_DISPUTED",
		"CHANGE_KIND_SUBMITTED result/exit SECTION_STATE_ACCEPTED",
	}
	if !slices.Equal(kinds, want) {
		t.Errorf("changes %v, want %v", kinds, want)
	}
}

func TestRetractSection(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, planPart, resultPart))
	retract := func(section, tag string) (*trigonev1.RetractSectionResponse, error) {
		return f.book.RetractSection(f.ctx, caller, &trigonev1.RetractSectionRequest{
			Case: ref(), Section: section, Etag: tag, Reason: trigonev1.RetractionReason_RETRACTION_REASON_ENTERED_IN_ERROR,
		})
	}
	_, err := retract("result/none", "1")
	wantRefusal(t, err, NotFound, ReasonUnknownSection)
	_, err = retract("result/exit", "7")
	wantRefusal(t, err, Aborted, ReasonStaleEtag)
	resp, err := retract("result/exit", "1")
	if err != nil {
		t.Fatal(err)
	}
	if resp.GetSection().GetState() != trigonev1.SectionState_SECTION_STATE_RETRACTED || resp.GetCaseVersion() != 2 {
		t.Errorf("answer %v", resp)
	}
	again, err := retract("result/exit", "1")
	if err != nil || again.GetCaseVersion() != 2 || again.GetSection().GetEtag() != "2" {
		t.Errorf("retract again: %v, %v", again, err)
	}
	if got := f.get().GetCaseFile(); len(got.GetResults()) != 0 {
		t.Error("the retracted section is still a head")
	}
	// Closed: a section with an id stays closed, the plan begins anew with the
	// retraction's etag.
	_, err = f.submit(object(numberAndPatient, resultPart), expect("result/exit", "2"))
	wantRefusal(t, err, FailedPrecondition, ReasonClosedSection)
	if _, err = retract("plan", "1"); err != nil {
		t.Fatal(err)
	}
	_, err = f.submit(object(numberAndPatient, planPart))
	wantRefusal(t, err, FailedPrecondition, ReasonClosedSection)
	anew := f.mustSubmit(object(numberAndPatient, planPart), expect("plan", "2"))
	if s := anew.GetSections()[0]; s.GetRevision() != 3 || s.GetState() != trigonev1.SectionState_SECTION_STATE_ACCEPTED {
		t.Errorf("plan begun anew: %v", s)
	}
}

func TestRetractCaseFreesItsNumber(t *testing.T) {
	f := newFixture(t)
	first := f.mustSubmit(object(numberAndPatient, identityPart, planPart))
	req := &trigonev1.RetractCaseRequest{
		Case: &trigonev1.CaseReference{Name: first.GetCaseName()}, CaseVersion: 5, Reason: trigonev1.RetractionReason_RETRACTION_REASON_DUPLICATE,
	}
	_, err := f.book.RetractCase(f.ctx, caller, req)
	wantRefusal(t, err, Aborted, ReasonStaleVersion)
	req.CaseVersion = 1
	resp, err := f.book.RetractCase(f.ctx, caller, req)
	if err != nil || resp.GetState() != trigonev1.CaseState_CASE_STATE_RETRACTED {
		t.Fatalf("%v, %v", resp, err)
	}
	if again, err := f.book.RetractCase(f.ctx, caller, req); err != nil || !proto.Equal(again, resp) {
		t.Errorf("retract again: %v, %v", again, err)
	}
	_, err = f.book.SubmitCase(f.ctx, caller, &trigonev1.SubmitCaseRequest{CaseName: first.GetCaseName(), CaseFile: caseFile(t, object(numberAndPatient, resultPart))})
	wantRefusal(t, err, FailedPrecondition, ReasonClosedCase)
	second := f.mustSubmit(object(numberAndPatient, identityPart))
	if second.GetCaseName() == first.GetCaseName() {
		t.Error("the number was not free for a new case")
	}
}

func TestAmendIdentity(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, planPart, resultPart))
	amend := &trigonev1.AmendIdentityRequest{
		Case: ref(), CaseVersion: 1, Amendment: trigonev1.IdentityAmendment_IDENTITY_AMENDMENT_CORRECTION, Reason: "wrong digit",
		PatientIdentifier: &trigonev1.Identifier{System: "urn:example:patient", Value: "P-SECRET-9"},
	}
	if _, err := f.book.AmendIdentity(f.ctx, caller, amend); err != nil {
		t.Fatal(err)
	}
	got := f.get()
	if got.GetCaseFile().GetPatientIdentifier().GetValue() != "P-SECRET-9" || len(got.GetFormerPatientIdentifiers()) != 1 {
		t.Errorf("after correction: %v, former %v", got.GetCaseFile().GetPatientIdentifier(), got.GetFormerPatientIdentifiers())
	}
	// The former identifier is still taken.
	if resp := f.mustSubmit(object(numberAndPatient, planPart)); resp.GetQuarantineId() != "" {
		t.Error("a submit with the former identifier was quarantined")
	}
	wrong := &trigonev1.AmendIdentityRequest{
		Case: ref(), CaseVersion: 2, Amendment: trigonev1.IdentityAmendment_IDENTITY_AMENDMENT_WRONG_PATIENT, Reason: "mixed up",
		WrongSections: []string{"result/exit"},
	}
	resp, err := f.book.AmendIdentity(f.ctx, caller, wrong)
	if err != nil {
		t.Fatal(err)
	}
	if s := resp.GetSections()[2]; s.GetState() != trigonev1.SectionState_SECTION_STATE_RETRACTED || s.GetRetractionReason() != trigonev1.RetractionReason_RETRACTION_REASON_WRONG_PATIENT {
		t.Errorf("section %v", s)
	}
	_, err = f.book.AmendIdentity(f.ctx, caller, amend)
	wantRefusal(t, err, Aborted, ReasonStaleVersion)
}

func TestForeignTokensAreRefused(t *testing.T) {
	f := newFixture(t)
	for i := range 3 {
		f.mustSubmit(strings.Replace(object(numberAndPatient, identityPart), "MV-1", fmt.Sprintf("MV-%d", i+1), 1))
	}
	page, err := f.book.ListCases(f.ctx, caller, &trigonev1.ListCasesRequest{PageSize: 2})
	if err != nil || page.GetNextPageToken() == "" || len(page.GetCases()) != 2 {
		t.Fatalf("%v, %v", page, err)
	}
	rest, err := f.book.ListCases(f.ctx, caller, &trigonev1.ListCasesRequest{PageToken: page.GetNextPageToken()})
	if err != nil || len(rest.GetCases()) != 1 || rest.GetNextPageToken() != "" {
		t.Fatalf("%v, %v", rest, err)
	}
	_, err = f.book.ListCases(f.ctx, caller, &trigonev1.ListCasesRequest{PageToken: page.GetNextPageToken(), DisputedOnly: true})
	wantRefusal(t, err, Invalid, ReasonViolations)
	_, err = f.book.ListChanges(f.ctx, caller, &trigonev1.ListChangesRequest{Cursor: page.GetNextPageToken()})
	wantRefusal(t, err, Invalid, ReasonViolations)
	_, err = f.book.ListChanges(f.ctx, caller, &trigonev1.ListChangesRequest{Cursor: "17"})
	wantRefusal(t, err, Invalid, ReasonViolations)
}

func TestEvaluatePlanOverAStoredCase(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, planPart))
	resp, err := f.book.EvaluatePlan(f.ctx, caller, &trigonev1.EvaluatePlanRequest{Case: ref(), CaseFile: caseFile(t, object(brokenResult))})
	if err != nil {
		t.Fatal(err)
	}
	if len(resp.GetEvaluation().GetSections()) != 3 || resp.GetEvaluation().GetNumber() != 0 {
		t.Errorf("evaluation of %v", resp.GetEvaluation().GetSections())
	}
	if f.get().GetCaseVersion() != 1 {
		t.Error("something was stored")
	}
	_, err = f.book.EvaluatePlan(f.ctx, caller, &trigonev1.EvaluatePlanRequest{})
	wantRefusal(t, err, Invalid, ReasonViolations)
}

// The time of receipt decides whether a plan counts as made before the outcome
// was known; the source system's word for it does not.
func TestPlanTimingFollowsReceipt(t *testing.T) {
	const operationPart = `"operation":{"incisionTime":"2026-03-02T08:00:00Z","stepsRecorded":"RECORDED_COMPLETE"}`
	signed := time.Date(2026, 3, 1, 7, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		why      string
		received time.Time
		want     trigonev1.PlanTiming
	}{
		{"received the day before", signed.Add(2 * time.Hour), trigonev1.PlanTiming_PLAN_TIMING_PROSPECTIVE},
		{"received the day after", signed.Add(48 * time.Hour), trigonev1.PlanTiming_PLAN_TIMING_LATE_ARRIVAL},
	} {
		t.Run(tt.why, func(t *testing.T) {
			f := newFixture(t)
			f.clock.set(tt.received)
			f.mustSubmit(object(numberAndPatient, identityPart, planPart), sourceTime(signed))
			f.clock.set(signed.Add(72 * time.Hour))
			resp := f.mustSubmit(object(numberAndPatient, operationPart))
			if got := resp.GetEvaluation().GetPlanInForce(); got.GetTiming() != tt.want || got.GetRevision() != 1 {
				t.Errorf("plan in force %v, want %v", got, tt.want)
			}
		})
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
	resp, err := f.book.SubmitCase(f.ctx, caller, &trigonev1.SubmitCaseRequest{CaseFile: numbered(f.T, "core-only", n)})
	if err != nil {
		f.Fatal(err)
	}
	return resp.GetCaseName()
}

// Whoever follows the changes must meet every version of a case: an export is such
// a one.
func TestEveryWriteOfACaseIsAChange(t *testing.T) {
	f := newFixture(t)
	f.store1(1)
	f.mustSubmit(object(numberAndPatient, identityPart, planPart))
	f.mustSubmit(object(numberAndPatient, brokenResult))
	if _, err := f.book.RetractSection(f.ctx, caller, &trigonev1.RetractSectionRequest{
		Case: ref(), Section: "plan", Reason: trigonev1.RetractionReason_RETRACTION_REASON_ENTERED_IN_ERROR, Etag: "1",
	}); err != nil {
		t.Fatal(err)
	}
	newest := map[string]int64{}
	for _, c := range f.changes() {
		newest[c.GetCaseName()] = c.GetCaseVersion()
	}
	rows, err := f.book.ListCases(f.ctx, caller, &trigonev1.ListCasesRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if len(rows.GetCases()) != 2 {
		t.Errorf("%d cases", len(rows.GetCases()))
	}
	for _, c := range rows.GetCases() {
		if newest[c.GetName()] != c.GetCaseVersion() {
			t.Errorf("the newest change of a case is of version %d, the case of %d", newest[c.GetName()], c.GetCaseVersion())
		}
	}
}
