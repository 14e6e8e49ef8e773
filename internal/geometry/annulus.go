package geometry

import (
	"math"

	"trigone/internal/units"
)

// CircleArea gives the area of a circle.
//
//	A = π/4 · d²   (d mm, A cm2)
//
// Accepted: diameter above 0. Source: arithmetic.
func CircleArea(diameter units.Length) units.Area { return EllipseArea(diameter, diameter) }

// CirclePerimeter gives the perimeter of a circle.
//
//	P = π · d   (mm)
//
// Accepted: diameter above 0. Source: arithmetic.
func CirclePerimeter(diameter units.Length) units.Length { return diameter.Scaled(math.Pi) }

// EllipseArea gives the area of an ellipse from its two diameters: the planar
// estimate of an annulus area, or the orifice of a complete ring from its inner
// dimensions. For the annulus it came out 2.8 to 10.8 % below the planimetered
// means of all phases of BioMed Res Int 2020:3261714, Table 3 (read).
//
//	A = π/4 · AP · T   (mm, A cm2)
//
// Accepted: diameters above 0, hinge to hinge or inner, same phase. Source:
// arithmetic.
func EllipseArea(anteroPosterior, transverse units.Length) units.Area {
	return anteroPosterior.Times(transverse).Scaled(math.Pi / 4)
}

// RingOrifice gives the inner geometric orifice of a complete ring from its
// inner dimensions, as EllipseArea. It is not the effective orifice: no gradient
// is computed from it.
func RingOrifice(anteroPosterior, transverse units.Length) units.Area {
	return EllipseArea(anteroPosterior, transverse)
}

// EllipsePerimeter gives the perimeter of an ellipse from its two diameters by
// the second approximation of Ramanujan (1914); it agrees with the elliptic
// integral to 1e-6 for annulus shapes.
//
//	P = π(a+b)(1 + 3h/(10+√(4−3h))), h = ((a−b)/(a+b))², a and b half diameters   (mm)
//
// Accepted: diameters above 0. Source: mathematics; formula tested
// against the elliptic integral.
func EllipsePerimeter(anteroPosterior, transverse units.Length) units.Length {
	a, b := float64(anteroPosterior)/2, float64(transverse)/2
	h := (a - b) / (a + b)
	h *= h
	return units.Length(math.Pi * (a + b) * (1 + 3*h/(10+math.Sqrt(4-3*h))))
}

// Sphericity gives the antero-posterior over the transverse (anterolateral to
// posteromedial) diameter; its inverse is also in use under other names.
//
//	AP / T   (mm, 1)
//
// Accepted: diameters above 0, same phase. Source: BioMed Res Int 2020:3261714,
// Table 3, read.
func Sphericity(anteroPosterior, transverse units.Length) units.Ratio {
	return anteroPosterior.Over(transverse)
}

// HeightToWidth gives the annular height as a share of the commissural width.
//
//	100 · height / width   (mm, %)
//
// Accepted: width above 0, same phase. It differs more between methods than
// between diseases: for information only. Source: Topilsky et al., J Am Heart
// Assoc 2013;2:e000039, read in the abstract.
func HeightToWidth(height, commissural units.Length) units.Fraction {
	return height.Over(commissural).Percent()
}

// IsoperimetricQuotient compares a perimeter with the area that it encloses. It
// is 1 for a circle and more for every other shape, flat or not; below 1 the two
// values contradict each other (swapped, or in another unit).
//
//	P² / (4·π·A)   (P mm, A cm2, 1)
//
// Accepted: area above 0. Rounded values of a near-circle may fall just below 1.
// Source: mathematics.
func IsoperimetricQuotient(perimeter units.Length, area units.Area) units.Ratio {
	return perimeter.Times(perimeter).Over(area.Scaled(4 * math.Pi))
}

// LeafletToAnnulusIndex gives the sum of both leaflet heights over the
// antero-posterior diameter.
//
//	(a + p) / d   (mm, 1)
//
// Accepted: diameter above 0, one phase. Normal 1.19 ± 0.15 (J Am Coll Cardiol
// 1988;12:1423, read in the abstract). Source: definition read in Manzan, Ann
// Cardiothorac Surg 2018.
func LeafletToAnnulusIndex(anterior, posterior, diameter units.Length) units.Ratio {
	return anterior.Plus(posterior).Over(diameter)
}

// TrigoneDistance gives the mean distance between the trigones of 82 fresh
// hearts as a function of the body surface: a rough reference, no measurement.
//
//	L = 0.54 · ln(BSA) + 1.55   (BSA m2, L cm; given in mm)
//
// Accepted: body surface about 1 to 2.2 m2. Source: PMID 17965505, read in the
// abstract.
func TrigoneDistance(surface units.BodySurface) units.Length {
	return units.LengthFromCM(0.54*math.Log(float64(surface)) + 1.55)
}

// PosteriorArcOfTrigones gives the length of the posterior annulus from trigone
// to trigone that belongs to a distance between the trigones.
//
//	3.33 · L   (mm)
//
// Accepted: above 0. Source: as TrigoneDistance.
func PosteriorArcOfTrigones(distance units.Length) units.Length {
	return distance.Scaled(3.33)
}

// AnteriorArcOfTrigones gives the length of the anterior annulus from trigone to
// trigone that belongs to the straight distance between them.
//
//	1.05 · L   (mm)
//
// Accepted: above 0. Source: assumed, a flat arc.
func AnteriorArcOfTrigones(distance units.Length) units.Length { return distance.Scaled(1.05) }

// AnteroPosteriorOfPerimeter gives the antero-posterior diameter of the ellipse
// that has a perimeter and a transverse diameter: of an annulus behind which a
// posterior band of known length was sutured.
//
//	EllipsePerimeter(AP, T) = P   (mm), by bisection
//
// Accepted: above 0, else and for a perimeter of twice the transverse diameter or
// less ErrPerimeter. Source: derived.
func AnteroPosteriorOfPerimeter(perimeter, transverse units.Length) (units.Length, error) {
	if !(transverse > 0 && perimeter > transverse.Scaled(2)) || math.IsInf(float64(perimeter), 0) {
		return 0, ErrPerimeter
	}
	// At half the perimeter the ellipse is longer than it, whatever its width.
	ap := bisect(0, float64(perimeter)/2, func(ap float64) float64 {
		return float64(perimeter) - float64(EllipsePerimeter(units.Length(ap), transverse))
	})
	return units.Length(ap), nil
}

// AnteroPosteriorOfShape gives the antero-posterior diameter of an ellipse of a
// perimeter that has the shape of another one, whose two diameters are given.
//
//	AP · P / EllipsePerimeter(AP, T)   (mm)
//
// Accepted: above 0. Source: derived.
func AnteroPosteriorOfShape(perimeter, anteroPosterior, transverse units.Length) units.Length {
	return anteroPosterior.Scaled(perimeter.Over(EllipsePerimeter(anteroPosterior, transverse)))
}
