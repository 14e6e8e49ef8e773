package audit

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"trigone/internal/repair"
	"trigone/internal/statistics"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// FreedomEvent is what patients are followed for.
type FreedomEvent string

// The events.
const (
	Death FreedomEvent = "death"
	// Reintervention is a further intervention on the mitral valve: a later operation of
	// the same patient, one that a follow-up tells of, a return to theatre for the valve.
	Reintervention FreedomEvent = "reintervention"
	// Recurrence is regurgitation of the grade asked for, or more, after it was less at
	// discharge; a reintervention for regurgitation counts without an echo.
	Recurrence FreedomEvent = "recurrence"
	// Composite is the first of the three.
	Composite FreedomEvent = "composite"
)

// FreedomEvents lists them in the order in which they are told.
func FreedomEvents() []FreedomEvent {
	return []FreedomEvent{Death, Reintervention, Recurrence, Composite}
}

// FreedomQuestion says what is asked for.
type FreedomQuestion struct {
	// Events asked for; none: all.
	Events []FreedomEvent
	// Grade is the level of regurgitation that counts as recurrence; empty: moderate.
	Grade string
	// ResidualCounts: regurgitation of that grade at discharge is an event on day 0; else
	// its patients are left out of recurrence.
	ResidualCounts bool
	// Strata are kinds of words by which curves are given once more.
	Strata []string
	// AsOf, in the zone of the site: what was found, or said, on a later day is not known
	// yet.
	AsOf time.Time
}

// Freedoms gathers what became of patients. Cases may come in any order.
type Freedoms struct {
	question FreedomQuestion
	// waiting are first cases of patients who have more than one, later the others.
	waiting         []*Case
	later           map[int64][]*Case
	rows            []courseRow
	left            left
	eligible        int
	replaced        int
	replacedAndDied int
}

type courseRow struct {
	course
	uid    string
	strata []Group
}

// NewFreedoms begins to gather.
func NewFreedoms(q FreedomQuestion) *Freedoms {
	if len(q.Events) == 0 {
		q.Events = FreedomEvents()
	}
	q.Grade = cmp.Or(q.Grade, repair.AtLeastModerate)
	return &Freedoms{question: q, later: map[int64][]*Case{}, left: left{}}
}

// AddCase counts a case that was operated on and asked for.
func (f *Freedoms) AddCase(c *Case) {
	if c.Incision.After(f.question.AsOf) {
		return
	}
	f.eligible++
	switch {
	case c.Incision.IsZero():
		f.left[NoIncision]++
	case c.Later:
		f.left[LaterCase]++
		f.AddOther(c)
	case c.Patient != 0:
		f.waiting = append(f.waiting, c)
	default:
		f.take(c, nil)
	}
}

// AddOther takes note of a case that was not asked for, or is to be seen as part of
// another one: a later operation belongs to the first one of its patient.
func (f *Freedoms) AddOther(c *Case) {
	known := f.later[c.Patient]
	if c.Later && c.Patient != 0 && !c.Incision.IsZero() && !slices.ContainsFunc(known, func(o *Case) bool { return o.UID == c.UID }) {
		f.later[c.Patient] = append(known, c)
	}
}

// take reads the course of a patient.
func (f *Freedoms) take(c *Case, later []*Case) {
	row := courseRow{course: courseOf(&f.question, c, later), uid: c.UID}
	switch {
	case c.Converted == valve.Yes:
		f.replaced++
		if row.died.IsSome() {
			f.replacedAndDied++
		}
		f.left[ReplacedInTheatre]++
		return
	case c.Intended == "replacement":
		f.left[ReplacementIntended]++
		return
	}
	row.strata = []Group{{}}
	for _, w := range c.Words {
		if slices.Contains(f.question.Strata, w.Kind) {
			row.strata = append(row.strata, w)
		}
	}
	f.rows = append(f.rows, row)
}

// FreedomAnswer is what was asked for.
type FreedomAnswer struct {
	// Eligible cases were operated on and match the filter. Left are those that are in no
	// curve, each with its reason.
	Eligible int
	Left     []Left
	// Replaced are conversions: they leave on day 0; ReplacedAndDied died since.
	Replaced, ReplacedAndDied int
	// Looked is how many strata were looked at beside the whole.
	Looked int
	Curves []Curve
}

