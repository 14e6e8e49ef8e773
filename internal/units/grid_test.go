package units

import (
	"errors"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Expected values: decimal arithmetic by hand, a half going away from 0.
func TestRound(t *testing.T) {
	noise := 0.1 + 0.2 // 0.30000000000000004 only outside constants
	rows := []struct {
		value, grid, want float64
		reason            string
	}{
		{2.675, 0.01, 2.68, "stored just below 2.675, meant as the half"},
		{-2.675, 0.01, -2.68, "a half goes away from 0 on both sides"},
		{1.005, 0.01, 1.01, "stored just below 1.005"},
		{2.6749999, 0.01, 2.67, "a true value below the half stays below"},
		{2.674, 0.01, 2.67, "plain rounding down"},
		{2.676, 0.01, 2.68, "plain rounding up"},
		{0.05, 0.1, 0.1, "half of the smallest step"},
		{-0.05, 0.1, -0.1, "half of the smallest step below 0"},
		{0.049, 0.1, 0, "below half of the smallest step"},
		{2.5, 1, 3, "not to even"},
		{3.5, 1, 4, "not to even, the other parity"},
		{-2.5, 1, -3, "not towards plus infinity"},
		{12.5, 5, 15, "a grid above 1"},
		{12.4, 5, 10, "a grid above 1, down"},
		{0.125, 0.25, 0.25, "a grid that is no power of ten"},
		{noise, 0.1, 0.3, "binary noise disappears"},
		{0.285 * 100, 1, 29, "28.499999999999996 is meant as 28.5"},
		{123456.785, 0.01, 123456.79, "the noise grows with the value"},
		{0, 0.01, 0, "0 stays 0"},
	}
	for _, r := range rows {
		t.Run(r.reason, func(t *testing.T) {
			if got := Round(r.value, r.grid); got != r.want || math.Signbit(got) != math.Signbit(r.want) {
				t.Errorf("Round(%v, %v) = %v, want %v", r.value, r.grid, got, r.want)
			}
		})
	}
}

func TestGridRefuses(t *testing.T) {
	rows := []struct {
		value, grid float64
		want        error
		reason      string
	}{
		{1, 0, ErrGrid, "no step"},
		{1, -0.1, ErrGrid, "a step has no sign"},
		{1, math.NaN(), ErrGrid, "no number"},
		{1, math.Inf(1), ErrGrid, "no finite step"},
		{1, 1.0 / 3, ErrGrid, "no finite decimal number"},
		{1, 1e-10, ErrGrid, "more decimals than any measurement"},
		{math.NaN(), 0.1, ErrOffGrid, "no number"},
		{math.Inf(1), 0.1, ErrOffGrid, "not finite"},
		{math.Inf(-1), 0.1, ErrOffGrid, "not finite below 0"},
		{2e12, 1, ErrOffGrid, "beyond what a step count promises"},
		{-2e10, 0.01, ErrOffGrid, "beyond what a step count promises, below 0"},
	}
	for _, r := range rows {
		t.Run(r.reason, func(t *testing.T) {
			if _, err := ToGrid(r.value, r.grid); !errors.Is(err, r.want) {
				t.Errorf("ToGrid(%v, %v) gave error %v, want %v", r.value, r.grid, err, r.want)
			}
			if got := Round(r.value, r.grid); !math.IsNaN(got) {
				t.Errorf("Round(%v, %v) = %v, want not a number", r.value, r.grid, got)
			}
			if got := FormatNumber(r.value, r.grid); got != "not a number" {
				t.Errorf("FormatNumber(%v, %v) = %q", r.value, r.grid, got)
			}
		})
	}
	if got := FromGrid(1, 0); !math.IsNaN(got) {
		t.Errorf("FromGrid on no grid = %v, want not a number", got)
	}
}

func TestDecimals(t *testing.T) {
	for _, r := range []struct {
		grid float64
		want int
	}{{5, 0}, {1, 0}, {100, 0}, {0.5, 1}, {0.1, 1}, {0.25, 2}, {0.05, 2}, {0.07, 2}, {0.01, 2}, {0.001, 3}, {1e-9, 9}, {1.5, 1}} {
		if got, err := Decimals(r.grid); err != nil || got != r.want {
			t.Errorf("Decimals(%v) = %d, %v, want %d", r.grid, got, err, r.want)
		}
	}
}

func TestFormat(t *testing.T) {
	rows := []struct {
		value  float64
		unit   Unit
		grid   float64
		want   string
		reason string
	}{
		{13.94, MM, 0.1, "13.9 mm", "one decimal"},
		{10, MM, 0.1, "10.0 mm", "the zero is kept: it tells the resolution"},
		{-0.04, SignedMM, 0.1, "0.0 mm", "no minus before 0"},
		{-2.35, SignedMM, 0.1, "-2.4 mm", "a half away from 0 below 0"},
		{0.40715, CM2, 0.01, "0.41 cm²", "two decimals"},
		{2.675, CM2, 0.01, "2.68 cm²", "rounds as Round does"},
		{53.13, Percent, 1, "53 %", "no point without decimals"},
		{5.5, MMHg, 1, "6 mmHg", "printable text, not the code"},
		{120.4, Degree, 1, "120°", "no space before the degree sign"},
		{70, PerMin, 1, "70/min", "no space before the stroke"},
		{1.957, One, 0.01, "1.96", "a pure number stands alone"},
		{1234567.5, ML, 0.1, "1234567.5 mL", "no exponent, no grouping"},
	}
	for _, r := range rows {
		t.Run(r.want, func(t *testing.T) {
			if got := Format(r.value, r.unit, r.grid); got != r.want {
				t.Errorf("Format(%v, %v, %v) = %q, want %q: %s", r.value, r.unit, r.grid, got, r.want, r.reason)
			}
		})
	}
}

var grids = []float64{0.001, 0.01, 0.05, 0.1, 0.25, 0.5, 1, 5}

// Against whole-number arithmetic: value = m thousandths, grid = g thousandths.
func TestRoundAgainstWholeNumbers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := rapid.Int64Range(-9_999_999, 9_999_999).Draw(t, "thousandths")
		grid := rapid.SampledFrom(grids).Draw(t, "grid")
		g := int64(math.Round(grid * 1000))
		size := m
		if m < 0 {
			size = -m
		}
		want := (2*size + g) / (2 * g)
		if m < 0 {
			want = -want
		}
		got, err := ToGrid(float64(m)/1000, grid)
		if err != nil || got != want {
			t.Fatalf("ToGrid(%v, %v) = %d, %v, want %d", float64(m)/1000, grid, got, err, want)
		}
	})
}

func TestRoundProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(-1e6, 1e6).Draw(t, "x")
		grid := rapid.SampledFrom(grids).Draw(t, "grid")
		once := Round(x, grid)
		if twice := Round(once, grid); twice != once {
			t.Fatalf("rounding %v again on %v gave %v", once, grid, twice)
		}
		if math.Abs(once-x) > grid/2*(1+1e-6) {
			t.Fatalf("Round(%v, %v) = %v lies more than half a step away", x, grid, once)
		}
		if Round(-x, grid) != -once && once != 0 {
			t.Fatalf("Round(%v, %v) and its negative differ in size", x, grid)
		}
		steps, err := ToGrid(x, grid)
		if err != nil || FromGrid(steps, grid) != once {
			t.Fatalf("%d steps of %v are %v, Round gave %v (%v)", steps, grid, FromGrid(steps, grid), once, err)
		}
		if back, err := ToGrid(FromGrid(steps, grid), grid); err != nil || back != steps {
			t.Fatalf("%d steps of %v came back as %d (%v)", steps, grid, back, err)
		}
		text := FormatNumber(x, grid)
		if parsed, err := strconv.ParseFloat(text, 64); err != nil || parsed != once {
			t.Fatalf("FormatNumber(%v, %v) = %q, Round gave %v", x, grid, text, once)
		}
		decimals, err := Decimals(grid)
		if _, after, _ := strings.Cut(text, "."); err != nil || len(after) != decimals {
			t.Fatalf("FormatNumber(%v, %v) = %q has not %d decimals (%v)", x, grid, text, decimals, err)
		}
	})
}
