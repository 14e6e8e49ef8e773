// Package latitude says what can still be changed at one moment of an operation:
// the ranges in which a dimension still meets the plan's target, the planned steps
// that no longer fit, and the age of what this rests on. The contract calls it
// freedom. It reads an evaluation and judges nothing again.
package latitude

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"trigone/internal/discrepancy"
	"trigone/internal/evaluate"
	"trigone/internal/geometry"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/rules"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Latitude is what can still be changed at one moment of an operation, which
// planned step no longer fits, and how old each input is.
type Latitude struct {
	Time   time.Time
	Ranges []Range
	Unfit  []UnfitStep
	Ages   []InputAge
}

// Range is the range in which one dimension meets the plan's coaptation
// target of A2-P2 while everything else stays as it is.
type Range struct {
	Leaf        valve.ID
	Place       valve.Place
	State       metric.State // HasValue, NotEvaluable or NotApplicable
	Lower       units.Maybe[float64]
	Upper       units.Maybe[float64]
	Unit        units.Unit
	Explanation string
	Inputs      []valve.InputValue
	Missing     []string
	Present     units.Maybe[float64]
	Done        bool // it changes only by doing it again
}

// Position says where the present value lies.
type Position string

// The positions; the zero Position is not known.
const (
	Within Position = "within"
	Below  Position = "below"
	Above  Position = "above"
)

// Position gives where the present value lies in the range.
func (r Range) Position() Position {
	v, known := r.Present.Get()
	if !known || r.State != metric.HasValue {
		return ""
	}
	if low, bounded := r.Lower.Get(); bounded && v < low {
		return Below
	}
	if high, bounded := r.Upper.Get(); bounded && v > high {
		return Above
	}
	return Within
}

// UnfitReason says why a planned step no longer fits.
type UnfitReason string

// The reasons.
const (
	OutsideRange  UnfitReason = "outside_range"
	DoneOtherwise UnfitReason = "done_otherwise"
	FindingSays   UnfitReason = "finding"
)

// UnfitStep is a planned step that no longer fits.
type UnfitStep struct {
	PlannedStepID string
	Reason        UnfitReason
	Message       string
	FindingID     string
	DiscrepancyID string
}

// InputAge is how old the values of one occasion are.
type InputAge struct {
	Occasion    valve.Occasion
	Time        time.Time // zero: not recorded
	Age         units.Maybe[time.Duration]
	Explanation string
}

// middleContact is what the plan aims at.
var middleContact = valve.Key{ID: valve.CoaptationLength, Place: valve.AtSlice(valve.A2P2)}

// Of gives the latitude that a case leaves at a moment. It reads the values
// of the evaluation of this case, so that a disputed value moves nothing. The
// ends of a range are means of the closure model, flat and with both leaflets
// sliding freely; how far a prediction may be off is told by the evaluation's own
// interval.
func Of(c *repair.Case, e *evaluate.Evaluation, s settings.Settings, at time.Time) Latitude {
	f := finder{c: c, e: e}
	f.aim(s)
	f.look()
	out := Latitude{Time: at, Ranges: append([]Range{f.ringRange(), f.posteriorRange()}, f.chordRanges()...)}
	out.Unfit = f.unfit(out.Ranges)
	out.Ages = f.ages(out.Ranges, at)
	return out
}

// finder gathers what the ranges are computed from.
type finder struct {
	c *repair.Case
	e *evaluate.Evaluation

	target *repair.Target // of the coaptation length of A2-P2; nil: none
	share  units.Ratio    // least position of the closure line

	outside   string // why the model says nothing of this valve; empty: it does
	planned   bool   // heights are the planned ones: leaflet work is still to come
	anterior  known
	posterior known
	diameter  known
	ringKind  string
	ringPlace valve.Place
	ringDone  bool
}

// known is a length with what it was read from, or what is missing for it.
type known struct {
	value   units.Maybe[units.Length]
	inputs  []valve.InputValue
	missing []string
	note    string
}