// Curve is the share of patients who had an event, over time.
type Curve struct {
	Event FreedomEvent
	// Competes: something else can make the event impossible, so that the share is a
	// cumulative incidence; else it is what the product limit leaves.
	Competes bool
	// Stratum it is drawn from; nil: all.
	Stratum *Group
	// Patients followed; Events they had, Competing those who can't have it any more.
	Patients, Events, Competing int
	// Unseen of Competing came after the last day on which the event would have been
	// known: whether they had it before, nobody knows.
	Unseen int
	// Late are patients followed from the day on which their case was first received.
	Late int
	// Residual are patients with regurgitation of that grade at discharge: events on day
	// 0, or left out.
	Residual int
	Left     []Left
	// Points are the days at which curves are told; Steps every day with an event, as
	// long as enough are at risk.
	Points []CurvePoint
	Steps  []CurveStep
	// Earliest are the steps if recurrence came right after the last day without it.
	Earliest []CurveStep
	// Found is how many recurrences are known only to lie between two days, SelfConsistent
	// the estimate that takes them so, where there are enough, of Between patients.
	Found, Between int
	SelfConsistent []CurveStretch
	// Completeness is the time observed over that which could have been.
	Completeness Figure
	// Cases that had the event, by day, the first of them.
	Cases    []CaseDay
	Sentence string
	// last day of an event.
	last int
}

// CaseDay is a case and the day of what happened.
type CaseDay struct {
	UID string
	Day int
}

// CurvePoint is what a curve says on a day.
type CurvePoint struct {
	Day, AtRisk, Events int
	// Share that had the event up to the day.
	Share Figure
	// Earliest is that share if recurrence came right after the last day without it; nil:
	// of another event.
	Earliest *Figure
}

// CurveStep is a curve from a day with events on.
type CurveStep struct {
	Day, AtRisk, Events int
	Share               Figure
}

// CurveStretch is a stretch of days in which a curve rises; Share is that at its end.
type CurveStretch struct {
	After, UpTo int
	Share       float64
}

// pointDays are the days at which curves are told: 0, 30 days, 1, 2, 3, 5 and 10 years.
var pointDays = []int{0, firstMonth, oneYear, 730, 1095, fiveYears, tenYears}

const (
	firstMonth = 30
	oneYear    = 365
	fiveYears  = 1826
	tenYears   = 3652
)

// Bounds of what is told (the audit's decisions).
const (
	// leastAtRisk: where fewer are followed a curve stops.
	leastAtRisk = 10
	// leastBetween recurrences make the self-consistent estimate worth telling.
	leastBetween = 30
	mostCases    = 100
)

const tooFewAtRisk = "fewer than 10 patients were still followed"

// Answer gives the curves in the order of the events, each whole before its strata.
func (f *Freedoms) Answer() FreedomAnswer {
	for _, c := range f.waiting {
		f.take(c, f.later[c.Patient])
	}
	f.waiting = nil
	strata := map[Group][]*courseRow{{}: nil}
	for i := range f.rows {
		for _, s := range f.rows[i].strata {
			strata[s] = append(strata[s], &f.rows[i])
		}
	}
	order := make([]Group, 0, len(strata))
	for s := range strata {
		order = append(order, s)
	}
	slices.SortFunc(order, func(a, b Group) int { return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Word, b.Word)) })
	answer := FreedomAnswer{Eligible: f.eligible, Left: f.left.list(), Replaced: f.replaced, ReplacedAndDied: f.replacedAndDied}
	for _, event := range FreedomEvents() {
		if !slices.Contains(f.question.Events, event) {
			continue
		}
		for _, s := range order {
			c := f.curve(event, strata[s])
			if s != (Group{}) {
				c.Stratum = &s
				answer.Looked++
			}
			c.Sentence = f.sentence(&c)
			answer.Curves = append(answer.Curves, c)
		}
	}
	return answer
}

func (f *Freedoms) curve(event FreedomEvent, rows []*courseRow) Curve {
	c := Curve{Event: event, Competes: event == Reintervention || event == Recurrence}
	var late, early []statistics.Followed
	var between []statistics.Within
	var observed, potential []int
	out := left{}
	for _, r := range rows {
		if r.residual && (event == Recurrence || event == Composite) {
			c.Residual++
		}
		p, reason := r.of(event, f.question.ResidualCounts)
		if reason != "" {
			out[reason]++
			continue
		}
		c.Patients++
		if p.Entry > 0 {
			c.Late++
		}
		until, looked := r.asOf, p.look
		switch p.Cause {
		case happened:
			c.Events++
			until, looked = p.Day, p.Day
			c.last = max(c.last, p.Day)
			c.Cases = append(c.Cases, CaseDay{r.uid, p.Day})
		case competing:
			c.Competing++
			until = p.Day
			if p.Day > p.look {
				c.Unseen++
			}
		}
		observed, potential = append(observed, max(0, min(looked, until)-p.Entry)), append(potential, max(0, until-p.Entry))
		late = append(late, p.Followed)
		if event == Recurrence {
			e := p.Followed
			w := statistics.Within{After: p.look, Open: true}
			if p.Cause == happened {
				e.Day = min(e.Day, max(p.without, e.Entry)+1)
				w = statistics.Within{After: p.without, UpTo: p.Day}
				if w.UpTo-w.After > 1 {
					c.Found++
				}
			}
			early = append(early, e)
			if p.Entry == 0 {
				between = append(between, w)
			}
		}
	}
	c.Left = out.list()
	slices.SortFunc(c.Cases, func(a, b CaseDay) int { return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.UID, b.UID)) })
	c.Cases = c.Cases[:min(len(c.Cases), mostCases)]
	c.Completeness = figure(statistics.Completeness(observed, potential))
	latest := newEstimate(late, c.Competes)
	c.Steps = latest.told()
	var earliest *estimate
	if event == Recurrence {
		earliest = newEstimate(early, true)
		c.Earliest = earliest.told()
	}
	for _, day := range pointDays {
		at := CurvePoint{Day: day, AtRisk: statistics.AtRisk(late, day), Share: latest.share(day)}
		for _, one := range late {
			if one.Cause == happened && one.Day <= day {
				at.Events++
			}
		}
		if earliest != nil {
			share := earliest.share(day)
			at.Earliest = &share
		}
		c.Points = append(c.Points, at)
	}
	if c.Found >= leastBetween {
		if steps, err := statistics.Turnbull(between); err == nil {
			c.Between = len(between)
			for _, s := range steps {
				c.SelfConsistent = append(c.SelfConsistent, CurveStretch{s.After, s.UpTo, 1 - s.Free})
			}
		}
	}
	return c
}

