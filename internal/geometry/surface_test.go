package geometry

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"
)

// disc is a mesh over a circle with its centre in the origin: rings by spokes,
// the height given at radius and angle.
func disc(radius float64, rings, spokes int, height func(r, angle float64) float64) Surface {
	s := Surface{Points: []r3.Vec{{Z: height(0, 0)}}}
	for i := 1; i <= rings; i++ {
		r := radius * float64(i) / float64(rings)
		for j := range spokes {
			angle := 2 * math.Pi * float64(j) / float64(spokes)
			s.Points = append(s.Points, r3.Vec{X: r * math.Cos(angle), Y: r * math.Sin(angle), Z: height(r, angle)})
		}
	}
	at := func(i, j int) int32 { return int32(1 + (i-1)*spokes + j%spokes) }
	for j := range spokes {
		s.Triangles = append(s.Triangles, [3]int32{0, at(1, j), at(1, j+1)})
	}
	for i := 1; i < rings; i++ {
		for j := range spokes {
			s.Triangles = append(s.Triangles,
				[3]int32{at(i, j), at(i+1, j), at(i+1, j+1)},
				[3]int32{at(i, j), at(i+1, j+1), at(i, j+1)})
		}
	}
	return s
}

func (m motion) surface(s Surface) Surface { return Surface{m.all(s.Points), s.Triangles} }

const fine, spokes = 60, 120

func cone(depth float64) Surface {
	return disc(15, fine, spokes, func(r, _ float64) float64 { return -depth * (1 - r/15) })
}

func sphericalCap(height float64) Surface {
	sphere := (15*15 + height*height) / (2 * height)
	return disc(15, fine, spokes, func(r, _ float64) float64 { return math.Sqrt(sphere*sphere-r*r) - (sphere - height) })
}

func saddleSurface(amplitude float64) Surface {
	return disc(15, fine, spokes, func(r, angle float64) float64 { return -amplitude * (r / 15) * (r / 15) * math.Cos(2*angle) })
}

// references gives plane and spanning surface of a contour, moved anywhere, the
// atrium at the side of positive Z.
func references(t *testing.T, at func(float64) r3.Vec) (c *Contour, plane, span Reference) {
	t.Helper()
	c = mustContour(t, anywhere.all(around(36, at)))
	atrial := anywhere.of(r3.Vec{X: 2, Y: 1, Z: 25})
	plane, err := c.Plane(atrial)
	if err != nil {
		t.Fatal(err)
	}
	if span, err = c.SpanningSurface(atrial); err != nil {
		t.Fatal(err)
	}
	return c, plane, span
}

// Areas and volumes of bodies on a circle of radius 15 mm: cone πR√(R²+h²) and
// πR²h/3, spherical cap 2πR_s·h and πh²(3R_s − h)/3 with R_s = (R² + h²)/2h,
// saddle ½hR² on either side of its plane (derived). The second number is what a
// mesh of 60 by 120 gives, computed outside this project.
func TestAnalyticSurfaces(t *testing.T) {
	const deep, high, amplitude = 6.0, 4.0, 3.0
	sphere := (15*15 + high*high) / (2 * high)
	rows := []struct {
		name      string
		s         Surface
		contour   func(float64) r3.Vec
		area      [2]float64 // exact, mesh; 0: none
		up, down  [2]float64 // mm3
		high, low float64
	}{
		{"cone, 6 mm deep", cone(deep), ellipse(15, 15), [2]float64{math.Pi * 15 * math.Hypot(15, deep), 760.998},
			[2]float64{0, 0}, [2]float64{math.Pi * 15 * 15 * deep / 3, 1413.07}, 0, deep},
		{"spherical cap, 4 mm high", sphericalCap(high), ellipse(15, 15), [2]float64{2 * math.Pi * sphere * high, 756.803},
			[2]float64{math.Pi * high * high * (3*sphere - high) / 3, 1446.42}, [2]float64{0, 0}, high, 0},
		{"saddle of amplitude 3 mm", saddleSurface(amplitude), saddle(15, amplitude), [2]float64{},
			[2]float64{amplitude * 15 * 15 / 2, 337.07}, [2]float64{amplitude * 15 * 15 / 2, 337.07}, amplitude, amplitude},
	}
	for _, row := range rows {
		c, plane, _ := references(t, row.contour)
		s := anywhere.surface(row.s)
		if err := c.CheckSurface(s); err != nil {
			t.Fatalf("%s: %v", row.name, err)
		}
		up, down := plane.Volumes(s)
		above, below := plane.Reach(s.Points)
		for _, v := range []struct {
			what               string
			got                float64
			want               [2]float64
			tolerance, byExact float64
		}{
			{"area", s.Area().MM2(), row.area, 0.001, 0.0005},
			{"volume above", 1000 * float64(up), row.up, 0.01, 0.0015},
			{"volume below", 1000 * float64(down), row.down, 0.01, 0.0015},
			{"highest", float64(above), [2]float64{row.high, row.high}, 1e-6, 1e-6},
			{"deepest", float64(below), [2]float64{row.low, row.low}, 1e-6, 1e-6},
		} {
			if v.want[1] == 0 && v.what == "area" {
				continue
			}
			if math.Abs(v.got-v.want[1]) > v.tolerance {
				t.Errorf("%s: %s %.4f, want %.4f", row.name, v.what, v.got, v.want[1])
			}
			if math.Abs(v.got-v.want[0]) > v.byExact*max(1, v.want[0]) {
				t.Errorf("%s: %s %.4f, exact %.4f", row.name, v.what, v.got, v.want[0])
			}
		}
	}
}

