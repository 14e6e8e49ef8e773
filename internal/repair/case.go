// Package repair holds what was planned and what was done on a mitral valve, as
// far as anyone reasons about it: studies, plans with steps and targets, the
// operation and its results. Measured values stand in the case's Measurements
// under their keys; everything here is what cannot be measured. It knows no
// formula, no limit and no wire format. Package convert fills it.
package repair

import (
	"slices"
	"time"

	"trigone/internal/units"
	"trigone/internal/valve"
)

// Case is one case as it is reasoned about.
type Case struct {
	Identity *Identity
	Studies  []Study // by time, then by section; studies without a time last
	Plan     *Plan   // the plan this view of the case is about; nil: none
	// PlanRevision is the number of Plan among Plans; 0: it is none of them.
	PlanRevision int64
	Plans        []PlanRevision
	Operation    *Operation
	Measured     valve.Measurements
}

// Identity is what formulas need of the patient; height and weight are measured
// values at the occasion identity.
type Identity struct {
	Sex      string // female, male, other, or empty
	AgeYears units.Maybe[int]
}

// StudyKind says which kind of section a study came in.
type StudyKind string

// The kinds.
const (
	Assessment StudyKind = "assessment"
	Result     StudyKind = "result"
	FollowUp   StudyKind = "follow_up"
)

// Study is one examination, or a part of one.
type Study struct {
	Kind     StudyKind
	Occasion valve.Occasion // the section's name
	StudyID  string         // the section's name if not stated
	Time     time.Time      // zero: not recorded
	Run      int            // results only
	Stage    valve.Stage    // results only
	// Modality is the assessment's kind: transthoracic, pre_bypass, ...
	Modality string
	// FollowUpKind is discharge, thirty_days, ...
	FollowUpKind string

	HasRegurgitation   bool // anything of regurgitation was sent
	Grade              Grade
	Timing             string // holosystolic, mid_late, bimodal, early
	Mechanisms         []string
	MechanismsRecorded valve.Recorded
	Jets               []Jet
	AorticGrade        Grade
	TricuspidGrade     Grade

	Lesions         []Lesion
	LesionsRecorded valve.Recorded
	Dysfunctions    []Dysfunction
	Calcification   string // none, focal, third, two_thirds, extensive
	// Shape is annulus and leaflets in three dimensions; nil: not sent.
	Shape *valve.Shape

	AnteriorMotion    string // none, chordal, leaflet_without_obstruction, leaflet_with_obstruction
	AnteriorMotionEnd string // resolved, persists, returned_to_bypass
	Manoeuvres        []string
	// GradeWithMotion is the regurgitation while anterior motion is present.
	GradeWithMotion Grade

	Rhythm      string
	Inotrope    valve.Answer
	Provocation string
	NewLateral  bool   // a lateral wall that moves abnormally and did not at baseline
	Decision    string // accepted, accepted_for_risk, medical_first, further_run

	// Follow-ups only.
	EchoOn            string
	EchoNotDoneReason string
	StatusKnownOn     string
	VitalStatus       string
	DiedOn            string
	Reinterventions   []Reintervention
	Complications     []Event
	Readmissions      []Event // by cause
}

// Event is something that happened on a day; an empty day is not recorded.
type Event struct {
	Kind string
	On   string
}

// motionMechanism is the mechanism of a leak that systolic anterior motion makes.
const motionMechanism = "anterior_motion"

// LeafletMotion says whether systolic anterior motion of the leaflet was seen, not
// of chords only.
func (s *Study) LeafletMotion() bool {
	return s.AnteriorMotion == "leaflet_without_obstruction" || s.AnteriorMotion == "leaflet_with_obstruction"
}

// MotionOpen says whether anterior motion was seen and is not said to have
// resolved.
func (s *Study) MotionOpen() bool {
	return s.AnteriorMotion != "" && s.AnteriorMotion != "none" && s.AnteriorMotionEnd != "resolved"
}

// Residual gives the regurgitation that counts as left after repair. What leaks
// with anterior motion counts in the last set only, and only while the motion has
// not resolved; byMotion says that the grade is of that kind, counted or not.
func (s *Study) Residual(last bool) (left Grade, byMotion bool) {
	if !s.LeafletMotion() {
		return s.Grade, false
	}
	if open := s.MotionOpen(); last && open && s.GradeWithMotion.Known() && s.Grade.below(s.GradeWithMotion) {
		return s.GradeWithMotion, true
	}
	other := slices.ContainsFunc(s.Mechanisms, func(m string) bool { return m != motionMechanism })
	if byMotion = !other && !s.GradeWithMotion.Known(); byMotion && !last {
		return Grade{}, true
	}
	return s.Grade, byMotion
}

