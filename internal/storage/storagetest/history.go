package storagetest

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"trigone/internal/storage"
)

// revise writes a case of so many revisions of the plan and a result, each with its
// evaluation.
func revise(t *testing.T, s storage.Store, uid string, revisions int, pick func(n int) (plan bool, planRevision int64, outcome bool)) {
	t.Helper()
	w := plain(uid)
	last := map[string]int64{}
	for n := 1; n <= revisions; n++ {
		isPlan, planRevision, outcome := pick(n)
		section := "result/exit"
		if isPlan {
			section = "plan"
		}
		last[section]++
		w.Revisions = []storage.Revision{revision(section, last[section], fmt.Sprint(section, " ", n)), revision("advice/"+fmt.Sprint(n%3), int64(n), "asked")}
		w.Case.Evaluation = int64(n)
		w.Evaluation = evaluation(int64(n))
		w.Evaluation.PlanRevision, w.Evaluation.OutcomeSeen = planRevision, outcome
		mustAppend(t, s, w)
		w = next(t, s, uid)
	}
}

// What is read of a history by its keys is what the whole of it says.
func histories(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	draw := rand.New(rand.NewPCG(1, 2))
	const revisions, plans = 60, 4
	revise(t, s, "a", revisions, func(n int) (bool, int64, bool) {
		return n <= 5, draw.Int64N(plans), draw.IntN(4) == 0
	})
	all := must(s.Revisions(ctx, site, "a"))
	wantEqual(t, "revisions written", len(all), 2*revisions)

	ranges := []storage.RevisionRange{
		{Section: "result/exit", From: 7, To: 7}, {Section: "plan", From: 2, To: 4}, {Section: "plan", From: 9, To: 12}, {Section: "nowhere", From: 1, To: 1},
		{Section: "result/exit", From: 1, To: 1},
	}
	var want []storage.Revision
	for _, r := range all {
		if slices.ContainsFunc(ranges, func(k storage.RevisionRange) bool {
			return k.Section == r.Section && k.From <= r.Revision && r.Revision <= k.To
		}) {
			want = append(want, r)
		}
	}
	wantEqual(t, "how many lie in the ranges", len(want), 5)
	wantEqual(t, "revisions in ranges", must(s.RevisionsIn(ctx, site, "a", ranges)), want)
	wantEqual(t, "revisions in no range", len(must(s.RevisionsIn(ctx, site, "a", nil))), 0)
	wantEqual(t, "of no case", len(must(s.RevisionsIn(ctx, site, "b", ranges))), 0)

	for _, section := range []string{"", "plan", "advice/1", "nowhere"} {
		want := slices.DeleteFunc(slices.Clone(all), func(r storage.Revision) bool { return section != "" && r.Section != section })
		for _, size := range []int{1, 7, 2 * revisions} {
			var got []storage.Revision
			for after, pages := "", 0; pages == 0 || after != ""; pages++ {
				page, next, err := s.RevisionPage(ctx, site, "a", section, after, size)
				if err != nil || len(page) > size || (len(page) == 0 && next != "") {
					t.Fatalf("a page of %d of %q: %d, %v", size, section, len(page), err)
				}
				got, after = append(got, page...), next
			}
			wantEqual(t, fmt.Sprintf("pages of %d of %q", size, section), len(got), len(want))
			if len(got) > 0 {
				wantEqual(t, fmt.Sprintf("pages of %d of %q", size, section), got, want)
			}
		}
	}
	_, _, err := s.RevisionPage(ctx, site, "a", "", "", 0)
	wantError(t, "a page of none", err, nil)
	_, _, err = s.RevisionPage(ctx, site, "a", "", "of another list", 1)
	wantError(t, "a foreign token", err, nil)

	headers := must(s.EvaluationHeaders(ctx, site, "a"))
	for _, span := range [][2]int64{{0, -1}, {1, 1}, {1, 3}, {0, 3}, {3, 9}, {9, 9}} {
		for _, newest := range []int64{1, 8, 31, revisions} { // before the newest: others wrote meanwhile
			wantEqual(t, fmt.Sprintf("evaluations up to %d that count for plans %d", newest, span),
				must(s.EvaluationsThatCount(ctx, site, "a", newest, span[0], span[1])), thatCount(headers[:newest], span[0], span[1]))
		}
	}
	wantEqual(t, "evaluations of no case", len(must(s.EvaluationsThatCount(ctx, site, "b", 1, 1, 3))), 0)
	mustAppend(t, s, plain("bare"))
	wantEqual(t, "evaluations where there is none", len(must(s.EvaluationsThatCount(ctx, site, "bare", 0, 1, 3))), 0)
}

