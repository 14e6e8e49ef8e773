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
	"trigone/internal/discrepancy"
	"trigone/internal/metric"
	"trigone/internal/storage"
	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// methodVersion is raised when figures are made in another way.
const methodVersion = "1"

const figuresCaution = "Figures for qualified staff to review, not a verdict on a patient, an operator or a device. " +
	"They describe the cases that were recorded; what was not recorded is not in them."

// measuredKinds are the kinds of comparisons that figures are made of.
var measuredKinds = func() (list []trigonev1.ComparisonKind) {
	for _, k := range audit.Kinds() {
		list = append(list, convert.Enum[trigonev1.ComparisonKind](string(k)))
	}
	return list
}()

// SummarizeAgreement says how far measured values lie from planned and predicted ones, at
// one site: what is planned and measured in another way elsewhere is another figure.
func (l *Ledger) SummarizeAgreement(ctx context.Context, who casebook.Principal, req *trigonev1.SummarizeAgreementRequest) (*trigonev1.SummarizeAgreementResponse, error) {
	archive := l.archives[0]
	site, err := archive.Admit(who, req)
	if err != nil {
		return nil, err
	}
	violations := append(convert.Check(req), unknownMetrics(req.GetMetrics())...)
	violations = append(violations, unknownKinds("filter.groups", req.GetFilter().GetGroups())...)
	violations = append(violations, unknownStrata(req.GetStrata())...)
	for i, kind := range req.GetKinds() {
		if !slices.Contains(measuredKinds, kind) {
			violations = append(violations, convert.Violation{Path: fmt.Sprintf("kinds[%d]", i), Message: "has no numbers on both sides; kinds that have are " + strings.Join(each(measuredKinds), ", ")})
		}
	}
	if err := casebook.RefuseFields(violations); err != nil {
		return nil, err
	}
	if err := mayAsk(who, req.GetStrata()); err != nil {
		return nil, err
	}
	question := audit.AgreementQuestion{
		FirstRun: req.GetFirstRun(), Timings: each(req.GetPlanTimings()), Places: req.GetPlaces(), Strata: req.GetStrata(), RingSizes: ringSizes(archive),
		Points: req.GetIncludePoints(),
	}
	if req.GetView() == trigonev1.AuditView_AUDIT_VIEW_AS_EXECUTED {
		question.View = audit.AsExecuted
	}
	f := pairFilter(req)
	asOf, before := until(archive, req.GetFilter(), instant(req.GetAsOf()))
	f.IncisionBefore = before
	agreements := audit.NewAgreements(question)
	gather, err := l.withWords(ctx, archive, site, tallyQuestion{beside: true, filter: req.GetFilter(), basis: req.GetBasis(), asOf: asOf}, req.GetStrata(), agreements)
	if err != nil {
		return nil, err
	}
	counts, err := pairsOf(ctx, archive, site, f, gather)
	if err != nil {
		return nil, notBuilt(err, req.GetBasis())
	}
	erased, err := archive.Store.Erased(ctx, site)
	if err != nil {
		return nil, err
	}
	invented, err := archive.Invented(ctx)
	if err != nil {
		return nil, err
	}
	answer := agreements.Answer()
	resp := &trigonev1.SummarizeAgreementResponse{
		Context:           auditContext(archive, asOf, req.GetFilter(), req.GetBasis(), counts.LastChange, invented),
		EligibleCaseCount: int32(answer.Eligible), ComparedCaseCount: int32(answer.Paired), LeftOut: leftOut(answer.Left),
		RetractedCaseCount: int32(counts.RetractedCases), ErasedCaseCount: int32(erased), StrataCount: int32(answer.Looked),
	}
	for i := range answer.Agreements {
		resp.Agreements = append(resp.Agreements, agreementOf(&answer.Agreements[i]))
	}
	return resp, nil
}

// gatherer takes what figures of pairs are made of.
type gatherer interface {
	// AddCase says whether the pairs of a case count.
	AddCase(c *audit.Case) bool
	// AddPairs takes those of a case under one kind and metric, all at once.
	AddPairs(c *audit.Case, pairs []audit.Pair)
}

