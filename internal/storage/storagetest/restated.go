package storagetest

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"testing"

	"trigone/internal/storage"
)

func restating(version int64, under string) storage.ProjectionVersion {
	return storage.ProjectionVersion{Name: storage.ProjectionRestated, Version: version, Under: under}
}

// restatedCase judges a case again: it says so in its own answer, and its rows have
// this verdict.
func restatedCase(t *testing.T, s storage.Store, uid string, verdict int) storage.CaseRows {
	t.Helper()
	c := must(s.Case(t.Context(), site, uid))
	return storage.CaseRows{Site: site, UID: uid, Version: c.Version, Rows: rowsOfStep(verdict), Restated: &storage.Restated{Answer: restatedAnswer(uid, verdict)}}
}

func restatedAnswer(uid string, verdict int) []byte {
	return []byte(strings.Repeat("answer of ", 50) + fmt.Sprintf("%s, restated with verdict %d", uid, verdict))
}

// restatings: rows of a restating are read when they are asked for, fall away with
// the next write of their case, and leave nothing behind when they are dropped.
func restatings(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	opening := func(uid string) {
		w := plain(uid)
		w.Case.IncisionTime, w.Case.Evaluation = after(3), 1
		w.Evaluation = evaluation(1)
		w.Evaluation.Answer = []byte(strings.Repeat("answer of ", 50) + uid)
		w.Projected[0].Rows = rowsOfStep(storage.ComparisonPresent)
		mustAppend(t, s, w)
	}
	for _, uid := range []string{"a", "b"} {
		opening(uid)
	}
	stored := shownOf(t, s, site)
	record := everything(t, s, "a", "b")
	wantStored := func(why string) {
		t.Helper()
		wantEqual(t, why+": what was answered", shownOf(t, s, site), stored)
		wantEqual(t, why+": the record", everything(t, s, "a", "b"), record)
	}
	notRestated := func(why string) {
		t.Helper()
		_, _, err := s.Comparisons(ctx, []string{site}, storage.ComparisonFilter{Restated: true}, "", 10)
		wantError(t, why+": comparisons", err, storage.ErrNotProjected)
		_, err = s.CountComparisons(ctx, site, storage.ComparisonFilter{Restated: true})
		wantError(t, why+": counts", err, storage.ErrNotProjected)
		_, _, err = s.Facts(ctx, []string{site}, storage.FactsFilter{Restated: true}, "", 10)
		wantError(t, why+": facts", err, storage.ErrNotProjected)
		_, err = s.RestatedAnswer(ctx, site, "a")
		wantError(t, why+": answer", err, storage.ErrNotFound)
	}
	notRestated("before any")
	for _, bad := range []storage.ProjectionVersion{restating(1, ""), {Name: storage.ProjectionLedger, Version: 1, Under: "rules 2"}} {
		_, err := s.BeginProjection(ctx, bad)
		wantError(t, fmt.Sprint("begun ", bad), err, nil)
	}
	w := next(t, s, "a")
	w.Projected = append(w.Projected, storage.Projected{Name: storage.ProjectionRestated, Version: 1})
	wantError(t, "a write that brings rows of a restating", s.Append(ctx, site, w), nil)

	first := must(s.BeginProjection(ctx, restating(1, "rules 2")))
	wantError(t, "rows without what they were made of",
		s.Project(ctx, first.ID, []storage.CaseRows{{Site: site, UID: "a", Version: 1, Rows: rowsOfStep(1)}}, 1), nil)
	project := func(p storage.Projection, verdict int, uids ...string) {
		t.Helper()
		var list []storage.CaseRows
		for _, uid := range uids {
			list = append(list, restatedCase(t, s, uid, verdict))
		}
		if err := s.Project(ctx, p.ID, list, 0); err != nil {
			t.Fatal(err)
		}
	}
	left := func(p storage.Projection) (uids []string) {
		for _, c := range must(s.CasesToProject(ctx, p.ID, 100)) {
			uids = append(uids, c.UID)
		}
		return uids
	}
	finish := func(p storage.Projection) {
		t.Helper()
		if err := s.FinishProjection(ctx, p.ID); err != nil {
			t.Fatal(err)
		}
	}
	project(first, storage.ComparisonAgrees, "a")
	wantEqual(t, "cases left", left(first), []string{"b"})
	notRestated("while it is made")
	project(must(s.BeginProjection(ctx, restating(1, "rules 2"))), storage.ComparisonAgrees, "b") // as a program that goes on
	finish(first)
	wantStored("once it stands")
	if got := must(s.CountComparisons(ctx, site, storage.ComparisonFilter{Restated: true})); got.Agreeing != 2 {
		t.Errorf("restated counts: %+v", got)
	}
	for _, uid := range []string{"a", "b"} {
		if got := must(s.RestatedAnswer(ctx, site, uid)); !bytes.Equal(got, restatedAnswer(uid, storage.ComparisonAgrees)) {
			t.Errorf("%s is said to be %q", uid, got)
		}
	}
	before := shownBy(t, s, site, true)

	// Another takes its place when it is whole, and not before.
	second := must(s.BeginProjection(ctx, restating(1, "rules 3")))
	project(second, storage.ComparisonIndeterminate, "a", "b")
	wantEqual(t, "what is read while the second is made", shownBy(t, s, site, true), before)
	finish(second)
	if got := must(s.CountComparisons(ctx, site, storage.ComparisonFilter{Restated: true})); got.Indeterminate != 2 {
		t.Errorf("counts of the second: %+v", got)
	}
	wantStored("after the second")

	// A written case loses its rows in all of them; one that is begun too.
	third := must(s.BeginProjection(ctx, restating(2, "rules 3")))
	project(third, storage.ComparisonAgrees, "a", "b")
	stale := restatedCase(t, s, "a", storage.ComparisonAgrees)
	w = next(t, s, "a")
	mustAppend(t, s, w)
	list, _, err := s.Comparisons(ctx, []string{site}, storage.ComparisonFilter{Restated: true}, "", 100)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range list {
		if c.CaseUID != "b" {
			t.Errorf("a row of case %s is left after it was written", c.CaseUID)
		}
	}
	if len(list) == 0 {
		t.Error("the other case lost its rows, too")
	}
	_, err = s.RestatedAnswer(ctx, site, "a")
	wantError(t, "answer of a written case", err, storage.ErrNotFound)
	if err := s.Project(ctx, second.ID, []storage.CaseRows{stale}, 0); err != nil {
		t.Fatal(err)
	}
	wantEqual(t, "rows of a version that is gone are passed over", left(second), []string{"a"})
	must(s.BeginProjection(ctx, restating(1, "rules 3")))
	project(second, storage.ComparisonIndeterminate, "a")
	wantEqual(t, "restated again", len(left(second)), 0)
	wantEqual(t, "the one that is made lost them, too", left(third), []string{"a"})

	for _, p := range must(s.Projections(ctx)) {
		if p.Name == storage.ProjectionRestated {
			if err := s.DropProjection(ctx, p.ID); err != nil {
				t.Fatal(err)
			}
		}
	}
	notRestated("after the drop")
	for _, p := range must(s.Projections(ctx)) {
		if p.Name == storage.ProjectionRestated {
			t.Errorf("%+v is listed after the drop", p)
			continue
		}
		wantError(t, "dropped while it stands: "+p.Name, s.DropProjection(ctx, p.ID), storage.ErrNotFound)
	}
}