// aim finds the plan's targets. Of several for one leaf the last stage counts; a
// closure line that the plan does not aim at, in the posterior half, is the
// site's.
func (f *finder) aim(s settings.Settings) {
	f.share = units.Fraction(s.Threshold(settings.AnteriorShareWanted).Value).Ratio()
	if f.c.Plan == nil {
		return
	}
	stage := -1
	for i := range f.c.Plan.Targets {
		t := &f.c.Plan.Targets[i]
		middle := t.Place == valve.AtSlice(valve.A2P2) || t.Place == valve.Nowhere
		if t.Leaf == valve.CoaptationLength && middle && t.Low.IsSome() && t.Stage.Rank() > stage {
			f.target, stage = t, t.Stage.Rank()
		}
		if low, ok := t.Low.Get(); ok && t.Leaf == valve.AnteriorClosureShare && low >= 50 && low < 100 {
			f.share = units.Fraction(low).Ratio()
		}
	}
}

// look finds the present state of the valve.
func (f *finder) look() {
	f.planned = f.leafletWorkToCome()
	run := max(f.c.Operation.LastRun(), 1)
	f.anterior, f.posterior = f.heights(f.planned, run)
	f.outside = f.outsideDomain()

	place, occasion, role := valve.Nowhere, valve.AtPlan, valve.Planned
	var ring *repair.Step
	if f.c.Plan != nil {
		ring = lastRing(firmSteps(f.c.Plan))
	}
	if f.c.Operation != nil {
		if done := lastRing(repair.InPlaceAtEnd(f.c.Operation.Steps)); done != nil {
			ring, occasion, role, f.ringDone = done, valve.AtOperation, valve.Measured, true
		}
	}
	if ring != nil {
		place = valve.AtStep(ring.ID)
		if ring.Ring != nil {
			f.ringKind = ring.Ring.Kind
		}
	}
	f.ringPlace = place
	f.diameter = f.read(valve.Key{ID: valve.RingInnerAnteroPosteriorDiameter, Place: place, Occasion: occasion, Role: role})
}

// read gives a leaf as the evaluation left it: a disputed value is none.
func (f *finder) read(k valve.Key) known {
	for _, v := range f.e.Metrics {
		if v.Key == k && v.State == metric.HasValue {
			return known{value: units.Some(units.Length(v.Value)), inputs: []valve.InputValue{{Key: k, Value: v.Value, Unit: unitOf(k.ID)}}}
		}
	}
	return known{missing: []string{k.String()}}
}

func unitOf(id valve.ID) units.Unit {
	unit, _, _ := metric.Describe(id)
	return unit
}

func (f *finder) value(k valve.Key) (metric.Value, bool) {
	i := slices.IndexFunc(f.e.Metrics, func(v metric.Value) bool { return v.Key == k })
	if i < 0 {
		return metric.Value{}, false
	}
	return f.e.Metrics[i], true
}

// heights gives the final heights of A2 and P2, as planned or after a run. The
// height of A2 is the one that the height ratio was made of.
func (f *finder) heights(plan bool, run int) (anterior, posterior known) {
	height, have := f.value(metric.FinalPosteriorHeightKey(plan, run))
	switch {
	case have && height.State == metric.HasValue:
		posterior = known{value: units.Some(units.Length(height.Value)), inputs: height.Inputs}
	case have && len(height.Missing) > 0:
		posterior.missing = height.Missing
	default:
		posterior.missing = []string{valve.Key{ID: valve.LeafletHeight, Place: valve.AtStation(valve.P2, valve.SegmentMid)}.String()}
	}

	ratio, have := f.value(metric.FinalHeightRatioKey(plan, run))
	anterior.missing = []string{valve.Key{ID: valve.LeafletHeight, Place: valve.AtStation(valve.A2, valve.SegmentMid)}.String()}
	if !have || ratio.State != metric.HasValue {
		if missing := slices.DeleteFunc(slices.Clone(ratio.Missing), func(m string) bool { return slices.Contains(posterior.missing, m) }); len(missing) > 0 {
			anterior.missing = missing
		}
		return anterior, posterior
	}
	var sum float64
	var read []valve.InputValue
	for _, in := range ratio.Inputs {
		if id := in.Key.Place.Step(); id != "" && f.stepAt(id, valve.A2) {
			anterior.note = "a step changed the anterior leaflet: its height has to be measured after it"
			return anterior, posterior
		}
		if in.Key.ID == valve.LeafletHeight && in.Key.Place.Segment() == valve.A2 {
			sum += in.Value
			read = append(read, in)
		}
	}
	if len(read) > 0 {
		anterior = known{value: units.Some(units.Length(sum / float64(len(read)))), inputs: read}
	}
	return anterior, posterior
}

