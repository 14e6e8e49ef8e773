package statistics

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
)

// Steiner et al., Biostatistics 2000;1:441-452, p. 446, and Steiner 2014 p. 234, read in
// secondary pages: risk by logit p = -3.68 + 0.077 score.
func TestWeightsOfRiskCUSUM(t *testing.T) {
	risk := func(score float64) float64 { return 1 / (1 + math.Exp(3.68-0.077*score)) }
	for _, r := range []struct {
		trial                   Trial
		doubled, halved, excess float64
	}{
		{Trial{risk(0), false}, -0.024, 0.012, -0.025},
		{Trial{risk(0), true}, 0.669, -0.681, 0.975},
		{Trial{risk(50), false}, -0.433, 0.316, -0.542},
		{Trial{risk(50), true}, 0.260, -0.377, 0.458},
	} {
		doubled, err := RiskCUSUM{2}.Weight(r.trial)
		halved, err2 := RiskCUSUM{0.5}.Weight(r.trial)
		if err != nil || err2 != nil {
			t.Fatal(err, err2)
		}
		near(t, "doubled odds", doubled, r.doubled, 6e-4)
		near(t, "halved odds", halved, r.halved, 6e-4)
		near(t, "observed minus expected", -VLAD([]Trial{r.trial})[0], r.excess, 6e-4)
	}
	for _, risk := range []float64{0, 1, math.NaN()} {
		if _, err := (RiskCUSUM{2}).Weight(Trial{Risk: risk}); !errors.Is(err, CertainRisk) {
			t.Errorf("risk %v: %v", risk, err)
		}
	}
}

func TestRunLengthOfRiskCUSUM(t *testing.T) {
	// A limit below the weight of a failure signals at the first one: after 1/p cases.
	for _, p := range []float64{0.05, 0.01, 0.2} {
		run, err := RiskCUSUM{2}.RunLength([]float64{p}, 0.3, 1)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "first failure", run.Cases, 1/p, 1e-6/p)
	}
	mix := []float64{0.10, 0.12, 0.12, 0.12, 0.12, 0.12, 0.14, 0.14, 0.14, 0.14}
	for _, r := range []struct{ limit, actual float64 }{{1.5, 1}, {1.5, 2}, {2.9, 2}, {2.9, 1}} {
		run, err := RiskCUSUM{2}.RunLength(mix, r.limit, r.actual)
		if err != nil {
			t.Fatal(err)
		}
		mean, se := simulatedRun(mix, r.limit, r.actual)
		t.Logf("limit %v, odds %v: %.2f (coarser %.2f off), simulated %.2f, SE %.2f", r.limit, r.actual, run.Cases, run.Error, mean, se)
		if off := math.Abs(run.Cases - mean); off > 4*se+run.Error+0.005*mean {
			t.Errorf("limit %v, odds %v: %v cases, simulated %v, SE %v", r.limit, r.actual, run.Cases, mean, se)
		}
	}
}

func simulatedRun(mix []float64, limit, actual float64) (mean, se float64) {
	r := rand.New(rand.NewPCG(1, 2))
	c := RiskCUSUM{2}
	const runs = 20_000
	var sum, squares float64
	for range runs {
		s, n := 0.0, 0.0
		for s < limit {
			risk := mix[r.IntN(len(mix))]
			p := actual * risk / (1 - risk + actual*risk)
			w, _ := c.Weight(Trial{risk, r.Float64() < p})
			s = max(0, s+w)
			n++
		}
		sum += n
		squares += n * n
	}
	mean = sum / runs
	return mean, math.Sqrt((squares/runs - mean*mean) / runs)
}

func TestLimitKeepsTheRunAskedFor(t *testing.T) {
	mix := []float64{0.02, 0.05, 0.05, 0.1}
	for _, r := range []struct {
		chart  RiskCUSUM
		risks  []float64
		wanted float64
	}{
		{RiskCUSUM{2}, mix, 100}, {RiskCUSUM{2}, mix, 500}, {RiskCUSUM{2}, mix, 2000}, {RiskCUSUM{0.5}, mix, 500},
		// One rate: few states that can be reached, and a limit just above 2.56.
		{RiskCUSUM{0.4928}, []float64{0.08}, 1200}, {RiskCUSUM{2.03}, []float64{0.08}, 1200},
	} {
		limit, run, err := r.chart.Limit(r.risks, r.wanted)
		if err != nil {
			t.Fatal(err)
		}
		below, err := r.chart.RunLength(r.risks, limit-0.01, 1)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%+v: limit %v gives %v, one hundredth less %v", r, limit, run, below)
		if !(run.Cases >= r.wanted && below.Cases < r.wanted) {
			t.Errorf("%+v: limit %v gives %v, one hundredth less %v", r, limit, run.Cases, below.Cases)
		}
	}
	if _, _, err := (RiskCUSUM{2}).Limit(nil, 100); !errors.Is(err, NoCases) {
		t.Errorf("no baseline: %v", err)
	}
}

// NIST/SEMATECH e-Handbook 6.3.2.3, read twice in secondary pages.
func TestPublishedCUSUM(t *testing.T) {
	x := []float64{324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350}
	high := []float64{0, 0, 0, 0, .03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04}
	low := []float64{0, .01, 0, .33, 0, 0, .56, .72, .17, .25, .31, 0, 0, 0, 0, 0, 0, 0, 0, 0}
	path := CUSUM{Target: 325, Slack: 0.3175, Limit: 4.1959}.Path(x)
	for i, p := range path {
		near(t, "upper arm", p.High, high[i], 0.0051)
		near(t, "lower arm", p.Low, low[i], 0.0051)
		if want := i >= 13; p.Signal != want {
			t.Errorf("value %d: signal %v, the first is at the 14th", i+1, p.Signal)
		}
	}
}

