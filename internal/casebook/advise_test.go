package casebook

import (
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/convert"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// inTheatre is the invented textbook case of testdata: what stood on record before
// the operation, and what had been measured when the leaflet work was done.
func inTheatre(t *testing.T) (before, soFar *trigonev1.CaseFile) {
	t.Helper()
	file, err := testdata.Read(testdata.Cases, "triangular-complete-ring")
	if err != nil {
		t.Fatal(err)
	}
	before = proto.Clone(file).(*trigonev1.CaseFile)
	before.Operation, before.Results, before.FollowUps = nil, nil, nil
	op := proto.Clone(file.GetOperation()).(*trigonev1.Operation)
	op.Steps = slices.DeleteFunc(op.Steps, func(s *trigonev1.PerformedStep) bool { return s.GetId() != "s-resection" })
	op.SalineTests, op.InkTests, op.EndTime, op.Conversion, op.Neighbourhood = nil, nil, nil, nil, nil
	op.LeftTheatreAlive = trigonev1.Answer_ANSWER_UNSPECIFIED
	return before, &trigonev1.CaseFile{Operation: op}
}

// The time is ten minutes after the heights of the case were measured.
var asked = time.Date(2026, 2, 24, 10, 0, 0, 0, time.UTC)

func (f fixture) opened(before *trigonev1.CaseFile) *trigonev1.CaseReference {
	f.Helper()
	resp, err := f.book.SubmitCase(f.ctx, caller, &trigonev1.SubmitCaseRequest{CaseFile: before})
	if err != nil {
		f.Fatal(err)
	}
	return &trigonev1.CaseReference{Name: resp.GetCaseName()}
}

func (f fixture) read(ref *trigonev1.CaseReference) *trigonev1.Case {
	f.Helper()
	resp, err := f.book.GetCase(f.ctx, caller, &trigonev1.GetCaseRequest{Case: ref})
	if err != nil {
		f.Fatal(err)
	}
	return resp.GetCase()
}

// The numbers of this case by hand: A2 26, P2 at the suture line 16.5, planned ring 25.5,
// entry of coaptation 5 mm deep; aims: coaptation 6 to 11 mm, closure line at 60 to
// 75 %, P2 at most 18 mm. Ring up to √((26 − 6)² − 5²) + √((16.5 − 6)² − 5²) = 28.6 and
// from 21.4, where √((0.75·d)² + 5²) − √((0.25·d)² + 5²) = 9.5; height from
// 26 − √(19.125² + 5²) + √(6.375² + 5²) = 14.3 to the aim's own 18.
func TestFreedomWhileOperating(t *testing.T) {
	f := newFixture(t)
	before, soFar := inTheatre(t)
	stored := f.opened(before)
	run := int32(1)
	resp, err := f.book.EvaluatePlan(f.ctx, caller, &trigonev1.EvaluatePlanRequest{
		Case: stored, CaseFile: soFar, Time: timestamppb.New(asked), Run: &run, Stage: trigonev1.Stage_STAGE_AFTER_LEAFLET_WORK,
	})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string][2]float64{"ring_inner_antero_posterior_diameter": {21.4, 28.6}, "leaflet_height": {14.3, 18}}
	for _, r := range resp.GetFreedom().GetRanges() {
		w, ok := want[r.GetLeaf()]
		if !ok {
			t.Errorf("a range of %s", r.GetLeaf())
			continue
		}
		delete(want, r.GetLeaf())
		if r.GetState() != trigonev1.MetricState_METRIC_STATE_VALUE || r.GetLower() != w[0] || r.GetUpper() != w[1] || r.GetUnit() != "mm" {
			t.Errorf("%s %v to %v %s, want %v: %s %v", r.GetLeaf(), r.Lower, r.Upper, r.GetUnit(), w, r.GetExplanation(), r.GetMissing())
		}
		if r.GetPosition() != trigonev1.FreedomPosition_FREEDOM_POSITION_WITHIN {
			t.Errorf("%s is %s", r.GetLeaf(), r.GetPosition())
		}
	}
	if len(want) != 0 {
		t.Errorf("no range of %v", want)
	}
	ages := map[string]time.Duration{}
	for _, a := range resp.GetFreedom().GetAges() {
		ages[a.GetOccasion()] = a.GetAge().AsDuration()
	}
	if ages["operation/run1/after_leaflet_work"] != 10*time.Minute {
		t.Errorf("ages %v, want the field heights to be 10 min old", ages)
	}
	if resp.GetAdviceSection() != "" || f.read(stored).GetCaseVersion() != 1 {
		t.Error("something was stored without being asked")
	}
	for _, s := range resp.GetEvaluation().GetSections() {
		if sent := s.GetSection() == "operation"; sent != (s.GetRevision() == 0) {
			t.Errorf("section %v: what was sent has no revision, what is on record has", s)
		}
	}

	// The leaflet came out 6 mm lower: √(20² − 5²) + √(4.5² − 5²) does not exist, the
	// contact of 6 mm is out of reach, and with the planned ring it is about 4.
	low := proto.Clone(soFar).(*trigonev1.CaseFile)
	for _, h := range low.Operation.Heights[0].Heights {
		if h.GetSegment() == trigonev1.Segment_SEGMENT_P2 {
			v := 10.5
			h.LeafletHeight.Mm = &v
		}
	}
	resp, err = f.book.EvaluatePlan(f.ctx, caller, &trigonev1.EvaluatePlanRequest{Case: stored, CaseFile: low, Time: timestamppb.New(asked)})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(resp.GetFreedom().GetUnfitSteps(), func(u *trigonev1.UnfitStep) bool {
		return u.GetPlannedStepId() == "p-ring" && u.GetReason() == trigonev1.UnfitReason_UNFIT_REASON_OUTSIDE_RANGE && strings.Contains(u.GetMessage(), "the middle of what is predicted is 4 mm")
	}) {
		t.Errorf("the planned ring of 25.5 mm still fits: %v", resp.GetFreedom().GetUnfitSteps())
	}

	// In the clinic nobody asks what can still be changed.
	plain, err := f.book.EvaluatePlan(f.ctx, caller, &trigonev1.EvaluatePlanRequest{Case: stored})
	if err != nil || plain.GetFreedom() != nil {
		t.Errorf("freedom %v, %v without an operation", plain.GetFreedom(), err)
	}
}

