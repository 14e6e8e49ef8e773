package statistics

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Agreement is judged on the difference measured minus planned, x planned and y
// measured. Lengths are in steps of the grid of the pairs.
//
// Source: Bland & Altman, Lancet 1986;327:307-310 (results read in secondary pages);
// Bland & Altman, Stat Methods Med Res 1999;8:135-160 (abstract read in).

// Z95 is the 97.5 % point of the normal distribution: the half width of a 95 % range in
// standard deviations.
const Z95 = 1.959963984540054

// Interval is what a figure may be, at 95 % unless the function says otherwise.
type Interval struct{ Lower, Upper float64 }

// Bias is the mean difference.
func (p Pairs) Bias() (float64, error) {
	if p.n < 1 {
		return 0, NoPairs
	}
	return p.mean(difference), nil
}

// SD is the standard deviation of the differences, divisor n-1. 0 is a value.
func (p Pairs) SD() (float64, error) {
	if err := p.spread(); err != nil {
		return 0, err
	}
	return math.Sqrt(p.covariance(difference, difference, 1)), nil
}

func (p Pairs) spread() error {
	switch {
	case p.n < 1:
		return NoPairs
	case p.n < 2:
		return OnePair
	}
	return nil
}

// BiasInterval is the 95 % interval of the bias: exact under normality.
func (p Pairs) BiasInterval() (Interval, error) {
	sd, err := p.SD()
	if err != nil {
		return Interval{}, err
	}
	half := studentT(p.n-1, 0.975) * sd / math.Sqrt(float64(p.n))
	bias := p.mean(difference)
	return Interval{bias - half, bias + half}, nil
}

// MeanAbsolute is the mean of the differences without their sign.
func (p Pairs) MeanAbsolute() (float64, error) {
	if p.n < 1 {
		return 0, NoPairs
	}
	return float64(p.absolute) / float64(p.n), nil
}

// RootMeanSquare is the root of the mean squared difference.
func (p Pairs) RootMeanSquare() (float64, error) {
	if p.n < 1 {
		return 0, NoPairs
	}
	mean, err := p.mean(difference), error(nil)
	return math.Sqrt(p.covariance(difference, difference, 0) + mean*mean), err
}

// Limits are the 95 % limits of agreement, bias -/+ 1.96 SD, and the intervals of the
// pair of them.
type Limits struct {
	Lower, Upper                 float64
	LowerInterval, UpperInterval Interval
}

// Limits gives the limits of agreement with exact intervals of the pair: with 95 %
// confidence the outer ends hold the middle 95 % of all differences, and the inner
// ends don't.
//
// Source: Carkeet, Optom Vis Sci 2015;92:e71-e80 (abstract read in, factors read in a
// secondary page).
func (p Pairs) Limits() (Limits, error) {
	sd, err := p.SD()
	if err != nil {
		return Limits{}, err
	}
	bias := p.mean(difference)
	inner, outer := pairFactor(p.n, 0.025), pairFactor(p.n, 0.975)
	return Limits{
		Lower: bias - Z95*sd, Upper: bias + Z95*sd,
		LowerInterval: Interval{bias - outer*sd, bias - inner*sd},
		UpperInterval: Interval{bias + inner*sd, bias + outer*sd},
	}, nil
}

// pairFactor is the number of SDs from the bias at which, with the given confidence,
// the pair of ends holds at least the middle 95 % of a normal distribution of which n
// were seen.
//
// With u the standardised error of the mean, the middle 95 % is held where the ends
// lie r(u/sqrt(n)) true SDs from the mean; the estimate of the SD is chi-squared apart
// from that. A plain quadrature, as it does not underflow for any n.
func pairFactor(n int64, confidence float64) float64 {
	const (
		nodes = 80
		far   = 9.0
	)
	u, w := make([]float64, nodes), make([]float64, nodes)
	quad.Legendre{}.FixedLocations(u, w, 0, far)
	squares := make([]float64, nodes)
	for i := range u {
		r := halfWidth(u[i] / math.Sqrt(float64(n)))
		squares[i] = r * r
		w[i] *= math.Sqrt(2/math.Pi) * math.Exp(-u[i]*u[i]/2)
	}
	df := float64(n - 1)
	held := func(factor float64) float64 {
		var sum float64
		for i, square := range squares {
			sum += w[i] * mathext.GammaIncRegComp(df/2, df*square/(factor*factor)/2)
		}
		return sum
	}
	return root(func(factor float64) float64 { return held(factor) - confidence }, 0.01, 1e4)
}

// halfWidth is r so that the interval shift -/+ r holds 95 % of the standard normal
// distribution.
func halfWidth(shift float64) float64 {
	held := func(r float64) float64 {
		return distuv.UnitNormal.CDF(shift+r) - distuv.UnitNormal.CDF(shift-r)
	}
	return root(func(r float64) float64 { return held(r) - 0.95 }, 0, shift+10)
}

