package discrepancy

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// conditionNotMet is the recorded reason that tells that the condition of a
// planned step was not met.
const conditionNotMet = "condition_not_met"

// planInForce speaks of the plan itself and settles whether anything is compared
// with one.
func (c *comparison) planInForce() {
	f := c.in.InForce
	switch f.Timing {
	case repair.Prospective, repair.LateArrival:
		c.plan = c.revision.Plan
	case repair.Retrospective, repair.Unsigned:
		c.plan = c.revision.Plan
		c.add(entry{Discrepancy: Discrepancy{
			ID: id(NoPlanInForce), Class: NoPlanInForce, Verdict: Present, Occasion: valve.AtPlan,
			Message: capital(f.Explanation) + "; what differs from the last plan revision stands beneath",
			Planned: "a plan signed before incision", Actual: f.Explanation,
		}})
	case repair.NoIncisionTime:
		c.add(entry{Discrepancy: Discrepancy{
			ID: id(NotEvaluable, string(valve.AtPlan)), Class: NotEvaluable, Verdict: NotJudged, Occasion: valve.AtPlan,
			Message: capital(f.Explanation) + "; nothing is compared with a plan",
			Missing: []string{"incision_time of operation"},
		}})
	default:
		c.add(entry{Discrepancy: Discrepancy{
			ID: id(NoPlanInForce), Class: NoPlanInForce, Verdict: Present, Occasion: valve.AtPlan,
			Message: "No plan was received; nothing is compared with a plan",
			Planned: "a plan signed before incision", Actual: "no plan was received",
		}})
	}
}

// againstPlan compares everything that a plan holds.
func (c *comparison) againstPlan() {
	m := c.match()
	c.omitted(m)
	c.addedSteps(m)
	c.answered(m)
	c.targets()
	c.prediction()
	c.plannedHeights()
}

// omitted speaks of planned steps that are not in place.
func (c *comparison) omitted(m matching) {
	for i := range c.plan.Steps {
		if m.settled[i] || c.group(i) != i {
			continue
		}
		planned := &c.plan.Steps[i]
		reason, notMet := c.linkedReason(planned.ID)
		if notMet {
			continue
		}
		e := entry{planned: i + 1, Discrepancy: Discrepancy{
			ID: id(StepOmitted, planned.ID), Class: StepOmitted, Verdict: Present,
			PlannedStepID: planned.ID, Place: onlyPlace(planned), Occasion: valve.AtOperation,
			Planned: describe(planned), Actual: "not performed", Reason: reason,
		}}
		if s, ok := c.triedFor(m, i); ok {
			e.performed, e.PerformedStepID, e.Run = s.order, s.ID, s.Run
			e.Reason = s.Reason
			e.takenDownIn = s.TakenDownInRun
			e.Actual = "tried and taken down"
			if end := c.end(s); end.ID != s.ID && !c.tried(end) {
				e.Actual = "performed, then revised into " + describe(end.Step)
				e.takenDownIn = end.Run
			}
		}
		e.Message = fmt.Sprintf("Planned %s: %s%s", e.Planned, e.Actual, because(e.Reason))
		switch {
		case c.op.StepsRecorded != valve.Complete:
			e.Verdict = NotJudged
			e.Missing = []string{"steps_recorded of operation"}
			e.Message = fmt.Sprintf("Planned %s: not among the steps recorded, which are not stated to be complete", e.Planned)
			if e.PerformedStepID == "" {
				e.Actual = ""
			} else {
				e.Message = fmt.Sprintf("Planned %s: %s; the steps recorded are not stated to be complete", e.Planned, e.Actual)
			}
		case planned.Condition != "" && e.PerformedStepID == "":
			e.Verdict = NotJudged
			e.Missing = []string{"whether the condition was met"}
			e.Message = fmt.Sprintf("Planned %s on condition of %s: not performed, and whether the condition was met is not recorded",
				e.Planned, words(planned.Condition))
		}
		c.byPlan(&e.Discrepancy, ByPlan)
		c.add(e)
		if planned.Technique == repair.Annuloplasty {
			c.noRing(e, planned)
		}
	}
}

