// Package extract says what may leave the department of its cases: by what cases are
// told apart, how that is coarsened until no combination of it is held by few, and how
// extreme numbers are coded. It knows no record and no table.
package extract

import (
	"cmp"
	"fmt"
	"slices"
	"time"
)

// Least is how many cases share any combination of what is left.
const Least = 5

// Words that stand for what was coarsened. Neither is a word for 'not recorded', which
// is empty.
const (
	// Withheld: it is recorded, and not told.
	Withheld = "withheld"
	// Other: a technique that is not told apart.
	Other = "other"
)

// Key is what outsiders may know of a patient, and so what an extract for them is
// coarsened by. Empty: not recorded.
type Key struct {
	RingLabel, RingFamily string
	Technique             string // class, a repair.TechniqueClass
	Period                string // of the operation: 2026-H1, or 2026
	AgeBand               string // see AgeBand
	Aetiology, Approach   string
	Sex                   string
}

// A step makes keys coarser. The first four are those that were decided; where they are
// not enough the others follow, and what is left of a case that still stands out is
// nothing: it is left out.
type step struct {
	name   string
	coarse func(*Key)
}

var steps = []step{
	{"ring_label", func(k *Key) { withhold(&k.RingLabel) }},
	{"ring_family", func(k *Key) { withhold(&k.RingFamily) }},
	{"technique_to_other", func(k *Key) { instead(&k.Technique, Other) }},
	{"half_year_to_year", func(k *Key) { k.Period = yearOf(k.Period) }},
	{"age_band", func(k *Key) { withhold(&k.AgeBand) }},
	{"aetiology", func(k *Key) { withhold(&k.Aetiology) }},
	{"approach", func(k *Key) { withhold(&k.Approach) }},
	{"sex", func(k *Key) { withhold(&k.Sex) }},
	{"year", func(k *Key) { withhold(&k.Period) }},
}

// Steps names what is coarsened, in the order in which it is.
func Steps() []string {
	var names []string
	for _, s := range steps {
		names = append(names, s.name)
	}
	return names
}

// withhold puts 'not recorded' under the same word: that something is not recorded would
// else be what a case stands out by.
func withhold(s *string) { *s = Withheld }

func instead(s *string, word string) { *s = word }

func yearOf(period string) string {
	if len(period) > 4 && period != Withheld {
		return period[:4]
	}
	return period
}

// Coarsened is what became of keys.
type Coarsened struct {
	Keys    []Key
	LeftOut []bool // of each: nothing of it may leave
	// Smallest is how many cases hold the rarest combination that is left; 0: no case is.
	Smallest int
	// Changed says of each step how many cases it was done to, left out ones included.
	Changed []int
}

// Coarsen makes keys coarser, in the fixed order of the steps and those alone that too
// few share, until at least Least share each. It takes no account of their order.
func Coarsen(keys []Key) Coarsened {
	out := Coarsened{Keys: slices.Clone(keys), LeftOut: make([]bool, len(keys)), Changed: make([]int, len(steps))}
	counts := count(out.Keys)
	for i, s := range steps {
		for j := range out.Keys {
			if counts[out.Keys[j]] < Least {
				before := out.Keys[j]
				s.coarse(&out.Keys[j])
				if out.Keys[j] != before {
					out.Changed[i]++
				}
			}
		}
		counts = count(out.Keys)
	}
	for j, k := range out.Keys {
		if n := counts[k]; n < Least {
			out.LeftOut[j] = true
		} else if out.Smallest == 0 || n < out.Smallest {
			out.Smallest = n
		}
	}
	return out
}

func count(keys []Key) map[Key]int {
	counts := map[Key]int{}
	for _, k := range keys {
		counts[k]++
	}
	return counts
}

// The bands of age: five years each, and one of everybody from 90 on.
const (
	bandYears = 5
	oldest    = 90
)

// AgeBand gives the band of an age in years.
func AgeBand(years int) string {
	switch {
	case years < 0:
		return ""
	case years >= oldest:
		return fmt.Sprintf("%d_or_more", oldest)
	}
	from := years / bandYears * bandYears
	return fmt.Sprintf("%d_to_%d", from, from+bandYears-1)
}

// HalfYear gives the half-year of a time in its own zone.
func HalfYear(t time.Time) string {
	half := 1
	if t.Month() > time.June {
		half = 2
	}
	return fmt.Sprintf("%04d-H%d", t.Year(), half)
}

// BeginsHalfYear says whether a half-year begins at a time, in its own zone.
func BeginsHalfYear(t time.Time) bool {
	h, m, s := t.Clock()
	return t.Day() == 1 && (t.Month() == time.January || t.Month() == time.July) && h == 0 && m == 0 && s == 0 && t.Nanosecond() == 0
}

// Values are numbers of one kind, of which extremes are coded. They take memory for
// each different number, not for each number.
type Values struct {
	counts map[float64]int
	n      int
}

// Add counts one.
func (v *Values) Add(x float64) {
	if v.counts == nil {
		v.counts = map[float64]int{}
	}
	v.counts[x]++
	v.n++
}

// extreme is the share of numbers at either end that are told as the last one before them.
const extreme = 0.01

// Bounds gives the 1st and the 99th percentile (nearest rank): what lies beyond is told
// as they are. At least Least numbers are told alike at either end, so that no extreme is
// one patient's alone; ok is false where there are too few for that.
func (v *Values) Bounds() (low, high float64, ok bool) {
	if v == nil || v.n < 2*Least {
		return 0, 0, false
	}
	rank := max(int(extreme*float64(v.n)), Least)
	sorted := make([]float64, 0, len(v.counts))
	for x := range v.counts {
		sorted = append(sorted, x)
	}
	slices.SortFunc(sorted, cmp.Compare)
	at := func(rank int, of []float64) float64 {
		seen := 0
		for _, x := range of {
			if seen += v.counts[x]; seen >= rank {
				return x
			}
		}
		return of[len(of)-1]
	}
	low = at(rank, sorted)
	slices.Reverse(sorted)
	return low, at(rank, sorted), true
}
