package statistics

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

func TestBrier(t *testing.T) {
	// The worked example of a widely used library's documentation, from memory; it
	// matches by hand.
	got, err := Brier([]Trial{{0.1, false}, {0.9, true}, {0.8, true}, {0.3, false}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "Brier", got, 0.0375, 1e-12)
	if _, err := Brier(nil); !errors.Is(err, NoCases) {
		t.Errorf("of nothing: %v", err)
	}
}

func TestHosmerLemeshow(t *testing.T) {
	// Computed apart, audit.md T18.
	statistic, p, err := HosmerLemeshow([]float64{1, 2, 3, 6}, []float64{.8, 1.6, 3.2, 7}, 20, 2)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "statistic", statistic, 0.395440, 1e-6)
	near(t, "P, 2 degrees", p, 0.820600, 1e-6)
	_, p, _ = HosmerLemeshow([]float64{1, 2, 3, 6}, []float64{.8, 1.6, 3.2, 7}, 20, 4)
	near(t, "P, 4 degrees", p, 0.982849, 1e-6)
	if _, _, err := HosmerLemeshow([]float64{1}, []float64{0}, 20, 1); !errors.Is(err, CertainRisk) {
		t.Errorf("nothing expected in a group: %v", err)
	}
}

// With equal risks the sum is binomial, so that the ends are those of Clopper and
// Pearson.
func TestObservedOfEqualRisks(t *testing.T) {
	for _, failed := range []int{0, 1, 7, 40, 200} {
		series := make([]Trial, 200)
		for i := range series {
			series[i] = Trial{0.05, i < failed}
		}
		r, err := Observed(series)
		if err != nil {
			t.Fatal(err)
		}
		exact, _ := Share{failed, 200}.Exact()
		near(t, "lower", r.Interval.Lower, exact.Lower*200/10, 1e-7)
		near(t, "upper", r.Interval.Upper, exact.Upper*200/10, 1e-7)
		if (r.Ratio == nil) != (failed == 0) {
			t.Errorf("%d failed: ratio %v", failed, r.Ratio)
		}
	}
}

func TestObservedOfUnequalRisks(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	const departments = 600
	inside := 0
	for range departments {
		var series []Trial
		for range 150 {
			p := 0.005 + 0.15*r.Float64()*r.Float64()
			series = append(series, Trial{p, r.Float64() < p})
		}
		o, err := Observed(series)
		if err != nil {
			t.Fatal(err)
		}
		if o.Interval.Lower <= 1 && 1 <= o.Interval.Upper {
			inside++
		}
	}
	// At least 95 %, less three standard errors of the simulation.
	if share := float64(inside) / departments; share < 0.95-0.027 {
		t.Errorf("the interval holds 1 in %v of departments that do as expected", share)
	}
	if _, err := Observed([]Trial{{0.05, true}}); !errors.Is(err, NothingExpected) {
		t.Errorf("one case: %v", err)
	}
	if _, err := Observed([]Trial{{1, true}}); !errors.Is(err, CertainRisk) {
		t.Errorf("a certain failure: %v", err)
	}
}

func TestCoverage(t *testing.T) {
	c, err := Cover([]Ranged{{1, 2, 1}, {1, 2, 2}, {1, 2, 0.9}, {1, 2, 2.1}, {1, 2, 5}})
	if err != nil || c.Inside != (Share{2, 5}) || c.Below != 1 || c.Above != 2 || c.Enough {
		t.Errorf("%+v, %v", c, err)
	}
	list := make([]Ranged, 60)
	for i := range list {
		list[i] = Ranged{0, 1, 0.5}
	}
	list[0].Measured, list[1].Measured, list[2].Measured = 2, 2, -1
	if c, _ := Cover(list); !c.Enough || math.Abs(c.Interval.Lower-0.861) > 5e-4 || math.Abs(c.Interval.Upper-0.990) > 5e-4 {
		t.Errorf("57 of 60: %+v, want 86 to 99 %%", c)
	}
	score, err := IntervalScore([]Ranged{{1, 3, 2}, {1, 3, 4}}, 0.05)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "interval score", score, (2+2+40)/2.0, 1e-12)
}

