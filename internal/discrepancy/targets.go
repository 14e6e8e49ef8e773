package discrepancy

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// sameStay is the point of a conversion after the patient had left theatre with
// a repaired valve.
const sameStay = "same_stay"

// replacedInTheatre says whether the valve that left theatre was no repaired one.
func (c *comparison) replacedInTheatre() bool {
	return c.op.Converted() && c.op.Conversion.Point != sameStay
}

// replaced says in a sentence why the result of a repair cannot be judged.
const replaced = "the repair was given up for a replacement, so there is no repaired valve to judge"

// resultsAt gives the results of the last pump run at a stage, newest first. A
// result without a run counts for the last one.
func (c *comparison) resultsAt(stage valve.Stage) []repair.Study {
	var list []repair.Study
	for _, s := range c.in.Case.OfKind(repair.Result) {
		if s.Stage == stage && (s.Run == 0 || s.Run >= c.lastRun) {
			list = append(list, s)
		}
	}
	slices.Reverse(list)
	return list
}

// occasionsAt gives the occasions of a stage at which a value can stand, newest
// first.
func (c *comparison) occasionsAt(stage valve.Stage) []valve.Occasion {
	var list []valve.Occasion
	if stage.Rank() >= valve.OffBypass.Rank() {
		for _, s := range c.resultsAt(stage) {
			list = append(list, s.Occasion)
		}
		return list
	}
	for _, f := range c.fieldSets(stage, stage, c.lastRun) {
		list = append(list, f.Occasion)
	}
	return list
}

// fieldSets gives the sets of heights taken in the field between two stages, from
// a pump run on, newest first.
func (c *comparison) fieldSets(from, to valve.Stage, run int) []repair.FieldSet {
	var list []repair.FieldSet
	for _, f := range c.op.FieldSets {
		if f.Stage.Rank() >= from.Rank() && f.Stage.Rank() <= to.Rank() && max(f.Run, 1) >= run {
			list = append(list, f)
		}
	}
	slices.SortStableFunc(list, func(a, b repair.FieldSet) int {
		return cmp.Or(cmp.Compare(b.Run, a.Run), cmp.Compare(b.Stage.Rank(), a.Stage.Rank()), b.Time.Compare(a.Time))
	})
	return list
}

// targets compares the results with the plan's own aims, each at its stage and by
// its method: a value of another stage never stands in.
func (c *comparison) targets() {
	for i, t := range c.plan.Targets {
		stage := cmp.Or(t.Stage, valve.LeavingTheatre)
		e := entry{planned: i + 1, Discrepancy: Discrepancy{
			Class: TargetMissed, Verdict: Present, Metric: string(t.Leaf), Place: t.Place, Stage: stage,
		}}
		c.byPlan(&e.Discrepancy, ByTarget)
		if t.Leaf == "" {
			e.Metric = mitralGrade
			c.gradeTarget(e, t, stage)
			continue
		}
		c.rangeTarget(e, t, stage)
	}
}

func aim(t repair.Target) string {
	low, hasLow := t.Low.Get()
	high, hasHigh := t.High.Get()
	text := func(v float64) string { return amount(t.Leaf, v) }
	switch {
	case hasLow && hasHigh:
		return span(low, high, text)
	case hasLow:
		return "at least " + text(low)
	}
	return "at most " + text(high)
}

