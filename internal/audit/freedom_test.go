package audit

import (
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var (
	somewhere = time.FixedZone("somewhere", 2*60*60)
	operated  = time.Date(2020, 3, 1, 8, 0, 0, 0, somewhere)
	day       = units.Some[int]
)

func after(days int) time.Time { return operated.AddDate(0, 0, days) }

func grade(word string) repair.Grade { return repair.Grade{Scheme: repair.FiveStep, Value: word} }

func leftAlive() Status { return Status{Day: day(0), Vital: "alive"} }

func alive(d int) Status {
	return Status{FollowUp: "other", Day: day(d), Vital: "alive", ReinterventionsRecorded: "complete"}
}

func phoned(d int) Status { return Status{FollowUp: "other", Day: day(d), Vital: "alive"} }

func dead(known, died int) Status {
	return Status{FollowUp: "other", Day: day(known), DiedDay: day(died), Vital: "dead"}
}

func exit(word string) Echo {
	return Echo{Stage: valve.LeavingTheatre, Run: day(1), Grade: grade(word)}
}

func seen(d int, word string) Echo {
	return Echo{FollowUp: "other", Day: day(d), Grade: grade(word)}
}

func discharge(d int, word string) Echo {
	return Echo{FollowUp: "discharge", Day: day(d), Grade: grade(word)}
}

func again(d int, mechanism string) Event {
	return Event{Kind: "reintervention", Reintervention: "replaced", Mechanism: mechanism, Day: day(d), KnownDay: day(d)}
}

func patient(statuses []Status, echoes []Echo, events ...Event) *Case {
	return &Case{UID: "a", Incision: operated, OperationReceivedDays: units.Some(0.5), Statuses: statuses, Echoes: echoes, Events: events}
}

// The rules by which a patient is followed: decisions of the audit F1, a row each.
func TestWhoIsFollowedUntilWhen(t *testing.T) {
	received := func(c *Case, plan, operation units.Maybe[float64]) *Case {
		c.PlanReceivedDays, c.OperationReceivedDays = plan, operation
		return c
	}
	none := units.None[float64]()
	type end struct{ entry, day, cause int }
	for _, r := range []struct {
		why   string
		event FreedomEvent
		asOf  int
		c     *Case
		want  end
		// out: he is in no curve
		out Reason
	}{
		{"who lives is followed to the last day on which that was known", Death, 2000, patient([]Status{leftAlive(), alive(30), phoned(400)}, nil), end{0, 400, 0}, ""},
		{"a death counts on its own day, not on that of the letter", Death, 2000, patient([]Status{leftAlive(), dead(700, 650)}, nil), end{0, 650, 1}, ""},
		{"death in theatre is on day 0", Death, 2000, patient([]Status{{Day: day(0), DiedDay: day(0), Vital: "dead"}}, nil), end{0, 0, 1}, ""},
		{"a letter of a later day is not known yet", Death, 660, patient([]Status{leftAlive(), alive(365), dead(700, 650)}, nil), end{0, 365, 0}, ""},
		{"dead without a date can't be placed", Death, 2000, patient([]Status{leftAlive(), {FollowUp: "other", Day: day(300), Vital: "dead"}}, nil), end{}, DeathUndated},
		{"alive after his death", Death, 2000, patient([]Status{dead(200, 100), alive(300)}, nil), end{}, CourseContradicts},
		{"two days of death", Death, 2000, patient([]Status{dead(200, 100), dead(300, 101)}, nil), end{}, CourseContradicts},
		{"nothing is known since the operation", Death, 2000, patient(nil, []Echo{exit("none")}), end{}, StatusNotKnown},
		{"lost, without a status: followed to the last one", Death, 2000, patient([]Status{leftAlive(), alive(30), {FollowUp: "other", Day: day(800), Lost: valve.Yes}}, nil), end{0, 30, 0}, ""},
		{"an echo is no status", Death, 2000, patient([]Status{leftAlive()}, []Echo{seen(365, "mild")}), end{0, 0, 0}, ""},

		{"re-interventions are known only as far as all of them are recorded", Reintervention, 2000, patient([]Status{leftAlive(), alive(30), phoned(400)}, nil), end{0, 30, 0}, ""},
		{"one that is told counts on its day all the same", Reintervention, 2000, patient([]Status{leftAlive(), phoned(400)}, nil, again(390, "")), end{0, 390, 1}, ""},
		{"the first of two", Reintervention, 2000, patient([]Status{leftAlive()}, nil, again(390, ""), again(20, "")), end{0, 20, 1}, ""},
		{"a return to theatre for the valve is one", Reintervention, 2000, patient([]Status{leftAlive()}, nil, Event{Kind: "return_to_theatre", ReturnReason: "mitral_valve", Day: day(1)}), end{0, 1, 1}, ""},
		{"a return for bleeding is none", Reintervention, 2000, patient([]Status{leftAlive(), alive(9)}, nil, Event{Kind: "return_to_theatre", ReturnReason: "bleeding", Day: day(1)}), end{0, 9, 0}, ""},
		{"a complication is none", Reintervention, 2000, patient([]Status{leftAlive(), alive(9)}, nil, Event{Kind: "complication", Complication: "stroke", Day: day(1)}), end{0, 9, 0}, ""},
		{"one without a day can't be placed", Reintervention, 2000, patient([]Status{leftAlive()}, nil, Event{Kind: "reintervention", KnownDay: day(50)}), end{}, ReinterventionUndated},
		{"what an entry of a later day tells is not known yet", Reintervention, 400, patient([]Status{leftAlive(), alive(365)}, nil, Event{Kind: "reintervention", Day: day(390), KnownDay: day(500)}), end{0, 365, 0}, ""},
		{"who dies can't have one any more", Reintervention, 2000, patient([]Status{leftAlive(), alive(30), dead(700, 650)}, nil), end{0, 650, 2}, ""},
		{"a re-intervention after death", Reintervention, 2000, patient([]Status{dead(200, 100)}, nil, again(150, "")), end{}, CourseContradicts},

		{"recurrence counts on the day of the echo that found it", Recurrence, 2000, patient([]Status{leftAlive()}, []Echo{exit("none"), seen(365, "mild"), seen(800, "moderate"), seen(900, "severe")}), end{0, 800, 1}, ""},
		{"without it to the last echo, whoever phoned later", Recurrence, 2000, patient([]Status{leftAlive(), alive(1500)}, []Echo{exit("none"), seen(365, "mild")}), end{0, 365, 0}, ""},
		{"an echo without a grade says nothing", Recurrence, 2000, patient([]Status{leftAlive()}, []Echo{exit("none"), seen(365, "mild"), {FollowUp: "other", Day: day(800)}}), end{0, 365, 0}, ""},
		{"an echo under exercise is not one at rest", Recurrence, 2000, patient([]Status{leftAlive()}, []Echo{exit("none"), {FollowUp: "other", Day: day(365), Grade: grade("severe"), Provocation: "exercise"}}), end{0, 0, 0}, ""},
		{"an echo of a later day is not known yet", Recurrence, 500, patient([]Status{leftAlive()}, []Echo{exit("none"), seen(365, "mild"), seen(800, "moderate")}), end{0, 365, 0}, ""},
		{"at discharge it is residual", Recurrence, 2000, patient([]Status{leftAlive()}, []Echo{exit("none"), discharge(6, "moderate"), seen(365, "severe")}), end{}, ResidualRegurgitation},
		{"so it is on leaving theatre, where no echo at discharge says otherwise", Recurrence, 2000, patient([]Status{leftAlive()}, []Echo{exit("moderate"), seen(365, "severe")}), end{}, ResidualRegurgitation},
		{"the echo at discharge says otherwise", Recurrence, 2000, patient([]Status{leftAlive()}, []Echo{exit("moderate"), discharge(6, "mild"), seen(365, "severe")}), end{0, 365, 1}, ""},
		{"the valve that left theatre counts, not that of an earlier run", Recurrence, 2000, patient([]Status{leftAlive()},
			[]Echo{{Stage: valve.OffBypass, Run: day(1), Grade: grade("severe")}, {Stage: valve.LeavingTheatre, Run: day(2), Grade: grade("trace")}, seen(365, "mild")}), end{0, 365, 0}, ""},
		{"a re-intervention for regurgitation counts without an echo", Recurrence, 2000, patient([]Status{leftAlive()}, []Echo{exit("none"), seen(365, "mild")}, again(700, "prolapse")), end{0, 700, 1}, ""},
		{"an echo before it found it first", Recurrence, 2000, patient([]Status{leftAlive()}, []Echo{exit("none"), seen(365, "severe")}, again(700, "prolapse")), end{0, 365, 1}, ""},
		{"a re-intervention for another reason ends what can be seen of the repair", Recurrence, 2000, patient([]Status{leftAlive()}, []Echo{exit("none"), seen(365, "mild"), seen(900, "severe")}, again(700, "")), end{0, 700, 2}, ""},
		{"who dies can't have it any more", Recurrence, 2000, patient([]Status{leftAlive(), dead(700, 650)}, []Echo{exit("none"), seen(365, "mild")}), end{0, 650, 2}, ""},
		{"an echo after death", Recurrence, 2000, patient([]Status{dead(700, 650)}, []Echo{exit("none"), seen(660, "mild")}), end{}, CourseContradicts},
		{"no echo with a grade at all", Recurrence, 2000, patient([]Status{leftAlive(), alive(400)}, []Echo{{FollowUp: "other", Day: day(365)}}), end{}, NoGradedEcho},

		{"the first of the three", Composite, 2000, patient([]Status{leftAlive(), dead(700, 650)}, []Echo{exit("none"), seen(365, "moderate")}, again(400, "prolapse")), end{0, 365, 1}, ""},
		{"all three must have been looked for", Composite, 2000, patient([]Status{leftAlive(), alive(400), phoned(900)}, []Echo{exit("none"), seen(365, "mild")}), end{0, 365, 0}, ""},
		{"early death counts before any echo", Composite, 2000, patient([]Status{leftAlive(), dead(9, 9)}, []Echo{exit("none")}), end{0, 9, 1}, ""},
		{"residual regurgitation is no freedom to lose", Composite, 2000, patient([]Status{leftAlive()}, []Echo{exit("none"), discharge(6, "moderate")}), end{}, ResidualRegurgitation},

		{"a record written up in the week after is followed from the operation", Death, 2000, received(patient([]Status{leftAlive(), alive(400)}, nil), none, units.Some(7.4)), end{0, 400, 0}, ""},
		{"a case that was looked up later is followed from its receipt", Death, 2000, received(patient([]Status{leftAlive(), alive(400)}, nil), none, units.Some(200.9)), end{200, 400, 0}, ""},
		{"its plan was here before: it was known all the time", Death, 2000, received(patient([]Status{leftAlive(), alive(400)}, nil), units.Some(-3.0), units.Some(200.9)), end{0, 400, 0}, ""},
		{"its plan came as late", Death, 2000, received(patient([]Status{leftAlive(), alive(400)}, nil), units.Some(300.0), units.Some(200.9)), end{200, 400, 0}, ""},
		{"who died before could not be seen to die", Death, 2000, received(patient([]Status{leftAlive(), dead(150, 150)}, nil), none, units.Some(200.9)), end{}, OverBeforeReceipt},
		{"nothing is known of him since", Death, 2000, received(patient([]Status{leftAlive(), alive(150)}, nil), none, units.Some(200.9)), end{}, OverBeforeReceipt},
	} {
		t.Run(string(r.event)+": "+r.why, func(t *testing.T) {
			c := courseOf(&FreedomQuestion{Grade: repair.AtLeastModerate, AsOf: after(r.asOf)}, r.c, nil)
			got, out := c.of(r.event, false)
			if out != r.out || out == "" && (got.Entry != r.want.entry || got.Day != r.want.day || got.Cause != r.want.cause) {
				t.Errorf("%+v %s, want %+v %s", got, out, r.want, r.out)
			}
		})
	}
}

// The days between which a recurrence began.
func TestRecurrenceLiesBetweenTwoEchoes(t *testing.T) {
	for _, r := range []struct {
		why     string
		c       *Case
		without int
	}{
		{"after the last echo without it", patient(nil, []Echo{exit("none"), discharge(6, "mild"), seen(300, "mild"), seen(400, "moderate"), seen(500, "mild")}), 300},
		{"after discharge", patient(nil, []Echo{exit("none"), discharge(6, "mild"), seen(400, "moderate")}), 6},
		{"after theatre", patient(nil, []Echo{exit("none"), seen(400, "moderate")}), 0},
		{"of two on one day the one that finds it counts", patient(nil, []Echo{exit("none"), seen(300, "mild"), seen(400, "mild"), seen(400, "moderate")}), 300},
		{"a re-intervention has its day", patient(nil, []Echo{exit("none"), seen(300, "mild")}, again(400, "prolapse")), 399},
	} {
		c := courseOf(&FreedomQuestion{Grade: repair.AtLeastModerate, AsOf: after(2000)}, r.c, nil)
		got, out := c.of(Recurrence, false)
		if out != "" || got.Day != 400 || got.Cause != happened || got.without != r.without {
			t.Errorf("%s: %+v %s, want it between %d and 400", r.why, got, out, r.without)
		}
	}
}

func TestGradesOfRecurrence(t *testing.T) {
	for _, r := range []struct {
		level string
		want  int // the day on which it is found; 0: never
	}{{repair.AtLeastMild, 100}, {"", 200}, {repair.AtLeastModerateToSevere, 300}, {repair.AtLeastSevere, 300}} {
		f := NewFreedoms(FreedomQuestion{Events: []FreedomEvent{Recurrence}, Grade: r.level, AsOf: after(2000)})
		f.AddCase(patient([]Status{leftAlive()}, []Echo{exit("none"), seen(100, "mild"), seen(200, "moderate"), seen(300, "severe")}))
		if c := f.Answer().Curves[0]; len(c.Cases) != 1 || c.Cases[0].Day != r.want {
			t.Errorf("%s: %+v, want day %d", r.level, c.Cases, r.want)
		}
	}
}

// A later case of a patient is the re-intervention of the first one, whether it was asked
// for or not; the patient counts once, and what became of him is read in both.
func TestLaterOperation(t *testing.T) {
	first := patient([]Status{leftAlive(), alive(365)}, []Echo{exit("none"), seen(365, "mild")})
	first.Patient = 7
	second := &Case{UID: "b", Patient: 7, Later: true, Incision: after(500).Add(9 * time.Hour), Grade: grade("severe"), Statuses: []Status{leftAlive(), dead(40, 20)}}
	want := map[FreedomEvent][2]int{Death: {520, 1}, Reintervention: {500, 1}, Recurrence: {500, 1}, Composite: {500, 1}}
	for _, r := range []struct {
		why  string
		add  func(f *Freedoms)
		left []Left
	}{
		{"both were asked for", func(f *Freedoms) { f.AddCase(second); f.AddCase(first) }, []Left{{LaterCase, 1}}},
		{"the first one only", func(f *Freedoms) { f.AddOther(first); f.AddOther(second); f.AddCase(first) }, nil},
		{"both, and told of before", func(f *Freedoms) { f.AddOther(second); f.AddCase(first); f.AddCase(second) }, []Left{{LaterCase, 1}}},
	} {
		f := NewFreedoms(FreedomQuestion{AsOf: after(2000)})
		r.add(f)
		answer := f.Answer()
		if !reflect.DeepEqual(answer.Left, r.left) {
			t.Errorf("%s: left out %v, want %v", r.why, answer.Left, r.left)
		}
		for _, c := range answer.Curves {
			if w := want[c.Event]; c.Patients != 1 || c.Events != 1 || c.Cases[0] != (CaseDay{"a", w[0]}) {
				t.Errorf("%s: %s: %+v, want day %d", r.why, c.Event, c.Cases, w[0])
			}
		}
	}
	f := NewFreedoms(FreedomQuestion{AsOf: after(450)})
	f.AddCase(first)
	f.AddCase(second)
	for _, c := range f.Answer().Curves {
		if c.Events != 0 {
			t.Errorf("%s before the second operation: %+v", c.Event, c.Cases)
		}
	}
}

func TestConversionsLeaveOnDay0(t *testing.T) {
	f := NewFreedoms(FreedomQuestion{AsOf: after(2000)})
	c := patient([]Status{leftAlive(), dead(30, 20)}, nil)
	c.Converted = valve.Yes
	f.AddCase(c)
	c = patient([]Status{leftAlive()}, nil)
	c.Intended = "replacement"
	f.AddCase(c)
	answer := f.Answer()
	if answer.Eligible != 2 || answer.Replaced != 1 || answer.ReplacedAndDied != 1 || !reflect.DeepEqual(answer.Left, []Left{{ReplacementIntended, 1}, {ReplacedInTheatre, 1}}) {
		t.Errorf("%+v", answer)
	}
	const want = "Nobody can be followed for death: who is left out, and why, stands beside it."
	if got := answer.Curves[0].Sentence; got != want {
		t.Error(got)
	}
}

// The remission of 21 children (Freireich et al., Blood 1963;21:699-716, read in secondary
// pages), as if each week of it were a day after the operation: the figures that a person
// meets are the published ones, 1 minus the printed share in remission.
func TestPublishedCurve(t *testing.T) {
	f := NewFreedoms(FreedomQuestion{Events: []FreedomEvent{Death}, AsOf: after(40)})
	for _, d := range []int{6, 6, 6, 7, 10, 13, 16, 22, 23} {
		f.AddCase(patient([]Status{leftAlive(), dead(d, d)}, nil))
	}
	for _, d := range []int{6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35} {
		f.AddCase(patient([]Status{leftAlive(), alive(d)}, nil))
	}
	c := f.Answer().Curves[0]
	want := []struct {
		day, atRisk         int
		free, lower, higher float64
	}{{6, 21, .857, .620, .952}, {7, 17, .807, .563, .923}, {10, 15, .753, .503, .889}, {13, 12, .690, .432, .849}, {16, 11, .627, .368, .805}}
	if len(c.Steps) != len(want) {
		t.Fatalf("the curve stops where fewer than 10 are at risk: %+v", c.Steps)
	}
	for i, w := range want {
		s := c.Steps[i]
		low, high := s.Share.Lower.OrElse(-1), s.Share.Upper.OrElse(-1)
		if s.Day != w.day || s.AtRisk != w.atRisk || math.Abs(1-s.Share.Value.OrElse(-1)-w.free) > 5e-4 || math.Abs(1-high-w.lower) > 5e-4 || math.Abs(1-low-w.higher) > 5e-4 {
			t.Errorf("%+v, want %+v", s, w)
		}
	}
	if p := c.Points[1]; p.Day != 30 || p.AtRisk != 4 || p.Events != 9 || p.Share.Because == "" {
		t.Errorf("30 days: %+v", p)
	}
}

func many(n int, of func(i int) *Case) *Freedoms {
	f := NewFreedoms(FreedomQuestion{AsOf: after(2000)})
	for i := range n {
		f.AddCase(of(i))
	}
	return f
}

func TestSentences(t *testing.T) {
	followed := func(i int) *Case {
		c := patient([]Status{leftAlive(), alive(1900)}, []Echo{exit("none"), discharge(6, "mild"), seen(360, "mild"), seen(1830, "mild")})
		switch {
		case i < 4:
			c.Statuses[1] = dead(200+i, 200+i)
			c.Echoes = c.Echoes[:2]
		case i < 7:
			c.Echoes[2].Grade, c.Echoes = grade("moderate"), c.Echoes[:3]
		case i == 7:
			c.Events = []Event{again(900, "suture_line")}
			c.Echoes = c.Echoes[:3]
		case i == 8:
			c.Echoes[1].Grade = grade("moderate")
		}
		return c
	}
	for _, r := range []struct {
		why   string
		f     *Freedoms
		event FreedomEvent
		want  string
	}{
		{"nobody", many(0, nil), Death, "Nobody was operated on in the time asked for: there is no one to follow."},
		{"as of a day before the first operation", func() *Freedoms {
			f := NewFreedoms(FreedomQuestion{AsOf: after(-1)})
			f.AddCase(followed(9))
			return f
		}(), Recurrence, "Nobody was operated on in the time asked for: there is no one to follow."},
		{"one patient", many(1, func(int) *Case { return followed(9) }), Death, "Only 1 patient can be followed for death, too few to say how many of 100: none is known to have died."},
		{"one patient, who died", many(1, followed), Death, "The only patient died, on day 200."},
		{"no follow-up at all", many(40, func(int) *Case { return patient([]Status{leftAlive()}, []Echo{exit("none")}) }), Recurrence,
			"Of 40 patients fewer than 10 were still followed for recurrent regurgitation after 30 days, too few to say how many of 100: none is known to have had it."},
		{"all dead on day 0", many(12, func(int) *Case { return patient([]Status{{Day: day(0), DiedDay: day(0), Vital: "dead"}}, nil) }), Death, "All 12 patients died, the last one on day 0."},
		{"all dead on day 0 have no recurrence", many(12, func(int) *Case { return patient([]Status{{Day: day(0), DiedDay: day(0), Vital: "dead"}}, nil) }), Recurrence,
			"Of 12 patients fewer than 10 were still followed for recurrent regurgitation after 30 days, too few to say how many of 100: none is known to have had it."},
		{"deaths", many(60, followed), Death, "Of 100 patients at risk, 6.7 (95 % interval 2.6 to 16.8) had died within 1 year and 6.7 (2.6 to 16.8) within 5 years. " +
			"60 patients in all: 4 deaths so far; 56 still followed at 5 years. What is known of their life covers 95 % of the time that could have been seen."},
		{"none had it: how many might", many(60, func(int) *Case { return followed(9) }), Reintervention, "Of 100 patients at risk, 0 (95 % interval 0 to 6.0) had had a re-intervention on the valve within 1 year and 0 (0 to 6.0) within 5 years. " +
			"60 patients in all: 0 re-interventions so far; 60 still followed at 5 years. Records that hold every re-intervention cover 95 % of the time that could have been seen."},
		{"recurrence", many(60, followed), Recurrence, "Of 100 patients at risk, 5.1 (95 % interval 1.3 to 12.8) had been found with at least moderate regurgitation again within 1 year and 6.8 (2.2 to 15.1) within 5 years. " +
			"59 patients in all: 4 recurrences so far; 51 still followed at 5 years. Echoes with a grade cover 91 % of the time that could have been seen. " +
			"1 patient had it at discharge already and is left out. 4 patients died, or had another intervention, after the last echo: whether it had come back by then is not known."},
	} {
		for _, c := range r.f.Answer().Curves {
			if c.Event == r.event && c.Sentence != r.want {
				t.Errorf("%s:\n%s\nwant\n%s", r.why, c.Sentence, r.want)
			}
		}
	}
}

// Residual regurgitation is an event on day 0 where that is asked for, and the sentence
// says so.
func TestResidualRegurgitationOnDay0(t *testing.T) {
	f := NewFreedoms(FreedomQuestion{Events: []FreedomEvent{Recurrence, Composite}, ResidualCounts: true, AsOf: after(2000)})
	for i := range 20 {
		c := patient([]Status{leftAlive(), alive(400)}, []Echo{exit("none"), discharge(6, "mild"), seen(400, "mild")})
		if i < 2 {
			c.Echoes[1].Grade = grade("severe")
		}
		f.AddCase(c)
	}
	for _, c := range f.Answer().Curves {
		if c.Events != 2 || c.Residual != 2 || c.Points[0].Events != 2 || math.Abs(c.Points[0].Share.Value.OrElse(0)-0.1) > 1e-12 {
			t.Errorf("%s: %+v", c.Event, c)
		}
		if !strings.Contains(c.Sentence, "at discharge or later") || !strings.Contains(c.Sentence, "2 patients had it at discharge already and are counted on day 0.") {
			t.Error(c.Sentence)
		}
	}
}

// From 30 recurrences between two echoes on the estimate that takes them so stands beside
// the two ends, and between them.
func TestTwoEndsAndBetween(t *testing.T) {
	for _, n := range []int{29, 30} {
		c := many(200, func(i int) *Case {
			c := patient([]Status{leftAlive(), alive(1900)}, []Echo{exit("none"), seen(360, "mild"), seen(1080, "mild"), seen(1820, "mild")})
			if i < n {
				k := 1 + i%3
				c.Echoes = c.Echoes[:k+1]
				c.Echoes[k].Grade = grade("severe")
			}
			return c
		}).Answer().Curves[2]
		if c.Found != n || (n < 30) != (c.SelfConsistent == nil) {
			t.Fatalf("%d recurrences: %+v", n, c)
		}
		last := c.Points[4] // 3 years
		late, early := last.Share.Value.OrElse(0), last.Earliest.Value.OrElse(0)
		if late >= early {
			t.Errorf("found by %v, begun by %v", late, early)
		}
		for _, s := range c.SelfConsistent {
			if s.UpTo == 1080 && (s.Share < late-1e-9 || s.Share > early+1e-9) {
				t.Errorf("the self-consistent %v lies outside %v to %v", s.Share, late, early)
			}
		}
	}
}

// The order in which cases come changes nothing, to the last bit; a curve never falls,
// and it stops where fewer than 10 are followed.
func TestCoursesInAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		var list []*Case
		for i := range rapid.IntRange(0, 80).Draw(t, "cases") {
			list = append(list, drawCase(r, i))
		}
		ask := func(list []*Case) FreedomAnswer {
			f := NewFreedoms(FreedomQuestion{Strata: []string{"technique"}, ResidualCounts: r.IntN(2) == 0, AsOf: after(1500)})
			f.question.ResidualCounts = len(list)%2 == 0
			for _, c := range list {
				f.AddCase(c)
			}
			return f.Answer()
		}
		one, other := ask(list), ask(rapid.Permutation(list).Draw(t, "order"))
		if !reflect.DeepEqual(one, other) {
			t.Fatalf("%+v\nin another order\n%+v", one, other)
		}
		for _, c := range one.Curves {
			before := 0.0
			for _, s := range c.Steps {
				v := s.Share.Value.OrElse(-1)
				if v < before-1e-12 || v > 1 || s.AtRisk < leastAtRisk || s.Share.Lower.OrElse(v) > v || s.Share.Upper.OrElse(v) < v {
					t.Fatalf("%s: %+v", c.Event, c.Steps)
				}
				before = v
			}
			if c.Patients+sum(c.Left) != c.eligible(one) && c.Stratum == nil {
				t.Fatalf("%s: %d followed, %v and %v left out of %d", c.Event, c.Patients, c.Left, one.Left, one.Eligible)
			}
			if c.Events+c.Competing > c.Patients || c.Unseen > c.Competing {
				t.Fatalf("%+v", c)
			}
			for i, p := range c.Points {
				if (p.AtRisk < leastAtRisk) && p.Share.Value.IsSome() || i > 0 && p.Events < c.Points[i-1].Events {
					t.Fatalf("%s: %+v", c.Event, c.Points)
				}
			}
		}
	})
}

