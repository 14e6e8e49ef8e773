package handover

import (
	"cmp"
	"errors"
	"fmt"
	"slices"

	"github.com/google/uuid"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/storage"
)

// Search keeps, with every write, rows by which searches find the resources of a case.
type Search struct {
	// Index makes the rows of resources as they are handed over, whatever codes the
	// site has of its own, and IndexVersion rises when it makes others.
	Index        func([]fhirmap.Resource) (storage.Rows, error)
	IndexVersion int64
}

// Name of the projection.
func (Search) Name() string { return storage.ProjectionSearch }

// Version of its rows: they are another mapping's once it makes other resources.
func (s Search) Version() int64 { return s.IndexVersion*mappings + fhirmap.Mapping }

// mappings is more than there will ever be.
const mappings = 1000

// Rows gives all of them: the store leaves those that stay as they are.
func (s Search) Rows(_, after *casebook.State) (storage.Rows, error) {
	list, err := stated(after)
	if errors.Is(err, fhirmap.ErrNothing) {
		return storage.Rows{}, nil
	}
	if err != nil {
		return storage.Rows{}, err
	}
	return s.Index(list)
}

// stated gives what is handed over of a case: as Resources left it or, where rows are
// made anew, by what is on record.
func stated(s *casebook.State) ([]fhirmap.Resource, error) {
	if left, is := s.Handed.(fhirmap.Stated); is {
		return left.Resources()
	}
	if s.Resources == nil {
		left, err := replayed(s, nil)
		if err != nil {
			return nil, err
		}
		return left.Resources()
	}
	h, err := historyOf(s)
	if err != nil {
		return nil, err
	}
	h.Sent = sentOf(s.Resources)
	return fhirmap.Resources(h)
}

// Resources keeps, with every write, which resource ids were handed over of a case
// and what a bundle must say of them from now on.
type Resources struct{}

// Name of the projection.
func (Resources) Name() string { return storage.ProjectionResources }

// Version of its rows. Another mapping needs no other version: each row says which
// one wrote it.
func (Resources) Version() int64 { return 1 }

// Rows gives those that the write adds or changes; all of them where the rows there
// were are not known.
func (Resources) Rows(before, after *casebook.State) (storage.Rows, error) {
	rows := storage.Rows{CasePrefix: fhirmap.CasePrefix(after.Case.UID)}
	if before == nil || before.Resources == nil {
		h, err := replayed(after, nil)
		if err != nil {
			return storage.Rows{}, err
		}
		after.Handed = h
		rows.Resources, err = rowsOf(h.Sent())
		return rows, err
	}
	then, err := historyOf(before)
	if err != nil {
		return storage.Rows{}, err
	}
	now, err := historyOf(after)
	if err != nil {
		return storage.Rows{}, err
	}
	now.Sent = sentOf(before.Resources)
	changed, left, err := fhirmap.Advance(&then, now)
	if err != nil {
		return storage.Rows{}, err
	}
	after.Handed = left
	rows.Resources, err = rowsOf(changed)
	return rows, err
}

// replayed gives the rows of a case by its states alone.
func replayed(s *casebook.State, asked func() error) (fhirmap.Stated, error) {
	states, err := s.Earlier()
	if err != nil {
		return fhirmap.Stated{}, err
	}
	var list []fhirmap.Snapshot
	for _, then := range append(states, s) {
		list = append(list, fhirmap.Snapshot{Case: then.Message()})
	}
	return fhirmap.Restated(s.Case.Site, s.Case.UID, list, asked)
}

// historyOf gives a case as its mapping reads it, without what was sent before.
func historyOf(s *casebook.State) (fhirmap.History, error) {
	h := fhirmap.History{Site: s.Case.Site, UID: s.Case.UID, Current: fhirmap.Snapshot{Case: s.Message()}}
	newest := map[int64]*casebook.Evaluation{} // by the revision of the plan that it read
	for _, e := range s.Evaluations {
		if e.PlanRevision == 0 {
			clear(newest)
			continue
		}
		newest[e.PlanRevision] = e
	}
	for _, p := range s.Plans {
		e := newest[p.Revision]
		if e == nil {
			continue // it never was the head
		}
		m, err := e.Message()
		if err != nil {
			return h, err
		}
		h.Plans = append(h.Plans, fhirmap.PlanState{
			Revision: p.Revision, Plan: p.Plan, Evaluation: m, Received: casebook.Timestamp(p.Received),
		})
	}
	return h, nil
}

// states are the numbers of what became of a resource.
var states = map[fhirmap.SentState]int{
	fhirmap.Living: storage.ResourceLiving, fhirmap.Amended: storage.ResourceAmended,
	fhirmap.Gone: storage.ResourceGone, fhirmap.Past: storage.ResourcePast,
}

func rowsOf(sent []fhirmap.Sent) ([]storage.Resource, error) {
	rows := make([]storage.Resource, len(sent))
	for i, s := range sent {
		id, err := uuid.Parse(s.ID)
		if err != nil {
			return nil, fmt.Errorf("id of a %s: %w", s.Type, err)
		}
		rows[i] = storage.Resource{
			Type: s.Type, ID: id, Mapping: s.Mapping, Digest: s.Digest, FirstVersion: s.First, LastVersion: s.Last,
			State: states[s.State], Gone: s.Gone,
		}
	}
	return rows, nil
}

func sentOf(rows []storage.Resource) []fhirmap.Sent {
	sent := make([]fhirmap.Sent, len(rows))
	for i, r := range rows {
		sent[i] = fhirmap.Sent{
			Type: r.Type, ID: uuid.UUID(r.ID).String(), Mapping: r.Mapping, Digest: r.Digest, First: r.FirstVersion, Last: r.LastVersion,
			Gone: r.Gone,
		}
		for state, number := range states {
			if number == r.State {
				sent[i].State = state
			}
		}
	}
	slices.SortFunc(sent, func(a, b fhirmap.Sent) int { return cmp.Or(cmp.Compare(a.Type, b.Type), cmp.Compare(a.ID, b.ID)) })
	return sent
}
