package valve

// The leaves: one for every field of the contract that holds a quantity, named
// like it, in the contract's order. What each is, its unit and range stand in its
// row in package metric.
const (

	// Identity.
	BodyHeight = "body_height"
	BodyWeight = "body_weight"

	// Regurgitation.
	RegurgitationOnset                = "regurgitation_onset"
	JetToLeftAtriumShare              = "jet_to_left_atrium_share"
	ProximalIsovelocityRadius         = "proximal_isovelocity_radius"
	AliasingVelocity                  = "aliasing_velocity"
	ConvergenceAngle                  = "convergence_angle"
	RegurgitationPeakVelocity         = "regurgitation_peak_velocity"
	RegurgitationVelocityTimeIntegral = "regurgitation_velocity_time_integral"
	VenaContractaWidth                = "vena_contracta_width"
	VenaContractaWidthAcross          = "vena_contracta_width_across"
	VenaContractaArea                 = "vena_contracta_area"
	StatedRegurgitantOrificeArea      = "stated_regurgitant_orifice_area"
	StatedRegurgitantVolume           = "stated_regurgitant_volume"
	StatedRegurgitantFraction         = "stated_regurgitant_fraction"

	// Flow.
	InflowAnnulusDiameter            = "inflow_annulus_diameter"
	InflowAnnulusDiameterAcross      = "inflow_annulus_diameter_across"
	InflowVelocityTimeIntegral       = "inflow_velocity_time_integral"
	OutflowTractDiameter             = "outflow_tract_diameter"
	OutflowTractVelocityTimeIntegral = "outflow_tract_velocity_time_integral"
	EarlyInflowVelocity              = "early_inflow_velocity"
	LateInflowVelocity               = "late_inflow_velocity"
	CardiacOutput                    = "cardiac_output"

	// Chambers, septum and neighbourhood.
	LeftVentricularEndDiastolicVolume     = "left_ventricular_end_diastolic_volume"
	LeftVentricularEndSystolicVolume      = "left_ventricular_end_systolic_volume"
	LeftVentricularEndDiastolicDiameter   = "left_ventricular_end_diastolic_diameter"
	LeftVentricularEndSystolicDiameter    = "left_ventricular_end_systolic_diameter"
	StatedLeftVentricularEjectionFraction = "stated_left_ventricular_ejection_fraction"
	LeftAtrialVolume                      = "left_atrial_volume"
	LeftAtrialDiameter                    = "left_atrial_diameter"
	TricuspidRegurgitationPeakVelocity    = "tricuspid_regurgitation_peak_velocity"
	RightAtrialPressure                   = "right_atrial_pressure"
	StatedPulmonaryArterySystolicPressure = "stated_pulmonary_artery_systolic_pressure"
	BasalSeptumThickness                  = "basal_septum_thickness"
	CoaptationToSeptumDistance            = "coaptation_to_septum_distance"
	LeafletTipToSeptumDistance            = "leaflet_tip_to_septum_distance"
	AortoMitralAngle                      = "aorto_mitral_angle"
	CircumflexToAnnulusDistance           = "circumflex_to_annulus_distance"

	// Gradients and orifice.
	MeanGradient          = "mean_gradient"
	PeakGradient          = "peak_gradient"
	GradientHeartRate     = "gradient_heart_rate"
	PressureHalfTime      = "pressure_half_time"
	DecelerationTime      = "deceleration_time"
	PlanimetryOrificeArea = "planimetry_orifice_area"
	StatedOrificeArea     = "stated_orifice_area"

	// Annulus.
	AnnulusAnteroPosteriorDiameter            = "annulus_antero_posterior_diameter"
	AnnulusIntercommissuralDiameter           = "annulus_intercommissural_diameter"
	AnnulusAnterolateralPosteromedialDiameter = "annulus_anterolateral_posteromedial_diameter"
	AnnulusArea                               = "annulus_area"
	AnnulusPerimeter                          = "annulus_perimeter"
	AnnulusHeight                             = "annulus_height"
	IntertrigonalDistance                     = "intertrigonal_distance"
	PosteriorAnnulusLength                    = "posterior_annulus_length"

	// Leaflets.
	LeafletHeight        = "leaflet_height"
	ScallopFreeEdgeWidth = "scallop_free_edge_width"
	ScallopAnnularWidth  = "scallop_annular_width"
	AnteriorLeafletArea  = "anterior_leaflet_area"
	LeafletThickness     = "leaflet_thickness"
	CoaptationLength     = "coaptation_length"
	CoaptationDepth      = "coaptation_depth"
	AnteriorClosureShare = "anterior_closure_share"
	TentingArea          = "tenting_area"
	FlailGap             = "flail_gap"
	FlailWidth           = "flail_width"
	ProlapseHeight       = "prolapse_height"
	BillowHeight         = "billow_height"
	CleftDepth           = "cleft_depth"

	// Other valves.
	TricuspidAnnulusDiameter = "tricuspid_annulus_diameter"
	AorticMeanGradient       = "aortic_mean_gradient"

	// Systolic anterior motion.
	OutflowTractGradient         = "outflow_tract_gradient"
	OutflowTractGradientProvoked = "outflow_tract_gradient_provoked"

	// Haemodynamics.
	SystolicArterialPressure  = "systolic_arterial_pressure"
	DiastolicArterialPressure = "diastolic_arterial_pressure"
	HeartRate                 = "heart_rate"

	// Steps, planned and performed.
	RingInnerAnteroPosteriorDiameter = "ring_inner_antero_posterior_diameter"
	RingInnerTransverseDiameter      = "ring_inner_transverse_diameter"
	RingOrificeArea                  = "ring_orifice_area"
	BandLength                       = "band_length"
	ArtificialChordLength            = "artificial_chord_length"
	ClosureLength                    = "closure_length"
	CommissuralClosureLength         = "commissural_closure_length"
	EdgeToEdgeLength                 = "edge_to_edge_length"
	HeightRemoved                    = "height_removed"
	ResectionAxisOffset              = "resection_axis_offset"
	ProlapsingFreeEdgeWidth          = "prolapsing_free_edge_width"
	ProlapsingWidthRemoved           = "prolapsing_width_removed"
	ResectionFreeEdgeWidth           = "resection_free_edge_width"
	ResectionBaseWidth               = "resection_base_width"
	ResectionHeight                  = "resection_height"
	PlicationLength                  = "plication_length"
	SlidingDetachedLength            = "sliding_detached_length"
	SlidingAdvance                   = "sliding_advance"
	SlidingStripHeightAtCutEdge      = "sliding_strip_height_at_cut_edge"
	SlidingStripHeightAtFarEnd       = "sliding_strip_height_at_far_end"

	// Tests in the field.
	SalinePressure        = "saline_pressure"
	SalineVolume          = "saline_volume"
	PosteriorOrificeShare = "posterior_orifice_share"
	InkDepthBeyondLine    = "ink_depth_beyond_line"
	InkAnnulusToLine      = "ink_annulus_to_line"

	// Conversion.
	ProsthesisMeanGradient = "prosthesis_mean_gradient"

	// Risk stated by the site; carried, not reasoned about.
	ExpectedProbability = "expected_probability"
)
