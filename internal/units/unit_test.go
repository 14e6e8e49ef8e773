package units

import (
	"reflect"
	"testing"
)

// Codes as in the Unified Code for Units of Measure, case-sensitive column
// (ucum.org; from memory). Each quantity type must have exactly one row whose
// kind is the type's name.
func TestUnitTable(t *testing.T) {
	rows := []struct {
		unit     Unit
		quantity any
		ucum     string
		text     string
	}{
		{MM, Length(0), "mm", "mm"},
		{SignedMM, Offset(0), "mm", "mm"},
		{CM2, Area(0), "cm2", "cm²"},
		{ML, Volume(0), "mL", "mL"},
		{StrokeCM, StrokeDistance(0), "cm", "cm"},
		{CMPerS, Velocity(0), "cm/s", "cm/s"},
		{MMHg, Pressure(0), "mm[Hg]", "mmHg"},
		{Percent, Fraction(0), "%", "%"},
		{MS, Duration(0), "ms", "ms"},
		{Degree, Angle(0), "deg", "°"},
		{PerMin, Rate(0), "/min", "/min"},
		{One, Ratio(0), "1", ""},
		{MLPerS, FlowRate(0), "mL/s", "mL/s"},
		{HeightCM, BodyHeight(0), "cm", "cm"},
		{KG, BodyWeight(0), "kg", "kg"},
		{M2, BodySurface(0), "m2", "m²"},
		{MLPerM2, IndexedVolume(0), "mL/m2", "mL/m²"},
		{MM2PerM2, IndexedArea(0), "mm2/m2", "mm²/m²"},
		{MMPerM2, IndexedLength(0), "mm/m2", "mm/m²"},
		{LPerMin, CardiacOutput(0), "L/min", "L/min"},
		{Min, Minutes(0), "min", "min"},
	}
	if len(rows) != len(Units()) {
		t.Fatalf("the table has %d units, the test knows %d", len(Units()), len(rows))
	}
	for i, r := range rows {
		kind := reflect.TypeOf(r.quantity).Name()
		t.Run(kind, func(t *testing.T) {
			if Units()[i] != r.unit {
				t.Errorf("Units()[%d] = %v, want %v", i, Units()[i], r.unit)
			}
			if r.unit.Kind() != kind || r.unit.UCUM() != r.ucum || r.unit.String() != r.ucum || r.unit.Text() != r.text {
				t.Errorf("row is %q %q %q, want %q %q %q",
					r.unit.Kind(), r.unit.UCUM(), r.unit.Text(), kind, r.ucum, r.text)
			}
			if found, ok := UnitOfKind(kind); !ok || found != r.unit {
				t.Errorf("UnitOfKind(%q) = %v, %v", kind, found, ok)
			}
			if d := r.unit.Decimals(); d < 0 || d > 3 {
				t.Errorf("%d decimals are none that anybody prints", d)
			}
		})
	}
}

func TestNoUnit(t *testing.T) {
	for _, u := range []Unit{0, Min + 1, 255} {
		if u.Valid() || u.Kind() != "" || u.UCUM() != "" || u.Text() != "" || u.Decimals() != 0 {
			t.Errorf("Unit(%d) must be no unit", uint8(u))
		}
	}
	if u, ok := UnitOfKind("Mass"); ok || u != 0 {
		t.Errorf("an unknown kind gave %v", u)
	}
}
