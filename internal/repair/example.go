package repair

import (
	"time"

	"trigone/internal/units"
	"trigone/internal/valve"
)

// Example builds an invented case for the examples of rules and metrics and for
// tests, a line per fact:
//
//	NewExample().Assess("tte").Height(valve.P2, 22).Plan().Step("s1", HeightReduction, valve.P2).Dim("height_removed", 6).Case()
//
// A call that opens a section (Assess, Result, FollowUp, Plan, Operation, Field)
// puts everything after it into that section; Step puts what Dim, Side and
// EditStep say into that step. Nothing in it is a real case.
type Example struct {
	c       *Case
	section valve.Occasion
	role    valve.Role
	study   int // index of the open study, -1: none
	steps   *[]Step
	context valve.Context
	inherit bool // the context is that of the section
	run     int
	stage   valve.Stage
	last    valve.Key
}

// NewExample gives an empty case.
func NewExample() *Example {
	return &Example{c: &Case{Measured: valve.Measurements{}}, study: -1}
}

// exampleDay is the day of the invented operation.
var exampleDay = time.Date(2026, time.March, 2, 0, 0, 0, 0, time.UTC)

// Clock gives a time of the day of the invented operation, 2026-03-02 UTC.
func Clock(hour, minute int) time.Time {
	return exampleDay.Add(time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute)
}

// DaysBefore gives a time that many days before the invented operation.
func DaysBefore(days int) time.Time { return exampleDay.AddDate(0, 0, -days) }

func (e *Example) open(section valve.Occasion, role valve.Role) {
	e.section, e.role = section, role
	e.study, e.steps, e.run, e.stage = -1, nil, 0, ""
	e.context, e.inherit = valve.Context{}, false
}

func (e *Example) openStudy(s Study) *Example {
	e.open(s.Occasion, valve.Measured)
	s.StudyID = string(s.Occasion)
	e.c.Studies = append(e.c.Studies, s)
	e.study = len(e.c.Studies) - 1
	e.run, e.stage = s.Run, s.Stage
	return e
}

// Assess opens an assessment.
func (e *Example) Assess(id string) *Example {
	return e.openStudy(Study{Kind: Assessment, Occasion: valve.Occasion("assessment/" + id)})
}

// Result opens a result.
func (e *Example) Result(id string, run int, stage valve.Stage) *Example {
	return e.openStudy(Study{Kind: Result, Occasion: valve.Occasion("result/" + id), Run: run, Stage: stage})
}

// FollowUp opens a follow-up.
func (e *Example) FollowUp(id string) *Example {
	return e.openStudy(Study{Kind: FollowUp, Occasion: valve.Occasion("follow_up/" + id)})
}

// Plan opens the plan; it is signed and received before the day of the operation.
func (e *Example) Plan() *Example {
	if e.c.Plan == nil {
		e.c.Plan = &Plan{Signer: "surgeon-1", SignedTime: DaysBefore(3), StepsRecorded: valve.Complete}
	}
	e.open(valve.AtPlan, valve.Planned)
	e.steps = &e.c.Plan.Steps
	return e
}

// Operation opens the operation, with its incision at 08:00.
func (e *Example) Operation() *Example {
	if e.c.Operation == nil {
		e.c.Operation = &Operation{
			Received: Clock(18, 0), IncisionTime: Clock(8, 0), StepsRecorded: valve.Complete, RunsRecorded: valve.Complete,
		}
	}
	e.open(valve.AtOperation, valve.Measured)
	e.steps = &e.c.Operation.Steps
	return e
}

// Field opens a set of heights taken in the field.
func (e *Example) Field(run int, stage valve.Stage) *Example {
	e.Operation()
	e.section, e.run, e.stage = valve.InRun(run, stage), run, stage
	e.steps = nil
	e.c.Operation.FieldSets = append(e.c.Operation.FieldSets, FieldSet{Occasion: e.section, Run: run, Stage: stage})
	return e
}

// Context states how the values that follow in this section were measured.
func (e *Example) Context(c valve.Context) *Example { e.context = c; return e }

// Inherit states it for the section, not at each of the values that follow.
func (e *Example) Inherit(c valve.Context) *Example { e.context, e.inherit = c, true; return e }

// Method states by which method the values that follow were measured.
func (e *Example) Method(m valve.Method) *Example { e.context.Method = m; return e }

// Set adds a value that concerns the whole valve.
func (e *Example) Set(leaf valve.ID, value float64) *Example {
	return e.SetAt(leaf, valve.Nowhere, value)
}

// SetAt adds a value at a place.
func (e *Example) SetAt(leaf valve.ID, place valve.Place, value float64) *Example {
	return e.add(leaf, place, valve.Measurement{Value: units.Some(value)})
}

// SD states the standard deviation of the value added last.
func (e *Example) SD(sd float64) *Example {
	m := e.c.Measured[e.last]
	m.SD = units.Some(sd)
	e.c.Measured[e.last] = m
	return e
}

