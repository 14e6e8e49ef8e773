package convert

import (
	"strings"
	"testing"

	trigonev1 "trigone/proto/trigone/v1"
)

// Each row is an operation with one step that cites the question, as it stands on
// record. The answer gave the ring 16.5 to 26.5 mm, P2 at least 11 mm and no range
// to the chord.
func TestFollowedAnswer(t *testing.T) {
	const answered = `{"id":"q","time":"2026-03-02T10:00:00Z","run":1,"freedom":{"ranges":[
		{"leaf":"ring_inner_antero_posterior_diameter","place":"step:p-ring","state":"METRIC_STATE_VALUE","lower":16.5,"upper":26.5,
		 "sizes":[{"familyKey":"oval","label":30,"innerAnteroPosteriorMm":24}]},
		{"leaf":"leaflet_height","place":"p2/segment_mid","state":"METRIC_STATE_VALUE","lower":11},
		{"leaf":"artificial_chord_length","place":"step:p-chord","state":"METRIC_STATE_NOT_APPLICABLE"}]}}`
	ring := func(of string) string {
		return `{"id":"s","run":1,"technique":{"annuloplasty":{"kind":"ANNULOPLASTY_KIND_COMPLETE_RING",` + of + `}}}`
	}
	diameter := func(mm string) string { return ring(`"ringInnerAnteroPosteriorDiameter":{"mm":` + mm + `}`) }
	const reduction = `{"id":"s","run":1,"technique":{"heightReduction":{"segments":["SEGMENT_P2"]}}}`
	heights := func(at, list string) string {
		return `,"heights":[{"run":1,"stage":"STAGE_AFTER_LEAFLET_WORK","time":"` + at + `","heights":[` + list + `]}]`
	}
	const middle = `{"segment":"SEGMENT_P2","leafletHeight":{"mm":12}}`
	const edges = `{"segment":"SEGMENT_P2","station":"STATION_SEAM_LATERAL_EDGE","leafletHeight":{"mm":10}},{"segment":"SEGMENT_P2","station":"STATION_SEAM_MEDIAL_EDGE","leafletHeight":{"mm":11}}`
	rows := []struct{ why, step, rest, want string }{
		{"the ring lies within", diameter("25.5"), "", "followed: inner antero-posterior diameter of the ring 25.5 mm, answered 16.5 to 26.5 mm"},
		{"the end belongs to the range", diameter("26.5"), "", "followed: "},
		{"half a millimetre above it does not follow", diameter("27"), "", "not followed: inner antero-posterior diameter of the ring 27.0 mm, answered 16.5 to 26.5 mm"},
		{"below neither", diameter("16"), "", "not followed: "},
		{"a label says what it is in the site's own table, as it was answered", ring(`"familyKey":"oval","implantedLabel":30`), "", "followed: inner antero-posterior diameter of the ring 24.0 mm"},
		{"a label of another family means nothing", ring(`"familyKey":"round","implantedLabel":30`), "", "cannot be told: the inner antero-posterior diameter of the ring is not recorded"},
		{"a band sets no such diameter", `{"id":"s","technique":{"annuloplasty":{"kind":"ANNULOPLASTY_KIND_POSTERIOR_BAND"}}}`, "", "cannot be told: a posterior band"},
		{"the height found after the work counts, one end is open", reduction, heights("2026-03-02T10:20:00Z", middle), "followed: height of P2 12.0 mm, answered at least 11.0 mm"},
		{"both edges of a suture line are read together: 10.5", reduction, heights("2026-03-02T10:20:00Z", edges), "not followed: height of P2 10.5 mm, answered at least 11.0 mm"},
		{"a height taken before the question is not what came of it", reduction, heights("2026-03-02T09:40:00Z", middle), "cannot be told: no height of P2 was measured after it"},
		{"nor is none", reduction, "", "cannot be told: no height of P2 was measured after it"},
		{"a chord whose range was not answered", `{"id":"s","plannedStepId":"p-chord","technique":{"artificialChord":{"artificialChordLength":{"mm":18}}}}`, "", "cannot be told: the answer gives no range for it"},
		{"a chord that nobody asked about", `{"id":"s","technique":{"artificialChord":{"artificialChordLength":{"mm":18}}}}`, "", "cannot be told: the answer says nothing of it"},
		{"a technique without a dimension", `{"id":"s","technique":{"cleftClosure":{}}}`, "", "cannot be told: an answer gives no range for such a step"},
	}
	for _, r := range rows {
		file := read(t, `{"operation":{"steps":[`+r.step+`]`+r.rest+`},"advice":[`+answered+`]}`)
		f := FollowedAnswer(file.GetOperation(), file.GetOperation().GetSteps()[0], file.GetAdvice()[0])
		if got := f.Sentence(); !strings.Contains(got, r.want) || strings.HasPrefix(r.want, "followed") != strings.HasPrefix(got, "followed") {
			t.Errorf("%s: %q, want %q", r.why, got, r.want)
		}
	}

	later := read(t, `{"operation":{"steps":[`+diameter("25")+`]},"advice":[`+strings.Replace(answered, `"run":1`, `"run":2`, 1)+`]}`)
	step := later.GetOperation().GetSteps()[0]
	if f := FollowedAnswer(later.GetOperation(), step, later.GetAdvice()[0]); f.Verdict != trigonev1.AnswerFollowed_ANSWER_FOLLOWED_CANNOT_BE_TOLD {
		t.Errorf("a step of run 1 cannot follow an answer of run 2: %+v", f)
	}
	if f := FollowedAnswer(later.GetOperation(), step, nil); !strings.Contains(f.Sentence(), "no such answer is on record") {
		t.Errorf("an answer that is not there: %q", f.Sentence())
	}
}
