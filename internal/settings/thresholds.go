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
	PosteriorHeightLow      = "posterior_height_low"
	TriangleBaseWide        = "triangle_base_wide"
	AnteriorShareResected   = "anterior_share_resected"
	AnteriorHeightResected  = "anterior_height_resected"
	PosteriorChordLonger    = "posterior_chord_longer"
	FlailWide               = "flail_wide"

	CoaptationShort        = "coaptation_short"
	CoaptationLong         = "coaptation_long"
	SideCoaptationShort    = "side_coaptation_ratio_short"
	InkDepthShort          = "ink_depth_short"
	AnteriorInkDepthLong   = "anterior_ink_depth_long"
	PosteriorShareHigh     = "posterior_orifice_share_high"
	GradientHigh           = "mean_gradient_high"
	GradientRateHigh       = "gradient_heart_rate_high"
	OrificeAreaSmall       = "orifice_area_small"
	EdgeToEdgeAreaSmall    = "edge_to_edge_area_small"
	GradientNotAccepted    = "mean_gradient_not_accepted"
	PeakNotAccepted        = "peak_gradient_not_accepted"
	ProvokedGradientHigh   = "provoked_mean_gradient_high"
	ProvokedPressureHigh   = "provoked_pulmonary_pressure_high"
	OutflowGradientHigh    = "outflow_tract_gradient_high"
	OutflowGradientActedOn = "outflow_tract_gradient_acted_on"
	OutflowObstructed      = "outflow_tract_obstructed"
	CircumflexClose        = "circumflex_close"
	SystolicPressureLow    = "systolic_pressure_low"
	EjectionFractionFall   = "ejection_fraction_fall"
	GradeRise              = "regurgitation_grade_rise"
	RegurgitationBandSteps = "regurgitation_band_steps"

	SeptalDistanceShort       = "coaptation_to_septum_short"
	LeafletLong               = "leaflet_height_long"
	SeptumThick               = "basal_septum_thick"
	AortoMitralAngleNarrow    = "aorto_mitral_angle_narrow"
	EndDiastolicDiameterSmall = "end_diastolic_diameter_small"
	AnteriorShareLow          = "anterior_closure_share_low"
	AnteriorShareWanted       = "anterior_closure_share_wanted"
	RingHingeOffset           = "ring_hinge_offset"

	IsoperimetricLow      = "isoperimetric_quotient_low"
	EjectionFractionApart = "ejection_fraction_apart"
	StrokeVolumesApart    = "stroke_volumes_apart"
	IdenticalDecimals     = "identical_value_decimals"

	TricuspidAnnulusWide = "tricuspid_annulus_wide"

	RadiusSlip        = "isovelocity_radius_slip"
	VenaContractaSlip = "vena_contracta_slip"
	CoaptationSlip    = "coaptation_slip"

	ClampEdge                   = "clamp_edge"
	BypassTail                  = "bypass_tail"
	DurationsApart              = "durations_apart"
	EjectionFractionContradicts = "ejection_fraction_contradicts"
)

