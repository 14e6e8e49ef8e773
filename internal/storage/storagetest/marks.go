package storagetest

import (
	"errors"
	"fmt"
	"sync"
	"testing"

	"trigone/internal/storage"
)

// marks holds that a store keeps the mark of its first write that has one, at every
// site, and stores nothing with another.
func marks(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	mark := func() storage.Mark { return must(s.Mark(ctx)) }
	marked := func(uid string, m storage.Mark) storage.Write {
		w := plain(uid)
		w.Mark = m
		return w
	}
	wantEqual(t, "mark of an empty store", mark(), storage.Unmarked)
	mustAppend(t, s, plain("of no kind"))
	wantEqual(t, "mark after a write without one", mark(), storage.Unmarked)
	stale := marked("of no kind", storage.MarkReal)
	wantError(t, "a write that fails", s.Append(ctx, site, stale), storage.ErrStale)
	wantEqual(t, "mark after a write that failed", mark(), storage.Unmarked)

	// Of many first writes the first decides.
	var group sync.WaitGroup
	results := make([]error, 8)
	for i := range results {
		group.Go(func() {
			results[i] = s.Append(ctx, site, marked(fmt.Sprintf("first-%d", i), []storage.Mark{storage.MarkInvented, storage.MarkReal}[i%2]))
		})
	}
	group.Wait()
	kept, other := mark(), storage.MarkReal
	if kept == storage.MarkReal {
		other = storage.MarkInvented
	}
	for i, err := range results {
		m := []storage.Mark{storage.MarkInvented, storage.MarkReal}[i%2]
		if (err == nil) != (m == kept) || (err != nil && !errors.Is(err, storage.ErrOtherMark)) {
			t.Errorf("a first write of kind %s where the store keeps %s: %v", m, kept, err)
		}
	}

	before := must(s.Changes(ctx, site, 0, 1000))
	w := full("other")
	w.Mark = other
	wantError(t, "the other kind", s.Append(ctx, site, w), storage.ErrOtherMark)
	_, err := s.Case(ctx, site, "other")
	wantError(t, "a case of the other kind", err, storage.ErrNotFound)
	wantEqual(t, "changes after it", must(s.Changes(ctx, site, 0, 1000)), before)
	wantError(t, "the other kind at another site", s.Append(ctx, "island", marked("b", other)), storage.ErrOtherMark)
	wantError(t, "the other kind set aside", s.Append(ctx, site, storage.Write{Mark: other, Quarantined: &storage.Quarantined{ID: "q", State: storage.QuarantineOpen}}), storage.ErrOtherMark)
	mustAppend(t, s, marked("same", kept))
	mustAppend(t, s, plain("of no kind again"))
	wantError(t, "no mark at all", s.Append(ctx, site, marked("c", "half")), nil)
	wantEqual(t, "mark at the end", mark(), kept)
}
