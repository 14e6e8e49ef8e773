package audit

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"time"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/statistics"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// OutcomeQuestion says what is asked for.
type OutcomeQuestion struct {
	// Settings hold the limits by which a gradient is judged.
	Settings settings.Settings
	// AsOf is the moment up to which operations count: what has a time to run, as 30
	// days, has run by then or not.
	AsOf time.Time
	// Zone in which half-years begin; nil: UTC.
	Zone *time.Location
	// Outcomes asked for, by their words; none: all.
	Outcomes []string
	// Strata are kinds of words by which figures are given once more.
	Strata []string
	// Theatre is what the theatre list says of the same months.
	Theatre TheatreList
	// ByOperator divides the department by who answers for the operation, else by
	// half-years. Own are the pseudonyms of who asks.
	ByOperator, TraineesApart bool
	Own                       []string
	Benchmarks                []Benchmark
	// Name the cases that went otherwise than hoped.
	Name bool
}

// TheatreList is what the theatre list says of operations for degenerative regurgitation.
type TheatreList struct {
	Repaired, Replaced, Other int
	// Untold: operations of which the list does not tell the disease.
	Untold int
	// Months that were submitted, and those of the period that were not, as 2026-05.
	Months  int
	Missing []string
	// Because: why the list can't be held against what was asked; empty: it can.
	Because string
}

// degenerative are the diseases that are degenerative.
var degenerative = []string{"fibroelastic_deficiency", "myxomatous", "degenerative_intermediate"}

// Add counts a month that was submitted.
func (l *TheatreList) Add(m TheatreMonth) {
	l.Months++
	for _, r := range m.Rows {
		switch {
		case r.Aetiology == "":
			l.Untold += r.Count
		case !slices.Contains(degenerative, r.Aetiology):
		case r.Procedure == "repair":
			l.Repaired += r.Count
		case r.Procedure == "replacement":
			l.Replaced += r.Count
		default:
			l.Other += r.Count
		}
	}
}

// Benchmark is a share from elsewhere.
type Benchmark struct {
	Outcome string
	Share   float64
	Source  string
}

// Reasons for which a case, or a patient, is not in a figure of outcomes.
const (
	NotRecorded         Reason = "not_recorded"
	NotComplete         Reason = "not_recorded_as_complete"
	IntentionNotStated  Reason = "intended_procedure_not_recorded"
	IntentionAfterwards Reason = "intended_procedure_stated_after_incision"
	ReplacedBefore      Reason = "valve_replaced"
	ReplacedUnknown     Reason = "not_recorded_whether_replaced"
	NoEcho              Reason = "no_echo_with_it"
	NotAtRest           Reason = "not_read_at_rest"
	AsPlanned           Reason = "steps_and_ring_as_planned"
	NoGoing             Reason = "discharge_not_recorded"
	OtherDefinition     Reason = "told_by_another_definition"
	NotOver             Reason = "time_not_over"
	RiskOtherHorizon    Reason = "horizon_of_the_risk_not_stated"
	OutcomeUnknown      Reason = "outcome_not_known"
)

// outcomeReasons in the order in which they are told.
var outcomeReasons = []Reason{
	NoIncision, LaterCase, RepairNotIntended, IntentionNotStated, IntentionAfterwards, NoPlan, OtherTiming, AsPlanned, ReplacedBefore, ReplacedUnknown, DiedBefore, NotOver, NoEcho, NotAtRest,
	NoGoing, NotRecorded, NotComplete, OtherDefinition, NoRisk, RiskAfterIncision, RiskOtherHorizon, RiskCertain, OutcomeUnknown,
}

func (l left) outcomes() []Left {
	var out []Left
	for _, r := range outcomeReasons {
		if l[r] > 0 {
			out = append(out, Left{r, l[r]})
		}
	}
	return out
}

// Outcomes gathers what became of patients. Cases come in the order of their
// operations, so that a later one of the same patient is told; OutcomesOf sorts. What is
// held grows with figures and strata, and by a few bytes with each patient and each
// expected risk.
type Outcomes struct {
	question OutcomeQuestion
	measures []*measure
	cells    map[Group]map[string]*tally
	patients map[int64]*first
	expected map[expectedKey]*expected
	// all is how often what models speak of happened to everybody; asked is of how many.
	all      map[string]statistics.Share
	asked    map[string]int
	left     left
	eligible int
	counted  int
}

