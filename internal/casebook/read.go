package casebook

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/fhirmap"
	"trigone/internal/convert"
	"trigone/internal/discrepancy"
	"trigone/internal/policy"
	"trigone/internal/settings"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// GetCase gives a case as it stands.
func (b *Book) GetCase(ctx context.Context, req *trigonev1.GetCaseRequest) (*trigonev1.GetCaseResponse, error) {
	if err := violations(convert.Check(req)); err != nil {
		return nil, err
	}
	c, err := b.find(ctx, req.GetCase())
	if err != nil {
		return nil, err
	}
	f, err := b.load(ctx, c)
	if err != nil {
		return nil, err
	}
	out, err := b.present(f)
	if err != nil {
		return nil, err
	}
	if out.Evaluation, err = b.evaluation(ctx, c); err != nil {
		return nil, err
	}
	return &trigonev1.GetCaseResponse{Case: out}, nil
}

// present gives the heads of a case without its evaluation.
func (b *Book) present(f *folder) (*trigonev1.Case, error) {
	heads, err := file(f.state, f.heads())
	if err != nil {
		return nil, err
	}
	out := &trigonev1.Case{
		Name: b.caseName(f.state.UID), CaseVersion: f.state.Version, State: convert.Enum[trigonev1.CaseState](f.state.State),
		CaseFile: heads, Sections: f.statuses(),
		OpenedTime: timestamp(f.state.OpenedTime), ChangedTime: timestamp(f.state.ChangedTime),
	}
	out.Confirmations = f.confirmationMessages()
	for _, id := range f.state.FormerPatients {
		out.FormerPatientIdentifiers = append(out.FormerPatientIdentifiers, identifierMessage(id))
	}
	return out, nil
}

// ListCases lists the cases of the site.
func (b *Book) ListCases(ctx context.Context, req *trigonev1.ListCasesRequest) (*trigonev1.ListCasesResponse, error) {
	site, err := b.site(req.GetParent())
	if err != nil {
		return nil, err
	}
	if err := violations(convert.Check(req)); err != nil {
		return nil, err
	}
	question, err := b.question("ListCases", &trigonev1.ListCasesRequest{State: req.GetState(), DisputedOnly: req.GetDisputedOnly()})
	if err != nil {
		return nil, err
	}
	after, err := b.position("page_token", req.GetPageToken(), question)
	if err != nil {
		return nil, err
	}
	state := storage.CaseActive
	if req.GetState() != trigonev1.CaseState_CASE_STATE_UNSPECIFIED {
		state = convert.Word(req.GetState())
	}
	rows, next, err := b.store.Cases(ctx, site, storage.CaseFilter{State: state, DisputedOnly: req.GetDisputedOnly()}, after, pageSize(req.GetPageSize()))
	if err != nil {
		return nil, err
	}
	resp := &trigonev1.ListCasesResponse{}
	if resp.NextPageToken, err = b.token(question, next); err != nil {
		return nil, err
	}
	for _, row := range rows {
		f := folder{state: row.Case}
		resp.Cases = append(resp.Cases, &trigonev1.CaseSummary{
			Name: b.caseName(row.UID), ExternalIdentifier: identifierMessage(row.ExternalIdentifier), CaseVersion: row.Version,
			State: convert.Enum[trigonev1.CaseState](row.State), Sections: f.statuses(),
			ContradictionCount: int32(row.Contradictions), CautionCount: int32(row.Cautions), NoteCount: int32(row.Notes),
			DiscrepancyCount: int32(row.RootCount), ChangedTime: timestamp(row.ChangedTime),
		})
	}
	return resp, nil
}

// ListRevisions lists the revisions of a case.
func (b *Book) ListRevisions(ctx context.Context, req *trigonev1.ListRevisionsRequest) (*trigonev1.ListRevisionsResponse, error) {
	if err := violations(convert.Check(req)); err != nil {
		return nil, err
	}
	c, err := b.find(ctx, req.GetCase())
	if err != nil {
		return nil, err
	}
	question, err := b.question("ListRevisions", &trigonev1.ListRevisionsRequest{
		Case: &trigonev1.CaseReference{Name: b.caseName(c.UID)}, Section: req.GetSection(),
	})
	if err != nil {
		return nil, err
	}
	after, err := b.position("page_token", req.GetPageToken(), question)
	if err != nil {
		return nil, err
	}
	f, err := b.load(ctx, c)
	if err != nil {
		return nil, err
	}
	if req.GetSection() != "" && f.section(req.GetSection()) == nil {
		return nil, refuse(NotFound, ReasonUnknownSection, "the case has no such section; GetCase lists its sections")
	}
	skip := 0
	if after != "" {
		if skip, err = strconv.Atoi(after); err != nil {
			return nil, fmt.Errorf("position of a page: %w", err)
		}
	}
	resp := &trigonev1.ListRevisionsResponse{}
	size := pageSize(req.GetPageSize())
	for i, r := range f.revisions {
		if i < skip || (req.GetSection() != "" && r.Section != req.GetSection()) {
			continue
		}
		if len(resp.Revisions) == size {
			resp.NextPageToken, err = b.token(question, strconv.Itoa(i))
			return resp, err
		}
		m, err := f.message(r)
		if err != nil {
			return nil, err
		}
		resp.Revisions = append(resp.Revisions, m)
	}
	return resp, nil
}

