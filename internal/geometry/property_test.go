package geometry

import (
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"trigone/internal/units"
)

// A slice built backwards from its closure: whatever is drawn has a free closure
// with this share and overlap.
type drawnSlice struct {
	Slice
	share   units.Ratio
	overlap units.Length
}

func drawSlice(t *rapid.T) drawnSlice {
	length := func(name string, lo, hi float64) units.Length {
		return units.Length(rapid.Float64Range(lo, hi).Draw(t, name))
	}
	d := drawnSlice{
		share:   units.Ratio(rapid.Float64Range(0.1, 0.9).Draw(t, "share")),
		overlap: length("overlap", 0.5, 15),
	}
	d.Diameter, d.Depth = length("diameter", 15, 45), length("depth", 0, 12)
	d.Anterior = d.overlap.Plus(hypot(d.Diameter.Scaled(d.share), d.Depth))
	d.Posterior = d.overlap.Plus(hypot(d.Diameter.Scaled(1-d.share), d.Depth))
	return d
}

func near(a, b float64) bool { return math.Abs(a-b) <= 1e-9*(1+math.Abs(a)+math.Abs(b)) }

func free(t *rapid.T, s Slice) Closure {
	c, err := FreeClosure(s)
	if err != nil {
		t.Fatalf("%+v: %v", s, err)
	}
	return c
}

func TestFreeClosureRecoversWhatItWasBuiltFrom(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawSlice(t)
		c := free(t, d.Slice)
		if !near(float64(c.Overlap), float64(d.overlap)) || !near(float64(c.AnteriorShare), float64(d.share)) {
			t.Fatalf("built from share %v and overlap %v, got %+v", d.share, d.overlap, c)
		}
		if !near(float64(c.ContactAnterior), float64(c.ContactPosterior)) || !near(float64(c.MeanContact), float64(c.Overlap)) {
			t.Fatalf("free tips must be level: %+v", c)
		}
		if !near(float64(c.ContactAnterior)+float64(c.ExposedAnterior), float64(d.Anterior)) ||
			!near(float64(c.ContactPosterior)+float64(c.ExposedPosterior), float64(d.Posterior)) {
			t.Fatalf("contact and exposed part must make up the leaflet: %+v", c)
		}
	})
}

func TestFlatFormIsTheFreeFormWithoutDepth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSlice(t).Slice
		s.Depth = 0
		c, err := FreeClosure(s)
		if errors.Is(err, ErrNoLine) {
			t.Skip("the depth made the line possible")
		}
		flat := FlatCoaptation(s.Anterior, s.Posterior, s.Diameter)
		if !near(float64(c.MeanContact), float64(flat)) ||
			!near(float64(c.AnteriorShare), float64(FlatAnteriorShare(s.Anterior, s.Posterior, s.Diameter))) {
			t.Fatalf("flat form %v, free form %+v", flat, c)
		}
		index := float64(LeafletToAnnulusIndex(s.Anterior, s.Posterior, s.Diameter))
		if !near(float64(flat), float64(s.Diameter)*(index-1)/2) {
			t.Fatalf("c = d(index-1)/2 fails: %v", flat)
		}
	})
}

func TestClosureIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawSlice(t)
		more := units.Length(rapid.Float64Range(0.05, 0.5).Draw(t, "more"))
		base := free(t, d.Slice).MeanContact
		for _, r := range []struct {
			name   string
			change func(*Slice)
			rises  bool
		}{
			{"anterior height", func(s *Slice) { s.Anterior += more }, true},
			{"posterior height", func(s *Slice) { s.Posterior += more }, true},
			{"diameter", func(s *Slice) { s.Diameter += more }, false},
			{"depth", func(s *Slice) { s.Depth += more }, false},
		} {
			s := d.Slice
			r.change(&s)
			c, err := FreeClosure(s)
			if errors.Is(err, ErrNoLine) {
				continue
			}
			if got := c.MeanContact; (got > base) != r.rises || got == base {
				t.Fatalf("%s more: contact goes from %v to %v", r.name, base, got)
			}
			flatBase := FlatCoaptation(d.Anterior, d.Posterior, d.Diameter)
			if flat := FlatCoaptation(s.Anterior, s.Posterior, s.Diameter); r.name != "depth" && (flat > flatBase) != r.rises {
				t.Fatalf("%s more: flat coaptation goes from %v to %v", r.name, flatBase, flat)
			}
		}
	})
}

