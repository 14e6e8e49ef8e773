package metric

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var middleSlice = valve.AtSlice(valve.A2P2)

// modelCase is the worked valve: A2 26, P2 16, diameter 25 mm, planned and
// implanted; depth and standard deviations where they are above 0. Left theatre
// with a coaptation of 5 mm.
func modelCase(depth, sdA, sdP float64) *repair.Example {
	e := tee().EditStudy(func(s *repair.Study) { s.LesionsRecorded = valve.Complete }).Height(valve.A2, 26)
	if sdA > 0 {
		e.SD(sdA)
	}
	e.Height(valve.P2, 16)
	if sdP > 0 {
		e.SD(sdP)
	}
	if depth > 0 {
		e.SetAt(valve.CoaptationDepth, middleSlice, depth)
	}
	return e.Plan().Device("planned", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 25).
		Operation().Device("done", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 25).
		Result("exit", 1, valve.LeavingTheatre).Method(valve.Echo2D).Coaptation(5)
}

// heldCase: the same valve with artificial chords on P2, the line found at a share
// (percent) of the diameter; 0: not measured.
func heldCase(depth, share float64) *repair.Example {
	e := modelCase(depth, 0, 0)
	if share > 0 {
		e.SetAt(valve.AnteriorClosureShare, middleSlice, share)
	}
	return e.Operation().Step("chords", repair.ArtificialChord, valve.P2)
}

// aimed: the worked valve with a coaptation target of 8 mm or more on a ring, and a
// closure line at two thirds or farther.
func aimed(ring float64, high units.Maybe[float64]) *repair.Example {
	return tee().Height(valve.A2, 26).Height(valve.P2, 16).
		Plan().Device("planned", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, ring).
		Edit(func(c *repair.Case) {
			c.Plan.Targets = []repair.Target{{ID: "t", Leaf: "coaptation_length", Place: middleSlice, Low: units.Some(8.0), High: high},
				{ID: "line", Leaf: valve.AnteriorClosureShare, Place: middleSlice, Low: units.Some(66.7)}}
		})
}

func noHigh() units.Maybe[float64] { return units.None[float64]() }

func shapedRing() *repair.Example {
	return tee().Height(valve.A2, 26).Height(valve.P2, 16).Plan().Device("planned", repair.CompleteRing).
		Dim(valve.RingInnerAnteroPosteriorDiameter, 26).Dim(valve.RingInnerTransverseDiameter, 34).Dim(valve.RingOrificeArea, 7.3)
}

func sidePlan(id valve.ID) valve.Key {
	return valve.Key{ID: id, Place: valve.AtSlice(valve.A1P1), Occasion: valve.AtPlan, Role: valve.PredictedFromPlan}
}

func predictionExamples() []example {
	fromPlan := func(id valve.ID) valve.Key { return withID(PredictedContactKey(true), id) }
	done := func(id valve.ID) valve.Key { return withID(PredictedContactKey(false), id) }
	exit := func(id valve.ID) valve.Key {
		return valve.Key{ID: id, Place: middleSlice, Occasion: "result/exit", Role: valve.Derived}
	}
	depth := map[valve.ID]string{valve.CoaptationDepth: otherWay}
	outcome := map[valve.ID]string{valve.CoaptationDepth: otherWay, "coaptation_length": silent}
	shape := map[valve.ID]string{valve.RingOrificeArea: silent}
	return []example{
		{key: fromPlan(IDPredictedContact), c: modelCase(3, 0, 0), want: 8.08, without: depth, from: own + "a 26, p 16, d 25, h 3"},
		{key: fromPlan(IDPredictedOverlap), c: modelCase(3, 0, 0), want: 8.08, without: depth, from: own + "the same: both tips level"},
		{key: done(IDPredictedOverlap), c: heldCase(4, 60), want: 5.23, without: depth, from: own + "h 4, line held at .60"},
		{key: done(IDUnsupportedAnteriorTip), c: heldCase(4, 60), want: 5.25, without: depth, from: own + "10.48 − 5.23"},
		{key: sidePlan(IDSliceDiameter), c: shapedRing(), want: 20.25, without: shape, from: own + "26·(1 − .7ⁿ)^(1/n), n 2.310 of 26 by 34 mm and 730 mm2"},
		{key: sidePlan(IDSideToMiddle), c: shapedRing(), want: 0.779, without: shape, from: own + "the same over 26"},
		{key: fromPlan(IDLowestPosterior), c: aimed(26, noHigh()), want: 16.0, from: own + "planning window, d 26"},
		{key: fromPlan(IDHighestPosterior), c: aimed(26, noHigh()), want: 17.3, from: own + "planning window, d 26"},
		{key: fromPlan(IDLargestRing), c: aimed(26, noHigh()), want: 26.0, from: own + "d_max"},
		{key: fromPlan(IDRequiredAnterior), c: aimed(25, noHigh()), want: 24.7, from: own + "a_required, d 25"},
		{key: exit(IDZFromPlan), c: modelCase(3, 0, 0), want: -1.15, band: outsideExpected, without: outcome,
			from: own + "(5 − 8.1)/√(2.41² + 1.2²)"},
		{key: exit(IDZFromExecution), c: modelCase(3, 0, 0), want: -1.15, band: outsideExpected, without: outcome, from: own + "the same"},
	}
}

