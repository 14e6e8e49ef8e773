// Package discrepancy compares the plan in force with what was done and found:
// every comparison is kept, agreement included. A discrepancy is a recorded,
// reproducible difference, not an error, and carries no blame. Rules about one
// side alone live in package rules.
package discrepancy

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Kind says what is held against what.
type Kind string

// The kinds.
const (
	KindStep                    Kind = "step"
	KindStepPlace               Kind = "step_place"
	KindStepTechnique           Kind = "step_technique"
	KindStepDimension           Kind = "step_dimension"
	KindHeight                  Kind = "height"
	KindRingLabel               Kind = "ring_label"
	KindRingKind                Kind = "ring_kind"
	KindRingDimension           Kind = "ring_dimension"
	KindAim                     Kind = "aim"
	KindGradeAim                Kind = "grade_aim"
	KindPredictionFromPlan      Kind = "prediction_from_plan"
	KindPredictionFromExecution Kind = "prediction_from_execution"
	KindExpectedGradient        Kind = "expected_gradient"
	KindSiteLimit               Kind = "site_limit"
	KindPumpRun                 Kind = "pump_run"
	KindConversion              Kind = "conversion"
	KindPlanInForce             Kind = "plan_in_force"
	KindRecord                  Kind = "record"
)

// Verdict on one comparison.
type Verdict string

// The verdicts.
const (
	Present       Verdict = "present"
	Indeterminate Verdict = "indeterminate"
	NotJudged     Verdict = "not_evaluable"
	Agrees        Verdict = "agrees"
	NotApplicable Verdict = "not_applicable"
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

// Comparison is one thing held against another.
type Comparison struct {
	ID                   string // stable over evaluations: kind, step or aim, metric, place, occasion
	Kind                 Kind
	Verdict              Verdict
	Class                Class  // of the difference that there is or would be; empty: it is no discrepancy
	DiscrepancyID        string // stable over evaluations: class, step ids, metric, place, occasion
	Thing                string // the thing planned that it is counted with; empty: none
	Message              string
	PlannedStepID        string
	PerformedStepID      string
	TargetID             string
	Metric               string
	Place                valve.Place
	Occasion             valve.Occasion
	Run                  int
	Stage                valve.Stage
	Method               valve.Method
	Planned              string
	Actual               string
	PlannedValue         units.Maybe[float64]
	PlannedSD            units.Maybe[float64]
	ActualValue          units.Maybe[float64]
	ActualSD             units.Maybe[float64]
	Difference           units.Maybe[float64] // actual minus planned
	Lower, Upper         units.Maybe[float64] // of an aim, a limit or an interval
	Tolerance            units.Maybe[float64] // within it there is no difference
	Margin               units.Maybe[float64] // beyond it there is one
	Z                    units.Maybe[float64]
	Unit                 units.Unit
	JudgedBy             JudgedBy
	JudgedByVersion      string
	Owner                settings.Owner // of tolerance or limit
	LimitOnReading       bool           // the limit applies to readings as they are
	AsTyped              bool           // the outcome's value is likely a slip: no difference is present
	Reason               string
	Parent               string // discrepancy id of the root it stands under
	PlanRevised          bool
	Missing              []string
	NotApplicableBecause string
	FormulaNumber        int
	MetricFormulaNumber  units.Maybe[int]
	Predicted            *Predicted           // nil: nothing was predicted
	Uncalibrated         units.Maybe[float64] // the predicted middle before its calibration
}

// Predicted says by what a prediction was made.
type Predicted struct {
	Evaluation       int64 // number of the evaluation that made it; 0: the present one
	CatalogueVersion string
	CalibrationID    string // of the value itself; empty: uncalibrated
	Role             valve.Role
}

// Differs says whether a comparison is a discrepancy: it has a class, and it is
// present, indeterminate or not evaluable.
func (c Comparison) Differs() bool { return c.DiscrepancyID != "" }

// Passed gives the end of a range that the outcome lies beyond, and how far, with
// its sign.
func (c Comparison) Passed() (end, by float64, ok bool) {
	v, known := c.ActualValue.Get()
	low, hasLow := c.Lower.Get()
	high, hasHigh := c.Upper.Get()
	switch {
	case known && hasLow && v < low:
		return low, v - low, true
	case known && hasHigh && v > high:
		return high, v - high, true
	}
	return 0, 0, false
}

// AgainstEnd gives planned value and difference as a discrepancy tells them: of an
// interval the end that the outcome lies beyond, not its middle.
func (c Comparison) AgainstEnd() (planned, difference units.Maybe[float64]) {
	if end, _, beyond := c.Passed(); beyond && c.JudgedBy == ByPredictionInterval {
		return units.Some(end), apart(valve.ID(c.Metric), end, c.ActualValue.OrElse(0))
	}
	return c.PlannedValue, c.Difference
}

// Discrepancies gives those of the comparisons that are discrepancies, in their
// order, which is that of the classes.
func Discrepancies(list []Comparison) []Comparison {
	var out []Comparison
	for _, c := range list {
		if c.Differs() {
			out = append(out, c)
		}
	}
	return out
}

// Prediction is a stored prediction of the outcome, as it stood before the
// operation.
type Prediction struct {
	Predicted
	Values []metric.Value
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
	// Present is what the present evaluation computed of Case.
	Present Prediction
	// Known is what made those of Present that are predicted from the plan, where it
	// was an earlier evaluation; nil: the present one did.
	Known *Prediction
}

// Compare gives every comparison of the case, in the order of the classes that a
// difference has or would have, then of the planned steps, then of the performed
// steps and the places. There is one for everything that the plan states, that was
// predicted and that is limited; dimensions of a step that was left out or replaced
// by another technique are told by the step. Before an operation or a result is
// there nothing is said: an unfinished case is compared with nothing.
func Compare(in Input) []Comparison {
	if in.Case.Operation == nil && len(in.Case.OfKind(repair.Result)) == 0 {
		return nil
	}
	c := newComparing(in)
	c.planInForce()
	if c.plan != nil {
		c.againstPlan()
		c.markRevised()
	}
	c.predictionFromExecution()
	c.expectedGradients()
	c.course()
	c.regurgitation()
	c.newFindings()
	c.recordConflicts()
	c.linkToRoots()
	return c.ordered()
}
