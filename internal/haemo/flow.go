package haemo

import (
	"math"

	"trigone/internal/units"
)

// gradientConstant is the constant of the hydraulic formula of the mitral valve
// in mL/s per cm2 and √mmHg: 44.3·0.85, printed as 37.7 (38 is in use too). It
// belongs to catheter gradients: what Doppler would show is
// MeanDopplerGradientFromFlow.
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
// Accepted: above 0, a straight slope. Source: two public teaching pages, read.
func PressureHalfTime(deceleration units.Duration) units.Duration {
	return deceleration * 0.29
}

// GradientFromVelocity gives the pressure gradient of a velocity by the
// simplified Bernoulli equation.
//
//	ΔP = 4 · v²   (v m/s, ΔP mmHg; v is taken in cm/s)
//
// Accepted: velocity before the narrowing below about 150 cm/s so that it may
// be left out. Source: Otto, chapter 6 (read in a reproduction).
func GradientFromVelocity(v units.Velocity) units.Pressure {
	m := v.MPerS()
	return units.Pressure(4 * m * m)
}

// PulmonarySystolicPressure gives the systolic pulmonary artery pressure from
// the peak velocity of tricuspid regurgitation and the right atrial pressure.
//
//	PASP = 4 · TRV² + RAP   (TRV m/s, taken in cm/s; mmHg)
//
// Accepted: no pulmonary stenosis. Source: Otto, chapter 6, with worked examples
// (read in a reproduction).
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

// fillingTime is the part of a beat that is left when systole, from the QRS
// complex to the second sound less the time before ejection, and the relaxation
// before the valve opens are taken away.
//
//	DFT = 60000/HR − (a − b·HR − 50) − 80   (HR /min, ms)
func fillingTime(rate units.Rate, a, b float64) units.Duration {
	hr := float64(rate)
	const beforeEjection, relaxation = 50, 80
	return units.Duration(60000/hr - (a - b*hr - beforeEjection) - relaxation)
}

// FillingTimeMen gives the diastolic filling time of one beat of a man from the
// heart rate, by a regression of the systolic interval.
//
//	DFT = 60000/HR − (546 − 2.1·HR − 50) − 80   (HR /min, ms)
//
// Accepted: 40 to 150/min, a regular rhythm. Source: regression of Weissler, seen
// only quoted. A regression that was read, 541 − 2.2·HR (men) and 540 − 2.0·HR (women)
// in 40 subjects (Chest 1981;80:613, abstract), is 12 and 9 ms shorter at 70/min. The 50 and
// 80 ms: contraction 40 ± 10 and relaxation 96 ± 19 ms in 1,969 people (Copenhagen,
// abstract) with 103 ms before ejection come to 3 ms less between them.
func FillingTimeMen(rate units.Rate) units.Duration { return fillingTime(rate, 546, 2.1) }

// FillingTimeWomen is FillingTimeMen with the regression for women: 549 − 2.0·HR
// in place of 546 − 2.1·HR. Source: as FillingTimeMen.
func FillingTimeWomen(rate units.Rate) units.Duration { return fillingTime(rate, 549, 2.0) }

// ContinuityArea gives the effective mitral orifice area by continuity: what
// leaves through the outflow tract came in through the valve.
//
//	MVA = SV outflow / VTI jet   (mL, cm, cm2)
//
// The integral is that of the jet through the valve by continuous wave: the one by
// pulsed wave at the annulus gives the area of the annulus. Accepted: neither the
// mitral nor the aortic valve leaks more than mildly. Source: Otto, chapter 11,
// continuity equation (read in a reproduction).
func ContinuityArea(outflow units.Volume, jet units.StrokeDistance) units.Area {
	return outflow.OverStroke(jet)
}

// DecelerationTimeArea gives the mitral orifice area from the deceleration time
// of the early inflow, by the pressure half-time that belongs to it.
//
//	MVA = 220 / (0.29 · DT)   (DT ms, MVA cm2)
//
// Accepted and caution: as PressureHalfTimeArea. Also printed as 759/DT, on
// a public teaching page, read.
func DecelerationTimeArea(deceleration units.Duration) units.Area {
	return PressureHalfTimeArea(PressureHalfTime(deceleration))
}

// EarlyToLateRatio gives the peak early over the peak late inflow velocity.
//
//	E / A   (cm/s, 1)
//
// Accepted: late velocity above 0, sinus rhythm. Source: definition.
func EarlyToLateRatio(early, late units.Velocity) units.Ratio { return units.Ratio(early / late) }

// profileFactor is the mean of the squared velocity over the square of the mean
// velocity of the inflow: a mean Doppler gradient averages squares.
const profileFactor = 1.3

