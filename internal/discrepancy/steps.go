package discrepancy

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// conditionNotMet is the recorded reason that tells that the condition of a
// planned step was not met.
const distanceInSegments = "distance_in_segments"

const conditionNotMet = "condition_not_met"

// planInForce speaks of the plan itself and settles whether anything is compared
// with one.
func (c *comparing) planInForce() {
	f := c.in.InForce
	e := entry{Comparison: Comparison{
		ID: key(KindPlanInForce, "", "", valve.Nowhere, string(valve.AtPlan)), Kind: KindPlanInForce,
		Class: NoPlanInForce, DiscrepancyID: id(NoPlanInForce), Verdict: Present, Occasion: valve.AtPlan,
		Planned: "a plan signed before incision", Actual: f.Explanation,
	}}
	switch f.Timing {
	case repair.Prospective, repair.LateArrival:
		c.plan = c.revision.Plan
		e.Verdict = Agrees
		e.Message = fmt.Sprintf("Plan revision %d is in force: %s", c.revision.Revision, f.Explanation)
	case repair.Retrospective, repair.Unsigned:
		c.plan = c.revision.Plan
		e.Message = words.Capital(f.Explanation) + "; what differs from the last plan revision stands beneath"
	case repair.NoIncisionTime:
		e.Class, e.DiscrepancyID, e.Verdict = NotEvaluable, id(NotEvaluable, string(valve.AtPlan)), NotJudged
		e.Planned, e.Actual = "", ""
		e.Missing = []string{"incision_time of operation"}
		e.Message = words.Capital(f.Explanation) + "; nothing is compared with a plan"
	default:
		e.Actual = "no plan was received"
		e.Message = "No plan was received; nothing is compared with a plan"
	}
	c.add(e)
}

// againstPlan compares everything that a plan holds.
func (c *comparing) againstPlan() {
	m := c.match()
	c.plannedSteps(m)
	c.addedSteps(m)
	c.answered(m)
	c.targets()
	c.predictionFromPlan()
	c.plannedHeights()
}

// thing names the thing planned that a planned step is: alternatives of one choice
// are one thing.
func (c *comparing) thing(planned int) string {
	first := &c.plan.Steps[c.group(planned)]
	if first.Technique == repair.Annuloplasty {
		return "ring:" + first.ID
	}
	return "step:" + first.ID
}

// plannedSteps says of every planned step whether it is in place.
func (c *comparing) plannedSteps(m matching) {
	for i := range c.plan.Steps {
		planned := &c.plan.Steps[i]
		e := entry{planned: i + 1, Comparison: Comparison{
			ID: key(KindStep, planned.ID, "", valve.Nowhere, string(valve.AtOperation)), Kind: KindStep,
			Class: StepOmitted, DiscrepancyID: id(StepOmitted, planned.ID), Verdict: Present, Thing: c.thing(i),
			PlannedStepID: planned.ID, Place: onlyPlace(planned), Occasion: valve.AtOperation,
			Planned: describe(planned), Actual: "not performed",
		}}
		c.byPlan(&e.Comparison, ByPlan)
		reason, notMet := c.linkedReason(planned.ID)
		if a, ok := m.answer(i); ok {
			e.performed, e.PerformedStepID, e.Run, e.Reason = a.step.order, a.step.ID, a.step.Run, a.step.Reason
			e.Verdict, e.Actual = Agrees, describe(a.step.Step)
			e.Message = fmt.Sprintf("Planned %s: %s", e.Planned, map[relation]string{
				same: "performed", relocated: "performed elsewhere", substituted: "another technique was performed for it",
			}[a.as])
			c.add(e)
			continue
		}
		e.Reason = reason
		switch {
		case m.settled[i]:
			e.Actual = ""
			e.notApplicable("another choice that the plan names in its place was performed")
		case c.group(i) != i:
			e.Actual = ""
			e.notApplicable("it stands for another planned step, where it is told that none of them was performed")
		case notMet:
			e.notApplicable("its condition was not met")
		}
		if e.Verdict == NotApplicable {
			e.Message = fmt.Sprintf("Planned %s: %s", e.Planned, e.NotApplicableBecause)
			c.add(e)
			continue
		}
		c.omitted(e, m, i)
	}
}

