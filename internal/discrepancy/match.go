package discrepancy

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"trigone/internal/repair"
	"trigone/internal/valve"
)

// performedStep is a performed step with its position among all of them.
type performedStep struct {
	*repair.Step
	order int // from 1
}

// sortedSteps puts the performed steps in an order that depends on what was done
// and not on how it was listed: run, order, technique, place, content. The id
// decides only between steps that are equal in everything.
func (c *comparing) sortedSteps() []performedStep {
	content := map[string]string{}
	list := make([]performedStep, len(c.op.Steps))
	for i := range c.op.Steps {
		s := &c.op.Steps[i]
		list[i] = performedStep{Step: s}
		content[s.ID] = c.content(s)
	}
	slices.SortFunc(list, func(a, b performedStep) int {
		return cmp.Or(
			cmp.Compare(max(a.Run, 1), max(b.Run, 1)),
			cmp.Compare(a.Order, b.Order),
			cmp.Compare(a.Technique, b.Technique),
			cmp.Compare(where(locations(a.Step)), where(locations(b.Step))),
			cmp.Compare(content[a.ID], content[b.ID]),
			cmp.Compare(a.ID, b.ID),
		)
	})
	for i := range list {
		list[i].order = i + 1
	}
	return list
}

// content prints everything of a performed step but the ids.
func (c *comparing) content(s *repair.Step) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s %s %s %s %d %d", s.Fate, s.Reason, s.Form, s.ChordsKept, s.TakenDownInRun, c.plannedIndex(s.PlannedStepID))
	if s.Ring != nil {
		fmt.Fprintf(&b, " %v", *s.Ring)
	}
	if s.Resection != nil {
		fmt.Fprintf(&b, " %v", *s.Resection)
	}
	if s.Chords != nil {
		fmt.Fprintf(&b, " %v", *s.Chords)
	}
	fmt.Fprintf(&b, " %s", s.From.Place())
	for _, n := range counts(s) {
		fmt.Fprintf(&b, " %s%s %v", n.name, n.side, n.value)
	}
	for _, k := range c.ofStep[stepOccasion{s.ID, valve.AtOperation}] {
		fmt.Fprintf(&b, " %s%s %v", k.ID, withoutStep(k.Place), c.measured[k])
	}
	return b.String()
}

// plannedIndex gives the position of a planned step, -1 if the plan has none.
func (c *comparing) plannedIndex(stepID string) int {
	if c.revision == nil || stepID == "" {
		return -1
	}
	return slices.IndexFunc(c.revision.Plan.Steps, func(s repair.Step) bool { return s.ID == stepID })
}

// end gives the last step of the chain of revisions that begins with s; a chain
// that leads nowhere or in a circle ends where it is known.
func (c *comparing) end(s performedStep) performedStep {
	for range c.steps {
		if s.Fate != repair.Revised || c.inCircle(s) {
			return s
		}
		i := slices.IndexFunc(c.steps, func(t performedStep) bool { return t.ID == s.RevisedBy })
		if i < 0 {
			return s
		}
		s = c.steps[i]
	}
	return s
}

// tried says whether a step was done and is not in place at the end: taken down,
// or given up with the repair.
func (c *comparing) tried(s performedStep) bool {
	return s.Fate == repair.TakenDown || (c.op.Converted() && slices.Contains(c.op.Conversion.TriedStepIDs, s.ID))
}

// relation is how a performed step answers a planned one.
type relation int

const (
	unrelated relation = iota
	same
	relocated
	substituted
)

// answer is a performed step that answers a planned one.
type answer struct {
	planned int // index in the plan
	step    performedStep
	as      relation
}

// matching is the outcome of matching a plan's steps with the steps performed.
type matching struct {
	answers []answer
	// notKept are planned steps done and then taken down, or done and then revised
	// into something else.
	notKept map[int]performedStep
	// settled are planned steps answered themselves or by an alternative.
	settled map[int]bool
	// added are done steps that answer no planned step.
	added []performedStep
}

// answer gives the first performed step that answers a planned one.
func (m matching) answer(planned int) (answer, bool) {
	for _, a := range m.answers {
		if a.planned == planned {
			return a, true
		}
	}
	return answer{}, false
}

