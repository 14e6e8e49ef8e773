package statistics

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Share is how many of how many.
type Share struct{ Count, Of int }

func (s Share) check() error {
	if s.Count < 0 || s.Count > s.Of {
		panic(fmt.Sprintf("a share of %d of %d", s.Count, s.Of))
	}
	if s.Of == 0 {
		return NoCases
	}
	return nil
}

// Value is the share.
func (s Share) Value() (float64, error) {
	if err := s.check(); err != nil {
		return 0, err
	}
	return float64(s.Count) / float64(s.Of), nil
}

// Wilson is the 95 % interval by the score: the one that is shown. Of nothing its lower
// end is exactly 0, of everything its upper end exactly 1.
//
// Source: Newcombe, Stat Med 1998;17:857-872 (first page read in, worked values read in
// a secondary page).
func (s Share) Wilson() (Interval, error) {
	if err := s.check(); err != nil {
		return Interval{}, err
	}
	n := float64(s.Of)
	p := float64(s.Count) / n
	scale := 1 + Z95*Z95/n
	centre := (p + Z95*Z95/(2*n)) / scale
	half := Z95 / scale * math.Sqrt(p*(1-p)/n+Z95*Z95/(4*n*n))
	i := Interval{max(0, centre-half), min(1, centre+half)}
	if s.Count == 0 {
		i.Lower = 0
	}
	if s.Count == s.Of {
		i.Upper = 1
	}
	return i, nil
}

// Exact is the 95 % interval of Clopper and Pearson, which holds at least its level
// whatever the share is: for events of safety, and for coverage.
//
// Source: values read in a secondary page; formula from memory.
func (s Share) Exact() (Interval, error) {
	if err := s.check(); err != nil {
		return Interval{}, err
	}
	k, n := float64(s.Count), float64(s.Of)
	i := Interval{0, 1}
	if s.Count > 0 {
		i.Lower = distuv.Beta{Alpha: k, Beta: n - k + 1}.Quantile(0.025)
	}
	if s.Count < s.Of {
		i.Upper = distuv.Beta{Alpha: k + 1, Beta: n - k}.Quantile(0.975)
	}
	return i, nil
}

// Difference is the share minus another with its 95 % interval, a hybrid of the two
// score intervals.
//
// Source: Newcombe, Stat Med 1998;17:873-890 (from memory).
func (s Share) Difference(o Share) (float64, Interval, error) {
	a, err := s.Wilson()
	if err != nil {
		return 0, Interval{}, err
	}
	b, err := o.Wilson()
	if err != nil {
		return 0, Interval{}, err
	}
	p, q := float64(s.Count)/float64(s.Of), float64(o.Count)/float64(o.Of)
	d := p - q
	return d, Interval{
		max(-1, d-math.Hypot(p-a.Lower, b.Upper-q)),
		min(1, d+math.Hypot(a.Upper-p, q-b.Lower)),
	}, nil
}
