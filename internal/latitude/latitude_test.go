package latitude

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"trigone/internal/evaluate"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// aiming gives the case a coaptation target of A2-P2; a high end of 0 is none.
func aiming(low, high float64) func(*repair.Case) {
	return func(c *repair.Case) {
		t := repair.Target{ID: "t-coaptation", Leaf: valve.CoaptationLength, Place: valve.AtSlice(valve.A2P2), Stage: valve.LeavingTheatre, Low: units.Some(low)}
		if high > 0 {
			t.High = units.Some(high)
		}
		c.Plan.Targets = append(c.Plan.Targets, t)
	}
}

// planned is an invented plan: heights of 26 and 20 mm, 4 mm taken off P2, a ring
// of 26 mm.
func planned() *repair.Example {
	return repair.NewExample().Assess("tee").Method(valve.Echo3D).
		EditStudy(func(s *repair.Study) { s.LesionsRecorded = valve.Complete; s.Time = repair.DaysBefore(5) }).
		Height(valve.A2, 26).Height(valve.P2, 20).
		Plan().Step("p-height", repair.HeightReduction, valve.P2).Dim("height_removed", 4).
		Device("p-ring", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 26).Dim("ring_inner_transverse_diameter", 34).
		Edit(aiming(6, 11))
}

func latitudeAt(t *testing.T, c *repair.Case, at time.Time) (Latitude, evaluate.Evaluation) {
	t.Helper()
	s := settings.BuiltIn("harbour", "1", "UTC")
	e := evaluate.Evaluate(evaluate.Input{Case: c, Settings: s})
	return Of(c, &e, s, at), e
}

func rangeOf(t *testing.T, f Latitude, leaf valve.ID) Range {
	t.Helper()
	i := slices.IndexFunc(f.Ranges, func(r Range) bool { return r.Leaf == leaf })
	if i < 0 {
		t.Fatalf("no range of %s", leaf)
	}
	return f.Ranges[i]
}

func text(m units.Maybe[float64]) string {
	v, ok := m.Get()
	if !ok {
		return "open"
	}
	return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64)
}

