package rules

import (
	"math"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var ejectionFractionDiffersBetweenMethods = Rule{
	ID: "ejection-fraction-differs-between-methods", Reference: "R63",
	Summary:  "A stated ejection fraction and one from volumes of another method of the same study lie apart by more than 5 points and 2 combined standard deviations.",
	Severity: Note, Kind: Arithmetic, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.EjectionFractionApart, settings.MarginSDs},
	Advice:     "Say which method counts; the two do not agree.",
	Since:      "1", Until: "3",
	Where: ejectionFractions,
	Check: func(r *Reader) Verdict {
		stated, computed, diastolic, _, ok := r.EjectionFractions()
		if !ok || r.OneMethod(stated, diastolic) {
			return Verdict{}
		}
		apart := math.Abs(r.Read(stated) - computed)
		if !r.Greater(units.Round(apart, percentGrid), r.Margin(settings.EjectionFractionApart, stated)) {
			return Verdict{}
		}
		return broken("The methods differ by %s points: ejection fraction %s as stated, %s from the volumes.",
			units.FormatNumber(apart, percentGrid), r.Text(stated), units.Format(computed, units.Percent, percentGrid))
	},
	Examples: []Example{
		{Name: "by eye 60, by volumes 62.5 %", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Method(valve.Echo3D).Set(valve.LeftVentricularEndDiastolicVolume, 160).
				Set(valve.LeftVentricularEndSystolicVolume, 60).Method(valve.Visual).Set(valve.StatedLeftVentricularEjectionFraction, 60).Case()
		}},
		{Name: "by eye 45 %", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Method(valve.Echo3D).Set(valve.LeftVentricularEndDiastolicVolume, 160).
				Set(valve.LeftVentricularEndSystolicVolume, 60).Method(valve.Visual).Set(valve.StatedLeftVentricularEjectionFraction, 45).Case()
		}},
		{Name: "five points exactly", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Method(valve.Echo3D).Set(valve.LeftVentricularEndDiastolicVolume, 160).
				Set(valve.LeftVentricularEndSystolicVolume, 60).Method(valve.Visual).Set(valve.StatedLeftVentricularEjectionFraction, 57.5).Case()
		}},
		{Name: "20 points, but the stated one is no better than ±12", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Method(valve.Echo3D).Set(valve.LeftVentricularEndDiastolicVolume, 160).
				Set(valve.LeftVentricularEndSystolicVolume, 60).Method(valve.Visual).Set(valve.StatedLeftVentricularEjectionFraction, 42.5).SD(12).Case()
		}},
		{Name: "one volume only", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Method(valve.Echo3D).Set(valve.LeftVentricularEndDiastolicVolume, 160).
				Method(valve.Visual).Set(valve.StatedLeftVentricularEjectionFraction, 45).Case()
		}},
	},
}
