package settings

import (
	"testing"

	"trigone/internal/units"
)

// Both ends belong to a range, a missing end is open, and no end at all is no
// range: nothing lies in it. Own rule of the table.
func TestRangeOfASize(t *testing.T) {
	some, none := units.Some[float64], units.None[float64]()
	rows := []struct {
		why   string
		r     Range
		v     float64
		holds bool
	}{
		{"inside", Range{some(22), some(25)}, 23, true},
		{"lower end", Range{some(22), some(25)}, 22, true},
		{"upper end", Range{some(22), some(25)}, 25, true},
		{"below", Range{some(22), some(25)}, 21.9, false},
		{"above", Range{some(22), some(25)}, 25.1, false},
		{"open below", Range{none, some(25)}, 1, true},
		{"open above", Range{some(22), none}, 99, true},
		{"open above, below its end", Range{some(22), none}, 21, false},
		{"not given", Range{}, 23, false},
		{"zero is an end", Range{none, some(0)}, 0, true},
	}
	for _, row := range rows {
		if row.r.Holds(row.v) != row.holds {
			t.Errorf("%s: %v", row.why, !row.holds)
		}
	}
}

func TestRingTable(t *testing.T) {
	s := BuiltIn("site", "1", "UTC")
	if len(s.Rings) != 0 {
		t.Error("a ring table is built in; it must be the site's own")
	}
	s.Rings = []RingSize{
		{Family: "b", Label: 30}, {Family: "a", Label: 32}, {Family: "a", Label: 28, BandLengthMM: units.Some(60.0)}, {Label: 30},
	}
	if list := s.RingFamily("a"); len(list) != 2 || list[0].Label != 28 || list[1].Label != 32 {
		t.Errorf("family a: %v", list)
	}
	if size, ok := s.Ring("a", 28); !ok || size.BandLengthMM != units.Some(60.0) {
		t.Errorf("a 28: %v %v", size, ok)
	}
	for _, row := range []struct {
		family string
		label  float64
		why    string
	}{{"a", 30, "a label of another family"}, {"c", 28, "no such family"}, {"", 30, "no family is no key"}} {
		if size, ok := s.Ring(row.family, row.label); ok {
			t.Errorf("%s: %v", row.why, size)
		}
	}
}