// first is a patient who is counted already, with the first operation.
type first struct {
	cells []Group
	// reoperated: what the record of the first operation says of a further one.
	reoperated state
	reason     Reason
}

// tally is one figure of one stratum while it is gathered.
type tally struct {
	share         statistics.Share
	unknown       int
	notOver       int
	notOverEvents int
	left          left
	parts         map[Group]int
	of            map[Group]int
	sums          statistics.Pairs
	values        statistics.Histogram
	cases         []string
}

// NewOutcomes begins to gather.
func NewOutcomes(q OutcomeQuestion) *Outcomes {
	o := &Outcomes{question: q, cells: map[Group]map[string]*tally{}, patients: map[int64]*first{}, expected: map[expectedKey]*expected{},
		all: map[string]statistics.Share{}, asked: map[string]int{}, left: left{}}
	for i := range measures {
		if m := &measures[i]; len(q.Outcomes) == 0 || slices.Contains(q.Outcomes, m.id) {
			o.measures = append(o.measures, m)
		}
	}
	if o.question.Zone == nil {
		o.question.Zone = time.UTC
	}
	o.cells[Group{}] = map[string]*tally{}
	return o
}

// OutcomesOf gathers cases that stand in any order.
func OutcomesOf(q OutcomeQuestion, cases []*Case) *Outcomes {
	o := NewOutcomes(q)
	for _, c := range slices.SortedFunc(slices.Values(cases), func(a, b *Case) int {
		return cmp.Or(a.Incision.Compare(b.Incision), cmp.Compare(a.UID, b.UID))
	}) {
		o.Add(c)
	}
	return o
}

// OutcomeWords lists the outcomes in the order in which they are told.
func OutcomeWords() []string {
	list := make([]string, len(measures))
	for i := range measures {
		list[i] = measures[i].id
	}
	return list
}

// Add counts a case that was operated on.
func (o *Outcomes) Add(c *Case) {
	o.eligible++
	if c.Incision.IsZero() {
		o.left[NoIncision]++
		return
	}
	before := o.patients[c.Patient]
	if c.Later || before != nil {
		o.left[LaterCase]++
		if before != nil {
			o.reoperated(before)
		}
		return
	}
	o.counted++
	p := &first{cells: o.cellsOf(c)}
	for _, m := range o.measures {
		v, r := m.of(c, &o.question)
		if m.id == reintervention {
			p.reoperated, p.reason = v.state, v.reason
		}
		for _, at := range p.cells {
			o.tally(at, m).add(m, c, v, r, o.question.Name && at.Kind != unitKind)
		}
	}
	o.risk(c)
	if c.Patient != 0 {
		o.patients[c.Patient] = p
	}
}

// Kinds of strata of the program's own, in which units are held.
const unitKind = "\x00unit"

// cellsOf gives the strata in which a case counts: the whole, those asked for, its unit.
func (o *Outcomes) cellsOf(c *Case) []Group {
	cells := []Group{{}, {unitKind, halfYear(c.Incision.In(o.question.Zone))}}
	for _, w := range c.Words {
		if slices.Contains(o.question.Strata, w.Kind) {
			cells = append(cells, w)
		}
	}
	if who := o.unit(c); who != "" {
		cells = append(cells, Group{unitKind, operatorMark + who})
	}
	return cells
}

// unit is who answers for an operation; empty: nobody is recorded, or nobody asked.
func (o *Outcomes) unit(c *Case) string {
	switch {
	case !o.question.ByOperator:
		return ""
	case c.Trainee == valve.Yes && !o.question.TraineesApart:
		return cmp.Or(c.Supervisor, c.FirstOperator)
	}
	return c.FirstOperator
}

func (o *Outcomes) tally(at Group, m *measure) *tally {
	cell := o.cells[at]
	if cell == nil {
		cell = map[string]*tally{}
		o.cells[at] = cell
	}
	t := cell[m.id]
	if t == nil {
		t = &tally{left: left{}, parts: map[Group]int{}, of: map[Group]int{}}
		cell[m.id] = t
	}
	return t
}

// state is what is known of one patient in one respect.
type state int

const (
	outside state = iota // not one of those who are counted
	notKnown
	notOver
	notOverEvent
	no
	yes
)

// verdict is that, with why it is not known and its parts.
type verdict struct {
	state  state
	reason Reason
	parts  []part
}