// noRing says under an omitted ring that there is none of the kind planned.
func (c *comparison) noRing(under entry, planned *repair.Step) {
	if under.Verdict != Present || planned.Ring == nil || planned.Ring.Kind == "" {
		return
	}
	e := under
	e.ID, e.Class, e.Metric = id(RingKind, planned.ID), RingKind, "ring_kind"
	e.Actual = "none in place"
	e.Message = fmt.Sprintf("Planned %s: none is in place", e.Planned)
	e.Parent = under.ID
	c.add(e)
}

// triedFor gives the step that was tried for a planned step or, failing that, for
// one of its alternatives.
func (c *comparison) triedFor(m matching, planned int) (performedStep, bool) {
	if s, ok := m.notKept[planned]; ok {
		return s, true
	}
	for i := range c.plan.Steps {
		if s, ok := m.notKept[i]; ok && c.group(i) == planned {
			return s, true
		}
	}
	return performedStep{}, false
}

// linkedReason gives the reason of a performed step that is linked to a planned
// one, and whether it says that the planned step's condition was not met.
func (c *comparison) linkedReason(plannedID string) (reason string, notMet bool) {
	for _, s := range c.steps {
		if s.PlannedStepID != plannedID || s.Reason == "" {
			continue
		}
		if s.Reason == conditionNotMet {
			return s.Reason, true
		}
		if reason == "" {
			reason = s.Reason
		}
	}
	return reason, false
}

// addedSteps speaks of steps done that nobody planned.
func (c *comparison) addedSteps(m matching) {
	for _, s := range m.added {
		e := c.stepEntry(StepAdded, nil, s)
		e.ID = id(StepAdded, s.ID)
		e.Place = onlyPlace(s.Step)
		e.Planned, e.Actual = "not planned", describe(s.Step)
		e.Message = fmt.Sprintf("%s was performed and is not in the plan%s", capital(e.Actual), because(s.Reason))
		if c.plan.StepsRecorded != valve.Complete {
			e.Verdict = NotJudged
			e.Planned = ""
			e.Missing = []string{"steps_recorded of plan"}
			e.Message = fmt.Sprintf("%s was performed and is not among the planned steps, which are not stated to be complete", capital(e.Actual))
		}
		c.add(e)
	}
}

// answered speaks of planned steps done elsewhere or otherwise, and of their
// dimensions.
func (c *comparison) answered(m matching) {
	for n, a := range m.answers {
		planned := &c.plan.Steps[a.planned]
		switch a.as {
		case relocated:
			e := c.pairEntry(StepRelocated, a)
			e.Place = onlyPlace(a.step.Step)
			distance := segmentDistance(locations(planned), locations(a.step.Step))
			e.Unit, e.Difference = units.One, units.Some(distance)
			e.Metric = "distance_in_segments"
			e.Message = fmt.Sprintf("%s was performed at %s instead of %s%s",
				capital(words(string(planned.Technique))), where(locations(a.step.Step)), where(locations(planned)), because(a.step.Reason))
			c.add(e)
		case substituted:
			e := c.pairEntry(StepSubstituted, a)
			e.Place = onlyPlace(planned)
			e.Message = fmt.Sprintf("%s was performed in place of the planned %s%s", capital(e.Actual), e.Planned, because(a.step.Reason))
			if s, ok := m.notKept[a.planned]; ok && s.ID != a.step.ID {
				e.Reason = cmp.Or(s.Reason, a.step.Reason)
				e.Message = fmt.Sprintf("%s is in place of the planned %s, which was performed and not kept%s",
					capital(e.Actual), e.Planned, because(e.Reason))
			}
			c.add(e)
		case same:
			if placeUnknown(planned, a.step.Step) {
				e := c.pairEntry(StepRelocated, a)
				e.Verdict = NotJudged
				e.Missing = []string{"place of " + describe(planned)}
				e.Message = fmt.Sprintf("Planned %s: performed, but the place is not recorded on both sides", describe(planned))
				c.add(e)
			}
		}
		if a.as == substituted {
			continue
		}
		c.dimensions(a)
		if n == 0 || m.answers[n-1].planned != a.planned {
			c.counts(a, m)
		}
		c.words(a)
		c.ring(a)
	}
}

