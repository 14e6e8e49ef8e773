package rules

import (
	"math"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var regurgitantVolumeAgainstStrokeVolume = Rule{
	ID: "regurgitant-volume-against-stroke-volume", Reference: "R56",
	Summary:  "A stated regurgitant volume does not exceed what the ventricle ejects by another method of the same study, or one that is not stated, by more than 10 % and 2 combined standard deviations.",
	Severity: Note, Kind: Arithmetic, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.StrokeVolumesApart, settings.MarginSDs},
	Advice:     "Say which method counts; the two do not agree.",
	Since:      "2",
	Where:      regurgitantVolumes,
	Check: func(r *Reader) Verdict {
		stated, ejected, diastolic, systolic, ok := r.RegurgitantVolume()
		one := r.method(stated) != "" && r.OneMethod(stated, diastolic) && r.OneMethod(stated, systolic)
		if !ok || one {
			return Verdict{}
		}
		a, _ := r.SD(stated)
		b, _ := r.SD(diastolic)
		c, _ := r.SD(systolic)
		over := r.Read(stated) - ejected
		if !r.Greater(units.Round(over, volumeGrid), r.ShareMargin(ejected, a, math.Hypot(b, c))) {
			return Verdict{}
		}
		return broken("The methods differ by %s: a regurgitant volume of %s is stated, and the ventricle ejects %s in all.",
			Amount(metric.IDVentricularStrokeVolume, over), r.Text(stated), Amount(metric.IDVentricularStrokeVolume, ejected))
	},
	Examples: []Example{
		{Name: "60 of 100 mL", Want: Holds, Case: func() *repair.Case { return exampleRegurgitant(60, valve.Doppler, valve.Echo3D) }},
		{Name: "150 of 100 mL", Want: Broken, Case: func() *repair.Case { return exampleRegurgitant(150, valve.Doppler, valve.Echo3D) }},
		{Name: "130 of 100 mL", Want: Holds, Case: func() *repair.Case { return exampleRegurgitant(130, valve.Doppler, valve.Echo3D) }},
		{Name: "10 % above exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleRegurgitant(110, valve.Doppler, valve.Echo3D) }},
		{Name: "one volume only", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.StatedRegurgitantVolume, 130).Set(valve.LeftVentricularEndDiastolicVolume, 160).Case()
		}},
	},
}
