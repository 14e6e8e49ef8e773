package storagetest

import (
	"cmp"
	"fmt"
	"math/rand/v2"
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
	everyCase, _, err := s.Cases(ctx, site, storage.CaseFilter{}, "", 1000)
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
				return s.Cases(ctx, site, storage.CaseFilter{State: state}, token, limit)
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
	_, _, err = s.Cases(ctx, site, storage.CaseFilter{}, "no token", 10)
	wantError(t, "a foreign token", err, nil)
	_, _, err = s.Cases(ctx, site, storage.CaseFilter{}, "", 0)
	wantError(t, "no limit", err, nil)
	_, err = s.Changes(ctx, site, 0, 0)
	wantError(t, "no limit of changes", err, nil)
}

func pagesOfDiscrepancies(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	add := func(uid string, number storage.Identifier, orders ...int64) {
		w := plain(uid)
		w.Case.ExternalIdentifier, w.Case.Evaluation = number, 1
		w.Evaluation = &storage.Evaluation{Number: 1}
		for _, order := range orders {
			w.Discrepancies = append(w.Discrepancies, storage.Discrepancy{ID: fmt.Sprintf("%s/%d", uid, order), Order: order})
		}
		mustAppend(t, s, w)
	}
	// In the order wanted; upper case, accents and shorter numbers by their bytes.
	wanted := []struct {
		uid    string
		number storage.Identifier
	}{
		{"n-none", storage.Identifier{}},
		{"z-none", storage.Identifier{}},
		{"e", storage.Identifier{System: "urn:secret:a", Value: "10"}},
		{"d", storage.Identifier{System: "urn:secret:b", Value: "10"}},
		{"c", storage.Identifier{System: "urn:secret:a", Value: "9"}},
		{"b", storage.Identifier{System: "urn:secret:a", Value: "Z"}},
		{"a", storage.Identifier{System: "urn:secret:a", Value: "a"}},
		{"A", storage.Identifier{System: "urn:secret:a", Value: "é"}},
	}
	for _, i := range []int{5, 2, 7, 0, 6, 3, 1, 4} {
		add(wanted[i].uid, wanted[i].number, 12, 3, 0)
	}
	var want []string
	for _, w := range wanted {
		want = append(want, w.uid+"/0", w.uid+"/3", w.uid+"/12")
	}
	for limit := 1; limit <= len(want)+1; limit++ {
		n := 0
		rows := pages(t, limit, func(token string, limit int) ([]storage.CaseDiscrepancy, string, error) {
			for _, w := range wanted {
				if w.number.System != "" && strings.Contains(token, w.number.System) {
					t.Errorf("the token %q holds a system of case numbers", token)
				}
			}
			return s.Discrepancies(ctx, site, storage.DiscrepancyFilter{}, token, limit)
		}, func() {
			n++
			add(fmt.Sprintf("new-%d-%d", limit, n), storage.Identifier{Value: fmt.Sprintf("%d-%d", 80-limit, n)}, 1, 2)
		})
		var got []string
		for _, r := range rows {
			if !strings.HasPrefix(r.CaseUID, "new-") {
				got = append(got, r.Discrepancy.ID)
			}
		}
		wantEqual(t, fmt.Sprintf("pages of %d", limit), got, want)
	}
	// The case a page ended in is retracted before the next: the rest comes.
	first, token, err := s.Discrepancies(ctx, site, storage.DiscrepancyFilter{Classes: []string{""}}, "", 4)
	if err != nil {
		t.Fatal(err)
	}
	w := next(t, s, first[3].CaseUID)
	w.Case.State = storage.CaseRetracted
	mustAppend(t, s, w)
	second, _, err := s.Discrepancies(ctx, site, storage.DiscrepancyFilter{}, token, 1)
	if err != nil {
		t.Fatal(err)
	}
	if len(second) != 1 || second[0].CaseUID == first[3].CaseUID || second[0].CaseUID == first[0].CaseUID {
		t.Errorf("after the retraction of %s the next page has %+v", first[3].CaseUID, second)
	}
	for _, token := range []string{"no token", "3:no such case", ":"} {
		_, _, err = s.Discrepancies(ctx, site, storage.DiscrepancyFilter{}, token, 10)
		wantError(t, "the foreign token "+token, err, nil)
	}
	_, _, err = s.Discrepancies(ctx, site, storage.DiscrepancyFilter{}, "", 0)
	wantError(t, "no limit", err, nil)
}

