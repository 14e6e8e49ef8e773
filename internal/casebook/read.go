package casebook

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"trigone/internal/convert"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// GetCase gives a case as it stands.
func (b *Book) GetCase(ctx context.Context, who Principal, req *trigonev1.GetCaseRequest) (*trigonev1.GetCaseResponse, error) {
	if _, err := b.Admit(who, req); err != nil {
		return nil, err
	}
	list := append(convert.Check(req), checkMask(req.GetReadMask(), &trigonev1.Case{})...)
	if err := RefuseFields(list); err != nil {
		return nil, err
	}
	c, err := b.Find(ctx, req.GetCase())
	if err != nil {
		return nil, err
	}
	f, err := b.Load(ctx, c)
	if err != nil {
		return nil, err
	}
	for i, name := range req.GetSections() {
		if f.section(name) == nil {
			return nil, RefuseField(fmt.Sprintf("sections[%d]", i), "names a section that the case does not have; ask for read_mask sections, which lists them")
		}
	}
	out, err := b.Present(f)
	if err != nil {
		return nil, err
	}
	if masked(req.GetReadMask(), fieldEvaluation) {
		if out.Evaluation, err = b.Evaluation(ctx, c); err != nil {
			return nil, err
		}
		if out.Evaluation != nil {
			applyMask(belowMask(req.GetReadMask(), fieldEvaluation), out.Evaluation)
		}
	}
	if len(req.GetSections()) > 0 {
		out.CaseFile = only(out.GetCaseFile(), req.GetSections())
		if e := out.Evaluation; e != nil {
			e.Metrics = slices.DeleteFunc(e.Metrics, func(m *trigonev1.MetricValue) bool {
				return !slices.Contains(req.GetSections(), valve.Occasion(m.GetOccasion()).Section())
			})
		}
	}
	if req.GetWithoutPoints() {
		out.CaseFile, out.SectionsWithoutPoints = convert.FileWithoutPoints(out.GetCaseFile())
	}
	applyMask(req.GetReadMask(), out, "name", "case_version", "sections_without_points")
	return &trigonev1.GetCaseResponse{Case: out}, nil
}

// only gives a case file with these sections alone.
func only(file *trigonev1.CaseFile, names []string) *trigonev1.CaseFile {
	out := &trigonev1.CaseFile{ExternalIdentifier: file.GetExternalIdentifier(), PatientIdentifier: file.GetPatientIdentifier()}
	for name, section := range convert.Sections(file) {
		if slices.Contains(names, name) {
			convert.AddSection(out, section)
		}
	}
	return out
}

// GetCaseInEmergency is GetCase while who reads cannot be put on record.
func (b *Book) GetCaseInEmergency(ctx context.Context, who Principal, req *trigonev1.GetCaseInEmergencyRequest) (*trigonev1.GetCaseInEmergencyResponse, error) {
	if _, err := b.Admit(who, req); err != nil {
		return nil, err
	}
	list := convert.Check(req)
	if strings.TrimSpace(req.GetReason()) == "" {
		list = append(list, convert.Violation{Path: "reason", Message: "is missing; say why it cannot wait"})
	}
	if err := RefuseFields(list); err != nil {
		return nil, err
	}
	AccessOf(ctx).Emergency(req.GetReason())
	resp, err := b.GetCase(ctx, who, &trigonev1.GetCaseRequest{Case: req.GetCase()})
	if err != nil {
		return nil, err
	}
	return &trigonev1.GetCaseInEmergencyResponse{Case: resp.GetCase()}, nil
}

// ListCases lists the cases of the site.
func (b *Book) ListCases(ctx context.Context, who Principal, req *trigonev1.ListCasesRequest) (*trigonev1.ListCasesResponse, error) {
	return Archives{b.Archive}.ListCases(ctx, who, req)
}

