package render

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"

	trigonev1 "trigone/proto/trigone/v1"
)

func outcomesAnswer() *trigonev1.SummarizeOutcomesResponse {
	share := func(count, of int32) *trigonev1.ShareFigure {
		return &trigonev1.ShareFigure{Count: count, Of: of, Share: &trigonev1.Figure{Value: number64(float64(count) / float64(of)), Lower: number64(0.01), Upper: number64(0.2)}}
	}
	return &trigonev1.SummarizeOutcomesResponse{
		PatientCount: 40, EligibleCaseCount: 41, LeftOut: []*trigonev1.LeftOut{{Reason: "later_operation_of_the_same_patient", Count: 1}},
		Outcomes: []*trigonev1.OutcomeFigure{
			{Outcome: "conversion", Title: "Conversion to replacement", Sentence: "3 of 40 patients ...", Share: share(3, 40), NotKnownCount: 2,
				LowestShare: number64(3.0 / 42), HighestShare: number64(5.0 / 42), Parts: []*trigonev1.OutcomePart{{Kind: "reason", Word: "stenosis", Share: share(1, 3)}}},
			{Outcome: "clamp_first_run", Title: "Cross-clamp time", Unit: "min", MeasuredCount: 40, Sentence: "In 40 patients ...",
				Mean: &trigonev1.Figure{Value: number64(80.5), Lower: number64(70), Upper: number64(91)}, Median: &trigonev1.Figure{Value: number64(79)}, LowerQuartile: number64(60), UpperQuartile: number64(95)},
			{Outcome: "operative_mortality", Title: "Operative mortality", Sentence: "2 of 22 patients ...", ExactInterval: true, NotKnownCount: 20,
				Share: &trigonev1.ShareFigure{Count: 2, Of: 2, Share: &trigonev1.Figure{NotEvaluableBecause: "of 20 of 22 it is not known"}}},
			{Outcome: "complication_stroke", Title: "Stroke", Sentence: "None of 40 ...", ExactInterval: true, Share: share(0, 40)},
		},
	}
}

// What a reader of others makes of the sheet is what was answered; absent is empty.
func TestOutcomesSheet(t *testing.T) {
	sheet := Sheet{Basis: trigonev1.Basis_BASIS_STORED}
	var out, dictionary bytes.Buffer
	if err := OutcomesCSV(&out, outcomesAnswer(), sheet); err != nil {
		t.Fatal(err)
	}
	if err := OutcomesDictionary(&dictionary, sheet); err != nil {
		t.Fatal(err)
	}
	lines, err := csv.NewReader(&out).ReadAll()
	if err != nil || len(lines) != 6 {
		t.Fatal(lines, err)
	}
	meanings, err := csv.NewReader(&dictionary).ReadAll()
	if err != nil || len(meanings) != len(lines[0])+2 {
		t.Fatalf("%d lines for %d columns: %v", len(meanings), len(lines[0]), err)
	}
	column := map[string]int{}
	for i, name := range lines[0] {
		if _, twice := column[name]; twice || meanings[i+2][0] != name || meanings[i+2][1] == "" {
			t.Errorf("column %s, %v", name, meanings[i+2])
		}
		column[name] = i
	}
	for _, want := range []struct {
		line         int
		column, cell string
	}{
		{1, "count", "3"}, {1, "of", "40"}, {1, "share", "0.075"}, {1, "not_known", "2"}, {1, "mean", ""}, {1, "unit", ""}, {1, "interval", "score"},
		{2, "says", ""}, {2, "part_kind", "reason"}, {2, "part", "stenosis"}, {2, "count", "1"}, {2, "of", "3"}, {2, "not_known", ""},
		{3, "count", ""}, {3, "of", ""}, {3, "mean", "80.5"}, {3, "median", "79"}, {3, "upper_quartile", "95"}, {3, "measured", "40"},
		{4, "count", "2"}, {4, "share", ""}, {4, "share_upper", ""}, {4, "interval", "exact"},
		{5, "count", "0"}, {5, "share", "0"},
	} {
		if got := lines[want.line][column[want.column]]; got != want.cell {
			t.Errorf("line %d, %s is %q, want %q", want.line, want.column, got, want.cell)
		}
	}
}

func TestOutcomesPrinted(t *testing.T) {
	var out bytes.Buffer
	Outcomes(&out, outcomesAnswer())
	text := out.String()
	for _, want := range []string{
		"Of 41 cases operated on up to", "40 patients are counted", "1 case left out: later operation of the same patient", "- 3 of 40 patients ...",
		"Not recorded in any patient in the stay: stroke.", "2 of 2 ", "80.50 min (70.00 to 91.00)", "reason: stenosis",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	if strings.Contains(text, "None of 40") {
		t.Errorf("each complication that nobody had is told apart:\n%s", text)
	}
	out.Reset()
	Outcomes(&out, &trigonev1.SummarizeOutcomesResponse{})
	if !strings.Contains(out.String(), "no patient was operated on among these cases") || strings.Contains(out.String(), "The numbers") {
		t.Errorf("of nothing:\n%s", out.String())
	}
}