func (f *finder) stepAt(id string, s valve.Segment) bool {
	var steps []repair.Step
	if f.c.Plan != nil {
		steps = append(steps, f.c.Plan.Steps...)
	}
	if f.c.Operation != nil {
		steps = append(steps, f.c.Operation.Steps...)
	}
	return slices.ContainsFunc(steps, func(step repair.Step) bool { return step.ID == id && step.At(s) })
}

// firmSteps gives the planned steps that are counted on: no condition, no
// alternative.
func firmSteps(p *repair.Plan) []repair.Step {
	return slices.DeleteFunc(slices.Clone(p.Steps), func(s repair.Step) bool { return s.Condition != "" || s.AlternativeOf != "" })
}

func lastRing(steps []repair.Step) *repair.Step {
	var last *repair.Step
	for i := range steps {
		s := &steps[i]
		if s.Technique == repair.Annuloplasty && (last == nil || cmp.Or(cmp.Compare(s.Run, last.Run), cmp.Compare(s.Order, last.Order)) >= 0) {
			last = s
		}
	}
	return last
}

// performed says whether a planned step was done: a performed one names it, or is
// of the same technique at the same place.
func (f *finder) performed(planned repair.Step) bool {
	if f.c.Operation == nil {
		return false
	}
	return slices.ContainsFunc(f.c.Operation.Steps, func(s repair.Step) bool {
		if s.PlannedStepID != "" || s.Technique != planned.Technique {
			return s.PlannedStepID == planned.ID
		}
		return len(planned.Places) == 0 || slices.ContainsFunc(s.Places, func(l repair.Location) bool { return slices.Contains(planned.Places, l) })
	})
}

func worksOnHeight(s repair.Step) bool {
	switch s.Technique {
	case repair.SlidingPlasty:
		return true
	case repair.LeafletResection, repair.HeightReduction, repair.FurtherTechnique:
		return s.At(valve.P2) || s.At(valve.A2) || len(s.Places) == 0
	}
	return false
}

// leafletWorkToCome says whether the heights will still change: a planned step
// that changes them is not done, and none was measured after the leaflet work.
func (f *finder) leafletWorkToCome() bool {
	if f.c.Plan == nil {
		return false
	}
	if f.c.Operation == nil {
		return true
	}
	for k, m := range f.c.Measured {
		if k.ID == valve.LeafletHeight && k.Occasion.Section() == string(valve.AtOperation) && k.Place.Segment() == valve.P2 &&
			m.Stage.Rank() >= valve.AfterLeafletWork.Rank() && m.Value.IsSome() {
			return false
		}
	}
	return slices.ContainsFunc(firmSteps(f.c.Plan), func(s repair.Step) bool { return worksOnHeight(s) && !f.performed(s) })
}

// outsideDomain tells why the closure model says nothing of this valve. As long
// as planned steps are to come the plan's verdict counts, for they may be what
// brings the valve into the domain, e.g. by closing a cleft.
func (f *finder) outsideDomain() string {
	toCome := f.c.Operation == nil || f.c.Plan != nil &&
		slices.ContainsFunc(firmSteps(f.c.Plan), func(s repair.Step) bool { return !f.performed(s) })
	v, have := f.value(metric.PredictedContactKey(toCome))
	if !have {
		v, have = f.value(metric.PredictedContactKey(!toCome))
	}
	if !have || v.State != metric.NotApplicable || !strings.Contains(v.Explanation, "outside the model's domain") {
		return ""
	}
	return v.Explanation
}

// heldLine says whether artificial chords hold the closure line of the middle
// slice.
func (f *finder) heldLine() bool {
	var steps []repair.Step
	if f.c.Plan != nil {
		steps = firmSteps(f.c.Plan)
	}
	if f.c.Operation != nil {
		steps = append(steps, repair.InPlaceAtEnd(f.c.Operation.Steps)...)
	}
	return slices.ContainsFunc(steps, func(s repair.Step) bool { return s.MayHoldLine(valve.A2P2) })
}

// begin makes a range that can be computed as far as the target and the domain
// go; open is false if it cannot.
func (f *finder) begin(leaf valve.ID, place valve.Place) (r Range, open bool) {
	r = Range{Leaf: leaf, Place: place, State: metric.NotEvaluable, Unit: unitOf(leaf)}
	switch {
	case f.outside != "":
		r.State, r.Explanation = metric.NotApplicable, f.outside
		return r, false
	case f.target == nil:
		r.Missing = []string{middleContact.String() + " of plan, as a target with a lower end"}
		r.Explanation = "the plan states no coaptation target: there is nothing that a range could meet"
		return r, false
	}
	return r, true
}

