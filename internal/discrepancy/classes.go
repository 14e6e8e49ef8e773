package discrepancy

import (
	"fmt"
	"slices"
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

// classes has a row for every class, in the order of their numbers, with what it
// means in one line. It only grows at its end.
var classes = []struct {
	class Class
	means string
}{
	{StepOmitted, "Planned step not in place at the end"},
	{StepAdded, "Step performed that was not planned"},
	{StepRelocated, "Step performed at another place than planned"},
	{StepSubstituted, "Another technique than planned, for the same end"},
	{StepParameter, "Dimension or count of a step other than planned"},
	{RingSize, "Ring of another label than planned"},
	{RingKind, "Ring of another kind than planned"},
	{TargetMissed, "Result outside an aim of the plan"},
	{OutsideInterval, "Result outside the interval predicted from the plan"},
	{OutsideSiteTolerance, "Result beyond the site's tolerance of the planned value"},
	{ResidualRegurgitation, "Regurgitation left after the repair"},
	{NewFinding, "Finding after the repair that was not there before"},
	{FurtherPumpRun, "Bypass resumed for the mitral valve"},
	{Conversion, "Repair given up for a replacement"},
	{NoPlanInForce, "No plan in force at incision"},
	{NotEvaluable, "Comparison that could not be made"},
	{RecordConflict, "Two sections of the record disagree"},
}

// Classes gives every class in the order of their numbers.
func Classes() []Class {
	list := make([]Class, len(classes))
	for i, row := range classes {
		list[i] = row.class
	}
	return list
}

func (c Class) index() int {
	for i, row := range classes {
		if row.class == c {
			return i
		}
	}
	return len(classes)
}

// among says whether the class is one of the list.
func (c Class) among(list ...Class) bool { return slices.Contains(list, c) }

// Number gives the number of the class, which is never given to another; 0 for none.
func (c Class) Number() int {
	if i := c.index(); i < len(classes) {
		return i + 1
	}
	return 0
}

// Reference gives the number in print, D01 to D17; empty for none.
func (c Class) Reference() string {
	if n := c.Number(); n > 0 {
		return fmt.Sprintf("D%02d", n)
	}
	return ""
}

// Means says in one line what a difference of the class is.
func (c Class) Means() string {
	if i := c.index(); i < len(classes) {
		return classes[i].means
	}
	return ""
}

// formulaNumbers tell which way of judging a kind has, raised when it changes.
var formulaNumbers = map[Kind]int{
	KindStep: 1, KindStepPlace: 1, KindStepTechnique: 1, KindStepDimension: 1, KindHeight: 1,
	KindRingLabel: 1, KindRingKind: 1, KindRingDimension: 1, KindAim: 2, KindGradeAim: 1,
	KindPredictionFromPlan: 1, KindPredictionFromExecution: 1, KindExpectedGradient: 2, KindSiteLimit: 3,
	KindPumpRun: 1, KindConversion: 2, KindPlanInForce: 1, KindRecord: 1,
}
