package discrepancy

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

const (
	coaptation       = valve.CoaptationLength
	predictedContact = metric.IDPredictedContact
)

// middle is the slice whose contact is predicted and held against the outcome.
var middle = valve.AtSlice(valve.A2P2)

// outcomeSet is a set of values after the repair that a prediction is held
// against: the first one off bypass, and that on leaving theatre. They are two
// comparisons, never averaged.
type outcomeSet struct {
	stage    valve.Stage
	occasion valve.Occasion // of the first one off bypass; empty: the newest of the stage
	run      int
}

func (s outcomeSet) words() string {
	if s.stage == valve.OffBypass {
		return "off bypass (first set)"
	}
	return when(s.stage)
}

// outcomeSets gives the sets that there are; that on leaving theatre is always
// asked for.
func (c *comparing) outcomeSets() []outcomeSet {
	sets := []outcomeSet{{stage: valve.LeavingTheatre, run: c.lastRun}}
	var first *repair.Study
	for _, s := range c.in.Case.OfKind(repair.Result) {
		if s.Stage == valve.OffBypass && (first == nil || max(s.Run, 1) < max(first.Run, 1)) {
			first = &s
		}
	}
	if first != nil {
		sets = append(sets, outcomeSet{valve.OffBypass, first.Occasion, max(first.Run, 1)})
	}
	return sets
}

// replacedBefore says whether the valve of a set was no repaired one any more.
func (c *comparing) replacedBefore(s outcomeSet) bool {
	return c.replacedInTheatre() && (s.stage == valve.LeavingTheatre || s.run >= c.lastRun)
}

// reading gives the value of a leaf in a set, by one of the methods if any is
// given; gap says why there is none.
func (c *comparing) reading(leaf valve.ID, place valve.Place, s outcomeSet, methods ...valve.Method) (k valve.Key, v float64, gap string) {
	method := valve.Method("")
	if s.occasion != "" {
		k = valve.Key{ID: leaf, Place: place, Occasion: s.occasion, Role: valve.Measured}
		method = c.measured[k].Context.Method
	} else {
		k, method, gap = c.find(repair.Target{Leaf: leaf, Place: place}, s.stage)
	}
	v, unread := c.read(k)
	if gap = cmp.Or(gap, unread); gap == "" && method != "" && len(methods) > 0 && !slices.Contains(methods, method) {
		gap = k.String() + " by echo"
	}
	return k, v, gap
}

// predictionFromPlan holds the coaptation length against the interval that was
// stored for the plan. The interval is one for an observation, so nothing is added
// to it. Only the set on leaving theatre makes a discrepancy.
func (c *comparing) predictionFromPlan() {
	for _, set := range c.outcomeSets() {
		e := c.predictionEntry(KindPredictionFromPlan, set)
		if set.stage == valve.LeavingTheatre {
			e.Class, e.DiscrepancyID = OutsideInterval, id(OutsideInterval, string(coaptation), string(middle), string(set.stage))
		}
		subject := "Coaptation length at A2-P2 " + set.words()
		p := c.stored(middle)
		if p == nil {
			e.Missing = []string{predictedContact + " at " + string(middle) + " stored before the operation"}
			e.Message = subject + " is not compared: no prediction is stored for the plan"
			c.add(e)
			continue
		}
		by := c.in.Prediction.Predicted
		by.Role, by.CalibrationID = valve.PredictedFromPlan, p.Calibration
		e.Predicted = &by
		if by.Evaluation > 0 {
			e.JudgedByVersion = strconv.FormatInt(by.Evaluation, 10)
		}
		as := forecast{"predicted", "outside the predicted %s", "prediction from the plan"}
		if by.Evaluation > 0 {
			as.name = "stored prediction"
		}
		c.predicted(e, set, p, subject, as, c.heldLine())
	}
}

// predictionFromExecution holds it against the prediction from what was done, which
// this evaluation makes.
func (c *comparing) predictionFromExecution() {
	i := slices.IndexFunc(c.in.Present.Values, func(v metric.Value) bool {
		return v.Key.ID == metric.IDPredictedOverlap && v.Key.Place == middle && v.Key.Role == valve.PredictedFromExecution
	})
	if i < 0 {
		return
	}
	p := &c.in.Present.Values[i]
	worked := 1
	for _, s := range c.steps {
		worked = max(worked, s.Run, s.TakenDownInRun)
	}
	for _, set := range c.outcomeSets() {
		e := c.predictionEntry(KindPredictionFromExecution, set)
		e.Predicted = c.presentBy(valve.PredictedFromExecution)
		e.Predicted.CalibrationID = p.Calibration
		subject := "Coaptation length at A2-P2 " + set.words()
		switch {
		case set.run < worked && set.stage == valve.OffBypass:
			e.notApplicable("the valve was worked on again in a later pump run")
		case len(c.outside) > 0:
			e.notApplicable("outside the model's domain: " + strings.Join(c.outside, ", "))
		}
		if e.Verdict == NotApplicable {
			e.Message = subject + " is not compared with what is predicted from what was done: " + e.NotApplicableBecause
			c.add(e)
			continue
		}
		c.predicted(e, set, p, subject, forecast{
			"predicted from what was done", "outside the %s predicted from what was done", "prediction from what was done",
		}, false)
	}
}

