package casebook

import (
	"slices"
	"testing"

	"trigone/internal/convert"
	trigonev1 "trigone/proto/trigone/v1"
)

func contact(mm string) string {
	return object(numberAndPatient, identityPart, `"results":[{"id":"exit","run":1,"stage":"STAGE_LEAVING_THEATRE","study":{"leaflets":{`+
		`"coaptation":[{"slice":"SLICE_A2_P2","coaptationLength":{"mm":`+mm+`}}]}}}]`)
}

func (f fixture) slip() *trigonev1.Finding {
	f.Helper()
	for _, x := range f.get().GetEvaluation().GetFindings() {
		if x.GetKind() == trigonev1.RuleKind_RULE_KIND_SLIP {
			return x
		}
	}
	f.Fatal("no slip")
	return nil
}

// A slip disputes no section. Confirming it writes one change and no revision, and
// it lapses with the value.
func TestConfirmSlip(t *testing.T) {
	f := newFixture(t)
	f.mustSubmit(contact("0.75"))
	open := f.slip()
	if f.stateOf("result/exit") != accepted || len(open.GetQuestions()) != 1 {
		t.Fatalf("the section is %s; the slip %v", f.stateOf("result/exit"), open)
	}
	before := len(f.changes())
	f.mustConfirm(open.GetId())
	if got := f.changesSince(before); !slices.Equal(got, []string{"confirmed"}) {
		t.Errorf("changes %v", got)
	}
	for _, s := range f.get().GetSections() {
		if s.GetRevision() > 1 || s.GetState() != accepted {
			t.Errorf("confirming made a revision or moved a state: %v", s)
		}
	}
	if !f.slip().GetConfirmed() {
		t.Error("the slip is not confirmed")
	}

	caution := ""
	for _, x := range f.get().GetEvaluation().GetFindings() {
		if x.GetSeverity() == trigonev1.Severity_SEVERITY_CAUTION {
			caution = x.GetId()
		}
	}
	_, err := f.confirm(caution)
	wantRefusal(t, err, FailedPrecondition, ReasonNoContradiction)

	before = len(f.changes())
	f.mustSubmit(contact("0.8"), expect("result/exit", "1"))
	if got := f.changesSince(before); !slices.Contains(got, "confirmation_lapsed") {
		t.Errorf("another value does not lapse the confirmation: %v", got)
	}
	if f.slip().GetConfirmed() || convert.Word(f.get().GetConfirmations()[0].GetState()) != "lapsed" {
		t.Errorf("confirmations %v", f.get().GetConfirmations())
	}
}