// Against the spanning surface a leaflet that just closes the annulus has no
// volume; the bare saddle has h·R²/6 on either side (derived: the spanning
// surface is h·(r/R)·cos 2θ, the saddle h·(r/R)²·cos 2θ), a third of what it has
// against its plane; a flat annulus has the same against both.
func TestSpanningSurface(t *testing.T) {
	_, plane, span := references(t, saddle(15, 3))
	fan := anywhere.surface(disc(15, fine, spokes, func(r, angle float64) float64 { return -3 * (r / 15) * math.Cos(2*angle) }))
	up, down := span.Volumes(fan)
	if float64(up) > 1e-4 || float64(down) > 1e-4 {
		t.Errorf("the spanning surface itself has %v above and %v mL below", up, down)
	}
	if above, below := span.Reach(fan.Points); above > 0.001 || below > 0.001 {
		t.Errorf("the spanning surface itself reaches %v above and %v mm below", above, below)
	}
	if up, down := plane.Volumes(fan); up < 0.4 || down < 0.4 {
		t.Errorf("against the plane it has %v and %v mL", up, down)
	}
	bare := anywhere.surface(saddleSurface(3))
	up, down = span.Volumes(bare)
	for what, v := range map[string]float64{"above": 1000 * float64(up), "below": 1000 * float64(down)} {
		if math.Abs(v-3.0*15*15/6) > 0.3 {
			t.Errorf("bare saddle %s %.3f mm3, want 112.5", what, v)
		}
	}
	above, below := plane.OwnReach()
	if math.Abs(float64(above)-3) > 0.001 || math.Abs(float64(below)-3) > 0.001 {
		t.Errorf("the contour reaches %v above and %v below its plane", above, below)
	}
	_, plane, span = references(t, ellipse(15, 15))
	_, deep := plane.Volumes(anywhere.surface(cone(6)))
	_, same := span.Volumes(anywhere.surface(cone(6)))
	if math.Abs(float64(deep-same)) > 1e-9 {
		t.Errorf("flat annulus: %v below the plane, %v below the spanning surface", deep, same)
	}
}

