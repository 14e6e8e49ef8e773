package geometry

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"trigone/internal/units"
)

// Limits of what is taken for an annulus. They are our own choice, no published
// ones, and wide: they catch slips (another unit, another frame, a line instead
// of a ring), not unusual valves.
const (
	minContourPoints = 8
	// Points nearer to each other than this are one point, entered twice.
	samePointMM = 0.001
	// In centimetres every annulus lies below the lower limit.
	minPerimeterMM, maxPerimeterMM = 30.0, 400.0
	// Variances along the three main axes: across over along, and out of the plane
	// over across. A saddle of a third of its radius in amplitude has 0.11.
	minRoundness, maxOutOfPlane = 0.01, 0.5
	// A landmark of the annulus further than this from the contour is of another
	// frame or another valve; two landmarks nearer to each other are one.
	landmarkReachMM = 5.0
	// The atrial point shows the side only if it lies clearly off the plane.
	minAtrialMM, maxAtrialMM = 1.0, 300.0
	// samplesPerInterval is the number of points between two points of the contour
	// on the spline through them.
	samplesPerInterval = 20
)

// The reasons why a contour or a landmark cannot be used. Each is wrapped with
// the positions (counted from 0) or the limit concerned.
var (
	ErrFewPoints  = errors.New("the contour has too few points")
	ErrNotFinite  = errors.New("a coordinate is not a finite number")
	ErrSamePoint  = errors.New("two points of the contour are the same")
	ErrNotInMM    = errors.New("the contour is not of the size of an annulus in millimetres")
	ErrNoExtent   = errors.New("the contour encloses nothing")
	ErrNoPlane    = errors.New("no plane fits the contour")
	ErrCrossing   = errors.New("the contour crosses itself, seen along the normal of its plane")
	ErrLandmark   = errors.New("a landmark does not lie on the contour")
	ErrLandmarks  = errors.New("the landmarks of the annulus do not fit each other")
	ErrNoSide     = errors.New("the atrial point does not show the atrial side")
	ErrNotStar    = errors.New("the contour is too indented for a surface spanned from its centre")
	ErrNoTriangle = errors.New("a triangle of the leaflet's surface is not usable")
	ErrFarLeaflet = errors.New("the leaflet's points do not belong to the contour")
)

// Contour is the closed contour of an annulus in three dimensions: a periodic
// cubic spline through its points (parameter: length of the chords), followed in
// 20 steps between two points, with the plane that fits it best.
//
// The plane goes through the centroid of the outline and is spanned by the two
// largest eigenvectors of its covariance, both weighted by arc length, so that
// unevenly spaced points do not draw it to one side. The normal has no sign by
// itself: an eigenvector has none. Which way is up is said by the atrial point.
type Contour struct {
	outline   []r3.Vec  // the spline, closed from the last point to the first
	along     []float64 // length of the outline up to each of its points, mm
	perimeter float64   // mm
	centroid  r3.Vec
	normal    r3.Vec // unit length, sign arbitrary
	axes      [2]r3.Vec
	flat      [][2]float64 // the outline in the plane, from the centroid, mm
	heights   []float64    // the outline's distances from the plane along normal, mm
	radius    float64      // largest distance of the outline from the centroid, mm
}

// NewContour makes a contour of points in mm, in order along the annulus, the
// first not repeated at the end. It refuses, with the reason: fewer than 8
// points, coordinates that are no finite numbers, points given twice, a size
// that no annulus in mm has (perimeter outside 30 to 400 mm), points on a line,
// points that no plane fits, and contours that cross themselves.
//
// Source: numerical analysis (spline, principal axes); the recipe is our own.
func NewContour(points []r3.Vec) (*Contour, error) {
	if len(points) < minContourPoints {
		return nil, fmt.Errorf("%w: %d, at least %d are needed", ErrFewPoints, len(points), minContourPoints)
	}
	for i, p := range points {
		if !finite(p) {
			return nil, fmt.Errorf("%w: point %d of the contour", ErrNotFinite, i)
		}
	}
	if err := plausiblePerimeter(PolylinePerimeter(points)); err != nil {
		return nil, err
	}
	// Far from the origin of the frame digits are lost: compute near the contour.
	origin := points[0]
	near := make([]r3.Vec, len(points))
	for i, p := range points {
		near[i] = r3.Sub(p, origin)
	}
	if i, j, same := samePoint(near); same {
		return nil, fmt.Errorf("%w: %d and %d, counted from 0; the contour closes by itself, the first point is not repeated", ErrSamePoint, i, j)
	}
	outline, err := spline(near)
	if err != nil {
		return nil, err
	}
	c := &Contour{outline: outline}
	c.measure()
	if err := plausiblePerimeter(units.Length(c.perimeter)); err != nil {
		return nil, err
	}
	if err := c.fitPlane(); err != nil {
		return nil, err
	}
	if c.crosses() {
		return nil, fmt.Errorf("%w; check the order of the points", ErrCrossing)
	}
	for i := range c.outline {
		c.outline[i] = r3.Add(c.outline[i], origin)
	}
	c.centroid = r3.Add(c.centroid, origin)
	return c, nil
}

