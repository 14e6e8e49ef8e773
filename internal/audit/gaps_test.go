package audit

import (
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"trigone/internal/units"
	"trigone/internal/valve"
)

var gapDay = time.Date(2030, 6, 1, 12, 0, 0, 0, time.UTC)

// whole is a case of which nothing is missing so many days after its operation.
func wholeCase(uid string, days int) *Case {
	return &Case{
		UID: uid, Incision: gapDay.AddDate(0, 0, -days), Timing: Prospective, Decision: "accepted", LeftTheatreAlive: valve.Yes,
		StatusKnownUntilDay: units.Some(days), DischargedDay: units.Some(7), Echoes: []Echo{{FollowUp: "discharge"}},
	}
}

// What is missing, each with its reason; limits of days are the audit's own (common
// practice, no source).
func TestGapsOfACase(t *testing.T) {
	for _, r := range []struct {
		reason string
		days   int
		change func(*Case)
		want   []GapKind
	}{
		{"nothing is missing", 3000, func(*Case) {}, nil},
		{"a contradiction is open", 10, func(c *Case) { c.OpenContradictions = 1 }, []GapKind{OpenContradiction}},
		{"no result in theatre: one before the operation is none", 10, func(c *Case) { c.Decision, c.Echoes = "", []Echo{{Assessment: "preoperative", Stage: valve.Native}} }, []GapKind{ResultMissing}},
		{"an echo on leaving theatre is a result", 10, func(c *Case) { c.Decision, c.Echoes = "", []Echo{{Stage: valve.LeavingTheatre}} }, nil},
		{"no plan was signed", 10, func(c *Case) { c.Timing = "unsigned" }, []GapKind{PlanNeverSigned}},
		{"the plan came after incision", 10, func(c *Case) { c.Timing = "late_arrival" }, []GapKind{PlanLate}},
		{"a reason is missing", 10, func(c *Case) { c.DifferencesWithoutReason = 2 }, []GapKind{ReasonMissing}},
		{"discharge within 60 days is not late", 60, func(c *Case) { c.DischargedDay = units.None[int]() }, nil},
		{"then it is", 61, func(c *Case) { c.DischargedDay = units.None[int]() }, []GapKind{DischargeMissing}},
		{"who died in the stay is not discharged", 61, func(c *Case) {
			c.DischargedDay, c.DiedInHospital, c.DiedDay = units.None[int](), valve.Yes, units.Some(3)
		}, nil},
		{"status at 29 days is not that at 30", 61, func(c *Case) { c.StatusKnownUntilDay = units.Some(29) }, []GapKind{ThirtyDaysOverdue}},
		{"nothing known at all", 61, func(c *Case) { c.StatusKnownUntilDay = units.None[int]() }, []GapKind{ThirtyDaysOverdue}},
		{"whoever died before needs no status", 61, func(c *Case) { c.StatusKnownUntilDay, c.DiedDay = units.Some(20), units.Some(20) }, nil},
		{"whoever is lost is not asked for", 500, func(c *Case) { c.StatusKnownUntilDay, c.Statuses = units.Some(40), []Status{{Lost: valve.Yes}} }, nil},
		{"a visit a month early counts for the year", 456, func(c *Case) { c.StatusKnownUntilDay = units.Some(335) }, nil},
		{"earlier it does not", 456, func(c *Case) { c.StatusKnownUntilDay = units.Some(334) }, []GapKind{OneYearOverdue}},
		{"the year has 90 days of grace", 455, func(c *Case) { c.StatusKnownUntilDay = units.Some(334) }, nil},
		{"five years, and with them nothing else", 2100, func(c *Case) { c.StatusKnownUntilDay = units.Some(1000) }, []GapKind{FiveYearsOverdue}},
		{"no echo afterwards", 91, func(c *Case) { c.Echoes = []Echo{{Stage: valve.LeavingTheatre}} }, []GapKind{EchoMissing}},
		{"a reason for none", 91, func(c *Case) { c.Echoes, c.Statuses = nil, []Status{{EchoNotDoneReason: "declined"}} }, nil},
	} {
		t.Run(r.reason, func(t *testing.T) {
			c := wholeCase("a", r.days)
			r.change(c)
			g := NewGaps(gapDay, time.UTC, nil)
			g.Add(c)
			list, counts, sentence := g.Answer()
			var got []GapKind
			for _, gap := range list {
				got = append(got, gap.Kind)
			}
			if !reflect.DeepEqual(got, r.want) {
				t.Errorf("%v, want %v", got, r.want)
			}
			n := 0
			for _, k := range counts {
				n += k.Count
				if k.Count > k.Of || k.Sentence == "" || strings.Contains(k.Sentence, "1 have") {
					t.Errorf("%+v", k)
				}
			}
			if n != len(r.want) || (n == 0) != strings.HasPrefix(sentence, "Nothing") {
				t.Errorf("%d counted, %q", n, sentence)
			}
		})
	}
}

