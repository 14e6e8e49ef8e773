package discrepancy

import (
	"slices"
	"strings"
	"testing"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// all gives every comparison of a fixture.
func (f *fixture) all() []Comparison {
	f.compare()
	return Compare(f.in)
}

// What went and was found as planned leaves a comparison too: one for everything
// that the plan states and that is limited.
func TestAgreementIsKept(t *testing.T) {
	f := newFixture()
	want := []string{
		"step|p1|||operation agrees",
		"step|p2|||operation agrees",
		"step|p3|||operation agrees",
		"step_place|p1||step:s1|operation agrees",
		"step_place|p2||step:s2|operation agrees",
		"step_technique|p3||step:s3|operation agrees",
		"step_technique|p2||step:s2|operation agrees",
		"step_technique|p1||step:s1|operation agrees",
		"step_dimension|p1|resection_free_edge_width|step:s1|operation agrees",
		"step_dimension|p1|shape|step:s1|operation agrees",
		"step_dimension|p1|to_annulus|step:s1|operation agrees",
		"step_dimension|p2|artificial_chord_length|step:s2|operation agrees",
		"step_dimension|p2|pair_count|step:s2|operation agrees",
		"ring_label|p3|ring_label|step:s3|operation agrees",
		"ring_kind|p3|ring_family|step:s3|operation agrees",
		"ring_kind|p3|ring_kind|step:s3|operation agrees",
		"ring_kind|p3|ring_rigidity|step:s3|operation agrees",
		"aim|t1|coaptation_length|a2_p2|leaving_theatre agrees",
		"aim|t2|mean_gradient||leaving_theatre agrees",
		"grade_aim|t3|regurgitation_grade||leaving_theatre agrees",
		"prediction_from_plan||coaptation_length|a2_p2|leaving_theatre agrees",
		"height||leaflet_height|p2/segment_mid|leaving_theatre agrees",
		"site_limit||regurgitation_grade||leaving_theatre agrees",
		"site_limit||anterior_motion||leaving_theatre agrees",
		"site_limit||mean_gradient||leaving_theatre agrees",
		"site_limit||aortic_regurgitation||leaving_theatre agrees",
		"site_limit||lateral_wall||leaving_theatre agrees",
		"pump_run||||operation agrees",
		"conversion||||operation agrees",
		"plan_in_force||||plan agrees",
		"record||||operation agrees",
	}
	slices.Sort(want)
	var got []string
	for _, c := range f.all() {
		got = append(got, c.ID+" "+string(c.Verdict))
		if c.Differs() || c.Class != "" || c.Parent != "" {
			t.Errorf("%s agrees and is told as a discrepancy: %+v", c.ID, c)
		}
	}
	slices.Sort(got)
	if !slices.Equal(got, want) {
		t.Errorf("got\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(want, "\n  "))
	}
	if n := ThingsPlanned(f.all()); n != (Things{Total: 7, AsPlanned: 7}) { // three steps, a height, three aims
		t.Errorf("%+v", n)
	}
}

// The same comparison keeps its id when it comes out otherwise.
func TestIDsDoNotTellTheVerdict(t *testing.T) {
	rows := []struct {
		why     string
		id      string
		change  func(f *fixture)
		verdict Verdict
	}{
		{"a dimension", "step_dimension|p1|resection_free_edge_width|step:s1|operation", func(f *fixture) { f.done("s1", "resection_free_edge_width", 20) }, Present},
		{"an aim", "aim|t2|mean_gradient||leaving_theatre", func(f *fixture) { f.found(exitAt, meanGradient, "", 5) }, Indeterminate},
		{"a limit at the same value is passed beyond doubt", "site_limit||mean_gradient||leaving_theatre", func(f *fixture) { f.found(exitAt, meanGradient, "", 5.1) }, Present},
		{"a height that nobody took", "height||leaflet_height|p2/segment_mid|leaving_theatre", func(f *fixture) { f.forget("operation/run1/after_ring", leafletHeight, "p2/segment_mid") }, NotJudged},
		{"a step", "step|p2|||operation", func(f *fixture) { f.drop("s2") }, Present},
		{"a place", "step_place|p2||step:s2|operation", func(f *fixture) { f.step("s2").Places = at(valve.A2) }, Present},
		{"a technique", "step_technique|p2||step:s2|operation", func(f *fixture) { f.step("s2").Technique, f.step("s2").Chords = repair.ChordTransfer, nil }, Present},
		{"an aim after a replacement", "aim|t1|coaptation_length|a2_p2|leaving_theatre", func(f *fixture) { f.convert("before_weaning") }, NotApplicable},
		{"a replacement that was intended at incision is no conversion", "conversion||||operation", func(f *fixture) {
			f.convert("before_repair")
			f.op.Intended = "replacement"
		}, NotApplicable},
		{"nor one that the plan alone intended", "conversion||||operation", func(f *fixture) {
			f.convert("before_repair")
			f.plan.Intended = "replacement"
		}, NotApplicable},
		{"what the operation says outweighs the plan", "conversion||||operation", func(f *fixture) {
			f.convert("before_weaning")
			f.plan.Intended, f.op.Intended = "replacement", "repair"
		}, Present},
		{"decided on inspection, then a repair that was given up", "conversion||||operation", func(f *fixture) {
			f.convert("before_weaning")
			f.op.Intended = "decide_on_inspection"
		}, Present},
		{"a condition that was not met", "step|p2|||operation", func(f *fixture) {
			f.plannedStep("p2").Condition = "residual_prolapse"
			s := f.step("s2")
			s.Technique, s.Places, s.Chords = repair.CleftClosure, []repair.Location{{Boundary: valve.P2P3}}, nil
			s.PlannedStepID, s.Reason = "p2", conditionNotMet
		}, NotApplicable},
	}
	for _, r := range rows {
		t.Run(r.why, func(t *testing.T) {
			f := newFixture()
			r.change(f)
			list := f.all()
			i := slices.IndexFunc(list, func(c Comparison) bool { return c.ID == r.id })
			if i < 0 || list[i].Verdict != r.verdict {
				t.Fatalf("want %s %s among %+v", r.id, r.verdict, list)
			}
			if because := list[i].NotApplicableBecause; (because != "") != (r.verdict == NotApplicable) {
				t.Errorf("why it does not apply: %q", because)
			}
		})
	}
}

// A thing planned is one, whatever number of comparisons was made of it.
func TestThingsPlanned(t *testing.T) {
	rows := []struct {
		why      string
		verdicts []Verdict
		want     Things
	}{
		{"one that differs decides", []Verdict{Agrees, Present, Indeterminate, NotJudged}, Things{Total: 1, Otherwise: 1}},
		{"one that cannot be told, and none that differs", []Verdict{Agrees, Indeterminate, NotJudged}, Things{Total: 1, CannotBeTold: 1}},
		{"as planned, as far as it could be told", []Verdict{NotJudged, Agrees, NotApplicable}, Things{Total: 1, AsPlanned: 1}},
		{"nothing could be compared", []Verdict{NotApplicable, NotJudged}, Things{Total: 1, NotEvaluable: 1}},
		{"nothing applies", []Verdict{NotApplicable}, Things{Total: 1, NotApplicable: 1}},
	}
	for _, r := range rows {
		var forth, back Tally
		for i := range r.verdicts {
			forth.Add("step:p1", r.verdicts[i])
			back.Add("step:p1", r.verdicts[len(r.verdicts)-1-i])
		}
		if forth.Things() != r.want || back.Things() != r.want {
			t.Errorf("%s: %+v and backwards %+v, want %+v", r.why, forth.Things(), back.Things(), r.want)
		}
	}
	var none Tally
	none.Add("", Present)
	if none.Things() != (Things{}) || none.Things().String() != "nothing is compared with a plan" {
		t.Errorf("a prediction or a limit is no thing planned: %s", none.Things())
	}
	n := Things{Total: 9, AsPlanned: 6, Otherwise: 1, CannotBeTold: 1, NotEvaluable: 1}
	if got := n.String(); got != "of 9 things planned 6 as planned, 1 otherwise, 1 cannot be told, 1 not evaluable" {
		t.Error(got)
	}
}

// The prediction from what was done is one for the valve as it was at the end: the
// first set off bypass and that on leaving theatre are two comparisons, and no
// discrepancies.
func TestPredictionFromExecution(t *testing.T) {
	overlap := func(f *fixture, state metric.State) {
		f.in.Present = Prediction{Predicted: Predicted{CatalogueVersion: "2"}, Values: []metric.Value{{
			Key:   valve.Key{ID: metric.IDPredictedOverlap, Place: "a2_p2", Occasion: valve.AtOperation, Role: valve.PredictedFromExecution},
			State: state, Value: 7, SD: units.Some(1.6), Lower: some(2), Upper: some(12), Explanation: "restricted motion", Calibration: "k", Uncalibrated: some(6.5),
		}}}
	}
	find := func(list []Comparison, stage valve.Stage) *Comparison {
		for i := range list {
			if c := &list[i]; c.Kind == KindPredictionFromExecution && c.Stage == stage {
				return c
			}
		}
		return nil
	}
	rows := []struct {
		why       string
		change    func(f *fixture)
		off, exit Verdict
	}{
		{"inside on leaving theatre, nothing off bypass", func(*fixture) {}, "", Agrees},
		{"outside", func(f *fixture) { f.found(exitAt, coaptation, "a2_p2", 15) }, "", Present},
		{"the model does not hold", func(f *fixture) { overlap(f, metric.NotApplicable) }, "", NotApplicable},
		{"what was found bounds the domain", func(f *fixture) { f.study(exitAt).AnteriorMotion = "leaflet_with_obstruction" }, "", NotApplicable},
		{"two sets of one run", func(f *fixture) {
			f.in.Case.Studies = append(f.in.Case.Studies, repair.Study{Kind: repair.Result, Occasion: "result/off", Run: 1, Stage: valve.OffBypass})
			f.found("result/off", coaptation, "a2_p2", 1)
		}, Present, Agrees},
		{"worked on again after the first set", func(f *fixture) {
			f.secondRun("residual_regurgitation")
			f.step("s2").Run = 2
		}, NotApplicable, Agrees},
		{"by a ruler", func(f *fixture) {
			f.in.Case.Measured[valve.Key{ID: coaptation, Place: "a2_p2", Occasion: exitAt, Role: valve.Measured}] = valve.Measurement{Value: some(8), Context: valve.Context{Method: valve.Ruler}}
		}, "", NotJudged},
	}
	for _, r := range rows {
		t.Run(r.why, func(t *testing.T) {
			f := newFixture()
			overlap(f, metric.HasValue)
			r.change(f)
			list := f.all()
			exit, off := find(list, valve.LeavingTheatre), find(list, valve.OffBypass)
			if exit == nil || exit.Verdict != r.exit || (off == nil) != (r.off == "") || off != nil && off.Verdict != r.off {
				t.Fatalf("exit %+v, off bypass %+v", exit, off)
			}
			if exit.Differs() || exit.Class != "" || exit.Predicted.CalibrationID != "k" || exit.Predicted.Role != valve.PredictedFromExecution {
				t.Errorf("%+v", exit)
			}
			if exit.PlannedValue.IsSome() && exit.Uncalibrated != some(6.5) {
				t.Errorf("before its calibration it was %v", exit.Uncalibrated)
			}
			// By hand: (15 - 7) / √(1.6² + 1.2²) = 4.
			if z, ok := exit.Z.Get(); r.exit == Present && (!ok || z != 4) {
				t.Errorf("z %v", z)
			}
		})
	}
}
