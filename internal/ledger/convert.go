package ledger

import (
	"fmt"

	"google.golang.org/protobuf/proto"

	"trigone/internal/discrepancy"
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
	c := &trigonev1.Comparison{}
	if row.Complete {
		if err := proto.Unmarshal(row.Message, c); err != nil {
			return nil, fmt.Errorf("a comparison cannot be read: %w", err)
		}
		return c, nil
	}
	d := &trigonev1.Discrepancy{}
	if err := proto.Unmarshal(row.Message, d); err != nil {
		return nil, fmt.Errorf("a discrepancy cannot be read: %w", err)
	}
	return asComparison(d), nil
}

// discrepancyOf reads the discrepancy of a row.
func discrepancyOf(row storage.Comparison) (*trigonev1.Discrepancy, error) {
	c, err := comparisonOf(row)
	if err != nil {
		return nil, err
	}
	return asDiscrepancy(c), nil
}

func asComparison(d *trigonev1.Discrepancy) *trigonev1.Comparison {
	return &trigonev1.Comparison{
		Id: d.GetId(), Verdict: trigonev1.ComparisonVerdict(d.GetVerdict()), Class: d.GetClass(), DiscrepancyId: d.GetId(),
		Message: d.GetMessage(), PlannedStepId: d.GetPlannedStepId(), PerformedStepId: d.GetPerformedStepId(),
		Metric: d.GetMetric(), Place: d.GetPlace(), Occasion: d.GetOccasion(), Run: d.GetRun(), Stage: d.GetStage(), Method: d.GetMethod(),
		Planned: d.GetPlanned(), Actual: d.GetActual(), PlannedValue: d.PlannedValue, ActualValue: d.ActualValue,
		Difference: d.Difference, Tolerance: d.Tolerance, Unit: d.GetUnit(), JudgedBy: d.GetJudgedBy(),
		JudgedByVersion: d.GetJudgedByVersion(), Reason: d.GetReason(), Parent: d.GetParent(), PlanRevised: d.GetPlanRevised(),
		Missing: d.GetMissing(),
	}
}

func asDiscrepancy(c *trigonev1.Comparison) *trigonev1.Discrepancy {
	return &trigonev1.Discrepancy{
		Id: c.GetDiscrepancyId(), Class: c.GetClass(), Reference: discrepancy.Class(c.GetClass()).Reference(),
		Verdict: trigonev1.DiscrepancyVerdict(c.GetVerdict()),
		Message: c.GetMessage(), PlannedStepId: c.GetPlannedStepId(), PerformedStepId: c.GetPerformedStepId(),
		Metric: c.GetMetric(), Place: c.GetPlace(), Occasion: c.GetOccasion(), Run: c.GetRun(), Stage: c.GetStage(), Method: c.GetMethod(),
		Planned: c.GetPlanned(), Actual: c.GetActual(), PlannedValue: c.PlannedValue, ActualValue: c.ActualValue,
		Difference: c.Difference, Tolerance: c.Tolerance, Unit: c.GetUnit(), JudgedBy: c.GetJudgedBy(),
		JudgedByVersion: c.GetJudgedByVersion(), Reason: c.GetReason(), Parent: c.GetParent(), PlanRevised: c.GetPlanRevised(),
		Missing: c.GetMissing(),
	}
}
