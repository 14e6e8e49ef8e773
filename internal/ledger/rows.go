package ledger

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/metric"
	"trigone/internal/storage"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// childKinds are the rows of the facts that are kept apart, by the field that holds
// them. A number is never used again.
var childKinds = []childKind{
	{1, "runs"}, {2, "devices"}, {3, "echoes"}, {4, "statuses"}, {5, "events"}, {6, "findings"}, {7, "queries"},
}

type childKind struct {
	number int
	field  protoreflect.Name
}

// Projection keeps comparisons, facts, the words under which a case is filed and its
// counts beside each case.
type Projection struct{}

// Name gives the projection's name in the store.
func (Projection) Name() string { return storage.ProjectionLedger }

// Version gives the version of its rows.
func (Projection) Version() int64 { return 8 }

// Rows gives what is kept of a case after a write.
func (Projection) Rows(_, after *casebook.State) (storage.Rows, error) {
	r := newReader(after)
	facts := r.facts()
	out := storage.Rows{Counts: r.caseCounts()}
	for i, c := range r.comparisons {
		var answered *trigonev1.Discrepancy
		if !r.complete {
			answered = after.Evaluation.GetDiscrepancies()[i]
		}
		row, err := comparisonRow(int64(i), c, answered)
		if err != nil {
			return out, err
		}
		out.Comparisons = append(out.Comparisons, row)
	}
	for _, g := range Groups(facts) {
		out.Groups = append(out.Groups, stored(g))
	}
	out.Groups = append(out.Groups, implantGroups(r.operation)...)
	var err error
	if out.Facts, out.Children, err = taken(facts); err != nil {
		return out, err
	}
	out.Facts.Version = after.Case.Version
	if out.Short, err = marshal(short(facts)); err != nil {
		return out, err
	}
	return out, nil
}

// taken takes facts apart into their row and their child rows.
func taken(facts *trigonev1.CaseFacts) (*storage.Facts, []storage.Child, error) {
	alone := proto.CloneOf(facts)
	m := alone.ProtoReflect()
	var list []storage.Child
	for _, kind := range childKinds {
		field := m.Descriptor().Fields().ByName(kind.field)
		rows := m.Get(field).List()
		for i := range rows.Len() {
			row := rows.Get(i).Message()
			message, err := marshal(row.Interface())
			if err != nil {
				return nil, nil, err
			}
			list = append(list, storage.Child{Kind: kind.number, Section: sectionOf(row), Order: int64(i), Message: message})
		}
		m.Clear(field)
	}
	message, err := marshal(alone)
	return &storage.Facts{Evaluation: facts.GetVersions().GetEvaluation(), Message: message}, list, err
}

// sectionOf gives the section in which a child row stands; for a finding it is the
// occasion of which it speaks.
func sectionOf(row protoreflect.Message) string {
	fields := row.Descriptor().Fields()
	if f := fields.ByName("section"); f != nil {
		return row.Get(f).String()
	}
	return row.Get(fields.ByName("occasion")).String()
}

// joined puts facts together from their row and their child rows.
func joined(row storage.Facts, rows []storage.Child) (*trigonev1.CaseFacts, error) {
	facts := &trigonev1.CaseFacts{}
	if err := proto.Unmarshal(row.Message, facts); err != nil {
		return nil, fmt.Errorf("the facts of a case cannot be read: %w", err)
	}
	m := facts.ProtoReflect()
	rows = slices.SortedStableFunc(slices.Values(rows), func(a, b storage.Child) int { return cmp.Compare(a.Order, b.Order) })
	for _, child := range rows {
		i := slices.IndexFunc(childKinds, func(k childKind) bool { return k.number == child.Kind })
		if i < 0 {
			return nil, fmt.Errorf("a row of kind %d is none of a case's facts", child.Kind)
		}
		list := m.Mutable(m.Descriptor().Fields().ByName(childKinds[i].field)).List()
		element := list.AppendMutable().Message().Interface()
		if err := proto.Unmarshal(child.Message, element); err != nil {
			return nil, fmt.Errorf("a row of the facts of a case cannot be read: %w", err)
		}
	}
	return facts, nil
}

func marshal(m proto.Message) ([]byte, error) {
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		return nil, fmt.Errorf("a row of the ledger cannot be written: %w", err)
	}
	return b, nil
}

