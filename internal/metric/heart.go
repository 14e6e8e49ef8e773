package metric

import (
	"trigone/internal/haemo"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var heartMetrics = []Metric{
	{
		ID: IDEjectionFraction, Name: "left ventricular ejection fraction",
		Unit: units.Percent, Grid: 0.1, Formula: "100 · (EDV − ESV) / EDV", Inputs: []valve.ID{valve.LeftVentricularEndDiastolicVolume, valve.LeftVentricularEndSystolicVolume},
		Source: settings.SourceArithmetic, Since: "1", Where: inStudies(valve.LeftVentricularEndDiastolicVolume, valve.LeftVentricularEndSystolicVolume), Signed: true,
		Compute: func(r *Reader) float64 {
			sameMethod(r, valve.LeftVentricularEndDiastolicVolume, valve.LeftVentricularEndSystolicVolume)
			return float64(haemo.EjectionFraction(LeftVentricularEndDiastolicVolume.Of(r), LeftVentricularEndSystolicVolume.Of(r)))
		},
		Codes: same("79990-8", "18043-0"),
	},
	{
		ID: IDForwardEjectionFraction, Name: "forward ejection fraction",
		Unit: units.Percent, Grid: 0.1, Formula: "100 · SV of the outflow tract / EDV",
		Inputs: []valve.ID{valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral, valve.LeftVentricularEndDiastolicVolume},
		Source: settings.SourcePetolat2023, Since: "1", Where: inStudies(valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral),
		Compute: func(r *Reader) float64 {
			forwardFlowHolds(r)
			return float64(haemo.ForwardEjectionFraction(outflowVolume(r), LeftVentricularEndDiastolicVolume.Of(r)))
		},
	},
	{
		ID: IDBodySurfaceRoot, Name: "body surface area by the square-root formula (Mosteller)",
		Unit: units.M2, Grid: 0.01, Formula: "√(height · weight / 3600)", Inputs: []valve.ID{valve.BodyHeight, valve.BodyWeight},
		Source: settings.SourcePublicPages, Since: "1", Where: atIdentity,
		Compute: func(r *Reader) float64 { return float64(bodySurface(r)) },
		Codes:   same("8277-6"),
	},
	{
		ID: IDBodySurfacePower, Name: "body surface area by the power formula (Du Bois)",
		Unit: units.M2, Grid: 0.01, Formula: "0.007184 · height^0.725 · weight^0.425", Inputs: []valve.ID{valve.BodyHeight, valve.BodyWeight},
		Source: settings.SourcePublicPages, Since: "1", Where: atIdentity,
		Compute: func(r *Reader) float64 {
			return float64(haemo.BodySurfaceDuBois(
				BodyHeight.At(r, valve.Nowhere, valve.AtIdentity), BodyWeight.At(r, valve.Nowhere, valve.AtIdentity)))
		},
		Codes: wider("8277-6"),
	},
	{
		ID: IDLeftAtrialVolumeIndex, Name: "left atrial volume per body surface (square-root formula)",
		Unit: units.MLPerM2, Grid: 0.1, Formula: "left atrial volume / body surface",
		Inputs: []valve.ID{valve.LeftAtrialVolume, valve.BodyHeight, valve.BodyWeight},
		Source: settings.SourceArithmetic, Since: "1", Where: inStudies(valve.LeftAtrialVolume),
		Compute: func(r *Reader) float64 {
			return float64(haemo.IndexedVolume(LeftAtrialVolume.Of(r), bodySurface(r)))
		},
	},
	{
		ID: IDEndSystolicDiameterIndex, Name: "left ventricular end-systolic diameter per body surface (square-root formula)",
		Unit: units.MMPerM2, Grid: 0.1, Formula: "end-systolic diameter / body surface",
		Inputs: []valve.ID{valve.LeftVentricularEndSystolicDiameter, valve.BodyHeight, valve.BodyWeight},
		Source: settings.SourceArithmetic, Since: "1", Where: inStudies(valve.LeftVentricularEndSystolicDiameter),
		Compute: func(r *Reader) float64 {
			return float64(LeftVentricularEndSystolicDiameter.Of(r).Indexed(bodySurface(r)))
		},
	},
	{
		ID: IDPulmonaryPressure, Name: "systolic pulmonary artery pressure from tricuspid regurgitation",
		Unit: units.MMHg, Grid: 0.1, Formula: "4 · v² + right atrial pressure (v in m/s)",
		Inputs: []valve.ID{valve.TricuspidRegurgitationPeakVelocity, valve.RightAtrialPressure},
		Source: settings.SourceEchoTextbook, Since: "1", Where: inStudies(valve.TricuspidRegurgitationPeakVelocity),
		Compute: func(r *Reader) float64 {
			return float64(haemo.PulmonarySystolicPressure(TricuspidRegurgitationPeakVelocity.Of(r), RightAtrialPressure.Of(r)))
		},
	},
	{
		ID: IDHalfTimeOrifice, Name: "mitral orifice area by pressure half-time",
		Unit: units.CM2, Grid: 0.01, Formula: "220 / pressure half-time (ms)", Inputs: []valve.ID{valve.PressureHalfTime},
		Source: settings.SourcePublicPages, Since: "1", Where: inStudies(valve.PressureHalfTime),
		Compute: func(r *Reader) float64 {
			if s := r.Study(); s != nil && s.Kind != repair.Assessment {
				r.Explain("after a repair the half-time is a poor guide to stenosis (area under the curve 0.64): do not decide by it alone")
			}
			return float64(haemo.PressureHalfTimeArea(PressureHalfTime.Of(r)))
		},
		Codes: same("80069-8"),
	},
}

// bodySurface gives the body surface by which chambers are indexed.
func bodySurface(r *Reader) units.BodySurface {
	return haemo.BodySurfaceMosteller(
		BodyHeight.At(r, valve.Nowhere, valve.AtIdentity), BodyWeight.At(r, valve.Nowhere, valve.AtIdentity))
}

func atIdentity(c *repair.Case) []At {
	for _, id := range []valve.ID{valve.BodyHeight, valve.BodyWeight} {
		if recorded(c, valve.Key{ID: id, Occasion: valve.AtIdentity, Role: valve.Measured}) {
			return []At{{Occasion: valve.AtIdentity, Role: valve.Derived}}
		}
	}
	return nil
}
