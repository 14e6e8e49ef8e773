package convert

import (
	"gonum.org/v1/gonum/spatial/r3"

	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// annulusShape gives the shape of annulus and leaflets of a study with the study's
// context, or nil. Numbers that make up no whole point or triangle are left out.
func annulusShape(s *trigonev1.Study) *valve.Shape {
	sent := s.GetAnnulus().GetShape()
	if sent == nil {
		return nil
	}
	out := &valve.Shape{
		Context:             mergeContext(valve.Context{}, s.GetContext()),
		ContourMM:           points(sent.GetContourMm()),
		LateralCommissureMM: point(sent.GetLateralCommissureMm()),
		MedialCommissureMM:  point(sent.GetMedialCommissureMm()),
		MidAnteriorMM:       point(sent.GetMidAnteriorMm()),
		MidPosteriorMM:      point(sent.GetMidPosteriorMm()),
		AtrialPointMM:       point(sent.GetAtrialPointMm()),
	}
	merge(&out.Context.Phase, valve.CardiacPhase(Word(sent.GetCardiacPhase())))
	for _, l := range sent.GetLeaflets() {
		corners := l.GetTriangles()
		surface := valve.LeafletSurface{
			Leaflet: valve.Leaflet(Word(l.GetLeaflet())), PointsMM: points(l.GetPointsMm()),
			Triangles: make([][3]int32, 0, len(corners)/cornersOfTriangle),
		}
		for ; len(corners) >= cornersOfTriangle; corners = corners[cornersOfTriangle:] {
			surface.Triangles = append(surface.Triangles, [3]int32{corners[0], corners[1], corners[2]})
		}
		out.Leaflets = append(out.Leaflets, surface)
	}
	return out
}

func points(numbers []float64) []r3.Vec {
	list := make([]r3.Vec, 0, len(numbers)/numbersOfPoint)
	for ; len(numbers) >= numbersOfPoint; numbers = numbers[numbersOfPoint:] {
		list = append(list, r3.Vec{X: numbers[0], Y: numbers[1], Z: numbers[2]})
	}
	return list
}

func point(numbers []float64) units.Maybe[r3.Vec] {
	list := points(numbers)
	if len(list) != 1 {
		return units.None[r3.Vec]()
	}
	return units.Some(list[0])
}