// The ends were worked by hand from the flat closure c = (a + p − d)/2 and
// s = ½ + (a − p)/(2d): the ring's upper end is a + p − 2·low, its lower end
// a + p − 2·high; an aim of the closure line from s₁ to s₂ bounds it by
// (a − p)/(2s − 1) at either. The leaflet's lower end is 2·low + d − a, its upper end
// 2·high + d − a; a line from s₁ on bounds it from above by a − (2s₁ − 1)·d. The
// ranges of plausibility are those of the leaves: 16 to 36 mm, 5 to 45 mm.
func TestRanges(t *testing.T) {
	done := func(height, ring float64) *repair.Example {
		return planned().Operation().
			Step("s-height", repair.HeightReduction, valve.P2).EditStep(func(s *repair.Step) { s.PlannedStepID, s.Run = "p-height", 1 }).Dim("height_removed", 20-height).
			Device("s-ring", repair.CompleteRing).EditStep(func(s *repair.Step) { s.PlannedStepID, s.Run = "p-ring", 1 }).Dim(valve.RingInnerAnteroPosteriorDiameter, ring).Dim("ring_inner_transverse_diameter", ring+8).
			EditOperation(func(o *repair.Operation) { o.StepsRecorded = valve.Complete })
	}
	only := func(targets ...repair.Target) func(*repair.Case) {
		return func(c *repair.Case) { c.Plan.Targets = targets }
	}
	aim := func(id valve.ID, low, high units.Maybe[float64]) repair.Target {
		return repair.Target{ID: "t-" + string(id), Leaf: id, Stage: valve.LeavingTheatre, Low: low, High: high}
	}
	some, none := units.Some[float64], units.None[float64]()
	coaptation := aim(valve.CoaptationLength, some(6), some(11))
	const ring, height = valve.RingInnerAnteroPosteriorDiameter, valve.LeafletHeight
	tests := []struct {
		why          string
		c            *repair.Example
		leaf         valve.ID
		low, high    string
		by           string // owners of both ends
		state        metric.State
		position     Position
		done         bool
		says, misses string
	}{
		{"nothing done: the planned height of 16 sets the ring; 42 − 22 and 42 − 12", planned(), ring, "20", "30", "plan plan", metric.HasValue, Within, false, "heights as planned", ""},
		{"nothing done: the planned ring of 26 sets the height", planned(), height, "12", "22", "plan plan", metric.HasValue, Within, false, "ring as planned", ""},
		{"a conditional ring is not counted on", planned().EditStep(func(s *repair.Step) { s.Condition = "if_saline_test_leaks" }), ring, "20", "30", "plan plan", metric.HasValue, "", false, "heights as planned", ""},
		{"an alternative ring is not counted on", planned().EditStep(func(s *repair.Step) { s.AlternativeOf = "p-other" }), ring, "20", "30", "plan plan", metric.HasValue, "", false, "heights as planned", ""},
		{"both done: the ring can be exchanged", done(16, 26), ring, "20", "30", "plan plan", metric.HasValue, Within, true, "uncalibrated", ""},
		{"a ring of 31 is above: too little coaptation", done(16, 31), ring, "20", "30", "plan plan", metric.HasValue, Above, true, "", ""},
		{"a ring of 19 is below: more coaptation than the plan aims at", done(16, 19), ring, "20", "30", "plan plan", metric.HasValue, Below, true, "", ""},
		{"a ring of 28 asks for 12 + 28 − 26 at least", done(16, 28), height, "14", "24", "plan plan", metric.HasValue, Within, true, "ring as implanted", ""},
		{"a leaflet of 12 is too low for a ring of 28", done(12, 28), height, "14", "24", "plan plan", metric.HasValue, Below, true, "", ""},
		{"no upper end of the aim: plausibility bounds the ring from below", done(16, 26).Edit(only(aim(valve.CoaptationLength, some(6), none))), ring, "16", "30", "plausibility plan", metric.HasValue, Within, true, "", ""},
		{"an aim with an upper end only: the limit of the policy, 5 mm by a source that was read, bounds it from above", done(16, 26).Edit(only(aim(valve.CoaptationLength, none, some(11)))), ring, "20", "32", "plan site_limit", metric.HasValue, Within, true, "", ""},
		{"a closure line that the plan aims at binds: 26 − 0.2·26", done(16, 26).Edit(only(coaptation, aim(valve.AnteriorClosureShare, some(60), none))), height, "12", "20.8", "plan plan", metric.HasValue, Within, true, "", ""},
		{"and its far end bounds the ring from below: 10/0.4", done(16, 26).Edit(only(coaptation, aim(valve.AnteriorClosureShare, none, some(70)))), ring, "25", "30", "plan plan", metric.HasValue, Within, true, "", ""},
		{"an aim of the height binds the height", done(16, 26).Edit(only(coaptation, repair.Target{ID: "h", Leaf: height, Place: valve.AtStation(valve.P2, valve.Seam), Low: some(13), High: some(17)})), height, "13", "17", "plan plan", metric.HasValue, Within, true, "", ""},
		{"of several stages the last counts", planned().Edit(only(repair.Target{ID: "early", Leaf: valve.CoaptationLength, Stage: valve.OffBypass, Low: some(9)}, coaptation)), ring, "20", "30", "plan plan", metric.HasValue, Within, false, "", ""},
		{"P2 of 8: the line lies beyond 90 % with any ring below 18/0.8 = 22.5, and from there on the contact is too short", done(8, 26), ring, "open", "open", "", metric.NotApplicable, "", true, "no value from 22.5 to 36 mm meets coaptation length of A2-P2 at least 6 mm (aim of the plan t-coaptation)", ""},
		{"aims that no value meets together are both named", done(16, 26).Edit(only(aim(valve.CoaptationLength, some(9), none), aim(valve.AnteriorClosureShare, none, some(68)))), ring, "open", "open", "", metric.NotApplicable, "", true, "at least 27.8 mm for share of the diameter in front of the closure line at most 68 %", ""},
		{"no aim, nothing to meet", done(16, 26).Edit(only()), ring, "open", "open", "", metric.NotEvaluable, "", true, "states no aim", "as a target"},
		{"a band sets no diameter", done(16, 26).Edit(func(c *repair.Case) { c.Operation.Steps[1].Ring.Kind = repair.PosteriorBand }), ring, "open", "open", "", metric.NotApplicable, "", true, "posterior band", ""},
		{"no height of A2, no range", done(16, 26).Edit(func(c *repair.Case) {
			delete(c.Measured, metric.LeafletHeight.Key(valve.AtStation(valve.A2, valve.SegmentMid), "assessment/tee", valve.Measured))
		}), ring, "open", "open", "", metric.NotEvaluable, "", true, "", "leaflet_height at a2"},
		{"no ring dimension: the height has no range", done(16, 26).Edit(func(c *repair.Case) {
			delete(c.Measured, metric.RingInnerAnteroPosteriorDiameter.Key(valve.AtStep("s-ring"), valve.AtOperation, valve.Measured))
		}), height, "open", "open", "", metric.NotEvaluable, "", true, "", string(ring) + " at step:s-ring of operation"},
		{"outside the model's domain nothing is said", planned().Edit(func(c *repair.Case) {
			c.Studies[0].Lesions = []repair.Lesion{{ID: "cleft", Where: repair.Location{Boundary: valve.P1P2}, Kinds: []string{"cleft"}}}
		}), ring, "open", "open", "", metric.NotApplicable, "", false, "the model does not hold while there is: open cleft", ""},
		{"nor while the last set of the run shows a prolapse that is left", done(16, 26).Result("off", 1, valve.OffBypass).EditStudy(func(s *repair.Study) { s.Mechanisms = []string{"prolapse"} }), ring, "open", "open", "", metric.NotApplicable, "", true, "residual prolapse", ""},
		{"2 mm off A2: 24 + 16 − 22", done(16, 26).Operation().Step("s-a2", repair.HeightReduction, valve.A2).Dim("height_removed", 2), ring, "18", "28", "plan plan", metric.HasValue, Within, true, "", ""},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			f, _ := latitudeAt(t, tt.c.Case(), repair.Clock(10, 0))
			r := rangeOf(t, f, tt.leaf)
			if r.State != tt.state || text(r.Lower) != tt.low || text(r.Upper) != tt.high {
				t.Errorf("%s %s to %s, want %s %s to %s: %s, missing %v", r.State, text(r.Lower), text(r.Upper), tt.state, tt.low, tt.high, r.Explanation, r.Missing)
			}
			if by := ownersOf(r); by != tt.by {
				t.Errorf("the ends are of %q, want %q", by, tt.by)
			}
			if (r.State == metric.HasValue) != (r.Reach.IsSome() && r.Uncertainty != "") {
				t.Errorf("how far the model can be off: %v %q", r.Reach, r.Uncertainty)
			}
			if r.Position() != tt.position || r.Done != tt.done {
				t.Errorf("position %q, done %v of %v", r.Position(), r.Done, r.Present)
			}
			if !strings.Contains(r.Explanation, tt.says) || !strings.Contains(strings.Join(r.Missing, "; "), tt.misses) {
				t.Errorf("explanation %q, missing %v", r.Explanation, r.Missing)
			}
			if r.State == metric.HasValue && len(r.Inputs) == 0 {
				t.Error("a range without inputs")
			}
		})
	}
}

