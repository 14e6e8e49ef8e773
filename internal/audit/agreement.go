package audit

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"trigone/internal/discrepancy"
	"trigone/internal/metric"
	"trigone/internal/statistics"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// Key is what pairs must share to be one figure: nothing is pooled over places,
// stages, methods or formulas. A step has no place here: the id that a client gave it
// groups nothing.
type Key struct {
	Kind    discrepancy.Kind
	Metric  string
	Place   valve.Place
	Stage   valve.Stage
	Method  valve.Method
	Formula int
	// MetricFormula made a computed value; 0: it is a leaf, or not told.
	MetricFormula int
	// PredictionFormula made a prediction; 0: nothing was predicted, or it is not told.
	PredictionFormula int
	// Calibration of the prediction; empty: uncalibrated.
	Calibration string
}

// kinds in the order in which they are told: what was wanted, what was foretold, what
// was done.
var kinds = []discrepancy.Kind{
	discrepancy.KindAim, discrepancy.KindPredictionFromPlan, discrepancy.KindPredictionFromExecution, discrepancy.KindRingLabel,
	discrepancy.KindRingDimension, discrepancy.KindHeight, discrepancy.KindStepDimension,
}

// Kinds gives the kinds of comparisons that hold numbers of one quantity on both sides, in
// the order in which they are told.
func Kinds() []discrepancy.Kind { return slices.Clone(kinds) }

func (k Key) compare(o Key) int {
	return cmp.Or(cmp.Compare(slices.Index(kinds, k.Kind), slices.Index(kinds, o.Kind)), cmp.Compare(k.Metric, o.Metric), cmp.Compare(k.Place, o.Place),
		cmp.Compare(k.Stage, o.Stage), cmp.Compare(k.Method, o.Method), cmp.Compare(k.Formula, o.Formula), cmp.Compare(k.MetricFormula, o.MetricFormula),
		cmp.Compare(k.PredictionFormula, o.PredictionFormula), cmp.Compare(k.Calibration, o.Calibration))
}

// predicted says whether the plan's side was predicted, not planned.
func (k Key) predicted() bool {
	return k.Kind == discrepancy.KindPredictionFromPlan || k.Kind == discrepancy.KindPredictionFromExecution
}

// Pair is one comparison of a case: planned or predicted, and measured.
type Pair struct {
	Key
	// Order in the case.
	Order int64
	Run   int
	// Verdict of the comparison.
	Verdict discrepancy.Verdict
	// Planned and Actual in the metric's unit; of a label Planned is absent.
	Planned, Actual units.Maybe[float64]
	// Tolerance of the comparison, and the ends of an aim, of a range of labels or of a
	// prediction, in the metric's unit.
	Tolerance, Lower, Upper units.Maybe[float64]
	// Uncalibrated is what Planned was before its calibration.
	Uncalibrated units.Maybe[float64]
}

// group gives the key under which a pair is counted.
func (p *Pair) group() Key {
	k := p.Key
	if k.Place.Step() != "" {
		k.Place = ""
	}
	if k.Kind != discrepancy.KindAim {
		// Of several predictions one reading is taken; everything else is what it is
		// whenever it was measured.
		k.Stage = ""
	}
	return k
}

// AgreementQuestion says which pairs are asked for.
type AgreementQuestion struct {
	View View
	// FirstRun: what was found after the first pump run; else after the last one.
	FirstRun bool
	// Timings of plans that count; none: prospective ones only.
	Timings []string
	// Places asked for; none: all.
	Places []string
	// Strata are kinds of words by which figures are given once more.
	Strata []string
	// RingSizes are the labels of each of the site's families, in order.
	RingSizes map[string][]float64
	// Points asks for the pairs of figures that have at most 500.
	Points bool
}

// Figure is a number with its interval, or why there is none.
type Figure struct {
	Value, Lower, Upper units.Maybe[float64]
	Because             string
}

func figure(v float64, err error) Figure {
	if err != nil {
		return Figure{Because: err.Error()}
	}
	return Figure{Value: units.Some(v)}
}

