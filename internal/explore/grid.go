package explore

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Kind is what an axis varies, by the word of the contract's field.
type Kind string

// The kinds.
const (
	LeafletHeight  = Kind(valve.LeafletHeight)
	ResectionWidth = Kind("resection_width")
	SlidingAdvance = Kind(valve.SlidingAdvance)
	Ring           = Kind("ring")
	ChordLength    = Kind(valve.ArtificialChordLength)
)

// Edges along which a resection is measured; the zero edge is not stated.
const (
	FreeEdge = "free_edge"
	Base     = "base"
	BothEdge = "both"
)

// Range is lengths from Min to at most Max in steps, in mm.
type Range struct{ Min, Max, Step units.Maybe[float64] }

// Axis is one thing that is varied; only the fields of its kind are read.
type Axis struct {
	Kind    Kind
	StepID  string
	Segment valve.Segment
	Station valve.Station // empty: where the final height is read
	Side    valve.Side
	Edge    string
	Range   Range

	Sizes      []Size
	Dimensions []Dimensions
}

// Size is a size of the site's ring table; without a label every one of the
// family.
type Size struct {
	Family string
	Label  units.Maybe[float64]
}

// Dimensions are the inner dimensions of a complete ring.
type Dimensions struct {
	AnteroPosteriorMM units.Maybe[float64]
	TransverseMM      units.Maybe[float64]
	OrificeCM2        units.Maybe[float64]
}

// Fault is one reason why a question cannot be answered, with the field path in
// the request.
type Fault struct{ Path, Message string }

// Value is the value of one axis.
type Value struct {
	MM   units.Maybe[float64]
	Ring *RingTried // of a ring axis
}

// RingTried is a ring or band in the place of the planned one.
type RingTried struct {
	Kind              string
	Family            string
	Label             units.Maybe[float64]
	AnteroPosteriorMM units.Maybe[float64]
	TransverseMM      units.Maybe[float64]
	OrificeCM2        units.Maybe[float64]
	BandLengthMM      units.Maybe[float64]
}

// Described is an axis as it was understood.
type Described struct {
	Leaves []valve.ID // none for a ring
	Place  valve.Place
	Count  int
}

// DefaultMost and HighestMost bound the number of variants.
const (
	DefaultMost = 20000
	HighestMost = 100000
)

// lengthGrid keeps steps free of binary noise: a millionth of a millimetre.
const lengthGrid = 1e-6

// put is one planned value as a variant has it; without a value there is none.
type put struct {
	key valve.Key
	m   valve.Measurement
}

// setting is one value of an axis with all that it changes in the case.
type setting struct {
	value Value
	puts  []put
	step  int // index of the planned step whose ring changes; -1: none
	ring  repair.Ring
}

// axis is an axis that can be applied.
type axis struct {
	described Described
	now       Value // what the plan says as it is
	keys      []valve.Key
	settings  []setting
}

// laying reads axes against a plan.
type laying struct {
	c      *repair.Case
	s      settings.Settings
	faults []Fault
	taken  map[valve.Key]int // axis that sets a value
}

func (l *laying) fault(path, format string, args ...any) {
	l.faults = append(l.faults, Fault{path, fmt.Sprintf(format, args...)})
}

func planned(leaf valve.ID, place valve.Place) valve.Key {
	return valve.Key{ID: leaf, Place: place, Occasion: valve.AtPlan, Role: valve.Planned}
}

// axes reads all axes; nothing of it is of use if there are faults.
func (l *laying) axes(list []Axis, most int) []axis {
	if len(list) == 0 {
		l.fault("axes", "is empty; name at least one dimension of the plan to vary")
	}
	switch {
	case most == 0:
		most = DefaultMost
	case most < 0 || most > HighestMost:
		l.fault("max_variants", "is %d; give 1 to %d, or leave it out for %d", most, HighestMost, DefaultMost)
		most = HighestMost
	}
	total := 1.0
	var plans []plan
	before := len(l.faults)
	for i, a := range list {
		p := l.axis(i, a)
		plans = append(plans, p)
		total *= p.count
	}
	if len(l.faults) > before || len(list) == 0 {
		return nil
	}
	if total > float64(most) {
		advice := "take longer steps or fewer axes"
		if total <= HighestMost {
			advice += fmt.Sprintf(", or raise max_variants, at most %d", HighestMost)
		}
		l.fault("axes", "give %s variants, more than the %d that are answered; %s", amount(total), most, advice)
		return nil
	}
	out := make([]axis, len(plans))
	for i, p := range plans {
		out[i] = p.make()
		out[i].described.Count = len(out[i].settings)
	}
	return out
}