// The atrial point alone says which way is up: on the other side billow and
// tenting change places, whatever the order of the points.
func TestTheAtrialPointOrients(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawMotion(t)
		points := m.all(around(rapid.IntRange(8, 40).Draw(t, "points"), ellipse(15, 15)))
		if rapid.Bool().Draw(t, "backwards") {
			for i, j := 0, len(points)-1; i < j; i, j = i+1, j-1 {
				points[i], points[j] = points[j], points[i]
			}
		}
		c := mustContour(t, points)
		s := m.surface(disc(14, 6, 24, func(r, _ float64) float64 { return -5 * (1 - r/14) }))
		if rapid.Bool().Draw(t, "turned triangles") {
			for i, tri := range s.Triangles {
				s.Triangles[i] = [3]int32{tri[1], tri[0], tri[2]}
			}
		}
		for _, z := range []float64{20, -20} {
			atrial := m.of(r3.Vec{X: 5, Z: z})
			for name, find := range map[string]func(r3.Vec) (Reference, error){"plane": c.Plane, "span": c.SpanningSurface} {
				ref, err := find(atrial)
				if err != nil {
					t.Fatal(err)
				}
				up, down := ref.Volumes(s)
				high, low := ref.Reach(s.Points)
				if z < 0 {
					up, down, high, low = down, up, low, high
				}
				if up > 1e-9 || !(down > 0.9 && down < 1.1) || high > 1e-9 || math.Abs(float64(low)-5) > 1e-6 {
					t.Fatalf("%s, atrium at %v: volumes %v %v, reach %v %v", name, z, up, down, high, low)
				}
			}
		}
	})
}

// Splitting keeps the whole: above minus below is the plain mean, and each part
// is what a fine division of the triangle adds up to.
func TestSplit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		height := rapid.OneOf(rapid.Float64Range(-5, 5), rapid.SampledFrom([]float64{0, 1, -1}))
		a, b, c := height.Draw(t, "a"), height.Draw(t, "b"), height.Draw(t, "c")
		up, down := split(a, b, c)
		if up < 0 || down < 0 || math.Abs(up-down-(a+b+c)/3) > 1e-12 {
			t.Fatalf("%v %v %v: %v above, %v below", a, b, c, up, down)
		}
		const n = 120
		sum := 0.0
		for i := range n {
			for j := range n - i {
				u, v := (float64(i)+1.0/3)/n, (float64(j)+1.0/3)/n
				sum += max(0, a+u*(b-a)+v*(c-a))
				if j < n-i-1 {
					u, v := (float64(i)+2.0/3)/n, (float64(j)+2.0/3)/n
					sum += max(0, a+u*(b-a)+v*(c-a))
				}
			}
		}
		if math.Abs(sum/(n*n)-up) > 0.002 {
			t.Fatalf("%v %v %v: %v above, by division %v", a, b, c, up, sum/(n*n))
		}
	})
}

func TestUnusableSurfaces(t *testing.T) {
	c := mustContour(t, around(24, ellipse(15, 15)))
	triangle := []r3.Vec{{X: 1}, {Y: 1}, {Z: -4}}
	for _, row := range []struct {
		why  string
		s    Surface
		want error
	}{
		{"a triangle", Surface{triangle, [][3]int32{{0, 1, 2}}}, nil},
		{"points alone", Surface{triangle, nil}, nil},
		{"a corner that is not there", Surface{triangle, [][3]int32{{0, 1, 3}}}, ErrNoTriangle},
		{"a corner below 0", Surface{triangle, [][3]int32{{0, -1, 2}}}, ErrNoTriangle},
		{"not a number", Surface{[]r3.Vec{{X: math.NaN()}}, nil}, ErrNotFinite},
		{"another frame", Surface{[]r3.Vec{{X: 100, Y: 100}}, nil}, ErrFarLeaflet},
		{"beyond what numbers hold", Surface{[]r3.Vec{{X: 1e308}}, nil}, ErrFarLeaflet},
	} {
		if err := c.CheckSurface(row.s); !errors.Is(err, row.want) {
			t.Errorf("%s: %v, want %v", row.why, err, row.want)
		}
	}
	// A bean: a line from its centroid meets the contour three times.
	bean := mustContour(t, around(48, func(s float64) r3.Vec {
		r := 14 + 6*math.Cos(s)
		bend := 1.6 * math.Sin(s)
		return r3.Vec{X: r * math.Cos(bend), Y: r * math.Sin(bend) * 1.2}
	}))
	if _, err := bean.SpanningSurface(r3.Vec{Z: 20}); !errors.Is(err, ErrNotStar) {
		t.Errorf("a bean: %v", err)
	}
	if _, err := bean.Plane(r3.Vec{Z: 20}); err != nil {
		t.Errorf("a bean has a plane: %v", err)
	}
}