func (f *folder) message(r storage.Revision) (*trigonev1.Revision, error) {
	out := &trigonev1.Revision{
		Section: r.Section, Revision: r.Revision, ReceivedTime: timestamp(r.ReceivedTime), SourceTime: timestamp(r.SourceTime),
		Caller: r.Caller, Head: f.section(r.Section).Head == r.Revision, Retraction: r.Retraction,
		RetractionReason: convert.Enum[trigonev1.RetractionReason](r.RetractionReason),
	}
	if !r.Retraction {
		m, err := convert.UnmarshalSection(r.Section, r.Content)
		if err != nil {
			return nil, fmt.Errorf("revision %d of %s cannot be read: %w", r.Revision, r.Section, err)
		}
		out.Content = convert.FileOf(m)
	}
	return out, nil
}

// ListChanges lists what changed since a cursor.
func (b *Book) ListChanges(ctx context.Context, req *trigonev1.ListChangesRequest) (*trigonev1.ListChangesResponse, error) {
	site, err := b.site(req.GetParent())
	if err != nil {
		return nil, err
	}
	if err := violations(convert.Check(req)); err != nil {
		return nil, err
	}
	question, err := b.question("ListChanges", &trigonev1.ListChangesRequest{})
	if err != nil {
		return nil, err
	}
	position, err := b.position("cursor", req.GetCursor(), question)
	if err != nil {
		return nil, err
	}
	after := int64(0)
	if position != "" {
		if after, err = strconv.ParseInt(position, 10, 64); err != nil {
			return nil, fmt.Errorf("position of a cursor: %w", err)
		}
	}
	size := pageSize(req.GetPageSize())
	rows, err := b.store.Changes(ctx, site, after, size+1)
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
			Revision: c.Revision, State: convert.Enum[trigonev1.SectionState](c.State), Reason: c.Reason, Time: timestamp(c.Time),
			QuarantineId: c.QuarantineID, FindingId: c.FindingID,
		}
		if c.CaseUID != "" {
			m.CaseName = b.caseName(c.CaseUID)
		}
		resp.Changes = append(resp.Changes, m)
	}
	resp.NextCursor, err = b.token(question, strconv.FormatInt(after, 10))
	return resp, err
}

// resources gives every FHIR resource of a case that has any, encoded for readers
// that get them one by one: references by type and id, the case's version and time
// of change in meta.
func (b *Book) resources(ctx context.Context, c storage.Case) ([]fhirmap.Resource, error) {
	h, err := b.historyOf(ctx, c)
	if err != nil {
		return nil, err
	}
	list, err := fhirmap.Resources(h)
	if errors.Is(err, fhirmap.ErrNothing) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if list, err = fhirmap.Literal(list); err != nil {
		return nil, err
	}
	for i, r := range list {
		if list[i], err = fhirmap.Versioned(r, c.Version, c.ChangedTime); err != nil {
			return nil, err
		}
	}
	return list, nil
}

func (b *Book) historyOf(ctx context.Context, c storage.Case) (fhirmap.History, error) {
	f, err := b.load(ctx, c)
	if err != nil {
		return fhirmap.History{}, err
	}
	return b.history(ctx, f)
}

// GetBundle gives a case as FHIR: a function of its whole history.
func (b *Book) GetBundle(ctx context.Context, req *trigonev1.GetBundleRequest) (*trigonev1.GetBundleResponse, error) {
	if err := violations(convert.Check(req)); err != nil {
		return nil, err
	}
	c, err := b.find(ctx, req.GetCase())
	if err != nil {
		return nil, err
	}
	if req.GetForm() == trigonev1.BundleForm_BUNDLE_FORM_DOCUMENT {
		return b.document(ctx, c)
	}
	history, err := b.historyOf(ctx, c)
	if err != nil {
		return nil, err
	}
	bundle, err := b.bundle(req.GetForm(), history)
	switch {
	case errors.Is(err, fhirmap.ErrNothing):
		return nil, refuse(FailedPrecondition, ReasonNothingAccepted, "no section of this case was ever accepted, so there is nothing to hand over")
	case err != nil:
		return nil, fmt.Errorf("bundle: %w", err) // a refusal stays one
	}
	return &trigonev1.GetBundleResponse{Bundle: string(bundle), MediaType: fhirmap.MediaType, HistoryNumber: c.Version}, nil
}

