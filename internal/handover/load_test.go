package handover

import (
	"bytes"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	trigonev1 "trigone/proto/trigone/v1"
)

// What is read of a case is one state of it: a write that lands between reading the
// case and reading what belongs to it changes nothing of the answer.
func TestALaterWriteIsNoPartOfAnEarlierState(t *testing.T) {
	f := newFixture(t)
	name := f.store1(1)
	reference := &trigonev1.CaseReference{Name: name}
	state, err := f.desk.archive.Find(f.ctx, reference)
	if err != nil {
		t.Fatal(err)
	}
	before, err := f.desk.resources(f.ctx, state)
	if err != nil || len(before) == 0 {
		t.Fatal(len(before), err)
	}

	changed := numbered(t, "core-only", 1)
	*changed.Results[0].Study.Gradient.MeanGradient.Mmhg += 0.5
	if _, err := f.book.SubmitCase(f.ctx, caller, &trigonev1.SubmitCaseRequest{CaseName: name, CaseFile: changed, SourceTime: timestamppb.New(time.Now())}); err != nil {
		t.Fatal(err)
	}
	if now, err := f.desk.archive.Find(f.ctx, reference); err != nil || now.Version == state.Version {
		t.Fatalf("nothing was written: %v", err)
	}

	after, err := f.desk.resources(f.ctx, state) // as a reader that was slower than the write
	if err != nil || len(after) != len(before) {
		t.Fatalf("%d resources, %d before the write: %v", len(after), len(before), err)
	}
	for i := range after {
		if !bytes.Equal(after[i].JSON, before[i].JSON) {
			t.Errorf("%s %s\n%.300s\nwas\n%.300s", after[i].Type, after[i].ID, after[i].JSON, before[i].JSON)
		}
	}
}
