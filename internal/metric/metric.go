// Package metric is the catalogue: one table of measured leaves and one table of
// metrics, each with id, unit, grid, formula, source and code. Calculation, FHIR,
// the printed catalogue, discrepancies and audit read it. Formula bodies live in
// geometry and haemo; a Compute only fetches leaves through the Reader, which
// records what was used and what is missing and can be perturbed, and calls one.
package metric

import (
	"math"
	"slices"
	"strings"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// CatalogueVersion is raised whenever a formula, a grid or an id changes.
const CatalogueVersion = "3"

// Tier says how much of a record a leaf belongs to.
type Tier string

// The tiers.
const (
	Core  Tier = "core"  // enough for record, discrepancies and audit
	Model Tier = "model" // needed for the prediction
	Full  Tier = "full"
)

// Leaf is one measured quantity of the contract: a field name there is a row
// here.
type Leaf struct {
	ID   valve.ID
	Name string
	Unit units.Unit
	Grid float64
	Tier Tier
	// SD is the assumed standard deviation where neither record nor policy state
	// one, in the unit; 0: see SDPercent. With both it is the larger of the two.
	SD float64
	// PosteriorSD replaces SD at places of the posterior leaflet; 0: SD holds
	// everywhere.
	PosteriorSD float64
	// SDPercent is the assumed standard deviation as a share of the value; 0 with
	// SD 0: none is assumed.
	SDPercent float64
	SDSource  settings.SourceID
	// Deviations replace SD and SDPercent, the first that fits.
	Deviations []Deviation
	// Low and High bound what is plausible; beyond is a note, never a refusal.
	Low, High   float64
	RangeSource settings.SourceID
	// Codes are tried in order; the first that fits a value is its code.
	Codes []Coding
}

// Deviation is a standard deviation that is assumed of values of one method, or in
// one rhythm: SD in the leaf's unit or Percent of the value, the larger of the two.
type Deviation struct {
	Method      valve.Method // empty: any
	Rhythm      string       // empty: any
	SD, Percent float64
	Source      settings.SourceID
}

// Reading is what an assumed standard deviation depends on.
type Reading struct {
	Place  valve.Place
	Method valve.Method
	Rhythm string
	Value  float64
}

// AssumedSD gives the standard deviation that is assumed of a reading, in the
// leaf's unit; ok is false if none is.
func (l Leaf) AssumedSD(of Reading) (sd float64, ok bool) {
	if l.PosteriorSD > 0 && of.Place.Segment().Leaflet() == valve.Posterior {
		return l.PosteriorSD, true
	}
	sd, percent := l.SD, l.SDPercent
	for _, d := range l.Deviations {
		if (d.Method == "" || d.Method == of.Method) && (d.Rhythm == "" || d.Rhythm == of.Rhythm) {
			sd, percent = d.SD, d.Percent
			break
		}
	}
	return max(sd, math.Abs(of.Value)*percent/100), sd > 0 || percent > 0
}

// At is where one value of a metric exists.
type At struct {
	Place    valve.Place
	Occasion valve.Occasion
	Role     valve.Role
	Run      int
	Stage    valve.Stage
}

// Key gives the key of a metric's value at this place.
func (a At) Key(id valve.ID) valve.Key {
	return valve.Key{ID: id, Place: a.Place, Occasion: a.Occasion, Role: a.Role}
}

// Metric is one formula of the catalogue.
type Metric struct {
	ID      valve.ID
	Name    string
	Unit    units.Unit
	Grid    float64
	Formula string
	Inputs  []valve.ID // leaf ids, for the printed catalogue and for suggestions
	Source  settings.SourceID
	Since   string
	// Where lists the places at which the metric exists in a case.
	Where func(c *repair.Case) []At
	// Compute answers one place, unrounded. What it returns is thrown away when
	// an input was missing, the formula does not apply or was refused; it is
	// returned all the same, because uncertainty is found by computing once more
	// beside the values.
	Compute func(r *Reader) float64
	// Band gives a word for the rounded value; nil: none.
	Band func(v float64) string
	// Signed says that the interval may go below zero.
	Signed bool
	// Most is the highest value there can be, which no interval exceeds; 0: none.
	Most float64
	// Low and High bound what is plausible: a value or an end beyond is cut there, and
	// told as cut. High 0: no bounds.
	Low, High float64
	// Steps says that the value is a rank or a count: it moves in steps, so that no
	// uncertainty is carried to it.
	Steps bool
	// Thresholds names the limits that the value or its explanation depends on.
	Thresholds []string
	Codes      []Coding
}

// State of a value.
type State string

// The states.
const (
	HasValue      State = "value"
	NotEvaluable  State = "not_evaluable"
	NotApplicable State = "not_applicable"
	Disputed      State = "disputed"
	Absent        State = "absent"
)

// Value is one value of the catalogue, or the reason why there is none.
type Value struct {
	Key         valve.Key
	Method      valve.Method
	Run         int
	Stage       valve.Stage
	State       State
	Value       float64 // on the grid; only with HasValue, or Disputed for a leaf
	SD          units.Maybe[float64]
	Lower       units.Maybe[float64]
	Upper       units.Maybe[float64]
	Explanation string
	Inputs      []valve.InputValue
	Missing     []string
	Band        string
	Absent      valve.AbsentReason
	// Calibration corrected the value and its interval; empty: uncalibrated.
	// Uncalibrated is what the value was before it.
	Calibration  string
	Uncalibrated units.Maybe[float64]
}

// Compute computes every metric at every place of the case, in the order of the
// catalogue, from the measured values that the case holds.
func Compute(c *repair.Case, s settings.Settings) []Value {
	return ComputeSome(c, s, func(valve.ID, At) bool { return true })
}

// intervalFactor makes a 95 % interval of a standard uncertainty.
const intervalFactor = 1.959963984540054

func computeOne(m *Metric, r *Reader) Value {
	at := r.at
	raw := m.Compute(r)
	v := Value{
		Key: at.Key(m.ID), Run: at.Run, Stage: at.Stage,
		Inputs: r.Inputs(), Missing: r.MissingText(), Explanation: r.explanation,
	}
	if r.notApplicable || r.refused {
		v.Explanation = strings.Join(r.reasons, "; ")
	}
	switch {
	case r.notApplicable:
		v.State = NotApplicable
		v.Missing = nil
		return v
	case len(r.missing) > 0, r.refused:
		v.State = NotEvaluable
		return v
	}
	rounded := units.Round(raw, m.Grid)
	if math.IsNaN(rounded) {
		v.State = NotEvaluable
		v.Explanation = r.noNumber()
		return v
	}
	v.State = HasValue
	v.Value = rounded
	if unstated := r.withoutMethod(); len(unstated) > 0 {
		r.Explain("context not stated: " + strings.Join(unstated, ", "))
		v.Explanation = r.explanation
	}
	v.Method = r.commonMethod()
	if m.Band != nil {
		v.Band = m.Band(v.Value)
	}
	switch {
	case r.correction != nil:
		r.correction.correct(r, m, &v)
	case r.low.IsSome(), r.high.IsSome():
		v.Lower, v.Upper = onGrid(r.low, m.Grid), onGrid(r.high, m.Grid)
	case !m.Steps && !r.noSD:
		propagate(m, r, &v)
	}
	cutAtLimits(m, r, &v)
	return v
}

// cutAtLimits cuts value and interval at what is plausible of the metric, and at what
// the formula says there is room for, and tells it.
func cutAtLimits(m *Metric, r *Reader, v *Value) {
	most, bounded := r.most.Get()
	if bounded {
		most = units.Round(most, m.Grid)
		if upper, ok := v.Upper.Get(); ok && upper > most && v.Value <= most {
			v.Upper = units.Some(most)
			r.Explain("range cut at " + units.Format(most, m.Unit, m.Grid) + ", " + r.mostWords)
		}
	}
	if m.High > m.Low {
		cut := func(x float64) float64 { return min(max(x, m.Low), m.High) }
		if inside := cut(v.Value); inside != v.Value {
			v.Value = inside
			r.Explain("the value lies beyond what is plausible, " + units.Format(inside, m.Unit, m.Grid) + ", and is cut there")
		}
		lower, upper := v.Lower.OrElse(v.Value), v.Upper.OrElse(v.Value)
		var ends []string
		if inside := cut(lower); inside != lower {
			v.Lower = units.Some(inside)
			ends = append(ends, units.Format(inside, m.Unit, m.Grid))
		}
		if inside := cut(upper); inside != upper {
			v.Upper = units.Some(inside)
			ends = append(ends, units.Format(inside, m.Unit, m.Grid))
		}
		if len(ends) > 0 {
			r.Explain("range cut at " + words.And(ends) + ": beyond is not plausible")
		}
	}
	v.Explanation = r.explanation
}

func onGrid(v units.Maybe[float64], grid float64) units.Maybe[float64] {
	x, ok := v.Get()
	if !ok {
		return v
	}
	return units.Some(units.Round(x, grid))
}

// propagate carries the inputs' standard deviations to the value, first order,
// by moving each input one standard deviation up and down. The interval is for
// one further observation where the metric states an observation error. Where the
// first order does not hold the formula's own draws take its place.
func propagate(m *Metric, r *Reader, v *Value) {
	variance := r.modelSD * r.modelSD
	for _, in := range r.uncertain() {
		sd, known := r.inputSD(in.Key)
		if !known {
			return
		}
		if sd == 0 {
			continue
		}
		up := m.Compute(r.perturbed(in.Key, +sd))
		down := m.Compute(r.perturbed(in.Key, -sd))
		half := (up - down) / 2
		if math.IsNaN(half) || math.IsInf(half, 0) {
			return
		}
		variance += half * half
	}
	if variance == 0 {
		return
	}
	sd := math.Sqrt(variance)
	if r.tellSDs {
		r.Explain(r.sdText())
		v.Explanation = r.explanation
	}
	if r.draws.take(m, r, v, sd) {
		return
	}
	reach := intervalFactor * math.Hypot(sd, r.observationSD)
	low, high := v.Value-reach, v.Value+reach
	if !m.Signed {
		low = max(low, 0)
	}
	if m.Most > 0 {
		high = min(high, m.Most)
	}
	low, high = units.Round(low, m.Grid), units.Round(high, m.Grid)
	if math.IsNaN(low) || math.IsNaN(high) {
		// One standard deviation down a divisor is next to nothing: first order
		// carries no uncertainty there.
		r.Explain("no interval: an input is no larger than its standard deviation")
		v.Explanation = r.explanation
		return
	}
	v.SD = units.Some(sd)
	v.Lower, v.Upper = units.Some(low), units.Some(high)
}

var (
	metricIndex = index(catalogue, func(m Metric) valve.ID { return m.ID })
	leafIndex   = index(leaves, func(l Leaf) valve.ID { return l.ID })
)

func index[T any](table []T, id func(T) valve.ID) map[valve.ID]int {
	at := make(map[valve.ID]int, len(table))
	for i, row := range table {
		at[id(row)] = i
	}
	return at
}

// Metrics gives the catalogue in its order.
func Metrics() []Metric { return slices.Clone(catalogue) }

// MetricByID gives a metric.
func MetricByID(id valve.ID) (Metric, bool) {
	i, ok := metricIndex[id]
	if !ok {
		return Metric{}, false
	}
	return catalogue[i], true
}

// Leaves gives the measured leaves in the contract's order.
func Leaves() []Leaf { return slices.Clone(leaves) }

// LeafUnder gives a leaf with the range and the assumed standard deviation that it
// has in an edition of the built-in values.
func LeafUnder(id valve.ID, edition settings.Edition) (Leaf, bool) {
	leaf, ok := LeafByID(id)
	if ok && edition > 0 {
		for _, former := range formerLeaves {
			if former.id == id && edition.Before(former.until) {
				return former.of(leaf), true
			}
		}
	}
	return leaf, ok
}

// LeafByID gives a leaf.
func LeafByID(id valve.ID) (Leaf, bool) {
	i, ok := leafIndex[id]
	if !ok {
		return Leaf{}, false
	}
	return leaves[i], true
}

// Describe gives unit and grid of a leaf or a metric.
func Describe(id valve.ID) (unit units.Unit, grid float64, ok bool) {
	if l, found := LeafByID(id); found {
		return l.Unit, l.Grid, true
	}
	if m, found := MetricByID(id); found {
		return m.Unit, m.Grid, true
	}
	return 0, 0, false
}

// LeafValues gives every measured value of the case as a value of the catalogue,
// rounded to its grid; a disputed one keeps its value and is marked.
func LeafValues(c *repair.Case, disputed []valve.Key) []Value {
	values := make([]Value, 0, len(c.Measured))
	for _, k := range c.Measured.Keys() {
		m := c.Measured[k]
		leaf, _ := LeafByID(k.ID)
		v := Value{Key: k, Method: m.Context.Method, Run: m.Run, Stage: m.Stage, SD: m.SD, Absent: m.Absent, State: Absent}
		if x, ok := m.Value.Get(); ok {
			v.State = HasValue
			v.Value = units.Round(x, leaf.Grid)
			if slices.Contains(disputed, k) {
				v.State = Disputed
				v.Explanation = "named by an open contradiction"
			}
			if m.Slip {
				v.Explanation = "as typed; likely a slip, so that what is computed of it waits until it is confirmed or corrected"
			}
		}
		values = append(values, v)
	}
	return values
}
