package casebook

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/klauspost/compress/zstd"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/convert/converttest"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// marked gives an invented case with a text in every marked field, and a field of a
// newer contract deep inside.
func marked(t *testing.T) *trigonev1.CaseFile {
	t.Helper()
	file, err := testdata.Read(testdata.Cases, "billowing-second-run")
	if err != nil {
		t.Fatal(err)
	}
	converttest.Flood(file, "casebook")
	unknown := protowire.AppendTag(nil, 1999, protowire.BytesType)
	file.GetOperation().GetSteps()[0].ProtoReflect().SetUnknown(protowire.AppendString(unknown, converttest.Marker))
	return file
}

// What identifies lies apart from the rest of its section, each with its hash, and a
// reader gets the section as it was sent.
func TestSectionsLieInTwoParts(t *testing.T) {
	f := newFixture(t)
	sent := marked(t)
	resp, err := f.book.SubmitCase(f.ctx, caller, &trigonev1.SubmitCaseRequest{CaseFile: sent})
	if err != nil {
		t.Fatal(err)
	}
	ref := &trigonev1.CaseReference{Name: resp.GetCaseName()}
	get := func() *trigonev1.Case {
		t.Helper()
		got, err := f.book.GetCase(f.ctx, caller, &trigonev1.GetCaseRequest{Case: ref})
		if err != nil {
			t.Fatal(err)
		}
		return got.GetCase()
	}
	if got := get().GetCaseFile(); !proto.Equal(got, sent) {
		t.Errorf("read back %v\nsent %v", got, sent)
	}
	again, err := f.book.SubmitCase(f.ctx, caller, &trigonev1.SubmitCaseRequest{CaseFile: sent})
	if err != nil || again.GetCaseVersion() != resp.GetCaseVersion() {
		t.Errorf("the same content again: %v, %v", again.GetSections(), err)
	}
	uid := strings.TrimPrefix(resp.GetCaseName(), f.book.CaseName(""))
	apart := f.parts(uid, func(r storage.Revision) {
		if bytes.Contains(r.Content, []byte(converttest.Marker)) {
			t.Errorf("the first part of %s identifies", r.Section)
		}
	})
	if apart < 6 {
		t.Errorf("%d sections have a second part", apart)
	}

	// After erasure the same evaluation stands on the sections without it.
	before := get()
	if err := f.store.EraseIdentifying(f.ctx, f.book.Policy.Settings.Site, uid); err != nil {
		t.Fatal(err)
	}
	after := get()
	if !proto.Equal(after.GetEvaluation(), before.GetEvaluation()) {
		t.Error("erasure changed the evaluation")
	}
	if text := after.String(); strings.Contains(text, converttest.Marker) {
		t.Error("what identifies is still answered")
	}
	for name, section := range convert.Sections(sent) {
		want, _ := convert.Part(section)
		if got := convert.Section(after.GetCaseFile(), name); !proto.Equal(got, want) {
			t.Errorf("%s is %v after erasure", name, got)
		}
	}
	if left := f.parts(uid, func(storage.Revision) {}); left != 0 {
		t.Errorf("%d second parts are left", left)
	}
}

// parts visits the revisions of a case, whose hashes must match, and counts the
// second parts.
func (f fixture) parts(uid string, visit func(r storage.Revision)) int {
	f.Helper()
	list, err := f.store.Revisions(f.ctx, f.book.Policy.Settings.Site, uid)
	if err != nil || len(list) == 0 {
		f.Fatalf("%d revisions, %v", len(list), err)
	}
	second := 0
	for _, r := range list {
		visit(r)
		if hash := sha256.Sum256(r.Content); !r.Retraction && !bytes.Equal(hash[:], r.ContentHash) {
			f.Errorf("the hash of %s does not match", r.Section)
		}
		if r.Identifying != nil {
			second++
		}
	}
	return second
}

// Every reason that a reviewer gives for a case as a whole is kept.
func TestReasonsOfAmendmentsAreKept(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, planPart))
	c := f.get()
	ref := &trigonev1.CaseReference{Name: c.GetName()}
	_, err := f.book.AmendIdentity(f.ctx, caller, &trigonev1.AmendIdentityRequest{
		Case: ref, CaseVersion: 1, Amendment: trigonev1.IdentityAmendment_IDENTITY_AMENDMENT_CORRECTION,
		PatientIdentifier: &trigonev1.Identifier{System: "urn:example:patient", Value: "P-SECRET-2"}, Reason: "a slip at the desk",
	})
	if err != nil {
		t.Fatal(err)
	}
	_, err = f.book.RetractCase(f.ctx, caller, &trigonev1.RetractCaseRequest{
		Case: ref, CaseVersion: 2, Reason: trigonev1.RetractionReason_RETRACTION_REASON_DUPLICATE, ReasonText: "told by the ward",
	})
	if err != nil {
		t.Fatal(err)
	}
	list, err := f.store.Amendments(f.ctx, f.book.Policy.Settings.Site, strings.TrimPrefix(c.GetName(), f.book.CaseName("")))
	if err != nil || len(list) != 2 || list[0].Kind != "correction" || list[0].Reason != "a slip at the desk" ||
		list[1].Kind != "case_retracted" || list[1].Reason != "told by the ward" || list[1].CaseVersion != 3 {
		t.Errorf("%+v, %v", list, err)
	}
}

// A store of schema 2 keeps its sections in one piece until they are split: no answer
// changes, and only then can what identifies be erased.
func TestWholeRevisionsAreSplit(t *testing.T) {
	f := newFixtureOn(t, earlierStore(t))
	site := f.book.Policy.Settings.Site
	rows, _, err := f.store.Cases(f.ctx, []string{site}, storage.CaseFilter{}, "", 500)
	if err != nil || len(rows) < 20 {
		t.Fatalf("%d cases, %v", len(rows), err)
	}
	whole, apart := 0, 0
	for _, row := range rows {
		get := func() *trigonev1.Case {
			t.Helper()
			got, err := f.book.GetCase(f.ctx, caller, &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: f.book.CaseName(row.UID)}})
			if err != nil {
				t.Fatal(err)
			}
			return got.GetCase()
		}
		before := get()
		f.parts(row.UID, func(r storage.Revision) {
			if r.Whole {
				whole++
			}
		})
		if err := f.store.EraseIdentifying(f.ctx, site, row.UID); !errors.Is(err, storage.ErrWhole) {
			t.Errorf("erased before it was split: %v", err)
		}
		for range 2 {
			if err := SplitWhole(f.ctx, f.store, site, row.UID); err != nil {
				t.Fatal(err)
			}
			if after := get(); !proto.Equal(after, before) {
				t.Errorf("the case is answered otherwise after the split:\n%v\n%v", after, before)
			}
		}
		apart += f.parts(row.UID, func(r storage.Revision) {
			if r.Whole {
				t.Errorf("%s is whole after the split", r.Section)
			}
		})
		if err := f.store.EraseIdentifying(f.ctx, site, row.UID); err != nil {
			t.Error(err)
		}
		if left := f.parts(row.UID, func(storage.Revision) {}); left != 0 {
			t.Errorf("%d second parts are left", left)
		}
	}
	if whole < 100 || apart < 20 {
		t.Errorf("%d whole revisions became %d second parts", whole, apart)
	}
}

// earlierStore gives the path of a copy of the demo's store in schema 2.
func earlierStore(t *testing.T) string {
	t.Helper()
	packed, err := os.Open("../../testdata/stores/schema2-demo.db.zst")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = packed.Close() }()
	reader, err := zstd.NewReader(packed)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	content, err := io.ReadAll(reader)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "earlier.db")
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}