// estimate is a curve with what it takes to say where it stops.
type estimate struct {
	patients []statistics.Followed
	competes bool
	steps    []statistics.Step
	// stops is the first day with an event of any cause on which too few were at risk.
	stops int
}

func newEstimate(patients []statistics.Followed, competes bool) *estimate {
	e := &estimate{patients: patients, competes: competes, stops: math.MaxInt}
	// Nobody at all has no steps, which is what the points say then.
	all, _ := statistics.Freedom(patients)
	for _, s := range all {
		if s.AtRisk < leastAtRisk {
			e.stops = s.Day
			break
		}
	}
	e.steps = all
	if competes {
		e.steps, _ = statistics.Incidence(patients, happened)
	}
	return e
}

// told gives the steps up to where the curve stops.
func (e *estimate) told() []CurveStep {
	var list []CurveStep
	for _, s := range e.steps {
		if s.Day < e.stops {
			list = append(list, CurveStep{s.Day, s.AtRisk, s.Events, e.figure(s, s.Day)})
		}
	}
	return list
}

// share gives the share that had the event up to a day.
func (e *estimate) share(day int) Figure {
	if day >= e.stops || statistics.AtRisk(e.patients, day) < leastAtRisk {
		return Figure{Because: tooFewAtRisk}
	}
	start := 1.0
	if e.competes {
		start = 0
	}
	return e.figure(statistics.At(e.steps, day, start), day)
}

// figure gives the share that had the event after a step, on a day from it on. Where
// nobody had it those who were followed that long say how many might; where everybody
// had it, how few.
func (e *estimate) figure(s statistics.Step, day int) Figure {
	had, interval := s.Value, s.Interval
	if !e.competes {
		had = 1 - s.Value
		if interval != nil {
			interval = &statistics.Interval{Lower: 1 - s.Interval.Upper, Upper: 1 - s.Interval.Lower}
		}
	}
	f := figure(had, nil)
	switch {
	case interval != nil:
		return f.within(*interval, nil)
	case had == 0:
		n := 0
		for _, p := range e.patients {
			if p.Entry == 0 && p.Day >= day {
				n++
			}
		}
		return f.within(statistics.Share{Of: n}.Exact())
	case s.Events == len(e.patients):
		return f.within(statistics.Share{Count: s.Events, Of: s.Events}.Exact())
	}
	return f
}

// sentence is what a curve says, to be repeated as it stands.
func (f *Freedoms) sentence(c *Curve) string {
	said := f.said(c.Event)
	switch {
	case f.eligible == 0:
		return "Nobody was operated on in the time asked for: there is no one to follow."
	case c.Patients == 0:
		return fmt.Sprintf("Nobody can be followed for %s: who is left out, and why, stands beside it.", said.of)
	case c.Events == 1 && c.Patients == 1:
		return fmt.Sprintf("The only patient %s, on day %d.", said.had, c.last)
	case c.Events == c.Patients:
		return fmt.Sprintf("All %d patients %s, the last one on day %d.", c.Patients, said.had, c.last)
	}
	told := c.horizons()
	if len(told) == 0 {
		return c.tooFew(said)
	}
	var pieces []string
	for i, p := range told {
		interval := ""
		if low, ok := p.Share.Lower.Get(); ok {
			interval = fmt.Sprintf("%s to %s", perHundred(low), perHundred(p.Share.Upper.OrElse(1)))
			if i == 0 {
				interval = "95 % interval " + interval
			}
			interval = " (" + interval + ")"
		}
		pieces = append(pieces, perHundred(p.Share.Value.OrElse(0))+interval+[]string{" " + said.pluperfect, ""}[min(i, 1)]+" within "+words.Days(p.Day))
	}
	var b strings.Builder
	fmt.Fprintf(&b, "Of 100 patients at risk, %s.", words.And(pieces))
	last := told[len(told)-1]
	if last.Earliest != nil {
		if early, ok := last.Earliest.Value.Get(); ok && perHundred(early) != perHundred(last.Share.Value.OrElse(0)) {
			fmt.Fprintf(&b, " If each began right after the last echo without it, it is %s within %s.", perHundred(early), words.Days(last.Day))
		}
	}
	fmt.Fprintf(&b, " %s: %s so far; %d still followed at %s.", people(c.Patients)+" in all", said.count(c.Events), last.AtRisk, words.Days(last.Day))
	if v, ok := c.Completeness.Value.Get(); ok {
		fmt.Fprintf(&b, " %s %s %% of the time that could have been seen.", said.cover, units.FormatNumber(100*v, 1))
	}
	return b.String() + f.besides(c)
}

