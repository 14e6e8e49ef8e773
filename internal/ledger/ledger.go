// Package ledger answers across cases: what differs between plans and outcomes, how
// often, and what each case has to say to whoever counts them. It judges nothing:
// what it keeps beside a case is a pure function of the newest evaluation and the
// heads of the sections, and can be made again from them at any time.
package ledger

import (
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/discrepancy"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// Ledger answers across the cases of one site, or of several of the caller's own. It is
// safe for concurrent use.
type Ledger struct{ archives casebook.Archives }

// New gives a ledger of what is on record at these sites, of which there is one at least.
func New(archives ...*casebook.Archive) *Ledger { return &Ledger{archives: archives} }

// ListDiscrepancies lists the differences between plans and outcomes.
func (l *Ledger) ListDiscrepancies(ctx context.Context, who casebook.Principal, req *trigonev1.ListDiscrepanciesRequest) (*trigonev1.ListDiscrepanciesResponse, error) {
	if _, err := l.archives.Admit(who, req); err != nil {
		return nil, err
	}
	if err := casebook.RefuseFields(slices.Concat(convert.Check(req), unknownClasses(req.GetClasses()), unknownKinds("groups", req.GetGroups()))); err != nil {
		return nil, err
	}
	filters := proto.CloneOf(req)
	filters.PageToken, filters.PageSize, filters.Parent, filters.IncludeCounts, filters.Basis = "", 0, "", false, named(req.GetBasis())
	question, after, err := l.page("ListDiscrepancies", filters, req.GetPageToken())
	if err != nil {
		return nil, err
	}
	f := storage.ComparisonFilter{
		Restated: restated(req.GetBasis()),
		Verdicts: numbers(req.GetVerdicts()), RootsOnly: req.GetRootsOnly(), PlanTimings: each(req.GetPlanTimings()),
		IncisionFrom: instant(req.GetIncisionFrom()), IncisionBefore: instant(req.GetIncisionBefore()),
		DiscrepanciesOnly: true, Groups: storedGroups(req.GetGroups()),
	}
	if len(f.Verdicts) == 0 {
		f.Verdicts = discrepancyVerdicts
	}
	for _, c := range req.GetClasses() {
		f.Classes = append(f.Classes, classNumber(c))
	}
	var sites []string
	if sites, f.CaseUID, err = l.archives.Narrow(ctx, req.GetCase()); err != nil {
		return nil, err
	}
	rows, next, err := l.archives.Store().Comparisons(ctx, sites, f, after, casebook.PageSize(req.GetPageSize()))
	if err != nil {
		return nil, notBuilt(err, req.GetBasis())
	}
	resp := &trigonev1.ListDiscrepanciesResponse{Basis: named(req.GetBasis())}
	if resp.Invented, err = l.archives.Invented(ctx); err != nil {
		return nil, err
	}
	if resp.NextPageToken, err = l.archives.Tokens().Token(question, next); err != nil {
		return nil, err
	}
	for _, row := range rows {
		casebook.AccessOf(ctx).At(row.Site).Case(row.CaseUID)
		d, err := discrepancyOf(row.Comparison)
		if err != nil {
			return nil, err
		}
		d.CaseName, d.ExternalIdentifier = l.archives.At(row.Site).CaseName(row.CaseUID), casebook.IdentifierMessage(row.ExternalIdentifier)
		d.IncisionTime, d.PlanTiming = casebook.Timestamp(row.IncisionTime), convert.Enum[trigonev1.PlanTiming](row.PlanTiming)
		resp.Discrepancies = append(resp.Discrepancies, d)
	}
	if req.GetIncludeCounts() && req.GetPageToken() == "" {
		n, err := l.count(ctx, sites, f)
		if err != nil {
			return nil, notBuilt(err, req.GetBasis())
		}
		erased, err := l.erased(ctx, sites)
		if err != nil {
			return nil, err
		}
		resp.Counts = &trigonev1.DiscrepancyCounts{
			ErasedCaseCount:   int32(erased),
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