// need takes lengths into the range; ok is false if one is missing.
func need(r *Range, list ...known) (values []units.Length, ok bool) {
	ok = true
	for _, k := range list {
		v, have := k.value.Get()
		if !have {
			ok = false
			r.Missing = append(r.Missing, k.missing...)
			if k.note != "" {
				r.explain(k.note)
			}
		}
		values = append(values, v)
		r.Inputs = append(r.Inputs, k.inputs...)
	}
	return values, ok
}

func (r *Range) explain(text string) {
	if r.Explanation != "" {
		r.Explanation += "; "
	}
	r.Explanation += text
}

// close puts the ends on the leaf's grid. No height or diameter meets the target
// where the lower end is above the upper.
func (r *Range) close(low, high units.Maybe[float64]) {
	_, grid, _ := metric.Describe(r.Leaf)
	round := func(m units.Maybe[float64]) units.Maybe[float64] {
		v, ok := m.Get()
		if !ok {
			return m
		}
		return units.Some(units.Round(max(v, 0), grid))
	}
	l, bounded := low.Get()
	h, limited := high.Get()
	if limited && (h <= 0 || bounded && l > h) {
		r.State = metric.NotApplicable
		r.explain("no value meets both ends of the target")
		return
	}
	r.State, r.Lower, r.Upper = metric.HasValue, round(low), round(high)
}

func (f *finder) low() units.Length { return units.Length(number(f.target.Low)) }

// number gives a value that is known to be there.
func number(m units.Maybe[float64]) float64 {
	v, _ := m.Get()
	return v
}

func (f *finder) targetText() string {
	low, _ := f.target.Low.Get()
	text := fmt.Sprintf("coaptation at least %g mm", low)
	if high, ok := f.target.High.Get(); ok {
		text = fmt.Sprintf("coaptation %g to %g mm", low, high)
	}
	return text + fmt.Sprintf(" and the closure line at %.0f %% of the diameter or farther from the anterior hinge", float64(f.share.Percent()))
}

// basis says what a range rests on.
func (f *finder) basis(r *Range) {
	r.explain(metric.UncalibratedLabel + ": " + f.targetText() + "; flat closure, both leaflets sliding freely")
	if f.planned {
		r.explain("heights as planned, for leaflet work is still to come")
	}
	if f.heldLine() {
		r.explain("artificial chords hold the line, so this is met by the mean of both leaflets' contact; the overlap may be less")
	}
}

// ringRange gives the inner antero-posterior diameters with which the present heights
// meet the target: above the upper end too little coaptation or the line too far
// forward, below the lower end more coaptation than the target allows.
func (f *finder) ringRange() Range {
	r, open := f.begin(valve.RingInnerAnteroPosteriorDiameter, f.ringPlace)
	r.Done = f.ringDone
	r.Present = lengthNumber(f.diameter.value)
	if !open {
		return r
	}
	if f.ringKind == repair.PosteriorBand {
		r.State = metric.NotApplicable
		r.explain("a posterior band sets no antero-posterior diameter")
		return r
	}
	v, ok := need(&r, f.anterior, f.posterior)
	if !ok {
		return r
	}
	f.basis(&r)
	a, p := v[0], v[1]
	largest, err := geometry.LargestFreeDiameter(a, p, f.low(), f.share)
	if errors.Is(err, geometry.ErrNoWindow) {
		r.State = metric.NotApplicable
		r.explain("no diameter meets the target: a leaflet is lower than the coaptation wanted, or the posterior one too high for the closure line")
		return r
	}
	if err != nil {
		r.explain(err.Error())
		return r
	}
	smallest := units.None[float64]()
	if high, ok := f.target.High.Get(); ok {
		smallest = units.Some(float64(a) + float64(p) - 2*high)
	} else {
		r.explain("the target has no upper end: how small is too small is not bounded here, and too small a ring narrows the orifice and moves the line forward")
	}
	r.close(smallest, units.Some(float64(largest)))
	f.present(&r, f.diameter)
	return r
}

