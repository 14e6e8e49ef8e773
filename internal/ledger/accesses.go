package ledger

import (
	"context"

	"google.golang.org/protobuf/proto"

	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// ListAccesses lists who did what.
func (l *Ledger) ListAccesses(ctx context.Context, who casebook.Principal, req *trigonev1.ListAccessesRequest) (*trigonev1.ListAccessesResponse, error) {
	if _, err := l.archives.Admit(who, req); err != nil {
		return nil, err
	}
	if err := casebook.RefuseFields(convert.Check(req)); err != nil {
		return nil, err
	}
	filters := proto.CloneOf(req)
	filters.PageToken, filters.PageSize, filters.Parent = "", 0, ""
	question, after, err := l.page("ListAccesses", filters, req.GetPageToken())
	if err != nil {
		return nil, err
	}
	f := storage.AccessFilter{Caller: req.GetCaller(), UnsignedEmergencies: req.GetUnsignedEmergenciesOnly()}
	var sites []string
	if sites, f.CaseUID, err = l.archives.Narrow(ctx, req.GetCase()); err != nil {
		return nil, err
	}
	lines, next, err := l.archives.Store().Accesses(ctx, sites, f, after, casebook.PageSize(req.GetPageSize()))
	if err != nil {
		return nil, err
	}
	resp := &trigonev1.ListAccessesResponse{}
	if resp.NextPageToken, err = l.archives.Tokens().Token(question, next); err != nil {
		return nil, err
	}
	for i := range lines {
		a := &lines[i]
		m := &trigonev1.Access{
			Number: a.Number, Time: casebook.Timestamp(a.Time), Caller: a.Caller, Method: a.Method, CaseCount: a.Cases, Outcome: a.Outcome,
			RequestId: a.RequestID, Detail: a.Detail, Concerns: a.Concerns, Reason: a.Reason,
		}
		if a.CaseUID != "" {
			m.CaseName = l.archives.At(a.Site).CaseName(a.CaseUID)
		}
		resp.Accesses = append(resp.Accesses, m)
	}
	return resp, nil
}

// SignOffAccess signs off that somebody read in an emergency.
func (l *Ledger) SignOffAccess(ctx context.Context, who casebook.Principal, req *trigonev1.SignOffAccessRequest) (*trigonev1.SignOffAccessResponse, error) {
	sites, err := l.archives.Admit(who, req)
	if err != nil {
		return nil, err
	}
	if err := casebook.RefuseFields(convert.Check(req)); err != nil {
		return nil, err
	}
	if req.GetNumber() == 0 {
		return nil, casebook.RefuseField("number", "is missing; give the number of the line, as ListAccesses shows it")
	}
	lines, _, err := l.archives.Store().Accesses(ctx, sites, storage.AccessFilter{Number: req.GetNumber()}, "", 1)
	switch {
	case err != nil:
		return nil, err
	case len(lines) == 0 || lines[0].Detail != storage.AccessEmergency:
		return nil, casebook.Refuse(casebook.NotFound, casebook.ReasonUnknownLine, "no line of this number tells of a read in an emergency")
	}
	access := casebook.AccessOf(ctx)
	access.SignsOff(req.GetNumber())
	if line, ok := access.Now(); ok {
		if err := l.archives.Store().RecordAccesses(ctx, []storage.Access{line}); err != nil {
			return nil, err
		}
	}
	return &trigonev1.SignOffAccessResponse{}, nil
}
