package storagetest

import (
	"cmp"
	"fmt"
	"slices"
	"testing"
	"time"

	"trigone/internal/storage"
)

// allOrNothing makes each part of a write fail that can fail, in a write that has
// every part.
func allOrNothing(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	mustAppend(t, s, full("a"))
	decided := full("decided")
	decided.Quarantined.State = storage.QuarantineFiled
	mustAppend(t, s, decided)
	before := everything(t, s, "a", "b", "decided")

	second := func() storage.Write {
		w := full("b")
		w.Expected = 1
		w.Case.UID, w.Case.Version, w.Case.Evaluation, w.Evaluation.Number = "a", 2, 2, 2
		w.Revisions = []storage.Revision{revision("plan", 3, "third")}
		return w
	}
	for _, test := range []struct {
		reason string
		write  func() storage.Write
		want   error
	}{
		{"opens a case that is there", func() storage.Write {
			w := full("b")
			w.Case.UID = "a"
			return w
		}, storage.ErrStale},
		{"expects another version", func() storage.Write {
			w := second()
			w.Expected, w.Case.Version = 2, 3
			return w
		}, storage.ErrStale},
		{"expects a version of no case", func() storage.Write {
			w := second()
			w.Case.UID = "b"
			return w
		}, storage.ErrStale},
		{"case number of another case", func() storage.Write {
			w := full("b")
			w.Case.ExternalIdentifier.Value = "number-a"
			return w
		}, storage.ErrExternalIdentifierTaken},
		{"changes to the case number of another case", func() storage.Write {
			w := second()
			w.Case.ExternalIdentifier.Value = "number-decided"
			return w
		}, storage.ErrExternalIdentifierTaken},
		{"request id used before", func() storage.Write {
			w := full("b")
			w.Request.RequestID = "request-a"
			return w
		}, storage.ErrRequestExists},
		{"quarantined submit was decided", func() storage.Write {
			w := full("b")
			w.Quarantined.ID = "quarantine-decided"
			return w
		}, storage.ErrStale},
		{"quarantined submit is there under another id", func() storage.Write {
			w := full("b")
			w.Quarantined.Hash = []byte("hash of a")
			return w
		}, storage.ErrStale},
		{"revision is there", func() storage.Write {
			w := second()
			w.Revisions = append(w.Revisions, revision("plan", 2, "again"))
			return w
		}, nil},
		{"evaluation is there", func() storage.Write {
			w := second()
			w.Case.Evaluation, w.Evaluation.Number = 1, 1
			return w
		}, nil},
		{"two comparisons at one place of the list", func() storage.Write {
			w := second()
			rows := &w.Projected[0].Rows
			rows.Comparisons[1].Order = rows.Comparisons[0].Order
			return w
		}, nil},
		{"a projection that is listed is missing", func() storage.Write {
			w := second()
			w.Projected = w.Projected[:1]
			return w
		}, storage.ErrProjection},
		{"another version of a projection", func() storage.Write {
			w := second()
			w.Projected[0].Version = 2
			return w
		}, storage.ErrProjection},
		{"a case opened without rows", func() storage.Write {
			w := full("b")
			w.Projected = nil
			return w
		}, storage.ErrProjection},
	} {
		t.Run(test.reason, func(t *testing.T) {
			wantError(t, "append", s.Append(ctx, site, test.write()), test.want)
			wantEqual(t, "the store afterwards", everything(t, s, "a", "b", "decided"), before)
		})
	}
	// The samples themselves are not what was refused.
	mustAppend(t, s, full("b"))
	w := second()
	w.Case.ExternalIdentifier.Value = "number-a"
	w.Request.RequestID, w.Quarantined.ID, w.Quarantined.Hash = "new", "new", []byte("new")
	mustAppend(t, s, w)
}