func TestRecordedAdvice(t *testing.T) {
	f := newFixture(t)
	before, soFar := inTheatre(t)
	stored := f.opened(before)
	run := int32(1)
	req := &trigonev1.EvaluatePlanRequest{
		Case: stored, CaseFile: soFar, Time: timestamppb.New(asked), Run: &run, Stage: trigonev1.Stage_STAGE_AFTER_LEAFLET_WORK,
		Record: true, AdviceId: "after-resection", RequestId: "q-1",
		WhatIfs: []*trigonev1.WhatIf{{Heights: []*trigonev1.WhatIfHeight{{Segment: trigonev1.Segment_SEGMENT_P2, Mm: proto.Float64(15)}}}},
	}
	resp, err := f.book.EvaluatePlan(f.ctx, caller, req)
	if err != nil {
		t.Fatal(err)
	}
	if list := resp.GetFreedom().GetWhatIfs(); len(list) != 2 || list[0].GetChange() != nil || !proto.Equal(list[1].GetChange(), req.GetWhatIfs()[0]) {
		t.Fatalf("the change that was asked about is not answered as it was asked: %v", list)
	}
	if resp.GetAdviceSection() != "advice/after-resection" || resp.GetReceipt().GetOutcome() != trigonev1.SectionOutcome_SECTION_OUTCOME_CREATED || resp.GetReceipt().GetRevision() != 1 {
		t.Fatalf("section %s, receipt %v", resp.GetAdviceSection(), resp.GetReceipt())
	}
	got := f.read(stored)
	if got.GetCaseVersion() != 2 || len(got.GetCaseFile().GetAdvice()) != 1 {
		t.Fatalf("version %d with %d answers", got.GetCaseVersion(), len(got.GetCaseFile().GetAdvice()))
	}
	a := got.GetCaseFile().GetAdvice()[0]
	if !proto.Equal(a.GetAnswer(), resp.GetEvaluation()) || !proto.Equal(a.GetFreedom(), resp.GetFreedom()) {
		t.Error("what is kept is not what was answered")
	}
	if !proto.Equal(a.GetMeasuredSoFar(), soFar.GetOperation()) || !proto.Equal(a.GetPlan(), before.GetPlan()) {
		t.Error("the inputs are not kept as they were sent, or stood")
	}
	if a.GetTime().AsTime() != asked || a.GetRun() != 1 || a.GetStage() != trigonev1.Stage_STAGE_AFTER_LEAFLET_WORK {
		t.Errorf("time %v, run %d, stage %s", a.GetTime(), a.GetRun(), a.GetStage())
	}
	for what, v := range map[string]string{
		"catalogue": a.GetAnswer().GetCatalogueVersion(), "rule set": a.GetAnswer().GetRuleSetVersion(),
		"policy": a.GetAnswer().GetPolicyHash(), "software": a.GetAnswer().GetSoftwareVersion(),
	} {
		if v == "" {
			t.Errorf("the version of the %s is not kept", what)
		}
	}
	if got.GetCaseFile().GetOperation() != nil {
		t.Error("what was measured so far became the operation")
	}
	last := f.changes()[len(f.changes())-1]
	if last.GetSection() != "advice/after-resection" || last.GetKind() != trigonev1.ChangeKind_CHANGE_KIND_SUBMITTED {
		t.Errorf("change %v", last)
	}

	again, err := f.book.EvaluatePlan(f.ctx, caller, req)
	if err != nil || !proto.Equal(again, resp) {
		t.Errorf("a replay answers\n%v\nwant\n%v, %v", again, resp, err)
	}
	other := proto.Clone(req).(*trigonev1.EvaluatePlanRequest)
	other.Stage = trigonev1.Stage_STAGE_AFTER_RING
	_, err = f.book.EvaluatePlan(f.ctx, caller, other)
	wantRefusal(t, err, AlreadyExists, ReasonRequestIDReused)
	other.RequestId = "q-2"
	_, err = f.book.EvaluatePlan(f.ctx, caller, other)
	wantRefusal(t, err, FailedPrecondition, ReasonAdviceExists)
	if f.read(stored).GetCaseVersion() != 2 {
		t.Error("a refusal or a replay wrote")
	}

	// Without an id the server makes one; the case read back can be submitted again
	// as it is, and the later record leaves the answer alone.
	other.AdviceId, other.RequestId = "", ""
	made, err := f.book.EvaluatePlan(f.ctx, caller, other)
	if err != nil || !strings.HasPrefix(made.GetAdviceSection(), "advice/") || made.GetAdviceSection() == resp.GetAdviceSection() {
		t.Errorf("%v, %v", made.GetAdviceSection(), err)
	}
	got = f.read(stored)
	if list := convert.CheckSubmit(got.GetCaseFile()); len(list) != 0 {
		t.Errorf("the case read back is not acceptable: %v", list)
	}
	unchanged, err := f.book.SubmitCase(f.ctx, caller, &trigonev1.SubmitCaseRequest{CaseFile: got.GetCaseFile()})
	if err != nil || unchanged.GetCaseVersion() != got.GetCaseVersion() {
		t.Errorf("submitted as read back: %v, %v", unchanged, err)
	}
}