func amount(n float64) string {
	if n >= 1e9 {
		return fmt.Sprintf("%.1e", n)
	}
	return fmt.Sprintf("%.0f", n)
}

// plan is an axis whose values are counted and not yet made: a range may be of
// more values than memory holds.
type plan struct {
	count float64
	make  func() axis
}

func (l *laying) axis(i int, a Axis) plan {
	at := fmt.Sprintf("axes[%d]", i)
	below := func(field string) string { return at + "." + string(a.Kind) + "." + field }
	none := plan{}
	switch a.Kind {
	case LeafletHeight:
		r, ok := l.span(a.Range, below("range"))
		if a.Segment == "" {
			l.fault(below("segment"), "is missing; name the segment")
			return none
		}
		station := a.Station
		if station == "" {
			station = metric.PlannedStation(l.c, a.Segment)
		}
		return l.lengths(i, at, r, ok, valve.AtStation(a.Segment, station), valve.LeafletHeight)
	case ResectionWidth:
		r, ok := l.span(a.Range, below("range"))
		step, found := l.step(below("step_id"), a.StepID, repair.LeafletResection)
		if !found {
			return none
		}
		leaves := []valve.ID{valve.ResectionFreeEdgeWidth}
		switch a.Edge {
		case FreeEdge:
		case Base:
			leaves = []valve.ID{valve.ResectionBaseWidth}
		case BothEdge:
			leaves = []valve.ID{valve.ResectionFreeEdgeWidth, valve.ResectionBaseWidth}
		default:
			if r := l.c.Plan.Steps[step].Resection; r == nil || r.Shape != repair.Triangular {
				l.fault(below("edge"), "is missing; a resection that is not triangular has a width along the free edge and one along the base, so name free_edge, base or both")
				return none
			}
		}
		return l.lengths(i, at, r, ok, valve.AtStep(a.StepID), leaves...)
	case SlidingAdvance:
		r, ok := l.span(a.Range, below("range"))
		_, found := l.step(below("step_id"), a.StepID, repair.SlidingPlasty)
		if a.Side == "" {
			l.fault(below("side"), "is missing; name the side, lateral or medial")
			return none
		}
		if !found {
			return none
		}
		return l.lengths(i, at, r, ok, valve.AtStepSide(a.StepID, a.Side), valve.SlidingAdvance)
	case ChordLength:
		r, ok := l.span(a.Range, below("range"))
		if _, found := l.step(below("step_id"), a.StepID, repair.ArtificialChord); !found {
			return none
		}
		return l.lengths(i, at, r, ok, valve.AtStep(a.StepID), valve.ArtificialChordLength)
	case Ring:
		return l.rings(i, at, a, below)
	}
	l.fault(at, "names nothing to vary; give one of %s, %s, %s, %s and %s", LeafletHeight, ResectionWidth, SlidingAdvance, Ring, ChordLength)
	return none
}

// span checks a range.
func (l *laying) span(r Range, path string) (values span, ok bool) {
	before := len(l.faults)
	low, hasLow := l.length(r.Min, path+".min_mm")
	high, hasHigh := l.length(r.Max, path+".max_mm")
	step, hasStep := l.length(r.Step, path+".step_mm")
	if len(l.faults) > before {
		return span{}, false
	}
	if !hasLow {
		l.fault(path+".min_mm", "is missing; give the first length in mm")
	}
	if !hasHigh {
		l.fault(path+".max_mm", "is missing; give the last length in mm")
	}
	one := hasLow && hasHigh && low == high
	switch {
	case one && !hasStep:
		step = 1
	case !hasStep:
		l.fault(path+".step_mm", "is missing; give the step in mm, above 0")
	case !(step > 0):
		l.fault(path+".step_mm", "is %g; a step is above 0 mm", step)
	}
	if hasLow && hasHigh && low > high {
		l.fault(path+".max_mm", "is %g mm, below min_mm of %g mm", high, low)
	}
	if len(l.faults) > before {
		return span{}, false
	}
	// The last value belongs to it although three steps of 0.1 are not 0.3.
	return span{low, step, math.Floor((high-low)/step+1e-9) + 1}, true
}

// length gives a length, unless it is none.
func (l *laying) length(m units.Maybe[float64], path string) (v float64, given bool) {
	v, given = m.Get()
	if given && !(v >= 0 && v <= math.MaxFloat64) {
		l.fault(path, "is no length; give a number of mm, not below 0")
	}
	return v, given
}

// span is count values from low in steps.
type span struct{ low, step, count float64 }