// posteriorRange gives the final heights of P2 with which the ring, as implanted or
// else as planned, meets the target.
func (f *finder) posteriorRange() Range {
	r, open := f.begin(valve.LeafletHeight, valve.AtStation(valve.P2, valve.SegmentMid))
	r.Done = f.c.Operation != nil && !f.planned
	r.Present = lengthNumber(f.posterior.value)
	if !open {
		return r
	}
	if f.ringKind == repair.PosteriorBand {
		r.State = metric.NotApplicable
		r.explain("a posterior band sets no antero-posterior diameter")
		return r
	}
	v, ok := need(&r, f.anterior, f.diameter)
	if !ok {
		return r
	}
	f.basis(&r)
	if f.ringDone {
		r.explain("ring as implanted")
	} else {
		r.explain("ring as planned")
	}
	a, d := v[0], v[1]
	w, err := geometry.PlanningWindow(a, d, 0, f.low(), f.share)
	if errors.Is(err, geometry.ErrNoWindow) {
		r.State = metric.NotApplicable
		r.explain(fmt.Sprintf("no posterior height meets the target with this ring: the anterior leaflet would have to be %.1f mm high, it is %.1f mm",
			float64(geometry.RequiredAnterior(d, 0, f.low(), f.share)), float64(a)))
		return r
	}
	if err != nil {
		r.explain(err.Error())
		return r
	}
	highest := float64(w.Highest)
	if high, ok := f.target.High.Get(); ok {
		highest = min(highest, 2*high+float64(d)-float64(a))
	}
	r.close(units.Some(float64(w.Lowest)), units.Some(highest))
	f.present(&r, f.posterior)
	return r
}

// present adds what the present value was read from.
func (f *finder) present(r *Range, k known) {
	for _, in := range k.inputs {
		if !slices.ContainsFunc(r.Inputs, func(have valve.InputValue) bool { return have.Key == in.Key }) {
			r.Inputs = append(r.Inputs, in)
		}
	}
}

func lengthNumber(m units.Maybe[units.Length]) units.Maybe[float64] {
	v, ok := m.Get()
	if !ok {
		return units.None[float64]()
	}
	return units.Some(float64(v))
}

// chordRanges gives the lengths of each artificial chord of the middle slice with
// which the contact found after it was set meets the target. A longer chord lets
// its leaflet's edge go, so the contact falls by as much as the chord is longer:
// our own assumption.
func (f *finder) chordRanges() []Range {
	var list []Range
	if f.c.Operation != nil {
		for _, s := range repair.InPlaceAtEnd(f.c.Operation.Steps) {
			if seg := middleSegment(s); s.Technique == repair.ArtificialChord && seg != "" {
				list = append(list, f.chord(s, seg))
			}
		}
	}
	if f.c.Plan == nil {
		return list
	}
	for _, s := range firmSteps(f.c.Plan) {
		seg := middleSegment(s)
		if s.Technique != repair.ArtificialChord || seg == "" || f.performed(s) {
			continue
		}
		r, open := f.begin(valve.ArtificialChordLength, valve.AtStep(s.ID))
		r.Present = lengthNumber(f.read(valve.Key{ID: valve.ArtificialChordLength, Place: r.Place, Occasion: valve.AtPlan, Role: valve.Planned}).value)
		if open {
			r.Missing = []string{valve.Key{ID: valve.InkDepthBeyondLine, Place: valve.AtSegment(seg)}.String() + " or " + middleContact.String() + ", after the chord is set"}
			r.explain("the chord is not set yet: how far it may be changed follows from the contact found with it")
		}
		list = append(list, r)
	}
	return list
}

func middleSegment(s repair.Step) valve.Segment {
	for _, seg := range []valve.Segment{valve.P2, valve.A2} {
		if s.At(seg) {
			return seg
		}
	}
	return ""
}

func (f *finder) chord(s repair.Step, seg valve.Segment) Range {
	r, open := f.begin(valve.ArtificialChordLength, valve.AtStep(s.ID))
	r.Done = true
	length := f.read(valve.Key{ID: valve.ArtificialChordLength, Place: r.Place, Occasion: valve.AtOperation, Role: valve.Measured})
	r.Present = lengthNumber(length.value)
	if !open {
		return r
	}
	v, ok := need(&r, length, f.contact(seg, max(s.Run, 1)))
	if !ok {
		return r
	}
	r.explain(metric.UncalibratedLabel + ": " + f.targetText() + "; the contact is taken to fall by as much as the chord is longer")
	set, contact := float64(v[0]), float64(v[1])
	low := units.None[float64]()
	if high, ok := f.target.High.Get(); ok {
		low = units.Some(set + contact - high)
	}
	r.close(low, units.Some(set+contact-float64(f.low())))
	return r
}

