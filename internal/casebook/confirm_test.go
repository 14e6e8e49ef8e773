package casebook

import (
	"slices"
	"strings"
	"sync"
	"testing"

	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/policy"
	"trigone/internal/rules"
	trigonev1 "trigone/proto/trigone/v1"
)

// contradiction gives the only contradiction of the case.
func (f fixture) contradiction() *trigonev1.Finding {
	f.Helper()
	var found *trigonev1.Finding
	for _, x := range f.get().GetEvaluation().GetFindings() {
		if x.GetSeverity() == trigonev1.Severity_SEVERITY_CONTRADICTION {
			if found != nil {
				f.Fatal("more than one contradiction")
			}
			found = x
		}
	}
	if found == nil {
		f.Fatal("no contradiction")
	}
	return found
}

func (f fixture) confirm(id string) (*trigonev1.ConfirmFindingResponse, error) {
	return f.book.ConfirmFinding(f.ctx, Principal{Name: "reviewer"}, &trigonev1.ConfirmFindingRequest{
		Case: ref(), FindingId: id, Reason: "SECRET: read again on the screen", RequestId: "confirm-" + id,
	})
}

func (f fixture) mustConfirm(id string) *trigonev1.ConfirmFindingResponse {
	f.Helper()
	resp, err := f.confirm(id)
	if err != nil {
		f.Fatal(err)
	}
	return resp
}

func (f fixture) stateOf(section string) trigonev1.SectionState {
	f.Helper()
	for _, s := range f.get().GetSections() {
		if s.GetSection() == section {
			return s.GetState()
		}
	}
	f.Fatalf("no section %s", section)
	return 0
}

// changesSince gives kind, section and state of the changes after the first n.
func (f fixture) changesSince(n int) []string {
	f.Helper()
	var list []string
	for _, c := range f.changes()[n:] {
		list = append(list, strings.TrimSpace(convert.Word(c.GetKind())+" "+c.GetSection()+" "+convert.Word(c.GetState())))
	}
	return list
}

const (
	accepted = trigonev1.SectionState_SECTION_STATE_ACCEPTED
	disputed = trigonev1.SectionState_SECTION_STATE_DISPUTED
)

func gradient(e *trigonev1.Evaluation) *trigonev1.MetricValue {
	for _, m := range e.GetMetrics() {
		if m.GetMetric() == "mean_gradient" && m.GetOccasion() == "result/exit" {
			return m
		}
	}
	return nil
}

