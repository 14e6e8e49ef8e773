package metric

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trigone/internal/haemo"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

func male(e *repair.Example) *repair.Example {
	return e.Edit(func(c *repair.Case) { c.Identity = &repair.Identity{Sex: "male"} })
}

// outflow: 20 mm and 18 cm are 56.549 mL.
func outflow() *repair.Example {
	return tte().Set(valve.OutflowTractDiameter, 20).Set(valve.OutflowTractVelocityTimeIntegral, 18)
}

func planned(id valve.ID, step string) valve.Key {
	return valve.Key{ID: id, Place: valve.AtStep(step), Occasion: valve.AtPlan, Role: valve.Planned}
}

func inFamily(s *repair.Step) { s.Ring.FamilyKey = "family-1" }

// scallops: the widths of the worked example of the resection, 24, 46 and 22 mm.
func scallops(e *repair.Example) *repair.Example {
	for i, seg := range posteriorSegments {
		e.SetAt(valve.ScallopFreeEdgeWidth, valve.AtSegment(seg), []float64{24, 46, 22}[i])
	}
	return e
}

// level: what the resection of that example leaves, 10, 12 and 10 mm, or others.
func level(p1, p2, p3 float64) *repair.Example {
	return repair.NewExample().Operation().Step("h", repair.HeightReduction, valve.P2).
		Field(1, valve.AfterLeafletWork).Method(valve.Ruler).Height(valve.P1, p1).Height(valve.P2, p2).Height(valve.P3, p3)
}

func factorCase() *repair.Example {
	return repair.NewExample().Assess("tee").Method(valve.Echo3D).Height(valve.A2, 24).Height(valve.P2, 20).
		Set(valve.CoaptationToSeptumDistance, 20).Set(valve.AortoMitralAngle, 110).Set(valve.BasalSeptumThickness, 15).Set(valve.LeftVentricularEndDiastolicDiameter, 44).
		Plan().Step("c", repair.ArtificialChord, valve.P2)
}