func plausiblePerimeter(p units.Length) error {
	if !(p >= minPerimeterMM && p <= maxPerimeterMM) {
		return fmt.Errorf("%w: its perimeter in these numbers lies outside %g to %g; give millimetres", ErrNotInMM, minPerimeterMM, maxPerimeterMM)
	}
	return nil
}

func finite(p r3.Vec) bool {
	return !slices.ContainsFunc([]float64{p.X, p.Y, p.Z}, func(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) })
}

// samePoint finds two points that lie in one place.
func samePoint(points []r3.Vec) (i, j int, same bool) {
	order := make([]int, len(points))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(points[a].X, points[b].X) })
	for k, a := range order {
		for _, b := range order[k+1:] {
			if points[b].X-points[a].X > samePointMM {
				break
			}
			if r3.Norm(r3.Sub(points[a], points[b])) <= samePointMM {
				return min(a, b), max(a, b), true
			}
		}
	}
	return 0, 0, false
}

// PolylinePerimeter gives the length of the closed straight lines between points
// in mm. With few points it is short (3 % for a circle of 8), which is why the
// perimeter of a Contour follows the spline.
func PolylinePerimeter(points []r3.Vec) units.Length {
	sum := 0.0
	for i, p := range points {
		sum += r3.Norm(r3.Sub(points[(i+1)%len(points)], p))
	}
	return units.Length(sum)
}

// spline follows the periodic cubic spline through the points. The second
// derivatives m solve, for chords h and every i modulo n,
//
//	h(i-1)·m(i-1) + 2·(h(i-1)+h(i))·m(i) + h(i)·m(i+1) = 6·((y(i+1)-y(i))/h(i) - (y(i)-y(i-1))/h(i-1))
//
// The two corners that close the ring are taken out by a correction of rank one.
func spline(points []r3.Vec) ([]r3.Vec, error) {
	n := len(points)
	h := make([]float64, n)
	for i := range n {
		h[i] = r3.Norm(r3.Sub(points[(i+1)%n], points[i]))
	}
	corner := h[n-1]
	diagonal, right := make([]float64, n), mat.NewDense(n, 4, nil)
	for i := range n {
		before := (i + n - 1) % n
		diagonal[i] = 2 * (h[before] + h[i])
		slope := r3.Sub(r3.Scale(1/h[i], r3.Sub(points[(i+1)%n], points[i])), r3.Scale(1/h[before], r3.Sub(points[i], points[before])))
		right.SetRow(i, []float64{6 * slope.X, 6 * slope.Y, 6 * slope.Z, 0})
	}
	shift := -diagonal[0]
	right.Set(0, 3, shift)
	right.Set(n-1, 3, corner)
	diagonal[0] -= shift
	diagonal[n-1] -= corner * corner / shift
	off := h[: n-1 : n-1]
	var solved mat.Dense
	if err := mat.NewTridiag(n, slices.Clone(off), diagonal, slices.Clone(off)).SolveTo(&solved, false, right); err != nil {
		return nil, fmt.Errorf("%w: its points are spaced too unevenly", ErrNoExtent)
	}
	at := func(i int) (m r3.Vec, correction float64) {
		return r3.Vec{X: solved.At(i, 0), Y: solved.At(i, 1), Z: solved.At(i, 2)}, solved.At(i, 3)
	}
	first, uFirst := at(0)
	last, uLast := at(n - 1)
	share := r3.Scale(1/(1+uFirst+corner/shift*uLast), r3.Add(first, r3.Scale(corner/shift, last)))
	second := make([]r3.Vec, n)
	for i := range n {
		m, u := at(i)
		second[i] = r3.Sub(m, r3.Scale(u, share))
	}
	outline := make([]r3.Vec, 0, n*samplesPerInterval)
	for i := range n {
		next := (i + 1) % n
		for k := range samplesPerInterval {
			b := float64(k) / samplesPerInterval
			a := 1 - b
			bend := r3.Add(r3.Scale(a*a*a-a, second[i]), r3.Scale(b*b*b-b, second[next]))
			outline = append(outline, r3.Add(
				r3.Add(r3.Scale(a, points[i]), r3.Scale(b, points[next])),
				r3.Scale(h[i]*h[i]/6, bend)))
		}
	}
	return outline, nil
}

