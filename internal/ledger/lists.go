package ledger

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/discrepancy"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// ListComparisons lists what was held against what, agreement included.
func (l *Ledger) ListComparisons(ctx context.Context, who casebook.Principal, req *trigonev1.ListComparisonsRequest) (*trigonev1.ListComparisonsResponse, error) {
	if _, err := l.archives.Admit(who, req); err != nil {
		return nil, err
	}
	if err := casebook.RefuseFields(slices.Concat(convert.Check(req), unknownClasses(req.GetClasses()), unknownMetrics(req.GetMetrics()), unknownKinds("groups", req.GetGroups()))); err != nil {
		return nil, err
	}
	filters := proto.CloneOf(req)
	filters.PageToken, filters.PageSize, filters.Parent, filters.IncludeCounts, filters.Basis = "", 0, "", false, named(req.GetBasis())
	question, after, err := l.page("ListComparisons", filters, req.GetPageToken())
	if err != nil {
		return nil, err
	}
	f := storage.ComparisonFilter{
		Restated: restated(req.GetBasis()),
		Kinds:    numbers(req.GetKinds()), Verdicts: numbers(req.GetVerdicts()), Places: req.GetPlaces(), RootsOnly: req.GetRootsOnly(),
		PlanTimings:  each(req.GetPlanTimings()),
		IncisionFrom: instant(req.GetIncisionFrom()), IncisionBefore: instant(req.GetIncisionBefore()),
		Groups: storedGroups(req.GetGroups()),
	}
	for _, c := range req.GetClasses() {
		f.Classes = append(f.Classes, classNumber(c))
	}
	for _, m := range req.GetMetrics() {
		f.Metrics = append(f.Metrics, metricNumber(m))
	}
	var sites []string
	if sites, f.CaseUID, err = l.archives.Narrow(ctx, req.GetCase()); err != nil {
		return nil, err
	}
	rows, next, err := l.archives.Store().Comparisons(ctx, sites, f, after, casebook.PageSize(req.GetPageSize()))
	if err != nil {
		return nil, notBuilt(err, req.GetBasis())
	}
	resp := &trigonev1.ListComparisonsResponse{Basis: named(req.GetBasis())}
	if resp.Invented, err = l.archives.Invented(ctx); err != nil {
		return nil, err
	}
	if resp.NextPageToken, err = l.archives.Tokens().Token(question, next); err != nil {
		return nil, err
	}
	for _, row := range rows {
		casebook.AccessOf(ctx).At(row.Site).Case(row.CaseUID)
		c, err := comparisonOf(row.Comparison)
		if err != nil {
			return nil, err
		}
		resp.Comparisons = append(resp.Comparisons, &trigonev1.CaseComparison{
			CaseName: l.archives.At(row.Site).CaseName(row.CaseUID), ExternalIdentifier: casebook.IdentifierMessage(row.ExternalIdentifier),
			IncisionTime: casebook.Timestamp(row.IncisionTime), PlanTiming: convert.Enum[trigonev1.PlanTiming](row.PlanTiming),
			Comparison: c, AgreementsRecorded: row.Comparison.Complete,
		})
	}
	if !req.GetIncludeCounts() || req.GetPageToken() != "" {
		return resp, nil
	}
	n, err := l.count(ctx, sites, f)
	if err != nil {
		return nil, notBuilt(err, req.GetBasis())
	}
	resp.Counts = comparisonCounts(n)
	erased, err := l.erased(ctx, sites)
	resp.Counts.ErasedCaseCount = int32(erased)
	return resp, err
}

func comparisonCounts(n storage.ComparisonCounts) *trigonev1.ComparisonCounts {
	out := &trigonev1.ComparisonCounts{
		OperatedCaseCount: int32(n.OperatedCases), PlannedCaseCount: int32(n.PlannedCases), DifferingCaseCount: int32(n.DifferingCases),
		AgreementsNotRecordedCaseCount: int32(n.IncompleteCases),
		RetractedCaseCount:             int32(n.RetractedCases), RetractedSectionCount: int32(n.RetractedSections), RootCount: int32(n.Roots),
		ThingsPlanned: &trigonev1.ThingsPlanned{
			Total: int32(n.Things), AsPlanned: int32(n.ThingsAsPlanned), Otherwise: int32(n.ThingsOtherwise),
			CannotBeTold: int32(n.ThingsCannotBeTold), NotEvaluable: int32(n.ThingsNotEvaluable), NotApplicable: int32(n.ThingsNotApplicable),
		},
	}
	for _, v := range []struct {
		verdict trigonev1.ComparisonVerdict
		count   int
	}{
		{trigonev1.ComparisonVerdict_COMPARISON_VERDICT_PRESENT, n.Differing},
		{trigonev1.ComparisonVerdict_COMPARISON_VERDICT_INDETERMINATE, n.Indeterminate},
		{trigonev1.ComparisonVerdict_COMPARISON_VERDICT_NOT_EVALUABLE, n.NotEvaluable},
		{trigonev1.ComparisonVerdict_COMPARISON_VERDICT_AGREES, n.Agreeing},
		{trigonev1.ComparisonVerdict_COMPARISON_VERDICT_NOT_APPLICABLE, n.NotApplicable},
	} {
		if v.count > 0 {
			out.Verdicts = append(out.Verdicts, &trigonev1.VerdictCount{Verdict: v.verdict, Count: int32(v.count)})
		}
	}
	return out
}

