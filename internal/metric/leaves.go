package metric

import (
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// leaves has one row for every field of the contract that holds a quantity, in
// the contract's order. Plausible ranges are from memory (a clinician has to
// confirm them) where no published spread is named, so that what lies beyond is a
// note at most. Assumed standard deviations are of one reading: a published one of
// the difference of two, over the root of 2. Those of heights, intercommissural
// diameter and area are rebuilt from published agreement of manual 3D measurements
// with assumed population spreads. Those of end-systolic volumes are ours: with those
// of the end-diastolic ones they give 160 and 60 mL an ejection fraction about as
// uncertain as a stated one. Diameters of flow are 8 to 12 % uncertain, velocities 2
// to 5 %; a gradient goes with the square of a velocity.
//
// Codes: rows of publicCodes; of several the first that fits is sent.
var leaves = []Leaf{
	// Identity.
	heightCM(valve.BodyHeight, "body height", Full, 100, 220).code("8302-2"),
	kilograms(valve.BodyWeight, "body weight", Full, 25, 250).code("29463-7"),

	// Regurgitation.
	duration(valve.RegurgitationOnset, "onset of regurgitation after the QRS complex", Full, 0, 500),
	percent(valve.JetToLeftAtriumShare, "largest jet area as a share of the left atrium", Full, 0, 100),
	length(valve.ProximalIsovelocityRadius, "radius of the proximal isovelocity surface", Full, 1, 20).
		sd(0.9, settings.SourceConvergenceRadius).code("80059-9"),
	velocity(valve.AliasingVelocity, "aliasing velocity at which that radius was read", Full, 15, 70).ranged(settings.SourceEchoTextbook).
		sdPercent(5, settings.SourceEchoTextbook).
		code("80060-7"),
	angle(valve.ConvergenceAngle, "angle of the flow convergence, 180 degrees for a free hemisphere", Full, 60, 180),
	velocity(valve.RegurgitationPeakVelocity, "peak velocity of the regurgitant jet", Full, 300, 700).ranged(settings.SourceEchoTextbook).
		sdPercent(5, settings.SourceEchoTextbook).
		code("80062-3"),
	stroke(valve.RegurgitationVelocityTimeIntegral, "velocity-time integral of the regurgitant jet", Full, 50, 250).
		sdPercent(5, settings.SourceEchoTextbook),
	length(valve.VenaContractaWidth, "width of the vena contracta", Full, 0, 20).
		code("80061-5"),
	length(valve.VenaContractaWidthAcross, "width of the vena contracta in the plane across", Full, 0, 30),
	area(valve.VenaContractaArea, "area of the vena contracta by planimetry", Full, 0, 2).
		sdPercent(7.5, settings.SourceYosefy2009),
	area(valve.StatedRegurgitantOrificeArea, "effective regurgitant orifice area as stated", Full, 0, 2).
		sd(0.13, settings.SourceConvergenceAgreement),
	volume(valve.StatedRegurgitantVolume, "regurgitant volume as stated", Full, 0, 200).
		sdPercent(14, settings.SourceSpampinato2021).at(valve.MagneticResonance, 4.2, settings.SourceResonanceVolume),
	percent(valve.StatedRegurgitantFraction, "regurgitant fraction as stated", Full, 0, 90).
		coded(Wider, "399301000"),

	// Flow.
	length(valve.InflowAnnulusDiameter, "diameter of the annulus at the inflow sample", Full, 20, 55).
		sdPercent(8, settings.SourceEchoTextbook),
	length(valve.InflowAnnulusDiameterAcross, "diameter of the annulus across, at the inflow sample", Full, 20, 60).
		sdPercent(8, settings.SourceEchoTextbook),
	stroke(valve.InflowVelocityTimeIntegral, "velocity-time integral of the mitral inflow at the annulus", Full, 5, 40).
		sdPercent(5, settings.SourceEchoTextbook).
		code("80053-2"),
	length(valve.OutflowTractDiameter, "diameter of the left ventricular outflow tract", Full, 14, 30).
		sdPercent(8, settings.SourceEchoTextbook).
		code("80028-4"),
	stroke(valve.OutflowTractVelocityTimeIntegral, "velocity-time integral in the left ventricular outflow tract", Full, 6, 40).
		sdPercent(5, settings.SourceEchoTextbook).
		code("80030-0"),
	velocity(valve.EarlyInflowVelocity, "peak early inflow velocity", Full, 20, 300).code("80070-6"),
	velocity(valve.LateInflowVelocity, "peak late inflow velocity", Full, 10, 200).code("80066-4"),
	output(valve.CardiacOutput, "cardiac output by an independent method", Full, 1.5, 12),
	stroke(valve.TransmitralJetVelocityTimeIntegral, "velocity-time integral of the transmitral jet, continuous wave", Full, 10, 120).
		sdPercent(5, settings.SourceEchoTextbook).
		code("79914-8"),

	// Chambers, septum and neighbourhood.
	volume(valve.LeftVentricularEndDiastolicVolume, "left ventricular end-diastolic volume", Full, 50, 400).
		sd(12, settings.SourceEchoTextbook).at(valve.Echo3D, 7, settings.SourceEchoTextbook).
		code("79995-7", "18026-5"),
	volume(valve.LeftVentricularEndSystolicVolume, "left ventricular end-systolic volume", Full, 10, 300).
		sd(8, settings.SourceOwnModel).at(valve.Echo3D, 3, settings.SourceOwnModel).
		code("80000-3", "18148-7"),
	length(valve.LeftVentricularEndDiastolicDiameter, "left ventricular end-diastolic diameter", Full, 30, 85).
		code("80007-8", "80008-6"),
	length(valve.LeftVentricularEndSystolicDiameter, "left ventricular end-systolic diameter", Full, 15, 75).
		code("80011-0", "80012-8"),
	percent(valve.StatedLeftVentricularEjectionFraction, "left ventricular ejection fraction as stated", Full, 10, 85).
		sd(5.7, settings.SourceEchoTextbook).at(valve.Echo3D, 2.1, settings.SourceEchoTextbook).
		code("79990-8", "18043-0"),
	volume(valve.LeftAtrialVolume, "left atrial end-systolic volume", Full, 20, 400),
	length(valve.LeftAtrialDiameter, "left atrial diameter", Full, 25, 90).code("79975-9"),
	velocity(valve.TricuspidRegurgitationPeakVelocity, "peak velocity of tricuspid regurgitation", Full, 150, 500).code("79921-3"),
	pressure(valve.RightAtrialPressure, "right atrial pressure", Full, 0, 30),
	pressure(valve.StatedPulmonaryArterySystolicPressure, "systolic pulmonary artery pressure as stated", Full, 10, 120),
	length(valve.BasalSeptumThickness, "thickness of the basal septum at the end of diastole", Full, 5, 30),
	length(valve.CoaptationToSeptumDistance, "distance from the point of coaptation to the septum", Full, 10, 50),
	length(valve.LeafletTipToSeptumDistance, "distance from the tip of the anterior leaflet to the septum", Full, 5, 50),
	angle(valve.AortoMitralAngle, "angle between the aortic and the mitral annular plane", Full, 90, 160).code("131177"),
	length(valve.CircumflexToAnnulusDistance, "smallest distance of the circumflex artery from the annulus", Full, 0, 30),

	// Gradients and orifice.
	pressure(valve.MeanGradient, "mean diastolic gradient of the mitral valve", Core, 0, 20).
		sd(0.3, settings.SourceRijsterborgh1990).sdPercent(10, settings.SourceRijsterborgh1990).
		inRhythm(atrialFibrillation, 0.3, 22, settings.SourceRijsterborgh1990).code("80073-0"),
	pressure(valve.PeakGradient, "peak diastolic gradient of the mitral valve", Full, 0, 40).
		code("80074-8"),
	rate(valve.GradientHeartRate, "heart rate at which the gradients were taken", Core, 40, 150).
		coded(Wider, "8867-4"),
	duration(valve.PressureHalfTime, "pressure half-time of the inflow", Full, 30, 500).
		code("79912-2"),
	duration(valve.DecelerationTime, "deceleration time of the early inflow", Full, 80, 1500).code("78191-4"),
	area(valve.PlanimetryOrificeArea, "mitral orifice area by planimetry", Full, 0.5, 8).
		code("80068-0"),
	area(valve.StatedOrificeArea, "mitral orifice area as stated, by another method", Full, 0.5, 8),

	// Annulus.
	length(valve.AnnulusAnteroPosteriorDiameter, "antero-posterior diameter of the annulus", Core, 16, 55).ranged(settings.SourceAnnulus2020).
		sd(1, settings.SourceAnwar2007).
		code("131182"),
	length(valve.AnnulusIntercommissuralDiameter, "intercommissural diameter of the annulus", Full, 25, 60).
		sd(2.2, settings.SourceObserver2016).code("131185"),
	length(valve.AnnulusAnterolateralPosteromedialDiameter, "anterolateral to posteromedial diameter of the annulus", Full, 25, 60).
		code("131181"),
	area(valve.AnnulusArea, "projected area of the annulus", Model, 4, 25).
		sd(0.9, settings.SourceObserver2016).
		code("131183", "20264-8"),
	length(valve.AnnulusPerimeter, "perimeter of the annulus", Full, 70, 190).
		code("131189"),
	length(valve.AnnulusHeight, "height of the annulus, lowest to highest point", Full, 1, 15).
		code("131187"),
	length(valve.IntertrigonalDistance, "distance between the trigones", Full, 12, 45).
		code("131179"),
	length(valve.PosteriorAnnulusLength, "length of the posterior annulus, trigone to trigone", Full, 40, 150),
	length(valve.AnnularDisjunction, "annular disjunction, hinge of the posterior leaflet to the top of the ventricular wall", Full, 0, 25),

	// Leaflets.
	length(valve.LeafletHeight, "leaflet height, annulus to free edge", Core, 5, 45).
		sd(2.1, settings.SourceObserver2016).posteriorSD(1.2),
	length(valve.ScallopFreeEdgeWidth, "width of a posterior scallop along the free edge", Full, 5, 60),
	length(valve.ScallopAnnularWidth, "width of a posterior scallop along the annulus", Full, 5, 60),
	area(valve.AnteriorLeafletArea, "area of the anterior leaflet", Model, 2, 20).code("131176"),
	length(valve.LeafletThickness, "thickness of the anterior leaflet's body in diastole", Full, 0.5, 10),
	length(valve.CoaptationLength, "coaptation length, both leaflets in contact", Core, 0, 20).
		sd(1.2, settings.SourceOwnModel).
		code("131190"),
	length(valve.CoaptationDepth, "distance of the entry of coaptation below the annular plane", Model, 0, 20).
		sd(1.5, settings.SourceMemory).
		code("131198"),
	percent(valve.AnteriorClosureShare, "share of the antero-posterior diameter in front of the closure line", Model, 40, 95).
		sd(5, settings.SourceOwnModel),
	area(valve.TentingArea, "tenting area", Full, 0, 6).code("131199"),
	length(valve.FlailGap, "gap between the flail edge and the opposite leaflet", Full, 0, 25),
	length(valve.FlailWidth, "width of the flail or prolapsing part along the free edge", Full, 0, 60),
	length(valve.ProlapseHeight, "height of the free edge above the annular plane", Full, 0, 25).code("131196"),
	length(valve.BillowHeight, "height of the leaflet body above the annular plane", Full, 0, 25),
	length(valve.CleftDepth, "depth of a cleft or an indentation", Full, 0, 30),

	// Other valves.
	length(valve.TricuspidAnnulusDiameter, "diameter of the tricuspid annulus", Full, 20, 60).code("80091-2", "18023-2"),
	pressure(valve.AorticMeanGradient, "mean gradient of the aortic valve", Full, 0, 80).code("79962-7"),

	// Systolic anterior motion.
	pressure(valve.OutflowTractGradient, "peak gradient of the outflow tract at rest", Full, 0, 150),
	pressure(valve.OutflowTractGradientProvoked, "peak gradient of the outflow tract, provoked", Full, 0, 200),

	// Haemodynamics.
	pressure(valve.SystolicArterialPressure, "systolic arterial pressure", Full, 60, 220),
	pressure(valve.DiastolicArterialPressure, "diastolic arterial pressure", Full, 30, 130),
	rate(valve.HeartRate, "heart rate", Full, 40, 150).code("8867-4"),

	// Steps, planned and performed.
	length(valve.RingInnerAnteroPosteriorDiameter, "inner antero-posterior diameter of the ring", Model, 16, 36).
		sd(1, settings.SourceOwnModel),
	length(valve.RingInnerTransverseDiameter, "inner transverse diameter of the ring", Model, 20, 46).
		sd(1, settings.SourceOwnModel),
	area(valve.RingOrificeArea, "orifice area enclosed by the ring", Model, 3, 13).
		sdPercent(3, settings.SourceOwnModel),
	length(valve.BandLength, "length of a band along its course", Full, 40, 130),
	length(valve.ArtificialChordLength, "length of artificial chords, papillary tip to free edge", Core, 8, 35).ranged(settings.SourceChordLength),
	length(valve.ClosureLength, "length of a cleft that is closed", Core, 1, 30),
	length(valve.CommissuralClosureLength, "length of a commissure that is closed", Core, 1, 25),
	length(valve.EdgeToEdgeLength, "length of the free edges sutured to each other", Core, 2, 20),
	length(valve.HeightRemoved, "leaflet height taken off", Core, 1, 25).
		sd(1, settings.SourceOwnModel),
	offset(valve.ResectionAxisOffset, "offset of a resection's axis from the segment's middle, medial positive", Full, -15, 15),
	length(valve.ProlapsingFreeEdgeWidth, "width of the prolapsing part along the free edge", Full, 2, 60),
	percent(valve.ProlapsingWidthRemoved, "share of the prolapsing width that is removed", Full, 5, 100),
	length(valve.ResectionFreeEdgeWidth, "width removed along the free edge", Core, 3, 30).
		sd(1, settings.SourceOwnModel),
	length(valve.ResectionBaseWidth, "width removed along the base", Model, 0, 30),
	length(valve.ResectionHeight, "height of the resected piece", Full, 4, 35),
	length(valve.AnnularGap, "gap at the annulus after a resection down to it", Full, 0, 40),
	length(valve.PlicationLength, "length of annulus taken in by plication", Core, 0, 25),
	length(valve.SlidingDetachedLength, "length of leaflet detached from the annulus", Full, 2, 60),
	length(valve.SlidingAdvance, "advance of the cut edge along the annulus", Core, 0, 30),
	length(valve.SlidingStripHeightAtCutEdge, "height of the base strip removed at the cut edge", Full, 0, 20),
	length(valve.SlidingStripHeightAtFarEnd, "height of the base strip removed at the far end", Full, 0, 20),
	length(valve.PatchLength, "length of a patch along the annulus or the free edge", Full, 3, 70),
	length(valve.PatchWidth, "width of a patch across its length", Full, 3, 40),

	// Tests in the field.
	pressure(valve.SalinePressure, "pressure in the ventricle on a saline test", Full, 20, 200),
	volume(valve.SalineVolume, "volume instilled on a saline test", Full, 20, 500),
	percent(valve.PosteriorOrificeShare, "share of the orifice that the posterior leaflet fills", Full, 5, 60),
	length(valve.InkDepthBeyondLine, "leaflet beyond the ink line, line to free edge", Full, 0, 20),
	length(valve.InkAnnulusToLine, "annulus to the ink line", Full, 2, 40),

	// Conversion.
	pressure(valve.ProsthesisMeanGradient, "mean gradient across the prosthesis", Full, 0, 20),

	// Risk stated by the site; carried, not reasoned about.
	percent(valve.ExpectedProbability, "expected probability by the site's own model", Full, 0, 100),
}

// formerLeaf is the plausible range and the assumed standard deviation that a leaf
// had until an edition; 0: none.
type formerLeaf struct {
	until         settings.Edition
	id            valve.ID
	low, high, sd float64
}

func (f formerLeaf) of(l Leaf) Leaf {
	l.Low, l.High, l.RangeSource = f.low, f.high, settings.SourceMemory
	l.SD, l.SDPercent, l.PosteriorSD, l.Deviations, l.SDSource = f.sd, 0, 0, nil, settings.SourceOwnModel
	return l
}

// formerLeaves are oldest first.
var formerLeaves = []formerLeaf{
	{3, valve.ProximalIsovelocityRadius, 1, 20, 0.5},
	{3, valve.RegurgitationVelocityTimeIntegral, 50, 250, 0},
	{3, valve.VenaContractaArea, 0, 2, 0},
	{3, valve.StatedRegurgitantOrificeArea, 0, 2, 0},
	{3, valve.StatedRegurgitantVolume, 0, 200, 0},
	{3, valve.InflowAnnulusDiameter, 20, 55, 0},
	{3, valve.InflowAnnulusDiameterAcross, 20, 60, 0},
	{3, valve.InflowVelocityTimeIntegral, 5, 40, 0},
	{3, valve.OutflowTractDiameter, 14, 30, 0},
	{3, valve.OutflowTractVelocityTimeIntegral, 6, 40, 0},
	{3, valve.LeftVentricularEndDiastolicVolume, 50, 400, 0},
	{3, valve.LeftVentricularEndSystolicVolume, 10, 300, 0},
	{3, valve.StatedLeftVentricularEjectionFraction, 10, 85, 0},
	{3, valve.MeanGradient, 0, 20, 1},
	{3, valve.AnnulusAnteroPosteriorDiameter, 20, 55, 0},
	{3, valve.ArtificialChordLength, 8, 30, 0},
}

func row(id valve.ID, name string, unit units.Unit, grid float64, tier Tier, low, high float64) Leaf {
	return Leaf{ID: id, Name: name, Unit: unit, Grid: grid, Tier: tier, Low: low, High: high, RangeSource: settings.SourceMemory}
}

func length(id valve.ID, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.MM, 0.1, tier, low, high)
}