func ownersOf(r Range) string {
	var owners []string
	for _, c := range []*Condition{r.LowerBy, r.UpperBy} {
		if c != nil {
			owners = append(owners, string(c.Owner))
		}
	}
	return strings.Join(owners, " ")
}

// A condition whose source nobody read binds nothing and is told beside: a line at two
// thirds of the diameter (common practice) would ask for 26 − 0.334·26 = 17.3 mm.
func TestWhatHasNoSourceIsToldBeside(t *testing.T) {
	c := planned().Edit(func(c *repair.Case) {
		c.Measured[metric.HeightRemoved.Key(valve.AtStep("p-height"), valve.AtPlan, valve.Planned)] = valve.Measurement{Value: units.Some(1.0)}
	}).Case() // P2 19 mm: beyond 17.3, and the plan does not aim at the line
	f, _ := latitudeAt(t, c, repair.Clock(10, 0))
	r := rangeOf(t, f, valve.LeafletHeight)
	if text(r.Upper) != "22" || r.Position() != Within || len(f.Unfit) != 0 {
		t.Errorf("upper end %s, %s, %+v", text(r.Upper), r.Position(), f.Unfit)
	}
	if len(r.Beside) != 1 || text(r.Beside[0].Value) != "17.3" || r.Beside[0].End != UpperEnd || !strings.Contains(r.Beside[0].Words, "no source") {
		t.Errorf("beside: %+v", r.Beside)
	}
}

// The expected gradient rises as the ring shrinks: where the plan aims at what the
// catalogue expects across a ring of 24 mm, the range begins there.
func TestTheGradientBoundsTheRing(t *testing.T) {
	s := settings.BuiltIn("harbour", "1", "UTC")
	flow := func(c *repair.Case) {
		for id, v := range map[valve.ID]float64{valve.OutflowTractDiameter: 21, valve.OutflowTractVelocityTimeIntegral: 18, valve.HeartRate: 65} {
			c.Measured[valve.Key{ID: id, Occasion: "assessment/tee", Role: valve.Measured}] = valve.Measurement{Value: units.Some(v)}
		}
	}
	small := planned().Edit(flow).Dim(valve.RingInnerAnteroPosteriorDiameter, 24).Dim(valve.RingInnerTransverseDiameter, 34.0*24/26).Case()
	expected, state, why := metric.Middle(small, s, metric.IDExpectedGradient, metric.At{Place: valve.AtStep("p-ring"), Occasion: valve.AtPlan, Role: valve.Planned})
	if state != metric.HasValue {
		t.Fatal(why)
	}
	f, _ := latitudeAt(t, planned().Edit(flow).Edit(func(c *repair.Case) {
		c.Plan.Targets = append(c.Plan.Targets, repair.Target{ID: "t-gradient", Leaf: valve.MeanGradient, High: units.Some(expected)})
	}).Case(), repair.Clock(10, 0))
	r := rangeOf(t, f, valve.RingInnerAnteroPosteriorDiameter)
	if text(r.Lower) != "24" || r.LowerBy == nil || r.LowerBy.TargetID != "t-gradient" {
		t.Errorf("with at most %.2f mmHg the lower end is %s of %+v: %s", expected, text(r.Lower), r.LowerBy, r.Explanation)
	}
	if h := rangeOf(t, f, valve.LeafletHeight); text(h.Lower) != "12" || text(h.Upper) != "22" {
		t.Errorf("the height moves no gradient: %s to %s", text(h.Lower), text(h.Upper))
	}
}

