package storagetest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"trigone/internal/storage"
)

// together runs f n times at once and gives the errors.
func together(n int, f func(i int) error) []error {
	errs := make([]error, n)
	var wg sync.WaitGroup
	for i := range n {
		wg.Go(func() { errs[i] = f(i) })
	}
	wg.Wait()
	return errs
}

func wantNone(t *testing.T, errs []error) {
	t.Helper()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
}

// manyOnOneCase: callers that read again when they were too late lose nothing.
func manyOnOneCase(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	mustAppend(t, s, plain("a"))
	const callers, each = 16, 8
	wantNone(t, together(callers, func(i int) error {
		for n := range each {
			for {
				c, err := s.Case(ctx, site, "a")
				if err != nil {
					return err
				}
				w := following(c)
				section := fmt.Sprintf("result/%d", i)
				w.Revisions = []storage.Revision{{Section: section, Revision: int64(n + 1), Content: fmt.Append(nil, i, n)}}
				w.Changes = []storage.Change{{Kind: "submitted", CaseUID: "a", CaseVersion: w.Case.Version, Section: section, Revision: int64(n + 1)}}
				err = s.Append(ctx, site, w)
				if err == nil {
					break
				}
				if !errors.Is(err, storage.ErrStale) {
					return err
				}
			}
		}
		return nil
	}))
	wantEqual(t, "version", must(s.Case(ctx, site, "a")).Version, int64(1+callers*each))
	seen := map[string]int64{}
	for i, r := range must(s.Revisions(ctx, site, "a")) {
		if r.CaseVersion != int64(i+2) || r.Revision != seen[r.Section]+1 {
			t.Fatalf("revision %d of %s, number %d in order, made version %d", r.Revision, r.Section, i, r.CaseVersion)
		}
		seen[r.Section] = r.Revision
	}
	wantEqual(t, "sections", len(seen), callers)
	changes := must(s.Changes(ctx, site, 0, 1000))
	wantEqual(t, "changes", len(changes), callers*each)
	for i, c := range changes {
		if c.CaseVersion != int64(i+2) {
			t.Fatalf("change %d of the order is of version %d", i, c.CaseVersion)
		}
	}
}

// manyCases: callers on different cases do not disturb one another, a stale one
// among them included.
func manyCases(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	const callers, each = 32, 6
	wantNone(t, together(callers, func(i int) error {
		uid := fmt.Sprintf("case-%02d", i)
		w := full(uid)
		for n := range each {
			if err := s.Append(ctx, site, w); err != nil {
				return fmt.Errorf("write %d of %s: %w", n, uid, err)
			}
			if err := s.Append(ctx, site, w); !errors.Is(err, storage.ErrRequestExists) {
				return fmt.Errorf("write %d of %s again: %w", n, uid, err)
			}
			w.Request = nil
			if err := s.Append(ctx, site, w); !errors.Is(err, storage.ErrStale) {
				return fmt.Errorf("write %d of %s a third time: %w", n, uid, err)
			}
			c, err := s.Case(ctx, site, uid)
			if err != nil {
				return err
			}
			w = following(c)
			w.Revisions = []storage.Revision{revision("plan", int64(n+3), uid)}
			w.Request = &storage.Request{Caller: "theatre", Site: site, Method: "SubmitCase", RequestID: fmt.Sprint(uid, n)}
		}
		return nil
	}))
	rows, _, err := s.Cases(ctx, []string{site}, storage.CaseFilter{}, "", 100)
	if err != nil {
		t.Fatal(err)
	}
	wantEqual(t, "cases", len(rows), callers)
	for _, r := range rows {
		wantEqual(t, "version of "+r.UID, r.Version, int64(each))
		wantEqual(t, "revisions of "+r.UID, len(must(s.Revisions(ctx, site, r.UID))), 4+each-1)
		wantEqual(t, "patient of "+r.UID, r.Patient.Value, "patient-"+r.UID)
	}
	wantEqual(t, "changes", len(must(s.Changes(ctx, site, 0, 1000))), 2*callers)
}