// match matches the plan's steps with the steps performed: an explicit link
// wins; then technique and place; then the technique on the same leaflet
// elsewhere, nearest first; then another technique of the same intent at the
// place; then what was tried and not kept.
func (c *comparing) match() matching {
	m := &matcher{
		comparing: c,
		matching:  matching{notKept: map[int]performedStep{}, settled: map[int]bool{}},
		used:      map[string]bool{},
	}
	for _, s := range c.steps {
		switch end := c.end(s); {
		case c.tried(end):
			m.triedSteps = append(m.triedSteps, s)
		case end.ID == s.ID:
			m.done = append(m.done, s)
		default:
			m.revised = append(m.revised, s)
		}
	}
	m.links()
	m.exact()
	m.throughRevision()
	m.relocations()
	m.substitutions()
	m.notKeptSteps()
	for _, s := range m.done {
		if !m.used[s.ID] {
			m.added = append(m.added, s)
		}
	}
	slices.SortFunc(m.answers, func(a, b answer) int {
		return cmp.Or(cmp.Compare(a.planned, b.planned), cmp.Compare(a.step.order, b.step.order))
	})
	return m.matching
}

type matcher struct {
	*comparing
	matching
	done, revised, triedSteps []performedStep
	used                      map[string]bool // performed steps that answer one
	bound                     map[string]bool // performed steps whose link decided
}

// open gives the planned steps that nothing has answered, in plan order.
func (m *matcher) open() []int {
	var list []int
	for i := range m.plan.Steps {
		if !m.settled[i] {
			list = append(list, i)
		}
	}
	return list
}

// free gives the steps of a list that answer nothing and have no link that
// decided.
func (m *matcher) free(list []performedStep) []performedStep {
	var rest []performedStep
	for _, s := range list {
		if !m.used[s.ID] && !m.bound[s.ID] {
			rest = append(rest, s)
		}
	}
	return rest
}

// accept records an answer and settles the planned step with its alternatives.
func (m *matcher) accept(planned int, s performedStep, as relation) {
	m.answers = append(m.answers, answer{planned, s, as})
	m.used[s.ID] = true
	group := m.group(planned)
	for i := range m.plan.Steps {
		if m.group(i) == group {
			m.settled[i] = true
		}
	}
}

// group gives the first choice among a planned step and its alternatives.
func (c *comparing) group(planned int) int {
	for range c.plan.Steps {
		next := c.plannedIndex(c.plan.Steps[planned].AlternativeOf)
		if next < 0 {
			break
		}
		planned = next
	}
	return planned
}

// links follows the explicit links. Of several steps linked to one planned step
// those answer it that come nearest to it; of several done elsewhere or
// otherwise the first.
func (m *matcher) links() {
	m.bound = map[string]bool{}
	linked := map[int][]performedStep{}
	for _, s := range slices.Concat(m.done, m.revised) {
		i := m.plannedIndex(s.PlannedStepID)
		if i < 0 {
			continue
		}
		m.bound[s.ID] = true
		end := m.end(s)
		if !slices.ContainsFunc(linked[i], func(t performedStep) bool { return t.ID == end.ID }) {
			linked[i] = append(linked[i], end)
		}
		if end.ID != s.ID && relate(&m.plan.Steps[i], end.Step) == unrelated {
			m.notKept[i] = s
		}
	}
	for i := range m.plan.Steps {
		best := unrelated
		for _, s := range linked[i] {
			if r := relate(&m.plan.Steps[i], s.Step); r != unrelated && (best == unrelated || r < best) {
				best = r
			}
		}
		for _, s := range linked[i] {
			if best == unrelated || relate(&m.plan.Steps[i], s.Step) != best {
				continue
			}
			m.accept(i, s, best)
			if best != same {
				break
			}
		}
	}
}

// relate says how a performed step answers a planned one to which it is linked.
func relate(planned, performed *repair.Step) relation {
	sameKind, samePlace := kind(planned) == kind(performed), samePlace(planned, performed)
	switch {
	case sameKind && (samePlace || placeUnknown(planned, performed)):
		return same
	case sameKind:
		return relocated
	case samePlace || covers(planned, performed):
		return substituted
	}
	return unrelated
}

// exact matches technique and place; where several fit, the one with the nearest
// dimensions. A step whose place is not recorded on one side matches last.
func (m *matcher) exact() {
	for _, fits := range []func(p, s *repair.Step) bool{samePlace, placeUnknown} {
		for _, i := range m.open() {
			if m.settled[i] {
				continue
			}
			planned := &m.plan.Steps[i]
			best, distance := performedStep{}, math.Inf(1)
			for _, s := range m.free(m.done) {
				if kind(planned) != kind(s.Step) || !fits(planned, s.Step) {
					continue
				}
				if d := m.unlikeness(planned, s.Step); d < distance {
					best, distance = s, d
				}
			}
			if best.Step != nil {
				m.accept(i, best, same)
			}
		}
	}
}

