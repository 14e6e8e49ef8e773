package statistics

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// Remission of 21 children, weeks, + still in it: Freireich et al., Blood
// 1963;21:699-716, data and intervals read in secondary pages.
func TestPublishedFreedom(t *testing.T) {
	var patients []Followed
	for _, day := range []int{6, 6, 6, 7, 10, 13, 16, 22, 23} {
		patients = append(patients, Followed{Day: day, Cause: 1})
	}
	for _, day := range []int{6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35} {
		patients = append(patients, Followed{Day: day})
	}
	steps, err := Freedom(patients)
	if err != nil {
		t.Fatal(err)
	}
	want := []struct {
		day, atRisk         int
		value, lower, upper float64
		se                  float64
	}{
		{6, 21, .857, .620, .952, .076360}, {7, 17, .807, .563, .923, .086935}, {10, 15, .753, .503, .889, .096350},
		{13, 12, .690, .432, .849, .106815}, {16, 11, .627, .368, .805, .114054}, {22, 7, .538, .268, .747, .128234}, {23, 6, .448, .188, .680, .134591},
	}
	if len(steps) != len(want) {
		t.Fatalf("%d steps, want %d", len(steps), len(want))
	}
	for i, w := range want {
		s := steps[i]
		if s.Day != w.day || s.AtRisk != w.atRisk || s.Interval == nil {
			t.Fatalf("step %d: %+v, want day %d, %d at risk", i, s, w.day, w.atRisk)
		}
		near(t, "freedom", s.Value, w.value, 5.1e-4)
		near(t, "lower", s.Interval.Lower, w.lower, 5.1e-4)
		near(t, "upper", s.Interval.Upper, w.upper, 5.1e-4)
		near(t, "standard error", s.StandardError, w.se, 5.1e-7)
	}
	if got := At(steps, 12, 1); got.Day != 10 {
		t.Errorf("at 12 weeks the curve is that of week %d, want 10", got.Day)
	}
	if got := At(steps, 5, 1); got.Value != 1 {
		t.Errorf("before the first event %v, want 1", got.Value)
	}
	if got := AtRisk(patients, 10); got != 15 {
		t.Errorf("%d at risk at 10 weeks, want 15", got)
	}
}

// What two other programs say of 18 patients with three causes, read in a public
// library's tests.
func TestPublishedIncidence(t *testing.T) {
	time := []int{1, 1, 2, 4, 4, 4, 6, 6, 7, 8, 9, 9, 9, 1, 2, 2, 4, 4}
	cause := []int{1, 1, 1, 2, 2, 2, 3, 3, 3, 0, 0, 0, 0, 0, 0, 0, 0, 0}
	var patients []Followed
	for i := range time {
		patients = append(patients, Followed{Day: time[i], Cause: cause[i]})
	}
	for i, want := range []float64{0.17037037, 0.20740741, 0.26666667} {
		steps, err := Incidence(patients, i+1)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "incidence", steps[len(steps)-1].Value, want, 1e-8)
	}
}

func drawFollowed(t *rapid.T, causes int, late bool) []Followed {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Followed {
		f := Followed{Day: rapid.IntRange(1, 40).Draw(t, "day"), Cause: rapid.IntRange(0, causes).Draw(t, "cause")}
		if late {
			f.Entry = rapid.IntRange(0, f.Day-1).Draw(t, "entry")
		}
		return f
	}), 1, 60).Draw(t, "patients")
}

func TestCurvesAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		late := rapid.Bool().Draw(t, "late")
		patients := drawFollowed(t, 3, late)
		freedom, err := Freedom(patients)
		if err != nil {
			t.Fatal(err)
		}
		other := rapid.Permutation(patients).Draw(t, "order")
		again, _ := Freedom(other)
		if !slices.EqualFunc(freedom, again, func(a, b Step) bool { return a.Day == b.Day && a.Value == b.Value && a.AtRisk == b.AtRisk }) {
			t.Fatal("another order, another curve")
		}
		last := 1.0
		for _, s := range freedom {
			if s.Value > last || s.Value < 0 || s.AtRisk < s.Events {
				t.Fatalf("%+v after %v", s, last)
			}
			last = s.Value
			if s.Interval != nil && !(0 <= s.Interval.Lower && s.Interval.Lower <= s.Value && s.Value <= s.Interval.Upper && s.Interval.Upper <= 1) {
				t.Fatalf("%+v outside its interval %+v", s, *s.Interval)
			}
			// Every step: incidences of all causes and freedom make 1.
			sum := s.Value
			for cause := 1; cause <= 3; cause++ {
				steps, err := Incidence(patients, cause)
				if err != nil {
					t.Fatal(err)
				}
				at := At(steps, s.Day, 0)
				sum += at.Value
				if at.Interval != nil && !(0 <= at.Interval.Lower && at.Interval.Lower <= at.Value && at.Value <= at.Interval.Upper && at.Interval.Upper <= 1) {
					t.Fatalf("incidence %+v outside its interval %+v", at, *at.Interval)
				}
			}
			if math.Abs(sum-1) > 1e-9 {
				t.Fatalf("day %d: freedom and incidences make %v", s.Day, sum)
			}
		}
	})
}