func sum(list []Left) (n int) {
	for _, l := range list {
		n += l.Count
	}
	return n
}

// eligible are those of the answer that any curve may hold.
func (c *Curve) eligible(a FreedomAnswer) int { return a.Eligible - sum(a.Left) }

func drawCase(r *rand.Rand, i int) *Case {
	words := []string{"none", "mild", "moderate", "severe"}
	c := patient([]Status{leftAlive()}, []Echo{exit(words[r.IntN(3)])})
	c.UID = string(rune('a'+i%26)) + string(rune('a'+i/26))
	c.Incision = after(r.IntN(800))
	c.Words = []Group{{"technique", []string{"triangular", "chords"}[r.IntN(2)]}}
	if r.IntN(4) == 0 {
		c.OperationReceivedDays = units.Some(float64(r.IntN(900)))
	}
	if r.IntN(6) == 0 {
		c.Patient, c.Later = int64(1+r.IntN(4)), r.IntN(2) == 0
	}
	if r.IntN(12) == 0 {
		c.Converted = valve.Yes
	}
	d := 0
	for range r.IntN(4) {
		d += 1 + r.IntN(500)
		switch r.IntN(5) {
		case 0:
			c.Statuses = append(c.Statuses, dead(d, d-r.IntN(3)))
		case 1:
			c.Events = append(c.Events, again(d, []string{"", "prolapse"}[r.IntN(2)]))
		default:
			c.Statuses = append(c.Statuses, alive(d))
			c.Echoes = append(c.Echoes, seen(d, words[r.IntN(4)]))
		}
	}
	return c
}

// What stands in the answer of nobody is a reason, never a number.
func TestNothingIsNotZero(t *testing.T) {
	for _, c := range many(0, nil).Answer().Curves {
		if c.Completeness.Value.IsSome() || c.Completeness.Because == "" || len(c.Steps) > 0 {
			t.Errorf("%+v", c)
		}
		for _, p := range c.Points {
			if p.Share.Value.IsSome() || p.Share.Because == "" || (p.Earliest != nil) != (c.Event == Recurrence) || p.Earliest != nil && (p.Earliest.Value.IsSome() || p.Earliest.Because == "") {
				t.Errorf("%s: %+v", c.Event, p)
			}
		}
	}
}
