package geometry

import (
	"math"

	"trigone/internal/units"
)

// TriangularResectionArea gives the leaflet area of a triangle with its base on
// the free edge.
//
//	½ · w · h   (mm, cm2)
//
// Accepted: 0 or more. Source: arithmetic.
func TriangularResectionArea(freeEdge, height units.Length) units.Area {
	return TrapezoidResectionArea(freeEdge, 0, height)
}

// TrapezoidResectionArea gives the leaflet area of a quadrangular resection from
// its widths at the free edge and at the annulus.
//
//	½ · (w free + w base) · h   (mm, cm2)
//
// Accepted: 0 or more. Source: arithmetic.
func TrapezoidResectionArea(freeEdge, base, height units.Length) units.Area {
	return freeEdge.Plus(base).Times(height).Scaled(0.5)
}

// StripArea gives the leaflet area of a strip taken off along a base.
//
//	w · r   (mm, cm2)
//
// Accepted: 0 or more. Source: arithmetic.
func StripArea(base, strip units.Length) units.Area { return base.Times(strip) }

// ResidualHeight gives the height of a segment after a strip was taken off, at
// the free edge or (with a sliding plasty) at the base.
//
//	h − r   (mm)
//
// Accepted: strip 0 or more and below the height, else ErrNothingLeft. Source:
// arithmetic.
func ResidualHeight(native, strip units.Length) (units.Length, error) {
	left := native.Minus(strip)
	if !(left > 0) {
		return 0, ErrNothingLeft
	}
	return left.NotBelowZero(), nil
}

// SeamHeight gives the height along the seam after the sides of a triangular or
// quadrangular resection were joined, less a base strip. It holds where the
// native height is that of the cut edges; after a resection down to the annulus
// with a sliding plasty the height of the seam is measured, not derived.
//
//	√(h² + ((w free − w base)/2)²) − r   (mm)
//
// Accepted: height above 0, widths and strip 0 or more; ErrNothingLeft if the
// strip is as high as the seam. Source: derived.
func SeamHeight(height, freeEdge, base, strip units.Length) (units.Length, error) {
	side := hypot(height, units.Length(freeEdge.Minus(base).Scaled(0.5)))
	return ResidualHeight(side, strip)
}

// ConeExcess gives how much higher a flat sheet stands at the seam after a
// triangle was taken out and its sides joined: to first order what SeamHeight
// says above the native height.
//
//	w² / (8·h)   (mm)
//
// Accepted: height above 0, width up to about the height. Source: derived.
func ConeExcess(freeEdge, height units.Length) units.Length {
	return freeEdge.Scaled(freeEdge.Over(height)).Scaled(1.0 / 8)
}

// BaseClosed gives the width of a base gap that both advances of the cut edges
// and the plication close together, before the ring. The advances need not be
// equal.
//
//	lateral + medial + plication   (mm)
//
// Accepted: 0 or more each. Source: arithmetic.
func BaseClosed(lateral, medial, plication units.Length) units.Length {
	return lateral.Plus(medial).Plus(plication)
}

// BaseGap gives the width of the base gap that is left open: above 0 something
// is not accounted for, below 0 more was closed than was cut.
//
//	w base − (lateral + medial + plication)   (mm)
//
// Accepted: 0 or more each. Source: arithmetic.
func BaseGap(base, lateral, medial, plication units.Length) units.Offset {
	return base.Minus(BaseClosed(lateral, medial, plication))
}

// HeightProfile tells how even the heights of the posterior leaflet are.
// LowestToHighest is 1 for a level leaflet; Variation is the standard deviation
// (of these heights themselves, divisor n) over the mean; SideAsymmetry is 0 if
// the lateral and the medial segment are equal.
type HeightProfile struct {
	LowestToHighest units.Ratio
	Variation       units.Ratio
	SideAsymmetry   units.Ratio
}

