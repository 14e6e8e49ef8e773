package haemo

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"trigone/internal/units"
)

// formula is one function of positive inputs with the power to which the result
// follows each of them: scaling an input by k scales the result by k^power. A
// positive power means rising, a negative one falling.
type formula struct {
	name   string
	powers []float64
	of     func(x []float64) float64
}

var powerLaws = []formula{
	{"shell", []float64{2}, func(x []float64) float64 { return float64(ConvergenceShellArea(units.Length(x[0]))) }},
	{"flow", []float64{2, 1, 1}, func(x []float64) float64 {
		return float64(AngleCorrectedFlow(PeakRegurgitantFlow(units.Length(x[0]), units.Velocity(x[1])), units.Angle(x[2])))
	}},
	{"orifice", []float64{1, -1}, func(x []float64) float64 {
		return float64(RegurgitantOrificeArea(units.FlowRate(x[0]), units.Velocity(x[1])))
	}},
	{"volume", []float64{1, 1}, func(x []float64) float64 {
		return float64(RegurgitantVolume(units.Area(x[0]), units.StrokeDistance(x[1])))
	}},
	{"simplified orifice", []float64{2}, func(x []float64) float64 { return float64(SimplifiedOrificeArea(units.Length(x[0]))) }},
	{"elliptic inflow", []float64{1, 1, 1}, func(x []float64) float64 {
		return float64(InflowStrokeVolumeElliptic(units.Length(x[0]), units.Length(x[1]), units.StrokeDistance(x[2])))
	}},
	{"circular inflow", []float64{2, 1}, func(x []float64) float64 {
		return float64(InflowStrokeVolumeCircular(units.Length(x[0]), units.StrokeDistance(x[1])))
	}},
	{"outflow", []float64{2, 1}, func(x []float64) float64 {
		return float64(OutflowStrokeVolume(units.Length(x[0]), units.StrokeDistance(x[1])))
	}},
	{"fraction", []float64{1, -1}, func(x []float64) float64 {
		return float64(RegurgitantFraction(units.Volume(x[0]), units.Volume(x[1])))
	}},
	{"volumetric orifice", []float64{1, -1}, func(x []float64) float64 {
		return float64(VolumetricOrificeArea(units.Volume(x[0]), units.StrokeDistance(x[1])))
	}},
	{"vena contracta area", []float64{1, 1}, func(x []float64) float64 {
		return float64(VenaContractaArea(units.Length(x[0]), units.Length(x[1])))
	}},
	{"ratio of integrals", []float64{1, -1}, func(x []float64) float64 {
		return float64(InflowToOutflowRatio(units.StrokeDistance(x[0]), units.StrokeDistance(x[1])))
	}},
	{"diastolic flow", []float64{1, -1, -1}, func(x []float64) float64 {
		return float64(DiastolicFlow(units.CardiacOutput(x[0]), units.Rate(x[1]), units.Duration(x[2])))
	}},
	{"area from gradient", []float64{1, -0.5}, func(x []float64) float64 {
		return float64(MitralAreaFromGradient(units.FlowRate(x[0]), units.Pressure(x[1])))
	}},
	{"Doppler gradient from flow", []float64{2, -2}, func(x []float64) float64 {
		return float64(MeanDopplerGradientFromFlow(units.FlowRate(x[0]), units.Area(x[1])))
	}},
	{"continuity area", []float64{1, -1}, func(x []float64) float64 {
		return float64(ContinuityArea(units.Volume(x[0]), units.StrokeDistance(x[1])))
	}},
	{"deceleration area", []float64{-1}, func(x []float64) float64 { return float64(DecelerationTimeArea(units.Duration(x[0]))) }},
	{"early to late", []float64{1, -1}, func(x []float64) float64 {
		return float64(EarlyToLateRatio(units.Velocity(x[0]), units.Velocity(x[1])))
	}},
	{"half time area", []float64{-1}, func(x []float64) float64 { return float64(PressureHalfTimeArea(units.Duration(x[0]))) }},
	{"half time", []float64{1}, func(x []float64) float64 { return float64(PressureHalfTime(units.Duration(x[0]))) }},
	{"gradient from velocity", []float64{2}, func(x []float64) float64 { return float64(GradientFromVelocity(units.Velocity(x[0]))) }},
	{"forward ejection fraction", []float64{1, -1}, func(x []float64) float64 {
		return float64(ForwardEjectionFraction(units.Volume(x[0]), units.Volume(x[1])))
	}},
	{"body surface, square root", []float64{0.5, 0.5}, func(x []float64) float64 {
		return float64(BodySurfaceMosteller(units.BodyHeight(x[0]), units.BodyWeight(x[1])))
	}},
	{"body surface, power form", []float64{0.725, 0.425}, func(x []float64) float64 {
		return float64(BodySurfaceDuBois(units.BodyHeight(x[0]), units.BodyWeight(x[1])))
	}},
	{"indexed volume", []float64{1, -1}, func(x []float64) float64 {
		return float64(IndexedVolume(units.Volume(x[0]), units.BodySurface(x[1])))
	}},
	{"indexed area", []float64{1, -1}, func(x []float64) float64 {
		return float64(IndexedArea(units.Area(x[0]), units.BodySurface(x[1])))
	}},
}