// refusedWrites are those of Check: faults of the caller.
func refusedWrites(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	before := everything(t, s, "a")
	tooEarly, tooLate := storage.MinTime.Add(-1), storage.MaxTime.Add(1)
	for _, test := range []struct {
		reason string
		change func(*storage.Write)
	}{
		{"version is not the next", func(w *storage.Write) { w.Case.Version = 2 }},
		{"negative version", func(w *storage.Write) { w.Expected, w.Case.Version = -1, 0 }},
		{"no uid", func(w *storage.Write) { w.Case.UID = "" }},
		{"case of another site", func(w *storage.Write) { w.Case.Site = "island" }},
		{"unknown state", func(w *storage.Write) { w.Case.State = "open" }},
		{"no changed time", func(w *storage.Write) { w.Case.ChangedTime = time.Time{} }},
		{"a system without a case number", func(w *storage.Write) { w.Case.ExternalIdentifier.Value = "" }},
		{"no case for the revisions", func(w *storage.Write) {
			w.Case, w.Evaluation, w.Findings, w.Projected, w.Amendments, w.Confirmations = nil, nil, nil, nil, nil, nil
		}},
		{"no case for the evaluation", func(w *storage.Write) {
			w.Case, w.Revisions, w.Projected, w.Amendments, w.Confirmations = nil, nil, nil, nil, nil
		}},
		{"no case for the amendments", func(w *storage.Write) {
			w.Case, w.Revisions, w.Evaluation, w.Findings, w.Projected, w.Confirmations = nil, nil, nil, nil, nil, nil
		}},
		{"no case for the rows", func(w *storage.Write) {
			w.Case, w.Revisions, w.Evaluation, w.Findings, w.Amendments, w.Confirmations = nil, nil, nil, nil, nil, nil
		}},
		{"no case for the expected version", func(w *storage.Write) {
			w.Case, w.Revisions, w.Evaluation, w.Findings, w.Projected, w.Amendments, w.Confirmations, w.Expected = nil, nil, nil, nil, nil, nil, nil, 1
		}},
		{"no evaluation for the findings", func(w *storage.Write) { w.Evaluation = nil }},
		{"evaluation has no answer", func(w *storage.Write) { w.Evaluation.Answer = nil }},
		{"a projection that no store has rows for", func(w *storage.Write) { w.Projected[0].Name = "census" }},
		{"version 0 of a projection", func(w *storage.Write) { w.Projected[0].Version = 0 }},
		{"a projection twice", func(w *storage.Write) { w.Projected[1] = w.Projected[0] }},
		{"a case opened with rows unchanged", func(w *storage.Write) { w.Projected[0].Unchanged = true }},
		{"resources in the ledger", func(w *storage.Write) { w.Projected[0].Rows.Resources = []storage.Resource{fullResource(1)} }},
		{"facts beside resources", func(w *storage.Write) { w.Projected[1].Rows.Facts = &storage.Facts{} }},
		{"more than 48 bits of a prefix", func(w *storage.Write) { w.Projected[1].Rows.CasePrefix = 1 << 48 }},
		{"comparison without id", func(w *storage.Write) { w.Projected[0].Rows.Comparisons[0].ID = "" }},
		{"comparison without verdict", func(w *storage.Write) { w.Projected[0].Rows.Comparisons[0].Verdict = 0 }},
		{"group without a word", func(w *storage.Write) { w.Projected[0].Rows.Groups[0].Word = "" }},
		{"amendment without a kind", func(w *storage.Write) { w.Amendments[0].Kind = "" }},
		{"amendment too late", func(w *storage.Write) { w.Amendments[0].Time = tooLate }},
		{"revision without content", func(w *storage.Write) { w.Revisions[3].Content = nil }},
		{"retraction with content", func(w *storage.Write) { w.Revisions[3].Retraction = true }},
		{"revision as received", func(w *storage.Write) { w.Revisions[3].Whole = true }},
		{"evaluation is not the one of the case", func(w *storage.Write) { w.Evaluation.Number = 2 }},
		{"evaluation has no number", func(w *storage.Write) { w.Evaluation.Number, w.Case.Evaluation = 0, 0 }},
		{"revision has no number", func(w *storage.Write) { w.Revisions[3].Revision = 0 }},
		{"revision has no section", func(w *storage.Write) { w.Revisions[3].Section = "" }},
		{"request of another site", func(w *storage.Write) { w.Request.Site = "island" }},
		{"request without id", func(w *storage.Write) { w.Request.RequestID = "" }},
		{"quarantined without id", func(w *storage.Write) { w.Quarantined.ID = "" }},
		{"policy without hash", func(w *storage.Write) { w.Policy.Hash = "" }},
		{"time before what can be kept", func(w *storage.Write) { w.Revisions[3].SourceTime = tooEarly }},
		{"time after what can be kept", func(w *storage.Write) { w.Case.IncisionTime = tooLate }},
		{"opened too late", func(w *storage.Write) { w.Case.OpenedTime = tooLate }},
		{"changed too late", func(w *storage.Write) { w.Case.ChangedTime = tooLate }},
		{"received too late", func(w *storage.Write) { w.Revisions[0].ReceivedTime = tooLate }},
		{"evaluated too late", func(w *storage.Write) { w.Evaluation.Time = tooLate }},
		{"change too late", func(w *storage.Write) { w.Changes[1].Time = tooLate }},
		{"request too late", func(w *storage.Write) { w.Request.Time = tooLate }},
		{"quarantined too late", func(w *storage.Write) { w.Quarantined.ReceivedTime = tooLate }},
		{"policy too late", func(w *storage.Write) { w.Policy.FirstUsed = tooLate }},
	} {
		t.Run(test.reason, func(t *testing.T) {
			w := full("a")
			test.change(&w)
			wantError(t, "check", w.Check(site), nil)
			wantError(t, "append", s.Append(ctx, site, w), nil)
			wantEqual(t, "the store afterwards", everything(t, s, "a"), before)
		})
	}
	w := plain("a")
	wantError(t, "append without a site", s.Append(ctx, "", w), nil)
	mustAppend(t, s, full("a"))
}

