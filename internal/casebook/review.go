package casebook

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

const (
	methodRetractSection = "RetractSection"
	methodRetractCase    = "RetractCase"
	methodAmend          = "AmendIdentity"
)

// openFor reads the case that a reviewer decides about, with all that is on record.
func (b *Book) openFor(ctx context.Context, ref *trigonev1.CaseReference) (*Folder, error) {
	c, err := b.Find(ctx, ref)
	if err != nil {
		return nil, err
	}
	if c.State != storage.CaseActive {
		return nil, Refuse(FailedPrecondition, ReasonClosedCase, "the case is %s", c.State)
	}
	return b.Load(ctx, c)
}

// RetractSection retracts one section, with the reason.
func (b *Book) RetractSection(ctx context.Context, who Principal, req *trigonev1.RetractSectionRequest) (*trigonev1.RetractSectionResponse, error) {
	if _, err := b.Admit(who, req); err != nil {
		return nil, err
	}
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
	return call[*trigonev1.RetractSectionResponse]{
		book: b, who: who, method: methodRetractSection, request: req,
		prepare: func(ctx context.Context, now time.Time) (*change, func() *trigonev1.RetractSectionResponse, error) {
			ch, err := b.prepareRetraction(ctx, who, req, now)
			return ch, func() *trigonev1.RetractSectionResponse {
				return &trigonev1.RetractSectionResponse{
					Section: ch.after.status(*ch.after.section(req.GetSection())), CaseVersion: ch.after.Case.Version, Evaluation: ch.evaluation,
				}
			}, err
		},
		evaluation: func(r *trigonev1.RetractSectionResponse) **trigonev1.Evaluation { return &r.Evaluation },
	}.run(ctx)
}

func (b *Book) prepareRetraction(ctx context.Context, who Principal, req *trigonev1.RetractSectionRequest, now time.Time) (*change, error) {
	c, err := b.Find(ctx, req.GetCase())
	if err != nil {
		return nil, err
	}
	f, err := b.Load(ctx, c)
	if err != nil {
		return nil, err
	}
	s := f.section(req.GetSection())
	switch {
	case s == nil:
		return nil, Refuse(NotFound, ReasonUnknownSection, "the case has no such section; GetCase lists its sections")
	case s.State == storage.SectionRetracted:
		return standing(f, now)
	case c.State != storage.CaseActive:
		return nil, Refuse(FailedPrecondition, ReasonClosedCase, "the case is %s", c.State)
	case req.GetEtag() == "":
		return nil, refuseAbout(f.aboutSections(s.Section), FailedPrecondition, ReasonNoCondition, "give the section's etag as last answered")
	case req.GetEtag() != etag(s.Head):
		return nil, refuseAbout(f.aboutSections(s.Section), Aborted, ReasonStaleEtag, "the section was written meanwhile; read the case, look at what changed, and retract with the present etag")
	}
	ch := begin(f, who, now)
	ch.retract([]string{req.GetSection()}, req.GetReason(), req.GetReasonText())
	return ch, nil
}

// RetractCase retracts a whole case, with the reason.
func (b *Book) RetractCase(ctx context.Context, who Principal, req *trigonev1.RetractCaseRequest) (*trigonev1.RetractCaseResponse, error) {
	if _, err := b.Admit(who, req); err != nil {
		return nil, err
	}
	list := convert.Check(req)
	if req.GetReason() == trigonev1.RetractionReason_RETRACTION_REASON_UNSPECIFIED {
		list = append(list, convert.Violation{Path: "reason", Message: "is missing; say why the case is retracted"})
	}
	if err := RefuseFields(list); err != nil {
		return nil, err
	}
	return call[*trigonev1.RetractCaseResponse]{
		book: b, who: who, method: methodRetractCase, request: req,
		prepare: func(ctx context.Context, now time.Time) (*change, func() *trigonev1.RetractCaseResponse, error) {
			ch, err := b.prepareCaseRetraction(ctx, who, req, now)
			return ch, func() *trigonev1.RetractCaseResponse {
				c := ch.after.Case
				return &trigonev1.RetractCaseResponse{
					CaseName: b.CaseName(c.UID), CaseVersion: c.Version, State: convert.Enum[trigonev1.CaseState](c.State),
				}
			}, err
		},
	}.run(ctx)
}