// pairsOf hands over the pairs of the cases that count.
func pairsOf(ctx context.Context, archive *casebook.Archive, site string, f storage.PairFilter, to gatherer) (storage.PairCounts, error) {
	cases := map[int64]*audit.Case{}
	told := 0
	// The pairs of a case stand together under one kind and metric.
	var gathered []audit.Pair
	var of storage.PairRow
	flush := func() {
		if len(gathered) > 0 {
			to.AddPairs(cases[of.Case], gathered)
			gathered = gathered[:0]
		}
	}
	counts, err := archive.Store.Pairs(ctx, site, f, func(c storage.PairCase) error {
		told++
		if one := auditCase(c); to.AddCase(one) {
			cases[c.Number] = one
		}
		return nil
	}, func(p storage.PairRow) error {
		if cases[p.Case] == nil {
			return nil
		}
		if p.Kind != of.Kind || p.Metric != of.Metric || p.Case != of.Case {
			flush()
			of = p
		}
		gathered = append(gathered, auditPair(p))
		return nil
	})
	if err != nil {
		return counts, err
	}
	flush()
	casebook.AccessOf(ctx).Cases(told)
	return counts, nil
}

// pairFilter gives what is read for a request.
func pairFilter(req *trigonev1.SummarizeAgreementRequest) storage.PairFilter {
	f := storage.PairFilter{
		Restated: restated(req.GetBasis()), Kinds: numbers(req.GetKinds()),
		IncisionFrom: instant(req.GetFilter().GetIncisionFrom()),
		WordKinds:    []int{kindNumber(laterKind), kindNumber(executedKind), kindNumber(audit.RingFamily)},
	}
	if len(f.Kinds) == 0 {
		f.Kinds = numbers(measuredKinds)
	}
	for _, m := range req.GetMetrics() {
		f.Metrics = append(f.Metrics, metricNumber(m))
	}
	f.Groups = storedGroups(req.GetFilter().GetGroups())
	for _, kind := range req.GetStrata() {
		f.WordKinds = append(f.WordKinds, kindNumber(kind))
	}
	return f
}

func auditContext(archive *casebook.Archive, asOf time.Time, filter *trigonev1.AuditFilter, basis trigonev1.Basis, lastChange int64, invented bool) *trigonev1.AuditContext {
	return &trigonev1.AuditContext{
		Parent: "sites/" + archive.Policy.Settings.Site, AsOf: timestamppb.New(asOf), LastChange: lastChange,
		Basis: named(basis), Filter: filter, MethodVersion: methodVersion, PolicyHash: archive.Policy.Hash, Caution: figuresCaution, Invented: invented,
	}
}

// ringSizes gives the labels of each family of the site's table, in order.
func ringSizes(archive *casebook.Archive) map[string][]float64 {
	sizes := map[string][]float64{}
	for _, r := range archive.Policy.Settings.Rings {
		sizes[r.Family] = append(sizes[r.Family], r.Label)
	}
	for _, list := range sizes {
		slices.Sort(list)
	}
	return sizes
}

// Kinds of words that say how a case is counted.
const (
	laterKind    = "later_operation"
	executedKind = "as_executed"
)

func auditCase(c storage.PairCase) *audit.Case {
	out := &audit.Case{UID: c.UID, Incision: c.IncisionTime, Timing: c.PlanTiming, Later: c.Later}
	yes := convert.Word(trigonev1.Answer_ANSWER_YES)
	for _, w := range c.Words {
		kind := kindOf(w.Kind)
		switch {
		case kind == laterKind && w.Word == yes:
			out.Later = true
		case kind == executedKind && w.Word == yes:
			out.AsExecuted = true
		}
		out.Words = append(out.Words, audit.Group{Kind: kind, Word: w.Word})
	}
	return out
}

func auditPair(p storage.PairRow) audit.Pair {
	return audit.Pair{
		Key: audit.Key{
			Kind:   discrepancy.Kind(convert.Word(trigonev1.ComparisonKind(p.Kind))),
			Metric: metricName(p.Metric), Place: valve.Place(p.Place),
			Stage: valve.Stage(convert.Word(trigonev1.Stage(p.Stage))), Method: valve.Method(convert.Word(trigonev1.Method(p.Method))),
			Formula: p.FormulaNumber, MetricFormula: p.MetricFormulaNumber, PredictionFormula: p.PredictionFormula, Calibration: p.Calibration,
		},
		Order: p.Order, Run: p.Run, Verdict: discrepancy.Verdict(convert.Word(trigonev1.ComparisonVerdict(p.Verdict))),
		Planned: maybe(p.Planned), Actual: maybe(p.Actual), Lower: maybe(p.Lower), Upper: maybe(p.Upper), Tolerance: maybe(p.Tolerance),
		Uncalibrated: maybe(p.Uncalibrated),
	}
}

