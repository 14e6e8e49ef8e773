// Package storagetest is the suite that every store must pass: it holds the
// sentences of storage.Store and its row types against a real store, through the
// interface alone. A store's own tests call Run; what is special to one store
// (files, crashes, speed) is tested beside it. Words, sites and people in here
// are invented.
package storagetest

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"testing"
	"time"

	"trigone/internal/storage"
)

// Run runs the suite. place makes room for one new empty store and gives what
// opens it: called again after Close it opens the same store again.
func Run(t *testing.T, place func(t *testing.T) (open func() storage.Store)) {
	for _, test := range []struct {
		name string
		run  func(*testing.T, func() storage.Store)
	}{
		{"every field comes back", everyFieldComesBack},
		{"empty is not absent", emptyIsNotAbsent},
		{"not found", notFound},
		{"sites are apart", sitesAreApart},
		{"all or nothing", allOrNothing},
		{"refused writes", refusedWrites},
		{"one version after the other", oneVersionAfterTheOther},
		{"order of errors", orderOfErrors},
		{"case numbers", caseNumbers},
		{"newest rows only", newestRowsOnly},
		{"requests", requests},
		{"quarantine", quarantine},
		{"policies", policies},
		{"patients", patients},
		{"many on one case", manyOnOneCase},
		{"many cases", manyCases},
		{"one request at once", oneRequestAtOnce},
		{"changes in the order of commits", changesInOrder},
		{"ended contexts", endedContexts},
		{"pages of cases", pagesOfCases},
		{"pages of discrepancies", pagesOfDiscrepancies},
		{"discrepancies against a reference", discrepanciesAgainstReference},
		{"opened again", openedAgain},
		{"closed", closed},
	} {
		t.Run(test.name, func(t *testing.T) { test.run(t, place(t)) })
	}
}

const site = "harbour"

// start is an invented day; after counts seconds from it.
var start = time.Date(2031, 3, 4, 7, 30, 0, 123456789, time.UTC)

func after(seconds int) time.Time { return start.Add(time.Duration(seconds) * time.Second) }

// opened opens a store that is closed at the end of the test.
func opened(t *testing.T, open func() storage.Store) storage.Store {
	t.Helper()
	s := open()
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return s
}

