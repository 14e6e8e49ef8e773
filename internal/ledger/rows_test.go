package ledger

import (
	"math/rand/v2"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	"trigone/internal/discrepancy"
	"trigone/internal/metric"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

func TestFactsAreTakenApartAndJoined(t *testing.T) {
	random := rand.New(rand.NewPCG(2, 1))
	for _, name := range testdata.Names(testdata.Cases) {
		want := Facts(stateOf(t, name, rarely))
		row, children, err := taken(want)
		if err != nil {
			t.Fatal(err)
		}
		if want.GetFindings() == nil && want.GetEchoes() == nil {
			t.Fatalf("%s has nothing to take apart", name)
		}
		shuffle(random, children) // a store orders them by kind and section
		got, err := joined(*row, children)
		if err != nil {
			t.Fatal(err)
		}
		if !proto.Equal(got, want) {
			t.Errorf("%s: joined again it is another\ngot  %v\nwant %v", name, got, want)
		}
	}
	if _, err := joined(storage.Facts{}, []storage.Child{{Kind: 99}}); err == nil {
		t.Error("a kind of rows that nobody knows was passed over")
	}
}

func TestKindsOfChildRowsAreOnce(t *testing.T) {
	var numbers []int
	for _, k := range childKinds {
		if (&trigonev1.CaseFacts{}).ProtoReflect().Descriptor().Fields().ByName(k.field) == nil || slices.Contains(numbers, k.number) {
			t.Errorf("kind %d, %s: no field of the facts, or a number used twice", k.number, k.field)
		}
		numbers = append(numbers, k.number)
	}
}

// The discrepancies of an answer are read back from the rows word for word, whether
// it has comparisons or is of an earlier version.
func TestDiscrepanciesAreReadBackFromRows(t *testing.T) {
	for _, earlier := range []bool{false, true} {
		seen := 0
		for _, name := range testdata.Names(testdata.Cases) {
			s := stateOf(t, name)
			if earlier {
				s.Evaluation.Comparisons = nil
			}
			rows, err := Projection{}.Rows(nil, s)
			if err != nil {
				t.Fatal(err)
			}
			want := s.Evaluation.GetDiscrepancies()
			for _, row := range rows.Comparisons {
				if !slices.Contains(discrepancyVerdicts, row.Verdict) || row.Class == 0 {
					continue
				}
				got, err := discrepancyOf(row)
				if err != nil {
					t.Fatal(err)
				}
				if len(want) == 0 || !proto.Equal(got.GetDiscrepancy(), want[0]) {
					t.Fatalf("%s (earlier: %t): got %v\nwant %v", name, earlier, got, want)
				}
				want = want[1:]
				seen++
			}
			if len(want) > 0 {
				t.Errorf("%s (earlier: %t): %d discrepancies have no row", name, earlier, len(want))
			}
		}
		if seen < 50 {
			t.Errorf("only %d discrepancies were looked at", seen)
		}
	}
}

// Every number of a row is that of the answer, and its words have their numbers.
func TestRowsHoldTheNumbersOfTheAnswer(t *testing.T) {
	value := proto.Float64(12.34)
	c := &trigonev1.Comparison{
		Id: "c1", Kind: trigonev1.ComparisonKind_COMPARISON_KIND_AIM, Verdict: trigonev1.ComparisonVerdict_COMPARISON_VERDICT_PRESENT,
		Class: "target_missed", Metric: string(metric.CoaptationLength.ID), PlannedValue: value, ActualValue: proto.Float64(9),
		Lower: value, Upper: value, Tolerance: proto.Float64(0), Reason: "judgement", ThingPlanned: "aim:t1",
	}
	row, err := comparisonRow(3, c, nil)
	if err != nil {
		t.Fatal(err)
	}
	_, grid, _ := metric.Describe(metric.CoaptationLength.ID)
	switch {
	case row.Order != 3 || *row.Planned != 12.34 || *row.Tolerance != 0 || row.Margin != nil:
		t.Errorf("numbers: %+v", row)
	case *row.PlannedSteps != int64(12.34/grid+0.5) || *row.ActualSteps != int64(9/grid):
		t.Errorf("steps of the grid %v: %d and %d", grid, *row.PlannedSteps, *row.ActualSteps)
	case row.Class != 8 || row.Reason != int(trigonev1.DeviationReason_DEVIATION_REASON_JUDGEMENT) || !row.Root:
		t.Errorf("words: %+v", row)
	}
	for _, r := range []struct {
		why   string
		class string
		word  string
		want  int
	}{
		{"a run has reasons of its own", "further_pump_run", "stenosis", int(trigonev1.RunReason_RUN_REASON_STENOSIS)},
		{"a conversion too", "conversion", "tissue", int(trigonev1.ConversionReason_CONVERSION_REASON_TISSUE)},
		{"the name of an enum value is read as its word", "step_omitted", "DEVIATION_REASON_ANATOMY", int(trigonev1.DeviationReason_DEVIATION_REASON_ANATOMY)},
		{"none", "step_omitted", "", 0},
	} {
		if got := reasonNumber(&trigonev1.Comparison{Class: r.class, Reason: r.word}); got != r.want {
			t.Errorf("%s: %d, want %d", r.why, got, r.want)
		}
	}
}

// Whatever an invented case compares is found under its name.
func TestWhatIsComparedHasANumber(t *testing.T) {
	other := map[string]bool{}
	for _, name := range testdata.Names(testdata.Cases) {
		for _, c := range stateOf(t, name).Evaluation.GetComparisons() {
			if c.GetMetric() == "" {
				continue
			}
			row, err := comparisonRow(0, c, nil)
			if err != nil || row.Metric == 0 {
				t.Errorf("%s: %s compares %s, which has no number (%v)", name, c.GetId(), c.GetMetric(), err)
			}
			if len(unknownMetrics([]string{c.GetMetric()})) > 0 {
				t.Errorf("%s: a list by %s is refused", name, c.GetMetric())
			}
			if row.Metric == discrepancy.ParameterNumber(c.GetMetric()) {
				other[c.GetMetric()] = true
			}
		}
	}
	if len(other) < 10 || !other["anterior_motion"] || !other["pair_count"] {
		t.Errorf("compared beside leaves and metrics were only %v", other)
	}
	if len(unknownMetrics([]string{"weather"})) == 0 {
		t.Error("a word that is never compared was taken")
	}
}

// BenchmarkRows is what a write costs for the ledger's rows, beside its evaluation.
func BenchmarkRows(b *testing.B) {
	s := stateOf(b, "several-differences")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := (Projection{}).Rows(nil, s); err != nil {
			b.Fatal(err)
		}
	}
}
