package metric

import (
	"slices"

	"trigone/internal/repair"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// topic is a subject whose metrics stand together, in a file of their own.
type topic struct {
	name    string
	metrics []Metric
}

var topics = []topic{
	{"Regurgitation", regurgitationMetrics},
	{"Grading of regurgitation", gradingMetrics},
	{"The heart around the valve", heartMetrics},
	{"Flow through the valve", flowMetrics},
	{"Annulus", annulusMetrics},
	{"Contour of the annulus", annulusContourMetrics},
	{"Leaflets", leafletMetrics},
	{"Surface of the leaflets", leafletSurfaceMetrics},
	{"Resection", resectionMetrics},
	{"Ring", ringMetrics},
	{"Sizing of the ring", ringSizingMetrics},
	{"Systolic anterior motion", anteriorMotionMetrics},
	{"Prediction", predictionMetrics},
}

// catalogue lists every metric, by topic.
var catalogue = func() []Metric {
	var list []Metric
	for _, t := range topics {
		list = append(list, t.metrics...)
	}
	return list
}()

// TopicOf gives the topic of a metric; empty: it is none of the catalogue.
func TopicOf(id valve.ID) string {
	for _, t := range topics {
		if slices.ContainsFunc(t.metrics, func(m Metric) bool { return m.ID == id }) {
			return t.name
		}
	}
	return ""
}

// The ids, for those who ask for a metric by name.
const (
	IDConvergenceSurface          = "proximal_isovelocity_surface_area"
	IDPeakRegurgitantFlow         = "peak_regurgitant_flow"
	IDOrificeByConvergence        = "regurgitant_orifice_area_by_flow_convergence"
	IDVolumeByConvergence         = "regurgitant_volume_by_flow_convergence"
	IDAngleCorrectedFlow          = "angle_corrected_peak_regurgitant_flow"
	IDAngleCorrectedOrifice       = "angle_corrected_regurgitant_orifice_area"
	IDAngleCorrectedVolume        = "angle_corrected_regurgitant_volume"
	IDSimplifiedOrifice           = "simplified_regurgitant_orifice_area"
	IDInflowStrokeVolume          = "mitral_inflow_stroke_volume"
	IDOutflowStrokeVolume         = "outflow_tract_stroke_volume"
	IDVentricularStrokeVolume     = "left_ventricular_stroke_volume"
	IDVolumeFromInflow            = "regurgitant_volume_from_inflow"
	IDVolumeFromVentricle         = "regurgitant_volume_from_ventricle"
	IDFractionFromInflow          = "regurgitant_fraction_from_inflow"
	IDFractionFromVentricle       = "regurgitant_fraction_from_ventricle"
	IDOrificeFromInflow           = "regurgitant_orifice_area_from_inflow"
	IDOrificeFromVentricle        = "regurgitant_orifice_area_from_ventricle"
	IDVenaContractaAreaFromWidths = "vena_contracta_area_from_widths"
	IDMeanVenaContractaWidth      = "mean_vena_contracta_width"
	IDInflowToOutflowRatio        = "inflow_to_outflow_velocity_time_integral_ratio"
	IDEjectionFraction            = "left_ventricular_ejection_fraction"
	IDForwardEjectionFraction     = "forward_ejection_fraction"
	IDBodySurfaceRoot             = "body_surface_area_root_formula"
	IDBodySurfacePower            = "body_surface_area_power_formula"
	IDLeftAtrialVolumeIndex       = "left_atrial_volume_index"
	IDEndSystolicDiameterIndex    = "left_ventricular_end_systolic_diameter_index"
	IDPulmonaryPressure           = "pulmonary_artery_systolic_pressure"
	IDHalfTimeOrifice             = "pressure_half_time_orifice_area"
	IDAnnulusAreaElliptic         = "annulus_area_elliptic"
	IDAnnulusPerimeterElliptic    = "annulus_perimeter_elliptic"
	IDAnnulusDiameterRatio        = "annulus_antero_posterior_to_intercommissural_ratio"
	IDAnnulusIsoperimetric        = "annulus_isoperimetric_quotient"
	IDAnnulusHeightRatio          = "annulus_height_to_commissural_width_ratio"
	IDHeightRatio                 = "anterior_to_posterior_height_ratio"
	IDLeafletToAnnulusIndex       = "leaflet_to_annulus_index"
	IDFinalPosteriorHeight        = "final_posterior_height"
	IDResectedArea                = "resected_leaflet_area"
	IDBaseGap                     = "posterior_base_gap_left"
	IDRingOrifice                 = "ring_inner_orifice_area"
	IDRingToAnteriorLeaflet       = "ring_to_anterior_leaflet_area_ratio"
	IDRingToAnnulus               = "ring_to_native_annulus_area_ratio"
	IDPredictedContact            = "predicted_mean_contact"
	IDPredictedAnteriorShare      = "predicted_anterior_closure_share"
)

// inStudies gives the studies in which at least one of the leaves was asked
// for, so that a study without any of them stays silent.
func inStudies(leafIDs ...valve.ID) func(*repair.Case) []At {
	return func(c *repair.Case) []At {
		var list []At
		for _, s := range c.Studies {
			for _, id := range leafIDs {
				if recorded(c, valve.Key{ID: id, Occasion: s.Occasion, Role: valve.Measured}) {
					list = append(list, atStudy(s))
					break
				}
			}
		}
		return list
	}
}

func atStudy(s repair.Study) At {
	return At{Occasion: s.Occasion, Role: valve.Derived, Run: s.Run, Stage: s.Stage}
}

// recorded says whether a value or the reason for its absence was sent.
func recorded(c *repair.Case, k valve.Key) bool {
	_, ok := c.Measured[k]
	return ok
}

// compare says, beside the value, where its inputs were taken by different
// methods or under different load: nothing is converted between them. It
// refuses the value where phase is asked for and one input is systolic, another
// diastolic: within one study they differ by 3 to 4 mm. What is not stated is
// accepted.
func compare(r *Reader, phase bool, keys ...valve.Key) {
	if r.probe {
		return
	}
	var methods, loads, phases []string
	note := func(list *[]string, word string) {
		if word != "" && !slices.Contains(*list, word) {
			*list = append(*list, word)
		}
	}
	for _, k := range keys {
		m, ok := r.Measurement(k)
		if !ok {
			continue
		}
		note(&methods, words.Spaced(m.Context.Method))
		note(&loads, words.Spaced(m.Context.Load))
		switch m.Context.Phase {
		case valve.EarlySystole, valve.MidSystole, valve.EndSystole:
			note(&phases, "systole")
		case valve.EndDiastole, valve.Diastole:
			note(&phases, "diastole")
		}
	}
	if len(methods) > 1 {
		r.Explain("methods differ (" + words.And(methods) + "); nothing is converted between them")
	}
	if len(loads) > 1 {
		r.Explain("load on the valve differs (" + words.And(loads) + "); nothing is converted between them")
	}
	if phase && len(phases) > 1 {
		r.Refuse("one input was taken in systole, another in diastole; take both in one phase")
	}
}
