package statistics

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Brier is the mean squared difference of expected risk and outcome: 0 is perfect. It
// mixes how well risks are calibrated with how far they tell cases apart.
func Brier(series []Trial) (float64, error) {
	if len(series) == 0 {
		return 0, NoCases
	}
	var sum float64
	for _, t := range series {
		d := t.Risk - t.outcome()
		sum += d * d
	}
	return sum / float64(len(series)), nil
}

// ObservedExpected is how many failed, of how many expected.
type ObservedExpected struct {
	Observed int
	Expected float64
	// Ratio with its 95 % interval; absent below 5 expected, and the ratio where nobody
	// failed.
	Ratio    *float64
	Interval *Interval
}

// leastExpected is from how many expected failures on a ratio is given (the audit's
// decision).
const leastExpected = 5

// Observed holds outcomes against the risks expected of each case. The interval is
// exact for a sum of unequal risks: its ends are the sums expected when the odds of all
// cases are moved until so many, or so few, would be seen in 2.5 %.
//
// Source: the sum's distribution computed, not approximated; inversion of the test is
// common practice.
func Observed(series []Trial) (ObservedExpected, error) {
	if len(series) == 0 {
		return ObservedExpected{}, NoCases
	}
	var r ObservedExpected
	for _, t := range series {
		if !(t.Risk > 0 && t.Risk < 1) {
			return ObservedExpected{}, CertainRisk
		}
		r.Expected += t.Risk
		if t.Failed {
			r.Observed++
		}
	}
	if r.Expected < leastExpected {
		return r, NothingExpected
	}
	moved := make([]float64, len(series))
	move := func(logOdds float64) (sum float64) {
		for i, t := range series {
			moved[i] = Shifted(t.Risk, logOdds)
			sum += moved[i]
		}
		return sum
	}
	i := Interval{Lower: 0, Upper: float64(len(series)) / r.Expected}
	if r.Observed > 0 {
		ratio := float64(r.Observed) / r.Expected
		r.Ratio = &ratio
		at := root(func(logOdds float64) float64 {
			move(logOdds)
			return 1 - atMost(moved, r.Observed-1) - 0.025
		}, -30, 30)
		i.Lower = move(at) / r.Expected
	}
	if r.Observed < len(series) {
		at := root(func(logOdds float64) float64 {
			move(logOdds)
			return 0.025 - atMost(moved, r.Observed)
		}, -30, 30)
		i.Upper = move(at) / r.Expected
	}
	r.Interval = &i
	return r, nil
}

// atMost is the probability of at most k failures among cases of the given risks.
func atMost(risks []float64, k int) float64 {
	if k < 0 {
		return 0
	}
	exactly := make([]float64, k+1)
	exactly[0] = 1
	for _, p := range risks {
		for j := k; j > 0; j-- {
			exactly[j] += p * (exactly[j-1] - exactly[j])
		}
		exactly[0] *= 1 - p
	}
	var sum float64
	for _, p := range exactly {
		sum += p
	}
	return min(sum, 1)
}

// HosmerLemeshow holds observed against expected failures by groups of cases of equal
// size. df is the number of groups for a model from outside, two less for one that was
// fitted to these cases.
//
// Source: from memory; the probability of a published statistic in the tests. It is
// never the only evidence: its power grows with the number of cases.
func HosmerLemeshow(observed, expected []float64, size float64, df int) (statistic, p float64, err error) {
	if len(observed) != len(expected) {
		panic("a group without one of the two counts")
	}
	for g := range observed {
		if expected[g] <= 0 || expected[g] >= size {
			return 0, 0, CertainRisk
		}
		d := observed[g] - expected[g]
		statistic += d * d / (expected[g] * (1 - expected[g]/size))
	}
	return statistic, distuv.ChiSquared{K: float64(df)}.Survival(statistic), nil
}

// Ranged is a measured value with the range that was predicted for it, both ends in it.
type Ranged struct{ Lower, Upper, Measured float64 }

// Coverage is how many values lie in the range that was predicted for them, and on
// which side the others lie.
type Coverage struct {
	Inside       Share
	Below, Above int
	// Interval is exact.
	Interval Interval
	// Enough: from 60 on the share says something.
	Enough bool
}

// enoughRanges is from how many ranges on a coverage is told: of 60, 57 inside leaves 86
// to 99 %.
const enoughRanges = 60

