package settings

import (
	"math"
	"testing"

	"trigone/internal/units"
	"trigone/internal/valve"
)

// Expected numbers: common practice, no source (the larger of 10 % and 0.05 cm2
// for an orifice area, 2 mm for a leaflet height, 3 mm for an annular diameter,
// 2 mm for coaptation, 1 mmHg for a gradient, one grade).
func TestBuiltInTolerances(t *testing.T) {
	s := BuiltIn("demo", "1", "UTC")
	rows := []struct {
		why             string
		leaf            valve.ID
		unit            units.Unit
		planned         float64
		tolerance, miss float64
	}{
		{"a leaflet height has 2 mm", "leaflet_height", units.MM, 13, 2, 2},
		{"coaptation has 2 mm, but a repeated reading may differ by 3.3", "coaptation_length", units.MM, 8, 2, 3.3},
		{"a gradient has 1 mmHg where nothing is known of the reading", "mean_gradient", units.MMHg, 4, 1, 1},
		{"a small regurgitant orifice has the absolute part", "stated_regurgitant_orifice_area", units.CM2, 0.3, 0.05, 0.05},
		{"a large regurgitant orifice has the relative part", "stated_regurgitant_orifice_area", units.CM2, 0.8, 0.08, 0.08},
		{"where both parts meet they agree", "stated_regurgitant_orifice_area", units.CM2, 0.5, 0.05, 0.05},
		{"a resection width has 2 mm, as any length of a step", "resection_free_edge_width", units.MM, 12, 2, 2},
		{"an annular diameter has 3 mm", "annulus_antero_posterior_diameter", units.MM, 32, 3, 3},
		{"a length of a step without a row has 2 mm", "artificial_chord_length", units.MM, 20, 2, 2},
		{"so has a signed length", "resection_axis_offset", units.SignedMM, -3, 2, 2},
	}
	for _, r := range rows {
		t.Run(r.why, func(t *testing.T) {
			tol, ok := s.Tolerance(r.leaf, r.unit)
			if !ok {
				t.Fatal("there is no tolerance")
			}
			if got := tol.Of(r.planned); math.Abs(got-r.tolerance) > 1e-12 {
				t.Errorf("tolerance %v, want %v", got, r.tolerance)
			}
			if got := tol.Margin(r.planned); math.Abs(got-r.miss) > 1e-12 {
				t.Errorf("margin %v, want %v", got, r.miss)
			}
		})
	}
	if _, ok := s.Tolerance("made_up_pressure", units.MMHg); ok {
		t.Error("a pressure without a row must not get the tolerance of a length")
	}
}

// The repeatability coefficient of the coaptation length follows from the assumed
// standard deviation of 1.2 mm, that of the gradient from the reading's own: 10 % of 4
// mmHg in sinus rhythm, 22 % in fibrillation (Rijsterborgh 1990).
func TestRepeatabilityFollowsFromTheAssumedDeviation(t *testing.T) {
	if got, want := builtInTolerances["coaptation_length"].Repeatability, units.Round(RepeatabilityFactor*1.2, 0.1); math.Abs(got-want) > 1e-12 {
		t.Errorf("coaptation: repeatability %v, want %v", got, want)
	}
	if want := 1.96 * math.Sqrt2; math.Abs(RepeatabilityFactor-want) > 0.005 {
		t.Errorf("the factor is %v, want %v", RepeatabilityFactor, want)
	}
	gradient := builtInTolerances["mean_gradient"]
	for sd, want := range map[float64]float64{0.3: 1, 0.4: 1.108, 0.88: 2.4376} {
		if got := gradient.At(units.Some(sd)).Margin(4); math.Abs(got-want) > 1e-9 {
			t.Errorf("a gradient of 4 ± %g mmHg differs from %v on, want %v", sd, got, want)
		}
	}
	if got := gradient.At(units.None[float64]()).Margin(4); got != 1 {
		t.Errorf("a gradient whose error is not known has the tolerance alone, not %v", got)
	}
	gradient.Repeatability = 2
	if got := gradient.At(units.Some(0.88)).Margin(4); got != 2 {
		t.Errorf("the site's coefficient of 2 mmHg became %v", got)
	}
}

func TestEveryToleranceIsUsable(t *testing.T) {
	for name, tol := range builtInTolerances {
		if tol.Absolute < 0 || tol.Relative < 0 || tol.Repeatability < 0 || tol.Of(1) == 0 {
			t.Errorf("%s: a tolerance must be above 0, its parts not below: %+v", name, tol)
		}
		if _, ok := SourceByID(tol.Source); !ok || tol.Owner != Default {
			t.Errorf("%s: source %q and owner %q must be stated", name, tol.Source, tol.Owner)
		}
	}
}

func TestBuiltInTolerancesAreACopy(t *testing.T) {
	s := BuiltIn("demo", "1", "UTC")
	s.Tolerances["leaflet_height"] = Tolerance{Absolute: 9}
	if again := BuiltIn("demo", "1", "UTC"); again.Tolerances["leaflet_height"].Absolute == 9 {
		t.Error("a site's setting must not change the built-in table")
	}
}
