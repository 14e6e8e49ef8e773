package rules

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Reader gives a rule the measured values, the computed metrics, what cannot be
// measured and the limits, and records what it read. Values are compared through
// it, so that one that is not a number surfaces instead of keeping the rule.
type Reader struct {
	*metric.Reader
	values []metric.Value
	limits []settings.Threshold
	facts  []Fact
	faulty bool // a value that is not a number was compared
	failed bool // the check broke down
}

// Fact is something read that is no measured value: a time, a count, a word.
type Fact struct{ Name, Value string }

// Limit gives a limit by name and records it.
func (r *Reader) Limit(name string) settings.Threshold {
	t := r.Settings().Threshold(name)
	if !slices.Contains(r.limits, t) {
		r.limits = append(r.limits, t)
	}
	return t
}

// Beyond says whether a value exceeds the upper limit of that name.
func (r *Reader) Beyond(v float64, limit string) bool {
	t := r.Limit(limit)
	return r.comparable(v) && t.Beyond(v)
}

// Below says whether a value falls short of the lower limit of that name.
func (r *Reader) Below(v float64, limit string) bool {
	t := r.Limit(limit)
	return r.comparable(v) && t.Below(v)
}

// AtLeast says whether a is at least b.
func (r *Reader) AtLeast(a, b float64) bool { return r.comparable(a, b) && a >= b }

// Greater says whether a is greater than b.
func (r *Reader) Greater(a, b float64) bool { return r.comparable(a, b) && a > b }

func (r *Reader) comparable(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			r.faulty = true
			return false
		}
	}
	return true
}

// Margin gives the difference by which two values of one method may differ: the
// limit of that name, or the site's number of their combined standard deviations
// where that is more.
func (r *Reader) Margin(limit string, keys ...valve.Key) float64 {
	return r.MarginOf(limit, 0, keys...)
}

// MarginOf is Margin with the standard deviation of a computed value beside
// those of measured ones.
func (r *Reader) MarginOf(limit string, sd float64, keys ...valve.Key) float64 {
	variance := sd * sd
	for _, k := range keys {
		if sd, known := r.SD(k); known {
			variance += sd * sd
		}
	}
	return max(r.Limit(limit).Value, r.Limit(settings.MarginSDs).Value*math.Sqrt(variance))
}

// Fact records something read that is no measured value; the finding's identity
// depends on it.
func (r *Reader) Fact(name, value string) { r.facts = append(r.facts, Fact{name, value}) }

// MissFact records that something that is no measured value would have been
// needed.
func (r *Reader) MissFact(name string, section valve.Occasion) {
	r.Miss(valve.Key{ID: valve.ID(name), Occasion: section})
}

// Word reads a word and records it, or that it is missing.
func (r *Reader) Word(name, word string, section valve.Occasion) (string, bool) {
	if word == "" {
		r.MissFact(name, section)
		return "", false
	}
	r.Fact(name, word)
	return word, true
}

// Clock reads a time and records it, or that it is missing.
func (r *Reader) Clock(name string, t time.Time, section valve.Occasion) (time.Time, bool) {
	if t.IsZero() {
		r.MissFact(name, section)
		return t, false
	}
	r.Fact(name, t.UTC().Format(time.RFC3339))
	return t, true
}

// OperationDay gives the civil date of the incision in the site's zone and
// records it, or what is missing.
func (r *Reader) OperationDay() (string, bool) {
	var incision time.Time
	if o := r.Case().Operation; o != nil {
		incision = o.IncisionTime
	}
	if incision.IsZero() {
		r.MissFact("incision_time", valve.AtOperation)
		return "", false
	}
	zone, err := time.LoadLocation(r.Settings().Zone)
	if err != nil {
		r.MissFact("zone", "policy")
		return "", false
	}
	day := incision.In(zone).Format(time.DateOnly)
	r.Fact("operation_day", day)
	return day, true
}

// Count reads a count and records it, or that it is missing.
func (r *Reader) Count(name string, n units.Maybe[int], section valve.Occasion) (int, bool) {
	v, ok := n.Get()
	if !ok {
		r.MissFact(name, section)
		return 0, false
	}
	r.Fact(name, strconv.Itoa(v))
	return v, true
}

// Complete records that a list would have to be known to be all there was, if it
// is not.
func (r *Reader) Complete(list string, recorded valve.Recorded, section valve.Occasion) bool {
	if recorded != valve.Complete {
		r.MissFact(list, section)
		return false
	}
	r.Fact(list, string(recorded))
	return true
}

// Peek gives a value of the catalogue without recording it.
func (r *Reader) Peek(k valve.Key) (metric.Value, bool) {
	i := slices.IndexFunc(r.values, func(v metric.Value) bool { return v.Key == k })
	if i < 0 {
		return metric.Value{}, false
	}
	return r.values[i], true
}

// Metric gives the rounded value of a metric under its key and takes over its
// inputs, or what it misses; ok is false if there is no value.
func (r *Reader) Metric(k valve.Key) (value float64, ok bool) {
	v, found := r.Peek(k)
	for _, in := range v.Inputs {
		r.Read(in.Key)
	}
	if found && v.State == metric.HasValue {
		return v.Value, true
	}
	for _, missing := range v.Missing {
		r.Miss(valve.Key{ID: valve.ID(missing)})
	}
	if len(v.Missing) == 0 {
		r.Miss(k)
	}
	return 0, false
}

