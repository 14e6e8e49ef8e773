package ledger

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"trigone/internal/audit"
	"trigone/internal/casebook"
	"trigone/internal/convert"
	trigonev1 "trigone/proto/trigone/v1"
)

// mostCaseNames is how many cases are named behind one figure.
const mostCaseNames = 200

// SummarizeOutcomes says what became of the patients of one site.
func (l *Ledger) SummarizeOutcomes(ctx context.Context, who casebook.Principal, req *trigonev1.SummarizeOutcomesRequest) (*trigonev1.SummarizeOutcomesResponse, error) {
	archive := l.archives[0]
	site, err := archive.Admit(who, req)
	if err != nil {
		return nil, err
	}
	violations := append(convert.Check(req), unknownKinds("filter.groups", req.GetFilter().GetGroups())...)
	violations = append(violations, unknownStrata(req.GetStrata())...)
	if from, before := req.GetFilter().GetIncisionFrom(), req.GetFilter().GetIncisionBefore(); from != nil && before != nil && !before.AsTime().After(from.AsTime()) {
		violations = append(violations, convert.Violation{Path: "filter.incision_before", Message: "is not after incision_from: no operation lies between them; change them round"})
	}
	for i, id := range req.GetOutcomes() {
		violations = append(violations, unknownOutcome(fmt.Sprintf("outcomes[%d]", i), id)...)
	}
	for i, b := range req.GetBenchmarks() {
		violations = append(violations, unknownOutcome(fmt.Sprintf("benchmarks[%d].outcome", i), b.GetOutcome())...)
		if slices.ContainsFunc(req.GetBenchmarks()[:i], func(o *trigonev1.Benchmark) bool { return o.GetOutcome() == b.GetOutcome() }) {
			violations = append(violations, convert.Violation{Path: fmt.Sprintf("benchmarks[%d].outcome", i), Message: "has two benchmarks; give one"})
		}
	}
	if err := casebook.RefuseFields(violations); err != nil {
		return nil, err
	}
	if err := mayAsk(who, req.GetStrata()); err != nil {
		return nil, err
	}
	zone, err := archive.Zone(ctx)
	if err != nil {
		return nil, err
	}
	question := audit.OutcomeQuestion{
		Settings: archive.Policy.Settings, Zone: zone, Outcomes: req.GetOutcomes(), Strata: req.GetStrata(), Name: req.GetIncludeCases(),
		ByOperator: req.GetUnits() == trigonev1.OutcomeUnits_OUTCOME_UNITS_OPERATORS, TraineesApart: req.GetTraineesApart(), Own: who.Operators,
	}
	if question.ByOperator && !who.ByStaff && len(who.Operators) == 0 {
		return nil, casebook.Refuse(casebook.PermissionDenied, casebook.ReasonNoRight,
			"operators may be held side by side by an auditor, and by an operator who looks for himself: ask without units, or have your pseudonym tied to you in the deployment file")
	}
	for _, b := range req.GetBenchmarks() {
		question.Benchmarks = append(question.Benchmarks, audit.Benchmark{Outcome: b.GetOutcome(), Share: b.GetShare(), Source: b.GetSource()})
	}
	q := tallyQuestion{filter: req.GetFilter(), strata: req.GetStrata(), basis: req.GetBasis(), asOf: instant(req.GetAsOf())}
	var before time.Time
	question.AsOf, before = until(archive, q.filter, q.asOf)
	q.asOf = question.AsOf
	if question.Theatre, err = theatreList(ctx, archive, site, req.GetFilter(), zone, before); err != nil {
		return nil, err
	}
	outcomes := audit.NewOutcomes(question)
	told, err := l.tally(ctx, archive, site, q, func(c *audit.Case) error {
		outcomes.Add(c)
		return nil
	})
	if err != nil {
		return nil, err
	}
	answer := outcomes.Answer()
	resp := &trigonev1.SummarizeOutcomesResponse{
		Context: told.context, EligibleCaseCount: int32(answer.Eligible + len(told.undated)), PatientCount: int32(answer.Patients), LeftOut: leftOut(answer.Left),
		RetractedCaseCount: int32(told.retracted), ErasedCaseCount: int32(told.erased), StrataCount: int32(answer.Looked),
	}
	if len(told.undated) > 0 {
		resp.LeftOut = append([]*trigonev1.LeftOut{{Reason: string(audit.NoIncision), Count: int32(len(told.undated))}}, resp.LeftOut...)
	}
	for i := range answer.Outcomes {
		resp.Outcomes = append(resp.Outcomes, outcomeOf(archive, &answer.Outcomes[i]))
	}
	for i := range answer.Expected {
		resp.ObservedExpected = append(resp.ObservedExpected, expectedOf(&answer.Expected[i]))
	}
	for i := range answer.Funnels {
		resp.Funnels = append(resp.Funnels, funnelOf(&answer.Funnels[i]))
	}
	return resp, nil
}

