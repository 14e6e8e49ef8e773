package storage

import (
	"errors"
	"fmt"
	"time"
)

// Errors of projections.
var (
	// ErrProjection: the write does not cover a projection that the store lists, or
	// brings one that it does not list. A program that does not know a listed
	// version must not write: the rows would be wrong from then on.
	ErrProjection = errors.New("the store lists a projection that this write does not bring; use the version of this software that knows it")
	// ErrNotProjected: no version of this projection stands. It is built from the
	// record by a rebuild.
	ErrNotProjected = errors.New("the rows asked for were not built yet; rebuild them")
	// ErrDamaged: what was read is not what was written; its hash does not match.
	ErrDamaged = errors.New("what is stored is damaged: its hash does not match")
)

// The projections there are, by name. A row of one never stands in the rows of
// the other.
const (
	// ProjectionLedger has comparisons, facts, groups, child rows and counts.
	ProjectionLedger = "ledger"
	// ProjectionResources has the resource ids that were handed over.
	ProjectionResources = "resources"
	// ProjectionSearch has a row for each resource by which searches find it.
	ProjectionSearch = "search"
	// ProjectionRestated has the rows of the ledger as cases that are on record are
	// judged under later versions: a report, beside what was answered. It is written
	// by Project alone, and a write of a case removes what it has of that case.
	ProjectionRestated = "restated"
)

// Projected are the rows of one projection that a write brings.
type Projected struct {
	Name    string
	Version int64
	// Unchanged leaves the rows that stand: for a write that evaluates nothing.
	Unchanged bool
	Rows      Rows
}

// Rows are what a projection says of one case: a pure function of what the write
// leaves on record. They replace the case's rows of that projection, Resources
// apart, which are added or replaced one by one.
type Rows struct {
	Comparisons []Comparison
	Facts       *Facts // nil: none
	Short       []byte // what figures over all cases read of the facts; nil: none
	Groups      []Group
	Children    []Child
	Counts      Counts
	Resources   []Resource
	// CasePrefix is the first 48 bits of every resource id of the case; 0: unknown,
	// which leaves the one that stands.
	CasePrefix int64
	// Found are the resources as searches find them, and Shapes what they share.
	Found  []Found
	Shapes []Shape
}

// Found is a resource as a search finds it. What its numbers and its content mean
// is known to who wrote them.
type Found struct {
	Lead    int64 // of its shape
	Part    int64 // of its id, what its case does not tell; each once under a lead
	Shape   int64
	Content []byte
}

// Shape is what resources share. It says nothing of a case or of a client's words,
// and is never removed while its projection is listed.
type Shape struct {
	Number  int64 // made of the content, so that it is the same on every store
	Lead    int64
	Type    string
	Content []byte
	Order   int64 // in which it came; set by the store
}

// FoundPlace is a place among the rows of a lead: they stand in the order of case
// and part.
type FoundPlace struct{ Case, Part int64 }

// FoundRange asks for the rows of a lead behind a place.
type FoundRange struct {
	Lead  int64
	After FoundPlace
}

// FoundRow is a row with its place.
type FoundRow struct {
	FoundPlace
	Shape   int64
	Content []byte
}

// NumberedCase is a case with its number, which rises in the order in which the
// cases of a store were opened and never moves.
type NumberedCase struct {
	Number      int64
	UID         string
	Version     int64
	ChangedTime time.Time
}

