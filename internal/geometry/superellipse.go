package geometry

import (
	"math"

	"trigone/internal/units"
)

// The superellipse |2x/T|ⁿ + |2y/AP|ⁿ = 1 describes a ring that is fuller than
// an ellipse (n = 2). All of it is derived.

// Limits of the filling factor that a mitral ring can have, from memory: an
// ellipse has 0.785, a rectangle 1.
const (
	LeastFilling units.Ratio = 0.70
	MostFilling  units.Ratio = 0.95
)

// SideSlice is the position (Chord's u) at which the slices A1-P1 and A3-P3 are
// taken; the middle slice A2-P2 is at 0. At 0.7 the posterior arc has run 23 %,
// inside the outer scallops (widths: Kaur et al. 2018, read in the abstract); at
// 0.5 it is still inside P2, at 0.9 an antero-posterior slice runs almost along
// the annulus.
const SideSlice units.Ratio = 0.7

// FillingFactor gives the area of a superellipse over the product of its
// diameters.
//
//	k(n) = Γ(1+1/n)² / Γ(1+2/n)   (1)
//
// Accepted: exponent n above 0; n = 2 gives π/4. Source: mathematics.
func FillingFactor(exponent units.Ratio) units.Ratio {
	n := float64(exponent)
	g := math.Gamma(1 + 1/n)
	return units.Ratio(g * g / math.Gamma(1+2/n))
}

// RingExponent gives the exponent of the superellipse that makes an orifice area
// and two inner diameters consistent: FillingFactor(n) = A / (AP·T).
//
// Accepted: A / (AP·T) from 0.70 to 0.95, else ErrOrifice. Solved by bisection
// to the last bits; FillingFactor rises with n.
func RingExponent(orifice units.Area, anteroPosterior, transverse units.Length) (units.Ratio, error) {
	filling := orifice.Over(anteroPosterior.Times(transverse))
	if !(filling >= LeastFilling && filling <= MostFilling) {
		return 0, ErrOrifice
	}
	want := float64(filling)
	// FillingFactor is 0.5 at 1 and 0.98 at 10, so the root lies between.
	n := bisect(1, 10, func(n float64) float64 { return want - float64(FillingFactor(units.Ratio(n))) })
	return units.Ratio(n), nil
}

// Chord gives the antero-posterior diameter of a superellipse away from its
// middle; u is the position from the middle as a share of the half transverse
// diameter, the sign being the side.
//
//	d(u) = AP · (1 − |u|ⁿ)^(1/n)   (mm)
//
// Accepted: u from -1 to 1 (beyond the ring the result is not a number),
// exponent above 0.
func Chord(anteroPosterior units.Length, u, exponent units.Ratio) units.Length {
	n := float64(exponent)
	return anteroPosterior.Scaled(units.Ratio(math.Pow(1-math.Pow(math.Abs(float64(u)), n), 1/n)))
}

// Obliquity gives the angle between an antero-posterior slice at u and the
// normal of the annulus there, the annulus taken as an ellipse.
//
//	tan φ = AP·u / (T·√(1−u²))   (deg)
//
// Accepted: u from 0 to below 1.
func Obliquity(anteroPosterior, transverse units.Length, u units.Ratio) units.Angle {
	x := float64(u)
	return units.AngleFromRadians(math.Atan2(float64(anteroPosterior)*x, float64(transverse)*math.Sqrt(1-x*x)))
}

// HeightAlongSlice gives the leaflet length available in an oblique slice from a
// height measured at right angles to the annulus (ruler at operation). Lengths
// measured by echo in the slice already include it.
//
//	h / cos φ   (mm)
//
// Accepted: φ from 0 to below 60 degrees.
func HeightAlongSlice(height units.Length, obliquity units.Angle) units.Length {
	return height.Scaled(units.Ratio(1 / math.Cos(obliquity.Radians())))
}

// bisect gives the root of a falling function between lo and hi; the caller
// guarantees f(lo) >= 0 >= f(hi). It stops when the doubles are neighbours.
func bisect(lo, hi float64, f func(float64) float64) float64 {
	for {
		mid := lo + (hi-lo)/2
		if mid <= lo || mid >= hi {
			return mid
		}
		if f(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
}
