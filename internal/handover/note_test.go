package handover

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"strings"
	"testing"

	"trigone/internal/casebook"
	trigonev1 "trigone/proto/trigone/v1"
)

const operationPart = `"operation":{"incisionTime":"2026-03-01T08:00:00Z","stepsRecorded":"RECORDED_COMPLETE","steps":[{"id":"ring","run":1,"technique":{"annuloplasty":{"kind":"ANNULOPLASTY_KIND_COMPLETE_RING","implantedLabel":32}}}]}`

func (f fixture) noteOf(t *testing.T, change ...func(*trigonev1.GetOperativeNoteRequest)) (*trigonev1.GetOperativeNoteResponse, string) {
	t.Helper()
	req := &trigonev1.GetOperativeNoteRequest{Case: ref()}
	for _, c := range change {
		c(req)
	}
	got, err := f.desk.GetOperativeNote(f.ctx, caller, req)
	if err != nil {
		t.Fatal(err)
	}
	return got, strings.Join(strings.Fields(string(got.GetContent())), " ")
}

func (f fixture) sign(version int64, change ...func(*trigonev1.SignOperativeNoteRequest)) (*trigonev1.SignOperativeNoteResponse, error) {
	req := &trigonev1.SignOperativeNoteRequest{
		Case: ref(), CaseVersion: version, Signer: "surgeon-1", Role: trigonev1.OperatorRole_OPERATOR_ROLE_SURGEON,
	}
	for _, c := range change {
		c(req)
	}
	return f.book.SignOperativeNote(f.ctx, caller, req)
}

func signed(number int32) func(*trigonev1.GetOperativeNoteRequest) {
	return func(r *trigonev1.GetOperativeNoteRequest) { r.SignedNote = number }
}

// What was signed is given byte for byte after the case was corrected, added to and
// signed again; the next draft says that the record has changed, the signed one never.
func TestSignedNoteStaysAsItWas(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, planPart, operationPart, resultPart))
	first, err := f.sign(1)
	if err != nil {
		t.Fatal(err)
	}
	s := first.GetSignedNote()
	hash := sha256.Sum256(first.GetContent())
	if s.GetNumber() != 1 || s.GetCaseVersion() != 1 || first.GetCaseVersion() != 2 || s.GetMediaType() != "application/pdf" ||
		s.GetSha256() != hex.EncodeToString(hash[:]) || !bytes.HasPrefix(first.GetContent(), []byte("%PDF-")) {
		t.Errorf("signed %v of %d bytes; the case is at %d", s, len(first.GetContent()), first.GetCaseVersion())
	}
	draft, said := f.noteOf(t)
	if !strings.Contains(said, "Of version 1 the operative note was signed by surgeon-1, surgeon, on 1 March 2026") || !strings.Contains(said, "the record has not changed since.") ||
		!strings.Contains(said, "DRAFT") || draft.GetCaseVersion() != 2 || len(draft.GetSignedNotes()) != 1 || draft.GetSignedNotes()[0].GetRecordChanged() {
		t.Errorf("the draft after signing: %v, %s", draft.GetSignedNotes(), said)
	}

	f.mustSubmit(object(numberAndPatient, strings.Replace(operationPart, `:32`, `:34`, 1)), func(r *trigonev1.SubmitCaseRequest) {
		r.Conditions = []*trigonev1.SectionCondition{{Section: "operation", Expected: &trigonev1.SectionCondition_Etag{Etag: "1"}}}
	})
	draft, said = f.noteOf(t)
	if !strings.Contains(said, "the record has changed since version 1. What was signed stays as it is.") || !strings.Contains(said, "labelled size 34") ||
		!draft.GetSignedNotes()[0].GetRecordChanged() {
		t.Errorf("the draft after the correction: %s", said)
	}
	added, err := f.sign(3, func(r *trigonev1.SignOperativeNoteRequest) {
		r.Addendum, r.Format = "The label read 34.\nThe ring is as planned.", trigonev1.NoteFormat_NOTE_FORMAT_TEXT
	})
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Join(strings.Fields(string(added.GetContent())), " ")
	for _, want := range []string{"Addendum to the operative note", "FINAL", "To the operative note of version 1 of the record, signed by surgeon-1", "The label read 34.", "signed in the record as surgeon-1"} {
		if !strings.Contains(text, want) {
			t.Errorf("the addendum does not say %q: %s", want, text)
		}
	}
	second, err := f.sign(4, func(r *trigonev1.SignOperativeNoteRequest) { r.Format = trigonev1.NoteFormat_NOTE_FORMAT_TEXT })
	if err != nil {
		t.Fatal(err)
	}
	if again := string(second.GetContent()); !strings.Contains(again, "FINAL") || strings.Contains(again, "changed") || strings.Contains(again, "raft") {
		t.Errorf("a signed note speaks of drafts or of changes:\n%s", again)
	}
	for number, want := range map[int32][]byte{1: first.GetContent(), 2: added.GetContent(), 3: second.GetContent()} {
		got, _ := f.noteOf(t, signed(number))
		if !bytes.Equal(got.GetContent(), want) {
			t.Errorf("what was signed as %d is not given as it was", number)
		}
	}

	// As it once was, with what was signed by then.
	then, said := f.noteOf(t, func(r *trigonev1.GetOperativeNoteRequest) { r.CaseVersion = 1 })
	if then.GetCaseVersion() != 1 || len(then.GetSignedNotes()) != 0 || !strings.Contains(said, "record version 1") ||
		!strings.Contains(said, "It says what the record said at version 1; the newest version is 5.") || !strings.Contains(said, "labelled size 32") {
		t.Errorf("version 1: %v, %s", then.GetSignedNotes(), said)
	}

	// Erasure takes the bytes; that something was signed, and when, stays.
	uid := strings.TrimPrefix(f.mustCase(t).GetName(), f.book.CaseName(""))
	if err := f.store.EraseIdentifying(f.ctx, f.book.Policy.Settings.Site, uid); err != nil {
		t.Fatal(err)
	}
	got, err := f.desk.GetOperativeNote(f.ctx, caller, &trigonev1.GetOperativeNoteRequest{Case: &trigonev1.CaseReference{Name: f.book.CaseName(uid)}})
	if err != nil || len(got.GetSignedNotes()) != 3 || !got.GetSignedNotes()[0].GetErased() || got.GetSignedNotes()[0].GetSigner() != "" || got.GetSignedNotes()[0].GetSignedTime() == nil {
		t.Errorf("after erasure: %v, %v", got.GetSignedNotes(), err)
	}
	if _, err := f.desk.GetOperativeNote(f.ctx, caller, &trigonev1.GetOperativeNoteRequest{Case: &trigonev1.CaseReference{Name: f.book.CaseName(uid)}, SignedNote: 1}); reason(err) != casebook.ReasonErased {
		t.Errorf("what was erased: %v", err)
	}
}

