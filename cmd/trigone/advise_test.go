package main

import (
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/server"
)

// soFar is a case as a hospital might send it between the leaflet work and the ring. The
// words in braces are exchanged: A2 25 mm, P2 as found, aims, results.
const soFar = `{
	"identity": {"sex": "SEX_MALE", "ageYears": 61, "heightCm": 175, "weightKg": 78},
	"assessments": [{"id": "toe", "kind": "ASSESSMENT_KIND_TRANSOESOPHAGEAL_AWAKE", "study": {
		"time": "2026-03-01T09:00:00Z", "context": {"method": "METHOD_ECHO_3D"},
		"leaflets": {
			"heights": [{"segment": "SEGMENT_A2", "leafletHeight": {"mm": 25}}, {"segment": "SEGMENT_P2", "leafletHeight": {"mm": 22}}],
			"lesions": [{"id": "flail", "location": {"segment": "SEGMENT_P2"}, "kinds": ["LESION_KIND_CHORD_RUPTURE"], "flail": "ANSWER_YES"}],
			"lesionsRecorded": "RECORDED_COMPLETE"
		},
		"flow": {"outflowTractDiameter": {"mm": 21}, "outflowTractVelocityTimeIntegral": {"cm": 16}},
		"haemodynamics": {"heartRate": {"perMin": 70}},
		"chambers": {"basalSeptumThickness": {"mm": 11}, "aortoMitralAngle": {"deg": 125}, "leftVentricularEndDiastolicDiameter": {"mm": 55}}
	}}],
	"plan": {"signer": "surgeon-1", "signedTime": "2026-03-01T18:00:00Z", "assessmentIds": ["toe"],
		"steps": [
			{"id": "p-height", "technique": {"heightReduction": {"segments": ["SEGMENT_P2"], "heightRemoved": {"mm": 4}}}},
			{"id": "p-ring", "technique": {"annuloplasty": {"kind": "ANNULOPLASTY_KIND_COMPLETE_RING", "ringInnerAnteroPosteriorDiameter": {"mm": 26},
				"ringInnerTransverseDiameter": {"mm": 34}, "ringOrificeArea": {"cm2": 7.2}}}}],
		"stepsRecorded": "RECORDED_COMPLETE",
		"targets": [{"id": "t-coaptation", "stage": "STAGE_LEAVING_THEATRE", "coaptationLength": {"slice": "SLICE_A2_P2", "range": {"minMm": 7, "maxMm": 12}}}{aims}]},
	"operation": {"incisionTime": "2026-03-02T08:30:00Z",
		"steps": [{"id": "s-height", "run": 1, "order": 1, "plannedStepId": "p-height", "fate": "STEP_FATE_IN_PLACE",
			"technique": {"heightReduction": {"segments": ["SEGMENT_P2"]}}}{steps}],
		"heights": [{"run": 1, "stage": "STAGE_AFTER_LEAFLET_WORK", "context": {"method": "METHOD_RULER", "load": "LOAD_ARRESTED"}, "time": "2026-03-02T09:40:00Z",
			"heights": [{"segment": "SEGMENT_A2", "leafletHeight": {"mm": 25}}, {"segment": "SEGMENT_P2", "leafletHeight": {"mm": {p2}}}]}]}{results}
}`

func asked(t *testing.T, p2, aims, steps, results string) string {
	t.Helper()
	return write(t, []byte(strings.NewReplacer("{p2}", p2, "{aims}", aims, "{steps}", steps, "{results}", results).Replace(soFar)))
}

// startWith runs a server under a policy.
func startWith(t *testing.T, policy string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "policy.yaml")
	if err := os.WriteFile(path, []byte(policy), 0o600); err != nil {
		t.Fatal(err)
	}
	running, err := server.Start(t.Context(), server.Options{Listen: "127.0.0.1:0", StorePath: filepath.Join(t.TempDir(), "test.db"), PolicyPath: path})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := running.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	})
	return running.Addr()
}

