package convert

import (
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/discrepancy"
	"trigone/internal/evaluate"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/rules"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/testdata"

	trigonev1 "trigone/proto/trigone/v1"
)

// full gives an evaluation in which nothing is unset; the values are invented.
func full() *evaluate.Evaluation {
	in := func() []valve.InputValue {
		return []valve.InputValue{{
			Key:   valve.Key{ID: "mean_gradient", Place: "a2_p2", Occasion: "result/exit", Role: valve.Measured},
			Value: 3.5, Unit: units.MMHg,
		}}
	}
	limit := settings.Threshold{
		Name: "mean_gradient_high", Unit: units.MMHg, Value: 5, Inclusive: true, Owner: settings.Site,
		Lowest: 2, Highest: 15, Source: settings.SourceShabsigh2016, Summary: "summary",
	}
	return &evaluate.Evaluation{
		CatalogueVersion: "c", RuleSetVersion: "r", PolicyHash: "p", CalibrationID: "k",
		InForce: repair.InForce{Revision: &repair.PlanRevision{Revision: 3}, Timing: repair.Prospective, Explanation: "why"},
		Metrics: []metric.Value{{
			Key:    valve.Key{ID: "mean_gradient", Place: "a2_p2", Occasion: "result/exit", Role: valve.Derived},
			Method: valve.Doppler, Run: 2, Stage: valve.LeavingTheatre, State: metric.HasValue, Value: 3.5,
			SD: units.Some(0.5), Lower: units.Some(2.5), Upper: units.Some(4.5), Explanation: "with what",
			Inputs: in(), Missing: []string{"heart_rate"}, Band: "low", Absent: valve.AbsentNotPossible, Calibration: "k", Uncalibrated: units.Some(3.25),
		}},
		Findings: []rules.Finding{{
			ID: "f", Rule: "mean-gradient-high", Reference: "R46", Severity: rules.Caution, Kind: rules.Clinical, Message: "said", Advice: "do",
			At:     metric.At{Place: "a2_p2", Occasion: "result/exit", Role: valve.Measured, Run: 2, Stage: valve.LeavingTheatre},
			Inputs: in(), Facts: []rules.Fact{{Name: "n", Value: "v"}}, Limits: []settings.Threshold{limit}, Source: settings.SourceShabsigh2016,
			Disputes: in(), Questions: in(), Sections: []string{"result/exit"}, Root: "root", Final: true, Confirmed: true,
		}},
		Gaps: []rules.Gap{{Rule: "x", At: metric.At{Place: "p2", Occasion: "plan"}, Missing: []string{"m"}}},
		Comparisons: []discrepancy.Comparison{{
			ID: "c", Kind: discrepancy.KindAim, Class: discrepancy.TargetMissed, DiscrepancyID: "d", Verdict: discrepancy.Present, Message: "said",
			Thing: "aim:t", TargetID: "t", PlannedStepID: "a", PerformedStepID: "b", Metric: "mean_gradient", Place: "a2_p2", Occasion: "result/exit", Run: 2, Stage: valve.LeavingTheatre,
			Planned: "planned", Actual: "actual", PlannedValue: units.Some(4.0), ActualValue: units.Some(6.0), Difference: units.Some(2.0),
			PlannedSD: units.Some(0.25), ActualSD: units.Some(0.75), Lower: units.Some(2.0), Upper: units.Some(4.0),
			Unit: units.MMHg, Tolerance: units.Some(1.0), Margin: units.Some(1.5), Z: units.Some(2.5), Owner: settings.Site, LimitOnReading: true, AsTyped: true,
			NotApplicableBecause: "n", FormulaNumber: 1, MetricFormulaNumber: units.Some(2), Uncalibrated: units.Some(3.5),
			Predicted: &discrepancy.Predicted{Evaluation: 5, CatalogueVersion: "c", CalibrationID: "k", Role: valve.PredictedFromPlan},
			JudgedBy:  discrepancy.ByTarget, JudgedByVersion: "3", Method: valve.Doppler,
			Reason: "judgement", Parent: "parent", PlanRevised: true, Missing: []string{"m"},
		}},
		Replay:      evaluate.Exact,
		Suggestions: []evaluate.Suggestion{{Missing: []string{"a"}, Metrics: []valve.ID{"b"}, Occasion: "plan"}},
	}
}

// unset lists the fields of a message, and of those below it, that are unset or
// zero.
func unset(m protoreflect.Message, path string) []string {
	var list []string
	for i := range m.Descriptor().Fields().Len() {
		fd := m.Descriptor().Fields().Get(i)
		at := below(path, string(fd.Name()))
		switch {
		case !m.Has(fd):
			list = append(list, at)
		case fd.IsList() && fd.Message() != nil:
			for j := range m.Get(fd).List().Len() {
				list = append(list, unset(m.Get(fd).List().Get(j).Message(), at)...)
			}
		case fd.Message() != nil:
			list = append(list, unset(m.Get(fd).Message(), at)...)
		}
	}
	return list
}

