package metric

import (
	"errors"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"trigone/internal/geometry"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// InputShape is the input of the metrics of this file: contour, landmarks and
// surfaces of one study. It is no leaf, because it is no single value: as an
// input its value is the number of points of the contour, it has no standard
// deviation, and no value made of it has an interval.
const InputShape = "annulus_shape"

// The landmarks of a shape by their names in the contract, under which they are
// told as missing.
const (
	landmarkLateral   = "lateral_commissure_mm"
	landmarkMedial    = "medial_commissure_mm"
	landmarkAnterior  = "mid_anterior_mm"
	landmarkPosterior = "mid_posterior_mm"
	landmarkAtrial    = "atrial_point_mm"
)

// The ids of this file. Beside each stands, under another id, what was entered.
const (
	IDContourArea             = "annulus_contour_projected_area"
	IDContourPerimeter        = "annulus_contour_perimeter"
	IDContourAnteroPosterior  = "annulus_contour_antero_posterior_diameter"
	IDContourIntercommissural = "annulus_contour_intercommissural_diameter"
	IDContourDiameterRatio    = "annulus_contour_diameter_ratio"
	IDContourFoldAngle        = "annulus_contour_fold_angle"
	IDContourHeight           = "annulus_contour_height"
	IDContourHeightRatio      = "annulus_contour_height_to_commissural_width_ratio"
	IDContourAnteriorArc      = "annulus_contour_anterior_length"
	IDContourPosteriorArc     = "annulus_contour_posterior_length"
	IDContourSpanningArea     = "annulus_contour_spanning_area"
	IDContourIsoperimetric    = "annulus_contour_isoperimetric_quotient"
	IDLeafletSurfaceArea      = "leaflet_surface_area"
	IDTotalLeafletSurfaceArea = "total_leaflet_surface_area"
	IDLeafletToAnnulusArea    = "total_leaflet_to_annulus_area_ratio"
	IDBillowHeightOverPlane   = "billow_height_above_annular_plane"
	IDTentingHeightUnderPlane = "tenting_height_below_annular_plane"
	IDBillowHeightOverSpan    = "billow_height_above_spanning_surface"
	IDTentingHeightUnderSpan  = "tenting_height_below_spanning_surface"
	IDBillowVolumeOverPlane   = "billow_volume_above_annular_plane"
	IDTentingVolumeUnderPlane = "tenting_volume_below_annular_plane"
	IDBillowVolumeOverSpan    = "billow_volume_above_spanning_surface"
	IDTentingVolumeUnderSpan  = "tenting_volume_below_spanning_surface"
	smallVolumeGrid           = 0.01
	planeReference            = "the plane that fits the contour best, of which a saddle-shaped annulus itself reaches both sides"
	spanningReference         = "the surface that straight lines from the contour's centroid to the contour make up; the better reference for a saddle-shaped annulus"
	partsOverEachOther        = "parts lying one above the other count each by itself"
	leafletsOpen              = "the set was taken in diastole, when the leaflets are open; give the closed leaflets"
)

var annulusContourMetrics = []Metric{
	ofContour(IDContourArea, "area enclosed by the annulus contour in the plane that fits it best", units.CM2, areaGrid,
		"½ · |Σ (x(i)·y(i+1) − x(i+1)·y(i))| of the spline through the contour, laid into its plane", settings.SourceArithmetic,
		func(_ *Reader, c *geometry.Contour) float64 { return float64(c.ProjectedArea()) }),
	ofContour(IDContourPerimeter, "perimeter of the annulus in three dimensions, along a closed cubic spline through the contour", units.MM, lengthGrid,
		"Σ |p(i+1) − p(i)|, 20 steps of the spline between two points of the contour", settings.SourceArithmetic,
		func(_ *Reader, c *geometry.Contour) float64 { return float64(c.Perimeter()) }),
	ofContour(IDContourAnteroPosterior, "antero-posterior diameter of the annulus from its landmarks", units.MM, lengthGrid,
		"|mid-anterior − mid-posterior|", settings.SourceArithmetic,
		func(r *Reader, c *geometry.Contour) float64 {
			return between(r, c, landmarkAnterior, landmarkPosterior)
		}),
	ofContour(IDContourIntercommissural, "intercommissural diameter of the annulus from its landmarks", units.MM, lengthGrid,
		"|lateral commissure − medial commissure|", settings.SourceArithmetic,
		func(r *Reader, c *geometry.Contour) float64 { return between(r, c, landmarkLateral, landmarkMedial) }),
	ofContour(IDContourDiameterRatio, "antero-posterior over intercommissural diameter of the annulus from its landmarks", units.One, ratioGrid,
		"antero-posterior / intercommissural diameter from the landmarks", settings.SourceAnnulus2020,
		func(r *Reader, c *geometry.Contour) float64 {
			ap, ic := between(r, c, landmarkAnterior, landmarkPosterior), between(r, c, landmarkLateral, landmarkMedial)
			return float64(geometry.Sphericity(units.Length(ap), units.Length(ic)))
		}),
	ofContour(IDContourFoldAngle, "fold angle of the annulus across its commissures (published as non-planarity angle), 180 for a flat one", units.Degree, angleGrid,
		"atan2(|u × v|, u · v), u and v from the middle between the commissures to mid-anterior and mid-posterior", settings.SourceMahmood2017,
		func(r *Reader, c *geometry.Contour) float64 {
			l, ok := landmarks(r, c)
			if !ok {
				return nan
			}
			return float64(geometry.FoldAngle(l))
		}).coded("131188"),
	ofContour(IDContourHeight, "height of the annulus contour, from its lowest to its highest point above the plane that fits it best", units.MM, lengthGrid,
		"highest − lowest distance of the spline from the plane", settings.SourceArithmetic,
		func(_ *Reader, c *geometry.Contour) float64 { return float64(c.Height()) }).coded("131187"),
	ofContour(IDContourHeightRatio, "height of the annulus contour over the intercommissural diameter from its landmarks", units.One, 0.001,
		"contour height / intercommissural diameter from the landmarks; for information only", settings.SourceTopilsky2013,
		func(r *Reader, c *geometry.Contour) float64 {
			ic := between(r, c, landmarkLateral, landmarkMedial)
			return float64(geometry.HeightToWidth(c.Height(), units.Length(ic)).Ratio())
		}),
	ofContour(IDContourAnteriorArc, "length of the anterior annulus along the contour, commissure to commissure", units.MM, lengthGrid,
		"length of the spline between the commissures, past mid-anterior", settings.SourceArithmetic,
		func(r *Reader, c *geometry.Contour) float64 { anterior, _ := arcs(r, c); return anterior }),
	ofContour(IDContourPosteriorArc, "length of the posterior annulus along the contour, commissure to commissure (not trigone to trigone)", units.MM, lengthGrid,
		"length of the spline between the commissures, past mid-posterior", settings.SourceArithmetic,
		func(r *Reader, c *geometry.Contour) float64 { _, posterior := arcs(r, c); return posterior }),
	ofContour(IDContourSpanningArea, "area of the surface spanned in the annulus from its centroid", units.CM2, areaGrid,
		"Σ ½ · |(p − m) × (q − m)|, m the centroid, p and q neighbours on the spline", settings.SourceArithmetic,
		func(_ *Reader, c *geometry.Contour) float64 { return float64(c.SpanningArea()) }),
	ofContour(IDContourIsoperimetric, "isoperimetric quotient of the annulus contour, 1 for a flat circle and never below", units.One, 0.001,
		"perimeter² / (4·π·projected area), both from the contour", settings.SourceArithmetic,
		func(_ *Reader, c *geometry.Contour) float64 {
			return float64(geometry.IsoperimetricQuotient(c.Perimeter(), c.ProjectedArea()))
		}),
}

var leafletSurfaceMetrics = []Metric{
	ofLeaflet(IDLeafletSurfaceArea, "area of the surface of a closed leaflet, as its mesh was given", units.CM2, areaGrid,
		"Σ ½ · |(b − a) × (c − a)| over the triangles; contact counts only where the mesh holds it", settings.SourceArithmetic,
		func(r *Reader, surfaces []geometry.Surface) float64 { return float64(areaOf(r, surfaces)) }),
	ofWholeValve(IDTotalLeafletSurfaceArea, "area of the surfaces of both closed leaflets, as their meshes were given", units.CM2, areaGrid,
		"sum of both leaflets' areas; contact counts only where the meshes hold it", settings.SourceArithmetic,
		func(r *Reader, surfaces []geometry.Surface) float64 { return float64(areaOf(r, surfaces)) }),
	ofWholeValve(IDLeafletToAnnulusArea, "area of both closed leaflets' surfaces over the projected area of the annulus contour", units.One, ratioGrid,
		"total leaflet surface area / projected area of the contour; comparable only where the meshes hold the contact, no cut-off is applied", settings.SourceChaput2008,
		func(r *Reader, surfaces []geometry.Surface) float64 {
			c, ok := contour(r)
			if !ok {
				return nan
			}
			return float64(areaOf(r, surfaces).Over(c.ProjectedArea()))
		}),
	ofLeaflet(IDBillowHeightOverPlane, "highest point of a closed leaflet above the annular plane", units.MM, lengthGrid,
		"highest distance of the leaflet's points towards the atrium, 0 where none is; reference: "+planeReference, settings.SourceChandra2011,
		func(r *Reader, surfaces []geometry.Surface) float64 {
			above, _ := reach(r, onPlane, surfaces)
			return above
		}),
	ofLeaflet(IDTentingHeightUnderPlane, "deepest point of a closed leaflet below the annular plane", units.MM, lengthGrid,
		"deepest distance of the leaflet's points towards the ventricle, 0 where none is; deeper than the entry of coaptation where the points hold the contact; reference: "+planeReference, settings.SourceArithmetic,
		func(r *Reader, surfaces []geometry.Surface) float64 {
			_, below := reach(r, onPlane, surfaces)
			return below
		}),
	ofLeaflet(IDBillowHeightOverSpan, "highest point of a closed leaflet above the surface spanned in the annulus", units.MM, lengthGrid,
		"highest distance of the leaflet's points towards the atrium, 0 where none is; reference: "+spanningReference, settings.SourceOwnModel,
		func(r *Reader, surfaces []geometry.Surface) float64 {
			above, _ := reach(r, onSpan, surfaces)
			return above
		}),
	ofLeaflet(IDTentingHeightUnderSpan, "deepest point of a closed leaflet below the surface spanned in the annulus", units.MM, lengthGrid,
		"deepest distance of the leaflet's points towards the ventricle, 0 where none is; deeper than the entry of coaptation where the points hold the contact; reference: "+spanningReference, settings.SourceOwnModel,
		func(r *Reader, surfaces []geometry.Surface) float64 {
			_, below := reach(r, onSpan, surfaces)
			return below
		}),
	ofWholeValve(IDBillowVolumeOverPlane, "volume of the closed leaflets above the annular plane", units.ML, smallVolumeGrid,
		"Σ area in the plane · mean height over the triangles above, those that cross split exactly; "+partsOverEachOther+"; reference: "+planeReference, settings.SourceChandra2011,
		func(r *Reader, surfaces []geometry.Surface) float64 {
			above, _ := volumes(r, onPlane, surfaces)
			return above
		}),
	ofWholeValve(IDTentingVolumeUnderPlane, "volume of the closed leaflets below the annular plane", units.ML, smallVolumeGrid,
		"Σ area in the plane · mean depth over the triangles below, those that cross split exactly; "+partsOverEachOther+"; reference: "+planeReference, settings.SourceArithmetic,
		func(r *Reader, surfaces []geometry.Surface) float64 {
			_, below := volumes(r, onPlane, surfaces)
			return below
		}),
	ofWholeValve(IDBillowVolumeOverSpan, "volume of the closed leaflets above the surface spanned in the annulus", units.ML, smallVolumeGrid,
		"Σ area in the plane · mean height over the triangles above, those that cross split exactly; "+partsOverEachOther+"; reference: "+spanningReference, settings.SourceOwnModel,
		func(r *Reader, surfaces []geometry.Surface) float64 {
			above, _ := volumes(r, onSpan, surfaces)
			return above
		}),
	ofWholeValve(IDTentingVolumeUnderSpan, "volume of the closed leaflets below the surface spanned in the annulus", units.ML, smallVolumeGrid,
		"Σ area in the plane · mean depth over the triangles below, those that cross split exactly; "+partsOverEachOther+"; reference: "+spanningReference, settings.SourceOwnModel,
		func(r *Reader, surfaces []geometry.Surface) float64 {
			_, below := volumes(r, onSpan, surfaces)
			return below
		}),
}

// ofContour makes the row of a metric that reads the contour of a study.
func ofContour(id valve.ID, name string, unit units.Unit, grid float64, formula string, source settings.SourceID, compute func(*Reader, *geometry.Contour) float64) Metric {
	return Metric{
		ID: id, Name: name, Unit: unit, Grid: grid, Formula: formula, Inputs: []valve.ID{InputShape}, Source: source, Since: "2",
		Where: func(c *repair.Case) []At {
			return inShapes(c, func(*valve.Shape) []valve.Place { return []valve.Place{valve.Nowhere} })
		},
		Compute: func(r *Reader) float64 {
			c, ok := contour(r)
			if !ok {
				return nan
			}
			return compute(r, c)
		},
	}
}

// ofLeaflet makes the row of a metric that reads the surfaces of one leaflet; a
// surface that is not divided into leaflets answers without a place.
func ofLeaflet(id valve.ID, name string, unit units.Unit, grid float64, formula string, source settings.SourceID, compute func(*Reader, []geometry.Surface) float64) Metric {
	m := ofContour(id, name, unit, grid, formula, source, nil)
	m.Where = func(c *repair.Case) []At {
		return inShapes(c, func(s *valve.Shape) []valve.Place {
			var places []valve.Place
			for _, l := range s.Named() {
				places = append(places, valve.AtLeaflet(l))
			}
			return places
		})
	}
	m.Compute = func(r *Reader) float64 {
		s := r.Shape()
		if s == nil {
			return nan
		}
		surfaces, ok := usable(r, s, s.SurfacesOf(valve.Leaflet(r.At().Place)))
		if !ok {
			return nan
		}
		return compute(r, surfaces)
	}
	return m
}

// ofWholeValve makes the row of a metric that needs the surfaces of both
// leaflets.
func ofWholeValve(id valve.ID, name string, unit units.Unit, grid float64, formula string, source settings.SourceID, compute func(*Reader, []geometry.Surface) float64) Metric {
	m := ofContour(id, name, unit, grid, formula, source, nil)
	m.Where = func(c *repair.Case) []At {
		return inShapes(c, func(s *valve.Shape) []valve.Place {
			if len(s.Leaflets) == 0 {
				return nil
			}
			return []valve.Place{valve.Nowhere}
		})
	}
	m.Compute = func(r *Reader) float64 {
		s := r.Shape()
		if s == nil {
			return nan
		}
		if len(s.SurfacesOf("")) == 0 {
			for _, l := range []valve.Leaflet{valve.Anterior, valve.Posterior} {
				if len(s.SurfacesOf(l)) == 0 {
					r.Refuse("the surface of the " + string(l) + " leaflet was not given; the value needs both leaflets")
					return nan
				}
			}
		}
		surfaces, ok := usable(r, s, s.Leaflets)
		if !ok {
			return nan
		}
		return compute(r, surfaces)
	}
	return m
}

// inShapes gives the studies with a shape, at the places that it has.
func inShapes(c *repair.Case, places func(*valve.Shape) []valve.Place) []At {
	var list []At
	for _, s := range c.Studies {
		if s.Shape == nil || len(s.Shape.ContourMM)+len(s.Shape.Leaflets) == 0 {
			continue
		}
		for _, p := range places(s.Shape) {
			at := atStudy(s)
			at.Place = p
			list = append(list, at)
		}
	}
	return list
}

// measuredContour is the contour of an occasion, or why there is none.
type measuredContour struct {
	*geometry.Contour
	err error
}

// contour gives the contour of the study, or refuses with the reason.
func contour(r *Reader) (*geometry.Contour, bool) {
	s := r.Shape()
	if s == nil {
		return nil, false
	}
	c := r.memo.contour(s)
	if c.err != nil {
		refuse(r, "", c.err)
		return nil, false
	}
	return c.Contour, true
}

// refuse tells why a shape cannot be used, and of which part of it.
func refuse(r *Reader, part string, err error) {
	text := err.Error()
	if part != "" {
		text = words.Spaced(strings.TrimSuffix(part, "_mm")) + ": " + text
	}
	r.Refuse(text)
}

// landmark gives a landmark; a missing one is told, one away from the contour is
// refused.
func landmark(r *Reader, c *geometry.Contour, name string) (r3.Vec, bool) {
	s := r.Shape()
	if s == nil {
		return r3.Vec{}, false
	}
	p, ok := map[string]units.Maybe[r3.Vec]{
		landmarkLateral: s.LateralCommissureMM, landmarkMedial: s.MedialCommissureMM,
		landmarkAnterior: s.MidAnteriorMM, landmarkPosterior: s.MidPosteriorMM, landmarkAtrial: s.AtrialPointMM,
	}[name].Get()
	if !ok {
		r.Miss(valve.Key{ID: valve.ID(name), Occasion: r.At().Occasion, Role: valve.Measured})
		if name == landmarkAtrial {
			r.Explain("without a point on the atrial side nobody knows what lies above the annulus and what below")
		}
		return r3.Vec{}, false
	}
	if name == landmarkAtrial {
		return p, true
	}
	if err := r.memo.landmarkFault(s, c, name, p); err != nil {
		refuse(r, name, err)
		return r3.Vec{}, false
	}
	return p, true
}

// between gives the distance of two landmarks.
func between(r *Reader, c *geometry.Contour, one, other string) float64 {
	a, okA := landmark(r, c, one)
	b, okB := landmark(r, c, other)
	if !okA || !okB {
		return nan
	}
	d, err := geometry.Distance(a, b)
	if err != nil {
		refuse(r, "", err)
		return nan
	}
	return float64(d)
}

// landmarks gives all four landmarks of the annulus, in their order along it.
func landmarks(r *Reader, c *geometry.Contour) (l geometry.Landmarks, ok bool) {
	ok = true
	for _, place := range []struct {
		to   *r3.Vec
		name string
	}{
		{&l.LateralCommissure, landmarkLateral}, {&l.MedialCommissure, landmarkMedial},
		{&l.MidAnterior, landmarkAnterior}, {&l.MidPosterior, landmarkPosterior},
	} {
		p, have := landmark(r, c, place.name)
		*place.to, ok = p, ok && have
	}
	if !ok {
		return l, false
	}
	if err := r.memo.arcs(r.Shape(), c, l).err; err != nil {
		refuse(r, "", err)
		return l, false
	}
	if atrial, have := r.Shape().AtrialPointMM.Get(); have {
		if mirrored, err := c.Mirrored(l, atrial); err == nil && mirrored {
			r.Explain("the landmarks are a mirror image of a valve (seen from the atrium, with the anterior annulus above, the lateral commissure lies on the left): commissures exchanged, or the frame is not right-handed; the figure is the same")
		}
	}
	return l, true
}

func arcs(r *Reader, c *geometry.Contour) (anterior, posterior float64) {
	l, ok := landmarks(r, c)
	if !ok {
		return nan, nan
	}
	found := r.memo.arcs(r.Shape(), c, l) // landmarks refused a fault
	return float64(found.anterior), float64(found.posterior)
}

// usable gives surfaces that belong to the contour and to closed leaflets.
func usable(r *Reader, s *valve.Shape, sent []valve.LeafletSurface) ([]geometry.Surface, bool) {
	c, ok := contour(r)
	if !ok {
		return nil, false
	}
	if s.Context.Phase == valve.Diastole || s.Context.Phase == valve.EndDiastole {
		r.Refuse(leafletsOpen)
		return nil, false
	}
	var list []geometry.Surface
	for _, l := range sent {
		surface := geometry.Surface{Points: l.PointsMM, Triangles: l.Triangles}
		err := c.CheckSurface(surface)
		if len(surface.Points) == 0 {
			err = errors.New("the surface has no points")
		}
		if err != nil {
			refuse(r, string(l.Leaflet), err)
			return nil, false
		}
		list = append(list, surface)
	}
	return list, true
}

// meshed refuses surfaces that are points only.
func meshed(r *Reader, surfaces []geometry.Surface) bool {
	for _, s := range surfaces {
		if len(s.Triangles) == 0 {
			r.Refuse("a leaflet was given as points without triangles; areas and volumes need a mesh")
			return false
		}
	}
	return true
}

func areaOf(r *Reader, surfaces []geometry.Surface) units.Area {
	if !meshed(r, surfaces) {
		return units.Area(nan)
	}
	var sum units.Area
	for _, s := range surfaces {
		sum = sum.Plus(s.Area())
	}
	return sum
}

// What heights are measured from.
const (
	onPlane = false
	onSpan  = true
)

// reference gives what heights are measured from, oriented by the atrial point.
func reference(r *Reader, span bool) (geometry.Reference, bool) {
	c, ok := contour(r)
	if !ok {
		return geometry.Reference{}, false
	}
	atrial, ok := landmark(r, c, landmarkAtrial)
	if !ok {
		return geometry.Reference{}, false
	}
	ref := r.memo.reference(r.Shape(), c, atrial, span)
	if ref.err != nil {
		refuse(r, "", ref.err)
		return geometry.Reference{}, false
	}
	if !span {
		above, below := ref.OwnReach()
		r.Explain("the contour itself reaches " + units.FormatNumber(float64(above), lengthGrid) + " mm above and " +
			units.FormatNumber(float64(below), lengthGrid) + " mm below this plane; the value against the spanning surface leaves that out")
	}
	return ref.Reference, true
}

func reach(r *Reader, span bool, surfaces []geometry.Surface) (above, below float64) {
	ref, ok := reference(r, span)
	if !ok {
		return nan, nan
	}
	for _, s := range surfaces {
		up, down := ref.Reach(s.Points)
		above, below = max(above, float64(up)), max(below, float64(down))
	}
	return above, below
}

func volumes(r *Reader, span bool, surfaces []geometry.Surface) (above, below float64) {
	ref, ok := reference(r, span)
	if !ok || !meshed(r, surfaces) {
		return nan, nan
	}
	for _, s := range surfaces {
		up, down := ref.Volumes(s)
		above, below = above+float64(up), below+float64(down)
	}
	return above, below
}
