package geometry

import (
	"math"
	"math/rand/v2"

	"trigone/internal/units"
)

// Sensitivity is the change of the predicted coaptation length per mm of each
// input (mm/mm).
type Sensitivity struct {
	Anterior  units.Ratio
	Posterior units.Ratio
	Diameter  units.Ratio
	Depth     units.Ratio
}

// FlatSensitivity gives the sensitivities of FlatCoaptation, which are the same
// everywhere: +½, +½, −½, 0. Source: derived.
func FlatSensitivity() Sensitivity {
	return Sensitivity{Anterior: 0.5, Posterior: 0.5, Diameter: -0.5}
}

// FreeSensitivity gives the sensitivities of FreeClosure's overlap. With α and β
// the angles between each exposed leaflet and the annular plane
//
//	∂c/∂a = cos β/(cos α + cos β),   ∂c/∂p = cos α/(cos α + cos β)
//	∂c/∂d = −cos α·cos β/(cos α + cos β),   ∂c/∂h = −sin(α + β)/(cos α + cos β)
//
// Accepted and errors: as FreeClosure; at a depth of 0 they are FlatSensitivity.
// A negative depth counts as its size and Depth is the change per mm of that
// size. Source: derived by differentiating cA = cP.
func FreeSensitivity(s Slice) (Sensitivity, error) {
	c, err := FreeClosure(s)
	if err != nil {
		return Sensitivity{}, err
	}
	front, back := float64(c.ExposedAnterior), float64(c.ExposedPosterior)
	d, h, share := float64(s.Diameter), float64(s.depth()), float64(c.AnteriorShare)
	cosA, sinA := share*d/front, h/front
	cosB, sinB := (1-share)*d/back, h/back
	sum := cosA + cosB
	return Sensitivity{
		Anterior:  units.Ratio(cosB / sum),
		Posterior: units.Ratio(cosA / sum),
		Diameter:  units.Ratio(-cosA * cosB / sum),
		Depth:     units.Ratio(-(sinA*cosB + cosA*sinB) / sum),
	}, nil
}

// InputSD holds the standard uncertainties of a slice's inputs (mm).
type InputSD struct {
	Anterior  units.Length
	Posterior units.Length
	Diameter  units.Length
	Depth     units.Length
}

// Propagate gives the standard uncertainty of the predicted coaptation length to
// first order from independent inputs and the model's own.
//
//	σ² = Σ(∂c/∂x · σx)² + σmodel²   (mm)
//
// Accepted: 0 or more each; where the prediction is below 2 σ, or the depth is
// uncertain near 0, the first order no longer holds. Source: derived.
func (s Sensitivity) Propagate(in InputSD, model units.Length) units.Length {
	sum := float64(model) * float64(model)
	for _, term := range []units.Length{
		in.Anterior.Scaled(s.Anterior), in.Posterior.Scaled(s.Posterior),
		in.Diameter.Scaled(s.Diameter), in.Depth.Scaled(s.Depth),
	} {
		sum += float64(term) * float64(term)
	}
	return units.Length(math.Sqrt(sum))
}

// Drawn is what a Monte Carlo run says of a quantity: mean and standard deviation
// of the quantity, and between which values 95 % of its observations lie.
type Drawn struct {
	Mean  float64
	SD    float64
	Lower float64
	Upper float64
}

// MonteCarlo draws a quantity, and one observation of it, as often as told, from
// a generator with the given seed: same seed, same answer. Draw gets normal
// variates of mean 0 and standard deviation 1, as many each time. Every second
// draw gets those of the one before with the other sign, so that what the inputs
// do evenly to both sides does not blur the mean.
//
// Accepted: 40 draws or more; ok is false for fewer, and where a draw is not
// finite.
func MonteCarlo(seed uint64, draws int, draw func(normal func() float64) (value, observed float64)) (d Drawn, ok bool) {
	const tail = 40 // one of 40 draws lies beyond each end of 95 %
	if draws < tail {
		return Drawn{}, false
	}
	random := rand.New(rand.NewPCG(seed, 0))
	var tape []float64 // the variates of this pair
	var played int
	fresh := func() float64 {
		z := random.NormFloat64()
		tape = append(tape, z)
		return z
	}
	mirrored := func() float64 {
		played++
		return -tape[played-1]
	}
	values, observations := make([]float64, draws), make([]float64, draws)
	var sum float64
	for i := range draws {
		if i%2 == 0 {
			tape = tape[:0]
			values[i], observations[i] = draw(fresh)
		} else {
			played = 0
			values[i], observations[i] = draw(mirrored)
		}
		if !isFinite(values[i]) || !isFinite(observations[i]) {
			return Drawn{}, false
		}
		sum += values[i]
	}
	d.Mean = sum / float64(draws)
	var squares float64
	for _, v := range values {
		squares += (v - d.Mean) * (v - d.Mean)
	}
	d.SD = math.Sqrt(squares / float64(draws-1))
	d.Lower, d.Upper = inOrder(observations, draws/tail), inOrder(observations, draws-1-draws/tail)
	return d, true
}

// inOrder gives the value that would stand at a place if the list were sorted. It
// puts the list in order around that place only, by Hoare's selection (CACM
// 1961;4:321): two places of thousands are read.
func inOrder(list []float64, place int) float64 {
	for low, high := 0, len(list)-1; low < high; {
		pivot := list[place]
		i, j := low, high
		for i <= j {
			for list[i] < pivot {
				i++
			}
			for list[j] > pivot {
				j--
			}
			if i <= j {
				list[i], list[j] = list[j], list[i]
				i, j = i+1, j-1
			}
		}
		if j < place {
			low = i
		}
		if i > place {
			high = j
		}
	}
	return list[place]
}

func isFinite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