// full is a write that opens a case with every part and every field.
func full(uid string) storage.Write {
	return storage.Write{
		Case: &storage.Case{
			Site: site, UID: uid, Version: 1, State: storage.CaseActive,
			ExternalIdentifier: storage.Identifier{System: "urn:harbour:case", Value: "number-" + uid},
			Patient:            storage.Identifier{System: "urn:harbour:patient", Value: "patient-" + uid},
			FormerPatients: []storage.Identifier{
				{System: "urn:harbour:patient", Value: "z-former-" + uid}, {System: "urn:ferry:patient", Value: "a-former-" + uid},
			},
			Sections: []storage.Section{
				{Section: storage.IdentitySection, Head: 1, State: storage.SectionAccepted, Order: 1},
				{Section: "plan", Head: 2, State: storage.SectionDisputed, Order: 2},
				{Section: "assessment/clinic", Head: 1, State: storage.SectionRetracted, Order: 3},
			},
			OpenedTime: after(1), ChangedTime: after(2), Evaluation: 1, IncisionTime: after(3), PlanTiming: storage.TimingProspective, MergedInto: "other",
		},
		Revisions: []storage.Revision{
			revision(storage.IdentitySection, 1, "who"), revision("plan", 1, "first"), revision("plan", 2, "second"), revision("assessment/clinic", 1, "echo"),
		},
		Evaluation: &storage.Evaluation{
			Number: 1, CaseVersion: 1, Time: after(4), CatalogueVersion: "catalogue", RuleSetVersion: "rules", PolicyHash: "hash", CalibrationID: "calibration",
			SoftwareVersion: "software", PlanRevision: 2, OutcomeSeen: true, Answer: []byte("answer\x00of " + uid), Metrics: []byte{1, 0, 255},
		},
		Findings: []storage.Finding{
			{ID: "finding", Rule: "a-rule", Severity: storage.SeverityContradiction, Occasion: "plan", Place: "p2", Final: true},
			{ID: "second", Rule: "b-rule", Severity: storage.SeverityNote},
		},
		Discrepancies: []storage.Discrepancy{
			{ID: "one", Class: "step_omitted", Verdict: storage.VerdictPresent, Root: true, Order: 1, Row: []byte("row\x00one")},
			{ID: "two", Class: "ring_size", Verdict: storage.VerdictIndeterminate, Order: 2, Row: []byte("row two")},
		},
		Policy: &storage.Policy{Hash: "hash", Version: "1", Text: "limits: some\n", FirstUsed: after(5)},
		Request: &storage.Request{
			Caller: "theatre", Site: site, Method: "SubmitCase", RequestID: "request-" + uid, ContentHash: []byte{9, 8, 0}, CaseUID: uid, CaseVersion: 1,
			Evaluation: 1, QuarantineID: "quarantine-" + uid, Receipt: []byte("receipt"), Time: after(6),
		},
		Quarantined: &storage.Quarantined{
			ID: "quarantine-" + uid, CaseUID: uid, Body: []byte("body\x00"), ReceivedTime: after(7), Caller: "theatre", State: storage.QuarantineOpen,
			Decision: "none yet", Hash: []byte("hash of " + uid),
		},
		Changes: []storage.Change{
			{Kind: "submitted", CaseUID: uid, CaseVersion: 1, Section: "plan", Revision: 2, State: storage.SectionDisputed, Reason: "why", Time: after(8), QuarantineID: "quarantine-" + uid, FindingID: "finding"},
			{Kind: "disputed", CaseUID: uid, CaseVersion: 1, Time: after(8)},
		},
		Confirmations: []storage.Confirmation{
			{FindingID: "z-finding", Rule: "a-rule", Kind: storage.Confirmed, Caller: "reviewer", Time: after(10), Reason: "measured twice", CaseVersion: 1},
			{FindingID: "finding", Rule: "b-rule", Kind: storage.ConfirmationLapsed, Time: after(11), CaseVersion: 1},
		},
	}
}

func revision(section string, number int64, content string) storage.Revision {
	return storage.Revision{
		Section: section, Revision: number, Content: []byte(content), ReceivedTime: after(9), SourceTime: after(-9), Caller: "clinic",
		CaseVersion: 1,
	}
}

// plain is a write that opens a case and nothing else.
func plain(uid string) storage.Write {
	return storage.Write{Case: &storage.Case{UID: uid, Version: 1, State: storage.CaseActive, ChangedTime: start, OpenedTime: start}}
}

// next is a write of the case as it stands, one version on.
func next(t *testing.T, s storage.Store, uid string) storage.Write {
	t.Helper()
	c, err := s.Case(t.Context(), site, uid)
	if err != nil {
		t.Fatalf("case %s: %v", uid, err)
	}
	return following(c)
}

func following(c storage.Case) storage.Write {
	w := storage.Write{Expected: c.Version, Case: &c}
	c.Version++
	return w
}

func mustAppend(t *testing.T, s storage.Store, w storage.Write) {
	t.Helper()
	if err := s.Append(t.Context(), site, w); err != nil {
		t.Fatalf("append: %v", err)
	}
}

// wantError wants an error of this kind; nil wants any.
func wantError(t *testing.T, what string, err, want error) {
	t.Helper()
	switch {
	case err == nil:
		t.Errorf("%s: no error", what)
	case want != nil && !errors.Is(err, want):
		t.Errorf("%s: got %q, want %q", what, err, want)
	}
}

func wantEqual(t *testing.T, what string, got, want any) {
	t.Helper()
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%s:\n got %+v\nwant %+v", what, got, want)
	}
}

// must gives a value that was read without error.
func must[T any](v T, err error) T {
	if err != nil {
		panic(fmt.Sprintf("read: %v", err))
	}
	return v
}

