// Package latitude says what can still be changed at one moment of an operation:
// the ranges in which a dimension still meets the plan's target, the planned steps
// that no longer fit, and the age of what this rests on. The contract calls it
// freedom. It reads an evaluation and judges nothing again.
package latitude

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"trigone/internal/discrepancy"
	"trigone/internal/evaluate"
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
	// WhatIfs are the state as it is and what would come of each change asked about;
	// none where none was.
	WhatIfs []WhatIf
}

// Range is the range in which one dimension meets every aim of the plan that can be
// estimated, and every limit of the policy whose source was read, while everything
// else stays as it is.
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

	LowerBy      *Condition // what binds the lower end; nil: there is none
	UpperBy      *Condition
	Beside       []Condition // without a source that was read: they bind nothing
	Reach        units.Maybe[float64]
	Uncertainty  string // what the model cannot tell
	NotEstimated []string
	Sizes        []Size // of the site's ring table, for a ring
}

// Size is a size of the site's ring table against what is asked.
type Size struct {
	settings.RingSize
	Fits        valve.Answer
	Explanation string
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
	Run         int // 0: of none
	Inputs      []valve.InputValue
}

// Of gives the latitude that a case leaves at a moment. Every number in it is the
// catalogue's own, computed for the valve as it would be once what is planned and
// not yet done is done, so that no range differs from what the evaluation of the
// same case says. A disputed value moves nothing.
func Of(c *repair.Case, e *evaluate.Evaluation, s settings.Settings, at time.Time) Latitude {
	out, _ := Ask(c, e, s, at, nil)
	return out
}

func newFinder(c *repair.Case, e *evaluate.Evaluation, s settings.Settings) *finder {
	f := &finder{c: c, e: e}
	f.look()
	f.hypothesis = f.suppose(s)
	f.outside = f.obstacles()
	f.ask()
	return f
}

// finder gathers what the ranges are computed from.
type finder struct {
	c *repair.Case
	e *evaluate.Evaluation

	planned    bool // heights are the planned ones: leaflet work is still to come
	ring       *repair.Step
	ringKind   string
	ringPlace  valve.Place
	ringDone   bool
	hypothesis *hypothesis
	outside    []string // why the model says nothing of this valve; none: it does

	contact      valve.ID // overlap, or the mean contact where chords hold the line
	limits       []limit
	aimed        bool // an aim of the plan is among them
	notEstimated []string
}

// known is a length with what it was read from.
type known struct {
	value  units.Maybe[units.Length]
	inputs []valve.InputValue
}

// look finds the present state of the valve.
func (f *finder) look() {
	f.planned = f.leafletWorkToCome()
	f.ringPlace = valve.Nowhere
	if f.c.Plan != nil {
		f.ring = lastRing(firmSteps(f.c.Plan))
	}
	if f.c.Operation != nil {
		if done := lastRing(repair.InPlaceAtEnd(f.c.Operation.Steps)); done != nil {
			f.ring, f.ringDone = done, true
		}
	}
	if f.ring != nil {
		f.ringPlace = valve.AtStep(f.ring.ID)
		if f.ring.Ring != nil {
			f.ringKind = f.ring.Ring.Kind
		}
	}
}

// read gives a leaf as the evaluation left it: a disputed value is none.
func (f *finder) read(k valve.Key) known {
	for _, v := range f.e.Metrics {
		if v.Key == k && v.State == metric.HasValue {
			return known{value: units.Some(units.Length(v.Value)), inputs: []valve.InputValue{{Key: k, Value: v.Value, Unit: unitOf(k.ID)}}}
		}
	}
	return known{}
}

