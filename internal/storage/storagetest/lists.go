package storagetest

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"trigone/internal/storage"
)

// pages reads a listing to its end; between runs after each of the first pages.
func pages[T any](t *testing.T, limit int, read func(after string, limit int) ([]T, string, error), between func()) []T {
	t.Helper()
	var all []T
	token := ""
	for n := range 1000 {
		page, following, err := read(token, limit)
		if err != nil {
			t.Fatalf("after %d rows: %v", len(all), err)
		}
		if len(page) > limit || (following != "" && len(page) < limit) {
			t.Fatalf("a page of at most %d has %d rows and the token %q", limit, len(page), following)
		}
		all = append(all, page...)
		if following == "" {
			return all
		}
		token = following
		if n < 4 {
			between()
		}
	}
	t.Fatal("the listing does not end")
	return nil
}

func pagesOfCases(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	// Several cases share a changed time; uids are not in that order.
	var want []string
	for i := range 23 {
		w := plain(fmt.Sprintf("case-%02d", (i*7)%23))
		w.Case.ChangedTime = after(-(i / 4))
		w.Case.State = []string{storage.CaseActive, storage.CaseActive, storage.CaseRetracted, storage.CaseMerged}[i%4]
		mustAppend(t, s, w)
	}
	everyCase, _, err := s.Cases(ctx, []string{site}, storage.CaseFilter{}, "", 1000)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.IsSortedFunc(everyCase, func(a, b storage.CaseRow) int {
		return cmp.Or(b.ChangedTime.Compare(a.ChangedTime), strings.Compare(a.UID, b.UID))
	}) {
		t.Errorf("not by changed time, newest first, then uid: %v", uidsOf(everyCase))
	}
	for _, state := range []string{"", storage.CaseActive, storage.CaseRetracted, storage.CaseMerged} {
		want = nil
		for _, r := range everyCase {
			if state == "" || r.State == state {
				want = append(want, r.UID)
			}
		}
		for _, limit := range []int{1, 2, 3, 7, 22, 23, 24} {
			n := 0
			rows := pages(t, limit, func(token string, limit int) ([]storage.CaseRow, string, error) {
				return s.Cases(ctx, []string{site}, storage.CaseFilter{State: state}, token, limit)
			}, func() {
				// A case that comes in between is newest and stands before every page.
				n++
				w := plain(fmt.Sprintf("new-%s-%d-%d", state, limit, n))
				w.Case.ChangedTime = after(1000)
				mustAppend(t, s, w)
			})
			got := slices.DeleteFunc(uidsOf(rows), func(uid string) bool { return strings.HasPrefix(uid, "new-") })
			wantEqual(t, fmt.Sprintf("pages of %d in state %q", limit, state), got, want)
		}
	}
	// One number may have been that of several cases, one of which is active at most.
	number := storage.Identifier{System: "urn:harbour:case", Value: "seven"}
	for uid, state := range map[string]string{"stands": storage.CaseActive, "was": storage.CaseRetracted, "was too": storage.CaseRetracted} {
		w := plain(uid)
		w.Case.State, w.Case.ExternalIdentifier = state, number
		mustAppend(t, s, w)
	}
	for state, want := range map[string]int{"": 3, storage.CaseRetracted: 2, storage.CaseActive: 1, storage.CaseMerged: 0} {
		rows, _, err := s.Cases(ctx, []string{site}, storage.CaseFilter{State: state, ExternalIdentifier: number}, "", 10)
		if err != nil || len(rows) != want {
			t.Errorf("cases of a number, in state %q: %v, %v", state, uidsOf(rows), err)
		}
	}
	_, _, err = s.Cases(ctx, []string{site}, storage.CaseFilter{}, "no token", 10)
	wantError(t, "a foreign token", err, nil)
	_, _, err = s.Cases(ctx, []string{site}, storage.CaseFilter{}, "", 0)
	wantError(t, "no limit", err, nil)
	_, err = s.Changes(ctx, site, 0, 0)
	wantError(t, "no limit of changes", err, nil)
}