func oneVersionAfterTheOther(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	mustAppend(t, s, plain("a"))
	wantError(t, "opened twice", s.Append(ctx, site, plain("a")), storage.ErrStale)
	for version := int64(2); version <= 4; version++ {
		w := next(t, s, "a")
		mustAppend(t, s, w)
		wantError(t, "the same write again", s.Append(ctx, site, w), storage.ErrStale)
		wantEqual(t, "version", must(s.Case(ctx, site, "a")).Version, version)
	}
	// A write without a case raises no version.
	mustAppend(t, s, storage.Write{Changes: []storage.Change{{Kind: "quarantined", QuarantineID: "q"}}})
	wantEqual(t, "version", must(s.Case(ctx, site, "a")).Version, int64(4))
	mustAppend(t, s, storage.Write{})
}

func orderOfErrors(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	mustAppend(t, s, full("a"))
	mustAppend(t, s, full("b"))
	w := full("a")
	w.Case.ExternalIdentifier.Value = "number-b"
	wantError(t, "request, version and case number", s.Append(ctx, site, w), storage.ErrRequestExists)
	w.Request = nil
	wantError(t, "version and case number", s.Append(ctx, site, w), storage.ErrStale)
	w.Case.UID = "c"
	wantError(t, "case number", s.Append(ctx, site, w), storage.ErrExternalIdentifierTaken)
}