// oneRequestAtOnce: a retry beside its first attempt opens no second case.
func oneRequestAtOnce(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	const callers = 16
	errs := together(callers, func(i int) error {
		w := full(fmt.Sprintf("attempt-%d", i))
		w.Request.RequestID = "the same"
		w.Case.ExternalIdentifier.Value = "the same"
		return s.Append(ctx, site, w)
	})
	winner := slices.Index(errs, nil)
	if winner < 0 {
		t.Fatal("no attempt was stored")
	}
	for i, err := range errs {
		if i != winner {
			wantError(t, fmt.Sprintf("attempt %d", i), err, storage.ErrRequestExists)
		}
	}
	rows, _, err := s.Cases(ctx, []string{site}, storage.CaseFilter{}, "", 100)
	if err != nil {
		t.Fatal(err)
	}
	wantEqual(t, "cases", uidsOf(rows), []string{fmt.Sprintf("attempt-%d", winner)})
}

// changesInOrder: a reader that asks for what comes after the last number it saw
// sees every number once, rising, while many write and some writes fail.
func changesInOrder(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	const callers, each = 12, 12
	total := 0
	for i := range callers {
		for n := range each {
			total += 1 + (i+n)%3
		}
	}
	readers := make([][]storage.Change, 3)
	var reading sync.WaitGroup
	for r := range readers {
		reading.Go(func() {
			last := int64(0)
			for len(readers[r]) < total {
				page, err := s.Changes(ctx, site, last, 5+r)
				if err != nil {
					t.Errorf("reader %d: %v", r, err)
					return
				}
				for _, c := range page {
					if c.Number <= last {
						t.Errorf("reader %d: number %d after %d", r, c.Number, last)
						return
					}
					last = c.Number
				}
				readers[r] = append(readers[r], page...)
			}
		})
	}
	wantNone(t, together(callers, func(i int) error {
		for n := range each {
			w := plain(fmt.Sprintf("case-%d-%d", i, n))
			for k := range 1 + (i+n)%3 {
				w.Changes = append(w.Changes, storage.Change{Kind: "submitted", CaseUID: w.Case.UID, Revision: int64(k)})
			}
			if err := s.Append(ctx, site, w); err != nil {
				return err
			}
			if err := s.Append(ctx, site, w); !errors.Is(err, storage.ErrStale) {
				return fmt.Errorf("opened twice: %w", err)
			}
		}
		return nil
	}))
	reading.Wait()
	order := must(s.Changes(ctx, site, 0, total+1))
	wantEqual(t, "changes", len(order), total)
	for r := range readers {
		if !slices.Equal(readers[r], order) {
			t.Errorf("reader %d saw another order than stands in the end", r)
		}
	}
	for i, c := range order {
		if c.Revision > 0 && (order[i-1].CaseUID != c.CaseUID || order[i-1].Revision != c.Revision-1) {
			t.Errorf("change %d is apart from the one before it in its write", c.Number)
		}
	}
}

// endedContexts: a caller told that its time is over finds nothing stored.
func endedContexts(t *testing.T, open func() storage.Store) {
	s := opened(t, open)
	before := everything(t, s, "a")
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	wantError(t, "append", s.Append(ended, site, full("a")), context.Canceled)
	_, err := s.Case(ended, site, "a")
	wantError(t, "read", err, context.Canceled)
	wantError(t, "ping", s.Ping(ended), context.Canceled)
	wantEqual(t, "the store afterwards", everything(t, s, "a"), before)

	const callers = 64
	errs := together(callers, func(i int) error {
		ctx, cancel := context.WithTimeout(t.Context(), time.Duration(i)*50*time.Microsecond)
		defer cancel()
		return s.Append(ctx, site, full(fmt.Sprintf("case-%d", i)))
	})
	for i, err := range errs {
		_, found := s.Case(t.Context(), site, fmt.Sprintf("case-%d", i))
		switch {
		case err == nil && found != nil:
			t.Errorf("call %d was stored and is not there: %v", i, found)
		case err != nil && !errors.Is(err, context.DeadlineExceeded):
			t.Errorf("call %d: %v", i, err)
		case err != nil && !errors.Is(found, storage.ErrNotFound):
			t.Errorf("call %d ended with %q and yet was stored", i, err)
		}
	}
	wantError(t, "a time that is over at once", errs[0], context.DeadlineExceeded)
	mustAppend(t, s, full("a"))
}
