package rules_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"trigone/internal/evaluate"
	"trigone/internal/repair"
	"trigone/internal/rules"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Four invented cases, as a textbook would tell them. A rule set that finds
// contradictions in a well recorded, well done repair, or a page of cautions, is
// a bad rule set.

func assessed(anterior, posterior float64) *repair.Example {
	return repair.NewExample().Assess("tee").
		EditStudy(func(s *repair.Study) { s.Time, s.Timing = repair.DaysBefore(20), "holosystolic" }).
		Graded(repair.FiveStep, "severe").Method(valve.Echo3D).
		Height(valve.A2, anterior).Height(valve.P2, posterior).Height(valve.P1, 12).Height(valve.P3, 12.5).
		Set("annulus_antero_posterior_diameter", 37.5).Set("annulus_intercommissural_diameter", 43).
		Set("annulus_area", 13.1).Set("annulus_perimeter", 130).
		SetAt("scallop_free_edge_width", valve.AtSegment(valve.P2), 28).SetAt("scallop_annular_width", valve.AtSegment(valve.P2), 26).
		Method(valve.Echo2D).Set("left_ventricular_end_diastolic_volume", 160).Set("left_ventricular_end_systolic_volume", 60).
		Set("stated_left_ventricular_ejection_fraction", 62).Set("left_ventricular_end_diastolic_diameter", 58).
		Set("left_ventricular_end_systolic_diameter", 36).Method(valve.Doppler).
		Set("proximal_isovelocity_radius", 9).Set("aliasing_velocity", 40).Set("regurgitation_peak_velocity", 500).
		Set("regurgitation_velocity_time_integral", 140).Set("mean_gradient", 2).Set("peak_gradient", 6).Set("gradient_heart_rate", 72)
}

func operated(o *repair.Operation) {
	o.FirstLeafletCutTime, o.EndTime, o.LeftTheatreAlive = repair.Clock(9, 40), repair.Clock(13, 0), valve.Yes
	o.Conversion = &repair.Conversion{Converted: valve.No}
	o.Neighbourhood.LateralWallChecked, o.Neighbourhood.LateralWallNewlyAbnormal = valve.Yes, valve.No
	o.MarginChordsRecorded = valve.Complete
}

func pump(number, hour int) repair.Run {
	return repair.Run{
		Number: number, BypassStart: repair.Clock(hour, 10), ClampStart: repair.Clock(hour, 20),
		ClampEnd: repair.Clock(hour+1, 0), BypassEnd: repair.Clock(hour+1, 10),
		StatedBypassMinutes: units.Some(60.0), StatedClampMinutes: units.Some(40.0),
	}
}

func goodResult(e *repair.Example, id string, run int, stage valve.Stage, hour, minute int) *repair.Example {
	return e.Result(id, run, stage).
		EditStudy(func(s *repair.Study) {
			s.Time, s.AnteriorMotion, s.Provocation, s.Decision = repair.Clock(hour, minute), "none", "none", "accepted"
		}).Graded(repair.FiveStep, "trace").
		Method(valve.Echo2D).Coaptation(8).Set("stated_left_ventricular_ejection_fraction", 54).
		Method(valve.Doppler).Set("mean_gradient", 3).Set("peak_gradient", 7).Set("gradient_heart_rate", 80).
		Set("outflow_tract_gradient", 6).Set("systolic_arterial_pressure", 112)
}

func followed(e *repair.Example) *repair.Example {
	return e.FollowUp("discharge").EditStudy(func(s *repair.Study) {
		s.FollowUpKind, s.StatusKnownOn, s.EchoOn, s.VitalStatus = "discharge", "2026-03-09", "2026-03-08", "alive"
	}).Graded(repair.FiveStep, "trace").Method(valve.Doppler).
		Set("mean_gradient", 3.5).Set("peak_gradient", 8).Set("gradient_heart_rate", 82).Method(valve.Echo2D).Coaptation(7.5)
}

