package ledger

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/audit"
	"trigone/internal/casebook"
	"trigone/internal/convert"
	trigonev1 "trigone/proto/trigone/v1"
)

// mostPoints of a chart are answered, so that an answer stays below what a client takes.
const mostPoints = 3000

// changesAtOnce are read of the site's changes.
const changesAtOnce = 1000

// Below so many operators with so many operations the figures of all but oneself are
// those of somebody.
const (
	leastOperators  = 3
	leastOperations = 11
)

// MonitorOutcomes follows outcomes of one site from operation to operation.
func (l *Ledger) MonitorOutcomes(ctx context.Context, who casebook.Principal, req *trigonev1.MonitorOutcomesRequest) (*trigonev1.MonitorOutcomesResponse, error) {
	archive := l.archives[0]
	site, err := archive.Admit(who, req)
	if err != nil {
		return nil, err
	}
	violations := append(convert.Check(req), unknownKinds("filter.groups", req.GetFilter().GetGroups())...)
	for i, name := range req.GetOutcomes() {
		if !slices.Contains(audit.EndpointNames(), name) {
			violations = append(violations, convert.Violation{Path: fmt.Sprintf("outcomes[%d]", i), Message: "is none of the outcomes that can be followed: " + strings.Join(audit.EndpointNames(), ", ")})
		}
	}
	if err := casebook.RefuseFields(violations); err != nil {
		return nil, err
	}
	if req.GetOperator() != "" && !who.Sees(req.GetOperator()) {
		return nil, casebook.Refuse(casebook.PermissionDenied, casebook.ReasonNoRight,
			"the operations of one operator may be asked for by an auditor, and by everybody for the pseudonyms that are his own; leave operator out, or ask for your own pseudonym")
	}
	zone, err := archive.Zone(ctx)
	if err != nil {
		return nil, err
	}
	q := tallyQuestion{filter: req.GetFilter(), basis: req.GetBasis(), asOf: instant(req.GetAsOf())}
	q.asOf, _ = until(archive, q.filter, q.asOf)
	filter := req.GetFilter()
	question := audit.MonitoringQuestion{
		AsOf: q.asOf, Zone: zone, Outcomes: req.GetOutcomes(), Operator: req.GetOperator(), Monitoring: archive.Policy.Monitoring,
		Part: len(filter.GetGroups()) > 0 || filter.GetIncisionFrom() != nil || filter.GetIncisionBefore() != nil,
	}
	if req.GetChangedSince() > 0 {
		if question.Changed, err = changedSince(ctx, archive, site, req.GetChangedSince()); err != nil {
			return nil, err
		}
	}
	monitor := audit.NewMonitor(question)
	told, err := l.tally(ctx, archive, site, q, func(c *audit.Case) error {
		monitor.Add(c)
		return nil
	})
	if err != nil {
		return nil, err
	}
	if req.GetChangedSince() > told.context.GetLastChange() {
		return nil, casebook.RefuseFields([]convert.Violation{{Path: "changed_since", Message: fmt.Sprintf("is %d, and the last change of the site is %d; give last_change of an earlier answer", req.GetChangedSince(), told.context.GetLastChange())}})
	}
	if req.GetOperator() == "" && !who.ByStaff && len(who.Operators) > 0 && monitor.Operators(leastOperations) < leastOperators {
		return nil, casebook.Refuse(casebook.PermissionDenied, casebook.ReasonNoRight,
			"fewer than %d operators have %d operations here: what is not your own would be that of somebody; ask for your own pseudonym as operator", leastOperators, leastOperations)
	}
	answer := monitor.Answer()
	resp := &trigonev1.MonitorOutcomesResponse{
		Context: told.context, Sentence: answer.Sentence, OperationCount: int32(answer.Operations), UndatedCaseCount: int32(len(told.undated)),
		RetractedCaseCount: int32(told.retracted), ErasedCaseCount: int32(told.erased),
		FalseAlarmsAYear: pointer(answer.FalseAlarmsAYear), PolicyFalseAlarmsAYear: pointer(answer.FalseAlarmsChosen),
	}
	for i := range answer.Charts {
		resp.Charts = append(resp.Charts, chartOf(archive, &answer.Charts[i], req.GetOmitPoints()))
	}
	if answer.Learning != nil {
		resp.Learning = learningOf(archive, answer.Learning, req.GetOmitPoints())
	}
	for _, c := range archive.Policy.Monitoring.Charts {
		if c.Operator != "" && who.Sees(c.Operator) && !slices.Contains(resp.MonitoredOperators, c.Operator) {
			resp.MonitoredOperators = append(resp.MonitoredOperators, c.Operator)
		}
	}
	return resp, nil
}

// changedSince gives the cases of a site that were written after a change.
func changedSince(ctx context.Context, archive *casebook.Archive, site string, after int64) (map[string]bool, error) {
	changed := map[string]bool{}
	for {
		page, err := archive.Store.Changes(ctx, site, after, changesAtOnce)
		if err != nil {
			return nil, err
		}
		for _, c := range page {
			changed[c.CaseUID] = true
			after = c.Number
		}
		if len(page) < changesAtOnce {
			return changed, nil
		}
	}
}