// measure adds up the outline and finds its centroid.
func (c *Contour) measure() {
	c.along = make([]float64, len(c.outline))
	var sum r3.Vec
	for i, p := range c.outline {
		q := c.outline[(i+1)%len(c.outline)]
		length := r3.Norm(r3.Sub(q, p))
		c.along[i] = c.perimeter
		c.perimeter += length
		sum = r3.Add(sum, r3.Scale(length/2, r3.Add(p, q)))
	}
	c.centroid = r3.Scale(1/c.perimeter, sum)
}

// fitPlane finds the main axes of the outline and lays it into its plane.
func (c *Contour) fitPlane() error {
	var xx, xy, xz, yy, yz, zz float64
	add := func(v r3.Vec, weight float64) {
		xx, xy, xz = xx+weight*v.X*v.X, xy+weight*v.X*v.Y, xz+weight*v.X*v.Z
		yy, yz, zz = yy+weight*v.Y*v.Y, yz+weight*v.Y*v.Z, zz+weight*v.Z*v.Z
	}
	for i, p := range c.outline {
		q := c.outline[(i+1)%len(c.outline)]
		weight := r3.Norm(r3.Sub(q, p)) / (6 * c.perimeter)
		p, q = r3.Sub(p, c.centroid), r3.Sub(q, c.centroid)
		// Exact for a straight piece: its ends once, its middle four times.
		add(p, weight)
		add(q, weight)
		add(r3.Scale(0.5, r3.Add(p, q)), 4*weight)
	}
	covariance := mat.NewSymDense(3, []float64{xx, xy, xz, xy, yy, yz, xz, yz, zz})
	var eigen mat.EigenSym
	if !eigen.Factorize(covariance, true) {
		return fmt.Errorf("%w: its main axes were not found", ErrNoPlane)
	}
	variance := eigen.Values(nil) // ascending
	if !(variance[1] > minRoundness*variance[2]) {
		return fmt.Errorf("%w: its points lie on a line", ErrNoExtent)
	}
	if !(variance[0] < maxOutOfPlane*variance[1]) {
		return fmt.Errorf("%w: its points are spread almost as far out of the plane as in it", ErrNoPlane)
	}
	var vectors mat.Dense
	eigen.VectorsTo(&vectors)
	axis := func(j int) r3.Vec {
		return r3.Unit(r3.Vec{X: vectors.At(0, j), Y: vectors.At(1, j), Z: vectors.At(2, j)})
	}
	c.normal, c.axes[0] = axis(0), axis(2)
	c.axes[1] = r3.Cross(c.normal, c.axes[0])
	c.flat, c.heights = make([][2]float64, len(c.outline)), make([]float64, len(c.outline))
	for i, p := range c.outline {
		d := r3.Sub(p, c.centroid)
		c.flat[i] = [2]float64{r3.Dot(d, c.axes[0]), r3.Dot(d, c.axes[1])}
		c.heights[i] = r3.Dot(d, c.normal)
		c.radius = max(c.radius, r3.Norm(d))
	}
	return nil
}

