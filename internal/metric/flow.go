package metric

import (
	"trigone/internal/haemo"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// The ids of this file.
const (
	IDFractionByConvergence    = "regurgitant_fraction_by_flow_convergence"
	IDFillingTime              = "diastolic_filling_time"
	IDHydraulicOrifice         = "hydraulic_orifice_area"
	IDContinuityOrifice        = "continuity_orifice_area"
	IDDecelerationOrifice      = "deceleration_time_orifice_area"
	IDIndexedEffectiveOrifice  = "indexed_effective_orifice_area"
	IDForwardStrokeIndex       = "forward_stroke_volume_index"
	IDOutflowOutput            = "outflow_tract_cardiac_output"
	IDEarlyToLateRatio         = "early_to_late_inflow_ratio"
	IDAnteriorLeafletToAnnulus = "anterior_leaflet_to_annulus_area_ratio"
)

var bodySurfaceInputs = []valve.ID{valve.BodyHeight, valve.BodyWeight}

var flowMetrics = []Metric{
	{
		ID: IDFractionByConvergence, Name: "regurgitant fraction by flow convergence",
		Unit: units.Percent, Grid: 0.1, Formula: "100 · RVol / (RVol + SV of the outflow tract), RVol by flow convergence, not corrected for the angle",
		Inputs: []valve.ID{valve.ProximalIsovelocityRadius, valve.AliasingVelocity, valve.RegurgitationPeakVelocity, valve.RegurgitationVelocityTimeIntegral, valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral},
		Source: settings.SourceEchoTextbook, Since: "2",
		Where: func(c *repair.Case) []At {
			return inStudiesWith(c, []valve.ID{valve.ProximalIsovelocityRadius}, []valve.ID{valve.OutflowTractVelocityTimeIntegral})
		},
		Compute: func(r *Reader) float64 {
			forwardFlowHolds(r)
			if ConvergenceAngle.In(r) {
				r.Explain("not corrected for the angle of convergence")
			}
			regurgitant := haemo.RegurgitantVolume(convergenceOrifice(r), RegurgitationVelocityTimeIntegral.Of(r))
			return float64(haemo.RegurgitantFractionOfForward(regurgitant, outflowVolume(r)))
		},
		Band:  fractionBand,
		Codes: wider("80056-5"),
	},
	{
		ID: IDFillingTime, Name: "diastolic filling time of one beat, estimated from the rate of the gradient",
		Unit: units.MS, Grid: 1, Formula: "60000/HR − (546 − 2.1·HR − 50) − 80, men; 549 − 2.0·HR, women; the mean of both where the sex is not recorded; 40 to 150/min",
		Inputs: []valve.ID{valve.GradientHeartRate}, Source: settings.SourceSystolicIntervals, Since: "2", Where: inStudies(valve.GradientHeartRate),
		Compute: func(r *Reader) float64 { return float64(fillingTime(r, GradientHeartRate.Of(r))) },
	},
	{
		ID: IDHydraulicOrifice, Name: "mitral orifice area from flow and mean gradient by the hydraulic formula (Gorlin)",
		Unit: units.CM2, Grid: 0.01, Formula: "Q / (37.7 · √MG), Q = cardiac output / (HR · filling time); the outflow tract's stroke volume where no output was measured",
		Inputs: []valve.ID{valve.CardiacOutput, valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral, valve.GradientHeartRate, valve.MeanGradient},
		Source: settings.SourcePublicPages, Since: "2",
		Where: func(c *repair.Case) []At {
			return inStudiesWith(c, []valve.ID{valve.MeanGradient}, []valve.ID{valve.CardiacOutput, valve.OutflowTractVelocityTimeIntegral})
		},
		Compute: func(r *Reader) float64 {
			littleLeaks(r)
			flow := fillingFlow(r, r.At().Occasion, GradientHeartRate.ID)
			r.Explain("the filling time is estimated from the rate")
			return float64(haemo.MitralAreaFromGradient(flow, MeanGradient.Of(r)))
		},
	},
	{
		ID: IDContinuityOrifice, Name: "effective mitral orifice area by continuity",
		Unit: units.CM2, Grid: 0.01, Formula: "SV of the outflow tract / VTI of the transmitral jet by continuous wave; not with more than mild regurgitation of either valve",
		Inputs: []valve.ID{valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral, valve.TransmitralJetVelocityTimeIntegral}, Source: settings.SourceEchoTextbook, Since: "2",
		Where: func(c *repair.Case) []At {
			return inStudiesWith(c, []valve.ID{valve.TransmitralJetVelocityTimeIntegral}, []valve.ID{valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral})
		},
		Compute: func(r *Reader) float64 { return float64(continuityArea(r)) },
	},
	{
		ID: IDIndexedEffectiveOrifice, Name: "effective mitral orifice area by continuity, per body surface (square-root formula)",
		Unit: units.MM2PerM2, Grid: 1,
		Formula: "SV of the outflow tract / VTI of the transmitral jet by continuous wave / body surface; 120 mm2/m2 or less is called mismatch after a replacement: by analogy only, not judged",
		Inputs:  append([]valve.ID{valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral, valve.TransmitralJetVelocityTimeIntegral}, bodySurfaceInputs...),
		Source:  settings.SourceEchoTextbook, Since: "2",
		Where: func(c *repair.Case) []At {
			return inStudiesWith(c, []valve.ID{valve.TransmitralJetVelocityTimeIntegral}, []valve.ID{valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral})
		},
		Compute: func(r *Reader) float64 { return float64(haemo.IndexedArea(continuityArea(r), bodySurface(r))) },
	},
	{
		ID: IDDecelerationOrifice, Name: "mitral orifice area by deceleration time",
		Unit: units.CM2, Grid: 0.01, Formula: "220 / (0.29 · deceleration time (ms))", Inputs: []valve.ID{valve.DecelerationTime},
		Source: settings.SourceTeachingEcho, Since: "2", Where: inStudies(valve.DecelerationTime),
		Compute: func(r *Reader) float64 {
			if s := r.Study(); s != nil && s.Kind != repair.Assessment {
				r.Explain("after a repair the slope of the inflow is a poor guide to stenosis: do not decide by it alone")
			}
			return float64(haemo.DecelerationTimeArea(DecelerationTime.Of(r)))
		},
	},
	{
		ID: IDForwardStrokeIndex, Name: "forward stroke volume of the outflow tract per body surface (square-root formula)",
		Unit: units.MLPerM2, Grid: 0.1, Formula: "SV of the outflow tract / body surface",
		Inputs: append([]valve.ID{valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral}, bodySurfaceInputs...),
		Source: settings.SourceArithmetic, Since: "2", Where: inStudies(valve.OutflowTractVelocityTimeIntegral),
		Compute: func(r *Reader) float64 {
			forwardFlowHolds(r)
			return float64(haemo.IndexedVolume(outflowVolume(r), bodySurface(r)))
		},
	},
	{
		ID: IDOutflowOutput, Name: "cardiac output through the outflow tract",
		Unit: units.LPerMin, Grid: 0.1, Formula: "SV of the outflow tract · heart rate",
		Inputs: []valve.ID{valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral, valve.HeartRate}, Source: settings.SourceArithmetic, Since: "2",
		Where: func(c *repair.Case) []At {
			return inStudiesWith(c, []valve.ID{valve.OutflowTractVelocityTimeIntegral}, []valve.ID{valve.HeartRate})
		},
		Compute: func(r *Reader) float64 {
			forwardFlowHolds(r)
			return float64(outflowVolume(r).AtRate(HeartRate.Of(r)))
		},
		Codes: same("20207-7"),
	},
	{
		ID: IDEarlyToLateRatio, Name: "peak early over peak late inflow velocity",
		Unit: units.One, Grid: 0.01, Formula: "E / A", Inputs: []valve.ID{valve.EarlyInflowVelocity, valve.LateInflowVelocity},
		Source: settings.SourceArithmetic, Since: "2", Where: inStudies(valve.LateInflowVelocity),
		Compute: func(r *Reader) float64 {
			return float64(haemo.EarlyToLateRatio(EarlyInflowVelocity.Of(r), LateInflowVelocity.Of(r)))
		},
		Codes: same("18038-0"),
	},
	{
		ID: IDAnteriorLeafletToAnnulus, Name: "area of the anterior leaflet over the area of the annulus",
		Unit: units.One, Grid: 0.01, Formula: "anterior leaflet area / annulus area, one study; no published cut-off: reported, not judged",
		Inputs: []valve.ID{valve.AnteriorLeafletArea, valve.AnnulusArea}, Source: settings.SourceArithmetic, Since: "2",
		Where: func(c *repair.Case) []At {
			return inStudiesWith(c, []valve.ID{valve.AnteriorLeafletArea}, []valve.ID{valve.AnnulusArea})
		},
		Compute: func(r *Reader) float64 {
			samePhase(r, valve.AnteriorLeafletArea, valve.AnnulusArea)
			return float64(AnteriorLeafletArea.Of(r).Over(AnnulusArea.Of(r)))
		},
	},
}

// The regressions of the filling time were made at these rates.
const lowestFillingRate, highestFillingRate = 40.0, 150.0

// fillingTime gives the filling time at a rate by the patient's sex.
func fillingTime(r *Reader, rate units.Rate) units.Duration {
	// A missing rate is not a number and passes both comparisons.
	if rate < lowestFillingRate || rate > highestFillingRate {
		r.DoesNotApply("the filling time is estimated for 40 to 150/min only")
	}
	sex := ""
	if r.c.Identity != nil {
		sex = r.c.Identity.Sex
	}
	switch sex {
	case "male":
		return haemo.FillingTimeMen(rate)
	case "female":
		return haemo.FillingTimeWomen(rate)
	}
	r.Explain("sex neither male nor female, or not recorded: mean of both regressions")
	return (haemo.FillingTimeMen(rate) + haemo.FillingTimeWomen(rate)) / 2
}

// fillingFlow gives the mean flow while the valve fills, at an occasion: the
// output, or the outflow's stroke volume, over the filling time at the rate.
func fillingFlow(r *Reader, o valve.Occasion, rateLeaf valve.ID) units.FlowRate {
	rate := units.Rate(r.Read(valve.Key{ID: rateLeaf, Occasion: o, Role: valve.Measured}))
	filling := fillingTime(r, rate)
	if r.Has(CardiacOutput.Key(valve.Nowhere, o, valve.Measured)) {
		return haemo.DiastolicFlow(CardiacOutput.At(r, valve.Nowhere, o), rate, filling)
	}
	return haemo.OutflowStrokeVolume(
		OutflowTractDiameter.At(r, valve.Nowhere, o), OutflowTractVelocityTimeIntegral.At(r, valve.Nowhere, o)).OverDuration(filling)
}

// littleLeaks: the forward flow is the flow through the mitral valve only if
// that does not leak.
func littleLeaks(r *Reader) {
	s := r.Study()
	if s == nil {
		return
	}
	worse, known := s.Grade.ModerateOrMore()
	switch {
	case worse:
		r.DoesNotApply("more than mild mitral regurgitation: more flows in than leaves through the outflow tract")
	case !known:
		r.Explain("the grade of mitral regurgitation is not recorded; more than mild would make this invalid")
	}
}

func continuityArea(r *Reader) units.Area {
	forwardFlowHolds(r)
	littleLeaks(r)
	return haemo.ContinuityArea(outflowVolume(r), TransmitralJetVelocityTimeIntegral.Of(r))
}
