package discrepancy

import (
	"fmt"
	"math"

	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// ring compares label, kind, rigidity and family of a ring. Its dimensions are compared
// like those of any step.
func (c *comparing) ring(a answer) {
	planned := c.plan.Steps[a.planned].Ring
	if planned == nil {
		return
	}
	done := a.step.Ring
	if done == nil {
		done = &repair.Ring{}
	}
	c.ringSize(a, planned, done)
	for _, w := range []word{
		{ringKind, planned.Kind, done.Kind}, {ringRigidity, planned.Rigidity, done.Rigidity}, {ringFamily, planned.FamilyKey, done.FamilyKey},
	} {
		c.addWord(KindRingKind, RingKind, a, w)
	}
}

const (
	ringKind     = "ring_kind"
	ringFamily   = "ring_family"
	ringRigidity = "ring_rigidity"
	ringLabel    = "ring_label"
)

// labels gives the planned range of labels; one label alone is a range of one.
func labels(r *repair.Ring) (low, high float64, ok bool) {
	low, haveLow := r.PlannedLabelMin.Or(r.PlannedLabelMax).Get()
	high, haveHigh := r.PlannedLabelMax.Or(r.PlannedLabelMin).Get()
	return low, high, haveLow && haveHigh
}

// beyond gives how far a value lies outside a range, signed, and the end it is
// beyond; 0 inside.
func beyond(v, low, high float64) (distance, end float64) {
	switch {
	case v < low:
		return v - low, low
	case v > high:
		return v - high, high
	}
	return 0, v
}

// ringSize compares labels, which mean something inside one family only.
func (c *comparing) ringSize(a answer, planned, done *repair.Ring) {
	low, high, ok := labels(planned)
	if !ok {
		return
	}
	e := c.pairEntry(KindRingLabel, RingSize, a, ringLabel)
	e.Metric, e.Place = ringLabel, valve.AtStep(a.step.ID)
	e.Planned, e.Actual = "label "+span(low, high, number), ""
	label, implanted := done.ImplantedLabel.Get()
	at := " at " + string(e.Place) + " of operation"
	switch {
	case !implanted:
		e.Verdict = NotJudged
		e.Missing = []string{"implanted_label" + at}
		e.Message = "The label of the ring implanted is not recorded"
	case planned.FamilyKey == "" || done.FamilyKey == "":
		e.Verdict = NotJudged
		e.Actual = "label " + number(label)
		if planned.FamilyKey == "" {
			e.Missing = append(e.Missing, "family_key at "+string(valve.AtStep(e.PlannedStepID))+" of plan")
		}
		if done.FamilyKey == "" {
			e.Missing = append(e.Missing, "family_key"+at)
		}
		e.Message = "Labels compare only inside one family of rings, and the family is not recorded on both sides"
	case planned.FamilyKey != done.FamilyKey:
		e.Verdict = NotJudged
		e.Actual = "label " + number(label) + " of another family"
		e.Message = "The ring implanted is of another family than the one planned; labels compare only inside one family"
	default:
		e.Actual = "label " + number(label)
		e.Lower, e.Upper, e.ActualValue = units.Some(low), units.Some(high), units.Some(label)
		e.Verdict = Agrees
		if end, by, beyond := e.Passed(); beyond {
			e.Verdict = Present
			e.PlannedValue, e.Difference = units.Some(end), units.Some(by)
		}
		e.Message = fmt.Sprintf("The ring implanted has label %s, planned %s%s", number(label), span(low, high, number), because(e.Reason))
	}
	c.add(e)
}

// ringUnlikeness chooses between several rings.
func ringUnlikeness(planned, done *repair.Ring) float64 {
	if planned == nil || done == nil {
		return 0
	}
	sum := 0.0
	for _, w := range []word{
		{"", planned.Kind, done.Kind}, {"", planned.Rigidity, done.Rigidity}, {"", planned.FamilyKey, done.FamilyKey},
	} {
		if w.planned != "" && w.planned != w.actual {
			sum++
		}
	}
	low, high, ok := labels(planned)
	label, implanted := done.ImplantedLabel.Get()
	if ok && implanted {
		steps, _ := beyond(label, low, high)
		sum += math.Abs(steps)
	}
	return sum
}