// crosses says whether two pieces of the outline that are no neighbours meet in
// the plane. Pieces are compared only while they overlap along the first axis.
func (c *Contour) crosses() bool {
	n := len(c.flat)
	from := func(i int) float64 { return min(c.flat[i][0], c.flat[(i+1)%n][0]) }
	to := func(i int) float64 { return max(c.flat[i][0], c.flat[(i+1)%n][0]) }
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(from(a), from(b)) })
	var open []int
	for _, i := range order {
		open = slices.DeleteFunc(open, func(j int) bool { return to(j) < from(i) })
		for _, j := range open {
			if (i+1)%n != j && (j+1)%n != i && meet(c.flat[i], c.flat[(i+1)%n], c.flat[j], c.flat[(j+1)%n]) {
				return true
			}
		}
		open = append(open, i)
	}
	return false
}

// meet says whether the pieces a-b and c-d have a point in common.
func meet(a, b, c, d [2]float64) bool {
	if max(a[0], b[0]) < min(c[0], d[0]) || max(c[0], d[0]) < min(a[0], b[0]) ||
		max(a[1], b[1]) < min(c[1], d[1]) || max(c[1], d[1]) < min(a[1], b[1]) {
		return false
	}
	side := func(p, q, r [2]float64) float64 {
		return (q[0]-p[0])*(r[1]-p[1]) - (q[1]-p[1])*(r[0]-p[0])
	}
	return side(a, b, c)*side(a, b, d) <= 0 && side(c, d, a)*side(c, d, b) <= 0
}

// Perimeter gives the length of the contour along its spline, in mm.
//
// Source: analytic circles, ellipses and saddles are met within 0.16 % from 8
// points and 0.01 % from 16.
func (c *Contour) Perimeter() units.Length { return units.Length(c.perimeter) }

// ProjectedArea gives the area that the contour encloses in the plane that fits
// it best.
//
//	A = ½ · |Σ (x(i)·y(i+1) - x(i+1)·y(i))|   (mm, A cm2)
//
// Source: mathematics.
func (c *Contour) ProjectedArea() units.Area {
	sum := 0.0
	for i, p := range c.flat {
		q := c.flat[(i+1)%len(c.flat)]
		sum += p[0]*q[1] - q[0]*p[1]
	}
	return units.AreaFromMM2(math.Abs(sum) / 2)
}

// SpanningArea gives the area of the surface that straight lines from the
// centroid to the contour make up.
//
//	A = Σ ½ · |(p - m) × (q - m)|   (mm, A cm2)
//
// Source: mathematics; for a flat contour it is the projected area.
func (c *Contour) SpanningArea() units.Area {
	sum := 0.0
	for i, p := range c.outline {
		q := c.outline[(i+1)%len(c.outline)]
		sum += r3.Norm(r3.Cross(r3.Sub(p, c.centroid), r3.Sub(q, c.centroid))) / 2
	}
	return units.AreaFromMM2(sum)
}

// Height gives the distance between the highest and the lowest point of the
// contour, measured from the plane that fits it best, in mm.
//
// Source: definition; for a saddle of amplitude h it is 2h.
func (c *Contour) Height() units.Length {
	return units.Length(slices.Max(c.heights) - slices.Min(c.heights))
}

// nearest gives how far a point lies from the outline, and where along it.
func (c *Contour) nearest(p r3.Vec) (distance, along float64) {
	distance = math.Inf(1)
	for i, a := range c.outline {
		piece := r3.Sub(c.outline[(i+1)%len(c.outline)], a)
		share := 0.0
		if length := r3.Norm2(piece); length > 0 {
			share = min(1, max(0, r3.Dot(r3.Sub(p, a), piece)/length))
		}
		if d := r3.Norm(r3.Sub(p, r3.Add(a, r3.Scale(share, piece)))); d < distance {
			distance, along = d, c.along[i]+share*r3.Norm(piece)
		}
	}
	return distance, along
}

// CheckLandmark refuses a landmark of the annulus that lies more than 5 mm from
// the contour.
func (c *Contour) CheckLandmark(p r3.Vec) error {
	if d, _ := c.nearest(p); !(d <= landmarkReachMM) {
		return fmt.Errorf("%w: it lies more than %g mm from it; both must be in one frame and in mm", ErrLandmark, landmarkReachMM)
	}
	return nil
}

