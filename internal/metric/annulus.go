package metric

import (
	"trigone/internal/geometry"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

const (
	leafAP           = "annulus_antero_posterior_diameter"
	leafCommissural  = "annulus_intercommissural_diameter"
	leafAnnulusArea  = "annulus_area"
	leafPerimeter    = "annulus_perimeter"
	leafAnnulusRise  = "annulus_height"
	leafAnteriorArea = "anterior_leaflet_area"
)

var annulusMetrics = []Metric{
	{
		ID: IDAnnulusAreaElliptic, Name: "annulus area as an ellipse",
		Unit: units.CM2, Grid: 0.01, Formula: "π/4 · antero-posterior · intercommissural diameter",
		Inputs: []string{leafAP, leafCommissural},
		Source: settings.SourceArithmetic, Since: "1", Where: inStudies(leafAP, leafCommissural),
		Compute: func(r *Reader) float64 {
			samePhase(r, leafAP, leafCommissural)
			return float64(geometry.EllipseArea(AnnulusAnteroPosteriorDiameter.Of(r), AnnulusIntercommissuralDiameter.Of(r)))
		},
	},
	{
		ID: IDAnnulusPerimeterElliptic, Name: "annulus perimeter as an ellipse",
		Unit: units.MM, Grid: 0.1, Formula: "π(a+b)(1 + 3h/(10 + √(4−3h))), h = ((a−b)/(a+b))², a and b half diameters",
		Inputs: []string{leafAP, leafCommissural},
		Source: settings.SourceArithmetic, Since: "1", Where: inStudies(leafAP, leafCommissural),
		Compute: func(r *Reader) float64 {
			samePhase(r, leafAP, leafCommissural)
			return float64(geometry.EllipsePerimeter(AnnulusAnteroPosteriorDiameter.Of(r), AnnulusIntercommissuralDiameter.Of(r)))
		},
	},
	{
		ID: IDAnnulusDiameterRatio, Name: "antero-posterior over intercommissural diameter of the annulus",
		Unit: units.One, Grid: 0.01, Formula: "antero-posterior / intercommissural diameter",
		Inputs: []string{leafAP, leafCommissural},
		Source: settings.SourceAnnulus2020, Since: "1", Where: inStudies(leafAP, leafCommissural),
		Compute: func(r *Reader) float64 {
			samePhase(r, leafAP, leafCommissural)
			return float64(geometry.Sphericity(AnnulusAnteroPosteriorDiameter.Of(r), AnnulusIntercommissuralDiameter.Of(r)))
		},
	},
	{
		ID: IDAnnulusIsoperimetric, Name: "isoperimetric quotient of the annulus, 1 for a circle and never below",
		Unit: units.One, Grid: 0.001, Formula: "perimeter² / (4·π·area)",
		Inputs: []string{leafPerimeter, leafAnnulusArea},
		Source: settings.SourceArithmetic, Since: "1", Where: inStudies(leafPerimeter),
		Compute: func(r *Reader) float64 {
			samePhase(r, leafPerimeter, leafAnnulusArea)
			return float64(geometry.IsoperimetricQuotient(AnnulusPerimeter.Of(r), AnnulusArea.Of(r)))
		},
	},
	{
		ID: IDAnnulusHeightRatio, Name: "annulus height over intercommissural diameter",
		Unit: units.One, Grid: 0.001, Formula: "annulus height / intercommissural diameter; for information only",
		Inputs: []string{leafAnnulusRise, leafCommissural},
		Source: settings.SourceTopilsky2013, Since: "1", Where: inStudies(leafAnnulusRise),
		Compute: func(r *Reader) float64 {
			samePhase(r, leafAnnulusRise, leafCommissural)
			return float64(geometry.HeightToWidth(AnnulusHeight.Of(r), AnnulusIntercommissuralDiameter.Of(r)).Ratio())
		},
	},
}

// samePhase refuses what mixes systole with diastole and says where methods
// differ, for leaves of the study.
func samePhase(r *Reader, leafIDs ...string) {
	keys := make([]valve.Key, len(leafIDs))
	for i, id := range leafIDs {
		keys[i] = valve.Key{ID: id, Occasion: r.At().Occasion, Role: valve.Measured}
	}
	compare(r, true, keys...)
}