// The whole chain from record to metric gives the vectors of the closure model:
// depths of the free form, and the held line at a depth of 4 mm.
func TestClosureVectorsThroughTheCatalogue(t *testing.T) {
	for depth, want := range map[float64]float64{0: 8.5, 2: 8.3, 3: 8.1, 4: 7.8, 5: 7.4, 8: 5.8, 10: 4.4} {
		for _, id := range []valve.ID{IDPredictedContact, IDPredictedOverlap} {
			if v := one(t, modelCase(depth, 0, 0).Case(), withID(PredictedContactKey(true), id)); v.Value != want {
				t.Errorf("%s at depth %v: %v, want %v", id, depth, v.Value, want)
			}
		}
	}
	for share, want := range map[float64]struct{ overlap, tip float64 }{60: {5.2, 5.2}, 70: {7.5, 0.5}, 80: {5.6, 0}} {
		c := heldCase(4, share).Case()
		if v := one(t, c, PredictedOverlapKey(false)); v.Value != want.overlap {
			t.Errorf("line at %v %%: overlap %v, want %v", share, v.Value, want.overlap)
		}
		if v := one(t, c, withID(PredictedOverlapKey(false), IDUnsupportedAnteriorTip)); v.Value != want.tip {
			t.Errorf("line at %v %%: tip %v, want %v", share, v.Value, want.tip)
		}
		// Own range: the mean stays 7.6 to 7.9 while the overlap falls to 5.2.
		if v := one(t, c, PredictedContactKey(false)); v.Value < 7.6 || v.Value > 7.9 {
			t.Errorf("line at %v %%: mean %v", share, v.Value)
		}
	}
}

// The depth that the plan expects goes before the one measured before the repair,
// in the prediction from the plan alone: the same vectors, whatever was measured.
func TestExpectedDepthGoesBeforeTheNativeOne(t *testing.T) {
	expecting := func(native, depth float64) *repair.Case {
		return modelCase(native, 0, 0).Edit(func(c *repair.Case) {
			k := valve.Key{ID: valve.CoaptationDepth, Place: middleSlice, Occasion: valve.AtPlan, Role: valve.Planned}
			c.Measured[k] = valve.Measurement{Value: units.Some(depth)}
		}).Case()
	}
	for depth, want := range map[float64]float64{0: 8.5, 3: 8.1, 8: 5.8} {
		v := one(t, expecting(5, depth), PredictedContactKey(true))
		if v.Value != want || !strings.Contains(v.Explanation, "as the plan expects it") || strings.Contains(v.Explanation, "before the repair") {
			t.Errorf("expected depth %v: %v, want %v; %s", depth, v.Value, want, v.Explanation)
		}
	}
	done, without := one(t, expecting(5, 8), PredictedContactKey(false)), one(t, modelCase(5, 0, 0).Case(), PredictedContactKey(false))
	if done.State != without.State || done.Value != without.Value {
		t.Errorf("what was done is predicted at %v, and at %v without an expectation", done.Value, without.Value)
	}
}