func depthExamples() []example {
	whole := func(id valve.ID, o valve.Occasion, role valve.Role) valve.Key {
		return valve.Key{ID: id, Occasion: o, Role: role}
	}
	posterior := valve.AtLeaflet(valve.Posterior)
	severe := tte().Set(valve.StatedRegurgitantOrificeArea, 0.45).Set(valve.StatedRegurgitantVolume, 65).Set(valve.StatedLeftVentricularEjectionFraction, 62).Set(valve.LeftVentricularEndSystolicDiameter, 38).
		Edit(func(c *repair.Case) { c.Plan = &repair.Plan{Aetiology: "myxomatous", FunctionalClass: "i"} })
	withJet := map[valve.ID]string{valve.ProximalIsovelocityRadius: silent, valve.RegurgitationVelocityTimeIntegral: fewer}
	return []example{
		{key: atTTE(IDLowestBand), c: convergence(), want: 3, band: "moderate to severe", without: withJet,
			from: published + "teaching calculator: 57.0 mL, by the 2017 bands one below its 0.407 cm2"},
		{key: atTTE(IDHighestBand), c: convergence(), want: 4, band: "severe", without: withJet, from: published + "as above"},
		{key: atTTE(IDBandSpread), c: convergence(), want: 1, from: published + "as above",
			without: map[valve.ID]string{valve.ProximalIsovelocityRadius: silent, valve.RegurgitationVelocityTimeIntegral: refused}},
		{key: atTTE(IDPrimaryStage), c: severe, want: 3, band: "stage C1, severe without symptoms, ventricle compensated",
			from: "guideline of 2020, table of stages, read in a secondary page", without: map[valve.ID]string{valve.StatedRegurgitantOrificeArea: fewer, valve.StatedRegurgitantVolume: fewer}},

		{key: atTTE(IDFractionByConvergence), c: convergence().Set(valve.OutflowTractDiameter, 20).Set(valve.OutflowTractVelocityTimeIntegral, 18), want: 50.199, band: "severe",
			from: own + "57.001 of 57.001 + 56.549", without: map[valve.ID]string{valve.ProximalIsovelocityRadius: silent, valve.OutflowTractVelocityTimeIntegral: silent}},
		{key: atTTE(IDFillingTime), c: male(tte().Set(valve.GradientHeartRate, 70)), want: 428, from: own + "546 − 2.1·70 = 399 ms; Chest 1981 has 387, which makes 440",
			without: map[valve.ID]string{valve.GradientHeartRate: silent}},
		{key: atTTE(IDHydraulicOrifice), c: male(tte().Set(valve.CardiacOutput, 4).Set(valve.GradientHeartRate, 80).Set(valve.MeanGradient, 12)), want: 1.1195,
			from:    own + "4000/80/0.342 s over 37.7·√12; the published example states 0.40 s and gets 0.96",
			without: map[valve.ID]string{valve.CardiacOutput: silent, valve.MeanGradient: silent}},
		{key: atTTE(IDContinuityOrifice), c: outflow().Set(valve.TransmitralJetVelocityTimeIntegral, 27), want: 2.0944, from: own + "56.549/27; equation of Otto, chapter 11",
			without: map[valve.ID]string{valve.TransmitralJetVelocityTimeIntegral: silent}},
		{key: atTTE(IDIndexedEffectiveOrifice), c: body(outflow().Set(valve.TransmitralJetVelocityTimeIntegral, 27), 180, 80), want: 104.72, from: own + "the same on 2.00 m2",
			without: map[valve.ID]string{valve.TransmitralJetVelocityTimeIntegral: silent}},
		{key: atTTE(IDDecelerationOrifice), c: tte().Set(valve.DecelerationTime, 500), want: 1.5172, from: own + "220/145; also printed as 759/500",
			without: map[valve.ID]string{valve.DecelerationTime: silent}},
		{key: atTTE(IDForwardStrokeIndex), c: body(outflow(), 180, 80), want: 28.274, from: own + "56.549 on 2.00 m2", without: map[valve.ID]string{valve.OutflowTractVelocityTimeIntegral: silent}},
		{key: atTTE(IDOutflowOutput), c: outflow().Set(valve.HeartRate, 70), want: 3.958, from: own + "56.549 · 70",
			without: map[valve.ID]string{valve.OutflowTractVelocityTimeIntegral: silent, valve.HeartRate: silent}},
		{key: atTTE(IDEarlyToLateRatio), c: tte().Set(valve.EarlyInflowVelocity, 120).Set(valve.LateInflowVelocity, 60), want: 2, from: "definition", without: map[valve.ID]string{valve.LateInflowVelocity: silent}},
		{key: atTTE(IDAnteriorLeafletToAnnulus), c: tte().Set(valve.AnteriorLeafletArea, 8).Set(valve.AnnulusArea, 12), want: 0.6667, from: "arithmetic",
			without: map[valve.ID]string{valve.AnteriorLeafletArea: silent, valve.AnnulusArea: silent}},

		{key: performed(IDIndexedRingOrifice, "ring"), c: body(repair.NewExample().Operation().Device("ring", repair.CompleteRing).Dim(valve.RingOrificeArea, 4.87), 160, 62.75),
			want: 291.6, from: published + "mean 291.5 mm2/m2 of Doi 2014 at 1.67 m2, here 160 cm and 62.75 kg", without: map[valve.ID]string{valve.RingOrificeArea: diameters}},
		{key: performed(IDEffectiveRingOrifice, "ring"), c: repair.NewExample().Operation().Device("ring", repair.CompleteRing).Dim(valve.RingOrificeArea, 4.87),
			want: 1.7532, from: own + "0.36 · 4.87; two cohorts with rings of 30 to 31 had 1.86 and 1.66 cm2 by continuity (abstract read)", without: map[valve.ID]string{valve.RingOrificeArea: diameters}},
		{key: performed(IDEffectiveRingOrifice, "band"), c: repair.NewExample().Operation().Device("band", repair.PosteriorBand).Dim(valve.RingOrificeArea, 5),
			want: 1.9008, from: own + "0.36 · 1.07 · √(4.87 · 5)", without: map[valve.ID]string{valve.RingOrificeArea: elsewhere}},
		{key: planned(IDExpectedGradient, "ring"), c: male(tte().Set(valve.CardiacOutput, 3.9).Set(valve.GradientHeartRate, 65).
			Plan().Device("ring", repair.CompleteRing).Dim(valve.RingOrificeArea, 5.482)),
			want: 2.31, from: own + "60 mL at 65/min over 1.86 cm2; measured 2.6 ± 1.1 with such an orifice, flow not reported",
			without: map[valve.ID]string{valve.CardiacOutput: silent, valve.RingOrificeArea: diameters}},
		{key: performed(IDDiameterReduction, "ring"), c: tte().Set(valve.AnnulusAnteroPosteriorDiameter, 33).Operation().Device("ring", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 26), want: 21.212, from: "arithmetic, 1 − 26/33"},
		{key: atTTE(IDBandLengthByTrigones), c: tte().Set(valve.IntertrigonalDistance, 18), want: 59.94, from: published + "factor of 82 fresh hearts, 3.33 · 18", without: map[valve.ID]string{valve.IntertrigonalDistance: silent}},
		{key: planned(IDLabelByLeafletArea, "ring"), c: tte().Set(valve.AnteriorLeafletArea, 6.4).Plan().Device("ring", repair.CompleteRing).EditStep(inFamily), want: 30,
			from: "invented table: 6 to 7 cm2", without: map[valve.ID]string{valve.AnteriorLeafletArea: silent}},
		{key: planned(IDLabelByLeafletArea, "ring"), c: tte().Set(valve.AnteriorLeafletArea, 6.4).Field(1, valve.Native).Set(valve.AnteriorLeafletArea, 7.4).
			Plan().Device("ring", repair.CompleteRing).EditStep(inFamily), want: 30,
			from: "invented table: the plan rests on the echo's 6.4 cm2, not on what the field measured later"},
		{key: planned(IDLabelByAnteriorHeight, "ring"), c: tte().Height(valve.A2, 27).Plan().Device("ring", repair.CompleteRing).EditStep(inFamily), want: 32,
			from: "invented table: 26 to 29 mm", without: map[valve.ID]string{valve.LeafletHeight: silent}},
		{key: planned(IDLabelByTrigones, "ring"), c: tte().Set(valve.IntertrigonalDistance, 27.7).Plan().Device("ring", repair.CompleteRing).EditStep(inFamily), want: 32,
			from: "invented table: 26 to 29 mm lies nearer around it than 28 to 31", without: map[valve.ID]string{valve.IntertrigonalDistance: silent}},

		{key: performed(IDTriangleExcess, "r"), c: repair.NewExample().Assess("tee").Height(valve.P2, 20).Operation().
			Resect("r", repair.Triangular, valve.P2).Dim(valve.ResectionFreeEdgeWidth, 15), want: 1.40625, from: own + "15²/(8·20); the exact seam is 1.36 higher"},
		{key: performed(IDResectedShare, "r"), c: repair.NewExample().Assess("tee").Height(valve.P2, 18).SetAt(valve.ScallopFreeEdgeWidth, "p2", 28).SetAt(valve.ScallopAnnularWidth, "p2", 26).
			Operation().Resect("r", repair.Triangular, valve.P2).Dim(valve.ResectionFreeEdgeWidth, 15).Dim(valve.ResectionHeight, 18), want: 27.778, from: own + "135 of 486 mm2"},
		{key: performed(IDProlapseShare, "r"), c: repair.NewExample().Operation().Resect("r", repair.Triangular, valve.P2).Dim(valve.ResectionFreeEdgeWidth, 14).Dim(valve.ProlapsingFreeEdgeWidth, 20),
			want: 70, from: "arithmetic", without: map[valve.ID]string{valve.ProlapsingFreeEdgeWidth: silent}},
		{key: performed(IDStripArea, "s"), c: repair.NewExample().Operation().Step("s", repair.SlidingPlasty).
			Side(valve.Lateral, valve.SlidingDetachedLength, 24).Side(valve.Lateral, valve.SlidingStripHeightAtCutEdge, 8).Side(valve.Lateral, valve.SlidingStripHeightAtFarEnd, 3).
			Side(valve.Medial, valve.SlidingDetachedLength, 22).Side(valve.Medial, valve.SlidingStripHeightAtCutEdge, 8).Side(valve.Medial, valve.SlidingStripHeightAtFarEnd, 3), want: 2.53, from: own + "132 + 121 mm2"},
		{key: whole(IDRemovedArea, valve.AtOperation, valve.Derived), c: removal(), want: 7.36, from: own + "350 mm2 resected and strips of 386, 3/8/3 mm over 24, 31 and 22"},
		{key: whole(IDFreeEdgeLeft, valve.AtOperation, valve.Derived), c: scallops(repair.NewExample().Assess("tee")).Operation().
			Resect("r", repair.Quadrangular, valve.P2).Dim(valve.ResectionFreeEdgeWidth, 20), want: 72, from: own + "24 + 46 + 22 − 20"},
		{key: whole(IDBasePerAnnulus, valve.AtOperation, valve.Derived), c: based(), want: 1,
			from: own + "means of 42 patients (abstract read): posterior annulus 93, base resected 28; a band of 65 takes in exactly that", without: map[valve.ID]string{valve.PosteriorAnnulusLength: silent}},
		{key: whole(IDWidthClosedByRing, valve.AtOperation, valve.Derived), c: based(), want: 28, from: own + "as above", without: map[valve.ID]string{valve.PosteriorAnnulusLength: silent}},
		{key: whole(IDWidthClosedByRing, valve.AtPlan, valve.Planned), c: repair.NewExample().Assess("tee").Set(valve.PosteriorAnnulusLength, 93).
			Plan().Device("ring", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 28).Dim(valve.RingInnerTransverseDiameter, 36), want: 17.307,
			from: own + "93 less ¾ of the ellipse 36 by 28, 100.924 by elliptic integral", without: map[valve.ID]string{valve.PosteriorAnnulusLength: silent}},
		{key: afterRun1(IDHeightUniformity, posterior), c: level(10, 12, 10), want: 0.833, from: own + "heights that the worked resection leaves",
			without: map[valve.ID]string{valve.LeafletHeight: elsewhere}},
		{key: afterRun1(IDHeightVariation, posterior), c: level(10, 12, 10), want: 8.84, from: own + "as above", without: map[valve.ID]string{valve.LeafletHeight: elsewhere}},
		{key: afterRun1(IDHeightAsymmetry, posterior), c: level(12, 14, 8), want: 0.2, from: own + "4/20", without: map[valve.ID]string{valve.LeafletHeight: elsewhere}},

		{key: whole(IDFactorCount, valve.AtPlan, valve.Planned), c: factorCase(), want: 6, from: "Popa 2013 and a handbook, read; the anterior leaflet of 24 mm is not long",
			without: map[valve.ID]string{valve.LeafletHeight: otherWay, valve.CoaptationToSeptumDistance: otherWay, valve.AortoMitralAngle: otherWay, valve.BasalSeptumThickness: otherWay, valve.LeftVentricularEndDiastolicDiameter: otherWay}},
		{key: valve.Key{ID: IDWindowExcess, Place: "a2_p2", Occasion: valve.AtPlan, Role: valve.Planned},
			c: repair.NewExample().Assess("tee").Method(valve.Echo3D).Height(valve.A2, 26).Height(valve.P2, 20).
				Plan().Device("ring", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 22), want: 1.333, from: own + "20 mm against an upper edge of 18.7 at a 26, d 22"},
	}
}

