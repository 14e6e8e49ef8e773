package casebook

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// Archives are those that one list is read from: of one site, or of several of the
// caller's own, by name.
type Archives []*Archive

// Admit lets a call in at each of the sites, and gives them.
func (l Archives) Admit(who Principal, req proto.Message) (sites []string, err error) {
	for _, a := range l {
		site, err := a.Admit(who, req)
		if err != nil {
			return nil, err
		}
		sites = append(sites, site)
	}
	return sites, nil
}

// Tokens gives what makes and opens the tokens of a list: one belongs to the sites over
// which it was asked.
func (l Archives) Tokens() Tokens {
	t := l[0].Tokens
	for _, a := range l[1:] {
		t.site += " " + a.site
	}
	t.several = len(l) > 1
	return t
}

// Store is the one that all of them lie in.
func (l Archives) Store() storage.Store { return l[0].Store }

// At gives the archive of one of the sites.
func (l Archives) At(site string) *Archive {
	for _, a := range l {
		if a.site == site {
			return a
		}
	}
	return nil
}

// Narrow gives the sites and the uid of the case to which a list is narrowed, or all
// sites where ref is nil. A case number that two of the sites gave is nobody's.
func (l Archives) Narrow(ctx context.Context, ref *trigonev1.CaseReference) (sites []string, uid string, err error) {
	var missing error
	for _, a := range l {
		if ref == nil {
			sites = append(sites, a.site)
			continue
		}
		c, err := a.find(ctx, ref)
		var refusal *Error
		switch {
		case err == nil:
			sites, uid = append(sites, a.site), c.UID
			AccessOf(ctx).At(a.site).Case(c.UID)
		case len(l) > 1 && errors.As(err, &refusal) && refusal.Kind == NotFound:
			missing = err
		default:
			return nil, "", err
		}
	}
	switch {
	case ref != nil && len(sites) > 1:
		return nil, "", RefuseField("case", fmt.Sprintf("is of %d sites, each of which has a case of this number; give its name, or one of sites/%s as its parent", len(sites), strings.Join(sites, ", sites/")))
	case len(sites) == 0:
		return nil, "", missing
	}
	return sites, uid, nil
}

// ListCases lists the cases of the sites.
func (l Archives) ListCases(ctx context.Context, who Principal, req *trigonev1.ListCasesRequest) (*trigonev1.ListCasesResponse, error) {
	sites, err := l.Admit(who, req)
	if err != nil {
		return nil, err
	}
	list := convert.Check(req)
	if req.GetExternalIdentifier() != nil && req.GetExternalIdentifier().GetValue() == "" {
		list = append(list, convert.Violation{Path: "external_identifier.value", Message: "is empty; give the case number, or leave external_identifier out"})
	}
	if err := RefuseFields(list); err != nil {
		return nil, err
	}
	tokens := l.Tokens()
	question, err := tokens.Question("ListCases", &trigonev1.ListCasesRequest{
		State: req.GetState(), DisputedOnly: req.GetDisputedOnly(), AwaitingIncisionOnly: req.GetAwaitingIncisionOnly(), ExternalIdentifier: req.GetExternalIdentifier(),
	})
	if err != nil {
		return nil, err
	}
	after, err := tokens.Position("page_token", req.GetPageToken(), question)
	if err != nil {
		return nil, err
	}
	state := storage.CaseActive
	if req.GetState() != trigonev1.CaseState_CASE_STATE_UNSPECIFIED {
		state = convert.Word(req.GetState())
	}
	rows, next, err := l.Store().Cases(ctx, sites, storage.CaseFilter{
		State: state, DisputedOnly: req.GetDisputedOnly(), AwaitingIncision: req.GetAwaitingIncisionOnly(), ExternalIdentifier: identifier(req.GetExternalIdentifier()),
	}, after, PageSize(req.GetPageSize()))
	if err != nil {
		return nil, err
	}
	resp := &trigonev1.ListCasesResponse{}
	if resp.Invented, err = l.Invented(ctx); err != nil {
		return nil, err
	}
	if resp.NextPageToken, err = tokens.Token(question, next); err != nil {
		return nil, err
	}
	for _, row := range rows {
		AccessOf(ctx).At(row.Site).Case(row.UID)
		f := Folder{Case: row.Case}
		resp.Cases = append(resp.Cases, &trigonev1.CaseSummary{
			Name: l.At(row.Site).CaseName(row.UID), ExternalIdentifier: IdentifierMessage(row.ExternalIdentifier), CaseVersion: row.Version,
			State: convert.Enum[trigonev1.CaseState](row.State), Sections: f.statuses(),
			ContradictionCount: int32(row.Contradictions), CautionCount: int32(row.Cautions), NoteCount: int32(row.Notes),
			DiscrepancyCount: int32(row.RootCount), ChangedTime: Timestamp(row.ChangedTime),
			PlanTiming: convert.Enum[trigonev1.PlanTiming](row.PlanTiming), IncisionTime: Timestamp(row.IncisionTime),
		})
	}
	return resp, nil
}