func offset(id valve.ID, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.SignedMM, 0.1, tier, low, high)
}

func area(id valve.ID, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.CM2, 0.01, tier, low, high)
}

func volume(id valve.ID, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.ML, 0.1, tier, low, high)
}

func stroke(id valve.ID, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.StrokeCM, 0.1, tier, low, high)
}

func velocity(id valve.ID, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.CMPerS, 0.1, tier, low, high)
}

func pressure(id valve.ID, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.MMHg, 0.1, tier, low, high)
}

func percent(id valve.ID, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.Percent, 0.1, tier, low, high)
}

func duration(id valve.ID, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.MS, 1, tier, low, high)
}

func angle(id valve.ID, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.Degree, 0.1, tier, low, high)
}

func rate(id valve.ID, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.PerMin, 1, tier, low, high)
}

func output(id valve.ID, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.LPerMin, 0.1, tier, low, high)
}

func heightCM(id valve.ID, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.HeightCM, 0.1, tier, low, high)
}

func kilograms(id valve.ID, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.KG, 0.1, tier, low, high)
}

func (l Leaf) ranged(source settings.SourceID) Leaf {
	l.RangeSource = source
	return l
}

func (l Leaf) sd(sd float64, source settings.SourceID) Leaf {
	l.SD, l.SDSource = sd, source
	return l
}

func (l Leaf) posteriorSD(sd float64) Leaf {
	l.PosteriorSD = sd
	return l
}

func (l Leaf) sdPercent(share float64, source settings.SourceID) Leaf {
	l.SDPercent, l.SDSource = share, source
	return l
}

// at states the standard deviation of values of one method.
func (l Leaf) at(method valve.Method, sd float64, source settings.SourceID) Leaf {
	l.Deviations = append(l.Deviations, Deviation{Method: method, SD: sd, Source: source})
	return l
}

// inRhythm states the standard deviation in one rhythm, as a share of the value, and
// how small it never is.
func (l Leaf) inRhythm(rhythm string, least, percent float64, source settings.SourceID) Leaf {
	l.Deviations = append(l.Deviations, Deviation{Rhythm: rhythm, SD: least, Percent: percent, Source: source})
	return l
}

// code gives public codes that mean what the leaf means.
func (l Leaf) code(codes ...string) Leaf { return l.coded(Equivalent, codes...) }

func (l Leaf) coded(e Equivalence, codes ...string) Leaf {
	l.Codes = append(l.Codes, codings(codes, e)...)
	return l
}