func TestConfirmSettlesAndRevokeDisputes(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, brokenResult))
	if gradient(f.get().GetEvaluation()).GetState() != trigonev1.MetricState_METRIC_STATE_DISPUTED {
		t.Fatal("the mean above the peak is not disputed")
	}
	id := f.contradiction().GetId()
	before := len(f.changes())
	resp := f.mustConfirm(id)
	if c := resp.GetConfirmation(); c.GetState() != trigonev1.ConfirmationState_CONFIRMATION_STATE_STANDING || c.GetRule() == "" || c.GetCaller() != "reviewer" || c.GetTime() == nil {
		t.Errorf("confirmation %v", c)
	}
	if resp.GetCaseVersion() != 2 || f.stateOf("result/exit") != accepted {
		t.Errorf("version %d, state %s", resp.GetCaseVersion(), f.stateOf("result/exit"))
	}
	got := f.get()
	if !f.contradiction().GetConfirmed() || f.contradiction().GetId() != id {
		t.Error("the finding must stay, with its id, and say that it is confirmed")
	}
	if v := gradient(got.GetEvaluation()); v.GetState() != trigonev1.MetricState_METRIC_STATE_VALUE || v.GetValue() != 9 {
		t.Errorf("the confirmed value is %v", v)
	}
	if !proto.Equal(got.GetEvaluation(), resp.GetEvaluation()) || got.GetEvaluation().GetNumber() != 2 {
		t.Error("the evaluation on record is not the one answered")
	}
	if rows, err := f.book.ListCases(f.ctx, caller, &trigonev1.ListCasesRequest{DisputedOnly: true}); err != nil || len(rows.GetCases()) != 0 {
		t.Errorf("a case whose only contradiction is confirmed is listed as disputed: %v, %v", rows, err)
	}
	if rows, err := f.book.ListCases(f.ctx, caller, &trigonev1.ListCasesRequest{}); err != nil || rows.GetCases()[0].GetContradictionCount() != 0 {
		t.Errorf("a confirmed contradiction is counted as open: %v, %v", rows, err)
	}

	// Again: the same answer and nothing written, with the same request and with
	// another.
	if again := f.mustConfirm(id); !proto.Equal(again, resp) {
		t.Errorf("a replay answers\n%v\nwant\n%v", again, resp)
	}
	other, err := f.book.ConfirmFinding(f.ctx, Principal{Name: "reviewer"}, &trigonev1.ConfirmFindingRequest{Case: ref(), FindingId: id, Reason: "SECRET: other words"})
	if err != nil || !proto.Equal(other.GetConfirmation(), resp.GetConfirmation()) || other.GetCaseVersion() != 2 {
		t.Errorf("%v, %v", other, err)
	}

	revoke := &trigonev1.RevokeConfirmationRequest{Case: ref(), FindingId: id, Reason: "SECRET: it was the other patient's screen", RequestId: "revoke"}
	back, err := f.book.RevokeConfirmation(f.ctx, Principal{Name: "reviewer"}, revoke)
	if err != nil {
		t.Fatal(err)
	}
	if c := back.GetConfirmation(); c.GetState() != trigonev1.ConfirmationState_CONFIRMATION_STATE_REVOKED || c.GetReason() == "" || c.GetEndedReason() == "" || c.GetEndedTime() == nil {
		t.Errorf("revoked: %v", c)
	}
	if f.stateOf("result/exit") != disputed || f.contradiction().GetConfirmed() {
		t.Error("after the revocation the value is not disputed")
	}
	if again, err := f.book.RevokeConfirmation(f.ctx, Principal{Name: "reviewer"}, revoke); err != nil || !proto.Equal(again, back) {
		t.Errorf("a replay answers\n%v\nwant\n%v, %v", again, back, err)
	}
	_, err = f.book.RevokeConfirmation(f.ctx, Principal{Name: "reviewer"}, &trigonev1.RevokeConfirmationRequest{Case: ref(), FindingId: id, Reason: "r"})
	wantRefusal(t, err, FailedPrecondition, ReasonNotConfirmed)

	want := []string{"confirmed", "settled result/exit accepted", "confirmation_revoked", "disputed result/exit disputed"}
	if got := f.changesSince(before); !slices.Equal(got, want) {
		t.Errorf("changes %v, want %v", got, want)
	}
	for _, c := range f.changes()[before:] {
		if strings.Contains(c.String(), "SECRET") {
			t.Errorf("a change tells free text: %v", c)
		}
		if c.GetSection() == "" && c.GetFindingId() != id {
			t.Errorf("change %v names no finding", c)
		}
	}
	// The first request is still answered as it was, though the confirmation ended.
	if late := f.mustConfirm(id); late.GetCaseVersion() != 2 || late.GetConfirmation().GetState() != trigonev1.ConfirmationState_CONFIRMATION_STATE_STANDING {
		t.Errorf("a late replay answers %v", late)
	}
}