func (c *comparing) predictionEntry(kind Kind, set outcomeSet) entry {
	return entry{Comparison: Comparison{
		ID: key(kind, "", string(coaptation), middle, string(set.stage)), Kind: kind, Verdict: NotJudged,
		Metric: string(coaptation), Place: middle, Stage: set.stage, JudgedBy: ByPredictionInterval,
	}}
}

// presentBy tells what made a prediction of the present evaluation.
func (c *comparing) presentBy(role valve.Role) *Predicted {
	by := c.in.Present.Predicted
	if role == valve.PredictedFromPlan && c.in.Known != nil {
		by = c.in.Known.Predicted
	}
	by.Role = role
	return &by
}

// forecast is how a prediction is spoken of.
type forecast struct{ predicted, outside, name string }

// predicted judges the coaptation length of a set by a prediction.
func (c *comparing) predicted(e entry, set outcomeSet, p *metric.Value, subject string, as forecast, held bool) {
	low, hasLow := p.Lower.Get()
	high, hasHigh := p.Upper.Get()
	switch {
	case p.State == metric.NotApplicable:
		e.notApplicable(why(p))
		e.Message = fmt.Sprintf("%s is not compared: %s", subject, e.NotApplicableBecause)
		c.add(e)
		return
	case p.State != metric.HasValue || !hasLow || !hasHigh:
		e.Missing = slices.Clone(p.Missing)
		if len(e.Missing) == 0 {
			e.Missing = []string{"interval of " + predictedContact}
		}
		e.Message = subject + " is not compared: the " + as.name + " has no interval"
		c.add(e)
		return
	}
	e.Planned = span(low, high, coaptationText)
	if held {
		e.Missing = []string{"overlap predicted from the plan"}
		e.Message = fmt.Sprintf("%s is not compared: artificial chords hold the closure line, so that the predicted coaptation length of %s is not the overlap that echo sees",
			subject, e.Planned)
		c.add(e)
		return
	}
	if c.replacedBefore(set) {
		e.notApplicable(replaced)
		e.Message = fmt.Sprintf("%s, %s %s: %s", subject, as.predicted, e.Planned, replaced)
		c.add(e)
		return
	}
	k, v, gap := c.reading(coaptation, middle, set, valve.Echo2D, valve.Echo3D)
	if gap != "" {
		e.Missing = []string{gap}
		e.Message = fmt.Sprintf("%s, %s %s: there is no value by echo to judge", subject, as.predicted, e.Planned)
		c.add(e)
		return
	}
	m := c.measured[k]
	e.Occasion, e.Method, e.Run = k.Occasion, m.Context.Method, m.Run
	againstInterval(&e.Comparison, p, v, 0)
	e.PlannedSD, e.ActualSD, e.Uncalibrated = p.SD, c.sd(k), p.Uncalibrated
	e.Z = c.z(&e.Comparison)
	e.Message = fmt.Sprintf("%s: %s, %s %s", subject, e.Actual, as.predicted, e.Planned)
	if e.Verdict == Present {
		e.Message = fmt.Sprintf("%s: %s, "+as.outside, subject, e.Actual, e.Planned)
	}
	c.add(e)
}

// coaptationText prints a predicted coaptation length; below 0 it is a gap.
func coaptationText(v float64) string {
	if v < 0 {
		return "a gap of " + amount(coaptation, -v) + " in the model"
	}
	return amount(coaptation, v)
}

// againstInterval judges a value by an interval and tells how far it is from its
// middle.
func againstInterval(d *Comparison, p *metric.Value, v, margin float64) {
	withinRange(d, valve.ID(d.Metric), p.Lower, p.Upper, v, margin)
	d.PlannedValue, d.Difference = units.Some(p.Value), apart(valve.ID(d.Metric), p.Value, v)
}

