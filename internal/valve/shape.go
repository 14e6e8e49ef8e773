package valve

import (
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"trigone/internal/units"
)

// Shape is annulus and leaflets of one study in three dimensions, as sent. Points
// are in millimetres, in one right-handed frame of the client's choice. It is the
// one input of a metric that is no single value; whether it is usable is a
// question for package geometry.
type Shape struct {
	Context Context
	// ContourMM is the closed contour in order along the annulus; the first point
	// is not repeated at the end.
	ContourMM []r3.Vec
	// The landmarks of the annulus.
	LateralCommissureMM units.Maybe[r3.Vec]
	MedialCommissureMM  units.Maybe[r3.Vec]
	MidAnteriorMM       units.Maybe[r3.Vec]
	MidPosteriorMM      units.Maybe[r3.Vec]
	// AtrialPointMM is any point on the atrial side; it says which way is up.
	AtrialPointMM units.Maybe[r3.Vec]
	Leaflets      []LeafletSurface
}

// LeafletSurface are the points of one closed leaflet or of a part of it, with
// the triangles between them if a mesh was given.
type LeafletSurface struct {
	Leaflet   Leaflet // empty: not said; the surface is not divided into leaflets
	PointsMM  []r3.Vec
	Triangles [][3]int32 // positions in PointsMM, counted from 0
}

// SurfacesOf gives the surfaces of a leaflet; the empty word gives those whose
// leaflet was not said.
func (s *Shape) SurfacesOf(l Leaflet) []LeafletSurface {
	var list []LeafletSurface
	for _, surface := range s.Leaflets {
		if surface.Leaflet == l {
			list = append(list, surface)
		}
	}
	return list
}

// Named gives the leaflets that surfaces were sent for, anterior first; a surface
// without a leaflet gives the empty word, last.
func (s *Shape) Named() []Leaflet {
	var list []Leaflet
	for _, l := range []Leaflet{Anterior, Posterior, ""} {
		if slices.ContainsFunc(s.Leaflets, func(surface LeafletSurface) bool { return surface.Leaflet == l }) {
			list = append(list, l)
		}
	}
	return list
}
