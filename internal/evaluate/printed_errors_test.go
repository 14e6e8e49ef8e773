package evaluate

import (
	"math"
	"testing"

	"trigone/internal/geometry"
	"trigone/internal/haemo"
	"trigone/internal/repair"
	"trigone/internal/rules"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Errors that were printed in published tables and abstracts. Entered as a record
// they are spoken of by the rule named.
func TestPrintedErrorsAreCaught(t *testing.T) {
	at := func(set func(*repair.Example) *repair.Example) *repair.Case {
		return set(repair.NewExample().Assess("printed")).Case()
	}
	for _, r := range []struct {
		why      string
		c        *repair.Case
		rule     string
		severity rules.Severity
	}{
		// A public calculator page divides by the forward stroke volume: 70 of 60 mL.
		{"regurgitant fraction of the forward instead of the total stroke volume", at(func(e *repair.Example) *repair.Example {
			return e.Set("stated_regurgitant_fraction", 116.7)
		}), "regurgitant-fraction-above-hundred", rules.Contradiction},
		// A printed stage table: ERO >= 40 cm2, where 40 mm2 is meant.
		{"regurgitant orifice of 40 cm²", at(func(e *repair.Example) *repair.Example {
			return e.Set("stated_regurgitant_orifice_area", 40)
		}), "looks-like-another-unit", rules.Note},
		// Mohtaj et al., GMJ 2018;7:e1078, abstract: area 14, perimeter 8.3; cm2 and cm assumed.
		{"annular area 14 cm² inside a perimeter of 83 mm", at(func(e *repair.Example) *repair.Example {
			return e.Set("annulus_area", 14).Set("annulus_perimeter", 83)
		}), "perimeter-too-short-for-area", rules.Contradiction},
		// Kaur et al. 2018, abstract: P1 2.19 cm, the anterior leaflet 2.19 cm too.
		{"the same height of A2 and P1 to two decimals", at(func(e *repair.Example) *repair.Example {
			return e.Height(valve.A2, 21.93).Height(valve.P1, 21.93)
		}), "identical-values", rules.Note},
	} {
		f := finding(t, evaluated(r.c), r.rule, "assessment/printed")
		if f.Severity != r.severity {
			t.Errorf("%s: %s is a %v, want a %v", r.why, r.rule, f.Severity, r.severity)
		}
	}
}

// Errors that were printed of formulas and tables; ours do not make them.
func TestOurFormulasDoNotMakePrintedErrors(t *testing.T) {
	// A printed formula of the outflow stroke volume, 2·π·(d/2)²·VTI, doubles it:
	// 20 mm and 20 cm give 62.8 mL by the continuity equation (ASE 2017), not 125.7.
	if got := float64(haemo.OutflowStrokeVolume(20, 20)); math.Abs(got-62.83) > 0.01 {
		t.Errorf("an outflow of 20 mm and 20 cm is %.2f mL, want 62.83", got)
	}
	// A printed table has 0.10-0.19 and 0.20-0.29 cm2 above 30-44 and 45-59 mL: its
	// columns are shifted by one. ASE 2017: 0.20-0.29 goes with 30-44, 0.30-0.39 with 45-59.
	for _, r := range []struct {
		orifice units.Area
		volume  units.Volume
	}{{0.20, 30}, {0.29, 44}, {0.30, 45}, {0.39, 59}, {0.40, 60}} {
		if a, v := haemo.GradeOrifice(r.orifice), haemo.GradeVolume(r.volume); a != v {
			t.Errorf("%v cm² is %v and %v mL is %v", r.orifice, a, r.volume, v)
		}
	}
	// An abstract lost the comparator of its upper group: at a limit that belongs to
	// the severe band, the value itself and what lies above are severe, not below.
	for v, want := range map[units.Volume]haemo.Band{59.9: haemo.GradeVolume(45), 60: haemo.GradeVolume(1000), 60.1: haemo.GradeVolume(1000)} {
		if got := haemo.GradeVolume(v); got != want {
			t.Errorf("%v mL is %v, want %v", v, got, want)
		}
	}
	// 116 hearts: a mean diameter of 22.2 mm is printed beside a circumference of
	// 91.2 mm, which a circle of 29.0 mm has.
	if got := float64(geometry.CirclePerimeter(29.03)); math.Abs(got-91.2) > 0.05 {
		t.Errorf("a circle of 29.03 mm has a perimeter of %.2f mm, want 91.2", got)
	}
	if got := float64(geometry.CirclePerimeter(22.2)); math.Abs(got-91.2) < 20 {
		t.Errorf("a circle of 22.2 mm has a perimeter of %.2f mm, as printed", got)
	}
}