// Every field of the answer is filled from an evaluation that has everything.
func TestEveryFieldOfAnEvaluationIsFilled(t *testing.T) {
	want := []string{"number", "time", "sections", "software_version", "left_out"} // the caller's
	if got := unset(Evaluation(full()).ProtoReflect(), ""); !slices.Equal(got, want) {
		t.Errorf("unset: %v, want %v", got, want)
	}
}

// Everything that an evaluation says is in its answer: whatever is taken away
// changes it, or is named here with the reason.
func TestEverythingOfAnEvaluationIsAnswered(t *testing.T) {
	elsewhere := map[string]string{
		"Finding.Reference": "stands in the rule's definition", "Finding.Facts": "are part of the fingerprint and of the sentence",
		"Fact.Name": "as Facts", "Fact.Value": "as Facts",
		"At.Role": "is told by the values read", "At.Run": "of a gap: in its occasion", "At.Stage": "of a gap: in its occasion",
		"Threshold.Lowest": "stands in the policy", "Threshold.Highest": "stands in the policy", "Threshold.Source": "is the rule's",
		"Threshold.Summary": "stands in the policy",
		// EvaluateAgain tells it beside the evaluation.
		"Evaluation.Replay": "is the answer's fidelity",
		// Only the revision's number is told; the revision itself is in the record.
		"PlanRevision.Received": "in the record", "PlanRevision.Plan": "in the record", "PlanRevision.Measured": "in the record",
	}
	whole := Evaluation(full())
	used := map[string]bool{}
	for i := 0; ; i++ {
		e := full()
		name, field := "", reflect.Value{}
		n := 0
		fields(reflect.ValueOf(e).Elem(), func(is string, v reflect.Value) {
			if n == i {
				name, field = is, v
			}
			n++
		})
		if i == n {
			break
		}
		if field.IsZero() {
			if used[name] = true; elsewhere[name] == "" {
				t.Errorf("%s is not set in the test's evaluation", name)
			}
			continue
		}
		field.SetZero()
		_, listed := elsewhere[name]
		switch same := proto.Equal(whole, Evaluation(e)); {
		case same && !listed:
			t.Errorf("%s is lost: answer it, or name the reason", name)
		case same:
			used[name] = true
		}
	}
	for name := range elsewhere {
		if !used[name] {
			t.Errorf("%s is named as told elsewhere and is answered", name)
		}
	}
}

// fields visits every field of a struct and of those below it: the first entry of
// a slice, what a pointer points to.
func fields(v reflect.Value, visit func(name string, field reflect.Value)) {
	for i := range v.NumField() {
		inner := v.Field(i)
		visit(v.Type().Name()+"."+v.Type().Field(i).Name, inner)
		for inner.Kind() == reflect.Slice && inner.Len() > 0 || inner.Kind() == reflect.Pointer && !inner.IsNil() {
			if inner.Kind() == reflect.Slice {
				inner = inner.Index(0)
			} else {
				inner = inner.Elem()
			}
		}
		// A value that may be missing, and a time, are one value each.
		if inner.Kind() == reflect.Struct && strings.HasPrefix(inner.Type().PkgPath(), "trigone/") && inner.Type().PkgPath() != "trigone/internal/units" {
			fields(inner, visit)
		}
	}
}

// A value is in the answer only where there is one; 0 is one.
func TestValuesAreAnsweredByTheirState(t *testing.T) {
	tests := []struct {
		state metric.State
		want  bool
	}{{metric.HasValue, true}, {metric.Disputed, true}, {metric.NotEvaluable, false}, {metric.NotApplicable, false}, {metric.Absent, false}}
	for _, tt := range tests {
		e := full()
		e.Metrics[0].State, e.Metrics[0].Value, e.Metrics[0].SD = tt.state, 0, units.None[float64]()
		m := Evaluation(e).GetMetrics()[0]
		if (m.Value != nil) != tt.want || m.StandardUncertainty != nil || Word(m.GetState()) != string(tt.state) {
			t.Errorf("%s: %v", tt.state, m)
		}
	}
}

func TestPlanInForceIsAnsweredIfItIs(t *testing.T) {
	for timing, want := range map[repair.Timing]int64{repair.Prospective: 3, repair.LateArrival: 3, repair.Retrospective: 0, repair.Unsigned: 0, repair.NoPlan: 0, repair.NoIncisionTime: 0} {
		e := full()
		e.InForce.Timing = timing
		if got := Evaluation(e).GetPlanInForce(); got.GetRevision() != want || Word(got.GetTiming()) != string(timing) {
			t.Errorf("%s: %v, want revision %d", timing, got, want)
		}
	}
}

func TestSourcesCitedAreGivenOnce(t *testing.T) {
	e := full()
	second, third := e.Findings[0], e.Findings[0]
	third.Source = settings.SourceArithmetic
	e.Findings = append(e.Findings, second, third)
	var got []string
	for _, s := range Evaluation(e).GetSources() {
		got = append(got, s.GetId())
		if s.GetCitation() == "" || s.GetStrength() == trigonev1.SourceStrength_SOURCE_STRENGTH_UNSPECIFIED {
			t.Errorf("source %v", s)
		}
	}
	if want := []string{"arithmetic", "shabsigh-2016"}; !slices.Equal(got, want) {
		t.Errorf("sources %v, want %v", got, want)
	}
}

