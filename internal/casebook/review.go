package casebook

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

const (
	methodRetractSection = "RetractSection"
	methodRetractCase    = "RetractCase"
	methodAmend          = "AmendIdentity"
)

// review is one change that a reviewer makes to a case on record.
type review struct {
	book      *Book
	caller    string
	method    string
	requestID string
	hash      []byte
	now       time.Time
}

func (b *Book) review(caller, method, requestID string, req proto.Message, clearID func(proto.Message)) (review, error) {
	hash, err := b.contentHash(req, clearID)
	return review{book: b, caller: caller, method: method, requestID: requestID, hash: hash, now: b.now().UTC()}, err
}

// replayed reads the answer to an earlier request of the same id into resp.
func (r review) replayed(ctx context.Context, resp proto.Message) (bool, error) {
	if r.requestID == "" {
		return false, nil
	}
	_, found, err := r.book.replay(ctx, r.caller, r.book.Policy.Settings.Site, r.method, r.requestID, r.hash, resp)
	return found, err
}

// evaluate re-evaluates the folder after sections were retracted.
func (r review) evaluate(ctx context.Context, f *Folder, w *storage.Write, retracted []string) (*trigonev1.Evaluation, error) {
	j, err := r.book.judge(ctx, f, r.now)
	if err != nil {
		return nil, err
	}
	if err := r.book.settle(f, j, w, r.now, writtenElsewhere, retracted); err != nil {
		return nil, err
	}
	w.Evaluation.CaseVersion = f.Case.Version
	return j.message, nil
}

// append writes the folder's new state.
func (r review) append(ctx context.Context, f *Folder, w storage.Write, receipt proto.Message) error {
	f.Case.ChangedTime = r.now
	w.Case = &f.Case
	for i := range w.Changes {
		c := &w.Changes[i]
		c.CaseUID, c.CaseVersion = f.Case.UID, f.Case.Version
	}
	row, err := requestRow(r.caller, f.Case.Site, r.method, r.requestID, r.hash, receipt, f.Case, r.now)
	if err != nil {
		return err
	}
	w.Request = row
	return r.book.Store.Append(ctx, f.Case.Site, w)
}

// retract ends the lines of sections.
func (r review) retract(f *Folder, w *storage.Write, sections []string, reason trigonev1.RetractionReason, text string) {
	for _, name := range sections {
		next := storage.Revision{
			Section: name, Revision: f.last(name) + 1, ReceivedTime: r.now, Caller: r.caller,
			Retraction: true, RetractionReason: convert.Word(reason), RetractionText: text, CaseVersion: f.Case.Version,
		}
		f.add(next, nil)
		f.setHead(name, next.Revision, storage.SectionRetracted)
		w.Revisions = append(w.Revisions, next)
		w.Changes = append(w.Changes, storage.Change{
			Kind: convert.Word(trigonev1.ChangeKind_CHANGE_KIND_RETRACTED), Section: name, Revision: next.Revision,
			State: storage.SectionRetracted, Reason: convert.Word(reason), Time: r.now,
		})
	}
}

// RetractSection retracts one section, with the reason.
func (b *Book) RetractSection(ctx context.Context, caller string, req *trigonev1.RetractSectionRequest) (*trigonev1.RetractSectionResponse, error) {
	list := convert.Check(req)
	if req.GetReason() == trigonev1.RetractionReason_RETRACTION_REASON_UNSPECIFIED {
		list = append(list, convert.Violation{Path: "reason", Message: "is missing; say why the section is retracted"})
	}
	if req.GetSection() == "" {
		list = append(list, convert.Violation{Path: "section", Message: "is missing; name the section, e.g. plan or result/{id}"})
	}
	if err := RefuseFields(list); err != nil {
		return nil, err
	}
	r, err := b.review(caller, methodRetractSection, req.GetRequestId(), req, func(m proto.Message) { m.(*trigonev1.RetractSectionRequest).RequestId = "" })
	if err != nil {
		return nil, err
	}
	return retry(func() (*trigonev1.RetractSectionResponse, error) { return b.retractSection(ctx, r, req) })
}

