package storagetest

import (
	"testing"
	"time"

	"trigone/internal/storage"
)

// erasing is a write that erases a case as it stands.
func erasing(t *testing.T, s storage.Store, uid string, what storage.Erasure) storage.Write {
	t.Helper()
	w := next(t, s, uid)
	c := w.Case
	c.ExternalIdentifier, c.Patient, c.FormerPatients = storage.Identifier{}, storage.Identifier{}, nil
	w.Changes = []storage.Change{{Kind: "case_erased", CaseUID: uid, CaseVersion: c.Version, Time: after(50)}}
	w.Erase = what
	w.Discarded = &storage.Change{Kind: "quarantine_discarded", Reason: "erased", Time: after(52)}
	if what == storage.EraseWhole {
		c.State, c.Sections, c.Evaluation, c.PlanTiming, c.ErasedTime = storage.CaseRetracted, nil, 0, "", after(51)
		c.IncisionTime = time.Time{}
		w.Projected = nothing()
	}
	return w
}

// What identifies goes, with every hash and row made of it; all else stays, and no
// other case is touched.
func erasedIdentity(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	mustAppend(t, s, full("a"))
	mustAppend(t, s, full("b"))
	w := next(t, s, "a")
	a := line(1, "theatre", "a")
	w.Access = &a
	mustAppend(t, s, w)
	before, beside := everything(t, s, "a"), everything(t, s, "b")
	mustAppend(t, s, erasing(t, s, "a", storage.EraseIdentity))

	for _, r := range must(s.Revisions(ctx, site, "a")) {
		if r.Identifying != nil || r.RetractionText != "" || r.IdentifyingHash != nil {
			t.Errorf("revision %d of %s still has what identifies, or its hash", r.Revision, r.Section)
		}
		if !r.Retraction && (!r.Erased || r.Content == nil) {
			t.Errorf("revision %d of %s: its content is gone, or it does not say that something was erased", r.Revision, r.Section)
		}
	}
	for _, c := range must(s.Confirmations(ctx, site, "a")) {
		wantEqual(t, "reason of a confirmation", c.Reason, "")
	}
	for _, c := range must(s.Amendments(ctx, site, "a")) {
		wantEqual(t, "reason of an amendment", c.Reason, "")
	}
	_, err := s.Request(ctx, "theatre", site, "SubmitCase", "request-a")
	wantError(t, "the request", err, storage.ErrNotFound)
	q := must(s.Quarantined(ctx, site, "quarantine-a"))
	changes := must(s.Changes(ctx, site, 0, 100))
	last := changes[len(changes)-1]
	wantEqual(t, "the change of the submit that was discarded", last, storage.Change{
		Number: last.Number, Kind: "quarantine_discarded", Reason: "erased", Time: after(52), QuarantineID: "quarantine-a",
	})
	wantEqual(t, "the quarantined submit", []any{q.Body == nil, q.Decision, q.Hash == nil, len(q.Sections), q.State}, []any{true, "", true, 0, storage.QuarantineDiscarded})
	lines, _, err := s.Accesses(ctx, []string{site}, storage.AccessFilter{CaseUID: "a"}, "", 10)
	if err != nil || len(lines) != 1 || lines[0].Reason != "" || lines[0].ReasonHash == nil {
		t.Errorf("lines of the access record: %+v, %v", lines, err)
	}
	now := everything(t, s, "a")
	for _, same := range []string{"counts", "evaluations of a", "answer 1 of a", "metrics of a", "resources of a", "cases of the prefix of a"} {
		wantEqual(t, same, now[same], before[same])
	}
	c := must(s.Case(ctx, site, "a"))
	wantEqual(t, "the case", []any{c.Version, c.Evaluation, c.Patient, c.ExternalIdentifier, len(c.Sections)},
		[]any{int64(3), int64(1), storage.Identifier{}, storage.Identifier{}, 3})
	_, err = s.CaseByExternalIdentifier(ctx, site, storage.Identifier{System: "urn:harbour:case", Value: "number-a"})
	wantError(t, "by its case number", err, storage.ErrNotFound)
	stays(t, "b", beside, everything(t, s, "b"))
	wantEqual(t, "erased cases", must(s.Erased(ctx, site)), 0)
	if err := s.Purge(ctx); err != nil {
		t.Error(err)
	}
	stays(t, "a", now, everything(t, s, "a"))
}

// stays holds what is of one case in two readings against each other.
func stays(t *testing.T, uid string, before, now map[string]any) {
	t.Helper()
	for what, v := range now {
		switch what {
		case "cases", "comparisons", "facts", "changes", "counts": // of all cases
		default:
			wantEqual(t, what+" of "+uid, v, before[what])
		}
	}
}

