package ledger

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/audit"
	trigonev1 "trigone/proto/trigone/v1"
)

// The figures are those of the pairs that ListComparisons shows: counted again here from
// the lists, which know nothing of the index that figures are read from.
func TestAgreementAgainstTheLists(t *testing.T) {
	h := toldHouse(t, 100)
	resp, err := h.ledger.SummarizeAgreement(h.ctx, surgeon, &trigonev1.SummarizeAgreementRequest{})
	if err != nil {
		t.Fatal(err)
	}
	type figure struct {
		kind                  trigonev1.ComparisonKind
		metric, place, method string
	}
	want := map[figure]int{}
	for _, c := range h.comparisons(trigonev1.Basis_BASIS_STORED) {
		x := c.GetComparison()
		if x.GetKind() != trigonev1.ComparisonKind_COMPARISON_KIND_HEIGHT || x.PlannedValue == nil || x.ActualValue == nil ||
			x.GetVerdict() == trigonev1.ComparisonVerdict_COMPARISON_VERDICT_NOT_EVALUABLE || c.GetPlanTiming() != trigonev1.PlanTiming_PLAN_TIMING_PROSPECTIVE {
			continue
		}
		want[figure{x.GetKind(), x.GetMetric(), x.GetPlace(), x.GetMethod().String()}]++
	}
	seen := 0
	for _, a := range resp.GetAgreements() {
		if a.GetKind() != trigonev1.ComparisonKind_COMPARISON_KIND_HEIGHT {
			continue
		}
		k := figure{a.GetKind(), a.GetMetric(), a.GetPlace(), a.GetMethod().String()}
		if int(a.GetPairCount()) != want[k] {
			t.Errorf("%s at %s, %s: %d pairs, the list has %d", k.metric, k.place, k.method, a.GetPairCount(), want[k])
		}
		delete(want, k)
		seen++
		if a.GetSentence() == "" || strings.Contains(a.GetSentence(), "NaN") {
			t.Errorf("sentence %q", a.GetSentence())
		}
	}
	if len(want) > 0 || seen < 3 {
		t.Errorf("%d figures; missing %v", seen, want)
	}
	again, err := h.ledger.SummarizeAgreement(h.ctx, surgeon, &trigonev1.SummarizeAgreementRequest{AsOf: resp.GetContext().GetAsOf()})
	if err != nil || !proto.Equal(resp, again) {
		t.Errorf("asked again as of the same time: %v", err)
	}
}

// toldHouse has invented cases on record as they came, first their plans.
func toldHouse(t *testing.T, most int) *house {
	t.Helper()
	h := newHouse(t, openStore(t), "harbour")
	for _, c := range restatedStories(t, most) {
		h.plan(c)
		h.outcome(c)
	}
	h.now = h.now.AddDate(5, 0, 0)
	return h
}

func TestAgreementQuestions(t *testing.T) {
	h := toldHouse(t, 4)
	past := timestamppb.New(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	for _, r := range []struct {
		reason string
		req    *trigonev1.SummarizeAgreementRequest
		refuse string
	}{
		{"before the first case there is nothing, and that is no error", &trigonev1.SummarizeAgreementRequest{AsOf: past}, ""},
		{"a period that ends before it begins holds nothing", &trigonev1.SummarizeAgreementRequest{Filter: &trigonev1.AuditFilter{
			IncisionFrom: timestamppb.Now(), IncisionBefore: past}}, ""},
		{"a kind without numbers", &trigonev1.SummarizeAgreementRequest{Kinds: []trigonev1.ComparisonKind{trigonev1.ComparisonKind_COMPARISON_KIND_CONVERSION}}, "kinds[0]: has no numbers on both sides"},
		{"a metric that is none", &trigonev1.SummarizeAgreementRequest{Metrics: []string{"luck"}}, "metrics[0]: is no metric or leaf"},
		{"words of no kind", &trigonev1.SummarizeAgreementRequest{Strata: []string{"surname"}}, "strata[0]: is none of the kinds"},
		{"a filter of no kind", &trigonev1.SummarizeAgreementRequest{Filter: &trigonev1.AuditFilter{Groups: []*trigonev1.FactFilter{{Kind: "luck", Words: []string{"good"}}}}}, "filter.groups[0].kind: is none of the kinds"},
	} {
		t.Run(r.reason, func(t *testing.T) {
			resp, err := h.ledger.SummarizeAgreement(h.ctx, surgeon, r.req)
			switch {
			case r.refuse == "" && (err != nil || resp.GetEligibleCaseCount() != 0 || len(resp.GetAgreements()) != 0):
				t.Errorf("%v, %v", resp, err)
			case r.refuse != "" && (err == nil || !strings.Contains(err.Error(), r.refuse)):
				t.Errorf("%v, want %q", err, r.refuse)
			}
		})
	}
}

// What is read and grouped by are words of the contract and kinds of groups.
func TestWordsOfAgreement(t *testing.T) {
	for i, kind := range measuredKinds {
		if kind == trigonev1.ComparisonKind_COMPARISON_KIND_UNSPECIFIED {
			t.Errorf("%s is no kind of the contract", audit.Kinds()[i])
		}
	}
	for _, kind := range []string{laterKind, executedKind, audit.RingFamily} {
		if kindNumber(kind) == 0 {
			t.Errorf("no case is filed under %s", kind)
		}
	}
}