// Cover counts.
func Cover(list []Ranged) (Coverage, error) {
	if len(list) == 0 {
		return Coverage{}, NoPairs
	}
	c := Coverage{Inside: Share{Of: len(list)}, Enough: len(list) >= enoughRanges}
	for _, r := range list {
		switch {
		case r.Measured < r.Lower:
			c.Below++
		case r.Measured > r.Upper:
			c.Above++
		default:
			c.Inside.Count++
		}
	}
	var err error
	c.Interval, err = c.Inside.Exact()
	return c, err
}

// IntervalScore is the width of ranges, and what lies outside weighed by 2/alpha: the
// smaller the better. The level of the ranges is 1 - alpha.
//
// Source: Gneiting & Raftery, J Am Stat Assoc 2007;102:359-378 (from memory).
func IntervalScore(list []Ranged, alpha float64) (float64, error) {
	if len(list) == 0 {
		return 0, NoPairs
	}
	var sum float64
	for _, r := range list {
		sum += r.Upper - r.Lower + 2/alpha*(max(0, r.Lower-r.Measured)+max(0, r.Measured-r.Upper))
	}
	return sum / float64(len(list)), nil
}

// PIT counts in which tenth of its predicted distribution each value lies: even is
// calibrated, high ends too narrow, a hump too wide, a slope a bias.
type PIT struct {
	Tenths [10]int
	// P is the probability of so uneven a count by chance.
	P float64
}

// Predicted is a value with the normal distribution that was predicted for it.
type Predicted struct{ Mean, SD, Measured float64 }

// Places gives the places of values in their distributions.
func Places(list []Predicted) (PIT, error) {
	if len(list) == 0 {
		return PIT{}, NoPairs
	}
	var r PIT
	for _, p := range list {
		if !(p.SD > 0) {
			return PIT{}, NoVariation
		}
		u := distuv.UnitNormal.CDF((p.Measured - p.Mean) / p.SD)
		r.Tenths[min(9, int(10*u))]++
	}
	expected := float64(len(list)) / 10
	var statistic float64
	for _, count := range r.Tenths {
		d := float64(count) - expected
		statistic += d * d / expected
	}
	r.P = distuv.ChiSquared{K: 9}.Survival(statistic)
	return r, nil
}

// FitVerdict is what a fit is good for.
type FitVerdict int

// What a fit can be good for.
const (
	// Corrects: it foretells cases that it has not seen better than the prediction as it
	// is, and than the mean of what was measured.
	Corrects FitVerdict = iota + 1
	// NoCorrection: the prediction as it is does as well.
	NoCorrection
	// ExplainsNothing: the mean of what was measured does as well, so that the prediction
	// tells nothing of these cases.
	ExplainsNothing
)

// Correction of predictions: measured = predicted + Shift + (Stretch - 1)
// (predicted - Centre).
type Correction struct {
	N int
	// Shift is drawn in towards 0 by what chance makes of it.
	Shift float64
	// Stretch is 1 where it was not fitted.
	Stretch   float64
	Stretched bool
	// Centre is the mean of the predictions, Scatter the sum of their squared distances
	// from it.
	Centre, Scatter float64
	// SD is the spread of measured about corrected.
	SD float64
}

// Fit is a correction with what it is good for.
type Fit struct {
	Correction
	ShiftSE float64
	Verdict FitVerdict
	// Errors are root mean squared errors of cases left out: of the prediction as it is,
	// of the mean of what was measured, and of the fit.
	RawError, MeanError, FitError float64
}

// Pair is a prediction and what was measured.
type Pair struct{ Predicted, Measured float64 }

// Bounds of a fit (the audit's decision).
const (
	LeastFitted     = 30
	enoughToStretch = 100
	narrowStretch   = 0.3
	LeastStretch    = 0.9
	MostStretch     = 1.25
)

// TooFewToFit says that there are fewer pairs than a correction is fitted to.
const TooFewToFit Refusal = "fewer than 30 pairs: no correction is fitted to so few"

