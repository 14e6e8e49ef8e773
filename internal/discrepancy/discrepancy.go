// Package discrepancy compares the plan in force with what was done and found.
// A discrepancy is a recorded, reproducible difference, not an error, and
// carries no blame. Rules about one side alone live in package rules.
package discrepancy

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Class is a class of discrepancy; its word is stable, its number a reference.
type Class string

// The classes.
const (
	StepOmitted           Class = "step_omitted"
	StepAdded             Class = "step_added"
	StepRelocated         Class = "step_relocated"
	StepSubstituted       Class = "step_substituted"
	StepParameter         Class = "step_parameter"
	RingSize              Class = "ring_size"
	RingKind              Class = "ring_kind"
	TargetMissed          Class = "target_missed"
	OutsideInterval       Class = "outside_prediction_interval"
	OutsideSiteTolerance  Class = "outside_site_tolerance"
	ResidualRegurgitation Class = "residual_regurgitation"
	NewFinding            Class = "new_finding"
	FurtherPumpRun        Class = "further_pump_run"
	Conversion            Class = "conversion"
	NoPlanInForce         Class = "no_plan_in_force"
	NotEvaluable          Class = "not_evaluable"
	RecordConflict        Class = "record_conflict"
)

// Verdict on one comparison.
type Verdict string

// The verdicts.
const (
	Present       Verdict = "present"
	Indeterminate Verdict = "indeterminate"
	NotJudged     Verdict = "not_evaluable"
)

// JudgedBy says what the outcome was judged by.
type JudgedBy string

// What an outcome is judged by.
const (
	ByPlan               JudgedBy = "plan"
	ByTarget             JudgedBy = "target"
	ByPredictionInterval JudgedBy = "prediction_interval"
	BySiteTolerance      JudgedBy = "site_tolerance"
)

// Discrepancy is one difference, or one comparison that could not be made.
type Discrepancy struct {
	ID              string // stable over evaluations: class, step ids, metric, place, occasion
	Class           Class
	Reference       string // D01 ...
	Verdict         Verdict
	Message         string
	PlannedStepID   string
	PerformedStepID string
	Metric          string
	Place           valve.Place
	Occasion        valve.Occasion
	Run             int
	Stage           valve.Stage
	Planned         string
	Actual          string
	PlannedValue    units.Maybe[float64]
	ActualValue     units.Maybe[float64]
	Difference      units.Maybe[float64] // actual minus planned
	Unit            units.Unit
	Tolerance       units.Maybe[float64]
	JudgedBy        JudgedBy
	JudgedByVersion string
	Method          valve.Method
	Reason          string
	Parent          string // id of the root it stands under
	PlanRevised     bool
	Missing         []string
}

// Prediction is a stored prediction of the outcome, as it stood before the
// operation.
type Prediction struct {
	Evaluation int64 // number of the evaluation that made it; 0: the present one
	Values     []metric.Value
}

// Input is what a comparison needs.
type Input struct {
	// Case is the whole case without disputed values; its Plan is the head.
	Case *repair.Case
	// InForce is the plan it is judged by.
	InForce  repair.InForce
	Settings settings.Settings
	// Disputed are the values left out of Case because an open contradiction
	// names them: a comparison that needs one says so.
	Disputed []valve.InputValue
	// Prediction is the stored one for the plan in force; nil: none.
	Prediction *Prediction
}

// Compare gives every discrepancy of the case, in the order of the classes, then
// of the planned steps, then of the performed steps and the places. A comparison
// that found no difference has no entry; one that could not be made has the
// verdict NotJudged. Before an operation or a result is there nothing is said:
// an unfinished case is not a discrepancy.
func Compare(in Input) []Discrepancy {
	if in.Case.Operation == nil && len(in.Case.OfKind(repair.Result)) == 0 {
		return nil
	}
	c := newComparison(in)
	c.planInForce()
	if c.plan != nil {
		c.againstPlan()
		c.markRevised()
	}
	c.course()
	c.regurgitation()
	c.newFindings()
	c.recordConflicts()
	c.linkToRoots()
	return c.ordered()
}