// Here gives the key of a leaf at the place that is being judged.
func (r *Reader) Here(leaf valve.ID) valve.Key { return r.At().Key(leaf) }

// Derived gives the key of a metric at a place of an occasion.
func (r *Reader) Derived(id valve.ID, place valve.Place, o valve.Occasion) valve.Key {
	return valve.Key{ID: id, Place: place, Occasion: o, Role: valve.Derived}
}

// Beside gives the key of a leaf at another place of the occasion that is being
// judged.
func (r *Reader) Beside(leaf valve.ID, place valve.Place) valve.Key {
	at := r.At()
	at.Place = place
	return at.Key(leaf)
}

// InStudy gives the key under which a leaf stands in the study that is being
// judged: in its own section, else in another section of the same study.
func (r *Reader) InStudy(leaf valve.ID, place valve.Place) valve.Key {
	own := r.Beside(leaf, place)
	study := r.Study()
	if study == nil || r.Has(own) {
		return own
	}
	for i := range r.Case().Studies {
		other := own
		other.Occasion = r.Case().Studies[i].Occasion
		if r.Case().Studies[i].StudyID == study.StudyID && r.Has(other) {
			return other
		}
	}
	return own
}

// OneMethod says whether two values were measured by one method, as far as
// anyone stated one.
func (r *Reader) OneMethod(a, b valve.Key) bool {
	return r.method(a) == r.method(b)
}

// MayCompare says whether nothing that is stated forbids to compare two lengths:
// neither another method nor another load.
func (r *Reader) MayCompare(a, b valve.Key) bool {
	m, _ := r.Measurement(a)
	n, _ := r.Measurement(b)
	agree := func(a, b string) bool { return a == "" || b == "" || a == b }
	return agree(string(m.Context.Method), string(n.Context.Method)) && agree(string(m.Context.Load), string(n.Context.Load))
}

func (r *Reader) method(k valve.Key) valve.Method {
	m, _ := r.Measurement(k)
	return m.Context.Method
}

// OnePhase says whether nothing that is stated puts two values into different
// phases of the cardiac cycle.
func (r *Reader) OnePhase(a, b valve.Key) bool {
	m, _ := r.Measurement(a)
	n, _ := r.Measurement(b)
	return m.Context.Phase == "" || n.Context.Phase == "" || m.Context.Phase == n.Context.Phase
}

// Run gives the run on the pump that is being judged.
func (r *Reader) Run(number int) repair.Run {
	for _, run := range r.Case().Operation.Runs {
		if run.Number == number {
			return run
		}
	}
	return repair.Run{}
}

// Step gives the step that is being judged.
func (r *Reader) Step() repair.Step {
	for _, s := range stepsAt(r.Case(), r.At().Occasion) {
		if s.ID == r.At().Place.Step() {
			return s
		}
	}
	return repair.Step{}
}

// Text prints a measured value as it was sent, with its unit.
func (r *Reader) Text(k valve.Key) string {
	m, _ := r.Measurement(k)
	v, ok := m.Value.Get()
	if !ok {
		return "not recorded"
	}
	return Amount(k.ID, v)
}

// Amount prints a value of a leaf or a metric with its unit, on its grid, or as
// much finer as the value was sent: a value above its limit must not print as
// the limit.
func Amount(id valve.ID, v float64) string {
	unit, grid, known := metric.Describe(id)
	if !known {
		grid = 1
	}
	return exact(v, unit, grid)
}

// LimitText prints the limit of that name.
func (r *Reader) LimitText(name string) string {
	t := r.Limit(name)
	return exact(t.Value, t.Unit, 1)
}

func exact(v float64, unit units.Unit, grid float64) string {
	const finest = 1e-3
	for grid > finest && units.Round(v, grid) != v {
		grid /= 10
	}
	return units.Format(v, unit, grid)
}

// leafName prints what a leaf is called, without what is said after a comma.
func leafName(leaf metric.Leaf) string {
	name, _, _ := strings.Cut(leaf.Name, ",")
	return name
}

// millimetres prints a computed length.
func millimetres(v float64) string { return units.Format(v, units.MM, lengthGrid) }

// lengthGrid is the grid on which computed lengths are printed.
const lengthGrid = 0.1

// ratioGrid is the grid on which computed ratios are compared and printed.
const ratioGrid = 0.01

// segmentName prints a segment: A2, P3.
func segmentName(s valve.Segment) string { return strings.ToUpper(string(s)) }

// minutes prints a time span in whole minutes.
func minutes(d time.Duration) string { return fmt.Sprintf("%.0f min", d.Minutes()) }

// within gives the keys that belong to a section.
func within(section string, keys ...valve.Key) []valve.Key {
	return slices.DeleteFunc(keys, func(k valve.Key) bool { return k.Occasion.Section() != section })
}

// broken is the verdict of a broken rule.
func broken(format string, args ...any) Verdict {
	return Verdict{Broken: true, Message: fmt.Sprintf(format, args...)}
}
