package casebook

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

const methodFile = "FileQuarantined"

const quarantineMessage = "The patient identifier is not the one of this case. The whole submit was set aside and is no part of any case until a reviewer files it; correct the identifier and submit again, or ask a reviewer."

// quarantine sets a submit aside that names another patient. The answer tells
// nothing of what is stored.
func (s submission) quarantine(ctx context.Context, f *Folder, req *trigonev1.SubmitCaseRequest) (*trigonev1.SubmitCaseResponse, error) {
	resp := &trigonev1.SubmitCaseResponse{Message: quarantineMessage}
	if s.dryRun {
		resp.Message = "Not stored, validate_only: a reviewer would be asked, because the patient identifier is not the one of this case."
		return resp, nil
	}
	now := s.book.now().UTC()
	q, err := s.book.Store.QuarantinedByHash(ctx, s.site, s.hash)
	w := storage.Write{}
	switch {
	case err == nil:
		resp.QuarantineId = q.ID
	case errors.Is(err, storage.ErrNotFound):
		body, err := marshal(req)
		if err != nil {
			return nil, fmt.Errorf("the submit cannot be set aside: %w", err)
		}
		q = storage.Quarantined{
			ID: s.book.newID(), CaseUID: f.Case.UID, Body: body, ReceivedTime: now, Caller: s.caller,
			State: storage.QuarantineOpen, Hash: s.hash,
		}
		resp.QuarantineId = q.ID
		w.Quarantined = &q
		w.Changes = []storage.Change{{
			Kind: convert.Word(trigonev1.ChangeKind_CHANGE_KIND_QUARANTINED), QuarantineID: q.ID, Time: now,
		}}
	default:
		return nil, err
	}
	row, err := s.requestRow(storage.Case{}, resp, now)
	if err != nil {
		return nil, err
	}
	w.Request = row
	if w.Quarantined == nil && w.Request == nil {
		return resp, nil
	}
	return resp, s.book.Store.Append(ctx, s.site, w)
}

// closeQuarantine marks a quarantined submit as filed in the write that files it.
func (s submission) closeQuarantine(w *storage.Write, now time.Time, uid string) {
	if s.filing == nil {
		return
	}
	q := *s.filing
	q.State = storage.QuarantineFiled
	w.Quarantined = &q
	w.Changes = append(w.Changes, storage.Change{
		Kind: convert.Word(trigonev1.ChangeKind_CHANGE_KIND_QUARANTINE_FILED), QuarantineID: q.ID,
		CaseUID: uid, CaseVersion: caseVersion(w), Time: now,
	})
}

func caseVersion(w *storage.Write) int64 {
	if w.Case == nil {
		return 0
	}
	return w.Case.Version
}

// FileQuarantined files a quarantined submit into a case, or discards it.
func (b *Book) FileQuarantined(ctx context.Context, caller string, req *trigonev1.FileQuarantinedRequest) (*trigonev1.FileQuarantinedResponse, error) {
	site, err := b.CheckParent(req.GetParent())
	if err != nil {
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
	hash, err := b.contentHash(req, func(m proto.Message) { m.(*trigonev1.FileQuarantinedRequest).RequestId = "" })
	if err != nil {
		return nil, err
	}
	return retry(func() (*trigonev1.FileQuarantinedResponse, error) {
		return b.fileQuarantined(ctx, caller, site, req, hash)
	})
}

func (b *Book) fileQuarantined(ctx context.Context, caller, site string, req *trigonev1.FileQuarantinedRequest, hash []byte) (*trigonev1.FileQuarantinedResponse, error) {
	resp := &trigonev1.FileQuarantinedResponse{}
	if req.GetRequestId() != "" {
		_, found, err := b.replay(ctx, caller, site, methodFile, req.GetRequestId(), hash, resp)
		if err != nil || found {
			return resp, err
		}
	}
	q, err := b.Store.Quarantined(ctx, site, req.GetQuarantineId())
	switch {
	case errors.Is(err, storage.ErrNotFound):
		return nil, Refuse(NotFound, ReasonUnknownQuarantine, "no submit of this id was set aside at this site")
	case err != nil:
		return nil, err
	case q.State != storage.QuarantineOpen:
		return nil, Refuse(FailedPrecondition, ReasonDecided, "this submit was %s already", q.State)
	}
	now := b.now().UTC()
	q.Decision = req.GetReason()
	if req.GetDiscard() {
		resp.Message = "The submit was discarded."
		q.State = storage.QuarantineDiscarded
		w := storage.Write{Quarantined: &q, Changes: []storage.Change{{
			Kind: convert.Word(trigonev1.ChangeKind_CHANGE_KIND_QUARANTINE_DISCARDED), QuarantineID: q.ID, Time: now,
		}}}
		w.Request, err = requestRow(caller, site, methodFile, req.GetRequestId(), hash, resp, storage.Case{}, now)
		if err != nil {
			return nil, err
		}
		return resp, b.Store.Append(ctx, site, w)
	}
	body := &trigonev1.SubmitCaseRequest{}
	if err := proto.Unmarshal(q.Body, body); err != nil {
		return nil, fmt.Errorf("the submit set aside cannot be read: %w", err)
	}
	s := submission{
		book: b, site: site, caller: caller, file: body.GetCaseFile(), caseName: req.GetIntoCase(), filing: &q, hash: hash,
		requestID: req.GetRequestId(),
	}
	submitted, err := s.run(ctx, body)
	if err != nil {
		return nil, err
	}
	return filed(submitted), nil
}

func filed(submitted *trigonev1.SubmitCaseResponse) *trigonev1.FileQuarantinedResponse {
	return &trigonev1.FileQuarantinedResponse{
		Submitted: submitted, Message: "The submit was filed. " + submitted.GetMessage(),
	}
}
