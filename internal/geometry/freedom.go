package geometry

import "trigone/internal/units"

// LargestFreeDiameter gives the largest antero-posterior diameter of a flat slice
// at which both leaflets, sliding freely until their tips are level, meet the
// target coaptation with the closure line at minShare or farther from the anterior
// hinge. It is never above LargestDiameter, which lets the line be held anywhere.
//
//	d = min(a + p − 2·c, (a − p)/(2·s − 1))   (mm)
//
// Accepted: heights and target above 0, share from ½ to below 1, else ErrSlice.
// ErrNoWindow if a leaflet is not above the target, or the anterior one not above
// the posterior one, which brings the line to the middle at any diameter. Source:
// derived from FlatCoaptation and FlatAnteriorShare.
func LargestFreeDiameter(anterior, posterior, target units.Length, minShare units.Ratio) (units.Length, error) {
	if !(minShare >= 0.5 && minShare < 1) {
		return 0, ErrSlice
	}
	largest, err := LargestDiameter(anterior, posterior, 0, target, minShare)
	if err != nil {
		return 0, err
	}
	ahead := anterior.Minus(posterior)
	if ahead < 0 || ahead == 0 && minShare > 0.5 {
		return 0, ErrNoWindow
	}
	if minShare == 0.5 {
		return largest, nil
	}
	return min(largest, units.Length(ahead).Scaled(1/(2*minShare-1))), nil
}
