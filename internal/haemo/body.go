package haemo

import (
	"math"

	"trigone/internal/units"
)

// BodySurfaceMosteller gives the body surface by the square-root formula of
// Mosteller.
//
//	BSA = √(height · weight / 3600)   (cm, kg, m2)
//
// Accepted: adults. Source: two public pages, read.
func BodySurfaceMosteller(height units.BodyHeight, weight units.BodyWeight) units.BodySurface {
	return units.BodySurface(math.Sqrt(float64(height) * float64(weight) / 3600))
}

// BodySurfaceDuBois gives the body surface by the power formula of Du Bois and
// Du Bois. In obesity it lies below BodySurfaceMosteller (2.240 against 2.312 m2
// at 175 cm and 110 kg), so a result keeps the name of its formula.
//
//	BSA = 0.007184 · height^0.725 · weight^0.425   (cm, kg, m2)
//
// Accepted: adults. Source: public page, read.
func BodySurfaceDuBois(height units.BodyHeight, weight units.BodyWeight) units.BodySurface {
	return units.BodySurface(0.007184 * math.Pow(float64(height), 0.725) * math.Pow(float64(weight), 0.425))
}

// IndexedVolume gives a chamber or stroke volume per body surface.
//
//	V / BSA   (mL, m2, mL/m2)
//
// Accepted: body surface above 0. Source: definition.
func IndexedVolume(v units.Volume, surface units.BodySurface) units.IndexedVolume {
	return v.Indexed(surface)
}

// IndexedArea gives an orifice area per body surface.
//
//	A / BSA   (cm2, m2, mm2/m2)
//
// Accepted: body surface above 0. Source: definition.
func IndexedArea(a units.Area, surface units.BodySurface) units.IndexedArea {
	return a.Indexed(surface)
}