// record is the naive reference: what was written last of each case.
type record struct {
	c             storage.Case
	findings      []storage.Finding
	discrepancies []storage.Discrepancy
}

func (r *record) matches(f storage.DiscrepancyFilter) bool {
	incision := r.c.IncisionTime
	switch {
	case f.CaseUID != "" && r.c.UID != f.CaseUID:
		return false
	case incision.IsZero() && (!f.IncisionFrom.IsZero() || !f.IncisionBefore.IsZero()):
		return false
	case !f.IncisionFrom.IsZero() && incision.Before(f.IncisionFrom):
		return false
	case !f.IncisionBefore.IsZero() && !incision.Before(f.IncisionBefore):
		return false
	}
	return len(f.PlanTimings) == 0 || slices.Contains(f.PlanTimings, r.c.PlanTiming)
}

func selects(f storage.DiscrepancyFilter, d storage.Discrepancy) bool {
	return (len(f.Classes) == 0 || slices.Contains(f.Classes, d.Class)) &&
		(len(f.Verdicts) == 0 || slices.Contains(f.Verdicts, d.Verdict)) && (d.Root || !f.RootsOnly)
}

func isPresent(d storage.Discrepancy) bool { return d.Verdict == storage.VerdictPresent }

// expected gives the list and the counts as the interface's comments have them.
func expected(records map[string]*record, f storage.DiscrepancyFilter) (list []storage.CaseDiscrepancy, n storage.DiscrepancyCounts) {
	for _, r := range records {
		if !r.matches(f) || r.c.State == storage.CaseMerged {
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
				if slices.ContainsFunc(r.discrepancies, isPresent) {
					n.DifferingCases++
				}
			}
		}
		for _, d := range r.discrepancies {
			if !selects(f, d) {
				continue
			}
			list = append(list, storage.CaseDiscrepancy{
				CaseUID: r.c.UID, ExternalIdentifier: r.c.ExternalIdentifier, IncisionTime: r.c.IncisionTime, PlanTiming: r.c.PlanTiming, Discrepancy: d,
			})
			switch {
			case isPresent(d) && d.Root:
				n.Roots++
			case d.Verdict == storage.VerdictIndeterminate:
				n.Indeterminate++
			case d.Verdict == storage.VerdictNotEvaluable:
				n.NotEvaluable++
			}
		}
	}
	slices.SortFunc(list, func(a, b storage.CaseDiscrepancy) int {
		return cmp.Or(
			strings.Compare(a.ExternalIdentifier.Value, b.ExternalIdentifier.Value), strings.Compare(a.ExternalIdentifier.System, b.ExternalIdentifier.System),
			strings.Compare(a.CaseUID, b.CaseUID), cmp.Compare(a.Discrepancy.Order, b.Discrepancy.Order))
	})
	return list, n
}

