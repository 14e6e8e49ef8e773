package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var outflowAboveVentricularStrokeVolume = Rule{
	ID: "outflow-above-ventricular-stroke-volume", Reference: "R57",
	Summary:  "The stroke volume of the outflow tract does not exceed the ventricle's total stroke volume by more than 10 % and 2 combined standard deviations.",
	Severity: Note, Kind: Arithmetic, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.StrokeVolumesApart, settings.MarginSDs},
	Advice:     "Measure again: volumes by echo in two dimensions are often too small, a diameter of the outflow tract is squared.",
	Since:      "2",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool {
			return holdsAny(c, s, valve.Nowhere, valve.OutflowTractVelocityTimeIntegral) &&
				holdsAny(c, s, valve.Nowhere, valve.LeftVentricularEndDiastolicVolume, valve.LeftVentricularEndSystolicVolume)
		})
	},
	Check: func(r *Reader) Verdict {
		total, a, okTotal := r.StrokeVolume(metric.IDVentricularStrokeVolume)
		forward, b, okForward := r.StrokeVolume(metric.IDOutflowStrokeVolume)
		if !okTotal || !okForward || !r.Greater(units.Round(forward-total, volumeGrid), r.ShareMargin(total, a, b)) {
			return Verdict{}
		}
		return broken("The methods differ by %s: the outflow tract gives a stroke volume of %s, the ventricle as a whole only %s.",
			Amount(metric.IDOutflowStrokeVolume, forward-total), Amount(metric.IDOutflowStrokeVolume, forward), Amount(metric.IDVentricularStrokeVolume, total))
	},
	Examples: []Example{
		{Name: "62.8 of 100 mL", Want: Holds, Case: func() *repair.Case { return exampleVentricle(160, 60) }},
		{Name: "62.8 of 20 mL by 3D", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Method(valve.Echo3D).Set(valve.LeftVentricularEndDiastolicVolume, 80).
				Set(valve.LeftVentricularEndSystolicVolume, 60).Method(valve.Doppler).Set(valve.OutflowTractDiameter, 20).
				Set(valve.OutflowTractVelocityTimeIntegral, 20).Case()
		}},
		{Name: "62.8 of 40 mL", Want: Holds, Case: func() *repair.Case { return exampleVentricle(100, 60) }},
		{Name: "10 % above exactly: 62.8 of 57.1 mL", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleVentricle(117.1, 60) }},
		{Name: "one volume only", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleFlow(34, 12, 20, 20).Set(valve.LeftVentricularEndDiastolicVolume, 160).Case()
		}},
	},
}

func exampleVentricle(diastole, systole float64) *repair.Case {
	return exampleFlow(34, 12, 20, 20).Set(valve.LeftVentricularEndDiastolicVolume, diastole).Set(valve.LeftVentricularEndSystolicVolume, systole).Case()
}