// Another diameter takes the other dimensions along; from a diameter typed as 0, or none,
// what they would be is not known.
func TestShapesAreScaled(t *testing.T) {
	for _, r := range []struct {
		why                        string
		was                        units.Maybe[float64]
		transverse, orifice, scale float64
	}{
		{"26 to 13 mm: half as wide, a quarter as large", units.Some(26.0), 17, 1.25, 13},
		{"from 0", units.Some(0.0), 0, 0, 13},
		{"from a diameter that is not recorded", units.None[float64](), 0, 0, 13},
	} {
		c := planned().Dim(valve.RingInnerTransverseDiameter, 34).Dim(valve.RingOrificeArea, 5).Case()
		h := &hypothesis{c: c, s: settings.BuiltIn("harbour", "1", "UTC"), plan: true, ring: "p-ring"}
		key := func(leaf valve.ID) valve.Key { return h.ringKey(leaf, true) }
		c.Measured[key(valve.RingInnerAnteroPosteriorDiameter)] = valve.Measurement{Value: r.was}
		got := h.scaled(h.copy(), r.scale).Measured
		ap, transverse, orifice := got[key(valve.RingInnerAnteroPosteriorDiameter)].Value, got[key(valve.RingInnerTransverseDiameter)].Value, got[key(valve.RingOrificeArea)].Value
		if ap.OrElse(0) != r.scale || transverse.OrElse(0) != r.transverse || orifice.OrElse(0) != r.orifice {
			t.Errorf("%s: %v, %v, %v", r.why, ap, transverse, orifice)
		}
	}
}

// A planned family is offered alone; without one, or with one that the site's table has
// not, every family is.
func TestFamiliesOfTheSite(t *testing.T) {
	s := settings.BuiltIn("harbour", "1", "UTC")
	for _, family := range []string{"oval", "round"} {
		s.Rings = append(s.Rings, settings.RingSize{Family: family, Label: 30, Kind: repair.CompleteRing, InnerAnteroPosteriorMM: units.Some(26.0)})
	}
	for asked, want := range map[string]string{"oval": "oval", "round": "round", "": "oval round", "square": "oval round"} {
		c := planned().EditStep(func(s *repair.Step) { s.Ring.FamilyKey = asked }).Case()
		e := evaluate.Evaluate(evaluate.Input{Case: c, Settings: s})
		var got []string
		for _, size := range rangeOf(t, Of(c, &e, s, repair.Clock(10, 0)), valve.RingInnerAnteroPosteriorDiameter).Sizes {
			got = append(got, size.Family)
		}
		if strings.Join(got, " ") != want {
			t.Errorf("planned %q: sizes of %v, want %s", asked, got, want)
		}
	}
}

// Sizes come from the site's own table: what lies between two of them cannot be had,
// and where none fits it says so.
func TestRingsOfTheSite(t *testing.T) {
	s := settings.BuiltIn("harbour", "1", "UTC")
	for label, mm := range map[float64]float64{28: 22.5, 30: 24, 32: 25.5} {
		s.Rings = append(s.Rings, settings.RingSize{Family: "oval", Label: label, Kind: repair.CompleteRing, InnerAnteroPosteriorMM: units.Some(mm)})
	}
	slices.SortFunc(s.Rings, func(a, b settings.RingSize) int { return int(a.Label - b.Label) })
	of := func(low, high float64) Range {
		c := planned().Edit(func(c *repair.Case) { c.Plan.Targets = nil }).Edit(aiming(low, high)).Case()
		e := evaluate.Evaluate(evaluate.Input{Case: c, Settings: s})
		return rangeOf(t, Of(c, &e, s, repair.Clock(10, 0)), valve.RingInnerAnteroPosteriorDiameter)
	}
	fitting := func(r Range) (list []string) {
		for _, size := range r.Sizes {
			if size.Fits == valve.Yes {
				list = append(list, text(units.Some(size.Label)))
			}
		}
		return list
	}
	// 42 − 2·9.5 = 23 to 42 − 2·6 = 30, cut at the largest ring.
	r := of(6, 9.5)
	if text(r.Lower) != "23" || text(r.Upper) != "25.5" || ownersOf(r) != "plan ring_table" || !slices.Equal(fitting(r), []string{"30", "32"}) {
		t.Errorf("%s to %s of %s, sizes %v", text(r.Lower), text(r.Upper), ownersOf(r), fitting(r))
	}
	// 42 − 2·8.8 = 24.4 to 42 − 2·8.6 = 24.8: between two sizes.
	for why, r := range map[string]Range{"between two sizes": of(8.6, 8.8), "below the smallest": of(11, 13)} {
		if r.State != metric.NotApplicable || !strings.HasPrefix(r.Explanation, "none of your rings") || len(fitting(r)) != 0 || len(r.Sizes) != 3 {
			t.Errorf("%s: %s %s, %v", why, r.State, r.Explanation, fitting(r))
		}
	}
}