func pagesOfComparisons(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	add := func(uid string, incision time.Time, orders ...int64) {
		w := plain(uid)
		w.Case.IncisionTime = incision
		for _, order := range orders {
			w.Projected[0].Rows.Comparisons = append(w.Projected[0].Rows.Comparisons, storage.Comparison{
				ID: fmt.Sprintf("%s/%d", uid, order), Order: order, Class: 1 + int(order)%3, Verdict: storage.ComparisonPresent, Metric: int(order) % 4,
			})
		}
		w.Projected[0].Rows.Facts = &storage.Facts{Version: 1, Message: []byte(uid)}
		w.Projected[0].Rows.Groups = []storage.Group{{Kind: technique, Word: "one"}, {Kind: technique, Word: "other"}}
		mustAppend(t, s, w)
	}
	// In the order wanted; uids by their bytes, the epoch is a time like any other.
	wanted := []struct {
		uid      string
		incision time.Time
	}{
		{"b", storage.MaxTime}, {"z", after(9)}, {"A", after(8)}, {"a", after(8)}, {"é", after(8)}, {"y", time.Unix(0, 0).UTC()},
		{"x", time.Unix(-1, 0).UTC()}, {"c", storage.MinTime}, {"B", time.Time{}}, {"d", time.Time{}},
	}
	for _, i := range []int{5, 2, 8, 7, 0, 6, 3, 9, 1, 4} {
		add(wanted[i].uid, wanted[i].incision, 12, 3, 0)
	}
	var want, uids []string
	for _, w := range wanted {
		uids = append(uids, w.uid)
		want = append(want, w.uid+"/0", w.uid+"/3", w.uid+"/12")
	}
	for name, f := range map[string]storage.ComparisonFilter{
		"every case": {}, "a class": {Classes: []int{1}}, "classes": {Classes: []int{1, 2, 3}}, "a verdict": {Verdicts: []int{storage.ComparisonPresent}},
	} {
		for _, limit := range []int{1, 2, 3, 7, len(want) - 1, len(want), len(want) + 1} {
			n := 0
			rows := pages(t, limit, func(token string, limit int) ([]storage.CaseComparison, string, error) {
				return s.Comparisons(ctx, []string{site}, f, token, limit)
			}, func() {
				n++
				add(fmt.Sprintf("new-%s-%d-%d", name, limit, n), after(limit-n), 1, 2)
			})
			var got []string
			for _, r := range rows {
				if !strings.HasPrefix(r.CaseUID, "new-") {
					got = append(got, r.Comparison.ID)
				}
			}
			wantEqual(t, fmt.Sprintf("pages of %d of %s", limit, name), got, want)
		}
	}
	rows := pages(t, 2, func(token string, limit int) ([]storage.CaseComparison, string, error) {
		return s.Comparisons(ctx, []string{site}, storage.ComparisonFilter{Metrics: []int{3, 0}}, token, limit)
	}, func() {})
	rows = slices.DeleteFunc(rows, func(r storage.CaseComparison) bool { return strings.HasPrefix(r.CaseUID, "new-") })
	wantEqual(t, "no metric and one", len(rows), len(want))
	rows = pages(t, 2, func(token string, limit int) ([]storage.CaseComparison, string, error) {
		return s.Comparisons(ctx, []string{site}, storage.ComparisonFilter{Metrics: []int{3}}, token, limit)
	}, func() {})
	wantEqual(t, "a metric", len(rows), len(uids))
	for limit := 1; limit <= len(uids)+1; limit++ {
		list := pages(t, limit, func(token string, limit int) ([]storage.CaseFacts, string, error) {
			return s.Facts(ctx, []string{site}, storage.FactsFilter{Groups: []storage.Group{{Kind: technique, Word: "other"}, {Kind: technique, Word: "one"}}}, token, limit)
		}, func() {})
		var got []string
		for _, f := range list {
			if !strings.HasPrefix(f.CaseUID, "new-") {
				got = append(got, string(f.Facts.Message))
			}
		}
		wantEqual(t, fmt.Sprintf("facts by pages of %d", limit), got, uids)
	}

	// The case a page ended in is retracted before the next: the rest comes.
	first, token, err := s.Comparisons(ctx, []string{site}, storage.ComparisonFilter{}, "", 4)
	if err != nil {
		t.Fatal(err)
	}
	w := next(t, s, first[3].CaseUID)
	w.Case.State = storage.CaseRetracted
	mustAppend(t, s, w)
	second, _, err := s.Comparisons(ctx, []string{site}, storage.ComparisonFilter{}, token, 1)
	if err != nil {
		t.Fatal(err)
	}
	if len(second) != 1 || second[0].CaseUID == first[3].CaseUID || second[0].CaseUID == first[0].CaseUID {
		t.Errorf("after the retraction of %s the next page has %+v", first[3].CaseUID, second)
	}
	for _, token := range []string{"no token", "3:", "3:4:", "3:x:uid", ":"} {
		_, _, err = s.Comparisons(ctx, []string{site}, storage.ComparisonFilter{}, token, 10)
		wantError(t, "the foreign token "+token, err, nil)
		_, _, err = s.Facts(ctx, []string{site}, storage.FactsFilter{}, token, 10)
		wantError(t, "the foreign token "+token, err, nil)
	}
	_, _, err = s.Comparisons(ctx, []string{site}, storage.ComparisonFilter{}, "", 0)
	wantError(t, "no limit", err, nil)
	_, _, err = s.Facts(ctx, []string{site}, storage.FactsFilter{}, "", 0)
	wantError(t, "no limit", err, nil)
}

