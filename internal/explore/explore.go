// Package explore evaluates a plan at every point of a grid over its own
// dimensions: the same metrics and rules as package evaluate, asked again for
// what depends on the plan only. It says what each variant would come to and
// break; it calls none best and orders by nothing but a criterion that the caller
// names. It is a pure room: a question in, variants out. The casebook calls it.
package explore

import (
	"cmp"
	"fmt"
	"iter"
	"maps"
	"reflect"
	"slices"
	"strings"

	"trigone/internal/evaluate"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/rules"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Directions of an order.
const (
	Ascending  = "ascending"
	Descending = "descending"
)

// Order is an order by a metric.
type Order struct {
	Metric    valve.ID
	Place     valve.Place // empty: the only one
	Direction string
}

// Question is what is asked of each variant.
type Question struct {
	Axes    []Axis
	Most    int        // most variants; 0: DefaultMost
	Metrics []valve.ID // none: DefaultMetrics
	Order   *Order     // nil: grid order
}

// DefaultMetrics are the metrics told of each variant where none is asked for, as
// far as the catalogue has them and the plan gives them.
var DefaultMetrics = []valve.ID{
	metric.IDPredictedContact, "predicted_overlap", metric.IDPredictedAnteriorShare,
	metric.IDFinalPosteriorHeight, metric.IDHeightRatio, metric.IDRingToAnnulus, metric.IDBaseGap,
}

// Metric is a metric of a variant.
type Metric struct {
	Key         valve.Key
	State       metric.State
	Value       float64 // only with HasValue
	Lower       units.Maybe[float64]
	Upper       units.Maybe[float64]
	Explanation string // why there is no value
	Calibration string // by which it was corrected; empty: uncalibrated
}

// Finding is a rule that a variant breaks.
type Finding struct {
	Rule     string
	Severity rules.Severity
	Message  string
	At       metric.At
	Added    bool // the plan as it is does not break the rule there
}

// Variant is one variant of the plan.
type Variant struct {
	Index    int // in grid order; -1: the plan as it is
	Values   []Value
	Metrics  []Metric  // in catalogue order
	Findings []Finding // most severe first
	// NotEvaluable are the rules that cannot be judged somewhere for want of an
	// input; of a variant, those that can be judged there of the plan as it is.
	NotEvaluable []string
}

// Exploration is a question that can be answered.
type Exploration struct {
	Total int
	Axes  []Described
	// Plan is the plan as it is.
	Plan Variant
	// Beside are the findings that the case has whatever the plan says.
	Beside []rules.Finding
	// Remarks are what must be known with the variants.
	Remarks []string

	// Turn, where it is set, is called before each variant is calculated, and what it
	// gives after it: who has other work waits there.
	Turn func() (end func())

	in       evaluate.Input
	axes     []axis
	metrics  []valve.ID
	order    *Order
	disputed []valve.Key // of the plan as it is
	slips    []valve.Key // of the plan as it is
	first    pass        // rules that judge all values, contradictions among them
	second   pass        // everything else, without what is disputed
	beside   map[string]bool
	broken   map[slot]bool // by the plan as it is
	gaps     map[slot]bool // of the plan as it is
}

// slot is one rule at one place.
type slot struct {
	rule string
	at   metric.At
}

// pass holds what one of the two passes of an evaluation finds that does not
// depend on the plan: it is found once.
type pass struct {
	values []metric.Value
	known  map[valve.Key]bool
	judged []rules.Judgement
	done   map[slot]bool
}

// New reads a question against a case; with faults there is no exploration.
func New(in evaluate.Input, q Question) (*Exploration, []Fault) {
	if in.Case.Plan == nil {
		return nil, []Fault{{"case_file.plan", "is missing, and so is a plan on record; what is varied are the dimensions of a plan"}}
	}
	l := &laying{c: in.Case, s: in.Settings, taken: map[valve.Key]int{}}
	e := &Exploration{in: in, axes: l.axes(q.Axes, q.Most), order: q.Order}
	e.know()
	here := e.judge(in.Case, nil)
	probe := here
	if len(e.axes) > 0 {
		e.Total = 1
		for _, a := range e.axes {
			e.Total *= len(a.settings)
			e.Axes = append(e.Axes, a.described)
		}
		probe = e.judge(e.newBench().lay(0), nil)
	}
	e.ask(l, q, here.values, probe.values)
	if len(l.faults) > 0 {
		return nil, l.faults
	}

	e.beside, e.broken, e.gaps = map[string]bool{}, map[slot]bool{}, map[slot]bool{}
	without := map[string]bool{}
	for _, f := range evaluate.Evaluate(evaluate.Input{
		Case: in.Case.WithPlan(nil), Settings: in.Settings, Confirmed: in.Confirmed, RuleSet: in.RuleSet,
	}).Findings {
		without[f.ID] = true
	}
	for _, f := range here.findings {
		e.broken[slot{f.Rule, f.At}] = true
		if without[f.ID] {
			e.beside[f.ID] = true
			e.Beside = append(e.Beside, f)
		}
	}
	var now []Value
	for _, a := range e.axes {
		now = append(now, a.now)
	}
	e.Plan = e.tell(-1, now, here, func(k slot) bool { return !e.first.done[k] && !e.second.done[k] })
	for _, j := range here.gaps {
		e.gaps[slot{j.Rule, j.At}] = true
	}
	e.remark(probe.values)
	return e, nil
}

// ask takes the metrics and the order of the question.
func (e *Exploration) ask(l *laying, q Question, values ...[]metric.Value) {
	places := func(id valve.ID) []valve.Place {
		var list []valve.Place
		for _, v := range slices.Concat(values...) {
			if v.Key.ID == id && v.Key.Occasion == valve.AtPlan && !slices.Contains(list, v.Key.Place) {
				list = append(list, v.Key.Place)
			}
		}
		return list
	}
	named := func(path string, id valve.ID) {
		_, known := metric.MetricByID(id)
		switch {
		case id == "":
			l.fault(path, "is missing; ListMetrics gives the ids")
		case !known:
			l.fault(path, "is no metric of the catalogue; ListMetrics gives the ids")
		case len(places(id)) == 0:
			l.fault(path, "is a metric that does not speak of this plan; give one that EvaluatePlan answers at the occasion plan")
		}
	}
	e.metrics = slices.Clone(q.Metrics)
	for i, id := range q.Metrics {
		named(fmt.Sprintf("metrics[%d]", i), id)
	}
	if len(q.Metrics) == 0 {
		e.metrics = slices.DeleteFunc(slices.Clone(DefaultMetrics), func(id valve.ID) bool { return len(places(id)) == 0 })
	}
	if q.Order == nil {
		return
	}
	before := len(l.faults)
	named("sort_by.metric", q.Order.Metric)
	if q.Order.Direction != Ascending && q.Order.Direction != Descending {
		l.fault("sort_by.direction", "is missing; say ascending or descending")
	}
	if len(l.faults) > before {
		return
	}
	at := places(q.Order.Metric)
	switch {
	case q.Order.Place != "" && !slices.Contains(at, q.Order.Place):
		l.fault("sort_by.place", "is no place of this metric in the plan; it has %s", placesText(at))
	case q.Order.Place == "" && len(at) > 1:
		l.fault("sort_by.place", "is missing, and the plan has this metric at %s; name one", placesText(at))
	case q.Order.Place == "":
		e.order = &Order{q.Order.Metric, at[0], q.Order.Direction}
	}
	if !slices.Contains(e.metrics, q.Order.Metric) {
		e.metrics = append(e.metrics, q.Order.Metric)
	}
}

// placesText lists places. One that names a step by the client's id is counted
// only.
func placesText(list []valve.Place) string {
	var text []string
	steps := 0
	for _, p := range list {
		switch {
		case p.Step() != "":
			steps++
		case p == valve.Nowhere:
			text = append(text, "no place")
		default:
			text = append(text, string(p))
		}
	}
	if steps > 0 {
		text = append(text, fmt.Sprintf("%d of its steps, as step:{id}", steps))
	}
	return strings.Join(text, ", ")
}

// remark says what is easily overlooked.
func (e *Exploration) remark(values []metric.Value) {
	add := func(format string, args ...any) { e.Remarks = append(e.Remarks, fmt.Sprintf(format, args...)) }
	if e.in.Case.Operation != nil {
		add("an operation is on record: the variants are of the plan, and say nothing of what was done")
	}
	for i, a := range e.axes {
		what := valve.JoinIDs(a.described.Leaves, " and ")
		if what == "" {
			what = "ring"
		}
		what += " at " + string(a.described.Place)
		if id := a.described.Place.Step(); id != "" {
			for _, s := range e.in.Case.Plan.Steps {
				if s.ID == id && (s.Condition != "" || s.AlternativeOf != "") {
					add("axis %d, %s: the step has a condition or is an alternative, so that no metric of the whole plan counts on it", i+1, what)
				}
			}
		}
		read := slices.ContainsFunc(values, func(v metric.Value) bool {
			return v.Key.Occasion == valve.AtPlan && slices.Contains(e.metrics, v.Key.ID) &&
				(a.described.Leaves == nil && v.Key.Place == a.described.Place ||
					slices.ContainsFunc(v.Inputs, func(in valve.InputValue) bool { return slices.Contains(a.keys, in.Key) }))
		})
		if !read {
			add("axis %d, %s: none of the metrics asked for reads it in the first variant; only rules may", i+1, what)
		}
	}
}

// know finds once what does not depend on the plan: what speaks of another
// occasion, reads nothing of the plan, and stays the same when the plan is taken
// away altogether.
func (e *Exploration) know() {
	with, without := e.in.Case, e.in.Case.WithPlan(nil)
	e.first = e.newPass(with, without, true)
	for _, j := range append(e.judgeSome(with, e.computeSome(with, e.first, nil), e.first, true), e.first.judged...) {
		e.disputed, e.slips = e.collect(j, e.disputed, e.slips)
	}
	with, without = evaluate.Withhold(with, e.disputed, e.slips), evaluate.Withhold(without, e.disputed, e.slips)
	e.second = e.newPass(with, without, false)
}

func (e *Exploration) newPass(with, without *repair.Case, judgesAll bool) pass {
	s := e.in.Settings
	p := pass{known: map[valve.Key]bool{}, done: map[slot]bool{}}
	all, rest := metric.Compute(with, s), metric.Compute(without, s)
	same := make(map[valve.Key]metric.Value, len(rest))
	for _, v := range rest {
		same[v.Key] = v
	}
	for _, v := range all {
		if v.Key.Occasion == valve.AtPlan || slices.ContainsFunc(v.Inputs, func(in valve.InputValue) bool { return in.Key.Occasion == valve.AtPlan }) {
			continue
		}
		if other, have := same[v.Key]; have && alike(v, other) {
			p.values = append(p.values, v)
			p.known[v.Key] = true
		}
	}
	wanted := e.wanted(pass{}, judgesAll)
	judged := make(map[slot]rules.Judgement)
	for _, j := range rules.JudgeSome(without, s, rest, wanted) {
		judged[slot{j.Rule, j.At}] = j
	}
	for _, j := range rules.JudgeSome(with, s, all, wanted) {
		if j.At.Occasion == "" || j.At.Occasion == valve.AtPlan || slices.Contains(j.Reads, valve.AtPlan) {
			continue
		}
		k := slot{j.Rule, j.At}
		if other, have := judged[k]; have && j.Outcome == other.Outcome && j.Finding.ID == other.Finding.ID && slices.Equal(j.Missing, other.Missing) {
			p.judged = append(p.judged, j)
			p.done[k] = true
		}
	}
	return p
}

// alike says whether two values are the same; a missing one is not a number.
func alike(a, b metric.Value) bool { return reflect.DeepEqual(a, b) }

func (e *Exploration) wanted(p pass, all bool) func(rules.Rule, metric.At) bool {
	return func(r rules.Rule, at metric.At) bool {
		return r.JudgesAll(e.in.RuleSet) == all && r.InSet(e.in.RuleSet) && !p.done[slot{r.ID, at}]
	}
}

// computeSome gives every value of a case: those that may depend on the plan
// anew, before those that do not.
func (e *Exploration) computeSome(c *repair.Case, p pass, into []metric.Value) []metric.Value {
	into = append(into[:0], metric.ComputeSome(c, e.in.Settings, func(id valve.ID, at metric.At) bool { return !p.known[at.Key(id)] })...)
	return append(into, p.values...)
}

func (e *Exploration) judgeSome(c *repair.Case, values []metric.Value, p pass, judgesAll bool) []rules.Judgement {
	return rules.JudgeSome(c, e.in.Settings, values, e.wanted(p, judgesAll))
}

// collect adds the values that a judgement disputes, and those that it names as
// slips.
func (e *Exploration) collect(j rules.Judgement, disputed, slips []valve.Key) (d, s []valve.Key) {
	if j.Outcome != rules.Broken || !j.Finding.Confirmable() || e.in.Confirmed[j.Finding.ID] {
		return disputed, slips
	}
	for _, in := range j.Finding.Disputes {
		disputed = append(disputed, in.Key)
	}
	for _, in := range j.Finding.Questions {
		slips = append(slips, in.Key)
	}
	return disputed, slips
}

// verdict is what is said of one case.
type verdict struct {
	values   []metric.Value // without what is disputed
	findings []rules.Finding
	gaps     []rules.Judgement
}

// judge evaluates a case that differs from the one in hand by its plan only, in
// two passes as package evaluate does. The verdict's values lie in the room given,
// which may be nil.
func (e *Exploration) judge(c *repair.Case, room []metric.Value) verdict {
	var v verdict
	take := func(lists ...[]rules.Judgement) {
		for _, list := range lists {
			for _, j := range list {
				switch j.Outcome {
				case rules.Broken:
					v.findings = append(v.findings, j.Finding)
				case rules.NotEvaluable:
					v.gaps = append(v.gaps, j)
				}
			}
		}
	}
	values := e.computeSome(c, e.first, room)
	onAll := e.judgeSome(c, values, e.first, true)
	take(onAll, e.first.judged)

	var disputed, slips []valve.Key
	for _, list := range [][]rules.Judgement{onAll, e.first.judged} {
		for _, j := range list {
			disputed, slips = e.collect(j, disputed, slips)
		}
	}
	clean, p := evaluate.Withhold(c, disputed, slips), e.second
	if !sameKeys(disputed, e.disputed) || !sameKeys(slips, e.slips) {
		p = pass{} // what is disputed here may lie outside the plan
	}
	if clean != c {
		values = e.computeSome(clean, p, values)
	}
	v.values = values
	take(e.judgeSome(clean, values, p, false), p.judged)
	slices.SortStableFunc(v.findings, func(a, b rules.Finding) int {
		return cmp.Or(
			cmp.Compare(severityRank(a.Severity), severityRank(b.Severity)), cmp.Compare(a.Rule, b.Rule),
			cmp.Compare(a.At.Occasion, b.At.Occasion), cmp.Compare(a.At.Place, b.At.Place),
		)
	})
	return v
}

func severityRank(s rules.Severity) int {
	return slices.Index([]rules.Severity{rules.Contradiction, rules.Caution, rules.Note}, s)
}

func sameKeys(a, b []valve.Key) bool {
	has := func(list []valve.Key, in []valve.Key) bool {
		return !slices.ContainsFunc(list, func(k valve.Key) bool { return !slices.Contains(in, k) })
	}
	return has(a, b) && has(b, a)
}

// tell puts a verdict into the words of a variant, with the rules that cannot be
// judged where open says so.
func (e *Exploration) tell(index int, values []Value, v verdict, open func(slot) bool) Variant {
	out := Variant{Index: index, Values: values}
	for _, m := range v.values {
		if m.Key.Occasion == valve.AtPlan && slices.Contains(e.metrics, m.Key.ID) {
			out.Metrics = append(out.Metrics, short(m))
		}
	}
	for _, f := range v.findings {
		if !e.beside[f.ID] {
			out.Findings = append(out.Findings, Finding{
				Rule: f.Rule, Severity: f.Severity, Message: f.Message, At: f.At, Added: !e.broken[slot{f.Rule, f.At}],
			})
		}
	}
	for _, j := range v.gaps {
		if open(slot{j.Rule, j.At}) {
			out.NotEvaluable = append(out.NotEvaluable, j.Rule)
		}
	}
	slices.Sort(out.NotEvaluable)
	out.NotEvaluable = slices.Compact(out.NotEvaluable)
	return out
}

func short(v metric.Value) Metric {
	m := Metric{Key: v.Key, State: v.State, Calibration: v.Calibration}
	if v.State == metric.HasValue {
		m.Value, m.Lower, m.Upper = v.Value, v.Lower, v.Upper
		return m
	}
	m.Explanation = v.Explanation
	if len(v.Missing) > 0 {
		m.Explanation = "missing: " + strings.Join(v.Missing, ", ")
		if v.Explanation != "" {
			m.Explanation += "; " + v.Explanation
		}
	}
	return m
}

// bench is a case of one worker's own, on which one variant after the other is
// laid out.
type bench struct {
	e *Exploration
	c *repair.Case
	// measured are the maps that hold the plan's values: the case's, and that of
	// the plan's own revision.
	measured []valve.Measurements
	room     []metric.Value // of the variant before
}

func (e *Exploration) newBench() *bench {
	view := *e.in.Case
	b := &bench{e: e, c: &view}
	plan := *e.in.Case.Plan
	plan.Steps = slices.Clone(plan.Steps)
	view.Plan = &plan
	view.Measured = maps.Clone(view.Measured)
	b.measured = []valve.Measurements{view.Measured}
	view.Plans = slices.Clone(view.Plans)
	for i := range view.Plans {
		if r := &view.Plans[i]; r.Revision == e.in.Case.PlanRevision {
			r.Plan, r.Measured = &plan, maps.Clone(r.Measured)
			b.measured = append(b.measured, r.Measured)
		}
	}
	return b
}

// lay lays a variant out; the case is the bench's own and good until the next.
func (b *bench) lay(index int) *repair.Case {
	for i, a := range b.e.axes {
		s := a.settings[b.e.choice(index, i)]
		for _, p := range s.puts {
			for _, m := range b.measured {
				if p.m.Value.IsNone() {
					delete(m, p.key)
				} else {
					m[p.key] = p.m
				}
			}
		}
		if s.step >= 0 {
			ring := s.ring
			b.c.Plan.Steps[s.step].Ring = &ring
		}
	}
	return b.c
}

// choice gives which value of an axis a variant has: the last axis changes
// fastest.
func (e *Exploration) choice(index, axis int) int {
	for i := len(e.axes) - 1; i > axis; i-- {
		index /= len(e.axes[i].settings)
	}
	return index % len(e.axes[axis].settings)
}

func (b *bench) variant(index int) Variant {
	values := make([]Value, len(b.e.axes))
	for i, a := range b.e.axes {
		values[i] = a.settings[b.e.choice(index, i)].value
	}
	said := b.e.judge(b.lay(index), b.room)
	b.room = said.values
	return b.e.tell(index, values, said, func(k slot) bool { return !b.e.gaps[k] })
}

// Variants gives every variant in grid order, calculated by as many workers; the
// same question gives the same variants whatever their number. When the caller
// takes no more, each worker ends with the variant in its hands.
func (e *Exploration) Variants(workers int) iter.Seq2[int, Variant] {
	return e.each(e.Total, func(i int) int { return i }, workers)
}

// Listed gives the variants of these indices, in this order.
func (e *Exploration) Listed(indices []int, workers int) iter.Seq2[int, Variant] {
	return e.each(len(indices), func(i int) int { return indices[i] }, workers)
}

// Ordered says whether the caller named an order.
func (e *Exploration) Ordered() bool { return e.order != nil }

// Rank is a variant's value by the criterion that the caller named.
type Rank struct {
	Index int
	Value units.Maybe[float64]
}

// Rank gives a variant's value by the criterion.
func (e *Exploration) Rank(v Variant) Rank {
	r := Rank{Index: v.Index}
	for _, m := range v.Metrics {
		if e.order != nil && m.Key.ID == e.order.Metric && m.Key.Place == e.order.Place && m.State == metric.HasValue {
			r.Value = units.Some(m.Value)
		}
	}
	return r
}

// Order gives the indices of ranks in the order that the caller named: those
// without a value last, equal ones in grid order.
func (e *Exploration) Order(ranks []Rank) []int {
	slices.SortFunc(ranks, func(a, b Rank) int {
		x, hasX := a.Value.Get()
		y, hasY := b.Value.Get()
		switch {
		case hasX && !hasY:
			return -1
		case hasY && !hasX:
			return 1
		}
		by := cmp.Compare(x, y)
		if e.order != nil && e.order.Direction == Descending {
			by = -by
		}
		return cmp.Or(by, cmp.Compare(a.Index, b.Index))
	})
	list := make([]int, len(ranks))
	for i, r := range ranks {
		list[i] = r.Index
	}
	return list
}
