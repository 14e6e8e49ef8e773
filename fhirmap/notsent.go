package fhirmap

import (
	"slices"

	"trigone/internal/valve"
)

// Omission is something of the record that no bundle holds.
type Omission struct {
	// Section, as the case file's field names it; empty: any.
	Section string
	// Message of the contract in which the fields stand; empty: any.
	Message string
	// Fields, by their names; none: all.
	Fields []string
	Reason string
}

// omissions lists them.
var omissions = []Omission{
	{"advice", "", nil, "an answer given while operating is a trace of the record, not a measurement of the patient"},
	{"external_identifier", "", nil, "the hospital's number of the case names the patient to whoever has it; resources have identifiers of their own"},
	{"", "", []string{string(valve.ExpectedProbability)}, "an expectation of the site's own model, carried and not reasoned about"},
	{"", "", []string{"note", "rationale", "reason_text", "decision_text", "text"}, "free text may name anybody; the operative note quotes it"},
	{"identity", "Identity", []string{"sex", "age_years"}, "the receiver's own Patient says it"},

	{"", "Study", []string{"study_id"}, "names an examination in the hospital's archive, of which no resource is sent"},
	{"", "Study", []string{"read_independently"}, "says how audits may count a reading, not what was read"},
	{"", "Annulus", []string{"shape"}, "coordinates of annulus and leaflets belong in an imaging object, not in an Observation"},
	{"", "Annulus", []string{"calcification", "calcified_at"}, "a word of the examiner; the hospital's report of the examination has it"},
	{"", "AnteriorMotion", []string{"end", "manoeuvres", "state"}, "words of the examiner; the grade with motion, and the caution of a rule, are sent"},
	{"", "Chambers", []string{"wall_motion", "wall_motion_recorded"}, "words of the examiner; the hospital's report of the examination has them"},
	{"", "Leaflets", []string{"dysfunctions", "lesions_recorded"}, "words of the examiner; the hospital's report of the examination has them"},
	{"", "Lesion", []string{"kinds"}, "words of the examiner; what was measured of a lesion is sent"},
	{"", "Regurgitation", []string{
		"envelope_density", "envelope_shape", "jets", "jets_recorded", "mechanisms", "mechanisms_recorded", "pulmonary_vein_flow", "timing",
	}, "signs by which a grade is told; the grade is sent"},
	{"", "Haemodynamics", []string{"inotrope", "paced", "protamine", "provocation", "rhythm", "vasopressor", "volume_state"},
		"circumstances of a reading; where they forbid a comparison the rule's finding says so"},
	{"results", "Result", []string{"decision"}, "what was decided shows in the steps that followed"},

	{"plan", "Plan", []string{"context"}, "at what point it was made; when it was signed is sent"},
	{"plan", "", []string{"expected_closure", string(valve.CoaptationDepth)}, "what the prediction takes, and no aim; the prediction is sent"},
	{"plan", "Plan", []string{"reference_segment"}, "a habit of the operator by which heights are read"},
	{"plan", "Plan", []string{"steps_recorded"}, "whether a list is whole is for counts across cases, which the facts answer"},
	{"plan", "CaseSetting", []string{"operators"}, "who is to operate the theatre list says; who did is sent"},
	{"plan", "IntendedProcedure", []string{"stated_by", "stated_time"}, "the plan's signer and its time are sent"},
	{"plan", "Indication", []string{"functional_class", "triggers_recorded"}, "the triggers that count towards the operation are sent"},
	{"plan", "Annuloplasty", []string{"implanted_label"}, "a plan implants nothing"},
	{"", "PlannedStep", []string{"lesion_ids"}, "lesions are no resources"},
	{"operation", "PerformedStep", []string{"lesion_ids", "advice_ids"}, "neither lesions nor answers given while operating are resources"},
	{"operation", "PerformedStep", []string{"order", "revised_by", "taken_down_in_run"}, "the order of work is told by the operative note"},

	{"operation", "Annuloplasty", []string{"planned_label_min", "planned_label_max"}, "what was planned is the plan's"},
	{"", "Annuloplasty", []string{"anterior_suture_count", "compression_suture_count", "orientation_deg", "sizers", "sizing_method", "suture_count"},
		"how a ring was measured and sewn; the operative note tells it, and a sizer is no implant"},
	{"", "ArtificialChord", []string{"calibre", "material", "pair_count", "reference_segment", "strand_count"}, "how chords were made; their lengths are sent, and the suture is a device"},
	{"", "ChordLengthAt", []string{"pair_count", "segment", "side"}, "how chords were spread; the length of each place is sent"},
	{"", "ChordTransfer", []string{"chord_count"}, "a count that no metric reads"},
	{"", "CleftClosure", []string{"chords_kept"}, "how it was sewn; the operative note tells it"},
	{"", "FurtherTechnique", []string{"patch_material"}, "what a patch is made of its device says"},
	{"", "LeafletResection", []string{"to_annulus"}, "the heights that are left say it"},
	{"", "SlidingSide", []string{"compression_suture_count"}, "a count that no metric reads"},
	{"operation", "FieldHeights", []string{"context"}, "of a set whose values state their own"},
	{"operation", "InkTest", []string{"not_done_reason", "performed"}, "of a test that was done the numbers are sent"},
	{"operation", "SalineTest", []string{"closure_line_symmetric", "leak", "leak_locations", "not_done_reason", "performed"},
		"words of the operator; what was measured in a test is sent"},
	{"operation", "MarginChords", nil, "counts that no metric reads"},

	{"operation", "Admission", []string{"admitted_on"}, "the hospital's own Encounter has it"},
	{"operation", "IntendedProcedure", []string{"stated_by"}, "who stated an intention did nothing"},
	{"operation", "Conversion", []string{"tried_step_ids"}, "the steps that were taken down say it"},
	{"operation", "Conversion", []string{"chords_kept"}, "the operative note tells it"},
	{"operation", "Device", []string{"run"}, "the step has its run"},
	{"operation", "TricuspidProcedure", []string{"implanted_label"}, "the device has its size"},
	{"operation", "AblationProcedure", []string{"block_confirmed", "lines_recorded"}, "how far an ablation was tested is told by the operative note"},
	{"operation", "AppendageProcedure", []string{"closed_on_echo"}, "the hospital's report of the echo has it"},
	{"operation", "CoronaryGrafts", []string{"grafts_recorded"}, "whether a list is whole is for counts across cases, which the facts answer"},
	{"", "CaseSetting", []string{"coronary_dominance", "fibrillation_before", "previous_cardiac_surgery", "previous_procedures", "previous_procedures_recorded", "risk_factors"},
		"what was known before the hospital's own problem list has, where the record has it from"},
	{"", "CaseSetting", []string{"expected_risks"}, "an expectation of the site's own model, carried and not reasoned about"},
	{"", "CaseSetting", []string{"previous_case"}, "names another case of the patient"},
	{"operation", "Operation", []string{"accepted_lesions", "report"}, "the operative note tells it"},
	{"operation", "Operation", []string{"blood", "cannulation", "runs", "support", "neighbourhood"}, "theatre, perfusion and blood bank have records of their own; the operative note tells it"},
	{"operation", "Operation", []string{"first_leaflet_cut_time"}, "by it the service tells which plan is in force, which is sent"},
	{"operation", "Operation", []string{"margin_chords"}, "counts that no metric reads"},
	{"operation", "Operation", []string{
		"concomitant_procedures_recorded", "devices_recorded", "margin_chords_recorded", "runs_recorded", "steps_recorded", "support_recorded", "tests_recorded",
	}, "whether a list is whole is for counts across cases, which the facts answer"},

	{"follow_ups", "FollowUp", []string{"antithrombotics", "antithrombotics_recorded"}, "the hospital's own medication record has them, with dose and dates"},
	{"follow_ups", "FollowUp", []string{"echo_not_done_reason"}, "an echo that was not done is none"},
	{"follow_ups", "FollowUp", []string{"intensive_care", "paced"}, "the hospital's own record of the stay has it"},
}

// NotSent lists what no bundle holds of the record, with the reason. Of what was
// computed it leaves out what is not evaluable or not applicable, what is only
// computed from a plan, predictions without an interval, notes, and differences that
// could not be judged; and that a section was retracted, beside the entered-in-error
// of what came from it. What was opened and not implanted is in nobody.
func NotSent() []Omission { return slices.Clone(omissions) }

// WhyNotSent gives the reason why a field of a message in a section is not sent;
// empty: it is.
func WhyNotSent(section, message, field string) string {
	for _, o := range omissions {
		if (o.Section == "" || o.Section == section) && (o.Message == "" || o.Message == message) && (o.Fields == nil || slices.Contains(o.Fields, field)) {
			return o.Reason
		}
	}
	return ""
}

// notSentLeaf says whether the values of a leaf are not sent.
func notSentLeaf(id string) bool {
	return slices.ContainsFunc(omissions, func(o Omission) bool { return o.Section == "" && o.Message == "" && slices.Contains(o.Fields, id) })
}
