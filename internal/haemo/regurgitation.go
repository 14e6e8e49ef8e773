package haemo

import (
	"math"

	"trigone/internal/units"
)

// ConvergenceShellArea gives the surface of the hemisphere of flow convergence
// (the proximal isovelocity surface area, PISA).
//
//	A = 2·π·r²   (r mm, A cm2)
//
// Accepted: radius above 0, up to about 20 mm. Source: teaching pages that quote
// the 2017 recommendations, read in a secondary page.
func ConvergenceShellArea(radius units.Length) units.Area {
	return radius.Times(radius).Scaled(2 * math.Pi)
}

// PeakRegurgitantFlow gives the peak flow through the hemisphere of flow
// convergence.
//
//	Q = 2·π·r²·Va   (r mm, Va cm/s, Q mL/s)
//
// Accepted: radius as in ConvergenceShellArea; aliasing velocity 15 to 70 cm/s.
// Source: as ConvergenceShellArea, read in a secondary page; velocity range from
// memory.
func PeakRegurgitantFlow(radius units.Length, aliasing units.Velocity) units.FlowRate {
	return ConvergenceShellArea(radius).TimesVelocity(aliasing)
}

// AngleCorrection gives the factor by which flow, orifice area and regurgitant
// volume are multiplied when a wall narrows the flow convergence.
//
//	k = α / 180   (α deg)
//
// Accepted: above 0 to 180 degrees; 180 is an unrestricted hemisphere. There is
// no typical angle to fall back on. Source: Jang et al., J Cardiovasc Ultrasound
// 2018;26(1), read in the abstract.
func AngleCorrection(angle units.Angle) units.Ratio {
	return units.Ratio(angle / 180)
}

// AngleCorrectedFlow gives the peak regurgitant flow multiplied by
// AngleCorrection; orifice area and volume computed from it are corrected too.
//
//	Q' = Q · α / 180   (Q mL/s, α deg)
//
// Accepted and source: as AngleCorrection.
func AngleCorrectedFlow(flow units.FlowRate, angle units.Angle) units.FlowRate {
	return flow.Scaled(AngleCorrection(angle))
}

// RegurgitantOrificeArea gives the effective regurgitant orifice area from the
// peak flow and the peak velocity of the jet by continuous-wave Doppler.
//
//	EROA = Q / Vmax   (Q mL/s, Vmax cm/s, EROA cm2)
//
// Accepted: peak velocity 300 to 700 cm/s. Source: as ConvergenceShellArea, read
// in a secondary page; Otto, chapter 12: usually 5 to 6 m/s.
func RegurgitantOrificeArea(flow units.FlowRate, peak units.Velocity) units.Area {
	return flow.OverVelocity(peak)
}

// RegurgitantVolume gives the regurgitant volume of one beat from the orifice
// area and the velocity-time integral of the jet.
//
//	RVol = EROA · VTI   (EROA cm2, VTI cm, RVol mL)
//
// Accepted: both above 0. It overstates a regurgitation that does not last the
// whole systole. Source: as ConvergenceShellArea, read in a secondary page.
func RegurgitantVolume(orifice units.Area, jet units.StrokeDistance) units.Volume {
	return orifice.TimesStroke(jet)
}

// SimplifiedOrificeArea gives the orifice area from the radius alone.
//
//	EROA = r² / 2   (r cm, EROA cm2)
//
// Accepted: only with an aliasing velocity of 7.6 to 8.4 % of the jet's, 40 over 500
// cm/s being 8 %: there the full formula's factor, 2·π·Va/Vmax, is about 5 % from a half
// at most. At 36 and 530 cm/s this form is 17 % high. Source: algebra.
func SimplifiedOrificeArea(radius units.Length) units.Area {
	return radius.Times(radius).Scaled(0.5)
}

// OrificeAreaRelativeError gives the relative standard uncertainty of the
// orifice area from those of radius, aliasing velocity and peak velocity, taken
// as independent.
//
//	rel = √((2·rel r)² + (rel Va)² + (rel Vmax)²)   (pure numbers)
//
// Accepted: 0 to about 0.3 each (first order). Source: arithmetic.
func OrificeAreaRelativeError(radius, aliasing, peak units.Ratio) units.Ratio {
	r, a, p := 2*float64(radius), float64(aliasing), float64(peak)
	return units.Ratio(math.Sqrt(r*r + a*a + p*p))
}

// InflowStrokeVolumeElliptic gives the stroke volume that enters through the
// mitral annulus taken as an ellipse.
//
//	SV = π/4 · d1 · d2 · VTI   (d1, d2 mm, VTI cm at the annulus, SV mL)
//
// Accepted: diameters above 0, same phase of the cycle. Source: area of an ellipse.
func InflowStrokeVolumeElliptic(d1, d2 units.Length, annular units.StrokeDistance) units.Volume {
	return d1.Times(d2).Scaled(math.Pi / 4).TimesStroke(annular)
}

