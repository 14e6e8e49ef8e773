package storagetest

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"trigone/internal/storage"
)

// Kinds of groups that the suite numbers.
const (
	technique   = 1
	year        = 2
	differs     = 3
	kindOfLater = 4
)

// rowsOfStep are the ledger's rows of a case as one evaluation leaves them: what
// differs is told by the argument.
func rowsOfStep(verdict int) storage.Rows {
	rows := storage.Rows{
		Comparisons: []storage.Comparison{
			fullComparison(1), {Order: 2, ID: "aim", Class: 8, Metric: 40, Verdict: verdict, Root: true, Complete: true, Message: []byte{byte(verdict)}},
		},
		Facts:    &storage.Facts{Version: 1, Evaluation: 1, Message: []byte{byte(verdict)}},
		Groups:   []storage.Group{{Kind: technique, Word: "annuloplasty"}, {Kind: differs, Word: fmt.Sprint(verdict)}},
		Children: []storage.Child{{Kind: 1, Section: "operation", Order: 1, Message: []byte("run")}},
		Counts:   storage.Counts{Things: 2, ThingsOtherwise: 1},
	}
	if verdict == storage.ComparisonAgrees {
		rows.Comparisons[1].Class = 0
		rows.Counts.ThingsAsPlanned = 1
	}
	return rows
}

// shownOf is what the lists and the counts show of a site.
func shownOf(t *testing.T, s storage.Store, site string) map[string]any {
	t.Helper()
	return shownBy(t, s, site, false)
}

// shownBy is that of what was answered, or of what was restated.
func shownBy(t *testing.T, s storage.Store, site string, restated bool) map[string]any {
	t.Helper()
	ctx, shown := t.Context(), map[string]any{}
	for name, f := range map[string]storage.ComparisonFilter{
		"all": {}, "class": {Classes: []int{8}}, "metric": {Metrics: []int{40}}, "agreeing": {Verdicts: []int{storage.ComparisonAgrees}},
		"period": {IncisionFrom: after(2), IncisionBefore: after(4)}, "kind": {Kinds: []int{0}},
	} {
		f.Restated = restated
		list, _, err := s.Comparisons(ctx, []string{site}, f, "", 1000)
		for i := range list {
			list[i].Site = "" // stores of several sites are compared
		}
		shown["comparisons, "+name] = []any{list, err}
		shown["counts, "+name] = must(s.CountComparisons(ctx, site, f))
	}
	for name, groups := range map[string][]storage.Group{
		"all": nil, "agreeing": {{Kind: differs, Word: fmt.Sprint(storage.ComparisonAgrees)}}, "both": {{Kind: differs, Word: "1"}, {Kind: technique, Word: "annuloplasty"}},
	} {
		list, _, err := s.Facts(ctx, []string{site}, storage.FactsFilter{Restated: restated, Groups: groups}, "", 1000)
		for i := range list {
			list[i].Site = ""
		}
		shown["facts, "+name] = []any{list, err}
	}
	cases, _, err := s.Cases(ctx, []string{site}, storage.CaseFilter{}, "", 1000)
	for _, c := range cases {
		shown["roots of "+c.UID] = []any{c.RootCount, err}
	}
	return shown
}