func TestWhatIsNotRecorded(t *testing.T) {
	tests := []struct {
		why    string
		change func(*trigonev1.EvaluatePlanRequest, *trigonev1.CaseFile)
		kind   Kind
		reason string
		path   string
	}{
		{"no stored case named", func(r *trigonev1.EvaluatePlanRequest, _ *trigonev1.CaseFile) { r.Case = nil }, Invalid, ReasonViolations, "case"},
		{"a case nobody knows", func(r *trigonev1.EvaluatePlanRequest, _ *trigonev1.CaseFile) {
			r.Case = &trigonev1.CaseReference{Name: "sites/harbour/cases/none"}
		}, NotFound, ReasonUnknownCase, ""},
		{"identity is kept apart", func(r *trigonev1.EvaluatePlanRequest, b *trigonev1.CaseFile) { r.CaseFile.Identity = b.GetIdentity() }, Invalid, ReasonViolations, "case_file.identity"},
		{"an advice inside an advice", func(r *trigonev1.EvaluatePlanRequest, _ *trigonev1.CaseFile) {
			r.CaseFile.Advice = []*trigonev1.Advice{{Id: "x"}}
		}, Invalid, ReasonViolations, "case_file.advice"},
		{"a follow-up while operating", func(r *trigonev1.EvaluatePlanRequest, _ *trigonev1.CaseFile) {
			r.CaseFile.FollowUps = []*trigonev1.FollowUp{{Id: "x"}}
		}, Invalid, ReasonViolations, "case_file.follow_ups"},
		{"an id with a slash", func(r *trigonev1.EvaluatePlanRequest, _ *trigonev1.CaseFile) { r.AdviceId = "a/b" }, Invalid, ReasonViolations, "advice_id"},
		{"an id without record", func(r *trigonev1.EvaluatePlanRequest, _ *trigonev1.CaseFile) { r.Record, r.AdviceId = false, "a" }, Invalid, ReasonViolations, "advice_id"},
		{"a run of 0", func(r *trigonev1.EvaluatePlanRequest, _ *trigonev1.CaseFile) { zero := int32(0); r.Run = &zero }, Invalid, ReasonViolations, "run"},
		{"a time before anyone operated", func(r *trigonev1.EvaluatePlanRequest, _ *trigonev1.CaseFile) {
			r.Time = timestamppb.New(time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC))
		}, Invalid, ReasonViolations, "time"},
		{"another patient's question", func(r *trigonev1.EvaluatePlanRequest, _ *trigonev1.CaseFile) {
			r.CaseFile.PatientIdentifier = &trigonev1.Identifier{System: "urn:example:harbour-hospital:patient", Value: "P-SECRET"}
		}, FailedPrecondition, ReasonOtherPatient, ""},
		{"another case's question", func(r *trigonev1.EvaluatePlanRequest, _ *trigonev1.CaseFile) {
			r.CaseFile.ExternalIdentifier = &trigonev1.Identifier{System: "urn:example:harbour-hospital:case", Value: "MV-SECRET"}
		}, FailedPrecondition, ReasonCaseNumber, ""},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			f := newFixture(t)
			before, soFar := inTheatre(t)
			stored := f.opened(before)
			req := &trigonev1.EvaluatePlanRequest{Case: stored, CaseFile: soFar, Record: true, RequestId: "q"}
			tt.change(req, before)
			_, err := f.book.EvaluatePlan(f.ctx, caller, req)
			wantRefusal(t, err, tt.kind, tt.reason)
			var e *Error
			if errors.As(err, &e); tt.path != "" && e.Violations[0].Path != tt.path {
				t.Errorf("violations %v, want one at %s", e.Violations, tt.path)
			}
			if got := f.read(stored); got.GetCaseVersion() != 1 {
				t.Error("something was stored")
			}
		})
	}
}