// thatCount is EvaluationsThatCount by looking at every one.
func thatCount(headers []storage.EvaluationHeader, from, to int64) []storage.EvaluationHeader {
	counts := map[int64]bool{headers[len(headers)-1].Number: true}
	if i := slices.IndexFunc(headers, func(e storage.EvaluationHeader) bool { return e.OutcomeSeen }); i >= 0 {
		counts[headers[i].Number] = true
	}
	for plan := from; plan <= to; plan++ {
		for _, outcome := range []bool{false, true} {
			var of []int64
			for _, e := range headers {
				if e.PlanRevision == plan && e.OutcomeSeen == outcome {
					of = append(of, e.Number)
				}
			}
			if len(of) > 0 {
				counts[of[0]], counts[of[len(of)-1]] = true, true
			}
		}
	}
	return slices.DeleteFunc(slices.Clone(headers), func(e storage.EvaluationHeader) bool { return !counts[e.Number] })
}

// TouchedByHistory holds the cost of reading a case against the length of its
// history: of 1,000 revisions a read touches at most twice what it does of 10. place
// is that of Touched.
func TouchedByHistory(t *testing.T, place func(t *testing.T) (s storage.Store, touched func(read func()) int)) {
	short, long := "short", "long"
	s, touched := place(t)
	must(s.DeclareProjections(t.Context(), program))
	for uid, revisions := range map[string]int{short: 10, long: 1000} {
		revise(t, s, uid, revisions, func(n int) (bool, int64, bool) { return n == 1, 1, n > 4 })
	}
	for name, read := range map[string]func(uid string, c storage.Case){
		"the case": func(uid string, _ storage.Case) { must(s.Case(t.Context(), site, uid)) },
		"heads": func(uid string, c storage.Case) {
			list := must(s.RevisionsIn(t.Context(), site, uid, []storage.RevisionRange{
				{Section: "plan", From: 1, To: 1}, {Section: "result/exit", From: c.Version - 1, To: c.Version - 1}, {Section: "advice/0", From: 9, To: 9},
			}))
			wantEqual(t, "heads", len(list), 3)
		},
		"evaluations that count": func(uid string, c storage.Case) {
			wantEqual(t, "evaluations", len(must(s.EvaluationsThatCount(t.Context(), site, uid, c.Evaluation, 1, 1))), 4)
		},
		"the newest answer":       func(uid string, c storage.Case) { must(s.Answer(t.Context(), site, uid, c.Evaluation)) },
		"a page of revisions":     func(uid string, _ storage.Case) { page(t, s, uid, "", "") },
		"a page of one section":   func(uid string, _ storage.Case) { page(t, s, uid, "result/exit", "") },
		"a later page":            func(uid string, _ storage.Case) { page(t, s, uid, "", page(t, s, uid, "", "")) },
		"a later page of section": func(uid string, _ storage.Case) { page(t, s, uid, "result/exit", page(t, s, uid, "result/exit", "")) },
	} {
		var cost [2]int
		for i, uid := range []string{short, long} {
			c := must(s.Case(t.Context(), site, uid))
			read(uid, c) // statements and schema are read once
			cost[i] = touched(func() { read(uid, c) })
		}
		t.Logf("%-25s %5d of 10 revisions, %5d of 1,000", name, cost[0], cost[1])
		if cost[0] < 1 || cost[1] > 2*cost[0] {
			t.Errorf("%s touches %d of 10 revisions and %d of 1,000: want at most twice", name, cost[0], cost[1])
		}
	}
}

const pageOfRevisions = 4

func page(t *testing.T, s storage.Store, uid, section, after string) string {
	t.Helper()
	list, next, err := s.RevisionPage(t.Context(), site, uid, section, after, pageOfRevisions)
	if err != nil || len(list) != pageOfRevisions {
		t.Fatalf("%d revisions of %s: %v", len(list), uid, err)
	}
	return next
}
