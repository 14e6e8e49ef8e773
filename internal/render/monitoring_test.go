package render

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"

	trigonev1 "trigone/proto/trigone/v1"
)

func followedOutcome() *trigonev1.MonitorOutcomesResponse {
	return &trigonev1.MonitorOutcomesResponse{
		Context: &trigonev1.AuditContext{Invented: true, Caution: "Not a verdict."}, Sentence: "1 signal on 1 of 1 chart that can signal.",
		OperationCount: 5, UndatedCaseCount: 1, RetractedCaseCount: 2, ErasedCaseCount: 1, PolicyFalseAlarmsAYear: number64(0.333),
		Charts: []*trigonev1.MonitoringChart{
			{
				Outcome: "any_failure", Kind: trigonev1.MonitoringChartKind_MONITORING_CHART_KIND_FIXED_RATES, Sentence: "1 signal: more than expected.", Notes: []string{"A note."},
				LeftOut: []*trigonev1.LeftOut{{Reason: "repair_not_intended", Count: 1}},
				Upper:   &trigonev1.MonitoringArm{OddsRatio: 2, Limit: 3.2, InControlCases: 1206.4, InControlMonths: number64(254), OutOfControlCases: 71.6},
				Lower:   &trigonev1.MonitoringArm{OddsRatio: 0.5, Limit: 2.8, InControlCases: 1201, OutOfControlCases: 130},
				Points: []*trigonev1.MonitoringPoint{
					{CaseName: "sites/harbour/cases/a", State: trigonev1.MonitoringPointState_MONITORING_POINT_STATE_FAILED, Upper: number64(3.3), Lower: number64(0), Worst: number64(3.3), UpperSignal: true, Risk: number64(0.05)},
					{CaseName: "sites/harbour/cases/b", State: trigonev1.MonitoringPointState_MONITORING_POINT_STATE_GAP, Upper: number64(0), Worst: number64(0.64)},
				},
				PointsBeforeCount: 40,
			},
			{Outcome: "conversion", Operator: "op-7", Kind: trigonev1.MonitoringChartKind_MONITORING_CHART_KIND_PICTURE, Sentence: "A picture."},
		},
		Learning: &trigonev1.LearningChart{Sentence: "The test can't tell yet."},
	}
}

func TestMonitoringPage(t *testing.T) {
	var out bytes.Buffer
	Monitoring(&out, followedOutcome())
	page := strings.Join(strings.Fields(out.String()), " ")
	for _, want := range []string{
		"Invented cases", "1 signal on 1 of 1 chart that can signal.", "Of 5 operations up to", "1 operation has no time of incision", "2 cases are retracted", "Of 1 case of the site",
		"0.33 false alarms a year", "Any failure ----------- 1 signal: more than expected. - A note. - 1 operation not on it: repair not intended.", "Conversion, op-7", "The test can't tell yet.",
		"Any failure odds of 2 3.20 0.00 1206 operations (254 months) 72 operations", "odds of 0.5 2.80 - 1201 operations 130 operations", "Not a verdict.",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("%q is missing in\n%s", want, out.String())
		}
	}
}

// What a reader of others makes of the sheet is what was answered; absent is empty, and a
// chart of which there is no point has no line.
func TestMonitoringSheet(t *testing.T) {
	sheet := Sheet{Basis: trigonev1.Basis_BASIS_STORED, Invented: true}
	var out, dictionary bytes.Buffer
	if err := MonitoringCSV(&out, followedOutcome(), sheet); err != nil {
		t.Fatal(err)
	}
	if err := MonitoringDictionary(&dictionary, sheet); err != nil {
		t.Fatal(err)
	}
	lines, err := csv.NewReader(&out).ReadAll()
	if err != nil || len(lines) != 3 {
		t.Fatal(lines, err)
	}
	meanings, err := csv.NewReader(&dictionary).ReadAll()
	if err != nil || len(meanings) != len(lines[0])+2 {
		t.Fatalf("%d lines for %d columns: %v", len(meanings), len(lines[0]), err)
	}
	cells := func(line int) map[string]string {
		out := map[string]string{}
		for i, name := range lines[0] {
			if meanings[i+2][0] != name || meanings[i+2][1] == "" {
				t.Errorf("the dictionary says %q of %s", meanings[i+2], name)
			}
			out[name] = lines[line][i]
		}
		return out
	}
	for _, want := range []struct {
		line         int
		column, cell string
	}{
		{1, "number", "41"}, {1, "outcome_state", "failed"}, {1, "upper", "3.3"}, {1, "upper_limit", "3.2"}, {1, "upper_signal", "true"}, {1, "lower", "0"}, {1, "risk", "0.05"},
		{2, "number", "42"}, {2, "outcome_state", "gap"}, {2, "risk", ""}, {2, "lower", ""}, {2, "worst", "0.64"}, {2, "upper_signal", "false"}, {2, "case_name", "sites/harbour/cases/b"}, {2, "data", "invented"},
	} {
		if got := cells(want.line)[want.column]; got != want.cell {
			t.Errorf("line %d, %s: %q, want %q", want.line, want.column, got, want.cell)
		}
	}
}
