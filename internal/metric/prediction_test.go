package metric

import (
	"strings"
	"testing"

	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// fullPrediction is an invented case that yields both predictions: triangular
// resection of P2, a complete ring with inner dimensions, heights by echo.
func fullPrediction() *repair.Example {
	return tee().Height(valve.A2, 27).Height(valve.P2, 24).
		EditStudy(func(s *repair.Study) {
			s.LesionsRecorded = valve.Complete
			s.Lesions = []repair.Lesion{{ID: "l1", Where: repair.Location{Segment: valve.P2}, Kinds: []string{"chord_rupture"}, Flail: valve.Yes}}
			s.Dysfunctions = []repair.Dysfunction{{Where: repair.Location{Segment: valve.P2}, Type: "ii"}}
			s.Calcification, s.AnteriorMotion = "focal", "none"
		}).
		Plan().Resect("s1", repair.Triangular, valve.P2).Dim("resection_free_edge_width", 12).
		Device("s2", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 28).Dim(valve.RingInnerTransverseDiameter, 36).
		Operation().Resect("o1", repair.Triangular, valve.P2).Dim("resection_free_edge_width", 12).
		Device("o2", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 30).Dim(valve.RingInnerTransverseDiameter, 38)
}

// (27 + 24 + 12²/(8·24) − 28)/2 and with the larger ring implanted: own
// arithmetic of the flat form, c = (a + p − d)/2.
func TestFullPrediction(t *testing.T) {
	c := fullPrediction().Case()
	for _, row := range []struct {
		key     valve.Key
		contact float64
		share   float64
	}{
		{PredictedContactKey(true), 11.9, 54},    // (27 − 24.75)/56 = .040 beyond the half
		{PredictedContactKey(false), 10.9, 53.8}, // (27 − 24.75)/60 = .0375
	} {
		v := one(t, c, row.key)
		if v.State != HasValue || v.Value != row.contact {
			t.Errorf("%s: %s %v, want %v (%s)", row.key, v.State, v.Value, row.contact, v.Explanation)
		}
		if !v.Lower.IsSome() || !v.Upper.IsSome() {
			t.Errorf("%s is no range", row.key)
		}
		if !strings.Contains(v.Explanation, UncalibratedLabel) || strings.Contains(v.Explanation, "differ") {
			t.Errorf("explanation %q", v.Explanation)
		}
		s := one(t, c, withID(row.key, IDPredictedAnteriorShare))
		if s.State != HasValue || s.Value != row.share {
			t.Errorf("share %s %v, want %v", s.State, s.Value, row.share)
		}
	}
}

// A native P2 of 25 mm used for a seam of 12.5 mm would give 13.3 mm of contact
// where the valve has 7.0 (own vector): the seam counts, and nothing without it.
func TestSeamAndNotNativeHeight(t *testing.T) {
	build := func() *repair.Example {
		return tee().Height(valve.A2, 26.5).Height(valve.P2, 25).
			Operation().Resect("q", repair.Quadrangular, valve.P2).Device("r", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 25)
	}
	if v := one(t, build().Case(), PredictedContactKey(false)); v.State != NotEvaluable || len(v.Missing) != 2 {
		t.Errorf("without the seam: %s %v, missing %v", v.State, v.Value, v.Missing)
	}
	c := build().Field(1, valve.AfterLeafletWork).Method(valve.Ruler).
		HeightAt(valve.P2, valve.SeamLateralEdge, 12).HeightAt(valve.P2, valve.SeamMedialEdge, 13).Case()
	v := one(t, c, PredictedContactKey(false))
	if v.State != HasValue || v.Value != 7 || !strings.Contains(v.Explanation, "methods differ") {
		t.Errorf("with the seam: %s %v, %s", v.State, v.Value, v.Explanation)
	}
}

// The domain is looked at first; outside it there is no number, and a reason.
func TestDomainOfThePrediction(t *testing.T) {
	study := func(change func(*repair.Study)) func(*repair.Case) {
		return func(c *repair.Case) { change(&c.Studies[0]) }
	}
	lesion := func(l repair.Lesion) func(*repair.Case) {
		return study(func(s *repair.Study) { s.Lesions = append(s.Lesions, l) })
	}
	cleft := repair.Lesion{ID: "l2", Where: repair.Location{Boundary: valve.P1P2}, Kinds: []string{"cleft"}}
	closing := func(s repair.Step) func(*repair.Case) {
		return func(c *repair.Case) {
			lesion(cleft)(c)
			s.ID, s.Technique = "cl", repair.CleftClosure
			c.Plan.Steps = append(c.Plan.Steps, s)
		}
	}
	ring := func(change func(*repair.Step)) func(*repair.Case) {
		return func(c *repair.Case) { change(&c.Plan.Steps[1]) }
	}
	setRing := func(mm float64) func(*repair.Case) {
		return func(c *repair.Case) {
			c.Measured[valve.Key{ID: valve.RingInnerAnteroPosteriorDiameter, Place: "step:s2", Occasion: valve.AtPlan, Role: valve.Planned}] = valve.Measurement{Value: units.Some(mm)}
		}
	}
	rows := []struct {
		why    string
		change func(*repair.Case)
		state  State
		says   string
	}{
		{"inside", func(*repair.Case) {}, HasValue, UncalibratedLabel},
		{"open cleft", lesion(cleft), NotApplicable, "open cleft"},
		{"cleft closed, named by the step", closing(repair.Step{LesionIDs: []string{"l2"}}), HasValue, UncalibratedLabel},
		{"cleft closed, at its place", closing(repair.Step{Places: []repair.Location{{Boundary: valve.P1P2}}}), HasValue, UncalibratedLabel},
		{"another cleft closed", closing(repair.Step{Places: []repair.Location{{Boundary: valve.P2P3}}}), NotApplicable, "open cleft"},
		{"prolapse of a commissure", study(func(s *repair.Study) {
			s.Dysfunctions = append(s.Dysfunctions, repair.Dysfunction{Where: repair.Location{Commissure: valve.MedialCommissure}, Type: "ii"})
		}), NotApplicable, "commissure"},
		{"chord rupture at a commissure", lesion(repair.Lesion{ID: "l3", Where: repair.Location{Commissure: valve.MedialCommissure}, Kinds: []string{"chord_rupture"}}), NotApplicable, "commissure"},
		{"restriction", study(func(s *repair.Study) {
			s.Dysfunctions = append(s.Dysfunctions, repair.Dysfunction{Where: repair.Location{Segment: valve.P3}, Type: "iiib"})
		}), NotApplicable, "restricted"},
		{"calcification of a third", study(func(s *repair.Study) { s.Calcification = "third" }), NotApplicable, "calcification beyond a spot"},
		{"calcification of unknown extent", study(func(s *repair.Study) {
			s.Calcification = ""
			s.Lesions = append(s.Lesions, repair.Lesion{ID: "l4", Kinds: []string{"calcification"}})
		}), NotApplicable, "unknown extent"},
		{"edge-to-edge", func(c *repair.Case) {
			c.Plan.Steps = append(c.Plan.Steps, repair.Step{ID: "e", Technique: repair.EdgeToEdge, Slice: valve.A2P2})
		}, NotApplicable, "edge-to-edge"},
		{"anterior motion", study(func(s *repair.Study) { s.AnteriorMotion = "leaflet_with_obstruction" }), NotApplicable, "anterior motion"},
		{"anterior motion that resolved", study(func(s *repair.Study) {
			s.AnteriorMotion, s.AnteriorMotionEnd = "leaflet_without_obstruction", "resolved"
		}), HasValue, UncalibratedLabel},
		{"two reasons, both told", study(func(s *repair.Study) { s.Calcification, s.AnteriorMotion = "extensive", "chordal" }), NotApplicable, "calcification beyond a spot and systolic anterior motion"},
		{"posterior band", ring(func(s *repair.Step) { s.Ring.Kind = repair.PosteriorBand }), HasValue, "a posterior band leaves the antero-posterior diameter free"},
		{"kind of ring not recorded", ring(func(s *repair.Step) { s.Ring.Kind = "" }), NotEvaluable, "not recorded"},
		{"no ring", func(c *repair.Case) { c.Plan.Steps = c.Plan.Steps[:1] }, NotApplicable, "no ring"},
		{"a ring only as an alternative", ring(func(s *repair.Step) { s.AlternativeOf = "s1" }), NotApplicable, "no ring"},
		{"ring of 14 mm", setRing(14), NotApplicable, "between 15 and 45 mm"},
		{"ring of 46 mm", setRing(46), NotApplicable, "between 15 and 45 mm"},
		{"lesions not stated to be complete", study(func(s *repair.Study) { s.LesionsRecorded = "" }), HasValue, "could not be checked in full"},
	}
	for _, row := range rows {
		t.Run(row.why, func(t *testing.T) {
			c := fullPrediction().Case()
			row.change(c)
			for _, id := range []valve.ID{IDPredictedContact, IDPredictedAnteriorShare} {
				v := one(t, c, withID(PredictedContactKey(true), id))
				if v.State != row.state || !strings.Contains(v.Explanation, row.says) {
					t.Errorf("%s: %s, %s", id, v.State, v.Explanation)
				}
				if v.State == HasValue && !strings.Contains(v.Explanation, UncalibratedLabel) {
					t.Errorf("%s: a range without its label: %s", id, v.Explanation)
				}
				if v.State != HasValue && (v.Value != 0 || v.Upper.IsSome()) {
					t.Errorf("%s: a number outside the domain", id)
				}
			}
		})
	}
	// What was found after the repair concerns what was done.
	c := fullPrediction().Result("exit", 1, valve.OffBypass).
		EditStudy(func(s *repair.Study) { s.AnteriorMotion = "leaflet_with_obstruction" }).Case()
	if v := one(t, c, PredictedContactKey(false)); v.State != NotApplicable {
		t.Errorf("anterior motion after the repair: %s", v.State)
	}
	if v := one(t, c, PredictedContactKey(true)); v.State != HasValue {
		t.Errorf("the plan was made before: %s", v.State)
	}
}

// Artificial chords hold the closure line at a place that is not known.
func TestHeldLine(t *testing.T) {
	for _, row := range []struct {
		why  string
		at   []repair.Location
		held bool
	}{
		{"P2", []repair.Location{{Segment: valve.P2}}, true},
		{"A2", []repair.Location{{Segment: valve.A2}}, true},
		{"the whole leaflet", []repair.Location{{Leaflet: valve.Anterior}}, true},
		{"not recorded", nil, true},
		{"P3", []repair.Location{{Segment: valve.P3}}, false},
	} {
		c := fullPrediction().Case()
		c.Plan.Steps = append(c.Plan.Steps, repair.Step{ID: "c", Technique: repair.ArtificialChord, Places: row.at})
		v := one(t, c, PredictedContactKey(true))
		if v.State != HasValue || v.Value != 11.9 || strings.Contains(v.Explanation, "overlap that echo sees is unknown") != row.held {
			t.Errorf("%s: %s %v, %s", row.why, v.State, v.Value, v.Explanation)
		}
		s := one(t, c, withID(PredictedContactKey(true), IDPredictedAnteriorShare))
		if (s.State == NotApplicable) != row.held {
			t.Errorf("%s: share %s", row.why, s.State)
		}
	}
}

// A ring known by its label only: the answer names the two numbers that lack.
func TestPredictionNamesWhatIsMissing(t *testing.T) {
	c := tee().Height(valve.A2, 27).Plan().Device("r", repair.CompleteRing).Case()
	v := one(t, c, PredictedContactKey(true))
	want := []string{"ring_inner_antero_posterior_diameter at step:r of plan", "leaflet_height at p2/segment_mid of assessment/tee"}
	if v.State != NotEvaluable || strings.Join(v.Missing, "|") != strings.Join(want, "|") {
		t.Errorf("%s, missing %v", v.State, v.Missing)
	}
}
