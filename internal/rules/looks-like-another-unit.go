package rules

import (
	"cmp"
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

var looksLikeAnotherUnit = Rule{
	ID: "looks-like-another-unit", Reference: "R59",
	Summary:  "A value outside its plausible range is not one that another unit or a shifted decimal point would put inside it.",
	Severity: Note, Kind: Plausibility, Source: settings.SourceArithmetic,
	Advice:         "Check the unit and the decimal point, and send the value again.",
	Since:          "1",
	JudgesAllSince: "2", Explains: true,
	Where: valuePlaces,
	Check: func(r *Reader) Verdict {
		var said []string
		for _, k := range r.implausibleHere() {
			if reading, ok := slip(r, k); ok {
				r.Read(k)
				said = append(said, reading)
			}
		}
		if len(said) == 0 {
			return Verdict{}
		}
		return broken("%s.", upperFirst(strings.Join(said, "; ")))
	},
	Examples: []Example{
		{Name: "22 mm", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 22).Case()
		}},
		{Name: "2.2 for a height in mm", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 2.2).Case()
		}},
		{Name: "a jet of 5 where cm/s are meant", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.RegurgitationPeakVelocity, 5).Case()
		}},
		// Seen in a public reproduction of a table: 'ERO at least 40 cm2'.
		{Name: "an orifice area of 40 where cm² are meant", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.StatedRegurgitantOrificeArea, 40).Case()
		}},
		{Name: "the end of the range belongs to it", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 5).Case()
		}},
		{Name: "no value", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Absent(valve.LeafletHeight, valve.AtStation(valve.P2, valve.SegmentMid), valve.AbsentNotPossible).Case()
		}},
	},
}

// valuePlaces gives every occasion that has a value, and every place at which one
// is implausible.
func valuePlaces(c *repair.Case) []metric.At {
	list := places(c, func(k valve.Key, m valve.Measurement) (metric.At, bool) {
		if implausible(k, m) {
			here := atValue(k, m)
			here.Place = k.Place
			return here, true
		}
		return metric.At{Occasion: k.Occasion, Role: k.Role}, true
	})
	// An occasion whose own values are implausible is judged once, in its run.
	byRun := func(a, b metric.At) int {
		return cmp.Or(cmp.Compare(a.Occasion, b.Occasion), cmp.Compare(a.Place, b.Place), cmp.Compare(a.Role, b.Role),
			cmp.Compare(b.Run, a.Run), cmp.Compare(b.Stage, a.Stage))
	}
	slices.SortFunc(list, byRun)
	return slices.CompactFunc(list, func(a, b metric.At) bool {
		return a.Occasion == b.Occasion && a.Place == b.Place && a.Role == b.Role
	})
}

// ranges by leaf: what is plausible in every edition. The tables are long, and every
// value asks for its own.
var ranges = func() map[valve.ID]metric.Leaf {
	byID := map[valve.ID]metric.Leaf{}
	for _, leaf := range metric.Leaves() {
		for _, version := range SetVersions() {
			then, _ := metric.LeafUnder(leaf.ID, settings.EditionOf(version))
			leaf.Low, leaf.High = max(leaf.Low, then.Low), min(leaf.High, then.High)
		}
		byID[leaf.ID] = leaf
	}
	return byID
}()

// implausible says whether a value lies outside the plausible range that its leaf has
// in any edition: a place more than is needed is one that holds.
func implausible(k valve.Key, m valve.Measurement) bool {
	leaf, known := ranges[k.ID]
	return known && outside(leaf, m)
}

func outside(leaf metric.Leaf, m valve.Measurement) bool {
	v, ok := m.Value.Get()
	return ok && (v < leaf.Low || v > leaf.High)
}

// leaf gives the row of a value's leaf.
func (r *Reader) leaf(k valve.Key) metric.Leaf {
	leaf, _ := metric.LeafUnder(k.ID, r.Settings().Edition)
	return leaf
}

// implausibleHere gives the implausible values of the place that is judged, in
// order.
func (r *Reader) implausibleHere() []valve.Key {
	here := r.At()
	var list []valve.Key
	for k, m := range r.Case().Measured {
		if k.Occasion == here.Occasion && k.Place == here.Place && k.Role == here.Role && implausible(k, m) && outside(r.leaf(k), m) {
			list = append(list, k)
		}
	}
	slices.SortFunc(list, valve.Key.Compare)
	return list
}

// anotherUnit is a unit in which a value may have been typed, with the factor
// that makes the leaf's own of it.
type anotherUnit struct {
	name   string
	factor float64
}

// anotherUnits by the unit of the leaf; definitions of the units.
var anotherUnits = map[units.Unit][]anotherUnit{
	units.MM:       {{"cm", 10}, {"m", 1000}},
	units.SignedMM: {{"cm", 10}},
	units.CM2:      {{"mm²", 0.01}},
	units.ML:       {{"L", 1000}},
	units.StrokeCM: {{"mm", 0.1}, {"m", 100}},
	units.CMPerS:   {{"m/s", 100}},
	units.MMHg:     {{"kPa", 7.50062}},
	units.Percent:  {{"a share of 1", 100}},
	units.MS:       {{"s", 1000}},
	units.Degree:   {{"radians", 180 / math.Pi}},
	units.PerMin:   {{"a rate per second", 60}},
	units.HeightCM: {{"m", 100}, {"mm", 0.1}},
	units.KG:       {{"g", 0.001}},
	units.LPerMin:  {{"mL/min", 0.001}},
}

// shiftedPoint are the factors of a decimal point that slipped by one place.
var shiftedPoint = []float64{10, 0.1}

// slip says what a value would mean in another unit, or with the decimal point
// shifted, if that is plausible.
func slip(r *Reader, k valve.Key) (string, bool) {
	leaf := r.leaf(k)
	m, _ := r.Measurement(k)
	v, _ := m.Value.Get()
	unit, meant, ok := LooksLike(leaf, v)
	if !ok {
		return "", false
	}
	if unit == "" {
		unit = "a shifted decimal point"
	}
	return fmt.Sprintf("%s of %s looks like %s (%s)", leafName(leaf), r.Text(k), unit, Amount(k.ID, meant)), true
}

// LooksLike gives the unit in which a value outside the plausible range of its leaf
// would be plausible, and the value that would then be meant, on the leaf's grid; no
// unit: the decimal point slipped. ok is false for a plausible value, and for one that
// nothing explains.
func LooksLike(leaf metric.Leaf, v float64) (unit string, meant float64, ok bool) {
	plausible := func(x float64) bool { return x >= leaf.Low && x <= leaf.High && x != 0 }
	if v >= leaf.Low && v <= leaf.High {
		return "", 0, false
	}
	for _, u := range anotherUnits[leaf.Unit] {
		if x := v * u.factor; plausible(x) {
			return u.name, units.Round(x, leaf.Grid), true
		}
	}
	for _, factor := range shiftedPoint {
		if x := v * factor; plausible(x) {
			return "", units.Round(x, leaf.Grid), true
		}
	}
	return "", 0, false
}

func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
