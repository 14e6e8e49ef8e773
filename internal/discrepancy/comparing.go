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
	"trigone/internal/words"
)

// comparing is one case being compared with one plan.
type comparing struct {
	in       Input
	op       *repair.Operation // never nil
	revision *repair.PlanRevision
	plan     *repair.Plan // nil: nothing is compared with a plan
	measured valve.Measurements
	ofStep   map[stepOccasion][]valve.Key // in order
	heights  []valve.Key                  // planned leaflet heights, in order
	steps    []performedStep
	lastRun  int
	outside  []string // why the model of the prediction does not hold for the outcome
	list     []entry
}

// stepOccasion names a planned or a performed step.
type stepOccasion struct {
	step     string
	occasion valve.Occasion
}

// entry is a comparison with what puts it in order.
type entry struct {
	Comparison
	planned, performed int // position in the plan, among the performed steps; 0: none
	takenDownIn        int // pump run in which the step was taken down
}

func newComparing(in Input) *comparing {
	c := &comparing{in: in, op: in.Case.Operation, revision: in.InForce.Revision, measured: in.Case.Measured}
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
	c.outside = metric.OutsideDomain(in.Case)
	return c
}

// index sorts the values that a plan is compared by, once.
func (c *comparing) index() {
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

// add keeps a comparison. Its class is the one that a difference would have; one
// that agrees or does not apply loses it in the end.
func (c *comparing) add(e entry) {
	c.typed(&e)
	e.FormulaNumber = formulaNumbers[e.Kind]
	if n, known := metric.FormulaNumber(valve.ID(e.Metric)); known {
		e.MetricFormulaNumber = units.Some(n)
	}
	c.list = append(c.list, e)
}

// typed marks an entry whose outcome is a value that an open slip names: as typed it
// differs, and a typing error is as likely.
func (c *comparing) typed(e *entry) {
	leaf := valve.ID(e.Metric)
	if leaf == metric.IDPredictedContact || leaf == metric.IDPredictedOverlap {
		leaf = coaptation
	}
	k := valve.Key{ID: leaf, Place: e.Place, Occasion: e.Occasion, Role: valve.Measured}
	if e.ActualValue.IsNone() || !c.measured[k].Slip {
		return
	}
	e.AsTyped = true
	e.Message += "; as typed, likely a slip"
	if e.Verdict == Present {
		e.Verdict = Indeterminate
	}
}

// notApplicable says of an entry that it does not apply, and why.
func (e *entry) notApplicable(because string) {
	e.Verdict, e.NotApplicableBecause, e.Missing = NotApplicable, because, nil
}

// differs says whether an entry is a discrepancy.
func (e *entry) differs() bool {
	return e.DiscrepancyID != "" && (e.Verdict == Present || e.Verdict == Indeterminate || e.Verdict == NotJudged)
}

// ordered gives the comparisons in their order. Step ids take no part in it, but
// between comparisons that are equal in everything else.
func (c *comparing) ordered() []Comparison {
	slices.SortStableFunc(c.list, func(a, b entry) int {
		return cmp.Or(
			cmp.Compare(a.rank(), b.rank()),
			cmp.Compare(a.planned, b.planned),
			cmp.Compare(a.performed, b.performed),
			cmp.Compare(withoutStep(a.Place), withoutStep(b.Place)),
			cmp.Compare(a.Metric, b.Metric),
		)
	})
	list := make([]Comparison, len(c.list))
	for i := range c.list {
		e := &c.list[i]
		if !e.differs() {
			e.Class, e.DiscrepancyID = "", ""
		}
		list[i] = e.Comparison
	}
	return list
}

// rank orders by the class; what has none stands with the predictions.
func (e *entry) rank() int {
	if e.Class == "" {
		return OutsideInterval.index()
	}
	return e.Class.index()
}

// key is the id of a comparison: what is compared, of which planned step or aim (of
// a step done without a plan its own id), which metric, where and when. Every part
// has its place, so that no two can read alike.
func key(kind Kind, subject, metric string, at valve.Place, when string) string {
	return strings.Join([]string{string(kind), subject, metric, string(at), when}, "|")
}

// id joins what makes a discrepancy the same one in every evaluation.
func id(class Class, parts ...string) string {
	list := []string{string(class)}
	for _, p := range parts {
		if p != "" {
			list = append(list, p)
		}
	}
	return strings.Join(list, "|")
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
func (c *comparing) byPlan(d *Comparison, by JudgedBy) {
	d.JudgedBy = by
	d.JudgedByVersion = strconv.FormatInt(c.revision.Revision, 10)
}

// read gives the value under a key, or says why there is none.
func (c *comparing) read(k valve.Key) (value float64, missing string) {
	if c.disputed(k) {
		return 0, k.String() + " (disputed)"
	}
	m := c.measured[k]
	v, ok := m.Value.Get()
	switch {
	case ok:
		return v, ""
	case m.Absent != "":
		return 0, k.String() + " (" + words.Spaced(string(m.Absent)) + ")"
	}
	return 0, k.String()
}

// known says whether a value stands under the key, disputed or not.
func (c *comparing) known(k valve.Key) bool {
	return c.disputed(k) || c.measured[k].Value.IsSome()
}

// disputed says whether an open contradiction names the value. The contradiction
// was found with the head of the plan: another revision is concerned where it
// holds the same value.
func (c *comparing) disputed(k valve.Key) bool {
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

// judge gives the verdict on a difference: none within the tolerance, one beyond
// the margin, and in between the measurement cannot tell.
func judge(difference, tolerance, margin float64) Verdict {
	size := math.Abs(difference)
	switch {
	case !exceeds(size, tolerance):
		return Agrees
	case !exceeds(size, margin):
		return Indeterminate
	}
	return Present
}

// tolerance gives the site's tolerance of a leaf. A leaf without one has none:
// any difference counts.
func (c *comparing) tolerance(leaf valve.ID) settings.Tolerance {
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
func numbers(d *Comparison, leaf valve.ID, planned, actual, tolerance, margin float64) {
	d.Unit, _, _ = metric.Describe(leaf)
	d.PlannedValue, d.ActualValue = units.Some(planned), units.Some(actual)
	d.Difference = apart(leaf, planned, actual)
	d.Tolerance, d.Margin = units.Some(tolerance), units.Some(margin)
	d.Actual = amount(leaf, actual)
	d.Verdict = judge(actual-planned, tolerance, margin)
}

// withinRange fills in a comparison of a value of a leaf with a range, either end
// of which may be missing.
func withinRange(d *Comparison, leaf valve.ID, low, high units.Maybe[float64], actual, margin float64) {
	d.Unit, _, _ = metric.Describe(leaf)
	d.Lower, d.Upper, d.ActualValue = low, high, units.Some(actual)
	d.Margin = units.Some(margin)
	d.Actual = amount(leaf, actual)
	d.Verdict = Agrees
	if end, by, beyond := d.Passed(); beyond {
		d.PlannedValue, d.Difference = units.Some(end), apart(leaf, end, actual)
		d.Verdict = judge(by, 0, margin)
	}
}

// sd gives the standard deviation of a measured value: stated, the site's or
// assumed.
func (c *comparing) sd(k valve.Key) units.Maybe[float64] {
	return metric.SDOf(c.in.Case, k, &c.in.Settings)
}