// Own table: d 22, 24, 26, 28 with a 26 and a target of 8 mm; at 28 it is empty.
// Its highest there is 16.7 for two thirds; the site's 66.7 % gives 16.65.
func TestPlanningWindowThroughTheCatalogue(t *testing.T) {
	for ring, want := range map[float64][2]float64{22: {12, 18.7}, 24: {14, 18}, 26: {16, 17.3}, 28: {18, 16.6}} {
		c := aimed(ring, noHigh()).Case()
		low := one(t, c, withID(PredictedContactKey(true), IDLowestPosterior))
		high := one(t, c, withID(PredictedContactKey(true), IDHighestPosterior))
		if low.Value != want[0] || high.Value != want[1] {
			t.Errorf("ring %v: %v to %v, want %v", ring, low.Value, high.Value, want)
		}
		if empty := strings.Contains(low.Explanation, "no height of P2 meets both"); empty != (want[0] > want[1]) {
			t.Errorf("ring %v: %s", ring, low.Explanation)
		}
	}
	// Two-sided: at most 9 mm of coaptation is 2·9 + 22 − 26 = 14 mm of height.
	v := one(t, aimed(22, units.Some(9.0)).Case(), withID(PredictedContactKey(true), IDHighestPosterior))
	if v.Value != 14 || !strings.Contains(v.Explanation, "upper end of the coaptation target") {
		t.Errorf("bounded by the target: %v, %s", v.Value, v.Explanation)
	}
	// The plan's own share: 26 − (1.5 − 1)·22 = 15.
	c := aimed(22, noHigh()).Case()
	c.Plan.Targets[1].Low = units.Some(75.0)
	if v := one(t, c, withID(PredictedContactKey(true), IDHighestPosterior)); v.Value != 15 {
		t.Errorf("three quarters: %v, want 15", v.Value)
	}
	// A line that the plan does not aim at binds nothing: it is told beside.
	c = aimed(22, units.Some(12.0)).Case()
	c.Plan.Targets = c.Plan.Targets[:1]
	v = one(t, c, withID(PredictedContactKey(true), IDHighestPosterior))
	if v.Value != 20 || !strings.Contains(v.Explanation, "beside it, for the plan aims at no closure line and no source of the limit was read: P2 of at most 18.7 mm") {
		t.Errorf("without an aim of the line: %v, %s", v.Value, v.Explanation)
	}
	c.Plan.Targets[0].High = noHigh()
	for id, want := range map[valve.ID]State{IDLowestPosterior: HasValue, IDLargestRing: HasValue, IDHighestPosterior: NotApplicable, IDRequiredAnterior: NotApplicable} {
		if v := one(t, c, withID(PredictedContactKey(true), id)); v.State != want {
			t.Errorf("without an upper end or a line %s is %s: %s", id, v.State, v.Explanation)
		}
	}
	// Chords hold the line: nothing is said; without a target nothing is asked.
	c = aimed(22, noHigh()).Plan().Step("ch", repair.ArtificialChord, valve.A2).Case()
	if v := one(t, c, withID(PredictedContactKey(true), IDLowestPosterior)); v.State != NotApplicable {
		t.Errorf("with chords: %s", v.State)
	}
	if _, ok := find(Compute(modelCase(0, 0, 0).Case(), builtIn()), withID(PredictedContactKey(true), IDLowestPosterior)); ok {
		t.Error("a window without a target")
	}
}