// Cases in any order, and those without an operation or a time of one.
func TestGapsOfADepartment(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 14))
	var cases []*Case
	for i := range 60 {
		c := wholeCase(string(rune('a'+i)), 30*i)
		if i%3 == 0 {
			c.DifferencesWithoutReason = 1
		}
		if i%5 == 0 {
			c.StatusKnownUntilDay = units.Some(10)
		}
		cases = append(cases, c)
	}
	var first []Missing
	for range 20 {
		random.Shuffle(len(cases), func(i, j int) { cases[i], cases[j] = cases[j], cases[i] })
		g := NewGaps(gapDay, time.UTC, []GapKind{OneYearOverdue, ReasonMissing, OperationMissing, IncisionTimeMissing})
		for _, c := range cases {
			g.Add(c)
		}
		g.AddUndated([]string{"u"})
		g.AddAwaited(WithoutOperation{"w", gapDay.AddDate(0, 0, -31)})
		g.AddAwaited(WithoutOperation{"soon", gapDay.AddDate(0, 0, -30)})
		list, counts, sentence := g.Answer()
		if first == nil {
			first = list
			t.Log(sentence)
			for _, n := range counts {
				t.Log(n.Sentence)
			}
		}
		if !reflect.DeepEqual(list, first) || len(counts) != 4 {
			t.Fatalf("another order of cases gives another list: %v, %v", list, first)
		}
	}
	if first[0].Kind != IncisionTimeMissing || first[1].Kind != OperationMissing || first[1].UID != "w" || first[2].Kind != ReasonMissing || !first[2].Incision.Before(first[3].Incision) {
		t.Errorf("%+v", first[:4])
	}
}

// The theatre list against the record: no list says nothing of what is missing.
func TestTheatreListAgainstTheRecord(t *testing.T) {
	m := NewMonths(time.UTC)
	for _, day := range []time.Time{time.Date(2030, 1, 31, 23, 59, 0, 0, time.UTC), time.Date(2030, 2, 1, 0, 0, 0, 0, time.UTC), time.Date(2030, 2, 9, 8, 0, 0, 0, time.UTC)} {
		m.Add(&Case{Incision: day})
	}
	got := m.Against([]TheatreMonth{{"2030-02", []TheatreRow{{"myxomatous", "repair", 2}, {"", "replacement", 1}}}, {"2030-03", []TheatreRow{{"", "repair", 0}}}, {"2030-01", []TheatreRow{{"", "other", 0}}}})
	want := []string{
		"2030-01: the record has 1 operation, the theatre list 0; the list is short by 1, or an operation has the wrong day.",
		"2030-02: the theatre list has 3 operations, the record 2; 1 not seen.",
		"2030-03: the theatre list and the record both have 0 operations.",
	}
	for i, h := range got {
		if h.Sentence != want[i] {
			t.Errorf("%q, want %q", h.Sentence, want[i])
		}
	}
	if got := m.Against(nil); len(got) != 2 || got[0].Listed.IsSome() || !strings.Contains(got[0].Sentence, "nobody can say") {
		t.Errorf("%+v", got)
	}
}