// limits gives the limits of the policy that an evaluation was made under; nil where
// there was none, or where this software cannot read it any more.
func (b *Book) limits(ctx context.Context, hash string) (map[string]settings.Threshold, error) {
	if hash == "" {
		return nil, nil
	}
	p, err := b.policyByHash(ctx, hash)
	var refused *Error
	if errors.As(err, &refused) {
		return nil, nil
	}
	return p.Settings.Thresholds, err
}

// history gives the states of a case: one for each evaluation, and the present
// one where the case was amended or retracted since the newest.
func (b *Book) history(ctx context.Context, f *folder) (fhirmap.History, error) {
	h := fhirmap.History{Site: f.state.Site, UID: f.state.UID, Codes: b.policy.Codes}
	var states []fhirmap.Snapshot
	limits := map[string]map[string]settings.Threshold{} // by policy, which seldom changes
	add := func(then *folder, e *trigonev1.Evaluation) error {
		c, err := b.present(then)
		if err != nil {
			return err
		}
		c.Evaluation = e
		hash := e.GetPolicyHash()
		if _, known := limits[hash]; !known {
			if limits[hash], err = b.limits(ctx, hash); err != nil {
				return err
			}
		}
		states = append(states, fhirmap.Snapshot{Case: c, Limits: limits[hash]})
		return nil
	}
	var newest *trigonev1.Evaluation
	for _, row := range f.earlier {
		newest = &trigonev1.Evaluation{}
		if err := proto.Unmarshal(row.Answer, newest); err != nil {
			return h, fmt.Errorf("evaluation %d cannot be read: %w", row.Number, err)
		}
		then := f.at(newest)
		then.state.Version = row.CaseVersion
		if row.CaseVersion == f.state.Version {
			then = f
		}
		if err := add(then, newest); err != nil {
			return h, err
		}
	}
	if n := len(f.earlier); n == 0 || f.earlier[n-1].CaseVersion != f.state.Version {
		if err := add(f, newest); err != nil {
			return h, err
		}
	}
	last := len(states) - 1
	h.Earlier, h.Current = states[:last], states[last]
	return h, nil
}

// at gives the case as one evaluation read it.
func (f *folder) at(e *trigonev1.Evaluation) *folder {
	then := &folder{state: f.state, revisions: f.revisions}
	then.state.State = storage.CaseActive
	then.state.Sections = nil
	disputed := map[string]bool{}
	for _, finding := range e.GetFindings() {
		if finding.GetConfirmed() {
			continue
		}
		for _, s := range finding.GetSections() {
			disputed[s] = true
		}
	}
	for _, s := range e.GetSections() {
		state := storage.SectionAccepted
		if disputed[s.GetSection()] {
			state = storage.SectionDisputed
		}
		then.setHead(s.GetSection(), s.GetRevision(), state)
	}
	return then
}

