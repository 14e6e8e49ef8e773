package latitude

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"trigone/internal/geometry"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Owner says whose a condition is.
type Owner string

// The owners.
const (
	OfPlan       Owner = "plan"
	SiteLimit    Owner = "site_limit"
	Plausibility Owner = "plausibility"
	RingTable    Owner = "ring_table"
	OfModel      Owner = "model"
)

// End is an end of a range.
type End string

// The ends.
const (
	LowerEnd End = "lower"
	UpperEnd End = "upper"
)

// Condition is what an end of a range comes from, and whose it is.
type Condition struct {
	Owner    Owner
	TargetID string // of an aim of the plan
	Metric   valve.ID
	Words    string               // what it asks for
	Value    units.Maybe[float64] // where it bounds the range
	End      End
}

// limit is one side of what is asked of a quantity that the catalogue computes.
type limit struct {
	Condition
	at      metric.At
	value   float64
	atLeast bool // else at most
	beside  bool // no source of it was read: it binds nothing
}

func (l limit) holds(v float64) bool {
	const noise = 1e-9
	if l.atLeast {
		return v >= l.value-noise
	}
	return v <= l.value+noise
}

// aimsOf gives what the plan aims at, of several for one quantity and place that of
// the last stage.
func aimsOf(p *repair.Plan) []repair.Target {
	if p == nil {
		return nil
	}
	type what struct {
		leaf  valve.ID
		place valve.Place
	}
	last := map[what]int{}
	var list []repair.Target
	for _, t := range p.Targets {
		if t.Place == valve.Nowhere && (t.Leaf == valve.CoaptationLength || t.Leaf == valve.AnteriorClosureShare) {
			t.Place = valve.AtSlice(valve.A2P2)
		}
		w := what{t.Leaf, t.Place}
		if t.Leaf == valve.LeafletHeight {
			w.place = valve.AtSegment(t.Place.Segment())
		}
		if i, have := last[w]; have {
			if t.Stage.Rank() > list[i].Stage.Rank() {
				list[i] = t
			}
			continue
		}
		last[w] = len(list)
		list = append(list, t)
	}
	return list
}

// ask gathers what is asked of the valve: the aims of the plan that the catalogue can
// estimate, the limits of the policy, and what can be told beside. What cannot be
// estimated is named.
func (f *finder) ask() {
	h := f.hypothesis
	trial := f.probe()
	known := func(id valve.ID, at metric.At) bool {
		_, state, _ := metric.Middle(trial, h.s, id, at)
		return state == metric.HasValue
	}
	middle := valve.AtSlice(valve.A2P2)
	f.contact = metric.IDPredictedOverlap
	if !known(f.contact, h.at(middle)) {
		f.contact = metric.IDPredictedContact // the overlap of a line that chords hold is unknown
	}
	var aimed []valve.ID
	add := func(t repair.Target, id valve.ID, at metric.At, words string, unit units.Unit) {
		if !known(id, at) {
			f.notEstimated = append(f.notEstimated, words)
			return
		}
		for _, side := range []struct {
			v       units.Maybe[float64]
			atLeast bool
			text    string
		}{{t.Low, true, "at least"}, {t.High, false, "at most"}} {
			if v, stated := side.v.Get(); stated {
				f.limits = append(f.limits, limit{
					Condition: Condition{Owner: OfPlan, TargetID: t.ID, Metric: id, Words: words + " " + side.text + " " + amount(v, unit)},
					at:        at, value: v, atLeast: side.atLeast,
				})
			}
		}
		aimed = append(aimed, id)
	}
	for _, t := range aimsOf(f.c.Plan) {
		switch t.Leaf {
		case valve.CoaptationLength:
			id := f.contact
			if t.Place != middle {
				id = metric.IDPredictedOverlap
			}
			add(t, id, h.at(t.Place), "coaptation length of "+placeWords(t.Place), units.MM)
		case valve.AnteriorClosureShare:
			add(t, metric.IDPredictedAnteriorShare, h.at(t.Place), "share of the diameter in front of the closure line", units.Percent)
		case valve.MeanGradient:
			add(t, metric.IDExpectedGradient, h.across(), "mean gradient", units.MMHg)
		case valve.LeafletHeight:
			if t.Place.Segment() != valve.P2 {
				f.notEstimated = append(f.notEstimated, "height of "+placeWords(valve.AtSegment(t.Place.Segment())))
			}
		case "":
			f.notEstimated = append(f.notEstimated, "regurgitation grade")
		default:
			leaf, _ := metric.LeafByID(t.Leaf)
			f.notEstimated = append(f.notEstimated, leaf.Name)
		}
	}
	f.aimed = len(f.limits) > 0

	site := func(name string, id valve.ID, at metric.At, atLeast bool, words string) {
		t := h.s.Threshold(name)
		if !known(id, at) {
			return
		}
		side, source := "at most", "limit of the policy"
		if atLeast {
			side = "at least"
		}
		for _, aim := range f.limits {
			if aim.Metric == id && aim.at == at && aim.atLeast == atLeast && (atLeast && aim.value >= t.Value || !atLeast && aim.value <= t.Value) {
				return // the plan asks for more than the limit
			}
		}
		l := limit{at: at, value: t.Value, atLeast: atLeast, beside: !sourceRead(name)}
		if l.beside {
			source = "no source of this limit was read: it is told beside and binds nothing"
		}
		l.Condition = Condition{Owner: SiteLimit, Metric: id, Words: words + " " + side + " " + t.String() + " (" + source + ")"}
		f.limits = append(f.limits, l)
	}
	site(settings.CoaptationShort, f.contact, h.at(middle), true, "coaptation length of A2-P2")
	site(settings.GradientHigh, metric.IDExpectedGradient, h.across(), false, "mean gradient")
	if !slices.Contains(aimed, metric.IDPredictedAnteriorShare) {
		site(settings.AnteriorShareWanted, metric.IDPredictedAnteriorShare, h.at(middle), true, "share of the diameter in front of the closure line")
	}
}

