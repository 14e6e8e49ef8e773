package geometry

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"trigone/internal/units"
)

const mm3PerML = 1000

// A leaflet's point further from the centroid of the annulus than this many of
// its radii is of another frame; our own choice.
const leafletReach = 2.5

// Surface is a leaflet or a part of one: points in mm and, for everything but the
// highest and the lowest point, triangles between them (positions counted from
// 0, in either sense of rotation).
type Surface struct {
	Points    []r3.Vec
	Triangles [][3]int32
}

// CheckSurface refuses surfaces that are not of the annulus: coordinates that are
// no finite numbers, triangles of points that are not there, points further away
// than two and a half times the radius of the annulus.
func (c *Contour) CheckSurface(s Surface) error {
	for i, p := range s.Points {
		if !finite(p) {
			return fmt.Errorf("%w: point %d of a leaflet", ErrNotFinite, i)
		}
		if !(r3.Norm(r3.Sub(p, c.centroid)) <= leafletReach*c.radius) {
			return fmt.Errorf("%w: point %d, counted from 0, lies more than %g radii of the annulus from its centre; both must be in one frame and in mm", ErrFarLeaflet, i, leafletReach)
		}
	}
	for i, t := range s.Triangles {
		for _, corner := range t {
			if corner < 0 || int(corner) >= len(s.Points) {
				return fmt.Errorf("%w: triangle %d, counted from 0, names a point that is not there", ErrNoTriangle, i)
			}
		}
	}
	return nil
}

// Area gives the area of the surface.
//
//	A = Σ ½ · |(b - a) × (c - a)|   (mm, A cm2)
//
// Accepted: a surface that CheckSurface accepts. Source: mathematics; cone and
// spherical cap are met within 0.05 % on 60 by 120 pieces.
func (s Surface) Area() units.Area {
	sum := 0.0
	for _, t := range s.Triangles {
		a := s.Points[t[0]]
		sum += r3.Norm(r3.Cross(r3.Sub(s.Points[t[1]], a), r3.Sub(s.Points[t[2]], a))) / 2
	}
	return units.AreaFromMM2(sum)
}

// Reference is what heights of a leaflet are measured from, the atrial side
// above.
type Reference struct {
	contour  *Contour
	up       r3.Vec
	spanning bool
	rays     []ray // of a spanning surface, by angle
}

// ray is the contour in one direction from its centroid, seen in the plane.
type ray struct {
	angle  float64
	flat   [2]float64
	height float64
}

// Plane gives the plane that fits the contour best as a reference. A saddle rises
// above its own plane and dips below it: with an amplitude of 3 mm and a radius
// of 15 mm, its surface has 0.34 mL on either side of it without any leaflet
// leaving the annulus. SpanningSurface is the better reference for volumes.
func (c *Contour) Plane(atrial r3.Vec) (Reference, error) {
	up, err := c.up(atrial)
	return Reference{contour: c, up: up}, err
}

// SpanningSurface gives the surface that straight lines from the centroid to the
// contour make up as a reference: a leaflet that just closes the annulus has
// nothing on either side of it. It refuses contours so indented that a line from
// the centroid meets them more than once.
func (c *Contour) SpanningSurface(atrial r3.Vec) (Reference, error) {
	up, err := c.up(atrial)
	if err != nil {
		return Reference{}, err
	}
	ref := Reference{contour: c, up: up, spanning: true}
	sense, turn := 0.0, r3.Dot(up, c.normal)
	for i, p := range c.flat {
		q := c.flat[(i+1)%len(c.flat)]
		cross := p[0]*q[1] - q[0]*p[1]
		if sense == 0 {
			sense = cross
		}
		if !(cross*sense > 0) {
			return Reference{}, fmt.Errorf("%w: a line from the centroid meets it more than once", ErrNotStar)
		}
		ref.rays = append(ref.rays, ray{math.Atan2(p[1], p[0]), p, turn * c.heights[i]})
	}
	slices.SortFunc(ref.rays, func(a, b ray) int { return cmp.Compare(a.angle, b.angle) })
	return ref, nil
}