// Comparison is a comparison of the newest evaluation as a filterable row. Words of
// the contract are the numbers of its enums, metrics and classes have permanent
// numbers of the program; 0 is none. What a client chose stands as text.
type Comparison struct {
	Order         int64 // position in the case's list, each once
	ID            string
	DiscrepancyID string // empty: it is none
	Kind          int
	Verdict       int
	Class         int
	Metric        int
	Place         string
	Occasion      string
	ThingPlanned  string // empty: it counts for no thing planned
	Run           int
	Stage         int
	Method        int
	JudgedBy      int
	Owner         int
	Reason        int
	Root          bool
	PlanRevised   bool

	// The numbers, in the metric's unit, as the answer has them; nil: there is none.
	Planned, PlannedSD *float64
	Actual, ActualSD   *float64
	Lower, Upper       *float64
	Tolerance, Margin  *float64
	// Both sides in steps of the metric's grid, to sum without rounding.
	PlannedSteps, ActualSteps *int64

	FormulaNumber       int
	MetricFormulaNumber int
	// PredictionEvaluation made the prediction; 0: the newest itself; nil: no
	// prediction.
	PredictionEvaluation *int64
	PredictionRole       int
	// PredictionFormula is the number of the formula that predicted; 0: nothing was
	// predicted, or it is not known.
	PredictionFormula int
	// Calibration of the prediction, and its middle before that; empty and nil: none.
	Calibration  string
	Uncalibrated *float64

	// Message is the comparison as it was answered; where Complete is false, the
	// discrepancy.
	Message []byte
	// Complete says that the answer it comes from told agreements too. Answers made
	// before schema 3 told differences alone.
	Complete bool
}

// The verdicts by which a store counts, as the contract numbers them.
const (
	ComparisonPresent       = 1
	ComparisonIndeterminate = 2
	ComparisonNotEvaluable  = 3
	ComparisonAgrees        = 4
	ComparisonNotApplicable = 5
)

// Facts are the case facts of the newest evaluation.
type Facts struct {
	Version    int64 // of the case
	Evaluation int64 // number; 0: none
	Message    []byte
}

// Group is a word by which cases are filtered and grouped. A case has as many
// words of a kind as hold. Kinds are numbered by the program.
type Group struct {
	Kind int
	Word string
}

// Child is a row of a case fact that a case may have several of. Kind is numbered
// by the program; Section is where it comes from.
type Child struct {
	Kind    int
	Section string
	Order   int64 // within kind and section, each once
	Message []byte
}

// Counts of a case, to be summed without reading its rows. Those of comparisons are
// set by the store from the rows it is given.
type Counts struct {
	Differing     int
	Roots         int // differing ones that are roots
	Indeterminate int
	NotEvaluable  int
	Agreeing      int
	NotApplicable int
	// Incomplete says that agreements were not recorded.
	Incomplete bool

	// Things planned.
	Things              int
	ThingsAsPlanned     int
	ThingsOtherwise     int
	ThingsCannotBeTold  int
	ThingsNotEvaluable  int
	ThingsNotApplicable int
}

// States of a resource that was handed over.
const (
	ResourceLiving  = 1
	ResourceAmended = 2
	ResourceGone    = 3 // entered in error
	ResourcePast    = 4 // not made any more, and no error
)

// Resource is a resource id that was ever handed over, with what was said of it.
type Resource struct {
	Type         string
	ID           [16]byte
	Mapping      int64 // number of the mapping that said it
	Digest       []byte
	FirstVersion int64 // of the case
	LastVersion  int64
	State        int
	Gone         []byte // its form as entered in error; nil unless gone
}

// Projection is one version of a projection that the store lists. Readers use the
// one that stands, writers bring rows for every one listed.
type Projection struct {
	ID       int64
	Name     string
	Version  int64
	Under    string // of a restating: the versions that it judges by
	Standing bool   // else it is being built
	// Cursor is the last case of the record that was built; 0: none yet, or all.
	Cursor int64
}

// ProjectionVersion names a projection as a program makes it.
type ProjectionVersion struct {
	Name    string
	Version int64
	Under   string // the versions that a restating judges by; empty for all others
}

// Check says what makes it none that a store may list.
func (p ProjectionVersion) Check() error {
	switch {
	case p.Name != ProjectionLedger && p.Name != ProjectionResources && p.Name != ProjectionSearch && p.Name != ProjectionRestated:
		return fmt.Errorf("%q is no projection that a store has rows for; there are %s, %s, %s and %s", p.Name, ProjectionLedger, ProjectionResources, ProjectionSearch, ProjectionRestated)
	case (p.Name == ProjectionRestated) != (p.Under != ""):
		return fmt.Errorf("projection %s under %q: a restating, and nothing else, names the versions that it judges by", p.Name, p.Under)
	}
	if p.Version < 1 {
		return fmt.Errorf("version %d of projection %s: versions are counted from 1", p.Version, p.Name)
	}
	return nil
}