// removal: the worked example of a quadrangular resection with sliding, a level
// strip beside the cut and a lower one of the neighbours.
func removal() *repair.Example {
	sides := func(e *repair.Example, strip, lateral, medial float64) *repair.Example {
		for side, detached := range map[valve.Side]float64{valve.Lateral: lateral, valve.Medial: medial} {
			e.Side(side, valve.SlidingDetachedLength, detached).Side(side, valve.SlidingStripHeightAtCutEdge, strip).Side(side, valve.SlidingStripHeightAtFarEnd, strip)
		}
		return e
	}
	e := repair.NewExample().Operation().Resect("r", repair.Quadrangular, valve.P2).
		Dim(valve.ResectionFreeEdgeWidth, 20).Dim(valve.ResectionBaseWidth, 15).Dim(valve.ResectionHeight, 20).Step("near", repair.SlidingPlasty)
	return sides(sides(e, 8, 15.5, 15.5).Step("far", repair.SlidingPlasty), 3, 24, 22)
}

func based() *repair.Example {
	return repair.NewExample().Assess("tee").Set(valve.PosteriorAnnulusLength, 93).Operation().
		Resect("r", repair.Quadrangular, valve.P2).Dim(valve.ResectionBaseWidth, 28).Device("band", repair.PosteriorBand).Dim(valve.BandLength, 65)
}

