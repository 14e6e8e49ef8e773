package metric

import (
	"slices"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

// ComputeSome computes what is wanted of what Compute does, in the same order.
// It is for those who ask the same case again after a few values have changed.
func ComputeSome(c *repair.Case, s settings.Settings, wanted func(id valve.ID, at At) bool) []Value {
	var values []Value
	shared := NewReader(c, s, At{})
	for i := range catalogue {
		m := &catalogue[i]
		for _, at := range m.Where(c) {
			if wanted(m.ID, at) {
				values = append(values, computeOne(m, shared.Elsewhere(at)))
			}
		}
	}
	return values
}

// PlannedStation gives the station at which the planned final height of a segment
// is read first: the seam where the planned steps reshape the segment, else its
// middle.
func PlannedStation(c *repair.Case, seg valve.Segment) valve.Station {
	if slices.ContainsFunc(moment{plan: true}.steps(c), func(s repair.Step) bool { return reshapes(s, seg) }) {
		return valve.Seam
	}
	return valve.SegmentMid
}