// CaseRows are the rows of a case as a rebuild or a restating makes them.
type CaseRows struct {
	Site    string
	UID     string
	Version int64 // of the case that was read
	Rows    Rows
	// Restated is what rows of a restating are made of; nil for all others.
	Restated *Restated
}

// Restated is a case as it was judged again. It is no evaluation of the record.
type Restated struct {
	// Answer is what an evaluation would have answered.
	Answer []byte
	// Policy is the one it was judged by; nil: it is on record.
	Policy *Policy
}

// CaseToProject is a case as a rebuild walks over them.
type CaseToProject struct {
	Site   string
	UID    string
	Cursor int64 // rises along the walk
}

// ComparisonFilter selects comparisons; empty fields select all.
// DiscrepanciesOnly leaves out those without a class, and of the cases that differ
// counts those that have such a difference.
// Retracted and merged cases are never in the answer. A case without incision time
// is left out as soon as one end of the incision range is given.
type ComparisonFilter struct {
	Restated  bool // of the restating that stands, not of what was answered
	CaseUID   string
	Kinds     []int
	Classes   []int
	Metrics   []int
	Places    []string
	Verdicts  []int
	RootsOnly bool
	// Groups of the cases: of several of one kind one must hold, of each kind that is
	// named one.
	Groups []Group

	DiscrepanciesOnly bool

	PlanTimings    []string
	IncisionFrom   time.Time
	IncisionBefore time.Time
}

// CaseComparison is a comparison with what is shown of its case.
type CaseComparison struct {
	Site               string
	CaseUID            string
	ExternalIdentifier Identifier
	IncisionTime       time.Time
	PlanTiming         string
	Comparison         Comparison
}

// ComparisonCounts is what a filtered list is drawn from. Cases are selected by
// case, timing, incision and groups alone; comparisons by the whole filter.
type ComparisonCounts struct {
	OperatedCases     int // with an operation section that is not retracted
	PlannedCases      int // of these, with a plan in force
	DifferingCases    int // of these, with a difference present
	IncompleteCases   int // of the cases not left out, those whose agreements were not recorded
	RetractedCases    int // matching, left out because retracted; merged ones are not among them
	RetractedSections int // of the matching cases that are not left out

	Roots         int // differences present that are roots
	Differing     int
	Indeterminate int
	NotEvaluable  int
	Agreeing      int
	NotApplicable int

	// Things planned of the cases that are not left out, whatever comparisons are
	// asked for.
	Things              int
	ThingsAsPlanned     int
	ThingsOtherwise     int
	ThingsCannotBeTold  int
	ThingsNotEvaluable  int
	ThingsNotApplicable int
}

// PairFilter selects pairs of numbers of a site: cases by incision and groups, in the
// way of a FactsFilter, and comparisons by kind and metric.
type PairFilter struct {
	Restated       bool // of the restating that stands, not of what was answered
	Kinds, Metrics []int
	Groups         []Group
	IncisionFrom   time.Time
	IncisionBefore time.Time
	// WordKinds are the kinds of groups that are told of each case.
	WordKinds []int
}

// PairCase is a case that pairs come from. Number names it in its pairs alone.
type PairCase struct {
	Number       int64
	UID          string
	IncisionTime time.Time
	PlanTiming   string
	Later        bool    // as of a Tally
	Words        []Group // of the kinds asked for, by kind and word
}

// TallyFilter selects cases by incision and groups, in the way of a FactsFilter.
type TallyFilter struct {
	Restated       bool // of the restating that stands, not of what was answered
	Groups         []Group
	IncisionFrom   time.Time
	IncisionBefore time.Time
}