// everything is all that a site shows of these cases, requests and quarantined
// submits: two of them are equal if nothing was stored in between.
func everything(t *testing.T, s storage.Store, uids ...string) map[string]any {
	t.Helper()
	ctx := t.Context()
	cases, _, err := s.Cases(ctx, site, storage.CaseFilter{}, "", 1000)
	if err != nil {
		t.Fatal(err)
	}
	rows, _, err := s.Discrepancies(ctx, site, storage.DiscrepancyFilter{}, "", 1000)
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]any{
		"cases": cases, "discrepancies": rows,
		"changes": must(s.Changes(ctx, site, 0, 1000)),
		"counts":  must(s.CountDiscrepancies(ctx, site, storage.DiscrepancyFilter{})),
	}
	for _, uid := range uids {
		all["revisions of "+uid] = must(s.Revisions(ctx, site, uid))
		all["confirmations of "+uid] = must(s.Confirmations(ctx, site, uid))
		all["evaluations of "+uid] = must(s.Evaluations(ctx, site, uid))
		request, err := s.Request(ctx, "theatre", site, "SubmitCase", "request-"+uid)
		all["request of "+uid] = []any{request, err}
		q, err := s.Quarantined(ctx, site, "quarantine-"+uid)
		all["quarantined of "+uid] = []any{q, err}
	}
	policy, err := s.Policy(ctx, site, "hash")
	all["policy"] = []any{policy, err}
	return all
}

// wantFull fails if a field of a sample is zero: then the round trip would prove
// nothing of it.
func wantFull(t *testing.T, sample any) {
	t.Helper()
	v := reflect.ValueOf(sample)
	for i := range v.NumField() {
		if v.Field(i).IsZero() {
			t.Fatalf("the sample of %T has no %s: give it one, so that the suite covers it", sample, v.Type().Field(i).Name)
		}
	}
}

func uidsOf(rows []storage.CaseRow) []string {
	var uids []string
	for _, r := range rows {
		uids = append(uids, r.UID)
	}
	return uids
}