func (b *Book) prepareCaseRetraction(ctx context.Context, who Principal, req *trigonev1.RetractCaseRequest, now time.Time) (*change, error) {
	c, err := b.Find(ctx, req.GetCase())
	if err != nil {
		return nil, err
	}
	f, err := b.Load(ctx, c)
	switch {
	case err != nil:
		return nil, err
	case c.State == storage.CaseRetracted:
		return standing(f, now)
	case c.State != storage.CaseActive:
		return nil, Refuse(FailedPrecondition, ReasonClosedCase, "the case is %s", c.State)
	case req.GetCaseVersion() != c.Version:
		return nil, staleVersion(c, req.GetCaseVersion())
	}
	ch := begin(f, who, now)
	ch.judged = false // what was said of it stands
	ch.after.Case.State = storage.CaseRetracted
	ch.amend(convert.Word(trigonev1.ChangeKind_CHANGE_KIND_CASE_RETRACTED), req.GetReasonText())
	ch.tell(trigonev1.ChangeKind_CHANGE_KIND_CASE_RETRACTED, storage.Change{Reason: convert.Word(req.GetReason())})
	return ch, nil
}

func staleVersion(c storage.Case, given int64) error {
	if given == 0 {
		return refuseAbout(aboutVersion(c.Version), FailedPrecondition, ReasonNoCondition, "give the case_version as last answered")
	}
	return refuseAbout(aboutVersion(c.Version), Aborted, ReasonStaleVersion,
		"the case is at version %d, not %d; read it, look at what changed, and ask again with the present version", c.Version, given)
}

// AmendIdentity merges, corrects or repairs the identity of a case.
func (b *Book) AmendIdentity(ctx context.Context, who Principal, req *trigonev1.AmendIdentityRequest) (*trigonev1.AmendIdentityResponse, error) {
	if _, err := b.Admit(who, req); err != nil {
		return nil, err
	}
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
	return call[*trigonev1.AmendIdentityResponse]{
		book: b, who: who, method: methodAmend, request: req,
		prepare: func(ctx context.Context, now time.Time) (*change, func() *trigonev1.AmendIdentityResponse, error) {
			ch, err := b.prepareAmendment(ctx, who, req, patient, now)
			return ch, func() *trigonev1.AmendIdentityResponse {
				return &trigonev1.AmendIdentityResponse{CaseVersion: ch.after.Case.Version, Sections: ch.after.statuses()}
			}, err
		},
	}.run(ctx)
}

func (b *Book) prepareAmendment(ctx context.Context, who Principal, req *trigonev1.AmendIdentityRequest, patient storage.Identifier, now time.Time) (*change, error) {
	f, err := b.openFor(ctx, req.GetCase())
	switch {
	case err != nil:
		return nil, err
	case req.GetCaseVersion() != f.Case.Version:
		return nil, staleVersion(f.Case, req.GetCaseVersion())
	}
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
	ch := begin(f, who, now)
	if patient != (storage.Identifier{}) {
		if ch.write.Mark, err = b.markOf(ctx, patient); err != nil {
			return nil, err
		}
	}
	ch.judged = len(open) > 0
	c := &ch.after.Case
	if patient != (storage.Identifier{}) && patient != c.Patient {
		c.FormerPatients = slices.DeleteFunc(c.FormerPatients, func(id storage.Identifier) bool { return id == patient })
		c.FormerPatients = append(c.FormerPatients, c.Patient)
		c.Patient = patient
	}
	ch.amend(convert.Word(req.GetAmendment()), req.GetReason())
	ch.tell(trigonev1.ChangeKind_CHANGE_KIND_IDENTITY_AMENDED, storage.Change{Reason: convert.Word(req.GetAmendment())})
	ch.retract(open, trigonev1.RetractionReason_RETRACTION_REASON_WRONG_PATIENT, req.GetReason())
	return ch, nil
}