// Each formula is monotone in each input, in the direction and with the power
// that its text states.
func TestPowerLaws(t *testing.T) {
	for _, f := range powerLaws {
		t.Run(f.name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				x := rapid.SliceOfN(rapid.Float64Range(0.5, 500), len(f.powers), len(f.powers)).Draw(t, "x")
				k := rapid.Float64Range(1.01, 3).Draw(t, "k")
				base := f.of(x)
				for i, power := range f.powers {
					changed := append([]float64(nil), x...)
					changed[i] *= k
					got, want := f.of(changed)/base, math.Pow(k, power)
					if math.Abs(got-want) > 1e-9*want {
						t.Fatalf("input %d times %v changes the result %v-fold, want %v", i, k, got, want)
					}
				}
			})
		})
	}
}

func TestDifferencesAndSums(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
		edv, esv, out := draw("edv", 80, 300), draw("esv", 20, 79), draw("out", 30, 120)
		a, b, rap := draw("a", 1, 15), draw("b", 1, 15), draw("rap", 0, 20)
		v := draw("v", 100, 500)

		total := units.Volume(edv - esv)
		byVentricle := RegurgitantVolumeFromVentricle(units.Volume(edv), units.Volume(esv), units.Volume(out))
		if math.Abs(float64(byVentricle-RegurgitantVolumeFromInflow(total, units.Volume(out)))) > 1e-9 {
			t.Fatal("both volumetric forms must agree if the inflow is the ventricle's stroke volume")
		}
		// The forward and the regurgitant part make up the whole ejection.
		ef := float64(EjectionFraction(units.Volume(edv), units.Volume(esv)))
		parts := float64(ForwardEjectionFraction(units.Volume(out), units.Volume(edv))) +
			float64(RegurgitantFraction(byVentricle, total))*ef/100
		if math.Abs(ef-parts) > 1e-9 {
			t.Fatalf("ejection fraction %v, its parts %v", ef, parts)
		}
		if byVentricle > 0 && RegurgitantFraction(byVentricle, total) > 100 {
			t.Fatal("a regurgitant volume can't exceed the total stroke volume")
		}
		width := BiplaneVenaContractaWidth(units.Length(a), units.Length(b))
		if width != BiplaneVenaContractaWidth(units.Length(b), units.Length(a)) || float64(width) < min(a, b) || float64(width) > max(a, b) {
			t.Fatalf("the mean of %v and %v is %v", a, b, width)
		}
		if got := float64(PulmonarySystolicPressure(units.Velocity(v), units.Pressure(rap)) - GradientFromVelocity(units.Velocity(v))); math.Abs(got-rap) > 1e-9 {
			t.Fatalf("atrial pressure %v came back as %v", rap, got)
		}
	})
}