// besides tells what a reader must know of how a curve was made.
func (f *Freedoms) besides(c *Curve) string {
	s := ""
	switch {
	case c.Residual > 0 && f.question.ResidualCounts:
		s += fmt.Sprintf(" %s had it at discharge already and %s counted on day 0.", people(c.Residual), verb(c.Residual, "is", "are"))
	case c.Residual > 0:
		s += fmt.Sprintf(" %s had it at discharge already and %s left out.", people(c.Residual), verb(c.Residual, "is", "are"))
	}
	switch {
	case c.Unseen > 0 && c.Event == Reintervention:
		s += fmt.Sprintf(" %s died after the last record of re-interventions: whether there was one before is not known.", people(c.Unseen))
	case c.Unseen > 0:
		s += fmt.Sprintf(" %s died, or had another intervention, after the last echo: whether it had come back by then is not known.", people(c.Unseen))
	}
	return s
}

func (c *Curve) tooFew(s saying) string {
	so := "none is known to have " + s.participle
	if c.Events > 0 {
		so = fmt.Sprintf("%d of them %s", c.Events, s.had)
	}
	if c.Patients < leastAtRisk {
		return fmt.Sprintf("Only %s be followed for %s, too few to say how many of 100: %s.", patients(c.Patients, "can", "can"), s.of, so)
	}
	return fmt.Sprintf("Of %d patients fewer than %d were still followed for %s after %s, too few to say how many of 100: %s.",
		c.Patients, leastAtRisk, s.of, words.Days(firstMonth), so)
}

// horizons are the points that a sentence speaks of: 1, 5 and 10 years as far as they
// are told, and the last one that is.
func (c *Curve) horizons() []CurvePoint {
	var list []CurvePoint
	last := -1
	for i, p := range c.Points {
		if p.Day > 0 && p.Share.Value.IsSome() {
			last = i
		}
	}
	for i, p := range c.Points {
		year := p.Day == oneYear || p.Day == fiveYears || p.Day == tenYears
		if p.Share.Value.IsSome() && (year || i == last) {
			list = append(list, p)
		}
	}
	return list
}

// perHundred prints a share as how many of 100.
func perHundred(share float64) string {
	if share == 0 {
		return "0"
	}
	return units.FormatNumber(100*share, 0.1)
}

// saying is how an event stands in a sentence.
type saying struct {
	of, had, pluperfect, participle, one, more, cover string
}

func (s saying) count(n int) string {
	if n == 1 {
		return "1 " + s.one
	}
	return fmt.Sprintf("%d %s", n, s.more)
}

func (f *Freedoms) said(event FreedomEvent) saying {
	regurgitation := "at least " + words.Spaced(f.question.Grade) + " regurgitation"
	if f.question.Grade == repair.AtLeastSevere {
		regurgitation = "severe regurgitation"
	}
	again := regurgitation + " again"
	if f.question.ResidualCounts {
		again = regurgitation + " at discharge or later"
	}
	const echoes = "Echoes with a grade cover"
	switch event {
	case Death:
		return saying{"death", "died", "had died", "died", "death", "deaths", "What is known of their life covers"}
	case Reintervention:
		return saying{"a re-intervention on the valve", "had a re-intervention on the valve", "had had a re-intervention on the valve", "had one",
			"re-intervention", "re-interventions", "Records that hold every re-intervention cover"}
	case Recurrence:
		return saying{"recurrent regurgitation", "had " + again, "had been found with " + again, "had it", "recurrence", "recurrences", echoes}
	}
	return saying{"death, re-intervention and recurrence", "had one of them", "had died, had had a re-intervention or had been found with " + again, "had one of them",
		"of these events", "of these events", "All three can be told for"}
}
