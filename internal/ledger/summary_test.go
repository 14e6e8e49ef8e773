package ledger

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/casebook"
	trigonev1 "trigone/proto/trigone/v1"
)

// The counts are those of the facts and changes that lists show, counted here once more.
func TestSummaryOfTheRecordAgainstTheLists(t *testing.T) {
	h := toldHouse(t, 100)
	auditor := casebook.Principal{Name: "audit", ByStaff: true}
	resp, err := h.ledger.SummarizeLedger(h.ctx, auditor, &trigonev1.SummarizeLedgerRequest{})
	if err != nil {
		t.Fatal(err)
	}
	facts, err := h.ledger.ListCaseFacts(h.ctx, auditor, &trigonev1.ListCaseFactsRequest{PageSize: 500})
	if err != nil {
		t.Fatal(err)
	}
	type key struct {
		rule     string
		severity trigonev1.Severity
	}
	found, late, without, asked := map[key]int32{}, map[string]int32{}, map[string]int32{}, int32(0)
	for _, f := range facts.GetFacts() {
		if f.GetTimes().GetIncisionTime() == nil {
			continue
		}
		for _, finding := range f.GetFindings() {
			if finding.GetSeverity() != 0 {
				found[key{finding.GetRule(), finding.GetSeverity()}]++
			}
		}
		switch f.GetTimes().GetPlanTiming() {
		case trigonev1.PlanTiming_PLAN_TIMING_LATE_ARRIVAL, trigonev1.PlanTiming_PLAN_TIMING_RETROSPECTIVE:
			late[f.GetTeam().GetSigner()]++
		}
		without[f.GetTeam().GetFirstOperator()] += f.GetCounts().GetDifferencesWithoutReasonCount()
		asked += int32(len(f.GetQueries()))
	}
	for _, n := range resp.GetRules() {
		k := key{n.GetRule(), n.GetSeverity()}
		if n.GetFoundCount() != found[k] || n.GetOpenCount()+n.GetConfirmedCount() != n.GetFoundCount() || n.RestatedCount != nil {
			t.Errorf("%v, the facts have %d", n, found[k])
		}
		delete(found, k)
	}
	if len(found) > 0 || len(resp.GetRules()) < 10 {
		t.Errorf("%d rules; missing %v", len(resp.GetRules()), found)
	}
	for _, n := range resp.GetLatePlans() {
		if n.GetCount() != late[n.GetPseudonym()] || n.GetCount() > n.GetCaseCount() {
			t.Errorf("late plans %v, the facts have %d", n, late[n.GetPseudonym()])
		}
	}
	for _, n := range resp.GetDifferencesWithoutReason() {
		if n.GetCount() != without[n.GetPseudonym()] {
			t.Errorf("without reason %v, the facts have %d", n, without[n.GetPseudonym()])
		}
	}
	q := resp.GetQueries()
	if q.GetAskedCount() != asked || q.GetFollowedCount()+q.GetNotFollowedCount()+q.GetCannotBeToldCount()+q.GetNotCitedCount() != asked {
		t.Errorf("%v, the facts have %d", q, asked)
	}
	again, err := h.ledger.SummarizeLedger(h.ctx, auditor, &trigonev1.SummarizeLedgerRequest{AsOf: resp.GetContext().GetAsOf()})
	if err != nil || !proto.Equal(resp, again) {
		t.Errorf("asked again as of the same time: %v", err)
	}

	// Who may not select by staff is told of himself alone.
	one := resp.GetDifferencesWithoutReason()[0].GetPseudonym()
	own, err := h.ledger.SummarizeLedger(h.ctx, casebook.Principal{Name: "someone", Tied: true, Operators: []string{one}}, &trigonev1.SummarizeLedgerRequest{})
	if err != nil || len(own.GetDifferencesWithoutReason()) != 1 || own.GetDifferencesWithoutReason()[0].GetPseudonym() != one || len(own.GetLatePlans()) > 1 {
		t.Errorf("%v, %v", own.GetDifferencesWithoutReason(), err)
	}
	untied, err := h.ledger.SummarizeLedger(h.ctx, casebook.Principal{Name: "someone"}, &trigonev1.SummarizeLedgerRequest{})
	if err != nil || len(untied.GetDifferencesWithoutReason())+len(untied.GetLatePlans()) > 0 {
		t.Errorf("to who has no pseudonym of his own, where nobody's are tied: %v, %v", untied, err)
	}
	before, err := h.ledger.SummarizeLedger(h.ctx, auditor, &trigonev1.SummarizeLedgerRequest{AsOf: timestamppb.New(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))})
	if err != nil || before.GetCaseCount() != 0 || len(before.GetRules()) != 0 || before.GetSentence() == "" {
		t.Errorf("before the first case: %v, %v", before, err)
	}
}