func TestConfirmationLapses(t *testing.T) {
	other := strings.Replace(brokenResult, `"mmhg":9`, `"mmhg":10`, 1)
	tests := []struct {
		why    string
		then   func(f fixture)
		lapsed bool
		state  trigonev1.SectionState
	}{
		{"a write elsewhere leaves it", func(f fixture) { f.mustSubmit(object(numberAndPatient, planPart)) }, false, accepted},
		{"another value of the contradiction", func(f fixture) { f.mustSubmit(object(numberAndPatient, other), expect("result/exit", "1")) }, true, disputed},
		{"the contradiction is corrected", func(f fixture) { f.mustSubmit(object(numberAndPatient, resultPart), expect("result/exit", "1")) }, true, accepted},
		{"corrected and wrong again with the same values: confirmed by nobody", func(f fixture) {
			f.mustSubmit(object(numberAndPatient, resultPart), expect("result/exit", "1"))
			f.mustSubmit(object(numberAndPatient, brokenResult), expect("result/exit", "2"))
		}, true, disputed},
		{"the section is retracted", func(f fixture) {
			if _, err := f.book.RetractSection(f.ctx, caller, &trigonev1.RetractSectionRequest{
				Case: ref(), Section: "result/exit", Etag: "1", Reason: trigonev1.RetractionReason_RETRACTION_REASON_ENTERED_IN_ERROR,
			}); err != nil {
				f.Fatal(err)
			}
		}, true, trigonev1.SectionState_SECTION_STATE_RETRACTED},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			f := newFixture(t)
			f.mustSubmit(object(numberAndPatient, identityPart, brokenResult))
			f.mustConfirm(f.contradiction().GetId())
			before := len(f.changes())
			tt.then(f)
			if got := f.stateOf("result/exit"); got != tt.state {
				t.Errorf("state %s, want %s", got, tt.state)
			}
			confirmations := f.get().GetConfirmations()
			if len(confirmations) != 1 {
				t.Fatalf("confirmations %v", confirmations)
			}
			c := confirmations[0]
			if lapsed := c.GetState() == trigonev1.ConfirmationState_CONFIRMATION_STATE_LAPSED; lapsed != tt.lapsed || lapsed != (c.GetEndedTime() != nil) {
				t.Errorf("confirmation %v", c)
			}
			told := 0
			for _, change := range f.changesSince(before) {
				if change == "confirmation_lapsed" {
					told++
				}
			}
			if want := map[bool]int{true: 1}[tt.lapsed]; told != want {
				t.Errorf("the lapse is told %d times, want %d: %v", told, want, f.changesSince(before))
			}
		})
	}
}

func TestConfirmingWhatIsNoOpenContradiction(t *testing.T) {
	f := newFixture(t)
	high := strings.Replace(planPart, `"stepsRecorded"`, `"plannedHeights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":30}}],"stepsRecorded"`, 1)
	f.mustSubmit(object(numberAndPatient, identityPart, brokenResult, high))
	var note string
	for _, x := range f.get().GetEvaluation().GetFindings() {
		if x.GetSeverity() != trigonev1.Severity_SEVERITY_CONTRADICTION {
			note = x.GetId()
		}
	}
	id := f.contradiction().GetId()
	tests := []struct {
		why    string
		req    *trigonev1.ConfirmFindingRequest
		kind   Kind
		reason string
	}{
		{"no such finding", &trigonev1.ConfirmFindingRequest{Case: ref(), FindingId: "0123456789abcdef", Reason: "r"}, FailedPrecondition, ReasonNoContradiction},
		{"a finding that disputes nothing", &trigonev1.ConfirmFindingRequest{Case: ref(), FindingId: note, Reason: "r"}, FailedPrecondition, ReasonNoContradiction},
		{"no finding", &trigonev1.ConfirmFindingRequest{Case: ref(), Reason: "r"}, Invalid, ReasonViolations},
		{"no reason", &trigonev1.ConfirmFindingRequest{Case: ref(), FindingId: id, Reason: " \n"}, Invalid, ReasonViolations},
		{"a reason beyond the bound", &trigonev1.ConfirmFindingRequest{Case: ref(), FindingId: id, Reason: strings.Repeat("SECRET", 200)}, Invalid, ReasonViolations},
		{"no case", &trigonev1.ConfirmFindingRequest{FindingId: id, Reason: "r"}, Invalid, ReasonViolations},
		{"an unknown case", &trigonev1.ConfirmFindingRequest{Case: &trigonev1.CaseReference{Name: "sites/harbour/cases/none"}, FindingId: id, Reason: "r"}, NotFound, ReasonUnknownCase},
	}
	if note == "" {
		t.Fatal("no finding of another severity to try")
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			tt.req.RequestId = "once"
			_, err := f.book.ConfirmFinding(f.ctx, Principal{Name: "reviewer"}, tt.req)
			wantRefusal(t, err, tt.kind, tt.reason)
			if f.get().GetCaseVersion() != 1 {
				t.Error("a refusal wrote")
			}
		})
	}
	f.mustConfirm(id)
	_, err := f.book.ConfirmFinding(f.ctx, Principal{Name: "reviewer"}, &trigonev1.ConfirmFindingRequest{Case: ref(), FindingId: id, Reason: "other", RequestId: "confirm-" + id})
	wantRefusal(t, err, AlreadyExists, ReasonRequestIDReused)

	name := f.get().GetName()
	if _, err := f.book.RetractCase(f.ctx, caller, &trigonev1.RetractCaseRequest{Case: ref(), CaseVersion: 2, Reason: trigonev1.RetractionReason_RETRACTION_REASON_DUPLICATE}); err != nil {
		t.Fatal(err)
	}
	_, err = f.book.ConfirmFinding(f.ctx, Principal{Name: "reviewer"}, &trigonev1.ConfirmFindingRequest{Case: &trigonev1.CaseReference{Name: name}, FindingId: id, Reason: "r"})
	wantRefusal(t, err, FailedPrecondition, ReasonClosedCase)
}

