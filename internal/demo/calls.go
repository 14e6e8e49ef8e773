package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

// ask asks after the leaflet work and before the ring what can still be changed,
// and has the answer recorded; the ring of the case file cites it.
func (p *player) ask(ctx context.Context, ref *trigonev1.CaseReference, whole *trigonev1.CaseFile, at time.Time) (string, error) {
	done := whole.GetOperation()
	soFar := &trigonev1.Operation{
		IncisionTime: done.GetIncisionTime(), FirstLeafletCutTime: done.GetFirstLeafletCutTime(), Setting: done.GetSetting(),
		Heights: done.GetHeights(), MarginChords: done.GetMarginChords(), MarginChordsRecorded: done.GetMarginChordsRecorded(),
	}
	id := ""
	for _, s := range done.GetSteps() {
		if cited := s.GetAdviceIds(); len(cited) > 0 {
			id = cited[0]
			continue
		}
		soFar.Steps = append(soFar.Steps, s)
	}
	run := int32(1)
	got, err := p.planning.EvaluatePlan(ctx, &trigonev1.EvaluatePlanRequest{
		Case: ref, CaseFile: &trigonev1.CaseFile{Operation: proto.CloneOf(soFar)}, Record: true, AdviceId: id,
		RequestId: "demo-advice-" + id, Time: timestamppb.New(at), Run: &run, Stage: trigonev1.Stage_STAGE_AFTER_LEAFLET_WORK,
	})
	if err != nil {
		return "", err
	}
	parts := []string{got.GetAdviceSection()}
	for _, r := range got.GetFreedom().GetRanges() {
		if r.GetState() == trigonev1.MetricState_METRIC_STATE_VALUE && !r.GetDone() {
			text := strings.ReplaceAll(r.GetLeaf(), "_", " ") + " of " + render.Range(r.GetLeaf(), r.Lower, r.Upper, r.GetUnit()) + " meets what is asked"
			if r.Present != nil {
				text += ", planned is " + render.Range(r.GetLeaf(), r.Present, r.Present, r.GetUnit())
			}
			parts = append(parts, text)
		}
	}
	overlap, err := p.overlaps(ctx, ref, whole)
	return strings.Join(append(parts, overlap), "; "), err
}

// overlaps gives the overlap predicted for the plan as it was signed, for its ring
// with the heights that were measured, and for the ring that was chosen then.
// These questions are not recorded.
func (p *player) overlaps(ctx context.Context, ref *trigonev1.CaseReference, whole *trigonev1.CaseFile) (string, error) {
	measured := proto.CloneOf(whole.GetPlan())
	measured.PlannedHeights = whole.GetOperation().GetHeights()[0].GetHeights()
	chosen := proto.CloneOf(measured)
	for _, done := range whole.GetOperation().GetSteps() {
		for _, planned := range chosen.GetSteps() {
			if planned.GetId() == done.GetPlannedStepId() && done.GetTechnique().GetAnnuloplasty() != nil {
				planned.Technique = done.GetTechnique()
			}
		}
	}
	var parts []string
	for _, try := range []struct {
		words string
		plan  *trigonev1.Plan
	}{{"as planned", whole.GetPlan()}, {"with the height measured", measured}, {"with the smaller ring", chosen}} {
		got, err := p.planning.EvaluatePlan(ctx, &trigonev1.EvaluatePlanRequest{Case: ref, CaseFile: &trigonev1.CaseFile{Plan: try.plan}})
		if err != nil {
			return "", err
		}
		f := fact{words: try.words, metric: "predicted_overlap", place: "a2_p2", occasion: "plan"}
		parts = append(parts, f.words+" "+f.measured(got.GetEvaluation()))
	}
	return "overlap " + strings.Join(parts, ", "), nil
}

// confirm confirms the contradiction of the case that is still open.
func (p *player) confirm(ctx context.Context, ref *trigonev1.CaseReference, s step) (string, error) {
	got, err := p.record.GetCase(ctx, &trigonev1.GetCaseRequest{Case: ref})
	if err != nil {
		return "", err
	}
	for _, f := range got.GetCase().GetEvaluation().GetFindings() {
		if f.GetSeverity() != trigonev1.Severity_SEVERITY_CONTRADICTION || f.GetConfirmed() {
			continue
		}
		_, err := p.record.ConfirmFinding(ctx, &trigonev1.ConfirmFindingRequest{Case: ref, FindingId: f.GetId(), Reason: s.reason})
		return f.GetMessage(), err
	}
	return "", errors.New("there is no open contradiction to confirm")
}

// again evaluates the case under the first rule set and under the present one.
func (p *player) again(ctx context.Context, ref *trigonev1.CaseReference) (string, error) {
	var parts []string
	for _, version := range []string{"1", ""} {
		got, err := p.record.EvaluateAgain(ctx, &trigonev1.EvaluateAgainRequest{Case: ref, RuleSetVersion: version})
		if err != nil {
			return "", err
		}
		parts = append(parts, fmt.Sprintf("under rule set %s %s (%d findings appear, %d vanish)",
			got.GetEvaluation().GetRuleSetVersion(), render.Word(got.GetFidelity()), len(got.GetAppeared()), len(got.GetVanished())))
	}
	return strings.Join(parts, ", "), nil
}

// discard discards a submit that was set aside, once it was read.
func (p *player) discard(ctx context.Context, id string, s step) error {
	read, err := p.record.GetQuarantined(ctx, &trigonev1.GetQuarantinedRequest{QuarantineId: id})
	if err != nil {
		return err
	}
	_, err = p.record.FileQuarantined(ctx, &trigonev1.FileQuarantinedRequest{
		QuarantineId: id, Reason: s.reason, Etag: read.GetQuarantined().GetEtag(), Decision: &trigonev1.FileQuarantinedRequest_Discard{Discard: true},
	})
	return err
}

// revoke takes back the confirmation that stands.
func (p *player) revoke(ctx context.Context, ref *trigonev1.CaseReference, s step) error {
	got, err := p.record.GetCase(ctx, &trigonev1.GetCaseRequest{Case: ref})
	if err != nil {
		return err
	}
	for _, c := range got.GetCase().GetConfirmations() {
		if c.GetState() == trigonev1.ConfirmationState_CONFIRMATION_STATE_STANDING {
			_, err := p.record.RevokeConfirmation(ctx, &trigonev1.RevokeConfirmationRequest{Case: ref, FindingId: c.GetFindingId(), Reason: s.reason})
			return err
		}
	}
	return errors.New("there is no confirmation to take back")
}

// explore varies the plan on record and counts what the variants break.
func (p *player) explore(ctx context.Context, ref *trigonev1.CaseReference, s step) (string, error) {
	stream, err := p.planning.ExplorePlans(ctx, &trigonev1.ExplorePlansRequest{Case: ref, Axes: s.axes})
	if err != nil {
		return "", err
	}
	variants, calm, quiet := 0, 0, 0
	for {
		part, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return fmt.Sprintf("%d variants, %d without a caution, %d that break no rule; none is called best", variants, calm, quiet), nil
		}
		if err != nil {
			return "", err
		}
		if v := part.GetVariant(); v != nil {
			variants++
			if !slices.ContainsFunc(v.GetFindings(), func(f *trigonev1.VariantFinding) bool {
				return f.GetSeverity() != trigonev1.Severity_SEVERITY_NOTE
			}) {
				calm++
			}
			if len(v.GetFindings()) == 0 {
				quiet++
			}
		}
	}
}
