package statistics

import (
	"errors"
	"math"
	"testing"
)

// Peak flow of 17 subjects by two meters, first and repeated reading, l/min: Bland &
// Altman, Lancet 1986;327:307-310, table 1, read in several public copies.
var (
	large1 = []int64{494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427}
	mini1  = []int64{512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451}
)

func peakFlow() Pairs {
	var p Pairs
	for i := range large1 {
		// The paper subtracts the small meter from the large one.
		p.Add(mini1[i], large1[i])
	}
	return p
}

func TestPeakFlow(t *testing.T) {
	p := peakFlow()
	limits, err := p.Limits()
	if err != nil {
		t.Fatal(err)
	}
	bias, sd := first(p.Bias()), first(p.SD())
	interval, _ := p.BiasInterval()
	line, _ := p.OnMean()
	concordance, err := p.Concordance()
	if err != nil || concordance.Interval == nil {
		t.Fatal(err)
	}
	for _, r := range []struct {
		what                 string
		got, want, tolerance float64
		source               string
	}{
		{"bias", bias, -2.1, 0.05, "1986, read in a secondary page"},
		{"SD", sd, 38.8, 0.05, "1986, read in a secondary page"},
		{"lower limit", limits.Lower, -78.1, 0.05, "by the factor 1.96: public worked examples"},
		{"upper limit", limits.Upper, 73.9, 0.05, "by the factor 1.96: public worked examples"},
		{"bias, lower end", interval.Lower, -22.0, 0.1, "1986, from memory"},
		{"bias, upper end", interval.Upper, 17.8, 0.1, "1986, from memory"},
		{"lower limit, outer end", limits.LowerInterval.Lower, bias - 3.0824*sd, 0.01, "Carkeet 2015, factor for 16 degrees of freedom"},
		{"lower limit, inner end", limits.LowerInterval.Upper, bias - 1.4900*sd, 0.01, "Carkeet 2015, factor for 16 degrees of freedom"},
		{"upper limit, inner end", limits.UpperInterval.Lower, bias + 1.4900*sd, 0.01, "Carkeet 2015, factor for 16 degrees of freedom"},
		{"upper limit, outer end", limits.UpperInterval.Upper, bias + 3.0824*sd, 0.01, "Carkeet 2015, factor for 16 degrees of freedom"},
		{"slope on the mean", line.Slope, 0.028687, 1e-6, "computed apart"},
		{"intercept on the mean", line.Intercept, -15.067497, 1e-5, "computed apart"},
		{"correlation", line.Correlation, 0.083680, 1e-6, "computed apart"},
		{"P of the slope", line.P, 0.749499, 1e-6, "computed apart"},
		{"concordance", concordance.Value, 0.942742, 1e-6, "divisor n; n-1 would give 0.942752; computed apart"},
		{"its correlation", concordance.Correlation, 0.943279, 1e-6, "computed apart"},
		{"its accuracy", concordance.Accuracy, 0.999431, 1e-6, "computed apart"},
		{"concordance, lower end", concordance.Interval.Lower, 0.850492, 1e-6, "formula from memory, computed apart"},
		{"concordance, upper end", concordance.Interval.Upper, 0.978726, 1e-6, "formula from memory, computed apart"},
		{"mean absolute", first(p.MeanAbsolute()), 28.941176, 1e-6, "computed apart"},
		{"root mean square", first(p.RootMeanSquare()), 37.667274, 1e-6, "computed apart"},
	} {
		near(t, r.what+" ("+r.source+")", r.got, r.want, r.tolerance)
	}
}