// restatingOfManyCases: the walk comes to every case once, whatever ends it, and its
// answers come back whatever they are packed against.
func restatingOfManyCases(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	const cases = 23
	text := "limits: other"
	sum := sha256.Sum256([]byte(text))
	judgedBy := &storage.Policy{Hash: hex.EncodeToString(sum[:]), Version: "2", Text: text, FirstUsed: start}
	for i := range cases {
		uid := fmt.Sprintf("case-%02d", i)
		w := plain(uid)
		w.Case.Evaluation, w.Evaluation = 1, evaluation(1)
		mustAppend(t, s, w)
		for range i { // chains of all lengths
			w := next(t, s, uid)
			w.Case.Evaluation++
			w.Evaluation = evaluation(w.Case.Evaluation)
			mustAppend(t, s, w)
		}
	}
	seen := map[string]int{}
	for {
		p := must(s.BeginProjection(ctx, restating(1, "rules 2"))) // every time as a new program
		batch := must(s.CasesToProject(ctx, p.ID, 5))
		if len(batch) == 0 {
			if err := s.FinishProjection(ctx, p.ID); err != nil {
				t.Fatal(err)
			}
			break
		}
		var list []storage.CaseRows
		for i, c := range batch {
			seen[c.UID]++
			row := restatedCase(t, s, c.UID, 1+i%5)
			row.Restated.Policy = judgedBy
			list = append(list, row)
		}
		if err := s.Project(ctx, p.ID, list, batch[len(batch)-1].Cursor); err != nil {
			t.Fatal(err)
		}
	}
	for i := range cases {
		uid := fmt.Sprintf("case-%02d", i)
		wantEqual(t, "times that the walk came to "+uid, seen[uid], 1)
		if got := must(s.RestatedAnswer(ctx, site, uid)); !bytes.Contains(got, []byte(uid+", restated")) {
			t.Errorf("%s is said to be %q", uid, got)
		}
	}
	wantEqual(t, "the policy it was judged by", must(s.Policy(ctx, site, judgedBy.Hash)).Text, text)
}