// Tally is what figures read of a case that was operated on.
type Tally struct {
	UID          string
	IncisionTime time.Time
	PlanTiming   string
	// Patient is shared by the cases whose current identifier of a patient is the same;
	// 0: no other case has that of this one.
	Patient int64
	// Later: an earlier active case with an operation has the same patient, asked for or
	// not. Of two at the same time, the one whose uid comes later.
	Later bool
	Short []byte
}

// TheatreCount is what the list of the theatres says of a month. Counts are only ever
// added.
type TheatreCount struct {
	Month    string // as 2026-03
	Revision int64  // from 1
	Received time.Time
	Caller   string
	Message  []byte
}

// TallyCounts is what tallies are drawn from.
type TallyCounts struct {
	RetractedCases int // matching, left out
	// Undated are the active cases with an operation and no incision time, of all groups,
	// by uid; left out.
	Undated    []string
	LastChange int64
}

// PairRow is a comparison with a number on at least one side.
type PairRow struct {
	Case                int64
	Kind, Metric        int
	Order               int64
	Place               string
	Run, Stage, Method  int
	Verdict             int
	FormulaNumber       int
	MetricFormulaNumber int
	PredictionFormula   int
	Calibration         string

	Planned, Actual         *float64
	Lower, Upper, Tolerance *float64
	// Uncalibrated is what Planned was before the calibration.
	Uncalibrated *float64
}

// PairCounts is what pairs are drawn from.
type PairCounts struct {
	RetractedCases int   // matching by incision, left out
	LastChange     int64 // number of the last change of the site that was seen
}

// Add adds the counts of another site.
func (n *ComparisonCounts) Add(o ComparisonCounts) {
	n.OperatedCases += o.OperatedCases
	n.PlannedCases += o.PlannedCases
	n.DifferingCases += o.DifferingCases
	n.IncompleteCases += o.IncompleteCases
	n.RetractedCases += o.RetractedCases
	n.RetractedSections += o.RetractedSections
	n.Roots += o.Roots
	n.Differing += o.Differing
	n.Indeterminate += o.Indeterminate
	n.NotEvaluable += o.NotEvaluable
	n.Agreeing += o.Agreeing
	n.NotApplicable += o.NotApplicable
	n.Things += o.Things
	n.ThingsAsPlanned += o.ThingsAsPlanned
	n.ThingsOtherwise += o.ThingsOtherwise
	n.ThingsCannotBeTold += o.ThingsCannotBeTold
	n.ThingsNotEvaluable += o.ThingsNotEvaluable
	n.ThingsNotApplicable += o.ThingsNotApplicable
}

// FactsFilter selects cases by their facts, in the way of a
// ComparisonFilter. Of several groups of one kind one must hold, of each kind that
// is named one.
type FactsFilter struct {
	Restated       bool // of the restating that stands, not of what was answered
	CaseUID        string
	Groups         []Group
	PlanTimings    []string
	IncisionFrom   time.Time
	IncisionBefore time.Time
}

// CaseFacts are the facts of a case with what is shown of it.
type CaseFacts struct {
	Site               string
	CaseUID            string
	ExternalIdentifier Identifier
	IncisionTime       time.Time
	PlanTiming         string
	Facts              Facts
	Children           []Child // by kind, section and order
}

// Amendment is an entry on a case as a whole: a change of identity or a retraction,
// with the reason, or what was signed of it. Entries are only ever added.
type Amendment struct {
	Kind        string
	Caller      string
	Time        time.Time
	Reason      string // free text, or the bytes of what was signed; counts as identifying
	CaseVersion int64  // the case version this write made; set by the store
}

// Mapping is what resources are made by. The number rises with every new one and
// is never used again.
type Mapping struct {
	Number    int64 // set by the store, from 1 per site
	Version   string
	CodesHash []byte // of the site's own codes
	FirstUsed time.Time
}

// ChangeMappingChanged is the kind of the change that a new mapping makes.
const ChangeMappingChanged = "mapping_changed"
