package demo

import (
	"regexp"
	"slices"
	"strings"

	"trigone/internal/render"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// fact is one thing that is said of a case: a metric, the message of a finding,
// that of a discrepancy, or how it went on.
type fact struct {
	words    string // before it
	metric   valve.ID
	place    string   // empty: the first place that has it
	occasion string   // empty: the first occasion
	beside   valve.ID // another metric at the same place and occasion
	// clauses takes the first clauses of the metric's explanation in place of its
	// value, the last ones if below 0.
	clauses   int
	rule      string
	class     string
	followUps bool
}

// remark is what is told under a case, in one line where it fits.
type remark struct {
	words string
	facts []fact
}

// shows tells under a case what it was invented for, as its last evaluation has it.
var shows = map[string][]remark{
	"graded-many-ways": {
		{"graded by", []fact{
			{words: "flow convergence", metric: "regurgitant_orifice_area_by_flow_convergence"},
			{words: "corrected for the angle", metric: "angle_corrected_regurgitant_orifice_area"},
			{words: "volume by inflow and outflow", metric: "regurgitant_volume_from_inflow"},
		}},
		{"and by", []fact{
			{words: "two widths of the vena contracta, mean", metric: "mean_vena_contracta_width"},
			{words: "area", metric: "vena_contracta_area_from_widths"},
			{words: "area in 3D", metric: valve.VenaContractaArea},
		}},
		{"stage of the 2020 guideline", []fact{{metric: "primary_regurgitation_stage"}}},
	},
	"late-systolic": {
		{"", []fact{{rule: "regurgitation-bands-apart"}}},
		{"", []fact{{rule: "single-frame-in-partial-systole"}}},
		{"stage of the 2020 guideline", []fact{{metric: "primary_regurgitation_stage", clauses: -2}}},
	},
	"base-gap-open": {
		{"the plan", []fact{{rule: "base-gap-not-closed"}}},
		{"what was done", []fact{{words: "left open", metric: "posterior_base_gap_left", occasion: "operation"}}},
	},
	"sliding-unequal": {
		{"what was done", []fact{
			{words: "base gap of 16 mm, 5 and 9 mm of advance, 2 mm of plication, left open", metric: "posterior_base_gap_left", occasion: "operation"},
		}},
	},
	"two-triangles": {
		{"a closed triangle billows by w²/(8h)", []fact{
			{words: "14 mm wide at P2", metric: "triangular_closure_excess", place: "step:s-resection"},
			{words: "6 mm wide at P3", metric: "triangular_closure_excess", place: "step:s-resection-p3"},
		}},
	},
	"three-slices": {
		{"overlap predicted from the plan", []fact{
			{words: "A1-P1", metric: "predicted_overlap", place: "a1_p1"},
			{words: "A2-P2", metric: "predicted_overlap", place: "a2_p2"},
			{words: "A3-P3", metric: "predicted_overlap", place: "a3_p3"},
		}},
		{"measured by echo in the middle", []fact{
			{metric: valve.CoaptationLength, place: "a2_p2", occasion: "result/exit"},
			{words: "z of the execution", metric: "coaptation_z_from_execution"},
			{words: "factors of systolic anterior motion", metric: "anterior_motion_factor_count", occasion: "plan"},
		}},
		{"", []fact{{followUps: true}}},
	},
	"chords-hold-line": {
		{"chords hold the line", []fact{
			{words: "at P2", metric: valve.ArtificialChordLength, place: "step:s-chords-p2"},
			{words: "at A2", metric: valve.ArtificialChordLength, place: "step:s-chords-a2"},
			{words: "line found at", metric: valve.AnteriorClosureShare, occasion: "result/exit"},
		}},
		{"predicted from what was done", []fact{
			{words: "overlap", metric: "predicted_overlap", occasion: "operation"},
			{words: "anterior tip without support", metric: "predicted_unsupported_anterior_tip", occasion: "operation"},
		}},
		{"", []fact{{words: "z of the execution", metric: "coaptation_z_from_execution"}}},
	},
	"restricted-leaflets": {
		{"prediction", []fact{{metric: "predicted_overlap"}}},
	},
	"ring-by-table": {
		{"label by the site's table", []fact{
			{words: "height of A2", metric: "ring_label_by_anterior_height", occasion: "plan"},
			{words: "intertrigonal distance", metric: "ring_label_by_intertrigonal_distance", occasion: "plan"},
			{words: "anterior leaflet area", metric: "ring_label_by_anterior_leaflet_area", occasion: "plan"},
		}},
		{"mean gradient", []fact{
			{words: "expected from flow and rate in the clinic", metric: "expected_mean_gradient", occasion: "plan"},
			{words: "on leaving theatre", metric: "expected_mean_gradient", occasion: "result/exit"},
			{words: "measured", metric: valve.MeanGradient, occasion: "result/exit"},
		}},
	},
	"anterior-motion": {
		{"factors of systolic anterior motion", []fact{{metric: "anterior_motion_factor_count", occasion: "plan", clauses: 1}}},
		{"off bypass", []fact{
			{words: "outflow tract", metric: valve.OutflowTractGradient, occasion: "result/off-1"},
			{words: "on leaving theatre, after volume, vasopressor and beta blocker", metric: valve.OutflowTractGradient, occasion: "result/exit"},
		}},
	},
	"saddle-annulus": {
		{"entered, and from the contour", []fact{
			{words: "height", metric: valve.AnnulusHeight, beside: "annulus_contour_height"},
			{words: "area", metric: valve.AnnulusArea, beside: "annulus_contour_projected_area"},
			{words: "perimeter", metric: valve.AnnulusPerimeter, beside: "annulus_contour_perimeter"},
		}},
		{"from the leaflets' meshes", []fact{
			{words: "surface of both", metric: "total_leaflet_surface_area"},
			{words: "the posterior one billows", metric: "billow_height_above_spanning_surface", place: "posterior"},
			{words: "fold angle of the annulus", metric: "annulus_contour_fold_angle"},
		}},
	},
	"recurrence": {
		{"", []fact{{followUps: true}}},
		{"", []fact{{rule: "coaptation-short"}}},
	},
	"outside-range": {
		{"", []fact{{class: "target_missed"}}},
		{"", []fact{{class: "outside_prediction_interval"}}},
		{"", []fact{{words: "z of the execution", metric: "coaptation_z_from_execution"}}},
	},
	"gaps-in-record": {
		{"", []fact{{class: "not_evaluable"}}},
		{"", []fact{{class: "record_conflict"}}},
	},
}

// inBrackets is what a clause adds of limits and sources, which the evaluation
// prints in full.
var inBrackets = regexp.MustCompile(` \([^)]*\)`)

// told gives what is said of the fact; empty: nothing.
func (f fact) told(c *trigonev1.Case) string {
	e, text := c.GetEvaluation(), ""
	switch {
	case f.followUps:
		text = course(c.GetCaseFile().GetFollowUps())
	case f.metric != "":
		text = f.measured(e)
	case f.rule != "":
		if i := slices.IndexFunc(e.GetFindings(), func(x *trigonev1.Finding) bool { return x.GetRule() == f.rule }); i >= 0 {
			text = e.GetFindings()[i].GetMessage()
		}
	case f.class != "":
		if i := slices.IndexFunc(e.GetDiscrepancies(), func(d *trigonev1.Discrepancy) bool { return d.GetClass() == f.class }); i >= 0 {
			text = e.GetDiscrepancies()[i].GetMessage()
		}
	}
	if text == "" || f.words == "" {
		return text
	}
	return f.words + " " + text
}

func (f fact) measured(e *trigonev1.Evaluation) string {
	m := f.value(e, f.metric)
	switch {
	case m == nil:
		return ""
	case f.clauses != 0:
		clauses := strings.Split(m.GetExplanation(), "; ")
		if n := min(f.clauses, len(clauses)); n > 0 {
			clauses = clauses[:n]
		} else {
			clauses = clauses[max(len(clauses)+n, 0):]
		}
		return inBrackets.ReplaceAllString(strings.Join(clauses, "; "), "")
	}
	text := render.Value(m)
	if other := f.value(e, f.beside); other != nil {
		text += " and " + render.Value(other)
	}
	return text
}

func (f fact) value(e *trigonev1.Evaluation, metric valve.ID) *trigonev1.MetricValue {
	for _, m := range e.GetMetrics() {
		if m.GetMetric() == string(metric) && (f.place == "" || f.place == m.GetPlace()) && (f.occasion == "" || f.occasion == m.GetOccasion()) {
			return m
		}
	}
	return nil
}

// course tells what the follow-ups found.
func course(list []*trigonev1.FollowUp) string {
	var parts []string
	for _, f := range list {
		text := f.GetStatusKnownOn() + " " + render.Word(f.GetVitalStatus())
		if r := f.GetStudy().GetRegurgitation(); r != nil {
			text += ", regurgitation " + render.Word(r.GetGrade().GetValue())
			for _, m := range r.GetMechanisms() {
				text += " from the " + render.Word(m)
			}
		}
		for _, r := range f.GetReinterventions() {
			text += ", " + render.Word(r.GetKind()) + " on " + r.GetOn()
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, "; ")
}

// told gives the remark in one sentence; empty: nothing is said of it.
func (r remark) told(c *trigonev1.Case) string {
	var parts []string
	for _, f := range r.facts {
		if text := f.told(c); text != "" {
			parts = append(parts, text)
		}
	}
	text := strings.Join(parts, "; ")
	if text == "" || r.words == "" {
		return text
	}
	return r.words + ": " + text
}