// onlyPlace gives the place of a step that has exactly one.
func onlyPlace(s *repair.Step) valve.Place {
	if s.Technique == repair.EdgeToEdge && s.Slice != "" {
		return valve.AtSlice(s.Slice)
	}
	if at := locations(s); len(at) == 1 {
		return at[0]
	}
	return valve.Nowhere
}

// stepEntry begins an entry about a performed step, judged by the plan.
func (c *comparison) stepEntry(class Class, planned *int, s performedStep) entry {
	e := entry{performed: s.order, Discrepancy: Discrepancy{
		Class: class, Verdict: Present, PerformedStepID: s.ID, Occasion: valve.AtOperation, Run: s.Run, Reason: s.Reason,
	}}
	if planned != nil {
		e.planned = *planned + 1
		e.PlannedStepID = c.plan.Steps[*planned].ID
	}
	c.byPlan(&e.Discrepancy, ByPlan)
	return e
}

// pairEntry begins an entry about a planned step and what answers it.
func (c *comparison) pairEntry(class Class, a answer, parts ...string) entry {
	planned := &c.plan.Steps[a.planned]
	e := c.stepEntry(class, &a.planned, a.step)
	e.ID = id(class, append([]string{planned.ID, a.step.ID}, parts...)...)
	e.Planned, e.Actual = describe(planned), describe(a.step.Step)
	return e
}

// performedKey gives the key of the performed value that answers a planned one.
func performedKey(planned valve.Key, stepID string) valve.Key {
	return valve.Key{ID: planned.ID, Place: stepPlace(stepID, planned.Place), Occasion: valve.AtOperation, Role: valve.Measured}
}

// stepPlace gives the place at one step that corresponds to a place at another:
// the step itself or one side of it.
func stepPlace(stepID string, like valve.Place) valve.Place {
	place := valve.AtStep(stepID)
	if rest := withoutStep(like); rest != "" {
		place += "/" + valve.Place(rest)
	}
	return place
}

// plannedValues gives the keys of a planned step's values.
func (c *comparison) plannedValues(stepID string) []valve.Key {
	var list []valve.Key
	for _, k := range c.ofStep[stepOccasion{stepID, valve.AtPlan}] {
		if k.Role == valve.Planned && c.known(k) {
			list = append(list, k)
		}
	}
	return list
}

// dimensions compares every planned quantity of a step with what was measured.
func (c *comparison) dimensions(a answer) {
	planned := &c.plan.Steps[a.planned]
	for _, k := range c.plannedValues(planned.ID) {
		actualKey := performedKey(k, a.step.ID)
		e := c.pairEntry(StepParameter, a, string(k.ID), withoutStep(k.Place))
		e.Metric, e.Place = string(k.ID), actualKey.Place
		e.Method = c.measured[actualKey].Context.Method
		what := words(k.ID) + side(k.Place)
		p, missingPlan := c.read(k)
		v, missingActual := c.read(actualKey)
		if missingPlan != "" || missingActual != "" {
			e.Verdict, e.Planned, e.Actual = NotJudged, "", ""
			if missingPlan == "" {
				e.Planned, e.PlannedValue = amount(k.ID, p), units.Some(p)
			}
			e.Missing = missing(missingPlan, missingActual)
			e.Message = fmt.Sprintf("%s of the %s cannot be compared with the plan", capital(what), describe(a.step.Step))
			c.add(e)
			continue
		}
		tolerance := c.tolerance(k.ID)
		verdict := judge(v-p, tolerance, p)
		if verdict == "" {
			continue
		}
		e.Verdict = verdict
		numbers(&e.Discrepancy, k.ID, p, v, tolerance.Margin(p))
		e.Planned = amount(k.ID, p)
		e.Message = fmt.Sprintf("%s of the %s: %s, planned %s%s%s", capital(what), describe(a.step.Step), e.Actual, e.Planned,
			doubt(verdict), because(e.Reason))
		c.add(e)
	}
}

