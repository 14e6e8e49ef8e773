package extract

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// departments of keys, from a few cases to some hundreds, with words that are rare.
var departments = rapid.Custom(func(t *rapid.T) []Key {
	seed, n := rapid.Uint64().Draw(t, "seed"), rapid.IntRange(0, 400).Draw(t, "cases")
	years := rapid.IntRange(1, 8).Draw(t, "years")
	r := rand.New(rand.NewPCG(seed, 1))
	// Of few words the first are common.
	word := func(of ...string) string { return of[min(r.IntN(len(of)), r.IntN(len(of)))] }
	keys := make([]Key, n)
	for i := range keys {
		keys[i] = Key{
			RingLabel: word("", "30", "32", "28", "34", "36"), RingFamily: word("oval", "band", ""), Technique: word(append([]string{"ring_alone", "resection", "artificial_chords", Other}, "")...),
			Period: fmt.Sprintf("%d-H%d", 2018+r.IntN(years), 1+r.IntN(2)), AgeBand: AgeBand(30 + r.IntN(70)),
			Aetiology: word("fibroelastic_deficiency", "billowing", ""), Approach: word("sternotomy", "thoracotomy"), Sex: word("male", "female"),
		}
	}
	return keys
})

// Counted here by another way than the room's own: by comparing every pair.
func TestNoCombinationIsHeldByFew(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		keys := departments.Draw(t, "department")
		before := slices.Clone(keys)
		got := Coarsen(keys)
		if !slices.Equal(keys, before) {
			t.Fatal("the keys that were given were changed")
		}
		smallest, out := 0, 0
		for i, k := range got.Keys {
			if got.LeftOut[i] {
				out++
				continue
			}
			n := 0
			for j, other := range got.Keys {
				if other == k && !got.LeftOut[j] {
					n++
				}
			}
			if n < Least {
				t.Fatalf("%d cases hold %+v", n, k)
			}
			if smallest == 0 || n < smallest {
				smallest = n
			}
		}
		if smallest != got.Smallest {
			t.Errorf("the smallest cell holds %d, told is %d", smallest, got.Smallest)
		}
		if out >= Least {
			t.Errorf("%d cases are left out, who could stand together", out)
		}
	})
}

// The order is fixed: what is coarsened later tells that what comes before it was, and
// what enough share is left alone.
func TestCoarsenedInTheFixedOrder(t *testing.T) {
	fields := func(k Key) []string {
		return []string{k.RingLabel, k.RingFamily, k.Technique, k.Period, k.AgeBand, k.Aetiology, k.Approach, k.Sex}
	}
	rapid.Check(t, func(t *rapid.T) {
		keys := departments.Draw(t, "department")
		counts := count(keys)
		for i, k := range Coarsen(keys).Keys {
			if counts[keys[i]] >= Least && k != keys[i] {
				t.Fatalf("%d cases hold %+v, and it became %+v", counts[keys[i]], keys[i], k)
			}
			changed := false
			after, before := fields(k), fields(keys[i])
			for j := len(after) - 1; j >= 0; j-- {
				isCoarse := after[j] != before[j] || after[j] == Withheld || after[j] == Other
				if changed && !isCoarse {
					t.Fatalf("%v became %v: what comes before in the order was left", before, after)
				}
				changed = changed || after[j] != before[j]
			}
		}
	})
}

// Which case comes first tells nothing.
func TestCoarseningKnowsNoOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		keys := departments.Draw(t, "department")
		order := rapid.Permutation(keysOf(len(keys))).Draw(t, "order")
		mixed := make([]Key, len(keys))
		for i, from := range order {
			mixed[i] = keys[from]
		}
		one, other := Coarsen(keys), Coarsen(mixed)
		for i, from := range order {
			if other.Keys[i] != one.Keys[from] || other.LeftOut[i] != one.LeftOut[from] {
				t.Fatalf("case %d became %+v, in another order %+v", from, one.Keys[from], other.Keys[i])
			}
		}
	})
}

func keysOf(n int) []int {
	list := make([]int, n)
	for i := range list {
		list[i] = i
	}
	return list
}

