package metric

import (
	"math"
	"slices"
	"strings"
	"testing"

	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

const (
	published = "published, read: "
	own       = "own vector, recomputed from the formula: "
)

func body(e *repair.Example, height, weight float64) *repair.Example {
	return e.Edit(func(c *repair.Case) {
		for id, v := range map[valve.ID]float64{"body_height": height, "body_weight": weight} {
			c.Measured[valve.Key{ID: id, Occasion: valve.AtIdentity, Role: valve.Measured}] = valve.Measurement{Value: units.Some(v)}
		}
	})
}

func tte() *repair.Example { return repair.NewExample().Assess("tte").Method(valve.Doppler) }

func atTTE(id valve.ID) valve.Key {
	return valve.Key{ID: id, Occasion: "assessment/tte", Role: valve.Derived}
}

func middle(k valve.Key) valve.Key { k.Place = valve.AtSlice(valve.A2P2); return k }

// The cases below are invented; the numbers are those of the sources.
func convergence() *repair.Example {
	return tte().Set(valve.ProximalIsovelocityRadius, 9).Set(valve.AliasingVelocity, 40).Set(valve.RegurgitationPeakVelocity, 500).Set(valve.RegurgitationVelocityTimeIntegral, 140)
}

func inflowAndOutflow() *repair.Example {
	return tte().Set(valve.InflowAnnulusDiameter, 32).Set(valve.InflowVelocityTimeIntegral, 15).Set(valve.OutflowTractDiameter, 20).Set(valve.OutflowTractVelocityTimeIntegral, 18).Set(valve.RegurgitationVelocityTimeIntegral, 150)
}

func ventricle() *repair.Example {
	return tte().Set(valve.LeftVentricularEndDiastolicVolume, 160).Set(valve.LeftVentricularEndSystolicVolume, 60).Set(valve.OutflowTractDiameter, 20).Set(valve.OutflowTractVelocityTimeIntegral, 18).Set(valve.RegurgitationVelocityTimeIntegral, 150)
}

func annulus() *repair.Example {
	return tte().Set(valve.AnnulusAnteroPosteriorDiameter, 29).Set(valve.AnnulusIntercommissuralDiameter, 39)
}

// ringed: the reported means of repaired degenerative valves with an assumed
// inner ring diameter.
func ringed() *repair.Example {
	return repair.NewExample().Assess("tee").Method(valve.Echo3D).Height(valve.A2, 27.2).Height(valve.P2, 20).
		Set(valve.AnnulusArea, 13.3).Set(valve.AnteriorLeafletArea, 8).
		EditStudy(func(s *repair.Study) { s.LesionsRecorded = valve.Complete }).
		Operation().Device("ring", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 25.5).Dim(valve.RingInnerTransverseDiameter, 34).
		Step("low", repair.HeightReduction, valve.P2).Dim("height_removed", 6.1)
}

type example struct {
	key  valve.Key
	c    *repair.Example
	want float64
	from string
	band string
	// without tells for a leaf what its removal leads to, where it is not 'not
	// evaluable, naming the leaf'.
	without map[valve.ID]string
}

const (
	silent    = "the metric is not asked for"
	otherWay  = "another stated way to the value"
	diameters = "asks for the two inner diameters instead"
	elsewhere = "no value; another value is asked for, or another reason given"
	fewer     = "the value rests on fewer inputs and says so"
	refused   = "no value, and the explanation says why"
)

func afterRun1(id valve.ID, p valve.Place) valve.Key {
	return valve.Key{ID: id, Place: p, Occasion: "operation/run1", Role: valve.Derived}
}

func performed(id valve.ID, step string) valve.Key {
	return valve.Key{ID: id, Place: valve.AtStep(step), Occasion: valve.AtOperation, Role: valve.Derived}
}

func examples() []example {
	identity := func(id valve.ID) valve.Key {
		return valve.Key{ID: id, Occasion: valve.AtIdentity, Role: valve.Derived}
	}
	elliptic := tte().Set(valve.InflowAnnulusDiameter, 32).Set(valve.InflowAnnulusDiameterAcross, 40).Set(valve.InflowVelocityTimeIntegral, 15)
	return slices.Concat(depthExamples(), shapeExamples(), predictionExamples(), []example{
		{key: atTTE(IDConvergenceSurface), c: convergence(), want: 5.0894, from: published + "teaching calculator, shell 5.089 cm2",
			without: map[valve.ID]string{valve.ProximalIsovelocityRadius: silent}},
		{key: atTTE(IDPeakRegurgitantFlow), c: convergence(), want: 203.5752, from: published + "two teaching calculators, 203.58 mL/s"},
		{key: atTTE(IDOrificeByConvergence), c: convergence(), want: 0.40715, band: "severe", from: published + "two teaching calculators, 0.407 cm2"},
		{key: atTTE(IDVolumeByConvergence), c: convergence(), want: 57.001, band: "moderate to severe", from: published + "teaching calculator, 57.0 mL; its 'severe' contradicts the 2017 bands"},
		{key: atTTE(IDAngleCorrectedFlow), c: convergence().Set(valve.ConvergenceAngle, 120), want: 135.7168, from: own + "the example above at 120 degrees; formula Jang 2018, read", without: map[valve.ID]string{valve.ConvergenceAngle: silent}},
		{key: atTTE(IDAngleCorrectedOrifice), c: convergence().Set(valve.ConvergenceAngle, 120), want: 0.2714, band: "mild to moderate", from: own + "as above", without: map[valve.ID]string{valve.ConvergenceAngle: silent}},
		{key: atTTE(IDAngleCorrectedVolume), c: convergence().Set(valve.ConvergenceAngle, 120), want: 38.001, band: "mild to moderate", from: own + "as above", without: map[valve.ID]string{valve.ConvergenceAngle: silent}},
		{key: atTTE(IDSimplifiedOrifice), c: convergence(), want: 0.405, band: "severe", from: own + "0.9²/2; algebra"},
		{key: atTTE(IDInflowStrokeVolume), c: inflowAndOutflow(), want: 120.637, from: own + "32 mm, 15 cm"},
		{key: atTTE(IDInflowStrokeVolume), c: elliptic, want: 150.796, from: own + "π/4·3.2·4.0·15; area of an ellipse", without: map[valve.ID]string{valve.InflowAnnulusDiameterAcross: otherWay}},
		{key: atTTE(IDOutflowStrokeVolume), c: inflowAndOutflow(), want: 56.549, from: own + "20 mm, 18 cm; a form with 2·π·r² would double it"},
		{key: atTTE(IDVentricularStrokeVolume), c: ventricle(), want: 100, from: "arithmetic"},
		{key: atTTE(IDVolumeFromInflow), c: inflowAndOutflow(), want: 64.088, band: "severe", from: own + "120.637 − 56.549"},
		{key: atTTE(IDVolumeFromVentricle), c: ventricle(), want: 43.451, band: "mild to moderate", from: own + "100 − 56.549"},
		{key: atTTE(IDFractionFromInflow), c: inflowAndOutflow(), want: 53.13, band: "severe", from: own + "never 113.3 %, which divides by the forward volume"},
		{key: atTTE(IDFractionFromVentricle), c: ventricle(), want: 43.451, band: "moderate to severe", from: own + "43.451 of 100"},
		{key: atTTE(IDOrificeFromInflow), c: inflowAndOutflow(), want: 0.42725, band: "severe", from: own + "64.088/150"},
		{key: atTTE(IDOrificeFromVentricle), c: ventricle(), want: 0.28967, band: "mild to moderate", from: own + "43.451/150"},
		{key: atTTE(IDVenaContractaAreaFromWidths), c: tte().Set("vena_contracta_width", 5).Set("vena_contracta_width_across", 10), want: 0.3927,
			from: published + "Onishi 2024, formula", without: map[valve.ID]string{"vena_contracta_width_across": silent}},
		{key: atTTE(IDMeanVenaContractaWidth), c: tte().Set("vena_contracta_width", 5).Set("vena_contracta_width_across", 10), want: 7.5,
			band: "mild to moderate or moderate to severe", from: published + "Onishi 2024, formula", without: map[valve.ID]string{"vena_contracta_width_across": silent}},
		{key: atTTE(IDInflowToOutflowRatio), c: tte().Set(valve.InflowVelocityTimeIntegral, 21).Set(valve.OutflowTractVelocityTimeIntegral, 15), want: 1.4, from: "arithmetic; 1.4 is the published mark", without: map[valve.ID]string{valve.InflowVelocityTimeIntegral: silent}},
		{key: atTTE(IDEjectionFraction), c: ventricle(), want: 62.5, from: "definition"},
		{key: atTTE(IDForwardEjectionFraction), c: ventricle(), want: 35.343, from: own + "56.549/160; concept Petolat 2023, read"},
		{key: identity(IDBodySurfaceRoot), c: body(tte(), 170, 70), want: 1.81812, from: published + "two public pages, 1.818 m2"},
		{key: identity(IDBodySurfacePower), c: body(tte(), 180, 80), want: 1.99642, from: published + "public page prints 1.9979; its third decimal is wrong"},
		{key: atTTE(IDLeftAtrialVolumeIndex), c: body(tte().Set("left_atrial_volume", 120), 180, 80), want: 60, from: own + "180 cm and 80 kg are 2.00 m2 (public page, read)", without: map[valve.ID]string{"left_atrial_volume": silent}},
		{key: atTTE(IDEndSystolicDiameterIndex), c: body(tte().Set("left_ventricular_end_systolic_diameter", 40), 180, 80), want: 20, from: own + "as above", without: map[valve.ID]string{"left_ventricular_end_systolic_diameter": silent}},
		{key: atTTE(IDPulmonaryPressure), c: tte().Set("tricuspid_regurgitation_peak_velocity", 336).Set("right_atrial_pressure", 5), want: 50.1584, from: own + "4·3.36² + 5 = 50.2", without: map[valve.ID]string{"tricuspid_regurgitation_peak_velocity": silent}},
		{key: atTTE(IDPulmonaryPressure), c: tte().Set("tricuspid_regurgitation_peak_velocity", 270).Set("right_atrial_pressure", 10), want: 39.16, from: published + "Otto, chapter 6, prints 39 mmHg", without: map[valve.ID]string{"tricuspid_regurgitation_peak_velocity": silent}},
		{key: atTTE(IDOrificeByConvergence), c: tte().Set(valve.ProximalIsovelocityRadius, 11).Set(valve.AliasingVelocity, 36).Set(valve.RegurgitationPeakVelocity, 530), want: 0.5164, band: "severe",
			from: published + "a patient of Otto, chapter 12, prints 0.52 cm2"},
		{key: atTTE(IDHalfTimeOrifice), c: tte().Set("pressure_half_time", 302), want: 0.7285, from: published + "a patient of Otto, chapter 11, prints 0.7 cm2", without: map[valve.ID]string{"pressure_half_time": silent}},
		{key: atTTE(IDHalfTimeOrifice), c: tte().Set("pressure_half_time", 150), want: 1.4667, from: published + "public page, 1.47 cm2", without: map[valve.ID]string{"pressure_half_time": silent}},
		{key: atTTE(IDAnnulusAreaElliptic), c: annulus(), want: 8.8828, from: own + "means of BioMed Res Int 2020:3261714, Table 3 (read): planimetered 9.6, an ellipse is 2.8 to 10.8 % lower over all phases"},
		{key: atTTE(IDAnnulusPerimeterElliptic), c: annulus(), want: 107.38, from: own + "same table: 10.74 cm against 11.6 measured"},
		{key: atTTE(IDAnnulusDiameterRatio), c: annulus(), want: 0.7436, from: published + "same table, 0.75"},
		{key: atTTE(IDAnnulusIsoperimetric), c: tte().Set(valve.AnnulusPerimeter, 116).Set(valve.AnnulusArea, 9.8), want: 1.0927, from: own + "same table, 11.6 cm and 9.8 cm2", without: map[valve.ID]string{valve.AnnulusPerimeter: silent}},
		{key: atTTE(IDAnnulusHeightRatio), c: tte().Set(valve.AnnulusHeight, 6.8).Set(valve.AnnulusIntercommissuralDiameter, 39), want: 0.17436, from: own + "same table, 6.8 of 39 mm", without: map[valve.ID]string{valve.AnnulusHeight: silent}},
		{key: middle(atTTE(IDHeightRatio)), c: tte().Height(valve.A2, 27.2).Height(valve.P2, 13.9), want: 1.9568, from: own + "means of McCarthy 2021, read"},
		{key: middle(atTTE(IDLeafletToAnnulusIndex)), c: tte().Height(valve.A2, 27.2).Height(valve.P2, 13.9).Set(valve.AnnulusAnteroPosteriorDiameter, 25.5), want: 1.6118, from: own + "same means; the flat contact is d·(index − 1)/2 = 7.8"},
		{key: afterRun1(IDFinalPosteriorHeight, "p2"), c: repair.NewExample().Assess("tee").Height(valve.P2, 20).Operation().
			Resect("r", repair.Triangular, valve.P2).Dim("resection_free_edge_width", 15), want: 21.40625, from: own + "20 + 15²/(8·20)"},
		{key: performed(IDResectedArea, "r"), c: repair.NewExample().Operation().Resect("r", repair.Triangular, valve.P2).
			Dim("resection_free_edge_width", 15).Dim("resection_height", 18), want: 1.35, from: own + "½·15·18 = 135 mm2"},
		{key: performed(IDResectedArea, "r"), c: repair.NewExample().Operation().Resect("r", repair.Quadrangular, valve.P2).
			Dim("resection_free_edge_width", 15).Dim("resection_base_width", 10).Dim("resection_height", 18), want: 2.25, from: own + "½·(15 + 10)·18 = 225 mm2"},
		{key: valve.Key{ID: IDBaseGap, Occasion: valve.AtOperation, Role: valve.Derived}, c: repair.NewExample().Operation().
			Resect("r", repair.Quadrangular, valve.P2).Dim("resection_base_width", 15).
			Step("s", repair.SlidingPlasty).Side(valve.Lateral, "sliding_advance", 6).Side(valve.Medial, "sliding_advance", 5).
			Step("p", repair.Plication, valve.P2).Dim("plication_length", 3), want: 1, from: "arithmetic; the two advances need not be equal"},
		{key: performed(IDRingOrifice, "ring"), c: ringed(), want: 6.809, from: own + "34 by 25.5 mm, 6.81 cm2"},
		{key: performed(IDRingOrifice, "ring"), c: repair.NewExample().Operation().Device("ring", repair.CompleteRing).Dim(valve.RingOrificeArea, 7.3), want: 7.3, from: "definition: as given", without: map[valve.ID]string{valve.RingOrificeArea: diameters}},
		{key: performed(IDRingToAnteriorLeaflet, "ring"), c: ringed(), want: 0.8511, from: own + "6.809/8"},
		{key: performed(IDRingToAnnulus, "ring"), c: ringed(), want: 0.512, from: own + "6.81 over 13.3 cm2, a published mean of deficient valves"},
		{key: PredictedContactKey(false), c: ringed(), want: 7.8, from: own + "means of McCarthy 2021 (read), ring diameter assumed; measured 6.4 ± 1.7"},
		{key: withID(PredictedContactKey(false), IDPredictedAnteriorShare), c: ringed(), want: 76.08, from: own + "same: 0.761, the three to one of the saline test"},
	})
}

func withID(k valve.Key, id valve.ID) valve.Key { k.ID = id; return k }

func TestWorkedExamples(t *testing.T) {
	for _, row := range examples() {
		t.Run(string(row.key.ID), func(t *testing.T) {
			c := row.c.Case()
			v := one(t, c, row.key)
			m, _ := MetricByID(row.key.ID)
			if v.State != HasValue {
				t.Fatalf("%s: %s; missing %v", v.State, v.Explanation, v.Missing)
			}
			if math.Abs(v.Value-row.want) > m.Grid/2+0.002*m.Grid {
				t.Errorf("%v, want %v (%s)", v.Value, row.want, row.from)
			}
			if v.Band != row.band {
				t.Errorf("band %q, want %q (%s)", v.Band, row.band, row.from)
			}
			for _, in := range v.Inputs {
				if !slices.Contains(m.Inputs, in.Key.ID) {
					t.Errorf("it read %s, which the catalogue does not list", in.Key.ID)
				}
			}
		})
	}
}

func TestEveryMetricHasAnExample(t *testing.T) {
	shown := map[valve.ID]bool{}
	for _, row := range examples() {
		shown[row.key.ID] = true
	}
	for _, m := range Metrics() {
		if !shown[m.ID] {
			t.Errorf("%s has no worked example", m.ID)
		}
	}
}

// Without any one of its inputs an example is not evaluable and names the leaf.
func TestEveryInputIsNeeded(t *testing.T) {
	for _, row := range examples() {
		c := row.c.Case()
		whole := one(t, c, row.key)
		for _, in := range whole.Inputs {
			v, ok := find(Compute(withoutInput(c, in.Key), builtIn()), row.key)
			switch row.without[in.Key.ID] {
			case silent:
				if ok {
					t.Errorf("%s without %s: still asked for (%s)", row.key, in.Key, v.State)
				}
			case otherWay:
				if v.State != HasValue || v.Value == whole.Value || v.Explanation == whole.Explanation {
					t.Errorf("%s without %s: %s %v, %s", row.key, in.Key, v.State, v.Value, v.Explanation)
				}
			case fewer:
				if v.State != HasValue || v.Explanation == whole.Explanation {
					t.Errorf("%s without %s: %s %v, %s", row.key, in.Key, v.State, v.Value, v.Explanation)
				}
			case elsewhere:
				if v.State == HasValue || v.Value != 0 || len(v.Missing) == 0 && v.Explanation == "" {
					t.Errorf("%s without %s: %s %v, missing %v", row.key, in.Key, v.State, v.Value, v.Missing)
				}
			case refused:
				if v.State != NotEvaluable || v.Value != 0 || len(v.Missing) > 0 || v.Explanation == whole.Explanation {
					t.Errorf("%s without %s: %s %v, %s", row.key, in.Key, v.State, v.Value, v.Explanation)
				}
			case diameters:
				if v.State != NotEvaluable || len(v.Missing) != 2 || !strings.Contains(v.Missing[0], string(valve.RingInnerAnteroPosteriorDiameter)) || !strings.Contains(v.Missing[1], string(valve.RingInnerTransverseDiameter)) {
					t.Errorf("%s without %s: %s, missing %v", row.key, in.Key, v.State, v.Missing)
				}
			default:
				if !ok || v.State != NotEvaluable || v.Value != 0 ||
					!slices.ContainsFunc(v.Missing, func(s string) bool { return strings.HasPrefix(s, string(in.Key.ID)+" ") }) {
					t.Errorf("%s without %s: %s %v, missing %v", row.key, in.Key, v.State, v.Value, v.Missing)
				}
			}
		}
	}
}

// richCase holds enough for every metric.
func richCase() *repair.Example {
	e := repair.NewExample().Assess("tee").Method(valve.Echo3D).
		EditStudy(func(s *repair.Study) {
			s.LesionsRecorded = valve.Complete
			s.AorticGrade = repair.Grade{Scheme: repair.FiveStep, Value: "none"}
			s.Shape = shaped{15, 3, 2}.shape()
		}).
		Set(valve.ProximalIsovelocityRadius, 9).Set(valve.AliasingVelocity, 40).Set(valve.RegurgitationPeakVelocity, 500).Set(valve.RegurgitationVelocityTimeIntegral, 140).Set(valve.ConvergenceAngle, 120).
		Set("vena_contracta_width", 5).Set("vena_contracta_width_across", 10).
		Set(valve.InflowAnnulusDiameter, 32).Set(valve.InflowAnnulusDiameterAcross, 40).Set(valve.InflowVelocityTimeIntegral, 15).Set(valve.OutflowTractDiameter, 20).Set(valve.OutflowTractVelocityTimeIntegral, 18).
		Set(valve.LeftVentricularEndDiastolicVolume, 160).Set(valve.LeftVentricularEndSystolicVolume, 60).
		Set(valve.StatedLeftVentricularEjectionFraction, 62).Set(valve.StatedRegurgitantFraction, 35).
		Set("left_atrial_volume", 120).Set("left_ventricular_end_systolic_diameter", 40).
		Set(valve.CardiacOutput, 4.5).Set(valve.GradientHeartRate, 70).Set(valve.DecelerationTime, 250).Set(valve.EarlyInflowVelocity, 120).Set(valve.LateInflowVelocity, 60).
		Set(valve.IntertrigonalDistance, 27).Set(valve.PosteriorAnnulusLength, 93).
		SetAt(valve.ScallopFreeEdgeWidth, valve.AtSegment(valve.P1), 24).SetAt(valve.ScallopFreeEdgeWidth, valve.AtSegment(valve.P2), 30).
		SetAt(valve.ScallopFreeEdgeWidth, valve.AtSegment(valve.P3), 22).SetAt(valve.ScallopAnnularWidth, valve.AtSegment(valve.P2), 26).
		Height(valve.P1, 17).Height(valve.P3, 15).
		Set("tricuspid_regurgitation_peak_velocity", 336).Set("right_atrial_pressure", 5).Set("pressure_half_time", 150).
		Set(valve.AnnulusAnteroPosteriorDiameter, 33).Set(valve.AnnulusIntercommissuralDiameter, 39).Set(valve.AnnulusArea, 12).Set(valve.AnnulusPerimeter, 130).Set(valve.AnnulusHeight, 7).
		Height(valve.A2, 27).Height(valve.P2, 24).Set(valve.AnteriorLeafletArea, 8).
		Plan().Resect("s1", repair.Triangular, valve.P2).Dim("resection_free_edge_width", 14).Dim("resection_height", 20).
		Step("s2", repair.HeightReduction, valve.P2).Dim("height_removed", 5).
		Device("s3", repair.CompleteRing).EditStep(func(s *repair.Step) { s.Ring.FamilyKey = "family-1" }).
		Dim(valve.RingInnerAnteroPosteriorDiameter, 27).Dim(valve.RingInnerTransverseDiameter, 32).
		Operation().Resect("o1", repair.Quadrangular, valve.P2).
		Dim("resection_free_edge_width", 14).Dim("resection_base_width", 12).Dim("resection_height", 20).Dim(valve.ProlapsingFreeEdgeWidth, 20).
		Step("o2", repair.SlidingPlasty).Side(valve.Lateral, valve.SlidingDetachedLength, 20).Side(valve.Lateral, valve.SlidingStripHeightAtCutEdge, 6).
		Side(valve.Lateral, valve.SlidingStripHeightAtFarEnd, 2).Side(valve.Lateral, "sliding_advance", 5).Side(valve.Medial, "sliding_advance", 4).
		Step("o3", repair.Plication, valve.P2).Dim("plication_length", 3).
		Device("o4", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 26).Dim(valve.RingInnerTransverseDiameter, 35).Dim(valve.RingOrificeArea, 6.6).
		Step("o5", repair.ArtificialChord, valve.A2).
		Field(1, valve.AfterLeafletWork).Method(valve.Ruler).
		HeightAt(valve.P2, valve.SeamLateralEdge, 13).HeightAt(valve.P2, valve.SeamMedialEdge, 14).
		Height(valve.P1, 12).Height(valve.P3, 9).
		Result("exit", 1, valve.LeavingTheatre).Method(valve.Echo2D).Graded(repair.FiveStep, "trace").Coaptation(8).
		SetAt(valve.AnteriorClosureShare, valve.AtSlice(valve.A2P2), 60).
		Set(valve.MeanGradient, 3).Set(valve.GradientHeartRate, 75).Set(valve.HeartRate, 76).
		Set(valve.OutflowTractDiameter, 20).Set(valve.OutflowTractVelocityTimeIntegral, 18).Set(valve.TransmitralJetVelocityTimeIntegral, 27).Set(valve.CoaptationToSeptumDistance, 22).
		Edit(func(c *repair.Case) {
			c.Identity = &repair.Identity{Sex: "male"}
			c.Plan.Aetiology, c.Plan.FunctionalClass = "myxomatous", "ii"
			c.Plan.Targets = []repair.Target{{ID: "t1", Leaf: "coaptation_length", Place: valve.AtSlice(valve.A2P2), Low: units.Some(6.0)}, {ID: "t2", Leaf: valve.AnteriorClosureShare, Place: valve.AtSlice(valve.A2P2), Low: units.Some(60.0)}}
		})
	return body(e, 170, 70)
}

func TestRichCaseHasEveryMetric(t *testing.T) {
	values := Compute(richCase().Case(), builtIn())
	for _, m := range Metrics() {
		if !slices.ContainsFunc(values, func(v Value) bool { return v.Key.ID == m.ID && v.State == HasValue }) {
			t.Errorf("%s has no value", m.ID)
		}
	}
}

// needNotMove: an input that is read may leave the value as it is.
var needNotMove = map[valve.ID]string{
	IDPredictedContact:       "without a depth the mean does not depend on where the line is held",
	IDPredictedOverlap:       "the lesser of both contacts",
	IDZFromExecution:         "follows the overlap",
	IDUnsupportedAnteriorTip: "0 where the anterior contact is the lesser",
	IDLargestRing:            "the lesser of two diameters",
}

// A change of one measured value moves the metrics that name it among their
// inputs, and no other. A rank or a count need not move.
func TestOneInputMovesItsMetrics(t *testing.T) {
	c := richCase().Case()
	before := Compute(c, builtIn())
	for _, k := range c.Measured.Keys() {
		changed := valve.Measurements{}
		for other, m := range c.Measured {
			changed[other] = m
		}
		m := changed[k]
		old, _ := m.Value.Get()
		m.Value = units.Some(old * 1.25)
		changed[k] = m
		after := Compute(c.WithMeasured(changed), builtIn())
		if len(after) != len(before) {
			t.Fatalf("%s: %d values, %d before", k, len(after), len(before))
		}
		for i, v := range before {
			if v.State != HasValue {
				continue
			}
			moved := after[i].State != v.State || after[i].Value != v.Value
			read := slices.ContainsFunc(v.Inputs, func(in valve.InputValue) bool { return in.Key == k })
			m, _ := MetricByID(v.Key.ID)
			if moved != read && (moved || !m.Steps && needNotMove[v.Key.ID] == "") {
				t.Errorf("%s from %g to %g: %s moved %v (%v to %v), among its inputs %v", k, old, old*1.25, v.Key, moved, v.Value, after[i].Value, read)
			}
		}
	}
}