// Without late entry nor competitors incidence is what freedom leaves, and its standard
// error is Greenwood's.
func TestIncidenceOfTheOnlyCause(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		patients := drawFollowed(t, 1, false)
		freedom, _ := Freedom(patients)
		incidence, _ := Incidence(patients, 1)
		for i, s := range freedom {
			if math.Abs(1-s.Value-incidence[i].Value) > 1e-9 {
				t.Fatalf("%v and %v", s, incidence[i])
			}
			if s.Interval != nil && incidence[i].Interval != nil && math.Abs(s.StandardError-incidence[i].StandardError) > 1e-9 {
				t.Fatalf("standard errors %v and %v", s.StandardError, incidence[i].StandardError)
			}
		}
	})
}

func TestLateEntryHasItsOwnRiskSet(t *testing.T) {
	// Whoever enters on day 10 could not have been seen to fail on day 5: two at risk
	// there, of whom one fails.
	steps, err := Freedom([]Followed{{Day: 5, Cause: 1}, {Day: 20}, {Entry: 10, Day: 30}})
	if err != nil || len(steps) != 1 || steps[0].AtRisk != 2 || steps[0].Value != 0.5 {
		t.Errorf("%+v, %v", steps, err)
	}
}

func TestTurnbull(t *testing.T) {
	if _, err := Turnbull(nil); !errors.Is(err, NoCases) {
		t.Errorf("nobody: %v", err)
	}
	if _, err := Turnbull([]Within{{After: 5, Open: true}}); !errors.Is(err, NoEvent) {
		t.Errorf("no event: %v", err)
	}
	// By hand: of four with an echo on days 0, 100 and 200 one is found at the second,
	// one at the third, two never.
	steps, err := Turnbull([]Within{{0, 100, false}, {100, 200, false}, {After: 200, Open: true}, {After: 200, Open: true}})
	if err != nil || len(steps) != 2 {
		t.Fatal(steps, err)
	}
	near(t, "first stretch", steps[0].Mass, 0.25, 1e-9)
	near(t, "second stretch", steps[1].Mass, 0.25, 1e-9)
	near(t, "free", steps[1].Free, 0.5, 1e-9)
	rapid.Check(t, func(t *rapid.T) {
		patients := drawFollowed(t, 1, false)
		var list []Within
		for _, p := range patients {
			if p.Cause == 1 {
				list = append(list, Within{After: p.Day - 1, UpTo: p.Day})
			} else {
				list = append(list, Within{After: p.Day, Open: true})
			}
		}
		freedom, _ := Freedom(patients)
		steps, err := Turnbull(list)
		if len(freedom) == 0 {
			if !errors.Is(err, NoEvent) {
				t.Fatalf("no event: %v", err)
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range freedom {
			i := slices.IndexFunc(steps, func(x TurnbullStep) bool { return x.UpTo == s.Day })
			if i < 0 || math.Abs(steps[i].Free-s.Value) > 1e-4 {
				t.Fatalf("day %d: the product limit is %v, the self-consistent %+v", s.Day, s.Value, steps)
			}
		}
	})
}

func TestCompleteness(t *testing.T) {
	got, err := Completeness([]int{100, 50, 200}, []int{100, 100, 100})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "completeness", got, 250.0/300, 1e-12)
	if _, err := Completeness(nil, nil); !errors.Is(err, NoCases) {
		t.Errorf("nobody: %v", err)
	}
}

// The order of the patients changes nothing, to the last bit, and many of them take no
// longer than their different intervals.
func TestTurnbullOfMany(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		var list []Within
		for range rapid.IntRange(1, 3000).Draw(t, "patients") {
			after := 30 * r.IntN(40)
			list = append(list, Within{After: after, UpTo: after + 1 + 30*r.IntN(20), Open: r.IntN(4) > 0})
		}
		one, err := Turnbull(list)
		other, again := Turnbull(rapid.Permutation(list).Draw(t, "order"))
		if !slices.Equal(one, other) || !errors.Is(err, again) && !errors.Is(again, err) {
			t.Fatalf("%v\nin another order\n%v", one, other)
		}
	})
}
