package casebook

import (
	"context"
	"fmt"
	"slices"
	"time"

	"trigone/internal/convert"
	"trigone/internal/latitude"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

const (
	methodEvaluatePlan = "EvaluatePlan"
	adviceKind         = "advice/"
)

// EvaluatePlan evaluates sections alone, or laid over a stored case. Nothing is
// stored unless the question asks for it: then inputs, answer and versions become
// an advice section of the stored case.
func (b *Book) EvaluatePlan(ctx context.Context, who Principal, req *trigonev1.EvaluatePlanRequest) (*trigonev1.EvaluatePlanResponse, error) {
	if _, err := b.Admit(who, req); err != nil {
		return nil, err
	}
	if err := RefuseFields(checkQuestion(req)); err != nil {
		return nil, err
	}
	if req.GetRecord() {
		return call[*trigonev1.EvaluatePlanResponse]{
			book: b, who: who, method: methodEvaluatePlan, request: req,
			prepare: func(ctx context.Context, now time.Time) (*change, func() *trigonev1.EvaluatePlanResponse, error) {
				return b.advise(ctx, who, req, now)
			},
			// What was answered is the section that it was kept in.
			leaveOut: func(r *trigonev1.EvaluatePlanResponse) { r.Evaluation, r.Freedom = nil, nil },
			putBack:  b.adviceAgain,
		}.run(ctx)
	}
	f := &Folder{}
	if req.GetCase() != nil {
		c, err := b.Find(ctx, req.GetCase())
		if err != nil {
			return nil, err
		}
		if f, err = b.Load(ctx, c); err != nil {
			return nil, err
		}
	}
	resp, _, err := b.answer(ctx, f, req, b.now().UTC())
	return resp, err
}

func checkQuestion(req *trigonev1.EvaluatePlanRequest) []convert.Violation {
	list := convert.Check(req)
	add := func(path, message string) { list = append(list, convert.Violation{Path: path, Message: message}) }
	file := req.GetCaseFile()
	if len(convert.SectionNames(file)) == 0 && req.GetCase() == nil {
		add("case_file", "has no section; give a plan, an assessment or both, or name a stored case")
	}
	if !req.GetRecord() {
		if req.GetAdviceId() != "" {
			add("advice_id", "goes with record only; set record, or leave it out")
		}
		return list
	}
	if req.GetCase() == nil {
		add("case", "is missing; an answer is recorded in a stored case, so name it")
	}
	if file.GetIdentity() != nil {
		add("case_file.identity", "is not kept with an answer; submit it first, or leave it out")
	}
	if len(file.GetFollowUps()) > 0 {
		add("case_file.follow_ups", "come after the operation; leave them out of a recorded question")
	}
	if len(file.GetAdvice()) > 0 {
		add("case_file.advice", "is what the answer becomes; leave it out of a recorded question")
	}
	return list
}

// answer evaluates what was sent laid over a folder, which is left as it is.
func (b *Book) answer(ctx context.Context, f *Folder, req *trigonev1.EvaluatePlanRequest, now time.Time) (*trigonev1.EvaluatePlanResponse, *Folder, error) {
	f = f.clone()
	lay(f, req.GetCaseFile(), now)
	j, err := b.judge(ctx, f, now)
	if err != nil {
		return nil, nil, err
	}
	sent := convert.SectionNames(req.GetCaseFile())
	for _, s := range j.message.GetSections() {
		if slices.Contains(sent, s.GetSection()) {
			s.Revision = 0 // it is no revision on record
		}
	}
	resp := &trigonev1.EvaluatePlanResponse{Evaluation: j.message}
	inTheatre := j.of.Operation != nil || len(req.GetWhatIfs()) > 0 || req.GetRecord() || req.GetTime() != nil || req.Run != nil ||
		req.GetStage() != trigonev1.Stage_STAGE_UNSPECIFIED
	if inTheatre {
		at := now
		if req.GetTime() != nil {
			at = req.GetTime().AsTime()
		}
		told, faults := latitude.Ask(j.of, &j.result, b.Policy.Settings, at, convert.Changes(req.GetWhatIfs()))
		if len(faults) > 0 {
			var list []convert.Violation
			for _, fault := range faults {
				list = append(list, convert.Violation{Path: fault.Path, Message: fault.Message})
			}
			return nil, nil, RefuseFields(list)
		}
		resp.Freedom = convert.Freedom(told, req.GetWhatIfs())
	}
	return resp, f, nil
}

// advise answers a question and keeps the answer.
func (b *Book) advise(ctx context.Context, who Principal, req *trigonev1.EvaluatePlanRequest, now time.Time) (*change, func() *trigonev1.EvaluatePlanResponse, error) {
	c, err := b.Find(ctx, req.GetCase())
	if err != nil {
		return nil, nil, err
	}
	f, err := b.Load(ctx, c)
	if err != nil {
		return nil, nil, err
	}
	external, patient := identifier(req.GetCaseFile().GetExternalIdentifier()), identifier(req.GetCaseFile().GetPatientIdentifier())
	id := req.GetAdviceId()
	switch {
	case c.State != storage.CaseActive:
		return nil, nil, Refuse(FailedPrecondition, ReasonClosedCase, "the case is %s and takes no more sections", c.State)
	case external.Value != "" && external != c.ExternalIdentifier:
		return nil, nil, Refuse(FailedPrecondition, ReasonCaseNumber, "the case named has another case number than the case file; an answer is kept only where both agree")
	case patient.Value != "" && !knows(c, patient):
		return nil, nil, Refuse(FailedPrecondition, ReasonOtherPatient, "the case named is one of another patient than the case file; an answer is kept only where both agree")
	case id == "":
		id = b.newID()
	case f.section(adviceKind+id) != nil:
		return nil, nil, Refuse(FailedPrecondition, ReasonAdviceExists, "the case has an answer of this advice_id; an id is never used again, so give a new one or leave it to the server")
	}
	resp, laid, err := b.answer(ctx, f, req, now)
	if err != nil {
		return nil, nil, err
	}
	evaluated, err := laid.File()
	if err != nil {
		return nil, nil, err
	}
	advice := &trigonev1.Advice{
		Id: id, Time: resp.GetFreedom().GetTime(), Run: req.Run, Stage: req.GetStage(),
		Plan: evaluated.GetPlan(), MeasuredSoFar: evaluated.GetOperation(), Answer: resp.GetEvaluation(), Freedom: resp.GetFreedom(),
		Assessments: req.GetCaseFile().GetAssessments(), Results: req.GetCaseFile().GetResults(),
	}
	ch := begin(f, who, now)
	receipts, _, err := submission{file: convert.FileOf(advice)}.place(ch)
	if err != nil {
		return nil, nil, err
	}
	return ch, func() *trigonev1.EvaluatePlanResponse {
		complete(receipts, ch.after)
		resp.AdviceSection, resp.Receipt = receipts[0].GetSection(), receipts[0]
		return resp
	}, nil
}

// adviceAgain completes the answer to a repeated question from the section that
// it was kept in.
func (b *Book) adviceAgain(ctx context.Context, resp *trigonev1.EvaluatePlanResponse, row storage.Request) error {
	number := resp.GetReceipt().GetRevision()
	list, err := b.Store.RevisionsIn(ctx, row.Site, row.CaseUID, []storage.RevisionRange{{Section: resp.GetAdviceSection(), From: number, To: number}})
	if err != nil {
		return err
	}
	if len(list) == 0 {
		return fmt.Errorf("the recorded answer %s is not on record any more", resp.GetAdviceSection())
	}
	m, err := (&revision{Revision: list[0]}).decode()
	if err != nil {
		return err
	}
	advice := m.(*trigonev1.Advice)
	resp.Evaluation, resp.Freedom = advice.GetAnswer(), advice.GetFreedom()
	return nil
}