// One function gives every window: with a depth of the coaptation the ends are those of
// the catalogue's own prediction, not of the flat closure.
func TestTheDepthIsNotDropped(t *testing.T) {
	deep := planned().Edit(func(c *repair.Case) {
		c.Measured[valve.Key{ID: valve.CoaptationDepth, Place: valve.AtSlice(valve.A2P2), Occasion: "assessment/tee", Role: valve.Measured}] = valve.Measurement{Value: units.Some(5.0), Context: valve.Context{Method: valve.Echo3D}}
	})
	f, e := latitudeAt(t, deep.Case(), repair.Clock(10, 0))
	// √((26−6)²−5²) + √((16−6)²−5²) = 19.4 + 8.7 = 28.0, not 30.
	if r := rangeOf(t, f, valve.RingInnerAnteroPosteriorDiameter); text(r.Upper) != "28" {
		t.Errorf("the upper end is %s", text(r.Upper))
	}
	r := rangeOf(t, f, valve.LeafletHeight)
	for _, v := range e.Metrics {
		if v.Key.ID == metric.IDLowestPosterior && units.Some(v.Value) != r.Lower {
			t.Errorf("the lowest height is %s here and %g in the catalogue", text(r.Lower), v.Value)
		}
	}
}

// A value that an open contradiction disputes moves nothing; once it is confirmed
// it does.
func TestLatitudeReadsNoDisputedValue(t *testing.T) {
	c := planned().Dim("ring_inner_transverse_diameter", 20).Case() // antero-posterior above transverse
	s := settings.BuiltIn("harbour", "1", "UTC")
	e := evaluate.Evaluate(evaluate.Input{Case: c, Settings: s})
	if r := rangeOf(t, Of(c, &e, s, repair.Clock(9, 0)), valve.LeafletHeight); r.State != metric.NotEvaluable {
		t.Fatalf("a disputed ring was read: %+v", r)
	}
	confirmed := map[string]bool{}
	for _, f := range e.Findings {
		confirmed[f.ID] = true
	}
	e = evaluate.Evaluate(evaluate.Input{Case: c, Settings: s, Confirmed: confirmed})
	if r := rangeOf(t, Of(c, &e, s, repair.Clock(9, 0)), valve.LeafletHeight); r.State != metric.HasValue {
		t.Errorf("a confirmed ring was not read: %+v", r)
	}
}

// What is within a range is what the evaluation itself predicts within the
// target, and the other way round, up to the grid.
func TestLatitudeAgreesWithThePrediction(t *testing.T) {
	s := settings.BuiltIn("harbour", "1", "UTC")
	rapid.Check(t, func(t *rapid.T) {
		tenth := func(low, high int, name string) float64 {
			return float64(rapid.IntRange(low*10, high*10).Draw(t, name)) / 10
		}
		a, p, d := tenth(18, 34, "anterior"), tenth(8, 22, "posterior"), tenth(20, 34, "ring")
		low := tenth(5, 8, "low") // not below the policy's own 5 mm
		high := low + tenth(2, 8, "above")
		c := repair.NewExample().Assess("tee").EditStudy(func(s *repair.Study) { s.LesionsRecorded = valve.Complete }).
			Height(valve.A2, a).Height(valve.P2, p).
			Plan().Device("p-ring", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, d).Edit(aiming(low, high)).Case()
		e := evaluate.Evaluate(evaluate.Input{Case: c, Settings: s})
		f := Of(c, &e, s, time.Time{})
		contact, line := (a+p-d)/2, 100*(0.5+(a-p)/(2*d))
		const grid = 0.11
		inside := contact >= low+grid && contact <= high-grid && line > 36 && line < 89
		outside := contact < low-grid || contact > high+grid
		for _, r := range f.Ranges {
			if inside && r.Position() != Within {
				t.Fatalf("contact %.2f, line %.1f %%: %s %s to %s is %q: %s", contact, line, r.Leaf, text(r.Lower), text(r.Upper), r.Position(), r.Explanation)
			}
			if outside && r.Position() == Within {
				t.Fatalf("contact %.2f, line %.1f %%: %s %s to %s is within", contact, line, r.Leaf, text(r.Lower), text(r.Upper))
			}
		}
	})
}