func (c *comparison) rangeTarget(e entry, t repair.Target, stage valve.Stage) {
	low, hasLow := t.Low.Get()
	high, hasHigh := t.High.Get()
	if !hasLow && !hasHigh {
		return
	}
	e.ID = id(TargetMissed, t.ID, string(t.Leaf), string(t.Place), string(stage))
	e.Planned = aim(t)
	what := words(t.Leaf)
	if t.Place != valve.Nowhere {
		what += " at " + placeWords(t.Place)
	}
	at := words(string(stage))
	if c.replacedInTheatre() {
		e.Verdict = NotJudged
		e.Message = fmt.Sprintf("%s at %s: aim %s; %s", capital(what), at, e.Planned, replaced)
		c.add(e)
		return
	}
	key, method, gap := c.find(t, stage)
	v, unread := c.read(key)
	if gap == "" {
		gap = unread
	}
	if gap != "" {
		e.Verdict = NotJudged
		e.Missing = []string{gap}
		e.Message = fmt.Sprintf("%s at %s: aim %s; there is no value to judge", capital(what), at, e.Planned)
		if t.Method != "" {
			e.Message += " by " + words(string(t.Method))
		}
		c.add(e)
		return
	}
	e.Occasion, e.Method, e.Run = key.Occasion, method, c.measured[key].Run
	if !hasLow {
		low = min(v, high)
	}
	if !hasHigh {
		high = max(v, low)
	}
	miss, end := beyond(v, low, high)
	if !exceeds(max(miss, -miss), 0) {
		return
	}
	tolerance := c.tolerance(t.Leaf)
	margin := tolerance.Margin(end)
	numbers(&e.Discrepancy, t.Leaf, end, v, margin)
	if !exceeds(max(miss, -miss), margin) {
		e.Verdict = Indeterminate
	}
	e.Message = fmt.Sprintf("%s at %s: %s, aim %s%s", capital(what), at, e.Actual, e.Planned, doubt(e.Verdict))
	if t.Method != "" && method == "" {
		e.Message += fmt.Sprintf("; the method is not stated, the aim is by %s", words(string(t.Method)))
	}
	c.add(e)
}

// find gives the newest value of a target's leaf at its stage and by its method;
// a value without a method is taken.
func (c *comparison) find(t repair.Target, stage valve.Stage) (k valve.Key, method valve.Method, gap string) {
	for _, o := range c.occasionsAt(stage) {
		k = valve.Key{ID: t.Leaf, Place: t.Place, Occasion: o, Role: valve.Measured}
		method = c.measured[k].Context.Method
		if c.known(k) && (t.Method == "" || method == "" || method == t.Method) {
			return k, method, ""
		}
	}
	gap = string(t.Leaf)
	if t.Place != valve.Nowhere {
		gap += " at " + string(t.Place)
	}
	gap += " of " + string(stage)
	if t.Method != "" {
		gap += " by " + string(t.Method)
	}
	return valve.Key{}, "", gap
}

// gradeTarget compares grades, inside one scheme only.
func (c *comparison) gradeTarget(e entry, t repair.Target, stage valve.Stage) {
	if !t.Grade.Known() {
		return
	}
	e.ID = id(TargetMissed, t.ID, mitralGrade, string(stage))
	e.Planned = "at most " + t.Grade.String()
	subject := "Regurgitation at " + words(string(stage))
	if c.replacedInTheatre() {
		e.Verdict = NotJudged
		e.Message = fmt.Sprintf("%s: aim %s; %s", subject, e.Planned, replaced)
		c.add(e)
		return
	}
	s := c.gradedResult(stage)
	if s == nil {
		e.Verdict = NotJudged
		e.Missing = []string{mitralGrade + " of " + string(stage)}
		e.Message = fmt.Sprintf("%s: aim %s; no grade is recorded", subject, e.Planned)
		c.add(e)
		return
	}
	e.Occasion, e.Run, e.Actual = s.Occasion, s.Run, s.Grade.String()
	verdict, steps := c.worse(t.Grade, s.Grade)
	switch verdict {
	case "":
		return
	case NotJudged:
		e.Missing = []string{mitralGrade + " in the scheme of the aim"}
		e.Message = fmt.Sprintf("%s: %s, aim %s, in another scheme of grades", subject, e.Actual, e.Planned)
	default:
		e.Difference, e.Tolerance = units.Some(float64(steps)), units.Some(c.gradeTolerance())
		e.Message = fmt.Sprintf("%s: %s, aim %s%s", subject, e.Actual, e.Planned, doubt(verdict))
	}
	e.Verdict = verdict
	c.add(e)
}

// mitralGrade is the name under which a grade of mitral regurgitation is compared.
const mitralGrade = "regurgitation_grade"

