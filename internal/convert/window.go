package convert

import (
	"math"
	"slices"

	"trigone/internal/draw"
	"trigone/internal/metric"
	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// How far a final height is varied to both sides where nobody says how far, and by which
// steps.
const (
	HeightReachMM = 3.0
	VariedStepMM  = 1.0
)

// Around gives the ends of a range about a length: it holds the length itself, by whole
// millimetres from it, and ends above 0.
func Around(middle, reach float64) (low, high float64) {
	return units.Round(middle-min(reach, math.Floor(middle)), 1e-6), units.Round(middle+reach, 1e-6)
}

// WindowAxes are the axes of the window: the final height of P2, and the site's own
// sizes of the planned ring where its table has the family. There are none where the
// plan, as it was evaluated, gives no such height.
func WindowAxes(plan *trigonev1.Plan, first *trigonev1.Evaluation, inTable func(family string) bool) []*trigonev1.ExploredAxis {
	i := slices.IndexFunc(first.GetMetrics(), func(m *trigonev1.MetricValue) bool {
		return m.GetMetric() == metric.IDFinalPosteriorHeight && m.GetOccasion() == SectionPlan && m.GetPlace() == string(valve.P2) && m.Value != nil
	})
	if i < 0 {
		return nil
	}
	low, high := Around(first.GetMetrics()[i].GetValue(), HeightReachMM)
	step := VariedStepMM
	axes := []*trigonev1.ExploredAxis{{Kind: &trigonev1.ExploredAxis_LeafletHeight{LeafletHeight: &trigonev1.HeightAxis{
		Segment: trigonev1.Segment_SEGMENT_P2, Range: &trigonev1.LengthGrid{MinMm: &low, MaxMm: &high, StepMm: &step},
	}}}}
	var rings []*trigonev1.PlannedStep
	for _, s := range plan.GetSteps() {
		if s.GetTechnique().GetAnnuloplasty() != nil {
			rings = append(rings, s)
		}
	}
	if len(rings) != 1 {
		return axes
	}
	if family := rings[0].GetTechnique().GetAnnuloplasty().GetFamilyKey(); family != "" && inTable(family) {
		axes = append(axes, &trigonev1.ExploredAxis{Kind: &trigonev1.ExploredAxis_Ring{Ring: &trigonev1.RingAxis{
			StepId: rings[0].GetId(), Sizes: []*trigonev1.RingSizeChoice{{FamilyKey: family}},
		}}})
	}
	return axes
}

// WindowMetrics are those that the window reads and the plan has.
func WindowMetrics(first *trigonev1.Evaluation) []string {
	var list []string
	for _, id := range draw.WindowMetrics {
		if slices.ContainsFunc(first.GetMetrics(), func(m *trigonev1.MetricValue) bool {
			return m.GetMetric() == string(id) && m.GetOccasion() == SectionPlan
		}) {
			list = append(list, string(id))
		}
	}
	return list
}