// Each study is graded by each parameter; the table of bands is that of the 2017
// recommendations, read in a secondary page.
func TestGrading(t *testing.T) {
	rows := []struct {
		why         string
		c           *repair.Example
		low, high   haemo.Band // 0: no value
		spread      float64    // below 0: no value
		explanation string
	}{
		{"one parameter grades, and says that it does so alone", tte().Set(valve.StatedRegurgitantOrificeArea, 0.45), haemo.Severe, haemo.Severe, -1, "none grades alone"},
		{"a vena contracta alone is never severe", tte().Set(valve.VenaContractaWidth, 9), 0, 0, -1, "does not make severe"},
		{"in two planes neither", tte().Set(valve.VenaContractaWidth, 9).Set(valve.VenaContractaWidthAcross, 10), 0, 0, -1, "does not make severe"},
		{"a vena contracta between allows two bands", tte().Set(valve.VenaContractaWidth, 5), haemo.MildToModerate, haemo.ModerateToSevere, -1, "none grades alone"},
		{"an orifice that agrees makes it severe", tte().Set(valve.VenaContractaWidth, 9).Set(valve.StatedRegurgitantOrificeArea, 0.41), haemo.Severe, haemo.Severe, 0, "concordant"},
		{"between two bands the other parameter decides", tte().Set(valve.VenaContractaWidth, 5).Set(valve.StatedRegurgitantVolume, 50), haemo.ModerateToSevere, haemo.ModerateToSevere, 0, "concordant"},
		{"two bands apart", tte().Set(valve.StatedRegurgitantOrificeArea, 0.40).Set(valve.StatedRegurgitantVolume, 44), haemo.MildToModerate, haemo.Severe, 2, "discordant"},
		{"high flow: volume severe, fraction one band less", tte().Set(valve.StatedRegurgitantVolume, 65.424).Set(valve.StatedRegurgitantFraction, 48.57), haemo.ModerateToSevere, haemo.Severe, 1, "within 1 grade"},
		{"corrected for 120 degrees, never mixed with the uncorrected", convergence().Set(valve.ConvergenceAngle, 120), haemo.MildToModerate, haemo.MildToModerate, 0, "corrected for the angle 0.27"},
		{"late systolic: a single frame is left out", convergence().Set(valve.StatedRegurgitantVolume, 35).EditStudy(func(s *repair.Study) { s.Timing = "mid_late" }),
			haemo.MildToModerate, haemo.MildToModerate, -1, "a single frame overstates"},
		{"late systolic, nothing but a single frame", convergence().EditStudy(func(s *repair.Study) { s.Timing = "mid_late" }), 0, 0, -1, "a volume or a fraction is needed"},
		{"what leaks into the ventricle makes volumes invalid", inflowAndOutflow().EditStudy(func(s *repair.Study) {
			s.AorticGrade = repair.Grade{Scheme: repair.FiveStep, Value: "moderate"}
		}), 0, 0, -1, "aortic"},
		{"a value at an edge is rounded first", tte().Set(valve.StatedRegurgitantOrificeArea, 0.396).Set(valve.StatedRegurgitantVolume, 61), haemo.Severe, haemo.Severe, 0, "concordant"},
	}
	for _, row := range rows {
		t.Run(row.why, func(t *testing.T) {
			values := Compute(row.c.Case(), builtIn())
			low, _ := find(values, atTTE(IDLowestBand))
			high, _ := find(values, atTTE(IDHighestBand))
			spread, _ := find(values, atTTE(IDBandSpread))
			if haemo.Band(low.Value) != row.low || haemo.Band(high.Value) != row.high || (low.State == HasValue) != (row.low > 0) {
				t.Errorf("%s to %s (%s: %s)", haemo.Band(low.Value), haemo.Band(high.Value), low.State, low.Explanation)
			}
			if (spread.State == HasValue) != (row.spread >= 0) || row.spread > 0 && spread.Value != row.spread {
				t.Errorf("spread %s %v: %s", spread.State, spread.Value, spread.Explanation)
			}
			if !strings.Contains(low.Explanation+spread.Explanation, row.explanation) {
				t.Errorf("not said: %q; %s; %s", row.explanation, low.Explanation, spread.Explanation)
			}
			if low.SD.IsSome() || low.Lower.IsSome() {
				t.Error("a rank has no standard uncertainty")
			}
		})
	}
}