// ListDiscrepancies lists the differences between plans and outcomes.
func (b *Book) ListDiscrepancies(ctx context.Context, req *trigonev1.ListDiscrepanciesRequest) (*trigonev1.ListDiscrepanciesResponse, error) {
	site, err := b.site(req.GetParent())
	if err != nil {
		return nil, err
	}
	if err := violations(append(convert.Check(req), unknownClasses(req.GetClasses())...)); err != nil {
		return nil, err
	}
	filters := proto.Clone(req).(*trigonev1.ListDiscrepanciesRequest)
	filters.PageToken, filters.PageSize, filters.Parent = "", 0, ""
	question, err := b.question("ListDiscrepancies", filters)
	if err != nil {
		return nil, err
	}
	after, err := b.position("page_token", req.GetPageToken(), question)
	if err != nil {
		return nil, err
	}
	f := storage.DiscrepancyFilter{
		Classes: req.GetClasses(), RootsOnly: req.GetRootsOnly(),
		IncisionFrom: instant(req.GetIncisionFrom()), IncisionBefore: instant(req.GetIncisionBefore()),
	}
	for _, v := range req.GetVerdicts() {
		f.Verdicts = append(f.Verdicts, convert.Word(v))
	}
	for _, t := range req.GetPlanTimings() {
		f.PlanTimings = append(f.PlanTimings, convert.Word(t))
	}
	if req.GetCase() != nil {
		c, err := b.find(ctx, req.GetCase())
		if err != nil {
			return nil, err
		}
		f.CaseUID = c.UID
	}
	rows, next, err := b.store.Discrepancies(ctx, site, f, after, pageSize(req.GetPageSize()))
	if err != nil {
		return nil, err
	}
	resp := &trigonev1.ListDiscrepanciesResponse{}
	if resp.NextPageToken, err = b.token(question, next); err != nil {
		return nil, err
	}
	for _, row := range rows {
		d := &trigonev1.Discrepancy{}
		if err := proto.Unmarshal(row.Discrepancy.Row, d); err != nil {
			return nil, fmt.Errorf("a discrepancy cannot be read: %w", err)
		}
		resp.Discrepancies = append(resp.Discrepancies, &trigonev1.CaseDiscrepancy{
			CaseName: b.caseName(row.CaseUID), ExternalIdentifier: identifierMessage(row.ExternalIdentifier),
			IncisionTime: timestamp(row.IncisionTime), PlanTiming: convert.Enum[trigonev1.PlanTiming](row.PlanTiming), Discrepancy: d,
		})
	}
	if req.GetPageToken() == "" {
		n, err := b.store.CountDiscrepancies(ctx, site, f)
		if err != nil {
			return nil, err
		}
		resp.Counts = &trigonev1.DiscrepancyCounts{
			OperatedCaseCount: int32(n.OperatedCases), PlannedCaseCount: int32(n.PlannedCases), DifferingCaseCount: int32(n.DifferingCases),
			RootCount: int32(n.Roots), IndeterminateCount: int32(n.Indeterminate), NotEvaluableCount: int32(n.NotEvaluable),
			RetractedCaseCount: int32(n.RetractedCases), RetractedSectionCount: int32(n.RetractedSections),
		}
	}
	return resp, nil
}

func unknownClasses(classes []string) []convert.Violation {
	var list []convert.Violation
	for i, c := range classes {
		if !slices.Contains(discrepancy.Classes(), discrepancy.Class(c)) {
			list = append(list, convert.Violation{
				Path: fmt.Sprintf("classes[%d]", i), Message: "is no class of discrepancies; classes are words such as step_omitted or target_missed",
			})
		}
	}
	return list
}

func instant(t *timestamppb.Timestamp) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.AsTime()
}

// ListMetrics lists the catalogue.
func (b *Book) ListMetrics(req *trigonev1.ListMetricsRequest) *trigonev1.ListMetricsResponse {
	return convert.MetricDefinitions(req.GetIncludeLeaves())
}

// ListRules lists the rules with the limits in force.
func (b *Book) ListRules() *trigonev1.ListRulesResponse {
	return convert.RuleDefinitions(b.policy.Settings)
}

// ListSources lists the sources.
func (b *Book) ListSources() *trigonev1.ListSourcesResponse { return convert.Sources() }

// GetPolicy gives the clinical policy in force, or an earlier one by its hash.
func (b *Book) GetPolicy(ctx context.Context, req *trigonev1.GetPolicyRequest) (*trigonev1.GetPolicyResponse, error) {
	site, err := b.site(req.GetParent())
	if err != nil {
		return nil, err
	}
	if req.GetHash() == "" || req.GetHash() == b.policy.Hash {
		return &trigonev1.GetPolicyResponse{Site: site, Version: b.policy.Settings.Version, Hash: b.policy.Hash, Text: b.policy.Text}, nil
	}
	row, err := b.policyRow(ctx, req.GetHash())
	if err != nil {
		return nil, err
	}
	return &trigonev1.GetPolicyResponse{Site: site, Version: row.Version, Hash: row.Hash, Text: row.Text}, nil
}

func (b *Book) policyRow(ctx context.Context, hash string) (storage.Policy, error) {
	row, err := b.store.Policy(ctx, b.policy.Settings.Site, hash)
	if errors.Is(err, storage.ErrNotFound) {
		return row, refuse(NotFound, ReasonUnknownPolicy, "no evaluation of this site was made under a policy of this hash")
	}
	return row, err
}

// policyByHash gives the policy in force (empty), or an earlier one.
func (b *Book) policyByHash(ctx context.Context, hash string) (policy.Policy, error) {
	if hash == "" || hash == b.policy.Hash {
		return b.policy, nil
	}
	row, err := b.policyRow(ctx, hash)
	if err != nil {
		return policy.Policy{}, err
	}
	p, err := policy.ParseStored("policy "+row.Hash, []byte(row.Text))
	if err != nil {
		return p, refuse(FailedPrecondition, ReasonPolicyUnreadable,
			"this software cannot read that policy any more, because a name or a limit in it is gone; the evaluations made under it are on record")
	}
	return p, nil
}
