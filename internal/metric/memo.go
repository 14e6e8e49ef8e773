package metric

import (
	"trigone/internal/geometry"
	"trigone/internal/repair"
	"trigone/internal/valve"
)

// memo keeps what several metrics, and every probe of an uncertainty, ask of one
// case again: which steps make up a moment, whether the model's domain holds, and
// from which keys a height is made, and the contour of a shape. It holds no value
// that a probe could move, so that a probe may share it.
type memo struct {
	stepsAt  map[moment][]repair.Step
	reasons  map[moment][]string
	recipes  map[recipeKey]recipe
	nativeAt map[nativeKey]valve.Key
	contours map[*valve.Shape]measuredContour
}

type recipeKey struct {
	segment valve.Segment
	moment  moment
	prefer  valve.Method
}

type nativeKey struct {
	leaf    string
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

func (m *memo) native(c *repair.Case, leaf string, forPlan bool) valve.Key {
	return m.nativeAtPlace(c, leaf, valve.Nowhere, forPlan)
}

func (m *memo) nativeAtPlace(c *repair.Case, leaf string, place valve.Place, forPlan bool) valve.Key {
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