func (c *comparison) gradeTolerance() float64 {
	return c.in.Settings.Tolerances[settings.RegurgitationGrades].Absolute
}

// worse compares a grade with the one it should not exceed. A step within the
// tolerance for grades is indeterminate, unless it leads from mild or less to
// moderate or more.
func (c *comparison) worse(limit, actual repair.Grade) (v Verdict, steps int) {
	steps, oneScheme := actual.Difference(limit)
	if !oneScheme {
		return NotJudged, 0
	}
	limitSide, _ := limit.ModerateOrMore()
	actualSide, _ := actual.ModerateOrMore()
	switch {
	case steps <= 0:
		return "", steps
	case actualSide != limitSide, exceeds(float64(steps), c.gradeTolerance()):
		return Present, steps
	}
	return Indeterminate, steps
}

// gradedResult gives the newest result at a stage that has a grade, or nil.
func (c *comparison) gradedResult(stage valve.Stage) *repair.Study {
	for _, s := range c.resultsAt(stage) {
		if s.Grade.Known() {
			return &s
		}
	}
	return nil
}

const (
	coaptation       = valve.CoaptationLength
	predictedContact = metric.IDPredictedContact
)

// prediction compares the overlap seen on leaving theatre with the interval of
// the stored prediction. The interval is one for an observation, so nothing is
// added to it.
func (c *comparison) prediction() {
	place := valve.AtSlice(valve.A2P2)
	e := entry{Discrepancy: Discrepancy{
		ID: id(OutsideInterval, string(coaptation), string(place), string(valve.LeavingTheatre)), Class: OutsideInterval, Verdict: NotJudged,
		Metric: string(coaptation), Place: place, Stage: valve.LeavingTheatre, JudgedBy: ByPredictionInterval,
	}}
	const subject = "Coaptation length at A2-P2 at leaving theatre"
	p := c.stored(place)
	if p == nil {
		e.Missing = []string{predictedContact + " at " + string(place) + " stored before the operation"}
		e.Message = subject + " is not compared: no prediction is stored for the plan"
		c.add(e)
		return
	}
	if c.in.Prediction.Evaluation > 0 {
		e.JudgedByVersion = strconv.FormatInt(c.in.Prediction.Evaluation, 10)
	}
	if p.State == metric.NotApplicable {
		return
	}
	low, hasLow := p.Lower.Get()
	high, hasHigh := p.Upper.Get()
	if p.State != metric.HasValue || !hasLow || !hasHigh {
		e.Missing = slices.Clone(p.Missing)
		if len(e.Missing) == 0 {
			e.Missing = []string{"interval of " + predictedContact}
		}
		e.Message = subject + " is not compared: the stored prediction has no interval"
		c.add(e)
		return
	}
	e.Planned = span(low, high, func(v float64) string { return amount(coaptation, v) })
	if c.heldLine() {
		e.Missing = []string{"overlap predicted from the plan"}
		e.Message = fmt.Sprintf("%s is not compared: artificial chords hold the closure line, so that the predicted mean contact of %s is not the overlap that echo sees",
			subject, e.Planned)
		c.add(e)
		return
	}
	if c.replacedInTheatre() {
		e.Message = fmt.Sprintf("%s, predicted %s: %s", subject, e.Planned, replaced)
		c.add(e)
		return
	}
	key, method, gap := c.find(repair.Target{Leaf: coaptation, Place: place}, valve.LeavingTheatre)
	v, unread := c.read(key)
	if gap = cmp.Or(gap, unread); gap == "" && !slices.Contains([]valve.Method{"", valve.Echo2D, valve.Echo3D}, method) {
		gap = key.String() + " by echo"
	}
	if gap != "" {
		e.Missing = []string{gap}
		e.Message = fmt.Sprintf("%s, predicted %s: there is no value by echo to judge", subject, e.Planned)
		c.add(e)
		return
	}
	miss, end := beyond(v, low, high)
	if !exceeds(max(miss, -miss), 0) {
		return
	}
	e.Verdict = Present
	e.Occasion, e.Method, e.Run = key.Occasion, method, c.measured[key].Run
	numbers(&e.Discrepancy, coaptation, end, v, 0)
	e.Message = fmt.Sprintf("%s: %s, outside the predicted %s", subject, e.Actual, e.Planned)
	c.add(e)
}

