package latitude

import (
	"maps"
	"slices"
	"strings"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// noRing is the step of a ring that nobody planned or set; no client can give such
// an id.
const noRing = "(none)"

// hypothesis is the valve as it would be once what is planned and not yet done is
// done. Changes are tried on it, and what they come to is computed by the catalogue
// itself: the same numbers as an evaluation's.
type hypothesis struct {
	c      *repair.Case // left as it is: each trial is a copy
	s      settings.Settings
	plan   bool // leaflet work is to come: heights are the plan's
	run    int
	ring   string                  // id of its ring, or noRing
	origin map[valve.Key]valve.Key // where a value stands on record, if elsewhere
}

// suppose makes the hypothesis from the case without what is disputed.
func (f *finder) suppose(s settings.Settings) *hypothesis {
	var disputed []valve.Key
	for _, v := range f.e.Metrics {
		if v.State == metric.Disputed {
			disputed = append(disputed, v.Key)
		}
	}
	c := *f.c
	c.Measured = maps.Clone(f.c.Measured)
	for _, k := range disputed {
		m := c.Measured[k]
		m.Value = units.None[float64]()
		c.Measured[k] = m
	}
	h := &hypothesis{c: &c, s: s, plan: f.planned, run: max(f.c.Operation.LastRun(), 1), ring: noRing, origin: map[valve.Key]valve.Key{}}

	ring := repair.Step{ID: noRing, Technique: repair.Annuloplasty, Ring: &repair.Ring{Kind: repair.CompleteRing}, Run: h.run}
	if f.ring != nil {
		ring = *f.ring
		h.ring = ring.ID
	}
	plan := repair.Plan{}
	if c.Plan != nil {
		plan = *c.Plan
	}
	other := func(s repair.Step) bool { return s.Technique == repair.Annuloplasty }
	plan.Steps = append(slices.DeleteFunc(slices.Clone(plan.Steps), other), ring)
	c.Plan = &plan
	if f.ringDone {
		h.move(ring.ID, valve.AtOperation, valve.Measured, valve.AtPlan, valve.Planned)
	}
	if h.plan {
		return h
	}

	operation := repair.Operation{}
	if c.Operation != nil {
		operation = *c.Operation
	}
	operation.Steps = slices.Clone(operation.Steps)
	later := len(operation.Steps)
	add := func(s repair.Step) {
		later++
		s.Run, s.Order, s.Fate = h.run, 1000+later, repair.InPlace
		operation.Steps = append(operation.Steps, s)
		h.move(s.ID, valve.AtPlan, valve.Planned, valve.AtOperation, valve.Measured)
	}
	if f.c.Plan != nil {
		for _, s := range firmSteps(f.c.Plan) {
			if s.Technique != repair.Annuloplasty && !f.performed(s) {
				add(s)
			}
		}
	}
	if !f.ringDone {
		add(ring)
	}
	c.Operation = &operation
	return h
}

// move puts the values of a step where the other occasion has them.
func (h *hypothesis) move(step string, from valve.Occasion, fromRole valve.Role, to valve.Occasion, role valve.Role) {
	moved := valve.Measurements{}
	for k, m := range h.c.Measured {
		if k.Place.Step() == step && k.Occasion == from && k.Role == fromRole {
			there := k
			there.Occasion, there.Role = to, role
			moved[there] = m
			h.origin[there] = k
		}
	}
	maps.Copy(h.c.Measured, moved)
}

// at gives where a slice is predicted.
func (h *hypothesis) at(place valve.Place) metric.At {
	if h.plan {
		return metric.At{Place: place, Occasion: valve.AtPlan, Role: valve.PredictedFromPlan, Stage: valve.LeavingTheatre}
	}
	return metric.At{Place: place, Occasion: valve.AtOperation, Role: valve.PredictedFromExecution, Run: h.run, Stage: valve.LeavingTheatre}
}

// found gives where a metric of the heights stands.
func (h *hypothesis) found(place valve.Place) metric.At {
	if h.plan {
		return metric.At{Place: place, Occasion: valve.AtPlan, Role: valve.Planned}
	}
	return metric.At{Place: place, Occasion: valve.InRun(h.run, ""), Role: valve.Derived, Run: h.run, Stage: valve.AfterRing}
}

// across gives where the gradient across the ring is expected.
func (h *hypothesis) across() metric.At {
	return metric.At{Place: valve.AtStep(h.ring), Occasion: valve.AtPlan, Role: valve.Planned}
}

func (h *hypothesis) compute(c *repair.Case, id valve.ID, at metric.At) metric.Value {
	v, _ := metric.ComputeAt(c, h.s, id, at)
	v.Inputs = h.onRecord(v.Inputs)
	for i, m := range v.Missing {
		v.Missing[i] = strings.Replace(m, " at step:"+noRing, "", 1)
	}
	return v
}

// onRecord gives inputs under the keys that the record has them under; what a trial
// put there is left out.
func (h *hypothesis) onRecord(list []valve.InputValue) []valve.InputValue {
	var out []valve.InputValue
	for _, in := range list {
		if in.Key.Place.Step() == noRing || in.Key.Occasion == tried {
			continue
		}
		if k, moved := h.origin[in.Key]; moved {
			in.Key = k
		}
		out = append(out, in)
	}
	return out
}

// tried is the occasion of heights that a trial puts in.
var tried = valve.Occasion("operation/tried")

// dimensions are the inner dimensions of a complete ring.
type dimensions struct{ antero, transverse, orifice units.Maybe[float64] }

// size gives the dimensions of the hypothesis' ring: as recorded, or else by its label from
// the site's ring table.
func (h *hypothesis) size() dimensions {
	dim := func(leaf valve.ID) units.Maybe[float64] {
		return h.c.Measured[h.ringKey(leaf, true)].Value
	}
	d := dimensions{dim(valve.RingInnerAnteroPosteriorDiameter), dim(valve.RingInnerTransverseDiameter), dim(valve.RingOrificeArea)}
	i := slices.IndexFunc(h.c.Plan.Steps, func(s repair.Step) bool { return s.ID == h.ring && s.Ring != nil })
	if i < 0 {
		return d
	}
	ring := h.c.Plan.Steps[i].Ring
	label := ring.ImplantedLabel
	if label.IsNone() && ring.PlannedLabelMin == ring.PlannedLabelMax {
		label = ring.PlannedLabelMin
	}
	if l, known := label.Get(); known {
		if row, ok := h.s.Ring(ring.FamilyKey, l); ok {
			d = dimensions{or(d.antero, row.InnerAnteroPosteriorMM), or(d.transverse, row.InnerTransverseMM), or(d.orifice, row.OrificeAreaCM2)}
		}
	}
	return d
}

func or(a, b units.Maybe[float64]) units.Maybe[float64] {
	if a.IsSome() {
		return a
	}
	return b
}

func (h *hypothesis) ringKey(leaf valve.ID, plan bool) valve.Key {
	if plan {
		return valve.Key{ID: leaf, Place: valve.AtStep(h.ring), Occasion: valve.AtPlan, Role: valve.Planned}
	}
	return valve.Key{ID: leaf, Place: valve.AtStep(h.ring), Occasion: valve.AtOperation, Role: valve.Measured}
}

func (h *hypothesis) copy() *repair.Case {
	c := *h.c
	c.Measured = maps.Clone(h.c.Measured)
	return &c
}

// withRing gives the case with another complete ring in the place of its own.
func (h *hypothesis) withRing(c *repair.Case, d dimensions, label units.Maybe[float64], family string) *repair.Case {
	for leaf, v := range map[valve.ID]units.Maybe[float64]{
		valve.RingInnerAnteroPosteriorDiameter: d.antero, valve.RingInnerTransverseDiameter: d.transverse, valve.RingOrificeArea: d.orifice,
	} {
		for _, plan := range []bool{true, false} {
			k := h.ringKey(leaf, plan)
			m := c.Measured[k]
			m.Value, m.Absent = v, ""
			c.Measured[k] = m
		}
	}
	exchange := func(steps []repair.Step) []repair.Step {
		list := slices.Clone(steps)
		for i := range list {
			if list[i].ID == h.ring {
				ring := repair.Ring{}
				if list[i].Ring != nil {
					ring = *list[i].Ring
				}
				ring.Kind = repair.CompleteRing
				ring.FamilyKey, ring.ImplantedLabel, ring.PlannedLabelMin, ring.PlannedLabelMax = family, label, label, label
				list[i].Ring = &ring
			}
		}
		return list
	}
	plan := *c.Plan
	plan.Steps = exchange(plan.Steps)
	c.Plan = &plan
	if c.Operation != nil {
		operation := *c.Operation
		operation.Steps = exchange(operation.Steps)
		c.Operation = &operation
	}
	return c
}

// scaled gives the case with a ring of the shape of its own and another inner
// antero-posterior diameter. The case given is a copy, which it changes; so do the
// others.
func (h *hypothesis) scaled(c *repair.Case, mm float64) *repair.Case {
	d := h.size()
	if was, known := d.antero.Get(); known && was > 0 {
		k := mm / was
		if v, ok := d.transverse.Get(); ok {
			d.transverse = units.Some(v * k)
		}
		if v, ok := d.orifice.Get(); ok {
			d.orifice = units.Some(v * k * k)
		}
	} else {
		d.transverse, d.orifice = units.None[float64](), units.None[float64]()
	}
	d.antero = units.Some(mm)
	return h.withRing(c, d, units.None[float64](), "")
}

// withHeight gives the case with another final height of a segment, as well known
// as the one that it had.
func (h *hypothesis) withHeight(c *repair.Case, seg valve.Segment, mm float64) *repair.Case {
	occasion, role := valve.AtPlan, valve.Planned
	if !h.plan {
		occasion, role = tried, valve.Measured
	}
	m := h.heightNow(seg)
	m.Value, m.Absent = units.Some(mm), ""
	for _, st := range []valve.Station{valve.SegmentMid, valve.Seam, valve.SeamLateralEdge, valve.SeamMedialEdge} {
		delete(c.Measured, valve.Key{ID: valve.LeafletHeight, Place: valve.AtStation(seg, st), Occasion: occasion, Role: role})
	}
	// Where there is no other height at the occasion the suture line is read, whether
	// or not the segment was reshaped.
	c.Measured[valve.Key{ID: valve.LeafletHeight, Place: valve.AtStation(seg, valve.Seam), Occasion: occasion, Role: role}] = m
	if h.plan || len(c.Operation.FieldSets) > 0 && c.Operation.FieldSets[0].Occasion == tried {
		return c
	}
	operation := *c.Operation
	// First of its run and stage, so that it is read before what was measured.
	operation.FieldSets = append([]repair.FieldSet{{Occasion: tried, Run: h.run, Stage: valve.AfterRing}}, operation.FieldSets...)
	c.Operation = &operation
	return c
}

// heightNow gives the measurement that a final height starts from, for its method and
// its standard deviation.
func (h *hypothesis) heightNow(seg valve.Segment) valve.Measurement {
	v := h.compute(h.c, metric.IDHeightRatio, h.found(valve.AtSlice(valve.A2P2)))
	for _, in := range v.Inputs {
		if in.Key.ID == valve.LeafletHeight && in.Key.Place.Segment() == seg {
			return h.c.Measured[in.Key]
		}
	}
	return valve.Measurement{}
}