// NIST/SEMATECH e-Handbook 6.3.2.4, read in a secondary page.
func TestPublishedEWMA(t *testing.T) {
	x := []float64{52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	want := []float64{50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99}
	e := EWMA{Target: 50, SD: 2.0539, Weight: 0.3, Width: 3}
	for i, p := range e.Path(x, true) {
		near(t, "mean", p.Value, want[i], 0.0051)
		near(t, "upper limit", p.Upper, 52.5884, 1e-4)
		near(t, "lower limit", p.Lower, 47.4115, 1e-4)
	}
	if early := e.Path(x, false)[0]; !(early.Upper < 52) {
		t.Errorf("limits of the first value are narrower, got %v", early.Upper)
	}
}

// Lucas & Crosier 1982, table 1, and Vance 1986, table 1, read in secondary pages; 465
// for a limit of 5 from memory.
func TestPublishedRunLengths(t *testing.T) {
	rows := []struct{ shift, slack, limit, headStart, want, within float64 }{
		{0, .5, 4, 0, 168, .5}, {.25, .5, 4, 0, 74.2, .05}, {.5, .5, 4, 0, 26.6, .05}, {.75, .5, 4, 0, 13.3, .05},
		{1, .5, 4, 0, 8.38, .005}, {1.5, .5, 4, 0, 4.75, .005}, {2, .5, 4, 0, 3.34, .005}, {2.5, .5, 4, 0, 2.62, .005},
		{3, .5, 4, 0, 2.19, .005}, {4, .5, 4, 0, 1.71, .005}, {5, .5, 4, 0, 1.31, .005},
		{0, .5, 4, 2, 149, .5}, {.5, .5, 4, 2, 20.1, .05}, {1, .5, 4, 2, 5.29, .005}, {2, .5, 4, 2, 2.01, .005},
		{0, .5, 5, 0, 465, .5},
	}
	for _, r := range rows {
		near(t, "two arms", RunLengthOf(r.shift, r.slack, r.limit, r.headStart), r.want, r.within)
	}
	for _, r := range []struct{ shift, slack, limit, want, relative float64 }{
		{0, .5, 3, 117.60, 1e-4}, {-.5, .5, 3, 1963, 3e-4}, {.5, .5, 3, 17.35, 3e-4}, {1.5, .5, 3, 3.75, 2e-3},
		{-.25, 0, 10, 2071.51, 5e-5}, {-.125, 0, 10, 400.28, 5e-5}, {0, 0, 10, 124.66, 5e-5}, {.125, 0, 10, 59.30, 1e-4},
		{.25, 0, 10, 36.71, 2e-4}, {.5, 0, 10, 20.37, 3e-4}, {.75, 0, 10, 14.06, 4e-4}, {1, 0, 10, 10.75, 5e-4},
	} {
		near(t, "one arm", OneSidedRunLength(r.shift, r.slack, r.limit), r.want, r.want*r.relative)
	}
}

// The error rates are those asked for, as far as a series of fixed length can tell:
// Wald's limits hold them from above, but for what passes the limit at once.
func TestLearningChart(t *testing.T) {
	c := LearningChart{Acceptable: 0.05, Unacceptable: 0.10, Alpha: 0.05, Beta: 0.2}
	s, upper, lower := c.Steps()
	r := rand.New(rand.NewPCG(3, 4))
	share := func(rate float64, above bool) float64 {
		const runs = 4000
		hits := 0
		for range runs {
			v := 0.0
			for v < upper && v > -lower {
				v -= s
				if r.Float64() < rate {
					v++
				}
			}
			if v >= upper == above {
				hits++
			}
		}
		return float64(hits) / runs
	}
	if got := share(0.05, true); got > 0.05+0.012 {
		t.Errorf("an acceptable rate is called unacceptable in %v, wanted 0.05", got)
	}
	if got := share(0.10, false); got > 0.2+0.02 {
		t.Errorf("an unacceptable rate is called acceptable in %v, wanted 0.2", got)
	}
	path := c.Path([]bool{false, true})
	near(t, "a success", path[0], -s, 1e-12)
	near(t, "then a failure", path[1], 1-2*s, 1e-12)
}

// After a signal the chart begins again at 0; the failures needed are counted by hand.
func TestPathBeginsAgain(t *testing.T) {
	series := []Trial{{0.1, true}, {0.1, true}, {0.1, true}, {0.1, false}}
	w, _ := RiskCUSUM{2}.Weight(series[0])
	path, err := RiskCUSUM{2}.Path(series, 2*w)
	if err != nil {
		t.Fatal(err)
	}
	want := []Point{{w, false}, {2 * w, true}, {w, false}}
	for i := range want {
		if path[i].Signal != want[i].Signal {
			t.Errorf("case %d: %+v, want %+v", i+1, path[i], want[i])
		}
		near(t, "value", path[i].Value, want[i].Value, 1e-12)
	}
	if _, err := (RiskCUSUM{2}).Path([]Trial{{0, false}}, 1); !errors.Is(err, CertainRisk) {
		t.Errorf("a case without risk: %v", err)
	}
}