// root is where a rising function passes 0 between two arguments, by bisection to the
// last place.
func root(f func(float64) float64, low, high float64) float64 {
	for {
		middle := low + (high-low)/2
		if middle == low || middle == high {
			return middle
		}
		if f(middle) < 0 {
			low = middle
		} else {
			high = middle
		}
	}
}

// Line is a straight line by least squares through pairs.
type Line struct {
	Intercept, Slope float64
	// SlopeInterval is the 95 % interval of the slope.
	SlopeInterval Interval
	// Correlation is that of the two sides of the line.
	Correlation float64
	// P is the two-sided probability of a slope so far from 0 by chance.
	P float64
}

// OnMean is the line of the difference on the mean of both sides: a slope tells that
// the difference grows with the size, or that the spreads of the sides differ.
func (p Pairs) OnMean() (Line, error) {
	line, err := p.line(total, difference)
	// The mean is half of the total.
	line.Slope *= 2
	line.SlopeInterval.Lower *= 2
	line.SlopeInterval.Upper *= 2
	return line, err
}

// OnPlan is the line of the difference on the plan: for aims, which have no error of
// their own.
func (p Pairs) OnPlan() (Line, error) { return p.line(planned, difference) }

func (p Pairs) line(x, y form) (Line, error) {
	if err := p.spread(); err != nil {
		return Line{}, err
	}
	if p.n < 3 {
		return Line{}, TooFewPairs
	}
	if p.scatter(x, x).Sign() == 0 {
		return Line{}, NoVariation
	}
	df := float64(p.n - 2)
	slope := ratio(p.scatter(x, y), p.scatter(x, x))
	line := Line{Slope: slope, Intercept: p.mean(y) - slope*p.mean(x), P: 1}
	xx, yy := p.covariance(x, x, 0), p.covariance(y, y, 0)
	if yy > 0 {
		line.Correlation = clamp(p.covariance(x, y, 0)/math.Sqrt(xx*yy), -1, 1)
	}
	se := math.Sqrt(max(0, yy/xx-slope*slope) / df)
	if slope != 0 {
		// A line that all pairs lie on has no error: nothing is left to chance.
		line.P = 2 * distuv.StudentsT{Sigma: 1, Nu: df}.Survival(math.Abs(slope)/se)
	}
	half := studentT(p.n-2, 0.975) * se
	line.SlopeInterval = Interval{slope - half, slope + half}
	return line, nil
}

// Concordance is Lin's coefficient: how near pairs lie to the line of equality. It
// grows with the range of the cases, so that it is never compared between groups.
type Concordance struct {
	Value float64
	// Interval is by the inverse hyperbolic tangent; absent at 0 and at 1.
	Interval *Interval
	// Correlation and Accuracy are its two factors.
	Correlation, Accuracy float64
}

// Concordance gives the concordance correlation coefficient with the divisor n.
//
// Source: Lin, Biometrics 1989;45:255-268 (from memory, the standard error too).
func (p Pairs) Concordance() (Concordance, error) {
	if err := p.spread(); err != nil {
		return Concordance{}, err
	}
	if p.n < 3 {
		return Concordance{}, TooFewPairs
	}
	xx, yy, xy := p.covariance(planned, planned, 0), p.covariance(measured, measured, 0), p.covariance(planned, measured, 0)
	if xx == 0 || yy == 0 {
		return Concordance{}, NoVariation
	}
	shift := p.mean(difference)
	c := Concordance{Value: 2 * xy / (xx + yy + shift*shift), Correlation: clamp(xy/math.Sqrt(xx*yy), -1, 1)}
	c.Accuracy = 2 * math.Sqrt(xx*yy) / (xx + yy + shift*shift)
	if r, v := c.Correlation, c.Value; r != 0 && math.Abs(v) < 1 && math.Abs(r) < 1 {
		u2 := shift * shift / math.Sqrt(xx*yy)
		v2 := v * v
		variance := ((1-r*r)*v2/((1-v2)*r*r) + 2*v2*v*(1-v)*u2/(r*(1-v2)*(1-v2)) - v2*v2*u2*u2/(2*r*r*(1-v2)*(1-v2))) / float64(p.n-2)
		if variance >= 0 {
			half := Z95 * math.Sqrt(variance)
			c.Interval = &Interval{math.Tanh(math.Atanh(v) - half), math.Tanh(math.Atanh(v) + half)}
		}
	}
	return c, nil
}

func studentT(df int64, p float64) float64 {
	return distuv.StudentsT{Sigma: 1, Nu: float64(df)}.Quantile(p)
}

func clamp(v, low, high float64) float64 { return min(max(v, low), high) }
