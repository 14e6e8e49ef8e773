package statistics

import (
	"math"
	"math/big"
	"testing"

	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

func drawPairs(t *rapid.T, atMost int) [][2]int64 {
	coordinate := rapid.OneOf(rapid.Int64Range(-400, 400), rapid.Int64Range(-1e12, 1e12))
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) [2]int64 {
		return [2]int64{coordinate.Draw(t, "x"), coordinate.Draw(t, "y")}
	}), 0, atMost).Draw(t, "pairs")
}

func sumOf(pairs [][2]int64) Pairs {
	var p Pairs
	for _, pair := range pairs {
		p.Add(pair[0], pair[1])
	}
	return p
}

// Order, splitting and what came and went leave no trace: audit.md 7.
func TestSumsForgetTheirOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pairs := drawPairs(t, 60)
		whole := sumOf(pairs)
		if got := sumOf(rapid.Permutation(pairs).Draw(t, "order")); got != whole {
			t.Fatalf("another order gave %+v, want %+v", got, whole)
		}
		cut := rapid.IntRange(0, len(pairs)).Draw(t, "cut")
		merged := sumOf(pairs[cut:])
		merged.Merge(sumOf(pairs[:cut]))
		if merged != whole {
			t.Fatalf("two parts gave %+v, want %+v", merged, whole)
		}
		for _, pair := range drawPairs(t, 20) {
			whole.Add(pair[0], pair[1])
			whole.Retract(pair[0], pair[1])
		}
		if whole != merged {
			t.Fatalf("added and retracted gave %+v, want %+v", whole, merged)
		}
	})
}

// A million rows against arithmetic in whole numbers of any size.
func TestSumsAreExactOverAMillionRows(t *testing.T) {
	var p Pairs
	n, d, dd := int64(1_000_000), new(big.Int), new(big.Int)
	for i := range n {
		// Values near 1e11 that differ by a few steps: squares near 1e22 leave a double
		// nothing to tell the differences by.
		x := 100_000_000_000 + i%997
		y := x + (i*7919)%13 - 6
		p.Add(x, y)
		diff := big.NewInt(y - x)
		d.Add(d, diff)
		dd.Add(dd, diff.Mul(diff, diff))
	}
	wantBias, _ := new(big.Rat).SetFrac(d, big.NewInt(n)).Float64()
	scatter := new(big.Int).Mul(big.NewInt(n), dd)
	scatter.Sub(scatter, new(big.Int).Mul(d, d))
	variance, _ := new(big.Rat).SetFrac(scatter, big.NewInt(n*(n-1))).Float64()
	if bias, _ := p.Bias(); bias != wantBias {
		t.Errorf("bias %v, want %v", bias, wantBias)
	}
	if sd, _ := p.SD(); sd != math.Sqrt(variance) {
		t.Errorf("SD %v, want %v", sd, math.Sqrt(variance))
	}
}

// The pattern of NIST StRD NumAcc4 (from memory): 1001 values near 1e7 with an SD of
// 0.1, here in steps of 0.1.
func TestNumAcc4(t *testing.T) {
	var p Pairs
	p.Add(0, 100_000_002)
	for range 500 {
		p.Add(0, 100_000_001)
		p.Add(0, 100_000_003)
	}
	sd, err := p.SD()
	if err != nil || math.Abs(sd*0.1-0.1) > 1e-15 {
		t.Errorf("SD %v, %v, want 0.1", sd*0.1, err)
	}
}

// gonum's two-pass sums are the outside reference on plain values.
func TestAgainstAnotherLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pairs := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) [2]int64 {
			return [2]int64{rapid.Int64Range(-500, 500).Draw(t, "x"), rapid.Int64Range(-500, 500).Draw(t, "y")}
		}), 3, 40).Draw(t, "pairs")
		var x, d, m []float64
		for _, pair := range pairs {
			x = append(x, float64(pair[0]))
			d = append(d, float64(pair[1]-pair[0]))
			m = append(m, float64(pair[1]+pair[0])/2)
		}
		p := sumOf(pairs)
		mean, sd := stat.MeanStdDev(d, nil)
		same(t, "bias", first(p.Bias()), mean)
		same(t, "SD", first(p.SD()), sd)
		if stat.Variance(x, nil) > 0 {
			line, err := p.OnPlan()
			intercept, slope := stat.LinearRegression(x, d, nil, false)
			same(t, "slope on the plan", line.Slope, slope)
			same(t, "intercept on the plan", line.Intercept, intercept)
			if err != nil {
				t.Fatal(err)
			}
		}
		if stat.Variance(m, nil) > 0 {
			line, err := p.OnMean()
			intercept, slope := stat.LinearRegression(m, d, nil, false)
			same(t, "slope on the mean", line.Slope, slope)
			same(t, "intercept on the mean", line.Intercept, intercept)
			if err != nil {
				t.Fatal(err)
			}
		}
		// RMSE^2 = bias^2 + SD^2 (n-1)/n: audit.md A16.
		rms, n := first(p.RootMeanSquare()), float64(len(d))
		same(t, "RMSE", rms*rms, mean*mean+sd*sd*(n-1)/n)
	})
}

type failer interface {
	Helper()
	Errorf(string, ...any)
}

func same(t failer, what string, got, want float64) {
	t.Helper()
	near(t, what, got, want, 1e-9*(1+math.Abs(want)))
}

func near(t failer, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

func first(v float64, err error) float64 {
	if err != nil {
		return math.NaN()
	}
	return v
}
