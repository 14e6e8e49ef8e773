package geometry

import "errors"

// The errors of this package. They carry no values; the caller names the
// measurement, its value and what to do.
var (
	// ErrSlice: an input of the closure model is not usable: not a finite
	// number, a leaflet height or diameter not above 0, or a share of the
	// closure line not between 0 and 1.
	ErrSlice = errors.New("slice needs finite leaflet heights and a diameter above 0 mm, and a closure line between the hinges")

	// ErrNoLine: no position of the closure line between 5 and 95 % of the
	// diameter brings both leaflet tips level; one leaflet is too short or too
	// long for the diameter.
	ErrNoLine = errors.New("no closure line between 5 and 95 % of the diameter brings both leaflet tips level")

	// ErrNoWindow: no posterior height meets the target coaptation and the
	// wanted anterior share at once; the anterior leaflet is too low or the
	// diameter too large.
	ErrNoWindow = errors.New("no posterior leaflet height meets both the target coaptation and the anterior share")

	// ErrDomain: the values lie outside the range the closure model was made for.
	ErrDomain = errors.New("outside the domain of the closure model")

	// ErrOrifice: orifice area over antero-posterior times transverse diameter
	// lies outside 0.70 to 0.95: a slip of typing, or outer instead of inner
	// dimensions.
	ErrOrifice = errors.New("orifice area does not fit the two diameters: their quotient must lie between 0.70 and 0.95")

	// ErrPerimeter: no ellipse has the perimeter and the diameter given.
	ErrPerimeter = errors.New("no ellipse has this perimeter: it must be longer than twice the transverse diameter")

	// ErrNothingLeft: the strip taken off is as high as the leaflet or higher.
	ErrNothingLeft = errors.New("nothing of the leaflet is left: the strip taken off is at least as high as the leaflet")

	// ErrHeights: a height profile needs finite heights above 0 mm.
	ErrHeights = errors.New("height profile needs finite heights above 0 mm")
)
