package handover

import (
	"cmp"
	"fmt"
	"slices"

	"github.com/google/uuid"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/storage"
)

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
		sent, err := replayed(after, nil)
		if err != nil {
			return storage.Rows{}, err
		}
		rows.Resources, err = rowsOf(sent)
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
	changed, err := fhirmap.Advance(&then, now)
	if err != nil {
		return storage.Rows{}, err
	}
	rows.Resources, err = rowsOf(changed)
	return rows, err
}

// replayed gives the rows of a case by its states alone.
func replayed(s *casebook.State, asked func() error) ([]fhirmap.Sent, error) {
	states, err := s.Earlier()
	if err != nil {
		return nil, err
	}
	var list []fhirmap.Snapshot
	for _, then := range append(states, s) {
		list = append(list, fhirmap.Snapshot{Case: then.Message()})
	}
	h, err := fhirmap.Replay(s.Case.Site, s.Case.UID, list, asked)
	return h.Sent, err
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
