package settings

import "trigone/internal/units"

// Names of thresholds. Every limit of every rule stands in builtInThresholds and
// nowhere else.
const (
	PosteriorHeightHigh     = "posterior_height_high"
	PosteriorHeightLowRatio = "posterior_height_with_low_ratio"
	LeafletRatioLow         = "leaflet_height_ratio_low"
	HeightMargin            = "leaflet_length_margin"
	MarginSDs               = "margin_standard_deviations"
	BaseGapLeft             = "base_gap_left"
	ResectedShareHigh       = "resected_share_high"
	SeamEdgesApart          = "seam_edges_apart"

	CoaptationShort        = "coaptation_short"
	GradientHigh           = "mean_gradient_high"
	GradientRateHigh       = "gradient_heart_rate_high"
	OrificeAreaSmall       = "orifice_area_small"
	OutflowGradientHigh    = "outflow_tract_gradient_high"
	SystolicPressureLow    = "systolic_pressure_low"
	EjectionFractionFall   = "ejection_fraction_fall"
	GradeRise              = "regurgitation_grade_rise"
	RegurgitationBandSteps = "regurgitation_band_steps"

	IsoperimetricLow      = "isoperimetric_quotient_low"
	EjectionFractionApart = "ejection_fraction_apart"
	IdenticalDecimals     = "identical_value_decimals"
)

// builtInThresholds: limits from memory serve notes only.
var builtInThresholds = []Threshold{
	{Name: PosteriorHeightHigh, Unit: units.MM, Value: 20, Inclusive: true, Lowest: 10, Highest: 40, Source: SourceCommonPractice,
		Summary: "final posterior leaflet height above which the leaflet is spoken of"},
	{Name: PosteriorHeightLowRatio, Unit: units.MM, Value: 15, Inclusive: true, Lowest: 8, Highest: 40, Source: SourceMemory,
		Summary: "final posterior leaflet height above which a low height ratio is spoken of"},
	{Name: LeafletRatioLow, Unit: units.One, Value: 1.3, Inclusive: true, Lowest: 0.5, Highest: 3, Source: SourcePopa2013,
		Summary: "anterior to posterior height ratio below which the ratio counts as low"},
	{Name: HeightMargin, Unit: units.MM, Value: 2, Inclusive: true, Lowest: 0.5, Highest: 5, Source: SourceCommonPractice,
		Summary: "least margin between two leaflet lengths of one method before they count as different"},
	{Name: MarginSDs, Unit: units.One, Value: 2, Inclusive: true, Lowest: 1, Highest: 4, Source: SourceCommonPractice,
		Summary: "combined standard deviations beyond which two values count as different"},
	{Name: BaseGapLeft, Unit: units.MM, Value: 3, Inclusive: true, Lowest: 1, Highest: 10, Source: SourceCommonPractice,
		Summary: "difference between the base width resected and what closes it, beyond which it is spoken of"},
	{Name: ResectedShareHigh, Unit: units.Percent, Value: 60, Inclusive: true, Lowest: 20, Highest: 100, Source: SourceMemory,
		Summary: "share of a scallop's area above which a resection counts as large"},
	{Name: SeamEdgesApart, Unit: units.MM, Value: 2, Inclusive: true, Lowest: 0.5, Highest: 10, Source: SourceCommonPractice,
		Summary: "difference in height between the two edges of a seam beyond which it is spoken of"},

	{Name: CoaptationShort, Unit: units.MM, Value: 5, Inclusive: true, Lowest: 0, Highest: 15, Source: SourceMcCarthy2021,
		Summary: "coaptation length of A2-P2 after repair below which it is short"},
	{Name: GradientHigh, Unit: units.MMHg, Value: 5, Inclusive: true, Lowest: 2, Highest: 15, Source: SourceShabsigh2016,
		Summary: "mean gradient after repair above which it is high"},
	{Name: GradientRateHigh, Unit: units.PerMin, Value: 100, Inclusive: true, Lowest: 60, Highest: 150, Source: SourceCommonPractice,
		Summary: "heart rate above which a gradient is not comparable"},
	{Name: OrificeAreaSmall, Unit: units.CM2, Value: 1.5, Inclusive: true, Lowest: 0.5, Highest: 3, Source: SourceShabsigh2016,
		Summary: "mitral orifice area by planimetry after repair below which it is small"},
	{Name: OutflowGradientHigh, Unit: units.MMHg, Value: 30, Inclusive: true, Lowest: 10, Highest: 100, Source: SourceCommonPractice,
		Summary: "peak gradient of the outflow tract above which it is obstructed"},
	{Name: SystolicPressureLow, Unit: units.MMHg, Value: 100, Inclusive: true, Lowest: 60, Highest: 160, Source: SourceCommonPractice,
		Summary: "systolic arterial pressure below which a mild grade is not trusted without provocation"},
	{Name: EjectionFractionFall, Unit: units.Percent, Value: 15, Inclusive: true, Lowest: 5, Highest: 40, Source: SourceCommonPractice,
		Summary: "fall of the ejection fraction on leaving theatre, in percentage points, beyond which it is spoken of"},
	{Name: GradeRise, Unit: units.One, Value: 2, Inclusive: false, Lowest: 1, Highest: 4, Source: SourceCommonPractice,
		Summary: "steps by which the regurgitation grade may not rise between leaving theatre and discharge"},
	{Name: RegurgitationBandSteps, Unit: units.One, Value: 2, Inclusive: false, Lowest: 1, Highest: 3, Source: SourceCommonPractice,
		Summary: "steps by which the bands of orifice area, volume and fraction may not lie apart"},

	{Name: IsoperimetricLow, Unit: units.One, Value: 0.97, Inclusive: true, Lowest: 0.9, Highest: 1, Source: SourceArithmetic,
		Summary: "P²/(4πA) below which perimeter and area contradict each other; 1 for a circle, less the rounding of both"},
	{Name: EjectionFractionApart, Unit: units.Percent, Value: 5, Inclusive: true, Lowest: 1, Highest: 20, Source: SourceCommonPractice,
		Summary: "percentage points between the stated ejection fraction and the one from the volumes beyond which they differ"},
	{Name: IdenticalDecimals, Unit: units.One, Value: 1, Inclusive: true, Lowest: 1, Highest: 3, Source: SourceCommonPractice,
		Summary: "decimals from which two identical values of different measures are spoken of"},
}
