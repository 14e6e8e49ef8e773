package audit

import (
	"time"

	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Group is a word under which a case is filed, such as technique and triangular
// resection.
type Group struct{ Kind, Word string }

// Case is what is known of a case when it is counted. Words are those of the contract;
// what is not recorded is empty or absent. Days are civil days after that of the
// incision, which is day 0.
type Case struct {
	// UID is what a number in an answer leads to.
	UID string
	// Patient: cases of one patient of a site share it.
	Patient int64
	// Incision, to the minute; zero: not recorded.
	Incision time.Time
	// Timing of the plan, as the contract words it.
	Timing string
	// PlanReceivedDays and OperationReceivedDays are days of 24 h from incision to their
	// first receipt; negative: before it.
	PlanReceivedDays, OperationReceivedDays units.Maybe[float64]
	// SignedHoursBefore incision is when the plan was signed last.
	SignedHoursBefore units.Maybe[float64]
	// Later: an earlier case of the same patient is on record.
	Later bool
	// AsExecuted: the steps and the ring came as planned.
	AsExecuted bool
	// Words it is filed under, each once.
	Words []Group

	// Signer, FirstOperator and Supervisor are pseudonyms. Trainee says whether the first
	// operator was one.
	Signer, FirstOperator, Supervisor string
	Trainee                           valve.Answer

	// Intended procedure at incision, and HoursBefore incision it was stated.
	Intended            string
	IntendedHoursBefore units.Maybe[float64]
	Risks               []Risk

	// Techniques done, taken down ones included.
	Techniques                        []string
	Converted                         valve.Answer
	ConversionPoint, ConversionReason string
	// Decision on the last result.
	Decision string
	// RunCount is absent where the runs were not recorded as complete, MitralFurtherRuns
	// where one of them has no answer.
	RunCount, MitralFurtherRuns units.Maybe[int]
	Runs                        []Run
	Rings                       []Ring

	LeftTheatreAlive, DiedInHospital, DiedWithin30Days valve.Answer
	ReturnedToTheatre, ReadmittedWithin30Days          valve.Answer
	DiedDay, StatusKnownUntilDay, DischargedDay        units.Maybe[int]

	// Grade before the operation.
	Grade    repair.Grade
	Echoes   []Echo
	Statuses []Status
	Events   []Event

	// OpenContradictions stand in the newest evaluation and nobody confirmed them;
	// DisputedValues are the numbers that they dispute.
	OpenContradictions, DisputedValues int
	// DifferencesWithoutReason are differences of steps and ring.
	DifferencesWithoutReason, DifferencesWithReason int
	// Calibration of the prediction; empty: uncalibrated.
	Calibration string

	counted bool
}

// Risk is an expected risk.
type Risk struct {
	Outcome, Horizon, Model, Version string
	Percent                          units.Maybe[float64]
	// ReceivedDays from incision to its first receipt; negative: before it.
	ReceivedDays units.Maybe[float64]
}

// Run is a pump run.
type Run struct {
	Number              int
	Reason              string
	ForMitral           valve.Answer
	ClampMin, BypassMin units.Maybe[float64]
}

// Ring is a ring or band that was planned or implanted.
type Ring struct {
	Kind, Family string
	Label        units.Maybe[float64]
	// Fate of what was implanted; empty: it was only planned, or nothing is recorded.
	Fate string
}

// Echo is an examination: of an assessment, of a result in theatre, or of a follow-up;
// one of the three words says which.
type Echo struct {
	Assessment, FollowUp string
	Stage                valve.Stage
	Run, Day             units.Maybe[int]
	Method               valve.Method
	Provocation          string
	Grade                repair.Grade
	Mechanisms           []string
	AnteriorMotion       string
	AnteriorMotionEnd    string
	MeanGradientMmHg     units.Maybe[float64]
	HeartRatePerMin      units.Maybe[float64]
	Inotrope             valve.Answer
	CoaptationLengthMm   units.Maybe[float64]
	ReadIndependently    valve.Answer
}

// Status is what was known of the patient on a day.
type Status struct {
	// FollowUp it stands in; empty: leaving theatre.
	FollowUp                                       string
	Day, DiedDay                                   units.Maybe[int]
	Vital                                          string
	Lost                                           valve.Answer
	EchoNotDoneReason                              string
	ReinterventionsRecorded, ComplicationsRecorded string
}

// Event is a complication, a reintervention, a return to theatre or a readmission.
type Event struct {
	Kind                                    string
	Complication, Grade, Definition         string
	DefaultDefinition                       valve.Answer
	Reintervention, Mechanism, ReturnReason string
	NewDialysis, Unplanned                  valve.Answer
	Day                                     units.Maybe[int]
	// KnownDay is that of the entry that tells of it.
	KnownDay units.Maybe[int]
	// InTheatre: it stands in the record of the operation.
	InTheatre bool
}

// Prospective is the timing of a plan that was signed, and received, before the
// operation it is for.
const Prospective = "prospective"

// View says which cases a comparison of plan and outcome is drawn from.
type View int

// The views.
const (
	// AllPlanned cases, whatever was done in the end.
	AllPlanned View = iota
	// AsExecuted: only those whose steps and ring came as planned.
	AsExecuted
)

// Reason is why a case, or a pair, is not in a figure: a word.
type Reason string

// The reasons, in the order in which they are told.
const (
	NoPlan        Reason = "no_plan_in_force"
	OtherTiming   Reason = "plan_of_another_timing"
	LaterCase     Reason = "later_operation_of_the_same_patient"
	NotAsExecuted Reason = "steps_or_ring_otherwise"
	NoNumber      Reason = "no_number_on_one_side"
	NotEvaluable  Reason = "comparison_not_evaluable"
	OtherRun      Reason = "another_pump_run"
	OtherStage    Reason = "another_reading_of_the_same_prediction"
	SecondPair    Reason = "second_pair_of_the_same_patient"
	// Of courses after the operation.
	NoIncision            Reason = "incision_not_recorded"
	ReplacementIntended   Reason = "replacement_intended"
	ReplacedInTheatre     Reason = "valve_replaced_in_theatre"
	StatusNotKnown        Reason = "nothing_known_since_the_operation"
	DeathUndated          Reason = "death_without_a_date"
	CourseContradicts     Reason = "dates_contradict_each_other"
	ReinterventionUndated Reason = "reintervention_without_a_date"
	NoGradedEcho          Reason = "no_echo_with_a_grade"
	ResidualRegurgitation Reason = "regurgitation_of_that_grade_at_discharge"
	OverBeforeReceipt     Reason = "over_before_the_case_was_first_received"
)

var reasons = []Reason{NoPlan, OtherTiming, LaterCase, NotAsExecuted, NoNumber, NotEvaluable, OtherRun, OtherStage, SecondPair,
	NoIncision, ReplacementIntended, ReplacedInTheatre, StatusNotKnown, DeathUndated, CourseContradicts, ReinterventionUndated, NoGradedEcho,
	ResidualRegurgitation, OverBeforeReceipt,
	SameEpisode, RepairNotIntended, DiedBefore, NoRisk, RiskAfterIncision, RiskCertain,
	NoTechnique, OtherFormula, OtherMethod, NothingForetold}

// Left is how many were left out for a reason.
type Left struct {
	Reason Reason
	Count  int
}

type left map[Reason]int

func (l left) list() []Left {
	var out []Left
	for _, r := range reasons {
		if l[r] > 0 {
			out = append(out, Left{r, l[r]})
		}
	}
	return out
}