// omitted speaks of a planned step that is not in place.
func (c *comparing) omitted(e entry, m matching, i int) {
	planned := &c.plan.Steps[i]
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
			e.Planned, words.Spaced(planned.Condition))
	}
	c.add(e)
	if planned.Technique == repair.Annuloplasty {
		c.noRing(e, planned)
	}
}

// noRing says under an omitted ring that there is none of the kind planned.
func (c *comparing) noRing(under entry, planned *repair.Step) {
	if under.Verdict != Present || planned.Ring == nil || planned.Ring.Kind == "" {
		return
	}
	e := under
	e.Kind, e.Class, e.Metric = KindRingKind, RingKind, ringKind
	e.ID, e.DiscrepancyID = key(KindRingKind, planned.ID, e.Metric, valve.Nowhere, string(valve.AtOperation)), id(RingKind, planned.ID)
	e.Actual = "none in place"
	e.Message = fmt.Sprintf("Planned %s: none is in place", e.Planned)
	e.Parent = under.DiscrepancyID
	c.add(e)
}

// triedFor gives the step that was tried for a planned step or, failing that, for
// one of its alternatives.
func (c *comparing) triedFor(m matching, planned int) (performedStep, bool) {
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
func (c *comparing) linkedReason(plannedID string) (reason string, notMet bool) {
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
func (c *comparing) addedSteps(m matching) {
	for _, s := range m.added {
		e := c.stepEntry(KindStep, StepAdded, nil, s)
		e.ID = key(KindStep, s.ID, "", valve.Nowhere, string(valve.AtOperation))
		e.DiscrepancyID = id(StepAdded, s.ID)
		e.Place = onlyPlace(s.Step)
		e.Planned, e.Actual = "not planned", describe(s.Step)
		e.Message = fmt.Sprintf("%s was performed and is not in the plan%s", words.Capital(e.Actual), because(s.Reason))
		if c.plan.StepsRecorded != valve.Complete {
			e.Verdict = NotJudged
			e.Planned = ""
			e.Missing = []string{"steps_recorded of plan"}
			e.Message = fmt.Sprintf("%s was performed and is not among the planned steps, which are not stated to be complete", words.Capital(e.Actual))
		}
		c.add(e)
	}
}

// answered speaks of planned steps that were done: where, how, and of their
// dimensions.
func (c *comparing) answered(m matching) {
	for n, a := range m.answers {
		c.place(a)
		c.technique(a, m)
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

// place compares where a step was planned and done. A ring and a sliding plasty
// have no place of their own.
func (c *comparing) place(a answer) {
	planned, done := &c.plan.Steps[a.planned], a.step.Step
	if placeless(planned.Technique) {
		return
	}
	e := c.pairEntry(KindStepPlace, StepRelocated, a, "")
	technique := words.Capital(words.Spaced(string(planned.Technique)))
	switch {
	case a.as == substituted && samePlace(planned, done):
		e.Verdict, e.Place = Agrees, onlyPlace(planned)
		e.Message = fmt.Sprintf("%s was performed where %s was planned", words.Capital(describe(done)), words.Spaced(string(planned.Technique)))
	case a.as == substituted:
		e.notApplicable("another technique was performed, which takes in more than the planned place or less")
		e.Message = fmt.Sprintf("Place of the planned %s: %s", describe(planned), e.NotApplicableBecause)
	case placeUnknown(planned, done):
		e.Verdict = NotJudged
		e.Missing = []string{"place of " + describe(planned)}
		e.Message = fmt.Sprintf("Planned %s: performed, but the place is not recorded on both sides", describe(planned))
	case a.as == relocated:
		e.Place = onlyPlace(done)
		e.Unit, e.Difference = units.One, units.Some(segmentDistance(locations(planned), locations(done)))
		e.Metric = distanceInSegments
		e.Message = fmt.Sprintf("%s was performed at %s instead of %s%s",
			technique, where(locations(done)), where(locations(planned)), because(a.step.Reason))
	default:
		e.Verdict, e.Place = Agrees, onlyPlace(done)
		e.Unit, e.Difference = units.One, units.Some(0.0)
		e.Metric = distanceInSegments
		e.Message = fmt.Sprintf("%s was performed at %s as planned", technique, where(locations(done)))
	}
	c.add(e)
}

// technique compares by which technique a planned step was done.
func (c *comparing) technique(a answer, m matching) {
	e := c.pairEntry(KindStepTechnique, StepSubstituted, a, "")
	planned := &c.plan.Steps[a.planned]
	if a.as != substituted {
		e.Verdict, e.Place = Agrees, onlyPlace(a.step.Step)
		e.Planned, e.Actual = techniqueWords(planned), techniqueWords(a.step.Step)
		e.Message = fmt.Sprintf("%s: the technique planned", words.Capital(e.Actual))
		c.add(e)
		return
	}
	e.Place = onlyPlace(planned)
	e.Message = fmt.Sprintf("%s was performed in place of the planned %s%s", words.Capital(e.Actual), e.Planned, because(a.step.Reason))
	if s, ok := m.notKept[a.planned]; ok && s.ID != a.step.ID {
		e.Reason = cmp.Or(s.Reason, a.step.Reason)
		e.Message = fmt.Sprintf("%s is in place of the planned %s, which was performed and not kept%s",
			words.Capital(e.Actual), e.Planned, because(e.Reason))
	}
	c.add(e)
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
func (c *comparing) stepEntry(kind Kind, class Class, planned *int, s performedStep) entry {
	e := entry{performed: s.order, Comparison: Comparison{
		Kind: kind, Class: class, Verdict: Present, PerformedStepID: s.ID, Occasion: valve.AtOperation, Run: s.Run, Reason: s.Reason,
	}}
	if planned != nil {
		e.planned = *planned + 1
		e.PlannedStepID = c.plan.Steps[*planned].ID
		e.Thing = c.thing(*planned)
	}
	c.byPlan(&e.Comparison, ByPlan)
	return e
}

// pairEntry begins an entry about a planned step and what answers it: one metric
// of it, on one side of the step or on none. A pair has one discrepancy id for all
// of its class unless parts tell them apart.
func (c *comparing) pairEntry(kind Kind, class Class, a answer, metric string, parts ...string) entry {
	planned := &c.plan.Steps[a.planned]
	e := c.stepEntry(kind, class, &a.planned, a.step)
	at := valve.AtStep(a.step.ID)
	if len(parts) > 1 && parts[1] != "" {
		at += "/" + valve.Place(parts[1])
	}
	e.ID = key(kind, planned.ID, metric, at, string(valve.AtOperation))
	e.DiscrepancyID = id(class, append([]string{planned.ID, a.step.ID}, parts...)...)
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
func (c *comparing) plannedValues(stepID string) []valve.Key {
	var list []valve.Key
	for _, k := range c.ofStep[stepOccasion{stepID, valve.AtPlan}] {
		if k.Role == valve.Planned && c.known(k) {
			list = append(list, k)
		}
	}
	return list
}

// dimensions compares every planned quantity of a step with what was measured.
func (c *comparing) dimensions(a answer) {
	planned := &c.plan.Steps[a.planned]
	for _, k := range c.plannedValues(planned.ID) {
		actualKey := performedKey(k, a.step.ID)
		kind := KindStepDimension
		if planned.Technique == repair.Annuloplasty {
			kind = KindRingDimension
		}
		e := c.pairEntry(kind, StepParameter, a, string(k.ID), string(k.ID), withoutStep(k.Place))
		e.Metric, e.Place = string(k.ID), actualKey.Place
		e.Method = c.measured[actualKey].Context.Method
		what := words.Spaced(k.ID) + side(k.Place)
		p, missingPlan := c.read(k)
		v, missingActual := c.read(actualKey)
		if missingPlan != "" || missingActual != "" {
			e.Verdict, e.Planned, e.Actual = NotJudged, "", ""
			if missingPlan == "" {
				e.Planned, e.PlannedValue = amount(k.ID, p), units.Some(p)
			}
			e.Missing = missing(missingPlan, missingActual)
			e.Message = fmt.Sprintf("%s of the %s cannot be compared with the plan", words.Capital(what), describe(a.step.Step))
			c.add(e)
			continue
		}
		tolerance := c.tolerance(k.ID)
		numbers(&e.Comparison, k.ID, p, v, tolerance.Of(p), tolerance.Margin(p))
		e.ActualSD, e.Owner = c.sd(actualKey), tolerance.Owner
		e.Planned = amount(k.ID, p)
		e.Message = fmt.Sprintf("%s of the %s: %s, planned %s%s", words.Capital(what), describe(a.step.Step), e.Actual, e.Planned, c.outcome(&e.Comparison))
		c.add(e)
	}
}

// outcome adds to a sentence on two numbers what to make of them.
func (c *comparing) outcome(d *Comparison) string {
	switch d.Verdict {
	case Agrees:
		if by, _ := d.Difference.Get(); by == 0 {
			return ""
		}
		return ", within the tolerance of " + amount(valve.ID(d.Metric), d.Tolerance.OrElse(0))
	case Indeterminate:
		return doubt(d.Verdict) + because(d.Reason)
	}
	return because(d.Reason)
}

func side(p valve.Place) string {
	switch rest := valve.Place(withoutStep(p)); rest {
	case valve.Nowhere:
		return ""
	case valve.AtSide(valve.Lateral), valve.AtSide(valve.Medial):
		return " of the " + words.Spaced(rest)
	default:
		return " at " + placeWords(rest)
	}
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
func (c *comparing) counts(a answer, m matching) {
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
		e := c.pairEntry(KindStepDimension, StepParameter, a, n.name, n.name, n.side)
		e.Metric, e.Unit = n.name, units.One
		e.Place = valve.AtStep(a.step.ID)
		what := words.Spaced(n.name)
		if n.side != "" {
			e.Place += "/" + valve.Place(n.side)
			what += " of the " + words.Spaced(n.side)
		}
		e.Planned, e.PlannedValue = number(float64(want)), units.Some(float64(want))
		switch {
		case !all:
			e.Verdict, e.Actual = NotJudged, ""
			e.Missing = []string{n.name + " at " + string(e.Place) + " of operation"}
			e.Message = fmt.Sprintf("%s of the %s cannot be compared with the plan", words.Capital(what), describe(a.step.Step))
		default:
			e.Actual, e.ActualValue = number(float64(sum)), units.Some(float64(sum))
			e.Difference, e.Tolerance, e.Margin = units.Some(float64(sum-want)), units.Some(0.0), units.Some(0.0)
			e.Verdict = judge(float64(sum-want), 0, 0)
			e.Message = fmt.Sprintf("%s of the %s: %s, planned %s%s", words.Capital(what), describe(a.step.Step), e.Actual, e.Planned, c.outcome(&e.Comparison))
		}
		c.add(e)
	}
}

// word is one parameter of a step that is a word.
type word struct {
	name            string
	planned, actual string
}

// wordsOf gives the parameters that are words: shape, form, what was kept, where
// chords hold and what they are made of.
func wordsOf(planned, done *repair.Step) []word {
	switch planned.Technique {
	case repair.ArtificialChord:
		p, d := chords(planned), chords(done)
		return []word{
			{"form", p.Form, d.Form}, {"insertion", p.Insertion, d.Insertion},
			{"papillary_muscle", p.Papillary, d.Papillary}, {"papillary_head", p.PapillaryHead, d.PapillaryHead},
			{"material", p.Material, d.Material}, {calibre, p.Calibre, d.Calibre},
		}
	case repair.ChordTransfer:
		return []word{{"from", string(planned.From.Place()), string(done.From.Place())}}
	case repair.HeightReduction:
		return []word{{"form", planned.Form, done.Form}}
	case repair.FurtherTechnique:
		return []word{{"patch_material", planned.PatchMaterial, done.PatchMaterial}}
	case repair.CleftClosure:
		return []word{{"chords_kept", string(planned.ChordsKept), string(done.ChordsKept)}}
	case repair.LeafletResection:
		p, d := resection(planned), resection(done)
		return []word{{"shape", p.Shape, d.Shape}, {toAnnulus, string(p.ToAnnulus), string(d.ToAnnulus)}}
	}
	return nil
}

const (
	toAnnulus = "to_annulus"
	calibre   = "calibre"
)

// calibreWords prints a calibre as a suture's package does.
func calibreWords(word string) string {
	text, _ := words.Spoken("CHORD_CALIBRE_" + strings.ToUpper(word))
	return text
}

// words compares the parameters that are words.
func (c *comparing) words(a answer) {
	planned, done := &c.plan.Steps[a.planned], a.step.Step
	for _, w := range wordsOf(planned, done) {
		if w.name == toAnnulus && resection(planned).Shape != resection(done).Shape {
			w.actual = otherShape
		}
		c.addWord(KindStepDimension, StepParameter, a, w)
	}
}

// otherShape says that another shape of a resection tells it already whether it
// reaches the annulus.
const otherShape = "another shape"

func chords(s *repair.Step) repair.Chords {
	if s.Chords == nil {
		return repair.Chords{}
	}
	return *s.Chords
}

func resection(s *repair.Step) repair.Resection {
	if s.Resection == nil {
		return repair.Resection{}
	}
	return *s.Resection
}

// addWord compares a word that the plan states.
func (c *comparing) addWord(kind Kind, class Class, a answer, w word) {
	if w.planned == "" {
		return
	}
	e := c.pairEntry(kind, class, a, w.name, w.name)
	e.Metric, e.Place = w.name, valve.AtStep(a.step.ID)
	e.Planned, e.Actual = words.Spaced(w.planned), words.Spaced(w.actual)
	switch w.name {
	case ringFamily: // a key, not a word
		e.Planned, e.Actual = w.planned, w.actual
	case calibre:
		e.Planned, e.Actual = calibreWords(w.planned), calibreWords(w.actual)
	}
	what, step := words.Spaced(w.name), describe(a.step.Step)
	e.Message = fmt.Sprintf("%s of the %s: %s, planned %s%s", words.Capital(what), step, e.Actual, e.Planned, because(e.Reason))
	switch w.actual {
	case "":
		e.Verdict = NotJudged
		e.Missing = []string{w.name + " at " + string(e.Place) + " of operation"}
		e.Message = fmt.Sprintf("%s of the %s cannot be compared with the plan", words.Capital(what), step)
	case w.planned:
		e.Verdict = Agrees
		e.Message = fmt.Sprintf("%s of the %s: %s as planned", words.Capital(what), step, e.Actual)
	case otherShape:
		e.Actual = ""
		e.notApplicable("the shape of the resection is another one")
		e.Message = fmt.Sprintf("%s of the %s: %s", words.Capital(what), step, e.NotApplicableBecause)
	}
	c.add(e)
}

// unlikeness says how far the dimensions of a performed step are from those of a
// planned one, in tolerances; what is there on one side only counts as one. It
// only chooses between steps of one technique and place.
func (c *comparing) unlikeness(planned, performed *repair.Step) float64 {
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
	for _, w := range wordsOf(planned, performed) {
		if w.planned != w.actual {
			sum++
		}
	}
	return sum + ringUnlikeness(planned.Ring, performed.Ring)
}