// part is a word under which a patient counts in a share. Alone: it has a denominator of
// its own, in which the patient counts whether it holds or not.
type part struct {
	Group
	alone, fails bool
}

// reading is the value of a quantity.
type reading struct {
	value  units.Maybe[float64]
	reason Reason
	// beyond the limit by which the share is counted.
	beyond bool
}

func (t *tally) add(m *measure, c *Case, v verdict, r reading, named bool) {
	switch v.state {
	case outside:
		t.leave(v.reason)
	case notKnown:
		t.unknown++
		t.leave(v.reason)
	case notOver, notOverEvent:
		t.notOver++
		t.leave(NotOver)
		if v.state == notOverEvent {
			t.notOverEvents++
		}
	case no, yes:
		t.share.Of++
		if v.state == yes {
			t.share.Count++
		}
		if named && (v.state == yes) != m.hoped {
			t.cases = append(t.cases, c.UID)
		}
	}
	seen := map[string]bool{}
	for _, p := range v.parts {
		if !p.fails {
			t.parts[p.Group]++
		} else if _, ok := t.parts[p.Group]; !ok {
			t.parts[p.Group] = 0
		}
		switch {
		case p.alone:
			t.of[p.Group]++
		case !seen[p.Kind]:
			seen[p.Kind] = true
			t.of[Group{Kind: p.Kind}]++
		}
	}
	if m.value == nil {
		return
	}
	value, ok := r.value.Get()
	if !ok {
		if m.judge == nil {
			t.leave(r.reason)
		}
		return
	}
	steps, err := units.ToGrid(value, m.grid)
	if err != nil {
		t.leave(NotRecorded)
		return
	}
	t.sums.Add(0, steps)
	t.values.Add(steps)
}

func (t *tally) leave(r Reason) {
	if r != "" {
		t.left[r]++
	}
}

// reoperated counts a later case as a further operation on the patient of the first.
func (o *Outcomes) reoperated(p *first) {
	if p.reoperated != no && p.reoperated != notKnown {
		return
	}
	for _, m := range o.measures {
		if m.id != reintervention {
			continue
		}
		for _, at := range p.cells {
			t := o.tally(at, m)
			t.share.Count++
			if p.reoperated == notKnown {
				t.share.Of++
				t.left[p.reason]--
				t.unknown--
			}
			t.parts[laterOperation]++
			t.of[Group{Kind: laterOperation.Kind}]++
		}
	}
	p.reoperated = yes
}

// OutcomePart is a part of a share.
type OutcomePart struct {
	Group
	ShareFigure
}

// Outcome is what became of the patients in one respect.
type Outcome struct {
	ID, Title, Definition string
	// Stratum it is drawn from; nil: all.
	Stratum *Group
	// Hoped for, or feared.
	Hoped bool
	// Share of those of whom it is known; nil: a quantity only. Exact: its interval is.
	Share *ShareFigure
	Exact bool
	// Unknown: it should be known of them and is not. Lowest and Highest are the share if
	// it had happened to none, or to all of them.
	Unknown         int
	Lowest, Highest units.Maybe[float64]
	// NotOver: their time is not over; NotOverEvents of them it has happened to.
	NotOver, NotOverEvents int
	Parts                  []OutcomePart
	Left                   []Left
	// The quantity, where there is one.
	Quantity                     bool
	Unit                         units.Unit
	Measured                     int
	Mean, Median                 Figure
	LowerQuartile, UpperQuartile units.Maybe[float64]
	// Cases that went otherwise than hoped, by UID.
	Cases    []string
	Sentence string
}

// OutcomeAnswer is what was asked for.
type OutcomeAnswer struct {
	// Eligible cases were operated on and match the filter; Patients are counted, each
	// with the first of them.
	Eligible, Patients int
	Left               []Left
	// Looked is how many strata were looked at beside the whole.
	Looked   int
	Outcomes []Outcome
	Expected []ObservedExpected
	Funnels  []Funnel
}

