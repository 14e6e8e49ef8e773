package metric

import (
	"gonum.org/v1/gonum/spatial/r3"

	"trigone/internal/geometry"
	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// memo keeps what several metrics, and every probe of an uncertainty, ask of one
// case again: which steps make up a moment, whether the model's domain holds, from
// which keys a height is made, and what follows from a shape alone. It holds no
// value that a probe could move, so that a probe may share it.
type memo struct {
	stepsAt  map[moment][]repair.Step
	reasons  map[moment][]string
	recipes  map[recipeKey]recipe
	nativeAt map[nativeKey]valve.Key
	contours map[*valve.Shape]measuredContour

	landmarkFaults map[landmarkKey]error
	arcsOf         map[*valve.Shape]measuredArcs
	references     map[referenceKey]measuredReference
}

type landmarkKey struct {
	shape *valve.Shape
	name  string
}

type measuredArcs struct {
	anterior, posterior units.Length
	err                 error
}

type referenceKey struct {
	shape *valve.Shape
	span  bool
}

type measuredReference struct {
	geometry.Reference
	err error
}

type recipeKey struct {
	segment valve.Segment
	moment  moment
	prefer  valve.Method
}

type nativeKey struct {
	leaf    valve.ID
	place   valve.Place
	forPlan bool
}

func (m *memo) steps(c *repair.Case, at moment) []repair.Step {
	return remember(&m.stepsAt, at, func() []repair.Step { return at.steps(c) })
}

func (m *memo) outside(c *repair.Case, at moment) []string {
	return remember(&m.reasons, at, func() []string { return outsideDomain(c, at, m.steps(c, at)) })
}

func (m *memo) height(c *repair.Case, seg valve.Segment, at moment, prefer valve.Method) recipe {
	return remember(&m.recipes, recipeKey{seg, at, prefer}, func() recipe {
		return heightRecipe(c, seg, at, m.steps(c, at), prefer)
	})
}

func (m *memo) native(c *repair.Case, leaf valve.ID, forPlan bool) valve.Key {
	return m.nativeAtPlace(c, leaf, valve.Nowhere, forPlan)
}

func (m *memo) nativeAtPlace(c *repair.Case, leaf valve.ID, place valve.Place, forPlan bool) valve.Key {
	return remember(&m.nativeAt, nativeKey{leaf, place, forPlan}, func() valve.Key {
		return native(c, leaf, place, forPlan, "")
	})
}

func (m *memo) contour(s *valve.Shape) measuredContour {
	return remember(&m.contours, s, func() measuredContour {
		c, err := geometry.NewContour(s.ContourMM)
		return measuredContour{c, err}
	})
}

// landmarkFault gives why a landmark does not belong to the contour of its shape.
func (m *memo) landmarkFault(s *valve.Shape, c *geometry.Contour, name string, p r3.Vec) error {
	return remember(&m.landmarkFaults, landmarkKey{s, name}, func() error { return c.CheckLandmark(p) })
}

// arcs gives the arcs of a shape between its own landmarks.
func (m *memo) arcs(s *valve.Shape, c *geometry.Contour, l geometry.Landmarks) measuredArcs {
	return remember(&m.arcsOf, s, func() measuredArcs {
		anterior, posterior, err := c.Arcs(l)
		return measuredArcs{anterior, posterior, err}
	})
}

// reference gives what heights over a shape are measured from, oriented by its own
// atrial point.
func (m *memo) reference(s *valve.Shape, c *geometry.Contour, atrial r3.Vec, span bool) measuredReference {
	return remember(&m.references, referenceKey{s, span}, func() measuredReference {
		find := c.Plane
		if span {
			find = c.SpanningSurface
		}
		ref, err := find(atrial)
		return measuredReference{ref, err}
	})
}

func remember[K comparable, V any](known *map[K]V, key K, find func() V) V {
	if v, ok := (*known)[key]; ok {
		return v
	}
	v := find()
	if *known == nil {
		*known = map[K]V{}
	}
	(*known)[key] = v
	return v
}