// discrepanciesAgainstReference compares lists and counts over random cases and
// random filters with the naive reference above.
func discrepanciesAgainstReference(t *testing.T, open func() storage.Store) {
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
	instant := func() time.Time {
		if random.IntN(5) == 0 {
			return time.Time{}
		}
		return after(random.IntN(12))
	}
	classes := []string{"step_omitted", "step_added", "ring_size", "conversion"}
	verdicts := []string{storage.VerdictPresent, storage.VerdictIndeterminate, storage.VerdictNotEvaluable}
	timings := []string{storage.TimingProspective, storage.TimingLateArrival, "retrospective", "unsigned", ""}

	records := map[string]*record{}
	for step := range 220 {
		uid := fmt.Sprintf("case-%02d", random.IntN(60))
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
		r.c.Sections = nil
		for i, section := range some(storage.IdentitySection, "plan", storage.OperationSection, storage.OperationSection, "result/1", "operation_note") {
			if slices.ContainsFunc(r.c.Sections, func(s storage.Section) bool { return s.Section == section }) {
				continue
			}
			r.c.Sections = append(r.c.Sections, storage.Section{
				Section: section, Head: 1, Order: int64(i), State: pick(storage.SectionAccepted, storage.SectionDisputed, storage.SectionRetracted),
			})
		}
		w := storage.Write{Expected: r.c.Version - 1}
		if random.IntN(4) > 0 {
			r.findings, r.discrepancies = nil, nil
			r.c.Evaluation++
			for range random.IntN(4) {
				r.findings = append(r.findings, storage.Finding{ID: "f", Severity: pick(storage.SeverityContradiction, storage.SeverityCaution, storage.SeverityNote)})
			}
			for order := range random.IntN(6) {
				r.discrepancies = append(r.discrepancies, storage.Discrepancy{
					ID: fmt.Sprint(step, order), Class: pick(classes...), Verdict: pick(verdicts...), Root: random.IntN(2) == 0, Order: int64(order), Row: fmt.Append(nil, step, order),
				})
			}
			w.Evaluation = &storage.Evaluation{Number: r.c.Evaluation}
			w.Findings, w.Discrepancies = r.findings, r.discrepancies
		}
		c := r.c
		w.Case = &c
		mustAppend(t, s, w)
	}

	counted := storage.DiscrepancyCounts{} // over all filters
	for range 400 {
		f := storage.DiscrepancyFilter{
			Classes: some(classes...), Verdicts: some(verdicts...), RootsOnly: random.IntN(3) == 0, PlanTimings: some(timings...),
		}
		if random.IntN(6) == 0 {
			f.CaseUID = fmt.Sprintf("case-%02d", random.IntN(62))
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
		list, n := expected(records, f)
		got := pages(t, 1+random.IntN(40), func(token string, limit int) ([]storage.CaseDiscrepancy, string, error) {
			return s.Discrepancies(ctx, site, f, token, limit)
		}, func() {})
		wantEqual(t, fmt.Sprintf("list of %+v", f), got, list)
		wantEqual(t, fmt.Sprintf("counts of %+v", f), must(s.CountDiscrepancies(ctx, site, f)), n)
		if t.Failed() {
			return
		}
		counted.OperatedCases += n.OperatedCases
		counted.PlannedCases += n.PlannedCases
		counted.DifferingCases += n.DifferingCases
		counted.Roots += n.Roots
		counted.Indeterminate += n.Indeterminate
		counted.NotEvaluable += n.NotEvaluable
		counted.RetractedCases += n.RetractedCases
		counted.RetractedSections += n.RetractedSections
	}
	if counted.PlannedCases <= counted.DifferingCases || counted.OperatedCases <= counted.PlannedCases || counted.DifferingCases == 0 ||
		counted.RetractedCases == 0 || counted.RetractedSections == 0 || counted.Roots == 0 || counted.Indeterminate == 0 || counted.NotEvaluable == 0 {
		t.Errorf("the random cases tell the counts not apart: %+v", counted)
	}

	// The same cases, listed.
	for _, f := range []storage.CaseFilter{
		{}, {State: storage.CaseActive}, {DisputedOnly: true}, {State: storage.CaseRetracted, DisputedOnly: true},
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
			for _, d := range r.discrepancies {
				if isPresent(d) && d.Root {
					row.RootCount++
				}
			}
			if (f.State == "" || r.c.State == f.State) && (row.Contradictions > 0 || !f.DisputedOnly) {
				want = append(want, row)
			}
		}
		slices.SortFunc(want, func(a, b storage.CaseRow) int {
			return cmp.Or(b.ChangedTime.Compare(a.ChangedTime), strings.Compare(a.UID, b.UID))
		})
		got := pages(t, 4, func(token string, limit int) ([]storage.CaseRow, string, error) {
			return s.Cases(ctx, site, f, token, limit)
		}, func() {})
		wantEqual(t, fmt.Sprintf("cases of %+v", f), got, want)
	}
}

func openedAgain(t *testing.T, open func() storage.Store) {
	s := open()
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
