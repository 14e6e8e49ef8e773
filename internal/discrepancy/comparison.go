package discrepancy

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// classes gives number and order of every class.
var classes = []Class{
	StepOmitted, StepAdded, StepRelocated, StepSubstituted, StepParameter, RingSize, RingKind, TargetMissed,
	OutsideInterval, OutsideSiteTolerance, ResidualRegurgitation, NewFinding, FurtherPumpRun, Conversion,
	NoPlanInForce, NotEvaluable, RecordConflict,
}

// Classes gives every class in the order of their numbers.
func Classes() []Class { return slices.Clone(classes) }

// Reference gives the number of the class, D01 to D17.
func (c Class) Reference() string {
	n := strconv.Itoa(slices.Index(classes, c) + 1)
	return "D" + strings.Repeat("0", max(0, 2-len(n))) + n
}

// comparison is one case being compared with one plan.
type comparison struct {
	in       Input
	op       *repair.Operation // never nil
	revision *repair.PlanRevision
	plan     *repair.Plan // nil: nothing is compared with a plan
	measured valve.Measurements
	ofStep   map[stepOccasion][]valve.Key // in order
	heights  []valve.Key                  // planned leaflet heights, in order
	steps    []performedStep
	lastRun  int
	list     []entry
}

// stepOccasion names a planned or a performed step.
type stepOccasion struct {
	step     string
	occasion valve.Occasion
}

// entry is a discrepancy with what puts it in order.
type entry struct {
	Discrepancy
	planned, performed int // position in the plan, among the performed steps; 0: none
	takenDownIn        int // pump run in which the step was taken down
}

func newComparison(in Input) *comparison {
	c := &comparison{in: in, op: in.Case.Operation, revision: in.InForce.Revision, measured: in.Case.Measured}
	if c.op == nil {
		c.op = &repair.Operation{}
	}
	if c.revision != nil {
		c.measured = in.Case.WithPlan(c.revision).Measured
	}
	c.index()
	c.lastRun = c.op.LastRun()
	for _, s := range in.Case.OfKind(repair.Result) {
		c.lastRun = max(c.lastRun, s.Run)
	}
	c.steps = c.sortedSteps()
	return c
}

// index sorts the values that a plan is compared by, once.
func (c *comparison) index() {
	c.ofStep = map[stepOccasion][]valve.Key{}
	for k := range c.measured {
		if step := k.Place.Step(); step != "" {
			at := stepOccasion{step, k.Occasion}
			c.ofStep[at] = append(c.ofStep[at], k)
		}
		if k.ID == leafletHeight && k.Occasion == valve.AtPlan && k.Role == valve.Planned {
			c.heights = append(c.heights, k)
		}
	}
	for _, keys := range c.ofStep {
		slices.SortFunc(keys, valve.Key.Compare)
	}
	slices.SortFunc(c.heights, valve.Key.Compare)
}

func (c *comparison) add(e entry) {
	e.Reference = e.Class.Reference()
	c.list = append(c.list, e)
}

// ordered gives the discrepancies in their order. Step ids take no part in it.
func (c *comparison) ordered() []Discrepancy {
	slices.SortStableFunc(c.list, func(a, b entry) int {
		return cmp.Or(
			cmp.Compare(a.Reference, b.Reference),
			cmp.Compare(a.planned, b.planned),
			cmp.Compare(a.performed, b.performed),
			cmp.Compare(withoutStep(a.Place), withoutStep(b.Place)),
			cmp.Compare(a.Metric, b.Metric),
		)
	})
	list := make([]Discrepancy, len(c.list))
	for i, e := range c.list {
		list[i] = e.Discrepancy
	}
	return list
}

// id joins what makes a discrepancy the same one in every evaluation.
func id(class Class, parts ...string) string {
	words := []string{string(class)}
	for _, p := range parts {
		if p != "" {
			words = append(words, p)
		}
	}
	return strings.Join(words, "|")
}

// withoutStep gives the part of a step's place behind its id, any other place as
// it is.
func withoutStep(p valve.Place) string {
	if p.Step() == "" {
		return string(p)
	}
	_, rest, _ := strings.Cut(string(p), "/")
	return rest
}

// byPlan states that an entry is judged by the plan.
func (c *comparison) byPlan(d *Discrepancy, by JudgedBy) {
	d.JudgedBy = by
	d.JudgedByVersion = strconv.FormatInt(c.revision.Revision, 10)
}

// read gives the value under a key, or says why there is none.
func (c *comparison) read(k valve.Key) (value float64, missing string) {
	if c.disputed(k) {
		return 0, k.String() + " (disputed)"
	}
	m := c.measured[k]
	v, ok := m.Value.Get()
	switch {
	case ok:
		return v, ""
	case m.Absent != "":
		return 0, k.String() + " (" + words(string(m.Absent)) + ")"
	}
	return 0, k.String()
}

// known says whether a value stands under the key, disputed or not.
func (c *comparison) known(k valve.Key) bool {
	return c.disputed(k) || c.measured[k].Value.IsSome()
}

// disputed says whether an open contradiction names the value. The contradiction
// was found with the head of the plan: another revision is concerned where it
// holds the same value.
func (c *comparison) disputed(k valve.Key) bool {
	return slices.ContainsFunc(c.in.Disputed, func(d valve.InputValue) bool {
		if d.Key != k {
			return false
		}
		if k.Occasion != valve.AtPlan || c.revision == nil {
			return true
		}
		v, ok := c.revision.Measured[k].Value.Get()
		return ok && v == d.Value
	})
}

// slack absorbs the binary error of a decimal difference; it is far below any
// grid.
const slack = 1e-9

// exceeds says whether a size is above a limit; equal is not above.
func exceeds(size, limit float64) bool { return size > limit+slack }

// judge gives the verdict on a difference from a planned value, empty if it is
// within the tolerance.
func judge(difference float64, t settings.Tolerance, planned float64) Verdict {
	size := math.Abs(difference)
	switch {
	case !exceeds(size, t.Of(planned)):
		return ""
	case !exceeds(size, t.Margin(planned)):
		return Indeterminate
	}
	return Present
}

// tolerance gives the site's tolerance of a leaf. A leaf without one has none:
// any difference counts.
func (c *comparison) tolerance(leaf valve.ID) settings.Tolerance {
	unit, _, _ := metric.Describe(leaf)
	t, _ := c.in.Settings.Tolerance(leaf, unit)
	return t
}

// amount prints a value of a leaf with its unit.
func amount(leaf valve.ID, v float64) string {
	unit, grid, ok := metric.Describe(leaf)
	if !ok {
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	return units.Format(v, unit, grid)
}

// apart gives actual minus planned on the grid of the leaf.
func apart(leaf valve.ID, planned, actual float64) units.Maybe[float64] {
	_, grid, ok := metric.Describe(leaf)
	if !ok {
		return units.Some(actual - planned)
	}
	return units.Some(units.Round(actual-planned, grid))
}

// numbers fills in a comparison of two values of a leaf.
func numbers(d *Discrepancy, leaf valve.ID, planned, actual, margin float64) {
	d.Unit, _, _ = metric.Describe(leaf)
	d.PlannedValue, d.ActualValue = units.Some(planned), units.Some(actual)
	d.Difference = apart(leaf, planned, actual)
	d.Tolerance = units.Some(margin)
	d.Actual = amount(leaf, actual)
}
