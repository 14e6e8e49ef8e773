package metric

import (
	"crypto/sha256"
	"math"
	"slices"
	"strconv"

	"trigone/internal/geometry"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// drawCount is the number of draws behind one interval: the standard deviation is
// then known to about 1 %, the ends of the interval to about 0.1 mm.
const drawCount = 4096

// nearZero is the number of standard deviations within which a quantity that
// cannot fall below 0 is no longer carried to first order.
const nearZero = 2

// draws is how a prediction is drawn where the first order does not hold.
type draws struct {
	value func(c geometry.Closure, model float64) float64
	floor bool // neither the value nor an observation of it falls below 0
}

// drawBy states how the prediction of a slice follows from one closure and one
// error of the model.
func (r *Reader) drawBy(value func(c geometry.Closure, model float64) float64, floor bool) {
	r.draws = &draws{value, floor}
}

// vector is a closing as numbers: heights, diameter, depth, and the line where it
// is held.
type vector [5]float64

const (
	atAnterior = iota
	atPosterior
	atDiameter
	atDepth
	atLine
)

// leastLength keeps an absurd draw a slice.
const leastLength = 0.1

func vectorOf(c closing) vector {
	line, _ := c.line.Get()
	return vector{float64(c.Anterior), float64(c.Posterior), float64(c.Diameter), float64(c.Depth), float64(line)}
}

func (v vector) closing(held bool) closing {
	length := func(i int) units.Length { return units.Length(max(v[i], leastLength)) }
	c := closing{Slice: geometry.Slice{
		Anterior: length(atAnterior), Posterior: length(atPosterior), Diameter: length(atDiameter), Depth: units.Length(v[atDepth]),
	}}
	if held {
		const edge = 0.01
		c.line = units.Some(units.Ratio(min(max(v[atLine], edge), 1-edge)))
	}
	return c
}

// take replaces the first order by draws, if the value is within two standard
// deviations of 0 or the depth of coaptation within two of its own: below 0 there
// is no overlap, and a depth counts by its size. done is false where the first
// order holds. The inputs move the slice to first order; how the slice closes is
// computed anew for each draw.
func (d *draws) take(m *Metric, r *Reader, v *Value, sd float64) (done bool) {
	if d == nil {
		return false
	}
	slice := sliceAt(r)
	at := func(probe *Reader) vector {
		c, _, _ := predictedSlice(probe, slice)
		return vectorOf(c)
	}
	middle, _, _ := predictedSlice(r.aside(), slice)
	var steps []vector
	var depthVariance float64
	for _, in := range r.uncertain() {
		inputSD, _ := r.inputSD(in.Key)
		up, down := at(r.perturbed(in.Key, +inputSD)), at(r.perturbed(in.Key, -inputSD))
		var step vector
		for i := range step {
			step[i] = (up[i] - down[i]) / 2
		}
		depthVariance += step[atDepth] * step[atDepth]
		steps = append(steps, step)
	}
	if v.Value >= nearZero*sd && math.Abs(float64(middle.Depth)) >= nearZero*math.Sqrt(depthVariance) {
		return false
	}
	mean, held := vectorOf(middle), middle.line.IsSome()
	seed := r.seed()
	drawn, ok := geometry.MonteCarlo(seed, drawCount, func(normal func() float64) (value, observed float64) {
		x := mean
		for _, step := range steps {
			z := normal()
			for i := range x {
				x[i] += z * step[i]
			}
		}
		closed, err := x.closing(held).closure()
		if err != nil {
			return math.NaN(), math.NaN()
		}
		value = d.value(closed, r.modelSD*normal())
		observed = value + r.observationSD*normal()
		if d.floor {
			observed = max(0, observed)
		}
		return value, observed
	})
	if !ok {
		return false
	}
	upper := drawn.Upper
	if m.Most > 0 {
		upper = min(upper, m.Most)
	}
	v.SD = units.Some(drawn.SD)
	v.Lower, v.Upper = units.Some(units.Round(drawn.Lower, m.Grid)), units.Some(units.Round(upper, m.Grid))
	r.Explain("interval by Monte Carlo, " + itoa(drawCount) + " draws, seed " + strconv.FormatUint(seed, 16) +
		", their mean " + units.Format(drawn.Mean, m.Unit, m.Grid))
	v.Explanation = r.explanation
	return true
}

// seed makes a seed of what the value rests on: the keys, values and standard
// deviations read, in their order, and the place being answered. A change
// elsewhere in the case leaves the interval as it was.
func (r *Reader) seed() uint64 {
	inputs := r.uncertain()
	slices.SortFunc(inputs, func(a, b valve.InputValue) int { return a.Key.Compare(b.Key) })
	text := r.at.Key("").String() + string(r.at.Role)
	for _, in := range inputs {
		sd, _ := r.inputSD(in.Key)
		text += "\n" + in.Key.String() + " " + string(in.Key.Role) + " " + exact(in.Value) + " " + exact(sd)
	}
	sum := sha256.Sum256([]byte(text))
	var seed uint64
	for _, b := range sum[:8] {
		seed = seed<<8 | uint64(b)
	}
	return seed
}

func exact(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