// Calibrate fits a correction: a shift, and from 100 pairs on, or where its interval is
// narrower than 0.3, a stretch between 0.9 and 1.25. It is worth something only if it
// foretells cases that it has not seen: each is left out once.
func Calibrate(list []Pair) (Fit, error) {
	if len(list) < LeastFitted {
		return Fit{}, TooFewToFit
	}
	s := sumPairs(list)
	n := float64(len(list))
	fit := s.fit(studentT(int64(n)-2, 0.975))
	withoutOne := studentT(int64(n)-3, 0.975)
	var raw, mean, fitted, gain, gainSquares float64
	for _, p := range list {
		rest := s.without(p)
		r := p.Measured - p.Predicted
		m := p.Measured - (rest.origin + rest.y/rest.n)
		f := p.Measured - rest.fit(withoutOne).At(p.Predicted)
		raw += r * r / n
		mean += m * m / n
		fitted += f * f / n
		g := m*m - f*f
		gain += g / n
		gainSquares += g * g / n
	}
	fit.RawError, fit.MeanError, fit.FitError = math.Sqrt(raw), math.Sqrt(mean), math.Sqrt(fitted)
	gainSE := math.Sqrt(max(0, gainSquares-gain*gain) / (n - 1))
	switch {
	case gain <= studentT(int64(n)-1, 0.95)*gainSE:
		fit.Verdict = ExplainsNothing
	case fitted >= raw:
		fit.Verdict = NoCorrection
	default:
		fit.Verdict = Corrects
	}
	return fit, nil
}

// At is what the correction makes of a prediction.
func (c Correction) At(predicted float64) float64 {
	return predicted + c.Shift + (c.Stretch-1)*(predicted-c.Centre)
}

// Before gives the prediction of which the correction makes this.
func (c Correction) Before(corrected float64) float64 {
	return c.Centre + (corrected-c.Shift-c.Centre)/c.Stretch
}

// DegreesOfFreedom are those of the spread: one is spent on the shift, one on a stretch.
func (c Correction) DegreesOfFreedom() int {
	if c.Stretched {
		return c.N - 2
	}
	return c.N - 1
}

// PredictionSD is the standard deviation of the next measured value about the corrected
// prediction: the spread, which measuring is part of, and what the fit does not know.
func (c Correction) PredictionSD(predicted float64) float64 {
	unknown := 1 + 1/float64(c.N)
	if c.Stretched {
		d := predicted - c.Centre
		unknown += d * d / c.Scatter
	}
	return c.SD * math.Sqrt(unknown)
}

// Range is where the next measured value lies with 95 %.
func (c Correction) Range(predicted float64) Interval {
	half := studentT(int64(c.DegreesOfFreedom()), 0.975) * c.PredictionSD(predicted)
	at := c.At(predicted)
	return Interval{at - half, at + half}
}

// T is the 97.5 % point of the t distribution, by which an interval of a mean is made.
func T(degreesOfFreedom int) float64 { return studentT(int64(degreesOfFreedom), 0.975) }

// pairSums are about an origin, so that no digit is lost to the size of the values.
type pairSums struct{ n, x, y, xx, xy, yy, origin float64 }

func sumPairs(list []Pair) pairSums {
	s := pairSums{origin: list[0].Predicted}
	for _, p := range list {
		s = s.with(p, 1)
	}
	return s
}

func (s pairSums) with(p Pair, sign float64) pairSums {
	x, y := p.Predicted-s.origin, p.Measured-s.origin
	s.n += sign
	s.x += sign * x
	s.y += sign * y
	s.xx += sign * x * x
	s.xy += sign * x * y
	s.yy += sign * y * y
	return s
}

func (s pairSums) without(p Pair) pairSums { return s.with(p, -1) }

// fit needs the 97.5 % point of the t distribution with two degrees of freedom less than
// there are pairs.
func (s pairSums) fit(t float64) Fit {
	mx, my := s.x/s.n, s.y/s.n
	sxx, sxy, syy := s.xx-s.n*mx*mx, s.xy-s.n*mx*my, s.yy-s.n*my*my
	f := Fit{Correction: Correction{N: int(s.n), Stretch: 1, Centre: s.origin + mx, Scatter: sxx}}
	residual := func(stretch float64) float64 { return max(0, syy-2*stretch*sxy+stretch*stretch*sxx) }
	if sxx > 0 {
		slope := sxy / sxx
		width := 2 * t * math.Sqrt(residual(slope)/(s.n-2)/sxx)
		if s.n >= enoughToStretch || width < narrowStretch {
			f.Stretch, f.Stretched = clamp(slope, LeastStretch, MostStretch), true
		}
	}
	f.SD = math.Sqrt(residual(f.Stretch) / float64(f.DegreesOfFreedom()))
	f.ShiftSE = f.SD / math.Sqrt(s.n)
	f.Shift = my - mx
	if f.Shift != 0 {
		f.Shift *= max(0, 1-f.ShiftSE*f.ShiftSE/(f.Shift*f.Shift))
	}
	return f
}
