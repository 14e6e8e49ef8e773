package latitude

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"trigone/internal/evaluate"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Change is a change that is asked about; its parts are made together.
type Change struct {
	Ring    *RingChoice
	Heights []HeightChoice
	Chords  []ChordChoice
}

// RingChoice is a size of the site's ring table; without a family the only one that has
// the label.
type RingChoice struct {
	Family string
	Label  units.Maybe[float64]
}

// HeightChoice is another final height of A2 or P2.
type HeightChoice struct {
	Segment valve.Segment
	MM      units.Maybe[float64]
}

// ChordChoice is another length of the artificial chords of a step.
type ChordChoice struct {
	StepID string
	MM     units.Maybe[float64]
}

// WhatIf is what would come of a change. The values are always of the same quantities
// in the same order; no change is called better than another.
type WhatIf struct {
	Change      int // index of the change; -1: the state as it is
	Words       string
	Values      []metric.Value
	Explanation string
	Measured    []valve.InputValue // of the last set of the run; of the state as it is only
}

// Fault is one reason why a change cannot be asked about, with the field path in the
// request.
type Fault struct{ Path, Message string }

// Ask gives the latitude that a case leaves at a moment, and what would come of each
// change beside the state as it is. With faults there is no answer.
func Ask(c *repair.Case, e *evaluate.Evaluation, s settings.Settings, at time.Time, changes []Change) (Latitude, []Fault) {
	f := newFinder(c, e, s)
	out := Latitude{Time: at, Ranges: append([]Range{f.ringRange(), f.posteriorRange()}, f.chordRanges()...)}
	if len(changes) > 0 {
		out.WhatIfs = append(out.WhatIfs, f.asItIs())
	}
	var faults []Fault
	for i, change := range changes {
		answer, wrong := f.whatIf(i, change)
		faults = append(faults, wrong...)
		out.WhatIfs = append(out.WhatIfs, answer)
	}
	if len(faults) > 0 {
		return Latitude{}, faults
	}
	out.Unfit = f.unfit(out.Ranges)
	out.Ages = f.ages(out, at)
	return out, nil
}

// asItIs gives the state that every change is told beside.
func (f *finder) asItIs() WhatIf {
	w := WhatIf{Change: -1, Words: "as it is", Values: f.quantities(f.hypothesis.c, "")}
	switch {
	case f.planned:
		w.Words = "as planned"
	case !f.ringDone && f.ring != nil:
		w.Words = "as it is, with the planned ring"
	case f.ring == nil:
		w.Words = "as it is, without a ring"
	}
	if len(f.outside) > 0 {
		w.Explanation = doesNotHold(f.outside)
	}
	if f.c.Operation == nil {
		return w
	}
	last := f.lastSet()
	if last == nil {
		return w
	}
	for _, id := range []valve.ID{valve.CoaptationLength, valve.CoaptationDepth, valve.AnteriorClosureShare, valve.MeanGradient, valve.GradientHeartRate, valve.OutflowTractGradient} {
		for _, v := range f.e.Metrics {
			middle := v.Key.Place == valve.Nowhere || v.Key.Place == valve.AtSlice(valve.A2P2)
			if v.Key.ID == id && v.Key.Occasion == last.Occasion && middle && v.State == metric.HasValue {
				w.Measured = append(w.Measured, valve.InputValue{Key: v.Key, Value: v.Value, Unit: unitOf(id)})
			}
		}
	}
	return w
}