func (f Figure) within(i statistics.Interval, err error) Figure {
	if err == nil && f.Value.IsSome() {
		f.Lower, f.Upper = units.Some(i.Lower), units.Some(i.Upper)
	}
	return f
}

// ShareFigure is how many of how many, with the interval of the share.
type ShareFigure struct {
	statistics.Share
	Figure
}

func wilson(s statistics.Share) ShareFigure {
	v, err := s.Value()
	return ShareFigure{s, figure(v, err).within(s.Wilson())}
}

// InRange is how many measured values lie in the range aimed at, or predicted.
type InRange struct {
	// ShareFigure of a prediction has an exact interval, since it is a promise that is
	// held; of an aim the one by the score.
	ShareFigure
	Below int
	Above int
	// Enough cases to say something of a 95 % range.
	Enough bool
	// Tenths of the predicted distribution, how often a value lies in each; P of so
	// uneven a count by chance.
	Tenths [10]int
	P      units.Maybe[float64]
	// ZMean and ZSD of the misses in predicted standard deviations: 0 and 1 are right.
	ZMean, ZSD units.Maybe[float64]
}

// Agreement is how far measured values lie from planned, or predicted, ones.
type Agreement struct {
	Key
	// Stratum it is drawn from; nil: all.
	Stratum *Group
	Unit    units.Unit
	Grid    float64
	// Patients is how many have such a comparison; Pairs of them have a number on both
	// sides.
	Patients, Pairs int
	Left            []Left
	// Bias is the mean of measured minus planned; the limits hold 95 % of the
	// differences, each with the interval of the limit.
	Bias, SD, LowerLimit, UpperLimit Figure
	MeanAbsolute, RootMeanSquare     Figure
	// Slope of the difference: on the plan for aims and planned dimensions, which have
	// no error of their own, on the mean of both for predictions.
	Slope       Figure
	Concordance Figure
	// WithinTolerance are those within the tolerance of their own comparison.
	WithinTolerance ShareFigure
	// Exact and WithinOneSize: of labels of rings, by the family's own sizes.
	Exact, WithinOneSize *ShareFigure
	// InRange: of aims and of predictions.
	InRange *InRange
	// Points, planned and measured in steps, where there are too few for limits, or where
	// they were asked for.
	Points   [][2]int64
	Sentence string
}

// Bounds of what is told (the audit's decision).
const (
	leastForLimits = 10
	wideLimits     = 30
)

// tooFewForLimits: below it only the points are shown.
const tooFewForLimits = "fewer than 10 pairs: the points are shown, limits would say nothing"

// aimsApart: an aim is a range.
const aimsApart = "an aim is a range: what lies in it differs from nothing, so that it is counted, not subtracted"

// labelsApart: a label is a name.
const labelsApart = "labels are names of sizes: they are counted, not subtracted"

// Agreements gathers pairs. Cases may come in any order.
type Agreements struct {
	question AgreementQuestion
	cells    map[cell]*sums
	left     left
	eligible int
	paired   int
}

type cell struct {
	Key
	stratum Group
}

type sums struct {
	patients   int
	pairs      statistics.Pairs
	left       left
	within     statistics.Share
	exact, one statistics.Share
	ranged     []statistics.Ranged
	predicted  []statistics.Predicted
	points     [][2]int64
}

// NewAgreements begins to gather.
func NewAgreements(q AgreementQuestion) *Agreements {
	if len(q.Timings) == 0 {
		q.Timings = []string{Prospective}
	}
	return &Agreements{question: q, cells: map[cell]*sums{}, left: left{}}
}

// AddCase counts a case that was operated on, and says whether its pairs count.
func (a *Agreements) AddCase(c *Case) bool {
	a.eligible++
	if reason := a.excluded(c); reason != "" {
		a.left[reason]++
		return false
	}
	return true
}