// Absent adds a value that is not there, with the reason why.
func (e *Example) Absent(leaf valve.ID, place valve.Place, reason valve.AbsentReason) *Example {
	return e.add(leaf, place, valve.Measurement{Absent: reason})
}

func (e *Example) add(leaf valve.ID, place valve.Place, m valve.Measurement) *Example {
	m.Context, m.Run, m.Stage = e.context, e.run, e.stage
	m.MethodItsOwn = e.context.Method != "" && !e.inherit
	m.StudyID = e.section.Section()
	if e.study >= 0 {
		m.StudyID = e.c.Studies[e.study].StudyID
	}
	e.last = valve.Key{ID: leaf, Place: place, Occasion: e.section, Role: e.role}
	e.c.Measured[e.last] = m
	return e
}

// Height adds a leaflet height at the middle of a segment.
func (e *Example) Height(s valve.Segment, mm float64) *Example {
	return e.HeightAt(s, valve.SegmentMid, mm)
}

// HeightAt adds a leaflet height at a station of a segment.
func (e *Example) HeightAt(s valve.Segment, station valve.Station, mm float64) *Example {
	return e.SetAt(valve.LeafletHeight, valve.AtStation(s, station), mm)
}

// Coaptation adds the coaptation length of the middle slice.
func (e *Example) Coaptation(mm float64) *Example {
	return e.SetAt(valve.CoaptationLength, valve.AtSlice(valve.A2P2), mm)
}

// Graded gives the open study a grade of mitral regurgitation.
func (e *Example) Graded(scheme, value string) *Example {
	return e.EditStudy(func(s *Study) {
		s.HasRegurgitation = true
		s.Grade = Grade{Scheme: scheme, Value: value}
	})
}

// EditStudy changes the open study.
func (e *Example) EditStudy(change func(*Study)) *Example {
	change(&e.c.Studies[e.study])
	return e
}

// Step adds a step to the open plan or operation, done at the segments; a step
// of an operation is in place and of run 1.
func (e *Example) Step(id string, t Technique, at ...valve.Segment) *Example {
	if e.section.Section() == string(valve.AtOperation) {
		e.Operation()
	}
	s := Step{ID: id, Technique: t}
	for _, segment := range at {
		s.Places = append(s.Places, Location{Segment: segment})
	}
	switch t {
	case Annuloplasty:
		s.Ring = &Ring{}
	case ArtificialChord:
		s.Chords = &Chords{}
	case LeafletResection:
		s.Resection = &Resection{}
	case SlidingPlasty:
		s.Sliding = &Sliding{}
	}
	if e.role == valve.Measured {
		s.Run, s.Order, s.Fate = 1, len(*e.steps)+1, InPlace
	}
	*e.steps = append(*e.steps, s)
	return e
}

// Resect adds a resection of a shape.
func (e *Example) Resect(id, shape string, at ...valve.Segment) *Example {
	return e.Step(id, LeafletResection, at...).EditStep(func(s *Step) { s.Resection.Shape = shape })
}

// Device adds a ring or band.
func (e *Example) Device(id, kind string) *Example {
	return e.Step(id, Annuloplasty).EditStep(func(s *Step) { s.Ring.Kind = kind })
}

// EditStep changes the step added last.
func (e *Example) EditStep(change func(*Step)) *Example {
	change(&(*e.steps)[len(*e.steps)-1])
	return e
}

// Dim adds a dimension of the step added last.
func (e *Example) Dim(leaf valve.ID, value float64) *Example {
	return e.SetAt(leaf, valve.AtStep((*e.steps)[len(*e.steps)-1].ID), value)
}

// Side adds a dimension of one side of the step added last.
func (e *Example) Side(side valve.Side, leaf valve.ID, value float64) *Example {
	return e.SetAt(leaf, valve.AtStepSide((*e.steps)[len(*e.steps)-1].ID, side), value)
}

// EditOperation changes the operation, opening it if there is none.
func (e *Example) EditOperation(change func(*Operation)) *Example {
	e.Operation()
	change(e.c.Operation)
	return e
}

// Pump adds a run on the pump.
func (e *Example) Pump(r Run) *Example {
	return e.EditOperation(func(o *Operation) { o.Runs = append(o.Runs, r) })
}

// Edit changes anything else of the case.
func (e *Example) Edit(change func(*Case)) *Example { change(e.c); return e }

// Case gives the case; its plan is the one revision there is.
func (e *Example) Case() *Case {
	if e.c.Plan == nil || len(e.c.Plans) > 0 {
		return e.c
	}
	planned := valve.Measurements{}
	for k, m := range e.c.Measured {
		if k.Occasion == valve.AtPlan {
			planned[k] = m
		}
	}
	e.c.PlanRevision = 1
	e.c.Plans = []PlanRevision{{Revision: 1, Received: DaysBefore(2), Plan: e.c.Plan, Measured: planned}}
	return e.c
}