func caseNumbers(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	number := storage.Identifier{System: "urn:harbour:case", Value: "7"}
	with := func(uid string, id storage.Identifier) storage.Write {
		w := plain(uid)
		w.Case.ExternalIdentifier = id
		return w
	}
	owner := func(id storage.Identifier) string {
		c, err := s.CaseByExternalIdentifier(ctx, site, id)
		if err != nil {
			return err.Error()
		}
		return c.UID
	}
	mustAppend(t, s, with("a", number))
	wantError(t, "the same number", s.Append(ctx, site, with("b", number)), storage.ErrExternalIdentifierTaken)
	mustAppend(t, s, with("b", storage.Identifier{System: "urn:ferry:case", Value: "7"}))
	mustAppend(t, s, with("c", storage.Identifier{Value: "7"}))
	wantEqual(t, "owner", owner(number), "a")
	wantEqual(t, "owner in the other system", owner(storage.Identifier{System: "urn:ferry:case", Value: "7"}), "b")
	wantEqual(t, "owner without a system", owner(storage.Identifier{Value: "7"}), "c")
	mustAppend(t, s, plain("none"))
	mustAppend(t, s, plain("none either"))

	for _, state := range []string{storage.CaseRetracted, storage.CaseMerged} {
		uid := owner(number)
		w := next(t, s, uid)
		w.Case.State = state
		mustAppend(t, s, w)
		wantEqual(t, "owner after "+state, owner(number), storage.ErrNotFound.Error())
		mustAppend(t, s, with("after "+state, number))
		wantEqual(t, "the next owner", owner(number), "after "+state)
		back := next(t, s, uid)
		back.Case.State = storage.CaseActive
		wantError(t, "coming back while the number is taken", s.Append(ctx, site, back), storage.ErrExternalIdentifierTaken)
		wantEqual(t, "the "+state+" case keeps it on record", must(s.Case(ctx, site, uid)).ExternalIdentifier, number)
	}
	// A number given up is free, one kept is no conflict with itself.
	uid := owner(number)
	mustAppend(t, s, next(t, s, uid))
	w := next(t, s, uid)
	w.Case.ExternalIdentifier = storage.Identifier{System: "urn:harbour:case", Value: "8"}
	mustAppend(t, s, w)
	wantEqual(t, "owner of a number given up", owner(number), storage.ErrNotFound.Error())
	mustAppend(t, s, with("heir", number))
}

func newestRowsOnly(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	mustAppend(t, s, full("a"))
	mustAppend(t, s, full("b"))
	shown := func() (row storage.CaseRow, ids []string) {
		rows, _, err := s.Cases(ctx, []string{site}, storage.CaseFilter{}, "", 10)
		if err != nil {
			t.Fatal(err)
		}
		list, _, err := s.Comparisons(ctx, []string{site}, storage.ComparisonFilter{CaseUID: "a"}, "", 10)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range list {
			ids = append(ids, c.Comparison.ID)
		}
		return rows[slices.IndexFunc(rows, func(r storage.CaseRow) bool { return r.UID == "a" })], ids
	}
	w := next(t, s, "a")
	w.Case.Evaluation = 2
	w.Evaluation = evaluation(2)
	w.Findings = []storage.Finding{
		{ID: "x", Severity: storage.SeverityCaution}, {ID: "y", Severity: storage.SeverityCaution}, {ID: "z", Severity: storage.SeverityNote},
	}
	w.Projected = nothing()
	w.Projected[0].Rows.Comparisons = []storage.Comparison{{ID: "new", Class: 14, Verdict: storage.ComparisonIndeterminate, Root: true, Order: 4}}
	mustAppend(t, s, w)
	row, ids := shown()
	wantEqual(t, "counts of the newest evaluation", [4]int{row.Contradictions, row.Cautions, row.Notes, row.RootCount}, [4]int{0, 2, 1, 0})
	wantEqual(t, "its comparisons", ids, []string{"new"})

	mustAppend(t, s, next(t, s, "a"))
	row, ids = shown()
	wantEqual(t, "counts after a write without an evaluation", [4]int{row.Contradictions, row.Cautions, row.Notes, row.RootCount}, [4]int{0, 2, 1, 0})
	wantEqual(t, "comparisons after it", ids, []string{"new"})

	w = next(t, s, "a")
	w.Case.Evaluation = 3
	w.Evaluation, w.Projected = evaluation(3), nothing()
	mustAppend(t, s, w)
	row, ids = shown()
	wantEqual(t, "counts after a clean evaluation", [4]int{row.Contradictions, row.Cautions, row.Notes, row.RootCount}, [4]int{})
	wantEqual(t, "comparisons after it", len(ids), 0)

	var numbers, versions []int64
	for _, e := range must(s.EvaluationHeaders(ctx, site, "a")) {
		numbers, versions = append(numbers, e.Number), append(versions, e.CaseVersion)
	}
	wantEqual(t, "evaluations are only added", numbers, []int64{1, 2, 3})
	wantEqual(t, "the versions they were made with", versions, []int64{1, 2, 4})
	wantEqual(t, "one of them", must(s.Answer(ctx, site, "a", 2)), evaluation(2).Answer)
	_, _, err := s.Metrics(ctx, site, "a")
	wantError(t, "values of an earlier evaluation", err, storage.ErrNotFound)
	rows, _, err := s.Cases(ctx, []string{site}, storage.CaseFilter{DisputedOnly: true}, "", 10)
	if err != nil {
		t.Fatal(err)
	}
	wantEqual(t, "cases with an open contradiction", uidsOf(rows), []string{"b"})
}