func (s span) values() []float64 {
	list := make([]float64, int(s.count))
	for i := range list {
		list[i] = units.Round(s.low+float64(i)*s.step, lengthGrid)
	}
	return list
}

// step finds a planned step of a technique.
func (l *laying) step(path, id string, t repair.Technique) (index int, ok bool) {
	i := slices.IndexFunc(l.c.Plan.Steps, func(s repair.Step) bool { return s.ID == id })
	switch {
	case id == "":
		l.fault(path, "is missing; name the step of the plan")
	case i < 0:
		l.fault(path, "is no step of the plan%s", l.steps(t))
	case l.c.Plan.Steps[i].Technique != t:
		l.fault(path, "is a step of another technique, %s%s", l.c.Plan.Steps[i].Technique, l.steps(t))
	default:
		return i, true
	}
	return -1, false
}

// steps tells which steps would do. Ids are the client's own; they are counted,
// not repeated.
func (l *laying) steps(t repair.Technique) string {
	switch n := len(repair.Of(l.c.Plan.Steps, t)); n {
	case 0:
		return fmt.Sprintf("; the plan has no %s", t)
	case 1:
		return fmt.Sprintf("; the plan has one %s, name it", t)
	default:
		return fmt.Sprintf("; the plan has %d of %s, name one", n, t)
	}
}

// claim refuses a value that an earlier axis sets.
func (l *laying) claim(i int, at string, keys []valve.Key) bool {
	for _, k := range keys {
		if first, taken := l.taken[k]; taken {
			l.fault(at, "sets what axes[%d] sets; give each dimension one axis", first)
			return false
		}
	}
	for _, k := range keys {
		l.taken[k] = i
	}
	return true
}

// lengths makes an axis that sets one length, or several to the same.
func (l *laying) lengths(i int, at string, r span, ok bool, place valve.Place, leaves ...valve.ID) plan {
	var keys []valve.Key
	for _, leaf := range leaves {
		keys = append(keys, planned(leaf, place))
	}
	if !l.claim(i, at, keys) || !ok {
		return plan{}
	}
	return plan{r.count, func() axis {
		a := axis{described: Described{Leaves: leaves, Place: place}, keys: keys, now: Value{MM: l.c.Measured[keys[0]].Value}}
		for _, v := range r.values() {
			s := setting{value: Value{MM: units.Some(v)}, step: -1}
			for _, k := range keys {
				s.puts = append(s.puts, put{k, changed(l.c.Measured[k], v)})
			}
			a.settings = append(a.settings, s)
		}
		return a
	}}
}

// changed gives a planned value with another number; how well it is known and how
// it was found stay as the plan states them.
func changed(m valve.Measurement, v float64) valve.Measurement {
	m.Value, m.Absent = units.Some(v), ""
	m.StudyID = string(valve.AtPlan)
	return m
}

// rings makes an axis that puts other rings in the place of the planned one.
func (l *laying) rings(i int, at string, a Axis, below func(string) string) plan {
	before := len(l.faults)
	step := l.ringStep(below("step_id"), a.StepID)
	var list []RingTried
	switch {
	case len(a.Sizes) > 0 && len(a.Dimensions) > 0:
		l.fault(below("dimensions"), "stands beside sizes; give one of the two lists")
	case len(a.Sizes) > 0:
		list = l.sizes(a.Sizes, below)
	case len(a.Dimensions) > 0:
		list = l.dimensions(a.Dimensions, step, below)
	default:
		l.fault(below("sizes"), "is empty, and so is dimensions; give sizes of the site's ring table, or inner dimensions")
	}
	if step < 0 || len(l.faults) > before {
		return plan{}
	}
	planStep := l.c.Plan.Steps[step]
	place := valve.AtStep(planStep.ID)
	keys := []valve.Key{planned(valve.RingInnerAnteroPosteriorDiameter, place), planned(valve.RingInnerTransverseDiameter, place), planned(valve.RingOrificeArea, place), planned(valve.BandLength, place)}
	if !l.claim(i, at, keys) {
		return plan{}
	}
	return plan{float64(len(list)), func() axis {
		out := axis{described: Described{Place: place}, keys: keys, now: Value{Ring: ringAsPlanned(l.c, planStep)}}
		var was repair.Ring
		if planStep.Ring != nil {
			was = *planStep.Ring
		}
		for _, tried := range list {
			out.settings = append(out.settings, setting{
				value: Value{Ring: &tried}, step: step, ring: tried.inPlaceOf(was),
				puts: []put{
					{keys[0], device(tried.AnteroPosteriorMM)}, {keys[1], device(tried.TransverseMM)},
					{keys[2], device(tried.OrificeCM2)}, {keys[3], device(tried.BandLengthMM)},
				},
			})
		}
		return out
	}}
}

