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

// aims gives the case a coaptation target of A2-P2; a high end of 0 is none.
func aims(low, high float64) func(*repair.Case) {
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
		Edit(aims(6, 11))
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
// s = ½ + (a − p)/(2d): the ring's upper end is the smaller of a + p − 2·low and
// (a − p)/(2s − 1), its lower end a + p − 2·high; the leaflet's lower end is
// 2·low + d − a, its upper end the smaller of a − (2s − 1)·d and 2·high + d − a.
func TestRanges(t *testing.T) {
	done := func(height, ring float64) *repair.Example {
		return planned().Operation().
			Step("s-height", repair.HeightReduction, valve.P2).EditStep(func(s *repair.Step) { s.PlannedStepID, s.Run = "p-height", 1 }).Dim("height_removed", 20-height).
			Device("s-ring", repair.CompleteRing).EditStep(func(s *repair.Step) { s.PlannedStepID, s.Run = "p-ring", 1 }).Dim(valve.RingInnerAnteroPosteriorDiameter, ring).Dim("ring_inner_transverse_diameter", ring+8).
			EditOperation(func(o *repair.Operation) { o.StepsRecorded = valve.Complete })
	}
	tests := []struct {
		why          string
		c            *repair.Example
		leaf         valve.ID
		low, high    string
		state        metric.State
		position     Position
		done         bool
		says, misses string
	}{
		{"nothing done: the planned height of 16 sets the ring; a + p − 12 = 30, (26 − 16)/0.334 = 29.94", planned(), valve.RingInnerAnteroPosteriorDiameter, "20", "29.9", metric.HasValue, Within, false, "heights as planned", ""},
		{"nothing done: the planned ring of 26 sets the height; 26 − 0.334·26 = 17.3", planned(), valve.LeafletHeight, "12", "17.3", metric.HasValue, Within, false, "ring as planned", ""},
		{"a conditional ring is not counted on", planned().EditStep(func(s *repair.Step) { s.Condition = "if_saline_test_leaks" }), valve.RingInnerAnteroPosteriorDiameter, "20", "29.9", metric.HasValue, "", false, "heights as planned", ""},
		{"an alternative ring is not counted on", planned().EditStep(func(s *repair.Step) { s.AlternativeOf = "p-other" }), valve.RingInnerAnteroPosteriorDiameter, "20", "29.9", metric.HasValue, "", false, "heights as planned", ""},
		{"both done: the ring can be exchanged", done(16, 26), valve.RingInnerAnteroPosteriorDiameter, "20", "29.9", metric.HasValue, Within, true, "uncalibrated", ""},
		{"a ring of 31 is above: too little coaptation", done(16, 31), valve.RingInnerAnteroPosteriorDiameter, "20", "29.9", metric.HasValue, Above, true, "", ""},
		{"a ring of 19 is below: more coaptation than the target allows", done(16, 19), valve.RingInnerAnteroPosteriorDiameter, "20", "29.9", metric.HasValue, Below, true, "", ""},
		{"a ring of 28 leaves 26 − 0.334·28 = 16.6 at most and 12 + 28 − 26 = 14 at least", done(16, 28), valve.LeafletHeight, "14", "16.6", metric.HasValue, Within, true, "ring as implanted", ""},
		{"a leaflet of 12 is too low for a ring of 28", done(12, 28), valve.LeafletHeight, "14", "16.6", metric.HasValue, Below, true, "", ""},
		{"the target's own upper end binds where it is the lower: 2·7 + 24 − 26 = 12", done(16, 24).Edit(func(c *repair.Case) { c.Plan.Targets = nil }).Edit(aims(6, 7)), valve.LeafletHeight, "10", "12", metric.HasValue, Above, true, "", ""},
		{"no upper end of the target: no lower end of the ring", done(16, 26).Edit(func(c *repair.Case) { c.Plan.Targets = nil }).Edit(aims(6, 0)), valve.RingInnerAnteroPosteriorDiameter, "open", "29.9", metric.HasValue, Within, true, "too small a ring", ""},
		{"the plan's own closure line of 60 % goes before the site's: 26 − 0.2·26 = 20.8 of the height",
			done(16, 26).Edit(func(c *repair.Case) {
				c.Plan.Targets = append(c.Plan.Targets, repair.Target{ID: "line", Leaf: valve.AnteriorClosureShare, Low: units.Some(60.0)})
			}), valve.LeafletHeight, "12", "20.8", metric.HasValue, Within, true, "60 %", ""},
		{"a ring of 40 with an anterior leaflet of 26: 6 + 0.667·40 = 32.7 mm would be needed", done(16, 40), valve.LeafletHeight, "open", "open", metric.NotApplicable, "", true, "would have to be 32.7 mm high, it is 26.0 mm", ""},
		{"no target, nothing to meet", done(16, 26).Edit(func(c *repair.Case) { c.Plan.Targets = nil }), valve.RingInnerAnteroPosteriorDiameter, "open", "open", metric.NotEvaluable, "", true, "no coaptation target", "as a target"},
		{"a target without a lower end is none", done(16, 26).Edit(func(c *repair.Case) { c.Plan.Targets[0].Low = units.None[float64]() }), valve.RingInnerAnteroPosteriorDiameter, "open", "open", metric.NotEvaluable, "", true, "no coaptation target", ""},
		{"a band sets no diameter", done(16, 26).Edit(func(c *repair.Case) { c.Operation.Steps[1].Ring.Kind = repair.PosteriorBand }), valve.RingInnerAnteroPosteriorDiameter, "open", "open", metric.NotApplicable, "", true, "posterior band", ""},
		{"no height of A2, no range", done(16, 26).Edit(func(c *repair.Case) {
			delete(c.Measured, metric.LeafletHeight.Key(valve.AtStation(valve.A2, valve.SegmentMid), "assessment/tee", valve.Measured))
		}), valve.RingInnerAnteroPosteriorDiameter, "open", "open", metric.NotEvaluable, "", true, "", "leaflet_height at a2"},
		{"no ring dimension: the height has no range", done(16, 26).Edit(func(c *repair.Case) {
			delete(c.Measured, metric.RingInnerAnteroPosteriorDiameter.Key(valve.AtStep("s-ring"), valve.AtOperation, valve.Measured))
		}), valve.LeafletHeight, "open", "open", metric.NotEvaluable, "", true, "", string(valve.RingInnerAnteroPosteriorDiameter) + " at step:s-ring of operation"},
		{"outside the model's domain nothing is said", planned().Edit(func(c *repair.Case) {
			c.Studies[0].Lesions = []repair.Lesion{{ID: "cleft", Where: repair.Location{Boundary: valve.P1P2}, Kinds: []string{"cleft"}}}
		}), valve.RingInnerAnteroPosteriorDiameter, "open", "open", metric.NotApplicable, "", false, "open cleft", ""},
		{"a step at A2 makes its height unknown", done(16, 26).Operation().Step("s-a2", repair.HeightReduction, valve.A2).Dim("height_removed", 2), valve.RingInnerAnteroPosteriorDiameter, "open", "open", metric.NotEvaluable, "", true, "measured after it", "leaflet_height at a2"},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			f, _ := latitudeAt(t, tt.c.Case(), repair.Clock(10, 0))
			r := rangeOf(t, f, tt.leaf)
			if r.State != tt.state || text(r.Lower) != tt.low || text(r.Upper) != tt.high {
				t.Errorf("%s %s to %s, want %s %s to %s: %s, missing %v", r.State, text(r.Lower), text(r.Upper), tt.state, tt.low, tt.high, r.Explanation, r.Missing)
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
	share := s.Threshold(settings.AnteriorShareWanted).Value
	rapid.Check(t, func(t *rapid.T) {
		tenth := func(low, high int, name string) float64 {
			return float64(rapid.IntRange(low*10, high*10).Draw(t, name)) / 10
		}
		a, p, d := tenth(18, 34, "anterior"), tenth(8, 22, "posterior"), tenth(20, 34, "ring")
		low := tenth(2, 8, "low")
		high := low + tenth(2, 8, "above")
		c := repair.NewExample().Assess("tee").EditStudy(func(s *repair.Study) { s.LesionsRecorded = valve.Complete }).
			Height(valve.A2, a).Height(valve.P2, p).
			Plan().Device("p-ring", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, d).Edit(aims(low, high)).Case()
		e := evaluate.Evaluate(evaluate.Input{Case: c, Settings: s})
		f := Of(c, &e, s, time.Time{})
		contact, line := (a+p-d)/2, 100*(0.5+(a-p)/(2*d))
		const grid = 0.11
		inside := contact >= low+grid && contact <= high-grid && line >= share+grid*100/d
		outside := contact < low-grid || contact > high+grid || line < share-grid*100/d
		for _, r := range f.Ranges {
			if r.State == metric.NotApplicable && strings.Contains(r.Explanation, "domain") {
				return // line outside what the model speaks of
			}
			if inside && r.Position() != Within {
				t.Fatalf("contact %.2f, line %.1f %%: %s %s to %s is %q: %s", contact, line, r.Leaf, text(r.Lower), text(r.Upper), r.Position(), r.Explanation)
			}
			if outside && r.Position() == Within {
				t.Fatalf("contact %.2f, line %.1f %%: %s %s to %s is within", contact, line, r.Leaf, text(r.Lower), text(r.Upper))
			}
		}
	})
}

// A chord's range: length set + contact found − target, our own assumption that a
// longer chord lets go as much contact. 20 + 4 − 6 = 18, 20 + 4 − 11 = 13.
func TestOfChords(t *testing.T) {
	base := func() *repair.Example {
		return planned().Operation().Step("s-chord", repair.ArtificialChord, valve.P2).EditStep(func(s *repair.Step) { s.Run = 1 }).Dim(valve.ArtificialChordLength, 20)
	}
	ink := func(run int, stage valve.Stage, mm float64) func(*repair.Case) {
		return func(c *repair.Case) {
			c.Operation.InkTests = append(c.Operation.InkTests, repair.Test{ID: "ink-" + string(stage), Run: run, Stage: stage, Performed: valve.Yes, Time: repair.Clock(9, 50)})
			k := metric.InkDepthBeyondLine.Key(valve.AtTestSegment("ink-"+string(stage), valve.P2), valve.InRun(run, stage), valve.Measured)
			c.Measured[k] = valve.Measurement{Value: units.Some(mm), Run: run, Stage: stage}
		}
	}
	tests := []struct {
		why       string
		c         *repair.Example
		low, high string
		position  Position
		misses    string
	}{
		{"4 mm beyond the line, 6 wanted: the chord is 2 mm too long", base().Edit(ink(1, valve.AfterRing, 4)), "13", "18", Above, ""},
		{"8 mm beyond the line is within", base().Edit(ink(1, valve.AfterRing, 8)), "17", "22", Within, ""},
		{"the last test counts", base().Edit(ink(1, valve.AfterLeafletWork, 2)).Edit(ink(1, valve.AfterRing, 8)), "17", "22", Within, ""},
		{"echo off bypass is later than ink", base().Edit(ink(1, valve.AfterRing, 8)).Result("off", 1, valve.OffBypass).Coaptation(5), "14", "19", Above, ""},
		{"a test before any leaflet work says nothing of the chord", base().Edit(ink(1, valve.Native, 8)), "open", "open", "", "after the chord was set"},
		{"a test of an earlier run neither", base().Edit(func(c *repair.Case) { c.Operation.Steps[0].Run = 2 }).Edit(ink(1, valve.AfterRing, 8)), "open", "open", "", "after the chord was set"},
		{"a test of the same later run does", base().Edit(func(c *repair.Case) { c.Operation.Steps[0].Run = 2 }).Edit(ink(2, valve.AfterRing, 8)), "17", "22", Within, ""},
		{"no length, no range", planned().Operation().Step("s-chord", repair.ArtificialChord, valve.P2).Edit(ink(1, valve.AfterRing, 8)), "open", "open", "", string(valve.ArtificialChordLength) + " at step:s-chord"},
		{"a chord that is planned only has none yet", planned().Plan().Step("p-chord", repair.ArtificialChord, valve.P2).Dim(valve.ArtificialChordLength, 20), "open", "open", "", "after the chord is set"},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			f, _ := latitudeAt(t, tt.c.Case(), repair.Clock(10, 0))
			r := rangeOf(t, f, valve.ArtificialChordLength)
			if text(r.Lower) != tt.low || text(r.Upper) != tt.high || r.Position() != tt.position || !strings.Contains(strings.Join(r.Missing, ";"), tt.misses) {
				t.Errorf("%s to %s, %q, missing %v: %s", text(r.Lower), text(r.Upper), r.Position(), r.Missing, r.Explanation)
			}
		})
	}
	f, _ := latitudeAt(t, planned().Case(), repair.Clock(10, 0))
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
		{"6 mm lower than planned: the planned ring is too large now", resected(10), "p-ring", OutsideRange, "26.0 mm is above the 24.0 mm"},
		{"a leaflet lower than the coaptation wanted: no ring fits", resected(5), "p-ring", OutsideRange, "no inner antero-posterior diameter of the ring meets the plan's target"},
		{"a ring in place that was planned otherwise is done, not to come", resected(10).Device("s-ring", repair.CompleteRing).EditStep(func(s *repair.Step) { s.PlannedStepID, s.Run = "p-ring", 1 }).Dim(valve.RingInnerAnteroPosteriorDiameter, 24), "p-height", DoneOtherwise, ""},
		// 12 + 30 − 26 = 16 is the least height, 4 mm off 20 leave 16; 5 leave 15.
		{"a larger ring than planned: the planned height reduction leaves too little",
			planned().Edit(func(c *repair.Case) {
				k := metric.HeightRemoved.Key(valve.AtStep("p-height"), valve.AtPlan, valve.Planned)
				c.Measured[k] = valve.Measurement{Value: units.Some(7.0)}
			}).Operation().Device("s-ring", repair.CompleteRing).EditStep(func(s *repair.Step) { s.PlannedStepID, s.Run = "p-ring", 1 }).Dim(valve.RingInnerAnteroPosteriorDiameter, 28), "p-height", OutsideRange, "13.0 mm is below the 14.0 mm"},
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
		Operation().Step("s-chord", repair.ArtificialChord, valve.P2).EditStep(func(s *repair.Step) { s.Run = 1 }).Dim(valve.ArtificialChordLength, 20).
		Edit(func(c *repair.Case) {
			c.Operation.InkTests = []repair.Test{{ID: "ink", Run: 1, Stage: valve.AfterRing, Performed: valve.Yes, Time: repair.Clock(9, 25)}}
			k := metric.InkDepthBeyondLine.Key(valve.AtTestSegment("ink", valve.P2), valve.InRun(1, valve.AfterRing), valve.Measured)
			c.Measured[k] = valve.Measurement{Value: units.Some(8.0), Run: 1, Stage: valve.AfterRing}
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
		"operation/run1/after_ring: 35 min old",
		"operation: age unknown: no time is recorded", // the chord's length has no time of its own
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