// Guideline of 2020, table of stages, read in a secondary page.
func TestStages(t *testing.T) {
	severe := func() *repair.Example {
		return tte().Set(valve.StatedRegurgitantOrificeArea, 0.40).Set(valve.StatedRegurgitantVolume, 60).Set(valve.StatedRegurgitantFraction, 50).Set(valve.VenaContractaWidth, 7)
	}
	class := func(e *repair.Example, word string) *repair.Example {
		return e.Edit(func(c *repair.Case) {
			c.Plan = &repair.Plan{Aetiology: "fibroelastic_deficiency", FunctionalClass: word}
		})
	}
	mild := func() *repair.Example {
		return tte().Set(valve.StatedRegurgitantOrificeArea, 0.1).Set(valve.StatedRegurgitantVolume, 15)
	}
	rows := []struct {
		why  string
		c    *repair.Example
		want haemo.Stage
		says string
	}{
		{"small jet, narrow vena contracta", mild().Set(valve.JetToLeftAtriumShare, 19.9).Set(valve.VenaContractaWidth, 2.9), haemo.StageA, ""},
		{"a jet of 20 %", mild().Set(valve.JetToLeftAtriumShare, 20), haemo.StageB, ""},
		{"a vena contracta of 3 mm", mild().Set(valve.VenaContractaWidth, 3).Set(valve.JetToLeftAtriumShare, 10), haemo.StageB, ""},
		{"mild, neither jet nor vena contracta", mild(), 0, ""},
		{"moderate", tte().Set(valve.StatedRegurgitantOrificeArea, 0.39).Set(valve.StatedRegurgitantVolume, 59), haemo.StageB, ""},
		{"severe, symptoms unknown", class(severe(), ""), 0, "functional class"},
		{"severe, no plan", severe(), 0, "functional class"},
		{"severe with symptoms, whatever the ventricle", class(severe(), "ii"), haemo.StageD, ""},
		{"compensated", class(severe().Set(valve.StatedLeftVentricularEjectionFraction, 60.1).Set(valve.LeftVentricularEndSystolicDiameter, 39.9), "i"), haemo.StageC1, ""},
		{"an ejection fraction of 60 %", class(severe().Set(valve.StatedLeftVentricularEjectionFraction, 60).Set(valve.LeftVentricularEndSystolicDiameter, 38), "i"), haemo.StageC2, ""},
		{"an end-systolic diameter of 40 mm, the fraction unknown", class(severe().Set(valve.LeftVentricularEndSystolicDiameter, 40), "i"), haemo.StageC2, ""},
		{"a good fraction by volumes, the diameter unknown", class(severe().Set(valve.LeftVentricularEndDiastolicVolume, 160).Set(valve.LeftVentricularEndSystolicVolume, 60), "i"), 0, ""},
		{"the parameters disagree on severe", class(tte().Set(valve.StatedRegurgitantOrificeArea, 0.41).Set(valve.StatedRegurgitantVolume, 57), "ii"), 0, "disagree"},
		{"secondary regurgitation", severe().Edit(func(c *repair.Case) { c.Plan = &repair.Plan{Aetiology: "secondary", FunctionalClass: "ii"} }), 0, "secondary"},
		{"under anaesthesia", class(severe().EditStudy(func(s *repair.Study) { s.Modality = "pre_bypass" }), "iii"), haemo.StageD, "anaesthesia"},
	}
	for _, row := range rows {
		t.Run(row.why, func(t *testing.T) {
			v := one(t, row.c.Case(), atTTE(IDPrimaryStage))
			if (v.State == HasValue) != (row.want > 0) || haemo.Stage(v.Value) != row.want || !strings.Contains(v.Explanation, row.says) {
				t.Errorf("%s %s, want %s; %s; missing %v", v.State, haemo.Stage(v.Value), row.want, v.Explanation, v.Missing)
			}
			if v.State == HasValue && !strings.HasPrefix(v.Band, "stage ") {
				t.Errorf("band %q", v.Band)
			}
		})
	}
	result := repair.NewExample().Result("exit", 1, valve.LeavingTheatre).Set(valve.StatedRegurgitantOrificeArea, 0.45).Case()
	for _, v := range Compute(result, builtIn()) {
		if v.Key.ID == IDPrimaryStage {
			t.Error("a stage of a repaired valve")
		}
	}
}

// A gradient: with a rate a range around the expected one, without none; never
// from the whole orifice of the ring, which would say 0.5 where 3.4 mmHg were
// measured (Doi 2014, abstract read).
func TestExpectedGradient(t *testing.T) {
	build := func(rate float64) *repair.Example {
		e := tte().Set(valve.OutflowTractDiameter, 20).Set(valve.OutflowTractVelocityTimeIntegral, 19.1)
		if rate > 0 {
			e.Set(valve.GradientHeartRate, rate)
		}
		return male(e.Plan().Device("ring", repair.CompleteRing).Dim(valve.RingOrificeArea, 4.87))
	}
	v := one(t, build(70).Case(), planned(IDExpectedGradient, "ring"))
	low, _ := v.Lower.Get()
	high, _ := v.Upper.Get()
	// 60 mL in 428 ms are 140 mL/s over 1.753 cm2: 3.32 mmHg; 2.32 times less and more.
	if v.State != HasValue || v.Value != 3.3 || low != 1.4 || high != 7.7 || v.SD.IsSome() {
		t.Errorf("%s %v, %v to %v: %s", v.State, v.Value, low, high, v.Explanation)
	}
	if measured := 3.4; measured < low || measured > high {
		t.Errorf("the mean measured, %v, lies outside %v to %v", measured, low, high)
	}
	v = one(t, build(0).Case(), planned(IDExpectedGradient, "ring"))
	if v.State != NotEvaluable || !slices.ContainsFunc(v.Missing, func(s string) bool { return strings.HasPrefix(s, string(valve.GradientHeartRate)) }) {
		t.Errorf("without a rate: %s %v, missing %v", v.State, v.Value, v.Missing)
	}
	if v = one(t, build(160).Case(), planned(IDExpectedGradient, "ring")); v.State != NotApplicable {
		t.Errorf("at 160/min: %s", v.State)
	}

	// After the operation the study's own flow and rate, through the ring in place.
	after := male(repair.NewExample().Operation().Device("small", repair.CompleteRing).Dim(valve.RingOrificeArea, 3).
		EditStep(func(s *repair.Step) { s.Fate, s.TakenDownInRun = repair.TakenDown, 2 }).
		Device("ring", repair.CompleteRing).Dim(valve.RingOrificeArea, 4.87).EditStep(func(s *repair.Step) { s.Run = 2 }).
		Result("exit", 2, valve.LeavingTheatre).Set(valve.OutflowTractDiameter, 20).Set(valve.OutflowTractVelocityTimeIntegral, 19.1).Set(valve.GradientHeartRate, 70).Set(valve.MeanGradient, 3.4))
	v = one(t, after.Case(), valve.Key{ID: IDExpectedGradient, Occasion: "result/exit", Role: valve.Derived})
	if v.Value != 3.3 {
		t.Errorf("after run 2: %v %s", v.Value, v.Explanation)
	}

	// Outside the rings that the estimate was made from: below them nothing, above
	// them as at their end.
	of := func(orifice float64) Value {
		return one(t, male(tte().Set(valve.OutflowTractDiameter, 20).Set(valve.OutflowTractVelocityTimeIntegral, 19.1).Set(valve.GradientHeartRate, 70).
			Plan().Device("ring", repair.CompleteRing).Dim(valve.RingOrificeArea, orifice)).Case(), planned(IDExpectedGradient, "ring"))
	}
	if v := of(2.99); v.State != NotApplicable || !strings.Contains(v.Explanation, "2.99 cm² is smaller than those the estimate was made from, 3.00 cm² and more") {
		t.Errorf("2.99 cm2: %s %s", v.State, v.Explanation)
	}
	if v := of(3); v.State != HasValue || v.Value != 5.4 {
		t.Errorf("3.00 cm2: %s %v %s", v.State, v.Value, v.Explanation)
	}
	largest, beyond := of(7.2), of(9.4)
	if largest.Value != 2.2 || beyond.Value != largest.Value || strings.Contains(largest.Explanation, "larger than") || !strings.Contains(beyond.Explanation, "9.40 cm² is larger than those the estimate was made from; taken as 7.20 cm²") {
		t.Errorf("7.2 cm2: %v; 9.4 cm2: %v %s", largest.Value, beyond.Value, beyond.Explanation)
	}
}