// With chords and without a measured line the mean is given and the overlap is
// unknown; nothing is judged by it.
func TestUnknownLineLeavesTheOverlapUnknown(t *testing.T) {
	c := heldCase(0, 0).Case()
	if v := one(t, c, PredictedContactKey(false)); v.State != HasValue || !strings.Contains(v.Explanation, "overlap that echo sees is unknown") {
		t.Errorf("mean: %s, %s", v.State, v.Explanation)
	}
	z, _ := CoaptationZKey(c, false)
	for _, k := range []valve.Key{PredictedOverlapKey(false), withID(PredictedOverlapKey(false), IDUnsupportedAnteriorTip), z} {
		v := one(t, c, k)
		if v.State != NotEvaluable || len(v.Missing) != 1 || !strings.HasPrefix(v.Missing[0], string(valve.AnteriorClosureShare)+" at a2_p2 of result/exit") {
			t.Errorf("%s: %s, missing %v", k, v.State, v.Missing)
		}
	}
	// Chords in the plan only: the plan's overlap cannot be known, and nothing lacks.
	c = modelCase(0, 0, 0).Plan().Step("ch", repair.ArtificialChord, valve.A2).Case()
	if v := one(t, c, PredictedOverlapKey(true)); v.State != NotEvaluable || len(v.Missing) > 0 || !strings.Contains(v.Explanation, "only once they are set") {
		t.Errorf("plan: %s, %v, %s", v.State, v.Missing, v.Explanation)
	}
	if v := one(t, c, PredictedOverlapKey(false)); v.State != HasValue {
		t.Errorf("no chord was set: %s", v.State)
	}
}

// Ruler heights are lengthened along the oblique side slice (37 degrees on 26 by
// 34 mm: times 1.25, own vector), those by echo and those of the middle are not.
func TestObliquityOnlyForTheRuler(t *testing.T) {
	contact := func(m valve.Method) Value {
		c := repair.NewExample().Assess("tee").Method(m).Height(valve.A1, 16).Height(valve.P1, 10).Height(valve.A2, 26).Height(valve.P2, 16).
			Plan().Device("r", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 26).Dim(valve.RingInnerTransverseDiameter, 34).Case()
		if v := one(t, c, PredictedContactKey(true)); v.Value != 8 {
			t.Errorf("middle by %s: %v, want 8", m, v.Value)
		}
		return one(t, c, sidePlan(IDPredictedContact))
	}
	side := 26 * math.Sqrt(1-0.49)
	if v := contact(valve.Echo3D); v.Value != units.Round((26-side)/2, 0.1) {
		t.Errorf("by echo %v, want %v", v.Value, (26-side)/2)
	}
	for _, m := range []valve.Method{valve.Echo2D, valve.Calliper, ""} {
		if v := contact(m); v.Value != units.Round((26-side)/2, 0.1) || strings.Contains(v.Explanation, "lengthened") {
			t.Errorf("by %q %v, want %v: not stated to be by ruler", m, v.Value, (26-side)/2)
		}
	}
	if v := contact(valve.Ruler); math.Abs(v.Value-(26*1.25-side)/2) > 0.1 || !strings.Contains(v.Explanation, "lengthened to the oblique slice") {
		t.Errorf("by ruler %v, want %v; %s", v.Value, (26*1.25-side)/2, v.Explanation)
	}
}

// The ratio of a side slice follows its own heights where both are known; the
// ring's shape alone gives 0.71 for an ellipse and more for a fuller ring.
func TestSideToMiddle(t *testing.T) {
	e := shapedRing().Assess("sides").Method(valve.Echo3D).Height(valve.A1, 20).Height(valve.P1, 12)
	v := one(t, e.Case(), sidePlan(IDSideToMiddle))
	if want := units.Round((32-20.25)/2/8, 0.01); v.Value != want || strings.Contains(v.Explanation, "scaled to the ring") {
		t.Errorf("own heights: %v, want %v; %s", v.Value, want, v.Explanation)
	}
	if v := one(t, e.Case(), sidePlan(IDPredictedOverlap)); v.Value != 5.9 {
		t.Errorf("overlap at the side %v, want (32 − 20.25)/2", v.Value)
	}
	half := shapedRing().Assess("sides").Method(valve.Echo3D).Height(valve.P1, 12).Case()
	v = one(t, half, sidePlan(IDSideToMiddle))
	if v.Value != 0.78 || !strings.Contains(v.Explanation, "scaled to the ring") {
		t.Errorf("one height only: %v, %s", v.Value, v.Explanation)
	}
	if _, ok := find(Compute(half, builtIn()), sidePlan(IDPredictedOverlap)); ok {
		t.Error("millimetres at a side whose anterior height nobody asked for")
	}
	// An ellipse by its own area: 0.714 (own vector), measured 0.70 and 0.55
	// (Gogoladze 2010, abstract read).
	if v := one(t, shapedRing().Dim(valve.RingOrificeArea, math.Pi/4*2.6*3.4).Case(), sidePlan(IDSideToMiddle)); v.Value != 0.71 {
		t.Errorf("ellipse: %v, want 0.71", v.Value)
	}
	if _, ok := find(Compute(modelCase(0, 0, 0).Case(), builtIn()), sidePlan(IDSideToMiddle)); ok {
		t.Error("a ratio of which nothing is known")
	}
}

