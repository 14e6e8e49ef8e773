package evaluate

import (
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"trigone/internal/discrepancy"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/rules"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// The cases are invented; what is expected follows from the contract's own
// definitions, for each row the reason is given.

func evaluated(c *repair.Case) Evaluation {
	return Evaluate(Input{Case: c, Settings: settings.BuiltIn("demo", "1", "UTC")})
}

func finding(t *testing.T, e Evaluation, rule string, o valve.Occasion) rules.Finding {
	t.Helper()
	i := slices.IndexFunc(e.Findings, func(f rules.Finding) bool { return f.Rule == rule && f.At.Occasion == o })
	if i < 0 {
		t.Fatalf("no finding of %s at %s among %d", rule, o, len(e.Findings))
	}
	return e.Findings[i]
}

func has(e Evaluation, rule string, o valve.Occasion) bool {
	return slices.ContainsFunc(e.Findings, func(f rules.Finding) bool { return f.Rule == rule && f.At.Occasion == o })
}

func value(e Evaluation, id valve.ID, o valve.Occasion) (metric.Value, bool) {
	i := slices.IndexFunc(e.Metrics, func(v metric.Value) bool { return v.Key.ID == id && v.Key.Occasion == o })
	if i < 0 {
		return metric.Value{}, false
	}
	return e.Metrics[i], true
}

func swappedGradients(mean, peak float64) *repair.Case {
	return repair.NewExample().
		Operation().
		Result("exit", 1, valve.LeavingTheatre).Method(valve.Doppler).Set("mean_gradient", mean).Set("peak_gradient", peak).
		Coaptation(8).Case()
}

const exit = valve.Occasion("result/exit")

// Two passes: a contradiction disputes its values; everything that is not a
// contradiction is judged without them.
func TestDisputedValuesLeaveTheSecondPass(t *testing.T) {
	e := evaluated(swappedGradients(9, 3))
	f := finding(t, e, "peak-gradient-below-mean", exit)
	if f.Severity != rules.Contradiction || len(f.Disputes) != 2 || !slices.Equal(f.Sections, []string{"result/exit"}) {
		t.Fatalf("both gradients must be disputed, in the result: %+v", f)
	}
	if has(e, "gradient-high", exit) {
		t.Error("a disputed gradient of 9 mmHg must not be judged as high")
	}
	if v, _ := value(e, "mean_gradient", exit); v.State != metric.Disputed || v.Value != 9 {
		t.Errorf("a disputed value is kept and marked: %+v", v)
	}
	if v, _ := value(e, "coaptation_length", exit); v.State != metric.HasValue {
		t.Errorf("a value that is not disputed flows on: %+v", v)
	}
	i := slices.IndexFunc(e.Discrepancies(), func(d discrepancy.Comparison) bool {
		return d.Class == discrepancy.NewFinding && d.Metric == "mean_gradient"
	})
	if i < 0 || e.Discrepancies()[i].Verdict != discrepancy.NotJudged || !strings.Contains(strings.Join(e.Discrepancies()[i].Missing, ""), "disputed") {
		t.Errorf("a comparison that needs a disputed value says so: %+v", e.Discrepancies())
	}
}

func TestACorrectionSettlesADispute(t *testing.T) {
	e := evaluated(swappedGradients(9, 15))
	if has(e, "peak-gradient-below-mean", exit) {
		t.Error("a peak above the mean is no contradiction")
	}
	if !has(e, "gradient-high", exit) {
		t.Error("a gradient of 9 mmHg, no longer disputed, is high")
	}
	if v, _ := value(e, "mean_gradient", exit); v.State != metric.HasValue {
		t.Errorf("nothing is disputed any more: %+v", v)
	}
}

// A derived metric must not be computed from a disputed input.
func TestDisputedInputsMakeMetricsNotEvaluable(t *testing.T) {
	build := func(systolic float64) *repair.Case {
		return repair.NewExample().Assess("tte").
			Set("left_ventricular_end_diastolic_volume", 120).Set("left_ventricular_end_systolic_volume", systolic).Case()
	}
	states := func(e Evaluation) (with, without int) {
		for _, v := range e.Metrics {
			if v.Key.Role != valve.Derived || v.Key.Occasion != "assessment/tte" {
				continue
			}
			uses := slices.ContainsFunc(v.Inputs, func(in valve.InputValue) bool { return in.Key.ID == "left_ventricular_end_systolic_volume" })
			switch {
			case v.State == metric.HasValue && uses:
				with++
			case strings.Contains(strings.Join(v.Missing, " "), "left_ventricular_end_systolic_volume"):
				without++
			}
		}
		return with, without
	}
	if with, _ := states(evaluated(build(50))); with == 0 {
		t.Fatal("there must be a metric that uses the end-systolic volume")
	}
	e := evaluated(build(130))
	if !has(e, "end-systolic-volume-not-below-end-diastolic", "assessment/tte") {
		t.Fatal("an end-systolic volume above the end-diastolic one is a contradiction")
	}
	if with, without := states(e); with != 0 || without == 0 {
		t.Errorf("%d metrics use the disputed volume and %d miss it, want none and some", with, without)
	}
}

// The disputed value is left out in every plan revision that holds it.
func TestDisputedPlanValueIsNotCompared(t *testing.T) {
	c := repair.NewExample().
		Assess("tte").Method(valve.Ruler).Height(valve.P2, 20).SD(0.5).
		Plan().Method(valve.Ruler).Step("p1", repair.HeightReduction, valve.P2).Dim("height_removed", 26).SD(0.5).
		Operation().Method(valve.Ruler).Step("s1", repair.HeightReduction, valve.P2).Dim("height_removed", 6).SD(0.5).
		Case()
	e := evaluated(c)
	if f := finding(t, e, "height-removed-not-below-height", valve.AtPlan); f.Severity != rules.Contradiction {
		t.Fatalf("26 mm off a leaflet of 20 mm must be a contradiction: %+v", f)
	}
	i := slices.IndexFunc(e.Discrepancies(), func(d discrepancy.Comparison) bool { return d.Metric == "height_removed" })
	if i < 0 || e.Discrepancies()[i].Verdict != discrepancy.NotJudged {
		t.Errorf("a disputed planned value must not be compared: %+v", e.Discrepancies())
	}
}

func TestFindingsAreGroupedUnderTheirCause(t *testing.T) {
	resect := func(e *repair.Example, id string, segment valve.Segment, height float64) *repair.Example {
		return e.Resect(id, repair.Quadrangular, segment).Dim("resection_free_edge_width", 20).Dim("resection_base_width", 18).Dim("resection_height", height)
	}
	scallop := func(e *repair.Example, s valve.Segment) *repair.Example {
		return e.Height(s, 15).SetAt("scallop_free_edge_width", valve.AtSegment(s), 20).SetAt("scallop_annular_width", valve.AtSegment(s), 20)
	}
	base := repair.NewExample().Assess("tee")
	base = scallop(scallop(base, valve.P1), valve.P2)
	base = resect(base.Plan(), "p1", valve.P1, 30)
	e := evaluated(resect(base, "p2", valve.P2, 15.5).Case())

	at := func(rule string, place valve.Place) *rules.Finding {
		i := slices.IndexFunc(e.Findings, func(f rules.Finding) bool { return f.Rule == rule && f.At.Place == place })
		if i < 0 {
			return nil
		}
		return &e.Findings[i]
	}
	root := at("resection-higher-than-leaflet", "step:p1")
	if root == nil || root.Root != "" {
		t.Fatalf("a piece of 30 mm out of a leaflet of 15 mm is a finding and a root: %+v", root)
	}
	if f := at("resection-takes-most-of-scallop", "step:p1"); f == nil || f.Root != root.ID {
		t.Errorf("what follows from the height of that piece stands beneath it: %+v", f)
	}
	if f := at("resection-takes-most-of-scallop", "step:p2"); f == nil || f.Root != "" {
		t.Errorf("another step is another cause: %+v", f)
	}
}

func TestGroupingIsFlat(t *testing.T) {
	findings := []rules.Finding{{ID: "c", Root: "b"}, {ID: "b", Root: "a"}, {ID: "a"}, {ID: "d"}}
	flatten(findings)
	for i, want := range []string{"a", "a", "", ""} {
		if findings[i].Root != want {
			t.Errorf("finding %s stands under %q, want %q", findings[i].ID, findings[i].Root, want)
		}
	}
}

func TestShareCause(t *testing.T) {
	removed := valve.Key{ID: "height_removed", Place: "step:s1", Occasion: valve.AtOperation, Role: valve.Measured}
	native := valve.Key{ID: "leaflet_height", Place: "p2/segment_mid", Occasion: "assessment/tte", Role: valve.Measured}
	f := func(o valve.Occasion, p valve.Place, keys ...valve.Key) *rules.Finding {
		out := &rules.Finding{At: metric.At{Occasion: o, Place: p}}
		for _, k := range keys {
			out.Inputs = append(out.Inputs, valve.InputValue{Key: k})
		}
		return out
	}
	rows := []struct {
		why  string
		a, b *rules.Finding
		want bool
	}{
		{"the same place", f("plan", "step:s1"), f("plan", "step:s1"), true},
		{"two steps", f("plan", "step:s1"), f("plan", "step:s2"), false},
		{"two pump runs", f("operation/run1", ""), f("operation/run2", ""), false},
		{"one value of the operation, judged at a field height and at the step", f("operation/run1/after_ring", "p2/segment_mid", removed), f("operation", "step:s1", removed), true},
		{"only a native height in common", f("operation", "step:s1", native), f("operation", "step:s2", native), false},
		{"plan and operation", f("plan", "step:s1", native), f("operation", "step:s1", native), false},
	}
	for _, r := range rows {
		if got := shareCause(r.a, r.b); got != r.want {
			t.Errorf("%s: %v, want %v", r.why, got, r.want)
		}
	}
}

// Findings about earlier states are folded: only what speaks of the last pump run
// or later is final.
func TestFinalState(t *testing.T) {
	rows := []struct {
		why      string
		occasion valve.Occasion
		c        *repair.Case
		want     bool
	}{
		{"the result on leaving theatre after the only run", "result/exit",
			repair.NewExample().Operation().Pump(repair.Run{Number: 1}).Result("exit", 1, valve.LeavingTheatre).Set("mean_gradient", 9).Case(), true},
		{"a result after run 1 of two", "result/off1",
			repair.NewExample().Operation().Pump(repair.Run{Number: 1}).Pump(repair.Run{Number: 2}).
				Result("off1", 1, valve.OffBypass).Set("mean_gradient", 9).
				Result("exit", 2, valve.LeavingTheatre).Set("mean_gradient", 3).Case(), false},
		{"the result after run 2 of two", "result/exit",
			repair.NewExample().Operation().Pump(repair.Run{Number: 1}).Pump(repair.Run{Number: 2}).
				Result("off1", 1, valve.OffBypass).Set("mean_gradient", 3).
				Result("exit", 2, valve.LeavingTheatre).Set("mean_gradient", 9).Case(), true},
		{"a run that only a step tells of", "result/off1",
			repair.NewExample().Operation().Step("s1", repair.EdgeToEdge).EditStep(func(s *repair.Step) { s.Run = 2 }).
				Result("off1", 1, valve.OffBypass).Set("mean_gradient", 9).Case(), false},
		{"a result whose run is not recorded", "result/exit",
			repair.NewExample().Operation().Pump(repair.Run{Number: 1}).Pump(repair.Run{Number: 2}).
				Result("exit", 0, valve.LeavingTheatre).Set("mean_gradient", 9).Case(), true},
		{"a follow-up", "follow_up/discharge",
			repair.NewExample().Operation().FollowUp("discharge").Set("mean_gradient", 9).Case(), true},
	}
	for _, r := range rows {
		t.Run(r.why, func(t *testing.T) {
			if f := finding(t, evaluated(r.c), "gradient-high", r.occasion); f.Final != r.want {
				t.Errorf("final is %v, want %v", f.Final, r.want)
			}
		})
	}
}

func TestPlanIsNeverTheFinalState(t *testing.T) {
	c := repair.NewExample().Assess("tte").Method(valve.Ruler).Height(valve.P2, 20).SD(0.5).
		Plan().Method(valve.Ruler).Step("p1", repair.HeightReduction, valve.P2).Dim("height_removed", 26).SD(0.5).
		Operation().Case()
	if finding(t, evaluated(c), "height-removed-not-below-height", valve.AtPlan).Final {
		t.Error("what is said of the plan is not said of the result")
	}
}

func TestOrderOfFindings(t *testing.T) {
	c := repair.NewExample().Operation().
		Result("exit", 1, valve.LeavingTheatre).Method(valve.Doppler).Set("mean_gradient", 9).Set("peak_gradient", 3).
		FollowUp("discharge").Method(valve.Doppler).Set("mean_gradient", 8).Set("peak_gradient", 12).Coaptation(2).Case()
	e := evaluated(c)
	if len(e.Findings) < 3 {
		t.Fatalf("only %d findings", len(e.Findings))
	}
	for i := 1; i < len(e.Findings); i++ {
		a, b := e.Findings[i-1], e.Findings[i]
		if severityRank(a.Severity) > severityRank(b.Severity) {
			t.Errorf("%s (%s) stands before %s (%s)", a.Rule, a.Severity, b.Rule, b.Severity)
		}
	}
}

// planCase is a case whose operation leaves out the planned step.
func planCase(change func(c *repair.Case)) *repair.Case {
	c := repair.NewExample().
		Plan().Step("p1", repair.CleftClosure, valve.P2).
		Operation().
		Edit(func(c *repair.Case) { c.Operation.Conversion = &repair.Conversion{Converted: valve.No} }).
		Case()
	change(c)
	return c
}

func TestTimingOfThePlan(t *testing.T) {
	rows := []struct {
		why    string
		change func(c *repair.Case)
		timing repair.Timing
		want   string // discrepancy that must be there
		under  string
	}{
		{"signed and received before incision", func(*repair.Case) {}, repair.Prospective, "step_omitted|p1", ""},
		{"received after incision", func(c *repair.Case) { c.Plans[0].Received = repair.Clock(20, 0) }, repair.LateArrival, "step_omitted|p1", ""},
		{"signed after incision", func(c *repair.Case) { c.Plan.SignedTime = repair.Clock(9, 0) }, repair.Retrospective, "step_omitted|p1", "no_plan_in_force"},
		{"never signed", func(c *repair.Case) { c.Plan.Signer = "" }, repair.Unsigned, "step_omitted|p1", "no_plan_in_force"},
		{"no plan", func(c *repair.Case) { c.Plan, c.Plans = nil, nil }, repair.NoPlan, "no_plan_in_force", ""},
		{"no incision time", func(c *repair.Case) { c.Operation.IncisionTime = time.Time{} }, repair.NoIncisionTime, "not_evaluable|plan", ""},
		{"two signed at the same time: the greater revision", func(c *repair.Case) {
			second := c.Plans[0]
			second.Revision, second.Plan = 2, &repair.Plan{Signer: "s1", SignedTime: c.Plan.SignedTime, StepsRecorded: valve.Complete,
				Steps: []repair.Step{{ID: "p9", Technique: repair.CleftClosure, Places: []repair.Location{{Boundary: valve.P1P2}}}}}
			c.Plans = []repair.PlanRevision{second, c.Plans[0]}
		}, repair.Prospective, "step_omitted|p9", ""},
	}
	for _, r := range rows {
		t.Run(r.why, func(t *testing.T) {
			e := evaluated(planCase(r.change))
			if e.InForce.Timing != r.timing {
				t.Errorf("timing %s, want %s", e.InForce.Timing, r.timing)
			}
			i := slices.IndexFunc(e.Discrepancies(), func(d discrepancy.Comparison) bool { return d.DiscrepancyID == r.want })
			if i < 0 || e.Discrepancies()[i].Parent != r.under {
				t.Errorf("want %s under %q in %+v", r.want, r.under, e.Discrepancies())
			}
		})
	}
}

// The outcome is judged by the tolerances in force when the operation came, and
// by the prediction stored for the revision in force.
func TestJudgedByWhatWasInForce(t *testing.T) {
	c := repair.NewExample().
		Plan().SetAt("leaflet_height", "p2/segment_mid", 13).
		Field(1, valve.AfterRing).SetAt("leaflet_height", "p2/segment_mid", 17).
		Result("exit", 1, valve.LeavingTheatre).Method(valve.Echo2D).Coaptation(4).Case()
	earlier := settings.BuiltIn("demo", "0", "UTC")
	earlier.PolicyHash = "earlier"
	earlier.Tolerances["leaflet_height"] = settings.Tolerance{Absolute: 5}
	stored := func(low float64) discrepancy.Prediction {
		return discrepancy.Prediction{Predicted: discrepancy.Predicted{Evaluation: 3}, Values: []metric.Value{{
			Key:   valve.Key{ID: metric.IDPredictedContact, Place: "a2_p2", Occasion: valve.AtPlan, Role: valve.PredictedFromPlan},
			State: metric.HasValue, Value: low + 5, Lower: units.Some(low), Upper: units.Some(low + 10),
		}}}
	}
	class := func(e Evaluation, class discrepancy.Class) (discrepancy.Verdict, string) {
		for _, d := range e.Discrepancies() {
			if d.Class == class {
				return d.Verdict, d.JudgedByVersion
			}
		}
		return "", ""
	}
	in := Input{Case: c, Settings: settings.BuiltIn("demo", "1", "UTC")}
	in.Settings.PolicyHash = "now"
	if v, version := class(Evaluate(in), discrepancy.OutsideSiteTolerance); v != discrepancy.Present || version != "now" {
		t.Errorf("4 mm are beyond the present tolerance: %q by %q", v, version)
	}
	if v, _ := class(Evaluate(in), discrepancy.OutsideInterval); v != discrepancy.NotJudged {
		t.Errorf("nothing is stored: %q", v)
	}
	in.Tolerances = &earlier
	in.Predictions = map[int64]discrepancy.Prediction{1: stored(6), 2: stored(0)}
	e := Evaluate(in)
	if v, _ := class(e, discrepancy.OutsideSiteTolerance); v != "" {
		t.Errorf("4 mm are within the tolerance of then: %q", v)
	}
	if v, version := class(e, discrepancy.OutsideInterval); v != discrepancy.Present || version != "3" {
		t.Errorf("4 mm lie below the interval stored for revision 1: %q by %q", v, version)
	}
	if e.PolicyHash != "now" {
		t.Errorf("the evaluation itself is by the present policy, not by %q", e.PolicyHash)
	}
}

// A plan that arrives with its outcome has no stored prediction; the present
// evaluation's own one serves. One that was in time has none.
func TestPredictionOfALateArrival(t *testing.T) {
	build := func(received time.Time) Evaluation {
		c := repair.NewExample().
			Assess("tee").Method(valve.Echo3D).Height(valve.A2, 25).Height(valve.P2, 14).
			EditStudy(func(s *repair.Study) { s.LesionsRecorded = valve.Complete }).
			Plan().Device("p1", repair.CompleteRing).Dim("ring_inner_antero_posterior_diameter", 28).
			SetAt("leaflet_height", "p2/segment_mid", 14).
			Operation().Device("s1", repair.CompleteRing).Dim("ring_inner_antero_posterior_diameter", 28).
			Result("exit", 1, valve.LeavingTheatre).Method(valve.Echo2D).Coaptation(30).Case()
		c.Plans[0].Received = received
		return evaluated(c)
	}
	verdict := func(e Evaluation) discrepancy.Verdict {
		for _, d := range e.Discrepancies() {
			if d.Class == discrepancy.OutsideInterval {
				return d.Verdict
			}
		}
		return ""
	}
	late := build(repair.Clock(20, 0))
	if v, _ := value(late, metric.IDPredictedContact, valve.AtPlan); v.State != metric.HasValue {
		t.Fatalf("the example must give a prediction from the plan: %+v", v)
	}
	if v := verdict(late); v != discrepancy.Present {
		t.Errorf("30 mm lie outside any interval of the model: %q", v)
	}
	if v := verdict(build(repair.DaysBefore(2))); v != discrepancy.NotJudged {
		t.Errorf("a plan that was in time is judged by what was stored then, and nothing was: %q", v)
	}
}

func TestSuggestionsNameWhatIsMissing(t *testing.T) {
	c := repair.NewExample().Assess("tte").Set("left_ventricular_end_diastolic_volume", 120).Case()
	e := evaluated(c)
	if !slices.ContainsFunc(e.Suggestions, func(s Suggestion) bool {
		return strings.Contains(strings.Join(s.Missing, " "), "left_ventricular_end_systolic_volume") && len(s.Metrics) > 0
	}) {
		t.Errorf("with the end-systolic volume more could be said: %+v", e.Suggestions)
	}
	for _, s := range e.Suggestions {
		if len(s.Missing) == 0 || len(s.Missing) > 2 {
			t.Errorf("a suggestion is of one or two numbers: %+v", s)
		}
	}
}

func TestEmptyCase(t *testing.T) {
	e := evaluated(&repair.Case{Measured: valve.Measurements{}})
	if len(e.Discrepancies()) != 0 || e.InForce.Timing != repair.NoPlan {
		t.Errorf("an empty case has no discrepancy and no plan: %+v", e)
	}
	for _, f := range e.Findings {
		if f.Severity == rules.Contradiction {
			t.Errorf("nothing contradicts itself in an empty case: %+v", f)
		}
	}
}

// The same case gives the same evaluation, and evaluating changes nothing in it.
func TestDeterminism(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		mean, peak := rapid.Float64Range(0, 20).Draw(t, "mean"), rapid.Float64Range(0, 30).Draw(t, "peak")
		native, removed := rapid.Float64Range(5, 30).Draw(t, "native"), rapid.Float64Range(0, 30).Draw(t, "removed")
		build := func() *repair.Case {
			return repair.NewExample().
				Assess("tte").Method(valve.Ruler).Height(valve.A2, 25).Height(valve.P2, native).
				Plan().Step("p1", repair.HeightReduction, valve.P2).Dim("height_removed", 6).
				Operation().Step("s1", repair.HeightReduction, valve.P2).Dim("height_removed", removed).
				Result("exit", 1, valve.LeavingTheatre).Method(valve.Doppler).Set("mean_gradient", mean).Set("peak_gradient", peak).Case()
		}
		c := build()
		first := evaluated(c)
		if !reflect.DeepEqual(first, evaluated(c)) {
			t.Fatal("two evaluations of one case differ")
		}
		if !reflect.DeepEqual(c, build()) {
			t.Fatal("evaluating a case has changed it")
		}
		for _, f := range first.Findings {
			for _, d := range f.Disputes {
				if _, there := c.Measured[d.Key]; !there {
					t.Fatalf("%s disputes a value that is not there", f.Rule)
				}
			}
			if f.Root != "" && !slices.ContainsFunc(first.Findings, func(o rules.Finding) bool { return o.ID == f.Root && o.Root == "" }) {
				t.Fatalf("%s stands under no root", f.Rule)
			}
		}
	})
}