// Sizing reads the site's own table and nothing else.
func TestSizingNeedsTheSitesTable(t *testing.T) {
	build := func(trigones float64, edit func(*repair.Step)) *repair.Case {
		return tte().Set(valve.IntertrigonalDistance, trigones).Plan().Device("ring", repair.CompleteRing).EditStep(edit).Case()
	}
	none := settings.BuiltIn("site", "1", "UTC")
	noRange := none
	noRange.Rings = []settings.RingSize{{Family: "family-1", Label: 30, Kind: repair.CompleteRing}}
	open := none
	open.Rings = []settings.RingSize{
		{Family: "family-1", Label: 30, IntertrigonalMMHigh: units.Some(27.0)},
		{Family: "family-1", Label: 32, IntertrigonalMMLow: units.Some(27.0)},
	}
	rows := []struct {
		why      string
		c        *repair.Case
		settings settings.Settings
		want     float64
		says     string
	}{
		{"inside one range", build(23, inFamily), builtIn(), 28, ""},
		{"an end belongs to the range", build(22, inFamily), builtIn(), 28, ""},
		{"two ranges hold it: the nearer middle, both told", build(24.8, inFamily), builtIn(), 30, "labels 28.0 and 30.0"},
		{"beyond every range", build(45, inFamily), builtIn(), 0, "no label of this family"},
		{"open ranges", build(40, inFamily), open, 32, ""},
		{"no table", build(27, inFamily), none, 0, "not computable"},
		{"no such range in the table", build(27, inFamily), noRange, 0, "not computable"},
		{"no family", build(27, func(*repair.Step) {}), builtIn(), 0, "family is not recorded"},
		{"a family that the table does not know", build(27, func(s *repair.Step) { s.Ring.FamilyKey = "other" }), builtIn(), 0, "not computable"},
	}
	for _, row := range rows {
		t.Run(row.why, func(t *testing.T) {
			v, _ := find(Compute(row.c, row.settings), planned(IDLabelByTrigones, "ring"))
			if v.Value != row.want || (v.State == HasValue) != (row.want > 0) || !strings.Contains(v.Explanation, row.says) {
				t.Errorf("%s %v: %s", v.State, v.Value, v.Explanation)
			}
		})
	}
}

// Dimensions that were not recorded come from the site's table, by family and
// label, and are said to do so; recorded ones go before.
func TestDimensionsFromTheTable(t *testing.T) {
	labelled := func(label float64) func(*repair.Step) {
		return func(s *repair.Step) { s.Ring.FamilyKey, s.Ring.ImplantedLabel = "family-1", units.Some(label) }
	}
	ring := func(edit func(*repair.Step)) *repair.Example {
		return tte().Set(valve.AnnulusAnteroPosteriorDiameter, 33).Set(valve.PosteriorAnnulusLength, 93).Operation().Device("ring", repair.CompleteRing).EditStep(edit)
	}
	// Label 32 of the invented table: 24 by 32 mm.
	v := one(t, ring(labelled(32)).Case(), performed(IDRingOrifice, "ring"))
	if want := math.Pi / 4 * 2.4 * 3.2; math.Abs(v.Value-want) > 0.005 || !strings.Contains(v.Explanation, "ring table") {
		t.Errorf("orifice %v, want %v: %s", v.Value, want, v.Explanation)
	}
	if v = one(t, ring(labelled(32)).Case(), performed(IDDiameterReduction, "ring")); v.Value != 27.3 {
		t.Errorf("reduction %v, want 27.3: %s", v.Value, v.Explanation)
	}
	if v = one(t, ring(labelled(32)).Dim(valve.RingInnerAnteroPosteriorDiameter, 30).Case(), performed(IDDiameterReduction, "ring")); v.Value != 9.1 {
		t.Errorf("reduction with a recorded diameter %v, want 9.1", v.Value)
	}
	if v = one(t, ring(labelled(33)).Case(), performed(IDRingOrifice, "ring")); v.State != NotEvaluable || len(v.Missing) != 2 {
		t.Errorf("a label that the table does not hold: %s %v", v.State, v.Value)
	}
	band := tte().Set(valve.PosteriorAnnulusLength, 93).Operation().Device("band", repair.PosteriorBand).
		EditStep(func(s *repair.Step) { s.Ring.FamilyKey, s.Ring.ImplantedLabel = "family-2", units.Some(30.0) })
	if v = one(t, band.Case(), valve.Key{ID: IDWidthClosedByRing, Occasion: valve.AtOperation, Role: valve.Derived}); v.Value != 28 {
		t.Errorf("band of 65 mm by the table: %v %s", v.Value, v.Explanation)
	}
}