// An orifice area that does not fit the diameters is no shape, and is flagged
// beside the middle slice, which does not need it.
func TestRingThatDoesNotFit(t *testing.T) {
	c := shapedRing().Dim(valve.RingOrificeArea, 9).Case() // 0.5 of it too large: 1.02 of 26 by 34
	if v := one(t, c, sidePlan(IDSliceDiameter)); v.State != NotEvaluable || !strings.Contains(v.Explanation, "0.70 to 0.95") {
		t.Errorf("side: %s, %s", v.State, v.Explanation)
	}
	if v := one(t, c, PredictedContactKey(true)); v.Value != 8 || !strings.Contains(v.Explanation, "does not fit") {
		t.Errorf("middle: %v, %s", v.Value, v.Explanation)
	}
}

// Each mm of the hinges outside the ring costs 1 mm of contact: 2 mm of diameter.
func TestHingeOffset(t *testing.T) {
	s := builtIn()
	limit := s.Threshold(settings.RingHingeOffset)
	if limit.Value != 0 {
		t.Fatalf("built in %v, want 0 until calibrated", limit.Value)
	}
	limit.Value = 1
	s.Thresholds[settings.RingHingeOffset] = limit
	v, _ := find(Compute(modelCase(0, 0, 0).Case(), s), PredictedContactKey(true))
	if v.Value != 7.5 || !strings.Contains(v.Explanation, "1.0 mm outside the ring") {
		t.Errorf("%v, %s", v.Value, v.Explanation)
	}
	if v, _ := find(Compute(aimed(26, noHigh()).Case(), s), withID(PredictedContactKey(true), IDLargestRing)); v.Value != 24 {
		t.Errorf("largest ring %v, want 26 − 2", v.Value)
	}
}

// Where a standard deviation comes from is told, draws and seed with an interval
// that was drawn; the same case gives the same, a change elsewhere changes
// nothing, a change of an input does.
func TestDrawsAreToldAndRepeat(t *testing.T) {
	at := PredictedOverlapKey(true)
	base := one(t, modelCase(0, 0.8, 0).Case(), at)
	for _, text := range []string{
		UncalibratedLabel, "4096 draws, seed ", "leaflet_height at a2/segment_mid 0.80 mm stated",
		"leaflet_height at p2/segment_mid 1.20 mm assumed", "coaptation_depth at a2_p2 (not measured) 1.50 mm assumed",
	} {
		if !strings.Contains(base.Explanation, text) {
			t.Errorf("%q is not told: %s", text, base.Explanation)
		}
	}
	site := builtIn()
	site.InputSDs = map[valve.ID]settings.InputSD{valve.RingInnerAnteroPosteriorDiameter: {SD: 2.13, Owner: settings.Site}}
	if v, _ := find(Compute(modelCase(0, 0.8, 0).Case(), site), at); !strings.Contains(v.Explanation, "2.13 mm the site's") {
		t.Errorf("the site's is not told: %s", v.Explanation)
	}
	same := func(a, b Value) bool {
		return a.SD == b.SD && a.Lower == b.Lower && a.Upper == b.Upper && a.Explanation == b.Explanation
	}
	if v := one(t, modelCase(0, 0.8, 0).Case(), at); !same(base, v) {
		t.Errorf("the same case gives %v and %v", base, v)
	}
	if v := one(t, modelCase(0, 0.8, 0).Set("mean_gradient", 3).Case(), at); !same(base, v) {
		t.Errorf("a gradient moved it from %v to %v", base, v)
	}
	if v := one(t, modelCase(0, 0.9, 0).Case(), at); same(base, v) {
		t.Error("another standard deviation gave the same draws")
	}
}

