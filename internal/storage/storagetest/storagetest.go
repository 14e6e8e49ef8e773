// Package storagetest is the suite that every store must pass: it holds the
// sentences of storage.Store and its row types against a real store, through the
// interface alone. A store's own tests call Run; what is special to one store
// (files, crashes, speed) is tested beside it. Words, sites and people in here
// are invented.
package storagetest

import (
	"crypto/sha256"
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
		{"list of quarantine", quarantineListed},
		{"policies", policies},
		{"patients", patients},
		{"many on one case", manyOnOneCase},
		{"many cases", manyCases},
		{"one request at once", oneRequestAtOnce},
		{"changes in the order of commits", changesInOrder},
		{"ended contexts", endedContexts},
		{"pages of cases", pagesOfCases},
		{"pages of comparisons", pagesOfComparisons},
		{"lists of sites", listsOfSites},
		{"lists against a reference", listsAgainstReference},
		{"detours leave no trace", detoursLeaveNoTrace},
		{"sites share no rows", sitesShareNoRows},
		{"answers", answers},
		{"revisions in two parts", revisionsInTwoParts},
		{"histories by their keys", histories},
		{"mappings", mappings},
		{"projections are listed", projectionsAreListed},
		{"a projection is built beside the one that stands", projectionIsBuilt},
		{"a restating stands beside what was answered", restatings},
		{"a restating over every verdict and write", restatingOfManyCases},
		{"the access record", accesses},
		{"the access record, many at once", accessesAtOnce},
		{"an identity erased", erasedIdentity},
		{"a case erased", erasedWhole},
		{"what is over its time", retention},
		{"counts of the theatre list", theatreCounts},
		{"resources are found", resourcesAreFound},
		{"rows of searches are built", rowsOfSearchesAreBuilt},
		{"cases of patients", casesOfPatients},
		{"a mark is kept", marks},
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

// The projections of the suite's program.
var program = []storage.ProjectionVersion{{Name: storage.ProjectionLedger, Version: 1}, {Name: storage.ProjectionResources, Version: 1}}

// opened opens a store that is closed at the end of the test, and declares the
// suite's projections.
func opened(t *testing.T, open func() storage.Store) storage.Store {
	t.Helper()
	s := open()
	must(s.DeclareProjections(t.Context(), program))
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
			EvaluationHeader: storage.EvaluationHeader{
				Number: 1, CaseVersion: 1, Time: after(4), CatalogueVersion: "catalogue", RuleSetVersion: "rules", PolicyHash: "hash", CalibrationID: "calibration",
				SoftwareVersion: "software", PlanRevision: 2, OutcomeSeen: true,
			},
			Answer: []byte("answer\x00of " + uid), Metrics: []byte{1, 0, 255},
		},
		Findings: []storage.Finding{
			{ID: "finding", Rule: "a-rule", Severity: storage.SeverityContradiction, Occasion: "plan", Place: "p2", Final: true},
			{ID: "second", Rule: "b-rule", Severity: storage.SeverityNote},
		},
		Amendments: []storage.Amendment{
			{Kind: "merge", Caller: "reviewer", Time: after(12), Reason: "one patient, two numbers", CaseVersion: 1}, {Kind: "correction", CaseVersion: 1},
		},
		Projected: []storage.Projected{
			{Name: storage.ProjectionLedger, Version: 1, Rows: storage.Rows{
				Comparisons: []storage.Comparison{
					fullComparison(1), {Order: 2, ID: "two", Class: 7, Verdict: storage.ComparisonIndeterminate, Message: []byte("row two"), Complete: true},
					{Order: 5, ID: "three", Verdict: storage.ComparisonAgrees, Complete: true, Root: true},
				},
				Facts:  &storage.Facts{Version: 1, Evaluation: 1, Message: []byte("facts\x00of " + uid)},
				Short:  []byte("short\x00of " + uid),
				Groups: []storage.Group{{Kind: technique, Word: "chord_replacement"}, {Kind: technique, Word: "annuloplasty"}, {Kind: year, Word: "2031"}},
				Children: []storage.Child{
					{Kind: 1, Section: "operation", Order: 1, Message: []byte("run one")}, {Kind: 1, Section: "operation", Order: 2, Message: []byte("run two")},
					{Kind: 2, Section: "result/exit", Order: 1, Message: []byte("echo")},
				},
				Counts: storage.Counts{Things: 6, ThingsAsPlanned: 1, ThingsOtherwise: 2, ThingsCannotBeTold: 1, ThingsNotEvaluable: 1, ThingsNotApplicable: 1},
			}},
			{Name: storage.ProjectionResources, Version: 1, Rows: storage.Rows{Resources: []storage.Resource{fullResource(1)}, CasePrefix: prefixOf(uid)}},
		},
		Policy: &storage.Policy{Hash: "hash", Version: "1", Text: "limits: some\n", FirstUsed: after(5)},
		Request: &storage.Request{
			Caller: "theatre", Site: site, Method: "SubmitCase", RequestID: "request-" + uid, ContentHash: []byte{9, 8, 0}, CaseUID: uid, CaseVersion: 1,
			Evaluation: 1, QuarantineID: "quarantine-" + uid, Receipt: []byte("receipt"), Time: after(6),
		},
		Quarantined: &storage.Quarantined{
			ID: "quarantine-" + uid, CaseUID: uid, Body: []byte("body\x00"), ReceivedTime: after(7), Caller: "theatre", State: storage.QuarantineOpen,
			Decision: "none yet", Hash: []byte("hash of " + uid), CaseVersion: 1, Sections: []string{"plan", "result/exit"}, DecidedTime: after(9), DecidedCaller: "reviewer",
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

// fullComparison has every field.
func fullComparison(order int64) storage.Comparison {
	value := func(v float64) *float64 { return &v }
	number := func(n int64) *int64 { return &n }
	return storage.Comparison{
		Order: order, ID: "one", DiscrepancyID: "step_omitted/one", Kind: 1, Verdict: storage.ComparisonPresent, Class: 1, Metric: 12, Place: "p2",
		Occasion: "operation/run1/exit", ThingPlanned: "step:one", Run: 1, Stage: 2, Method: 3, JudgedBy: 4, Owner: 1, Reason: 2, Root: true, PlanRevised: true,
		Planned: value(30), PlannedSD: value(0.1), Actual: value(28.5), ActualSD: value(0), Lower: value(-1e-300), Upper: value(31), Tolerance: value(1), Margin: value(1.5),
		PlannedSteps: number(300), ActualSteps: number(-285), FormulaNumber: 1, MetricFormulaNumber: 3, PredictionEvaluation: number(0), PredictionRole: 3,
		PredictionFormula: 2, Calibration: "calibration", Uncalibrated: value(29.5),
		Message: []byte("row\x00one"), Complete: true,
	}
}

// fullResource has every field.
func fullResource(n byte) storage.Resource {
	return storage.Resource{
		Type: "Observation", ID: [16]byte{n, 2, 3, 15: 9}, Mapping: 4, Digest: []byte{n, 7}, FirstVersion: 1, LastVersion: 2, State: storage.ResourceGone, Gone: []byte("{}"),
	}
}

// prefixOf is an invented case part of resource ids.
func prefixOf(uid string) int64 {
	n := int64(1)
	for _, b := range []byte(uid) {
		n = (n*31 + int64(b)) % (1 << 48)
	}
	return n
}

func revision(section string, number int64, content string) storage.Revision {
	return storage.Revision{
		Section: section, Revision: number, Content: []byte(content), Identifying: []byte("who wrote " + content), ReceivedTime: after(9), SourceTime: after(-9), Caller: "clinic",
		CaseVersion: 1,
	}
}

// hashed fills in what the store sets.
func hashed(list ...storage.Revision) []storage.Revision {
	for i := range list {
		r := &list[i]
		r.ContentHash, r.IdentifyingHash = nil, nil
		if r.Content != nil {
			sum := sha256.Sum256(r.Content)
			r.ContentHash = sum[:]
		}
		if r.Identifying != nil {
			sum := sha256.Sum256(r.Identifying)
			r.IdentifyingHash = sum[:]
		}
	}
	return list
}

// nothing are the rows of a case of which nothing can be said.
func nothing() []storage.Projected {
	return []storage.Projected{{Name: storage.ProjectionLedger, Version: 1}, {Name: storage.ProjectionResources, Version: 1}}
}

// unchanged leaves the rows as they are.
func unchanged() []storage.Projected {
	list := nothing()
	for i := range list {
		list[i].Unchanged = true
	}
	return list
}

// plain is a write that opens a case and nothing else.
func plain(uid string) storage.Write {
	return storage.Write{Case: &storage.Case{UID: uid, Version: 1, State: storage.CaseActive, ChangedTime: start, OpenedTime: start}, Projected: nothing()}
}

// evaluation is one with an answer and nothing else.
func evaluation(number int64) *storage.Evaluation {
	return &storage.Evaluation{EvaluationHeader: storage.EvaluationHeader{Number: number}, Answer: []byte{byte(number)}}
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
	w := storage.Write{Expected: c.Version, Case: &c, Projected: unchanged()}
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
	cases, _, err := s.Cases(ctx, []string{site}, storage.CaseFilter{}, "", 1000)
	if err != nil {
		t.Fatal(err)
	}
	comparisons, _, err := s.Comparisons(ctx, []string{site}, storage.ComparisonFilter{}, "", 1000)
	if err != nil {
		t.Fatal(err)
	}
	facts, _, err := s.Facts(ctx, []string{site}, storage.FactsFilter{}, "", 1000)
	if err != nil {
		t.Fatal(err)
	}
	var tallies []storage.Tally
	counts, err := s.Tallies(ctx, site, storage.TallyFilter{}, func(c storage.Tally) error { tallies = append(tallies, c); return nil })
	counts.LastChange = 0 // of the site: erasing another case raises it
	all := map[string]any{
		"tallies": []any{tallies, counts, err},
		"cases":   cases, "comparisons": comparisons, "facts": facts,
		"changes": must(s.Changes(ctx, site, 0, 1000)),
		"counts":  must(s.CountComparisons(ctx, site, storage.ComparisonFilter{})),
	}
	for _, uid := range uids {
		all["revisions of "+uid] = must(s.Revisions(ctx, site, uid))
		all["confirmations of "+uid] = must(s.Confirmations(ctx, site, uid))
		all["amendments of "+uid] = must(s.Amendments(ctx, site, uid))
		evaluations := must(s.EvaluationHeaders(ctx, site, uid))
		all["evaluations of "+uid] = evaluations
		for _, e := range evaluations {
			all[fmt.Sprintf("answer %d of %s", e.Number, uid)] = must(s.Answer(ctx, site, uid, e.Number))
		}
		number, packed, err := s.Metrics(ctx, site, uid)
		all["metrics of "+uid] = []any{number, packed, err}
		all["resources of "+uid] = must(s.Resources(ctx, site, uid))
		all["cases of the prefix of "+uid] = must(s.CasesByPrefix(ctx, site, prefixOf(uid)))
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
	sample := *want.Case
	sample.ErasedTime = start // of a write that erases: its own test has it
	wantFull(t, sample)
	wantEqual(t, "case", must(s.Case(ctx, site, "a")), *want.Case)
	wantEqual(t, "revisions, in the order of storing", must(s.Revisions(ctx, site, "a")), hashed(want.Revisions...))
	wantFull(t, want.Evaluation.EvaluationHeader)
	wantEqual(t, "evaluations", must(s.EvaluationHeaders(ctx, site, "a")), []storage.EvaluationHeader{want.Evaluation.EvaluationHeader})
	wantEqual(t, "answer", must(s.Answer(ctx, site, "a", 1)), want.Evaluation.Answer)
	number, packed, err := s.Metrics(ctx, site, "a")
	wantEqual(t, "metrics", []any{number, packed, err}, []any{int64(1), want.Evaluation.Metrics, nil})
	wantFull(t, want.Confirmations[0])
	wantEqual(t, "confirmations, in the order of storing", must(s.Confirmations(ctx, site, "a")), want.Confirmations)
	wantFull(t, want.Amendments[0])
	wantEqual(t, "amendments, in the order of storing", must(s.Amendments(ctx, site, "a")), want.Amendments)
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

	rows, token, err := s.Cases(ctx, []string{site}, storage.CaseFilter{}, "", 10)
	if err != nil {
		t.Fatal(err)
	}
	wantEqual(t, "rows of cases", rows, []storage.CaseRow{{Case: *want.Case, Contradictions: 1, Notes: 1, RootCount: 1}})
	wantEqual(t, "token at the end", token, "")

	ledger := want.Projected[0].Rows
	list, token, err := s.Comparisons(ctx, []string{site}, storage.ComparisonFilter{}, "", 10)
	if err != nil {
		t.Fatal(err)
	}
	wantFull(t, ledger.Comparisons[0])
	var wanted []storage.CaseComparison
	for _, c := range ledger.Comparisons {
		c.Message = append([]byte{}, c.Message...)
		wanted = append(wanted, storage.CaseComparison{
			Site: site, CaseUID: "a", ExternalIdentifier: want.Case.ExternalIdentifier, IncisionTime: want.Case.IncisionTime, PlanTiming: want.Case.PlanTiming, Comparison: c,
		})
	}
	wantEqual(t, "comparisons", list, wanted)
	wantEqual(t, "token at the end", token, "")
	facts, token, err := s.Facts(ctx, []string{site}, storage.FactsFilter{}, "", 10)
	if err != nil {
		t.Fatal(err)
	}
	wantFull(t, *ledger.Facts)
	wantFull(t, ledger.Children[0])
	wantEqual(t, "facts", facts, []storage.CaseFacts{{
		Site: site, CaseUID: "a", ExternalIdentifier: want.Case.ExternalIdentifier, IncisionTime: want.Case.IncisionTime, PlanTiming: want.Case.PlanTiming,
		Facts: *ledger.Facts, Children: ledger.Children,
	}})
	wantEqual(t, "token at the end", token, "")
	wantFull(t, fullResource(1))
	wantEqual(t, "resources", must(s.Resources(ctx, site, "a")), []storage.Resource{fullResource(1)})
	wantEqual(t, "cases of a prefix", must(s.CasesByPrefix(ctx, site, prefixOf("a"))), []string{"a"})

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
	wantEqual(t, "an empty message and none, no times", must(s.Revisions(ctx, site, "a")), hashed(w.Revisions...))

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
	_, err = s.Answer(ctx, site, "a", 2)
	wantError(t, "answer", err, storage.ErrNotFound)
	_, err = s.Answer(ctx, site, "b", 1)
	wantError(t, "answer of no case", err, storage.ErrNotFound)
	_, _, err = s.Metrics(ctx, site, "b")
	wantError(t, "metrics of no case", err, storage.ErrNotFound)
	wantError(t, "split in no case", s.SplitRevisions(ctx, site, "b", nil), storage.ErrNotFound)
	wantError(t, "erased in no case", s.EraseIdentifying(ctx, site, "b"), storage.ErrNotFound)
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
	wantEqual(t, "evaluations of no case", len(must(s.EvaluationHeaders(ctx, site, "b"))), 0)
	wantEqual(t, "resources of no case", len(must(s.Resources(ctx, site, "b"))), 0)
	wantEqual(t, "cases of no prefix", len(must(s.CasesByPrefix(ctx, site, prefixOf("b")))), 0)
	wantEqual(t, "comparisons of no site", must(s.CountComparisons(ctx, "nowhere", storage.ComparisonFilter{})), storage.ComparisonCounts{})
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
	_, err = s.Answer(ctx, site, "a", 1)
	wantError(t, "answer of another site", err, storage.ErrNotFound)
	_, err = s.QuarantinedByHash(ctx, site, w.Quarantined.Hash)
	wantError(t, "quarantined of another site", err, storage.ErrNotFound)

	// The same uid, case number, request id and quarantine id are free here.
	mustAppend(t, s, full("a"))
	wantEqual(t, "site of the case", must(s.Case(ctx, other, "a")).Site, other)
	wantEqual(t, "changes there", len(must(s.Changes(ctx, other, 0, 10))), 2)
	wantEqual(t, "changes here", len(must(s.Changes(ctx, site, 0, 10))), 2)
}