// Of a case that is erased its row, its changes, its resource ids and the lines of who
// looked are left, and nothing is written to it again.
func erasedWhole(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	mustAppend(t, s, full("a"))
	mustAppend(t, s, full("b"))
	w := next(t, s, "a")
	w.Case.Evaluation, w.Evaluation, w.Projected = 2, evaluation(2), full("a").Projected
	a := line(1, "theatre", "a")
	w.Access = &a
	mustAppend(t, s, w)
	beside := everything(t, s, "b")
	erase := erasing(t, s, "a", storage.EraseWhole)

	for name, spoil := range map[string]func(*storage.Write){
		"with a patient":   func(w *storage.Write) { w.Case.Patient.Value = "p" },
		"with sections":    func(w *storage.Write) { w.Case.Sections = full("a").Case.Sections },
		"with an incision": func(w *storage.Write) { w.Case.IncisionTime = start },
		"without its time": func(w *storage.Write) { w.Case.ErasedTime = time.Time{} },
		"with a revision":  func(w *storage.Write) { w.Revisions = []storage.Revision{revision("plan", 9, "x")} },
		"kept of a case that stays": func(w *storage.Write) {
			w.Erase, w.Remains, w.Case.ErasedTime = storage.EraseIdentity, []byte("x"), time.Time{}
		},
		"still active":           func(w *storage.Write) { w.Case.State = storage.CaseActive },
		"an unknown word":        func(w *storage.Write) { w.Erase = "half" },
		"the time, not the word": func(w *storage.Write) { w.Erase = storage.EraseNothing },
		"a change in no time": func(w *storage.Write) {
			w.Discarded = &storage.Change{Kind: "d", Time: storage.MaxTime.AddDate(1, 0, 0)}
		},
	} {
		spoiled, c := erase, *erase.Case
		spoiled.Case = &c
		spoil(&spoiled)
		wantError(t, name, s.Append(ctx, site, spoiled), nil)
	}
	erase.Remains = []byte("kept of a")
	mustAppend(t, s, erase)

	c := must(s.Case(ctx, site, "a"))
	wantEqual(t, "the case", c, *erase.Case)
	wantEqual(t, "revisions", len(must(s.Revisions(ctx, site, "a"))), 0)
	wantEqual(t, "evaluations", len(must(s.EvaluationHeaders(ctx, site, "a"))), 0)
	wantEqual(t, "confirmations", len(must(s.Confirmations(ctx, site, "a"))), 0)
	wantEqual(t, "amendments", len(must(s.Amendments(ctx, site, "a"))), 0)
	for n := int64(1); n <= 2; n++ {
		_, err := s.Answer(ctx, site, "a", n)
		wantError(t, "an answer", err, storage.ErrNotFound)
	}
	_, _, err := s.Metrics(ctx, site, "a")
	wantError(t, "metrics", err, storage.ErrNotFound)
	comparisons, _, err := s.Comparisons(ctx, []string{site}, storage.ComparisonFilter{CaseUID: "a"}, "", 10)
	wantEqual(t, "comparisons", []any{len(comparisons), err}, []any{0, nil})
	facts, _, err := s.Facts(ctx, []string{site}, storage.FactsFilter{CaseUID: "a"}, "", 10)
	wantEqual(t, "facts", []any{len(facts), err}, []any{0, nil})
	groups, _, err := s.Facts(ctx, []string{site}, storage.FactsFilter{Groups: []storage.Group{{Kind: technique, Word: "annuloplasty"}}}, "", 10)
	wantEqual(t, "cases of a group", []any{len(groups), err}, []any{1, nil})
	resources := must(s.Resources(ctx, site, "a"))
	if len(resources) != 1 || len(resources[0].Digest) > 0 || resources[0].Gone == nil {
		t.Errorf("resources %+v", resources)
	}
	wantEqual(t, "cases of its prefix", must(s.CasesByPrefix(ctx, site, prefixOf("a"))), []string{"a"})
	lines, _, err := s.Accesses(ctx, []string{site}, storage.AccessFilter{CaseUID: "a"}, "", 10)
	wantEqual(t, "who looked", []any{len(lines), err}, []any{1, nil})
	wantEqual(t, "erased cases", must(s.Erased(ctx, site)), 1)
	wantEqual(t, "what is kept of it", must(s.Remains(ctx, site, 10)), [][]byte{[]byte("kept of a")})
	wantEqual(t, "what is kept elsewhere", len(must(s.Remains(ctx, "island", 10))), 0)
	wantEqual(t, "none of it", len(must(s.Remains(ctx, site, 0))), 0)
	stays(t, "b", beside, everything(t, s, "b"))

	again := following(c)
	wantError(t, "a write behind it", s.Append(ctx, site, again), nil)
	if err := s.Purge(ctx); err != nil {
		t.Error(err)
	}
	stays(t, "b", beside, everything(t, s, "b"))
}
