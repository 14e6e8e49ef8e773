package units

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Every row is a definition of the units involved (SI and UCUM), computed by
// hand with numbers for which each wrong factor of ten would show.
func TestNamedOperations(t *testing.T) {
	rows := []struct {
		name      string
		got, want float64
	}{
		{"25 mm are 2.5 cm", Length(25).CM(), 2.5},
		{"2.5 cm are 25 mm", float64(LengthFromCM(2.5)), 25},
		{"20 mm by 30 mm are 6 cm2", float64(Length(20).Times(30)), 6},
		{"20 and 30 mm are 50 mm", float64(Length(20).Plus(30)), 50},
		{"20 less 30 mm is -10 mm", float64(Length(20).Minus(30)), -10},
		{"half of 20 mm is 10 mm", float64(Length(20).Scaled(0.5)), 10},
		{"20 over 30 mm is 2/3", float64(Length(20).Over(30)), 2.0 / 3},
		{"a length as an offset keeps its number", float64(Length(3).Offset()), 3},
		{"-3 and 5 mm are 2 mm", float64(Offset(-3).Plus(5)), 2},
		{"half of -3 mm is -1.5 mm", float64(Offset(-3).Scaled(0.5)), -1.5},
		{"-3 mm has the size 3 mm", float64(Offset(-3).Size()), 3},
		{"-3 mm not below zero is 0", float64(Offset(-3).NotBelowZero()), 0},
		{"3 mm not below zero is 3", float64(Offset(3).NotBelowZero()), 3},
		{"0.4 cm2 are 40 mm2", Area(0.4).MM2(), 40},
		{"40 mm2 are 0.4 cm2", float64(AreaFromMM2(40)), 0.4},
		{"1 and 2 cm2 are 3 cm2", float64(Area(1).Plus(2)), 3},
		{"half of 3 cm2 is 1.5 cm2", float64(Area(3).Scaled(0.5)), 1.5},
		{"3 over 4 cm2 is 0.75", float64(Area(3).Over(4)), 0.75},
		{"3 cm2 at 50 cm/s pass 150 mL/s", float64(Area(3).TimesVelocity(50)), 150},
		{"3 cm2 over 20 cm pass 60 mL", float64(Area(3).TimesStroke(20)), 60},
		{"5 cm2 on 2 m2 are 250 mm2/m2", float64(Area(5).Indexed(2)), 250},
		{"40 mm on 2 m2 are 20 mm/m2", float64(Length(40).Indexed(2)), 20},
		{"40 and 30 mL are 70 mL", float64(Volume(40).Plus(30)), 70},
		{"30 less 40 mL is -10 mL", float64(Volume(30).Minus(40)), -10},
		{"half of 30 mL is 15 mL", float64(Volume(30).Scaled(0.5)), 15},
		{"30 over 40 mL is 0.75", float64(Volume(30).Over(40)), 0.75},
		{"60 mL over 20 cm need 3 cm2", float64(Volume(60).OverStroke(20)), 3},
		{"60 mL in 400 ms are 150 mL/s", float64(Volume(60).OverDuration(400)), 150},
		{"60 mL at 70/min are 4.2 L/min", float64(Volume(60).AtRate(70)), 4.2},
		{"120 mL on 2 m2 are 60 mL/m2", float64(Volume(120).Indexed(2)), 60},
		{"21 over 15 cm is 1.4", float64(StrokeDistance(21).Over(15)), 1.4},
		{"5 m/s are 500 cm/s", float64(VelocityFromMPerS(5)), 500},
		{"340 cm/s are 3.4 m/s", Velocity(340).MPerS(), 3.4},
		{"46 and 5 mmHg are 51 mmHg", float64(Pressure(46).Plus(5)), 51},
		{"62.5 % are 0.625", float64(Fraction(62.5).Ratio()), 0.625},
		{"0.625 is 62.5 %", float64(Ratio(0.625).Percent()), 62.5},
		{"0.4 s are 400 ms", float64(DurationFromSeconds(0.4)), 400},
		{"400 ms are 0.4 s", Duration(400).Seconds(), 0.4},
		{"90 deg are half of pi", Angle(90).Radians(), math.Pi / 2},
		{"half of pi is 90 deg", float64(AngleFromRadians(math.Pi / 2)), 90},
		{"half of 150 mL/s is 75 mL/s", float64(FlowRate(150).Scaled(0.5)), 75},
		{"200 mL/s at 500 cm/s need 0.4 cm2", float64(FlowRate(200).OverVelocity(500)), 0.4},
		{"170 cm are 1.7 m", BodyHeight(170).Metres(), 1.7},
		{"4.2 L/min at 70/min are 60 mL", float64(CardiacOutput(4.2).PerBeat(70)), 60},
	}
	for _, r := range rows {
		t.Run(r.name, func(t *testing.T) {
			if math.Abs(r.got-r.want) > 1e-12*math.Max(1, math.Abs(r.want)) {
				t.Errorf("got %v, want %v", r.got, r.want)
			}
		})
	}
}

// A conversion there and back gives the value that went in, up to the last bits.
func TestRoundTrips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(1e-3, 1e4).Draw(t, "x")
		y := rapid.Float64Range(1e-3, 1e4).Draw(t, "y")
		for name, back := range map[string]float64{
			"length and cm":           float64(LengthFromCM(Length(x).CM())),
			"area and mm2":            float64(AreaFromMM2(Area(x).MM2())),
			"velocity and m/s":        float64(VelocityFromMPerS(Velocity(x).MPerS())),
			"duration and s":          float64(DurationFromSeconds(Duration(x).Seconds())),
			"angle and radians":       float64(AngleFromRadians(Angle(x).Radians())),
			"fraction and ratio":      float64(Fraction(x).Ratio().Percent()),
			"area and flow":           float64(Area(x).TimesVelocity(Velocity(y)).OverVelocity(Velocity(y))),
			"area and volume":         float64(Area(x).TimesStroke(StrokeDistance(y)).OverStroke(StrokeDistance(y))),
			"stroke and output":       float64(Volume(x).AtRate(Rate(y)).PerBeat(Rate(y))),
			"length and its ratio":    float64(Length(y).Scaled(Length(x).Over(Length(y)))),
			"length less and plus":    float64(Length(x).Plus(Length(y)).Minus(Length(y))),
			"offset and its opposite": float64(Offset(x).Scaled(-1).Size()),
		} {
			if math.Abs(back-x) > 1e-12*(x+y) {
				t.Fatalf("%s: %v came back as %v", name, x, back)
			}
		}
	})
}

func TestMaybe(t *testing.T) {
	var unset Maybe[Length]
	zero, some, none := Some(Length(0)), Some(Length(7)), None[Length]()

	if unset.IsSome() || !unset.IsNone() || unset != none {
		t.Error("the zero Maybe must be absent")
	}
	if v, ok := zero.Get(); !ok || v != 0 || zero == none {
		t.Error("a present 0 must not read as absent")
	}
	if v, ok := some.Get(); !ok || v != 7 || some.IsNone() {
		t.Error("a present value must be given back")
	}
	if v, ok := none.Get(); ok || v != 0 {
		t.Error("an absent value must say so")
	}
	if zero.OrElse(5) != 0 || none.OrElse(5) != 5 {
		t.Error("OrElse must replace an absent value only")
	}
	if zero.Or(some) != zero || none.Or(some) != some || none.Or(none) != none {
		t.Error("Or must give the first present value")
	}
}