// record is the naive reference: what was written last of each case.
type record struct {
	c        storage.Case
	findings []storage.Finding
	rows     storage.Rows
}

func (r *record) matches(uid string, from, before time.Time, timings []string) bool {
	incision := r.c.IncisionTime
	switch {
	case uid != "" && r.c.UID != uid:
		return false
	case incision.IsZero() && (!from.IsZero() || !before.IsZero()):
		return false
	case !from.IsZero() && incision.Before(from):
		return false
	case !before.IsZero() && !incision.Before(before):
		return false
	}
	return len(timings) == 0 || slices.Contains(timings, r.c.PlanTiming)
}

func either[T comparable](list []T, v T) bool { return len(list) == 0 || slices.Contains(list, v) }

func selects(f storage.ComparisonFilter, c storage.Comparison) bool {
	return either(f.Kinds, c.Kind) && either(f.Classes, c.Class) && either(f.Metrics, c.Metric) && either(f.Places, c.Place) && either(f.Verdicts, c.Verdict) &&
		(c.Root || !f.RootsOnly) && (c.Class != 0 || !f.DiscrepanciesOnly)
}

func isPresent(c storage.Comparison) bool { return c.Verdict == storage.ComparisonPresent }

// byListing is the order of lists.
func byListing(incisionA, incisionB time.Time, uidA, uidB string) int {
	switch {
	case incisionA.IsZero() != incisionB.IsZero():
		if incisionA.IsZero() {
			return 1
		}
		return -1
	case !incisionA.Equal(incisionB):
		return incisionB.Compare(incisionA)
	}
	return strings.Compare(uidA, uidB)
}

func (r *record) operated() bool {
	return slices.ContainsFunc(r.c.Sections, func(s storage.Section) bool {
		return s.Section == storage.OperationSection && s.State != storage.SectionRetracted
	})
}

// counts says whether a case counts as an operation of its patient.
func (r *record) counts() bool {
	return r.c.State == storage.CaseActive && r.operated() && !r.c.IncisionTime.IsZero()
}

// earlier counts the operations of the same patient before this one.
func (r *record) earlier(records map[string]*record) (n int) {
	for _, o := range records {
		if r.counts() && o.counts() && o.c.Patient.Value != "" && o.c.Patient == r.c.Patient &&
			cmp.Or(o.c.IncisionTime.Compare(r.c.IncisionTime), strings.Compare(o.c.UID, r.c.UID)) < 0 {
			n++
		}
	}
	return n
}

