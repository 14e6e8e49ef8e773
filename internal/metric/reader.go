package metric

import (
	"math"
	"slices"
	"strings"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

// Reader is the only way from a formula or a rule to a measured value. It records
// the inputs that were used and those that are missing, and can move one of them
// by its standard deviation.
type Reader struct {
	c  *repair.Case
	s  settings.Settings
	at At

	used    []valve.InputValue
	missing []valve.Key
	// notes of the formula
	notApplicable bool
	refused       bool
	notes         []string
	explanation   string // the notes as one text
	modelSD       float64
	observationSD float64

	// A probe computes once more beside the values, with one of them moved; it
	// records nothing.
	probe bool
	moved valve.Key
	by    float64

	memo *memo
}

// NewReader gives a reader for one place of one case.
func NewReader(c *repair.Case, s settings.Settings, at At) *Reader {
	return &Reader{c: c, s: s, at: at, memo: &memo{}}
}

// Case gives the case.
func (r *Reader) Case() *repair.Case { return r.c }

// Settings gives the settings.
func (r *Reader) Settings() settings.Settings { return r.s }

// At gives the place that is being answered.
func (r *Reader) At() At { return r.at }

// Study gives the study of the occasion that is being answered, or nil.
func (r *Reader) Study() *repair.Study { return r.c.StudyAt(r.at.Occasion) }

// Measurement gives a measured value with its context, without recording it.
func (r *Reader) Measurement(k valve.Key) (valve.Measurement, bool) {
	m, ok := r.c.Measured[k]
	return m, ok
}

// Has says whether a value is there, without recording it.
func (r *Reader) Has(k valve.Key) bool {
	m, ok := r.c.Measured[k]
	return ok && m.Value.IsSome()
}

// Read gives the value under a key and records it; a missing value is recorded
// and read as NaN.
func (r *Reader) Read(k valve.Key) float64 {
	v, has := r.c.Measured[k].Value.Get()
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
		leaf, _ := LeafByID(k.ID)
		r.used = append(r.used, valve.InputValue{Key: k, Value: v, Unit: leaf.Unit})
	}
	return v
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
	r.Explain(why)
}

// Refuse says that no value can be given although no measured value is missing,
// and why.
func (r *Reader) Refuse(why string) {
	r.refused = true
	r.Explain(why)
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

// Inputs gives the values read, in the order of reading.
func (r *Reader) Inputs() []valve.InputValue { return slices.Clone(r.used) }

// Missing gives the values that were needed and are not there.
func (r *Reader) Missing() []valve.Key { return slices.Clone(r.missing) }

// MissingText gives them as text.
func (r *Reader) MissingText() []string {
	if len(r.missing) == 0 {
		return nil
	}
	list := make([]string, len(r.missing))
	for i, k := range r.missing {
		list[i] = k.String()
	}
	return list
}

func (r *Reader) perturbed(k valve.Key, by float64) *Reader {
	return &Reader{c: r.c, s: r.s, at: r.at, memo: r.memo, probe: true, moved: k, by: by}
}

// unstatedContextFactor widens an assumed standard deviation where the method of
// measurement is not stated.
const unstatedContextFactor = 2

// inputSD gives the standard deviation of a value: stated, the site's, or the
// leaf's; known is false if none of them exists.
func (r *Reader) inputSD(k valve.Key) (sd float64, known bool) {
	m := r.c.Measured[k]
	if stated, ok := m.SD.Get(); ok {
		return stated, true
	}
	leaf, ok := LeafByID(k.ID)
	if !ok {
		return 0, false
	}
	value, _ := m.Value.Get()
	assumed, ok := leaf.AssumedSD(k.Place, value)
	if site, stated := r.s.InputSDs[k.ID]; stated {
		assumed, ok = site.SD, site.SD > 0
	}
	if !ok {
		return 0, false
	}
	if needsMethod(k) && m.Context.Method == "" {
		assumed *= unstatedContextFactor
	}
	return assumed, true
}

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
		if needsMethod(in.Key) && r.c.Measured[in.Key].Context.Method == "" && !slices.Contains(ids, in.Key.ID) {
			ids = append(ids, in.Key.ID)
		}
	}
	return ids
}

// commonMethod gives the method if all inputs that state one state the same.
func (r *Reader) commonMethod() valve.Method {
	var common valve.Method
	for _, in := range r.used {
		method := r.c.Measured[in.Key].Context.Method
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
type Handle[T quantity] struct{ ID string }

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