func TestHeldOverlapNeverExceedsTheFree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawSlice(t)
		share := units.Ratio(rapid.Float64Range(0.02, 0.98).Draw(t, "held at"))
		held, err := HeldClosure(d.Slice, share)
		if err != nil {
			t.Fatal(err)
		}
		if float64(held.Overlap) > float64(d.overlap)+1e-9 {
			t.Fatalf("held at %v the overlap %v exceeds the free %v", share, held.Overlap, d.overlap)
		}
		if held.Overlap < 0 || (held.Overlap > 0 && float64(held.Overlap) > float64(held.MeanContact)+1e-9) {
			t.Fatalf("overlap %v against mean %v", held.Overlap, held.MeanContact)
		}
		sum := float64(d.Anterior + d.Posterior - held.ExposedAnterior - held.ExposedPosterior)
		if !near(float64(held.ContactAnterior+held.ContactPosterior), sum) || !near(float64(held.MeanContact), sum/2) {
			t.Fatalf("contact must be what is not exposed: %+v", held)
		}
	})
}

func TestClosureMirrors(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawSlice(t)
		mirrored := d.Slice
		mirrored.Anterior, mirrored.Posterior = d.Posterior, d.Anterior
		a, b := free(t, d.Slice), free(t, mirrored)
		if !near(float64(a.AnteriorShare), float64(1-b.AnteriorShare)) || !near(float64(a.Overlap), float64(b.Overlap)) ||
			!near(float64(a.ExposedAnterior), float64(b.ExposedPosterior)) {
			t.Fatalf("%+v mirrors to %+v", a, b)
		}
		x, errX := FreeSensitivity(d.Slice)
		y, errY := FreeSensitivity(mirrored)
		if errX != nil || errY != nil || !near(float64(x.Anterior), float64(y.Posterior)) ||
			!near(float64(x.Diameter), float64(y.Diameter)) || !near(float64(x.Depth), float64(y.Depth)) {
			t.Fatalf("%+v mirrors to %+v", x, y)
		}
	})
}

func TestClosureScales(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawSlice(t)
		k := units.Ratio(rapid.Float64Range(0.3, 3).Draw(t, "k"))
		s := Slice{d.Anterior.Scaled(k), d.Posterior.Scaled(k), d.Diameter.Scaled(k), d.Depth.Scaled(k)}
		a, b := free(t, d.Slice), free(t, s)
		if !near(float64(a.Overlap.Scaled(k)), float64(b.Overlap)) || !near(float64(a.AnteriorShare), float64(b.AnteriorShare)) {
			t.Fatalf("%v times %+v is %+v", k, a, b)
		}
	})
}

// The closed-form sensitivities are the slopes of the solved closure.
func TestSensitivityIsTheSlope(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSlice(t).Slice
		s.Depth += 0.01 // the slope along the size of the depth has a kink at 0
		got, err := FreeSensitivity(s)
		if errors.Is(err, ErrNoLine) {
			t.Skip("the added depth left no line")
		}
		const step = 1e-4
		slope := func(change func(*Slice, units.Length)) (float64, bool) {
			up, down := s, s
			change(&up, step)
			change(&down, -step)
			a, errA := FreeClosure(up)
			b, errB := FreeClosure(down)
			return float64(a.MeanContact-b.MeanContact) / (2 * step), errA == nil && errB == nil
		}
		for _, r := range []struct {
			name   string
			got    units.Ratio
			change func(*Slice, units.Length)
		}{
			{"anterior", got.Anterior, func(s *Slice, x units.Length) { s.Anterior += x }},
			{"posterior", got.Posterior, func(s *Slice, x units.Length) { s.Posterior += x }},
			{"diameter", got.Diameter, func(s *Slice, x units.Length) { s.Diameter += x }},
			{"depth", got.Depth, func(s *Slice, x units.Length) { s.Depth += x }},
		} {
			if want, ok := slope(r.change); ok && math.Abs(float64(r.got)-want) > 1e-5 {
				t.Fatalf("%s: sensitivity %v, slope %v at %+v", r.name, r.got, want, s)
			}
		}
		s.Depth = 0
		if flat, err := FreeSensitivity(s); err == nil && flat != FlatSensitivity() {
			t.Fatalf("without depth the sensitivities are %+v", flat)
		}
	})
}

