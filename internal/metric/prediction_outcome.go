package metric

import (
	"math"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// The ids of the outcome held against the prediction.
const (
	IDZFromPlan      = "coaptation_z_from_plan"
	IDZFromExecution = "coaptation_z_from_execution"
)

var outcomeMetrics = []Metric{
	zMetric(IDZFromPlan, valve.PredictedFromPlan, "coaptation length on leaving theatre against the overlap predicted from the plan, in standard deviations"),
	zMetric(IDZFromExecution, valve.PredictedFromExecution, "coaptation length on leaving theatre against the overlap predicted from what was done, in standard deviations"),
}

func zMetric(id valve.ID, role valve.Role, name string) Metric {
	return Metric{
		ID: id, Name: name,
		Unit: units.One, Grid: 0.01, Signed: true,
		Formula: "(coaptation length by echo − predicted overlap of A2-P2) / √(its standard deviation² + that of one observation²); within the model's domain only",
		Inputs:  append([]valve.ID{CoaptationLength.ID, valve.AnteriorClosureShare}, predictionInputs...), Thresholds: hinge,
		Source: settings.SourceOwnModel, Since: "2",
		Where:   func(c *repair.Case) []At { return whereOutcome(c, role) },
		Compute: func(r *Reader) float64 { return outcomeZ(r, role) },
		Band:    zBand,
	}
}

// The words of a z, by its size: below 1, below 2, and from there on.
const (
	asPredicted     = "as predicted"
	outsideExpected = "outside expected"
	zDiscrepancy    = "discrepancy"
)

func zBand(z float64) string {
	switch size := math.Abs(z); {
	case size < 1:
		return asPredicted
	case size < 2:
		return outsideExpected
	}
	return zDiscrepancy
}

// predictionOf gives where the middle slice is predicted in a role.
func predictionOf(c *repair.Case, role valve.Role) (at At, ok bool) {
	for _, at := range predictedAt(c, valve.A2P2) {
		if at.Role == role {
			return at, true
		}
	}
	return At{}, false
}

func whereOutcome(c *repair.Case, role valve.Role) []At {
	exit := c.Exit()
	if _, predicted := predictionOf(c, role); !predicted || exit == nil || !recorded(c, CoaptationKey(exit.Occasion)) {
		return nil
	}
	at := atStudy(*exit)
	at.Place = valve.AtSlice(valve.A2P2)
	return []At{at}
}

// OutsideDomain gives why the model of the prediction does not hold for the valve
// as it was at the end, empty where it does.
func OutsideDomain(c *repair.Case) []string {
	if c.Operation == nil {
		return nil
	}
	end := atEnd(c)
	return outsideDomain(c, end, end.steps(c))
}

// OutsideBefore gives why the closure model says nothing of the valve as it was
// assessed before the operation, whatever is planned.
func OutsideBefore(c *repair.Case) []string {
	return outsideDomain(c, moment{plan: true}, nil)
}

func atEnd(c *repair.Case) moment { return moment{run: max(c.Operation.LastRun(), 1)} }

func outcomeZ(r *Reader, role valve.Role) float64 {
	r.Explain(UncalibratedLabel)
	r.WithoutSD()
	at, _ := predictionOf(r.c, role)
	if role == valve.PredictedFromPlan && !judgedByPlan(r) {
		return nan
	}
	// What was found after the repair bounds the domain of the outcome too.
	if r.c.Operation != nil {
		if why := r.memo.outside(r.c, atEnd(r.c)); len(why) > 0 {
			r.DoesNotApply("outside the model's domain: " + words.And(why))
			return nan
		}
	}
	k := CoaptationKey(r.At().Occasion)
	switch m, _ := r.Measurement(k); m.Context.Method {
	case "", valve.Echo2D, valve.Echo3D:
	default:
		r.DoesNotApply("the coaptation length was not taken by echo, which the overlap is predicted for")
		return nan
	}

	aside := r.aside()
	aside.at = at
	predicted := computeOne(&overlapMetric, aside)
	if aside.correction != nil {
		r.relabel(aside.correction.Calibration)
	}
	r.adopt(aside)
	observed := r.Read(k)
	if predicted.State == NotApplicable {
		r.DoesNotApply(predicted.Explanation)
		return nan
	}
	if predicted.State != HasValue {
		r.Explain(predicted.Explanation)
		if len(aside.missing) == 0 {
			r.Refuse("no overlap is predicted")
		}
		return nan
	}
	sd, known := predicted.SD.Get()
	observationSD, stated := r.inputSD(k)
	if !known || !stated {
		r.Refuse("the uncertainty of the predicted overlap or of its observation is not known")
		return nan
	}
	r.Explain("predicted overlap " + units.Format(predicted.Value, units.MM, lengthGrid) + " ± " + units.Format(sd, units.MM, lengthGrid) +
		", found " + units.Format(observed, units.MM, lengthGrid) + " ± " + units.Format(observationSD, units.MM, lengthGrid))
	z := (observed - predicted.Value) / math.Hypot(sd, observationSD)
	if zBand(units.Round(z, ratioGrid)) == zDiscrepancy {
		r.Explain("check first that both mean the same length")
	}
	return z
}

// judgedByPlan says whether the outcome can be held against the plan of the case:
// it was in force.
func judgedByPlan(r *Reader) bool {
	force := r.c.PlanInForce()
	switch {
	case force.Timing == repair.NoIncisionTime:
		r.Refuse(force.Explanation)
		return false
	case force.Timing != repair.Prospective && force.Timing != repair.LateArrival:
		r.DoesNotApply("no plan was in force")
		return false
	case force.Revision.Revision != r.c.PlanRevision:
		r.DoesNotApply("the plan was revised after the one in force")
		return false
	}
	return true
}
