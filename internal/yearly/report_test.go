package yearly_test

import (
	"bytes"
	"errors"
	"regexp"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/document"
	"trigone/internal/yearly"
	trigonev1 "trigone/proto/trigone/v1"
)

func input() yearly.Input {
	c := func() *trigonev1.AuditContext {
		return &trigonev1.AuditContext{Parent: "sites/harbour", LastChange: 77, AsOf: &timestamppb.Timestamp{Seconds: 1_767_600_000}, MethodVersion: "1", PolicyHash: "0123456789abcdef", Caution: "Not a verdict.", Invented: true}
	}
	at := &timestamppb.Timestamp{Seconds: 1_747_000_000} // 11 May 2025
	team := &trigonev1.FactTeam{FirstOperator: "op-secret", Signer: "op-signer"}
	dead := &trigonev1.CaseFacts{
		CaseName: "sites/harbour/cases/1", Team: team, Times: &trigonev1.FactTimes{IncisionTime: at, PlanTiming: trigonev1.PlanTiming_PLAN_TIMING_PROSPECTIVE},
		Outcome: &trigonev1.FactOutcome{LeftTheatreAlive: trigonev1.Answer_ANSWER_YES, DiedInHospital: trigonev1.Answer_ANSWER_YES, DiedOnDay: proto.Int32(9)},
		Counts:  &trigonev1.FactCounts{AgreementsRecorded: true, ThingsPlanned: &trigonev1.ThingsPlanned{Total: 5, AsPlanned: 3, Otherwise: 1, CannotBeTold: 1}},
	}
	converted := &trigonev1.CaseFacts{
		CaseName: "sites/harbour/cases/2", Team: team, Times: &trigonev1.FactTimes{IncisionTime: at},
		Repair: &trigonev1.FactRepair{Converted: trigonev1.Answer_ANSWER_YES, ConversionReason: trigonev1.ConversionReason_CONVERSION_REASON_RESIDUAL_REGURGITATION},
	}
	quiet := &trigonev1.CaseFacts{CaseName: "sites/harbour/cases/3", Team: team, Times: &trigonev1.FactTimes{IncisionTime: at}}
	feared := &trigonev1.OutcomeFigure{
		Outcome: "operative_mortality", Title: "Operative mortality", Definition: "Death in the stay.", NotKnownCount: 2,
		Share: &trigonev1.ShareFigure{Count: 1, Of: 10, Share: &trigonev1.Figure{Value: proto.Float64(0.1), Lower: proto.Float64(0.002), Upper: proto.Float64(0.445)}},
	}
	hoped := &trigonev1.OutcomeFigure{
		Outcome: "repair_rate_at_discharge", Title: "Repair rate at discharge", HopedFor: true, NotKnownCount: 1,
		Share: &trigonev1.ShareFigure{Count: 9, Of: 10, Share: &trigonev1.Figure{Value: proto.Float64(0.9)}},
	}
	difference := func(class, reason, parent string) *trigonev1.CaseDiscrepancy {
		return &trigonev1.CaseDiscrepancy{Discrepancy: &trigonev1.Discrepancy{Class: class, Reason: reason, Parent: parent, Verdict: trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT}}
	}
	outcomes := &trigonev1.SummarizeOutcomesResponse{Context: c(), Outcomes: []*trigonev1.OutcomeFigure{feared, hoped}}
	return yearly.Input{
		Year: 2025, Facts: []*trigonev1.CaseFacts{dead, converted, quiet},
		Numbers: map[string]string{"sites/harbour/cases/1": "N-1", "sites/harbour/cases/2": "N-2"},
		Gaps: &trigonev1.ListGapsResponse{
			Context: c(), Counts: []*trigonev1.GapCount{{Count: 1, Sentence: "Of 3 cases one has no result."}, {Sentence: "None is late."}},
			Months: []*trigonev1.TheatreMonth{{Month: "2025-05", ListedCount: proto.Int32(6), RecordedCount: 3}, {Month: "2025-06"}},
		},
		Outcomes: outcomes, HalfYears: &trigonev1.SummarizeOutcomesResponse{Context: c()},
		Agreement:     &trigonev1.SummarizeAgreementResponse{Context: c()},
		Discrepancies: []*trigonev1.CaseDiscrepancy{difference("ring_size", "finding_differed", ""), difference("ring_size", "", ""), difference("step_omitted", "", ""), difference("target_missed", "", "ring_size/1")},
		Monitoring:    &trigonev1.MonitorOutcomesResponse{Context: c(), Sentence: "Nothing is named by the policy."},
		Freedom:       &trigonev1.EstimateFreedomResponse{Context: c()},
		Actions:       []string{"Discuss every second run | done"},
	}
}