// Reintervention is an intervention on the mitral valve after the operation.
type Reintervention struct {
	On   string
	Kind string
}

// Grade is a grade in a scheme; the zero Grade is not recorded.
type Grade struct {
	Scheme string
	Value  string
}

// Jet is a jet of regurgitation as one study saw it.
type Jet struct {
	Origin    Location
	Direction string // central, anterior, posterior, lateral, medial
}

// Lesion is a lesion as one study saw it.
type Lesion struct {
	ID    string
	Where Location
	Kinds []string
	Flail valve.Answer
}

// Has says whether the lesion is of the kind.
func (l Lesion) Has(kind string) bool { return slices.Contains(l.Kinds, kind) }

// Dysfunction is the motion of one part of the valve.
type Dysfunction struct {
	Where Location
	Type  string // i, ii, iiia, iiib
}

// Location is one place on the valve; exactly one word is set, or none.
type Location struct {
	Segment    valve.Segment
	Boundary   valve.Boundary
	Commissure valve.Commissure
	Leaflet    valve.Leaflet
}

// Place gives the location in the grammar of places.
func (l Location) Place() valve.Place {
	switch {
	case l.Segment != "":
		return valve.AtSegment(l.Segment)
	case l.Boundary != "":
		return valve.AtBoundary(l.Boundary)
	case l.Commissure != "":
		return valve.AtCommissure(l.Commissure)
	case l.Leaflet != "":
		return valve.AtLeaflet(l.Leaflet)
	}
	return valve.Nowhere
}

// Plan is one plan.
type Plan struct {
	Signer        string
	SignedTime    time.Time // zero: unsigned
	AssessmentIDs []string
	Aetiology     string
	// FunctionalClass is i (no symptoms), ii, iii or iv; empty: not recorded.
	FunctionalClass string
	// Triggers are the findings that count towards an operation.
	Triggers         []string
	TriggersRecorded valve.Recorded
	Steps            []Step
	StepsRecorded    valve.Recorded
	Targets          []Target
	// FibrillationBefore is none, paroxysmal, persistent, long_standing_persistent or
	// permanent; empty: not recorded.
	FibrillationBefore string
	// Intended is repair, replacement or decide_on_inspection; empty: not recorded.
	Intended string
}

// PlanRevision is one revision of the plan that is not retracted, with its own
// values at the occasion plan.
type PlanRevision struct {
	Revision int64
	Received time.Time
	Plan     *Plan
	Measured valve.Measurements
}

// WithPlan gives the case as it is with another plan revision in the place of
// its plan; nil takes the plan away.
func (c *Case) WithPlan(r *PlanRevision) *Case {
	view := *c
	view.Plan, view.PlanRevision = nil, 0
	view.Measured = make(valve.Measurements, len(c.Measured))
	for k, v := range c.Measured {
		if k.Occasion != valve.AtPlan {
			view.Measured[k] = v
		}
	}
	if r != nil {
		view.Plan, view.PlanRevision = r.Plan, r.Revision
		for k, v := range r.Measured {
			view.Measured[k] = v
		}
	}
	return &view
}

// WithMeasured gives the case with other measured values.
func (c *Case) WithMeasured(m valve.Measurements) *Case {
	view := *c
	view.Measured = m
	return &view
}

// Target is what a result should be: a range of one leaf, or the highest grade.
type Target struct {
	ID     string
	Leaf   valve.ID // id of the leaf it judges; empty for a grade
	Place  valve.Place
	Stage  valve.Stage
	Method valve.Method
	Low    units.Maybe[float64] // in the leaf's unit, belongs to the range
	High   units.Maybe[float64]
	Grade  Grade // highest grade accepted
}

// Operation is what was done.
type Operation struct {
	Received              time.Time // when this section's first revision was received
	IncisionTime          time.Time // zero: not recorded
	FirstLeafletCutTime   time.Time
	EndTime               time.Time
	Runs                  []Run
	RunsRecorded          valve.Recorded
	Steps                 []Step
	StepsRecorded         valve.Recorded
	MarginChords          []MarginChords
	MarginChordsRecorded  valve.Recorded
	SalineTests           []Test
	InkTests              []Test
	TestsRecorded         valve.Recorded
	Conversion            *Conversion // nil: not recorded
	LeftTheatreAlive      valve.Answer
	Neighbourhood         Neighbourhood
	FieldSets             []FieldSet
	ConcomitantProcedures []string
	ConcomitantRecorded   valve.Recorded // whether these are all there were
	Complications         []Event        // in theatre
	// DeclinedProcedures were considered and not done, by the same words.
	DeclinedProcedures []string
	AcceptedLesions    []AcceptedLesion
	FibrillationBefore string // as Plan has it
	Intended           string // as Plan has it
}