// Profile gives the HeightProfile of the three posterior segments.
//
//	min/max;  SD/mean;  |h1 − h3|/(h1 + h3)   (mm, 1)
//
// Accepted: finite heights above 0, else ErrHeights. No published cut-off.
// Source: derived.
func Profile(lateral, middle, medial units.Length) (HeightProfile, error) {
	heights := []units.Length{lateral, middle, medial}
	var sum units.Length
	for _, h := range heights {
		if !(h > 0) || math.IsInf(float64(h), 0) {
			return HeightProfile{}, ErrHeights
		}
		sum = sum.Plus(h)
	}
	mean := sum.Scaled(1.0 / 3)
	var squares float64
	for _, h := range heights {
		deviation := float64(h.Minus(mean))
		squares += deviation * deviation
	}
	return HeightProfile{
		LowestToHighest: min(lateral, middle, medial).Over(max(lateral, middle, medial)),
		Variation:       units.Ratio(math.Sqrt(squares/3) / float64(mean)),
		SideAsymmetry:   lateral.Minus(medial).Size().Over(lateral.Plus(medial)),
	}, nil
}

// SlidingStripArea gives the leaflet area of the base strip that a sliding plasty
// takes off on one side.
//
//	½ · (strip at the cut edge + strip at the far end) · detached length   (mm, cm2)
//
// Accepted: 0 or more. Source: arithmetic.
func SlidingStripArea(detached, atCutEdge, atFarEnd units.Length) units.Area {
	return TrapezoidResectionArea(atCutEdge, atFarEnd, detached)
}

// PosteriorShareOfRing is the share of a complete ring's circumference that lies
// behind the trigones: they stand at a quarter of it.
const PosteriorShareOfRing units.Ratio = 0.75

// PosteriorArcOfRing gives the length of a complete ring from trigone to trigone
// behind, the ring taken as an ellipse of its inner diameters.
//
//	¾ · P(AP, T)   (mm)
//
// Accepted: diameters above 0. Source: the quarter read in the abstract of PMID
// 17965505; ellipse as EllipsePerimeter.
func PosteriorArcOfRing(anteroPosterior, transverse units.Length) units.Length {
	return EllipsePerimeter(anteroPosterior, transverse).Scaled(PosteriorShareOfRing)
}

// WidthClosedByRing gives the width of leaflet base that a ring or band takes in
// by itself: a resection no wider leaves the base uncrowded without plication.
// Below 0 the device is longer than the annulus.
//
//	native posterior annulus − posterior arc of the device   (mm)
//
// Accepted: above 0. Source: derived.
func WidthClosedByRing(native, device units.Length) units.Offset { return native.Minus(device) }

// BasePerAnnulus gives the leaflet base that is left over the length of annulus
// that it is attached to: above 1 the base is crowded, below 1 stretched.
//
//	(native base − Σ w base) / posterior arc of the device   (mm, 1)
//
// Accepted: arc above 0, widths not above the base. No published cut-off.
// Source: derived.
func BasePerAnnulus(native, resected, device units.Length) units.Ratio {
	return units.Length(native.Minus(resected)).Over(device)
}

// DiameterReduction gives by how much a ring shortens a diameter of the annulus;
// below 0 it widens it.
//
//	100 · (1 − ring / native)   (mm, %)
//
// Accepted: native above 0, both antero-posterior or both transverse. Source:
// arithmetic.
func DiameterReduction(native, ring units.Length) units.Fraction {
	return (1 - ring.Over(native)).Percent()
}

// HeightAboveWindow gives by how much a posterior leaflet is higher than the
// window allows that keeps the closure line at minShare of the diameter from the
// anterior hinge; below 0 it is inside that edge.
//
//	p − (a − √((s·d)² + h²) + √(((1−s)·d)² + h²))   (mm; p − (a − (2·s − 1)·d) for depth 0)
//
// Accepted: as PlanningWindow. Source: derived.
func HeightAboveWindow(anterior, posterior, diameter, depth units.Length, minShare units.Ratio) units.Offset {
	return posterior.Offset() - balanced(anterior, diameter, depth, minShare)
}