func chartOf(archive *casebook.Archive, c *audit.Chart, omit bool) *trigonev1.MonitoringChart {
	out := &trigonev1.MonitoringChart{
		Outcome: c.Endpoint.Name, Definition: c.Endpoint.Definition, WindowDays: int32(c.Endpoint.WindowDays), Operator: c.Operator,
		Kind: convert.Enum[trigonev1.MonitoringChartKind](string(c.Kind)), Sentence: c.Sentence, Notes: c.Notes, PictureBecause: c.Why,
		OperationsAYear: pointer(c.OperationsAYear), FalseAlarmsAYear: pointer(c.FalseAlarmsAYear),
		OperationCount: int32(c.Operations), KnownCount: int32(c.Known), FailedCount: int32(c.Failed), Expected: pointer(c.Expected),
		AwaitedCount: int32(c.Awaited), GapCount: int32(c.Gaps), WaitingCount: int32(c.Waiting), ThroughTime: moment(c.Through),
		LeftOut: leftOut(c.Left), WorstSignalCount: int32(c.WorstSignals), LateReceivedCount: int32(c.LateReceived),
		ChangedCount: int32(c.ChangedSince), BaselineChangedCount: int32(c.BaselineChanged),
	}
	if c.WithoutRisk.Of > 0 {
		out.WithoutRisk = shareOf(&c.WithoutRisk)
	}
	if m := c.Chosen; m != nil {
		out.Model, out.ModelVersion, out.WantedInControlCases = m.Model, m.Version, &m.InControl
		if m.OddsRatio > 0 {
			out.OddsRatio = &m.OddsRatio
		} else {
			out.AcceptableRate, out.UnacceptableRate = &m.Acceptable, &m.Unacceptable
		}
	}
	if b := &c.Baseline; !b.Before.IsZero() {
		out.Baseline = &trigonev1.MonitoringBaseline{
			FromTime: moment(b.From), BeforeTime: moment(b.Before), OperationCount: int32(b.Operations), KnownCount: int32(b.Known), FailedCount: int32(b.Failed),
			Expected: pointer(b.Expected), ObservedOverExpected: figureOf(b.Ratio), Rate: shareOf(&b.Rate),
		}
		if shift, ok := b.Shift.Get(); ok {
			factor := math.Exp(shift)
			out.Baseline.OddsFactor = &factor
		}
	}
	if c.Kind != audit.Picture {
		out.Upper, out.Lower = armOf(&c.Upper), armOf(&c.Lower)
		ratio := c.Upper.Ratio
		out.OddsRatio = &ratio
	}
	for _, s := range c.Signals {
		out.Signals = append(out.Signals, &trigonev1.MonitoringSignal{Number: int32(s.Number), CaseName: archive.CaseName(s.UID), IncisionTime: moment(s.Incision), More: s.More})
	}
	if omit {
		return out
	}
	first := max(0, len(c.Points)-mostPoints)
	out.PointsBeforeCount = int32(first)
	for i := range c.Points[first:] {
		p := &c.Points[first+i]
		out.Points = append(out.Points, &trigonev1.MonitoringPoint{
			CaseName: archive.CaseName(p.UID), IncisionTime: moment(p.Incision), State: convert.Enum[trigonev1.MonitoringPointState](string(p.State)),
			Risk: pointer(p.Risk), Upper: pointer(p.Upper), Lower: pointer(p.Lower), Worst: pointer(p.Worst), UpperSignal: p.UpperSignal, LowerSignal: p.LowerSignal,
			ExpectedMinusObserved: pointer(p.Fewer), RecentRate: pointer(p.Recent), Changed: p.Changed, LateReceived: p.LateReceived,
		})
	}
	return out
}

func armOf(a *audit.Arm) *trigonev1.MonitoringArm {
	return &trigonev1.MonitoringArm{
		OddsRatio: a.Ratio, Limit: a.Limit,
		InControlCases: a.InControl.Cases, InControlError: a.InControl.Error, InControlMonths: pointer(a.InControlMonths),
		OutOfControlCases: a.OutOfControl.Cases, OutOfControlError: a.OutOfControl.Error, OutOfControlMonths: pointer(a.OutOfControlMonths),
	}
}

func learningOf(archive *casebook.Archive, l *audit.Learning, omit bool) *trigonev1.LearningChart {
	out := &trigonev1.LearningChart{
		Operator: l.Operator, Outcome: l.Endpoint.Name, Sentence: l.Sentence, AcceptableRate: l.Acceptable, UnacceptableRate: l.Unacceptable,
		Alpha: l.Alpha, Beta: l.Beta, UpperLimit: l.Upper, LowerLimit: -l.Lower, Step: l.Step,
		OperationCount: int32(l.Operations), KnownCount: int32(l.Known), FailedCount: int32(l.Failed), WaitingCount: int32(l.Waiting), ToldUnacceptable: l.ToldUnacceptable,
	}
	if l.Told > 0 {
		at := int32(l.Told)
		out.ToldAt = &at
	}
	if omit {
		return out
	}
	for _, p := range l.Points[max(0, len(l.Points)-mostPoints):] {
		out.Points = append(out.Points, &trigonev1.LearningPoint{
			CaseName: archive.CaseName(p.UID), IncisionTime: moment(p.Incision), State: convert.Enum[trigonev1.MonitoringPointState](string(p.State)), Value: p.Value.OrElse(0),
		})
	}
	return out
}

// moment gives a time as the contract has it; none is unset.
func moment(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}