// detoursLeaveNoTrace: after every way there and back, lists and counts are those
// of a store that never saw the detour.
func detoursLeaveNoTrace(t *testing.T, open func() storage.Store) {
	s := opened(t, open)
	type change = func(w *storage.Write)
	to := func(verdict int) change {
		return func(w *storage.Write) {
			w.Case.Evaluation++
			w.Evaluation, w.Projected = evaluation(w.Case.Evaluation), nothing()
			w.Projected[0].Rows = rowsOfStep(verdict)
		}
	}
	empty := func(w *storage.Write) {
		w.Case.Evaluation++
		w.Evaluation, w.Projected = evaluation(w.Case.Evaluation), nothing()
	}
	state := func(state string) change { return func(w *storage.Write) { w.Case.State = state } }
	incised := func(seconds int) change {
		return func(w *storage.Write) {
			w.Case.IncisionTime = after(seconds)
			if seconds < 0 {
				w.Case.IncisionTime = start.AddDate(1, 0, 0).AddDate(-1, 0, 0).Add(-1 << 40)
			}
		}
	}
	section := func(state string) change {
		return func(w *storage.Write) {
			w.Case.Sections = []storage.Section{{Section: storage.OperationSection, Head: 1, State: state, Order: 1}}
		}
	}
	patient := func(value string) change {
		return func(w *storage.Write) { w.Case.Patient.Value = value }
	}
	timing := func(word string) change { return func(w *storage.Write) { w.Case.PlanTiming = word } }
	detours := map[string][]change{
		"straight":                  nil,
		"merge":                     {patient("other"), patient("")},
		"wrong patient, then again": {func(w *storage.Write) { section(storage.SectionRetracted)(w); empty(w) }, func(w *storage.Write) { section(storage.SectionAccepted)(w); to(1)(w) }},
		"retracted and reopened":    {state(storage.CaseRetracted), state(storage.CaseActive)},
		"merged and reopened":       {state(storage.CaseMerged), func(w *storage.Write) { state(storage.CaseActive)(w); to(1)(w) }},
		"agrees and back":           {to(storage.ComparisonAgrees), to(storage.ComparisonPresent)},
		"not evaluable and back":    {to(storage.ComparisonNotEvaluable), to(storage.ComparisonAgrees), to(storage.ComparisonPresent)},
		"incision corrected twice":  {incised(1), incised(-1), incised(3)},
		"other timing":              {timing("retrospective"), timing(storage.TimingProspective)},
		"retracted while corrected": {func(w *storage.Write) { state(storage.CaseRetracted)(w); incised(9)(w); to(4)(w) }, func(w *storage.Write) { state(storage.CaseActive)(w); incised(3)(w); to(1)(w) }},
	}
	opening := func(uid string) storage.Write {
		w := plain(uid)
		w.Case.IncisionTime, w.Case.PlanTiming = after(3), storage.TimingProspective
		section(storage.SectionAccepted)(&w)
		to(storage.ComparisonPresent)(&w)
		return w
	}
	for name, way := range detours {
		site := name // a site for each, so that one case is all it shows
		w := opening("a")
		if err := s.Append(t.Context(), site, w); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for i, step := range way {
			w := following(must(s.Case(t.Context(), site, "a")))
			step(&w)
			if err := s.Append(t.Context(), site, w); err != nil {
				t.Fatalf("%s, step %d: %v", name, i, err)
			}
		}
	}
	want := shownOf(t, s, "straight")
	for name := range detours {
		wantEqual(t, name, shownOf(t, s, name), want)
	}
}

// sitesShareNoRows: two sites with the same uids, step ids and case numbers.
func sitesShareNoRows(t *testing.T, open func() storage.Store) {
	s := opened(t, open)
	const other = "island"
	write := func(site, uid string, verdict, seconds int) {
		w := plain(uid)
		w.Case.IncisionTime, w.Case.ExternalIdentifier.Value = after(seconds), "7-"+uid
		w.Projected[0].Rows = rowsOfStep(verdict)
		w.Projected[1].Rows = storage.Rows{Resources: []storage.Resource{fullResource(byte(verdict))}, CasePrefix: 7}
		if err := s.Append(t.Context(), site, w); err != nil {
			t.Fatal(err)
		}
	}
	for i, uid := range []string{"a", "b", "c"} {
		write(site, uid, storage.ComparisonPresent, i)
	}
	alone := shownOf(t, s, site)
	for i, uid := range []string{"a", "b", "c", "d"} {
		write(other, uid, storage.ComparisonAgrees, 10+i)
	}
	wantEqual(t, "this site beside another", shownOf(t, s, site), alone)
	for _, test := range []struct {
		site    string
		cases   int
		verdict int
	}{{site, 3, storage.ComparisonPresent}, {other, 4, storage.ComparisonAgrees}} {
		list, _, err := s.Comparisons(t.Context(), []string{test.site}, storage.ComparisonFilter{Metrics: []int{40}}, "", 100)
		if err != nil {
			t.Fatal(err)
		}
		wantEqual(t, "rows of "+test.site, len(list), test.cases)
		for _, r := range list {
			wantEqual(t, "verdict at "+test.site, r.Comparison.Verdict, test.verdict)
		}
		wantEqual(t, "cases of a prefix at "+test.site, len(must(s.CasesByPrefix(t.Context(), test.site, 7))), test.cases)
		wantEqual(t, "resources at "+test.site, must(s.Resources(t.Context(), test.site, "a")), []storage.Resource{fullResource(byte(test.verdict))})
	}
	// One goes, the other stays.
	w := next(t, s, "a")
	w.Case.State = storage.CaseRetracted
	mustAppend(t, s, w)
	wantEqual(t, "cases here", must(s.CountComparisons(t.Context(), site, storage.ComparisonFilter{})).RetractedCases, 1)
	wantEqual(t, "cases there", must(s.CountComparisons(t.Context(), other, storage.ComparisonFilter{})).RetractedCases, 0)
}

