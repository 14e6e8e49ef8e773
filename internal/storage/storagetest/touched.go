package storagetest

import (
	"fmt"
	"testing"

	"trigone/internal/storage"
)

// Touched holds the cost of reads against the size of a store: what one touches
// may grow with the depth of an index, not with the number of cases. place makes a
// new empty store and gives what counts the pages, or the rows, that a read
// touches.
func Touched(t *testing.T, place func(t *testing.T) (s storage.Store, touched func(read func()) int)) {
	const few, many = 1000, 8000
	// One case in fifty differs by class 9; class 1 is everywhere.
	const rare = 50
	reads := []struct {
		name string
		read func(t *testing.T, s storage.Store)
	}{
		{"page 1 of a rare class", comparisonsPage(storage.ComparisonFilter{Classes: []int{9}, Verdicts: []int{storage.ComparisonPresent}}, "")},
		{"page 1 of a rare class in any verdict", comparisonsPage(storage.ComparisonFilter{Classes: []int{9}}, "")},
		{"page 1 of two classes", comparisonsPage(storage.ComparisonFilter{Classes: []int{1, 9}}, "")},
		{"page 1 of a rare metric", comparisonsPage(storage.ComparisonFilter{Metrics: []int{99}}, "")},
		{"page 1 of discrepancies", comparisonsPage(storage.ComparisonFilter{DiscrepanciesOnly: true, Verdicts: []int{1, 2, 3}}, "")},
		{"page 1 of everything", comparisonsPage(storage.ComparisonFilter{}, "")},
		{"page 1 of a verdict", comparisonsPage(storage.ComparisonFilter{Verdicts: []int{storage.ComparisonAgrees}}, "")},
		{"page 1 of a period", comparisonsPage(storage.ComparisonFilter{IncisionFrom: after(100), IncisionBefore: after(400)}, "")},
		{"a case", comparisonsPage(storage.ComparisonFilter{CaseUID: "case-00500"}, "")},
		{"page 1 of a rare word", func(t *testing.T, s storage.Store) {
			list, _, err := s.Facts(t.Context(), []string{site}, storage.FactsFilter{Groups: []storage.Group{{Kind: differs, Word: "rarely"}}}, "", 10)
			if err != nil || len(list) != 10 {
				t.Fatalf("%d facts, %v", len(list), err)
			}
		}},
		{"cases of a prefix", func(t *testing.T, s storage.Store) {
			if list := must(s.CasesByPrefix(t.Context(), site, prefixOf("case-00500"))); len(list) != 1 {
				t.Fatalf("%v", list)
			}
		}},
		{"the newest answer", func(t *testing.T, s storage.Store) { must(s.Answer(t.Context(), site, "case-00500", 1)) }},
	}
	// What one page of ten rows takes at least: a foreign id is looked up for no more
	// than one of ours.
	costs := map[string][2]int{}
	for i, cases := range []int{few, many} {
		s, touched := place(t)
		fill(t, s, cases, rare)
		for _, r := range reads {
			r.read(t, s) // statements and schema are read once
			c := costs[r.name]
			c[i] = touched(func() { r.read(t, s) })
			costs[r.name] = c
		}
		// Counts are asked for: they cost what the columns of all cases cost.
		count := func() {
			if n := must(s.CountComparisons(t.Context(), site, storage.ComparisonFilter{DiscrepanciesOnly: true, Verdicts: []int{1, 2, 3}})); n.Roots < cases {
				t.Fatalf("%d roots of %d cases", n.Roots, cases)
			}
		}
		count()
		pages := touched(count)
		t.Logf("counts of discrepancies touch %d at %d cases", pages, cases)
		if pages > cases/8 {
			t.Errorf("counts of discrepancies touch %d at %d cases: more than their columns take", pages, cases)
		}
	}
	for _, r := range reads {
		c := costs[r.name]
		t.Logf("%-40s %6d at %d cases, %6d at %d", r.name, c[0], few, c[1], many)
		if c[0] < 1 || c[1] >= 2*c[0] {
			t.Errorf("%s touches %d at %d cases and %d at %d: want less than twice", r.name, c[0], few, c[1], many)
		}
	}
}

func comparisonsPage(f storage.ComparisonFilter, after string) func(*testing.T, storage.Store) {
	return func(t *testing.T, s storage.Store) {
		list, _, err := s.Comparisons(t.Context(), []string{site}, f, after, 10)
		if err != nil || len(list) == 0 {
			t.Fatalf("%d comparisons, %v", len(list), err)
		}
	}
}

// fill writes cases of ten comparisons each.
func fill(t *testing.T, s storage.Store, cases, rare int) {
	t.Helper()
	must(s.DeclareProjections(t.Context(), program))
	const writers = 64 // that wait together are stored together
	wantNone(t, together(writers, func(first int) error {
		for i := first; i < cases; i += writers {
			w := plain(fmt.Sprintf("case-%05d", i))
			w.Case.IncisionTime, w.Case.PlanTiming, w.Case.Evaluation = after(i), storage.TimingProspective, 1
			w.Evaluation = evaluation(1)
			rows := &w.Projected[0].Rows
			word := "often"
			for n := range 10 {
				c := fullComparison(int64(n))
				c.ID, c.Metric, c.Verdict, c.Class = fmt.Sprint("comparison/", n), n+1, storage.ComparisonAgrees, 0
				switch {
				case n == 3:
					c.Class, c.Verdict = 1, storage.ComparisonPresent
				case n == 7 && i%rare == 7:
					c.Class, c.Verdict, c.Metric = 9, storage.ComparisonPresent, 99
					word = "rarely"
				}
				rows.Comparisons = append(rows.Comparisons, c)
			}
			rows.Facts, rows.Groups = &storage.Facts{Version: 1, Evaluation: 1, Message: make([]byte, 300)}, []storage.Group{{Kind: differs, Word: word}}
			w.Projected[1].Rows.CasePrefix = prefixOf(w.Case.UID)
			if err := s.Append(t.Context(), site, w); err != nil {
				return err
			}
		}
		return nil
	}))
}
