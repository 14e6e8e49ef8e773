package ledger

import (
	"context"
	"errors"
	"maps"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"trigone/internal/casebook"
	"trigone/internal/policy"
	"trigone/internal/storage"
	"trigone/testdata"
)

// later is the projection as a later version of the program has it.
type later struct{ Projection }

func (later) Version() int64 { return Projection{}.Version() + 1 }

// mortal is a store under a program that is killed after so many of the calls of a
// rebuild.
type mortal struct {
	storage.Store
	left int
}

var errKilled = errors.New("killed")

func (m *mortal) lives() error {
	if m.left--; m.left < 0 {
		return errKilled
	}
	return nil
}

func (m *mortal) CasesToProject(ctx context.Context, id int64, limit int) ([]storage.CaseToProject, error) {
	if err := m.lives(); err != nil {
		return nil, err
	}
	return m.Store.CasesToProject(ctx, id, limit)
}

func (m *mortal) Project(ctx context.Context, id int64, cases []storage.CaseRows, cursor int64) error {
	if err := m.lives(); err != nil {
		return err
	}
	if err := m.Store.Project(ctx, id, cases, cursor); err != nil {
		return err
	}
	return m.lives() // killed after the write, before it knew of it
}

func (m *mortal) FinishProjection(ctx context.Context, id int64) error {
	if err := m.lives(); err != nil {
		return err
	}
	if err := m.Store.FinishProjection(ctx, id); err != nil {
		return err
	}
	return m.lives()
}

// rows are those that the store has of a site's ledger.
type rows struct {
	Comparisons []storage.CaseComparison
	Facts       []storage.CaseFacts
	Counts      storage.ComparisonCounts
}

func allRows(t *testing.T, store storage.Store, site string) (out rows) {
	t.Helper()
	var err [3]error
	var more string
	out.Comparisons, more, err[0] = store.Comparisons(t.Context(), []string{site}, storage.ComparisonFilter{}, "", 5000)
	out.Facts, _, err[1] = store.Facts(t.Context(), []string{site}, storage.FactsFilter{}, "", 500)
	out.Counts, err[2] = store.CountComparisons(t.Context(), site, storage.ComparisonFilter{})
	if err := errors.Join(err[:]...); err != nil || more != "" {
		t.Fatalf("rows cannot be read, or are more than a page: %v", err)
	}
	return out
}

// byWord counts the cases filed under each word.
func byWord(t *testing.T, store storage.Store, site string, facts []storage.CaseFacts) map[Group]int {
	t.Helper()
	out := map[Group]int{}
	for _, f := range facts {
		whole, err := joined(f.Facts, f.Children)
		if err != nil {
			t.Fatal(err)
		}
		for _, g := range Groups(whole) {
			list, _, err := store.Facts(t.Context(), []string{site}, storage.FactsFilter{Groups: []storage.Group{stored(g)}}, "", 500)
			if err != nil {
				t.Fatal(err)
			}
			out[g] = len(list)
		}
	}
	return out
}

// A rebuild makes the rows that the writes made, wherever it was killed on the way,
// and until it is done the rows of before are read.
func TestRebuiltEqualsWritten(t *testing.T) {
	store := openStore(t)
	h := newHouse(t, store, "harbour")
	cases := 0
	for _, name := range testdata.Names(testdata.Cases) {
		c := story(t, name)
		if c.GetOperation().GetIncisionTime() == nil || cases == 7 {
			continue
		}
		h.plan(c)
		h.outcome(c)
		cases++
	}
	p, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	want := allRows(t, store, "harbour")
	words := byWord(t, store, "harbour", want.Facts)
	if len(want.Facts) != cases || len(want.Comparisons) < 100 || len(words) < 20 {
		t.Fatalf("%d cases, %d comparisons, %d words", len(want.Facts), len(want.Comparisons), len(words))
	}
	random := rand.New(rand.NewPCG(8, 20))
	kills := 0
	for version := int64(2); kills < 20; version++ {
		next := &raised{version: version}
		for {
			killed := &mortal{Store: store, left: random.IntN(8)}
			err := casebook.Rebuild(t.Context(), casebook.RebuildConfig{
				Store: killed, Policy: p, Projectors: []casebook.Projector{next}, AtOnce: 2, Report: func(casebook.Rebuilt) {},
			})
			if got := allRows(t, store, "harbour"); !reflect.DeepEqual(got, want) {
				t.Fatalf("after %d kills (version %d, %v) other rows are read", kills, version, err)
			}
			if err == nil {
				break
			}
			if !errors.Is(err, errKilled) {
				t.Fatal(err)
			}
			kills++
		}
		listed, err := store.Projections(t.Context())
		if err != nil || len(listed) != 1 || listed[0].Version != version || !listed[0].Standing {
			t.Fatalf("listed: %+v, %v", listed, err)
		}
	}
	if got := byWord(t, store, "harbour", want.Facts); !maps.Equal(got, words) {
		t.Errorf("cases by word: %v, want %v", got, words)
	}
}

// raised is the projection under another version.
type raised struct {
	Projection
	version int64
}

func (r *raised) Version() int64 { return r.version }

// A program that brings both versions writes while one is built: what it writes is
// in both, and what it opens is not missed.
func TestWritesWhileRebuilding(t *testing.T) {
	store := openStore(t)
	h := newHouse(t, store, "harbour")
	first, second, third := story(t, "several-differences"), story(t, "triangular-complete-ring"), story(t, "recurrence")
	h.plan(first)
	h.plan(second)
	p, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	build := func(store storage.Store) error {
		return casebook.Rebuild(t.Context(), casebook.RebuildConfig{
			Store: store, Policy: p, Projectors: []casebook.Projector{later{}}, AtOnce: 1, Report: func(casebook.Rebuilt) {},
		})
	}
	if err := build(&mortal{Store: store, left: 2}); !errors.Is(err, errKilled) {
		t.Fatal(err)
	}
	// The older program alone may not write any more: its rows would be missing.
	file := proto.CloneOf(first)
	if _, err := h.at(first, 7*time.Hour).book.SubmitCase(h.ctx, surgeon, requestOf(file)); !errors.Is(err, storage.ErrProjection) {
		t.Errorf("a write that leaves a listed projection out: %v", err)
	}
	both := newHouseWith(t, store, "harbour", Projection{}, later{})
	both.outcome(first)
	both.plan(third)
	both.outcome(third)
	both.outcome(second)
	if err := build(store); err != nil {
		t.Fatal(err)
	}
	straight := newHouse(t, openStore(t), "harbour")
	for _, c := range []func(){
		func() { straight.plan(first) }, func() { straight.plan(second) }, func() { straight.outcome(first) },
		func() { straight.plan(third) }, func() { straight.outcome(third) }, func() { straight.outcome(second) },
	} {
		c()
	}
	if text := both.tells().differsFrom(straight.tells()); text != "" {
		t.Error(text)
	}
}
