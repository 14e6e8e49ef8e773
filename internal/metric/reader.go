package metric

import (
	"math"
	"slices"
	"strings"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// Reader is the only way from a formula or a rule to a measured value. It records
// the inputs that were used and those that are missing, and can move one of them
// by its standard deviation.
type Reader struct {
	c  *repair.Case
	s  *settings.Settings // shared and never written: a run has thousands of readers
	at At
	// asTyped reads a value that is marked as a slip as it was typed; a formula
	// waits for it.
	asTyped bool

	used    []valve.InputValue
	assumed []valve.InputValue  // what stands in for a value that nobody sent
	ownSDs  map[valve.Key]ownSD // of values whose leaf's deviation does not hold here
	missing []valve.Key
	// notes of the formula
	notApplicable bool
	refused       bool
	notes         []string
	reasons       []string // why it does not apply or was refused
	explanation   string   // the notes as one text
	modelSD       float64
	observationSD float64
	tellSDs       bool
	noSD          bool
	draws         *draws
	low, high     units.Maybe[float64]
	most          units.Maybe[float64] // no end of the interval lies above it
	mostWords     string
	correction    *correction // of the value by the site's calibration

	// A probe computes once more beside the values, with one of them moved; it
	// records nothing.
	probe bool
	moved valve.Key
	by    float64

	memo *memo
}

// NewReader gives a reader for one place of one case.
func NewReader(c *repair.Case, s settings.Settings, at At) *Reader {
	return &Reader{c: c, s: &s, at: at, memo: &memo{}}
}

// Elsewhere gives a reader for another place of the same case, which shares what
// is remembered of the case.
func (r *Reader) Elsewhere(at At) *Reader {
	return &Reader{c: r.c, s: r.s, at: at, asTyped: r.asTyped, memo: r.memo}
}

// AsTyped makes the reader read what is marked as a slip as it was typed: a rule
// judges it, and says so.
func (r *Reader) AsTyped() *Reader {
	r.asTyped = true
	return r
}

// Case gives the case.
func (r *Reader) Case() *repair.Case { return r.c }

// Settings gives the settings.
func (r *Reader) Settings() settings.Settings { return *r.s }

// At gives the place that is being answered.
func (r *Reader) At() At { return r.at }

// Study gives the study of the occasion that is being answered, or nil.
func (r *Reader) Study() *repair.Study { return r.c.StudyAt(r.at.Occasion) }

// Measurement gives a measured value with its context, without recording it.
func (r *Reader) Measurement(k valve.Key) (valve.Measurement, bool) {
	if k.ID == InputShape {
		if s := shapeAt(r.c, k.Occasion); s != nil {
			return valve.Measurement{Value: units.Some(float64(len(s.ContourMM))), Context: s.Context}, true
		}
		return valve.Measurement{}, false
	}
	m, ok := r.c.Measured[k]
	return m, ok
}

// Shape gives annulus and leaflets of the study in three dimensions and records
// them as one input; nil where there are none, which is recorded too.
func (r *Reader) Shape() *valve.Shape {
	r.Read(r.at.shapeKey())
	return shapeAt(r.c, r.at.Occasion)
}

func (a At) shapeKey() valve.Key {
	return valve.Key{ID: InputShape, Occasion: a.Occasion, Role: valve.Measured}
}

func shapeAt(c *repair.Case, o valve.Occasion) *valve.Shape {
	if s := c.StudyAt(o); s != nil {
		return s.Shape
	}
	return nil
}

// Has says whether a value is there, without recording it.
func (r *Reader) Has(k valve.Key) bool {
	m, ok := r.Measurement(k)
	return ok && m.Value.IsSome()
}

// Read gives the value under a key and records it; a missing value is recorded
// and read as NaN.
func (r *Reader) Read(k valve.Key) float64 {
	m, _ := r.Measurement(k)
	v, has := m.Value.Get()
	has = has && (r.asTyped || !m.Slip)
	if r.probe {
		switch {
		case !has:
			return math.NaN()
		case k == r.moved:
			return v + r.by
		}
		return v
	}
	if !has {
		r.Miss(k)
		return math.NaN()
	}
	if !slices.ContainsFunc(r.used, func(in valve.InputValue) bool { return in.Key == k }) {
		unit := units.One // of a shape: its points are counted
		if leaf, ok := LeafByID(k.ID); ok {
			unit = leaf.Unit
		}
		r.used = append(r.used, valve.InputValue{Key: k, Value: v, Unit: unit})
	}
	return v
}

// Assume gives a value that stands in for one that nobody sent. It is no input,
// but it has the standard deviation of its leaf.
func (r *Reader) Assume(leaf valve.ID, p valve.Place, value float64) float64 {
	k := valve.Key{ID: leaf, Place: p} // no occasion: it was not measured
	if r.probe {
		if k == r.moved {
			return value + r.by
		}
		return value
	}
	if !slices.ContainsFunc(r.assumed, func(in valve.InputValue) bool { return in.Key == k }) {
		row, _ := LeafByID(leaf)
		r.assumed = append(r.assumed, valve.InputValue{Key: k, Value: value, Unit: row.Unit})
	}
	return value
}

// ownSD is a standard deviation that a formula states for one of its values, and
// where it comes from in words.
type ownSD struct {
	sd     float64
	origin string
}

// Suppose is Assume for a value that is no leaf, or whose leaf's standard deviation
// does not hold here: it has one of its own, told with the words.
func (r *Reader) Suppose(id valve.ID, p valve.Place, value, sd float64, origin string) float64 {
	r.own(valve.Key{ID: id, Place: p}, sd, origin)
	return r.Assume(id, p, value)
}

// Covered reads a value whose uncertainty is part of that of another one.
func (r *Reader) Covered(k valve.Key) float64 {
	r.own(k, 0, "covered")
	return r.Read(k)
}

func (r *Reader) own(k valve.Key, sd float64, origin string) {
	if r.probe {
		return
	}
	if r.ownSDs == nil {
		r.ownSDs = map[valve.Key]ownSD{}
	}
	r.ownSDs[k] = ownSD{sd, origin}
}

// Miss records that a value would have been needed.
func (r *Reader) Miss(k valve.Key) {
	if !r.probe && !slices.Contains(r.missing, k) {
		r.missing = append(r.missing, k)
	}
}

// DoesNotApply says that the formula does not hold here, and why; several reasons
// are all told.
func (r *Reader) DoesNotApply(why string) {
	if !r.notApplicable {
		r.notes = nil // what would go with a value is of no interest without one
	}
	r.notApplicable = true
	r.reason(why)
}

// Refuse says that no value can be given although no measured value is missing,
// and why.
func (r *Reader) Refuse(why string) {
	r.refused = true
	r.reason(why)
}

func (r *Reader) reason(why string) {
	r.Explain(why)
	if !r.probe && !slices.Contains(r.reasons, why) {
		r.reasons = append(r.reasons, why)
	}
}

// AtMost says above what no end of the interval lies, and what that is in words.
func (r *Reader) AtMost(most float64, text string) { r.most, r.mostWords = units.Some(most), text }

// noNumber tells why values that are all there give no number.
func (r *Reader) noNumber() string {
	var zeros, all []string
	for _, in := range r.used {
		name := inputName(in.Key)
		all = append(all, name)
		if in.Value == 0 {
			zeros = append(zeros, name)
		}
	}
	if len(zeros) > 0 {
		return words.And(zeros) + " recorded as 0: no number comes out of it, check it"
	}
	return "no number comes out of these values together: check " + words.And(all)
}

func inputName(k valve.Key) string {
	leaf, _ := LeafByID(k.ID)
	name, _, _ := strings.Cut(leaf.Name, ",")
	if seg := k.Place.Segment(); seg != "" {
		name += " of " + segmentName(seg)
	}
	return name
}

// Explain says what must be known with the value; the same text is kept once.
func (r *Reader) Explain(text string) {
	if r.probe || slices.Contains(r.notes, text) {
		return
	}
	r.notes = append(r.notes, text)
	r.explanation = strings.Join(r.notes, "; ")
}

// ModelSD states the standard deviation of the model itself, in the unit of the
// result.
func (r *Reader) ModelSD(sd float64) { r.modelSD = sd }

// ObservationSD states the standard deviation of one observation of the result;
// the interval then is for such an observation.
func (r *Reader) ObservationSD(sd float64) { r.observationSD = sd }

// Between states the interval of the result itself, where it is not made of
// standard deviations.
func (r *Reader) Between(low, high float64) { r.low, r.high = units.Some(low), units.Some(high) }

// try computes aside: ok is false, and nothing is recorded, where an input is
// missing or the formula does not apply.
func (r *Reader) try(f func(*Reader) float64) (value float64, ok bool) {
	aside := r.Elsewhere(r.at)
	aside.probe, aside.moved, aside.by = r.probe, r.moved, r.by
	value = f(aside)
	if len(aside.missing) > 0 || aside.notApplicable || aside.refused || math.IsNaN(value) || math.IsInf(value, 0) {
		return math.NaN(), false
	}
	for _, in := range aside.used {
		r.Read(in.Key)
	}
	return value, true
}

// TellSDs asks for the standard deviation of each input, and where it comes from,
// to be told with the value.
func (r *Reader) TellSDs() { r.tellSDs = true }

// WithoutSD says that no uncertainty is carried to the result, as to one that is
// already divided by it.
func (r *Reader) WithoutSD() { r.noSD = true }

// uncertain gives what carries uncertainty: the values read and those assumed.
func (r *Reader) uncertain() []valve.InputValue { return slices.Concat(r.used, r.assumed) }

// Inputs gives the values read, in the order of reading.
func (r *Reader) Inputs() []valve.InputValue { return slices.Clone(r.used) }

// Missing gives the values that were needed and are not there.
func (r *Reader) Missing() []valve.Key { return slices.Clone(r.missing) }

// UntilConfirmed stands behind the name of a value that is there and waits, because
// it is likely a slip.
const UntilConfirmed = " (until it is confirmed or corrected)"

// MissingText gives them as text.
func (r *Reader) MissingText() []string {
	if len(r.missing) == 0 {
		return nil
	}
	list := make([]string, len(r.missing))
	for i, k := range r.missing {
		list[i] = k.String()
		if r.c.Measured[k].Slip && !r.asTyped {
			list[i] += UntilConfirmed
		}
	}
	return list
}

// aside gives a reader of the same case and place whose records are kept apart.
func (r *Reader) aside() *Reader { return r.Elsewhere(r.at) }

// adopt takes over what another reader read and missed.
func (r *Reader) adopt(other *Reader) {
	for _, in := range other.used {
		r.Read(in.Key)
	}
	for _, k := range other.missing {
		r.Miss(k)
	}
}

func (r *Reader) perturbed(k valve.Key, by float64) *Reader {
	probe := r.aside()
	probe.probe, probe.moved, probe.by = true, k, by
	return probe
}

// unstatedContextFactor widens an assumed standard deviation where the method of
// measurement is not stated.
const unstatedContextFactor = 2

// inputSD gives the standard deviation of a value: stated, the site's, or the
// leaf's; known is false if none of them exists.
func (r *Reader) inputSD(k valve.Key) (sd float64, known bool) {
	sd, origin := r.originOfSD(k)
	return sd, origin != ""
}

// originOfSD gives the standard deviation of a value and where it comes from in
// words; empty if there is none.
func (r *Reader) originOfSD(k valve.Key) (sd float64, origin string) {
	if own, ok := r.ownSDs[k]; ok {
		return own.sd, own.origin
	}
	return originOfSD(r.c, k, r.s)
}

// SDOf gives the standard deviation of a measured value: stated, the site's or
// assumed of its leaf.
func SDOf(c *repair.Case, k valve.Key, s *settings.Settings) units.Maybe[float64] {
	if sd, origin := originOfSD(c, k, s); origin != "" {
		return units.Some(sd)
	}
	return units.None[float64]()
}

// atrialFibrillation is the word of a study's rhythm.
const atrialFibrillation = "atrial_fibrillation"

// rhythmAt gives the rhythm in which a study was done, as far as it is recorded.
func rhythmAt(c *repair.Case, o valve.Occasion) string {
	for i := range c.Studies {
		if c.Studies[i].Occasion == o {
			return c.Studies[i].Rhythm
		}
	}
	return ""
}

func originOfSD(c *repair.Case, k valve.Key, s *settings.Settings) (sd float64, origin string) {
	m := c.Measured[k]
	if stated, ok := m.SD.Get(); ok {
		return stated, "stated"
	}
	leaf, ok := LeafUnder(k.ID, s.Edition)
	if !ok {
		return 0, ""
	}
	value, _ := m.Value.Get()
	origin = "assumed"
	assumed, ok := leaf.AssumedSD(Reading{k.Place, m.Context.Method, rhythmAt(c, k.Occasion), value})
	if site, stated := s.InputSDs[k.ID]; stated {
		origin = "the site's"
		assumed, ok = site.SD, site.SD > 0
	}
	if !ok {
		return 0, ""
	}
	if needsMethod(k) && m.Context.Method == "" {
		return assumed * unstatedContextFactor, origin + ", doubled for want of a method"
	}
	return assumed, origin
}

// sdText tells the standard deviation of everything that carries uncertainty.
func (r *Reader) sdText() string {
	var list []string
	for _, in := range r.uncertain() {
		sd, origin := r.originOfSD(in.Key)
		if _, leaf := LeafByID(in.Key.ID); origin == "" || sd == 0 || !leaf {
			continue // what is no leaf its formula tells itself
		}
		name := string(in.Key.ID)
		if in.Key.Place != valve.Nowhere {
			name += " at " + string(in.Key.Place)
		}
		if in.Key.Occasion == "" {
			name += " (not measured)"
		}
		list = append(list, name+" "+units.Format(sd, in.Unit, sdGrid)+" "+origin)
	}
	return "standard deviations of inputs: " + strings.Join(list, ", ")
}

const sdGrid = 0.01

// SD gives the standard deviation of a measured value: stated, the site's, or
// the leaf's; known is false if none of them exists.
func (r *Reader) SD(k valve.Key) (sd float64, known bool) { return r.inputSD(k) }

// needsMethod says whether a value is a measurement whose method matters. What
// is planned, the dimensions of a step (a device's, or of a cut) and the
// patient's height and weight have none.
func needsMethod(k valve.Key) bool {
	return k.Role == valve.Measured && k.Place.Step() == "" && k.Occasion != valve.AtIdentity
}

// withoutMethod gives the leaves read whose method matters and is not stated.
func (r *Reader) withoutMethod() []string {
	var ids []string
	for _, in := range r.used {
		m, _ := r.Measurement(in.Key)
		if needsMethod(in.Key) && m.Context.Method == "" && !slices.Contains(ids, string(in.Key.ID)) {
			ids = append(ids, string(in.Key.ID))
		}
	}
	return ids
}

// commonMethod gives the method if all inputs that state one state the same.
func (r *Reader) commonMethod() valve.Method {
	var common valve.Method
	for _, in := range r.used {
		m, _ := r.Measurement(in.Key)
		method := m.Context.Method
		switch {
		case method == "":
		case common == "":
			common = method
		case common != method:
			return ""
		}
	}
	return common
}

// quantity is any of the quantity types.
type quantity interface{ ~float64 }

// Handle is a leaf with the type of its quantity, so that a formula cannot be
// given a leaf of another kind.
type Handle[T quantity] struct{ ID valve.ID }

// Key gives the key of the leaf at a place of an occasion.
func (h Handle[T]) Key(p valve.Place, o valve.Occasion, role valve.Role) valve.Key {
	return valve.Key{ID: h.ID, Place: p, Occasion: o, Role: role}
}

// Of reads the measured leaf without a place at the occasion being answered.
func (h Handle[T]) Of(r *Reader) T {
	return T(r.Read(h.Key(valve.Nowhere, r.at.Occasion, valve.Measured)))
}

// In says whether the measured leaf without a place is there at the occasion
// being answered.
func (h Handle[T]) In(r *Reader) bool {
	return r.Has(h.Key(valve.Nowhere, r.at.Occasion, valve.Measured))
}

// At reads the measured leaf at a place of an occasion.
func (h Handle[T]) At(r *Reader, p valve.Place, o valve.Occasion) T {
	return T(r.Read(h.Key(p, o, valve.Measured)))
}

// Planned reads the planned leaf at a place of the plan.
func (h Handle[T]) Planned(r *Reader, p valve.Place) T {
	return T(r.Read(h.Key(p, valve.AtPlan, valve.Planned)))
}