// throughRevision matches planned steps with steps that were revised later: the
// last of the chain answers.
func (m *matcher) throughRevision() {
	for _, i := range m.open() {
		if m.settled[i] {
			continue
		}
		planned := &m.plan.Steps[i]
		for _, s := range m.free(m.revised) {
			if kind(planned) != kind(s.Step) || !samePlace(planned, s.Step) {
				continue
			}
			end := m.end(s)
			if m.earlierVersion(s, end) {
				continue
			}
			m.bound[s.ID] = true
			if r := relate(planned, end.Step); r != unrelated && !m.used[end.ID] {
				m.accept(i, end, r)
			} else {
				m.notKept[i] = s
			}
			break
		}
	}
}

// earlierVersion says whether the chain of revisions from s to its end answers a
// planned step already, so that s was a first version of that answer.
func (m *matcher) earlierVersion(s, end performedStep) bool {
	return slices.ContainsFunc(m.answers, func(a answer) bool {
		return a.step.ID == end.ID && relate(&m.plan.Steps[a.planned], s.Step) == same
	})
}

// relocations matches the same technique on the same leaflet at another place.
func (m *matcher) relocations() {
	type move struct {
		planned  int
		step     performedStep
		distance float64
		apart    int // 1 if no place is shared
	}
	var moves []move
	for _, i := range m.open() {
		planned := &m.plan.Steps[i]
		for _, s := range m.free(m.done) {
			if kind(planned) != kind(s.Step) || !sameLeaflet(planned, s.Step) {
				continue
			}
			mv := move{planned: i, step: s, distance: segmentDistance(locations(planned), locations(s.Step)), apart: 1}
			if slices.ContainsFunc(locations(planned), func(p valve.Place) bool { return slices.Contains(locations(s.Step), p) }) {
				mv.apart = 0
			}
			moves = append(moves, mv)
		}
	}
	slices.SortStableFunc(moves, func(a, b move) int {
		return cmp.Or(
			cmp.Compare(a.distance, b.distance), cmp.Compare(a.apart, b.apart),
			cmp.Compare(a.planned, b.planned), cmp.Compare(a.step.order, b.step.order),
		)
	})
	for _, mv := range moves {
		if !m.settled[mv.planned] && !m.used[mv.step.ID] {
			m.accept(mv.planned, mv.step, relocated)
		}
	}
}

// substitutions matches another technique of the same intent at the same place.
func (m *matcher) substitutions() {
	for _, i := range m.open() {
		if m.settled[i] {
			continue
		}
		planned := &m.plan.Steps[i]
		for _, s := range m.free(m.done) {
			if kind(planned) != kind(s.Step) && planned.Technique.SharesIntent(s.Technique) &&
				(samePlace(planned, s.Step) || covers(planned, s.Step)) {
				m.accept(i, s, substituted)
				break
			}
		}
	}
}

// notKeptSteps finds, for planned steps that nothing answers, the one that was
// tried: linked, at the place, or of the technique.
func (m *matcher) notKeptSteps() {
	claimed := map[string]bool{}
	for _, fits := range []func(i int, s performedStep) bool{
		func(i int, s performedStep) bool { return m.plannedIndex(s.PlannedStepID) == i },
		func(i int, s performedStep) bool {
			p := &m.plan.Steps[i]
			return kind(p) == kind(s.Step) && (samePlace(p, s.Step) || placeUnknown(p, s.Step))
		},
		func(i int, s performedStep) bool {
			p := &m.plan.Steps[i]
			return kind(p) == kind(s.Step) && sameLeaflet(p, s.Step)
		},
	} {
		for i := range m.plan.Steps {
			if _, found := m.notKept[i]; found {
				continue
			}
			for _, s := range m.triedSteps {
				linked := m.plannedIndex(s.PlannedStepID)
				if !claimed[s.ID] && (linked < 0 || linked == i) && fits(i, s) {
					m.notKept[i] = s
					claimed[s.ID] = true
					break
				}
			}
		}
	}
}

// kind is what must be equal for two steps to be the same technique.
func kind(s *repair.Step) string {
	if s.Technique == repair.FurtherTechnique {
		return string(s.Technique) + "/" + s.Form
	}
	return string(s.Technique)
}

