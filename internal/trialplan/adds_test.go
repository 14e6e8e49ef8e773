package trialplan_test

import (
	"maps"
	"slices"
	"testing"

	"trigone/internal/casebook"
	"trigone/internal/metric"
	"trigone/internal/policy"
	"trigone/internal/trialplan"
	trigonev1 "trigone/proto/trigone/v1"
)

// answered gives what is known of a form: each computed value by its id, and each rule
// that could be judged or is broken.
func answered(t *testing.T, typed map[string][]string) map[string]bool {
	t.Helper()
	pol, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	tr := trialplan.Read(typed, sizes)
	if !tr.Answerable() {
		t.Fatalf("%v: %s %v", typed, said(tr.Faults), tr.Refusals)
	}
	e, err := casebook.EvaluateFile(pol, tr.CaseFile(), "test")
	if err != nil {
		t.Fatal(err)
	}
	known := map[string]bool{}
	for _, m := range e.GetMetrics() {
		if m.GetState() == trigonev1.MetricState_METRIC_STATE_VALUE {
			known[m.GetMetric()+" "+m.GetPlace()] = true
		}
	}
	for _, f := range e.GetFindings() {
		known["broken "+f.GetRule()] = true
	}
	for _, g := range e.GetRuleGaps() {
		known["open "+g.GetRule()] = true
	}
	return known
}

// Six entries give a contact with its closure line, and each further input what the form
// says that it adds.
func TestWhatEachInputAdds(t *testing.T) {
	contact := metric.IDPredictedContact + " a2_p2"
	if known := answered(t, first()); !known[contact] || !known[metric.IDPredictedOverlap+" a2_p2"] || !known[metric.IDPredictedAnteriorShare+" a2_p2"] || !known[metric.IDLowestPosterior+" a2_p2"] {
		t.Errorf("the six entries give no first answer: %v", slices.Sorted(maps.Keys(known)))
	}
	quadrangular := []string{trialplan.Work, trialplan.Quadrangular, trialplan.Device, trialplan.Complete}
	for _, row := range []struct {
		input  int
		before []string // beside the six
		fill   []string
		want   string // known with it, and not before; behind a minus: the other way round
	}{
		{1, append([]string{trialplan.Device, trialplan.NoDevice, trialplan.RingAP, ""}, trialplan.Work, trialplan.HeightOnly),
			[]string{trialplan.Disease, "fibroelastic_deficiency", trialplan.Device, trialplan.NoDevice}, "-open degenerative-repair-without-ring"},
		{2, quadrangular, []string{trialplan.Segments, "p2|a2"}, "broken prolapse-without-planned-step"},
		{6, nil, []string{trialplan.P1, "14", trialplan.P3, "17"}, metric.IDHeightUniformity + " posterior"},
		{7, nil, []string{trialplan.AnnulusAP, "36"}, metric.IDDiameterReduction + " step:device"},
		{8, []string{trialplan.AnnulusAP, "36"}, []string{trialplan.AnnulusIC, "42"}, "annulus_area_elliptic "},
		{11, quadrangular, []string{trialplan.Base, "14", trialplan.FreeEdge, "14", trialplan.CutDepth, "16"}, "resected_leaflet_area step:resection"},
		{12, []string{trialplan.Work, trialplan.HeightOnly}, []string{trialplan.Strip, "9"}, "broken final-height-against-height-removed"},
		{13, append([]string{trialplan.Base, "14"}, quadrangular...), []string{trialplan.Lateral, "5", trialplan.Medial, "4", trialplan.Plication, "1"}, "broken base-gap-not-closed"},
		{15, append([]string{trialplan.Segments, "p2"}, trialplan.Work, trialplan.NoWork), []string{trialplan.Work, trialplan.ChordsOnly, trialplan.ChordsAt, "p2"}, "-broken prolapse-without-planned-step"},
		{18, []string{trialplan.HeartRate, "75", trialplan.Stroke, "70"}, []string{trialplan.RingAcross, "34"}, metric.IDExpectedGradient + " step:device"},
		{20, []string{trialplan.HeartRate, "75", trialplan.Stroke, "70", trialplan.RingAcross, "34"}, []string{trialplan.Gradient, "2"}, "broken plan-middle-outside-own-aim"},
		{20, nil, []string{trialplan.LineLow, "95"}, "broken plan-outside-own-aim"},
		{21, []string{trialplan.RingAcross, "34"}, []string{trialplan.BodyHeight, "170", trialplan.BodyWeight, "70"}, "indexed_ring_orifice_area step:device"},
		{22, []string{trialplan.RingAcross, "34"}, []string{trialplan.HeartRate, "75", trialplan.Outflow, "20", trialplan.OutflowVTI, "20"}, metric.IDExpectedGradient + " step:device"},
	} {
		before := answered(t, first(row.before...))
		after := answered(t, first(append(slices.Clone(row.before), row.fill...)...))
		gone := row.want[0] == '-'
		if want := row.want[1:]; gone && (!before[want] || after[want]) {
			t.Errorf("input %d: %s before %v, after %v\n%v\n%v", row.input, want, before[want], after[want], slices.Sorted(maps.Keys(before)), slices.Sorted(maps.Keys(after)))
		}
		if !gone && (before[row.want] || !after[row.want]) {
			t.Errorf("input %d: %s before %v, after %v\n%v", row.input, row.want, before[row.want], after[row.want], slices.Sorted(maps.Keys(after)))
		}
	}
}