func unitOf(id valve.ID) units.Unit {
	unit, _, _ := metric.Describe(id)
	return unit
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

// obstacles gives why the closure model says nothing of the valve as it would be:
// what keeps it out of the model's domain, and what the last set of the last pump run
// shows.
func (f *finder) obstacles() []string {
	h := f.hypothesis
	why := metric.DomainReasons(h.c, h.plan)
	add := func(text string, found bool) {
		if found && !slices.Contains(why, text) {
			why = append(why, text)
		}
	}
	if f.c.Operation == nil {
		return why
	}
	for _, s := range repair.InPlaceAtEnd(f.c.Operation.Steps) {
		add("edge-to-edge suture", s.Technique == repair.EdgeToEdge)
		add("closed commissure", s.Technique == repair.CommissuralClosure)
	}
	last := f.lastSet()
	if last == nil {
		return why
	}
	add("systolic anterior motion", last.AnteriorMotion != "" && last.AnteriorMotion != "none" && last.AnteriorMotionEnd != "resolved" ||
		slices.Contains(last.Mechanisms, "anterior_motion"))
	add("open cleft", slices.Contains(last.Mechanisms, "cleft") || slices.ContainsFunc(last.Lesions, func(l repair.Lesion) bool { return l.Has("cleft") }))
	add("restricted leaflet motion", slices.Contains(last.Mechanisms, "restriction") ||
		slices.ContainsFunc(last.Dysfunctions, func(d repair.Dysfunction) bool { return d.Type == "iiia" || d.Type == "iiib" }))
	add("residual prolapse", slices.Contains(last.Mechanisms, "prolapse") ||
		slices.ContainsFunc(last.Dysfunctions, func(d repair.Dysfunction) bool { return d.Type == "ii" }) ||
		slices.ContainsFunc(last.Lesions, func(l repair.Lesion) bool { return l.Flail == valve.Yes }))
	return why
}

// lastSet gives the last result of the last pump run, or nil.
func (f *finder) lastSet() *repair.Study {
	run := max(f.c.Operation.LastRun(), 1)
	var last *repair.Study
	for i := range f.c.Studies {
		s := &f.c.Studies[i]
		if s.Kind != repair.Result || max(s.Run, 1) != run {
			continue
		}
		if last == nil || cmp.Or(cmp.Compare(s.Stage.Rank(), last.Stage.Rank()), s.Time.Compare(last.Time)) >= 0 {
			last = s
		}
	}
	return last
}

// DoesNotHold says why nothing is predicted of the valve.
func doesNotHold(why []string) string {
	return "the model does not hold while there is: " + strings.Join(why, ", ")
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

func (r *Range) explain(text string) {
	if text == "" || strings.Contains(r.Explanation, text) {
		return
	}
	if r.Explanation != "" {
		r.Explanation += "; "
	}
	r.Explanation += text
}

// number gives a value that is known to be there.
func number(m units.Maybe[float64]) float64 {
	v, _ := m.Get()
	return v
}

// ringRange gives the inner antero-posterior diameters with which the heights meet what
// is asked, and the sizes of the site's own ring table among them.
func (f *finder) ringRange() Range {
	h := f.hypothesis
	leaf, _ := metric.LeafByID(valve.RingInnerAnteroPosteriorDiameter)
	r := Range{Leaf: leaf.ID, Place: f.ringPlace, State: metric.NotEvaluable, Unit: leaf.Unit, Done: f.ringDone, Present: h.size().antero}
	if f.ringKind == repair.PosteriorBand {
		r.State = metric.NotApplicable
		r.explain("a posterior band sets no antero-posterior diameter")
		return r
	}
	scratch := h.copy()
	s := &search{f: f, vary: func(mm float64) *repair.Case { return h.scaled(scratch, mm) }, low: leaf.Low, high: leaf.High}
	s.bind(Condition{Owner: Plausibility, Words: "plausible for this diameter"}, LowerEnd, leaf.Low)
	s.bind(Condition{Owner: Plausibility, Words: "plausible for this diameter"}, UpperEnd, leaf.High)
	table := f.table()
	if len(table) > 0 {
		smallest, largest := table[0], table[0]
		for _, size := range table {
			if number(size.InnerAnteroPosteriorMM) < number(smallest.InnerAnteroPosteriorMM) {
				smallest = size
			}
			if number(size.InnerAnteroPosteriorMM) > number(largest.InnerAnteroPosteriorMM) {
				largest = size
			}
		}
		s.low, s.high, s.bounds = number(smallest.InnerAnteroPosteriorMM), number(largest.InnerAnteroPosteriorMM), nil
		s.bind(Condition{Owner: RingTable, Words: "smallest of your rings, " + sizeName(smallest)}, LowerEnd, s.low)
		s.bind(Condition{Owner: RingTable, Words: "largest of your rings, " + sizeName(largest)}, UpperEnd, s.high)
	}
	if f.find(&r, s, f.limits) && len(table) > 0 {
		f.sizes(&r, table)
	}
	if len(table) == 0 && h.size().orifice.IsSome() && f.asks(metric.IDExpectedGradient) {
		r.explain("gradients for rings of the same shape")
	}
	return r
}

// table gives the complete rings of the site's ring table with a known diameter: of the
// family planned, or of every family if the table has not that one.
func (f *finder) table() []settings.RingSize {
	family := ""
	if f.ring != nil && f.ring.Ring != nil {
		family = f.ring.Ring.FamilyKey
	}
	usable := func(list []settings.RingSize) []settings.RingSize {
		return slices.DeleteFunc(slices.Clone(list), func(s settings.RingSize) bool {
			return s.Kind != repair.CompleteRing || s.InnerAnteroPosteriorMM.IsNone()
		})
	}
	if list := usable(f.hypothesis.s.RingFamily(family)); family != "" && len(list) > 0 {
		return list
	}
	return usable(f.hypothesis.s.Rings)
}

func sizeName(s settings.RingSize) string { return fmt.Sprintf("%s %g", s.Family, s.Label) }

// sizes tries every size of the table with its own dimensions.
func (f *finder) sizes(r *Range, table []settings.RingSize) {
	h := f.hypothesis
	fits := false
	for _, size := range table {
		out := Size{RingSize: size, Fits: valve.Yes}
		c := h.withRing(h.copy(), dimensions{size.InnerAnteroPosteriorMM, size.InnerTransverseMM, size.OrificeAreaCM2}, units.Some(size.Label), size.Family)
		for _, l := range f.limits {
			if l.beside {
				continue
			}
			v, state, why := metric.Middle(c, h.s, l.Metric, l.at)
			unit, _, _ := metric.Describe(l.Metric)
			switch {
			case state == metric.HasValue && !l.holds(v):
				out.Fits, out.Explanation = valve.No, fmt.Sprintf("comes to %s, asked is %s%s", amount(v, unit), l.Words, whose(l.Condition))
			case state == metric.NotApplicable:
				out.Fits, out.Explanation = valve.No, why
			case state != metric.HasValue && out.Explanation == "":
				out.Explanation = l.Words + " is not estimated for it"
			}
			if out.Fits == valve.No {
				break
			}
		}
		fits = fits || out.Fits == valve.Yes
		r.Sizes = append(r.Sizes, out)
	}
	if !fits {
		reason := r.Explanation
		if r.State == metric.HasValue {
			reason = fmt.Sprintf("none lies from %s to %s", amount(number(r.Lower), r.Unit), amount(number(r.Upper), r.Unit))
		}
		r.State, r.Lower, r.Upper, r.LowerBy, r.UpperBy = metric.NotApplicable, units.None[float64](), units.None[float64](), nil, nil
		r.Uncertainty, r.Reach = "", units.None[float64]()
		r.Explanation = "none of your rings: " + reason
	}
}

// asks says whether something binding is asked of a quantity.
func (f *finder) asks(id valve.ID) bool {
	return slices.ContainsFunc(f.limits, func(l limit) bool { return l.Metric == id && !l.beside })
}

// posteriorRange gives the final heights of P2 with which the ring, as implanted or
// else as planned, meets what is asked.
func (f *finder) posteriorRange() Range {
	h := f.hypothesis
	leaf, _ := metric.LeafByID(valve.LeafletHeight)
	r := Range{Leaf: leaf.ID, Place: valve.AtStation(valve.P2, valve.SegmentMid), State: metric.NotEvaluable, Unit: leaf.Unit}
	r.Done = f.c.Operation != nil && !f.planned
	if v := h.compute(h.c, metric.IDFinalPosteriorHeight, h.found(valve.AtSegment(valve.P2))); v.State == metric.HasValue {
		r.Present = units.Some(v.Value)
		r.Inputs = v.Inputs
	}
	scratch := h.copy()
	s := &search{
		f: f, low: leaf.Low, high: leaf.High,
		vary: func(mm float64) *repair.Case { return h.withHeight(scratch, valve.P2, mm) },
	}
	s.bind(Condition{Owner: Plausibility, Words: "plausible for a leaflet height"}, LowerEnd, leaf.Low)
	s.bind(Condition{Owner: Plausibility, Words: "plausible for a leaflet height"}, UpperEnd, leaf.High)
	for _, t := range aimsOf(f.c.Plan) {
		if t.Leaf != valve.LeafletHeight || t.Place.Segment() != valve.P2 {
			continue
		}
		if v, ok := t.Low.Get(); ok {
			s.bind(Condition{Owner: OfPlan, TargetID: t.ID, Metric: leaf.ID, Words: "height of P2 at least " + amount(v, leaf.Unit)}, LowerEnd, v)
		}
		if v, ok := t.High.Get(); ok {
			s.bind(Condition{Owner: OfPlan, TargetID: t.ID, Metric: leaf.ID, Words: "height of P2 at most " + amount(v, leaf.Unit)}, UpperEnd, v)
		}
	}
	// The height moves no gradient.
	ofHeight := slices.DeleteFunc(slices.Clone(f.limits), func(l limit) bool { return l.Metric == metric.IDExpectedGradient })
	if f.find(&r, s, ofHeight) {
		if f.ringDone {
			r.explain("ring as implanted")
		} else {
			r.explain("ring as planned")
		}
	}
	return r
}

// find fills a range by a search; ok is false where there is nothing to search for.
func (f *finder) find(r *Range, s *search, limits []limit) (ok bool) {
	h := f.hypothesis
	middle := h.at(valve.AtSlice(valve.A2P2))
	aimed := slices.ContainsFunc(aimsOf(f.c.Plan), func(t repair.Target) bool {
		return slices.Contains([]valve.ID{valve.CoaptationLength, valve.AnteriorClosureShare, valve.MeanGradient}, t.Leaf)
	})
	switch {
	case len(f.outside) > 0:
		r.State, r.Explanation = metric.NotApplicable, doesNotHold(f.outside)
		return false
	case !aimed:
		r.Missing = []string{valve.Key{ID: valve.CoaptationLength, Place: valve.AtSlice(valve.A2P2)}.String() + " of plan, as a target"}
		r.Explanation = "the plan states no aim of coaptation, closure line or gradient: there is nothing that a range could meet"
		return false
	}
	state, why, missing := s.look(limits)
	r.Missing = missing
	if state != metric.HasValue {
		r.State = state
		r.explain(why)
		return false
	}
	r.NotEstimated = f.notEstimated
	label := metric.UncalibratedLabel
	if c := metric.CalibrationOf(h.c, &h.s, h.plan); c != nil && !f.heldLine() {
		var calibrated metric.Calibrated
		calibrated.Add(middle.Role, c.ID)
		label = calibrated.Label()
	}
	r.explain(label)
	s.settle(r)
	present := h.compute(h.c, metric.IDPredictedContact, middle)
	if present.State != metric.HasValue {
		present = h.compute(s.vary((s.low+s.high)/2), metric.IDPredictedContact, middle)
	}
	for _, in := range present.Inputs {
		if !slices.ContainsFunc(r.Inputs, func(have valve.InputValue) bool { return have.Key == in.Key }) {
			r.Inputs = append(r.Inputs, in)
		}
	}
	if f.planned {
		r.explain("heights as planned, for leaflet work is still to come")
	}
	for _, note := range strings.Split(present.Explanation, "; ") {
		if strings.HasPrefix(note, "depth of coaptation") {
			r.explain(note)
		}
	}
	if f.heldLine() {
		r.explain("artificial chords hold the line: told of the mean of both leaflets' contact where the line is not measured; the overlap is less then")
	}
	if r.State == metric.HasValue {
		f.tellReach(r, s)
	}
	return true
}

// tellReach says how far the model can be off, in the unit of the dimension, and what
// it therefore cannot tell.
func (f *finder) tellReach(r *Range, s *search) {
	h := f.hypothesis
	at := h.at(valve.AtSlice(valve.A2P2))
	x := (number(r.Lower) + number(r.Upper)) / 2
	v := h.compute(s.vary(x), f.contact, at)
	sd, known := v.SD.Get()
	up, upState, _ := metric.Middle(s.vary(x+0.5), h.s, metric.IDPredictedContact, at)
	down, downState, _ := metric.Middle(s.vary(x-0.5), h.s, metric.IDPredictedContact, at)
	slope := math.Abs(up - down)
	if !known || upState != metric.HasValue || downState != metric.HasValue || !(slope > 0) {
		r.Uncertainty = "How far the model can be off is not known here."
		return
	}
	const normal95 = 1.96
	reach := units.Round(normal95*sd/slope, 0.1)
	r.Reach = units.Some(reach)
	leaf, _ := metric.LeafByID(r.Leaf)
	low := max(number(r.Lower), leaf.Low)
	high := low + reach
	if high > leaf.High {
		high = number(r.Upper)
		low = max(high-reach, leaf.Low)
	}
	r.Uncertainty = fmt.Sprintf("An end that the model sets can be off by %.0f mm to either side (95 %%): the model cannot tell %.0f from %.0f mm.", reach, low, high)
	if width := number(r.Upper) - number(r.Lower); width < reach {
		r.Uncertainty += " The range is narrower than that."
	}
}

// chordRanges names the artificial chords of the middle slice. What another length does
// was never calibrated, so that a direction is all that can be told.
func (f *finder) chordRanges() []Range {
	var list []Range
	add := func(s repair.Step, seg valve.Segment, done bool, o valve.Occasion, role valve.Role) {
		length := f.read(valve.Key{ID: valve.ArtificialChordLength, Place: valve.AtStep(s.ID), Occasion: o, Role: role})
		r := Range{
			Leaf: valve.ArtificialChordLength, Place: valve.AtStep(s.ID), State: metric.NotApplicable, Unit: unitOf(valve.ArtificialChordLength),
			Present: lengthNumber(length.value), Inputs: length.inputs, Done: done, Explanation: chordDirection(seg),
		}
		list = append(list, r)
	}
	if f.c.Operation != nil {
		for _, s := range repair.InPlaceAtEnd(f.c.Operation.Steps) {
			if seg := middleSegment(s); s.Technique == repair.ArtificialChord && seg != "" {
				add(s, seg, true, valve.AtOperation, valve.Measured)
			}
		}
	}
	if f.c.Plan == nil {
		return list
	}
	for _, s := range firmSteps(f.c.Plan) {
		if seg := middleSegment(s); s.Technique == repair.ArtificialChord && seg != "" && !f.performed(s) {
			add(s, seg, false, valve.AtPlan, valve.Planned)
		}
	}
	return list
}

// chordDirection says what is known of another chord length.
func chordDirection(seg valve.Segment) string {
	if seg == valve.P2 {
		return "direction only: shorter chords on P2 hold the closure line farther back, longer ones let it come forward (common practice, no source); by how much was never calibrated"
	}
	return "direction only: chord lengths on " + placeWords(valve.AtSegment(seg)) + " are not part of the model, and their effect was never calibrated"
}

func lengthNumber(m units.Maybe[units.Length]) units.Maybe[float64] {
	v, ok := m.Get()
	if !ok {
		return units.None[float64]()
	}
	return units.Some(float64(v))
}

func middleSegment(s repair.Step) valve.Segment {
	for _, seg := range []valve.Segment{valve.P2, valve.A2} {
		if s.At(seg) {
			return seg
		}
	}
	return ""
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
			if r.Done || !f.moves(s, r) {
				continue
			}
			if text := f.misfit(s, r); text != "" {
				list = append(list, UnfitStep{PlannedStepID: s.ID, Reason: OutsideRange, Message: text})
			}
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

// misfit says what a planned step misses as things stand: an aim of the plan, or a limit
// whose source was read. Plausibility, the ring table and the model's domain are no
// reasons, nor is what is told beside. It is empty where the step fits.
func (f *finder) misfit(s repair.Step, r Range) string {
	present, known := r.Present.Get()
	if !known || len(f.outside) > 0 {
		return ""
	}
	h := f.hypothesis
	var missed []string
	already := true
	for _, l := range f.limits {
		if l.beside || l.Metric == metric.IDExpectedGradient && r.Leaf == valve.LeafletHeight {
			continue
		}
		v, state, _ := metric.Middle(h.c, h.s, l.Metric, l.at)
		if state != metric.HasValue || l.holds(v) {
			continue
		}
		full := h.compute(h.c, l.Metric, l.at)
		unit, _, _ := metric.Describe(l.Metric)
		text := fmt.Sprintf("the middle of what is predicted is %s", amount(full.Value, unit))
		low, hasLow := full.Lower.Get()
		high, hasHigh := full.Upper.Get()
		if hasLow && hasHigh {
			text += fmt.Sprintf(" (95 %% range %g to %s)", low, amount(high, unit))
		}
		text += ", asked is " + l.Words + whose(l.Condition)
		if hasLow && hasHigh && (l.atLeast && high >= l.value || !l.atLeast && low <= l.value) {
			text += "; the range reaches it, so that the model cannot tell for certain"
		}
		missed = append(missed, text)
		already = already && f.missedByPlan(l)
	}
	if len(missed) == 0 {
		return ""
	}
	leaf, _ := metric.LeafByID(r.Leaf)
	name := leaf.Name
	if r.Leaf == valve.LeafletHeight {
		name = "a final height of P2"
	}
	head := s.ID + " no longer fits: with "
	if already {
		head = s.ID + " does not fit what the plan aims at, nor did it as planned: with "
	}
	return head + name + " of " + amount(present, leaf.Unit) + ", " + strings.Join(missed, "; ")
}

// missedByPlan says whether the plan as it stands misses the same.
func (f *finder) missedByPlan(l limit) bool {
	at := metric.At{Place: l.at.Place, Occasion: valve.AtPlan, Role: valve.PredictedFromPlan, Stage: valve.LeavingTheatre}
	if l.Metric == metric.IDExpectedGradient {
		ring := lastRing(firmSteps(f.c.Plan))
		if ring == nil {
			return false
		}
		at = metric.At{Place: valve.AtStep(ring.ID), Occasion: valve.AtPlan, Role: valve.Planned}
	}
	v, state, _ := metric.Middle(f.c, f.hypothesis.s, l.Metric, at)
	return state == metric.HasValue && !l.holds(v)
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
func (f *finder) ages(told Latitude, at time.Time) []InputAge {
	var occasions []valve.Occasion
	times := map[valve.Occasion]time.Time{}
	read := map[valve.Occasion][]valve.InputValue{}
	add := func(inputs []valve.InputValue) {
		for _, in := range inputs {
			o := in.Key.Occasion
			if !slices.ContainsFunc(read[o], func(have valve.InputValue) bool { return have.Key == in.Key }) {
				read[o] = append(read[o], in)
			}
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
	for _, r := range told.Ranges {
		add(r.Inputs)
	}
	for _, w := range told.WhatIfs {
		for _, v := range w.Values {
			add(v.Inputs)
		}
		add(w.Measured)
	}
	for _, v := range f.e.Metrics {
		if v.Key.Role == valve.PredictedFromPlan || v.Key.Role == valve.PredictedFromExecution {
			add(v.Inputs)
		}
	}
	list := make([]InputAge, 0, len(occasions))
	for _, o := range occasions {
		a := InputAge{Occasion: o, Time: times[o], Explanation: "age unknown: no time is recorded", Run: f.runOf(o), Inputs: read[o]}
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

// runOf gives the pump run of an occasion; 0: of none.
func (f *finder) runOf(o valve.Occasion) int {
	if s := f.c.StudyAt(o); s != nil {
		return s.Run
	}
	if f.c.Operation != nil {
		for _, set := range f.c.Operation.FieldSets {
			if set.Occasion == o {
				return set.Run
			}
		}
		for _, t := range slices.Concat(f.c.Operation.SalineTests, f.c.Operation.InkTests) {
			if valve.InRun(max(t.Run, 1), t.Stage) == o {
				return t.Run
			}
		}
	}
	return 0
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