// Near 0 an overlap has no mirror image below 0: the interval starts at 0 and the
// standard deviation is less than the first order's.
func TestNearZeroOverlap(t *testing.T) {
	c := tee().Height(valve.A2, 20).Height(valve.P2, 12).SetAt(valve.CoaptationDepth, middleSlice, 4).
		Plan().Device("r", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 30).Case()
	mean, overlap := one(t, c, PredictedContactKey(true)), one(t, c, PredictedOverlapKey(true))
	if mean.Value != 0.4 || overlap.Value != 0.4 {
		t.Fatalf("mean %v, overlap %v, want 0.4", mean.Value, overlap.Value)
	}
	low, _ := overlap.Lower.Get()
	sd, _ := overlap.SD.Get()
	wide, _ := mean.SD.Get()
	below, _ := mean.Lower.Get()
	if low != 0 || sd > 0.8*wide || below >= 0 || !strings.Contains(overlap.Explanation, "Monte Carlo") {
		t.Errorf("overlap from %v with %v, mean from %v with %v; %s", low, sd, below, wide, overlap.Explanation)
	}
	// A plain gap: no overlap, and none is likely.
	c = tee().Height(valve.A2, 14).Height(valve.P2, 10).Plan().Device("r", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 32).Case()
	if mean, overlap := one(t, c, PredictedContactKey(true)), one(t, c, PredictedOverlapKey(true)); mean.Value != -4 || overlap.Value != 0 {
		t.Errorf("gap: mean %v, overlap %v", mean.Value, overlap.Value)
	}
}

// The outcome is judged by the overlap, by echo, inside the domain, under the plan
// that was in force, and in words.
func TestOutcomeAgainstThePrediction(t *testing.T) {
	rows := []struct {
		why      string
		change   func(*repair.Case)
		plan, do State
		says     string
	}{
		{"judged", func(*repair.Case) {}, HasValue, HasValue, UncalibratedLabel},
		{"by ruler", func(c *repair.Case) {
			k := CoaptationKey("result/exit")
			m := c.Measured[k]
			m.Context.Method = valve.Ruler
			c.Measured[k] = m
		}, NotApplicable, NotApplicable, "not taken by echo"},
		{"anterior motion after the repair", func(c *repair.Case) {
			c.StudyAt("result/exit").AnteriorMotion = "leaflet_with_obstruction"
		}, NotApplicable, NotApplicable, "systolic anterior motion"},
		{"edge-to-edge suture that nobody planned", func(c *repair.Case) {
			c.Operation.Steps = append(c.Operation.Steps, repair.Step{ID: "e", Technique: repair.EdgeToEdge, Run: 1, Fate: repair.InPlace})
		}, NotApplicable, NotApplicable, "edge-to-edge"},
		{"signed after incision", func(c *repair.Case) { c.Plan.SignedTime = repair.Clock(20, 0) }, NotApplicable, HasValue, "no plan was in force"},
		{"no incision time", func(c *repair.Case) { c.Operation.IncisionTime = time.Time{} }, NotEvaluable, HasValue, "incision time"},
		{"another revision was in force", func(c *repair.Case) { c.PlanRevision = 2 }, NotApplicable, HasValue, "revised after"},
	}
	for _, row := range rows {
		c := modelCase(3, 0, 0).Case()
		row.change(c)
		for _, fromPlan := range []bool{true, false} {
			k, ok := CoaptationZKey(c, fromPlan)
			if !ok {
				t.Fatalf("%s: nothing is asked", row.why)
			}
			want := row.do
			if fromPlan {
				want = row.plan
			}
			v := one(t, c, k)
			if v.State != want || want != HasValue && (v.Value != 0 || v.Band != "" || !strings.Contains(v.Explanation, row.says)) {
				t.Errorf("%s, from the plan %v: %s %v, %s", row.why, fromPlan, v.State, v.Value, v.Explanation)
			}
		}
	}
}