// What is confirmed is what the present rules and policy say: of a case that they
// judged last the evaluation on record says it, else the case is judged.
func TestConfirmingWhatThePresentRulesSay(t *testing.T) {
	for _, tt := range []struct {
		why    string
		change func(b *Book)
		stored bool
	}{
		{"nothing changed since", func(*Book) {}, true},
		{"another software", func(b *Book) { b.software = "next" }, false},
		{"another policy", func(b *Book) { b.Policy.Hash = "of another text" }, false},
	} {
		t.Run(tt.why, func(t *testing.T) {
			f := newFixture(t)
			f.mustSubmit(object(numberAndPatient, identityPart, brokenResult))
			id := f.contradiction().GetId()
			tt.change(f.book)
			folder, err := f.book.openFor(f.ctx, ref())
			if err != nil {
				t.Fatal(err)
			}
			said, err := f.book.judgedAsNow(f.ctx, folder, f.clock.Now())
			if err != nil || (said.GetNumber() > 0) != tt.stored {
				t.Errorf("evaluation %d, on record %v: %v", said.GetNumber(), tt.stored, err)
			}
			if got := f.mustConfirm(id).GetConfirmation(); got.GetRule() == "" || got.GetState() != trigonev1.ConfirmationState_CONFIRMATION_STATE_STANDING {
				t.Errorf("%v", got)
			}
		})
	}
}

// The free text of a reviewer is kept with the confirmation and nowhere else, so
// that erasure finds it: not in requests or evaluations; that no bundle holds it is tested where they are made.
func TestReasonsOfAReviewerStandInOnePlace(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, brokenResult))
	id := f.contradiction().GetId()
	f.mustConfirm(id)
	if !strings.Contains(f.get().GetConfirmations()[0].GetReason(), "SECRET") {
		t.Fatal("the reason is not kept")
	}
	row, err := f.store.Request(f.ctx, "reviewer", "harbour", methodConfirm, "confirm-"+id)
	if err != nil || strings.Contains(string(row.Receipt), "SECRET") {
		t.Errorf("request row %q, %v", row.Receipt, err)
	}
	uid, _ := f.book.uidOf(f.get().GetName())
	evaluations, err := f.store.EvaluationHeaders(f.ctx, "harbour", uid)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range evaluations {
		answer, err := f.store.Answer(f.ctx, "harbour", uid, e.Number)
		if err != nil || strings.Contains(string(answer), "SECRET") {
			t.Error("an evaluation holds the reason")
		}
	}
}

