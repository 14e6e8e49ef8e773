// Package invent draws an invented department of mitral repair: patients, plans,
// operations, results and what becomes of them over years, from a seed. The same
// settings give the same cases. What a case looks like comes from published means
// and spreads, named beside each number; how its parts hang together is made so that
// plan and outcome belong together. Faults can be built in, each by itself, so that
// what looks for them can be shown with and without. Nobody in it exists.
//
// It is a pure room: it knows neither contract nor store. Words are those of the
// contract.
package invent

import (
	"math"
	"slices"
	"time"
)

// Settings say what is drawn.
type Settings struct {
	// Cases is how many operations there are, re-operations and cases entered twice
	// not counted.
	Cases int
	// Seed is that of the random numbers.
	Seed uint64
	// Until is when the story ends: what is known later is not told. Zero: the end of
	// June 2026.
	Until time.Time
	// Built is what is built in; zero: nothing.
	Built Built
}

// Built are the faults that are built in. A zero value leaves one out, and changes
// nothing else of a case than what the fault changes.
type Built struct {
	// LearningOddsRatio is by how much the odds of failure of a new operator are raised
	// at the first case; what it is above 1 falls to a third every LearningCases. 0: there is no
	// learning.
	LearningOddsRatio float64
	// DeteriorationOddsRatio multiplies the odds of failure from DeteriorationFrom on.
	// 0: there is none.
	DeteriorationOddsRatio float64
	// DeteriorationFrom is the share of the cases, in the order of operation, before it
	// begins.
	DeteriorationFrom float64
	// DeterioratedOperator is whose; empty: the whole department's.
	DeterioratedOperator string
	// RingOffMM is by how much the rings of MiscalibratedFamily are deeper, from front to
	// back, than the table says. 0: they are as it says.
	RingOffMM float64
	// PredictionBiasMM is by how much less contact there is than the geometry of the
	// valve gives. 0: none.
	PredictionBiasMM float64
}

// Everything is what the command builds in unless told otherwise. 3 mm: less would
// not be seen in 40 cases. 1.4 mm: what is between the flat model and the mean that
// McCarthy et al. measured (7.8 and 6.4 mm). It is the whole department that gets worse: one operator's
// 50 cases would show nothing.
func Everything() Built {
	return Built{
		LearningOddsRatio:      4,
		DeteriorationOddsRatio: 2, DeteriorationFrom: 0.6,
		RingOffMM: 3, PredictionBiasMM: 1.4,
	}
}

// LearningCases is in how many cases what a new operator has to learn falls to a third.
const LearningCases = 40

// casesPerYear is how many operations a department of its kind has; common practice,
// no source.
const casesPerYear = 70

// mostYears bounds how far back a department goes: more cases are then a busier one,
// until it has mostPerYear of them.
const (
	mostYears   = 8
	mostPerYear = 2500
)

// joinedShare of the cases come before the new operator joins, and servedShare before
// the record is kept: those are entered afterwards.
const (
	joinedShare = 0.25
	servedShare = 0.1
)

// Department is what was drawn.
type Department struct {
	Settings Settings
	Cases    []Case
	// Served is when the record began: what is older was entered afterwards.
	Served time.Time
	// Lists are what the theatre counted, month by month since then.
	Lists []TheatreList
}

// Invent draws a department.
func Invent(s Settings) Department {
	if s.Until.IsZero() {
		s.Until = time.Date(2026, 6, 30, 18, 0, 0, 0, time.UTC)
	}
	d := Department{Settings: s}
	days := operationDays(s)
	if len(days) == 0 {
		return d
	}
	d.Served = morning(days[int(float64(len(days))*servedShare)]).Add(-72 * time.Hour)
	seen := map[string]int{}
	for i, day := range days {
		c := Case{Number: i + 1, Share: float64(i) / float64(len(days)), Incision: day}
		d.draw(&c, seen)
		d.Cases = append(d.Cases, c)
	}
	d.reoperations()
	d.theatreLists()
	return d
}

// operationDays gives the begin of every operation, in order: week days, in the
// morning or after noon, no two at one time.
func operationDays(s Settings) []time.Time {
	r := stream(s.Seed, 0, partDays)
	years := max(min(float64(s.Cases)/casesPerYear, mostYears), float64(s.Cases)/mostPerYear)
	span := time.Duration(years * 365.25 * 24 * float64(time.Hour))
	var list []time.Time
	taken := map[time.Time]bool{}
	for len(list) < s.Cases {
		day := morning(s.Until.Add(-30*24*time.Hour - time.Duration(r.Float64()*float64(span))))
		switch day.Weekday() {
		case time.Saturday:
			day = day.AddDate(0, 0, -1)
		case time.Sunday:
			day = day.AddDate(0, 0, 1)
		}
		day = day.Add(time.Duration(r.IntN(2)*5)*time.Hour + time.Duration(5*r.IntN(13))*time.Minute)
		if !taken[day] {
			taken[day] = true
			list = append(list, day)
		}
	}
	slices.SortFunc(list, time.Time.Compare)
	return list
}

func morning(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day(), 8, 0, 0, 0, time.UTC)
}

// draw fills a case, from what comes first to what comes last.
func (d *Department) draw(c *Case, seen map[string]int) {
	of := func(what part) *draws { return stream(d.Settings.Seed, c.Number, what) }
	c.patient(of(partPatient))
	c.valve(of(partValve))
	c.team(of(partTeam), seen)
	c.plan(of(partPlan))
	c.risks(of(partRisks))
	c.repair(of(partRepair), d.Settings.Built)
	c.theatre(of(partTheatre), d.Settings.Built)
	c.stay(of(partStay), d.Settings.Built)
	c.later(of(partLater), d.Settings.Until)
	c.receipts(of(partReceipts), d.Served)
}

// failureOddsRatio is by how much what is built in raises the odds that something
// fails in a case.
func (c *Case) failureOddsRatio(b Built) float64 {
	ratio := 1.0
	if b.LearningOddsRatio > 1 && c.Operator == newOperator {
		ratio *= 1 + (b.LearningOddsRatio-1)*c.toLearn()
	}
	if c.deteriorated(b) {
		ratio *= b.DeteriorationOddsRatio
	}
	return ratio
}

// toLearn falls from 1 at the first case of an operator.
func (c *Case) toLearn() float64 {
	return math.Exp(-float64(c.OperatorCase-1) * math.Log(3) / LearningCases)
}

func (c *Case) deteriorated(b Built) bool {
	return b.DeteriorationOddsRatio > 0 && c.Share >= b.DeteriorationFrom &&
		(b.DeterioratedOperator == "" || b.DeterioratedOperator == c.Operator)
}

// odds gives a probability with its odds multiplied.
func odds(p, ratio float64) float64 {
	o := p / (1 - p) * ratio
	return o / (1 + o)
}