// What another length of chords does was never calibrated: a direction is told for P2,
// and no number for any.
func TestChordsHaveADirectionOnly(t *testing.T) {
	c := planned().Plan().Step("p-chord", repair.ArtificialChord, valve.P2).Dim(valve.ArtificialChordLength, 20).
		Operation().Step("s-chord", repair.ArtificialChord, valve.A2).EditStep(func(s *repair.Step) { s.Run = 1 }).Dim(valve.ArtificialChordLength, 24).Case()
	f, _ := latitudeAt(t, c, repair.Clock(10, 0))
	says := map[string]string{"step:s-chord": "not part of the model", "step:p-chord": "shorter chords on P2 hold the closure line farther back"}
	for _, r := range f.Ranges {
		if r.Leaf != valve.ArtificialChordLength {
			continue
		}
		if r.State != metric.NotApplicable || r.Lower.IsSome() || r.Upper.IsSome() || r.Present.IsNone() || !strings.Contains(r.Explanation, says[string(r.Place)]) {
			t.Errorf("%+v", r)
		}
		delete(says, string(r.Place))
	}
	if len(says) > 0 {
		t.Errorf("chords that are not spoken of: %v", says)
	}
	f, _ = latitudeAt(t, planned().Case(), repair.Clock(10, 0))
	if slices.ContainsFunc(f.Ranges, func(r Range) bool { return r.Leaf == valve.ArtificialChordLength }) {
		t.Error("a range of chords that nobody planned or set")
	}
}

func TestStepsThatNoLongerFit(t *testing.T) {
	resected := func(mm float64) *repair.Example {
		return planned().Operation().Step("s-height", repair.HeightReduction, valve.P2).
			EditStep(func(s *repair.Step) { s.PlannedStepID, s.Run = "p-height", 1 }).Dim("height_removed", 20-mm).
			EditOperation(func(o *repair.Operation) { o.StepsRecorded = valve.Complete })
	}
	tests := []struct {
		why    string
		c      *repair.Example
		step   string
		reason UnfitReason
		says   string
	}{
		{"all as planned", planned(), "", "", ""},
		{"the height is as planned, the ring still fits", resected(16), "", "", ""},
		// 26 + 10 − 12 = 24 is the largest ring, 26 is planned.
		{"6 mm lower than planned: the planned ring is too large now", resected(10), "p-ring", OutsideRange, "the middle of what is predicted is 5 mm"},
		{"the range reaches the aim, and that is said", resected(10), "p-ring", OutsideRange, "the range reaches it, so that the model cannot tell for certain"},
		{"a plan that misses its own aim does not fit, and did not before", planned().Edit(func(c *repair.Case) { c.Plan.Targets = nil }).Edit(aiming(12, 14)), "p-ring", OutsideRange, "does not fit what the plan aims at, nor did it as planned"},
		{"a ring in place that was planned otherwise is done, not to come", resected(10).Device("s-ring", repair.CompleteRing).EditStep(func(s *repair.Step) { s.PlannedStepID, s.Run = "p-ring", 1 }).Dim(valve.RingInnerAnteroPosteriorDiameter, 24), "p-height", DoneOtherwise, ""},
		// 12 + 30 − 26 = 16 is the least height, 4 mm off 20 leave 16; 5 leave 15.
		{"a larger ring than planned: the planned height reduction leaves too little",
			planned().Edit(func(c *repair.Case) {
				k := metric.HeightRemoved.Key(valve.AtStep("p-height"), valve.AtPlan, valve.Planned)
				c.Measured[k] = valve.Measurement{Value: units.Some(7.0)}
			}).Operation().Device("s-ring", repair.CompleteRing).EditStep(func(s *repair.Step) { s.PlannedStepID, s.Run = "p-ring", 1 }).Dim(valve.RingInnerAnteroPosteriorDiameter, 28), "p-height", OutsideRange, "a final height of P2 of 13 mm"},
		{"a rule speaks of a planned step", planned().Dim("ring_inner_transverse_diameter", 20), "p-ring", FindingSays, ""},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			c := tt.c.Edit(func(c *repair.Case) {
				c.Plan.Signer, c.Plan.SignedTime, c.Plan.StepsRecorded = "surgeon-1", repair.DaysBefore(2), valve.Complete
				c.Plans = []repair.PlanRevision{{Revision: 1, Received: repair.DaysBefore(2), Plan: c.Plan, Measured: planValues(c)}}
				if c.Operation != nil {
					c.Operation.IncisionTime = repair.Clock(8, 30)
				}
			}).Case()
			f, _ := latitudeAt(t, c, repair.Clock(10, 0))
			if tt.step == "" {
				if len(f.Unfit) != 0 {
					t.Errorf("%+v", f.Unfit)
				}
				return
			}
			i := slices.IndexFunc(f.Unfit, func(u UnfitStep) bool { return u.PlannedStepID == tt.step && u.Reason == tt.reason })
			if i < 0 {
				t.Fatalf("%s is not told as %s: %+v", tt.step, tt.reason, f.Unfit)
			}
			u := f.Unfit[i]
			if !strings.Contains(u.Message, tt.says) || u.Message == "" {
				t.Errorf("message %q", u.Message)
			}
			if (u.Reason == FindingSays) != (u.FindingID != "") || (u.Reason == DoneOtherwise) != (u.DiscrepancyID != "") {
				t.Errorf("sources of %+v", u)
			}
		})
	}
}