func requests(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	row := storage.Request{Caller: "theatre", Site: site, Method: "SubmitCase", RequestID: "1", ContentHash: []byte("content"), Receipt: []byte("first"), Time: start}
	mustAppend(t, s, storage.Write{Request: &row})
	again := row
	again.ContentHash, again.Receipt = []byte("other"), []byte("second")
	wantError(t, "the key again", s.Append(ctx, site, storage.Write{Request: &again}), storage.ErrRequestExists)
	wantEqual(t, "what was answered first", must(s.Request(ctx, "theatre", site, "SubmitCase", "1")), row)
	for _, other := range []storage.Request{
		{Caller: "clinic", Site: site, Method: "SubmitCase", RequestID: "1"},
		{Caller: "theatre", Site: site, Method: "RetractCase", RequestID: "1"},
		{Caller: "theatre", Site: site, Method: "SubmitCase", RequestID: "2"},
	} {
		mustAppend(t, s, storage.Write{Request: &other})
		wantEqual(t, "a row of another key", must(s.Request(ctx, other.Caller, site, other.Method, other.RequestID)), other)
	}
	refused := plain("a")
	refused.Expected, refused.Case.Version = 1, 2
	refused.Request = &storage.Request{Caller: "theatre", Site: site, Method: "SubmitCase", RequestID: "3"}
	wantError(t, "a stale write with a request", s.Append(ctx, site, refused), storage.ErrStale)
	_, err := s.Request(ctx, "theatre", site, "SubmitCase", "3")
	wantError(t, "a refused request is not used up", err, storage.ErrNotFound)
}

func quarantine(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	q := *full("a").Quarantined
	mustAppend(t, s, storage.Write{Quarantined: &q})

	q.Decision, q.Body, q.CaseUID, q.Caller, q.ReceivedTime = "looked at", []byte("other body"), "z", "reviewer", after(70)
	mustAppend(t, s, storage.Write{Quarantined: &q})
	wantEqual(t, "replaced while open", must(s.Quarantined(ctx, site, q.ID)), q)

	filed := q
	filed.State, filed.Body = storage.QuarantineFiled, nil
	mustAppend(t, s, storage.Write{Quarantined: &filed})
	wantEqual(t, "filed, without its body", must(s.Quarantined(ctx, site, q.ID)), filed)
	_, err := s.QuarantinedByHash(ctx, site, q.Hash)
	wantError(t, "by hash once decided", err, storage.ErrNotFound)

	discarded := q
	discarded.State = storage.QuarantineDiscarded
	wantError(t, "decided twice", s.Append(ctx, site, storage.Write{Quarantined: &discarded}), storage.ErrStale)
	wantEqual(t, "the first decision stands", must(s.Quarantined(ctx, site, q.ID)), filed)

	// The same submit may come again after the decision, but not twice.
	second, third := q, q
	second.ID, third.ID = "second", "third"
	mustAppend(t, s, storage.Write{Quarantined: &second})
	wantEqual(t, "by hash", must(s.QuarantinedByHash(ctx, site, q.Hash)), second)
	wantError(t, "received twice", s.Append(ctx, site, storage.Write{Quarantined: &third}), storage.ErrStale)
}