// Two reviewers at once: one confirmation.
func TestConfirmTwiceAtOnce(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, brokenResult))
	id := f.contradiction().GetId()
	var wg sync.WaitGroup
	for _, who := range []string{"one", "two", "three"} {
		wg.Go(func() {
			if _, err := f.book.ConfirmFinding(f.ctx, Principal{Name: who}, &trigonev1.ConfirmFindingRequest{Case: ref(), FindingId: id, Reason: "read again"}); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if got := f.get(); len(got.GetConfirmations()) != 1 || got.GetCaseVersion() != 2 {
		t.Errorf("version %d, confirmations %v", got.GetCaseVersion(), got.GetConfirmations())
	}
}

func TestEvaluateAgain(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, planPart, brokenResult))
	first := f.get().GetEvaluation()
	f.mustSubmit(object(numberAndPatient, resultPart), expect("result/exit", "1"))
	again := func(req *trigonev1.EvaluateAgainRequest) (*trigonev1.EvaluateAgainResponse, error) {
		req.Case = ref()
		return f.book.EvaluateAgain(f.ctx, caller, req)
	}
	must := func(req *trigonev1.EvaluateAgainRequest) *trigonev1.EvaluateAgainResponse {
		t.Helper()
		resp, err := again(req)
		if err != nil {
			t.Fatal(err)
		}
		return resp
	}
	same := func(a, b *trigonev1.Evaluation) bool {
		a, b = proto.Clone(a).(*trigonev1.Evaluation), proto.Clone(b).(*trigonev1.Evaluation)
		a.Number, a.Time, b.Number, b.Time = 0, nil, 0, nil
		return proto.Equal(a, b)
	}
	before := f.get()
	changes := len(f.changes())

	now := must(&trigonev1.EvaluateAgainRequest{})
	if now.GetFidelity() != trigonev1.Fidelity_FIDELITY_EXACT || now.GetComparedWith() != 2 || len(now.GetAppeared())+len(now.GetVanished()) != 0 {
		t.Errorf("the present heads under the present rules: %s, compared with %d, %v, %v", now.GetFidelity(), now.GetComparedWith(), now.GetAppeared(), now.GetVanished())
	}
	if !same(now.GetEvaluation(), before.GetEvaluation()) || now.GetEvaluation().GetNumber() != 0 {
		t.Error("the present heads are evaluated otherwise than on record")
	}
	then := must(&trigonev1.EvaluateAgainRequest{Evaluation: 1})
	if then.GetFidelity() != trigonev1.Fidelity_FIDELITY_EXACT || !same(then.GetEvaluation(), first) {
		t.Errorf("evaluation 1 is not repeated: %s", then.GetExplanation())
	}
	old := must(&trigonev1.EvaluateAgainRequest{RuleSetVersion: "1", Evaluation: 1})
	if old.GetEvaluation().GetRuleSetVersion() != "1" {
		t.Errorf("rule set %q", old.GetEvaluation().GetRuleSetVersion())
	}
	if exact := old.GetFidelity() == trigonev1.Fidelity_FIDELITY_EXACT; exact != (rules.SetVersion == "1") || old.GetExplanation() == "" {
		t.Errorf("%s: %s", old.GetFidelity(), old.GetExplanation())
	}

	// Another version of the software says that it only comes near.
	newer, err := New(f.ctx, Config{Store: f.store, Policy: f.book.Policy, Software: "test-2", Now: f.clock.Now})
	if err != nil {
		t.Fatal(err)
	}
	near, err := newer.EvaluateAgain(f.ctx, caller, &trigonev1.EvaluateAgainRequest{Case: ref(), Evaluation: 1})
	if err != nil || near.GetFidelity() != trigonev1.Fidelity_FIDELITY_APPROXIMATE || !strings.Contains(near.GetExplanation(), "test-2") {
		t.Errorf("%v, %v", near.GetExplanation(), err)
	}

	if _, err := again(&trigonev1.EvaluateAgainRequest{RuleSetVersion: "99"}); err == nil {
		t.Error("a rule set nobody knows")
	} else {
		wantRefusal(t, err, NotFound, ReasonUnknownRuleSet)
	}
	_, err = again(&trigonev1.EvaluateAgainRequest{PolicyHash: "none"})
	wantRefusal(t, err, NotFound, ReasonUnknownPolicy)
	_, err = again(&trigonev1.EvaluateAgainRequest{Evaluation: 99})
	wantRefusal(t, err, NotFound, ReasonUnknownEvaluation)
	_, err = again(&trigonev1.EvaluateAgainRequest{Evaluation: -1})
	wantRefusal(t, err, Invalid, ReasonViolations)
	if !proto.Equal(f.get(), before) || len(f.changes()) != changes {
		t.Error("a report changed the record")
	}
}