// Answer gives the figures in the order of the outcomes, each whole before its strata.
func (o *Outcomes) Answer() OutcomeAnswer {
	answer := OutcomeAnswer{Eligible: o.eligible, Patients: o.counted, Left: o.left.outcomes()}
	var strata []Group
	for at := range o.cells {
		if at.Kind != unitKind {
			strata = append(strata, at)
		}
	}
	slices.SortFunc(strata, func(a, b Group) int { return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Word, b.Word)) })
	answer.Looked = len(strata) - 1
	for _, m := range o.measures {
		for _, at := range strata {
			if m.theatre && at != (Group{}) {
				continue
			}
			g := o.outcome(m, o.tally(at, m))
			if at != (Group{}) {
				g.Stratum = &at
			}
			answer.Outcomes = append(answer.Outcomes, g)
		}
	}
	answer.Expected = o.observedExpected()
	answer.Funnels = o.funnels()
	return answer
}

func (o *Outcomes) outcome(m *measure, t *tally) Outcome {
	g := Outcome{ID: m.id, Title: m.title, Definition: m.defined(&o.question), Hoped: m.hoped, Exact: m.exact, Left: t.left.outcomes()}
	if m.theatre {
		return o.listed(m, g)
	}
	if m.judge != nil {
		share := m.interval(t.share)
		g.Share = &share
		g.Unknown, g.NotOver, g.NotOverEvents = t.unknown, t.notOver, t.notOverEvents
		if all := float64(t.share.Of + t.unknown); t.unknown > 0 {
			g.Lowest = units.Some(float64(t.share.Count) / all)
			g.Highest = units.Some(float64(t.share.Count+t.unknown) / all)
		}
		if m.exact && t.share.Of > 0 && manyUnknown(t.share.Of, t.unknown) {
			share.Figure = Figure{Because: fmt.Sprintf("of %d of %d it is not known: an event is recorded where it happened, so that a share of the others would be too high", t.unknown, t.share.Of+t.unknown)}
		}
		g.Parts = t.partsOf(m)
		g.Cases = slices.Sorted(slices.Values(t.cases))
	}
	if m.value != nil {
		g.Quantity, g.Unit, g.Measured = true, m.unit, t.sums.N()
		scaled := func(v float64, err error) Figure { return figure(v*m.grid, err) }
		within := func(i statistics.Interval, err error) (statistics.Interval, error) {
			return statistics.Interval{Lower: i.Lower * m.grid, Upper: i.Upper * m.grid}, err
		}
		g.Mean = scaled(t.sums.Bias()).within(within(t.sums.BiasInterval()))
		g.Median = scaled(t.values.Quantile(0.5)).within(within(t.values.MedianInterval()))
		if g.Measured > 0 {
			low, _ := t.values.Quantile(0.25)
			high, _ := t.values.Quantile(0.75)
			g.LowerQuartile, g.UpperQuartile = units.Some(low*m.grid), units.Some(high*m.grid)
		}
	}
	g.Sentence = o.sentence(m, &g)
	return g
}

func (t *tally) partsOf(m *measure) []OutcomePart {
	var list []OutcomePart
	for _, at := range slices.SortedFunc(maps.Keys(t.parts), func(a, b Group) int {
		rankA, _ := repair.Grade{Scheme: a.Kind, Value: a.Word}.Rank()
		rankB, _ := repair.Grade{Scheme: b.Kind, Value: b.Word}.Rank()
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(rankA, rankB), cmp.Compare(a.Word, b.Word))
	}) {
		of, alone := t.of[at]
		if !alone {
			of = t.of[Group{Kind: at.Kind}]
		}
		list = append(list, OutcomePart{at, m.interval(statistics.Share{Count: t.parts[at], Of: of})})
	}
	return list
}

func (m *measure) interval(s statistics.Share) ShareFigure {
	if !m.exact {
		return wilson(s)
	}
	v, err := s.Value()
	return ShareFigure{s, figure(v, err).within(s.Exact())}
}

// listed gives the repair rate of the theatre list.
func (o *Outcomes) listed(m *measure, g Outcome) Outcome {
	list := o.question.Theatre
	share := ShareFigure{Share: statistics.Share{Count: list.Repaired, Of: list.Repaired + list.Replaced + list.Other}}
	switch {
	case list.Because != "":
		share = ShareFigure{Figure: Figure{Because: list.Because}}
	case list.Months == 0:
		share = ShareFigure{Figure: Figure{Because: "the theatre list has not been submitted" + forMonths(list.Missing)}}
	default:
		share = wilson(share.Share)
	}
	g.Share = &share
	g.Left = nil
	g.Sentence = o.listSentence(m, &g)
	return g
}