// sourceRead says whether a source of the limit was read. A site may draw the limit
// elsewhere; that does not give it a source.
func sourceRead(name string) bool {
	source, _ := settings.SourceByID(settings.BuiltIn("", "", "UTC").Threshold(name).Source)
	return source.Strength == settings.Read || source.Strength == settings.Secondary
}

// probe gives a trial that has every dimension which a range could vary, so that
// what is missing otherwise can be seen.
func (f *finder) probe() *repair.Case {
	h := f.hypothesis
	d := h.size()
	if d.antero.IsSome() || f.ringKind == repair.PosteriorBand {
		return h.c
	}
	leaf, _ := metric.LeafByID(valve.RingInnerAnteroPosteriorDiameter)
	return h.scaled(h.copy(), (leaf.Low+leaf.High)/2)
}

// search finds where in a range of a dimension the conditions hold. What the
// catalogue computes of it rises or falls throughout, so that each condition holds
// to one side of where it is crossed.
type search struct {
	f         *finder
	vary      func(float64) *repair.Case
	low, high float64
	from, to  float64     // how far the model speaks within them
	bounds    []Condition // all that bind, with their value and end
	beside    []Condition
	empty     *Condition // one that holds nowhere
	gaps      []string   // parts in which a quantity is not estimated
}

// domain is what the model speaks of.
var domain = "diameters of " + geometry.DomainOfDiameter + " and closure lines at " + geometry.DomainOfLine + " of them"

// look goes through the model's domain and every condition.
func (s *search) look(limits []limit) (state metric.State, why string, missing []string) {
	h := s.f.hypothesis
	predicted := h.at(valve.AtSlice(valve.A2P2))
	low, high, ok := s.known(metric.IDPredictedContact, predicted, s.low, s.high)
	if !ok {
		v := h.compute(s.vary((s.low+s.high)/2), metric.IDPredictedContact, predicted)
		if v.State == metric.NotApplicable || !slices.ContainsFunc(limits, func(l limit) bool { return l.Owner == OfPlan && l.Metric == metric.IDExpectedGradient }) {
			return v.State, v.Explanation, v.Missing
		}
		// Without the heights the gradient still bounds the ring.
		low, high, missing = s.low, s.high, v.Missing
		limits = slices.DeleteFunc(slices.Clone(limits), func(l limit) bool { return l.Metric != metric.IDExpectedGradient })
	}
	s.from, s.to = low, high
	if low > s.low {
		s.bind(Condition{Owner: OfModel, Words: "which speaks of " + domain}, LowerEnd, low)
	}
	if high < s.high {
		s.bind(Condition{Owner: OfModel, Words: "which speaks of " + domain}, UpperEnd, high)
	}
	judged := false
	for _, l := range limits {
		if s.limit(l, low, high) && l.Owner == OfPlan {
			judged = true
		}
	}
	if !judged {
		return metric.NotEvaluable, "no aim of the plan can be estimated here", missing
	}
	return metric.HasValue, "", missing
}

func (s *search) bind(c Condition, end End, at float64) {
	c.End, c.Value = end, units.Some(at)
	s.bounds = append(s.bounds, c)
}

// limit finds where a condition is crossed within the domain; judged is false where
// its quantity is not estimated.
func (s *search) limit(l limit, low, high float64) (judged bool) {
	middle := func(x float64) (float64, bool) {
		v, state, _ := metric.Middle(s.vary(x), s.f.hypothesis.s, l.Metric, l.at)
		return v, state == metric.HasValue
	}
	from, to := low, high
	if l.at != s.f.hypothesis.at(valve.AtSlice(valve.A2P2)) { // else it is known wherever the contact is
		var ok bool
		if from, to, ok = s.known(l.Metric, l.at, low, high); !ok {
			return false
		}
	}
	if from > low+1 || to < high-1 {
		s.gaps = append(s.gaps, l.Words+" is estimated from "+units.FormatNumber(from, 1)+" to "+units.FormatNumber(to, 1)+" mm only")
	}
	first, _ := middle(from)
	last, _ := middle(to)
	atFirst, atLast := l.holds(first), l.holds(last)
	var found Condition
	switch {
	case atFirst && atLast:
		return true
	case !atFirst && !atLast:
		found = l.Condition
		found.End = UpperEnd
		if (last > first) == l.atLeast {
			found.End = LowerEnd // it would hold farther up
		}
		if l.beside {
			s.beside = append(s.beside, found)
			return true
		}
		if s.empty == nil {
			s.empty = &found
		}
		return true
	}
	good, bad := from, to
	end := UpperEnd
	if atLast {
		good, bad, end = to, from, LowerEnd
	}
	for math.Abs(good-bad) > 1e-4 {
		x := (good + bad) / 2
		if v, known := middle(x); known && l.holds(v) {
			good = x
		} else {
			bad = x
		}
	}
	found = l.Condition
	found.End, found.Value = end, units.Some(good)
	if l.beside {
		s.beside = append(s.beside, found)
		return true
	}
	s.bounds = append(s.bounds, found)
	return true
}