// Carkeet, Optom Vis Sci 2015;92:e71-e80, table of factors by degrees of freedom, read
// in a secondary page.
func TestPairFactors(t *testing.T) {
	for _, r := range []struct {
		df                       int64
		confidence, want, within float64
	}{
		{4, 0.025, 1.2397, 1.1e-4}, {4, 0.5, 2.3080, 1.1e-4}, {4, 0.975, 6.1569, 1.1e-4},
		{9, 0.025, 1.3915, 1.1e-4}, {9, 0.5, 2.1239, 1.1e-4}, {9, 0.975, 3.7706, 1.1e-4},
		{16, 0.025, 1.4900, 1.1e-4}, {16, 0.5, 2.0554, 1.1e-4}, {16, 0.975, 3.0824, 1.1e-4},
		{39, 0.025, 1.6214, 1.1e-4}, {39, 0.975, 2.5528, 1.1e-4},
		{99, 0.975, 2.2896, 1.1e-4},
		{199, 0.025, 1.7889, 1.1e-4}, {199, 0.5, 1.9681, 1.1e-4}, {199, 0.975, 2.1794, 1.1e-4},
		{1, 0.975, 73.08, 0.01}, // audit.md A7
	} {
		near(t, "factor", pairFactor(r.df+1, r.confidence), r.want, r.within)
	}
	// What a library's noncentral t can't tell any more: both ends close in on 1.96.
	inner, outer := pairFactor(1_000_000, 0.025), pairFactor(1_000_000, 0.975)
	if !(inner < Z95 && Z95 < outer && outer-inner < 0.01) {
		t.Errorf("a million pairs: ends at %v and %v SDs", inner, outer)
	}
}

func TestTooLittleToCompare(t *testing.T) {
	pairs := func(list ...int64) Pairs {
		var p Pairs
		for i := 0; i < len(list); i += 2 {
			p.Add(list[i], list[i+1])
		}
		return p
	}
	bias := func(p Pairs) error { _, err := p.Bias(); return err }
	sd := func(p Pairs) error { _, err := p.SD(); return err }
	limits := func(p Pairs) error { _, err := p.Limits(); return err }
	onMean := func(p Pairs) error { _, err := p.OnMean(); return err }
	onPlan := func(p Pairs) error { _, err := p.OnPlan(); return err }
	concordance := func(p Pairs) error { _, err := p.Concordance(); return err }
	for _, r := range []struct {
		what string
		p    Pairs
		ask  func(Pairs) error
		want error
	}{
		{"bias of nothing is no 0", pairs(), bias, NoPairs},
		{"bias of one pair is that pair's", pairs(3, 5), bias, nil},
		{"spread of nothing", pairs(), sd, NoPairs},
		{"spread of one pair", pairs(3, 5), sd, OnePair},
		{"equal differences have a spread of 0", pairs(3, 5, 4, 6), sd, nil},
		{"limits of one pair", pairs(3, 5), limits, OnePair},
		{"a line of two pairs always fits", pairs(3, 5, 4, 7), onMean, TooFewPairs},
		{"one mean throughout", pairs(3, 5, 4, 4, 2, 6), onMean, NoVariation},
		{"one plan throughout", pairs(3, 5, 3, 4, 3, 6), onPlan, NoVariation},
		{"a plan without variation has no concordance", pairs(3, 5, 3, 4, 3, 6), concordance, NoVariation},
		{"two pairs have no concordance", pairs(3, 5, 4, 7), concordance, TooFewPairs},
	} {
		if err := r.ask(r.p); !errors.Is(err, r.want) {
			t.Errorf("%s: %v, want %v", r.what, err, r.want)
		}
	}
	// Pairs that lie on one line leave no NaN.
	p := pairs(1, 2, 2, 4, 3, 6)
	line, err := p.OnPlan()
	if err != nil || line.Slope != 1 || line.P != 0 || math.IsNaN(line.SlopeInterval.Lower) {
		t.Errorf("an exact line: %+v, %v", line, err)
	}
	if line, err := pairs(1, 3, 2, 4, 5, 7).OnPlan(); err != nil || line.Slope != 0 || line.P != 1 || line.Correlation != 0 {
		t.Errorf("a difference that never changes: %+v, %v", line, err)
	}
}