// answers: every answer of a long history comes back, whatever it is packed
// against.
func answers(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	random := rand.New(rand.NewPCG(5, 6))
	var want [][]byte
	content := bytes.Repeat([]byte("one and the same sentence "), 200)
	for n := range 30 {
		switch n {
		case 4:
			content = []byte{0}
		case 11: // not to be packed
			content = make([]byte, 3000)
			for i := range content {
				content[i] = byte(random.Uint32())
			}
		case 12:
			content = bytes.Repeat([]byte("short "), 3)
		case 17:
			content = bytes.Repeat([]byte("another sentence "), 40000)
		default:
			content = append(slices.Clone(content), fmt.Appendf(nil, "; evaluation %d", n)...)
		}
		want = append(want, content)
		w := plain("a")
		if n > 0 {
			w = next(t, s, "a")
		}
		w.Case.Evaluation = int64(n + 1)
		w.Evaluation = evaluation(w.Case.Evaluation)
		w.Evaluation.Answer = content
		mustAppend(t, s, w)
	}
	for n, content := range want {
		if got := must(s.Answer(ctx, site, "a", int64(n+1))); !bytes.Equal(got, content) {
			t.Errorf("answer %d of %d bytes comes back as %d other ones", n+1, len(content), len(got))
		}
	}
}

// revisionsInTwoParts: erasure takes what identifies and nothing else.
func revisionsInTwoParts(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	for _, uid := range []string{"a", "b"} {
		w := full(uid)
		w.Revisions = append(w.Revisions,
			storage.Revision{Section: "result/exit", Revision: 1, Content: []byte("nothing identifies"), ReceivedTime: start},
			storage.Revision{Section: "result/exit", Revision: 2, Retraction: true, RetractionReason: "wrong_patient", RetractionText: "of the bed beside", ReceivedTime: start},
		)
		mustAppend(t, s, w)
	}
	before := everything(t, s, "b")
	clinical := must(s.Revisions(ctx, site, "a"))
	if err := s.SplitRevisions(ctx, site, "a", []storage.Revision{{Section: "plan", Revision: 1, Content: []byte("x"), Identifying: []byte("y")}}); err != nil {
		t.Fatal(err)
	}
	wantEqual(t, "a revision in two parts is not split again", must(s.Revisions(ctx, site, "a")), clinical)

	if err := s.EraseIdentifying(ctx, site, "a"); err != nil {
		t.Fatal(err)
	}
	var want []storage.Revision
	for _, r := range clinical {
		r.Erased = r.Identifying != nil
		r.Identifying, r.IdentifyingHash, r.RetractionText = nil, nil, ""
		want = append(want, r)
	}
	got := must(s.Revisions(ctx, site, "a"))
	wantEqual(t, "revisions after the erasure", got, want)
	for _, r := range got {
		if sum := sha256.Sum256(r.Content); r.Content != nil && !bytes.Equal(sum[:], r.ContentHash) {
			t.Errorf("the hash of revision %d of %s does not match", r.Revision, r.Section)
		}
	}
	for _, c := range must(s.Confirmations(ctx, site, "a")) {
		wantEqual(t, "reason of a confirmation", c.Reason, "")
	}
	for _, a := range must(s.Amendments(ctx, site, "a")) {
		wantEqual(t, "reason of an amendment", a.Reason, "")
	}
	c := must(s.Case(ctx, site, "a"))
	wantEqual(t, "patient", c.Patient, storage.Identifier{})
	wantEqual(t, "case number", c.ExternalIdentifier, storage.Identifier{})
	wantEqual(t, "the answer", must(s.Answer(ctx, site, "a", 1)), full("a").Evaluation.Answer)
	after := everything(t, s, "b")
	delete(before, "cases")
	delete(after, "cases")
	// Lists show the number of each case; that of the one erased is gone.
	comparisons, facts := before["comparisons"].([]storage.CaseComparison), before["facts"].([]storage.CaseFacts)
	for i := range comparisons {
		if comparisons[i].CaseUID == "a" {
			comparisons[i].ExternalIdentifier = storage.Identifier{}
		}
	}
	for i := range facts {
		if facts[i].CaseUID == "a" {
			facts[i].ExternalIdentifier = storage.Identifier{}
		}
	}
	wantEqual(t, "everything else", after, before)
}

