package geometry

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"trigone/internal/units"
)

// Worked by hand from c = (a + p − d)/2 and s = ½ + (a − p)/(2d).
func TestLargestFreeDiameter(t *testing.T) {
	tests := []struct {
		why                           string
		a, p, depth, target, share, d float64
		wants                         error
	}{
		{"the coaptation binds: 26 + 16 − 12 = 30, 10/0.2 = 50", 26, 16, 0, 6, 0.6, 30, nil},
		{"the line binds: 8/0.4 = 20, 26 + 18 − 12 = 32", 26, 18, 0, 6, 0.7, 20, nil},
		{"a line in the middle is met by equal leaflets", 20, 20, 0, 6, 0.5, 28, nil},
		{"equal leaflets bring the line to the middle, never farther", 20, 20, 0, 6, 0.6, 0, ErrNoWindow},
		{"a posterior leaflet above the anterior one brings it nearer", 18, 20, 0, 6, 0.6, 0, ErrNoWindow},
		{"a leaflet as low as the target leaves nothing", 26, 6, 0, 6, 0.6, 0, ErrNoWindow},
		{"a share below the middle is not asked for", 26, 16, 0, 6, 0.4, 0, ErrSlice},
		{"no line is asked for: 26 + 18 − 12", 26, 18, 0, 6, 0, 32, nil},
		{"with a depth the contact binds: √(20² − 5²) + √(10² − 5²)", 26, 16, 5, 6, 0, 28.025170, nil},
		{"and so does the line: √(14² + 5²) − √(6² + 5²) at 20", 26, 26 - 7.055819, 5, 6, 0.7, 20, nil},
		{"a depth beyond what a leaflet has left", 26, 10, 5, 6, 0, 0, ErrNoWindow},
		{"not a number", math.NaN(), 16, 0, 6, 0.6, 0, ErrSlice},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			d, err := LargestFreeDiameter(units.Length(tt.a), units.Length(tt.p), units.Length(tt.depth), units.Length(tt.target), units.Ratio(tt.share))
			if !errors.Is(err, tt.wants) || math.Abs(float64(d)-tt.d) > 1e-5 {
				t.Errorf("%v, %v, want %v, %v", d, err, tt.d, tt.wants)
			}
		})
	}
}

// At that diameter both conditions hold of the closed slice, and one of them only
// just, or the held line's own limit binds; it is never above the held form's.
func TestLargestFreeDiameterIsTheEdge(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := units.Length(rapid.Float64Range(15, 40).Draw(t, "a"))
		p := units.Length(rapid.Float64Range(5, 30).Draw(t, "p"))
		h := units.Length(rapid.Float64Range(0, 8).Draw(t, "h"))
		c := units.Length(rapid.Float64Range(0.5, 12).Draw(t, "c"))
		s := units.Ratio(rapid.Float64Range(0.51, 0.85).Draw(t, "s"))
		d, err := LargestFreeDiameter(a, p, h, c, s)
		if err != nil {
			if a > p && p > c.Plus(h) {
				t.Fatal(err)
			}
			return
		}
		held, _ := LargestDiameter(a, p, h, c, s)
		closed, err := FreeClosure(Slice{a, p, d, h})
		if err != nil {
			return // the line lies at an end of its range
		}
		contact, share := float64(closed.MeanContact), float64(closed.AnteriorShare)
		if d > held || contact < float64(c)-1e-6 || share < float64(s)-1e-6 {
			t.Fatalf("at %v: contact %v of %v, share %v of %v, held %v", d, contact, c, share, s, held)
		}
		if math.Abs(contact-float64(c)) > 1e-6 && math.Abs(share-float64(s)) > 1e-6 {
			t.Fatalf("at %v neither binds: contact %v of %v, share %v of %v", d, contact, c, share, s)
		}
	})
}

// Leaflets that differ by the whole diameter meet nowhere: the line stands at an end of
// its range, in the plane too, where the formula divides nothing by nothing.
func TestTipsThatDifferByTheDiameter(t *testing.T) {
	for _, depth := range []units.Length{0, 4} {
		for _, r := range []struct {
			anterior, posterior units.Length
			line                units.Ratio
		}{{36, 10, farthestLine}, {10, 36, nearestLine}} {
			c, err := SettledClosure(Slice{r.anterior, r.posterior, 26, depth})
			if err != nil || c.AnteriorShare != r.line || math.IsNaN(float64(c.MeanContact)) {
				t.Errorf("%v and %v at depth %v: %+v, %v", r.anterior, r.posterior, depth, c, err)
			}
		}
	}
}
