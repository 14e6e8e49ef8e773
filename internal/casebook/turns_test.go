package casebook

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"trigone/internal/storage"
)

// counting counts writes that came too late, each of which was an evaluation for
// nothing.
type counting struct {
	storage.Store
	late atomic.Int64
}

func (c *counting) Append(ctx context.Context, site string, w storage.Write) error {
	err := c.Store.Append(ctx, site, w)
	if errors.Is(err, storage.ErrStale) || errors.Is(err, storage.ErrExternalIdentifierTaken) {
		c.late.Add(1)
	}
	return err
}

// Writers of one case at the same time are all served, each after one evaluation, and
// every write is seen by an evaluation.
func TestWritersOfOneCaseAreServed(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart))
	store := &counting{Store: f.store}
	f.book.Store = store
	const writers = 24
	var wg sync.WaitGroup
	for i := range writers {
		wg.Go(func() {
			text := strings.Replace(object(numberAndPatient, resultPart), `"id":"exit"`, fmt.Sprintf(`"id":"exit-%d"`, i), 1)
			if _, err := f.submit(text); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if n := store.late.Load(); n > 0 {
		t.Errorf("%d evaluations were for nothing", n)
	}
	got := f.get()
	if got.GetCaseVersion() != writers+1 || len(got.GetCaseFile().GetResults()) != writers {
		t.Errorf("version %d with %d results", got.GetCaseVersion(), len(got.GetCaseFile().GetResults()))
	}
	if len(got.GetEvaluation().GetSections()) != writers+1 {
		t.Errorf("the newest evaluation read %d sections", len(got.GetEvaluation().GetSections()))
	}
}

// Two processes have no turns in common: the check of the store decides between them,
// and who opens a case second writes to the one that is there.
func TestWritersInTwoProcesses(t *testing.T) {
	f := newFixture(t)
	second, err := New(f.ctx, Config{Store: f.store, Policy: f.book.Policy, Software: "test", Now: f.clock.Now})
	if err != nil {
		t.Fatal(err)
	}
	g := f
	g.book = second
	var wg sync.WaitGroup
	for i, each := range []fixture{f, g} {
		wg.Go(func() {
			text := strings.Replace(object(numberAndPatient, identityPart, resultPart), `"id":"exit"`, fmt.Sprintf(`"id":"exit-%d"`, i), 1)
			if _, err := each.submit(text); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if got := f.get(); got.GetCaseVersion() != 2 || len(got.GetCaseFile().GetResults()) != 2 {
		t.Errorf("version %d with %d results", got.GetCaseVersion(), len(got.GetCaseFile().GetResults()))
	}
}

// racing lets another book open the case just before this one does.
type racing struct {
	storage.Store
	before func()
}

func (r *racing) Append(ctx context.Context, site string, w storage.Write) error {
	if before := r.before; before != nil {
		r.before = nil
		before()
	}
	return r.Store.Append(ctx, site, w)
}

func TestACaseOpenedMeanwhileIsWrittenTo(t *testing.T) {
	f := newFixture(t)
	other, err := New(f.ctx, Config{Store: f.store, Policy: f.book.Policy, Software: "test", Now: f.clock.Now})
	if err != nil {
		t.Fatal(err)
	}
	g := f
	g.book = other
	f.book.Store = &racing{Store: f.store, before: func() { g.mustSubmit(object(numberAndPatient, identityPart)) }}
	f.mustSubmit(object(numberAndPatient, identityPart, resultPart))
	if got := g.get(); got.GetCaseVersion() != 2 || len(got.GetCaseFile().GetResults()) != 1 || got.GetCaseFile().GetIdentity() == nil {
		t.Errorf("%v", got)
	}
}

// Turns are given in the order in which they were asked for; who gives up leaves the
// line, and nothing is left of a line that nobody stands in.
func TestTurns(t *testing.T) {
	var line turns
	back, err := line.take(t.Context(), "a")
	if err != nil {
		t.Fatal(err)
	}
	if other, err := line.take(t.Context(), "b"); err != nil {
		t.Error(err)
	} else {
		other()
	}
	var mu sync.Mutex
	var order []int
	var wg sync.WaitGroup
	gaveUp, giveUp := context.WithCancel(t.Context())
	for i := range 8 {
		wg.Go(func() {
			ctx := t.Context()
			if i == 3 {
				ctx = gaveUp
			}
			back, err := line.take(ctx, "a")
			if i == 3 {
				if !errors.Is(err, context.Canceled) {
					t.Errorf("who gave up got %v", err)
				}
				return
			}
			if err != nil {
				t.Error(err)
				return
			}
			mu.Lock()
			order = append(order, i)
			mu.Unlock()
			back()
		})
		for line.standing("a") != i+2 {
			time.Sleep(100 * time.Microsecond)
		}
		time.Sleep(time.Millisecond) // from counted to standing in line
	}
	giveUp()
	for line.standing("a") != 8 {
		time.Sleep(100 * time.Microsecond)
	}
	back()
	wg.Wait()
	if want := []int{0, 1, 2, 4, 5, 6, 7}; !slices.Equal(order, want) {
		t.Errorf("served in the order %v, want %v", order, want)
	}
	if len(line.of) != 0 {
		t.Errorf("%d lines are left", len(line.of))
	}
}