func (b *Book) retractSection(ctx context.Context, r review, req *trigonev1.RetractSectionRequest) (*trigonev1.RetractSectionResponse, error) {
	resp := &trigonev1.RetractSectionResponse{}
	c, err := b.Find(ctx, req.GetCase())
	if err != nil {
		return nil, err
	}
	if found, err := r.replayed(ctx, resp); found || err != nil {
		if err == nil {
			resp.Evaluation, err = b.Evaluation(ctx, c)
		}
		return resp, err
	}
	f, err := b.Load(ctx, c)
	if err != nil {
		return nil, err
	}
	name := req.GetSection()
	s := f.section(name)
	switch {
	case s == nil:
		return nil, Refuse(NotFound, ReasonUnknownSection, "the case has no such section; GetCase lists its sections")
	case s.State == storage.SectionRetracted:
		resp.Section, resp.CaseVersion = f.status(*s), c.Version
		resp.Evaluation, err = b.Evaluation(ctx, c)
		return resp, err
	case c.State != storage.CaseActive:
		return nil, Refuse(FailedPrecondition, ReasonClosedCase, "the case is %s", c.State)
	case req.GetEtag() == "":
		return nil, Refuse(FailedPrecondition, ReasonNoCondition, "give the section's etag as last answered")
	case req.GetEtag() != etag(s.Head):
		return nil, Refuse(Aborted, ReasonStaleEtag, "the section was written meanwhile; read the case, look at what changed, and retract with the present etag")
	}
	w := storage.Write{Expected: c.Version}
	f.Case.Version++
	r.retract(f, &w, []string{name}, req.GetReason(), req.GetReasonText())
	evaluation, err := r.evaluate(ctx, f, &w, []string{name})
	if err != nil {
		return nil, err
	}
	resp.Section, resp.CaseVersion = f.status(*f.section(name)), f.Case.Version
	if err := r.append(ctx, f, w, resp); err != nil {
		return nil, err
	}
	resp.Evaluation = evaluation
	return resp, nil
}

// RetractCase retracts a whole case, with the reason.
func (b *Book) RetractCase(ctx context.Context, caller string, req *trigonev1.RetractCaseRequest) (*trigonev1.RetractCaseResponse, error) {
	list := convert.Check(req)
	if req.GetReason() == trigonev1.RetractionReason_RETRACTION_REASON_UNSPECIFIED {
		list = append(list, convert.Violation{Path: "reason", Message: "is missing; say why the case is retracted"})
	}
	if err := RefuseFields(list); err != nil {
		return nil, err
	}
	r, err := b.review(caller, methodRetractCase, req.GetRequestId(), req, func(m proto.Message) { m.(*trigonev1.RetractCaseRequest).RequestId = "" })
	if err != nil {
		return nil, err
	}
	return retry(func() (*trigonev1.RetractCaseResponse, error) { return b.retractCase(ctx, r, req) })
}

func (b *Book) retractCase(ctx context.Context, r review, req *trigonev1.RetractCaseRequest) (*trigonev1.RetractCaseResponse, error) {
	resp := &trigonev1.RetractCaseResponse{}
	if found, err := r.replayed(ctx, resp); found || err != nil {
		return resp, err
	}
	c, err := b.Find(ctx, req.GetCase())
	if err != nil {
		return nil, err
	}
	answer := func(c storage.Case) *trigonev1.RetractCaseResponse {
		return &trigonev1.RetractCaseResponse{
			CaseName: b.CaseName(c.UID), CaseVersion: c.Version, State: convert.Enum[trigonev1.CaseState](c.State),
		}
	}
	switch {
	case c.State == storage.CaseRetracted:
		return answer(c), nil
	case c.State != storage.CaseActive:
		return nil, Refuse(FailedPrecondition, ReasonClosedCase, "the case is %s", c.State)
	case req.GetCaseVersion() != c.Version:
		return nil, staleVersion(c, req.GetCaseVersion())
	}
	f := &Folder{Case: c}
	f.Case.State = storage.CaseRetracted
	f.Case.Version++
	w := storage.Write{Expected: c.Version, Changes: []storage.Change{{
		Kind: convert.Word(trigonev1.ChangeKind_CHANGE_KIND_CASE_RETRACTED), Reason: convert.Word(req.GetReason()), Time: r.now,
	}}}
	resp = answer(f.Case)
	return resp, r.append(ctx, f, w, resp)
}

func staleVersion(c storage.Case, given int64) error {
	if given == 0 {
		return Refuse(FailedPrecondition, ReasonNoCondition, "give the case_version as last answered")
	}
	return Refuse(Aborted, ReasonStaleVersion,
		"the case is at version %d, not %d; read it, look at what changed, and ask again with the present version", c.Version, given)
}

