package geometry

import (
	"math"

	"trigone/internal/units"
)

// Window is the range of posterior leaflet heights (mm) that meets a target
// coaptation and keeps the closure line away from the outflow tract. At Lowest
// the coaptation is the target; at Highest the line lies at the wanted share.
type Window struct {
	Lowest  units.Length
	Highest units.Length
}

// PlanningWindow gives the posterior heights with which a slice of the given
// anterior height, diameter and depth closes over at least the target length
// with the closure line at minShare of the diameter or farther from the anterior
// hinge (2/3 usual, 3/4 also taught; common practice, no source). For depth 0:
//
//	lowest = 2·c + d − a,  highest = a − (2·s − 1)·d   (mm)
//
// and with a depth the same two conditions on the tented form:
//
//	lowest = c + √(((1−t)·d)² + h²) with t·d = √((a−c)² − h²)
//	highest = a − √((s·d)² + h²) + √(((1−s)·d)² + h²)
//
// Where the anterior leaflet alone would carry the line beyond the posterior
// hinge (t above 1) the lowest height is the one that puts it on the hinge; the
// coaptation is then above the target.
//
// Accepted: heights, diameter and target above 0, share above 0 and below 1,
// else ErrSlice. ErrNoWindow if the lowest height is above the highest, which is
// so if the anterior height is below RequiredAnterior; the window is returned
// with it where both edges exist, so that the gap can be told, and is empty where
// the anterior leaflet does not reach the entry at all. Source: derived.
func PlanningWindow(anterior, diameter, depth, target units.Length, minShare units.Ratio) (Window, error) {
	if !(Slice{anterior, target, diameter, depth}).usable() || !(minShare > 0 && minShare < 1) {
		return Window{}, ErrSlice
	}
	reach := leg(anterior.Minus(target), depth)
	if math.IsNaN(float64(reach)) {
		return Window{}, ErrNoWindow
	}
	share := min(reach.Over(diameter), 1)
	lowest := balanced(anterior, diameter, depth, share)
	highest := balanced(anterior, diameter, depth, minShare)
	w := Window{Lowest: units.Length(lowest), Highest: highest.NotBelowZero()}
	if share < minShare {
		return w, ErrNoWindow
	}
	return w, nil
}

// RequiredAnterior gives the lowest anterior height with which PlanningWindow is
// not empty.
//
//	a = c + √((s·d)² + h²)   (mm; c + s·d for depth 0)
//
// Accepted: as PlanningWindow. Source: derived.
func RequiredAnterior(diameter, depth, target units.Length, minShare units.Ratio) units.Length {
	return target.Plus(hypot(diameter.Scaled(minShare), depth))
}

// LargestDiameter gives the largest antero-posterior diameter at which two
// leaflets reach the target coaptation with the closure line at minShare or
// farther from the anterior hinge.
//
//	d = min(a + p − 2·c, (a − c)/s)   (mm, depth 0)
//	d = min(√((a−c)²−h²) + √((p−c)²−h²), √((a−c)²−h²)/s)   with a depth
//
// Accepted: as PlanningWindow, else ErrSlice. ErrNoWindow if a leaflet is too low
// for the target at any diameter. Source: derived.
func LargestDiameter(anterior, posterior, depth, target units.Length, minShare units.Ratio) (units.Length, error) {
	if !(Slice{anterior, posterior, target, depth}).usable() || !(minShare > 0 && minShare < 1) {
		return 0, ErrSlice
	}
	front, back := leg(anterior.Minus(target), depth), leg(posterior.Minus(target), depth)
	if math.IsNaN(float64(front)) || math.IsNaN(float64(back)) {
		return 0, ErrNoWindow
	}
	return min(front.Plus(back), front.Scaled(1/minShare)), nil
}

// balanced gives the posterior height that brings both tips level at a share.
func balanced(anterior, diameter, depth units.Length, share units.Ratio) units.Offset {
	front := hypot(diameter.Scaled(share), depth)
	back := hypot(diameter.Scaled(1-share), depth)
	return anterior.Plus(back).Minus(front)
}

// leg gives the run along the annular plane of a straight leaflet part of the
// given length that ends at depth; not a number if it is too short.
func leg(length units.Offset, depth units.Length) units.Length {
	if !(length > 0) {
		return units.Length(math.NaN())
	}
	l, h := float64(length), float64(depth)
	return units.Length(math.Sqrt(l*l - h*h))
}
