package statistics

import (
	"cmp"
	"math"
	"slices"
)

// Followed is one patient under observation, in days from the operation.
type Followed struct {
	// Entry is the day from which on an event would have been seen: 0, or later where a
	// patient came under observation late.
	Entry int
	// Day is that of the event, or the last on which none was known.
	Day int
	// Cause of the event, from 1 on; 0: none so far.
	Cause int
}

// Step is a curve after the events of one day.
type Step struct {
	Day int
	// AtRisk are those under observation on the day, before its events.
	AtRisk int
	// Events of the day: all causes for a survival, the cause asked for otherwise.
	Events int
	// Value of the curve from this day on.
	Value float64
	// Interval at 95 %; absent where the curve stands at 0 or 1.
	Interval *Interval
	// StandardError of the value; absent with the interval.
	StandardError float64
}

// day is what happens on one day.
type day struct {
	day, atRisk, events int
	// of is how many of the events have the cause asked for.
	of int
}

// days gives the days with an event in order. Events come before ends of observation on
// the same day, and who enters on a day is at risk from the next on.
func days(patients []Followed, cause int) []day {
	entries := make([]int, len(patients))
	ends := slices.Clone(patients)
	for i, p := range patients {
		entries[i] = p.Entry
	}
	slices.Sort(entries)
	slices.SortFunc(ends, func(a, b Followed) int { return cmp.Compare(a.Day, b.Day) })
	var list []day
	for i, entered := 0, 0; i < len(ends); {
		d := day{day: ends[i].Day}
		// Day 0 has everybody at risk who entered on it: what ends there began there.
		for entered < len(entries) && (entries[entered] < d.day || entries[entered] == 0) {
			entered++
		}
		d.atRisk = entered - i
		for ; i < len(ends) && ends[i].Day == d.day; i++ {
			if ends[i].Cause != 0 {
				d.events++
				if ends[i].Cause == cause {
					d.of++
				}
			}
		}
		if d.events > 0 {
			list = append(list, d)
		}
	}
	return list
}

// Freedom is the share without any event over time, by the product limit, with
// intervals by the logarithm of its logarithm, which stay inside 0 and 1.
//
// Source: Kaplan & Meier, J Am Stat Assoc 1958;53:457-481, and Greenwood's variance
// (from memory); the published table of Freireich et al., Blood 1963;21:699-716 (read in
// secondary pages) in the tests.
func Freedom(patients []Followed) ([]Step, error) {
	if len(patients) == 0 {
		return nil, NoCases
	}
	var steps []Step
	value, sum := 1.0, 0.0
	for _, d := range days(patients, 0) {
		n, k := float64(d.atRisk), float64(d.events)
		value *= 1 - k/n
		s := Step{Day: d.day, AtRisk: d.atRisk, Events: d.events, Value: value}
		// Where everybody at risk failed the curve stays at 0, whoever comes later.
		if value > 0 {
			sum += k / (n * (n - k))
			s.StandardError = value * math.Sqrt(sum)
			half := Z95 * math.Sqrt(sum) / math.Abs(math.Log(value))
			s.Interval = &Interval{math.Pow(value, math.Exp(half)), math.Pow(value, math.Exp(-half))}
		}
		steps = append(steps, s)
	}
	return steps, nil
}

// Incidence is the cumulative incidence of one cause over time, with every other cause
// competing: whoever dies can't have the event any more.
//
// The variance is that of the delta method; the interval is by the logarithm of the
// logarithm. Source: formulas from memory; values checked by other programs, read in a
// public library's tests.
func Incidence(patients []Followed, cause int) ([]Step, error) {
	if len(patients) == 0 {
		return nil, NoCases
	}
	list := days(patients, cause)
	before := make([]float64, len(list))
	at := make([]float64, len(list))
	survival, incidence := 1.0, 0.0
	var steps []Step
	for i, d := range list {
		n := float64(d.atRisk)
		before[i] = survival
		incidence += survival * float64(d.of) / n
		survival *= 1 - float64(d.events)/n
		at[i] = incidence
		if d.of == 0 {
			continue
		}
		s := Step{Day: d.day, AtRisk: d.atRisk, Events: d.of, Value: incidence}
		if incidence > 0 && incidence < 1 {
			if variance, ok := incidenceVariance(list[:i+1], before, at); ok {
				s.StandardError = math.Sqrt(variance)
				half := Z95 * s.StandardError / (incidence * math.Abs(math.Log(incidence)))
				s.Interval = &Interval{math.Pow(incidence, math.Exp(half)), math.Pow(incidence, math.Exp(-half))}
			}
		}
		steps = append(steps, s)
	}
	return steps, nil
}

func incidenceVariance(list []day, before, at []float64) (float64, bool) {
	end := at[len(list)-1]
	var variance float64
	for j, d := range list {
		n, k, of := float64(d.atRisk), float64(d.events), float64(d.of)
		rest := end - at[j]
		if k < n {
			variance += rest * rest * k / (n * (n - k))
		} else if rest > 0 {
			return 0, false
		}
		variance += before[j] * before[j] * of * (n - of) / (n * n * n)
		variance -= 2 * rest * before[j] * of / (n * n)
	}
	return variance, variance >= 0
}