func mappings(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	mapping := func(version, codes string) storage.Mapping {
		return storage.Mapping{Version: version, CodesHash: []byte(codes), FirstUsed: after(1)}
	}
	changes := func() (kinds []string) {
		for _, c := range must(s.Changes(ctx, site, 0, 100)) {
			kinds = append(kinds, c.Kind)
		}
		return kinds
	}
	want := func(what string, m storage.Mapping, number int64, isNew bool) {
		t.Helper()
		got, fresh, err := s.Mapping(ctx, site, m)
		if err != nil {
			t.Fatal(err)
		}
		m.Number = number
		wantEqual(t, what, []any{got, fresh}, []any{m, isNew})
	}
	want("the first, before anything was written", mapping("1", "codes"), 1, true)
	wantEqual(t, "nobody follows a site without changes", len(changes()), 0)
	mustAppend(t, s, full("a"))
	want("the same", mapping("1", "codes"), 1, false)
	want("other codes", mapping("1", "other"), 2, true)
	want("the same again", mapping("1", "other"), 2, false)
	want("back to what was there before: a new number", mapping("1", "codes"), 3, true)
	want("another version without codes", mapping("2", ""), 4, true)
	wantEqual(t, "changes", changes(), []string{"submitted", "disputed", storage.ChangeMappingChanged, storage.ChangeMappingChanged, storage.ChangeMappingChanged})
	m, isNew, err := s.Mapping(ctx, "island", mapping("1", "codes"))
	wantEqual(t, "another site", []any{m.Number, isNew, err}, []any{int64(1), true, nil})
	errs := together(8, func(int) error {
		_, _, err := s.Mapping(ctx, site, mapping("3", "codes"))
		return err
	})
	wantNone(t, errs)
	want("made at once by many", mapping("3", "codes"), 5, false)
	_, _, err = s.Mapping(ctx, site, storage.Mapping{})
	wantError(t, "no version", err, nil)
}

func projectionsAreListed(t *testing.T, open func() storage.Store) {
	s, ctx := open(), t.Context()
	defer func() { _ = s.Close() }()
	_, _, err := s.Comparisons(ctx, []string{site}, storage.ComparisonFilter{}, "", 1)
	wantError(t, "no ledger stands", err, storage.ErrNotProjected)
	_, err = s.Resources(ctx, site, "a")
	wantError(t, "no resources stand", err, storage.ErrNotProjected)

	list := must(s.DeclareProjections(ctx, program[:1]))
	if len(list) != 1 || !list[0].Standing || list[0].Name != storage.ProjectionLedger || list[0].Version != 1 {
		t.Fatalf("in a new store a projection stands at once: %+v", list)
	}
	wantEqual(t, "declared again", must(s.DeclareProjections(ctx, program[:1])), list)
	w := plain("a")
	wantError(t, "a projection that is not listed", s.Append(ctx, site, w), storage.ErrProjection)
	w.Projected = w.Projected[:1]
	mustAppend(t, s, w)

	list = must(s.DeclareProjections(ctx, program))
	if len(list) != 2 || list[1].Standing {
		t.Fatalf("in a store with cases it is to be built: %+v", list)
	}
	newer := []storage.ProjectionVersion{{Name: storage.ProjectionLedger, Version: 2}}
	wantEqual(t, "another version of a name that is listed", must(s.DeclareProjections(ctx, newer)), list)
	for _, bad := range []storage.ProjectionVersion{{Name: "census", Version: 1}, {Name: storage.ProjectionLedger}} {
		_, err := s.DeclareProjections(ctx, []storage.ProjectionVersion{bad})
		wantError(t, fmt.Sprint("declared ", bad), err, nil)
		_, err = s.BeginProjection(ctx, bad)
		wantError(t, fmt.Sprint("begun ", bad), err, nil)
	}
}

