package statistics

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Newcombe, Stat Med 1998;17:857-872, table I (Wilson read in a secondary page,
// Clopper-Pearson from memory); the last three rows are what a public statistics
// library's tests keep of another program's output.
func TestIntervalsOfShares(t *testing.T) {
	for _, r := range []struct {
		share         Share
		wilson, exact Interval
		within        float64
	}{
		{Share{81, 263}, Interval{0.2553, 0.3662}, Interval{0.2527, 0.3676}, 5e-5},
		{Share{15, 148}, Interval{0.0624, 0.1605}, Interval{0.0578, 0.1617}, 5e-5},
		{Share{0, 20}, Interval{0, 0.1611}, Interval{0, 0.1684}, 5e-5},
		{Share{1, 29}, Interval{0.0061, 0.1718}, Interval{0.0009, 0.1776}, 5e-5},
		{Share{18, 20}, Interval{0.6989663547715, 0.9721335187862}, Interval{0.6830172859809, 0.9876514728297}, 1e-9},
		{Share{4, 200}, Interval{0.0078044264163, 0.0502870869058}, Interval{0.0054755658796, 0.0504136090899}, 1e-9},
		{Share{190, 200}, Interval{0.9104218518612, 0.9726173543992}, Interval{0.9099724622986, 0.9757658345279}, 1e-9},
	} {
		wilson, err := r.share.Wilson()
		exact, err2 := r.share.Exact()
		if err != nil || err2 != nil {
			t.Fatal(err, err2)
		}
		near(t, "Wilson, lower", wilson.Lower, r.wilson.Lower, r.within)
		near(t, "Wilson, upper", wilson.Upper, r.wilson.Upper, r.within)
		near(t, "exact, lower", exact.Lower, r.exact.Lower, r.within)
		near(t, "exact, upper", exact.Upper, r.exact.Upper, r.within)
	}
}

func TestSharesStayInsideTheirLimits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 5000).Draw(t, "n")
		s := Share{rapid.IntRange(0, n).Draw(t, "count"), n}
		p, err := s.Value()
		wilson, err2 := s.Wilson()
		exact, err3 := s.Exact()
		if errors.Join(err, err2, err3) != nil {
			t.Fatal(err, err2, err3)
		}
		for _, i := range []Interval{wilson, exact} {
			if !(0 <= i.Lower && i.Lower <= p && p <= i.Upper && i.Upper <= 1) {
				t.Fatalf("%v: %v does not hold %v inside 0 and 1", s, i, p)
			}
			if (i.Lower == 0) != (s.Count == 0) || (i.Upper == 1) != (s.Count == n) {
				t.Fatalf("%v: ends %v touch 0 and 1 only for none and all", s, i)
			}
		}
		o := Share{rapid.IntRange(0, n).Draw(t, "other"), n}
		d, i, err := s.Difference(o)
		back, j, err2 := o.Difference(s)
		if err != nil || err2 != nil || !(-1 <= i.Lower && i.Lower <= d && d <= i.Upper && i.Upper <= 1) {
			t.Fatalf("difference %v in %v: %v %v", d, i, err, err2)
		}
		if back != -d || math.Abs(i.Lower+j.Upper) > 1e-12 || math.Abs(i.Upper+j.Lower) > 1e-12 {
			t.Fatalf("the other way round: %v in %v, want the mirror of %v in %v", back, j, d, i)
		}
	})
	if _, err := (Share{}).Wilson(); !errors.Is(err, NoCases) {
		t.Errorf("a share of nothing: %v", err)
	}
}

// Newcombe, Stat Med 1998;17:873-890, example 56/70 against 48/80 by method 10: 0.0524
// to 0.3339, from memory.
func TestDifferenceOfShares(t *testing.T) {
	d, i, err := Share{56, 70}.Difference(Share{48, 80})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "difference", d, 0.2, 1e-12)
	near(t, "lower", i.Lower, 0.0524, 5e-5)
	near(t, "upper", i.Upper, 0.3339, 5e-5)
}