func everyFieldComesBack(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	w := full("a")
	for i := range w.Revisions {
		w.Revisions[i].CaseVersion = 77 // set by the store, whatever is given
	}
	w.Evaluation.CaseVersion = 77
	for i := range w.Confirmations {
		w.Confirmations[i].CaseVersion = 77
	}
	mustAppend(t, s, w)

	want := full("a")
	wantFull(t, *want.Case)
	wantEqual(t, "case", must(s.Case(ctx, site, "a")), *want.Case)
	wantEqual(t, "revisions, in the order of storing", must(s.Revisions(ctx, site, "a")), want.Revisions)
	wantFull(t, *want.Evaluation)
	wantEqual(t, "evaluations", must(s.Evaluations(ctx, site, "a")), []storage.Evaluation{*want.Evaluation})
	wantFull(t, want.Confirmations[0])
	wantEqual(t, "confirmations, in the order of storing", must(s.Confirmations(ctx, site, "a")), want.Confirmations)
	wantEqual(t, "evaluation", must(s.Evaluation(ctx, site, "a", 1)), *want.Evaluation)
	wantFull(t, *want.Request)
	wantEqual(t, "request", must(s.Request(ctx, "theatre", site, "SubmitCase", "request-a")), *want.Request)
	wantFull(t, *want.Quarantined)
	wantEqual(t, "quarantined", must(s.Quarantined(ctx, site, "quarantine-a")), *want.Quarantined)
	wantEqual(t, "quarantined by hash", must(s.QuarantinedByHash(ctx, site, []byte("hash of a"))), *want.Quarantined)
	wantFull(t, *want.Policy)
	wantEqual(t, "policy", must(s.Policy(ctx, site, "hash")), *want.Policy)

	changes := must(s.Changes(ctx, site, 0, 10))
	if len(changes) != 2 || changes[0].Number < 1 || changes[1].Number <= changes[0].Number {
		t.Fatalf("changes are not numbered upwards from 1: %+v", changes)
	}
	for i := range changes {
		want.Changes[i].Number = changes[i].Number
	}
	wantFull(t, want.Changes[0])
	wantEqual(t, "changes", changes, want.Changes)

	rows, token, err := s.Cases(ctx, site, storage.CaseFilter{}, "", 10)
	if err != nil {
		t.Fatal(err)
	}
	wantEqual(t, "rows of cases", rows, []storage.CaseRow{{Case: *want.Case, Contradictions: 1, Notes: 1, RootCount: 1}})
	wantEqual(t, "token at the end", token, "")

	list, token, err := s.Discrepancies(ctx, site, storage.DiscrepancyFilter{}, "", 10)
	if err != nil {
		t.Fatal(err)
	}
	wantFull(t, want.Discrepancies[0])
	var wanted []storage.CaseDiscrepancy
	for _, d := range want.Discrepancies {
		wanted = append(wanted, storage.CaseDiscrepancy{
			CaseUID: "a", ExternalIdentifier: want.Case.ExternalIdentifier, IncisionTime: want.Case.IncisionTime, PlanTiming: want.Case.PlanTiming, Discrepancy: d,
		})
	}
	wantEqual(t, "discrepancies", list, wanted)
	wantEqual(t, "token at the end", token, "")

	// A retraction with its reason, and every changed field of the case.
	w = next(t, s, "a")
	retraction := storage.Revision{
		Section: "plan", Revision: 3, ReceivedTime: after(20), SourceTime: after(19), Caller: "reviewer", Retraction: true,
		RetractionReason: "entered_in_error", RetractionText: "typed into the wrong window", CaseVersion: 2,
	}
	w.Revisions = []storage.Revision{retraction}
	*w.Case = storage.Case{
		Site: site, UID: "a", Version: 2, State: storage.CaseMerged, ExternalIdentifier: storage.Identifier{System: "s2", Value: "v2"},
		Patient: storage.Identifier{System: "p2", Value: "v2"}, FormerPatients: []storage.Identifier{{System: "p3", Value: "v3"}},
		Sections:   []storage.Section{{Section: "plan", Head: 3, State: storage.SectionRetracted, Order: 5}},
		OpenedTime: after(21), ChangedTime: after(22), Evaluation: 1, IncisionTime: after(23), PlanTiming: storage.TimingLateArrival, MergedInto: "third",
	}
	again := storage.Confirmation{FindingID: "z-finding", Rule: "a-rule", Kind: storage.ConfirmationRevoked, Caller: "reviewer", Time: after(24), Reason: "not so", CaseVersion: 2}
	w.Confirmations = []storage.Confirmation{again}
	mustAppend(t, s, w)
	wantEqual(t, "confirmations after the second write", must(s.Confirmations(ctx, site, "a")), append(want.Confirmations, again))
	wantEqual(t, "case after the second write", must(s.Case(ctx, site, "a")), *w.Case)
	wantEqual(t, "revisions after the second write", must(s.Revisions(ctx, site, "a")), append(want.Revisions, retraction))

	secret := must(s.Secret(ctx))
	if len(secret) != 32 || slices.Equal(secret, make([]byte, 32)) {
		t.Errorf("the secret is not 32 random bytes but %d", len(secret))
	}
	if err := s.Ping(ctx); err != nil {
		t.Errorf("ping: %v", err)
	}
	wantEqual(t, "secret after a ping", must(s.Secret(ctx)), secret)
}

