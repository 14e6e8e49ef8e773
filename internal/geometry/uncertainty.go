package geometry

import (
	"math"

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