// Two sizes of an invented family, 22 and 26 mm.
const twoRings = `site: harbour
version: "1"
zone: Europe/London
ring_table:
  - {family: oval, label: 28, kind: complete_ring, inner_antero_posterior_mm: 22, inner_transverse_mm: 30, orifice_area_cm2: 5.4}
  - {family: oval, label: 32, kind: complete_ring, inner_antero_posterior_mm: 26, inner_transverse_mm: 34, orifice_area_cm2: 7.2}
`

// oneLine gives a page as one line, so that a sentence is found however it is broken.
func oneLine(page string) string { return strings.Join(strings.Fields(page), " ") }

// What is answered while operating, through the program. By hand, flat: contact
// (25 + P2 − ring)/2, so that an aim of 7 to 12 mm asks for a ring of P2 + 1 to P2 + 11 mm,
// and for a P2 of 15 to 25 mm with the ring of 26; the line lies at ½ + (25 − P2)/(2·ring).
func TestAnswersWhileOperating(t *testing.T) {
	plain, rings := start(t), startWith(t, twoRings)
	const ring = `, {"id": "s-ring", "run": 1, "order": 2, "plannedStepId": "p-ring", "fate": "STEP_FATE_IN_PLACE", "technique": {"annuloplasty": {"kind": "ANNULOPLASTY_KIND_COMPLETE_RING",
		"ringInnerAnteroPosteriorDiameter": {"mm": 26}, "ringInnerTransverseDiameter": {"mm": 34}, "ringOrificeArea": {"cm2": 7.2}}}}`
	const motion = `, "results": [{"id": "off", "run": 1, "stage": "STAGE_OFF_BYPASS", "study": {"time": "2026-03-02T10:50:00Z",
		"anteriorMotion": {"state": "ANTERIOR_MOTION_STATE_LEAFLET_WITH_OBSTRUCTION"}, "gradient": {"meanGradient": {"mmhg": 3}},
		"leaflets": {"coaptation": [{"slice": "SLICE_A2_P2", "coaptationLength": {"mm": 6}}]}}}]`
	rows := []struct {
		why, server, file string
		says, never       []string
	}{
		{"P2 of 8 mm: no ring below the plausible 16 mm is offered, and below 21.3 mm the line lies beyond 90 %", plain, asked(t, "8", "", "", ""),
			[]string{"no value from 21.3 to 36 mm meets coaptation length of A2-P2 at least 7 mm (aim of the plan t-coaptation)", "for it speaks of diameters of 15 to 45 mm"},
			[]string{"9.0 to 19.0", "may be"}},
		{"P2 of 18 mm meets the aim with the ring of 26: a line that nobody aims at is told beside", plain, asked(t, "18", "", "", ""),
			[]string{
				"19.0 to 29.0 mm", "Lower end 19.0 mm: the plan's aim t-coaptation, coaptation length of A2-P2 at most 12 mm.",
				"Upper end 29.0 mm: the plan's aim t-coaptation, coaptation length of A2-P2 at least 7 mm.",
				"the model cannot tell", "Beside it: at most 21.0 mm meets share of the diameter in front of the closure line at least 66.7 % (no source of this limit was read",
			},
			[]string{"no longer fits: with", "does not fit", "plan's target", "may be"}},
		{"a closure line that the plan aims at binds: (25 − 18)/(2·0.6 − 1)", plain,
			asked(t, "18", `, {"id": "t-line", "stage": "STAGE_LEAVING_THEATRE", "anteriorClosureShare": {"minPercent": 62}}`, "", ""),
			[]string{"Upper end 29.0 mm: the plan's aim t-coaptation"}, []string{"Beside it"}},
		{"the plan's own gradient bounds the ring from below", plain,
			asked(t, "18", `, {"id": "t-gradient", "stage": "STAGE_LEAVING_THEATRE", "method": "METHOD_DOPPLER", "meanGradient": {"maxMmhg": 3}}`, "", ""),
			[]string{"the plan's aim t-gradient, mean gradient at most 3 mmHg"}, nil},
		{"an aim that nothing estimates is named", plain,
			asked(t, "18", `, {"id": "t-grade", "stage": "STAGE_LEAVING_THEATRE", "regurgitationGradeAtMost": {"scheme": "GRADE_SCHEME_FIVE_STEP", "value": "GRADE_VALUE_TRACE"}}`, "", ""),
			[]string{"Aims that nothing here estimates: regurgitation grade."}, nil},
		{"sizes come from the site's own table, of which the end is told", rings, asked(t, "18", "", "", ""),
			[]string{"22.0 to 26.0 mm", "your ring table, smallest of your rings, oval 28", "Oval 28 (22.0 mm) meets all of it.", "Oval 32 (26.0 mm) meets all of it."}, nil},
		{"none of the site's rings fits: 8.9 + 1 to 8.9 + 11 mm", rings, asked(t, "8.9", "", "", ""),
			[]string{"none of your rings", "Oval 28 (22.0 mm) does not: comes to"}, nil},
		{"while the last set shows anterior motion there is no range", plain, asked(t, "18", "", ring, motion),
			[]string{"the model does not hold while there is: systolic anterior motion"}, []string{"Upper end"}},
	}
	for _, r := range rows {
		page := call(t, "advise", r.file, "--server", r.server, "--time", "2026-03-02T11:00:00Z").want(t, exitOK).stdout
		narrow(t, r.why, page)
		answer, _, found := strings.Cut(oneLine(page), "Findings: ")
		if !found {
			t.Fatalf("%s: no evaluation under the answer", r.why)
		}
		says(t, r.why, answer, r.says...)
		for _, never := range r.never {
			if strings.Contains(answer, never) {
				t.Errorf("%s: says %q:\n%s", r.why, never, page)
			}
		}
		if strings.Contains(oneLine(page), "Window of the plan") {
			t.Errorf("%s: the window is told twice", r.why)
		}
	}
}

