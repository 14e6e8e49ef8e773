package invent

import (
	"fmt"
	"time"
)

// Fault is something that was built in, or left out, and what came of it.
type Fault struct {
	Name string
	// In says whether it was built in.
	In bool
	// What it is and whom it meets, in a sentence.
	What string
	// Met is how many cases it met, and the same numbers in the cases it did not meet.
	Met, Others Tally
}

// Tally counts cases.
type Tally struct {
	Cases, Converted, FurtherRun, Failed, DiedEarly int
}

func (t *Tally) add(c *Case) {
	t.Cases++
	for _, x := range []struct {
		n  *int
		is bool
	}{
		{&t.Converted, c.Theatre.Conversion != ""}, {&t.FurtherRun, c.Theatre.FurtherRun != ""}, {&t.Failed, c.Failed()}, {&t.DiedEarly, c.DiedEarly()},
	} {
		if x.is {
			*x.n++
		}
	}
}

// BuiltIn is the table of what was built in, with counts, so that who reads a chart can
// check what it finds.
func (d Department) BuiltIn() []Fault {
	b := d.Settings.Built
	begin, operator := "", b.DeterioratedOperator
	if operator == "" {
		operator = "everybody"
	}
	for i := range d.Cases {
		if c := &d.Cases[i]; b.DeteriorationOddsRatio > 0 && c.Share >= b.DeteriorationFrom {
			begin = c.Incision.Format(time.DateOnly)
			break
		}
	}
	list := []Fault{
		{
			Name: "learning", In: b.LearningOddsRatio > 1,
			What: fmt.Sprintf("The odds of failure of %s are %g times those of others at first; the excess falls to a third every %d cases.", newOperator, b.LearningOddsRatio, LearningCases),
		},
		{
			Name: "deterioration", In: b.DeteriorationOddsRatio > 0,
			What: fmt.Sprintf("From %s on the odds of failure of %s are %g times what they were.", begin, operator, b.DeteriorationOddsRatio),
		},
		{
			Name: "ring", In: b.RingOffMM != 0,
			What: fmt.Sprintf("Rings of the family %s are %g mm deeper, from front to back, than its table says.", MiscalibratedFamily, b.RingOffMM),
		},
		{
			Name: "prediction", In: b.PredictionBiasMM != 0,
			What: fmt.Sprintf("There is %g mm less contact than the geometry of the valve gives.", b.PredictionBiasMM),
		},
	}
	for i := range d.Cases {
		c := &d.Cases[i]
		meets := []bool{c.Operator == newOperator, c.deteriorated(b), c.Repair.Ring.Family == MiscalibratedFamily, true}
		for f := range list {
			switch {
			case !list[f].In:
			case meets[f]:
				list[f].Met.add(c)
			default:
				list[f].Others.add(c)
			}
		}
	}
	return list
}

// faults are what can be built in, in the order of the table, and how each is left out.
var faults = []struct {
	name string
	out  func(*Built)
}{
	{"learning", func(b *Built) { b.LearningOddsRatio = 0 }},
	{"deterioration", func(b *Built) { b.DeteriorationOddsRatio = 0 }},
	{"ring", func(b *Built) { b.RingOffMM = 0 }},
	{"prediction", func(b *Built) { b.PredictionBiasMM = 0 }},
}

// FaultNames gives what can be built in.
func FaultNames() []string {
	var list []string
	for _, f := range faults {
		list = append(list, f.name)
	}
	return list
}

// LeaveOut takes a fault out; ok is false if there is none of this name.
func (b *Built) LeaveOut(name string) (ok bool) {
	for _, f := range faults {
		if f.name == name {
			f.out(b)
			return true
		}
	}
	return false
}