// predictedBy are the metrics that predict what comparisons of a kind hold against the
// outcome.
var predictedBy = map[trigonev1.ComparisonKind]valve.ID{
	trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_PLAN:      metric.IDPredictedContact,
	trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_EXECUTION: metric.IDPredictedOverlap,
	trigonev1.ComparisonKind_COMPARISON_KIND_EXPECTED_GRADIENT:         metric.IDExpectedGradient,
}

// comparisonRow gives a comparison as a row; its numbers are those of the answer.
// Where agreements were not recorded, c stands for a discrepancy d.
func comparisonRow(order int64, c *trigonev1.Comparison, d *trigonev1.Discrepancy) (storage.Comparison, error) {
	var content proto.Message = c
	if d != nil {
		content = d // as it was answered
	}
	message, err := marshal(content)
	row := storage.Comparison{
		Order: order, ID: c.GetId(), DiscrepancyID: c.GetDiscrepancyId(),
		Kind: int(c.GetKind()), Verdict: int(c.GetVerdict()), Class: classNumber(c.GetClass()),
		Place: c.GetPlace(), Occasion: c.GetOccasion(), ThingPlanned: c.GetThingPlanned(), Run: int(c.GetRun()),
		Stage: int(c.GetStage()), Method: int(c.GetMethod()), JudgedBy: int(c.GetJudgedBy()), Owner: int(c.GetOwner()),
		Reason: reasonNumber(c), Root: c.GetParent() == "", PlanRevised: c.GetPlanRevised(),
		Planned: c.PlannedValue, PlannedSD: c.PlannedSd, Actual: c.ActualValue, ActualSD: c.ActualSd,
		Lower: c.Lower, Upper: c.Upper, Tolerance: c.Tolerance, Margin: c.Margin,
		FormulaNumber: int(c.GetFormulaNumber()), MetricFormulaNumber: int(c.GetMetricFormulaNumber()),
		PredictionEvaluation: c.PredictionEvaluation, PredictionRole: int(c.GetPredictionRole()),
		PredictionFormula: metric.FormulaUnder(predictedBy[c.GetKind()], c.GetPredictionCatalogueVersion()),
		Calibration:       c.GetPredictionCalibrationId(), Uncalibrated: c.UncalibratedValue,
		Message: message, Complete: d == nil,
	}
	row.Metric = metricNumber(c.GetMetric())
	if _, grid, ok := metric.Describe(valve.ID(c.GetMetric())); ok {
		row.PlannedSteps, row.ActualSteps = steps(c.PlannedValue, grid), steps(c.ActualValue, grid)
	}
	return row, err
}

// steps gives a value in steps of its metric's grid.
func steps(v *float64, grid float64) *int64 {
	if v == nil || grid == 0 {
		return nil
	}
	n := int64(math.Round(*v / grid))
	return &n
}

// caseCounts gives the counts of a case that are summed without reading its rows.
func (r *reader) caseCounts() storage.Counts {
	out := storage.Counts{Incomplete: !r.complete}
	for _, c := range r.comparisons {
		switch c.GetVerdict() {
		case trigonev1.ComparisonVerdict_COMPARISON_VERDICT_PRESENT:
			out.Differing++
			if c.GetParent() == "" {
				out.Roots++
			}
		case trigonev1.ComparisonVerdict_COMPARISON_VERDICT_INDETERMINATE:
			out.Indeterminate++
		case trigonev1.ComparisonVerdict_COMPARISON_VERDICT_NOT_EVALUABLE:
			out.NotEvaluable++
		case trigonev1.ComparisonVerdict_COMPARISON_VERDICT_AGREES:
			out.Agreeing++
		case trigonev1.ComparisonVerdict_COMPARISON_VERDICT_NOT_APPLICABLE:
			out.NotApplicable++
		}
	}
	if r.complete {
		t := convert.ThingsPlanned(r.comparisons)
		out.Things, out.ThingsAsPlanned, out.ThingsOtherwise = int(t.GetTotal()), int(t.GetAsPlanned()), int(t.GetOtherwise())
		out.ThingsCannotBeTold, out.ThingsNotEvaluable = int(t.GetCannotBeTold()), int(t.GetNotEvaluable())
		out.ThingsNotApplicable = int(t.GetNotApplicable())
	}
	return out
}