// ListCaseFacts lists what cases have to say to whoever counts them.
func (l *Ledger) ListCaseFacts(ctx context.Context, who casebook.Principal, req *trigonev1.ListCaseFactsRequest) (*trigonev1.ListCaseFactsResponse, error) {
	if _, err := l.archives.Admit(who, req); err != nil {
		return nil, err
	}
	if err := casebook.RefuseFields(append(convert.Check(req), unknownKinds("groups", req.GetGroups())...)); err != nil {
		return nil, err
	}
	filters := proto.CloneOf(req)
	filters.PageToken, filters.PageSize, filters.Parent, filters.Basis, filters.IncludeErased = "", 0, "", named(req.GetBasis()), false
	question, after, err := l.page("ListCaseFacts", filters, req.GetPageToken())
	if err != nil {
		return nil, err
	}
	f := storage.FactsFilter{
		Restated:     restated(req.GetBasis()),
		PlanTimings:  each(req.GetPlanTimings()),
		IncisionFrom: instant(req.GetIncisionFrom()), IncisionBefore: instant(req.GetIncisionBefore()),
		Groups: storedGroups(req.GetGroups()),
	}
	var sites []string
	if sites, f.CaseUID, err = l.archives.Narrow(ctx, req.GetCase()); err != nil {
		return nil, err
	}
	rows, next, err := l.archives.Store().Facts(ctx, sites, f, after, casebook.PageSize(req.GetPageSize()))
	if err != nil {
		return nil, notBuilt(err, req.GetBasis())
	}
	resp := &trigonev1.ListCaseFactsResponse{Basis: named(req.GetBasis())}
	if resp.Invented, err = l.archives.Invented(ctx); err != nil {
		return nil, err
	}
	if resp.NextPageToken, err = l.archives.Tokens().Token(question, next); err != nil {
		return nil, err
	}
	for _, row := range rows {
		casebook.AccessOf(ctx).At(row.Site).Case(row.CaseUID)
		facts, err := joined(row.Facts, row.Children)
		if err != nil {
			return nil, err
		}
		resp.Facts = append(resp.Facts, facts)
	}
	if req.GetIncludeErased() && req.GetPageToken() == "" {
		return resp, l.withErased(ctx, sites, resp)
	}
	return resp, nil
}

// page reads a page token, which belongs to one question.
func (l *Ledger) page(method string, filters proto.Message, token string) (question []byte, after string, err error) {
	tokens := l.archives.Tokens()
	if question, err = tokens.Question(method, filters); err != nil {
		return nil, "", err
	}
	after, err = tokens.Position("page_token", token, question)
	return question, after, err
}

// count counts what a list of comparisons is drawn from, at all of its sites.
func (l *Ledger) count(ctx context.Context, sites []string, f storage.ComparisonFilter) (sum storage.ComparisonCounts, err error) {
	for _, site := range sites {
		n, err := l.archives.Store().CountComparisons(ctx, site, f)
		if err != nil {
			return sum, err
		}
		sum.Add(n)
	}
	return sum, nil
}

// erased counts the cases of the sites that were erased.
func (l *Ledger) erased(ctx context.Context, sites []string) (sum int, err error) {
	for _, site := range sites {
		n, err := l.archives.Store().Erased(ctx, site)
		if err != nil {
			return 0, err
		}
		sum += n
	}
	return sum, nil
}

func unknownMetrics(ids []string) []convert.Violation {
	var list []convert.Violation
	for i, id := range ids {
		if metricNumber(id) == 0 {
			list = append(list, convert.Violation{
				Path: fmt.Sprintf("metrics[%d]", i), Message: "is no metric or leaf of the catalogue, which ListMetrics lists, and no other parameter that is compared: " + strings.Join(discrepancy.Parameters(), ", "),
			})
		}
	}
	return list
}

func unknownKinds(path string, filters []*trigonev1.FactFilter) []convert.Violation {
	var list []convert.Violation
	for i, f := range filters {
		if !slices.Contains(GroupKinds(), f.GetKind()) {
			list = append(list, convert.Violation{
				Path: fmt.Sprintf("%s[%d].kind", path, i), Message: unknownKind(),
			})
		}
	}
	return list
}