// heldLine says whether the plan holds the closure line by artificial chords, or
// may do so, whatever is found in theatre.
func (c *comparison) heldLine() bool {
	return slices.ContainsFunc(c.plan.Steps, func(s repair.Step) bool {
		return s.MayHoldLine(valve.A2P2) && s.Condition == "" && s.AlternativeOf == ""
	})
}

// stored gives the stored prediction for the plan, or nil.
func (c *comparison) stored(place valve.Place) *metric.Value {
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

const leafletHeight = valve.LeafletHeight

// plannedHeights compares the heights aimed at with the final ones: taken in the
// field after the last leaflet work, or else by echo on leaving theatre.
func (c *comparison) plannedHeights() {
	for _, k := range c.heights {
		planned, missingPlan := c.read(k)
		if missingPlan != "" && !c.disputed(k) {
			continue
		}
		e := entry{Discrepancy: Discrepancy{
			ID: id(OutsideSiteTolerance, string(leafletHeight), string(k.Place)), Class: OutsideSiteTolerance, Verdict: NotJudged,
			Metric: string(leafletHeight), Place: k.Place, JudgedBy: BySiteTolerance, JudgedByVersion: c.in.Settings.PolicyHash,
		}}
		subject := "Final leaflet height at " + placeWords(k.Place)
		if missingPlan == "" {
			e.Planned, e.PlannedValue = amount(leafletHeight, planned), units.Some(planned)
		}
		if c.replacedInTheatre() && missingPlan == "" {
			e.Message = fmt.Sprintf("%s, planned %s: %s", subject, e.Planned, replaced)
			c.add(e)
			continue
		}
		final := c.finalHeight(k.Place)
		actual, missingActual := c.read(final)
		if final.ID == "" {
			missingActual = string(leafletHeight) + " at " + string(k.Place) + " after the leaflet work"
		}
		if missingPlan != "" || missingActual != "" {
			e.Missing = missing(missingPlan, missingActual)
			e.Message = subject + " cannot be compared with the plan"
			c.add(e)
			continue
		}
		tolerance := c.tolerance(leafletHeight)
		verdict := judge(actual-planned, tolerance, planned)
		if verdict == "" {
			continue
		}
		m := c.measured[final]
		e.Verdict, e.Occasion, e.Method, e.Run, e.Stage = verdict, final.Occasion, m.Context.Method, m.Run, m.Stage
		numbers(&e.Discrepancy, leafletHeight, planned, actual, tolerance.Margin(planned))
		e.Message = fmt.Sprintf("%s: %s, planned %s%s", subject, e.Actual, e.Planned, doubt(verdict))
		c.add(e)
	}
}

// finalHeight gives the key of the height at the end, the zero key if there is
// none.
func (c *comparison) finalHeight(p valve.Place) valve.Key {
	var occasions []valve.Occasion
	for _, f := range c.fieldSets(valve.AfterLeafletWork, valve.AfterRing, c.lastLeafletRun()) {
		occasions = append(occasions, f.Occasion)
	}
	occasions = append(occasions, c.occasionsAt(valve.LeavingTheatre)...)
	for _, o := range occasions {
		if k := (valve.Key{ID: leafletHeight, Place: p, Occasion: o, Role: valve.Measured}); c.known(k) {
			return k
		}
	}
	return valve.Key{}
}

// lastLeafletRun gives the last pump run in which a leaflet was worked on: what
// was measured before it is no final height. Where the steps are not stated to be
// complete it is the last run.
func (c *comparison) lastLeafletRun() int {
	if c.op.StepsRecorded != valve.Complete {
		return max(c.lastRun, 1)
	}
	run := 1
	for _, s := range c.steps {
		if s.Technique != repair.Annuloplasty {
			run = max(run, s.Run, s.TakenDownInRun)
		}
	}
	return run
}
