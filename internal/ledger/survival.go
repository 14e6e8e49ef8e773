package ledger

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"trigone/internal/audit"
	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/repair"
	trigonev1 "trigone/proto/trigone/v1"
)

// EstimateFreedom says how many patients of one site have an event after their operation,
// over time.
func (l *Ledger) EstimateFreedom(ctx context.Context, who casebook.Principal, req *trigonev1.EstimateFreedomRequest) (*trigonev1.EstimateFreedomResponse, error) {
	archive := l.archives[0]
	site, err := archive.Admit(who, req)
	if err != nil {
		return nil, err
	}
	violations := append(convert.Check(req), unknownKinds("filter.groups", req.GetFilter().GetGroups())...)
	violations = append(violations, unknownStrata(req.GetStrata())...)
	question := audit.FreedomQuestion{
		Strata: req.GetStrata(), Grade: convert.Word(req.GetRecurrenceGrade()),
		ResidualCounts: req.GetResidual() == trigonev1.ResidualRegurgitation_RESIDUAL_REGURGITATION_EVENT_ON_DAY_0,
	}
	if question.Grade == "" {
		question.Grade = repair.AtLeastModerate
	}
	if !slices.Contains(repair.Levels(), question.Grade) {
		violations = append(violations, convert.Violation{Path: "recurrence_grade", Message: "is no level that grades of every scheme can be held against; levels are " + strings.Join(repair.Levels(), ", ")})
	}
	for i, e := range req.GetEvents() {
		if event := audit.FreedomEvent(convert.Word(e)); slices.Contains(audit.FreedomEvents(), event) {
			question.Events = append(question.Events, event)
		} else {
			violations = append(violations, convert.Violation{Path: fmt.Sprintf("events[%d]", i), Message: "is none of the events that patients are followed for: " + strings.Join(plain(audit.FreedomEvents()), ", ")})
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
	asked := tallyQuestion{filter: req.GetFilter(), strata: req.GetStrata(), basis: req.GetBasis(), asOf: instant(req.GetAsOf())}
	asOf, _ := until(archive, req.GetFilter(), asked.asOf)
	asked.asOf, question.AsOf = asOf, asOf.In(zone)
	freedoms := audit.NewFreedoms(question)
	if req.GetFilter() != nil {
		// What was done later to a patient belongs to his first case, whatever is asked for.
		all := tallyQuestion{beside: true, basis: req.GetBasis(), asOf: asOf}
		if _, err := l.tally(ctx, archive, site, all, func(c *audit.Case) error { freedoms.AddOther(c); return nil }); err != nil {
			return nil, err
		}
	}
	walk, err := l.tally(ctx, archive, site, asked, func(c *audit.Case) error { freedoms.AddCase(c); return nil })
	if err != nil {
		return nil, err
	}
	answer := freedoms.Answer()
	resp := &trigonev1.EstimateFreedomResponse{
		Context: walk.context, RecurrenceGrade: convert.Enum[trigonev1.GradeValue](question.Grade),
		Residual:          trigonev1.ResidualRegurgitation_RESIDUAL_REGURGITATION_LEFT_OUT,
		EligibleCaseCount: int32(answer.Eligible), LeftOut: leftOut(answer.Left),
		ReplacedPatientCount: int32(answer.Replaced), ReplacedPatientDeathCount: int32(answer.ReplacedAndDied),
		UndatedCaseCount: int32(len(walk.undated)), RetractedCaseCount: int32(walk.retracted), ErasedCaseCount: int32(walk.erased), StrataCount: int32(answer.Looked),
	}
	if question.ResidualCounts {
		resp.Residual = trigonev1.ResidualRegurgitation_RESIDUAL_REGURGITATION_EVENT_ON_DAY_0
	}
	for i := range answer.Curves {
		resp.Curves = append(resp.Curves, curveOf(&answer.Curves[i], archive))
	}
	return resp, nil
}

func plain[T ~string](list []T) []string {
	var out []string
	for _, s := range list {
		out = append(out, string(s))
	}
	return out
}

func curveOf(c *audit.Curve, archive *casebook.Archive) *trigonev1.EventCurve {
	out := &trigonev1.EventCurve{
		Event: convert.Enum[trigonev1.FollowedEvent](string(c.Event)), Sentence: c.Sentence, CompetingRisks: c.Competes,
		PatientCount: int32(c.Patients), EventCount: int32(c.Events), CompetingCount: int32(c.Competing), UnseenCount: int32(c.Unseen),
		LateEntryCount: int32(c.Late), ResidualCount: int32(c.Residual), LeftOut: leftOut(c.Left), Completeness: figureOf(c.Completeness),
		Steps: curveSteps(c.Steps), EarliestSteps: curveSteps(c.Earliest), IntervalCensoredCount: int32(c.Found),
		SelfConsistent: curveStretches(c.SelfConsistent), SelfConsistentPatientCount: int32(c.Between),
	}
	if c.Stratum != nil {
		out.Stratum = &trigonev1.Stratum{Kind: c.Stratum.Kind, Word: c.Stratum.Word}
	}
	for _, p := range c.Points {
		point := &trigonev1.EventCurvePoint{Day: int32(p.Day), AtRiskCount: int32(p.AtRisk), EventCount: int32(p.Events), Share: figureOf(p.Share)}
		if p.Earliest != nil {
			point.EarliestShare = figureOf(*p.Earliest)
		}
		out.Points = append(out.Points, point)
	}
	for _, one := range c.Cases {
		out.Cases = append(out.Cases, &trigonev1.EventCurveCase{CaseName: archive.CaseName(one.UID), Day: int32(one.Day)})
	}
	return out
}

func curveSteps(list []audit.CurveStep) []*trigonev1.EventCurveStep {
	var out []*trigonev1.EventCurveStep
	for _, s := range list {
		out = append(out, &trigonev1.EventCurveStep{Day: int32(s.Day), AtRiskCount: int32(s.AtRisk), EventCount: int32(s.Events), Share: figureOf(s.Share)})
	}
	return out
}

func curveStretches(list []audit.CurveStretch) []*trigonev1.EventCurveStretch {
	var out []*trigonev1.EventCurveStretch
	for _, s := range list {
		out = append(out, &trigonev1.EventCurveStretch{AfterDay: int32(s.After), UpToDay: int32(s.UpTo), Share: s.Share})
	}
	return out
}
