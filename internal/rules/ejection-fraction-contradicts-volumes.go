package rules

import (
	"math"

	"trigone/internal/haemo"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var ejectionFractionContradictsVolumes = Rule{
	ID: "ejection-fraction-contradicts-volumes", Reference: "R63",
	Summary:  "Where the stated ejection fraction and both volumes of a study each state one and the same method, they do not lie more than 10 points and 2 combined standard deviations apart.",
	Severity: Contradiction, Kind: Arithmetic, Source: settings.SourceArithmetic,
	Thresholds: []string{settings.EjectionFractionContradicts, settings.MarginSDs},
	Advice:     "Correct the stated ejection fraction or the volumes, or the method of one of them.",
	Since:      "3",
	Under:      []string{"end-systolic-volume-not-below-end-diastolic"},
	Where:      ejectionFractions,
	Check: func(r *Reader) Verdict {
		f, ok := r.ejectionFractions()
		if !ok || !r.contradict(f) {
			return Verdict{}
		}
		return broken("The stated ejection fraction of %s lies %s points from the %s that the volumes give, all by one method; readings explain up to %s points.",
			r.Text(f.stated), units.FormatNumber(f.apart, percentGrid), units.Format(f.computed, units.Percent, percentGrid),
			units.FormatNumber(r.points(settings.EjectionFractionContradicts, f), percentGrid))
	},
	Examples: []Example{
		{Name: "62 beside 62.5 %, by 3D", Want: Holds, Case: func() *repair.Case { return exampleFraction(valve.Echo3D, valve.Echo3D, 62) }},
		{Name: "52 beside 62.5 %, by 3D", Want: Broken, Case: func() *repair.Case { return exampleFraction(valve.Echo3D, valve.Echo3D, 52) }},
		{Name: "ten points exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleFraction(valve.Echo3D, valve.Echo3D, 52.5) }},
		{Name: "15 points by 2D, whose readings differ by as much", Want: Holds, Case: func() *repair.Case { return exampleFraction(valve.Echo2D, valve.Echo2D, 47.5) }},
		{Name: "20 points by 2D", Want: Broken, Case: func() *repair.Case { return exampleFraction(valve.Echo2D, valve.Echo2D, 42.5) }},
		{Name: "another method does not contradict", Want: Holds, Case: func() *repair.Case { return exampleFraction(valve.Echo3D, valve.Visual, 40) }},
		{Name: "a method stated for the study alone does not say how each was read", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Inherit(valve.Context{Method: valve.Echo3D}).Set(valve.LeftVentricularEndDiastolicVolume, 160).
				Set(valve.LeftVentricularEndSystolicVolume, 60).Set(valve.StatedLeftVentricularEjectionFraction, 40).Case()
		}},
		{Name: "volumes of another study only", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Method(valve.Echo3D).Set(valve.LeftVentricularEndDiastolicVolume, 160).
				Set(valve.LeftVentricularEndSystolicVolume, 60).Assess("tee").Set(valve.StatedLeftVentricularEjectionFraction, 45).Case()
		}},
		{Name: "one volume only", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Method(valve.Echo3D).Set(valve.LeftVentricularEndDiastolicVolume, 160).
				Set(valve.StatedLeftVentricularEjectionFraction, 45).Case()
		}},
	},
}

// fractions is a stated ejection fraction beside the one from the volumes of its
// study.
type fractions struct {
	stated          valve.Key
	computed, apart float64
	sd              float64 // of the computed one
	oneMethod       bool    // each of the three values states it
}

// ejectionFractions gives the stated ejection fraction of the study and that of its
// volumes, if these were measured by one method and eject anything. A method that is
// inherited from the study says how the study was done, not how the report's fraction
// was read.
func (r *Reader) ejectionFractions() (f fractions, ok bool) {
	stated, computed, diastolic, systolic, ok := r.EjectionFractions()
	if !ok {
		return f, false
	}
	f = fractions{stated: stated, computed: computed, oneMethod: true}
	f.apart = units.Round(math.Abs(r.Read(stated)-computed), percentGrid)
	end, start := r.Read(systolic), r.Read(diastolic)
	sdEnd, _ := r.SD(systolic)
	sdStart, _ := r.SD(diastolic)
	moved := func(end, start float64) float64 {
		return float64(haemo.EjectionFraction(units.Volume(start), units.Volume(end))) - computed
	}
	f.sd = math.Hypot(moved(end+sdEnd, start), moved(end, start+sdStart))
	for _, k := range []valve.Key{stated, diastolic, systolic} {
		m, _ := r.Measurement(k)
		f.oneMethod = f.oneMethod && m.MethodItsOwn && m.Context.Method == r.method(stated)
	}
	return f, true
}

// points gives by how many points both may lie apart.
func (r *Reader) points(limit string, f fractions) float64 {
	return units.Round(r.MarginOf(limit, f.sd, f.stated), percentGrid)
}

// contradict says whether both contradict each other: only where one method is said
// of each value, and the readings do not explain it.
func (r *Reader) contradict(f fractions) bool {
	return f.oneMethod && r.Greater(f.apart, r.points(settings.EjectionFractionContradicts, f))
}

func exampleFraction(volumes, stated valve.Method, percent float64) *repair.Case {
	return repair.NewExample().Assess("tte").Method(volumes).Set(valve.LeftVentricularEndDiastolicVolume, 160).
		Set(valve.LeftVentricularEndSystolicVolume, 60).Method(stated).Set(valve.StatedLeftVentricularEjectionFraction, percent).Case()
}