// What is not recorded is neither present nor absent; the count is a range.
func TestFactorsOfAnteriorMotion(t *testing.T) {
	k := valve.Key{ID: IDFactorCount, Occasion: valve.AtPlan, Role: valve.Planned}
	v := one(t, factorCase().Case(), k)
	for _, said := range []string{
		"present: A2 over P2 1.20 (counts below 1.3, source read), coaptation to septum 20.0 mm (counts below 25 mm, source read)",
		"basal septum 15.0 mm (counts from 15 mm, source read)", "absent: longer of A2 and P2 24.0 mm", "no probability",
	} {
		if !strings.Contains(v.Explanation, said) {
			t.Errorf("not said: %s\n%s", said, v.Explanation)
		}
	}
	partial := repair.NewExample().Assess("tee").Height(valve.A2, 27).Height(valve.P2, 14).Plan().Step("c", repair.ArtificialChord, valve.P2)
	v = one(t, partial.Case(), k)
	low, _ := v.Lower.Get()
	high, _ := v.Upper.Get()
	if v.State != HasValue || v.Value != 0 || low != 0 || high != 4 || !strings.Contains(v.Explanation, "neither present nor absent: coaptation to septum, aorto-mitral angle") {
		t.Errorf("%s %v, %v to %v: %s", v.State, v.Value, low, high, v.Explanation)
	}
	// Edges as in the table of limits: 25 mm, 15 mm of leaflet, 35 mm and 120 degrees
	// do not count, 15 mm of septum does.
	edges := repair.NewExample().Assess("tee").Height(valve.A2, 35).Height(valve.P2, 15).Set(valve.CoaptationToSeptumDistance, 25).Set(valve.AortoMitralAngle, 120).
		Set(valve.BasalSeptumThickness, 15).Set(valve.LeftVentricularEndDiastolicDiameter, 45).Plan().Step("c", repair.ArtificialChord, valve.P2)
	if v = one(t, edges.Case(), k); v.Value != 1 {
		t.Errorf("on the edges %v: %s", v.Value, v.Explanation)
	}
	// After a run that lowered the leaflet the count is of the heights then.
	lowered := factorCase().Operation().Step("h", repair.HeightReduction, valve.P2).Dim("height_removed", 6).
		Result("off", 1, valve.OffBypass).Set(valve.CoaptationToSeptumDistance, 28)
	if v = one(t, lowered.Case(), afterRun1(IDFactorCount, "")); v.Value != 3 {
		t.Errorf("after lowering P2 to 14 mm and with 28 mm to the septum %v: %s", v.Value, v.Explanation)
	}
	converted := factorCase().Operation().Step("h", repair.HeightReduction, valve.P2).
		EditOperation(func(o *repair.Operation) { o.Conversion = &repair.Conversion{Converted: valve.Yes} })
	if v = one(t, converted.Case(), afterRun1(IDFactorCount, "")); v.State != NotApplicable {
		t.Errorf("after a replacement: %s", v.State)
	}
	nothing := repair.NewExample().Assess("tee").Absent(valve.BasalSeptumThickness, valve.Nowhere, valve.AbsentNotPerformed).Plan().Step("c", repair.ArtificialChord, valve.P2)
	if v = one(t, nothing.Case(), k); v.State != NotEvaluable || len(v.Missing) != 2 {
		t.Errorf("nothing known: %s, missing %v", v.State, v.Missing)
	}
}

// The window's edge against the published shares: two thirds in front of the line
// usual, common practice.
func TestWindowExcess(t *testing.T) {
	k := valve.Key{ID: IDWindowExcess, Place: "a2_p2", Occasion: valve.AtPlan, Role: valve.Planned}
	build := func(p float64) *repair.Example {
		return repair.NewExample().Assess("tee").Method(valve.Echo3D).Height(valve.A2, 26).Height(valve.P2, p).
			Plan().Device("ring", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 22)
	}
	if v := one(t, build(22).Case(), k); v.Value <= 0 || !strings.Contains(v.Explanation, "59.1 % of the diameter from the anterior hinge, below 60 %") {
		t.Errorf("%v: %s", v.Value, v.Explanation)
	}
	if v := one(t, build(16).Case(), k); v.Value >= 0 || strings.Contains(v.Explanation, "below") {
		t.Errorf("%v: %s", v.Value, v.Explanation)
	}
	if v := one(t, build(22).Step("c", repair.ArtificialChord, valve.P2).Case(), k); v.State != NotApplicable {
		t.Errorf("held line: %s", v.State)
	}
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(10, 25).Draw(t, "posterior")
		v, _ := find(Compute(build(p).Case(), builtIn()), k)
		taller, _ := find(Compute(build(p+1).Case(), builtIn()), k)
		if math.Abs(taller.Value-v.Value-1) > 0.11 {
			t.Fatalf("one mm more of leaflet moves the excess from %v to %v", v.Value, taller.Value)
		}
	})
}