func TestWindowEdges(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		diameter := units.Length(rapid.Float64Range(18, 40).Draw(t, "diameter"))
		depth := units.Length(rapid.Float64Range(0, 8).Draw(t, "depth"))
		target := units.Length(rapid.Float64Range(2, 12).Draw(t, "target"))
		minShare := units.Ratio(rapid.Float64Range(0.5, 0.75).Draw(t, "least share"))
		farShare := units.Ratio(rapid.Float64Range(0.76, 0.94).Draw(t, "farthest share"))
		anterior := RequiredAnterior(diameter, depth, target, farShare)

		w, err := PlanningWindow(anterior, diameter, depth, target, minShare)
		if err != nil || w.Lowest >= w.Highest {
			t.Fatalf("window %+v, %v", w, err)
		}
		low := free(t, Slice{anterior, w.Lowest, diameter, depth})
		high := free(t, Slice{anterior, w.Highest, diameter, depth})
		if !near(float64(low.Overlap), float64(target)) || !near(float64(low.AnteriorShare), float64(farShare)) {
			t.Fatalf("at the lowest height the coaptation must be %v: %+v", target, low)
		}
		if !near(float64(high.AnteriorShare), float64(minShare)) || high.Overlap < target {
			t.Fatalf("at the highest height the line must lie at %v: %+v", minShare, high)
		}
		if depth == 0 {
			flatLow, flatHigh := 2*target+diameter-anterior, anterior-diameter.Scaled(2*minShare-1)
			if !near(float64(w.Lowest), float64(flatLow)) || !near(float64(w.Highest), float64(flatHigh)) {
				t.Fatalf("flat window is %v to %v, got %+v", flatLow, flatHigh, w)
			}
		}
		// Just below the required anterior height there is no window.
		short := RequiredAnterior(diameter, depth, target, minShare) - 1e-6
		if w, err := PlanningWindow(short, diameter, depth, target, minShare); !errors.Is(err, ErrNoWindow) || w.Lowest <= w.Highest {
			t.Fatalf("anterior %v: window %+v, %v", short, w, err)
		}
	})
}

func TestFlatWindowClosedForm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		diameter := units.Length(rapid.Float64Range(18, 40).Draw(t, "diameter"))
		target := units.Length(rapid.Float64Range(2, 12).Draw(t, "target"))
		minShare := units.Ratio(rapid.Float64Range(0.5, 0.75).Draw(t, "least share"))
		anterior := target.Plus(diameter.Scaled(units.Ratio(rapid.Float64Range(0.76, 1).Draw(t, "reach"))))
		w, err := PlanningWindow(anterior, diameter, 0, target, minShare)
		low, high := 2*target+diameter-anterior, anterior-diameter.Scaled(2*minShare-1)
		if err != nil || !near(float64(w.Lowest), float64(low)) || !near(float64(w.Highest), float64(high)) {
			t.Fatalf("flat window is %v to %v, got %+v, %v", low, high, w, err)
		}
	})
}

func TestLargestDiameterIsOnAnEdge(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawSlice(t)
		minShare := units.Ratio(rapid.Float64Range(0.3, 0.75).Draw(t, "least share"))
		if d.share > 0.85 || d.share < 0.2 {
			t.Skip("the line would leave the middle of the diameter")
		}
		largest, err := LargestDiameter(d.Anterior, d.Posterior, d.Depth, d.overlap, minShare)
		if err != nil {
			t.Fatal(err)
		}
		// The slice was built to overlap by the target at its own diameter.
		if d.share >= minShare {
			if !near(float64(largest), float64(d.Diameter)) {
				t.Fatalf("largest diameter %v, built with %v", largest, d.Diameter)
			}
			return
		}
		if largest > d.Diameter {
			t.Fatalf("the share must make the largest diameter %v smaller than %v", largest, d.Diameter)
		}
		if got := RequiredAnterior(largest, d.Depth, d.overlap, minShare); !near(float64(got), float64(d.Anterior)) {
			t.Fatalf("at the largest diameter %v mm anterior height are required, there are %v", got, d.Anterior)
		}
	})
}