// projectionIsBuilt builds version 2 of the ledger while cases are written: the
// first is read until the end, and then the second, equal to one that stood from
// the beginning.
func projectionIsBuilt(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	number := map[string]int{}
	// rows of a case in both versions: the second knows one comparison more.
	rows := func(uid string, version int64) storage.Rows {
		r := rowsOfStep(1 + number[uid]%5)
		if version == 2 {
			r.Comparisons = append(r.Comparisons, storage.Comparison{Order: 9, ID: "more", Class: 3, Metric: 41, Verdict: storage.ComparisonPresent, Message: []byte(uid)})
			r.Groups = append(r.Groups, storage.Group{Kind: kindOfLater, Word: "word"})
		}
		return r
	}
	second := storage.ProjectionVersion{Name: storage.ProjectionLedger, Version: 2}
	write := func(uid string, building bool) {
		t.Helper()
		c, err := s.Case(ctx, site, uid)
		w := following(c)
		if errors.Is(err, storage.ErrNotFound) {
			w = plain(uid)
		}
		number[uid]++
		w.Case.IncisionTime = after(number[uid] % 3)
		w.Projected = nothing()
		w.Projected[0].Rows = rows(uid, 1)
		if building {
			w.Projected = append(w.Projected, storage.Projected{Name: second.Name, Version: 2, Rows: rows(uid, 2)})
		}
		mustAppend(t, s, w)
	}
	for i := range 30 {
		write(fmt.Sprintf("case-%02d", i), false)
	}
	first := shownOf(t, s, site)
	p := must(s.BeginProjection(ctx, second))
	wantEqual(t, "begun twice", must(s.BeginProjection(ctx, second)), p)
	w := next(t, s, "case-00")
	wantError(t, "a program that does not know the version", s.Append(ctx, site, w), storage.ErrProjection)
	wantError(t, "finished before it was built", s.FinishProjection(ctx, p.ID), storage.ErrStale)
	wantEqual(t, "what is read meanwhile", shownOf(t, s, site), first)

	for round := 0; ; round++ {
		batch := must(s.CasesToProject(ctx, p.ID, 7))
		if len(batch) == 0 {
			break
		}
		var list []storage.CaseRows
		for _, c := range batch {
			version := must(s.Case(ctx, c.Site, c.UID)).Version
			list = append(list, storage.CaseRows{Site: c.Site, UID: c.UID, Version: version, Rows: rows(c.UID, 2)})
		}
		if round < 3 { // one behind the cursor, one of the batch, one new
			write("case-00", true)
			write(batch[0].UID, true)
			write(fmt.Sprintf("late-%d", round), true)
		}
		if err := s.Project(ctx, p.ID, list, batch[len(batch)-1].Cursor); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.FinishProjection(ctx, p.ID); err != nil {
		t.Fatal(err)
	}
	if err := s.FinishProjection(ctx, p.ID); err != nil {
		t.Errorf("finished twice: %v", err)
	}
	wantError(t, "built once it stands", s.Project(ctx, p.ID, nil, 0), storage.ErrNotFound)
	built := shownOf(t, s, site)
	for uid := range number {
		list, _, err := s.Comparisons(ctx, []string{site}, storage.ComparisonFilter{CaseUID: uid}, "", 10)
		if err != nil {
			t.Fatal(err)
		}
		var got []storage.Comparison
		for _, r := range list {
			got = append(got, r.Comparison)
		}
		wantEqual(t, "rows of "+uid, got, rows(uid, 2).Comparisons)
	}

	// One that stood from the beginning.
	const other = "straight"
	for uid := range number {
		w := plain(uid)
		w.Case.IncisionTime = after(number[uid] % 3)
		w.Projected = []storage.Projected{{Name: second.Name, Version: 2, Rows: rows(uid, 2)}, nothing()[1]}
		if err := s.Append(ctx, other, w); err != nil {
			t.Fatal(err)
		}
	}
	wantEqual(t, "built and written", built, shownOf(t, s, other))

	// What is begun can be given up.
	p = must(s.BeginProjection(ctx, storage.ProjectionVersion{Name: storage.ProjectionLedger, Version: 3}))
	if err := s.Project(ctx, p.ID, []storage.CaseRows{{Site: site, UID: "case-01", Version: must(s.Case(ctx, site, "case-01")).Version, Rows: rows("case-01", 1)}}, 0); err != nil {
		t.Fatal(err)
	}
	if err := s.DropProjection(ctx, p.ID); err != nil {
		t.Fatal(err)
	}
	wantError(t, "dropped twice", s.DropProjection(ctx, p.ID), storage.ErrNotFound)
	wantEqual(t, "after one was given up", shownOf(t, s, site), built)
	names := must(s.Projections(ctx))
	wantEqual(t, "listed in the end", len(names), 2)
}