// AmendIdentity merges, corrects or repairs the identity of a case.
func (b *Book) AmendIdentity(ctx context.Context, caller string, req *trigonev1.AmendIdentityRequest) (*trigonev1.AmendIdentityResponse, error) {
	list := convert.Check(req)
	if strings.TrimSpace(req.GetReason()) == "" {
		list = append(list, convert.Violation{Path: "reason", Message: "is missing; say why"})
	}
	patient := identifier(req.GetPatientIdentifier())
	switch req.GetAmendment() {
	case trigonev1.IdentityAmendment_IDENTITY_AMENDMENT_MERGE, trigonev1.IdentityAmendment_IDENTITY_AMENDMENT_CORRECTION:
		if patient.System == "" || patient.Value == "" {
			list = append(list, convert.Violation{Path: "patient_identifier", Message: "needs a system and a value: the patient as it is from now on"})
		}
		if len(req.GetWrongSections()) > 0 {
			list = append(list, convert.Violation{Path: "wrong_sections", Message: "goes with WRONG_PATIENT only; leave it out"})
		}
	case trigonev1.IdentityAmendment_IDENTITY_AMENDMENT_WRONG_PATIENT:
		if len(req.GetWrongSections()) == 0 {
			list = append(list, convert.Violation{Path: "wrong_sections", Message: "is empty; name the sections that belong to somebody else"})
		}
		if req.GetPatientIdentifier() != nil {
			list = append(list, convert.Violation{Path: "patient_identifier", Message: "goes with MERGE and CORRECTION only; leave it out"})
		}
	default:
		list = append(list, convert.Violation{Path: "amendment", Message: "is missing; give MERGE, CORRECTION or WRONG_PATIENT"})
	}
	if err := RefuseFields(list); err != nil {
		return nil, err
	}
	r, err := b.review(caller, methodAmend, req.GetRequestId(), req, func(m proto.Message) { m.(*trigonev1.AmendIdentityRequest).RequestId = "" })
	if err != nil {
		return nil, err
	}
	return retry(func() (*trigonev1.AmendIdentityResponse, error) { return b.amendIdentity(ctx, r, req, patient) })
}

func (b *Book) amendIdentity(ctx context.Context, r review, req *trigonev1.AmendIdentityRequest, patient storage.Identifier) (*trigonev1.AmendIdentityResponse, error) {
	resp := &trigonev1.AmendIdentityResponse{}
	if found, err := r.replayed(ctx, resp); found || err != nil {
		return resp, err
	}
	c, err := b.Find(ctx, req.GetCase())
	switch {
	case err != nil:
		return nil, err
	case c.State != storage.CaseActive:
		return nil, Refuse(FailedPrecondition, ReasonClosedCase, "the case is %s", c.State)
	case req.GetCaseVersion() != c.Version:
		return nil, staleVersion(c, req.GetCaseVersion())
	}
	f, err := b.Load(ctx, c)
	if err != nil {
		return nil, err
	}
	f = f.clone()
	var open []string
	for i, name := range req.GetWrongSections() {
		s := f.section(name)
		if s == nil {
			return nil, RefuseField(fmt.Sprintf("wrong_sections[%d]", i), "names a section that the case does not have; GetCase lists its sections")
		}
		if s.State != storage.SectionRetracted && !slices.Contains(open, name) {
			open = append(open, name)
		}
	}
	f.Case.Version++
	w := storage.Write{Expected: c.Version, Changes: []storage.Change{{
		Kind: convert.Word(trigonev1.ChangeKind_CHANGE_KIND_IDENTITY_AMENDED), Reason: convert.Word(req.GetAmendment()), Time: r.now,
	}}}
	if patient != (storage.Identifier{}) && patient != c.Patient {
		f.Case.FormerPatients = slices.DeleteFunc(f.Case.FormerPatients, func(id storage.Identifier) bool { return id == patient })
		f.Case.FormerPatients = append(f.Case.FormerPatients, c.Patient)
		f.Case.Patient = patient
	}
	if len(open) > 0 {
		r.retract(f, &w, open, trigonev1.RetractionReason_RETRACTION_REASON_WRONG_PATIENT, req.GetReason())
		if _, err := r.evaluate(ctx, f, &w, open); err != nil {
			return nil, err
		}
	}
	resp.CaseVersion, resp.Sections = f.Case.Version, f.statuses()
	return resp, r.append(ctx, f, w, resp)
}
