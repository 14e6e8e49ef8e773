package geometry

import (
	"fmt"
	"math"

	"trigone/internal/units"
)

// Slice is one antero-posterior section of the valve, all in mm. Heights are
// from annulus to free edge along the surface, in the state in which the valve
// closes; the diameter is from hinge to hinge; Depth is how far the entry of the
// coaptation lies from the annular plane, taken without sign.
type Slice struct {
	Anterior  units.Length
	Posterior units.Length
	Diameter  units.Length
	Depth     units.Length
}

// Closure is what the model says of a slice. Contact is the material of one
// leaflet beyond the entry of the coaptation; below 0 the leaflet does not reach
// it. MeanContact is the mean of the two, Overlap the part where both leaflets
// meet (0 if they do not): they are equal only where both tips end level, and
// Overlap is what echo sees. AnteriorShare is the position of the closure line
// from the anterior hinge as a share of the diameter.
type Closure struct {
	AnteriorShare    units.Ratio
	ExposedAnterior  units.Length
	ExposedPosterior units.Length
	ContactAnterior  units.Offset
	ContactPosterior units.Offset
	MeanContact      units.Offset
	Overlap          units.Length
}

// Limits of the closure line when both leaflets slide freely.
const (
	nearestLine  = 0.05
	farthestLine = 0.95
)

// FlatCoaptation gives the coaptation length of a flat slice with both tips
// level; below 0 it is a gap.
//
//	c = (a + p − d) / 2   (mm)
//
// Accepted: heights and diameter above 0. Source: derived; equal to
// d·(index − 1)/2 with LeafletToAnnulusIndex.
func FlatCoaptation(anterior, posterior, diameter units.Length) units.Offset {
	return anterior.Plus(posterior).Minus(diameter).Scaled(0.5)
}

// FlatAnteriorShare gives the position of the closure line of the flat slice
// from the anterior hinge as a share of the diameter.
//
//	s = ½ + (a − p) / (2·d)   (1)
//
// Accepted: diameter above 0; outside 0 to 1 the flat form has no meaning.
// Source: derived.
func FlatAnteriorShare(anterior, posterior, diameter units.Length) units.Ratio {
	return 0.5 + units.Ratio(float64(anterior.Minus(posterior))/(2*float64(diameter)))
}

// HeldClosure gives the closure of a slice whose closure line is held at a
// share of the diameter from the anterior hinge, as by chords.
//
//	eA = √((s·d)² + h²), eP = √(((1−s)·d)² + h²)
//	cA = a − eA, cP = p − eP, mean = (cA + cP)/2, overlap = max(0, min(cA, cP))
//
// Accepted: see ErrSlice, which is the only error. Source: derived, straight
// exposed leaflets.
func HeldClosure(s Slice, anteriorShare units.Ratio) (Closure, error) {
	if !s.usable() || !(anteriorShare > 0 && anteriorShare < 1) {
		return Closure{}, ErrSlice
	}
	return s.closedAt(anteriorShare), nil
}

// FreeClosure gives the closure of a slice whose leaflets slide freely until
// both tips are level; then mean contact and overlap agree. With δ = a − p:
//
//	c = (a + p − d·√(1 + 4h²/(d² − δ²))) / 2   (mm)
//	s = (d² − δ² + 2·δ·(a − c)) / (2·d²)        (1)
//
// Accepted: see ErrSlice. ErrNoLine if no line within 5 to 95 % of the diameter
// brings the tips level. Source: derived, as HeldClosure, by solving cA = cP.
func FreeClosure(s Slice) (Closure, error) {
	if !s.usable() {
		return Closure{}, ErrSlice
	}
	share, ok := s.levelShare()
	if !ok {
		return Closure{}, ErrNoLine
	}
	return s.closedAt(share), nil
}

// SettledClosure gives FreeClosure, and where no line brings the tips level the
// closure with the line at the nearest end of its range. It is for draws and for
// inputs moved by their uncertainty; CheckDomain refuses a value at such an end.
//
// Accepted: see ErrSlice, which is the only error.
func SettledClosure(s Slice) (Closure, error) {
	if !s.usable() {
		return Closure{}, ErrSlice
	}
	share, _ := s.levelShare()
	return s.closedAt(share), nil
}

// levelShare gives the line that brings both tips level; ok is false, and the
// share the nearest end of its range, where there is none within the range.
func (s Slice) levelShare() (share units.Ratio, ok bool) {
	difference, d, h := float64(s.Anterior.Minus(s.Posterior)), float64(s.Diameter), float64(s.Depth)
	square := d*d - difference*difference
	if !(square > 0) {
		if difference < 0 {
			return nearestLine, false
		}
		return farthestLine, false
	}
	exposed := (difference + d*math.Sqrt(1+4*h*h/square)) / 2
	share = units.Ratio((square + 2*difference*exposed) / (2 * d * d))
	return min(max(share, nearestLine), farthestLine), share >= nearestLine && share <= farthestLine
}

// Domain of the closure model: outside it a number would suggest a knowledge
// that the model has not. Derived with judgement, no published source.
const (
	LeastShare    units.Ratio  = 0.35
	MostShare     units.Ratio  = 0.90
	LeastDiameter units.Length = 15
	MostDiameter  units.Length = 45
	MostDepth     units.Length = 15
)

// DomainOfDiameter and DomainOfLine say in words which diameters and closure lines the
// model speaks of.
var (
	DomainOfDiameter = fmt.Sprintf("%g to %g mm", float64(LeastDiameter), float64(MostDiameter))
	DomainOfLine     = fmt.Sprintf("%.0f to %.0f %%", 100*float64(LeastShare), 100*float64(MostShare))
)

// CheckDomain gives ErrSlice for an unusable slice, ErrDomain if the diameter
// lies outside 15 to 45 mm, the depth above 15 mm or the closure line outside
// 0.35 to 0.90 of the diameter from the anterior hinge, and else nil. An open
// cleft, prolapse of a commissure, restriction, calcification, an edge-to-edge
// suture and systolic anterior motion lie outside too: those the caller knows.
func CheckDomain(s Slice, anteriorShare units.Ratio) error {
	if !s.usable() || math.IsNaN(float64(anteriorShare)) {
		return ErrSlice
	}
	if s.Diameter < LeastDiameter || s.Diameter > MostDiameter || s.depth() > MostDepth ||
		anteriorShare < LeastShare || anteriorShare > MostShare {
		return ErrDomain
	}
	return nil
}

func (s Slice) usable() bool {
	for _, l := range []units.Length{s.Anterior, s.Posterior, s.Diameter} {
		if !(l > 0) || math.IsInf(float64(l), 0) {
			return false
		}
	}
	return !math.IsNaN(float64(s.Depth)) && !math.IsInf(float64(s.Depth), 0)
}

func (s Slice) depth() units.Length { return s.Depth.Offset().Size() }

func (s Slice) closedAt(share units.Ratio) Closure {
	c := Closure{
		AnteriorShare:    share,
		ExposedAnterior:  hypot(s.Diameter.Scaled(share), s.Depth),
		ExposedPosterior: hypot(s.Diameter.Scaled(1-share), s.Depth),
	}
	c.ContactAnterior = s.Anterior.Minus(c.ExposedAnterior)
	c.ContactPosterior = s.Posterior.Minus(c.ExposedPosterior)
	c.MeanContact = c.ContactAnterior.Plus(c.ContactPosterior).Scaled(0.5)
	c.Overlap = min(c.ContactAnterior, c.ContactPosterior).NotBelowZero()
	return c
}

func hypot(a, b units.Length) units.Length {
	return units.Length(math.Hypot(float64(a), float64(b)))
}