// ListRevisions lists the revisions of a case.
func (b *Book) ListRevisions(ctx context.Context, who Principal, req *trigonev1.ListRevisionsRequest) (*trigonev1.ListRevisionsResponse, error) {
	if _, err := b.Admit(who, req); err != nil {
		return nil, err
	}
	if err := RefuseFields(convert.Check(req)); err != nil {
		return nil, err
	}
	c, err := b.Find(ctx, req.GetCase())
	if err != nil {
		return nil, err
	}
	question, err := b.Question("ListRevisions", &trigonev1.ListRevisionsRequest{
		Case: &trigonev1.CaseReference{Name: b.CaseName(c.UID)}, Section: req.GetSection(),
	})
	if err != nil {
		return nil, err
	}
	after, err := b.Position("page_token", req.GetPageToken(), question)
	if err != nil {
		return nil, err
	}
	f := &Folder{Case: c}
	if req.GetSection() != "" && f.section(req.GetSection()) == nil {
		return nil, Refuse(NotFound, ReasonUnknownSection, "the case has no such section; GetCase lists its sections")
	}
	list, next, err := b.Store.RevisionPage(ctx, c.Site, c.UID, req.GetSection(), after, PageSize(req.GetPageSize()))
	if err != nil {
		return nil, err
	}
	resp := &trigonev1.ListRevisionsResponse{}
	for _, r := range list {
		if r.CaseVersion > c.Version { // written meanwhile, and so is all that follows
			return resp, nil
		}
		m, err := f.message(&revision{Revision: r})
		if err != nil {
			return nil, err
		}
		resp.Revisions = append(resp.Revisions, m)
	}
	resp.NextPageToken, err = b.Token(question, next)
	return resp, err
}

func (f *Folder) message(r *revision) (*trigonev1.Revision, error) {
	out := &trigonev1.Revision{
		Section: r.Section, Revision: r.number(), ReceivedTime: Timestamp(r.ReceivedTime), SourceTime: Timestamp(r.SourceTime),
		Caller: r.Caller, Head: f.section(r.Section).Head == r.number(), Retraction: r.Retraction,
		RetractionReason: convert.Enum[trigonev1.RetractionReason](r.RetractionReason),
	}
	if !r.Retraction {
		m, err := r.decode()
		if err != nil {
			return nil, err
		}
		out.Content = convert.FileOf(m)
	}
	return out, nil
}

// ListChanges lists what changed since a cursor.
func (b *Book) ListChanges(ctx context.Context, who Principal, req *trigonev1.ListChangesRequest) (*trigonev1.ListChangesResponse, error) {
	site, err := b.Admit(who, req)
	if err != nil {
		return nil, err
	}
	if err := RefuseFields(convert.Check(req)); err != nil {
		return nil, err
	}
	question, err := b.Question("ListChanges", &trigonev1.ListChangesRequest{})
	if err != nil {
		return nil, err
	}
	position, err := b.Position("cursor", req.GetCursor(), question)
	if err != nil {
		return nil, err
	}
	after := int64(0)
	if position != "" {
		if after, err = strconv.ParseInt(position, 10, 64); err != nil {
			return nil, fmt.Errorf("position of a cursor: %w", err)
		}
	}
	size := PageSize(req.GetPageSize())
	rows, err := b.Store.Changes(ctx, site, after, size+1)
	if err != nil {
		return nil, err
	}
	resp := &trigonev1.ListChangesResponse{More: len(rows) > size}
	if resp.More {
		rows = rows[:size]
	}
	for _, c := range rows {
		after = c.Number
		m := &trigonev1.Change{
			Number: c.Number, Kind: convert.Enum[trigonev1.ChangeKind](c.Kind), CaseVersion: c.CaseVersion, Section: c.Section,
			Revision: c.Revision, State: convert.Enum[trigonev1.SectionState](c.State), Reason: c.Reason, Time: Timestamp(c.Time),
			QuarantineId: c.QuarantineID, FindingId: c.FindingID,
		}
		if c.CaseUID != "" {
			m.CaseName = b.CaseName(c.CaseUID)
		}
		resp.Changes = append(resp.Changes, m)
	}
	resp.NextCursor, err = b.Token(question, strconv.FormatInt(after, 10))
	return resp, err
}
