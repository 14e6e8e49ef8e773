package metric

import (
	"math"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// shaped is an invented study with an analytic shape: a saddle of radius 15 mm
// and amplitude 3 mm, high in front and behind, with two leaflets that together
// are the surface 3·(r/R)²·cos 2θ, lowered in the middle by a given depth.
type shaped struct {
	radius, amplitude, depth float64
}

func (s shaped) contourPoint(angle float64) r3.Vec {
	return r3.Vec{X: s.radius * math.Cos(angle), Y: s.radius * math.Sin(angle), Z: -s.amplitude * math.Cos(2*angle)}
}

// half is the mesh of one leaflet, between the commissures at 0 and 180 degrees.
func (s shaped) half(l valve.Leaflet) valve.LeafletSurface {
	const rings, spokes = 60, 60
	start := 0.0
	if l == valve.Posterior {
		start = math.Pi
	}
	out := valve.LeafletSurface{Leaflet: l, PointsMM: []r3.Vec{{Z: -s.depth}}}
	for i := 1; i <= rings; i++ {
		share := float64(i) / rings
		for j := 0; j <= spokes; j++ {
			angle := start + math.Pi*float64(j)/spokes
			out.PointsMM = append(out.PointsMM, r3.Vec{
				X: share * s.radius * math.Cos(angle), Y: share * s.radius * math.Sin(angle),
				Z: -s.amplitude*share*share*math.Cos(2*angle) - s.depth*(1-share),
			})
		}
	}
	at := func(i, j int) int32 { return int32(1 + (i-1)*(spokes+1) + j) }
	for j := range spokes {
		out.Triangles = append(out.Triangles, [3]int32{0, at(1, j), at(1, j+1)})
	}
	for i := 1; i < rings; i++ {
		for j := range spokes {
			out.Triangles = append(out.Triangles, [3]int32{at(i, j), at(i+1, j), at(i+1, j+1)}, [3]int32{at(i, j), at(i+1, j+1), at(i, j+1)})
		}
	}
	return out
}

func (s shaped) shape() *valve.Shape {
	out := &valve.Shape{
		Context:             valve.Context{Method: valve.Echo3D, Phase: valve.EndSystole},
		LateralCommissureMM: units.Some(s.contourPoint(math.Pi)), MedialCommissureMM: units.Some(s.contourPoint(0)),
		MidAnteriorMM: units.Some(s.contourPoint(math.Pi / 2)), MidPosteriorMM: units.Some(s.contourPoint(3 * math.Pi / 2)),
		AtrialPointMM: units.Some(r3.Vec{X: 1, Y: 2, Z: 25}),
		Leaflets:      []valve.LeafletSurface{s.half(valve.Anterior), s.half(valve.Posterior)},
	}
	for i := range 36 {
		out.ContourMM = append(out.ContourMM, s.contourPoint(2*math.Pi*float64(i)/36))
	}
	return out
}

func (s shaped) in(e *repair.Example) *repair.Example { return s.with(e, nil) }

func (s shaped) with(e *repair.Example, change func(*valve.Shape)) *repair.Example {
	return e.EditStudy(func(study *repair.Study) {
		study.Shape = s.shape()
		if change != nil {
			change(study.Shape)
		}
	})
}

// withoutShapes takes the shapes out of a case.
func withoutShapes(c *repair.Case) *repair.Case {
	view := *c
	view.Studies = slices.Clone(c.Studies)
	for i := range view.Studies {
		view.Studies[i].Shape = nil
	}
	return &view
}

// withoutInput takes one input out of a case.
func withoutInput(c *repair.Case, k valve.Key) *repair.Case {
	if k.ID == InputShape {
		return withoutShapes(c)
	}
	return c.WithMeasured(c.Measured.Without([]valve.Key{k}))
}

func atLeaflet(id valve.ID, l valve.Leaflet) valve.Key {
	k := atTTE(id)
	k.Place = valve.AtLeaflet(l)
	return k
}

// shapeExamples: the saddle of radius 15 and amplitude 3 mm, and the cone of
// radius 15, 6 mm deep, whose closed forms are those of the tests of package
// geometry; here they come through the whole catalogue.
func shapeExamples() []example {
	saddle := func() *repair.Example { return shaped{15, 3, 0}.in(tte()) }
	cone := func() *repair.Example { return shaped{15, 0, 6}.in(tte()) }
	roof := func() *repair.Example { return shaped{15, 0, -4}.in(tte()) }
	without := map[valve.ID]string{InputShape: silent}
	const identity = "closed form of the saddle, derived: "
	rows := []example{
		{key: atTTE(IDContourArea), c: saddle(), want: 7.0686, from: identity + "πR²"},
		{key: atTTE(IDContourPerimeter), c: cone(), want: 94.2478, from: "2πR"},
		{key: atTTE(IDContourAnteroPosterior), c: saddle(), want: 30, from: identity + "2R"},
		{key: atTTE(IDContourIntercommissural), c: saddle(), want: 30, from: identity + "2R"},
		{key: atTTE(IDContourDiameterRatio), c: saddle(), want: 1, from: identity + "1"},
		{key: atTTE(IDContourFoldAngle), c: shaped{16, 3, 0}.in(tte()), want: 138.888, from: identity + "2·atan(R/2h), R 16 mm"},
		{key: atTTE(IDContourHeight), c: saddle(), want: 6, from: identity + "2h"},
		{key: atTTE(IDContourHeightRatio), c: shaped{16, 3, 0}.in(tte()), want: 0.1875, from: identity + "h/R, R 16 mm"},
		{key: atTTE(IDContourAnteriorArc), c: cone(), want: 47.1239, from: "πR"},
		{key: atTTE(IDContourPosteriorArc), c: cone(), want: 47.1239, from: "πR"},
		{key: atTTE(IDContourSpanningArea), c: cone(), want: 7.0686, from: "flat: πR²"},
		{key: atTTE(IDContourIsoperimetric), c: cone(), want: 1, from: "circle"},
		{key: atLeaflet(IDLeafletSurfaceArea, valve.Posterior), c: cone(), want: 3.80499, from: "half a cone on 60 by 120 pieces, 760.998/2 mm2 computed outside this project; exact ½πR√(R² + h²) = 380.655 mm2"},
		{key: atTTE(IDTotalLeafletSurfaceArea), c: cone(), want: 7.6131, from: "cone, πR√(R² + h²)"},
		{key: atTTE(IDLeafletToAnnulusArea), c: cone(), want: 1.07703, from: "cone, √(R² + h²)/R"},
		{key: atLeaflet(IDBillowHeightOverPlane, valve.Anterior), c: roof(), want: 4, from: "cone, 4 mm high"},
		{key: atLeaflet(IDTentingHeightUnderPlane, valve.Anterior), c: cone(), want: 6, from: "cone, 6 mm deep"},
		{key: atLeaflet(IDBillowHeightOverSpan, valve.Posterior), c: roof(), want: 4, from: "cone, 4 mm high"},
		{key: atLeaflet(IDTentingHeightUnderSpan, valve.Posterior), c: cone(), want: 6, from: "cone, 6 mm deep"},
		{key: atTTE(IDBillowVolumeOverPlane), c: saddle(), want: 0.3375, from: identity + "½hR² of a bare saddle, no leaflet leaving the annulus"},
		{key: atTTE(IDTentingVolumeUnderPlane), c: cone(), want: 1.4137, from: "cone, πR²h/3"},
		{key: atTTE(IDBillowVolumeOverSpan), c: saddle(), want: 0.1125, from: identity + "hR²/6, a third of the value against the plane"},
		{key: atTTE(IDTentingVolumeUnderSpan), c: cone(), want: 1.4137, from: "cone, πR²h/3"},
	}
	for i := range rows {
		rows[i].without = without
	}
	return rows
}

// Values of a shape carry the study's method beside entered ones, read one input,
// and have no interval: nothing is known of the points' error.
func TestShapeValuesStandBesideEnteredOnes(t *testing.T) {
	c := shaped{15, 3, 2}.in(tte().Set(valve.AnnulusArea, 9.9).Set(valve.AnnulusIntercommissuralDiameter, 31)).Case()
	values := Compute(c, builtIn())
	derived := 0
	for _, v := range values {
		if len(v.Inputs) != 1 || v.Inputs[0].Key.ID != InputShape {
			continue
		}
		derived++
		in := v.Inputs[0]
		if v.State != HasValue || v.Method != valve.Echo3D || v.Key.Role != valve.Derived || v.Key.Occasion != "assessment/tte" {
			t.Errorf("%s: %s by %q: %s", v.Key, v.State, v.Method, v.Explanation)
		}
		if in.Value != 36 || in.Unit != units.One || in.Key != (valve.Key{ID: InputShape, Occasion: "assessment/tte", Role: valve.Measured}) {
			t.Errorf("%s: input %+v", v.Key, in)
		}
		if v.SD.IsSome() || v.Lower.IsSome() || v.Upper.IsSome() {
			t.Errorf("%s has an interval", v.Key)
		}
		if strings.Contains(v.Explanation, "context not stated") {
			t.Errorf("%s: %s", v.Key, v.Explanation)
		}
	}
	if want := len(annulusContourMetrics) + len(leafletSurfaceMetrics) + 5; derived != want {
		t.Errorf("%d values of the shape, want %d (five of them at two leaflets)", derived, want)
	}
	leaf, ok := find(LeafValues(c, nil), valve.Key{ID: valve.AnnulusArea, Occasion: "assessment/tte", Role: valve.Measured})
	if !ok || leaf.Value != 9.9 {
		t.Errorf("the entered area is %v", leaf.Value)
	}
	if v := one(t, shaped{15, 3, 0}.with(tte(), func(s *valve.Shape) { s.Context.Method = "" }).Case(), atTTE(IDContourArea)); v.Method != "" || v.Explanation != "context not stated: "+InputShape {
		t.Errorf("no method stated: %q, %s", v.Method, v.Explanation)
	}
}

// A study with a shape that holds nothing stays silent; one without a shape too.
func TestNoShapeNoValue(t *testing.T) {
	for why, c := range map[string]*repair.Case{
		"no shape":        tte().Set(valve.AnnulusAnteroPosteriorDiameter, 29).Case(),
		"an empty shape":  tte().EditStudy(func(s *repair.Study) { s.Shape = &valve.Shape{} }).Case(),
		"only landmarks":  shaped{15, 3, 0}.with(tte(), func(s *valve.Shape) { s.ContourMM, s.Leaflets = nil, nil }).Case(),
		"nothing at all":  {},
		"a plan only":     repair.NewExample().Plan().Case(),
		"shape taken out": withoutShapes(shaped{15, 3, 0}.in(tte()).Case()),
	} {
		for _, v := range Compute(c, builtIn()) {
			m, _ := MetricByID(v.Key.ID)
			if slices.Equal(m.Inputs, []valve.ID{InputShape}) {
				t.Errorf("%s: %s is %s", why, v.Key, v.State)
			}
		}
	}
}

// Bad geometry is refused with the reason; what does not depend on the bad part
// keeps its value.
func TestBadShapesAreRefused(t *testing.T) {
	away := func(p units.Maybe[r3.Vec]) units.Maybe[r3.Vec] {
		v, _ := p.Get()
		return units.Some(r3.Scale(2, v))
	}
	contour := []valve.ID{IDContourArea, IDContourPerimeter, IDContourHeight, IDContourSpanningArea, IDContourIsoperimetric}
	diameters := []valve.ID{IDContourAnteroPosterior, IDContourDiameterRatio}
	folded := []valve.ID{IDContourFoldAngle, IDContourAnteriorArc, IDContourPosteriorArc}
	volumes := []valve.ID{IDBillowVolumeOverPlane, IDTentingVolumeUnderPlane, IDBillowVolumeOverSpan, IDTentingVolumeUnderSpan}
	heights := []valve.ID{IDBillowHeightOverPlane, IDTentingHeightUnderPlane, IDBillowHeightOverSpan, IDTentingHeightUnderSpan}
	areas := []valve.ID{IDLeafletSurfaceArea, IDTotalLeafletSurfaceArea, IDLeafletToAnnulusArea}
	all := slices.Concat(contour, diameters, []valve.ID{IDContourIntercommissural, IDContourHeightRatio}, folded, volumes, heights, areas)
	rows := []struct {
		why     string
		change  func(*valve.Shape)
		refused []valve.ID
		says    string
		misses  string
	}{
		{"seven points", func(s *valve.Shape) { s.ContourMM = s.ContourMM[:7] }, all, "too few points: 7, at least 8", ""},
		{"no contour, leaflets alone", func(s *valve.Shape) { s.ContourMM = nil }, all, "too few points: 0", ""},
		{"the first point repeated", func(s *valve.Shape) { s.ContourMM = append(s.ContourMM, s.ContourMM[0]) }, all, "two points of the contour are the same: 0 and 36", ""},
		{"two points exchanged", func(s *valve.Shape) {
			s.ContourMM[3], s.ContourMM[9] = s.ContourMM[9], s.ContourMM[3]
		}, all, "crosses itself", ""},
		{"centimetres", func(s *valve.Shape) {
			for i, p := range s.ContourMM {
				s.ContourMM[i] = r3.Scale(0.1, p)
			}
		}, all, "in millimetres", ""},
		{"a line", func(s *valve.Shape) {
			for i, p := range s.ContourMM {
				s.ContourMM[i] = r3.Vec{X: p.X, Y: p.Y * 0.01, Z: p.Z * 0.01}
			}
		}, all, "encloses nothing", ""},
		{"no atrial point", func(s *valve.Shape) { s.AtrialPointMM = units.None[r3.Vec]() }, slices.Concat(volumes, heights), "nobody knows what lies above", landmarkAtrial},
		{"an atrial point in the plane", func(s *valve.Shape) { s.AtrialPointMM = units.Some(r3.Vec{X: 5}) }, slices.Concat(volumes, heights), "does not show the atrial side", ""},
		{"no mid-anterior point", func(s *valve.Shape) { s.MidAnteriorMM = units.None[r3.Vec]() }, slices.Concat(diameters, folded), "", landmarkAnterior},
		{"no lateral commissure", func(s *valve.Shape) { s.LateralCommissureMM = units.None[r3.Vec]() },
			slices.Concat(folded, []valve.ID{IDContourIntercommissural, IDContourHeightRatio, IDContourDiameterRatio}), "", landmarkLateral},
		{"a posterior point away from the contour", func(s *valve.Shape) { s.MidPosteriorMM = away(s.MidPosteriorMM) }, slices.Concat(diameters, folded),
			"mid posterior: a landmark does not lie on the contour", ""},
		{"anterior and a commissure exchanged", func(s *valve.Shape) { s.MidAnteriorMM, s.MedialCommissureMM = s.MedialCommissureMM, s.MidAnteriorMM }, folded, "must follow each other", ""},
		{"one point for both commissures", func(s *valve.Shape) { s.LateralCommissureMM = s.MedialCommissureMM },
			slices.Concat(folded, []valve.ID{IDContourIntercommissural, IDContourHeightRatio, IDContourDiameterRatio}), "do not fit each other", ""},
		{"diastole", func(s *valve.Shape) { s.Context.Phase = valve.EndDiastole }, slices.Concat(volumes, heights, areas), "leaflets are open", ""},
		{"leaflets of another frame", func(s *valve.Shape) { s.Leaflets[1].PointsMM[5].X += 200 }, slices.Concat(volumes, areas), "do not belong to the contour", ""},
		{"a triangle of nothing", func(s *valve.Shape) { s.Leaflets[0].Triangles[2][1] = 999999 }, slices.Concat(volumes, areas), "a point that is not there", ""},
		{"a leaflet without points", func(s *valve.Shape) { s.Leaflets[0].PointsMM, s.Leaflets[0].Triangles = nil, nil }, slices.Concat(volumes, areas[1:]), "has no points", ""},
		{"points without triangles", func(s *valve.Shape) { s.Leaflets[0].Triangles = nil }, slices.Concat(volumes, areas[1:]), "need a mesh", ""},
		{"one leaflet", func(s *valve.Shape) { s.Leaflets = s.Leaflets[:1] }, slices.Concat(volumes, areas[1:]), "posterior leaflet was not given", ""},
	}
	for _, row := range rows {
		t.Run(row.why, func(t *testing.T) {
			values := Compute(shaped{15, 3, 2}.with(tte(), row.change).Case(), builtIn())
			told := map[valve.ID]bool{}
			for _, v := range values {
				m, _ := MetricByID(v.Key.ID)
				if !slices.Equal(m.Inputs, []valve.ID{InputShape}) {
					continue
				}
				told[v.Key.ID] = true
				switch {
				case v.State == HasValue:
					if slices.Contains(row.refused, v.Key.ID) && v.Key.Place == valve.Nowhere {
						t.Errorf("%s is %v", v.Key, v.Value)
					}
				case v.State != NotEvaluable || v.Value != 0:
					t.Errorf("%s: %s %v", v.Key, v.State, v.Value)
				case !slices.Contains(row.refused, v.Key.ID) && v.Key.Place == valve.Nowhere:
					t.Errorf("%s is refused too: %s %v", v.Key, v.Explanation, v.Missing)
				case !strings.Contains(v.Explanation, row.says), row.misses != "" && !slices.Equal(v.Missing, []string{row.misses + " of assessment/tte"}):
					t.Errorf("%s: %q, missing %v", v.Key, v.Explanation, v.Missing)
				case row.misses == "" && len(v.Missing) > 0:
					t.Errorf("%s: missing %v", v.Key, v.Missing)
				}
			}
			for _, id := range row.refused {
				if !told[id] {
					t.Errorf("%s is not even mentioned", id)
				}
			}
		})
	}
}

// One surface for both leaflets is the whole valve and has no leaflet's values.
func TestUndividedSurface(t *testing.T) {
	c := shaped{15, 0, 6}.with(tte(), func(s *valve.Shape) {
		for i := range s.Leaflets {
			s.Leaflets[i].Leaflet = ""
		}
	}).Case()
	values := Compute(c, builtIn())
	if v, ok := find(values, atTTE(IDTotalLeafletSurfaceArea)); !ok || v.Value != 7.61 {
		t.Errorf("total area %v, %v: %s", v.Value, ok, v.Explanation)
	}
	if v, ok := find(values, atTTE(IDTentingHeightUnderPlane)); !ok || v.Value != 6 {
		t.Errorf("tenting height %v, %v: %s", v.Value, ok, v.Explanation)
	}
	if _, ok := find(values, atLeaflet(IDLeafletSurfaceArea, valve.Anterior)); ok {
		t.Error("an anterior leaflet from an undivided surface")
	}
}

// The plane's values tell how far a saddle reaches past its own plane; a mirrored
// set of landmarks is told and changes nothing.
func TestWhatIsToldWithTheValue(t *testing.T) {
	c := shaped{15, 3, 0}.in(tte()).Case()
	if v := one(t, c, atTTE(IDBillowVolumeOverPlane)); !strings.Contains(v.Explanation, "reaches 3.0 mm above and 3.0 mm below this plane") {
		t.Errorf("plane: %s", v.Explanation)
	}
	for _, id := range []valve.ID{IDBillowVolumeOverSpan, IDContourFoldAngle, IDContourArea} {
		if v := one(t, c, atTTE(id)); v.Explanation != "" {
			t.Errorf("%s: %s", id, v.Explanation)
		}
	}
	straight := one(t, c, atTTE(IDContourFoldAngle))
	mirrored := one(t, shaped{15, 3, 0}.with(tte(), func(s *valve.Shape) {
		s.LateralCommissureMM, s.MedialCommissureMM = s.MedialCommissureMM, s.LateralCommissureMM
	}).Case(), atTTE(IDContourFoldAngle))
	if mirrored.Value != straight.Value || !strings.Contains(mirrored.Explanation, "mirror image") {
		t.Errorf("%v for %v: %s", mirrored.Value, straight.Value, mirrored.Explanation)
	}
}

// Whatever the shape: no panic, every value finite and on its grid, every refusal
// with a reason.
func TestAnyShape(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		spread := rapid.SampledFrom([]float64{1, 20, 60, 1e9, 1e300}).Draw(t, "spread")
		coordinate := rapid.OneOf(rapid.Float64Range(-spread, spread), rapid.SampledFrom([]float64{0, 15, -15, math.NaN(), math.Inf(1)}))
		vec := rapid.Custom(func(t *rapid.T) r3.Vec {
			return r3.Vec{X: coordinate.Draw(t, "x"), Y: coordinate.Draw(t, "y"), Z: coordinate.Draw(t, "z")}
		})
		maybe := rapid.Custom(func(t *rapid.T) units.Maybe[r3.Vec] {
			if rapid.Bool().Draw(t, "absent") {
				return units.None[r3.Vec]()
			}
			return units.Some(vec.Draw(t, "point"))
		})
		corner := rapid.Int32Range(-1, 8)
		surface := rapid.Custom(func(t *rapid.T) valve.LeafletSurface {
			out := valve.LeafletSurface{Leaflet: rapid.SampledFrom([]valve.Leaflet{"", valve.Anterior, valve.Posterior}).Draw(t, "leaflet"), PointsMM: rapid.SliceOfN(vec, 0, 8).Draw(t, "points")}
			for range rapid.IntRange(0, 5).Draw(t, "triangles") {
				out.Triangles = append(out.Triangles, [3]int32{corner.Draw(t, "a"), corner.Draw(t, "b"), corner.Draw(t, "c")})
			}
			return out
		})
		shape := shaped{15, 3, 2}.shape()
		if rapid.Bool().Draw(t, "any contour") {
			shape.ContourMM = rapid.SliceOfN(vec, 0, 20).Draw(t, "contour")
		}
		if rapid.Bool().Draw(t, "any landmarks") {
			shape.LateralCommissureMM, shape.MedialCommissureMM = maybe.Draw(t, "lateral"), maybe.Draw(t, "medial")
			shape.MidAnteriorMM, shape.MidPosteriorMM = maybe.Draw(t, "anterior"), maybe.Draw(t, "posterior")
			shape.AtrialPointMM = maybe.Draw(t, "atrial")
		}
		if rapid.Bool().Draw(t, "any leaflets") {
			shape.Leaflets = rapid.SliceOfN(surface, 0, 3).Draw(t, "leaflets")
		}
		c := tte().EditStudy(func(s *repair.Study) { s.Shape = shape }).Case()
		for _, v := range Compute(c, builtIn()) {
			m, _ := MetricByID(v.Key.ID)
			if math.IsNaN(v.Value) || math.IsInf(v.Value, 0) {
				t.Fatalf("%s is %v", v.Key, v.Value)
			}
			if _, err := units.ToGrid(v.Value, m.Grid); err != nil {
				t.Fatalf("%s: %v", v.Key, err)
			}
			if v.State == NotEvaluable && v.Explanation == "" && len(v.Missing) == 0 {
				t.Fatalf("%s is not evaluable and nobody says why", v.Key)
			}
		}
	})
}
