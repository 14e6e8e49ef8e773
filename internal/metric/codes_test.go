package metric

import (
	"slices"
	"testing"

	"trigone/internal/valve"
)

func by(method valve.Method, phase valve.CardiacPhase, plane string) Taken {
	return Taken{Context: valve.Context{Method: method, Phase: phase, Plane: plane}}
}

// What a public code asks of a value before it means that value. Source of every row
// with a DICOM code: its definition in PS3.16 Annex D, read in one public rendering.
// Of the others: their names in context groups 12300, 12337 and 12202 (two
// renderings), LOINC's long names where a row says so; that a name without one means
// ultrasound is from memory.
func TestCodesMeanTheValue(t *testing.T) {
	flail := by("", valve.EndSystole, "")
	flail.Flail = true
	rows := []struct {
		id    valve.ID
		taken Taken
		want  string
		why   string
	}{
		{"coaptation_length", by(valve.Echo3D, valve.EndSystole, ""), "131190", "systole, 3D"},
		{"coaptation_length", by(valve.Echo2D, valve.EndSystole, ""), "", "2D is another concept"},
		{"coaptation_length", by(valve.Echo3D, "", ""), "", "a phase that is not stated is not systole"},
		{"coaptation_depth", by(valve.Echo2D, valve.MidSystole, ""), "131198", "systole, 2D or 3D"},
		{"coaptation_depth", by(valve.Echo2D, "", ""), "", "systole is not stated"},
		{"tenting_area", by(valve.Echo3D, valve.EndSystole, ""), "131199", "systole, 3D"},
		{"tenting_area", by(valve.Echo2D, valve.EndSystole, ""), "", "only 3D"},
		{"anterior_leaflet_area", by(valve.Echo3D, valve.EndSystole, ""), "131176", "systole, 3D en face"},
		{"anterior_leaflet_area", by(valve.Echo3D, valve.Diastole, ""), "", "diastole"},

		{"annulus_area", by(valve.Echo3D, valve.MidSystole, ""), "131183", "systole; it lies in the plane of the annulus"},
		{"annulus_area", by(valve.Echo2D, valve.MidSystole, planeShortAxis), "131183", "as its definition says"},
		{"annulus_area", by(valve.Echo2D, valve.MidSystole, planeFourChamber), "20264-8", "another view: the code without one remains"},
		{"annulus_area", by(valve.Echo3D, valve.EndDiastole, ""), "20264-8", "another phase: the code without one remains"},
		{"annulus_area", by(valve.CT, valve.EndDiastole, ""), "", "no ultrasound"},
		{"annulus_perimeter", by(valve.CT, valve.EndSystole, planeEnFace), "131189", "its definition asks no technique"},
		{"annulus_antero_posterior_diameter", by(valve.Echo3D, valve.EndSystole, planeShortAxis), "131182", "short axis view at the level of the annulus"},
		{"annulus_antero_posterior_diameter", by(valve.Echo3D, valve.EndSystole, ""), "", "mostly read in the long axis: the view has to be stated"},
		{"annulus_antero_posterior_diameter", by(valve.Echo2D, valve.EndSystole, planeLongAxis), "", "long axis"},
		{"annulus_antero_posterior_diameter", by(valve.Echo3D, valve.EndDiastole, planeShortAxis), "", "diastole"},
		{"annulus_intercommissural_diameter", by(valve.Echo3D, valve.EndSystole, ""), "131185", "systole, 3D"},
		{"annulus_intercommissural_diameter", by(valve.Echo2D, valve.EndSystole, ""), "", "only 3D"},
		{"annulus_intercommissural_diameter", by(valve.Echo3D, valve.EndSystole, "commissural"), "", "not en face"},
		{"annulus_anterolateral_posteromedial_diameter", by(valve.Echo3D, valve.EarlySystole, planeEnFace), "131181", "systole, 3D en face"},
		{"annulus_anterolateral_posteromedial_diameter", by(valve.CT, valve.EarlySystole, planeEnFace), "", "not 3D ultrasound"},
		{"annulus_height", by(valve.Echo3D, valve.EndSystole, ""), "131187", "systole, 3D"},
		{"annulus_height", by(valve.Echo2D, valve.EndSystole, ""), "", "only 3D"},
		{"annulus_contour_height", by(valve.Echo3D, valve.EndSystole, ""), "131187", "highest and lowest point to the plane, added"},
		{"annulus_contour_fold_angle", by(valve.Echo3D, valve.EndSystole, ""), "131188", "systole, 3D"},
		{"annulus_contour_fold_angle", by(valve.Echo3D, valve.EndDiastole, ""), "", "diastole"},
		{"intertrigonal_distance", by(valve.Echo3D, valve.MidSystole, ""), "131179", "systole, 3D en face"},
		{"intertrigonal_distance", by(valve.Ruler, "", ""), "", "by a ruler in the arrested heart"},
		{"intertrigonal_distance", by(valve.Echo3D, "", ""), "", "systole is not stated"},
		{"aorto_mitral_angle", by(valve.Echo2D, valve.EndSystole, ""), "131177", "systole, long axis"},
		{"aorto_mitral_angle", by(valve.CT, valve.EndDiastole, planeLongAxis), "", "diastole"},

		{"flail_gap", flail, "", "to the opposite leaflet, not to the plane of the annulus"},
		{"prolapse_height", flail, "131196", "from the tip of a flail edge to the plane of the annulus, in systole"},
		{"prolapse_height", by("", valve.EndSystole, ""), "", "prolapse is not flail"},
		{"leaflet_height", by(valve.Echo3D, valve.EndSystole, ""), "", "the standard's leaflet lengths run along the hinge"},

		{"left_ventricular_end_systolic_diameter", by(valve.Echo2D, "", ""), "80011-0", "2D"},
		{"left_ventricular_end_systolic_diameter", by(valve.MMode, "", ""), "80012-8", "M-mode"},
		{"left_ventricular_end_systolic_diameter", by(valve.CT, "", ""), "", "no code for CT"},
		{"left_ventricular_end_diastolic_diameter", by(valve.Echo2D, "", ""), "80007-8", "2D"},
		{"left_ventricular_end_diastolic_diameter", by(valve.MMode, "", ""), "80008-6", "M-mode"},
		{"left_ventricular_end_diastolic_volume", by(valve.Echo3D, "", ""), "79995-7", "3D"},
		{"left_ventricular_end_diastolic_volume", by(valve.Echo2D, "", ""), "18026-5", "ultrasound"},
		{"left_ventricular_end_systolic_volume", by(valve.Echo3D, "", ""), "80000-3", "3D"},
		{"left_ventricular_end_systolic_volume", by(valve.Echo2D, "", ""), "18148-7", "ultrasound"},
		{"left_ventricular_end_systolic_volume", by(valve.MagneticResonance, "", ""), "", "no ultrasound"},
		{"stated_left_ventricular_ejection_fraction", by(valve.MagneticResonance, "", ""), "", "no ultrasound"},
		{"stated_left_ventricular_ejection_fraction", by(valve.MMode, "", ""), "18043-0", "ultrasound"},
		{"left_ventricular_ejection_fraction", by(valve.Echo3D, "", ""), "79990-8", "3D"},
		{"left_atrial_diameter", by(valve.Echo2D, valve.EndSystole, planeLongAxis), "79975-9", "end systole, 2D, LOINC's long name: short axis of the atrium"},
		{"left_atrial_diameter", by(valve.Echo2D, valve.EndSystole, planeFourChamber), "", "along another axis"},
		{"left_atrial_volume", by(valve.Echo2D, valve.EndSystole, ""), "", "by disks or by area and length: not told"},
		{"outflow_tract_diameter", by(valve.Echo2D, valve.EndDiastole, ""), "80028-4", "LOINC's long name: end diastole, 2D"},
		{"outflow_tract_diameter", by(valve.Echo2D, valve.MidSystole, ""), "", "as it is read for a stroke volume: another phase than LOINC's"},
		{"tricuspid_annulus_diameter", by(valve.Echo2D, valve.EndDiastole, planeFourChamber), "80091-2", "end diastole"},
		{"tricuspid_annulus_diameter", by(valve.Echo2D, "", ""), "18023-2", "LOINC's long name: by ultrasound"},
		{"tricuspid_annulus_diameter", by(valve.Ruler, "", ""), "", "in the field"},

		{"mean_gradient", by(valve.Doppler, "", ""), "80073-0", "Doppler"},
		{"mean_gradient", by(valve.Echo2D, "", ""), "80073-0", "an echo tells of gradients by its Doppler"},
		{"mean_gradient", by(valve.Catheter, "", ""), "", "by catheter"},
		{"mean_gradient", by("", "", ""), "", "not stated by what"},
		{"peak_gradient", by(valve.Doppler, "", ""), "80074-8", "Doppler"},
		{"peak_gradient", by(valve.Catheter, "", ""), "", "by catheter"},
		{"aortic_mean_gradient", by(valve.Doppler, "", ""), "79962-7", "Doppler"},
		{"pressure_half_time", by(valve.Doppler, "", ""), "79912-2", "Doppler"},
		{"pressure_half_time_orifice_area", by(valve.Doppler, "", ""), "80069-8", "from it"},
		{"planimetry_orifice_area", by(valve.Echo2D, "", ""), "80068-0", "2D"},
		{"planimetry_orifice_area", by(valve.CT, "", ""), "", "no ultrasound"},
		{"early_inflow_velocity", by(valve.Doppler, "", ""), "80070-6", "LOINC's long name: by Doppler"},
		{"late_inflow_velocity", by(valve.Doppler, "", ""), "80066-4", "LOINC's long name: by Doppler"},
		{"early_to_late_inflow_ratio", by(valve.Doppler, "", ""), "18038-0", "from both"},
		{"early_inflow_velocity", by(valve.MagneticResonance, "", ""), "", "no ultrasound"},
		{"deceleration_time", by(valve.Doppler, "", ""), "78191-4", "Doppler"},
		{"inflow_velocity_time_integral", by(valve.Doppler, "", ""), "80053-2", "at the annulus"},
		{"transmitral_jet_velocity_time_integral", by(valve.Doppler, "", ""), "79914-8", "at the valve"},
		{"outflow_tract_velocity_time_integral", by(valve.Doppler, "", ""), "80030-0", "Doppler"},
		{"outflow_tract_cardiac_output", by("", "", ""), "20207-7", "from the outflow tract, by its formula"},
		{"cardiac_output", by(valve.Catheter, "", ""), "", "by another method"},
		{"tricuspid_regurgitation_peak_velocity", by(valve.Doppler, "", ""), "79921-3", "Doppler"},
		{"regurgitation_peak_velocity", by(valve.Doppler, "", ""), "80062-3", "Doppler"},
		{"aliasing_velocity", by("", "", ""), "80060-7", "there is none but in flow convergence"},
		{"proximal_isovelocity_radius", by("", "", ""), "80059-9", "there is none but in flow convergence"},
		{"peak_regurgitant_flow", by("", "", ""), "80057-3", "flow convergence, by its formula"},
		{"angle_corrected_peak_regurgitant_flow", by("", "", ""), "", "corrected for the angle: another number"},
		{"regurgitant_orifice_area_by_flow_convergence", by("", "", ""), "80071-4", "flow convergence, by its formula"},
		{"vena_contracta_width", by(valve.Doppler, "", ""), "80061-5", "ultrasound"},
		{"stated_regurgitant_fraction", by(valve.Doppler, "", ""), "", "the public code means more"},
		{"heart_rate", by("", "", ""), "8867-4", "asks nothing"},
		{"body_surface_area_root_formula", by("", "", ""), "8277-6", "asks nothing"},
	}
	seen := map[string]bool{}
	for _, row := range rows {
		got := ""
		if c, ok := CodeFor(codesOf(t, row.id), row.taken); ok {
			got = c.Code
			seen[got] = true
		}
		if got != row.want {
			t.Errorf("%s by %q in %q, %q has code %q, want %q (%s)", row.id, row.taken.Method, row.taken.Phase, row.taken.Plane, got, row.want, row.why)
		}
	}
	for id, codes := range coded() {
		for _, c := range codes {
			if c.Restricted() && c.Equivalence == Equivalent && !seen[c.Code] {
				t.Errorf("no row finds %s of %s", c.Code, id)
			}
		}
	}
}

