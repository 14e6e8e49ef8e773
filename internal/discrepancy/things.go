package discrepancy

import (
	"fmt"
	"strings"
)

// Things counts how the things planned came out: a step, a ring, a height or an
// aim is one thing, whatever number of comparisons was made of it. Predictions and
// limits are none.
type Things struct {
	Total         int
	AsPlanned     int // none of its comparisons differs, at least one could be made
	Otherwise     int // one differs
	CannotBeTold  int // none differs, one is below what the measurement can tell
	NotEvaluable  int // none could be made for want of a value
	NotApplicable int // none applies
}

// Tally gathers verdicts by the thing planned. The zero Tally is empty.
type Tally struct{ worst map[string]Verdict }

// decides says which verdict on a thing's comparisons decides, first to last.
var decides = []Verdict{Present, Indeterminate, Agrees, NotJudged, NotApplicable}

// Add takes one comparison into account; an empty thing is none.
func (t *Tally) Add(thing string, v Verdict) {
	if thing == "" {
		return
	}
	if t.worst == nil {
		t.worst = map[string]Verdict{}
	}
	for _, first := range decides {
		if v == first || t.worst[thing] == first {
			t.worst[thing] = first
			return
		}
	}
}

// Things gives the count.
func (t *Tally) Things() Things {
	n := Things{Total: len(t.worst)}
	for _, v := range t.worst {
		switch v {
		case Present:
			n.Otherwise++
		case Indeterminate:
			n.CannotBeTold++
		case Agrees:
			n.AsPlanned++
		case NotJudged:
			n.NotEvaluable++
		case NotApplicable:
			n.NotApplicable++
		}
	}
	return n
}

// ThingsPlanned counts the things planned of a case.
func ThingsPlanned(list []Comparison) Things {
	var t Tally
	for _, c := range list {
		t.Add(c.Thing, c.Verdict)
	}
	return t.Things()
}

// Plus adds two counts, of other cases.
func (n Things) Plus(m Things) Things {
	return Things{
		n.Total + m.Total, n.AsPlanned + m.AsPlanned, n.Otherwise + m.Otherwise,
		n.CannotBeTold + m.CannotBeTold, n.NotEvaluable + m.NotEvaluable, n.NotApplicable + m.NotApplicable,
	}
}

// String puts the count into words: of 9 things planned 6 as planned, 1 otherwise,
// 1 cannot be told, 1 not evaluable.
func (n Things) String() string {
	if n.Total == 0 {
		return "nothing is compared with a plan"
	}
	parts := []string{fmt.Sprintf("%d as planned", n.AsPlanned), fmt.Sprintf("%d otherwise", n.Otherwise)}
	for _, p := range []struct {
		count int
		words string
	}{{n.CannotBeTold, "cannot be told"}, {n.NotEvaluable, "not evaluable"}, {n.NotApplicable, "not applicable"}} {
		if p.count > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", p.count, p.words))
		}
	}
	noun := "things"
	if n.Total == 1 {
		noun = "thing"
	}
	return fmt.Sprintf("of %d %s planned %s", n.Total, noun, strings.Join(parts, ", "))
}
