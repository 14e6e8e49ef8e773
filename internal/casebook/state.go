package casebook

import (
	"context"
	"errors"
	"fmt"
	"time"

	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// State is a case as one write leaves it. What it points to is read only: the
// casebook holds it too.
type State struct {
	// Case is its row, Name what the contract calls it.
	Case storage.Case
	Name string
	// File holds the heads, retracted sections left out.
	File *trigonev1.CaseFile
	// Evaluation is the newest; nil: none.
	Evaluation *trigonev1.Evaluation
	// Evaluations are those that count, oldest first: the newest, and the first and the
	// newest that read each of Plans, before an outcome came and since.
	Evaluations []*Evaluation
	// Plans are the plan revisions of the present line, not those before a
	// retraction, oldest first, and OperationReceived is when the operation of its
	// present line first came; zero: never.
	Plans             []convert.PlanRevision
	OperationReceived time.Time
	// Confirmations are those of findings, oldest first, with how they ended.
	Confirmations []*trigonev1.Confirmation
	// Zone is the site's by the policy of the newest evaluation: it says on which
	// civil day something was.
	Zone *time.Location
	// Resources are the resource ids that were handed over before, by type and id;
	// nil: it is not known which.
	Resources []storage.Resource
	// Handed is what one projector leaves for those after it, so that a case is
	// rendered once; nil: none did.
	Handed any

	archive *Archive
	folder  *Folder
	ctx     context.Context // of the call that read the case
}

// Message gives the case as it is answered.
func (s *State) Message() *trigonev1.Case {
	c := s.archive.present(s.folder, s.File)
	c.Evaluation = s.Evaluation
	return c
}

// Earlier gives the states that the evaluations before the present state read,
// oldest first. What rows say of more than the present is made anew of them.
func (s *State) Earlier() ([]*State, error) {
	whole, err := s.archive.complete(s.ctx, s.folder)
	if err != nil {
		return nil, err
	}
	var list []*State
	for i, e := range whole.Earlier {
		if e.CaseVersion == s.Case.Version {
			continue
		}
		m, err := e.Message()
		if err != nil {
			return nil, err
		}
		then := whole.At(m)
		then.Case.Version, then.Earlier = e.CaseVersion, whole.Earlier[:i+1]
		state, err := s.archive.State(s.ctx, then)
		if err != nil {
			return nil, err
		}
		list = append(list, state)
	}
	return list, nil
}

// Projector makes rows of what a write leaves. Rows is a pure function of the two
// states and calculates outside the writer's turn. before is nil where the write
// opens the case, and where the rows of a case are made anew: then they are made of
// after and its Earlier states. A raised Version says that it makes other rows of the same state.
type Projector interface {
	Name() string
	Version() int64
	Rows(before, after *State) (storage.Rows, error)
}

// Cutter is a projector that says what of a case may be kept when the case is erased
// and the site's policy keeps anything; nil: nothing.
type Cutter interface {
	Cut(before *State) ([]byte, error)
}

// declare lists the projections of the program in the store.
func declare(ctx context.Context, store storage.Store, projectors []Projector) error {
	var list []storage.ProjectionVersion
	for _, p := range projectors {
		list = append(list, storage.ProjectionVersion{Name: p.Name(), Version: p.Version()})
	}
	_, err := store.DeclareProjections(ctx, list)
	return err
}

// State gives a case as projectors read it.
func (a *Archive) State(ctx context.Context, f *Folder) (*State, error) {
	rec, err := f.Record()
	if err != nil {
		return nil, err
	}
	file, err := f.File()
	if err != nil {
		return nil, err
	}
	s := &State{
		Case: f.Case, Name: a.CaseName(f.Case.UID), File: file, Evaluations: f.Earlier,
		Plans: rec.Plans, OperationReceived: rec.OperationReceived, Confirmations: f.confirmationMessages(),
		archive: a, folder: f, ctx: ctx,
	}
	if s.Evaluation, err = f.Newest(); err != nil {
		return nil, err
	}
	s.Zone, err = a.zone(ctx, s.Evaluation.GetPolicyHash())
	return s, err
}

// Zone gives the zone of the site as the present policy has it.
func (a *Archive) Zone(ctx context.Context) (*time.Location, error) {
	return a.zone(ctx, a.Policy.Hash)
}

// zone gives the zone of the policy of a hash; of one that this software cannot read
// any more, or that is not on record, the present one's.
func (a *Archive) zone(ctx context.Context, hash string) (*time.Location, error) {
	if z, known := a.zones.Load(hash); known {
		return z.(*time.Location), nil
	}
	p, err := a.PolicyByHash(ctx, hash)
	var refused *Error
	switch {
	case errors.As(err, &refused):
		p = a.Policy
	case err != nil:
		return nil, err
	}
	z, err := time.LoadLocation(p.Settings.Zone)
	if err != nil {
		return nil, fmt.Errorf("the zone of the site: %w", err)
	}
	a.zones.Store(hash, z)
	return z, nil
}