// What would come of a change, beside the state as it is, each quantity in every column.
func TestWhatIf(t *testing.T) {
	address := startWith(t, twoRings)
	file := asked(t, "18", "", "", "")
	ask := func(args ...string) answer {
		return call(t, append([]string{"advise", file, "--server", address, "--time", "2026-03-02T09:45:00Z"}, args...)...)
	}
	got := ask("--what-if", "ring=28", "--what-if", "ring=oval/32,p2=12", "--what-if", "p2=24").want(t, exitOK).stdout
	narrow(t, "what-if", got)
	says(t, "what-if", oneLine(got), "As it is, with the", "Ring oval 28, 22 mm", "Ring oval 32, 26", "P2 24 mm", "Coaptation length", "Closure line", "Anterior tip", "Expected mean gradient",
		"final P2 24.0 mm (counts above", "Age at 2026-03-02 09:45", "5 min old")
	for _, word := range []string{"better", "best", "may be", "worse"} {
		if answer, _, _ := strings.Cut(got, "Findings: "); strings.Contains(answer, word) {
			t.Errorf("a cell says %q:\n%s", word, got)
		}
	}

	// The numbers are those of the same plan evaluated by itself: (25 + 12 − 26)/2.
	whole := decode(t, ask("--what-if", "p2=12", "--what-if", "ring=28", "--format", "json").want(t, exitOK).stdout, &trigonev1.EvaluatePlanResponse{})
	list := whole.GetFreedom().GetWhatIfs()
	if len(list) != 3 || list[0].GetChange() != nil || list[1].GetValues()[0].GetValue() != 5.5 || list[2].GetValues()[0].GetValue() != 10.5 || list[0].GetValues()[0].GetValue() != 8.5 {
		t.Errorf("answered %v", list)
	}

	for _, r := range []struct{ why, change, says string }{
		{"a label that the table does not have", "ring=30", "what_ifs[0].ring: is label 30, which the site's ring table does not have"},
		{"a height that no leaflet has", "p2=2", "what_ifs[0].heights[0].mm: is 2 mm"},
		{"chords of no step", "chord:none=18", "what_ifs[0].chords[0].step_id"},
	} {
		says(t, r.why, ask("--what-if", r.change).want(t, exitRefused).stderr, r.says)
	}
	for _, wrong := range []string{"ring", "ring=big", "p3=14", "p2/x=3", "ring=28,ring=32"} {
		says(t, wrong, ask("--what-if", wrong).want(t, exitUsage).stderr, "is not understood")
	}
	says(t, "no table", call(t, "advise", file, "--server", start(t), "--what-if", "ring=28").want(t, exitRefused).stderr, "no ring table, and sizes come from it")
}