func TestAdviceInAClosedCase(t *testing.T) {
	f := newFixture(t)
	before, soFar := inTheatre(t)
	stored := f.opened(before)
	if _, err := f.book.RetractCase(f.ctx, caller, &trigonev1.RetractCaseRequest{Case: stored, CaseVersion: 1, Reason: trigonev1.RetractionReason_RETRACTION_REASON_DUPLICATE}); err != nil {
		t.Fatal(err)
	}
	_, err := f.book.EvaluatePlan(f.ctx, caller, &trigonev1.EvaluatePlanRequest{Case: stored, CaseFile: soFar, Record: true})
	wantRefusal(t, err, FailedPrecondition, ReasonClosedCase)
}

// One question asked many times at once is one answer on record.
func TestOneQuestionAskedAtOnce(t *testing.T) {
	f := newFixture(t)
	before, soFar := inTheatre(t)
	stored := f.opened(before)
	answers := make([]*trigonev1.EvaluatePlanResponse, 4)
	var wg sync.WaitGroup
	for i := range answers {
		wg.Go(func() {
			var err error
			answers[i], err = f.book.EvaluatePlan(f.ctx, caller, &trigonev1.EvaluatePlanRequest{
				Case: stored, CaseFile: soFar, Time: timestamppb.New(asked), Record: true, RequestId: "q",
			})
			if err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if got := f.read(stored); len(got.GetCaseFile().GetAdvice()) != 1 || got.GetCaseVersion() != 2 {
		t.Errorf("version %d with %d answers", got.GetCaseVersion(), len(got.GetCaseFile().GetAdvice()))
	}
	for _, a := range answers[1:] {
		if !proto.Equal(a, answers[0]) {
			t.Error("one question was answered in two ways")
		}
	}
}