func side(p valve.Place) string {
	if rest := withoutStep(p); rest != "" {
		return " of the " + words(rest)
	}
	return ""
}

func doubt(v Verdict) string {
	if v == Indeterminate {
		return ", a difference that the measurement cannot tell from none"
	}
	return ""
}

func missing(list ...string) []string {
	return slices.DeleteFunc(list, func(s string) bool { return s == "" })
}

// count is one counted parameter of a step.
type count struct {
	name  string
	side  string
	value units.Maybe[int]
}

// The counts of artificial chords.
const (
	pairCount   = "pair_count"
	strandCount = "strand_count"
)

// counts gives the counted parameters of a step.
func counts(s *repair.Step) []count {
	var list []count
	if s.Chords != nil {
		list = append(list, count{pairCount, "", s.Chords.PairCount}, count{strandCount, "", s.Chords.StrandCount})
	}
	if s.Technique == repair.ChordTransfer {
		list = append(list, count{"chord_count", "", s.ChordCount})
	}
	if s.Ring != nil {
		list = append(list,
			count{"suture_count", "", s.Ring.SutureCount},
			count{"anterior_suture_count", "", s.Ring.AnteriorSutureCount},
			count{"compression_suture_count", "", s.Ring.CompressionSutureCount})
	}
	if s.Sliding != nil {
		list = append(list,
			count{"compression_suture_count", string(valve.AtSide(valve.Lateral)), s.Sliding.LateralCompressionSutures},
			count{"compression_suture_count", string(valve.AtSide(valve.Medial)), s.Sliding.MedialCompressionSutures})
	}
	return list
}

func countOf(s *repair.Step, like count) units.Maybe[int] {
	for _, n := range counts(s) {
		if n.name == like.name && n.side == like.side {
			return n.value
		}
	}
	return units.None[int]()
}

// counts compares the counted parameters; where several steps answer one planned
// step, their sum. A count has no tolerance.
func (c *comparison) counts(a answer, m matching) {
	planned := &c.plan.Steps[a.planned]
	for _, n := range counts(planned) {
		want, ok := n.value.Get()
		if !ok {
			continue
		}
		sum, all := 0, true
		for _, other := range m.answers {
			if other.planned == a.planned && other.as != substituted {
				got, ok := countOf(other.step.Step, n).Get()
				sum, all = sum+got, all && ok
			}
		}
		e := c.pairEntry(StepParameter, a, n.name, n.side)
		e.Metric, e.Unit = n.name, units.One
		e.Place = valve.AtStep(a.step.ID)
		what := words(n.name)
		if n.side != "" {
			e.Place += "/" + valve.Place(n.side)
			what += " of the " + words(n.side)
		}
		e.Planned, e.PlannedValue = number(float64(want)), units.Some(float64(want))
		switch {
		case !all:
			e.Verdict, e.Actual = NotJudged, ""
			e.Missing = []string{n.name + " at " + string(e.Place) + " of operation"}
			e.Message = fmt.Sprintf("%s of the %s cannot be compared with the plan", capital(what), describe(a.step.Step))
		case sum == want:
			continue
		default:
			e.Actual, e.ActualValue = number(float64(sum)), units.Some(float64(sum))
			e.Difference, e.Tolerance = units.Some(float64(sum-want)), units.Some(0.0)
			e.Message = fmt.Sprintf("%s of the %s: %s, planned %s%s", capital(what), describe(a.step.Step), e.Actual, e.Planned, because(e.Reason))
		}
		c.add(e)
	}
}

