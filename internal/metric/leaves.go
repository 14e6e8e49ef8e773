package metric

import (
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Code systems.
const (
	loinc  = "http://loinc.org"
	dicom  = "http://dicom.nema.org/resources/ontology/DCM"
	snomed = "http://snomed.info/sct"
)

// leaves has one row for every field of the contract that holds a quantity, in
// the contract's order. Plausible ranges are from memory (a clinician has to
// confirm them), so that what lies beyond is a note at most. Assumed standard
// deviations: those of heights, intercommissural diameter and area are rebuilt
// from published agreement of manual 3D measurements with assumed population
// spreads; the others are assumptions.
//
// Codes: only those seen in two copies of the standard's tables. No leaflet
// height has one: the standard's leaflet and scallop 'lengths' run along the
// hinge.
var leaves = []Leaf{
	// Identity.
	heightCM("body_height", "body height", Full, 100, 220),
	kilograms("body_weight", "body weight", Full, 25, 250),

	// Regurgitation.
	duration("regurgitation_onset", "onset of regurgitation after the QRS complex", Full, 0, 500),
	percent("jet_to_left_atrium_share", "largest jet area as a share of the left atrium", Full, 0, 100),
	length("proximal_isovelocity_radius", "radius of the proximal isovelocity surface", Full, 1, 20).
		sd(0.5, settings.SourceOwnModel).code(loinc, "80059-9", "Mitral regurgitation PISA radius"),
	velocity("aliasing_velocity", "aliasing velocity at which that radius was read", Full, 15, 70).
		sdPercent(5, settings.SourceOwnModel),
	angle("convergence_angle", "angle of the flow convergence, 180 degrees for a free hemisphere", Full, 60, 180),
	velocity("regurgitation_peak_velocity", "peak velocity of the regurgitant jet", Full, 300, 700).
		sdPercent(5, settings.SourceOwnModel),
	stroke("regurgitation_velocity_time_integral", "velocity-time integral of the regurgitant jet", Full, 50, 250),
	length("vena_contracta_width", "width of the vena contracta", Full, 0, 20).
		code(loinc, "80061-5", "Mitral regurgitation vena contracta width"),
	length("vena_contracta_width_across", "width of the vena contracta in the plane across", Full, 0, 30),
	area("vena_contracta_area", "area of the vena contracta by planimetry", Full, 0, 2),
	area("stated_regurgitant_orifice_area", "effective regurgitant orifice area as stated", Full, 0, 2),
	volume("stated_regurgitant_volume", "regurgitant volume as stated", Full, 0, 200),
	percent("stated_regurgitant_fraction", "regurgitant fraction as stated", Full, 0, 90).
		coded(Coding{System: snomed, Code: "399301000", Display: "Regurgitant Fraction", Equivalence: Wider}),

	// Flow.
	length("inflow_annulus_diameter", "diameter of the annulus at the inflow sample", Full, 20, 55),
	length("inflow_annulus_diameter_across", "diameter of the annulus across, at the inflow sample", Full, 20, 60),
	stroke("inflow_velocity_time_integral", "velocity-time integral of the mitral inflow at the annulus", Full, 5, 40),
	length("outflow_tract_diameter", "diameter of the left ventricular outflow tract", Full, 14, 30),
	stroke("outflow_tract_velocity_time_integral", "velocity-time integral in the left ventricular outflow tract", Full, 6, 40),
	velocity("early_inflow_velocity", "peak early inflow velocity", Full, 20, 300),
	velocity("late_inflow_velocity", "peak late inflow velocity", Full, 10, 200),
	output("cardiac_output", "cardiac output by an independent method", Full, 1.5, 12),

	// Chambers, septum and neighbourhood.
	volume("left_ventricular_end_diastolic_volume", "left ventricular end-diastolic volume", Full, 50, 400),
	volume("left_ventricular_end_systolic_volume", "left ventricular end-systolic volume", Full, 10, 300),
	length("left_ventricular_end_diastolic_diameter", "left ventricular end-diastolic diameter", Full, 30, 85).
		codeBy("80007-8", "Left ventricular internal diastolic dimension", valve.Echo2D).
		codeBy("80008-6", "Left ventricular internal diastolic dimension", valve.MMode),
	length("left_ventricular_end_systolic_diameter", "left ventricular end-systolic diameter", Full, 15, 75).
		codeBy("80011-0", "Left ventricular internal systolic dimension", valve.Echo2D).
		codeBy("80012-8", "Left ventricular internal systolic dimension", valve.MMode),
	percent("stated_left_ventricular_ejection_fraction", "left ventricular ejection fraction as stated", Full, 10, 85).
		codeBy("79990-8", "Left ventricular ejection fraction 3D", valve.Echo3D).
		codeBy("18043-0", "Left Ventricular Ejection Fraction by US", valve.Echo2D),
	volume("left_atrial_volume", "left atrial end-systolic volume", Full, 20, 400),
	length("left_atrial_diameter", "left atrial diameter", Full, 25, 90),
	velocity("tricuspid_regurgitation_peak_velocity", "peak velocity of tricuspid regurgitation", Full, 150, 500),
	pressure("right_atrial_pressure", "right atrial pressure", Full, 0, 30),
	pressure("stated_pulmonary_artery_systolic_pressure", "systolic pulmonary artery pressure as stated", Full, 10, 120),
	length("basal_septum_thickness", "thickness of the basal septum at the end of diastole", Full, 5, 30),
	length("coaptation_to_septum_distance", "distance from the point of coaptation to the septum", Full, 10, 50),
	length("leaflet_tip_to_septum_distance", "distance from the tip of the anterior leaflet to the septum", Full, 5, 50),
	angle("aorto_mitral_angle", "angle between the aortic and the mitral annular plane", Full, 90, 160),
	length("circumflex_to_annulus_distance", "smallest distance of the circumflex artery from the annulus", Full, 0, 30),

	// Gradients and orifice.
	pressure("mean_gradient", "mean diastolic gradient of the mitral valve", Core, 0, 20).
		sd(1, settings.SourceCommonPractice).code(loinc, "80073-0", "Mitral valve mean gradient"),
	pressure("peak_gradient", "peak diastolic gradient of the mitral valve", Full, 0, 40).
		code(loinc, "80074-8", "Mitral valve peak instantaneous gradient"),
	rate("gradient_heart_rate", "heart rate at which the gradients were taken", Core, 40, 150).
		coded(Coding{System: loinc, Code: "8867-4", Display: "Heart rate", Equivalence: Wider}),
	duration("pressure_half_time", "pressure half-time of the inflow", Full, 30, 500).
		code(loinc, "79912-2", "Mitral valve pressure half-time"),
	duration("deceleration_time", "deceleration time of the early inflow", Full, 80, 1500),
	area("planimetry_orifice_area", "mitral orifice area by planimetry", Full, 0.5, 8).
		code(loinc, "80068-0", "Mitral valve area (Planimetry)"),
	area("stated_orifice_area", "mitral orifice area as stated, by another method", Full, 0.5, 8),

	// Annulus.
	length("annulus_antero_posterior_diameter", "antero-posterior diameter of the annulus", Core, 20, 55).
		systolic(dicom, "131182", "Mitral annulus anteroposterior diameter"),
	length("annulus_intercommissural_diameter", "intercommissural diameter of the annulus", Full, 25, 60).
		sd(2.2, settings.SourceObserver2016).systolic(dicom, "131185", "Mitral annulus commissural diameter"),
	length("annulus_anterolateral_posteromedial_diameter", "anterolateral to posteromedial diameter of the annulus", Full, 25, 60).
		systolic(dicom, "131181", "Mitral annulus anterolateral to posteromedial diameter"),
	area("annulus_area", "projected area of the annulus", Model, 4, 25).
		sd(0.9, settings.SourceObserver2016).
		systolic(dicom, "131183", "Mitral annulus area (systole)").
		code(loinc, "20264-8", "Mitral valve annulus area"),
	length("annulus_perimeter", "perimeter of the annulus", Full, 70, 190).
		systolic(dicom, "131189", "Mitral annulus perimeter"),
	length("annulus_height", "height of the annulus, lowest to highest point", Full, 1, 15).
		systolic(dicom, "131187", "Mitral annulus height"),
	length("intertrigonal_distance", "distance between the trigones", Full, 12, 45).
		code(dicom, "131179", "Mitral trigone-to-trigone distance"),
	length("posterior_annulus_length", "length of the posterior annulus, trigone to trigone", Full, 40, 150),

	// Leaflets.
	length("leaflet_height", "leaflet height, annulus to free edge", Core, 5, 45).
		sd(2.1, settings.SourceObserver2016).posteriorSD(1.2),
	length("scallop_free_edge_width", "width of a posterior scallop along the free edge", Full, 5, 60),
	length("scallop_annular_width", "width of a posterior scallop along the annulus", Full, 5, 60),
	area("anterior_leaflet_area", "area of the anterior leaflet", Model, 2, 20),
	length("leaflet_thickness", "thickness of the anterior leaflet's body in diastole", Full, 0.5, 10),
	length("coaptation_length", "coaptation length, both leaflets in contact", Core, 0, 20).
		sd(1.2, settings.SourceOwnModel).
		coded(Coding{
			System: dicom, Code: "131190", Display: "Mitral valve coaptation length (systole, 3D)",
			Methods: []valve.Method{valve.Echo3D}, Phases: systole, Equivalence: Equivalent,
		}),
	length("coaptation_depth", "distance of the entry of coaptation below the annular plane", Model, 0, 20).
		sd(1.5, settings.SourceMemory),
	percent("anterior_closure_share", "share of the antero-posterior diameter in front of the closure line", Model, 40, 95).
		sd(5, settings.SourceOwnModel),
	area("tenting_area", "tenting area", Full, 0, 6),
	length("flail_gap", "gap between the flail edge and the opposite leaflet", Full, 0, 25).
		code(dicom, "131196", "Mitral valve segment flail gap"),
	length("flail_width", "width of the flail or prolapsing part along the free edge", Full, 0, 60),
	length("prolapse_height", "height of the free edge above the annular plane", Full, 0, 25),
	length("billow_height", "height of the leaflet body above the annular plane", Full, 0, 25),
	length("cleft_depth", "depth of a cleft or an indentation", Full, 0, 30),

	// Other valves.
	length("tricuspid_annulus_diameter", "diameter of the tricuspid annulus", Full, 20, 60),
	pressure("aortic_mean_gradient", "mean gradient of the aortic valve", Full, 0, 80),

	// Systolic anterior motion.
	pressure("outflow_tract_gradient", "peak gradient of the outflow tract at rest", Full, 0, 150),
	pressure("outflow_tract_gradient_provoked", "peak gradient of the outflow tract, provoked", Full, 0, 200),

	// Haemodynamics.
	pressure("systolic_arterial_pressure", "systolic arterial pressure", Full, 60, 220),
	pressure("diastolic_arterial_pressure", "diastolic arterial pressure", Full, 30, 130),
	rate("heart_rate", "heart rate", Full, 40, 150).code(loinc, "8867-4", "Heart rate"),

	// Steps, planned and performed.
	length("ring_inner_antero_posterior_diameter", "inner antero-posterior diameter of the ring", Model, 16, 36).
		sd(1, settings.SourceOwnModel),
	length("ring_inner_transverse_diameter", "inner transverse diameter of the ring", Model, 20, 46).
		sd(1, settings.SourceOwnModel),
	area("ring_orifice_area", "orifice area enclosed by the ring", Model, 3, 13).
		sdPercent(3, settings.SourceOwnModel),
	length("band_length", "length of a band along its course", Full, 40, 130),
	length("artificial_chord_length", "length of artificial chords, papillary tip to free edge", Core, 8, 30),
	length("closure_length", "length of a cleft that is closed", Core, 1, 30),
	length("commissural_closure_length", "length of a commissure that is closed", Core, 1, 25),
	length("edge_to_edge_length", "length of the free edges sutured to each other", Core, 2, 20),
	length("height_removed", "leaflet height taken off", Core, 1, 25).
		sd(1, settings.SourceOwnModel),
	offset("resection_axis_offset", "offset of a resection's axis from the segment's middle, medial positive", Full, -15, 15),
	length("prolapsing_free_edge_width", "width of the prolapsing part along the free edge", Full, 2, 60),
	percent("prolapsing_width_removed", "share of the prolapsing width that is removed", Full, 5, 100),
	length("resection_free_edge_width", "width removed along the free edge", Core, 3, 30).
		sd(1, settings.SourceOwnModel),
	length("resection_base_width", "width removed along the base", Model, 0, 30),
	length("resection_height", "height of the resected piece", Full, 4, 35),
	length("plication_length", "length of annulus taken in by plication", Core, 0, 25),
	length("sliding_detached_length", "length of leaflet detached from the annulus", Full, 2, 60),
	length("sliding_advance", "advance of the cut edge along the annulus", Core, 0, 30),
	length("sliding_strip_height_at_cut_edge", "height of the base strip removed at the cut edge", Full, 0, 20),
	length("sliding_strip_height_at_far_end", "height of the base strip removed at the far end", Full, 0, 20),

	// Tests in the field.
	pressure("saline_pressure", "pressure in the ventricle on a saline test", Full, 20, 200),
	volume("saline_volume", "volume instilled on a saline test", Full, 20, 500),
	percent("posterior_orifice_share", "share of the orifice that the posterior leaflet fills", Full, 5, 60),
	length("ink_depth_beyond_line", "leaflet beyond the ink line, line to free edge", Full, 0, 20),
	length("ink_annulus_to_line", "annulus to the ink line", Full, 2, 40),

	// Conversion.
	pressure("prosthesis_mean_gradient", "mean gradient across the prosthesis", Full, 0, 20),

	// Risk stated by the site; carried, not reasoned about.
	percent("expected_probability", "expected probability by the site's own model", Full, 0, 100),
}

var systole = []valve.CardiacPhase{valve.EarlySystole, valve.MidSystole, valve.EndSystole}

func row(id, name string, unit units.Unit, grid float64, tier Tier, low, high float64) Leaf {
	return Leaf{ID: id, Name: name, Unit: unit, Grid: grid, Tier: tier, Low: low, High: high, RangeSource: settings.SourceMemory}
}

func length(id, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.MM, 0.1, tier, low, high)
}