// Height gives how far a point lies above the reference (towards the atrium) or,
// negative, below it, along the normal of the plane, in mm. Outside the contour
// the spanning surface goes on at the height of the contour.
func (r Reference) Height(p r3.Vec) units.Offset {
	d := r3.Sub(p, r.contour.centroid)
	height := r3.Dot(d, r.up)
	if r.spanning {
		height -= r.spanned(r3.Dot(d, r.contour.axes[0]), r3.Dot(d, r.contour.axes[1]))
	}
	return units.Offset(height)
}

// spanned gives the height of the spanning surface at a place of the plane: of
// the triangle made up by the centroid and the two neighbouring rays.
func (r Reference) spanned(x, y float64) float64 {
	angle := math.Atan2(y, x)
	next, _ := slices.BinarySearchFunc(r.rays, angle, func(a ray, angle float64) int { return cmp.Compare(a.angle, angle) })
	n := len(r.rays)
	a, b := r.rays[(next+n-1)%n], r.rays[next%n]
	whole := a.flat[0]*b.flat[1] - a.flat[1]*b.flat[0]
	towardsA := (x*b.flat[1] - y*b.flat[0]) / whole
	towardsB := (a.flat[0]*y - a.flat[1]*x) / whole
	if sum := towardsA + towardsB; sum > 1 {
		towardsA, towardsB = towardsA/sum, towardsB/sum
	}
	return towardsA*a.height + towardsB*b.height
}

// Reach gives how far the points of a surface rise above the reference and how
// deep they dip below it, in mm; 0 where none does.
//
// Source: definition.
func (r Reference) Reach(points []r3.Vec) (above, below units.Length) {
	for _, p := range points {
		h := r.Height(p)
		above, below = max(above, h.NotBelowZero()), max(below, h.Scaled(-1).NotBelowZero())
	}
	return above, below
}

// OwnReach gives how far the contour itself rises above and dips below its plane,
// in mm.
func (r Reference) OwnReach() (above, below units.Length) {
	turn := r3.Dot(r.up, r.contour.normal)
	for _, h := range r.contour.heights {
		h := units.Offset(turn * h)
		above, below = max(above, h.NotBelowZero()), max(below, h.Scaled(-1).NotBelowZero())
	}
	return above, below
}

// Volumes gives the volume between a surface and the reference above it (billow)
// and below it (tenting), in mL.
//
//	Σ area of the triangle in the plane · mean height, triangles that cross the reference split exactly
//
// Accepted: a surface that CheckSurface accepts. Parts that lie one above the
// other, seen from the atrium, count each by itself. Source: mathematics; cone,
// spherical cap and saddle are met within 0.15 % on 60 by 120 pieces.
func (r Reference) Volumes(s Surface) (above, below units.Volume) {
	heights := make([]float64, len(s.Points))
	for i, p := range s.Points {
		heights[i] = float64(r.Height(p))
	}
	for _, t := range s.Triangles {
		a := s.Points[t[0]]
		area := math.Abs(r3.Dot(r3.Cross(r3.Sub(s.Points[t[1]], a), r3.Sub(s.Points[t[2]], a)), r.up)) / 2
		up, down := split(heights[t[0]], heights[t[1]], heights[t[2]])
		above += units.Volume(area * up / mm3PerML)
		below += units.Volume(area * down / mm3PerML)
	}
	return above, below
}

// split gives the mean of the positive and of the negative part (without its
// sign) of a height that runs linearly over a triangle with these corners.
func split(a, b, c float64) (up, down float64) {
	h := [3]float64{a, b, c}
	slices.Sort(h[:])
	mean := (a + b + c) / 3
	switch {
	case h[0] >= 0:
		return mean, 0
	case h[2] <= 0:
		return 0, -mean
	case h[1] > 0: // only the lowest is below
		down = -h[0] * h[0] / (h[1] - h[0]) * h[0] / (h[2] - h[0]) / 3
		return max(0, mean+down), down // rounding may go below 0
	}
	up = h[2] * h[2] / (h[2] - h[0]) * h[2] / (h[2] - h[1]) / 3
	return up, max(0, up-mean)
}