// A larger ring never raises the gradient that is expected, and its range holds it.
func TestExpectedGradientFallsWithTheRing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		flow := units.FlowRate(rapid.Float64Range(50, 400).Draw(t, "flow"))
		small := rapid.Float64Range(3, 13).Draw(t, "small")
		large := rapid.Float64Range(small, 13).Draw(t, "large")
		expected := func(orifice float64) units.Pressure {
			return MeanDopplerGradientFromFlow(flow, EffectiveRingOrifice(units.Area(orifice)))
		}
		if expected(large) > expected(small) {
			t.Fatalf("%v cm2: %v, %v cm2: %v", small, expected(small), large, expected(large))
		}
		low, high := GradientRange(expected(small))
		if low > expected(small) || high < expected(small) {
			t.Fatalf("%v to %v around %v", low, high, expected(small))
		}
	})
}

// A larger measurement never grades milder.
func TestGradesRise(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		row := rapid.SampledFrom(GradeTable()).Draw(t, "row")
		x := rapid.Float64Range(-1, 100).Draw(t, "x")
		y := rapid.Float64Range(-1, 100).Draw(t, "y")
		low, high := row.grade(min(x, y)), row.grade(max(x, y))
		if low.Low > high.Low || low.High > high.High || low.Low > low.High {
			t.Fatalf("%s: %v grades %v, %v grades %v", row.Parameter, min(x, y), low, max(x, y), high)
		}
	})
}

// Over the accepted rates a faster heart fills for a shorter time, and never for
// longer than its beat.
func TestFillingTimeFalls(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.Float64Range(40, 150).Draw(t, "rate")
		next := min(150, rate+rapid.Float64Range(0.5, 20).Draw(t, "faster"))
		for name, filling := range map[string]func(units.Rate) units.Duration{"men": FillingTimeMen, "women": FillingTimeWomen} {
			now := float64(filling(units.Rate(rate)))
			if now <= 0 || now >= 60000/rate || float64(filling(units.Rate(next))) > now {
				t.Fatalf("%s: %v ms at %v/min, %v at %v", name, now, rate, filling(units.Rate(next)), next)
			}
		}
	})
}

// A regurgitant fraction of a forward flow stays below 100 % whatever leaks, and
// is that of the total.
func TestFractionOfForward(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		leak := units.Volume(rapid.Float64Range(1, 300).Draw(t, "leak"))
		forward := units.Volume(rapid.Float64Range(10, 200).Draw(t, "forward"))
		f := RegurgitantFractionOfForward(leak, forward)
		if !(f > 0 && f < 100) || math.Abs(float64(f-RegurgitantFraction(leak, leak.Plus(forward)))) > 1e-9 {
			t.Fatalf("%v of %v forward: %v", leak, forward, f)
		}
	})
}

// The comparison of bands does not depend on their order, a further parameter
// never narrows a disagreement, and equal exact bands agree on themselves.
func TestAgreement(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 6).Draw(t, "n")
		ranges := make([]BandRange, n)
		for i := range ranges {
			low := Band(rapid.IntRange(int(Mild), int(Severe)).Draw(t, "low"))
			ranges[i] = BandRange{Low: low, High: Band(rapid.IntRange(int(low), int(Severe)).Draw(t, "high"))}
		}
		a := Agree(ranges)
		reversed := make([]BandRange, n)
		for i := range ranges {
			reversed[n-1-i] = ranges[i]
		}
		if Agree(reversed) != a || a.Lowest > a.Highest || a.Lowest < Mild || a.Apart > 0 && a.Highest.StepsFrom(a.Lowest) != a.Apart {
			t.Fatalf("%v agree as %+v", ranges, a)
		}
		more := Agree(append(ranges, BandRange{}, exactly(Band(rapid.IntRange(int(Mild), int(Severe)).Draw(t, "more")))))
		if more.Apart < a.Apart {
			t.Fatalf("%v lie %d apart, with one more %d", ranges, a.Apart, more.Apart)
		}
		for i := range ranges {
			ranges[i] = exactly(ranges[0].Low)
		}
		if got := Agree(ranges); got != (Agreement{ranges[0].Low, ranges[0].Low, 0}) {
			t.Fatalf("equal bands agree as %+v", got)
		}
	})
}
