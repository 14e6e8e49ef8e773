package render

import (
	"bytes"
	"encoding/csv"
	"slices"
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

// What is drawn of agreement: ranges first, then each figure with pairs; a range that
// holds less often than it promises is said so in the title.
func TestAgreementPlots(t *testing.T) {
	inside := func(k, of int32, lower, upper float64, enough bool) *trigonev1.RangeFigure {
		return &trigonev1.RangeFigure{Inside: &trigonev1.ShareFigure{Count: k, Of: of, Share: &trigonev1.Figure{Value: number64(float64(k) / float64(of)), Lower: &lower, Upper: &upper}}, BelowCount: of - k, Enough: enough}
	}
	predicted := trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_PLAN
	whole := &trigonev1.Agreement{
		Kind: predicted, Metric: "coaptation_length", Place: "a2_p2", Unit: "mm", PairCount: 12, Sentence: "Shorter than predicted.",
		Bias: &trigonev1.Figure{Value: number64(-1), Lower: number64(-1.5), Upper: number64(-0.5)}, InRange: inside(80, 100, 0.71, 0.87, true),
		Points: []*trigonev1.PairPoint{{Planned: 8, Measured: 6}},
	}
	aim := &trigonev1.Agreement{Kind: trigonev1.ComparisonKind_COMPARISON_KIND_AIM, Metric: "mean_gradient", Unit: "mm[Hg]", InRange: inside(3, 4, 0.3, 0.95, false)}
	for _, r := range []struct {
		reason string
		list   []*trigonev1.Agreement
		titles []string
		says   string
	}{
		{"nothing", nil, []string{"How far results lie from plans and predictions can't be told."}, "no comparison has numbers on both sides"},
		{"a range that holds too rarely", []*trigonev1.Agreement{whole}, []string{"Of 1 printed 95 % ranges that can be judged, held less often than promised: 1; more often: 0.", "Shorter than predicted."}, "measured minus predicted, mm"},
		{"an aim promises nothing", []*trigonev1.Agreement{aim}, []string{"Of 4 aims with a measured value 3 lie in the ranges aimed at."}, "3 of 4 inside"},
		{"too few to say", []*trigonev1.Agreement{{Kind: predicted, Metric: "mean_gradient", InRange: inside(9, 10, 0.5, 0.99, false)}}, []string{"There are too few patients to say how often the printed 95 % ranges hold."}, "too few to say"},
	} {
		list := AgreementPlots(&trigonev1.SummarizeAgreementResponse{Agreements: r.list})
		var titles, texts []string
		for _, p := range list {
			titles, texts = append(titles, p.Title), append(texts, p.Texts()...)
		}
		if !slices.Equal(titles, r.titles) || !strings.Contains(strings.Join(texts, " "), r.says) {
			t.Errorf("%s: %q, %q", r.reason, titles, texts)
		}
	}
	var many []*trigonev1.Agreement
	for range mostPlots + 5 {
		many = append(many, whole)
	}
	list := AgreementPlots(&trigonev1.SummarizeAgreementResponse{Agreements: many})
	if last := list[len(list)-1]; len(list) != mostPlots+1 || last.Title != "24 of 30 plots are drawn." {
		t.Errorf("%d plots, the last %q", len(list), last.Title)
	}
}