// quadrangularCase: chord rupture at P2 in a thin leaflet; the flail part is
// resected down to the annulus, sliding plasty, posterior band.
func quadrangularCase() *repair.Case {
	e := assessed(25, 17).EditStudy(func(s *repair.Study) {
		s.Lesions = []repair.Lesion{{ID: "l1", Where: repair.Location{Segment: valve.P2}, Kinds: []string{"chord_rupture", "thin_tissue"}, Flail: valve.Yes}}
	}).
		Plan().HeightAt(valve.P2, valve.Seam, 13).
		Resect("s1", repair.Quadrangular, valve.P2).Dim("resection_free_edge_width", 15).Dim("resection_base_width", 12).Dim("resection_height", 17).
		Step("s2", repair.SlidingPlasty).Side(valve.Lateral, "sliding_advance", 6).Side(valve.Medial, "sliding_advance", 6).
		Device("s3", repair.PosteriorBand).
		Field(1, valve.Native).Context(valve.Context{Method: valve.Ruler, Load: valve.Arrested}).Height(valve.A2, 24).Height(valve.P2, 18).
		Operation().Method(valve.Ruler).
		Resect("o1", repair.Quadrangular, valve.P2).Dim("resection_free_edge_width", 16).Dim("resection_base_width", 13).Dim("resection_height", 18).
		Step("o2", repair.SlidingPlasty).Side(valve.Lateral, "sliding_advance", 7).Side(valve.Medial, "sliding_advance", 6).
		Side(valve.Lateral, "sliding_strip_height_at_cut_edge", 4).Side(valve.Medial, "sliding_strip_height_at_cut_edge", 4).
		Device("o3", repair.PosteriorBand).EditStep(func(s *repair.Step) { s.Ring.AnteriorSutureCount = units.Some(0) }).
		Field(1, valve.AfterLeafletWork).Context(valve.Context{Method: valve.Ruler, Load: valve.Arrested}).
		HeightAt(valve.P2, valve.SeamLateralEdge, 13).HeightAt(valve.P2, valve.SeamMedialEdge, 12.5).
		EditOperation(operated).EditOperation(func(o *repair.Operation) {
		o.MarginChords = []repair.MarginChords{
			{StepID: "o1", Side: valve.Lateral, Count: units.Some(2)}, {StepID: "o1", Side: valve.Medial, Count: units.Some(1)},
		}
	}).Pump(pump(1, 9))
	e = goodResult(e, "off", 1, valve.OffBypass, 10, 30)
	return followed(goodResult(e, "exit", 1, valve.LeavingTheatre, 12, 0)).Case()
}

// bileafletCase: both leaflets billow; artificial chords to A2 and P2, cleft
// closed, ring; systolic anterior motion, and in run 2 the posterior leaflet,
// left long till then, is lowered.
func bileafletCase() *repair.Case {
	e := assessed(30, 25).EditStudy(func(s *repair.Study) {
		s.Lesions = []repair.Lesion{
			{ID: "l1", Where: repair.Location{Segment: valve.A2}, Kinds: []string{"billowing", "chord_elongation"}},
			{ID: "l2", Where: repair.Location{Segment: valve.P2}, Kinds: []string{"billowing", "excess_tissue", "chord_elongation"}},
			{ID: "l3", Where: repair.Location{Boundary: valve.P2P3}, Kinds: []string{"cleft"}},
		}
	}).
		Plan().
		Step("s1", repair.ArtificialChord, valve.A2).Dim("artificial_chord_length", 24).
		Step("s2", repair.ArtificialChord, valve.P2).Dim("artificial_chord_length", 15).
		Step("s3", repair.CleftClosure).Device("s4", repair.CompleteRing).
		Field(1, valve.Native).Context(valve.Context{Method: valve.Ruler, Load: valve.Arrested}).Height(valve.A2, 29).Height(valve.P2, 24).
		Operation().
		Step("o1", repair.ArtificialChord, valve.A2).Dim("artificial_chord_length", 23).
		Step("o2", repair.ArtificialChord, valve.P2).Dim("artificial_chord_length", 14).
		Step("o3", repair.CleftClosure).Device("o4", repair.CompleteRing).
		Dim("ring_inner_antero_posterior_diameter", 27).Dim("ring_inner_transverse_diameter", 36).
		Method(valve.Ruler).
		Step("o5", repair.HeightReduction, valve.P2).EditStep(func(s *repair.Step) { s.Run = 2 }).Dim("height_removed", 9).
		Field(2, valve.AfterRing).Context(valve.Context{Method: valve.Ruler, Load: valve.Arrested}).Height(valve.P2, 15).
		EditOperation(operated).Pump(pump(1, 9))
	second := pump(2, 11)
	second.Reason, second.ForMitralValve = "anterior_motion", valve.Yes
	e = e.Pump(second)
	e = e.Result("off1", 1, valve.OffBypass).EditStudy(func(s *repair.Study) {
		s.Time, s.AnteriorMotion, s.AnteriorMotionEnd = repair.Clock(10, 30), "leaflet_with_obstruction", "returned_to_bypass"
		s.Decision, s.Provocation = "further_run", "none"
	}).Graded(repair.FiveStep, "moderate").Method(valve.Echo2D).Coaptation(11).
		Method(valve.Doppler).Set("mean_gradient", 3).Set("peak_gradient", 8).Set("gradient_heart_rate", 88).
		Set("outflow_tract_gradient", 64).Set("systolic_arterial_pressure", 105)
	e = goodResult(e, "off2", 2, valve.OffBypass, 12, 20)
	return followed(goodResult(e, "exit", 2, valve.LeavingTheatre, 12, 50)).Case()
}

