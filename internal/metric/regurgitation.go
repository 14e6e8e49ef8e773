package metric

import (
	"trigone/internal/haemo"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var regurgitationMetrics = []Metric{
	{
		ID: IDConvergenceSurface, Name: "proximal isovelocity surface area",
		Unit: units.CM2, Grid: 0.01, Formula: "2·π·r²", Inputs: []valve.ID{valve.ProximalIsovelocityRadius},
		Source: settings.SourceTeaching, Since: "1", Where: inStudies(valve.ProximalIsovelocityRadius),
		Compute: func(r *Reader) float64 {
			return float64(haemo.ConvergenceShellArea(ProximalIsovelocityRadius.Of(r)))
		},
	},
	{
		ID: IDPeakRegurgitantFlow, Name: "peak regurgitant flow by flow convergence",
		Unit: units.MLPerS, Grid: 0.1, Formula: "2·π·r²·Va", Inputs: []valve.ID{valve.ProximalIsovelocityRadius, valve.AliasingVelocity},
		Source: settings.SourceTeaching, Since: "1", Where: inStudies(valve.ProximalIsovelocityRadius, valve.AliasingVelocity),
		Compute: func(r *Reader) float64 { return float64(convergenceFlow(r)) },
		Codes:   same("80057-3"),
	},
	{
		ID: IDOrificeByConvergence, Name: "effective regurgitant orifice area by flow convergence",
		Unit: units.CM2, Grid: 0.01, Formula: "2·π·r²·Va / Vmax", Inputs: []valve.ID{valve.ProximalIsovelocityRadius, valve.AliasingVelocity, valve.RegurgitationPeakVelocity},
		Source: settings.SourceTeaching, Since: "1", Where: inStudies(valve.ProximalIsovelocityRadius, valve.AliasingVelocity),
		Compute: func(r *Reader) float64 { return float64(convergenceOrifice(r)) },
		Band:    orificeBand,
		Codes:   same("80071-4"),
	},
	{
		ID: IDVolumeByConvergence, Name: "regurgitant volume by flow convergence",
		Unit: units.ML, Grid: 0.1, Formula: "2·π·r²·Va / Vmax · VTI of the jet",
		Inputs: []valve.ID{valve.ProximalIsovelocityRadius, valve.AliasingVelocity, valve.RegurgitationPeakVelocity, valve.RegurgitationVelocityTimeIntegral},
		Source: settings.SourceTeaching, Since: "1", Where: inStudies(valve.ProximalIsovelocityRadius, valve.AliasingVelocity),
		Compute: func(r *Reader) float64 {
			return float64(haemo.RegurgitantVolume(convergenceOrifice(r), RegurgitationVelocityTimeIntegral.Of(r)))
		},
		Band:  volumeBand,
		Codes: same("80064-9"),
	},
	{
		ID: IDAngleCorrectedFlow, Name: "peak regurgitant flow, corrected for the angle of convergence",
		Unit: units.MLPerS, Grid: 0.1, Formula: "2·π·r²·Va · α/180", Inputs: []valve.ID{valve.ProximalIsovelocityRadius, valve.AliasingVelocity, valve.ConvergenceAngle},
		Source: settings.SourceJang2018, Since: "1", Where: inStudies(valve.ConvergenceAngle),
		Compute: func(r *Reader) float64 { return float64(correctedFlow(r)) },
	},
	{
		ID: IDAngleCorrectedOrifice, Name: "effective regurgitant orifice area, corrected for the angle of convergence",
		Unit: units.CM2, Grid: 0.01, Formula: "2·π·r²·Va / Vmax · α/180",
		Inputs: []valve.ID{valve.ProximalIsovelocityRadius, valve.AliasingVelocity, valve.ConvergenceAngle, valve.RegurgitationPeakVelocity},
		Source: settings.SourceJang2018, Since: "1", Where: inStudies(valve.ConvergenceAngle),
		Compute: func(r *Reader) float64 {
			return float64(haemo.RegurgitantOrificeArea(correctedFlow(r), RegurgitationPeakVelocity.Of(r)))
		},
		Band: orificeBand,
	},
	{
		ID: IDAngleCorrectedVolume, Name: "regurgitant volume, corrected for the angle of convergence",
		Unit: units.ML, Grid: 0.1, Formula: "2·π·r²·Va / Vmax · α/180 · VTI of the jet",
		Inputs: []valve.ID{valve.ProximalIsovelocityRadius, valve.AliasingVelocity, valve.ConvergenceAngle, valve.RegurgitationPeakVelocity, valve.RegurgitationVelocityTimeIntegral},
		Source: settings.SourceJang2018, Since: "1", Where: inStudies(valve.ConvergenceAngle),
		Compute: func(r *Reader) float64 {
			orifice := haemo.RegurgitantOrificeArea(correctedFlow(r), RegurgitationPeakVelocity.Of(r))
			return float64(haemo.RegurgitantVolume(orifice, RegurgitationVelocityTimeIntegral.Of(r)))
		},
		Band: volumeBand,
	},
	{
		ID: IDSimplifiedOrifice, Name: "effective regurgitant orifice area, simplified",
		Unit: units.CM2, Grid: 0.01,
		Formula: "r²/2 (r in cm), only with an aliasing velocity of 7.6 to 8.4 % of the jet's, where it is about 5 % off the full formula at most",
		Inputs:  []valve.ID{valve.ProximalIsovelocityRadius, valve.AliasingVelocity, valve.RegurgitationPeakVelocity},
		Source:  settings.SourceArithmetic, Since: "1", Where: inStudies(valve.ProximalIsovelocityRadius, valve.AliasingVelocity),
		Compute: simplifiedOrifice,
		Band:    orificeBand,
	},
	{
		ID: IDInflowStrokeVolume, Name: "stroke volume of the mitral inflow",
		Unit: units.ML, Grid: 0.1, Formula: "π/4·d1·d2·VTI; π/4·d²·VTI where one diameter is known",
		Inputs: []valve.ID{valve.InflowAnnulusDiameter, valve.InflowAnnulusDiameterAcross, valve.InflowVelocityTimeIntegral},
		Source: settings.SourceTeaching, Since: "1", Where: inStudies(valve.InflowAnnulusDiameter, valve.InflowVelocityTimeIntegral),
		Compute: func(r *Reader) float64 { return float64(inflowVolume(r)) },
	},
	{
		ID: IDOutflowStrokeVolume, Name: "stroke volume of the left ventricular outflow tract",
		Unit: units.ML, Grid: 0.1, Formula: "π/4·d²·VTI", Inputs: []valve.ID{valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral},
		Source: settings.SourceTeaching, Since: "1", Where: inStudies(valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral),
		Compute: func(r *Reader) float64 { return float64(outflowVolume(r)) },
	},
	{
		ID: IDVentricularStrokeVolume, Name: "total stroke volume of the left ventricle",
		Unit: units.ML, Grid: 0.1, Formula: "EDV − ESV", Inputs: []valve.ID{valve.LeftVentricularEndDiastolicVolume, valve.LeftVentricularEndSystolicVolume},
		Source: settings.SourceArithmetic, Since: "1", Where: inStudies(valve.LeftVentricularEndDiastolicVolume, valve.LeftVentricularEndSystolicVolume), Signed: true,
		Compute: func(r *Reader) float64 { return float64(ventricularVolume(r)) },
	},
	{
		ID: IDVolumeFromInflow, Name: "regurgitant volume, inflow less outflow",
		Unit: units.ML, Grid: 0.1, Formula: "SV of the mitral inflow − SV of the outflow tract; may be below 0 where little leaks",
		Inputs: []valve.ID{valve.InflowAnnulusDiameter, valve.InflowAnnulusDiameterAcross, valve.InflowVelocityTimeIntegral, valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral},
		Source: settings.SourceTeaching, Since: "1", Where: inStudies(valve.InflowAnnulusDiameter, valve.InflowVelocityTimeIntegral), Signed: true,
		Compute: func(r *Reader) float64 { return float64(volumeFromInflow(r)) },
		Band:    volumeBand,
		Codes:   same("80063-1"),
	},
	{
		ID: IDVolumeFromVentricle, Name: "regurgitant volume, ventricle less outflow",
		Unit: units.ML, Grid: 0.1, Formula: "EDV − ESV − SV of the outflow tract; may be below 0 where little leaks",
		Inputs: []valve.ID{valve.LeftVentricularEndDiastolicVolume, valve.LeftVentricularEndSystolicVolume, valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral},
		Source: settings.SourceTeaching, Since: "1", Where: inStudies(valve.LeftVentricularEndDiastolicVolume, valve.LeftVentricularEndSystolicVolume), Signed: true,
		Compute: func(r *Reader) float64 { return float64(volumeFromVentricle(r)) },
		Band:    volumeBand,
	},
	{
		ID: IDFractionFromInflow, Name: "regurgitant fraction of the mitral inflow",
		Unit: units.Percent, Grid: 0.1, Formula: "100 · (SV inflow − SV outflow) / SV inflow",
		Inputs: []valve.ID{valve.InflowAnnulusDiameter, valve.InflowAnnulusDiameterAcross, valve.InflowVelocityTimeIntegral, valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral},
		Source: settings.SourceEchoTextbook, Since: "1", Where: inStudies(valve.InflowAnnulusDiameter, valve.InflowVelocityTimeIntegral), Signed: true,
		Compute: func(r *Reader) float64 {
			return float64(haemo.RegurgitantFraction(volumeFromInflow(r), inflowVolume(r)))
		},
		Band:  fractionBand,
		Codes: same("80055-7"),
	},
	{
		ID: IDFractionFromVentricle, Name: "regurgitant fraction of the ventricle's total stroke volume",
		Unit: units.Percent, Grid: 0.1, Formula: "100 · (EDV − ESV − SV outflow) / (EDV − ESV)",
		Inputs: []valve.ID{valve.LeftVentricularEndDiastolicVolume, valve.LeftVentricularEndSystolicVolume, valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral},
		Source: settings.SourceEchoTextbook, Since: "1", Where: inStudies(valve.LeftVentricularEndDiastolicVolume, valve.LeftVentricularEndSystolicVolume), Signed: true,
		Compute: func(r *Reader) float64 {
			return float64(haemo.RegurgitantFraction(volumeFromVentricle(r), ventricularVolume(r)))
		},
		Band: fractionBand,
	},
	{
		ID: IDOrificeFromInflow, Name: "effective regurgitant orifice area, volumetric, from the inflow",
		Unit: units.CM2, Grid: 0.01, Formula: "(SV inflow − SV outflow) / VTI of the jet",
		Inputs: []valve.ID{valve.InflowAnnulusDiameter, valve.InflowAnnulusDiameterAcross, valve.InflowVelocityTimeIntegral, valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral, valve.RegurgitationVelocityTimeIntegral},
		Source: settings.SourceEchoTextbook, Since: "1", Where: inStudies(valve.InflowAnnulusDiameter, valve.InflowVelocityTimeIntegral), Signed: true,
		Compute: func(r *Reader) float64 {
			return float64(haemo.VolumetricOrificeArea(volumeFromInflow(r), RegurgitationVelocityTimeIntegral.Of(r)))
		},
		Band:  orificeBand,
		Codes: wider("77914-0"),
	},
	{
		ID: IDOrificeFromVentricle, Name: "effective regurgitant orifice area, volumetric, from the ventricle",
		Unit: units.CM2, Grid: 0.01, Formula: "(EDV − ESV − SV outflow) / VTI of the jet",
		Inputs: []valve.ID{valve.LeftVentricularEndDiastolicVolume, valve.LeftVentricularEndSystolicVolume, valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral, valve.RegurgitationVelocityTimeIntegral},
		Source: settings.SourceEchoTextbook, Since: "1", Where: inStudies(valve.LeftVentricularEndDiastolicVolume, valve.LeftVentricularEndSystolicVolume), Signed: true,
		Compute: func(r *Reader) float64 {
			return float64(haemo.VolumetricOrificeArea(volumeFromVentricle(r), RegurgitationVelocityTimeIntegral.Of(r)))
		},
		Band:  orificeBand,
		Codes: wider("77914-0"),
	},
	{
		ID: IDVenaContractaAreaFromWidths, Name: "area of the vena contracta from two widths",
		Unit: units.CM2, Grid: 0.01, Formula: "π·(w1/2)·(w2/2)",
		Inputs: []valve.ID{valve.VenaContractaWidth, valve.VenaContractaWidthAcross},
		Source: settings.SourceOnishi2024, Since: "1", Where: inStudies(valve.VenaContractaWidthAcross),
		Compute: func(r *Reader) float64 {
			return float64(haemo.VenaContractaArea(VenaContractaWidth.Of(r), VenaContractaWidthAcross.Of(r)))
		},
	},
	{
		ID: IDMeanVenaContractaWidth, Name: "mean width of the vena contracta in two planes",
		Unit: units.MM, Grid: 0.1, Formula: "(w1 + w2) / 2",
		Inputs: []valve.ID{valve.VenaContractaWidth, valve.VenaContractaWidthAcross},
		Source: settings.SourceOnishi2024, Since: "1", Where: inStudies(valve.VenaContractaWidthAcross),
		Compute: func(r *Reader) float64 {
			r.Explain("a width alone does not make a grade: a second parameter has to agree")
			return float64(haemo.BiplaneVenaContractaWidth(VenaContractaWidth.Of(r), VenaContractaWidthAcross.Of(r)))
		},
		Band: func(v float64) string { return haemo.GradeVenaContractaBiplane(units.Length(v)).String() },
	},
	{
		ID: IDInflowToOutflowRatio, Name: "ratio of the velocity-time integrals of inflow and outflow",
		Unit: units.One, Grid: 0.01, Formula: "VTI inflow / VTI outflow",
		Inputs: []valve.ID{valve.InflowVelocityTimeIntegral, valve.OutflowTractVelocityTimeIntegral},
		Source: settings.SourceTeaching, Since: "1", Where: inStudies(valve.InflowVelocityTimeIntegral),
		Compute: func(r *Reader) float64 {
			return float64(haemo.InflowToOutflowRatio(InflowVelocityTimeIntegral.Of(r), OutflowTractVelocityTimeIntegral.Of(r)))
		},
	},
}

func orificeBand(v float64) string  { return haemo.GradeOrifice(units.Area(v)).String() }
func volumeBand(v float64) string   { return haemo.GradeVolume(units.Volume(v)).String() }
func fractionBand(v float64) string { return haemo.GradeFraction(units.Fraction(v)).String() }

func convergenceFlow(r *Reader) units.FlowRate {
	if s := r.Study(); s != nil && s.Timing != "" && s.Timing != "holosystolic" {
		r.Explain("regurgitation is not holosystolic: a single frame overstates it, do not grade by this alone")
	}
	return haemo.PeakRegurgitantFlow(ProximalIsovelocityRadius.Of(r), AliasingVelocity.Of(r))
}

func convergenceOrifice(r *Reader) units.Area {
	return haemo.RegurgitantOrificeArea(convergenceFlow(r), RegurgitationPeakVelocity.Of(r))
}

func correctedFlow(r *Reader) units.FlowRate {
	return haemo.AngleCorrectedFlow(convergenceFlow(r), ConvergenceAngle.Of(r))
}

// The simplified form stands for an aliasing velocity of 8 % of the jet's, 40 over
// 500 cm/s: the full formula is 2π times their ratio times r². Between these ratios
// both differ by about 5 % at most.
const simplifiedRatioLow, simplifiedRatioHigh = 0.076, 0.084

func simplifiedOrifice(r *Reader) float64 {
	radius, ratio := ProximalIsovelocityRadius.Of(r), float64(AliasingVelocity.Of(r)/RegurgitationPeakVelocity.Of(r))
	// A missing velocity is not a number and passes both comparisons.
	if ratio < simplifiedRatioLow || ratio > simplifiedRatioHigh {
		r.DoesNotApply("the simplified form holds only with an aliasing velocity of 7.6 to 8.4 % of the jet's, such as 40 with 500 cm/s; use the full formula")
	}
	return float64(haemo.SimplifiedOrificeArea(radius))
}

func inflowVolume(r *Reader) units.Volume {
	diameter, integral := InflowAnnulusDiameter.Of(r), InflowVelocityTimeIntegral.Of(r)
	if !InflowAnnulusDiameterAcross.In(r) {
		r.Explain("annulus at the inflow taken as a circle: one diameter is known")
		return haemo.InflowStrokeVolumeCircular(diameter, integral)
	}
	r.Explain("annulus at the inflow taken as an ellipse")
	across := InflowAnnulusDiameterAcross.Of(r)
	o := r.At().Occasion
	compare(r, true, InflowAnnulusDiameter.Key(valve.Nowhere, o, valve.Measured), InflowAnnulusDiameterAcross.Key(valve.Nowhere, o, valve.Measured))
	return haemo.InflowStrokeVolumeElliptic(diameter, across, integral)
}

func outflowVolume(r *Reader) units.Volume {
	return haemo.OutflowStrokeVolume(OutflowTractDiameter.Of(r), OutflowTractVelocityTimeIntegral.Of(r))
}

func ventricularVolume(r *Reader) units.Volume {
	sameMethod(r, valve.LeftVentricularEndDiastolicVolume, valve.LeftVentricularEndSystolicVolume)
	return LeftVentricularEndDiastolicVolume.Of(r).Minus(LeftVentricularEndSystolicVolume.Of(r))
}

// sameMethod says where leaves of the study were taken by different methods.
func sameMethod(r *Reader, leafIDs ...valve.ID) {
	keys := make([]valve.Key, len(leafIDs))
	for i, id := range leafIDs {
		keys[i] = valve.Key{ID: id, Occasion: r.At().Occasion, Role: valve.Measured}
	}
	compare(r, false, keys...)
}

// forwardFlowHolds: the outflow is the forward flow only if the aortic valve
// does not leak.
func forwardFlowHolds(r *Reader) {
	s := r.Study()
	if s == nil {
		return
	}
	worse, known := s.AorticGrade.ModerateOrMore()
	switch {
	case worse:
		r.DoesNotApply("more than mild aortic regurgitation: the outflow is not the forward flow")
	case !known:
		r.Explain("aortic regurgitation is not recorded; more than mild would make this invalid")
	}
}

func volumeFromInflow(r *Reader) units.Volume {
	forwardFlowHolds(r)
	return haemo.RegurgitantVolumeFromInflow(inflowVolume(r), outflowVolume(r))
}

func volumeFromVentricle(r *Reader) units.Volume {
	forwardFlowHolds(r)
	sameMethod(r, valve.LeftVentricularEndDiastolicVolume, valve.LeftVentricularEndSystolicVolume)
	return haemo.RegurgitantVolumeFromVentricle(
		LeftVentricularEndDiastolicVolume.Of(r), LeftVentricularEndSystolicVolume.Of(r), outflowVolume(r))
}