func TestShapes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ap := units.Length(rapid.Float64Range(15, 50).Draw(t, "ap"))
		transverse := units.Length(rapid.Float64Range(15, 60).Draw(t, "transverse"))
		k := units.Ratio(rapid.Float64Range(1.01, 2).Draw(t, "k"))
		area, perimeter := EllipseArea(ap, transverse), EllipsePerimeter(ap, transverse)

		if area != EllipseArea(transverse, ap) || !near(float64(perimeter), float64(EllipsePerimeter(transverse, ap))) {
			t.Fatal("the two diameters are interchangeable")
		}
		if !near(float64(EllipseArea(ap.Scaled(k), transverse)), float64(area.Scaled(k))) || EllipsePerimeter(ap.Scaled(k), transverse) <= perimeter {
			t.Fatal("a wider ellipse is larger")
		}
		if !near(float64(EllipsePerimeter(ap.Scaled(k), transverse.Scaled(k))), float64(perimeter.Scaled(k))) {
			t.Fatal("a perimeter scales with its diameters")
		}
		if q := float64(IsoperimetricQuotient(perimeter, area)); q < 1-1e-9 {
			t.Fatalf("no ellipse has the quotient %v", q)
		}
		if q := float64(IsoperimetricQuotient(CirclePerimeter(ap), CircleArea(ap))); !near(q, 1) {
			t.Fatalf("a circle has the quotient %v", q)
		}
		if !near(float64(Sphericity(ap, transverse)*Sphericity(transverse, ap)), 1) {
			t.Fatal("swapping the diameters inverts the sphericity")
		}
		if !near(float64(RingOrifice(ap, transverse)), float64(ap.Times(transverse).Scaled(FillingFactor(2)))) {
			t.Fatal("the orifice is the superellipse of exponent 2")
		}
	})
}

func TestSuperellipseProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ap, transverse := units.Length(rapid.Float64Range(20, 40).Draw(t, "ap")), units.Length(rapid.Float64Range(20, 50).Draw(t, "transverse"))
		n := units.Ratio(rapid.Float64Range(1.8, 4.5).Draw(t, "exponent"))
		u := units.Ratio(rapid.Float64Range(0.05, 0.9).Draw(t, "u"))
		got, err := RingExponent(ap.Times(transverse).Scaled(FillingFactor(n)), ap, transverse)
		if err != nil || !near(float64(got), float64(n)) {
			t.Fatalf("exponent %v came back as %v, %v", n, got, err)
		}
		if Chord(ap, u, n) != Chord(ap, -u, n) || Chord(ap, 0, n) != ap || Chord(ap, 1, n) != 0 {
			t.Fatal("the chord is symmetric, the diameter in the middle and 0 at the ends")
		}
		if Chord(ap, u, n) >= ap || Chord(ap, u+0.05, n) >= Chord(ap, u, n) || Chord(ap, u, n+0.1) <= Chord(ap, u, n) {
			t.Fatal("the chord shrinks to the side and grows with the exponent")
		}
		if Obliquity(ap, transverse, u+0.05) <= Obliquity(ap, transverse, u) || HeightAlongSlice(10, Obliquity(ap, transverse, u)) <= 10 {
			t.Fatal("the slice grows more oblique to the side")
		}
	})
}

func TestResectionProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		length := func(name string, lo, hi float64) units.Length {
			return units.Length(rapid.Float64Range(lo, hi).Draw(t, name))
		}
		height, freeEdge, base, strip := length("height", 10, 30), length("free", 2, 25), length("base", 0, 25), length("strip", 0, 8)
		seam, err := SeamHeight(height, freeEdge, base, strip)
		if err != nil {
			t.Fatal(err)
		}
		swapped, _ := SeamHeight(height, base, freeEdge, strip)
		residual, _ := ResidualHeight(height, strip)
		if !near(float64(seam), float64(swapped)) || float64(seam) < float64(residual)-1e-9 {
			t.Fatalf("seam %v, mirrored %v, without a wedge %v", seam, swapped, residual)
		}
		if residual.Plus(strip) > height+1e-9 || residual.Plus(strip) < height-1e-9 {
			t.Fatalf("residual %v and strip %v make up %v", residual, strip, height)
		}
		// The cone formula is the first term of the seam's; the next is
		// -w⁴/(128·h³).
		triangle, _ := SeamHeight(height, freeEdge, 0, 0)
		over := float64(ConeExcess(freeEdge, height)) - float64(triangle-height)
		if w, h := float64(freeEdge), float64(height); over < 0 || over > w*w*w*w/(128*h*h*h) {
			t.Fatalf("cone excess lies %v above the seam", over)
		}
		if !near(float64(TrapezoidResectionArea(freeEdge, base, height)),
			float64(TriangularResectionArea(freeEdge, height).Plus(TriangularResectionArea(base, height)))) {
			t.Fatal("a trapezoid is two triangles")
		}
		if got := BaseGap(base, freeEdge, height, strip); !near(float64(got.Plus(BaseClosed(freeEdge, height, strip).Offset())), float64(base)) {
			t.Fatal("what is open and what is closed make up the base")
		}
		p, errP := Profile(height, freeEdge, length("medial", 5, 20))
		k := units.Ratio(rapid.Float64Range(0.5, 2).Draw(t, "k"))
		level, errL := Profile(height.Scaled(k), height.Scaled(k), height.Scaled(k))
		if errP != nil || errL != nil || p.LowestToHighest > 1 || p.SideAsymmetry < 0 || p.SideAsymmetry >= 1 || p.Variation < 0 {
			t.Fatalf("profile %+v, %v, %v", p, errP, errL)
		}
		if level.LowestToHighest != 1 || level.SideAsymmetry != 0 || float64(level.Variation) > 1e-12 {
			t.Fatalf("a level leaflet has the profile %+v", level)
		}
	})
}

// What a ring takes in and what is resected: arithmetic of the base, the same in
// every scale, and level strips are strips.
func TestBaseAndStrips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		length := func(name string, lo, hi float64) units.Length {
			return units.Length(rapid.Float64Range(lo, hi).Draw(t, name))
		}
		native, device, cut := length("native", 60, 120), length("device", 50, 100), length("cut", 0, 40)
		k := units.Ratio(rapid.Float64Range(0.5, 2).Draw(t, "k"))
		ratio := float64(BasePerAnnulus(native, cut, device))
		if !near(float64(BasePerAnnulus(native.Scaled(k), cut.Scaled(k), device.Scaled(k))), ratio) {
			t.Fatal("the ratio depends on the scale")
		}
		// A resection as wide as what the device takes in leaves base and annulus equal.
		if closed := WidthClosedByRing(native, device); closed > 0 && !near(float64(BasePerAnnulus(native, units.Length(closed), device)), 1) {
			t.Fatalf("%v resected of %v on %v leave a ratio other than 1", closed, native, device)
		}
		if crowded := ratio > 1; crowded != (float64(cut) < float64(WidthClosedByRing(native, device))) && !near(ratio, 1) {
			t.Fatalf("%v of %v on %v: ratio %v", cut, native, device, ratio)
		}
		strip, far := length("strip", 0, 10), length("far", 0, 10)
		if !near(float64(SlidingStripArea(cut, strip, strip)), float64(StripArea(cut, strip))) ||
			!near(float64(SlidingStripArea(cut, strip, far)), float64(SlidingStripArea(cut, far, strip))) {
			t.Fatal("a level strip is a rectangle, and a strip has no direction")
		}
		ap, transverse := length("ap", 18, 34), length("transverse", 24, 44)
		arc := PosteriorArcOfRing(ap, transverse)
		if !near(float64(PosteriorArcOfRing(transverse, ap)), float64(arc)) || PosteriorArcOfRing(ap+1, transverse) <= arc || arc >= EllipsePerimeter(ap, transverse) {
			t.Fatalf("posterior arc %v", arc)
		}
		if got := DiameterReduction(native, native.Scaled(k)); !near(float64(got), 100*(1-float64(k))) {
			t.Fatalf("a ring of %v times the diameter shortens it by %v %%", k, got)
		}
	})
}