// convertedCase: flail at the medial commissure; closed and a ring placed, still
// leaking off bypass, replaced in run 2.
func convertedCase() *repair.Case {
	e := assessed(24, 15).EditStudy(func(s *repair.Study) {
		s.Lesions = []repair.Lesion{{ID: "l1", Where: repair.Location{Commissure: valve.MedialCommissure}, Kinds: []string{"chord_rupture"}, Flail: valve.Yes}}
	}).
		Plan().Step("s1", repair.CommissuralClosure).Dim("commissural_closure_length", 8).Device("s2", repair.CompleteRing).
		Operation().
		Step("o1", repair.CommissuralClosure).EditStep(func(s *repair.Step) { s.Fate, s.TakenDownInRun = repair.TakenDown, 2 }).
		Dim("commissural_closure_length", 9).
		Device("o2", repair.CompleteRing).EditStep(func(s *repair.Step) { s.Fate, s.TakenDownInRun = repair.TakenDown, 2 }).
		EditOperation(operated).EditOperation(func(o *repair.Operation) {
		o.Conversion = &repair.Conversion{Converted: valve.Yes, Point: "after_weaning", Reason: "residual_regurgitation", TriedStepIDs: []string{"o1", "o2"}}
	}).Pump(pump(1, 9))
	second := pump(2, 11)
	second.Reason, second.ForMitralValve = "residual_regurgitation", valve.Yes
	e = e.Pump(second).Result("off1", 1, valve.OffBypass).EditStudy(func(s *repair.Study) {
		s.Time, s.AnteriorMotion, s.Decision, s.Provocation = repair.Clock(10, 30), "none", "further_run", "none"
	}).Graded(repair.FiveStep, "moderate").Method(valve.Echo2D).Coaptation(6).
		Method(valve.Doppler).Set("mean_gradient", 4).Set("peak_gradient", 9).Set("gradient_heart_rate", 85).
		Set("systolic_arterial_pressure", 108)
	return e.Result("exit", 2, valve.LeavingTheatre).EditStudy(func(s *repair.Study) { s.Time = repair.Clock(12, 50) }).
		Graded(repair.FiveStep, "none").Method(valve.Doppler).Set("mean_gradient", 5.5).Set("peak_gradient", 11).
		Set("gradient_heart_rate", 90).Set("systolic_arterial_pressure", 118).Case()
}

// triangularCase: a triangle taken out of P2, a complete ring with its inner
// dimensions, heights by echo: the case of a full prediction.
func triangularCase() *repair.Case {
	e := assessed(26, 16).
		Plan().
		Resect("s1", repair.Triangular, valve.P2).Dim("resection_free_edge_width", 12).Dim("resection_height", 15).
		Device("s2", repair.CompleteRing).Dim("ring_inner_antero_posterior_diameter", 26).Dim("ring_inner_transverse_diameter", 34).
		Operation().
		Resect("o1", repair.Triangular, valve.P2).Dim("resection_free_edge_width", 12).Dim("resection_height", 15).
		Device("o2", repair.CompleteRing).Dim("ring_inner_antero_posterior_diameter", 26).Dim("ring_inner_transverse_diameter", 34).
		EditOperation(operated).EditOperation(func(o *repair.Operation) {
		o.MarginChords = []repair.MarginChords{
			{StepID: "o1", Side: valve.Lateral, Count: units.Some(1)}, {StepID: "o1", Side: valve.Medial, Count: units.Some(1)},
		}
	}).Pump(pump(1, 9))
	e = goodResult(e, "off", 1, valve.OffBypass, 10, 30).Method(valve.Echo2D).Height(valve.P2, 16.5).Height(valve.A2, 26.5)
	return followed(goodResult(e, "exit", 1, valve.LeavingTheatre, 12, 0)).Case()
}

func evaluated(c *repair.Case) []rules.Finding {
	return evaluate.Evaluate(evaluate.Input{Case: c, Settings: settings.BuiltIn("example", "1", "UTC")}).Findings
}

type textbookCase struct {
	name     string
	c        *repair.Case
	cautions int // at most, in the final state
}

func textbook() []textbookCase {
	return []textbookCase{
		{"quadrangular resection, sliding plasty, band", quadrangularCase(), 2},
		{"bileaflet, further run for systolic anterior motion", bileafletCase(), 2},
		{"commissural flail, converted", convertedCase(), 0},
		{"triangular resection, complete ring", triangularCase(), 2},
	}
}

