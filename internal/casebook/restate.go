package casebook

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"trigone/internal/metric"
	"trigone/internal/policy"
	"trigone/internal/rules"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// Restated says how far a restating is.
type Restated struct {
	Under string // the versions that it judges by
	Cases int    // of this run
	// Elsewhere are the cases of other sites than the policy's, which are left alone.
	Elsewhere int
}

// RestateConfig is what a restating works with.
type RestateConfig struct {
	Store  storage.Store
	Policy policy.Policy
	// Software is the version of this software.
	Software string
	// Projector makes the rows: the one of the ledger.
	Projector Projector
	// Now gives the time of the report; nil: the system clock.
	Now func() time.Time
	// AtOnce is how many cases one step takes; 0: 32. A step is one write, and others
	// wait for it.
	AtOnce int
	// Report is told after each step.
	Report func(Restated)
}

// Restate judges every case of the policy's site again, under the present versions and
// this policy, as a report: rows of the ledger beside those of what was answered. No
// state, no revision, no change and no evaluation is written. What was predicted from
// a plan stays what was known. It can be ended at any moment and goes on where it
// was; until every case was judged, the restating before is read, if there is one. A
// case that is written again loses its rows until it is restated.
func Restate(ctx context.Context, c RestateConfig) error {
	if c.AtOnce == 0 {
		c.AtOnce = 32
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	archive, err := openArchive(ctx, c.Store, c.Policy)
	if err != nil {
		return err
	}
	r := restating{RestateConfig: c, archive: archive}
	version := storage.ProjectionVersion{Name: storage.ProjectionRestated, Version: c.Projector.Version(), Under: under{policy: c.Policy}.versions(c.Software)}
	listed, err := c.Store.Projections(ctx)
	if err != nil {
		return err
	}
	for _, p := range listed {
		// One that was ended and is not gone on with.
		if p.Name == version.Name && !p.Standing && (p.Version != version.Version || p.Under != version.Under) {
			if err := c.Store.DropProjection(ctx, p.ID); err != nil {
				return err
			}
		}
	}
	p, err := c.Store.BeginProjection(ctx, version)
	if err != nil {
		return err
	}
	done := Restated{Under: p.Under}
	for {
		more, err := r.step(ctx, p.ID, &done)
		if err != nil {
			return err
		}
		c.Report(done)
		if !more {
			return c.Store.FinishProjection(ctx, p.ID)
		}
	}
}

// DropRestated removes every restating.
func DropRestated(ctx context.Context, store storage.Store) error {
	listed, err := store.Projections(ctx)
	if err != nil {
		return err
	}
	for _, p := range listed {
		if p.Name != storage.ProjectionRestated {
			continue
		}
		if err := store.DropProjection(ctx, p.ID); err != nil {
			return err
		}
	}
	return nil
}

// versions names what a case is judged by.
func (u under) versions(software string) string {
	return fmt.Sprintf("catalogue %s, rule set %s, policy %s, software %s", metric.CatalogueVersion, rules.SetVersion, u.policy.Hash, software)
}

type restating struct {
	RestateConfig
	archive *Archive
}

// step restates the next cases, and says whether there were any.
func (r *restating) step(ctx context.Context, id int64, done *Restated) (more bool, err error) {
	cases, err := r.Store.CasesToProject(ctx, id, r.AtOnce)
	if err != nil || len(cases) == 0 {
		return false, err
	}
	var rows []storage.CaseRows
	for _, next := range cases {
		if next.Site != r.archive.Policy.Settings.Site {
			done.Elsewhere++
			continue
		}
		row, err := r.restate(ctx, next.UID)
		if err != nil {
			return false, fmt.Errorf("case %s: %w", next.UID, err)
		}
		rows = append(rows, row)
	}
	done.Cases += len(rows)
	return true, r.Store.Project(ctx, id, rows, cases[len(cases)-1].Cursor)
}

func (r *restating) restate(ctx context.Context, uid string) (out storage.CaseRows, err error) {
	a := r.archive
	c, err := a.Store.Case(ctx, a.Policy.Settings.Site, uid)
	if err != nil {
		return out, err
	}
	f, err := a.Load(ctx, c)
	if err != nil {
		return out, err
	}
	now := r.Now().UTC()
	b := &Book{Archive: a, software: r.Software}
	j, err := b.judgeUnder(ctx, f, now, under{policy: a.Policy, restates: true})
	if err != nil {
		return out, err
	}
	answer, err := marshal(j.message)
	if err != nil {
		return out, fmt.Errorf("the report cannot be written: %w", err)
	}
	if out, err = a.restatedRows(ctx, f, r.Projector, answer); err != nil {
		return out, err
	}
	out.Restated.Policy = &storage.Policy{Hash: a.Policy.Hash, Version: a.Policy.Settings.Version, Text: a.Policy.Text, FirstUsed: now}
	return out, nil
}

// restatedRows makes the rows of a case of what a restating says of it.
func (a *Archive) restatedRows(ctx context.Context, f *Folder, p Projector, answer []byte) (out storage.CaseRows, err error) {
	s, err := a.State(ctx, f)
	if err != nil {
		return out, err
	}
	s.Evaluation = &trigonev1.Evaluation{}
	if err := proto.Unmarshal(answer, s.Evaluation); err != nil {
		return out, fmt.Errorf("what was restated cannot be read: %w", err)
	}
	if s.Zone, err = a.zone(ctx, s.Evaluation.GetPolicyHash()); err != nil {
		return out, err
	}
	out = storage.CaseRows{Site: f.Case.Site, UID: f.Case.UID, Version: f.Case.Version, Restated: &storage.Restated{Answer: answer}}
	out.Rows, err = p.Rows(nil, s)
	return out, err
}

// restated makes the rows of the restating that stands anew, from what it said.
func (r *rebuild) restated(ctx context.Context, p Projector) error {
	listed, err := r.Store.Projections(ctx)
	if err != nil {
		return err
	}
	listed = slices.DeleteFunc(listed, func(l storage.Projection) bool { return l.Name != storage.ProjectionRestated })
	i := slices.IndexFunc(listed, func(l storage.Projection) bool { return l.Standing })
	if i < 0 || listed[i].Version == p.Version() {
		return nil
	}
	stands := listed[i]
	if slices.ContainsFunc(listed, func(l storage.Projection) bool { return l.Under != stands.Under }) {
		return nil // another is under way, and comes in its place
	}
	next, err := r.Store.BeginProjection(ctx, storage.ProjectionVersion{Name: stands.Name, Version: p.Version(), Under: stands.Under})
	if err != nil {
		return err
	}
	done := Rebuilt{Projection: next.Name, Version: next.Version}
	for {
		cases, err := r.Store.CasesToProject(ctx, next.ID, r.AtOnce)
		if err != nil {
			return err
		}
		if len(cases) == 0 {
			return r.Store.FinishProjection(ctx, next.ID)
		}
		var rows []storage.CaseRows
		for _, c := range cases {
			archive, err := r.archive(ctx, c.Site)
			if err != nil {
				return err
			}
			row, err := archive.restatedAnew(ctx, c.UID, p)
			switch {
			case errors.Is(err, storage.ErrNotFound):
				continue // it was not restated, or written since
			case err != nil:
				return fmt.Errorf("case %s: %w", c.UID, err)
			}
			rows = append(rows, row)
		}
		if err := r.Store.Project(ctx, next.ID, rows, cases[len(cases)-1].Cursor); err != nil {
			return err
		}
		done.Cases += len(rows)
		r.Report(done)
	}
}

func (a *Archive) restatedAnew(ctx context.Context, uid string, p Projector) (storage.CaseRows, error) {
	c, err := a.Store.Case(ctx, a.Policy.Settings.Site, uid)
	if err != nil {
		return storage.CaseRows{}, err
	}
	answer, err := a.Store.RestatedAnswer(ctx, c.Site, uid)
	if err != nil {
		return storage.CaseRows{}, err
	}
	f, err := a.Load(ctx, c)
	if err != nil {
		return storage.CaseRows{}, err
	}
	return a.restatedRows(ctx, f, p, answer)
}