// What is missing is listed page by page, of one moment, each case once for a kind.
func TestGapsPageByPage(t *testing.T) {
	h := toldHouse(t, 100)
	whole, err := h.ledger.ListGaps(h.ctx, surgeon, &trigonev1.ListGapsRequest{PageSize: 500})
	if err != nil || len(whole.GetGaps()) < 20 || whole.GetNextPageToken() != "" {
		t.Fatalf("%d gaps, %v", len(whole.GetGaps()), err)
	}
	counted := map[trigonev1.GapKind]int32{}
	for _, g := range whole.GetGaps() {
		counted[g.GetKind()]++
	}
	for _, n := range whole.GetCounts() {
		if n.GetCount() != counted[n.GetKind()] || n.GetCount() > n.GetOf() {
			t.Errorf("%v, the list has %d", n, counted[n.GetKind()])
		}
	}
	var pages []*trigonev1.Gap
	req := &trigonev1.ListGapsRequest{PageSize: 7, AsOf: whole.GetContext().GetAsOf()}
	for {
		page, err := h.ledger.ListGaps(h.ctx, surgeon, req)
		if err != nil {
			t.Fatal(err)
		}
		pages = append(pages, page.GetGaps()...)
		if req.PageToken = page.GetNextPageToken(); req.PageToken == "" {
			break
		}
	}
	if len(pages) != len(whole.GetGaps()) {
		t.Fatalf("%d gaps by pages, %d at once", len(pages), len(whole.GetGaps()))
	}
	for i, g := range pages {
		if !proto.Equal(g, whole.GetGaps()[i]) {
			t.Errorf("gap %d is %v by pages, %v at once", i, g, whole.GetGaps()[i])
		}
	}
}

// A question is counted once, by the worst that a step that cites it tells.
func TestWhatBecameOfQuestions(t *testing.T) {
	step := func(f trigonev1.AnswerFollowed) *trigonev1.QueryStepFacts {
		return &trigonev1.QueryStepFacts{Followed: f}
	}
	const yes, no, unknown = trigonev1.AnswerFollowed_ANSWER_FOLLOWED_YES, trigonev1.AnswerFollowed_ANSWER_FOLLOWED_NO, trigonev1.AnswerFollowed_ANSWER_FOLLOWED_CANNOT_BE_TOLD
	cited := []string{"s1"}
	n := &trigonev1.QueryCount{}
	countQueries(n, []*trigonev1.QueryFacts{
		{}, {},
		{FollowedByStepIds: cited, Steps: []*trigonev1.QueryStepFacts{step(yes)}},
		{FollowedByStepIds: cited, Steps: []*trigonev1.QueryStepFacts{step(yes), step(no)}},
		{FollowedByStepIds: cited, Steps: []*trigonev1.QueryStepFacts{step(unknown), step(yes)}},
		{FollowedByStepIds: cited, Steps: []*trigonev1.QueryStepFacts{step(unknown)}},
	})
	if want := (&trigonev1.QueryCount{AskedCount: 6, FollowedCount: 2, NotFollowedCount: 1, CannotBeToldCount: 1, NotCitedCount: 2}); !proto.Equal(n, want) {
		t.Errorf("%v, want %v", n, want)
	}
}
