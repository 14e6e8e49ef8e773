package convert

import (
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"trigone/internal/units"
	"trigone/internal/valve"
)

func TestShape(t *testing.T) {
	read3D := func(text string) *valve.Shape {
		return Case(Record{Assessments: read(t, `{"assessments":[{"id":"a","study":`+text+`}]}`).Assessments}).Studies[0].Shape
	}
	s := read3D(`{"context":{"method":"METHOD_ECHO_3D","cardiacPhase":"CARDIAC_PHASE_MID_SYSTOLE"},"annulus":{"shape":{
		"contourMm":[1,2,3,4,5,6],"lateralCommissureMm":[7,8,9],"midAnteriorMm":[1,2],"atrialPointMm":[0,0,25],"cardiacPhase":"CARDIAC_PHASE_END_SYSTOLE",
		"leaflets":[{"leaflet":"LEAFLET_POSTERIOR","pointsMm":[0,0,0,1,0,0,0,1,0],"triangles":[0,2,1]},{"pointsMm":[1,1,1]}]}}}`)
	if len(s.ContourMM) != 2 || s.ContourMM[1] != (r3.Vec{X: 4, Y: 5, Z: 6}) {
		t.Errorf("contour %v", s.ContourMM)
	}
	if s.LateralCommissureMM != units.Some(r3.Vec{X: 7, Y: 8, Z: 9}) || s.AtrialPointMM != units.Some(r3.Vec{Z: 25}) {
		t.Errorf("lateral commissure %v, atrial point %v", s.LateralCommissureMM, s.AtrialPointMM)
	}
	// Absent is not the origin of the frame, and two numbers are no point.
	if s.MedialCommissureMM.IsSome() || s.MidPosteriorMM.IsSome() || s.MidAnteriorMM.IsSome() {
		t.Errorf("absent landmarks became points: %v %v %v", s.MedialCommissureMM, s.MidPosteriorMM, s.MidAnteriorMM)
	}
	// The set's own phase wins over the study's.
	if want := (valve.Context{Method: valve.Echo3D, Phase: valve.EndSystole}); s.Context != want {
		t.Errorf("context %+v", s.Context)
	}
	if got := s.SurfacesOf(valve.Posterior); len(got) != 1 || len(got[0].PointsMM) != 3 || got[0].Triangles[0] != [3]int32{0, 2, 1} {
		t.Errorf("posterior surface %+v", got)
	}
	if got := s.Named(); len(got) != 2 || got[0] != valve.Posterior || got[1] != "" {
		t.Errorf("leaflets named %q", got)
	}
	if s := read3D(`{"annulus":{"annulusArea":{"cm2":9}}}`); s != nil {
		t.Errorf("a shape that was not sent: %+v", s)
	}
}