// device gives a dimension of a device.
func device(v units.Maybe[float64]) valve.Measurement {
	return valve.Measurement{Value: v, StudyID: string(valve.AtPlan)}
}

// inPlaceOf gives the planned ring with another device. What concerns the sutures
// stays; what another family is like is not known.
func (t RingTried) inPlaceOf(was repair.Ring) repair.Ring {
	r := was
	if t.Family == "" || t.Family != was.FamilyKey {
		r.Rigidity = ""
	}
	r.Kind, r.FamilyKey = t.Kind, t.Family
	r.PlannedLabelMin, r.PlannedLabelMax = t.Label, t.Label
	return r
}

func ringAsPlanned(c *repair.Case, s repair.Step) *RingTried {
	dim := func(leaf valve.ID) units.Maybe[float64] { return c.Measured[planned(leaf, valve.AtStep(s.ID))].Value }
	t := &RingTried{
		AnteroPosteriorMM: dim(valve.RingInnerAnteroPosteriorDiameter), TransverseMM: dim(valve.RingInnerTransverseDiameter), OrificeCM2: dim(valve.RingOrificeArea), BandLengthMM: dim(valve.BandLength),
	}
	if s.Ring != nil {
		t.Kind, t.Family = s.Ring.Kind, s.Ring.FamilyKey
		if s.Ring.PlannedLabelMin == s.Ring.PlannedLabelMax {
			t.Label = s.Ring.PlannedLabelMin
		}
	}
	return t
}

// ringStep finds the annuloplasty that is varied, or gives -1.
func (l *laying) ringStep(path, id string) int {
	if id != "" {
		i, _ := l.step(path, id, repair.Annuloplasty)
		return i
	}
	found := -1
	for i, s := range l.c.Plan.Steps {
		if s.Technique != repair.Annuloplasty {
			continue
		}
		if found >= 0 {
			l.fault(path, "is missing%s", l.steps(repair.Annuloplasty))
			return -1
		}
		found = i
	}
	if found < 0 {
		l.fault(path, "is missing, and the plan has no annuloplasty; add one to the plan before its ring can be varied")
	}
	return found
}

func (l *laying) sizes(list []Size, below func(string) string) []RingTried {
	var out []RingTried
	for i, s := range list {
		path := below(fmt.Sprintf("sizes[%d]", i))
		family := l.s.RingFamily(s.Family)
		label, named := s.Label.Get()
		switch {
		case len(l.s.Rings) == 0:
			l.fault(path, "cannot be looked up: the site's policy has no ring table; add ring_table to it, or give dimensions")
			return nil
		case len(family) == 0:
			l.fault(path+".family_key", "is no family of the site's ring table, which has %d sizes; give one of its families", len(l.s.Rings))
		case named && !slices.ContainsFunc(family, func(r settings.RingSize) bool { return r.Label == label }):
			l.fault(path+".label", "is %g, which the site's ring table does not have in this family; it has %s", label, labels(family))
		default:
			for _, size := range family {
				if !named || size.Label == label {
					out = append(out, RingTried{
						Kind: size.Kind, Family: size.Family, Label: units.Some(size.Label),
						AnteroPosteriorMM: size.InnerAnteroPosteriorMM, TransverseMM: size.InnerTransverseMM,
						OrificeCM2: size.OrificeAreaCM2, BandLengthMM: size.BandLengthMM,
					})
				}
			}
		}
	}
	return out
}

func labels(family []settings.RingSize) string {
	var list []string
	for _, r := range family {
		list = append(list, fmt.Sprintf("%g", r.Label))
	}
	return strings.Join(list, ", ")
}

func (l *laying) dimensions(list []Dimensions, step int, below func(string) string) []RingTried {
	if step >= 0 {
		if r := l.c.Plan.Steps[step].Ring; r == nil || r.Kind != repair.CompleteRing {
			l.fault(below("dimensions"), "are of a complete ring, which the planned step is not stated to be; plan a complete ring, or give sizes")
			return nil
		}
	}
	var out []RingTried
	for i, d := range list {
		if d.AnteroPosteriorMM.IsNone() && d.TransverseMM.IsNone() && d.OrificeCM2.IsNone() {
			l.fault(below(fmt.Sprintf("dimensions[%d]", i)), "gives no dimension; give at least one")
			continue
		}
		out = append(out, RingTried{
			Kind: repair.CompleteRing, AnteroPosteriorMM: d.AnteroPosteriorMM, TransverseMM: d.TransverseMM, OrificeCM2: d.OrificeCM2,
		})
	}
	return out
}