// wantTallies reads tallies and holds them against the records.
func wantTallies(t *testing.T, s storage.Store, f storage.TallyFilter, records map[string]*record) {
	t.Helper()
	var want []storage.Tally
	var counts storage.TallyCounts
	patients := map[string]storage.Identifier{}
	for _, r := range records {
		if r.c.State == storage.CaseActive && r.operated() && r.c.IncisionTime.IsZero() {
			counts.Undated = append(counts.Undated, r.c.UID)
		}
		switch {
		case r.c.IncisionTime.IsZero() || !r.matches("", f.IncisionFrom, f.IncisionBefore, nil) || !r.inGroups(f.Groups):
		case r.c.State == storage.CaseRetracted:
			counts.RetractedCases++
		case r.counts():
			want = append(want, storage.Tally{UID: r.c.UID, IncisionTime: r.c.IncisionTime, PlanTiming: r.c.PlanTiming, Later: r.earlier(records) > 0, Short: r.rows.Short})
			patients[r.c.UID] = r.c.Patient
		}
	}
	slices.Sort(counts.Undated)
	slices.SortFunc(want, func(a, b storage.Tally) int {
		return cmp.Or(a.IncisionTime.Compare(b.IncisionTime), strings.Compare(a.UID, b.UID))
	})
	var got []storage.Tally
	numbers := map[storage.Identifier]int64{}
	n, err := s.Tallies(t.Context(), site, f, func(c storage.Tally) error {
		p := patients[c.UID]
		if known, ok := numbers[p]; ok && p.Value != "" && known != c.Patient || c.Later && c.Patient == 0 || p.Value == "" && c.Patient != 0 {
			t.Errorf("case %s of patient %v has number %d, another of his has %d", c.UID, p, c.Patient, known)
		}
		numbers[p] = c.Patient
		c.Patient = 0
		got = append(got, c)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	counts.LastChange = n.LastChange
	wantEqual(t, fmt.Sprintf("tallies of %+v", f), got, want)
	wantEqual(t, fmt.Sprintf("counts of tallies of %+v", f), n, counts)
}

// casePairs is a case with its pairs in order.
type casePairs struct {
	c     storage.PairCase
	pairs []storage.PairRow
}

// wantPairs reads pairs and holds them against the records.
func wantPairs(t *testing.T, s storage.Store, f storage.PairFilter, records map[string]*record) {
	t.Helper()
	var want []casePairs
	var counts storage.PairCounts
	for _, r := range records {
		if !r.matches("", f.IncisionFrom, f.IncisionBefore, nil) || !r.inGroups(f.Groups) {
			continue
		}
		if r.c.State == storage.CaseRetracted {
			counts.RetractedCases++
		}
		if r.c.State != storage.CaseActive || !r.operated() {
			continue
		}
		p := casePairs{c: storage.PairCase{UID: r.c.UID, IncisionTime: r.c.IncisionTime, PlanTiming: r.c.PlanTiming, Later: r.earlier(records) > 0}}
		for _, g := range r.rows.Groups {
			if slices.Contains(f.WordKinds, g.Kind) && !slices.Contains(p.c.Words, g) {
				p.c.Words = append(p.c.Words, g)
			}
		}
		slices.SortFunc(p.c.Words, func(a, b storage.Group) int { return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Word, b.Word)) })
		for _, c := range r.rows.Comparisons {
			if either(f.Kinds, c.Kind) && either(f.Metrics, c.Metric) && (c.Planned != nil || c.Actual != nil || c.Lower != nil || c.Upper != nil) {
				p.pairs = append(p.pairs, storage.PairRow{
					Kind: c.Kind, Metric: c.Metric, Order: c.Order, Place: c.Place, Run: c.Run, Stage: c.Stage, Verdict: c.Verdict,
					Planned: c.Planned, Actual: c.Actual, Lower: c.Lower, Upper: c.Upper, Tolerance: c.Tolerance,
					PredictionFormula: c.PredictionFormula, Calibration: c.Calibration, Uncalibrated: c.Uncalibrated,
				})
			}
		}
		slices.SortFunc(p.pairs, func(a, b storage.PairRow) int {
			return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Metric, b.Metric), cmp.Compare(a.Order, b.Order))
		})
		want = append(want, p)
	}
	slices.SortFunc(want, func(a, b casePairs) int { return byListing(a.c.IncisionTime, b.c.IncisionTime, a.c.UID, b.c.UID) })

	var got []casePairs
	at := map[int64]int{}
	last := storage.PairRow{Kind: -1}
	n, err := s.Pairs(t.Context(), site, f, func(c storage.PairCase) error {
		at[c.Number] = len(got)
		c.Number = 0
		got = append(got, casePairs{c: c})
		return nil
	}, func(p storage.PairRow) error {
		if cmp.Or(cmp.Compare(p.Kind, last.Kind), cmp.Compare(p.Metric, last.Metric), cmp.Compare(p.Case, last.Case), cmp.Compare(p.Order, last.Order)) <= 0 {
			t.Errorf("%+v after %+v", p, last)
		}
		last = p
		i, ok := at[p.Case]
		if !ok {
			t.Fatalf("a pair of a case that was not told: %+v", p)
		}
		p.Case = 0
		got[i].pairs = append(got[i].pairs, p)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	counts.LastChange = n.LastChange
	wantEqual(t, fmt.Sprintf("pairs of %+v", f), got, want)
	wantEqual(t, fmt.Sprintf("counts of pairs of %+v", f), n, counts)
}

// expected gives the list and the counts as the interface's comments have them.
func expected(records map[string]*record, f storage.ComparisonFilter) (list []storage.CaseComparison, n storage.ComparisonCounts) {
	for _, r := range records {
		if !r.matches(f.CaseUID, f.IncisionFrom, f.IncisionBefore, f.PlanTimings) || !r.inGroups(f.Groups) || r.c.State == storage.CaseMerged {
			continue
		}
		if r.c.State == storage.CaseRetracted {
			n.RetractedCases++
			continue
		}
		operated := false
		for _, s := range r.c.Sections {
			if s.State == storage.SectionRetracted {
				n.RetractedSections++
			} else if s.Section == storage.OperationSection {
				operated = true
			}
		}
		if operated {
			n.OperatedCases++
			if r.c.PlanTiming == storage.TimingProspective || r.c.PlanTiming == storage.TimingLateArrival {
				n.PlannedCases++
				if slices.ContainsFunc(r.rows.Comparisons, func(c storage.Comparison) bool {
					return isPresent(c) && (c.Class != 0 || !f.DiscrepanciesOnly)
				}) {
					n.DifferingCases++
				}
			}
		}
		if slices.ContainsFunc(r.rows.Comparisons, func(c storage.Comparison) bool { return !c.Complete }) {
			n.IncompleteCases++
		}
		things := r.rows.Counts
		n.Things += things.Things
		n.ThingsAsPlanned += things.ThingsAsPlanned
		n.ThingsOtherwise += things.ThingsOtherwise
		n.ThingsCannotBeTold += things.ThingsCannotBeTold
		n.ThingsNotEvaluable += things.ThingsNotEvaluable
		n.ThingsNotApplicable += things.ThingsNotApplicable
		for _, c := range r.rows.Comparisons {
			if !selects(f, c) {
				continue
			}
			list = append(list, storage.CaseComparison{
				Site: site, CaseUID: r.c.UID, ExternalIdentifier: r.c.ExternalIdentifier, IncisionTime: r.c.IncisionTime, PlanTiming: r.c.PlanTiming, Comparison: c,
			})
			switch c.Verdict {
			case storage.ComparisonPresent:
				n.Differing++
				if c.Root {
					n.Roots++
				}
			case storage.ComparisonIndeterminate:
				n.Indeterminate++
			case storage.ComparisonNotEvaluable:
				n.NotEvaluable++
			case storage.ComparisonAgrees:
				n.Agreeing++
			case storage.ComparisonNotApplicable:
				n.NotApplicable++
			}
		}
	}
	slices.SortFunc(list, func(a, b storage.CaseComparison) int {
		return cmp.Or(byListing(a.IncisionTime, b.IncisionTime, a.CaseUID, b.CaseUID), cmp.Compare(a.Comparison.Order, b.Comparison.Order))
	})
	return list, n
}

// expectedFacts does so for facts.
func (r *record) inGroups(groups []storage.Group) bool {
	kinds, held := map[int]bool{}, map[int]bool{}
	for _, g := range groups {
		kinds[g.Kind] = true
		if slices.Contains(r.rows.Groups, g) {
			held[g.Kind] = true
		}
	}
	return len(held) == len(kinds)
}

func expectedFacts(records map[string]*record, f storage.FactsFilter) (list []storage.CaseFacts) {
	for _, r := range records {
		if r.rows.Facts == nil || r.c.State != storage.CaseActive || !r.matches(f.CaseUID, f.IncisionFrom, f.IncisionBefore, f.PlanTimings) {
			continue
		}
		if !r.inGroups(f.Groups) {
			continue
		}
		list = append(list, storage.CaseFacts{
			Site: site, CaseUID: r.c.UID, ExternalIdentifier: r.c.ExternalIdentifier, IncisionTime: r.c.IncisionTime, PlanTiming: r.c.PlanTiming,
			Facts: *r.rows.Facts, Children: r.rows.Children,
		})
	}
	slices.SortFunc(list, func(a, b storage.CaseFacts) int {
		return byListing(a.IncisionTime, b.IncisionTime, a.CaseUID, b.CaseUID)
	})
	return list
}

// uidOf gives uids of two forms: a UUID, and another.
func uidOf(n int) string {
	if n%3 > 0 {
		return fmt.Sprintf("0000000%x-00%02x-4000-8000-000000000000", n%2, n)
	}
	return fmt.Sprintf("case-%02d", n)
}

// listsAgainstReference compares lists and counts over random cases and random
// filters with the naive reference above.
func listsAgainstReference(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	random := rand.New(rand.NewPCG(31, 4))
	pick := func(words ...string) string { return words[random.IntN(len(words))] }
	some := func(words ...string) (list []string) {
		for _, w := range words {
			if random.IntN(3) == 0 {
				list = append(list, w)
			}
		}
		return list
	}
	// numbers draws from 0 to most, seldom any.
	numbers := func(from, most int) (list []int) {
		if random.IntN(3) > 0 {
			return nil
		}
		for n := from; n <= most; n++ {
			if random.IntN(3) == 0 {
				list = append(list, n)
			}
		}
		return list
	}
	instant := func() time.Time {
		if random.IntN(5) == 0 {
			return time.Time{}
		}
		return after(random.IntN(12))
	}
	timings := []string{storage.TimingProspective, storage.TimingLateArrival, storage.TimingNoIncisionTime, "unsigned", ""}
	group := func() storage.Group {
		return storage.Group{Kind: technique + random.IntN(2), Word: pick("one", "two", "three")}
	}

	number := func() *float64 {
		if random.IntN(2) == 0 {
			return nil
		}
		v := float64(random.IntN(50)) / 4
		return &v
	}

	records := map[string]*record{}
	for step := range 260 {
		uid := uidOf(random.IntN(60))
		r := records[uid]
		if r == nil {
			r = &record{c: storage.Case{UID: uid, Site: site, State: storage.CaseActive}}
			if random.IntN(4) > 0 {
				r.c.ExternalIdentifier = storage.Identifier{System: pick("", "s1", "s2"), Value: fmt.Sprint(step)}
			}
			records[uid] = r
		}
		r.c.Version++
		r.c.ChangedTime, r.c.IncisionTime, r.c.PlanTiming = after(random.IntN(30)), instant(), pick(timings...)
		r.c.State = pick(storage.CaseActive, storage.CaseActive, storage.CaseActive, storage.CaseRetracted, storage.CaseMerged)
		r.c.Patient = storage.Identifier{}
		if random.IntN(3) > 0 {
			r.c.Patient = storage.Identifier{System: pick("", "s1"), Value: fmt.Sprint("patient ", random.IntN(12))}
		}
		r.c.Sections = nil
		for i, section := range some(storage.IdentitySection, "plan", storage.OperationSection, storage.OperationSection, "result/1", "operation_note") {
			if slices.ContainsFunc(r.c.Sections, func(s storage.Section) bool { return s.Section == section }) {
				continue
			}
			r.c.Sections = append(r.c.Sections, storage.Section{
				Section: section, Head: 1, Order: int64(i), State: pick(storage.SectionAccepted, storage.SectionDisputed, storage.SectionRetracted),
			})
		}
		w := storage.Write{Expected: r.c.Version - 1, Projected: unchanged()}
		if r.c.Version == 1 || random.IntN(4) > 0 {
			r.findings, r.rows = nil, storage.Rows{Short: fmt.Append(nil, "short ", step)}
			r.c.Evaluation++
			for range random.IntN(4) {
				r.findings = append(r.findings, storage.Finding{ID: "f", Severity: pick(storage.SeverityContradiction, storage.SeverityCaution, storage.SeverityNote)})
			}
			complete := random.IntN(4) > 0
			for order := range random.IntN(9) {
				r.rows.Comparisons = append(r.rows.Comparisons, storage.Comparison{
					ID: fmt.Sprint(step, order), Kind: random.IntN(3), Class: random.IntN(4), Verdict: 1 + random.IntN(5), Metric: random.IntN(3), Place: pick("", "p1", "p2"),
					Root: random.IntN(2) == 0, Order: int64(order), Message: fmt.Append(nil, step, order), Complete: complete,
					Planned: number(), Actual: number(), Lower: number(), Upper: number(), Tolerance: number(), Run: random.IntN(3), Stage: random.IntN(3),
					PredictionFormula: random.IntN(3), Calibration: pick("", "one", "two"), Uncalibrated: number(),
				})
			}
			if random.IntN(4) > 0 {
				r.rows.Facts = &storage.Facts{Version: r.c.Version, Evaluation: r.c.Evaluation, Message: fmt.Append(nil, "facts ", step)}
			}
			for range random.IntN(4) {
				r.rows.Groups = append(r.rows.Groups, group())
			}
			for order := range random.IntN(3) {
				r.rows.Children = append(r.rows.Children, storage.Child{Kind: 1, Section: "operation", Order: int64(order), Message: fmt.Append(nil, step, order)})
			}
			r.rows.Counts = storage.Counts{Things: random.IntN(9), ThingsAsPlanned: 1, ThingsOtherwise: 2, ThingsCannotBeTold: 3, ThingsNotEvaluable: 4, ThingsNotApplicable: 5}
			w.Evaluation = evaluation(r.c.Evaluation)
			w.Findings, w.Projected = r.findings, nothing()
			w.Projected[0].Rows = r.rows
		}
		c := r.c
		w.Case = &c
		mustAppend(t, s, w)
	}

	counted := storage.ComparisonCounts{} // over all filters
	facts := 0
	questions := 600
	if testing.Short() {
		questions = 60
	}
	for range questions {
		f := storage.ComparisonFilter{
			Kinds: numbers(0, 2), Classes: numbers(0, 4), Metrics: numbers(0, 3), Verdicts: numbers(1, 5), RootsOnly: random.IntN(3) == 0, PlanTimings: some(timings...),
			DiscrepanciesOnly: random.IntN(3) == 0,
		}
		if random.IntN(3) == 0 {
			f.Places = some("", "p1", "p2", "p3")
		}
		if random.IntN(6) == 0 {
			f.CaseUID = uidOf(random.IntN(62))
		}
		if random.IntN(3) == 0 {
			f.IncisionFrom = instant()
		}
		if random.IntN(3) == 0 {
			f.IncisionBefore = instant()
		}
		if random.IntN(20) == 0 {
			f.IncisionFrom, f.IncisionBefore = storage.MinTime.AddDate(-300, 0, 0), storage.MaxTime.AddDate(300, 0, 0)
		}
		if random.IntN(3) == 0 {
			for range 1 + random.IntN(3) {
				f.Groups = append(f.Groups, group())
			}
		}
		list, n := expected(records, f)
		got := pages(t, 1+random.IntN(40), func(token string, limit int) ([]storage.CaseComparison, string, error) {
			return s.Comparisons(ctx, []string{site}, f, token, limit)
		}, func() {})
		wantEqual(t, fmt.Sprintf("list of %+v", f), got, list)
		wantEqual(t, fmt.Sprintf("counts of %+v", f), must(s.CountComparisons(ctx, site, f)), n)
		g := storage.FactsFilter{CaseUID: f.CaseUID, PlanTimings: f.PlanTimings, IncisionFrom: f.IncisionFrom, IncisionBefore: f.IncisionBefore}
		for range random.IntN(4) {
			g.Groups = append(g.Groups, group())
		}
		wantedFacts := expectedFacts(records, g)
		gotFacts := pages(t, 1+random.IntN(7), func(token string, limit int) ([]storage.CaseFacts, string, error) {
			return s.Facts(ctx, []string{site}, g, token, limit)
		}, func() {})
		wantEqual(t, fmt.Sprintf("facts of %+v", g), gotFacts, wantedFacts)
		p := storage.PairFilter{Kinds: f.Kinds, Metrics: f.Metrics, Groups: g.Groups, IncisionFrom: f.IncisionFrom, IncisionBefore: f.IncisionBefore, WordKinds: numbers(technique, technique+2)}
		wantPairs(t, s, p, records)
		wantTallies(t, s, storage.TallyFilter{Groups: g.Groups, IncisionFrom: f.IncisionFrom, IncisionBefore: f.IncisionBefore}, records)
		if t.Failed() {
			return
		}
		facts += len(gotFacts)
		sum, add := reflect.ValueOf(&counted).Elem(), reflect.ValueOf(n)
		for i := range sum.NumField() {
			sum.Field(i).SetInt(sum.Field(i).Int() + add.Field(i).Int())
		}
	}
	wantFull(t, counted)
	if counted.PlannedCases <= counted.DifferingCases || counted.OperatedCases <= counted.PlannedCases || facts == 0 {
		t.Errorf("the random cases tell the counts not apart: %+v, %d facts", counted, facts)
	}

	// The same cases, listed.
	for _, f := range []storage.CaseFilter{
		{}, {State: storage.CaseActive}, {DisputedOnly: true}, {State: storage.CaseRetracted, DisputedOnly: true},
		{AwaitingIncision: true}, {State: storage.CaseActive, AwaitingIncision: true},
	} {
		var want []storage.CaseRow
		for _, r := range records {
			row := storage.CaseRow{Case: r.c}
			for _, finding := range r.findings {
				switch finding.Severity {
				case storage.SeverityContradiction:
					row.Contradictions++
				case storage.SeverityCaution:
					row.Cautions++
				case storage.SeverityNote:
					row.Notes++
				}
			}
			for _, c := range r.rows.Comparisons {
				if isPresent(c) && c.Root {
					row.RootCount++
				}
			}
			if (f.State == "" || r.c.State == f.State) && (row.Contradictions > 0 || !f.DisputedOnly) && (r.c.PlanTiming == storage.TimingNoIncisionTime || !f.AwaitingIncision) {
				want = append(want, row)
			}
		}
		slices.SortFunc(want, func(a, b storage.CaseRow) int {
			return cmp.Or(b.ChangedTime.Compare(a.ChangedTime), strings.Compare(a.UID, b.UID))
		})
		got := pages(t, 4, func(token string, limit int) ([]storage.CaseRow, string, error) {
			return s.Cases(ctx, []string{site}, f, token, limit)
		}, func() {})
		wantEqual(t, fmt.Sprintf("cases of %+v", f), got, want)
	}
}

func openedAgain(t *testing.T, open func() storage.Store) {
	s := open()
	must(s.DeclareProjections(t.Context(), program))
	mustAppend(t, s, full("a"))
	mustAppend(t, s, full("b"))
	mustAppend(t, s, next(t, s, "b"))
	before := everything(t, s, "a", "b")
	secret := must(s.Secret(t.Context()))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = opened(t, open)
	wantEqual(t, "everything", everything(t, s, "a", "b"), before)
	wantEqual(t, "secret", must(s.Secret(t.Context())), secret)
	last := before["changes"].([]storage.Change)
	w := next(t, s, "a")
	w.Changes = []storage.Change{{Kind: "submitted", CaseUID: "a"}}
	mustAppend(t, s, w)
	newer := must(s.Changes(t.Context(), site, last[len(last)-1].Number, 10))
	wantEqual(t, "changes above the last one", len(newer), 1)
}

func closed(t *testing.T, open func() storage.Store) {
	s, ctx := open(), t.Context()
	must(s.DeclareProjections(ctx, program))
	mustAppend(t, s, full("a"))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Errorf("closed twice: %v", err)
	}
	wantError(t, "append", s.Append(ctx, site, full("b")), nil)
	_, err := s.Case(ctx, site, "a")
	wantError(t, "read", err, nil)
	wantError(t, "ping", s.Ping(ctx), nil)
}