// The upper edge of the window is where the excess is 0, and the flat closure
// line there lies at the wanted share.
func TestHeightAboveWindow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := units.Length(rapid.Float64Range(20, 32).Draw(t, "diameter"))
		share := units.Ratio(rapid.Float64Range(0.5, 0.8).Draw(t, "share"))
		a := units.Length(rapid.Float64Range(24, 34).Draw(t, "anterior"))
		p := units.Length(rapid.Float64Range(8, 25).Draw(t, "posterior"))
		excess := HeightAboveWindow(a, p, d, 0, share)
		if edge := p.Offset() - excess; edge > 0 {
			if !near(float64(FlatAnteriorShare(a, units.Length(edge), d)), float64(share)) {
				t.Fatalf("at the edge %v the line lies at %v, want %v", edge, FlatAnteriorShare(a, units.Length(edge), d), share)
			}
		}
		if (excess > 1e-9) != (float64(FlatAnteriorShare(a, p, d)) < float64(share)-1e-9) && math.Abs(float64(excess)) > 1e-6 {
			t.Fatalf("excess %v, share %v of %v", excess, FlatAnteriorShare(a, p, d), share)
		}
		if w, err := PlanningWindow(a, d, 0, 6, share); err == nil && !near(float64(p.Offset()-excess), float64(w.Highest)) {
			t.Fatalf("edge %v, the window says %v", p.Offset()-excess, w.Highest)
		}
	})
}

// The closed form of the free closure solves cA = cP, and where no line does so
// the settled line stands at the end that comes nearest.
func TestClosedFormSolvesTheTips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		length := func(name string, lo, hi float64) units.Length {
			return units.Length(rapid.Float64Range(lo, hi).Draw(t, name))
		}
		s := Slice{length("anterior", 5, 45), length("posterior", 5, 45), length("diameter", 10, 50), length("depth", -15, 15)}
		settled, err := SettledClosure(s)
		if err != nil {
			t.Fatal(err)
		}
		level := func(share float64) float64 {
			c := s.closedAt(units.Ratio(share))
			return float64(c.ContactAnterior - c.ContactPosterior)
		}
		free, err := FreeClosure(s)
		switch {
		case errors.Is(err, ErrNoLine):
			want := farthestLine
			if level(nearestLine) < 0 {
				want = nearestLine
			}
			if float64(settled.AnteriorShare) != want {
				t.Fatalf("settled at %v, the nearest end is %v", settled.AnteriorShare, want)
			}
		case err != nil:
			t.Fatal(err)
		default:
			if root := bisect(nearestLine, farthestLine, level); math.Abs(root-float64(free.AnteriorShare)) > 1e-9 || free != settled {
				t.Fatalf("closed form %v, bisection %v, settled %v", free.AnteriorShare, root, settled.AnteriorShare)
			}
		}
		for _, x := range []float64{float64(settled.MeanContact), float64(settled.Overlap), float64(settled.AnteriorShare)} {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				t.Fatalf("%+v gives %+v", s, settled)
			}
		}
	})
}

// First order and Monte Carlo agree within 5 % on the standard uncertainty, away
// from 0 overlap and from 0 depth.
func TestFirstOrderAgreesWithMonteCarlo(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
		share, overlap := units.Ratio(number("share", 0.4, 0.8)), units.Length(number("overlap", 8, 15))
		s := Slice{Diameter: units.Length(number("diameter", 20, 40)), Depth: units.Length(number("depth", 3, 12))}
		s.Anterior = overlap.Plus(hypot(s.Diameter.Scaled(share), s.Depth))
		s.Posterior = overlap.Plus(hypot(s.Diameter.Scaled(1-share), s.Depth))
		in := InputSD{Anterior: 2.1, Posterior: 1.2, Diameter: 1, Depth: 1.5}
		sensitivity, err := FreeSensitivity(s)
		if err != nil {
			t.Fatal(err)
		}
		const model = 2.0
		drawn, ok := MonteCarlo(rapid.Uint64().Draw(t, "seed"), 20_000, func(normal func() float64) (float64, float64) {
			step := func(l, sd units.Length) units.Length { return l + units.Length(normal())*sd }
			c, err := SettledClosure(Slice{step(s.Anterior, in.Anterior), step(s.Posterior, in.Posterior), step(s.Diameter, in.Diameter), step(s.Depth, in.Depth)})
			if err != nil {
				t.Fatal(err)
			}
			v := max(0, float64(c.MeanContact)+model*normal())
			return v, v
		})
		first := float64(sensitivity.Propagate(in, model))
		if !ok || math.Abs(drawn.SD/first-1) > 0.05 {
			t.Fatalf("%+v: first order %v, drawn %v", s, first, drawn.SD)
		}
	})
}