// placeless says whether a technique has no place of its own.
func placeless(t repair.Technique) bool { return t == repair.Annuloplasty || t == repair.SlidingPlasty }

// locations gives the places of a step, each once, in order. A slice stands for
// its two segments.
func locations(s *repair.Step) []valve.Place {
	if placeless(s.Technique) {
		return nil
	}
	var list []valve.Place
	if s.Technique == repair.EdgeToEdge && s.Slice != "" {
		anterior, posterior := s.Slice.Segments()
		return []valve.Place{valve.AtSegment(anterior), valve.AtSegment(posterior)}
	}
	for _, l := range s.Places {
		if p := l.Place(); p != valve.Nowhere {
			list = append(list, p)
		}
	}
	slices.Sort(list)
	return slices.Compact(list)
}

// samePlace says whether two steps are done at the same places, recorded on both
// sides or of no place by nature.
func samePlace(a, b *repair.Step) bool {
	if placeless(a.Technique) || placeless(b.Technique) {
		return a.Technique == b.Technique
	}
	at := locations(a)
	return len(at) > 0 && slices.Equal(at, locations(b))
}

// placeUnknown says whether the place of a step that has one is not recorded.
func placeUnknown(a, b *repair.Step) bool {
	missing := func(s *repair.Step) bool { return !placeless(s.Technique) && len(locations(s)) == 0 }
	return missing(a) || missing(b)
}

// covers says whether a step without a place of its own, or across a whole
// slice, takes in the places of the other: a sliding plasty the posterior
// leaflet, an edge-to-edge suture both segments of its slice.
func covers(a, b *repair.Step) bool {
	return takesIn(a, b) || takesIn(b, a)
}

func takesIn(wide, narrow *repair.Step) bool {
	at := locations(narrow)
	if len(at) == 0 {
		return false
	}
	switch wide.Technique {
	case repair.SlidingPlasty:
		return !slices.ContainsFunc(at, func(p valve.Place) bool { return leafletOf(p) != valve.Posterior })
	case repair.EdgeToEdge:
		wider := locations(wide)
		return !slices.ContainsFunc(at, func(p valve.Place) bool { return !slices.Contains(wider, p) })
	}
	return false
}

// leafletOf gives the leaflet of a place; a commissure belongs to neither.
func leafletOf(p valve.Place) valve.Leaflet {
	if s := p.Segment(); s != "" {
		return s.Leaflet()
	}
	switch p {
	case valve.AtBoundary(valve.A1A2), valve.AtBoundary(valve.A2A3), valve.AtLeaflet(valve.Anterior):
		return valve.Anterior
	case valve.AtBoundary(valve.P1P2), valve.AtBoundary(valve.P2P3), valve.AtLeaflet(valve.Posterior):
		return valve.Posterior
	}
	return ""
}

// sameLeaflet says whether two steps share a leaflet; a commissure, which
// borders on both, goes with either.
func sameLeaflet(a, b *repair.Step) bool {
	for _, p := range locations(a) {
		for _, q := range locations(b) {
			if l, k := leafletOf(p), leafletOf(q); l == k || l == "" || k == "" {
				return true
			}
		}
	}
	return false
}

// position counts along a leaflet in segments from lateral to medial: a segment
// is 1, 2 or 3, a boundary lies half-way, a commissure half a segment outside.
func position(p valve.Place) float64 {
	if s := p.Segment(); s != "" {
		return float64(s.Index())
	}
	const lateralHalf, medialHalf, lateralEnd, medialEnd, middle = 1.5, 2.5, 0.5, 3.5, 2
	switch p {
	case valve.AtBoundary(valve.A1A2), valve.AtBoundary(valve.P1P2):
		return lateralHalf
	case valve.AtBoundary(valve.A2A3), valve.AtBoundary(valve.P2P3):
		return medialHalf
	case valve.AtCommissure(valve.LateralCommissure):
		return lateralEnd
	case valve.AtCommissure(valve.MedialCommissure):
		return medialEnd
	}
	return middle
}

// segmentDistance is how far two sets of places are apart, in segments: the
// farthest that any place of one lies from the nearest of the other.
func segmentDistance(a, b []valve.Place) float64 {
	far := 0.0
	for _, pair := range [2][2][]valve.Place{{a, b}, {b, a}} {
		for _, p := range pair[0] {
			near := math.Inf(1)
			for _, q := range pair[1] {
				near = min(near, math.Abs(position(p)-position(q)))
			}
			far = max(far, near)
		}
	}
	return far
}
