package ledger

import (
	"fmt"

	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// numbers gives the numbers of enum values.
func numbers[E ~int32](list []E) []int {
	var out []int
	for _, e := range list {
		out = append(out, int(e))
	}
	return out
}

// discrepancyVerdicts are those of the comparisons that are discrepancies.
var discrepancyVerdicts = []int{storage.ComparisonPresent, storage.ComparisonIndeterminate, storage.ComparisonNotEvaluable}

// comparisonOf reads the comparison of a row. Where agreements were not recorded,
// the row holds a discrepancy.
func comparisonOf(row storage.Comparison) (*trigonev1.Comparison, error) {
	if !row.Complete {
		d, err := discrepancyOf(row)
		return asComparison(d.GetDiscrepancy()), err
	}
	c := &trigonev1.Comparison{}
	if err := proto.Unmarshal(row.Message, c); err != nil {
		return nil, fmt.Errorf("a comparison cannot be read: %w", err)
	}
	return c, nil
}

// discrepancyOf reads the discrepancy of a row, and the ends of the range that it is
// held against.
func discrepancyOf(row storage.Comparison) (*trigonev1.CaseDiscrepancy, error) {
	if row.Complete {
		c, err := comparisonOf(row)
		if err != nil {
			return nil, err
		}
		return &trigonev1.CaseDiscrepancy{Discrepancy: convert.Discrepancy(c), Lower: c.Lower, Upper: c.Upper}, nil
	}
	d := &trigonev1.Discrepancy{}
	if err := proto.Unmarshal(row.Message, d); err != nil {
		return nil, fmt.Errorf("a discrepancy cannot be read: %w", err)
	}
	return &trigonev1.CaseDiscrepancy{Discrepancy: d}, nil
}

// asComparison gives a discrepancy of an earlier version in the form of a comparison
// without a kind.
func asComparison(d *trigonev1.Discrepancy) *trigonev1.Comparison {
	return &trigonev1.Comparison{
		Id: d.GetId(), Verdict: trigonev1.ComparisonVerdict(d.GetVerdict()), Class: d.GetClass(), DiscrepancyId: d.GetId(),
		Message: d.GetMessage(), PlannedStepId: d.GetPlannedStepId(), PerformedStepId: d.GetPerformedStepId(),
		Metric: d.GetMetric(), Place: d.GetPlace(), Occasion: d.GetOccasion(), Run: d.GetRun(), Stage: d.GetStage(), Method: d.GetMethod(),
		Planned: d.GetPlanned(), Actual: d.GetActual(), PlannedValue: d.PlannedValue, ActualValue: d.ActualValue,
		Difference: d.Difference, Margin: d.Tolerance, Unit: d.GetUnit(), JudgedBy: d.GetJudgedBy(),
		JudgedByVersion: d.GetJudgedByVersion(), Reason: d.GetReason(), Parent: d.GetParent(), PlanRevised: d.GetPlanRevised(),
		Missing: d.GetMissing(),
	}
}