// quarantineListed reads pages of every size, in every state, of every case and of one.
func quarantineListed(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	var all []storage.Quarantined
	for i := range 12 {
		q := *full("a").Quarantined
		q.ID, q.Hash, q.CaseUID = fmt.Sprintf("q%02d", i), []byte(fmt.Sprint("hash ", i)), []string{"a", "b"}[i%2]
		q.State = []string{storage.QuarantineOpen, storage.QuarantineDiscarded, storage.QuarantineOpen}[i%3]
		q.ReceivedTime = after(i / 4) // several at one time
		mustAppend(t, s, storage.Write{Quarantined: &q})
		q.Body, q.Decision, q.Hash = nil, "", nil
		all = append(all, q)
	}
	slices.SortFunc(all, func(a, b storage.Quarantined) int {
		return cmp.Or(b.ReceivedTime.Compare(a.ReceivedTime), cmp.Compare(a.ID, b.ID))
	})
	for _, f := range []storage.QuarantineFilter{
		{State: storage.QuarantineOpen}, {State: storage.QuarantineDiscarded}, {State: storage.QuarantineOpen, CaseUID: "b"}, {State: storage.QuarantineFiled}, {State: storage.QuarantineOpen, CaseUID: "none"},
	} {
		var want []storage.Quarantined
		for _, q := range all {
			if q.State == f.State && (f.CaseUID == "" || q.CaseUID == f.CaseUID) {
				want = append(want, q)
			}
		}
		for _, limit := range []int{1, 3, 100} {
			got := pages(t, limit, func(after string, limit int) ([]storage.Quarantined, string, error) {
				return s.QuarantinedPage(ctx, site, f, after, limit)
			}, func() {})
			wantEqual(t, fmt.Sprintf("%+v in pages of %d", f, limit), got, want)
		}
	}
	list, _, err := s.QuarantinedPage(ctx, "elsewhere", storage.QuarantineFilter{State: storage.QuarantineOpen}, "", 10)
	if err != nil || len(list) != 0 {
		t.Errorf("of another site: %v, %v", list, err)
	}
}

func policies(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	first := storage.Policy{Hash: "h", Version: "1", Text: "text", FirstUsed: after(1)}
	mustAppend(t, s, storage.Write{Policy: &first})
	later := first
	later.FirstUsed = after(2)
	mustAppend(t, s, storage.Write{Policy: &later})
	wantEqual(t, "used a second time", must(s.Policy(ctx, site, "h")), first)
	other := storage.Policy{Hash: "h2", Version: "2", Text: "other", FirstUsed: after(3)}
	mustAppend(t, s, storage.Write{Policy: &other})
	wantEqual(t, "another", must(s.Policy(ctx, site, "h2")), other)
	wantEqual(t, "the first one still", must(s.Policy(ctx, site, "h")), first)
}

func patients(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	id := func(value string) storage.Identifier {
		return storage.Identifier{System: "urn:harbour:patient", Value: value}
	}
	mustAppend(t, s, plain("a"))
	for _, test := range []struct {
		reason  string
		current storage.Identifier
		former  []storage.Identifier
	}{
		{"none to one", id("1"), nil},
		{"unchanged", id("1"), nil},
		{"corrected", id("2"), []storage.Identifier{id("1")}},
		{"corrected again, order kept", id("3"), []storage.Identifier{id("2"), id("1")}},
		{"back to a former one", id("1"), []storage.Identifier{id("2"), id("3")}},
		{"fewer", id("1"), []storage.Identifier{id("3")}},
		{"none", storage.Identifier{}, nil},
	} {
		w := next(t, s, "a")
		w.Case.Patient, w.Case.FormerPatients = test.current, test.former
		mustAppend(t, s, w)
		wantEqual(t, test.reason, must(s.Case(ctx, site, "a")), *w.Case)
	}
}