// At is what a curve says on a day: the value of its last step up to it, start before
// the first. Whether anybody was still observed on that day is AtRisk's to say.
func At(steps []Step, day int, start float64) Step {
	found := Step{Value: start}
	for _, s := range steps {
		if s.Day > day {
			break
		}
		found = s
	}
	return found
}

// AtRisk is how many are under observation on a day, before what happens on it.
func AtRisk(patients []Followed, day int) int {
	n := 0
	for _, p := range patients {
		if (p.Entry < day || p.Entry == 0) && day <= p.Day {
			n++
		}
	}
	return n
}

// Within is an event that is known only to lie after one day and up to another: found
// at an echo, absent at the one before. Open: not found so far, the last look was on
// After.
type Within struct {
	After, UpTo int
	Open        bool
}

// TurnbullStep is a stretch of days in which the curve falls by Mass; where inside it
// falls, the data can't tell.
type TurnbullStep struct {
	After, UpTo int
	Mass        float64
	// Free is the share without the event after the stretch.
	Free float64
}

// Turnbull is the self-consistent estimate of freedom from an event that is known only
// between two looks, by expectation and maximisation.
//
// Source: Turnbull, J R Stat Soc B 1976;38:290-295 (from memory); held in the tests
// against the product limit where every event has its day, and against data whose
// answer follows by hand.
func Turnbull(list []Within) ([]TurnbullStep, error) {
	if len(list) == 0 {
		return nil, NoCases
	}
	stretches := innermost(list)
	if len(stretches) == 0 {
		return nil, NoEvent
	}
	groups := sameStretches(list, stretches)
	// The last stretch is that of whoever never has the event while looked at.
	never := len(stretches)
	mass := make([]float64, never+1)
	for j := range mass {
		mass[j] = 1 / float64(len(mass))
	}
	before, next, change := make([]float64, never+1), make([]float64, never+1), make([]float64, never+1)
	for range 20_000 {
		for j := range never {
			before[j+1] = before[j] + mass[j]
		}
		clear(change)
		next[never] = 0
		for _, g := range groups {
			sum := before[g.to] - before[g.from]
			if g.open {
				sum += mass[never]
			}
			share := float64(g.count) / sum / float64(len(list))
			change[g.from] += share
			change[g.to] -= share
			if g.open {
				next[never] += mass[never] * share
			}
		}
		var moved, share float64
		for j := range never {
			share += change[j]
			next[j] = mass[j] * share
		}
		for j := range mass {
			moved = max(moved, math.Abs(next[j]-mass[j]))
		}
		mass, next = next, mass
		if moved < 1e-12 {
			break
		}
	}
	steps := make([]TurnbullStep, 0, len(stretches))
	free := 1.0
	for j, s := range stretches {
		free = max(0, free-mass[j])
		steps = append(steps, TurnbullStep{s.After, s.UpTo, mass[j], free})
	}
	return steps, nil
}

// alike are the patients whose event can lie in the same stretches, from one up to and
// without another.
type alike struct {
	from, to int
	open     bool
	count    int
}

// sameStretches puts together who can't be told apart, in an order of its own.
func sameStretches(list, stretches []Within) []alike {
	counts := map[alike]int{}
	for _, w := range list {
		g := alike{to: len(stretches), open: w.Open}
		g.from, _ = slices.BinarySearchFunc(stretches, w.After, func(s Within, after int) int { return cmp.Compare(s.After, after) })
		if !w.Open {
			g.to, _ = slices.BinarySearchFunc(stretches, w.UpTo+1, func(s Within, day int) int { return cmp.Compare(s.UpTo, day) })
		}
		counts[g]++
	}
	var out []alike
	for g, n := range counts {
		g.count = n
		out = append(out, g)
	}
	slices.SortFunc(out, func(a, b alike) int {
		if order := cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.to, b.to)); order != 0 || a.open == b.open {
			return order
		}
		if b.open {
			return -1
		}
		return 1
	})
	return out
}

// innermost are the stretches in which a curve can fall: from a left end to the next
// right end, with no other left end between.
func innermost(list []Within) []Within {
	var lefts, rights []int
	for _, w := range list {
		lefts = append(lefts, w.After)
		if !w.Open {
			rights = append(rights, w.UpTo)
		}
	}
	slices.Sort(lefts)
	slices.Sort(rights)
	lefts, rights = slices.Compact(lefts), slices.Compact(rights)
	var out []Within
	for i, left := range lefts {
		next := math.MaxInt
		if i+1 < len(lefts) {
			next = lefts[i+1]
		}
		j, _ := slices.BinarySearch(rights, left+1)
		if j < len(rights) && rights[j] <= next {
			out = append(out, Within{After: left, UpTo: rights[j]})
		}
	}
	return out
}

// Completeness is the person-time that was observed over that which could have been,
// both up to a day of reckoning, in days: what a curve is worth.
//
// Source: Clark, Altman & De Stavola, Lancet 2002;359:1309-1310 (from memory).
func Completeness(observed, potential []int) (float64, error) {
	if len(observed) != len(potential) {
		panic("a patient without one of the two times")
	}
	var a, b float64
	for i := range observed {
		a += float64(min(observed[i], potential[i]))
		b += float64(potential[i])
	}
	if b == 0 {
		return 0, NoCases
	}
	return a / b, nil
}