// InflowStrokeVolumeCircular gives the stroke volume that enters through the
// mitral annulus taken as a circle.
//
//	SV = π/4 · d² · VTI   (d mm, VTI cm at the annulus, SV mL)
//
// Accepted: diameter above 0. Source: teaching pages that quote the 2017
// recommendations, read in a secondary page.
func InflowStrokeVolumeCircular(diameter units.Length, annular units.StrokeDistance) units.Volume {
	return InflowStrokeVolumeElliptic(diameter, diameter, annular)
}

// OutflowStrokeVolume gives the forward stroke volume through the left
// ventricular outflow tract. The radius enters once, squared: a form printed as
// 2·π·(d/2)² doubles it.
//
//	SV = π/4 · d² · VTI   (d mm, VTI cm in the outflow tract, SV mL)
//
// Accepted: diameter above 0. Source: teaching pages that quote the 2017
// recommendations, read in a secondary page.
func OutflowStrokeVolume(diameter units.Length, outflow units.StrokeDistance) units.Volume {
	return diameter.Times(diameter).Scaled(math.Pi / 4).TimesStroke(outflow)
}

// RegurgitantVolumeFromInflow gives the regurgitant volume as inflow less
// forward stroke volume.
//
//	RVol = SV mitral − SV outflow   (mL)
//
// The result may be below 0 where little leaks; that is measurement scatter.
// Accepted: no more than mild aortic regurgitation, no shunt (plain continuity; a
// 2026 study that excluded more than mild aortic regurgitation, J Cardiovasc Dev
// Dis 13:98, was read). Source: read in a secondary page.
func RegurgitantVolumeFromInflow(inflow, outflow units.Volume) units.Volume {
	return inflow.Minus(outflow)
}

// RegurgitantVolumeFromVentricle gives the regurgitant volume as total less
// forward stroke volume of the left ventricle.
//
//	RVol = (EDV − ESV) − SV outflow   (mL)
//
// Accepted, sign and source: as RegurgitantVolumeFromInflow.
func RegurgitantVolumeFromVentricle(endDiastolic, endSystolic, outflow units.Volume) units.Volume {
	return endDiastolic.Minus(endSystolic).Minus(outflow)
}

// RegurgitantFraction gives the regurgitant share of the total stroke volume
// (mitral inflow, or EDV − ESV), never of the forward one: divided by the
// forward stroke volume it can exceed 100 %.
//
//	RF = 100 · RVol / SV total   (mL, %)
//
// Accepted: total above 0. Source: Otto, Textbook of Clinical Echocardiography,
// chapter 12, equation of the regurgitant fraction (read in a reproduction).
func RegurgitantFraction(regurgitant, total units.Volume) units.Fraction {
	return regurgitant.Over(total).Percent()
}

// VolumetricOrificeArea gives the effective regurgitant orifice area from a
// volumetric regurgitant volume.
//
//	EROA = RVol / VTI   (RVol mL, VTI cm of the jet, EROA cm2)
//
// Accepted: jet integral above 0. Source: Otto, chapter 12, as RegurgitantFraction.
func VolumetricOrificeArea(regurgitant units.Volume, jet units.StrokeDistance) units.Area {
	return regurgitant.OverStroke(jet)
}

// VenaContractaArea gives the area of the vena contracta as an ellipse from its
// widths in two perpendicular planes.
//
//	A = π · (w1/2) · (w2/2)   (mm, cm2)
//
// Accepted: widths above 0. Source: Onishi et al. 2024, PMC11266834, read.
func VenaContractaArea(w1, w2 units.Length) units.Area {
	return w1.Times(w2).Scaled(math.Pi / 4)
}

// BiplaneVenaContractaWidth gives the mean width of the vena contracta in two
// planes.
//
//	w = (w1 + w2) / 2   (mm)
//
// Accepted: widths above 0. Source: Onishi et al. 2024, PMC11266834, read.
func BiplaneVenaContractaWidth(w1, w2 units.Length) units.Length {
	return w1.Plus(w2).Scaled(0.5)
}

// InflowToOutflowRatio gives the ratio of the velocity-time integrals at the
// mitral valve and in the outflow tract; above 1.4 supports severe regurgitation.
//
//	VTI mitral / VTI outflow   (cm, 1)
//
// Accepted: outflow above 0. Source: read in a secondary page.
func InflowToOutflowRatio(mitral, outflow units.StrokeDistance) units.Ratio {
	return mitral.Over(outflow)
}

// RegurgitantFractionOfForward gives the regurgitant fraction where the
// regurgitant volume (by flow convergence) and the forward stroke volume are
// known: their sum is the total.
//
//	RF = 100 · RVol / (RVol + SV forward)   (mL, %)
//
// Accepted: both above 0; no more than mild aortic regurgitation. Source:
// definition, as RegurgitantFraction.
func RegurgitantFractionOfForward(regurgitant, forward units.Volume) units.Fraction {
	return RegurgitantFraction(regurgitant, regurgitant.Plus(forward))
}
