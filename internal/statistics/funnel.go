package statistics

import (
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"
)

// Control limits of a share for units of any size.
//
// Source: Spiegelhalter, Stat Med 2005;24:1185-1202 (abstract read in; the appendix's
// formula of exact limits from memory); overdispersion and its winsorising read in a
// public implementation.

// FunnelLimits are the ends that are drawn for a unit of n cases, interpolated between
// counts so that they make a line. LowerExists and UpperExists tell whether a unit of
// that size can lie beyond the end at all: a small unit without any event is no
// surprise. Whether a unit does lie outside, Outside says.
type FunnelLimits struct {
	Lower, Upper             float64
	LowerExists, UpperExists bool
}

// Funnel gives the limits of the middle share (0.95 or 0.998) for n cases about a
// target, exact by the binomial distribution.
func Funnel(n int, target, middle float64) (FunnelLimits, error) {
	if err := checkFunnel(n, target); err != nil {
		return FunnelLimits{}, err
	}
	tail := (1 - middle) / 2
	return FunnelLimits{
		Lower:       clamp(funnelEnd(n, target, tail), 0, 1),
		Upper:       clamp(funnelEnd(n, target, 1-tail), 0, 1),
		LowerExists: tailBelow(Share{0, n}, target) < tail,
		UpperExists: tailAbove(Share{n, n}, target) < tail,
	}, nil
}

// Outside tells whether so few, or so many, would be seen in less than the outer share
// of all units of that size if the target held: -1 below, 1 above, 0 inside.
func Outside(unit Share, target, middle float64) (int, error) {
	if err := checkFunnel(unit.Of, target); err != nil {
		return 0, err
	}
	tail := (1 - middle) / 2
	switch {
	case tailBelow(unit, target) < tail:
		return -1, nil
	case tailAbove(unit, target) < tail:
		return 1, nil
	}
	return 0, nil
}

func checkFunnel(n int, target float64) error {
	switch {
	case n <= 0:
		return NoCases
	case !(target > 0 && target < 1):
		return NoLimits
	}
	return nil
}

func tailBelow(unit Share, target float64) float64 {
	return distuv.Binomial{N: float64(unit.Of), P: target}.CDF(float64(unit.Count))
}

func tailAbove(unit Share, target float64) float64 {
	return distuv.Binomial{N: float64(unit.Of), P: target}.Survival(float64(unit.Count) - 1)
}

// funnelEnd is the interpolated count, as a share, up to which the probability p lies.
func funnelEnd(n int, target, p float64) float64 {
	b := distuv.Binomial{N: float64(n), P: target}
	r := sort.Search(n, func(r int) bool { return b.CDF(float64(r)) >= p })
	return (float64(r) - (b.CDF(float64(r))-p)/b.Prob(float64(r))) / float64(n)
}

// UnitZ is how many standard errors a unit's share lies from the target.
func UnitZ(unit Share, target float64) (float64, error) {
	p, err := unit.Value()
	if err != nil {
		return 0, err
	}
	if !(target > 0 && target < 1) {
		return 0, NoLimits
	}
	return (p - target) / math.Sqrt(target*(1-target)/float64(unit.Of)), nil
}

// Overdispersion tells how much more units differ than chance makes them.
type Overdispersion struct {
	// Phi is the mean of the squared z; 1 is what chance gives.
	Phi float64
	// WinsorisedPhi has the outer tenth of the z on either side drawn in to its edge.
	WinsorisedPhi float64
	// P is the probability of so large a Phi by chance, the target being made of the units.
	P float64
	// BetweenVariance is the variance between units beyond chance, from the winsorised
	// figure, for limits that hold it: target -/+ z sqrt(target(1-target)/n + it).
	BetweenVariance float64
}

// leastUnits is from how many units overdispersion is estimated (common practice).
const leastUnits = 10

// TooFewUnits says that an overdispersion can not be estimated.
const TooFewUnits Refusal = "fewer than 10 units: how much they differ beyond chance can't be told"

// Dispersion gives the overdispersion of units about a target.
func Dispersion(units []Share, target float64) (Overdispersion, error) {
	if len(units) < leastUnits {
		return Overdispersion{}, TooFewUnits
	}
	var z, weights []float64
	for _, unit := range units {
		v, err := UnitZ(unit, target)
		if err != nil {
			return Overdispersion{}, err
		}
		z = append(z, v)
		weights = append(weights, float64(unit.Of)/(target*(1-target)))
	}
	edges := slices.Sorted(slices.Values(z))
	low, high := quantile7(edges, 0.1), quantile7(edges, 0.9)
	count := float64(len(units))
	var phi, drawn, sum, squares float64
	for i := range z {
		phi += z[i] * z[i] / count
		w := clamp(z[i], low, high)
		drawn += w * w / count
		sum += weights[i]
		squares += weights[i] * weights[i]
	}
	return Overdispersion{
		Phi: phi, WinsorisedPhi: drawn,
		P:               distuv.ChiSquared{K: count - 1}.Survival(phi * count),
		BetweenVariance: max(0, (count*drawn-(count-1))/(sum-squares/sum)),
	}, nil
}

// quantile7 is what Histogram.Quantile says, of sorted numbers.
func quantile7(sorted []float64, p float64) float64 {
	rank := p * float64(len(sorted)-1)
	below := int(rank)
	if below+1 >= len(sorted) {
		return sorted[below]
	}
	return sorted[below] + (rank-float64(below))*(sorted[below+1]-sorted[below])
}
