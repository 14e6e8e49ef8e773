package casebook

import (
	"context"
	"errors"
	"fmt"

	"trigone/internal/convert"
	"trigone/internal/policy"
	"trigone/internal/storage"
)

// Rebuilt says how far a rebuild is.
type Rebuilt struct {
	Projection string
	Version    int64
	Cases      int // of this run
}

// RebuildConfig is what a rebuild works with.
type RebuildConfig struct {
	Store      storage.Store
	Policy     policy.Policy
	Projectors []Projector
	// AtOnce is how many cases one step takes; 0: 32. A step is one write, and others
	// wait for it.
	AtOnce int
	// Report is told after each step.
	Report func(Rebuilt)
}

// Rebuild makes the rows of every projector that do not stand yet, from what is on
// record. It can be ended at any moment and goes on where it was; until the rows of a
// projection are whole, the ones before are read.
func Rebuild(ctx context.Context, c RebuildConfig) error {
	r := rebuild{RebuildConfig: c, archives: map[string]*Archive{}}
	if r.AtOnce == 0 {
		r.AtOnce = 32
	}
	for _, p := range c.Projectors {
		if err := r.build(ctx, p); err != nil {
			return fmt.Errorf("rebuild %s: %w", p.Name(), err)
		}
		if p.Name() != storage.ProjectionLedger {
			continue
		}
		if err := r.restated(ctx, p); err != nil {
			return fmt.Errorf("rebuild %s: %w", storage.ProjectionRestated, err)
		}
	}
	return nil
}

type rebuild struct {
	RebuildConfig
	archives map[string]*Archive // by site
}

func (r *rebuild) build(ctx context.Context, p Projector) error {
	listed, err := r.Store.BeginProjection(ctx, storage.ProjectionVersion{Name: p.Name(), Version: p.Version()})
	if err != nil {
		return err
	}
	done := Rebuilt{Projection: p.Name(), Version: p.Version()}
	for !listed.Standing {
		n, err := r.step(ctx, p, listed.ID)
		if err != nil {
			return err
		}
		done.Cases += n
		r.Report(done)
		if n > 0 {
			continue
		}
		// With a case that was opened meanwhile it is stale, and built on.
		err = r.Store.FinishProjection(ctx, listed.ID)
		if err != nil && !errors.Is(err, storage.ErrStale) {
			return err
		}
		listed.Standing = err == nil
	}
	return nil
}

// step makes the rows of the next cases, and gives how many they were.
func (r *rebuild) step(ctx context.Context, p Projector, id int64) (int, error) {
	cases, err := r.Store.CasesToProject(ctx, id, r.AtOnce)
	if err != nil || len(cases) == 0 {
		return 0, err
	}
	var rows []storage.CaseRows
	for _, next := range cases {
		archive, err := r.archive(ctx, next.Site)
		if err != nil {
			return 0, err
		}
		row, err := archive.rows(ctx, next.UID, p)
		if err != nil {
			return 0, fmt.Errorf("case %s: %w", next.UID, err)
		}
		rows = append(rows, row)
	}
	return len(cases), r.Store.Project(ctx, id, rows, cases[len(cases)-1].Cursor)
}

// archive gives what is on record at a site; a store may hold several.
func (r *rebuild) archive(ctx context.Context, site string) (*Archive, error) {
	if a := r.archives[site]; a != nil {
		return a, nil
	}
	p := r.Policy
	p.Settings.Site = site
	a, err := openArchive(ctx, r.Store, p)
	r.archives[site] = a
	return a, err
}

// rows gives the rows of a case as it stands, as if it had come in one write.
func (a *Archive) rows(ctx context.Context, uid string, p Projector) (storage.CaseRows, error) {
	c, err := a.Store.Case(ctx, a.Policy.Settings.Site, uid)
	if err != nil {
		return storage.CaseRows{}, err
	}
	if !c.ErasedTime.IsZero() && p.Name() != storage.ProjectionSearch {
		return a.rowsOfErased(ctx, c, p)
	}
	f, err := a.Whole(ctx, c)
	if err != nil {
		return storage.CaseRows{}, err
	}
	if err := a.split(ctx, f); err != nil {
		return storage.CaseRows{}, err
	}
	s, err := a.State(ctx, f)
	if err != nil {
		return storage.CaseRows{}, err
	}
	if p.Name() == storage.ProjectionSearch {
		// They are built before; by the states alone where they are not.
		s.Resources, err = a.Store.Resources(ctx, c.Site, c.UID)
		if err != nil && !errors.Is(err, storage.ErrNotProjected) {
			return storage.CaseRows{}, err
		}
	}
	out := storage.CaseRows{Site: c.Site, UID: c.UID, Version: c.Version}
	out.Rows, err = p.Rows(nil, s)
	return out, err
}

// split puts revisions that were stored before what identifies lay apart into their
// two parts.
func (a *Archive) split(ctx context.Context, f *Folder) error {
	var parts []storage.Revision
	for _, r := range f.revisions {
		if !r.Whole || r.Retraction {
			continue
		}
		m, err := r.decode()
		if err != nil {
			return err
		}
		next := r.Revision
		if next.Content, next.Identifying, err = convert.MarshalParts(m); err != nil {
			return err
		}
		next.Whole = false
		parts = append(parts, next)
	}
	if len(parts) == 0 {
		return nil
	}
	return a.Store.SplitRevisions(ctx, f.Case.Site, f.Case.UID, parts)
}

// rowsOfErased gives what is left of a case that was erased: what receivers were told
// of it, as it stands. Nothing is left to make it of. By it searches find the case.
func (a *Archive) rowsOfErased(ctx context.Context, c storage.Case, p Projector) (storage.CaseRows, error) {
	out := storage.CaseRows{Site: c.Site, UID: c.UID, Version: c.Version}
	if p.Name() != storage.ProjectionResources {
		return out, nil
	}
	var err error
	out.Rows.Resources, err = a.Store.Resources(ctx, c.Site, c.UID)
	return out, err
}
