package discrepancy

import (
	"cmp"
	"fmt"
	"slices"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// sameStay is the point of a conversion after the patient had left theatre with
// a repaired valve.
const sameStay = "same_stay"

// replacedInTheatre says whether the valve that left theatre was no repaired one.
func (c *comparing) replacedInTheatre() bool {
	return c.op.Converted() && c.op.Conversion.Point != sameStay
}

// replaced says in a sentence why the result of a repair cannot be judged.
const replaced = "the repair was given up for a replacement, so there is no repaired valve to judge"

// resultsAt gives the results of the last pump run at a stage, newest first. A
// result without a run counts for the last one.
func (c *comparing) resultsAt(stage valve.Stage) []repair.Study {
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
func (c *comparing) occasionsAt(stage valve.Stage) []valve.Occasion {
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
func (c *comparing) fieldSets(from, to valve.Stage, run int) []repair.FieldSet {
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
func (c *comparing) targets() {
	for i, t := range c.plan.Targets {
		stage := cmp.Or(t.Stage, valve.LeavingTheatre)
		e := entry{planned: i + 1, Comparison: Comparison{
			Kind: KindAim, Class: TargetMissed, Verdict: Present, Thing: "aim:" + t.ID, TargetID: t.ID, Metric: string(t.Leaf), Place: t.Place, Stage: stage,
		}}
		c.byPlan(&e.Comparison, ByTarget)
		if t.Leaf == "" {
			e.Kind, e.Metric = KindGradeAim, mitralGrade
		}
		e.ID = key(e.Kind, t.ID, e.Metric, e.Place, string(stage))
		e.DiscrepancyID = id(TargetMissed, t.ID, e.Metric, string(e.Place), string(stage))
		if t.Leaf == "" {
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

func (c *comparing) rangeTarget(e entry, t repair.Target, stage valve.Stage) {
	if t.Low.IsNone() && t.High.IsNone() {
		return
	}
	e.Planned = aim(t)
	what := words.Spaced(t.Leaf)
	if t.Place != valve.Nowhere {
		what += " at " + placeWords(t.Place)
	}
	at := when(stage)
	if c.replacedInTheatre() {
		e.notApplicable(replaced)
		e.Message = fmt.Sprintf("%s %s: aim %s; %s", words.Capital(what), at, e.Planned, replaced)
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
		e.Message = fmt.Sprintf("%s %s: aim %s; there is no value to judge", words.Capital(what), at, e.Planned)
		if t.Method != "" {
			e.Message += " by " + words.Spaced(string(t.Method))
		}
		c.add(e)
		return
	}
	e.Occasion, e.Method, e.Run = key.Occasion, method, c.measured[key].Run
	end, _, beyond := Comparison{ActualValue: units.Some(v), Lower: t.Low, Upper: t.High}.Passed()
	if !beyond {
		end = v
	}
	// A tolerance around an aim is no part of the aim: it only says what the
	// measurement can tell.
	tolerance := c.tolerance(t.Leaf).At(c.sd(key))
	withinRange(&e.Comparison, t.Leaf, t.Low, t.High, v, tolerance.Margin(end))
	e.ActualSD, e.Owner = c.sd(key), tolerance.Owner
	e.Message = fmt.Sprintf("%s %s: %s, aim %s%s", words.Capital(what), at, e.Actual, e.Planned, doubt(e.Verdict))
	if t.Method != "" && method == "" {
		e.Message += fmt.Sprintf("; the method is not stated, the aim is by %s", words.Spaced(string(t.Method)))
	}
	c.add(e)
}

// find gives the newest value of a target's leaf at its stage and by its method;
// a value without a method is taken.
func (c *comparing) find(t repair.Target, stage valve.Stage) (k valve.Key, method valve.Method, gap string) {
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
func (c *comparing) gradeTarget(e entry, t repair.Target, stage valve.Stage) {
	if !t.Grade.Known() {
		return
	}
	e.Planned = "at most " + t.Grade.String()
	subject := "Regurgitation " + when(stage)
	if c.replacedInTheatre() {
		e.notApplicable(replaced)
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
	left, byMotion := c.residual(s, true)
	e.Occasion, e.Run, e.Actual = s.Occasion, s.Run, left.String()
	by := c.worse(t.Grade, left)
	e.compareGrades(by)
	e.Message = fmt.Sprintf("%s: %s%s, aim %s%s", subject, e.Actual, withMotion(byMotion), e.Planned, doubt(by.verdict))
	if by.verdict == NotJudged {
		e.Missing = []string{mitralGrade + " in the scheme of the aim"}
		e.Message = fmt.Sprintf("%s: %s, aim %s, in another scheme of grades", subject, e.Actual, e.Planned)
	}
	c.add(e)
}

// mitralGrade is the name under which a grade of mitral regurgitation is compared.
const mitralGrade = "regurgitation_grade"

func (c *comparing) gradeTolerance() float64 {
	return c.in.Settings.Tolerances[settings.RegurgitationGrades].Absolute
}

// graded is one grade held against another: how many steps it is above, and how
// many may be error.
type graded struct {
	verdict Verdict
	steps   int
	margin  float64
}

// worse compares a grade with the one it should not exceed. A step within the
// tolerance for grades is indeterminate, unless it leads from mild or less to
// moderate or more: that is never taken for error.
func (c *comparing) worse(limit, actual repair.Grade) graded {
	steps, oneScheme := actual.Difference(limit)
	if !oneScheme {
		return graded{verdict: NotJudged}
	}
	g := graded{steps: steps, margin: c.gradeTolerance()}
	limitSide, _ := limit.ModerateOrMore()
	if actualSide, _ := actual.ModerateOrMore(); actualSide != limitSide {
		g.margin = 0
	}
	g.verdict = judge(max(float64(steps), 0), 0, g.margin)
	return g
}

// compareGrades fills in a comparison of grades.
func (e *entry) compareGrades(g graded) {
	e.Verdict = g.verdict
	if g.verdict != NotJudged {
		e.Difference, e.Margin = units.Some(float64(g.steps)), units.Some(g.margin)
	}
}

// gradedResult gives the newest result at a stage that has a grade, be it that while
// anterior motion is present, or nil.
func (c *comparing) gradedResult(stage valve.Stage) *repair.Study {
	for _, s := range c.resultsAt(stage) {
		if left, _ := c.residual(&s, true); left.Known() {
			return &s
		}
	}
	return nil
}

const leafletHeight = valve.LeafletHeight

// plannedHeights compares the heights aimed at with the final ones: taken in the
// field after the last leaflet work, or else by echo on leaving theatre.
func (c *comparing) plannedHeights() {
	for _, k := range c.heights {
		planned, missingPlan := c.read(k)
		if missingPlan != "" && !c.disputed(k) {
			continue
		}
		e := entry{Comparison: Comparison{
			ID: key(KindHeight, "", string(leafletHeight), k.Place, string(valve.LeavingTheatre)), Kind: KindHeight, Thing: "height:" + string(k.Place),
			DiscrepancyID: id(OutsideSiteTolerance, string(leafletHeight), string(k.Place)), Class: OutsideSiteTolerance, Verdict: NotJudged,
			Metric: string(leafletHeight), Place: k.Place, JudgedBy: BySiteTolerance, JudgedByVersion: c.in.Settings.PolicyHash,
		}}
		subject := "Final leaflet height at " + placeWords(k.Place)
		if missingPlan == "" {
			e.Planned, e.PlannedValue = amount(leafletHeight, planned), units.Some(planned)
		}
		if c.replacedInTheatre() && missingPlan == "" {
			e.notApplicable(replaced)
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
		m := c.measured[final]
		e.Occasion, e.Method, e.Run, e.Stage = final.Occasion, m.Context.Method, m.Run, m.Stage
		numbers(&e.Comparison, leafletHeight, planned, actual, tolerance.Of(planned), tolerance.Margin(planned))
		e.ActualSD, e.Owner = c.sd(final), tolerance.Owner
		e.Message = fmt.Sprintf("%s: %s, planned %s%s", subject, e.Actual, e.Planned, c.outcome(&e.Comparison))
		c.add(e)
	}
}

// finalHeight gives the key of the height at the end, the zero key if there is
// none.
func (c *comparing) finalHeight(p valve.Place) valve.Key {
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
func (c *comparing) lastLeafletRun() int {
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