func offset(id, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.SignedMM, 0.1, tier, low, high)
}

func area(id, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.CM2, 0.01, tier, low, high)
}

func volume(id, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.ML, 0.1, tier, low, high)
}

func stroke(id, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.StrokeCM, 0.1, tier, low, high)
}

func velocity(id, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.CMPerS, 0.1, tier, low, high)
}

func pressure(id, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.MMHg, 0.1, tier, low, high)
}

func percent(id, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.Percent, 0.1, tier, low, high)
}

func duration(id, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.MS, 1, tier, low, high)
}

func angle(id, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.Degree, 0.1, tier, low, high)
}

func rate(id, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.PerMin, 1, tier, low, high)
}

func output(id, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.LPerMin, 0.1, tier, low, high)
}

func heightCM(id, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.HeightCM, 0.1, tier, low, high)
}

func kilograms(id, name string, tier Tier, low, high float64) Leaf {
	return row(id, name, units.KG, 0.1, tier, low, high)
}

func (l Leaf) sd(sd float64, source settings.SourceID) Leaf {
	l.SD, l.SDSource = sd, source
	return l
}

func (l Leaf) posteriorSD(sd float64) Leaf {
	l.PosteriorSD = sd
	return l
}

func (l Leaf) sdPercent(share float64, source settings.SourceID) Leaf {
	l.SDPercent, l.SDSource = share, source
	return l
}

func (l Leaf) coded(c Coding) Leaf {
	l.Codes = append(l.Codes, c)
	return l
}

func (l Leaf) code(system, code, display string) Leaf {
	return l.coded(Coding{System: system, Code: code, Display: display, Equivalence: Equivalent})
}

func (l Leaf) codeBy(code, display string, methods ...valve.Method) Leaf {
	return l.coded(Coding{System: loinc, Code: code, Display: display, Methods: methods, Equivalence: Equivalent})
}

func (l Leaf) systolic(system, code, display string) Leaf {
	return l.coded(Coding{System: system, Code: code, Display: display, Phases: systole, Equivalence: Equivalent})
}