// An aim at the very end of the range is reached by it, one grid step beyond is not.
func TestAnAimAtTheEndOfTheRange(t *testing.T) {
	const reaches = "the range reaches it, so that the model cannot tell for certain"
	asking := func(low, high float64) *repair.Case {
		return planned().Edit(func(c *repair.Case) { c.Plan.Targets = nil }).Edit(aiming(low, high)).
			Edit(func(c *repair.Case) { c.Plan.StepsRecorded = valve.Complete }).Case()
	}
	_, e := latitudeAt(t, asking(6, 11), repair.Clock(10, 0))
	i := slices.IndexFunc(e.Metrics, func(v metric.Value) bool {
		return v.Key.ID == metric.IDPredictedContact && v.Key.Occasion == valve.AtPlan
	})
	if i < 0 {
		t.Fatal("nothing is predicted")
	}
	low, high := e.Metrics[i].Lower.OrElse(math.NaN()), e.Metrics[i].Upper.OrElse(math.NaN())
	for _, r := range []struct {
		why       string
		low, high float64
		want      bool
	}{
		{"the least contact asked is the upper end", high, high + 4, true},
		{"a grid step above it", high + 0.1, high + 4, false},
		{"the most contact asked is the lower end", max(low-2, 0), low, true},
		{"a grid step below it", max(low-2, 0), low - 0.1, false},
	} {
		f, _ := latitudeAt(t, asking(units.Round(r.low, 0.1), units.Round(r.high, 0.1)), repair.Clock(10, 0))
		i := slices.IndexFunc(f.Unfit, func(u UnfitStep) bool { return u.Reason == OutsideRange })
		if i < 0 {
			t.Fatalf("%s: every step fits: %+v", r.why, f.Unfit)
		}
		if got := strings.Contains(f.Unfit[i].Message, reaches); got != r.want {
			t.Errorf("%s (range %g to %g): %s", r.why, low, high, f.Unfit[i].Message)
		}
	}
}

func planValues(c *repair.Case) valve.Measurements {
	m := valve.Measurements{}
	for k, v := range c.Measured {
		if k.Occasion == valve.AtPlan {
			m[k] = v
		}
	}
	return m
}