func TestTextbookCases(t *testing.T) {
	var page strings.Builder
	for _, row := range textbook() {
		fmt.Fprintf(&page, "%s\n", row.name)
		cautions := 0
		for _, f := range evaluated(row.c) {
			final := " "
			if f.Final {
				final = "*"
			}
			fmt.Fprintf(&page, "%s %-13s %-40s %s: %s\n", final, f.Severity, f.Rule, f.At.Occasion, f.Message)
			if f.Severity == rules.Contradiction {
				t.Errorf("%s: %s: %s", row.name, f.Rule, f.Message)
			}
			if f.Final && f.Severity == rules.Caution {
				cautions++
			}
		}
		if cautions > row.cautions {
			t.Errorf("%s: %d cautions in the final state, at most %d", row.name, cautions, row.cautions)
		}
		page.WriteString("\n")
	}
	golden(t, "cases.golden", page.String())
}

// The posterior leaflet of the bileaflet case, left long, is spoken of at the
// plan and after run 1, and no more once run 2 has lowered it.
func TestLongPosteriorLeafletIsSpokenOf(t *testing.T) {
	var at []string
	for _, f := range evaluated(bileafletCase()) {
		if strings.HasPrefix(f.Rule, "posterior-leaflet-high") {
			at = append(at, f.Rule+" "+string(f.At.Occasion))
			if f.Final {
				t.Errorf("%s at %s speaks of the final state", f.Rule, f.At.Occasion)
			}
		}
	}
	slices.Sort(at)
	want := []string{
		"posterior-leaflet-high operation/run1", "posterior-leaflet-high plan",
		"posterior-leaflet-high-with-low-ratio operation/run1", "posterior-leaflet-high-with-low-ratio plan",
	}
	if !slices.Equal(at, want) {
		t.Errorf("spoken of at %v, want %v", at, want)
	}
}

type fault struct {
	name   string
	c      *repair.Case
	change func(*repair.Case)
	rule   string
}

// faults are the same cases with one thing wrong.
func faults() []fault {
	return []fault{
		{"ring dimensions swapped", triangularCase(), func(c *repair.Case) {
			set(c, "ring_inner_antero_posterior_diameter", valve.AtStep("o2"), valve.AtOperation, 34)
			set(c, "ring_inner_transverse_diameter", valve.AtStep("o2"), valve.AtOperation, 26)
		}, "ring-antero-posterior-above-transverse"},
		{"more height removed than there was", bileafletCase(), func(c *repair.Case) {
			set(c, "height_removed", valve.AtStep("o5"), valve.AtOperation, 30)
		}, "height-removed-not-below-height"},
		{"ring still in place after conversion", convertedCase(), func(c *repair.Case) {
			c.Operation.Steps[1].Fate, c.Operation.Steps[1].TakenDownInRun = repair.InPlace, 0
		}, "ring-in-place-after-conversion"},
		{"sliding plasty forgotten", quadrangularCase(), func(c *repair.Case) {
			c.Operation.Steps = slices.DeleteFunc(c.Operation.Steps, func(s repair.Step) bool { return s.ID == "o2" })
		}, "base-gap-without-closure"},
		{"no echo on leaving theatre", triangularCase(), func(c *repair.Case) {
			c.Studies = slices.DeleteFunc(c.Studies, func(s repair.Study) bool { return s.Stage == valve.LeavingTheatre })
		}, "no-exit-echo"},
		{"coaptation in cm", triangularCase(), func(c *repair.Case) {
			set(c, "coaptation_length", valve.AtSlice(valve.A2P2), "result/exit", 0.8)
		}, "coaptation-short"},
		{"jet in m/s", triangularCase(), func(c *repair.Case) {
			set(c, "regurgitation_peak_velocity", valve.Nowhere, "assessment/tee", 5)
		}, "looks-like-another-unit"},
		{"perimeter in cm", triangularCase(), func(c *repair.Case) {
			set(c, "annulus_perimeter", valve.Nowhere, "assessment/tee", 13)
		}, "perimeter-too-short-for-area"},
	}
}

// Each fault is found.
func TestFaultsInTextbookCases(t *testing.T) {
	for _, row := range faults() {
		t.Run(row.name, func(t *testing.T) {
			row.change(row.c)
			findings := evaluated(row.c)
			if !slices.ContainsFunc(findings, func(f rules.Finding) bool { return f.Rule == row.rule }) {
				t.Errorf("%s says nothing; findings: %+v", row.rule, findings)
			}
		})
	}
}

func set(c *repair.Case, leaf valve.ID, place valve.Place, o valve.Occasion, value float64) {
	k := valve.Key{ID: leaf, Place: place, Occasion: o, Role: valve.Measured}
	m, ok := c.Measured[k]
	if !ok {
		panic("no " + k.String())
	}
	m.Value = units.Some(value)
	c.Measured[k] = m
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if flag.Lookup("update").Value.String() == "true" {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s changed; look at the difference and run the test with -update. Got:\n%s", name, got)
	}
}
