package metric

import (
	"math"
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

// Middle computes one value at a place, not yet on its grid and without its
// uncertainty, for those who look for the value of a dimension at which it crosses
// a limit. Why says what keeps it from having a value.
func Middle(c *repair.Case, s settings.Settings, id valve.ID, at At) (value float64, state State, why string) {
	m, known := MetricByID(id)
	if !known {
		return nan, NotEvaluable, "not in the catalogue"
	}
	r := NewReader(c, s, at)
	value = m.Compute(r)
	switch {
	case r.notApplicable:
		return nan, NotApplicable, r.explanation
	case len(r.missing) > 0, r.refused, math.IsNaN(value), math.IsInf(value, 0):
		return nan, NotEvaluable, r.explanation
	}
	return value, HasValue, ""
}

// DomainReasons gives why the model of the prediction does not hold for the valve
// as it is planned, or as it was at the end; empty where it does.
func DomainReasons(c *repair.Case, planned bool) []string {
	if !planned {
		return OutsideDomain(c)
	}
	m := moment{plan: true}
	return outsideDomain(c, m, m.steps(c))
}

// ComputeAt computes one value at a place, whether or not the case asks for it
// there; ok is false for an id that the catalogue has not.
func ComputeAt(c *repair.Case, s settings.Settings, id valve.ID, at At) (v Value, ok bool) {
	i, known := metricIndex[id]
	if !known {
		return Value{}, false
	}
	return computeOne(&catalogue[i], NewReader(c, s, at)), true
}