func TestAgesOfInputs(t *testing.T) {
	at := repair.Clock(10, 0)
	c := planned().Edit(func(c *repair.Case) { c.Plan.SignedTime = repair.DaysBefore(1) }).
		Operation().Step("s-height", repair.HeightReduction, valve.P2).EditStep(func(s *repair.Step) { s.PlannedStepID, s.Run = "p-height", 1 }).Dim("height_removed", 4).
		Device("s-ring", repair.CompleteRing).EditStep(func(s *repair.Step) { s.PlannedStepID, s.Run = "p-ring", 1 }).Dim(valve.RingInnerAnteroPosteriorDiameter, 26).
		Edit(func(c *repair.Case) {
			o := valve.InRun(1, valve.AfterLeafletWork)
			c.Operation.FieldSets = []repair.FieldSet{{Occasion: o, Run: 1, Stage: valve.AfterLeafletWork, Time: repair.Clock(9, 25)}}
			c.Measured[metric.LeafletHeight.Key(valve.AtStation(valve.P2, valve.SegmentMid), o, valve.Measured)] = valve.Measurement{Value: units.Some(16.0), Run: 1, Stage: valve.AfterLeafletWork}
		}).Case()
	f, _ := latitudeAt(t, c, at)
	var got []string
	for _, a := range f.Ages {
		got = append(got, string(a.Occasion)+": "+a.Explanation)
		if age, known := a.Age.Get(); known != !a.Time.IsZero() || known && age != at.Sub(a.Time) {
			t.Errorf("%s: age %v of %v", a.Occasion, a.Age, a.Time)
		}
	}
	want := []string{
		"assessment/tee: 5 days old",
		"plan: 34 h 0 min old",
		"operation/run1/after_leaflet_work: 35 min old",
		"operation: age unknown: no time is recorded", // the ring's diameter has no time of its own
	}
	if !slices.Equal(got, want) {
		t.Errorf("ages\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}

	c.Studies[0].Time = at.Add(5 * time.Minute)
	f, _ = latitudeAt(t, c, at)
	if last := f.Ages[len(f.Ages)-2]; last.Explanation != "taken 5 min after the question" {
		t.Errorf("a value later than the question: %+v", last)
	}
	c.Studies[0].Time = time.Time{}
	f, _ = latitudeAt(t, c, at)
	if last := f.Ages[len(f.Ages)-2]; last.Occasion != "assessment/tee" || last.Age.IsSome() {
		t.Errorf("an echo without a time has no known age: %+v", f.Ages)
	}
}

func TestOfNothing(t *testing.T) {
	for why, c := range map[string]*repair.Case{
		"an empty case": repair.NewExample().Case(), "an operation alone": repair.NewExample().Operation().Case(), "a plan alone": repair.NewExample().Plan().Case(),
	} {
		f, _ := latitudeAt(t, c, repair.Clock(10, 0))
		for _, r := range f.Ranges {
			if r.State != metric.NotEvaluable || len(r.Missing) == 0 {
				t.Errorf("%s: %+v", why, r)
			}
		}
		if len(f.Unfit) != 0 {
			t.Errorf("%s: %+v", why, f.Unfit)
		}
	}
}

// Whether the height of the middle slice still changes decides which height counts:
// the one planned or the one there is.
func TestWhatWorksOnTheHeight(t *testing.T) {
	for _, r := range []struct {
		why  string
		step repair.Step
		want bool
	}{
		{"a sliding plasty lowers the leaflet wherever it stands", repair.Step{Technique: repair.SlidingPlasty}, true},
		{"a height reduction at P2", repair.Step{Technique: repair.HeightReduction, Places: []repair.Location{{Segment: valve.P2}}}, true},
		{"a resection at A2", repair.Step{Technique: repair.LeafletResection, Places: []repair.Location{{Segment: valve.A2}}}, true},
		{"a resection whose place is not recorded may be there", repair.Step{Technique: repair.LeafletResection}, true},
		{"a resection at P1 is not in the middle", repair.Step{Technique: repair.LeafletResection, Places: []repair.Location{{Segment: valve.P1}}}, false},
		{"chords move no height", repair.Step{Technique: repair.ArtificialChord, Places: []repair.Location{{Segment: valve.P2}}}, false},
	} {
		if got := worksOnHeight(r.step); got != r.want {
			t.Errorf("%s: %v", r.why, got)
		}
	}
}

// What is known over the whole of a range is known from end to end of it, and no farther.
func TestKnownFromEndToEnd(t *testing.T) {
	c, s := planned().Case(), settings.BuiltIn("harbour", "1", "UTC")
	e := evaluate.Evaluate(evaluate.Input{Case: c, Settings: s})
	f := newFinder(c, &e, s)
	h := f.hypothesis
	scratch := h.copy()
	look := &search{f: f, vary: func(mm float64) *repair.Case { return h.scaled(scratch, mm) }, low: 24, high: 30}
	from, to, ok := look.known(metric.IDPredictedContact, h.at(valve.AtSlice(valve.A2P2)), 24, 30)
	if !ok || from != 24 || math.Abs(to-30) > 1e-9 {
		t.Errorf("known from %g to %g (%v), want 24 to 30", from, to, ok)
	}
	// A condition that holds nowhere is judged all the same, and told beside.
	nowhere := limit{Condition: Condition{Words: "contact of at least 60 mm"}, at: h.at(valve.AtSlice(valve.A2P2)), value: 60, atLeast: true, beside: true}
	nowhere.Metric = metric.IDPredictedContact
	if !look.limit(nowhere, from, to) || len(look.beside) != 1 || len(look.bounds) != 0 || look.empty != nil {
		t.Errorf("beside %+v, bounds %+v, empty %+v", look.beside, look.bounds, look.empty)
	}
	nowhere.beside = false
	if !look.limit(nowhere, from, to) || look.empty == nil || look.empty.End != UpperEnd {
		t.Errorf("what holds nowhere leaves nothing: %+v", look.empty)
	}
}
