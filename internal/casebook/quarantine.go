package casebook

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

const methodFile = "FileQuarantined"

const quarantineMessage = "The patient identifier is not the one of this case. The whole submit was set aside and is no part of any case until a reviewer files it; correct the identifier and submit again, or ask a reviewer."

// quarantine sets a submit aside that names another patient. The answer tells
// nothing of what is stored.
func (s submission) quarantine(ctx context.Context, f *Folder, mark storage.Mark, now time.Time) (*change, func() *trigonev1.SubmitCaseResponse, error) {
	ch := &change{at: now, who: s.who, write: storage.Write{Mark: mark}}
	resp := &trigonev1.SubmitCaseResponse{Message: quarantineMessage}
	answer := func() *trigonev1.SubmitCaseResponse { return resp }
	if s.validateOnly {
		resp.Message = "Not stored, validate_only: a reviewer would be asked, because the patient identifier is not the one of this case."
		return ch, answer, nil
	}
	hash, err := s.book.contentHash(s.request)
	if err != nil {
		return nil, nil, err
	}
	q, err := s.book.Store.QuarantinedByHash(ctx, s.book.Policy.Settings.Site, hash)
	switch {
	case errors.Is(err, storage.ErrNotFound):
		body, err := marshal(s.request)
		if err != nil {
			return nil, nil, fmt.Errorf("the submit cannot be set aside: %w", err)
		}
		q = storage.Quarantined{
			ID: s.book.newID(), CaseUID: f.Case.UID, CaseVersion: f.Case.Version, Sections: convert.SectionNames(s.file), Body: body,
			ReceivedTime: now, Caller: s.who.Name, State: storage.QuarantineOpen, Hash: hash,
		}
		ch.write.Quarantined = &q
		ch.tell(trigonev1.ChangeKind_CHANGE_KIND_QUARANTINED, storage.Change{QuarantineID: q.ID})
	case err != nil:
		return nil, nil, err
	}
	resp.QuarantineId, ch.quarantineID = q.ID, q.ID
	return ch, answer, nil
}

// closeQuarantine marks a quarantined submit as filed in the write that files it.
func (s submission) closeQuarantine(ch *change) {
	if s.filing == nil {
		return
	}
	ch.write.Quarantined = filed(*s.filing, ch.after.Case, s.who, ch.at)
	ch.closing = append(ch.closing, storage.Change{
		Kind: convert.Word(trigonev1.ChangeKind_CHANGE_KIND_QUARANTINE_FILED), QuarantineID: s.filing.ID, CaseUID: ch.after.Case.UID, Time: ch.at,
	})
}

// FileQuarantined files a quarantined submit into a case, or discards it.
func (b *Book) FileQuarantined(ctx context.Context, who Principal, req *trigonev1.FileQuarantinedRequest) (*trigonev1.FileQuarantinedResponse, error) {
	if _, err := b.Admit(who, req); err != nil {
		return nil, err
	}
	list := convert.Check(req)
	if req.GetQuarantineId() == "" {
		list = append(list, convert.Violation{Path: "quarantine_id", Message: "is missing; give the id answered to the submit"})
	}
	if strings.TrimSpace(req.GetReason()) == "" {
		list = append(list, convert.Violation{Path: "reason", Message: "is missing; say why"})
	}
	if req.GetIntoCase() == "" && !req.GetDiscard() {
		list = append(list, convert.Violation{Path: "decision", Message: "is missing; name the case to file into, or set discard"})
	}
	if err := RefuseFields(list); err != nil {
		return nil, err
	}
	return call[*trigonev1.FileQuarantinedResponse]{
		book: b, who: who, method: methodFile, request: req,
		prepare: func(ctx context.Context, now time.Time) (*change, func() *trigonev1.FileQuarantinedResponse, error) {
			return b.prepareFiling(ctx, who, req, now)
		},
		evaluation: func(r *trigonev1.FileQuarantinedResponse) **trigonev1.Evaluation {
			if r.Submitted == nil {
				return nil
			}
			return &r.Submitted.Evaluation
		},
	}.run(ctx)
}

func (b *Book) prepareFiling(ctx context.Context, who Principal, req *trigonev1.FileQuarantinedRequest, now time.Time) (*change, func() *trigonev1.FileQuarantinedResponse, error) {
	q, err := b.openQuarantine(ctx, req.GetQuarantineId())
	if err != nil {
		return nil, nil, err
	}
	var into *storage.Case
	if !req.GetDiscard() {
		c, err := b.caseByName(ctx, req.GetIntoCase())
		if err != nil {
			return nil, nil, err
		}
		into = &c
	}
	if err := b.wasRead(ctx, q, req.GetEtag(), into); err != nil {
		return nil, nil, err
	}
	q.Decision = req.GetReason()
	if req.GetDiscard() {
		AccessOf(ctx).Case(q.CaseUID)
		ch := &change{at: now, who: who, write: storage.Write{Quarantined: discarded(q, who, now)}}
		ch.tell(trigonev1.ChangeKind_CHANGE_KIND_QUARANTINE_DISCARDED, storage.Change{QuarantineID: q.ID})
		return ch, func() *trigonev1.FileQuarantinedResponse {
			return &trigonev1.FileQuarantinedResponse{Message: "The submit was discarded."}
		}, nil
	}
	file, err := bodyOf(q)
	if err != nil {
		return nil, nil, err
	}
	s := submission{book: b, who: who, file: file, caseName: req.GetIntoCase(), filing: &q}
	ch, answer, err := s.prepare(ctx, now)
	if err != nil {
		return nil, nil, err
	}
	return ch, func() *trigonev1.FileQuarantinedResponse {
		submitted := answer()
		return &trigonev1.FileQuarantinedResponse{Submitted: submitted, Message: "The submit was filed. " + submitted.GetMessage()}
	}, nil
}
