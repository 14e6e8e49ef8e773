package valve

import "strings"

// ID names a quantity: a leaf, which is measured, or a metric of the catalogue,
// which is computed.
type ID string

// JoinIDs writes ids as one text.
func JoinIDs(ids []ID, separator string) string {
	texts := make([]string, len(ids))
	for i, id := range ids {
		texts[i] = string(id)
	}
	return strings.Join(texts, separator)
}

// The leaves: one for every field of the contract that holds a quantity, named
// like it, in the contract's order. What each is, its unit and range stand in its
// row in package metric.
const (

	// Identity.
	BodyHeight ID = "body_height"
	BodyWeight ID = "body_weight"

	// Regurgitation.
	RegurgitationOnset                ID = "regurgitation_onset"
	JetToLeftAtriumShare              ID = "jet_to_left_atrium_share"
	ProximalIsovelocityRadius         ID = "proximal_isovelocity_radius"
	AliasingVelocity                  ID = "aliasing_velocity"
	ConvergenceAngle                  ID = "convergence_angle"
	RegurgitationPeakVelocity         ID = "regurgitation_peak_velocity"
	RegurgitationVelocityTimeIntegral ID = "regurgitation_velocity_time_integral"
	VenaContractaWidth                ID = "vena_contracta_width"
	VenaContractaWidthAcross          ID = "vena_contracta_width_across"
	VenaContractaArea                 ID = "vena_contracta_area"
	StatedRegurgitantOrificeArea      ID = "stated_regurgitant_orifice_area"
	StatedRegurgitantVolume           ID = "stated_regurgitant_volume"
	StatedRegurgitantFraction         ID = "stated_regurgitant_fraction"

	// Flow.
	InflowAnnulusDiameter              ID = "inflow_annulus_diameter"
	InflowAnnulusDiameterAcross        ID = "inflow_annulus_diameter_across"
	InflowVelocityTimeIntegral         ID = "inflow_velocity_time_integral"
	TransmitralJetVelocityTimeIntegral ID = "transmitral_jet_velocity_time_integral"
	OutflowTractDiameter               ID = "outflow_tract_diameter"
	OutflowTractVelocityTimeIntegral   ID = "outflow_tract_velocity_time_integral"
	EarlyInflowVelocity                ID = "early_inflow_velocity"
	LateInflowVelocity                 ID = "late_inflow_velocity"
	CardiacOutput                      ID = "cardiac_output"

	// Chambers, septum and neighbourhood.
	LeftVentricularEndDiastolicVolume     ID = "left_ventricular_end_diastolic_volume"
	LeftVentricularEndSystolicVolume      ID = "left_ventricular_end_systolic_volume"
	LeftVentricularEndDiastolicDiameter   ID = "left_ventricular_end_diastolic_diameter"
	LeftVentricularEndSystolicDiameter    ID = "left_ventricular_end_systolic_diameter"
	StatedLeftVentricularEjectionFraction ID = "stated_left_ventricular_ejection_fraction"
	LeftAtrialVolume                      ID = "left_atrial_volume"
	LeftAtrialDiameter                    ID = "left_atrial_diameter"
	TricuspidRegurgitationPeakVelocity    ID = "tricuspid_regurgitation_peak_velocity"
	RightAtrialPressure                   ID = "right_atrial_pressure"
	StatedPulmonaryArterySystolicPressure ID = "stated_pulmonary_artery_systolic_pressure"
	BasalSeptumThickness                  ID = "basal_septum_thickness"
	CoaptationToSeptumDistance            ID = "coaptation_to_septum_distance"
	LeafletTipToSeptumDistance            ID = "leaflet_tip_to_septum_distance"
	AortoMitralAngle                      ID = "aorto_mitral_angle"
	CircumflexToAnnulusDistance           ID = "circumflex_to_annulus_distance"

	// Gradients and orifice.
	MeanGradient          ID = "mean_gradient"
	PeakGradient          ID = "peak_gradient"
	GradientHeartRate     ID = "gradient_heart_rate"
	PressureHalfTime      ID = "pressure_half_time"
	DecelerationTime      ID = "deceleration_time"
	PlanimetryOrificeArea ID = "planimetry_orifice_area"
	StatedOrificeArea     ID = "stated_orifice_area"

	// Annulus.
	AnnulusAnteroPosteriorDiameter            ID = "annulus_antero_posterior_diameter"
	AnnulusIntercommissuralDiameter           ID = "annulus_intercommissural_diameter"
	AnnulusAnterolateralPosteromedialDiameter ID = "annulus_anterolateral_posteromedial_diameter"
	AnnulusArea                               ID = "annulus_area"
	AnnulusPerimeter                          ID = "annulus_perimeter"
	AnnulusHeight                             ID = "annulus_height"
	IntertrigonalDistance                     ID = "intertrigonal_distance"
	PosteriorAnnulusLength                    ID = "posterior_annulus_length"
	AnnularDisjunction                        ID = "annular_disjunction"

	// Leaflets.
	LeafletHeight        ID = "leaflet_height"
	ScallopFreeEdgeWidth ID = "scallop_free_edge_width"
	ScallopAnnularWidth  ID = "scallop_annular_width"
	AnteriorLeafletArea  ID = "anterior_leaflet_area"
	LeafletThickness     ID = "leaflet_thickness"
	CoaptationLength     ID = "coaptation_length"
	CoaptationDepth      ID = "coaptation_depth"
	AnteriorClosureShare ID = "anterior_closure_share"
	TentingArea          ID = "tenting_area"
	FlailGap             ID = "flail_gap"
	FlailWidth           ID = "flail_width"
	ProlapseHeight       ID = "prolapse_height"
	BillowHeight         ID = "billow_height"
	CleftDepth           ID = "cleft_depth"

	// Other valves.
	TricuspidAnnulusDiameter ID = "tricuspid_annulus_diameter"
	AorticMeanGradient       ID = "aortic_mean_gradient"

	// Systolic anterior motion.
	OutflowTractGradient         ID = "outflow_tract_gradient"
	OutflowTractGradientProvoked ID = "outflow_tract_gradient_provoked"

	// Haemodynamics.
	SystolicArterialPressure  ID = "systolic_arterial_pressure"
	DiastolicArterialPressure ID = "diastolic_arterial_pressure"
	HeartRate                 ID = "heart_rate"

	// Steps, planned and performed.
	RingInnerAnteroPosteriorDiameter ID = "ring_inner_antero_posterior_diameter"
	RingInnerTransverseDiameter      ID = "ring_inner_transverse_diameter"
	RingOrificeArea                  ID = "ring_orifice_area"
	BandLength                       ID = "band_length"
	ArtificialChordLength            ID = "artificial_chord_length"
	ClosureLength                    ID = "closure_length"
	CommissuralClosureLength         ID = "commissural_closure_length"
	EdgeToEdgeLength                 ID = "edge_to_edge_length"
	HeightRemoved                    ID = "height_removed"
	ResectionAxisOffset              ID = "resection_axis_offset"
	ProlapsingFreeEdgeWidth          ID = "prolapsing_free_edge_width"
	ProlapsingWidthRemoved           ID = "prolapsing_width_removed"
	ResectionFreeEdgeWidth           ID = "resection_free_edge_width"
	ResectionBaseWidth               ID = "resection_base_width"
	ResectionHeight                  ID = "resection_height"
	AnnularGap                       ID = "annular_gap"
	PlicationLength                  ID = "plication_length"
	SlidingDetachedLength            ID = "sliding_detached_length"
	SlidingAdvance                   ID = "sliding_advance"
	SlidingStripHeightAtCutEdge      ID = "sliding_strip_height_at_cut_edge"
	SlidingStripHeightAtFarEnd       ID = "sliding_strip_height_at_far_end"
	PatchLength                      ID = "patch_length"
	PatchWidth                       ID = "patch_width"

	// Tests in the field.
	SalinePressure        ID = "saline_pressure"
	SalineVolume          ID = "saline_volume"
	PosteriorOrificeShare ID = "posterior_orifice_share"
	InkDepthBeyondLine    ID = "ink_depth_beyond_line"
	InkAnnulusToLine      ID = "ink_annulus_to_line"

	// Conversion.
	ProsthesisMeanGradient ID = "prosthesis_mean_gradient"

	// Risk stated by the site; carried, not reasoned about.
	ExpectedProbability ID = "expected_probability"
)