// AcceptedLesion is a lesion that was seen and left in place on purpose.
type AcceptedLesion struct {
	LesionID string
	Kind     string   // as Lesion has it
	Where    Location // of none: the annulus, or as the lesion named says
	Reason   string
}

// FieldSet is a set of heights measured in the field.
type FieldSet struct {
	Occasion valve.Occasion
	Run      int
	Stage    valve.Stage
	Time     time.Time
}

// Run is one run on the pump; a zero time is not recorded.
type Run struct {
	Number              int
	BypassStart         time.Time
	BypassEnd           time.Time
	ClampStart          time.Time
	ClampEnd            time.Time
	StatedBypassMinutes units.Maybe[float64]
	StatedClampMinutes  units.Maybe[float64]
	Reason              string
	ForMitralValve      valve.Answer
	Protection          string // cardioplegia, fibrillating, beating
	AorticOcclusion     string // clamp, balloon, none
}

// Clampless says whether the heart was kept fibrillating or beating, which needs no
// clamp, or the aorta was left open.
func (r Run) Clampless() bool {
	return r.Protection == "fibrillating" || r.Protection == "beating" || r.AorticOcclusion == "none"
}

// MarginChords are supporting chords kept at a margin.
type MarginChords struct {
	StepID  string
	Side    valve.Side
	Segment valve.Segment
	Count   units.Maybe[int]
}

// Test is a saline or ink test.
type Test struct {
	ID            string
	Run           int
	Stage         valve.Stage
	Performed     valve.Answer
	Time          time.Time // zero: not recorded
	Leak          string    // none, discrete, diffuse, inconclusive; saline only
	LeakAt        []Location
	LineSymmetric valve.Answer
}

// Conversion says whether the repair was given up for a replacement.
type Conversion struct {
	Converted    valve.Answer
	Point        string
	Reason       string
	TriedStepIDs []string
}

// Neighbourhood are the checks on the structures beside the annulus.
type Neighbourhood struct {
	SuturesNearAorticValve   valve.Answer
	AorticValveChecked       valve.Answer
	CircumflexFlowChecked    valve.Answer
	LateralWallChecked       valve.Answer
	LateralWallNewlyAbnormal valve.Answer
	CoronaryAction           string
}

// Converted says whether the repair was given up for a replacement.
func (o *Operation) Converted() bool {
	return o != nil && o.Conversion != nil && o.Conversion.Converted == valve.Yes
}

// FibrillationBefore gives the type of atrial fibrillation before the operation: as
// the operation has it, or else the plan; empty: not recorded.
func (c *Case) FibrillationBefore() string {
	if c.Operation != nil && c.Operation.FibrillationBefore != "" {
		return c.Operation.FibrillationBefore
	}
	if c.Plan != nil {
		return c.Plan.FibrillationBefore
	}
	return ""
}

// LastRun gives the number of the last pump run known, 0 if none is.
func (o *Operation) LastRun() int {
	last := 0
	if o == nil {
		return last
	}
	for _, r := range o.Runs {
		last = max(last, r.Number)
	}
	for _, s := range o.Steps {
		last = max(last, s.Run)
	}
	return last
}

// StudyAt gives the study of an occasion, or nil.
func (c *Case) StudyAt(o valve.Occasion) *Study {
	for i := range c.Studies {
		if c.Studies[i].Occasion == o {
			return &c.Studies[i]
		}
	}
	return nil
}

// OfKind gives the studies of a kind in their order.
func (c *Case) OfKind(k StudyKind) []Study {
	var list []Study
	for _, s := range c.Studies {
		if s.Kind == k {
			list = append(list, s)
		}
	}
	return list
}

// Exit gives the last result on leaving theatre, or nil.
func (c *Case) Exit() *Study {
	var exit *Study
	for i := range c.Studies {
		s := &c.Studies[i]
		if s.Kind == Result && s.Stage == valve.LeavingTheatre && (exit == nil || s.Run >= exit.Run) {
			exit = s
		}
	}
	return exit
}