func built(t *testing.T, in yearly.Input) (document.Document, string) {
	t.Helper()
	d, err := yearly.Build(in)
	if err != nil {
		t.Fatal(err)
	}
	page, err := document.HTML(d)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := document.PDF(d); err != nil {
		t.Fatal(err)
	}
	return d, strings.Join(strings.Fields(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(strings.ReplaceAll(string(page), "\u00a0", " "), " ")), " ")
}

func TestReport(t *testing.T) {
	_, said := built(t, input())
	for _, want := range []struct{ reason, text string }{
		{"what the theatre list has", "The theatre list has 6 operations on the mitral valve in 1 month. 3 operations on record in the year. 3 operations of the list never arrived here."},
		{"months without a list", "For 11 months no list was given"},
		{"a gap", "Of 3 cases one has no result."},
		{"a feared result: 1 of 10 known, 2 not known and 3 never arrived: at worst 6 of 15, at best 1 of 15", "Operative mortality 1 of 10 10.0 % (0.2 % to 44.5 %) 2 40.0 % 6.7 %"},
		{"a hoped-for one: 9 of 10 known, 1 and 3 missing: at worst 9 of 14, at best 13 of 14", "Repair rate at discharge 9 of 10 90.0 % 1 64.3 % 92.9 %"},
		{"a death under the hospital's number, by its day, without a date", "N-1 death in the stay, day 9"},
		{"a conversion", "N-2 conversion to replacement, residual regurgitation"},
		{"things planned", "Of 5 things planned (steps, rings, heights, aims) 3 came as planned, 1 otherwise, of 1 it cannot be told"},
		{"differences that have their own cause, with reasons", "3 differences between plan and outcome, each with its own cause; of 1 the reason is on record"},
		{"a class", "Ring size 2 1 finding differed 1"},
		{"plans", "Of 3 operations, 1 had a plan signed and received before incision"},
		{"actions", "Discuss every second run done"},
		{"published figures", "not comparable: "},
		{"invented", "INVENTED CASES"},
		{"an internal copy", "INTERNAL COPY"},
		{"the state of the record", "change 77 of sites/harbour"},
		{"a line to sign on", "Head of department"},
	} {
		if !strings.Contains(said, want.text) {
			t.Errorf("%s: %q is not in\n%s", want.reason, want.text, said)
		}
	}
	for _, not := range []struct{ reason, text string }{
		{"no operator stands in it", "op-secret"}, {"no signer", "op-signer"}, {"no date of an operation", "2025-05-11"}, {"nothing without a gap", "None is late."}, {"no case that is not listed", "cases/3"},
	} {
		if strings.Contains(said, not.text) {
			t.Errorf("%s: %q", not.reason, not.text)
		}
	}
}

// The same answers give the same bytes; the hash is of the content and changes with it.
func TestHash(t *testing.T) {
	d, _ := built(t, input())
	again, _ := built(t, input())
	one, _ := document.PDF(d)
	other, _ := document.PDF(again)
	if !bytes.Equal(one, other) {
		t.Error("other bytes the second time")
	}
	if !strings.Contains(d.Footer[0], yearly.Hash(d)) {
		t.Errorf("%q does not name %s", d.Footer[0], yearly.Hash(d))
	}
	for reason, change := range map[string]func(*yearly.Input){
		"an action":    func(in *yearly.Input) { in.Actions[0] = "another" },
		"a number":     func(in *yearly.Input) { in.Outcomes.Outcomes[0].Share.Count = 2 },
		"a difference": func(in *yearly.Input) { in.Discrepancies = in.Discrepancies[1:] },
	} {
		in := input()
		change(&in)
		if changed, _ := built(t, in); yearly.Hash(changed) == yearly.Hash(d) {
			t.Errorf("%s is changed and the hash is not", reason)
		}
	}
}

func TestOneStateOfTheRecord(t *testing.T) {
	in := input()
	in.Agreement.Context.LastChange++
	if _, err := yearly.Build(in); !errors.Is(err, yearly.ErrAnotherRecord) {
		t.Errorf("answers of two states of the record: %v", err)
	}
}

// A year of nothing says so; no number is made of it.
func TestEmptyYear(t *testing.T) {
	in := input()
	in.Facts, in.Discrepancies, in.Actions, in.Gaps.Months, in.Gaps.Counts = nil, nil, nil, nil, nil
	in.Outcomes = &trigonev1.SummarizeOutcomesResponse{Context: in.Gaps.GetContext(), Outcomes: []*trigonev1.OutcomeFigure{{Outcome: "conversion", Title: "Conversion"}}}
	_, said := built(t, in)
	for _, want := range []string{"0 operations on record.", "nobody can say how many operations are missing", "Conversion 0 of 0 not told 0 no case no case", "No difference between a plan and its outcome", "No death", "lines to write on"} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is not in\n%s", want, said)
		}
	}
	if strings.Contains(said, "NaN") {
		t.Error("a number of nothing")
	}
}