func TestPlaces(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	draw := func(bias, spread float64) PIT {
		var list []Predicted
		for range 2000 {
			list = append(list, Predicted{10, 2, 10 + bias + 2*spread*r.NormFloat64()})
		}
		p, err := Places(list)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	if p := draw(0, 1); p.P < 0.001 {
		t.Errorf("as predicted: P %v", p.P)
	}
	if p := draw(0, 1.3); p.P > 1e-4 || p.Tenths[0]+p.Tenths[9] < 500 {
		t.Errorf("ranges too narrow: %+v", p)
	}
	if p := draw(0.6, 1); p.P > 1e-4 || p.Tenths[9] < 2*p.Tenths[0] {
		t.Errorf("measured higher: %+v", p)
	}
	if _, err := Places([]Predicted{{1, 0, 1}}); !errors.Is(err, NoVariation) {
		t.Errorf("a prediction without spread: %v", err)
	}
}

// The next case lies in the range of a fit as often as the range says, in departments
// of 30, 60 and 200 pairs whose predictions are off by a shift.
func TestRangesOfFitsHold(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	for _, shift := range []float64{0, 0.3, 1.5} {
		for _, n := range []int{30, 60, 200} {
			var inside, asked float64
			for range 1000 {
				list := make([]Pair, n)
				for i := range list {
					list[i] = drawPair(r, shift)
				}
				fit, err := Calibrate(list)
				if err != nil {
					t.Fatal(err)
				}
				for range 5 {
					next := drawPair(r, shift)
					i := fit.Range(next.Predicted)
					asked++
					if i.Lower <= next.Measured && next.Measured <= i.Upper {
						inside++
					}
				}
			}
			share := inside / asked
			t.Logf("shift %v, %d pairs: %.4f inside", shift, n, share)
			if share < 0.94 || share > 0.96 {
				t.Errorf("shift %v, %d pairs: %v inside, want 0.94 to 0.96", shift, n, share)
			}
		}
	}
}

func drawPair(r *rand.Rand, shift float64) Pair {
	predicted := 8 + 2*r.NormFloat64()
	return Pair{predicted, predicted + shift + 1.5*r.NormFloat64()}
}

func TestFitsThatExplainNothing(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	for _, spread := range []float64{0.3, 1, 2} {
		for _, n := range []int{30, 60, 200} {
			const departments = 400
			nothing := 0
			for range departments {
				list := make([]Pair, n)
				for i := range list {
					list[i] = Pair{8 + spread*r.NormFloat64(), 9 + 2*r.NormFloat64()}
				}
				fit, err := Calibrate(list)
				if err != nil {
					t.Fatal(err)
				}
				if fit.Verdict == ExplainsNothing {
					nothing++
				}
			}
			if share := float64(nothing) / departments; share < 0.95-0.033 {
				t.Errorf("spread %v, %d pairs: 'explains nothing' in %v, want 0.95", spread, n, share)
			} else {
				t.Logf("spread %v, %d pairs: 'explains nothing' in %.3f", spread, n, share)
			}
		}
	}
}

func TestFitsThatCorrect(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 14))
	verdicts := map[float64]map[FitVerdict]int{}
	for _, shift := range []float64{0, 3} {
		verdicts[shift] = map[FitVerdict]int{}
		for range 200 {
			list := make([]Pair, 120)
			for i := range list {
				list[i] = drawPair(r, shift)
			}
			fit, _ := Calibrate(list)
			verdicts[shift][fit.Verdict]++
			if !fit.Stretched || fit.Stretch < LeastStretch || fit.Stretch > MostStretch {
				t.Fatalf("%+v: from 100 pairs on a stretch is fitted, between its bounds", fit)
			}
		}
	}
	if verdicts[3][Corrects] < 198 {
		t.Errorf("a shift of two spreads is corrected in %d of 200", verdicts[3][Corrects])
	}
	if verdicts[0][ExplainsNothing] > 2 || verdicts[0][NoCorrection] < 60 {
		t.Errorf("a prediction that is right: %v", verdicts[0])
	}
	if _, err := Calibrate(make([]Pair, 29)); !errors.Is(err, TooFewToFit) {
		t.Errorf("29 pairs: %v", err)
	}
}

// Whatever is measured in, the answer is the same: moved and turned to other units.
func TestFitFollowsTheUnit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		r := rand.New(rand.NewPCG(seed, 1))
		list := make([]Pair, rapid.IntRange(30, 150).Draw(t, "n"))
		scaled := make([]Pair, len(list))
		for i := range list {
			list[i] = drawPair(r, 1)
			scaled[i] = Pair{10*list[i].Predicted + 1000, 10*list[i].Measured + 1000}
		}
		a, err := Calibrate(list)
		b, err2 := Calibrate(scaled)
		if err != nil || err2 != nil {
			t.Fatal(err, err2)
		}
		if a.Verdict != b.Verdict || a.Stretched != b.Stretched {
			t.Fatalf("%+v and %+v", a, b)
		}
		near(t, "shift", b.Shift, 10*a.Shift, 1e-6)
		near(t, "stretch", b.Stretch, a.Stretch, 1e-8)
		near(t, "spread", b.SD, 10*a.SD, 1e-6)
		near(t, "range", b.Range(1080).Lower, 10*a.Range(8).Lower+1000, 1e-6)
	})
}

// What is left out is foretold without itself: the range of a case is that of a fit to the
// others, and such ranges hold as often as they say.
func TestRangesOfCasesLeftOut(t *testing.T) {
	r := rand.New(rand.NewPCG(15, 16))
	inside, asked := 0, 0
	for range 100 {
		list := make([]Pair, 40)
		for i := range list {
			list[i] = drawPair(r, 1)
		}
		left, err := LeftOut(list)
		if err != nil {
			t.Fatal(err)
		}
		// A fit to 39 of 40, made again.
		fit, err := Calibrate(list[1:])
		if err != nil {
			t.Fatal(err)
		}
		near(t, "lower", left[0].Lower, fit.Range(list[0].Predicted).Lower, 1e-9)
		near(t, "upper", left[0].Upper, fit.Range(list[0].Predicted).Upper, 1e-9)
		c, _ := Cover(left)
		inside, asked = inside+c.Inside.Count, asked+c.Inside.Of
	}
	// 4,000 ranges: three standard errors are 1 %.
	if share := float64(inside) / float64(asked); share < 0.94 || share > 0.96 {
		t.Errorf("%v inside, want 0.95", share)
	}
	if _, err := LeftOut(make([]Pair, 29)); !errors.Is(err, TooFewToFit) {
		t.Errorf("29 pairs: %v", err)
	}
}

// What a correction makes of a prediction it makes back.
func TestCorrectionBackwards(t *testing.T) {
	c := Correction{N: 120, Shift: -1.5, Stretch: 1.1, Stretched: true, Centre: 8, Scatter: 300, SD: 2}
	for _, x := range []float64{-3, 0, 8, 14.25} {
		near(t, "before", c.Before(c.At(x)), x, 1e-12)
	}
}