// The invented cases through the whole house: every word of an answer is one of
// the contract, every unit a code, every finding's source is given.
func TestAnswersOfTheInventedCases(t *testing.T) {
	seen := 0
	for _, name := range testdata.Names(testdata.Cases) {
		file, err := testdata.Read(testdata.Cases, name)
		if err != nil {
			t.Fatal(err)
		}
		rec := record(file)
		rec.OperationReceived = time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
		e := evaluate.Evaluate(evaluate.Input{Case: Case(rec), Settings: settings.BuiltIn("harbour", "1", "Europe/London")})
		out := Evaluation(&e)
		if len(out.GetMetrics()) != len(e.Metrics) || len(out.GetFindings()) != len(e.Findings) || len(out.GetDiscrepancies()) != len(e.Discrepancies()) || len(out.GetComparisons()) != len(e.Comparisons) ||
			len(out.GetRuleGaps()) != len(e.Gaps) || len(out.GetSuggestions()) != len(e.Suggestions) {
			t.Errorf("%s: the answer is not complete", name)
		}
		for _, m := range out.GetMetrics() {
			seen++
			if m.GetRole() == 0 || m.GetState() == 0 || m.GetUnit() == "" || m.GetOccasion() == "" {
				t.Errorf("%s: %v", name, m)
			}
		}
		var given []string
		for _, s := range out.GetSources() {
			given = append(given, s.GetId())
		}
		for _, f := range out.GetFindings() {
			if f.GetSeverity() == 0 || f.GetKind() == 0 || f.GetMessage() == "" || f.GetOccasion() == "" || !slices.Contains(given, f.GetSource()) {
				t.Errorf("%s: %v", name, f)
			}
		}
		for _, d := range out.GetDiscrepancies() {
			if d.GetVerdict() == 0 || d.GetClass() == "" || d.GetMessage() == "" {
				t.Errorf("%s: %v", name, d)
			}
		}
		if out.GetPlanInForce().GetTiming() == 0 {
			t.Errorf("%s: no timing of the plan", name)
		}
	}
	if seen == 0 {
		t.Error("no metric value was answered")
	}
}

func TestDefinitions(t *testing.T) {
	catalogue := MetricDefinitions(false)
	withLeaves := MetricDefinitions(true)
	if len(catalogue.GetMetrics()) != len(metric.Metrics()) || len(withLeaves.GetMetrics()) != len(metric.Leaves())+len(metric.Metrics()) {
		t.Errorf("%d metrics, %d with leaves", len(catalogue.GetMetrics()), len(withLeaves.GetMetrics()))
	}
	ids := map[string]bool{}
	for _, d := range withLeaves.GetMetrics() {
		if ids[d.GetId()] || d.GetName() == "" || d.GetUnit() == "" || d.GetGrid() <= 0 {
			t.Errorf("definition %v", d)
		}
		ids[d.GetId()] = true
		if d.GetLeaf() != (d.GetFormula() == "") || d.GetLeaf() != (d.GetTier() != 0) {
			t.Errorf("%s: a leaf has a tier and no formula, a metric the other way round: %v", d.GetId(), d)
		}
		if (d.GetCode() == "") != (d.GetCodeSystem() == "") {
			t.Errorf("%s: half a code", d.GetId())
		}
	}
	if withLeaves.GetCatalogueVersion() != metric.CatalogueVersion {
		t.Errorf("version %q", withLeaves.GetCatalogueVersion())
	}

	sources := map[string]bool{}
	for _, s := range Sources().GetSources() {
		if s.GetCitation() == "" || s.GetStrength() == 0 || sources[s.GetId()] {
			t.Errorf("source %v", s)
		}
		sources[s.GetId()] = true
	}
	s := settings.BuiltIn("harbour", "1", "Europe/London")
	limit := s.Threshold(settings.GradientHigh)
	limit.Value, limit.Owner = 6, settings.Site
	s.Thresholds[settings.GradientHigh] = limit
	answer := RuleDefinitions(s, nil)
	if len(answer.GetRules()) != len(rules.All()) || answer.GetRuleSetVersion() != rules.SetVersion {
		t.Errorf("%d rules of version %q", len(answer.GetRules()), answer.GetRuleSetVersion())
	}
	siteLimit := false
	for _, r := range answer.GetRules() {
		if r.GetId() == "" || r.GetSummary() == "" || r.GetSeverity() == 0 || r.GetKind() == 0 || r.GetSince() == "" || !sources[r.GetSource()] {
			t.Errorf("rule %v", r)
		}
		for _, l := range r.GetLimits() {
			if l.GetThreshold() == settings.GradientHigh && l.GetValue() == 6 && l.GetOwner() == trigonev1.LimitOwner_LIMIT_OWNER_SITE {
				siteLimit = true
			}
		}
	}
	if !siteLimit {
		t.Error("no rule shows the limit that the site set")
	}
}