// Flow through the valve is the forward flow only where nothing leaks.
func TestFlowNeedsATightValve(t *testing.T) {
	leaking := func(e *repair.Example) *repair.Case {
		return e.Graded(repair.FiveStep, "moderate").Case()
	}
	flow := func() *repair.Example {
		return male(outflow().Set(valve.TransmitralJetVelocityTimeIntegral, 27).Set(valve.GradientHeartRate, 70).Set(valve.MeanGradient, 4))
	}
	for _, id := range []valve.ID{IDContinuityOrifice, IDHydraulicOrifice} {
		if v := one(t, leaking(flow()), atTTE(id)); v.State != NotApplicable {
			t.Errorf("%s with moderate regurgitation: %s", id, v.State)
		}
		if v := one(t, flow().Case(), atTTE(id)); v.State != HasValue || !strings.Contains(v.Explanation, "not recorded") {
			t.Errorf("%s with an unknown grade: %s, %s", id, v.State, v.Explanation)
		}
		if v := one(t, flow().Graded(repair.FiveStep, "mild").Case(), atTTE(id)); v.State != HasValue || strings.Contains(v.Explanation, "grade of mitral") {
			t.Errorf("%s with mild regurgitation: %s, %s", id, v.State, v.Explanation)
		}
	}
	// The sex: both regressions, and the mean of both.
	for sex, want := range map[string]float64{"male": 428, "female": 418, "": 423, "other": 423} {
		c := tte().Set(valve.GradientHeartRate, 70).Edit(func(c *repair.Case) { c.Identity = &repair.Identity{Sex: sex} }).Case()
		if v := one(t, c, atTTE(IDFillingTime)); v.Value != want {
			t.Errorf("sex %q: %v ms, want %v", sex, v.Value, want)
		}
	}
	for rate, state := range map[float64]State{39: NotApplicable, 40: HasValue, 150: HasValue, 151: NotApplicable} {
		if v := one(t, tte().Set(valve.GradientHeartRate, rate).Case(), atTTE(IDFillingTime)); v.State != state {
			t.Errorf("%v/min: %s", rate, v.State)
		}
	}
}

// A plan or an operation whose parts do not add up.
func TestResectionRefusals(t *testing.T) {
	key := func(id valve.ID) valve.Key {
		return valve.Key{ID: id, Occasion: valve.AtOperation, Role: valve.Derived}
	}
	wide := scallops(repair.NewExample().Assess("tee")).Operation().Resect("r", repair.Quadrangular, valve.P2).Dim(valve.ResectionFreeEdgeWidth, 92)
	if v := one(t, wide.Case(), key(IDFreeEdgeLeft)); v.State != NotEvaluable || !strings.Contains(v.Explanation, "whole free edge") {
		t.Errorf("%s %v", v.State, v.Explanation)
	}
	noBase := repair.NewExample().Assess("tee").Set(valve.PosteriorAnnulusLength, 93).Operation().
		Resect("r", repair.Quadrangular, valve.P2).Dim(valve.ResectionBaseWidth, 93).Device("band", repair.PosteriorBand).Dim(valve.BandLength, 65)
	if v := one(t, noBase.Case(), key(IDBasePerAnnulus)); v.State != NotEvaluable || !strings.Contains(v.Explanation, "whole base") {
		t.Errorf("%s %v", v.State, v.Explanation)
	}
	for _, id := range []valve.ID{IDRemovedArea, IDBasePerAnnulus, IDWidthClosedByRing} {
		gone := based().EditOperation(func(o *repair.Operation) { o.Conversion = &repair.Conversion{Converted: valve.Yes} })
		if v := one(t, gone.Case(), key(id)); v.State != NotApplicable {
			t.Errorf("%s after a replacement: %s", id, v.State)
		}
	}
	// The base from the scallops where the whole was not measured; all three needed.
	sum := repair.NewExample().Assess("tee").SetAt(valve.ScallopAnnularWidth, "p1", 24).SetAt(valve.ScallopAnnularWidth, "p2", 46)
	band := func(e *repair.Example) *repair.Case {
		return e.Operation().Device("band", repair.PosteriorBand).Dim(valve.BandLength, 65).Case()
	}
	if v := one(t, band(sum), key(IDWidthClosedByRing)); v.State != NotEvaluable || len(v.Missing) != 1 {
		t.Errorf("two scallops: %s, missing %v", v.State, v.Missing)
	}
	sum = repair.NewExample().Assess("tee").SetAt(valve.ScallopAnnularWidth, "p1", 24).SetAt(valve.ScallopAnnularWidth, "p2", 46).SetAt(valve.ScallopAnnularWidth, "p3", 22)
	if v := one(t, band(sum), key(IDWidthClosedByRing)); v.Value != 27 || !strings.Contains(v.Explanation, "scallops") {
		t.Errorf("three scallops: %v %s", v.Value, v.Explanation)
	}
}

// Grids at which a parameter is graded are those of its own row: a band stands at
// both, and they must not differ.
func TestGradedAsShown(t *testing.T) {
	for _, ways := range gradedKinds() {
		for _, p := range ways {
			unit, grid, ok := Describe(p.metric)
			if !ok || unit != p.unit || grid != p.grid {
				t.Errorf("%s is graded in steps of %v %v, its row says %v %v", p.metric, p.grid, p.unit, grid, unit)
			}
		}
	}
	for id, grid := range map[valve.ID]float64{IDEjectionFraction: percentGrid, IDHeightRatio: ratioGrid, IDFinalPosteriorHeight: lengthGrid, valve.AortoMitralAngle: angleGrid} {
		if _, is, _ := Describe(id); is != grid {
			t.Errorf("%s: %v, want %v", id, is, grid)
		}
	}
}