// contact gives the last contact found of a leaflet of the middle slice in a run
// or later: beyond the ink line, or as coaptation by echo.
func (f *finder) contact(seg valve.Segment, run int) known {
	type reading struct {
		run, stage int
		key        valve.Key
	}
	var list []reading
	add := func(at int, stage valve.Stage, k valve.Key) {
		if max(at, 1) >= run && f.read(k).value.IsSome() {
			list = append(list, reading{max(at, 1), stage.Rank(), k})
		}
	}
	for _, t := range f.c.Operation.InkTests {
		if t.Stage.Rank() >= valve.AfterLeafletWork.Rank() {
			for _, v := range f.e.Metrics {
				if v.Key.ID == valve.InkDepthBeyondLine && v.Key.Place == valve.AtTestSegment(t.ID, seg) && v.Key.Role == valve.Measured {
					add(t.Run, t.Stage, v.Key)
				}
			}
		}
	}
	for i := range f.c.Studies {
		if s := &f.c.Studies[i]; s.Kind == repair.Result {
			add(s.Run, s.Stage, metric.CoaptationKey(s.Occasion))
		}
	}
	if len(list) == 0 {
		return known{missing: []string{valve.Key{ID: valve.InkDepthBeyondLine, Place: valve.AtSegment(seg)}.String() + " or " + middleContact.String() + ", after the chord was set"}}
	}
	last := slices.MaxFunc(list, func(a, b reading) int {
		return cmp.Or(cmp.Compare(a.run, b.run), cmp.Compare(a.stage, b.stage), a.key.Compare(b.key))
	})
	return f.read(last.key)
}

// unfit gives the planned steps that no longer fit: what lies outside a range and
// is still to be done, what was done otherwise, and of what a rule speaks.
func (f *finder) unfit(ranges []Range) []UnfitStep {
	var list []UnfitStep
	if f.c.Plan == nil {
		return nil
	}
	for _, s := range firmSteps(f.c.Plan) {
		if f.performed(s) {
			continue
		}
		for _, r := range ranges {
			closed := r.State == metric.NotApplicable && f.outside == "" && f.ringKind != repair.PosteriorBand
			if r.Done || !f.moves(s, r) || !closed && (r.Position() == Within || r.Position() == "") {
				continue
			}
			list = append(list, UnfitStep{PlannedStepID: s.ID, Reason: OutsideRange, Message: f.outsideText(s, r, closed)})
		}
	}
	for _, d := range f.e.Discrepancies() {
		if d.Verdict == discrepancy.Present && d.PlannedStepID != "" && d.PerformedStepID != "" && otherwise(d.Class) && f.ofPlan(d.PlannedStepID) {
			list = append(list, UnfitStep{PlannedStepID: d.PlannedStepID, Reason: DoneOtherwise, Message: d.Message, DiscrepancyID: d.DiscrepancyID})
		}
	}
	for _, finding := range f.e.Findings {
		if finding.Severity == rules.Note || finding.At.Occasion != valve.AtPlan {
			continue
		}
		for _, id := range stepsOf(finding) {
			if i := slices.IndexFunc(f.c.Plan.Steps, func(s repair.Step) bool { return s.ID == id }); i >= 0 && !f.performed(f.c.Plan.Steps[i]) {
				list = append(list, UnfitStep{PlannedStepID: id, Reason: FindingSays, Message: finding.Message, FindingID: finding.ID})
			}
		}
	}
	slices.SortStableFunc(list, func(a, b UnfitStep) int {
		return cmp.Compare(f.orderOf(a.PlannedStepID), f.orderOf(b.PlannedStepID))
	})
	return list
}

// moves says whether a planned step sets the dimension of a range.
func (f *finder) moves(s repair.Step, r Range) bool {
	switch r.Leaf {
	case valve.LeafletHeight:
		return worksOnHeight(s) && s.Technique != repair.FurtherTechnique
	default:
		return r.Place == valve.AtStep(s.ID)
	}
}

func (f *finder) outsideText(s repair.Step, r Range, closed bool) string {
	leaf, _ := metric.LeafByID(r.Leaf)
	if closed {
		return fmt.Sprintf("%s: no %s meets the plan's target with what was measured so far", s.ID, leaf.Name)
	}
	end, bound := "above", r.Upper
	if r.Position() == Below {
		end, bound = "below", r.Lower
	}
	return fmt.Sprintf("%s: %s of %.1f mm is %s the %.1f mm that still meet the plan's target with what was measured so far",
		s.ID, leaf.Name, number(r.Present), end, number(bound))
}