// AddPairs counts the pairs of a case that counts: all of a kind and metric at once.
func (a *Agreements) AddPairs(c *Case, pairs []Pair) {
	byKey := map[Key][]Pair{}
	for _, p := range pairs {
		byKey[p.group()] = append(byKey[p.group()], p)
	}
	for key, list := range byKey {
		if len(a.question.Places) > 0 && !slices.Contains(a.question.Places, string(key.Place)) {
			continue
		}
		chosen, reasons := a.choose(key, list)
		for _, stratum := range a.strata(c) {
			at := cell{key, stratum}
			s := a.cells[at]
			if s == nil {
				s = &sums{left: left{}}
				a.cells[at] = s
			}
			for _, r := range reasons {
				s.left[r]++
			}
			if chosen != nil {
				s.add(a.question, c, *chosen)
			}
		}
		if chosen != nil && !c.counted {
			c.counted = true
			a.paired++
		}
	}
}

func (a *Agreements) excluded(c *Case) Reason {
	switch {
	case c.Timing == "" || c.Timing == "no_plan":
		return NoPlan
	case !slices.Contains(a.question.Timings, c.Timing):
		return OtherTiming
	case c.Later:
		return LaterCase
	case a.question.View == AsExecuted && !c.AsExecuted:
		return NotAsExecuted
	}
	return ""
}

// strata gives the cells a case counts in: the whole, which has no kind, and one for
// each of its words of a kind asked for.
func (a *Agreements) strata(c *Case) []Group {
	list := []Group{{}}
	for _, w := range c.Words {
		if slices.Contains(a.question.Strata, w.Kind) {
			list = append(list, w)
		}
	}
	return list
}

// choose takes the one pair of a patient: of predictions that of the first reading off
// bypass, else that of the run asked for, and the first of several at one place. What
// is left has its reason.
func (a *Agreements) choose(key Key, list []Pair) (*Pair, []Reason) {
	list = slices.Clone(list)
	slices.SortFunc(list, func(p, q Pair) int { return cmp.Compare(p.Order, q.Order) })
	var reasons []Reason
	var usable []Pair
	run := 0
	for _, p := range list {
		switch {
		case p.Actual.IsNone() || p.Planned.IsNone() && p.Lower.IsNone() && p.Upper.IsNone():
			reasons = append(reasons, NoNumber)
		case p.Verdict == discrepancy.NotJudged:
			reasons = append(reasons, NotEvaluable)
		case key.predicted() && p.Stage != "" && p.Stage != valve.OffBypass:
			reasons = append(reasons, OtherStage)
		default:
			if len(usable) == 0 || (p.Run < run) == (a.question.FirstRun || key.predicted()) && p.Run != run {
				run = p.Run
			}
			usable = append(usable, p)
		}
	}
	var chosen *Pair
	for i, p := range usable {
		switch {
		case p.Run != run:
			reasons = append(reasons, OtherRun)
		case chosen != nil:
			reasons = append(reasons, SecondPair)
		default:
			chosen = &usable[i]
		}
	}
	return chosen, reasons
}

func (s *sums) add(q AgreementQuestion, c *Case, p Pair) {
	_, grid := describe(p.Metric)
	planned, hasPlan := steps(p.Planned, grid)
	actual, hasActual := steps(p.Actual, grid)
	measured := p.Actual.OrElse(0)
	s.patients++
	low, hasLow := p.Lower.Get()
	high, hasHigh := p.Upper.Get()
	switch {
	case p.Kind == discrepancy.KindRingLabel:
		s.label(q, c, low, high, measured)
		return
	case p.Kind == discrepancy.KindAim:
		r := statistics.Ranged{Lower: math.Inf(-1), Upper: math.Inf(1), Measured: measured}
		if hasLow {
			r.Lower = low
		}
		if hasHigh {
			r.Upper = high
		}
		// The plan's side of an aim is the end that was missed: of what lies inside there is
		// none, and differences of the misses alone would not be those of the aims.
		s.ranged = append(s.ranged, r)
		return
	case p.predicted() && hasLow && hasHigh:
		s.ranged = append(s.ranged, statistics.Ranged{Lower: low, Upper: high, Measured: measured})
		// A range that ends at 0 was cut there: its ends don't tell its distribution.
		if low > 0 && hasPlan {
			s.predicted = append(s.predicted, statistics.Predicted{Mean: p.Planned.OrElse(0), SD: (high - low) / (2 * statistics.Z95), Measured: measured})
		}
	}
	if !hasPlan || !hasActual {
		return
	}
	s.pairs.Add(planned, actual)
	s.points = append(s.points, [2]int64{planned, actual})
	if tolerance, ok := p.Tolerance.Get(); ok {
		s.within.Of++
		if math.Abs(units.FromGrid(actual-planned, grid)) <= tolerance {
			s.within.Count++
		}
	}
}

