package render

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"

	trigonev1 "trigone/proto/trigone/v1"
)

func number64(v float64) *float64 { return &v }

// What a reader of others makes of the sheet is what was answered; absent is empty.
func TestAgreementSheet(t *testing.T) {
	r := &trigonev1.SummarizeAgreementResponse{Agreements: []*trigonev1.Agreement{
		{
			Kind: trigonev1.ComparisonKind_COMPARISON_KIND_HEIGHT, Metric: "height", Place: "p2", Unit: "mm", PatientCount: 12, PairCount: 12, Sentence: "In 12 patients ...",
			Bias:            &trigonev1.Figure{Value: number64(-0.25), Lower: number64(-1), Upper: number64(0.5)},
			Concordance:     &trigonev1.Figure{NotEvaluableBecause: "all values are equal"},
			WithinTolerance: &trigonev1.ShareFigure{Count: 11, Of: 12, Share: &trigonev1.Figure{Value: number64(11.0 / 12), Lower: number64(0.6), Upper: number64(0.99)}},
		},
		{Kind: trigonev1.ComparisonKind_COMPARISON_KIND_AIM, Stratum: &trigonev1.Stratum{Kind: "technique", Word: "chords"},
			InRange: &trigonev1.RangeFigure{Inside: &trigonev1.ShareFigure{Count: 0, Of: 3, Share: &trigonev1.Figure{Lower: number64(0), Upper: number64(0.7)}}, BelowCount: 3}},
	}}
	sheet := Sheet{Basis: trigonev1.Basis_BASIS_STORED, Invented: true}
	var out, dictionary bytes.Buffer
	if err := AgreementCSV(&out, r, sheet); err != nil {
		t.Fatal(err)
	}
	if err := AgreementDictionary(&dictionary, sheet); err != nil {
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
			if _, twice := out[name]; twice {
				t.Errorf("two columns are called %s", name)
			}
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
		{1, "bias", "-0.25"}, {1, "bias_lower", "-1"}, {1, "bias_upper", "0.5"}, {1, "sd", ""}, {1, "concordance", ""},
		{1, "within_tolerance", "11"}, {1, "within_tolerance_of", "12"}, {1, "inside_range", ""}, {1, "below_range", ""}, {1, "stratum", ""}, {1, "kind", "height"},
		{2, "inside_range", "0"}, {2, "inside_range_of", "3"}, {2, "below_range", "3"}, {2, "above_range", "0"}, {2, "stratum", "chords"}, {2, "bias", ""}, {2, "data", "invented"},
	} {
		if got := cells(want.line)[want.column]; got != want.cell {
			t.Errorf("line %d, %s: %q, want %q", want.line, want.column, got, want.cell)
		}
	}
}

func TestAgreementPage(t *testing.T) {
	var out bytes.Buffer
	Agreement(&out, &trigonev1.SummarizeAgreementResponse{
		Context: &trigonev1.AuditContext{Invented: true, Caution: "Not a verdict."}, EligibleCaseCount: 1, RetractedCaseCount: 2, ErasedCaseCount: 1, LeftOut: []*trigonev1.LeftOut{{Reason: "no_plan_in_force", Count: 1}},
	})
	for _, want := range []string{"Invented cases", "Of 1 case operated on", "2 cases are retracted", "Of 1 case of the", "1 case left out: no plan in force", "no comparison"} {
		if !strings.Contains(strings.Join(strings.Fields(out.String()), " "), want) {
			t.Errorf("%q is missing in\n%s", want, out.String())
		}
	}
}