// Where the model does not hold, no contact is told: the sentence, the factors and what was
// measured. Where chords change, a direction.
func TestWhatIfWithoutNumbers(t *testing.T) {
	address := startWith(t, twoRings)
	const done = `, {"id": "s-chord", "run": 1, "order": 2, "fate": "STEP_FATE_IN_PLACE", "technique": {"artificialChord": {"targets": [{"segment": "SEGMENT_P2"}], "artificialChordLength": {"mm": 18}}}},
		{"id": "s-ring", "run": 1, "order": 3, "plannedStepId": "p-ring", "fate": "STEP_FATE_IN_PLACE", "technique": {"annuloplasty": {"kind": "ANNULOPLASTY_KIND_COMPLETE_RING",
		"ringInnerAnteroPosteriorDiameter": {"mm": 26}, "ringInnerTransverseDiameter": {"mm": 34}, "ringOrificeArea": {"cm2": 7.2}}}}`
	set := func(study string) string {
		return `, "results": [{"id": "off", "run": 1, "stage": "STAGE_OFF_BYPASS", "study": {"time": "2026-03-02T10:50:00Z", ` + study +
			`, "gradient": {"meanGradient": {"mmhg": 3}}, "leaflets": {"coaptation": [{"slice": "SLICE_A2_P2", "coaptationLength": {"mm": 6}}]}}}]`
	}
	for _, r := range []struct{ study, says string }{
		{`"anteriorMotion": {"state": "ANTERIOR_MOTION_STATE_LEAFLET_WITHOUT_OBSTRUCTION"}`, "systolic anterior motion"},
		{`"regurgitation": {"mechanisms": ["REGURGITATION_MECHANISM_PROLAPSE"]}`, "residual prolapse"},
		{`"regurgitation": {"mechanisms": ["REGURGITATION_MECHANISM_CLEFT"]}`, "open cleft"},
		{`"regurgitation": {"mechanisms": ["REGURGITATION_MECHANISM_RESTRICTION"]}`, "restricted leaflet motion"},
	} {
		page := call(t, "advise", asked(t, "18", "", done, set(r.study)), "--server", address, "--time", "2026-03-02T11:00:00Z", "--what-if", "ring=28").want(t, exitOK).stdout
		_, table, _ := strings.Cut(page, "What if:")
		table, _, _ = strings.Cut(table, "Inputs of")
		says(t, r.says, oneLine(table), "The model does not hold while there is: "+r.says+".", "no number no number", "Factors of systolic anterior motion",
			"Measured in the last set (result off): coaptation length A2-P2 6.0 mm and mean gradient 3.0 mmHg.")
		if regexp.MustCompile(`\d to \d`).MatchString(table) {
			t.Errorf("%s: a range is told:\n%s", r.says, table)
		}
	}

	page := call(t, "advise", asked(t, "18", "", done, ""), "--server", address, "--what-if", "chord:s-chord=16").want(t, exitOK).stdout
	says(t, "chords", oneLine(page), "direction only", "Chords of s-chord 16 mm: direction only: shorter chords on P2 hold the closure line farther back", "never calibrated")
}
