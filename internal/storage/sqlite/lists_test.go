package sqlite

import (
	"database/sql"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"modernc.org/sqlite"

	"trigone/internal/storage"
	"trigone/internal/storage/storagetest"
)

// pagesOf counts the pages of the file that the store's only reader looks at.
func pagesOf(t testing.TB, s *Store, read func()) int {
	t.Helper()
	pages := func() (sum int) {
		conn, err := s.read.Conn(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = conn.Close() }()
		err = conn.Raw(func(c any) error {
			for _, op := range []sqlite.DBStatusOp{sqlite.DBStatusCacheHit, sqlite.DBStatusCacheMiss} {
				n, _, err := c.(sqlite.DBStatus).Status(op, false)
				if err != nil {
					return err
				}
				sum += n
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		return sum
	}
	before := pages()
	read()
	return pages() - before
}

func oneReader(t testing.TB) *Store {
	t.Helper()
	s, err := Open(t.Context(), filepath.Join(t.TempDir(), "record.db"), Options{Readers: 1})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { closeStore(t, s) })
	return s
}

func TestTouched(t *testing.T) {
	if testing.Short() {
		t.Skip("counts pages of a store of thousands of cases, one read after the other")
	}
	storagetest.Touched(t, func(t *testing.T) (storage.Store, func(func()) int) {
		s := oneReader(t)
		return s, func(read func()) int { return pagesOf(t, s, read) }
	})
}

func TestTouchedBySearch(t *testing.T) {
	if testing.Short() {
		t.Skip("counts pages of a store of thousands of cases, one read after the other")
	}
	storagetest.TouchedBySearch(t, func(t *testing.T) (storage.Store, func(func()) int) {
		s := oneReader(t)
		return s, func(read func()) int { return pagesOf(t, s, read) }
	})
}

func TestTouchedByHistory(t *testing.T) {
	if testing.Short() {
		t.Skip("counts pages of a store of thousands of revisions, one read after the other")
	}
	storagetest.TouchedByHistory(t, func(t *testing.T) (storage.Store, func(func()) int) {
		s := oneReader(t)
		return s, func(read func()) int { return pagesOf(t, s, read) }
	})
}

// The statements that walk over cases use an index for their order: none scans a
// table or sorts.
func TestPlansOfLists(t *testing.T) {
	s, _ := openNew(t)
	if _, err := s.DeclareProjections(t.Context(), []storage.ProjectionVersion{{Name: storage.ProjectionLedger, Version: 1}}); err != nil {
		t.Fatal(err)
	}
	groups := []storage.Group{{Kind: 1, Word: "a"}, {Kind: 1, Word: "b"}, {Kind: 2, Word: "2031"}}
	incision := time.Unix(1900000000, 0)
	for name, f := range map[string]caseFilter{
		"every case":       {},
		"a period":         {from: incision, before: incision.Add(time.Hour)},
		"a verdict":        casesWith(&storage.ComparisonFilter{Verdicts: []int{1, 2}}),
		"a class":          casesWith(&storage.ComparisonFilter{Classes: []int{1}, Verdicts: []int{1}}),
		"classes":          casesWith(&storage.ComparisonFilter{Classes: []int{1, 2, 9}, PlanTimings: []string{"prospective"}}),
		"metrics":          casesWith(&storage.ComparisonFilter{Metrics: []int{1, 2}}),
		"a case":           casesWith(&storage.ComparisonFilter{CaseUID: "a", Classes: []int{1}}),
		"a group":          {groups: byKind(groups[:1])},
		"groups":           {groups: byKind(groups)},
		"group and period": {groups: byKind(groups), from: incision},
		"class and groups": casesWith(&storage.ComparisonFilter{Classes: []int{1}, Groups: groups}),
		"discrepancies":    casesWith(&storage.ComparisonFilter{DiscrepanciesOnly: true, Verdicts: []int{1, 2, 3}}),
	} {
		err := s.list(t.Context(), storage.ProjectionLedger, "harbour", func(l *listing) error {
			query, args := l.keys(&f, key{}, 10)
			plan, err := planOf(l, query, args)
			if err != nil {
				return err
			}
			for _, step := range plan {
				scans := strings.HasPrefix(step, "SCAN") && step != "SCAN k" // k is the page itself
				if scans || strings.Contains(step, "TEMP B-TREE") || strings.Contains(step, "AUTOMATIC") {
					t.Errorf("%s: %s\n in %s", name, step, strings.Join(plan, "\n    "))
				}
			}
			return nil
		})
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Cases that are awaited are found by an index of their own, those of a state by that
// of all, in their order.
func TestPlansOfCases(t *testing.T) {
	s, _ := openNew(t)
	for index, f := range map[string]storage.CaseFilter{
		"cases_awaiting": {State: storage.CaseActive, AwaitingIncision: true}, "cases_changed": {State: storage.CaseActive},
		"cases_of_number": {State: storage.CaseRetracted, ExternalIdentifier: storage.Identifier{System: "s", Value: "v"}}, // few, and sorted
	} {
		query, args, err := casesQuery("harbour", f, position(17, "a"), 10)
		if err != nil {
			t.Fatal(err)
		}
		var plan []string
		if err := s.each(t.Context(), `EXPLAIN QUERY PLAN `+query, args, func(row scanner) error {
			var id, parent, unused sql.NullInt64
			var detail string
			err := row.Scan(&id, &parent, &unused, &detail)
			plan = append(plan, detail)
			return err
		}); err != nil {
			t.Fatal(err)
		}
		if all := strings.Join(plan, "\n"); !strings.Contains(all, "SEARCH c USING INDEX "+index+" ") || strings.Contains(all, "B-TREE FOR ORDER BY") && index != "cases_of_number" {
			t.Errorf("%s: %s", index, all)
		}
	}
}

// The statements of searches walk one index in its order, however large the store is.
func TestPlansOfSearches(t *testing.T) {
	s, _ := openNew(t)
	if _, err := s.DeclareProjections(t.Context(), []storage.ProjectionVersion{{Name: storage.ProjectionSearch, Version: 1}}); err != nil {
		t.Fatal(err)
	}
	for query, args := range map[string][]any{
		foundRows:      {1, 1, 7, 0, 0, 10},
		foundOfCase:    {1, 1, 7, 3},
		foundShapes:    {0, 1},
		changedCases:   {"harbour", 0, 10},
		casesOfPatient: {"value", "harbour"},
	} {
		err := s.list(t.Context(), storage.ProjectionSearch, "harbour", func(l *listing) error {
			plan, err := planOf(l, query, args)
			for _, step := range plan {
				// The cases of one patient are few, and told apart by sorting.
				sorts := strings.Contains(step, "TEMP B-TREE") && query != casesOfPatient
				if strings.HasPrefix(step, "SCAN") || sorts || strings.Contains(step, "AUTOMATIC") {
					t.Errorf("%s\n in %s", step, strings.Join(plan, "\n    "))
				}
			}
			return err
		})
		if err != nil {
			t.Errorf("%s: %v", query, err)
		}
	}
}

// Quarantined submits of a state are read in their order; those of one case are few,
// and sorted.
func TestPlansOfQuarantine(t *testing.T) {
	s, _ := openNew(t)
	if _, err := s.DeclareProjections(t.Context(), []storage.ProjectionVersion{{Name: storage.ProjectionLedger, Version: 1}}); err != nil {
		t.Fatal(err)
	}
	for name, f := range map[string]storage.QuarantineFilter{
		"every case": {State: storage.QuarantineOpen}, "a case": {State: storage.QuarantineOpen, CaseUID: "a"},
	} {
		for _, after := range []string{"", "7:q"} {
			query, args, err := quarantinePage("harbour", f, after, 10)
			if err != nil {
				t.Fatal(err)
			}
			err = s.list(t.Context(), storage.ProjectionLedger, "harbour", func(l *listing) error {
				plan, err := planOf(l, query, args)
				for _, step := range plan {
					sorts := strings.Contains(step, "TEMP B-TREE") && f.CaseUID == ""
					if strings.HasPrefix(step, "SCAN") || sorts || strings.Contains(step, "AUTOMATIC") {
						t.Errorf("%s, behind %q: %s", name, after, step)
					}
				}
				return err
			})
			if err != nil {
				t.Error(err)
			}
		}
	}
}

func planOf(l *listing, query string, args []any) ([]string, error) {
	return collect(l, `EXPLAIN QUERY PLAN `+query, args, func(row scanner) (detail string, err error) {
		var id, parent, unused sql.NullInt64
		err = row.Scan(&id, &parent, &unused, &detail)
		return detail, err
	})
}

// Counts without a filter on comparisons come from the columns of the cases: no row of
// a comparison is read.
func TestCountsReadNoComparisons(t *testing.T) {
	s, _ := openNew(t)
	if _, err := s.DeclareProjections(t.Context(), []storage.ProjectionVersion{{Name: storage.ProjectionLedger, Version: 1}}); err != nil {
		t.Fatal(err)
	}
	for name, f := range map[string]storage.ComparisonFilter{
		"comparisons":            {},
		"comparisons that agree": {Verdicts: []int{storage.ComparisonAgrees}},
		"discrepancies":          {DiscrepanciesOnly: true, Verdicts: []int{1, 2, 3}},
		"roots of discrepancies": {DiscrepanciesOnly: true, RootsOnly: true, Verdicts: []int{1, 2, 3}, PlanTimings: []string{storage.TimingProspective}},
	} {
		if !countedByCase(&f) {
			t.Errorf("%s are counted row by row", name)
		}
		err := s.list(t.Context(), storage.ProjectionLedger, "harbour", func(l *listing) error {
			var cases conditions
			cases.add(`c.projection = ? AND c.site = ? AND c.newest_first BETWEEN ? AND ?`, l.projection, l.site, 0, 1)
			plan, err := planOf(l, countOfCases(cases, &f), cases.args)
			if len(plan) != 1 || !strings.HasPrefix(plan[0], "SEARCH c USING PRIMARY KEY") {
				t.Errorf("%s: %q", name, plan)
			}
			return err
		})
		if err != nil {
			t.Error(err)
		}
	}
	for name, f := range map[string]storage.ComparisonFilter{
		"a class": {Classes: []int{1}}, "discrepancies that agree": {DiscrepanciesOnly: true}, "a place": {Places: []string{"p2"}},
	} {
		if countedByCase(&f) {
			t.Errorf("%s cannot be counted by the columns of the cases", name)
		}
	}
}
