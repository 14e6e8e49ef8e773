package handover

import (
	"bytes"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	trigonev1 "trigone/proto/trigone/v1"
)

// What is handed over of a case is one state of it with what was sent before: a
// write that lands between reading the case and reading what belongs to it makes it
// the newer one as a whole, and the answer says so.
func TestAWriteMeanwhileIsHandedOverWholly(t *testing.T) {
	f := newFixture(t)
	name := f.store1(1)
	reference := &trigonev1.CaseReference{Name: name}
	state, err := f.desk.archive.Find(f.ctx, reference)
	if err != nil {
		t.Fatal(err)
	}
	before, _, err := f.desk.resources(f.ctx, state, false, false)
	if err != nil || len(before) == 0 {
		t.Fatal(len(before), err)
	}

	changed := numbered(t, "core-only", 1)
	*changed.Results[0].Study.Gradient.MeanGradient.Mmhg += 0.5
	if _, err := f.book.SubmitCase(f.ctx, caller, &trigonev1.SubmitCaseRequest{CaseName: name, CaseFile: changed, SourceTime: timestamppb.New(time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC))}); err != nil {
		t.Fatal(err)
	}
	now, err := f.desk.archive.Find(f.ctx, reference)
	if err != nil || now.Version == state.Version {
		t.Fatalf("nothing was written: %v", err)
	}
	want, _, err := f.desk.resources(f.ctx, now, false, false)
	if err != nil {
		t.Fatal(err)
	}

	got, of, err := f.desk.resources(f.ctx, state, false, false) // as a reader that was slower than the write
	if err != nil || of.Version != now.Version || len(got) != len(want) {
		t.Fatalf("%d resources of version %d, want %d of %d: %v", len(got), of.Version, len(want), now.Version, err)
	}
	for i := range got {
		if !bytes.Equal(got[i].JSON, want[i].JSON) {
			t.Errorf("%s %s\n%.300s\nwant\n%.300s", got[i].Type, got[i].ID, got[i].JSON, want[i].JSON)
		}
	}
}
