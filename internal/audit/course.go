package audit

import (
	"math"
	"slices"
	"time"

	"trigone/internal/statistics"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// backfilledAfter is the number of days from which on a case was not received in the
// ordinary course of things but looked up later: its patient may have been found because
// he lived (the audit's decision).
const backfilledAfter = 30

// course is what became of a patient after his first operation, as far as it was known
// on a day. Days are civil days after the operation.
type course struct {
	asOf int
	// entry is the day on which the service first received the case, where it was
	// received late; 0: he was followed from the operation on.
	entry int

	// died, or else was last known to live on alive.
	died, alive units.Maybe[int]
	// again is the day of the first further intervention on the valve; complete that up
	// to which all of them are recorded.
	again, complete units.Maybe[int]
	// regurgitant says that the further intervention was for regurgitation.
	regurgitant bool

	// found is the day on which regurgitation of the grade was found again, without the
	// last day before it on which it was known to be absent, looked that of the last echo
	// with a grade.
	found, looked units.Maybe[int]
	without       int
	residual      bool

	// noDeath and noAgain are why death, and a further intervention, can't be followed.
	noDeath, noAgain Reason
}

// civilDay counts the days of the calendar at a moment's own place.
func civilDay(t time.Time) int {
	y, m, d := t.Date()
	return int(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / (24 * 60 * 60))
}

// courseOf reads what is known of a patient from his first case and the later ones.
func courseOf(q *FreedomQuestion, c *Case, later []*Case) course {
	days := func(t time.Time) int { return civilDay(t.In(q.AsOf.Location())) }
	day0 := days(c.Incision)
	out := course{asOf: days(q.AsOf) - day0, entry: entryOf(c)}
	var life vital
	life.add(c.Statuses, 0, out.asOf)
	out.reinterventions(c)
	for _, l := range later {
		if l.Incision.After(q.AsOf) {
			continue
		}
		offset := days(l.Incision) - day0
		life.add(l.Statuses, offset, out.asOf)
		reached, _ := l.Grade.Reaches(q.Grade)
		out.intervened(offset, reached)
	}
	if out.again.IsNone() {
		out.regurgitant = false
	} else {
		out.noAgain = ""
	}
	out.died, out.alive, out.noDeath = life.died, life.alive, life.trouble()
	out.echoes(q, c)
	if died, ok := out.died.Get(); ok && max(out.again.OrElse(died), out.looked.OrElse(died), out.alive.OrElse(died)) > died {
		out.noDeath = CourseContradicts
	}
	return out
}

// entryOf gives the day from which on a patient was followed: that of the first receipt
// of plan or operation where that was late.
func entryOf(c *Case) int {
	first := c.OperationReceivedDays.OrElse(0)
	if plan, ok := c.PlanReceivedDays.Get(); ok {
		first = min(first, plan)
	}
	if first <= backfilledAfter {
		return 0
	}
	return int(math.Floor(first))
}

// vital gathers what is known of life and death.
type vital struct {
	died, alive units.Maybe[int]
	undated     bool
	contradicts bool
}

// add reads the entries of a case whose operation was so many days after the first one.
func (v *vital) add(list []Status, offset, asOf int) {
	for _, s := range list {
		known := s.Day.Or(s.DiedDay)
		day, dated := known.Get()
		if dated && day+offset > asOf {
			continue
		}
		died, when := s.DiedDay.Get()
		switch {
		case when && died < 0:
			v.contradicts = true
		case when:
			if d, ok := v.died.Get(); ok && d != died+offset {
				v.contradicts = true
			}
			v.died = units.Some(died + offset)
		case s.Vital == "dead":
			v.undated = true
		case s.Vital == "alive" && dated && day >= 0:
			v.alive = latest(v.alive, day+offset)
		}
	}
}

func (v *vital) trouble() Reason {
	switch {
	case v.contradicts:
		return CourseContradicts
	case v.died.IsNone() && v.undated:
		return DeathUndated
	case v.died.IsNone() && v.alive.IsNone():
		return StatusNotKnown
	}
	return ""
}

func latest(m units.Maybe[int], day int) units.Maybe[int] { return units.Some(max(m.OrElse(day), day)) }

// intervened notes a further intervention on the valve.
func (c *course) intervened(day int, regurgitant bool) {
	switch first, ok := c.again.Get(); {
	case !ok || day < first:
		c.again, c.regurgitant = units.Some(day), regurgitant
	case day == first:
		c.regurgitant = c.regurgitant || regurgitant
	}
}

// reinterventions reads those of the first case's own follow-up, a return to theatre for
// the valve among them.
func (c *course) reinterventions(of *Case) {
	for _, e := range of.Events {
		if e.Reintervention == "" && e.Kind != "reintervention" && (e.Kind != "return_to_theatre" || e.ReturnReason != "mitral_valve") {
			continue
		}
		day, dated := e.Day.Get()
		switch {
		case e.KnownDay.Or(e.Day).OrElse(0) > c.asOf || day > c.asOf:
		case !dated:
			c.noAgain = ReinterventionUndated
		case day < 0:
			c.noAgain = CourseContradicts
		default:
			c.intervened(day, e.Mechanism != "")
		}
	}
	for _, s := range of.Statuses {
		day, ok := s.Day.Or(s.DiedDay).Get()
		if ok && s.ReinterventionsRecorded == "complete" && 0 <= day && day <= c.asOf {
			c.complete = latest(c.complete, day)
		}
	}
}

// echoes reads how much regurgitation was found when: with a grade, at rest, of the valve
// as it was repaired.
func (c *course) echoes(q *FreedomQuestion, of *Case) {
	discharged, known := of.DischargedDay.Get()
	var exit, discharge, afterwards []Echo
	for _, e := range of.Echoes {
		if !e.Grade.Known() || e.Provocation != "" && e.Provocation != "none" {
			continue
		}
		day, dated := e.Day.Get()
		switch {
		case e.FollowUp == "":
			if e.Stage == valve.OffBypass || e.Stage == valve.LeavingTheatre {
				exit = append(exit, e)
			}
		case !dated || day < 0 || day > c.asOf || day > c.again.OrElse(day):
		case e.FollowUp == "discharge" || known && day <= discharged:
			discharge = append(discharge, e)
		default:
			afterwards = append(afterwards, e)
		}
	}
	reached := func(e Echo) bool { r, _ := e.Grade.Reaches(q.Grade); return r }
	byDay := func(a, b Echo) int { return a.Day.OrElse(0) - b.Day.OrElse(0) }
	slices.SortStableFunc(discharge, byDay)
	slices.SortStableFunc(afterwards, byDay)
	// The last reading before leaving hospital says what was left behind.
	if n := len(exit); n > 0 {
		c.looked, c.residual = units.Some(0), reached(exit[n-1])
	}
	if n := len(discharge); n > 0 {
		c.looked, c.residual = discharge[n-1].Day, reached(discharge[n-1])
		c.without = c.looked.OrElse(0)
	}
	for _, e := range afterwards {
		c.looked = latest(c.looked, e.Day.OrElse(0))
	}
	if i := slices.IndexFunc(afterwards, reached); i >= 0 {
		c.found = afterwards[i].Day
		afterwards = afterwards[:i]
	}
	for _, e := range afterwards {
		// Of two on one day the one that finds it counts.
		if day := e.Day.OrElse(0); day < c.found.OrElse(math.MaxInt) {
			c.without = max(c.without, day)
		}
	}
	if day, ok := c.again.Get(); ok && c.regurgitant && c.found.IsNone() {
		c.found, c.without = units.Some(day), day-1
	}
}

// followed is a patient of a curve.
type followed struct {
	statistics.Followed
	// look is the last day on which an event would have been known.
	look int
	// without: of recurrence, the last day without it.
	without int
}

// Causes of an end.
const (
	happened  = 1
	competing = 2
)

// of gives the patient as a curve of an event takes him, or why it does not. An event
// counts on its day; who had none is followed up to the last day on which one would have
// been known. What makes the event impossible competes on its day.
func (c *course) of(event FreedomEvent, residualCounts bool) (followed, Reason) {
	var at, other, look units.Maybe[int]
	switch event {
	case Death:
		at, look = c.died, c.alive
	case Reintervention:
		at, other, look = c.again, c.died, c.complete
	case Recurrence:
		at, other, look = c.found, c.died, c.looked
		if c.found.IsNone() {
			other = earliest(other, c.again)
		}
	case Composite:
		at = earliest(earliest(c.died, c.again), c.found)
		look = earliest(earliest(units.Some(c.alive.OrElse(0)), units.Some(c.complete.OrElse(0))), units.Some(c.looked.OrElse(0)))
	}
	ofEcho := event == Recurrence || event == Composite
	switch {
	case c.noDeath == StatusNotKnown && (event == Death || at.IsNone() && look.OrElse(0) == 0):
		return followed{}, StatusNotKnown
	case c.noDeath != "" && c.noDeath != StatusNotKnown:
		return followed{}, c.noDeath
	case c.noAgain != "" && event != Death:
		return followed{}, c.noAgain
	case ofEcho && c.residual && !residualCounts:
		return followed{}, ResidualRegurgitation
	case ofEcho && c.looked.IsNone() && c.found.IsNone() && c.died.IsNone():
		return followed{}, NoGradedEcho
	}
	out := followed{look: look.OrElse(0), without: c.without}
	out.Entry, out.Day = c.entry, out.look
	if ofEcho && c.residual {
		at, out.without = units.Some(0), -1
	}
	day, ok := at.Get()
	end, ended := other.Get()
	switch {
	case ok && (!ended || day <= end):
		out.Day, out.Cause = day, happened
	case ended:
		out.Day, out.Cause = end, competing
	}
	if out.Entry > 0 && out.Day <= out.Entry {
		return followed{}, OverBeforeReceipt
	}
	return out, ""
}

func earliest(a, b units.Maybe[int]) units.Maybe[int] {
	x, ok := a.Get()
	y, ok2 := b.Get()
	if ok && ok2 {
		return units.Some(min(x, y))
	}
	return a.Or(b)
}
