package ledger

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/audit"
	"trigone/internal/casebook"
	trigonev1 "trigone/proto/trigone/v1"
)

var auditor = casebook.Principal{Name: "auditor-1", Tied: true, ByStaff: true}

func (h *house) monitors(who casebook.Principal, req *trigonev1.MonitorOutcomesRequest) *trigonev1.MonitorOutcomesResponse {
	h.Helper()
	resp, err := h.ledger.MonitorOutcomes(h.ctx, who, req)
	if err != nil {
		h.Fatal(err)
	}
	return resp
}

// The same question on the same record is the same answer, byte for byte, and the order in
// which cases came changes nothing but the names that the service gave them.
func TestMonitoringOfTheSameRecord(t *testing.T) {
	stories := restatedStories(t, 12)
	chosen := audit.Monitoring{Charts: []audit.Monitored{{Outcome: audit.AnyFailure, Acceptable: 0.05, Unacceptable: 0.2, InControl: 50, CasesAYear: 20}}}
	asOf := timestamppb.New(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
	var answers []*trigonev1.MonitorOutcomesResponse
	for _, reversed := range []bool{false, true} {
		list := slices.Clone(stories)
		if reversed {
			slices.Reverse(list)
		}
		h := newHouse(t, openStore(t), "harbour")
		h.book.Policy.Monitoring = chosen
		for _, c := range list {
			h.plan(c)
			h.outcome(c)
		}
		answer := h.monitors(auditor, &trigonev1.MonitorOutcomesRequest{AsOf: asOf})
		if again := h.monitors(auditor, &trigonev1.MonitorOutcomesRequest{AsOf: asOf}); !proto.Equal(answer, again) {
			t.Error("asked again, another answer")
		}
		for _, c := range answer.GetCharts() {
			all := c.GetOperationCount() + c.GetWaitingCount()
			for _, l := range c.GetLeftOut() {
				all += l.GetCount()
			}
			if all != answer.GetOperationCount() || int(c.GetOperationCount()) != len(c.GetPoints()) || c.GetSentence() == "" || c.GetDefinition() == "" {
				t.Errorf("%s: %d of %d operations, %d points, %q", c.GetOutcome(), all, answer.GetOperationCount(), len(c.GetPoints()), c.GetSentence())
			}
			for _, p := range c.GetPoints() {
				p.CaseName = ""
			}
			for _, s := range c.GetSignals() {
				s.CaseName = ""
			}
		}
		answers = append(answers, answer)
	}
	if answers[0].GetOperationCount() == 0 || answers[0].GetContext().GetLastChange() == 0 {
		t.Fatal("nothing is followed")
	}
	if !proto.Equal(answers[0], answers[1]) {
		t.Errorf("another order of arrival, another answer:\n%v\n%v", answers[0], answers[1])
	}
	failures := answers[0].GetCharts()[slices.IndexFunc(answers[0].GetCharts(), func(c *trigonev1.MonitoringChart) bool { return c.GetOutcome() == audit.AnyFailure })]
	if failures.GetKind() != trigonev1.MonitoringChartKind_MONITORING_CHART_KIND_FIXED_RATES || failures.GetUpper().GetLimit() == 0 || answers[0].PolicyFalseAlarmsAYear == nil {
		t.Errorf("%v", failures)
	}
}

// What is written after an earlier answer draws the path anew; the answer says since when
// it may differ. What is retracted leaves it.
func TestMonitoringAfterACorrection(t *testing.T) {
	h := toldHouse(t, 4)
	asOf := timestamppb.New(h.now)
	ask := func(since int64) *trigonev1.MonitoringChart {
		return h.monitors(auditor, &trigonev1.MonitorOutcomesRequest{AsOf: asOf, Outcomes: []string{audit.FurtherMitralRun}, ChangedSince: since}).GetCharts()[0]
	}
	earlier := h.monitors(auditor, &trigonev1.MonitorOutcomesRequest{AsOf: asOf, Outcomes: []string{audit.FurtherMitralRun}})
	seen := earlier.GetContext().GetLastChange()
	if c := ask(seen); c.GetChangedCount() != 0 {
		t.Errorf("nothing was written: %v", c)
	}
	corrected := restatedStories(t, 4)[1]
	// A correction that changes nothing on the chart is told all the same: it was written.
	operation := proto.CloneOf(corrected.GetOperation())
	operation.EndTime = timestamppb.New(operation.GetEndTime().AsTime().Add(time.Minute))
	h.now = h.now.Add(time.Hour)
	h.submit(corrected, &trigonev1.CaseFile{Operation: operation})
	asOf = timestamppb.New(h.now)
	c := ask(seen)
	if c.GetChangedCount() != 1 || !strings.Contains(strings.Join(c.GetNotes(), "\n"), "1 operation on the chart was written since that earlier answer") {
		t.Errorf("%d changed, %v", c.GetChangedCount(), c.GetNotes())
	}
	name := ""
	for _, p := range c.GetPoints() {
		if p.GetChanged() {
			name = p.GetCaseName()
		}
	}
	if name == "" {
		t.Fatal("no point is marked")
	}
	if _, err := h.book.RetractCase(h.ctx, surgeon, &trigonev1.RetractCaseRequest{Case: &trigonev1.CaseReference{Name: name}, Reason: trigonev1.RetractionReason(1), CaseVersion: h.get(corrected).GetCaseVersion()}); err != nil {
		t.Fatal(err)
	}
	left := h.monitors(auditor, &trigonev1.MonitorOutcomesRequest{AsOf: asOf, Outcomes: []string{audit.FurtherMitralRun}})
	if left.GetRetractedCaseCount() != 1 || left.GetCharts()[0].GetOperationCount() != c.GetOperationCount()-1 {
		t.Errorf("%d retracted, %d on the chart, %d before", left.GetRetractedCaseCount(), left.GetCharts()[0].GetOperationCount(), c.GetOperationCount())
	}
}

func TestMonitoringQuestions(t *testing.T) {
	h := toldHouse(t, 4)
	h.book.Policy.Monitoring = audit.Monitoring{Charts: []audit.Monitored{
		{Outcome: audit.Conversion, Acceptable: 0.05, Unacceptable: 0.1, InControl: 100, CasesAYear: 20},
		{Outcome: audit.Conversion, Operator: "surgeon-1", Acceptable: 0.05, Unacceptable: 0.1, InControl: 100, CasesAYear: 20},
		{Outcome: audit.Conversion, Operator: "surgeon-9", Acceptable: 0.05, Unacceptable: 0.1, InControl: 100, CasesAYear: 20},
	}}
	one := casebook.Principal{Name: "one", Tied: true, Operators: []string{"surgeon-1"}}
	nobody := casebook.Principal{Name: "nobody", Tied: true}
	for _, r := range []struct {
		reason string
		who    casebook.Principal
		req    *trigonev1.MonitorOutcomesRequest
		refuse string
	}{
		{"an outcome that is none", auditor, &trigonev1.MonitorOutcomesRequest{Outcomes: []string{"luck"}}, "outcomes[0]: is none of the outcomes that can be followed"},
		{"a change that has not come", auditor, &trigonev1.MonitorOutcomesRequest{ChangedSince: 1 << 40}, "changed_since: is 1099511627776, and the last change of the site is"},
		{"a filter of no kind", auditor, &trigonev1.MonitorOutcomesRequest{Filter: &trigonev1.AuditFilter{Groups: []*trigonev1.FactFilter{{Kind: "luck", Words: []string{"good"}}}}}, "filter.groups[0].kind"},
		{"an auditor asks for anybody", auditor, &trigonev1.MonitorOutcomesRequest{Operator: "surgeon-9"}, ""},
		{"somebody asks for himself", one, &trigonev1.MonitorOutcomesRequest{Operator: "surgeon-1"}, ""},
		{"somebody asks for another", one, &trigonev1.MonitorOutcomesRequest{Operator: "surgeon-9"}, "the operations of one operator may be asked for by an auditor"},
		{"who operates under no pseudonym asks for somebody", nobody, &trigonev1.MonitorOutcomesRequest{Operator: "surgeon-1"}, "the operations of one operator may be asked for by an auditor"},
		{"the department less oneself would be somebody", one, &trigonev1.MonitorOutcomesRequest{}, "fewer than 3 operators have 11 operations here"},
		{"who operates not has nothing to take away", nobody, &trigonev1.MonitorOutcomesRequest{}, ""},
	} {
		t.Run(r.reason, func(t *testing.T) {
			resp, err := h.ledger.MonitorOutcomes(h.ctx, r.who, r.req)
			switch {
			case r.refuse == "" && (err != nil || len(resp.GetCharts()) == 0):
				t.Errorf("%v, %v", resp, err)
			case r.refuse != "" && (err == nil || !strings.Contains(err.Error(), r.refuse)):
				t.Errorf("%v, want %q", err, r.refuse)
			case (r.req.GetOperator() != "") != (resp.GetLearning() != nil) && r.refuse == "":
				t.Errorf("learning chart %v", resp.GetLearning())
			}
			for _, c := range resp.GetCharts() {
				if c.GetOperator() != r.req.GetOperator() {
					t.Errorf("a chart of %q", c.GetOperator())
				}
			}
			for _, name := range resp.GetMonitoredOperators() {
				if !r.who.ByStaff && !slices.Contains(r.who.Operators, name) {
					t.Errorf("%s is told who is monitored: %s", r.who.Name, name)
				}
			}
		})
	}
	// A part of the operations is a picture, and without points there are none.
	part := h.monitors(auditor, &trigonev1.MonitorOutcomesRequest{OmitPoints: true, Outcomes: []string{audit.Conversion}, Filter: &trigonev1.AuditFilter{IncisionFrom: timestamppb.New(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))}})
	if c := part.GetCharts()[0]; c.GetKind() != trigonev1.MonitoringChartKind_MONITORING_CHART_KIND_PICTURE || c.GetUpper() != nil || len(c.GetPoints()) > 0 || !strings.Contains(c.GetPictureBecause(), "only a part") {
		t.Errorf("%v", c)
	}
	// Before the first case there is nothing, and that is no error.
	empty := h.monitors(auditor, &trigonev1.MonitorOutcomesRequest{AsOf: timestamppb.New(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))})
	if empty.GetOperationCount() != 0 || empty.GetCharts()[0].GetSentence() != "No operation to follow." {
		t.Errorf("%v", empty)
	}
}
