package metric

import (
	"slices"
	"strings"
	"testing"

	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

func tee() *repair.Example { return repair.NewExample().Assess("tee").Method(valve.Echo3D) }

// What the final height of P2 is, at the plan and after each run. The numbers
// are arithmetic; w²/(8h) is derived (20 mm wide in 20 mm: 2.5 mm).
func TestFinalPosteriorHeight(t *testing.T) {
	edges := []string{"leaflet_height at p2/seam_lateral_edge", "leaflet_height at p2/seam_medial_edge"}
	const atPlan = 0
	rows := []struct {
		why     string
		c       *repair.Example
		run     int
		want    float64 // 0: not evaluable
		missing []string
	}{
		{"no step lowers it: native", tee().Height(valve.P2, 25).Plan().Device("r", repair.CompleteRing), atPlan, 25, nil},
		{"artificial chords lower nothing", tee().Height(valve.P2, 25).Plan().Step("c", repair.ArtificialChord, valve.P2), atPlan, 25, nil},
		{"a height that is planned goes before arithmetic", tee().Height(valve.P2, 25).Plan().Height(valve.P2, 15).
			Step("h", repair.HeightReduction, valve.P2).Dim("height_removed", 8), atPlan, 15, nil},
		{"native less what is removed", tee().Height(valve.P2, 25).Plan().
			Step("h", repair.HeightReduction, valve.P2).Dim("height_removed", 8), atPlan, 17, nil},
		{"of another segment: not P2", tee().Height(valve.P2, 25).Plan().
			Step("h", repair.HeightReduction, valve.P1).Dim("height_removed", 8), atPlan, 25, nil},
		{"a closed triangle stands higher", tee().Height(valve.P2, 20).Plan().
			Resect("t", repair.Triangular, valve.P2).Dim("resection_free_edge_width", 20), atPlan, 22.5, nil},
		{"its width is missing", tee().Height(valve.P2, 20).Plan().Resect("t", repair.Triangular, valve.P2), atPlan, 0,
			[]string{"resection_free_edge_width at step:t of plan"}},
		{"a step with a condition is not counted on", tee().Height(valve.P2, 25).Plan().
			Step("h", repair.HeightReduction, valve.P2).Dim("height_removed", 8).
			EditStep(func(s *repair.Step) { s.Condition = "excess_height" }), atPlan, 25, nil},
		{"down to the annulus: never the native height", tee().Height(valve.P2, 25).Plan().
			Resect("q", repair.Quadrangular, valve.P2), atPlan, 0, edges},
		{"a triangle down to the annulus likewise", tee().Height(valve.P2, 25).Plan().Resect("t", repair.Triangular, valve.P2).
			Dim("resection_free_edge_width", 12).
			EditStep(func(s *repair.Step) { s.Resection.ToAnnulus = valve.Yes }), atPlan, 0, edges},
		{"a shape that is not recorded likewise", tee().Height(valve.P2, 25).Plan().Resect("x", "", valve.P2), atPlan, 0, edges},
		{"a place that is not recorded likewise", tee().Height(valve.P2, 25).Plan().
			Step("h", repair.HeightReduction).Dim("height_removed", 8), atPlan, 0, edges},
		{"a sliding plasty likewise", tee().Height(valve.P2, 25).Plan().Step("s", repair.SlidingPlasty), atPlan, 0, edges},
		{"its planned seam edges give their mean", tee().Height(valve.P2, 25).Plan().Resect("q", repair.Quadrangular, valve.P2).
			HeightAt(valve.P2, valve.SeamLateralEdge, 12).HeightAt(valve.P2, valve.SeamMedialEdge, 13), atPlan, 12.5, nil},
		{"one edge is not enough", tee().Height(valve.P2, 25).Plan().Resect("q", repair.Quadrangular, valve.P2).
			HeightAt(valve.P2, valve.SeamLateralEdge, 12), atPlan, 0, edges},
		{"no native height", tee().Height(valve.A2, 25).Plan().Device("r", repair.CompleteRing), atPlan, 0,
			[]string{"leaflet_height at p2/segment_mid of assessment/tee"}},
		{"nothing is left", tee().Height(valve.P2, 6).Plan().Step("h", repair.HeightReduction, valve.P2).Dim("height_removed", 6), atPlan, 0, nil},

		{"measured in the field", tee().Height(valve.P2, 25).Operation().Resect("q", repair.Quadrangular, valve.P2).
			Field(1, valve.AfterLeafletWork).Height(valve.P2, 14), 1, 14, nil},
		{"the seam goes before the middle", tee().Operation().Resect("q", repair.Quadrangular, valve.P2).
			Field(1, valve.AfterRing).Height(valve.P2, 14).HeightAt(valve.P2, valve.Seam, 13), 1, 13, nil},
		{"the closed seam goes before its edges", tee().Operation().Resect("q", repair.Quadrangular, valve.P2).
			Field(1, valve.AfterRing).HeightAt(valve.P2, valve.Seam, 13).
			HeightAt(valve.P2, valve.SeamLateralEdge, 11).HeightAt(valve.P2, valve.SeamMedialEdge, 12), 1, 13, nil},
		{"measured in both runs: the last one counts", tee().Operation().Step("c", repair.ArtificialChord, valve.P2).
			Field(1, valve.AfterRing).Height(valve.P2, 17).Field(2, valve.AfterLeafletWork).Height(valve.P2, 14), 2, 14, nil},
		{"and does not reach back to run 1", tee().Operation().Step("c", repair.ArtificialChord, valve.P2).
			Field(1, valve.AfterRing).Height(valve.P2, 17).Field(2, valve.AfterLeafletWork).Height(valve.P2, 14), 1, 17, nil},
		{"the field goes before an echo of the same run", tee().Operation().Step("c", repair.ArtificialChord, valve.P2).
			Field(1, valve.AfterRing).Height(valve.P2, 14).Result("exit", 1, valve.LeavingTheatre).Height(valve.P2, 16), 1, 14, nil},
		{"the native height of the field is not final", tee().Height(valve.P2, 25).
			Operation().Step("h", repair.HeightReduction, valve.P2).Dim("height_removed", 8).
			Field(1, valve.Native).Height(valve.P2, 23), 1, 15, nil},
		{"an echo after the run", tee().Height(valve.P2, 25).Operation().Resect("q", repair.Quadrangular, valve.P2).
			Result("exit", 1, valve.OffBypass).Height(valve.P2, 15), 1, 15, nil},
		{"an echo after a later run says nothing of run 1", tee().Height(valve.P2, 25).Operation().Resect("q", repair.Quadrangular, valve.P2).
			Result("exit", 2, valve.OffBypass).Height(valve.P2, 15), 1, 0, edges},
		{"after run 1 of two: the long leaflet", secondRun(), 1, 24, nil},
		{"after run 2: shortened from what run 1 left", secondRun(), 2, 15, nil},
		{"what lowered it was taken down since", tee().Height(valve.P2, 25).Operation().
			Step("h", repair.HeightReduction, valve.P2).Dim("height_removed", 8).
			EditStep(func(s *repair.Step) { s.Fate, s.TakenDownInRun = repair.TakenDown, 2 }).
			Step("g", repair.HeightReduction, valve.P2).Dim("height_removed", 5).EditStep(func(s *repair.Step) { s.Run = 2 }).
			Field(1, valve.AfterRing).Height(valve.P2, 17), 2, 0, []string{"leaflet_height at p2/segment_mid"}},
	}
	for _, row := range rows {
		t.Run(row.why, func(t *testing.T) {
			v := one(t, row.c.Case(), FinalPosteriorHeightKey(row.run == atPlan, row.run))
			if row.want > 0 {
				if v.State != HasValue || v.Value != row.want {
					t.Errorf("%s %v, missing %v, want %v", v.State, v.Value, v.Missing, row.want)
				}
				return
			}
			if v.State != NotEvaluable || v.Explanation == "" || len(v.Missing) != len(row.missing) {
				t.Fatalf("%s %v, missing %v: %s", v.State, v.Value, v.Missing, v.Explanation)
			}
			for i, want := range row.missing {
				if !strings.HasPrefix(v.Missing[i], want) {
					t.Errorf("missing %q, want %q", v.Missing[i], want)
				}
			}
		})
	}
}

// secondRun: chords first, the untouched posterior leaflet then shortened in a
// second run because of systolic anterior motion.
func secondRun() *repair.Example {
	return tee().Height(valve.A2, 30).Height(valve.P2, 25).
		Operation().Step("c", repair.ArtificialChord, valve.P2).
		Step("h", repair.HeightReduction, valve.P2).Dim("height_removed", 9).EditStep(func(s *repair.Step) { s.Run = 2 }).
		Field(1, valve.AfterLeafletWork).Method(valve.Ruler).Height(valve.P2, 24)
}

func TestReplacedValveHasNoFinalHeight(t *testing.T) {
	c := tee().Height(valve.P2, 25).Operation().Device("r", repair.CompleteRing).
		EditOperation(func(o *repair.Operation) { o.Conversion = &repair.Conversion{Converted: valve.Yes} }).Case()
	for _, k := range []valve.Key{FinalPosteriorHeightKey(false, 1), FinalHeightRatioKey(false, 1), PredictedContactKey(false)} {
		if v := one(t, c, k); v.State != NotApplicable || !strings.Contains(v.Explanation, "the valve was replaced") {
			t.Errorf("%s: %s %q", k, v.State, v.Explanation)
		}
	}
}

func TestFinalHeightRatio(t *testing.T) {
	c := secondRun().Case()
	for run, want := range map[int]float64{1: 1.25, 2: 2} { // 30/24, 30/15
		v := one(t, c, FinalHeightRatioKey(false, run))
		if v.Value != want {
			t.Errorf("after run %d %v, want %v (%s)", run, v.Value, want, v.Explanation)
		}
		if !strings.Contains(v.Explanation, "methods differ (echo 3d and ruler)") {
			t.Errorf("the explanation hides that methods differ: %s", v.Explanation)
		}
		if v.Method != "" {
			t.Errorf("a value of two methods is said to be by %s", v.Method)
		}
	}
}

// Which study gives a native value.
func TestNativeValue(t *testing.T) {
	at := func(days int) func(*repair.Study) {
		return func(s *repair.Study) { s.Time = repair.DaysBefore(days) }
	}
	build := func() *repair.Example {
		return repair.NewExample().
			Assess("old").Method(valve.Echo3D).EditStudy(at(30)).Height(valve.A2, 25).
			Assess("new").Method(valve.Echo2D).EditStudy(at(1)).Height(valve.A2, 27).
			Assess("empty").EditStudy(at(0)).
			Operation().Field(1, valve.Native).Method(valve.Ruler).Height(valve.A2, 29)
	}
	planned := build().Plan().Edit(func(c *repair.Case) { c.Plan.AssessmentIDs = []string{"old"} }).Case()
	mid := valve.AtStation(valve.A2, "")
	rows := []struct {
		why     string
		c       *repair.Case
		forPlan bool
		prefer  valve.Method
		want    valve.Occasion
	}{
		{"for the operation the field goes first", build().Case(), false, "", "operation/run1/native"},
		{"for a plan the newest assessment with the value", build().Case(), true, "", "assessment/new"},
		{"the assessment that the plan rests on", planned, true, "", "assessment/old"},
		{"the same method as the posterior height", build().Case(), false, valve.Echo3D, "assessment/old"},
		{"a method that nobody used", build().Case(), false, valve.CT, "operation/run1/native"},
		{"no value anywhere: where it would be looked for", build().Edit(func(c *repair.Case) { c.Measured = nil }).Case(), true, "", "assessment/empty"},
		{"no study at all", &repair.Case{}, true, "", "assessment"},
	}
	for _, row := range rows {
		if k := native(row.c, valve.LeafletHeight, mid, row.forPlan, row.prefer); k.Occasion != row.want {
			t.Errorf("%s: %s, want %s", row.why, k.Occasion, row.want)
		}
	}
}

// Values of one systole and one diastole are no pair; what is not stated is.
func TestPhasesOfAPair(t *testing.T) {
	for _, row := range []struct {
		first, second valve.CardiacPhase
		want          State
	}{
		{valve.EndSystole, valve.EndSystole, HasValue},
		{valve.EndSystole, valve.MidSystole, HasValue},
		{valve.EndSystole, "", HasValue},
		{valve.EndSystole, valve.EndDiastole, NotEvaluable},
	} {
		c := repair.NewExample().Assess("tte").
			Context(valve.Context{Method: valve.Echo3D, Phase: row.first}).Set(valve.AnnulusAnteroPosteriorDiameter, 29).
			Context(valve.Context{Method: valve.Echo3D, Phase: row.second}).Set(valve.AnnulusIntercommissuralDiameter, 39).Case()
		v := one(t, c, atTTE(IDAnnulusDiameterRatio))
		if v.State != row.want || (row.want == NotEvaluable) != strings.Contains(v.Explanation, "systole") || v.State == NotEvaluable && v.Value != 0 {
			t.Errorf("%q and %q: %s, %s", row.first, row.second, v.State, v.Explanation)
		}
	}
}

func TestRing(t *testing.T) {
	at := performed(IDRingOrifice, "r")
	ring := func(kind string) *repair.Example { return repair.NewExample().Operation().Device("r", kind) }
	rows := []struct {
		why   string
		c     *repair.Example
		state State
		value float64
		says  string
	}{
		{"a band encloses nothing", ring(repair.PosteriorBand).Dim(valve.RingOrificeArea, 7), NotApplicable, 0, "posterior band"},
		{"kind not recorded", ring("").Dim(valve.RingOrificeArea, 7), NotEvaluable, 0, "not recorded"},
		{"given and consistent", ring(repair.CompleteRing).Dim(valve.RingOrificeArea, 7.3).Dim(valve.RingInnerAnteroPosteriorDiameter, 26).Dim(valve.RingInnerTransverseDiameter, 34), HasValue, 7.3, "as given"},
		{"given in outer dimensions", ring(repair.CompleteRing).Dim(valve.RingOrificeArea, 9.8).Dim(valve.RingInnerAnteroPosteriorDiameter, 26).Dim(valve.RingInnerTransverseDiameter, 34), HasValue, 9.8, "does not fit"},
		{"from the diameters", ring(repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 26).Dim(valve.RingInnerTransverseDiameter, 34), HasValue, 6.94, "ellipse"},
	}
	for _, row := range rows {
		v := one(t, row.c.Case(), at)
		if v.State != row.state || v.Value != row.value || !strings.Contains(v.Explanation, row.says) {
			t.Errorf("%s: %s %v, %s", row.why, v.State, v.Value, v.Explanation)
		}
	}
}

// Formulas that do not hold say so.
func TestNotApplicable(t *testing.T) {
	leaking := inflowAndOutflow().EditStudy(func(s *repair.Study) { s.AorticGrade = repair.Grade{Scheme: repair.FiveStep, Value: "moderate"} }).Case()
	mild := inflowAndOutflow().EditStudy(func(s *repair.Study) { s.AorticGrade = repair.Grade{Scheme: repair.FiveStep, Value: "mild"} }).Case()
	if v := one(t, leaking, atTTE(IDVolumeFromInflow)); v.State != NotApplicable || v.Value != 0 {
		t.Errorf("moderate aortic regurgitation: %s %v", v.State, v.Value)
	}
	if v := one(t, mild, atTTE(IDVolumeFromInflow)); v.State != HasValue || strings.Contains(v.Explanation, "aortic") {
		t.Errorf("mild aortic regurgitation: %s, %s", v.State, v.Explanation)
	}
	if v := one(t, inflowAndOutflow().Case(), atTTE(IDVolumeFromInflow)); !strings.Contains(v.Explanation, "aortic regurgitation is not recorded") {
		t.Errorf("aortic regurgitation not recorded: %s", v.Explanation)
	}
	for name, c := range map[string]*repair.Case{
		"aliasing 30 cm/s": tte().Set(valve.ProximalIsovelocityRadius, 6).Set(valve.AliasingVelocity, 30.8).Set(valve.RegurgitationPeakVelocity, 500).Case(),
		"jet 600 cm/s":     tte().Set(valve.ProximalIsovelocityRadius, 6).Set(valve.AliasingVelocity, 40).Set(valve.RegurgitationPeakVelocity, 600).Case(),
	} {
		// r²/2 would give 0.18 where the full formula gives 0.13 (own vector).
		if v := one(t, c, atTTE(IDSimplifiedOrifice)); v.State != NotApplicable || v.Value != 0 || v.Band != "" {
			t.Errorf("%s: %s %v", name, v.State, v.Value)
		}
	}
	late := convergence().EditStudy(func(s *repair.Study) { s.Timing = "mid_late" }).Case()
	if v := one(t, late, atTTE(IDOrificeByConvergence)); !strings.Contains(v.Explanation, "overstates") {
		t.Errorf("mid-late regurgitation: %q", v.Explanation)
	}
	zero := tte().Set(valve.LeftVentricularEndDiastolicVolume, 0).Set(valve.LeftVentricularEndSystolicVolume, 0).Case()
	if v := one(t, zero, atTTE(IDEjectionFraction)); v.State != NotEvaluable || !strings.Contains(v.Explanation, "recorded as 0") {
		t.Errorf("0 of 0: %s %v", v.State, v.Value)
	}
}

func TestKeys(t *testing.T) {
	c := richCase().Case()
	values := Compute(c, builtIn())
	for _, k := range []valve.Key{
		FinalPosteriorHeightKey(true, 0), FinalPosteriorHeightKey(false, 1), FinalHeightRatioKey(true, 0), FinalHeightRatioKey(false, 1),
		PredictedContactKey(true), PredictedContactKey(false),
	} {
		if v, ok := find(values, k); !ok || v.State != HasValue {
			t.Errorf("no value under %s: %s", k, v.Explanation)
		}
	}
	k, ok := ExitCoaptationKey(c)
	if m := c.Measured[k]; !ok || m.Value != units.Some(8.0) {
		t.Errorf("exit coaptation %v, %v", k, ok)
	}
	if _, ok := ExitCoaptationKey(&repair.Case{}); ok {
		t.Error("an exit without a study")
	}
	without := c.WithMeasured(c.Measured.Without([]valve.Key{k}))
	if _, ok := ExitCoaptationKey(without); ok {
		t.Error("an exit coaptation without a value")
	}
	// Two metrics never answer under one key.
	keys := make([]valve.Key, len(values))
	for i, v := range values {
		keys[i] = v.Key
	}
	slices.SortFunc(keys, valve.Key.Compare)
	if len(slices.Compact(keys)) != len(values) {
		t.Error("two values under one key")
	}
}

// The anterior height is taken by the method of the posterior one where both
// exist, although a newer one by another method does.
func TestPairPrefersOneMethod(t *testing.T) {
	c := repair.NewExample().
		Assess("tee").Method(valve.Echo3D).EditStudy(func(s *repair.Study) { s.Time = repair.DaysBefore(9) }).
		Height(valve.A2, 26).Height(valve.P2, 20).
		Assess("tte").Method(valve.Echo2D).EditStudy(func(s *repair.Study) { s.Time = repair.DaysBefore(1) }).
		Height(valve.A2, 30).
		Plan().Device("r", repair.CompleteRing).Case()
	v := one(t, c, FinalHeightRatioKey(true, 0))
	if v.Value != 1.3 || v.Method != valve.Echo3D || strings.Contains(v.Explanation, "differ") {
		t.Errorf("%v by %q, %s", v.Value, v.Method, v.Explanation)
	}
}
