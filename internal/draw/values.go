package draw

import (
	"strings"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// values are what the evaluation says, by key: measured, planned, computed.
type values map[valve.Key]metric.Value

// reader is a subject with its values at hand.
type reader struct {
	Subject
	values values
	// plan is the plan that the drawing is about; nil: there is none.
	plan *repair.Plan
	// planned are the values of that plan where it is not the newest, which the
	// evaluation speaks of; nil: it is.
	planned valve.Measurements
}

// modelLabel says what the predictions of the evaluation are.
func (r *reader) modelLabel() string {
	var c metric.Calibrated
	for _, v := range r.Evaluation.Metrics {
		c.Add(v.Key.Role, v.Calibration)
	}
	return c.Label()
}

func (s Subject) reader() *reader {
	r := &reader{Subject: s, values: values{}, plan: s.Case.Plan}
	for _, v := range s.Evaluation.Metrics {
		r.values[v.Key] = v
	}
	if f := s.Evaluation.InForce; f.Effective() && f.Revision.Plan != nil && f.Revision.Revision != s.Case.PlanRevision {
		r.plan, r.planned = f.Revision.Plan, f.Revision.Measured
	}
	return r
}

// amount is a value that can be drawn, or the reason why there is none.
type amount struct {
	value float64
	known bool
	// disputed says that an open contradiction names it, asTyped that it is likely a
	// slip: it is told and marked, and nothing is drawn to its scale.
	disputed, asTyped bool
	text              string // with its unit
}

// doubtful says whether the value is told but not drawn to scale.
func (a amount) doubtful() bool { return a.disputed || a.asTyped }

// sound says whether it can be drawn to scale.
func (a amount) sound() bool { return a.known && !a.doubtful() }

// marked gives the text with what is known against the value; empty: there is none.
func (a amount) marked() string {
	switch {
	case !a.known:
		return ""
	case a.disputed:
		return a.text + " (disputed)"
	case a.asTyped:
		return a.text + " (as typed: check the unit)"
	}
	return a.text
}

func (r *reader) at(k valve.Key) amount {
	if k.Role == valve.Planned && r.planned != nil {
		if m, ok := r.planned[k]; ok && m.Value.IsSome() {
			_, grid, _ := metric.Describe(k.ID)
			v := units.Round(m.Value.OrElse(0), grid)
			return amount{value: v, known: true, text: format(k.ID, v)}
		}
		return amount{}
	}
	v, ok := r.values[k]
	if !ok || v.State != metric.HasValue && v.State != metric.Disputed {
		return amount{}
	}
	return amount{
		value: v.Value, known: true, disputed: v.State == metric.Disputed,
		asTyped: r.Case.Measured[k].Slip || strings.HasPrefix(v.Explanation, "as typed"), text: format(k.ID, v.Value),
	}
}

// dimension gives a dimension of a step, planned or performed, at a place within it.
func (r *reader) dimension(planned bool, id valve.ID, within valve.Place) amount {
	k := valve.Key{ID: id, Place: within, Occasion: valve.AtOperation, Role: valve.Measured}
	if planned {
		k.Occasion, k.Role = valve.AtPlan, valve.Planned
	}
	return r.at(k)
}

// format writes a number with its unit, on the catalogue's grid and without zeros
// that only fill it.
func format(id valve.ID, v float64) string {
	unit, grid, ok := metric.Describe(id)
	if !ok {
		return ""
	}
	return trimmed(units.Format(v, unit, grid))
}

// bare is format without the unit.
func bare(id valve.ID, v float64) string {
	number, _, _ := strings.Cut(format(id, v), unbroken)
	return number
}

// unbroken is the space that no line ends at: a number and its unit stay together.
const unbroken = "\u00a0"

// trimmed takes the zeros behind the point from a number with a unit.
func trimmed(text string) string {
	number, rest, spaced := strings.Cut(text, " ")
	if strings.Contains(number, ".") {
		end := strings.IndexFunc(number, func(r rune) bool { return r != '.' && r != '-' && (r < '0' || r > '9') })
		tail := ""
		if end >= 0 {
			number, tail = number[:end], number[end:]
		}
		number = strings.TrimSuffix(strings.TrimRight(number, "0"), ".") + tail
	}
	if spaced {
		return number + unbroken + rest
	}
	return number
}

// unitText is the unit of a quantity as it is printed.
func unitText(id valve.ID) string {
	unit, _, _ := metric.Describe(id)
	return unit.Text()
}

// nativeHeight gives the height of a segment before anything was done: of the newest
// assessment that has one, else as measured in the field before leaflet work.
func (r *reader) nativeHeight(s valve.Segment) amount {
	place := valve.AtStation(s, valve.SegmentMid)
	assessments := r.Case.OfKind(repair.Assessment)
	for i := len(assessments) - 1; i >= 0; i-- {
		if a := r.at(valve.Key{ID: valve.LeafletHeight, Place: place, Occasion: assessments[i].Occasion, Role: valve.Measured}); a.known {
			return a
		}
	}
	if o := r.Case.Operation; o != nil {
		for _, f := range o.FieldSets {
			if f.Stage == valve.Native {
				if a := r.at(valve.Key{ID: valve.LeafletHeight, Place: place, Occasion: f.Occasion, Role: valve.Measured}); a.known {
					return a
				}
			}
		}
	}
	return amount{}
}

// plannedHeight gives the final height that the plan means.
func (r *reader) plannedHeight(s valve.Segment) amount {
	if r.planned == nil && s.Leaflet() == valve.Posterior {
		if a := r.at(valve.Key{ID: metric.IDFinalPosteriorHeight, Place: valve.AtSegment(s), Occasion: valve.AtPlan, Role: valve.Planned}); a.known {
			return a
		}
	}
	for _, st := range []valve.Station{valve.Seam, valve.SegmentMid} {
		if a := r.at(valve.Key{ID: valve.LeafletHeight, Place: valve.AtStation(s, st), Occasion: valve.AtPlan, Role: valve.Planned}); a.known {
			return a
		}
	}
	return amount{}
}

// finalHeight gives the height at the end of what was done.
func (r *reader) finalHeight(s valve.Segment) amount {
	o := r.Case.Operation
	if o == nil {
		return amount{}
	}
	if s.Leaflet() == valve.Posterior {
		for run := max(o.LastRun(), 1); run >= 1; run-- {
			if a := r.at(valve.Key{ID: metric.IDFinalPosteriorHeight, Place: valve.AtSegment(s), Occasion: valve.InRun(run, ""), Role: valve.Derived}); a.known {
				return a
			}
		}
	}
	var last amount
	for _, f := range o.FieldSets {
		if f.Stage.Rank() < valve.AfterLeafletWork.Rank() {
			continue
		}
		for _, st := range []valve.Station{valve.Seam, valve.SegmentMid} {
			if a := r.at(valve.Key{ID: valve.LeafletHeight, Place: valve.AtStation(s, st), Occasion: f.Occasion, Role: valve.Measured}); a.known {
				last = a
				break
			}
		}
	}
	for _, st := range r.Case.OfKind(repair.Result) {
		if a := r.at(valve.Key{ID: valve.LeafletHeight, Place: valve.AtStation(s, valve.SegmentMid), Occasion: st.Occasion, Role: valve.Measured}); a.known {
			last = a
		}
	}
	return last
}