func (f fixture) mustCase(t *testing.T) *trigonev1.Case {
	t.Helper()
	got, err := f.book.GetCase(f.ctx, caller, &trigonev1.GetCaseRequest{Case: ref()})
	if err != nil {
		t.Fatal(err)
	}
	return got.GetCase()
}

func reason(err error) string {
	var refused *casebook.Error
	if errors.As(err, &refused) {
		return refused.Reason
	}
	return ""
}

func TestSigningIsRefused(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, planPart))
	if _, err := f.sign(1); reason(err) != casebook.ReasonNoOperation {
		t.Errorf("a plan sheet was signed: %v", err)
	}
	f.mustSubmit(object(numberAndPatient, operationPart))
	for _, tt := range []struct {
		why, reason string
		version     int64
		change      func(*trigonev1.SignOperativeNoteRequest)
	}{
		{"who signed an older version did not read this one", casebook.ReasonStaleVersion, 1, nil},
		{"who names no version read none", casebook.ReasonNoCondition, 0, nil},
		{"nobody signs", casebook.ReasonViolations, 2, func(r *trigonev1.SignOperativeNoteRequest) { r.Signer = "" }},
		{"in no role", casebook.ReasonViolations, 2, func(r *trigonev1.SignOperativeNoteRequest) { r.Role = 0 }},
		{"an addendum to nothing", casebook.ReasonNothingSigned, 2, func(r *trigonev1.SignOperativeNoteRequest) { r.Addendum = "more" }},
		{"an addendum that says nothing", casebook.ReasonViolations, 2, func(r *trigonev1.SignOperativeNoteRequest) { r.Addendum = " \n" }},
	} {
		change := tt.change
		if change == nil {
			change = func(*trigonev1.SignOperativeNoteRequest) {}
		}
		if _, err := f.sign(tt.version, change); reason(err) != tt.reason {
			t.Errorf("%s: %v, want %s", tt.why, err, tt.reason)
		}
	}
	if _, err := f.sign(2); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		why, reason string
		change      func(*trigonev1.GetOperativeNoteRequest)
	}{
		{"a number that nobody signed", casebook.ReasonNothingSigned, signed(2)},
		{"another format than the signed one", casebook.ReasonOtherFormat, func(r *trigonev1.GetOperativeNoteRequest) {
			r.SignedNote, r.Format = 1, trigonev1.NoteFormat_NOTE_FORMAT_HTML
		}},
		{"what was signed has no annex", casebook.ReasonViolations, func(r *trigonev1.GetOperativeNoteRequest) { r.SignedNote, r.Annex = 1, true }},
		{"a version to come", casebook.ReasonUnknownVersion, func(r *trigonev1.GetOperativeNoteRequest) { r.CaseVersion = 4 }},
	} {
		req := &trigonev1.GetOperativeNoteRequest{Case: ref()}
		tt.change(req)
		if _, err := f.desk.GetOperativeNote(f.ctx, caller, req); reason(err) != tt.reason {
			t.Errorf("%s: %v, want %s", tt.why, err, tt.reason)
		}
	}
}