// MeanDopplerGradientFromFlow gives the mean gradient that Doppler would show
// where a mean flow passes an effective orifice.
//
//	MG = 4·β·(Q / (100·EOA))², β = 1.3   (Q mL/s, EOA cm2, MG mmHg)
//
// It is MitralAreaFromGradient turned round, with the constant 50/√β = 43.9 in
// place of 37.7. A ring's geometric area is no effective orifice and must not be
// used here. Accepted: area above 0. Source: derived from the simplified Bernoulli
// equation; β assumed.
func MeanDopplerGradientFromFlow(flow units.FlowRate, orifice units.Area) units.Pressure {
	return units.Pressure(profileFactor * float64(GradientFromVelocity(units.Velocity(float64(flow)/float64(orifice)))))
}

// What EffectiveRingOrifice was made from: rings of 4.87 cm2 in the mean
// (291.5 ± 69.2 mm2/m2 at 1.67 m2, labels 30.7 ± 3.3, Doi et al. 2014), of which
// flow used 0.36, by the mean of 1.86 and 1.66 cm2 that continuity gave at labels of
// 31.0 and 30.4 (cohort of 291). Two standard deviations of the label are 24 and 37,
// and with the square of the label 3.0 and 7.2 cm2. All read in abstracts.
const (
	usualRingOrifice    units.Area = 4.87
	usualShare                     = 0.36
	SmallestRingOrifice units.Area = 3.0
	LargestRingOrifice  units.Area = 7.2
	bandFactor                     = 1.07
)

// EffectiveShareError is the relative standard uncertainty of
// EffectiveRingOrifice: the spread of measured effective orifices between
// patients (1.86 ± 0.48 and 1.66 ± 0.47 cm2, abstract read) is 26 and 28 %.
const EffectiveShareError units.Ratio = 0.25

// EffectiveRingOrifice estimates the effective orifice of a repaired valve from
// the inner geometric orifice A of its complete ring.
//
//	EOA = 0.36 · √(4.87 · A)   (cm2)
//
// It grows with the root of the ring's orifice, like a diameter, because three
// series agree on that: the gradient falls by 0.181 mmHg per label (484 patients,
// Tomšič et al. 2019), which is the label to the power of -1.8; it correlates with
// the label by -0.41 and the effective orifice by 0.26 (301 patients, Hiraoka et al.
// 2020), which are powers of about -2.2 and 0.8 where labels spread by 9 % (assumed);
// a label goes with the root of the orifice. In proportion to the orifice, a gradient was expected that lay below
// nearly all that were measured within large rings. The pair of gradient and flow
// that belongs to Doi's rings (3.4 mmHg at about 130 mL/s) gives 0.33 by
// MeanDopplerGradientFromFlow. It is uncertain by EffectiveShareError; the orifice
// by planimetry or half-time is another quantity (about 0.65 · A).
//
// Accepted: from SmallestRingOrifice; above LargestRingOrifice it stays what it is
// there. Source: own estimate from abstracts read.
func EffectiveRingOrifice(geometric units.Area) units.Area {
	root := math.Sqrt(float64(usualRingOrifice) * float64(min(geometric, LargestRingOrifice)))
	return units.Area(usualShare * root)
}

// EffectiveBandOrifice is EffectiveRingOrifice for a posterior band whose orifice
// is known: measured gradients of bands were lower, 2.8 against 3.7 mmHg (median,
// 171 patients), half of which ratio is given to either side.
//
//	EOA = 0.36 · 1.07 · √(4.87 · A)   (cm2)
func EffectiveBandOrifice(geometric units.Area) units.Area {
	return EffectiveRingOrifice(geometric).Scaled(bandFactor)
}

// gradientSpread is the spread of resting mean gradients between patients after a
// repair, over their mean: 3.1 ± 1.4 in theatre and 3.5 ± 1.6 later (1147 patients,
// Murashita et al. 2016), 2.6 ± 1.1 and 3.0 ± 1.4 (291), 3.4 ± 1.6 (67), 3.2 ± 1.4 (25).
const gradientSpread = 0.45

// GradientRange gives the range that holds 95 % of patients around an expected
// gradient, as gradients spread between patients: evenly in its logarithm, since
// none is below 0.
//
//	MG / k to MG · k,  k = e^(1.96 · √ln(1 + 0.45²)) = 2.3   (mmHg)
//
// The published spread holds differences of ring and flow between patients, which
// MeanDopplerGradientFromFlow knows in part, and errors of reading, so that nothing
// is added to it. Accepted: above 0. Source: see gradientSpread, abstracts read; the
// form is our own.
func GradientRange(expected units.Pressure) (low, high units.Pressure) {
	const normal95 = 1.959963984540054
	k := units.Pressure(math.Exp(normal95 * math.Sqrt(math.Log(1+gradientSpread*gradientSpread))))
	return expected / k, expected * k
}
