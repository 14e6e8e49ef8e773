package storagetest

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"trigone/internal/storage"
)

// The lists of several sites are one list in the order of each: its pages hold every row
// of those sites once, whatever is written meanwhile, and none of another site.
func listsOfSites(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	asked, foreign := []string{"bay", "harbour"}, "island"
	add := func(site, uid string, n int) {
		w := plain(uid)
		w.Case.ChangedTime = after(n / 2)
		if n%5 != 0 {
			w.Case.IncisionTime = after(n / 3)
		}
		for order := range int64(1 + n%4) {
			w.Projected[0].Rows.Comparisons = append(w.Projected[0].Rows.Comparisons, storage.Comparison{
				ID: fmt.Sprintf("%s/%d", uid, order), Order: order, Class: 1 + n/3%3, Verdict: storage.ComparisonPresent, Metric: n % 4,
			})
		}
		w.Projected[0].Rows.Facts = &storage.Facts{Version: 1, Message: []byte(uid)}
		w.Projected[0].Rows.Groups = []storage.Group{{Kind: technique, Word: "one"}, {Kind: technique, Word: fmt.Sprint(n % 2)}}
		if err := s.Append(ctx, site, w); err != nil {
			t.Fatal(err)
		}
		line := storage.Access{Time: after(n), Site: site, Caller: fmt.Sprint("caller ", n%2), Method: "m", Outcome: "OK"}
		if err := s.RecordAccesses(ctx, []storage.Access{line}); err != nil {
			t.Fatal(err)
		}
	}
	all := append(slices.Clone(asked), foreign)
	for n := range 60 {
		// Neither the sites nor the uids come in the order of the times.
		add(all[n*7%3], fmt.Sprintf("case-%02d", n*37%60), n*17%60)
	}

	newCases := 0
	between := func() {
		newCases++
		add(all[newCases%3], fmt.Sprintf("new-%04d", newCases), 100+newCases)
	}
	// What there is of each site alone, put in the order of the list.
	merged := func(read func(sites []string) []string) []string {
		list := slices.Concat(read(asked[:1]), read(asked[1:]))
		slices.Sort(list)
		return list
	}
	check := func(what string, read func(sites []string, limit int, between func()) []string) {
		t.Helper()
		want := merged(func(sites []string) []string { return read(sites, 1000, func() {}) })
		if len(want) < 10 {
			t.Fatalf("%s: %d rows tell nothing", what, len(want))
		}
		for _, limit := range []int{1, 2, 3, 7, len(want) - 1, len(want), len(want) + 1} {
			got := slices.DeleteFunc(read(asked, limit, between), func(row string) bool { return strings.Contains(row, "new-") })
			if !slices.IsSorted(got) {
				t.Errorf("%s in pages of %d: not in the order of the list: %v", what, limit, got)
			}
			wantEqual(t, fmt.Sprintf("%s in pages of %d", what, limit), got, slices.DeleteFunc(slices.Clone(want), func(row string) bool { return strings.Contains(row, "new-") }))
			if strings.Contains(fmt.Sprint(got), foreign) {
				t.Errorf("%s: of a site that was not asked for: %v", what, got)
			}
		}
	}
	// A row is told in a form that sorts as the list does.
	newest := func(at time.Time) string {
		if at.IsZero() {
			return "none, which is last"
		}
		return fmt.Sprintf("%020d", storage.MaxTime.Unix()-at.Unix())
	}
	for name, f := range map[string]storage.ComparisonFilter{
		"all": {}, "a class": {Classes: []int{2}}, "classes": {Classes: []int{1, 3}}, "metrics": {Metrics: []int{1, 2}}, "a period": {IncisionFrom: after(3), IncisionBefore: after(17)},
	} {
		check("comparisons, "+name, func(sites []string, limit int, between func()) (rows []string) {
			for _, c := range pages(t, limit, func(token string, limit int) ([]storage.CaseComparison, string, error) {
				return s.Comparisons(ctx, sites, f, token, limit)
			}, between) {
				rows = append(rows, fmt.Sprintf("%s %s %d %s", newest(c.IncisionTime), c.CaseUID, c.Comparison.Order, c.Site))
			}
			return rows
		})
	}
	for name, f := range map[string]storage.FactsFilter{
		"all": {}, "a group": {Groups: []storage.Group{{Kind: technique, Word: "1"}}}, "groups": {Groups: []storage.Group{{Kind: technique, Word: "0"}, {Kind: technique, Word: "1"}}},
	} {
		check("facts, "+name, func(sites []string, limit int, between func()) (rows []string) {
			for _, c := range pages(t, limit, func(token string, limit int) ([]storage.CaseFacts, string, error) {
				return s.Facts(ctx, sites, f, token, limit)
			}, between) {
				rows = append(rows, fmt.Sprintf("%s %s %s", newest(c.IncisionTime), c.CaseUID, c.Site))
			}
			return rows
		})
	}
	check("cases", func(sites []string, limit int, between func()) (rows []string) {
		for _, c := range pages(t, limit, func(token string, limit int) ([]storage.CaseRow, string, error) {
			return s.Cases(ctx, sites, storage.CaseFilter{}, token, limit)
		}, between) {
			rows = append(rows, fmt.Sprintf("%s %s %s", newest(c.ChangedTime), c.UID, c.Site))
		}
		return rows
	})
	for name, f := range map[string]storage.AccessFilter{"all": {}, "a caller": {Caller: "caller 1"}} {
		last := must(s.AccessHead(ctx)).Number
		check("accesses, "+name, func(sites []string, limit int, between func()) (rows []string) {
			for _, a := range pages(t, limit, func(token string, limit int) ([]storage.Access, string, error) {
				return s.Accesses(ctx, sites, f, token, limit)
			}, between) {
				row := fmt.Sprintf("%020d %s", 1_000_000-a.Number, a.Site)
				if a.Number > last {
					row += " new-"
				}
				rows = append(rows, row)
			}
			return rows
		})
	}

	// No site has no rows.
	if rows, token, err := s.Comparisons(ctx, nil, storage.ComparisonFilter{}, "", 10); err != nil || len(rows) > 0 || token != "" {
		t.Errorf("comparisons of no site: %v, %q, %v", rows, token, err)
	}
	// A token is a place in the order that all sites share.
	_, token, err := s.Facts(ctx, asked[:1], storage.FactsFilter{}, "", 3)
	if err != nil {
		t.Fatal(err)
	}
	of, _, err := s.Facts(ctx, asked[:1], storage.FactsFilter{}, "", 1000)
	if err != nil {
		t.Fatal(err)
	}
	there, _, err := s.Facts(ctx, asked, storage.FactsFilter{}, token, 1000)
	if err != nil {
		t.Fatal(err)
	}
	there = slices.DeleteFunc(there, func(c storage.CaseFacts) bool { return c.Site != asked[0] })
	if len(there) != len(of)-3 {
		t.Errorf("%d facts behind 3 of %d", len(there), len(of))
	}
}