// labelGrid tells labels of rings apart.
const labelGrid = 0.5

// describe gives unit and grid of what is compared.
func describe(name string) (units.Unit, float64) {
	if unit, grid, ok := metric.Describe(valve.ID(name)); ok {
		return unit, grid
	}
	return units.One, labelGrid
}

func steps(v units.Maybe[float64], grid float64) (int64, bool) {
	value, ok := v.Get()
	if !ok {
		return 0, false
	}
	n, err := units.ToGrid(value, grid)
	return n, err == nil
}

// label counts a ring: exact is a label within those planned, one size off the next one
// of the family's own sizes.
func (s *sums) label(q AgreementQuestion, c *Case, low, high, implanted float64) {
	s.exact.Of++
	if low <= implanted && implanted <= high {
		s.exact.Count++
	}
	for _, w := range c.Words {
		if w.Kind != RingFamily {
			continue
		}
		sizes := q.RingSizes[w.Word]
		from, to, at := slices.Index(sizes, low), slices.Index(sizes, high), slices.Index(sizes, implanted)
		if from >= 0 && to >= 0 && at >= 0 {
			s.one.Of++
			if from-1 <= at && at <= to+1 {
				s.one.Count++
			}
			return
		}
	}
}

// RingFamily is the kind of word under which a ring's family stands.
const RingFamily = "ring_family"

// AgreementAnswer is what was asked for.
type AgreementAnswer struct {
	// Eligible cases were operated on and match the filter; Paired of them have at least
	// one pair; the others, where they are left out as a whole, have their reason.
	Eligible, Paired int
	Left             []Left
	// Looked is how many strata were looked at beside the whole.
	Looked     int
	Agreements []Agreement
}

// Answer gives the figures in the order of their keys, each whole before its strata.
func (a *Agreements) Answer() AgreementAnswer {
	answer := AgreementAnswer{Eligible: a.eligible, Paired: a.paired, Left: a.left.list()}
	cells := make([]cell, 0, len(a.cells))
	for at := range a.cells {
		cells = append(cells, at)
	}
	slices.SortFunc(cells, func(x, y cell) int {
		return cmp.Or(x.compare(y.Key), cmp.Compare(x.stratum.Kind, y.stratum.Kind), cmp.Compare(x.stratum.Word, y.stratum.Word))
	})
	for _, at := range cells {
		g := a.cells[at].agreement(at.Key, a.question.Points)
		if at.stratum != (Group{}) {
			g.Stratum = &at.stratum
			answer.Looked++
		}
		g.Sentence = g.sentence()
		answer.Agreements = append(answer.Agreements, g)
	}
	return answer
}

// mostPoints are those of a figure that are given for a plot.
const mostPoints = 500

