package words

import "trigone/internal/valve"

// trade are the ids and words of the contract that the trade calls otherwise than
// they are spelled. An id never changes; what is printed for it stands here.
var trade = map[string]string{
	"seam": "suture line", "seam_lateral_edge": "suture line, lateral edge", "seam_medial_edge": "suture line, medial edge",
	"seam-edges-differ": "edges of the suture line differ",

	"artificial_chord": "neochord placement", string(valve.ArtificialChordLength): "neochordal length",
	"commissural_closure": "commissuroplasty", string(valve.CommissuralClosureLength): "length of commissuroplasty",

	"predicted_mean_contact": "predicted coaptation length", "predicted_overlap": "predicted coaptation length on echo",
	"predicted_side_to_middle_ratio":   "predicted coaptation length of the side slice over that of the middle",
	"predicted_anterior_closure_share": "predicted share of the diameter in front of the closure line",

	"regurgitation_grade_lowest_band": "mildest grade of regurgitation", "regurgitation_grade_highest_band": "most severe grade of regurgitation",
	"regurgitation_band_spread": "grades of regurgitation apart", "regurgitation-bands-apart": "grades of regurgitation apart",
	"primary_regurgitation_stage": "stage of primary regurgitation",

	"regurgitant_orifice_area_by_flow_convergence": "effective regurgitant orifice area by flow convergence",
	"angle_corrected_regurgitant_orifice_area":     "effective regurgitant orifice area, corrected for the angle",
	"simplified_regurgitant_orifice_area":          "effective regurgitant orifice area, simplified",
	"regurgitant_orifice_area_from_inflow":         "effective regurgitant orifice area from inflow",
	"regurgitant_orifice_area_from_ventricle":      "effective regurgitant orifice area from ventricle",
	string(valve.StatedRegurgitantOrificeArea):     "stated effective regurgitant orifice area",

	"body_surface_area_root_formula": "body surface area (Mosteller)", "body_surface_area_power_formula": "body surface area (Du Bois)",
	"coaptation_z_from_plan":      "coaptation length against the plan's prediction, z",
	"coaptation_z_from_execution": "coaptation length against the prediction from what was done, z",

	"stated-clamp-exceeds-bypass": "stated cross-clamp time exceeds bypass", "clamp-outside-bypass": "cross-clamp outside bypass",
	"clamp_start": "cross-clamp on", "clamp_end": "cross-clamp off", "clamp_minutes": "cross-clamp time",
}
