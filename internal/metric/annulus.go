package metric

import (
	"trigone/internal/geometry"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var annulusMetrics = []Metric{
	{
		ID: IDAnnulusAreaElliptic, Name: "annulus area as an ellipse",
		Unit: units.CM2, Grid: 0.01, Formula: "π/4 · antero-posterior · intercommissural diameter",
		Inputs: []valve.ID{valve.AnnulusAnteroPosteriorDiameter, valve.AnnulusIntercommissuralDiameter},
		Source: settings.SourceArithmetic, Since: "1", Where: inStudies(valve.AnnulusAnteroPosteriorDiameter, valve.AnnulusIntercommissuralDiameter),
		Compute: func(r *Reader) float64 {
			samePhase(r, valve.AnnulusAnteroPosteriorDiameter, valve.AnnulusIntercommissuralDiameter)
			return float64(geometry.EllipseArea(AnnulusAnteroPosteriorDiameter.Of(r), AnnulusIntercommissuralDiameter.Of(r)))
		},
	},
	{
		ID: IDAnnulusPerimeterElliptic, Name: "annulus perimeter as an ellipse",
		Unit: units.MM, Grid: 0.1, Formula: "π(a+b)(1 + 3h/(10 + √(4−3h))), h = ((a−b)/(a+b))², a and b half diameters",
		Inputs: []valve.ID{valve.AnnulusAnteroPosteriorDiameter, valve.AnnulusIntercommissuralDiameter},
		Source: settings.SourceArithmetic, Since: "1", Where: inStudies(valve.AnnulusAnteroPosteriorDiameter, valve.AnnulusIntercommissuralDiameter),
		Compute: func(r *Reader) float64 {
			samePhase(r, valve.AnnulusAnteroPosteriorDiameter, valve.AnnulusIntercommissuralDiameter)
			return float64(geometry.EllipsePerimeter(AnnulusAnteroPosteriorDiameter.Of(r), AnnulusIntercommissuralDiameter.Of(r)))
		},
	},
	{
		ID: IDAnnulusDiameterRatio, Name: "antero-posterior over intercommissural diameter of the annulus",
		Unit: units.One, Grid: 0.01, Formula: "antero-posterior / intercommissural diameter",
		Inputs: []valve.ID{valve.AnnulusAnteroPosteriorDiameter, valve.AnnulusIntercommissuralDiameter},
		Source: settings.SourceAnnulus2020, Since: "1", Where: inStudies(valve.AnnulusAnteroPosteriorDiameter, valve.AnnulusIntercommissuralDiameter),
		Compute: func(r *Reader) float64 {
			samePhase(r, valve.AnnulusAnteroPosteriorDiameter, valve.AnnulusIntercommissuralDiameter)
			return float64(geometry.Sphericity(AnnulusAnteroPosteriorDiameter.Of(r), AnnulusIntercommissuralDiameter.Of(r)))
		},
	},
	{
		ID: IDAnnulusIsoperimetric, Name: "isoperimetric quotient of the annulus, 1 for a circle and never below",
		Unit: units.One, Grid: 0.001, Formula: "perimeter² / (4·π·area)",
		Inputs: []valve.ID{valve.AnnulusPerimeter, valve.AnnulusArea},
		Source: settings.SourceArithmetic, Since: "1", Where: inStudies(valve.AnnulusPerimeter),
		Compute: func(r *Reader) float64 {
			samePhase(r, valve.AnnulusPerimeter, valve.AnnulusArea)
			return float64(geometry.IsoperimetricQuotient(AnnulusPerimeter.Of(r), AnnulusArea.Of(r)))
		},
	},
	{
		ID: IDAnnulusHeightRatio, Name: "annulus height over intercommissural diameter",
		Unit: units.One, Grid: 0.001, Formula: "annulus height / intercommissural diameter; for information only",
		Inputs: []valve.ID{valve.AnnulusHeight, valve.AnnulusIntercommissuralDiameter},
		Source: settings.SourceTopilsky2013, Since: "1", Where: inStudies(valve.AnnulusHeight),
		Compute: func(r *Reader) float64 {
			samePhase(r, valve.AnnulusHeight, valve.AnnulusIntercommissuralDiameter)
			return float64(geometry.HeightToWidth(AnnulusHeight.Of(r), AnnulusIntercommissuralDiameter.Of(r)).Ratio())
		},
	},
}

// samePhase refuses what mixes systole with diastole and says where methods
// differ, for leaves of the study.
func samePhase(r *Reader, leafIDs ...valve.ID) {
	keys := make([]valve.Key, len(leafIDs))
	for i, id := range leafIDs {
		keys[i] = valve.Key{ID: id, Occasion: r.At().Occasion, Role: valve.Measured}
	}
	compare(r, true, keys...)
}