func coded() map[valve.ID][]Coding {
	all := map[valve.ID][]Coding{}
	for _, l := range Leaves() {
		all[l.ID] = l.Codes
	}
	for _, m := range Metrics() {
		all[m.ID] = m.Codes
	}
	return all
}

func codesOf(t *testing.T, id valve.ID) []Coding {
	t.Helper()
	codes, ok := coded()[id]
	if !ok {
		t.Fatalf("there is no %s", id)
	}
	return codes
}

// Every row of the table is of use and complete, a condition is no part of a
// display, and nothing that was left out is in.
func TestPublicCodes(t *testing.T) {
	used := map[string]bool{}
	for _, codes := range coded() {
		for _, c := range codes {
			used[c.Code] = true
		}
	}
	seen := map[string]bool{}
	for _, c := range PublicCodes() {
		switch {
		case seen[c.Code]:
			t.Errorf("%s stands twice", c.Code)
		case !used[c.Code]:
			t.Errorf("nothing has %s", c.Code)
		case c.System == "" || c.Display == "" || c.Where == "" || c.Equivalence != "":
			t.Errorf("%+v is not complete", c)
		case c.Restricted() && c.Asks == "":
			t.Errorf("%s is restricted and does not say what it asks", c.Code)
		case c.System == dicom && !c.Read:
			t.Errorf("the definition of %s was not read", c.Code)
		case c.PlaneByItself != "" && len(c.Planes) == 0:
			t.Errorf("%s says why a plane need not be stated and asks none", c.Code)
		}
		seen[c.Code] = true
	}
	left := map[string]bool{}
	for _, n := range CodesNotTaken() {
		if seen[n.Code] || left[n.Code] {
			t.Errorf("%s was left out and is in, or is left out twice", n.Code)
		}
		if n.Why == "" || n.Name == "" || !slices.Contains([]string{loinc, dicom, snomed}, n.System) {
			t.Errorf("%+v does not say why", n)
		}
		left[n.Code] = true
	}
}