// word is one parameter of a step that is a word.
type word struct {
	name            string
	planned, actual string
}

// words compares the parameters that are words: shape, form, what was kept.
func (c *comparison) words(a answer) {
	planned, done := &c.plan.Steps[a.planned], a.step.Step
	var list []word
	switch planned.Technique {
	case repair.HeightReduction:
		list = append(list, word{"form", planned.Form, done.Form})
	case repair.CleftClosure:
		list = append(list, word{"chords_kept", string(planned.ChordsKept), string(done.ChordsKept)})
	case repair.LeafletResection:
		p, d := resection(planned), resection(done)
		list = append(list, word{"shape", p.Shape, d.Shape})
		if p.Shape == d.Shape { // another shape tells it already
			list = append(list, word{"to_annulus", string(p.ToAnnulus), string(d.ToAnnulus)})
		}
	}
	for _, w := range list {
		c.addWord(StepParameter, a, w)
	}
}

func resection(s *repair.Step) repair.Resection {
	if s.Resection == nil {
		return repair.Resection{}
	}
	return *s.Resection
}

// addWord adds an entry where a planned word is not what was recorded.
func (c *comparison) addWord(class Class, a answer, w word) {
	if w.planned == "" || w.planned == w.actual {
		return
	}
	e := c.pairEntry(class, a, w.name)
	e.Metric, e.Place = w.name, valve.AtStep(a.step.ID)
	e.Planned, e.Actual = words(w.planned), words(w.actual)
	what, step := words(w.name), describe(a.step.Step)
	e.Message = fmt.Sprintf("%s of the %s: %s, planned %s%s", capital(what), step, e.Actual, e.Planned, because(e.Reason))
	if w.actual == "" {
		e.Verdict = NotJudged
		e.Missing = []string{w.name + " at " + string(e.Place) + " of operation"}
		e.Message = fmt.Sprintf("%s of the %s cannot be compared with the plan", capital(what), step)
	}
	c.add(e)
}

// unlikeness says how far the dimensions of a performed step are from those of a
// planned one, in tolerances; what is there on one side only counts as one. It
// only chooses between steps of one technique and place.
func (c *comparison) unlikeness(planned, performed *repair.Step) float64 {
	sum := 0.0
	for _, k := range c.plannedValues(planned.ID) {
		p, missingPlan := c.read(k)
		v, missingActual := c.read(performedKey(k, performed.ID))
		if missingPlan != "" || missingActual != "" {
			sum++
			continue
		}
		sum += math.Abs(v-p) / max(c.tolerance(k.ID).Margin(p), slack)
	}
	for _, k := range c.ofStep[stepOccasion{performed.ID, valve.AtOperation}] {
		if !c.known(valve.Key{ID: k.ID, Place: stepPlace(planned.ID, k.Place), Occasion: valve.AtPlan, Role: valve.Planned}) {
			sum++
		}
	}
	for _, n := range counts(planned) {
		want, ok := n.value.Get()
		got, have := countOf(performed, n).Get()
		switch {
		case ok && have:
			sum += math.Abs(float64(got - want))
		case ok != have:
			sum++
		}
	}
	p, d := resection(planned), resection(performed)
	for _, w := range []word{
		{"shape", p.Shape, d.Shape}, {"to_annulus", string(p.ToAnnulus), string(d.ToAnnulus)},
		{"form", planned.Form, performed.Form}, {"chords_kept", string(planned.ChordsKept), string(performed.ChordsKept)},
	} {
		if w.planned != w.actual {
			sum++
		}
	}
	return sum + ringUnlikeness(planned.Ring, performed.Ring)
}