func TestFewCases(t *testing.T) {
	same := Key{RingLabel: "30", RingFamily: "oval", Technique: "resection", Period: "2026-H1", AgeBand: "60_to_64", Sex: "male"}
	other := same
	other.RingLabel = "32"
	year := same
	year.RingLabel, year.RingFamily, year.Technique, year.Period = Withheld, Withheld, Other, "2026"
	for _, r := range []struct {
		reason   string
		keys     []Key
		smallest int
		out      int
		first    Key
	}{
		{"of nobody nothing is told", nil, 0, 0, Key{}},
		{"one case is left out", []Key{same}, 0, 1, Key{}},
		{"four are left out", []Key{same, same, same, same}, 0, 4, Key{}},
		{"five alike stay as they are", slices.Repeat([]Key{same}, 5), 5, 0, same},
		{"three and two share all but the label", append(slices.Repeat([]Key{same}, 3), other, other), 5, 0,
			Key{RingLabel: Withheld, RingFamily: "oval", Technique: "resection", Period: "2026-H1", AgeBand: "60_to_64", Sex: "male"}},
	} {
		got := Coarsen(r.keys)
		out := 0
		for _, is := range got.LeftOut {
			if is {
				out++
			}
		}
		if got.Smallest != r.smallest || out != r.out || len(r.keys) > 0 && r.first != (Key{}) && got.Keys[0] != r.first {
			t.Errorf("%s: %+v", r.reason, got)
		}
	}
	half := same
	half.Period = "2026-H2"
	if got := Coarsen(append(slices.Repeat([]Key{same}, 3), half, half)); got.Keys[0] != year {
		t.Errorf("half-years that few hold become years: %+v", got.Keys[0])
	}
}

func TestBandsAndPeriods(t *testing.T) {
	zone := time.FixedZone("invented", 2*3600)
	for _, r := range []struct{ reason, got, want string }{
		{"a band begins at its first year", AgeBand(60), "60_to_64"},
		{"and ends with its last", AgeBand(64), "60_to_64"},
		{"89 is told", AgeBand(89), "85_to_89"},
		{"from 90 on nothing is told apart", AgeBand(90), "90_or_more"},
		{"nor at 104", AgeBand(104), "90_or_more"},
		{"June is the first half", HalfYear(time.Date(2026, 6, 30, 23, 59, 0, 0, zone)), "2026-H1"},
		{"July is the second", HalfYear(time.Date(2026, 7, 1, 0, 0, 0, 0, zone)), "2026-H2"},
	} {
		if r.got != r.want {
			t.Errorf("%s: %q, want %q", r.reason, r.got, r.want)
		}
	}
	if !BeginsHalfYear(time.Date(2026, 7, 1, 0, 0, 0, 0, zone)) || BeginsHalfYear(time.Date(2026, 7, 1, 0, 0, 0, 1, zone)) || BeginsHalfYear(time.Date(2026, 4, 1, 0, 0, 0, 0, zone)) {
		t.Error("where half-years begin")
	}
}

// The bounds are numbers of the list, with at least five at or beyond either of them and,
// in long lists, no more than the ranks ask for. The ranks are those of a sorted copy.
func TestBounds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := rapid.SliceOfN(rapid.Map(rapid.IntRange(0, 5000), func(n int) float64 { return float64(n) / 2 }), 0, 1500).Draw(t, "numbers")
		var v Values
		for _, x := range list {
			v.Add(x)
		}
		low, high, ok := v.Bounds()
		if ok != (len(list) >= 10) {
			t.Fatalf("%d numbers: %v", len(list), ok)
		}
		if !ok {
			return
		}
		sorted := slices.Clone(list)
		slices.Sort(sorted)
		rank := max(len(sorted)/100, 5)
		if low != sorted[rank-1] || high != sorted[len(sorted)-rank] {
			t.Errorf("%d numbers: %v to %v, want %v to %v", len(list), low, high, sorted[rank-1], sorted[len(sorted)-rank])
		}
	})
}
