package casebook

import (
	"cmp"
	"context"
	"runtime"
	"slices"
	"strings"
	"time"

	"trigone/internal/convert"
	"trigone/internal/evaluate"
	"trigone/internal/explore"
	"trigone/internal/policy"
	trigonev1 "trigone/proto/trigone/v1"
)

// progressSteps is how often progress is told while variants are put in order.
const progressSteps = 50

// ExplorePlans evaluates a plan at every point of a grid and hands each answer to
// send as it comes. It ends with ctx or with the first error of send, each worker
// after the variant in its hands. Nothing is stored.
func (b *Book) ExplorePlans(ctx context.Context, who Principal, req *trigonev1.ExplorePlansRequest, send func(*trigonev1.ExplorePlansResponse) error) error {
	if _, err := b.Admit(who, req); err != nil {
		return err
	}
	f := &Folder{}
	if req.GetCase() != nil {
		c, err := b.Find(ctx, req.GetCase())
		if err != nil {
			return err
		}
		if f, err = b.Load(ctx, c); err != nil {
			return err
		}
	}
	return b.explore(ctx, f, req, heavyProcessors(), send)
}

// ExploreFile is ExplorePlans of a case file alone, in process and without a
// store.
func ExploreFile(ctx context.Context, p policy.Policy, req *trigonev1.ExplorePlansRequest, software string, send func(*trigonev1.ExplorePlansResponse) error) error {
	b := &Book{Archive: &Archive{Policy: p}, software: software, now: func() time.Time { return time.Time{} }}
	return b.explore(ctx, &Folder{}, req, runtime.GOMAXPROCS(0), send)
}

func (b *Book) explore(ctx context.Context, f *Folder, req *trigonev1.ExplorePlansRequest, workers int, send func(*trigonev1.ExplorePlansResponse) error) error {
	list := convert.Check(req)
	if slices.ContainsFunc(list, unreadable) {
		return RefuseFields(list)
	}
	f = f.clone()
	lay(f, req.GetCaseFile(), b.now().UTC())
	rec, err := f.Record()
	if err != nil {
		return err
	}
	question := evaluate.Input{Case: convert.Case(rec), Settings: b.Policy.Settings, Confirmed: f.confirmed()}
	e, faults, err := b.newExploration(ctx, question, convert.Exploration(req))
	if err != nil {
		return err
	}
	for _, fault := range faults {
		v := convert.Violation{Path: fault.Path, Message: fault.Message}
		if !slices.ContainsFunc(list, func(have convert.Violation) bool { return have.Path == v.Path }) {
			list = append(list, v)
		}
	}
	if err := RefuseFields(list); err != nil {
		return err
	}

	basis := convert.ExplorationBasis(e)
	basis.PolicyHash, basis.SoftwareVersion = b.Policy.Hash, b.software
	sent := convert.SectionNames(req.GetCaseFile())
	for _, r := range f.heads() {
		s := &trigonev1.SectionRevision{Section: r.Section, Revision: r.number()}
		if slices.Contains(sent, r.Section) {
			s.Revision = 0 // it is no revision on record
		}
		basis.Sections = append(basis.Sections, s)
	}
	// tell sends one answer, unless nobody waits for it any more.
	tell := func(done int, r *trigonev1.ExplorePlansResponse) error {
		r.Progress = &trigonev1.ExplorationProgress{Done: int32(done), Total: int32(e.Total)}
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := send(r); err != nil {
			return cmp.Or(ctx.Err(), err) // a stream that was cut off says so in its own words
		}
		return nil
	}
	if err := tell(0, &trigonev1.ExplorePlansResponse{Basis: basis}); err != nil {
		return err
	}
	if e.Ordered() {
		return inOrder(ctx, e, workers, tell)
	}
	for i, v := range e.Variants(workers) {
		if err := tell(i+1, &trigonev1.ExplorePlansResponse{Variant: convert.PlanVariant(v)}); err != nil {
			return err
		}
	}
	return nil
}

// newExploration reads a question in one turn; each of its variants waits for another.
func (b *Book) newExploration(ctx context.Context, in evaluate.Input, q explore.Question) (*explore.Exploration, []explore.Fault, error) {
	end, err := b.Turn(ctx)
	if err != nil {
		return nil, nil, err
	}
	defer end()
	e, faults := explore.New(in, q)
	if e != nil {
		e.Turn = func() func() {
			end, err := b.Turn(ctx)
			if err != nil {
				return func() {} // it was called off; the next look at ctx ends it
			}
			return end
		}
	}
	return e, faults, nil
}

// inOrder calculates every variant twice: for the order, and then to be told. To
// keep them all would take more memory than a server has to give away.
func inOrder(ctx context.Context, e *explore.Exploration, workers int, tell func(int, *trigonev1.ExplorePlansResponse) error) error {
	ranks := make([]explore.Rank, 0, e.Total)
	for i, v := range e.Variants(workers) {
		if err := ctx.Err(); err != nil {
			return err
		}
		ranks = append(ranks, e.Rank(v))
		if (i+1)%max(e.Total/progressSteps, 1) == 0 {
			if err := tell(i+1, &trigonev1.ExplorePlansResponse{}); err != nil {
				return err
			}
		}
	}
	for _, v := range e.Listed(e.Order(ranks), workers) {
		if err := tell(e.Total, &trigonev1.ExplorePlansResponse{Variant: convert.PlanVariant(v)}); err != nil {
			return err
		}
	}
	return nil
}

// unreadable says whether what is wrong keeps the rest from being read: a plan
// that is not acceptable has no dimensions to vary, and a list beyond its length
// is refused unread.
func unreadable(v convert.Violation) bool {
	return strings.HasPrefix(v.Path, "case_file") || v.Path == "axes" || v.Path == "metrics" ||
		strings.HasSuffix(v.Path, ".sizes") || strings.HasSuffix(v.Path, ".dimensions")
}
