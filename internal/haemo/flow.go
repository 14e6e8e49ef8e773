package haemo

import (
	"math"

	"trigone/internal/units"
)

// gradientConstant is the constant of the hydraulic formula of the mitral valve
// in mL/s per cm2 and √mmHg: 44.3·0.85, printed as 37.7 (38 is in use too).
const gradientConstant = 37.7

// DiastolicFlow gives the mean flow through the valve while it fills.
//
//	Q = CO / (HR · DFP)   (CO L/min, HR /min, DFP ms of one beat, Q mL/s)
//
// Accepted: rate and filling period above 0, filling period shorter than the
// beat. With a leaking valve the forward output understates the flow. Source:
// public teaching page, read.
func DiastolicFlow(output units.CardiacOutput, rate units.Rate, filling units.Duration) units.FlowRate {
	return output.PerBeat(rate).OverDuration(filling)
}

// MitralAreaFromGradient gives the mitral orifice area from flow and mean
// gradient by the hydraulic formula (Gorlin).
//
//	MVA = Q / (37.7 · √MG)   (Q mL/s, MG mmHg, MVA cm2)
//
// Accepted: gradient above 0. Source: public teaching page, read.
func MitralAreaFromGradient(flow units.FlowRate, mean units.Pressure) units.Area {
	return units.Area(float64(flow) / (gradientConstant * math.Sqrt(float64(mean))))
}

// MeanGradientFromFlow is the inverse of MitralAreaFromGradient: the mean
// gradient that a flow makes over an effective orifice. A ring's geometric
// area is no effective orifice and must not be used here.
//
//	MG = (Q / (37.7 · MVA))²   (Q mL/s, MVA cm2, MG mmHg)
//
// Accepted: area above 0. Source: algebra of MitralAreaFromGradient.
func MeanGradientFromFlow(flow units.FlowRate, orifice units.Area) units.Pressure {
	root := float64(flow) / (gradientConstant * float64(orifice))
	return units.Pressure(root * root)
}

// PressureHalfTimeArea gives the mitral orifice area from the pressure half
// time.
//
//	MVA = 220 / PHT   (PHT ms, MVA cm2)
//
// Accepted: native stenosis; not valid directly after a repair, with aortic
// regurgitation or with a stiff ventricle (after repair it separated stenosis
// poorly: area under the curve 0.64, Riegel et al., PLoS ONE 2011;6:e26559, read
// in the abstract). Source: public teaching page, read.
func PressureHalfTimeArea(halfTime units.Duration) units.Area {
	return units.Area(220 / float64(halfTime))
}

// PressureHalfTime gives the pressure half time from the deceleration time.
//
//	PHT = 0.29 · DT   (ms)
//
// Accepted: above 0, a straight slope. Source: from memory.
func PressureHalfTime(deceleration units.Duration) units.Duration {
	return deceleration * 0.29
}

// GradientFromVelocity gives the pressure gradient of a velocity by the
// simplified Bernoulli equation.
//
//	ΔP = 4 · v²   (v m/s, ΔP mmHg; v is taken in cm/s)
//
// Accepted: velocity before the narrowing below about 150 cm/s so that it may
// be left out. Source: from memory.
func GradientFromVelocity(v units.Velocity) units.Pressure {
	m := v.MPerS()
	return units.Pressure(4 * m * m)
}

// PulmonarySystolicPressure gives the systolic pulmonary artery pressure from
// the peak velocity of tricuspid regurgitation and the right atrial pressure.
//
//	PASP = 4 · TRV² + RAP   (TRV m/s, taken in cm/s; mmHg)
//
// Accepted: no pulmonary stenosis. Source: from memory.
func PulmonarySystolicPressure(tricuspidJet units.Velocity, rightAtrial units.Pressure) units.Pressure {
	return GradientFromVelocity(tricuspidJet).Plus(rightAtrial)
}

// EjectionFraction gives the total ejection fraction of the left ventricle.
//
//	EF = 100 · (EDV − ESV) / EDV   (mL, %)
//
// Accepted: EDV above ESV, both of one method. Source: definition.
func EjectionFraction(endDiastolic, endSystolic units.Volume) units.Fraction {
	return endDiastolic.Minus(endSystolic).Over(endDiastolic).Percent()
}

// ForwardEjectionFraction gives the share of the end-diastolic volume that
// leaves through the outflow tract.
//
//	EF forward = 100 · SV outflow / EDV   (mL, %)
//
// Accepted: EDV above 0. Source: concept read in Petolat et al., Front
// Cardiovasc Med 2023;10:1076708 (abstract).
func ForwardEjectionFraction(outflow, endDiastolic units.Volume) units.Fraction {
	return outflow.Over(endDiastolic).Percent()
}
