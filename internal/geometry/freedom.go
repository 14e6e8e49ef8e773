package geometry

import "trigone/internal/units"

// LargestFreeDiameter gives the largest antero-posterior diameter of a slice at which
// both leaflets, sliding freely until their tips are level, meet the target
// coaptation with the closure line at minShare or farther from the anterior hinge;
// with a share of 0 the line may lie anywhere. It is never above LargestDiameter,
// which lets the line be held anywhere. For depth 0:
//
//	d = min(a + p − 2·c, (a − p)/(2·s − 1))   (mm)
//
// and with a depth the first is √((a−c)²−h²) + √((p−c)²−h²), the second where
// √((s·d)²+h²) − √(((1−s)·d)²+h²) = a − p, found by halving.
//
// Accepted: heights and target above 0, share 0 or from ½ to below 1, else ErrSlice.
// ErrNoWindow if a leaflet does not reach the target at any diameter, or the anterior
// one is not above the posterior one, which brings the line to the middle at any
// diameter. Source: derived, as FreeClosure.
func LargestFreeDiameter(anterior, posterior, depth, target units.Length, minShare units.Ratio) (units.Length, error) {
	if minShare != 0 && !(minShare >= 0.5 && minShare < 1) {
		return 0, ErrSlice
	}
	largest, err := LargestDiameter(anterior, posterior, depth, target, max(minShare, nearestLine))
	if err != nil || minShare == 0 {
		return largest, err
	}
	ahead := anterior.Minus(posterior)
	if ahead < 0 || ahead == 0 && minShare > 0.5 {
		return 0, ErrNoWindow
	}
	// How far ahead the anterior leaflet has to be for a line at the share rises with
	// the diameter.
	needed := func(d units.Length) units.Offset {
		return hypot(d.Scaled(minShare), depth).Minus(hypot(d.Scaled(1-minShare), depth))
	}
	if needed(largest) <= ahead {
		return largest, nil
	}
	low, high := units.Length(0), largest
	for range 60 {
		if middle := low.Plus(high).Scaled(0.5); needed(middle) <= ahead {
			low = middle
		} else {
			high = middle
		}
	}
	return low, nil
}