func (s *sums) agreement(key Key, points bool) Agreement {
	unit, grid := describe(key.Metric)
	g := Agreement{Key: key, Unit: unit, Grid: grid, Patients: s.patients, Pairs: s.pairs.N(), Left: s.left.list(), WithinTolerance: wilson(s.within)}
	scaled := func(v float64, err error) Figure { return figure(v*grid, err) }
	interval := func(i statistics.Interval, err error) (statistics.Interval, error) {
		return statistics.Interval{Lower: i.Lower * grid, Upper: i.Upper * grid}, err
	}
	switch {
	case key.Kind == discrepancy.KindRingLabel:
		exact, one := wilson(s.exact), wilson(s.one)
		g.Exact, g.WithinOneSize = &exact, &one
		g.none(labelsApart)
		return g
	case key.predicted():
		g.InRange = coverage(s.ranged, s.predicted)
	case key.Kind == discrepancy.KindAim:
		g.InRange = coverage(s.ranged, nil)
		g.InRange.ShareFigure = wilson(g.InRange.Share)
		g.Pairs = len(s.ranged)
		g.none(aimsApart)
		return g
	}
	if g.Pairs < leastForLimits || points && g.Pairs <= mostPoints {
		g.Points = slices.Clone(s.points)
		slices.SortFunc(g.Points, func(p, q [2]int64) int { return cmp.Or(cmp.Compare(p[0], q[0]), cmp.Compare(p[1], q[1])) })
	}
	if g.Pairs < leastForLimits {
		g.none(tooFewForLimits)
		return g
	}
	g.Bias = scaled(s.pairs.Bias()).within(interval(s.pairs.BiasInterval()))
	g.SD = scaled(s.pairs.SD())
	limits, err := s.pairs.Limits()
	g.LowerLimit = scaled(limits.Lower, err).within(interval(limits.LowerInterval, err))
	g.UpperLimit = scaled(limits.Upper, err).within(interval(limits.UpperInterval, err))
	g.MeanAbsolute, g.RootMeanSquare = scaled(s.pairs.MeanAbsolute()), scaled(s.pairs.RootMeanSquare())
	line := s.pairs.OnPlan
	if key.predicted() {
		line = s.pairs.OnMean
	}
	slope, err := line()
	g.Slope = figure(slope.Slope, err).within(slope.SlopeInterval, err)
	concordance, err := s.pairs.Concordance()
	g.Concordance = figure(concordance.Value, err)
	if concordance.Interval != nil {
		g.Concordance = g.Concordance.within(*concordance.Interval, nil)
	}
	return g
}

// none says of every figure of differences why it is not told.
func (g *Agreement) none(because string) {
	for _, f := range []*Figure{&g.Bias, &g.SD, &g.LowerLimit, &g.UpperLimit, &g.MeanAbsolute, &g.RootMeanSquare, &g.Slope, &g.Concordance} {
		*f = Figure{Because: because}
	}
}

func coverage(ranged []statistics.Ranged, predicted []statistics.Predicted) *InRange {
	c, err := statistics.Cover(ranged)
	v, _ := c.Inside.Value()
	out := &InRange{ShareFigure: ShareFigure{c.Inside, figure(v, err).within(c.Interval, err)}, Below: c.Below, Above: c.Above, Enough: c.Enough}
	if places, err := statistics.Places(predicted); err == nil {
		out.Tenths, out.P = places.Tenths, units.Some(places.P)
	}
	if n := float64(len(predicted)); n >= leastForLimits {
		var sum, squares float64
		for _, p := range predicted {
			sum += (p.Measured - p.Mean) / p.SD
		}
		mean := sum / n
		for _, p := range predicted {
			d := (p.Measured-p.Mean)/p.SD - mean
			squares += d * d
		}
		out.ZMean, out.ZSD = units.Some(mean), units.Some(math.Sqrt(squares/(n-1)))
	}
	return out
}

// sentence is what the figure says, to be repeated as it stands.
func (g *Agreement) sentence() string {
	switch {
	case g.Kind == discrepancy.KindRingLabel:
		return g.labelSentence()
	case g.Kind == discrepancy.KindAim:
		return words.Sentence(g.what() + " was inside what was aimed at in " + g.InRange.told())
	case g.Pairs == 0 && g.Method == "" && len(g.Left) > 0:
		// What was not measured has no method: those that were stand under theirs.
		n := 0
		for _, l := range g.Left {
			n += l.Count
		}
		return words.Sentence(fmt.Sprintf("%s cannot be compared in %d comparisons that lack a number", g.what(), n))
	case g.Pairs == 0:
		return words.Sentence("no patient has " + g.what() + " both " + g.side() + " and measured")
	case g.Pairs < leastForLimits:
		return fmt.Sprintf("Only %s %s both %s and measured: too few to say how well they agree.", patients(g.Pairs, "has", "have"), g.what(), g.side())
	}
	bias, _ := g.Bias.Value.Get()
	if sd, ok := g.SD.Value.Get(); ok && sd == 0 {
		return fmt.Sprintf("In each of %d patients %s was %s.", g.Pairs, g.what(), g.apart(bias))
	}
	var b strings.Builder
	fmt.Fprintf(&b, "In %d patients %s was on average %s", g.Pairs, g.what(), g.apart(bias))
	if low, ok := g.Bias.Lower.Get(); ok {
		high, _ := g.Bias.Upper.Get()
		fmt.Fprintf(&b, " (95 %% interval %s to %s)", g.number(low), g.number(high))
	}
	low, ok := g.LowerLimit.Value.Get()
	high, ok2 := g.UpperLimit.Value.Get()
	if ok && ok2 {
		fmt.Fprintf(&b, "; 95 %% of the differences are expected between %s and %s", g.number(low), units.Format(high, g.Unit, g.fine()))
		if g.Pairs < wideLimits {
			b.WriteString(", which so few can tell only roughly")
		}
	}
	b.WriteString(".")
	if r := g.InRange; r != nil && r.Of > 0 {
		if !r.Enough {
			fmt.Fprintf(&b, " Of the predicted 95 %% ranges %d of %d held: too few to say.", r.Count, r.Of)
		} else {
			fmt.Fprintf(&b, " The predicted 95 %% range held in %s.", r.told())
		}
	}
	return b.String()
}