// known gives the part of a range in which a quantity has a value, taken as one
// piece.
func (s *search) known(id valve.ID, at metric.At, low, high float64) (from, to float64, ok bool) {
	has := func(x float64) bool {
		_, state, _ := metric.Middle(s.vary(x), s.f.hypothesis.s, id, at)
		return state == metric.HasValue
	}
	const steps = 20
	step := (high - low) / steps
	first, last := -1, -1
	for i := range steps + 1 {
		if has(low + float64(i)*step) {
			if first < 0 {
				first = i
			}
			last = i
		}
	}
	if first < 0 {
		return 0, 0, false
	}
	edge := func(good, bad float64) float64 {
		for math.Abs(good-bad) > 1e-4 {
			if x := (good + bad) / 2; has(x) {
				good = x
			} else {
				bad = x
			}
		}
		return good
	}
	from, to = low+float64(first)*step, low+float64(last)*step
	if first > 0 {
		from = edge(from, from-step)
	}
	if last < steps {
		to = edge(to, to+step)
	}
	return from, to, true
}

// tightest gives the condition that binds an end.
func (s *search) tightest(end End) (Condition, bool) {
	var at []Condition
	for _, c := range s.bounds {
		if c.End == end {
			at = append(at, c)
		}
	}
	if len(at) == 0 {
		return Condition{}, false
	}
	closest := func(a, b Condition) int { return cmp.Compare(number(a.Value), number(b.Value)) }
	if end == LowerEnd {
		return slices.MaxFunc(at, closest), true
	}
	return slices.MinFunc(at, closest), true
}

// settle puts the ends and what binds them into the range.
func (s *search) settle(r *Range) {
	_, grid, _ := metric.Describe(r.Leaf)
	r.Beside = s.beside
	for _, gap := range s.gaps {
		r.explain(gap)
	}
	onGrid := func(c Condition) Condition {
		if v, known := c.Value.Get(); known {
			c.Value = units.Some(units.Round(v, grid))
		}
		return c
	}
	for i := range r.Beside {
		r.Beside[i] = onGrid(r.Beside[i])
	}
	low, hasLow := s.tightest(LowerEnd)
	high, hasHigh := s.tightest(UpperEnd)
	low, high = onGrid(low), onGrid(high)
	switch {
	case s.empty != nil:
		r.State = metric.NotApplicable
		text := "no value from " + units.FormatNumber(s.from, grid) + " to " + amount(s.to, r.Unit) + " meets " + s.empty.Words + whose(*s.empty)
		if s.from > s.low || s.to < s.high {
			text += "; farther the model does not hold, for it speaks of " + domain
		}
		r.explain(text)
		return
	case hasLow && hasHigh && number(low.Value) > number(high.Value):
		r.State = metric.NotApplicable
		r.explain(fmt.Sprintf("no value meets both: at least %s for %s%s, at most %s for %s%s",
			amount(number(low.Value), r.Unit), low.Words, whose(low), amount(number(high.Value), r.Unit), high.Words, whose(high)))
		return
	}
	r.State = metric.HasValue
	if hasLow {
		r.Lower, r.LowerBy = low.Value, &low
	}
	if hasHigh {
		r.Upper, r.UpperBy = high.Value, &high
	}
}

// Whose says whose a condition is, in words.
func (c Condition) Whose() string {
	switch c.Owner {
	case OfPlan:
		return "aim of the plan"
	case SiteLimit:
		return "limit of the policy"
	case Plausibility:
		return "plausible range"
	case RingTable:
		return "the site's ring table"
	case OfModel:
		return "domain of the model"
	}
	return ""
}

func whose(c Condition) string {
	if c.Owner == SiteLimit {
		return "" // its words say so
	}
	text := c.Whose()
	if c.TargetID != "" {
		text += " " + c.TargetID
	}
	return " (" + text + ")"
}

// amount prints a number with its unit, without needless decimals.
func amount(v float64, unit units.Unit) string {
	text := fmt.Sprintf("%g", units.Round(v, 0.1))
	if u := unit.Text(); u != "" {
		text += " " + u
	}
	return text
}

func placeWords(p valve.Place) string {
	return strings.ToUpper(strings.ReplaceAll(string(p), "_", "-"))
}