// builtInThresholds: limits from memory serve notes only.
var builtInThresholds = []Threshold{
	{Name: PosteriorHeightHigh, Unit: units.MM, Value: 20, Inclusive: true, Lowest: 10, Highest: 40, Source: SourceSurgeryTextbook,
		Summary: "final posterior leaflet height above which the leaflet is spoken of"},
	{Name: PosteriorHeightLowRatio, Unit: units.MM, Value: 15, Inclusive: true, Lowest: 8, Highest: 40, Source: SourceSurgeryTextbook,
		Summary: "final posterior leaflet height above which a low height ratio is spoken of"},
	{Name: LeafletRatioLow, Unit: units.One, Value: 1.3, Inclusive: true, Lowest: 0.5, Highest: 3, Source: SourcePopa2013,
		Summary: "anterior to posterior height ratio below which the ratio counts as low"},
	{Name: HeightMargin, Unit: units.MM, Value: 2, Inclusive: true, Lowest: 0.5, Highest: 5, Source: SourceCommonPractice,
		Summary: "least margin between two leaflet lengths of one method before they count as different"},
	{Name: MarginSDs, Unit: units.One, Value: 2, Inclusive: true, Lowest: 1, Highest: 4, Source: SourceCommonPractice,
		Summary: "combined standard deviations beyond which two values count as different"},
	{Name: BaseGapLeft, Unit: units.MM, Value: 3, Inclusive: true, Lowest: 1, Highest: 10, Source: SourceCommonPractice,
		Summary: "difference between the base width resected and what closes it, beyond which it is spoken of"},
	{Name: ResectedShareHigh, Unit: units.Percent, Value: 60, Inclusive: true, Lowest: 20, Highest: 100, Source: SourceCommonPractice,
		Summary: "share of a scallop's area above which a resection counts as large"},
	{Name: SeamEdgesApart, Unit: units.MM, Value: 2, Inclusive: true, Lowest: 0.5, Highest: 10, Source: SourceCommonPractice,
		Summary: "difference in height between the two edges of a suture line beyond which it is spoken of"},
	{Name: PosteriorHeightLow, Unit: units.MM, Value: 5, Inclusive: true, Lowest: 2, Highest: 12, Source: SourceCommonPractice,
		Summary: "final posterior leaflet height below which nothing is left to close with"},
	{Name: TriangleBaseWide, Unit: units.MM, Value: 3, Inclusive: true, Lowest: 1, Highest: 8, Source: SourceCommonPractice,
		Summary: "width along the base up to which a resection still is a triangle"},
	{Name: AnteriorShareResected, Unit: units.Percent, Value: 10, Inclusive: true, Lowest: 5, Highest: 40, Source: SourceTechniqueAtlas,
		Summary: "share of the anterior leaflet's area above which a resection of it is spoken of"},
	{Name: AnteriorHeightResected, Unit: units.Percent, Value: 33.3, Inclusive: true, Lowest: 10, Highest: 70, Source: SourceKirklin,
		Summary: "share of the way from the free edge to the annulus above which a resection of the anterior leaflet is spoken of: one third"},
	{Name: PosteriorChordLonger, Unit: units.MM, Value: 0, Inclusive: true, Lowest: 0, Highest: 20, Source: SourceChordLength,
		Summary: "length by which artificial chords of P2 may exceed those of A2"},
	{Name: FlailWide, Unit: units.MM, Value: 4, Inclusive: true, Lowest: 2, Highest: 20, Source: SourceSurgeryTextbook,
		Summary: "width of a flail part above which one pair of artificial chords is spoken of: one chord every 4 mm supports a free edge"},

	{Name: CoaptationShort, Unit: units.MM, Value: 5, Inclusive: true, Lowest: 0, Highest: 15, Source: SourceMcCarthy2021,
		Summary: "coaptation length of A2-P2 after repair below which it is short"},
	{Name: CoaptationLong, Unit: units.MM, Value: 10, Inclusive: true, Lowest: 8, Highest: 20, Source: SourceSurgeryTextbook,
		Summary: "coaptation length of A2-P2 after repair above which it is long"},
	{Name: SideCoaptationShort, Unit: units.One, Value: 0.33, Inclusive: true, Lowest: 0.1, Highest: 1, Source: SourceGogoladze2010,
		Summary: "coaptation length of a side slice over that of the middle below which it is uneven; 4 to 5 % of the side slices of normal valves lie below"},
	{Name: InkDepthShort, Unit: units.MM, Value: 4, Inclusive: true, Lowest: 2, Highest: 12, Source: SourceTechniqueAtlas,
		Summary: "leaflet beyond the ink line in A2 or P2 below which it is short"},
	{Name: AnteriorInkDepthLong, Unit: units.MM, Value: 10, Inclusive: true, Lowest: 5, Highest: 20, Source: SourceTechniqueAtlas,
		Summary: "anterior leaflet beyond the ink line above which it is long"},
	{Name: PosteriorShareHigh, Unit: units.Percent, Value: 50, Inclusive: false, Lowest: 25, Highest: 80, Source: SourceCommonPractice,
		Summary: "share of the orifice filled by the posterior leaflet on a saline test from which it is high"},
	{Name: GradientHigh, Unit: units.MMHg, Value: 5, Inclusive: true, Lowest: 2, Highest: 15, Source: SourceShabsigh2016,
		Summary: "mean gradient after repair above which it is high"},
	{Name: GradientRateHigh, Unit: units.PerMin, Value: 100, Inclusive: true, Lowest: 60, Highest: 150, Source: SourceCommonPractice,
		Summary: "heart rate above which a gradient is not comparable"},
	{Name: OrificeAreaSmall, Unit: units.CM2, Value: 1.5, Inclusive: true, Lowest: 0.5, Highest: 3, Source: SourceShabsigh2016,
		Summary: "mitral orifice area by planimetry after repair below which it is small"},
	{Name: EdgeToEdgeAreaSmall, Unit: units.CM2, Value: 2.5, Inclusive: true, Lowest: 1, Highest: 5, Source: SourceTechniqueAtlas,
		Summary: "area of both orifices together after an edge-to-edge suture below which it is small"},
	{Name: GradientNotAccepted, Unit: units.MMHg, Value: 7, Inclusive: false, Lowest: 3, Highest: 15, Source: SourceRiegel2011,
		Summary: "mean gradient on leaving theatre from which stenosis led to a further operation"},
	{Name: PeakNotAccepted, Unit: units.MMHg, Value: 17, Inclusive: false, Lowest: 8, Highest: 35, Source: SourceRiegel2011,
		Summary: "peak gradient on leaving theatre from which stenosis led to a further operation"},
	{Name: OutflowGradientActedOn, Unit: units.MMHg, Value: 50, Inclusive: false, Lowest: 20, Highest: 100, Source: SourceCardiomyopathy2023,
		Summary: "peak gradient of the outflow tract from which a decision is asked for; the guideline is that of another disease"},
	{Name: CircumflexClose, Unit: units.MM, Value: 4, Inclusive: false, Lowest: 1, Highest: 10, Source: SourceKruse2025,
		Summary: "distance of the circumflex artery from the annulus below which it is close, the distance itself included"},
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

	{Name: SeptalDistanceShort, Unit: units.MM, Value: 25, Inclusive: true, Lowest: 10, Highest: 40, Source: SourcePopa2013,
		Summary: "distance from the coaptation to the septum below which it counts among the factors of systolic anterior motion"},
	{Name: LeafletLong, Unit: units.MM, Value: 35, Inclusive: true, Lowest: 20, Highest: 50, Source: SourcePopa2013,
		Summary: "height of a leaflet above which it counts among the factors of systolic anterior motion"},
	{Name: SeptumThick, Unit: units.MM, Value: 15, Inclusive: false, Lowest: 8, Highest: 25, Source: SourceHandbook,
		Summary: "thickness of the basal septum from which it counts among the factors of systolic anterior motion"},
	{Name: AortoMitralAngleNarrow, Unit: units.Degree, Value: 120, Inclusive: true, Lowest: 90, Highest: 150, Source: SourceHandbook,
		Summary: "angle between the aortic and the mitral plane below which it counts among the factors of systolic anterior motion"},
	{Name: EndDiastolicDiameterSmall, Unit: units.MM, Value: 45, Inclusive: true, Lowest: 30, Highest: 60, Source: SourceHandbook,
		Summary: "left ventricular end-diastolic diameter below which it counts among the factors of systolic anterior motion"},
	{Name: AnteriorShareLow, Unit: units.Percent, Value: 60, Inclusive: true, Lowest: 40, Highest: 75, Source: SourceOwnModel,
		Summary: "predicted share of the diameter in front of the closure line below which the line is said to lie near the outflow tract"},
	{Name: AnteriorShareWanted, Unit: units.Percent, Value: 66.7, Inclusive: true, Lowest: 50, Highest: 85, Source: SourceCommonPractice,
		Summary: "share of the diameter in front of the closure line that the planning window keeps: two thirds usual, three quarters also taught"},
	{Name: RingHingeOffset, Unit: units.MM, Value: 0, Inclusive: true, Lowest: 0, Highest: 3, Source: SourceOwnModel,
		Summary: "distance from the inner edge of a ring to the hinge of the leaflets, added on either side to the ring's diameter; 0 until a site has calibrated it"},

	{Name: IsoperimetricLow, Unit: units.One, Value: 0.97, Inclusive: true, Lowest: 0.9, Highest: 1, Source: SourceArithmetic,
		Summary: "P²/(4πA) below which perimeter and area contradict each other; 1 for a circle, less the rounding of both"},
	{Name: EjectionFractionApart, Unit: units.Percent, Value: 5, Inclusive: true, Lowest: 1, Highest: 20, Source: SourceCommonPractice,
		Summary: "percentage points between the stated ejection fraction and the one from the volumes beyond which they differ"},
	{Name: EjectionFractionContradicts, Unit: units.Percent, Value: 10, Inclusive: true, Lowest: 5, Highest: 30, Source: SourceCommonPractice,
		Summary: "percentage points between the stated ejection fraction and the one from volumes of the same stated method beyond which they contradict each other, if 2 combined standard deviations are not more"},
	{Name: StrokeVolumesApart, Unit: units.Percent, Value: 10, Inclusive: true, Lowest: 2, Highest: 50, Source: SourceCommonPractice,
		Summary: "share by which one stroke volume may exceed another that cannot be smaller"},
	{Name: IdenticalDecimals, Unit: units.One, Value: 1, Inclusive: true, Lowest: 1, Highest: 3, Source: SourceCommonPractice,
		Summary: "decimals from which two identical values of different measures are spoken of"},

	{Name: ClampEdge, Unit: units.Min, Value: 1, Inclusive: true, Lowest: 0, Highest: 10, Source: SourceCommonPractice,
		Summary: "minutes at either end of the clamp in which a result may be timed: clocks differ"},
	{Name: BypassTail, Unit: units.Min, Value: 10, Inclusive: true, Lowest: 0, Highest: 60, Source: SourceCommonPractice,
		Summary: "minutes before the end of bypass from which on a result may have been read while weaning"},
	{Name: DurationsApart, Unit: units.Min, Value: 5, Inclusive: true, Lowest: 1, Highest: 60, Source: SourceCommonPractice,
		Summary: "minutes by which a stated duration of clamp or bypass may differ from its times"},

	{Name: OutflowObstructed, Unit: units.MMHg, Value: 30, Inclusive: false, Lowest: 10, Highest: 100, Source: SourceOutflow2014,
		Summary: "peak gradient of the outflow tract at rest from which anterior motion obstructs"},
	{Name: ProvokedGradientHigh, Unit: units.MMHg, Value: 15, Inclusive: true, Lowest: 5, Highest: 40, Source: SourceFunctional2023,
		Summary: "mean gradient under exercise or dobutamine above which it is spoken of, together with the pulmonary pressure"},
	{Name: ProvokedPressureHigh, Unit: units.MMHg, Value: 60, Inclusive: true, Lowest: 40, Highest: 100, Source: SourceFunctional2023,
		Summary: "systolic pulmonary pressure under exercise or dobutamine above which a high gradient is spoken of"},

	{Name: TricuspidAnnulusWide, Unit: units.MM, Value: 40, Inclusive: false, Lowest: 30, Highest: 55, Source: SourceMemory,
		Summary: "diameter of the tricuspid annulus from which it is wide"},

	{Name: RadiusSlip, Unit: units.MM, Value: 2.5, Inclusive: true, Lowest: 1, Highest: 5, Source: SourceCommonPractice,
		Summary: "radius of the proximal isovelocity surface below which, beside more than mild regurgitation, centimetres are likely"},
	{Name: VenaContractaSlip, Unit: units.MM, Value: 1, Inclusive: true, Lowest: 0.5, Highest: 2, Source: SourceCommonPractice,
		Summary: "width of the vena contracta below which centimetres are likely"},
	{Name: CoaptationSlip, Unit: units.MM, Value: 2, Inclusive: true, Lowest: 0.5, Highest: 3, Source: SourceCommonPractice,
		Summary: "coaptation length of A2-P2 after the ring below which, where it is not 0, centimetres are likely"},
}