// what is compared, where, how and when.
func (g *Agreement) what() string {
	s := named(g.Metric)
	if g.Place != "" {
		s += " " + words.At(words.Place(g.Place))
	}
	if g.Method != "" {
		s += " (" + words.Spaced(g.Method) + ")"
	}
	if g.Stage != "" {
		s += " " + words.When(g.Stage)
	}
	return s
}

func (g *Agreement) side() string {
	side := "planned"
	switch g.Kind {
	case discrepancy.KindPredictionFromPlan:
		side = "predicted from the plan"
	case discrepancy.KindPredictionFromExecution:
		side = "predicted from what was done"
	}
	if g.Calibration != "" {
		side += " under calibration " + g.Calibration
	}
	return side
}

func (g *Agreement) labelSentence() string {
	s := "The ring implanted had a label that was planned in " + g.Exact.of()
	if g.WithinOneSize.Of > 0 {
		s += ", and was at most one size of its family away in " + g.WithinOneSize.of()
	}
	return s + "."
}

// of tells a share as it is said: 18 of 20 (95 % interval 70 to 97 %).
func (f ShareFigure) of() string {
	s := fmt.Sprintf("%d of %d", f.Count, f.Of)
	low, ok := f.Lower.Get()
	high, ok2 := f.Upper.Get()
	if f.Of >= leastForLimits && ok && ok2 {
		s += fmt.Sprintf(" (95 %% interval %s to %s %%)", units.FormatNumber(100*low, 1), units.FormatNumber(100*high, 1))
	}
	return s
}

// told adds on which side the others lie.
func (r *InRange) told() string {
	s := r.of()
	switch {
	case r.Below > 0 && r.Above > 0:
		s += fmt.Sprintf("; %d below it and %d above", r.Below, r.Above)
	case r.Below > 0:
		s += fmt.Sprintf("; %d below it", r.Below)
	case r.Above > 0:
		s += fmt.Sprintf("; %d above it", r.Above)
	}
	return s
}

// fine is one decimal more than the grid: a mean is known better than a reading.
func (g *Agreement) fine() float64 { return g.Grid / 10 }

func (g *Agreement) number(v float64) string { return units.FormatNumber(v, g.fine()) }

func (g *Agreement) apart(bias float64) string {
	switch rounded := units.Round(bias, g.fine()); {
	case rounded > 0:
		return units.Format(bias, g.Unit, g.fine()) + " more than " + g.side()
	case rounded < 0:
		return units.Format(-bias, g.Unit, g.fine()) + " less than " + g.side()
	}
	return "as " + g.side()
}

// named is how a sentence calls a metric, a leaf or another parameter.
func named(id string) string {
	if m, ok := metric.MetricByID(valve.ID(id)); ok {
		return m.Name
	}
	return words.Spaced(id)
}

func patients(n int, one, more string) string { return people(n) + " " + verb(n, one, more) }

func people(n int) string { return fmt.Sprintf("%d %s", n, verb(n, "patient", "patients")) }

func verb(n int, one, more string) string {
	if n == 1 {
		return one
	}
	return more
}