// A case evaluated under one policy, looked at under another and under the first
// again: the limits are those of the policy asked for, the record is untouched.
func TestEvaluateAgainUnderAnotherPolicy(t *testing.T) {
	f := newFixture(t)
	above := strings.Replace(strings.Replace(resultPart, `"mmhg":3`, `"mmhg":5.5`, 1), `"mmhg":7`, `"mmhg":12`, 1)
	f.mustSubmit(object(numberAndPatient, identityPart, above))
	if !hasRule(f.get().GetEvaluation().GetFindings(), "gradient-high") {
		t.Fatal("5.5 mmHg is not above the built-in 5")
	}
	lenient, err := policy.Parse("lenient.yaml", []byte("site: harbour\nversion: \"2\"\nzone: Europe/London\nthresholds: {mean_gradient_high: 6}\n"), nil)
	if err != nil {
		t.Fatal(err)
	}
	first := f.book.Policy.Hash
	second, err := New(f.ctx, Config{Store: f.store, Policy: lenient, Software: "test", Now: f.clock.Now})
	if err != nil {
		t.Fatal(err)
	}
	now, err := second.EvaluateAgain(f.ctx, caller, &trigonev1.EvaluateAgainRequest{Case: ref()})
	if err != nil {
		t.Fatal(err)
	}
	if hasRule(now.GetEvaluation().GetFindings(), "gradient-high") || !hasRule(now.GetVanished(), "gradient-high") {
		t.Error("under the policy in force 5.5 mmHg is within 6")
	}
	then, err := second.EvaluateAgain(f.ctx, caller, &trigonev1.EvaluateAgainRequest{Case: ref(), PolicyHash: first})
	if err != nil {
		t.Fatal(err)
	}
	if !hasRule(then.GetEvaluation().GetFindings(), "gradient-high") || then.GetEvaluation().GetPolicyHash() != first || len(then.GetVanished()) != 0 {
		t.Errorf("under the earlier policy: %v", then.GetVanished())
	}
}

func hasRule(list []*trigonev1.Finding, rule string) bool {
	return slices.ContainsFunc(list, func(x *trigonev1.Finding) bool { return x.GetRule() == rule })
}

// A repeated evaluation sees the confirmations of its time only.
func TestEvaluateAgainKnowsOnlyWhatWasConfirmedThen(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(object(numberAndPatient, identityPart, brokenResult))
	f.mustConfirm(f.contradiction().GetId())
	for number, confirmed := range map[int64]bool{1: false, 2: true} {
		resp, err := f.book.EvaluateAgain(f.ctx, caller, &trigonev1.EvaluateAgainRequest{Case: ref(), Evaluation: number})
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range resp.GetEvaluation().GetFindings() {
			if x.GetSeverity() == trigonev1.Severity_SEVERITY_CONTRADICTION && x.GetConfirmed() != confirmed {
				t.Errorf("evaluation %d: confirmed %v", number, x.GetConfirmed())
			}
		}
	}
}