func (f *finder) ofPlan(id string) bool { return f.orderOf(id) < len(f.c.Plan.Steps) }

func (f *finder) orderOf(id string) int {
	if i := slices.IndexFunc(f.c.Plan.Steps, func(s repair.Step) bool { return s.ID == id }); i >= 0 {
		return i
	}
	return len(f.c.Plan.Steps)
}

// otherwise says whether a class tells of a step that was done in another way. A
// step that is not done may still be to come.
func otherwise(c discrepancy.Class) bool {
	return slices.Contains([]discrepancy.Class{
		discrepancy.StepRelocated, discrepancy.StepSubstituted, discrepancy.StepParameter, discrepancy.RingSize, discrepancy.RingKind,
	}, c)
}

// stepsOf gives the planned steps a finding speaks of, each once.
func stepsOf(finding rules.Finding) []string {
	var ids []string
	add := func(p valve.Place) {
		if id := p.Step(); id != "" && !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	add(finding.At.Place)
	for _, in := range finding.Inputs {
		if in.Key.Occasion == valve.AtPlan {
			add(in.Key.Place)
		}
	}
	return ids
}

// ages gives the age of each occasion that the ranges and the predictions read.
func (f *finder) ages(ranges []Range, at time.Time) []InputAge {
	var occasions []valve.Occasion
	times := map[valve.Occasion]time.Time{}
	add := func(inputs []valve.InputValue) {
		for _, in := range inputs {
			o := in.Key.Occasion
			t := f.timeOf(in.Key)
			if !slices.Contains(occasions, o) {
				occasions = append(occasions, o)
				times[o] = t
				continue
			}
			// The oldest value of an occasion counts; one without a time makes all of
			// unknown age.
			if t.IsZero() || t.Before(times[o]) {
				times[o] = t
			}
		}
	}
	for _, r := range ranges {
		add(r.Inputs)
	}
	for _, v := range f.e.Metrics {
		if v.Key.Role == valve.PredictedFromPlan || v.Key.Role == valve.PredictedFromExecution {
			add(v.Inputs)
		}
	}
	list := make([]InputAge, 0, len(occasions))
	for _, o := range occasions {
		a := InputAge{Occasion: o, Time: times[o], Explanation: "age unknown: no time is recorded"}
		if !a.Time.IsZero() {
			age := at.Sub(a.Time)
			a.Age, a.Explanation = units.Some(age), ageText(age)
		}
		list = append(list, a)
	}
	slices.SortStableFunc(list, func(a, b InputAge) int {
		if a.Time.IsZero() != b.Time.IsZero() {
			if a.Time.IsZero() {
				return 1
			}
			return -1
		}
		return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Occasion, b.Occasion))
	})
	return list
}

// timeOf gives when a value was taken; zero: not recorded.
func (f *finder) timeOf(k valve.Key) time.Time {
	if k.Occasion == valve.AtPlan {
		if f.c.Plan == nil {
			return time.Time{}
		}
		return f.c.Plan.SignedTime
	}
	if s := f.c.StudyAt(k.Occasion); s != nil {
		return s.Time
	}
	if f.c.Operation == nil {
		return time.Time{}
	}
	for _, t := range slices.Concat(f.c.Operation.SalineTests, f.c.Operation.InkTests) {
		if k.Place == valve.AtTest(t.ID) || strings.HasPrefix(string(k.Place), string(valve.AtTest(t.ID))+"/") {
			return t.Time
		}
	}
	for _, s := range f.c.Operation.FieldSets {
		if s.Occasion == k.Occasion && k.Place.Segment() != "" {
			return s.Time
		}
	}
	return time.Time{}
}

func ageText(age time.Duration) string {
	if age < 0 {
		return "taken " + spanText(-age) + " after the question"
	}
	return spanText(age) + " old"
}

func spanText(d time.Duration) string {
	const day = 24 * time.Hour
	switch {
	case d >= 2*day:
		return fmt.Sprintf("%d days", int(d/day))
	case d >= time.Hour:
		return fmt.Sprintf("%d h %d min", int(d/time.Hour), int(d%time.Hour/time.Minute))
	}
	return fmt.Sprintf("%d min", int(d/time.Minute))
}