// Distance gives the straight distance between two landmarks, in mm: from the
// middle of the anterior to the middle of the posterior annulus, or from
// commissure to commissure. It refuses landmarks nearer than 5 mm to each other.
//
// Source: definition.
func Distance(a, b r3.Vec) (units.Length, error) {
	d := r3.Norm(r3.Sub(a, b))
	if !(d >= landmarkReachMM) {
		return 0, fmt.Errorf("%w: two of them lie less than %g mm apart", ErrLandmarks, landmarkReachMM)
	}
	return units.Length(d), nil
}

// Landmarks are the four landmarks of an annulus, in mm.
type Landmarks struct {
	LateralCommissure, MedialCommissure, MidAnterior, MidPosterior r3.Vec
}

// Arcs gives the length of the contour from commissure to commissure in front
// and behind, in mm. It refuses landmarks that do not follow each other along
// the contour: commissure, anterior, other commissure, posterior.
//
// Source: definition; together they are the perimeter.
func (c *Contour) Arcs(l Landmarks) (anterior, posterior units.Length, err error) {
	_, start := c.nearest(l.LateralCommissure)
	from := func(p r3.Vec) float64 {
		_, along := c.nearest(p)
		return math.Mod(along-start+c.perimeter, c.perimeter)
	}
	a, m, p := from(l.MidAnterior), from(l.MedialCommissure), from(l.MidPosterior)
	switch {
	case 0 < a && a < m && m < p:
		return units.Length(m), units.Length(c.perimeter - m), nil
	case 0 < p && p < m && m < a:
		return units.Length(c.perimeter - m), units.Length(m), nil
	}
	return 0, 0, fmt.Errorf("%w: along the contour they must follow each other as commissure, anterior, other commissure, posterior", ErrLandmarks)
}

// FoldAngle gives the angle under which anterior and posterior annulus are seen
// from the middle between the commissures: 180 degrees for a flat annulus, less
// for a folded one. It is published as non-planarity angle.
//
//	u = A - M, v = P - M, M = (C1 + C2)/2; angle = atan2(|u × v|, u · v)   (deg)
//
// The arc cosine would fail by rounding at 180 degrees. Accepted: landmarks in
// the order that Arcs asks for. Source: means of 140.7 degrees in controls and
// 148.0 in ischaemic regurgitation (Mahmood 2017, read in the abstract); for a
// saddle of radius R and amplitude h it is 2·atan(R/2h), derived.
func FoldAngle(l Landmarks) units.Angle {
	middle := r3.Scale(0.5, r3.Add(l.LateralCommissure, l.MedialCommissure))
	u, v := r3.Sub(l.MidAnterior, middle), r3.Sub(l.MidPosterior, middle)
	return units.AngleFromRadians(math.Atan2(r3.Norm(r3.Cross(u, v)), r3.Dot(u, v)))
}

// up gives the normal that points to the atrial side.
func (c *Contour) up(atrial r3.Vec) (r3.Vec, error) {
	d := r3.Sub(atrial, c.centroid)
	height := r3.Dot(d, c.normal)
	if !(r3.Norm(d) <= maxAtrialMM) {
		return r3.Vec{}, fmt.Errorf("%w: it lies more than %g mm from the annulus; both must be in one frame and in mm", ErrNoSide, maxAtrialMM)
	}
	if !(math.Abs(height) >= minAtrialMM) {
		return r3.Vec{}, fmt.Errorf("%w: it lies less than %g mm from the plane of the annulus", ErrNoSide, minAtrialMM)
	}
	if height < 0 {
		return r3.Scale(-1, c.normal), nil
	}
	return c.normal, nil
}

// Mirrored says whether the landmarks are a mirror image of a valve: seen from
// the atrium with the anterior annulus above, the lateral commissure lies on the
// left. It does not change any figure here; a commissure or the frame is
// mistaken. Source: common practice, no source.
func (c *Contour) Mirrored(l Landmarks, atrial r3.Vec) (bool, error) {
	up, err := c.up(atrial)
	if err != nil {
		return false, err
	}
	across, forward := r3.Sub(l.MedialCommissure, l.LateralCommissure), r3.Sub(l.MidAnterior, l.MidPosterior)
	return r3.Dot(r3.Cross(across, forward), up) < 0, nil
}
