package ledger

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"trigone/internal/casebook"
	"trigone/internal/policy"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// stricter is the built-in policy with limits and errors drawn elsewhere, so that
// every way by which a policy judges says something else.
func stricter(t *testing.T) policy.Policy {
	t.Helper()
	built, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	p, err := policy.ParseStored("stricter", []byte(strings.NewReplacer(
		"version: \"2\"", "version: stricter",
		"thresholds: {}", "thresholds: {mean_gradient_high: 2}",
		"tolerances: {}", "tolerances: {leaflet_height: {absolute: 0.1, relative_percent: 0, repeatability: 0}}",
		"input_sds: {}", "input_sds: {leaflet_height: 3, coaptation_depth: 3}",
	).Replace(built.Text)))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func restateUnder(ctx context.Context, store storage.Store, p policy.Policy) error {
	return casebook.Restate(ctx, casebook.RestateConfig{
		Store: store, Policy: p, Software: "test", Projector: Projection{}, AtOnce: 2, Report: func(casebook.Restated) {},
	})
}

// comparisons reads a list by the id of each comparison and its case.
func (h *house) comparisons(basis trigonev1.Basis) map[string]*trigonev1.CaseComparison {
	h.Helper()
	out := map[string]*trigonev1.CaseComparison{}
	for token := ""; ; {
		page, err := h.ledger.ListComparisons(h.ctx, surgeon, &trigonev1.ListComparisonsRequest{Basis: basis, PageSize: 500, PageToken: token})
		if err != nil {
			h.Fatal(err)
		}
		if page.GetBasis() != basis {
			h.Fatalf("asked for %s, answered by %s", basis, page.GetBasis())
		}
		for _, c := range page.GetComparisons() {
			c.CaseName = "" // two stores name a case otherwise
			out[c.GetExternalIdentifier().GetValue()+" "+c.GetComparison().GetId()] = c
		}
		if token = page.GetNextPageToken(); token == "" {
			return out
		}
	}
}

func (h *house) facts(basis trigonev1.Basis) []*trigonev1.CaseFacts {
	h.Helper()
	resp, err := h.ledger.ListCaseFacts(h.ctx, surgeon, &trigonev1.ListCaseFactsRequest{Basis: basis, PageSize: 500})
	if err != nil {
		h.Fatal(err)
	}
	return resp.GetFacts()
}

// notRestated wants every list to refuse the basis, saying what to do.
func (h *house) notRestated(why string) {
	h.Helper()
	_, err := h.ledger.ListComparisons(h.ctx, surgeon, &trigonev1.ListComparisonsRequest{Basis: trigonev1.Basis_BASIS_RESTATED})
	_, err2 := h.ledger.ListDiscrepancies(h.ctx, surgeon, &trigonev1.ListDiscrepanciesRequest{Basis: trigonev1.Basis_BASIS_RESTATED})
	_, err3 := h.ledger.ListCaseFacts(h.ctx, surgeon, &trigonev1.ListCaseFactsRequest{Basis: trigonev1.Basis_BASIS_RESTATED})
	for _, err := range []error{err, err2, err3} {
		var refused *casebook.Error
		if !errors.As(err, &refused) || refused.Kind != casebook.FailedPrecondition || !strings.Contains(err.Error(), "trigoned restate") {
			h.Errorf("%s: %v; want a refusal that names the command", why, err)
		}
	}
}

// onRecord is what the casebook shows of a site: a restating changes none of it.
func (h *house) onRecord(cases []*trigonev1.CaseFile) string {
	h.Helper()
	var out strings.Builder
	add := func(m proto.Message, err error) {
		h.Helper()
		if err != nil {
			h.Fatal(err)
		}
		content, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
		if err != nil {
			h.Fatal(err)
		}
		fmt.Fprintf(&out, "%x\n", content)
	}
	for _, c := range cases {
		add(h.get(c), nil)
		revisions, err := h.book.ListRevisions(h.ctx, surgeon, &trigonev1.ListRevisionsRequest{Case: reference(c)})
		add(revisions, err)
	}
	changes, err := h.book.ListChanges(h.ctx, surgeon, &trigonev1.ListChangesRequest{PageSize: 500})
	add(changes, err)
	list, err := h.book.ListCases(h.ctx, surgeon, &trigonev1.ListCasesRequest{PageSize: 500})
	add(list, err)
	return out.String()
}

// restatedStories are invented cases with an outcome.
func restatedStories(t *testing.T, most int) (list []*trigonev1.CaseFile) {
	t.Helper()
	for _, name := range testdata.Names(testdata.Cases) {
		if c := story(t, name); c.GetOperation().GetIncisionTime() != nil && len(list) < most {
			list = append(list, c)
		}
	}
	return list
}

func restatedHouse(t *testing.T, cases []*trigonev1.CaseFile) *house {
	t.Helper()
	h := newHouse(t, openStore(t), "harbour")
	for _, c := range cases {
		h.plan(c)
		h.outcome(c)
	}
	return h
}

// Judged again by what they were judged by, all cases say what they said.
func TestRestatedUnderTheSameVersionsIsTheSame(t *testing.T) {
	cases := restatedStories(t, 100)
	h := restatedHouse(t, cases)
	p, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	if err := restateUnder(t.Context(), h.store, p); err != nil {
		t.Fatal(err)
	}
	stored, restated := h.comparisons(trigonev1.Basis_BASIS_STORED), h.comparisons(trigonev1.Basis_BASIS_RESTATED)
	if len(stored) < 500 || len(restated) != len(stored) {
		t.Fatalf("%d comparisons are stored, %d restated", len(stored), len(restated))
	}
	for id, want := range stored {
		got := proto.CloneOf(restated[id])
		// What is expected of a planned ring was predicted by the newest evaluation: now
		// it is named.
		if c := got.GetComparison(); c.PredictionEvaluation != nil && want.GetComparison().GetPredictionEvaluation() == 0 &&
			c.GetPredictionRole() == trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN && c.GetPredictionEvaluation() > 0 {
			c.PredictionEvaluation = want.GetComparison().PredictionEvaluation
		}
		if !proto.Equal(got, want) {
			t.Errorf("%s:\nrestated %v\nstored   %v", id, got, want)
		}
	}
	facts := h.facts(trigonev1.Basis_BASIS_RESTATED)
	for i, want := range h.facts(trigonev1.Basis_BASIS_STORED) {
		want.Versions.Evaluation = 0 // a report has no number
		if !proto.Equal(facts[i], want) {
			t.Errorf("facts of %s:\nrestated %v\nstored   %v", want.GetCaseName(), facts[i], want)
		}
	}
}

// Under another policy the restated rows say something else, and nothing else does;
// killed anywhere, a restating goes on and comes to the same.
func TestRestated(t *testing.T) {
	cases := restatedStories(t, 9)
	h, straight := restatedHouse(t, cases), restatedHouse(t, cases)
	p := stricter(t)
	stored, record := h.tells(), h.onRecord(cases)
	unchanged := func(why string) {
		t.Helper()
		if text := h.tells().differsFrom(stored); text != "" {
			t.Fatalf("%s: what was answered: %s", why, text)
		}
		if h.onRecord(cases) != record {
			t.Fatalf("%s: the record changed", why)
		}
	}
	h.notRestated("before any")

	random := rand.New(rand.NewPCG(20, 27))
	kills := 0
	for {
		if err := restateUnder(t.Context(), &mortal{Store: h.store, left: 1 + random.IntN(4)}, p); err == nil {
			break
		} else if !errors.Is(err, errKilled) {
			t.Fatal(err)
		}
		kills++
		unchanged("after a kill")
	}
	if kills < 3 {
		t.Errorf("it was killed %d times only", kills)
	}
	if err := restateUnder(t.Context(), straight.store, p); err != nil {
		t.Fatal(err)
	}
	unchanged("restated")
	again, never := h.comparisons(trigonev1.Basis_BASIS_RESTATED), straight.comparisons(trigonev1.Basis_BASIS_RESTATED)
	if !equalComparisons(again, never) || len(again) < 100 {
		t.Fatalf("%d comparisons after kills are not the %d without", len(again), len(never))
	}

	flips, fromExecution, fromPlan := 0, 0, 0
	for id, was := range h.comparisons(trigonev1.Basis_BASIS_STORED) {
		was, is := was.GetComparison(), again[id].GetComparison()
		if is == nil {
			t.Fatalf("%s is not among what was restated: %s", id, was.GetMessage())
		}
		if is.GetVerdict() != was.GetVerdict() {
			flips++
		}
		changed := !reflect.DeepEqual([]*float64{was.Lower, was.Upper, was.PlannedSd}, []*float64{is.Lower, is.Upper, is.PlannedSd})
		switch is.GetPredictionRole() {
		case trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_EXECUTION:
			if changed {
				fromExecution++
			}
		case trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN:
			if is.GetLower() > 0 {
				fromPlan++
			}
			if changed || is.GetPredictionEvaluation() == 0 {
				t.Errorf("%s: what was predicted from the plan was %v, and is restated as %v", id, was, is)
			}
		}
	}
	if flips == 0 || fromExecution == 0 || fromPlan == 0 {
		t.Errorf("%d verdicts and %d predictions from execution came out otherwise, %d from the plan are held against something", flips, fromExecution, fromPlan)
	}
	before, after := h.facts(trigonev1.Basis_BASIS_STORED), h.facts(trigonev1.Basis_BASIS_RESTATED)
	more := 0
	for i, f := range after {
		if f.GetVersions().GetPolicyHash() != p.Hash || f.GetVersions().GetEvaluation() != 0 || f.GetCaseName() != before[i].GetCaseName() {
			t.Errorf("restated facts were made by %v", f.GetVersions())
		}
		more += len(f.GetFindings()) - len(before[i].GetFindings())
	}
	if more <= 0 {
		t.Error("a stricter limit found nothing more")
	}
	if got, err := h.book.GetPolicy(h.ctx, surgeon, &trigonev1.GetPolicyRequest{Hash: p.Hash}); err != nil || got.GetText() != p.Text {
		t.Errorf("the policy that restated rows name is not on record: %v", err)
	}

	// A rebuild reads what was said, and judges nothing.
	built, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	err = casebook.Rebuild(t.Context(), casebook.RebuildConfig{
		Store: h.store, Policy: built, Projectors: []casebook.Projector{later{}}, AtOnce: 2, Report: func(casebook.Rebuilt) {},
	})
	if err != nil {
		t.Fatal(err)
	}
	unchanged("rebuilt")
	if got := h.comparisons(trigonev1.Basis_BASIS_RESTATED); !equalComparisons(got, again) {
		t.Error("a rebuild made other restated rows")
	}
	list, err := h.store.Projections(t.Context())
	if err != nil || len(list) != 2 || list[0].Version != (later{}).Version() || list[1].Version != (later{}).Version() || list[1].Under == "" {
		t.Errorf("listed after the rebuild: %+v, %v", list, err)
	}

	// A case that is written loses its rows until it is restated.
	next := newHouseWith(t, h.store, "harbour", later{})
	late := proto.CloneOf(cases[0].GetOperation())
	late.EndTime.Seconds += 60
	next.at(cases[0], 400*time.Hour).submit(cases[0], &trigonev1.CaseFile{Operation: late})
	number := cases[0].GetExternalIdentifier().GetValue()
	has := func() (of int) {
		for _, c := range next.comparisons(trigonev1.Basis_BASIS_RESTATED) {
			if c.GetExternalIdentifier().GetValue() == number {
				of++
			}
		}
		return of
	}
	if n, facts := has(), len(next.facts(trigonev1.Basis_BASIS_RESTATED)); n != 0 || facts != len(cases)-1 {
		t.Errorf("a written case has %d restated comparisons; %d cases have restated facts", n, facts)
	}
	writtenSince := allRows(t, h.store, "harbour")
	done := casebook.Restated{}
	err = casebook.Restate(t.Context(), casebook.RestateConfig{
		Store: h.store, Policy: p, Software: "test", Projector: later{}, Report: func(r casebook.Restated) { done = r },
	})
	if err != nil || done.Cases != 1 || has() == 0 {
		t.Errorf("called again it restated %d cases, of which the written one has %d comparisons: %v", done.Cases, has(), err)
	}

	if err := casebook.DropRestated(t.Context(), h.store); err != nil {
		t.Fatal(err)
	}
	next.notRestated("after the drop")
	if got := allRows(t, h.store, "harbour"); !reflect.DeepEqual(got, writtenSince) {
		t.Error("the drop changed what was answered")
	}
	if list, err := h.store.Projections(t.Context()); err != nil || len(list) != 1 {
		t.Errorf("listed after the drop: %+v, %v", list, err)
	}
}

// The cases of another site are none of a policy's business.
func TestRestatingLeavesOtherSitesAlone(t *testing.T) {
	store := openStore(t)
	harbour, mountain := newHouse(t, store, "harbour"), newHouse(t, store, "mountain")
	c := story(t, "several-differences")
	for _, h := range []*house{harbour, mountain} {
		h.plan(c)
		h.outcome(c)
	}
	done := casebook.Restated{}
	err := casebook.Restate(t.Context(), casebook.RestateConfig{
		Store: store, Policy: stricter(t), Software: "test", Projector: Projection{}, AtOnce: 1, Report: func(r casebook.Restated) { done = r },
	})
	if err != nil || done.Cases != 1 || done.Elsewhere != 1 {
		t.Errorf("restated %+v, %v", done, err)
	}
	if a, b := len(harbour.comparisons(trigonev1.Basis_BASIS_RESTATED)), len(mountain.comparisons(trigonev1.Basis_BASIS_RESTATED)); a == 0 || b != 0 {
		t.Errorf("%d comparisons restated at the policy's site, %d at the other", a, b)
	}
}

func equalComparisons(a, b map[string]*trigonev1.CaseComparison) bool {
	for id, c := range a {
		if !proto.Equal(c, b[id]) {
			return false
		}
	}
	return len(a) == len(b)
}