// z gives the difference in standard deviations of both sides, where the model
// holds.
func (c *comparing) z(d *Comparison) units.Maybe[float64] {
	p, okP := d.PlannedSD.Get()
	a, okA := d.ActualSD.Get()
	sd := math.Hypot(p, a)
	if !okP || !okA || sd == 0 || len(c.outside) > 0 {
		return units.None[float64]()
	}
	return units.Some((d.ActualValue.OrElse(0) - d.PlannedValue.OrElse(0)) / sd)
}

// why gives the reason why a metric does not apply, without what its explanation
// adds on the value that there is not.
func why(v *metric.Value) string {
	reason, _, _ := strings.Cut(v.Explanation, "; ")
	return cmp.Or(reason, "it does not apply")
}

// heldLine says whether the plan holds the closure line by artificial chords, or
// may do so, whatever is found in theatre.
func (c *comparing) heldLine() bool {
	return slices.ContainsFunc(c.plan.Steps, func(s repair.Step) bool {
		return s.MayHoldLine(valve.A2P2) && s.Condition == "" && s.AlternativeOf == ""
	})
}

// stored gives the stored prediction for the plan, or nil.
func (c *comparing) stored(place valve.Place) *metric.Value {
	if c.in.Prediction == nil {
		return nil
	}
	for i := range c.in.Prediction.Values {
		v := &c.in.Prediction.Values[i]
		if v.Key.ID == predictedContact && v.Key.Place == place && v.Key.Role == valve.PredictedFromPlan {
			return v
		}
	}
	return nil
}

// expectedGradients hold the mean gradient against the one expected of the ring:
// of the planned one from the flow before the operation, of the one implanted from
// the flow in the set itself. It is no discrepancy: neither side was planned.
func (c *comparing) expectedGradients() {
	for i := range c.in.Present.Values {
		v := &c.in.Present.Values[i]
		if v.Key.ID != metric.IDExpectedGradient {
			continue
		}
		planned := v.Key.Occasion == valve.AtPlan
		if planned && (c.plan == nil || c.revision.Revision != c.in.Case.PlanRevision) {
			continue // computed of another revision than the one judged by
		}
		for _, set := range c.outcomeSets() {
			k, reading, gap := c.reading(meanGradient, valve.Nowhere, set)
			switch {
			case planned && set.stage != valve.LeavingTheatre:
				continue
			case !planned && k.Occasion != v.Key.Occasion:
				continue
			}
			step, role := v.Key.Place.Step(), valve.PredictedFromPlan
			if !planned {
				step, role = "", valve.PredictedFromExecution
			}
			e := entry{Comparison: Comparison{
				ID: key(KindExpectedGradient, step, string(meanGradient), valve.Nowhere, string(set.stage)), Kind: KindExpectedGradient,
				Verdict: NotJudged, PlannedStepID: step, Metric: string(meanGradient), Stage: set.stage, JudgedBy: ByPredictionInterval,
				Predicted: c.presentBy(role),
			}}
			subject := "Mean gradient " + set.words()
			of := " of the ring implanted"
			if planned {
				of = " of the ring planned"
			}
			tolerance := c.tolerance(meanGradient).At(c.sd(k))
			switch {
			case v.State == metric.NotApplicable:
				e.notApplicable(why(v))
				e.Message = fmt.Sprintf("%s is not compared with what is expected%s: %s", subject, of, e.NotApplicableBecause)
			case planned && c.replacedBefore(set):
				e.notApplicable(replaced)
				e.Message = fmt.Sprintf("%s is not compared with what is expected%s: %s", subject, of, replaced)
			case v.State != metric.HasValue || v.Lower.IsNone() || v.Upper.IsNone():
				e.Missing = slices.Clone(v.Missing)
				e.Message = fmt.Sprintf("%s is not compared: nothing is expected%s for want of an input", subject, of)
			case gap != "":
				e.Missing = []string{gap}
				e.Message = subject + " is not recorded"
			default:
				m := c.measured[k]
				e.Occasion, e.Method, e.Run, e.Owner = k.Occasion, m.Context.Method, m.Run, tolerance.Owner
				e.Planned = span(v.Lower.OrElse(0), v.Upper.OrElse(0), func(x float64) string { return amount(meanGradient, x) })
				againstInterval(&e.Comparison, v, reading, tolerance.Repeatability)
				e.PlannedSD, e.ActualSD = v.SD, c.sd(k)
				e.Message = fmt.Sprintf("%s: %s, expected%s %s%s", subject, e.Actual, of, e.Planned, doubt(e.Verdict))
			}
			c.add(e)
		}
	}
}