func maybe(v *float64) units.Maybe[float64] {
	if v == nil {
		return units.None[float64]()
	}
	return units.Some(*v)
}

// metricName gives the metric, leaf or parameter of a number.
func metricName(number int) string {
	if id, ok := metric.ByNumber(number); ok {
		return string(id)
	}
	return discrepancy.ParameterByNumber(number)
}

func unknownKind() string {
	return "is none of the kinds by which cases are filed: " + strings.Join(GroupKinds(), ", ")
}

func leftOut(list []audit.Left) []*trigonev1.LeftOut {
	var out []*trigonev1.LeftOut
	for _, l := range list {
		out = append(out, &trigonev1.LeftOut{Reason: string(l.Reason), Count: int32(l.Count)})
	}
	return out
}

func agreementOf(g *audit.Agreement) *trigonev1.Agreement {
	out := &trigonev1.Agreement{
		Kind: convert.Enum[trigonev1.ComparisonKind](string(g.Kind)), Metric: g.Metric, Place: string(g.Place),
		Stage: convert.Enum[trigonev1.Stage](string(g.Stage)), Method: convert.Enum[trigonev1.Method](string(g.Method)), Unit: g.Unit.UCUM(),
		FormulaNumber: int32(g.Formula), MetricFormulaNumber: int32(g.MetricFormula),
		PredictionFormulaNumber: int32(g.PredictionFormula), CalibrationId: g.Calibration, Sentence: g.Sentence,
		PatientCount: int32(g.Patients), PairCount: int32(g.Pairs), LeftOut: leftOut(g.Left),
		Bias: figureOf(g.Bias), Sd: figureOf(g.SD), LowerLimit: figureOf(g.LowerLimit), UpperLimit: figureOf(g.UpperLimit),
		MeanAbsolute: figureOf(g.MeanAbsolute), RootMeanSquare: figureOf(g.RootMeanSquare), Slope: figureOf(g.Slope), Concordance: figureOf(g.Concordance),
		WithinTolerance: shareOf(&g.WithinTolerance), Exact: shareOf(g.Exact), WithinOneSize: shareOf(g.WithinOneSize),
	}
	if g.Stratum != nil {
		out.Stratum = &trigonev1.Stratum{Kind: g.Stratum.Kind, Word: g.Stratum.Word}
	}
	if r := g.InRange; r != nil {
		out.InRange = &trigonev1.RangeFigure{
			Inside: shareOf(&r.ShareFigure), BelowCount: int32(r.Below), AboveCount: int32(r.Above), Enough: r.Enough,
			TenthsP: pointer(r.P), ZMean: pointer(r.ZMean), ZSd: pointer(r.ZSD),
		}
		if r.P.IsSome() {
			for _, n := range r.Tenths {
				out.InRange.TenthCounts = append(out.InRange.TenthCounts, int32(n))
			}
		}
	}
	for _, p := range g.Points {
		out.Points = append(out.Points, &trigonev1.PairPoint{Planned: units.FromGrid(p[0], g.Grid), Measured: units.FromGrid(p[1], g.Grid)})
	}
	return out
}

func figureOf(f audit.Figure) *trigonev1.Figure {
	return &trigonev1.Figure{Value: pointer(f.Value), Lower: pointer(f.Lower), Upper: pointer(f.Upper), NotEvaluableBecause: f.Because}
}

func shareOf(f *audit.ShareFigure) *trigonev1.ShareFigure {
	if f == nil {
		return nil
	}
	return &trigonev1.ShareFigure{Count: int32(f.Count), Of: int32(f.Of), Share: figureOf(f.Figure)}
}

// pointer gives a number as the contract has it: what is none, or past any number, is
// unset.
func pointer(v units.Maybe[float64]) *float64 {
	n, ok := v.Get()
	if !ok || math.IsNaN(n) || math.IsInf(n, 0) {
		return nil
	}
	return &n
}