func TestBandsOfZ(t *testing.T) {
	for z, want := range map[float64]string{
		0: asPredicted, 0.99: asPredicted, -0.99: asPredicted, 1: outsideExpected, -1.99: outsideExpected, 2: zDiscrepancy, -2.5: zDiscrepancy,
	} {
		if got := zBand(z); got != want {
			t.Errorf("z %v is %q, want %q", z, got, want)
		}
	}
	// A coaptation of 0 mm is real: (0 − 8.1)/2.69.
	v := one(t, modelCase(3, 0, 0).Coaptation(0).Case(), valve.Key{ID: IDZFromExecution, Place: middleSlice, Occasion: "result/exit", Role: valve.Derived})
	if v.Value != -3.01 || v.Band != zDiscrepancy || !strings.Contains(v.Explanation, "check first") || v.SD.IsSome() || v.Lower.IsSome() {
		t.Errorf("%v %q, %s", v.Value, v.Band, v.Explanation)
	}
}

// A site that knows a ring by its label only reads its dimensions from its table,
// with the uncertainty of a ring's dimension.
func TestRingFromTheSitesTable(t *testing.T) {
	c := tee().Height(valve.A2, 26).Height(valve.P2, 16).Operation().Device("r", repair.CompleteRing).
		EditStep(func(s *repair.Step) { s.Ring.FamilyKey, s.Ring.ImplantedLabel = "family-1", units.Some(32.0) }).Case()
	v := one(t, c, PredictedContactKey(false)) // 24 mm
	if v.Value != 9 || !strings.Contains(v.Explanation, "ring table") ||
		!strings.Contains(v.Explanation, "ring_inner_antero_posterior_diameter at step:r (not measured) 1.00 mm assumed") {
		t.Errorf("%v, %s", v.Value, v.Explanation)
	}
}

// Properties through the whole chain: monotone in each input, no NaN, and the
// overlap never above the mean where both leaflets meet.
func TestPredictionProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
		a, p, d := number("anterior", 15, 40), number("posterior", 6, 30), number("diameter", 16, 40)
		h, line := number("depth", 0, 12), number("line", 36, 89)
		held := rapid.Bool().Draw(t, "held")
		build := func(a, p, d, h float64) []Value {
			e := tee().Height(valve.A2, a).Height(valve.P2, p).SetAt(valve.CoaptationDepth, middleSlice, h).
				Operation().Device("r", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, d).
				Result("exit", 1, valve.LeavingTheatre).Method(valve.Echo2D).Coaptation(6).SetAt(valve.AnteriorClosureShare, middleSlice, line)
			if held {
				e.Operation().Step("ch", repair.ArtificialChord, valve.P2)
			}
			return Compute(e.Case(), builtIn())
		}
		values := build(a, p, d, h)
		for _, v := range values {
			low, _ := v.Lower.Get()
			high, _ := v.Upper.Get()
			sd, _ := v.SD.Get()
			for _, x := range []float64{v.Value, low, high, sd} {
				if math.IsNaN(x) || math.IsInf(x, 0) {
					t.Fatalf("%s: %v, %v to %v ± %v", v.Key, v.Value, low, high, sd)
				}
			}
		}
		mean, _ := find(values, PredictedContactKey(false))
		overlap, _ := find(values, PredictedOverlapKey(false))
		if mean.State != overlap.State {
			t.Fatalf("mean %s, overlap %s", mean.State, overlap.State)
		}
		if mean.State != HasValue {
			return
		}
		if overlap.Value > max(mean.Value, 0)+0.11 {
			t.Fatalf("overlap %v above the mean %v", overlap.Value, mean.Value)
		}
		const step = 0.5
		for _, moved := range []struct {
			name   string
			values []Value
			sign   float64
		}{
			{"anterior", build(a+step, p, d, h), 1}, {"posterior", build(a, p+step, d, h), 1},
			{"diameter", build(a, p, d+step, h), -1}, {"depth", build(a, p, d, h+step), -1},
		} {
			for _, k := range []valve.Key{PredictedContactKey(false), PredictedOverlapKey(false)} {
				before, _ := find(values, k)
				after, _ := find(moved.values, k)
				if after.State == HasValue && moved.sign*(after.Value-before.Value) < 0 {
					t.Fatalf("%s with more %s: %v to %v", k.ID, moved.name, before.Value, after.Value)
				}
			}
		}
	})
}
