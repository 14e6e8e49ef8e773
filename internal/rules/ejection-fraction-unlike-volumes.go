package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var ejectionFractionUnlikeVolumes = Rule{
	ID: "ejection-fraction-unlike-volumes", Reference: "R63",
	Summary:  "A stated ejection fraction and the one from the volumes of the same study do not lie more than 5 points and 2 combined standard deviations apart, where they do not contradict each other.",
	Severity: Note, Kind: Arithmetic, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.EjectionFractionApart, settings.EjectionFractionContradicts, settings.MarginSDs},
	Advice:     "Say which one counts, and state the method of each.",
	Since:      "3",
	Under:      []string{"end-systolic-volume-not-below-end-diastolic"},
	Where:      ejectionFractions,
	Check: func(r *Reader) Verdict {
		f, ok := r.ejectionFractions()
		if !ok || r.contradict(f) || !r.Greater(f.apart, r.points(settings.EjectionFractionApart, f)) {
			return Verdict{}
		}
		return broken("The ejection fraction is %s as stated and %s from the volumes, %s points apart.",
			r.Text(f.stated), units.Format(f.computed, units.Percent, percentGrid), units.FormatNumber(f.apart, percentGrid))
	},
	Examples: []Example{
		{Name: "by eye 60, by volumes 62.5 %", Want: Holds, Case: func() *repair.Case { return exampleFraction(valve.Echo3D, valve.Visual, 60) }},
		{Name: "by eye 45 %", Want: Broken, Case: func() *repair.Case { return exampleFraction(valve.Echo3D, valve.Visual, 45) }},
		{Name: "9 points by 3D are no contradiction", Want: Broken, Case: func() *repair.Case { return exampleFraction(valve.Echo3D, valve.Echo3D, 53.5) }},
		{Name: "12 points by 3D are one", Want: Holds, Case: func() *repair.Case { return exampleFraction(valve.Echo3D, valve.Echo3D, 50) }},
		{Name: "no method is stated", Want: Broken, Case: func() *repair.Case { return exampleFraction("", "", 25) }},
		{Name: "five points exactly, read by both without error", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.LeftVentricularEndDiastolicVolume, 160).SD(0.1).
				Set(valve.LeftVentricularEndSystolicVolume, 60).SD(0.1).Set(valve.StatedLeftVentricularEjectionFraction, 57.5).SD(0.1).Case()
		}},
		{Name: "one volume only", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Method(valve.Echo3D).Set(valve.LeftVentricularEndDiastolicVolume, 160).
				Method(valve.Visual).Set(valve.StatedLeftVentricularEjectionFraction, 45).Case()
		}},
	},
}
