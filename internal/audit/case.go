package audit

// Group is a word under which a case is filed, such as technique and triangular
// resection.
type Group struct{ Kind, Word string }

// Case is what is known of a case when its pairs are counted.
type Case struct {
	// Timing of the plan, as the contract words it.
	Timing string
	// Later: an earlier case of the same patient is on record.
	Later bool
	// AsExecuted: the steps and the ring came as planned.
	AsExecuted bool
	// Words it is filed under, each once.
	Words []Group

	counted bool
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
)

var reasons = []Reason{NoPlan, OtherTiming, LaterCase, NotAsExecuted, NoNumber, NotEvaluable, OtherRun, OtherStage, SecondPair}

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