// whatIf makes a change on a copy of the valve and computes what comes of it.
func (f *finder) whatIf(i int, change Change) (WhatIf, []Fault) {
	h := f.hypothesis
	c := h.copy()
	var faults []Fault
	fault := func(path, format string, args ...any) {
		faults = append(faults, Fault{fmt.Sprintf("what_ifs[%d]", i) + path, fmt.Sprintf(format, args...)})
	}
	var words []string
	if change.Ring == nil && len(change.Heights) == 0 && len(change.Chords) == 0 {
		fault("", "changes nothing; give a ring, a height or a chord length")
	}
	if change.Ring != nil {
		size, why := f.sizeOf(*change.Ring)
		if why != "" {
			fault(".ring", "%s", why)
		} else {
			c = h.withRing(c, dimensions{size.InnerAnteroPosteriorMM, size.InnerTransverseMM, size.OrificeAreaCM2}, units.Some(size.Label), size.Family)
			words = append(words, fmt.Sprintf("ring %s, %s", sizeName(size), amount(number(size.InnerAnteroPosteriorMM), units.MM)))
		}
	}
	for j, height := range change.Heights {
		mm, given := height.MM.Get()
		leaf, _ := metric.LeafByID(valve.LeafletHeight)
		switch {
		case height.Segment != valve.A2 && height.Segment != valve.P2:
			fault(fmt.Sprintf(".heights[%d].segment", j), "is not A2 or P2, which make the middle slice")
		case !given:
			fault(fmt.Sprintf(".heights[%d].mm", j), "is missing; give the height in mm")
		case mm < leaf.Low || mm > leaf.High:
			fault(fmt.Sprintf(".heights[%d].mm", j), "is %g mm; a height asked about lies from %g to %g mm", mm, leaf.Low, leaf.High)
		default:
			c = h.withHeight(c, height.Segment, mm)
			words = append(words, placeWords(valve.AtSegment(height.Segment))+" "+amount(mm, units.MM))
		}
	}
	direction := ""
	for j, chord := range change.Chords {
		mm, given := chord.MM.Get()
		seg, known := f.chordAt(chord.StepID)
		switch {
		case !known:
			fault(fmt.Sprintf(".chords[%d].step_id", j), "is no step of artificial chords, planned or performed")
		case !given:
			fault(fmt.Sprintf(".chords[%d].mm", j), "is missing; give the length in mm")
		default:
			direction = chordDirection(seg)
			words = append(words, "chords of "+chord.StepID+" "+amount(mm, units.MM))
		}
	}
	if len(faults) > 0 {
		return WhatIf{}, faults
	}
	out := WhatIf{Change: i, Words: strings.Join(words, ", "), Values: f.quantities(c, direction), Explanation: direction}
	if len(f.outside) > 0 {
		out.Explanation = doesNotHold(f.outside)
	}
	return out, nil
}

// sizeOf finds a size in the site's ring table; why says what is wrong with it.
func (f *finder) sizeOf(choice RingChoice) (size settings.RingSize, why string) {
	label, given := choice.Label.Get()
	if !given {
		return size, "has no label; give the label of a size of the site's ring table"
	}
	if len(f.hypothesis.s.Rings) == 0 {
		return size, "cannot be looked up: the site's policy has no ring table, and sizes come from it"
	}
	var found []settings.RingSize
	for _, s := range f.hypothesis.s.Rings {
		if s.Label == label && (choice.Family == "" || s.Family == choice.Family) {
			found = append(found, s)
		}
	}
	switch {
	case len(found) == 0:
		return size, fmt.Sprintf("is label %g, which the site's ring table does not have there", label)
	case len(found) > 1:
		return size, fmt.Sprintf("is label %g, which several families of the site's ring table have; name the family", label)
	case found[0].Kind != repair.CompleteRing || found[0].InnerAnteroPosteriorMM.IsNone():
		return size, "is no complete ring with a known inner antero-posterior diameter, which the model needs"
	}
	return found[0], ""
}

// chordAt finds a step of artificial chords and the segment of the middle slice at which
// it stands, if it does.
func (f *finder) chordAt(id string) (seg valve.Segment, known bool) {
	var steps []repair.Step
	if f.c.Operation != nil {
		steps = append(steps, f.c.Operation.Steps...)
	}
	if f.c.Plan != nil {
		steps = append(steps, f.c.Plan.Steps...)
	}
	i := slices.IndexFunc(steps, func(s repair.Step) bool { return s.ID == id && s.Technique == repair.ArtificialChord })
	if i < 0 {
		return "", false
	}
	return middleSegment(steps[i]), true
}

// quantities computes what is told of a state: contact, overlap, closure line, tip beyond
// it, expected gradient, factors of systolic anterior motion. Where the model does not
// hold the factors are all that is told; where chords change, nothing that depends on
// where they hold the line is.
func (f *finder) quantities(c *repair.Case, direction string) []metric.Value {
	h := f.hypothesis
	middle := h.at(valve.AtSlice(valve.A2P2))
	var list []metric.Value
	for _, q := range []struct {
		id      valve.ID
		at      metric.At
		ofLine  bool // depends on where the line is held
		factual bool
	}{
		{metric.IDPredictedContact, middle, true, false},
		{metric.IDPredictedOverlap, middle, true, false},
		{metric.IDPredictedAnteriorShare, middle, true, false},
		{metric.IDUnsupportedAnteriorTip, middle, true, false},
		{metric.IDExpectedGradient, h.across(), false, false},
		{metric.IDFactorCount, h.found(valve.Nowhere), false, true},
	} {
		none := metric.Value{Key: q.at.Key(q.id), State: metric.NotApplicable}
		switch {
		case !q.factual && len(f.outside) > 0:
			none.Explanation = doesNotHold(f.outside)
			list = append(list, none)
		case q.ofLine && direction != "":
			none.State, none.Explanation = metric.NotEvaluable, "direction only"
			list = append(list, none)
		default:
			list = append(list, h.compute(c, q.id, q.at))
		}
	}
	return list
}
