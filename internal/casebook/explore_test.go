package casebook

import (
	"context"
	"errors"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

func exploring(t *testing.T, low, high, step float64) *trigonev1.ExplorePlansRequest {
	t.Helper()
	file, err := testdata.Read(testdata.Cases, "triangular-complete-ring")
	if err != nil {
		t.Fatal(err)
	}
	return &trigonev1.ExplorePlansRequest{CaseFile: file, Axes: []*trigonev1.ExploredAxis{
		{Kind: &trigonev1.ExploredAxis_LeafletHeight{LeafletHeight: &trigonev1.HeightAxis{
			Segment: trigonev1.Segment_SEGMENT_P2,
			Range:   &trigonev1.LengthGrid{MinMm: &low, MaxMm: &high, StepMm: &step},
		}}},
	}}
}

func (f fixture) explored(req *trigonev1.ExplorePlansRequest) ([]*trigonev1.ExplorePlansResponse, error) {
	var list []*trigonev1.ExplorePlansResponse
	err := f.book.ExplorePlans(f.ctx, caller, req, func(r *trigonev1.ExplorePlansResponse) error {
		list = append(list, r)
		return nil
	})
	return list, err
}

func TestExplorePlansAnswersBasisThenVariants(t *testing.T) {
	f := newFixture(t)
	list, err := f.explored(exploring(t, 10, 18, 0.5))
	if err != nil {
		t.Fatal(err)
	}
	if len(list) != 18 || list[0].GetBasis().GetCaution() == "" || list[0].GetVariant() != nil {
		t.Fatalf("%d answers, the first %v", len(list), list[0])
	}
	for i, r := range list[1:] {
		if r.GetBasis() != nil || r.GetVariant().GetIndex() != int32(i) || r.GetProgress().GetDone() != int32(i+1) || r.GetProgress().GetTotal() != 17 {
			t.Fatalf("answer %d: %v", i+1, r)
		}
	}
	if changes := f.changes(); len(changes) != 0 {
		t.Errorf("something was stored: %v", changes)
	}
}

// Laid over the stored case, a plan alone gives what the whole case file gives.
func TestExplorePlansOverAStoredCase(t *testing.T) {
	f := newFixture(t)
	whole := exploring(t, 10, 18, 2)
	want, err := f.explored(whole)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.book.SubmitCase(f.ctx, caller, &trigonev1.SubmitCaseRequest{CaseFile: whole.GetCaseFile()}); err != nil {
		t.Fatal(err)
	}
	over := proto.CloneOf(whole)
	over.CaseFile = &trigonev1.CaseFile{Plan: whole.GetCaseFile().GetPlan()}
	over.Case = &trigonev1.CaseReference{ExternalIdentifier: whole.GetCaseFile().GetExternalIdentifier()}
	got, err := f.explored(over)
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != len(want) {
		t.Fatalf("%d answers, want %d", len(got), len(want))
	}
	for i := range got[1:] {
		if !proto.Equal(got[i+1], want[i+1]) {
			t.Fatalf("answer %d is %v, want %v", i+1, got[i+1], want[i+1])
		}
	}
	for _, s := range got[0].GetBasis().GetSections() {
		if (s.GetRevision() == 0) != (s.GetSection() == "plan") {
			t.Errorf("section %s is told as revision %d", s.GetSection(), s.GetRevision())
		}
	}
}

func TestExplorePlansInTheOrderNamed(t *testing.T) {
	f := newFixture(t)
	req := exploring(t, 10, 18, 1)
	req.SortBy = &trigonev1.VariantOrder{Metric: "final_posterior_height", Place: "p2", Direction: trigonev1.SortDirection_SORT_DIRECTION_DESCENDING}
	list, err := f.explored(req)
	if err != nil {
		t.Fatal(err)
	}
	var order []int32
	progress := 0
	for _, r := range list[1:] {
		if r.GetVariant() == nil {
			progress++
			continue
		}
		order = append(order, r.GetVariant().GetIndex())
	}
	if !slices.Equal(order, []int32{8, 7, 6, 5, 4, 3, 2, 1, 0}) || progress == 0 {
		t.Errorf("order %v with %d answers of progress", order, progress)
	}
}

func TestExplorePlansRefusesAllAtOnce(t *testing.T) {
	f := newFixture(t)
	req := exploring(t, 18, 10, 0)
	req.Axes = append(req.Axes, &trigonev1.ExploredAxis{}, &trigonev1.ExploredAxis{Kind: &trigonev1.ExploredAxis_ArtificialChordLength{
		ArtificialChordLength: &trigonev1.ChordLengthAxis{StepId: "none", Range: &trigonev1.LengthGrid{MinMm: proto.Float64(-1)}},
	}})
	req.MaxVariants = 100001
	_, err := f.explored(req)
	wantRefusal(t, err, Invalid, ReasonViolations)
	var refused *Error
	errors.As(err, &refused)
	var paths []string
	for _, v := range refused.Violations {
		paths = append(paths, v.Path)
	}
	for _, want := range []string{
		"max_variants", "axes[0].leaflet_height.range.step_mm", "axes[0].leaflet_height.range.max_mm", "axes[1]",
		"axes[2].artificial_chord_length.step_id", "axes[2].artificial_chord_length.range.min_mm",
	} {
		if !slices.Contains(paths, want) {
			t.Errorf("%s is not among %v", want, paths)
		}
	}
}

// Cancelled after a variant, nothing more is told.
func TestExplorePlansEndsWithItsContext(t *testing.T) {
	f := newFixture(t)
	for _, sorted := range []bool{false, true} {
		ctx, cancel := context.WithCancel(f.ctx)
		req := exploring(t, 1, 30, 0.1)
		if sorted {
			req.SortBy = &trigonev1.VariantOrder{Metric: "final_posterior_height", Place: "p2", Direction: trigonev1.SortDirection_SORT_DIRECTION_ASCENDING}
		}
		told := 0
		err := f.book.ExplorePlans(ctx, caller, req, func(*trigonev1.ExplorePlansResponse) error {
			if told++; told == 3 {
				cancel()
			}
			return nil
		})
		cancel()
		if !errors.Is(err, context.Canceled) || told != 3 {
			t.Errorf("sorted %v: %v after %d answers, want the cancellation after 3", sorted, err, told)
		}
	}
}
