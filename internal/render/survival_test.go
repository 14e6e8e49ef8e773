package render

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"

	trigonev1 "trigone/proto/trigone/v1"
)

func curves() *trigonev1.EstimateFreedomResponse {
	return &trigonev1.EstimateFreedomResponse{
		Context: &trigonev1.AuditContext{Invented: true, Caution: "Not a verdict."}, EligibleCaseCount: 41, ReplacedPatientCount: 2, ReplacedPatientDeathCount: 1, UndatedCaseCount: 1,
		RetractedCaseCount: 1, LeftOut: []*trigonev1.LeftOut{{Reason: "valve_replaced_in_theatre", Count: 2}}, StrataCount: 1,
		Curves: []*trigonev1.EventCurve{
			{Event: trigonev1.FollowedEvent_FOLLOWED_EVENT_DEATH, Sentence: "Of 100 patients ...", PatientCount: 39, EventCount: 1, Completeness: &trigonev1.Figure{Value: number64(0.5)},
				Points: []*trigonev1.EventCurvePoint{
					{Day: 0, AtRiskCount: 39, Share: &trigonev1.Figure{Value: number64(0), Lower: number64(0), Upper: number64(0.09)}},
					{Day: 365, AtRiskCount: 20, EventCount: 1, Share: &trigonev1.Figure{Value: number64(0.03), Lower: number64(0.004), Upper: number64(0.19)}},
					{Day: 1826, AtRiskCount: 0, EventCount: 1, Share: &trigonev1.Figure{NotEvaluableBecause: "fewer than 10"}},
				}},
			{Event: trigonev1.FollowedEvent_FOLLOWED_EVENT_RECURRENCE, CompetingRisks: true, Sentence: "Nobody ...", Stratum: &trigonev1.Stratum{Kind: "technique", Word: "chords"},
				LeftOut: []*trigonev1.LeftOut{{Reason: "no_echo_with_a_grade", Count: 3}}, Points: []*trigonev1.EventCurvePoint{{Share: &trigonev1.Figure{NotEvaluableBecause: "fewer than 10"}}}},
		},
	}
}

func TestEventCurvesPage(t *testing.T) {
	var out bytes.Buffer
	EventCurves(&out, curves())
	text := strings.Join(strings.Fields(out.String()), " ")
	for _, want := range []string{
		"Invented cases", "41 cases operated on", "In 2 patients the valve was replaced in theatre: they leave on day 0; 1 of them died since.", "1 case is retracted",
		"1 operated case of the site has no time of incision", "2 cases left out: valve replaced in theatre", "- Of 100 patients ...", "- Technique: chords. Nobody ...",
		"Death all 1 year 20 1 3.0 (0.4 to 19.0) -", "Death all 0 days 39 0 0.0 (0.0 to 9.0) -", "Technique: chords. Recurrence: 3 patients left out: no echo with a grade", "1 stratum was looked at", "Not a verdict.",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, out.String())
		}
	}
	if strings.Contains(text, "5 years") {
		t.Error("a day on which nobody was followed has a line")
	}
}

func TestEventCurvesSheet(t *testing.T) {
	sheet := Sheet{Basis: trigonev1.Basis_BASIS_STORED, Invented: true}
	var out, dictionary bytes.Buffer
	if err := EventCurvesCSV(&out, curves(), sheet); err != nil {
		t.Fatal(err)
	}
	if err := EventCurvesDictionary(&dictionary, sheet); err != nil {
		t.Fatal(err)
	}
	lines, err := csv.NewReader(&out).ReadAll()
	if err != nil || len(lines) != 5 {
		t.Fatal(lines, err)
	}
	meanings, err := csv.NewReader(&dictionary).ReadAll()
	if err != nil || len(meanings) != len(lines[0])+2 {
		t.Fatalf("%d lines for %d columns: %v", len(meanings), len(lines[0]), err)
	}
	cell := func(line int, column string) string {
		for i, name := range lines[0] {
			if name == column {
				return lines[line][i]
			}
		}
		t.Errorf("no column is called %s", column)
		return ""
	}
	for _, want := range []struct {
		line         int
		column, cell string
	}{
		{1, "event", "death"}, {1, "day", "0"}, {1, "share", "0"}, {1, "share_upper", "0.09"}, {2, "share_lower", "0.004"}, {2, "at_risk", "20"}, {2, "events_so_far", "1"},
		{3, "share", ""}, {3, "at_risk", "0"}, {4, "earliest_share", ""}, {4, "method", "cumulative_incidence"}, {1, "method", "product_limit"}, {4, "stratum", "chords"}, {1, "completeness", "0.5"}, {1, "data", "invented"},
	} {
		if got := cell(want.line, want.column); got != want.cell {
			t.Errorf("line %d, %s: %q, want %q", want.line, want.column, got, want.cell)
		}
	}
}