// A place read from a list is the place of the sorted list, whatever stands in it
// and whichever was read before.
func TestInOrderIsThePlaceOfTheSortedList(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.OneOf(rapid.Float64Range(-5, 5), rapid.SampledFrom([]float64{0, 1, 2}))
		list := rapid.SliceOfN(value, 1, 200).Draw(t, "list")
		sorted := slices.Sorted(slices.Values(list))
		for range 3 {
			place := rapid.IntRange(0, len(list)-1).Draw(t, "place")
			if got := inOrder(list, place); got != sorted[place] {
				t.Fatalf("place %d is %v, want %v", place, got, sorted[place])
			}
		}
	})
}

// BenchmarkMonteCarlo draws as often as a prediction does; beside it the same with
// all observations sorted, of which two are read.
func BenchmarkMonteCarlo(b *testing.B) {
	const draws = 4096
	draw := func(normal func() float64) (float64, float64) {
		x := normal() + normal() + normal()
		return x, x + normal()
	}
	var drawn, sorted time.Duration
	for seed := uint64(0); b.Loop(); seed++ {
		begin := time.Now()
		var observed []float64
		if _, ok := MonteCarlo(seed, draws, func(normal func() float64) (float64, float64) {
			x, y := draw(normal)
			observed = append(observed, y)
			return x, y
		}); !ok {
			b.Fatal("nothing was drawn")
		}
		drawn += time.Since(begin)
		begin = time.Now()
		slices.Sort(observed)
		sorted += time.Since(begin)
	}
	b.ReportMetric(float64(sorted)/float64(drawn), "sorting-alone/drawing")
}

func TestMonteCarloIsSeeded(t *testing.T) {
	normal := func(normal func() float64) (float64, float64) { x := normal(); return x, x }
	a, okA := MonteCarlo(7, 4000, normal)
	b, okB := MonteCarlo(7, 4000, normal)
	c, okC := MonteCarlo(8, 4000, normal)
	if !okA || !okB || !okC || a != b || a == c {
		t.Errorf("seed 7 gives %+v and %+v, seed 8 %+v", a, b, c)
	}
	// The standard normal, four standard errors wide.
	if math.Abs(a.Mean) > 0.07 || math.Abs(a.SD-1) > 0.05 || math.Abs(a.Lower+1.96) > 0.17 || math.Abs(a.Upper-1.96) > 0.17 {
		t.Errorf("%+v is no standard normal", a)
	}
	if _, ok := MonteCarlo(7, 39, normal); ok {
		t.Error("39 draws have no 2.5 %")
	}
	if _, ok := MonteCarlo(7, 100, func(func() float64) (float64, float64) { return math.NaN(), 0 }); ok {
		t.Error("a draw that is not a number was accepted")
	}
}

// The diameter of a perimeter gives the perimeter back, and rises with it; a
// perimeter too short for the width has none.
func TestDiameterOfAPerimeter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ap := units.Length(rapid.Float64Range(8, 60).Draw(t, "ap"))
		transverse := units.Length(rapid.Float64Range(20, 60).Draw(t, "transverse"))
		perimeter := EllipsePerimeter(ap, transverse)
		back, err := AnteroPosteriorOfPerimeter(perimeter, transverse)
		if err != nil || math.Abs(float64(back-ap)) > 1e-6 {
			t.Fatalf("%v by %v has the perimeter %v, which gives %v: %v", ap, transverse, perimeter, back, err)
		}
		if same := AnteroPosteriorOfShape(perimeter, ap, transverse); !near(float64(same), float64(ap)) {
			t.Fatalf("its own shape gives %v for %v", same, ap)
		}
		if longer, _ := AnteroPosteriorOfPerimeter(perimeter+1, transverse); longer <= back {
			t.Fatalf("a longer perimeter gives %v, not more than %v", longer, back)
		}
		if _, err := AnteroPosteriorOfPerimeter(transverse.Scaled(2), transverse); !errors.Is(err, ErrPerimeter) {
			t.Fatalf("a perimeter of twice the width: %v", err)
		}
	})
}