// theatreList gives what the theatre list says of the whole months asked for; without a
// beginning, from the first month that was submitted.
func theatreList(ctx context.Context, archive *casebook.Archive, site string, filter *trigonev1.AuditFilter, zone *time.Location, before time.Time) (audit.TheatreList, error) {
	if len(filter.GetGroups()) > 0 {
		return audit.TheatreList{Because: "it knows nothing of the words by which these cases were chosen"}, nil
	}
	const month = "2006-01"
	first := ""
	if filter.GetIncisionFrom() != nil {
		from := instant(filter.GetIncisionFrom()).In(zone)
		begin := time.Date(from.Year(), from.Month(), 1, 0, 0, 0, 0, zone)
		if begin.Before(from) {
			begin = begin.AddDate(0, 1, 0)
		}
		first = begin.Format(month)
	}
	end := before.In(zone).Format(month)
	counts, err := theatreMonths(ctx, archive, site, first, end)
	if err != nil {
		return audit.TheatreList{}, err
	}
	if first == "" && len(counts) > 0 {
		first = counts[0].Month
	}
	var list audit.TheatreList
	submitted := map[string]bool{}
	for _, m := range counts {
		submitted[m.Month] = true
		list.Add(m)
	}
	for at, err := time.Parse(month, first); err == nil && at.Format(month) < end; at = at.AddDate(0, 1, 0) {
		if !submitted[at.Format(month)] {
			list.Missing = append(list.Missing, at.Format(month))
		}
	}
	return list, nil
}

func unknownOutcome(path, id string) []convert.Violation {
	if slices.Contains(audit.OutcomeWords(), id) {
		return nil
	}
	return []convert.Violation{{Path: path, Message: "is none of the outcomes: " + strings.Join(audit.OutcomeWords(), ", ")}}
}

func outcomeOf(archive *casebook.Archive, g *audit.Outcome) *trigonev1.OutcomeFigure {
	out := &trigonev1.OutcomeFigure{
		Outcome: g.ID, Title: g.Title, Definition: g.Definition, Sentence: g.Sentence, HopedFor: g.Hoped, Share: shareOf(g.Share), ExactInterval: g.Exact,
		NotKnownCount: int32(g.Unknown), LowestShare: pointer(g.Lowest), HighestShare: pointer(g.Highest),
		NotOverCount: int32(g.NotOver), NotOverEventCount: int32(g.NotOverEvents), LeftOut: leftOut(g.Left),
	}
	if g.Stratum != nil {
		out.Stratum = &trigonev1.Stratum{Kind: g.Stratum.Kind, Word: g.Stratum.Word}
	}
	for i := range g.Parts {
		p := &g.Parts[i]
		out.Parts = append(out.Parts, &trigonev1.OutcomePart{Kind: p.Kind, Word: p.Word, Share: shareOf(&p.ShareFigure)})
	}
	if g.Quantity {
		out.Unit, out.MeasuredCount, out.Mean, out.Median = g.Unit.UCUM(), int32(g.Measured), figureOf(g.Mean), figureOf(g.Median)
		out.LowerQuartile, out.UpperQuartile = pointer(g.LowerQuartile), pointer(g.UpperQuartile)
	}
	for _, uid := range g.Cases[:min(len(g.Cases), mostCaseNames)] {
		out.CaseNames = append(out.CaseNames, archive.CaseName(uid))
	}
	return out
}

func expectedOf(e *audit.ObservedExpected) *trigonev1.ObservedExpected {
	return &trigonev1.ObservedExpected{
		Outcome: e.Outcome, RiskOutcome: convert.Enum[trigonev1.RiskOutcome](e.EndPoint), Horizon: convert.Enum[trigonev1.RiskHorizon](e.Horizon),
		Model: e.Model, Version: e.Version, Sentence: e.Sentence, Observed: shareOf(&e.Observed), Expected: e.Expected, Ratio: figureOf(e.Ratio),
		LeftOut: leftOut(e.Left), WithoutRisk: shareOf(&e.WithoutRisk), NotKnownCount: int32(e.Unknown), LowestRatio: pointer(e.Lowest), HighestRatio: pointer(e.Highest),
	}
}

func funnelOf(f *audit.Funnel) *trigonev1.Funnel {
	out := &trigonev1.Funnel{
		Outcome: f.Outcome, Units: trigonev1.OutcomeUnits_OUTCOME_UNITS_HALF_YEARS, Sentence: f.Sentence, NotEvaluableBecause: f.Because,
		Target: pointer(f.Target), TargetSource: f.Source, SmallUnitCount: int32(f.Small), NotKnownUnitCount: int32(f.Unknown), Widened: f.Widened,
	}
	if f.ByOperator {
		out.Units = trigonev1.OutcomeUnits_OUTCOME_UNITS_OPERATORS
	}
	if d := f.Dispersion; d != nil {
		out.Overdispersion, out.OverdispersionP = &d.WinsorisedPhi, &d.P
	}
	for i := range f.Points {
		p := &f.Points[i]
		out.Points = append(out.Points, &trigonev1.FunnelPoint{
			Label: p.Label, Own: p.Own, Share: shareOf(&p.ShareFigure), Target: pointer(p.Target),
			Lower_95: pointer(p.Lower95), Upper_95: pointer(p.Upper95), Lower_998: pointer(p.Lower998), Upper_998: pointer(p.Upper998), Look: p.Look,
		})
	}
	return out
}