func emptyIsNotAbsent(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	w := plain("a")
	w.Revisions = []storage.Revision{
		{Section: "plan", Revision: 1, Content: []byte{}, CaseVersion: 1},
		{Section: storage.IdentitySection, Revision: 1, Content: []byte{}, CaseVersion: 1},
		{Section: "plan", Revision: 2, Retraction: true, CaseVersion: 1},
		{Section: storage.IdentitySection, Revision: 2, Retraction: true, CaseVersion: 1},
	}
	mustAppend(t, s, w)
	wantEqual(t, "an empty message and none, no times", must(s.Revisions(ctx, site, "a")), w.Revisions)

	c := must(s.Case(ctx, site, "a"))
	w.Case.Site = site
	wantEqual(t, "a case with nothing in it", c, *w.Case)

	// The first and the last time that can be kept, and the epoch, which is no
	// absent time.
	for i, at := range []time.Time{storage.MinTime, storage.MaxTime, time.Unix(0, 0).UTC()} {
		w := next(t, s, "a")
		w.Case.IncisionTime, w.Case.ChangedTime = at, at
		mustAppend(t, s, w)
		wantEqual(t, fmt.Sprintf("time %d", i), must(s.Case(ctx, site, "a")).IncisionTime, at)
	}
	// A zone is not kept: an instant is.
	w = next(t, s, "a")
	w.Case.IncisionTime = start.In(time.FixedZone("summer", 7200))
	mustAppend(t, s, w)
	wantEqual(t, "a time in a zone", must(s.Case(ctx, site, "a")).IncisionTime, start)
}

func notFound(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	mustAppend(t, s, full("a"))
	_, err := s.Case(ctx, site, "b")
	wantError(t, "case", err, storage.ErrNotFound)
	_, err = s.CaseByExternalIdentifier(ctx, site, storage.Identifier{System: "urn:ferry:case", Value: "number-a"})
	wantError(t, "case number of another system", err, storage.ErrNotFound)
	_, err = s.CaseByExternalIdentifier(ctx, site, storage.Identifier{})
	wantError(t, "no case number", err, storage.ErrNotFound)
	_, err = s.Evaluation(ctx, site, "a", 2)
	wantError(t, "evaluation", err, storage.ErrNotFound)
	_, err = s.Evaluation(ctx, site, "b", 1)
	wantError(t, "evaluation of no case", err, storage.ErrNotFound)
	_, err = s.Quarantined(ctx, site, "b")
	wantError(t, "quarantined", err, storage.ErrNotFound)
	_, err = s.QuarantinedByHash(ctx, site, []byte("b"))
	wantError(t, "quarantined by hash", err, storage.ErrNotFound)
	_, err = s.Policy(ctx, site, "b")
	wantError(t, "policy", err, storage.ErrNotFound)
	for _, key := range [][3]string{
		{"clinic", "SubmitCase", "request-a"}, {"theatre", "RetractCase", "request-a"}, {"theatre", "SubmitCase", "request-b"},
	} {
		_, err = s.Request(ctx, key[0], site, key[1], key[2])
		wantError(t, fmt.Sprint("request ", key), err, storage.ErrNotFound)
	}
	wantEqual(t, "revisions of no case", len(must(s.Revisions(ctx, site, "b"))), 0)
	wantEqual(t, "evaluations of no case", len(must(s.Evaluations(ctx, site, "b"))), 0)
}

func sitesAreApart(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	const other = "island"
	before := everything(t, s, "a")
	w := full("a")
	w.Case.Site, w.Request.Site = other, other
	if err := s.Append(ctx, other, w); err != nil {
		t.Fatal(err)
	}
	wantEqual(t, "this site after a write at another", everything(t, s, "a"), before)
	_, err := s.Case(ctx, site, "a")
	wantError(t, "case of another site", err, storage.ErrNotFound)
	_, err = s.CaseByExternalIdentifier(ctx, site, w.Case.ExternalIdentifier)
	wantError(t, "case number of another site", err, storage.ErrNotFound)
	_, err = s.Evaluation(ctx, site, "a", 1)
	wantError(t, "evaluation of another site", err, storage.ErrNotFound)
	_, err = s.QuarantinedByHash(ctx, site, w.Quarantined.Hash)
	wantError(t, "quarantined of another site", err, storage.ErrNotFound)

	// The same uid, case number, request id and quarantine id are free here.
	mustAppend(t, s, full("a"))
	wantEqual(t, "site of the case", must(s.Case(ctx, other, "a")).Site, other)
	wantEqual(t, "changes there", len(must(s.Changes(ctx, other, 0, 10))), 2)
	wantEqual(t, "changes here", len(must(s.Changes(ctx, site, 0, 10))), 2)
}
