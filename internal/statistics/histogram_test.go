package statistics

import (
	"errors"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// NIST/SEMATECH e-Handbook 7.2.6.2, twelve wafers, read in a secondary page: the 90 %
// point by definition 7 is 95.1957. Steps of 0.0001.
func TestQuantileOfWafers(t *testing.T) {
	var h Histogram
	for _, steps := range []int64{951772, 951567, 951937, 951959, 951442, 950610, 951591, 951195, 951065, 950925, 951990, 951682} {
		h.Add(steps)
	}
	got, err := h.Quantile(0.9)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "90 % point", got/10000, 95.1957, 5e-5)
	if _, err := (Histogram{}).Quantile(0.5); !errors.Is(err, NoPairs) {
		t.Errorf("the middle of nothing: %v", err)
	}
}

func TestHistogramAgainstTheSortedList(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Int64Range(-30, 30), 1, 60).Draw(t, "values")
		var whole, parts Histogram
		for _, v := range values {
			whole.Add(v)
		}
		cut := rapid.IntRange(0, len(values)).Draw(t, "cut")
		var rest Histogram
		for i, v := range rapid.Permutation(values).Draw(t, "order") {
			if i < cut {
				parts.Add(v)
			} else {
				rest.Add(v)
			}
		}
		parts.Merge(rest)
		for _, v := range rapid.SliceOfN(rapid.Int64Range(-40, 40), 0, 10).Draw(t, "passing") {
			parts.Add(v)
			parts.Retract(v)
		}
		if !parts.Equal(whole) {
			t.Fatalf("parts hold %v, the whole %v", parts.Bins(), whole.Bins())
		}
		sorted := slices.Sorted(slices.Values(values))
		floats := make([]float64, len(sorted))
		for i, v := range sorted {
			floats[i] = float64(v)
		}
		p := rapid.Float64Range(0, 1).Draw(t, "p")
		same(t, "quantile", first(whole.Quantile(p)), quantile7(floats, p))
		same(t, "least", first(whole.Quantile(0)), floats[0])
		same(t, "greatest", first(whole.Quantile(1)), floats[len(floats)-1])
		low := rapid.Int64Range(-35, 35).Draw(t, "low")
		want := 0
		for _, v := range values {
			if low <= v && v <= low+7 {
				want++
			}
		}
		if got := whole.Within(low, low+7); got != (Share{want, len(values)}) {
			t.Fatalf("within %d and %d: %v, want %d of %d", low, low+7, got, want, len(values))
		}
	})
}

// Ranks that hold the median, by the binomial distribution: of six values the least and
// the largest (1 - 2/2^6 = 0.969), of ten the second and the ninth, of twenty the sixth
// and the fifteenth (common tables of the sign test, from memory).
func TestMedianInterval(t *testing.T) {
	for _, r := range []struct {
		n         int
		low, high float64
	}{{6, 1, 6}, {10, 2, 9}, {20, 6, 15}} {
		var h Histogram
		for v := r.n; v > 0; v-- {
			h.Add(int64(v))
		}
		if got, err := h.MedianInterval(); err != nil || got != (Interval{r.low, r.high}) {
			t.Errorf("of %d: %v, %v, want %v to %v", r.n, got, err, r.low, r.high)
		}
	}
	for n := range 6 {
		var h Histogram
		for v := range n {
			h.Add(int64(v))
		}
		if got, err := h.MedianInterval(); err == nil {
			t.Errorf("of %d values: %v", n, got)
		}
	}
}
