package rules

import (
	"math"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var inflowBelowOutflow = Rule{
	ID: "inflow-below-outflow", Reference: "R55",
	Summary:  "Before the operation the stroke volume of the mitral inflow does not fall short of that of the outflow tract by more than 10 % and 2 combined standard deviations; more than mild aortic regurgitation excepted.",
	Severity: Note, Kind: Arithmetic, Source: settings.SourceCommonPractice,
	Thresholds: []string{settings.StrokeVolumesApart, settings.MarginSDs},
	Advice:     "Measure both diameters again: a regurgitant volume cannot be negative.",
	Since:      "2",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool {
			return s.Kind == repair.Assessment && holdsAny(c, s, valve.Nowhere, valve.InflowVelocityTimeIntegral) &&
				holdsAny(c, s, valve.Nowhere, valve.OutflowTractVelocityTimeIntegral)
		})
	},
	Check: func(r *Reader) Verdict {
		inflow, in, okIn := r.StrokeVolume(metric.IDInflowStrokeVolume)
		outflow, out, okOut := r.StrokeVolume(metric.IDOutflowStrokeVolume)
		if aortic, known := r.Study().AorticGrade.ModerateOrMore(); !okIn || !okOut || known && aortic {
			return Verdict{}
		}
		if !r.Greater(units.Round(outflow-inflow, volumeGrid), r.ShareMargin(inflow, in, out)) {
			return Verdict{}
		}
		return broken("The methods differ by %s: the inflow gives a stroke volume of %s, the outflow tract %s, and a leaking valve takes in more.",
			Amount(metric.IDInflowStrokeVolume, outflow-inflow), Amount(metric.IDInflowStrokeVolume, inflow), Amount(metric.IDOutflowStrokeVolume, outflow))
	},
	Examples: []Example{
		{Name: "108 against 63 mL", Want: Holds, Case: func() *repair.Case { return exampleFlow(34, 12, 20, 20).Case() }},
		{Name: "20 against 94 mL", Want: Broken, Case: func() *repair.Case { return exampleFlow(16, 10, 20, 30).Case() }},
		{Name: "38 against 63 mL", Want: Holds, Case: func() *repair.Case { return exampleFlow(22, 10, 20, 20).Case() }},
		// π/4·2²·20 = 62.8 mL and π/4·2²·22 = 69.1 mL, 1.1 times as much.
		{Name: "10 % short exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleFlow(20, 20, 20, 22).Case() }},
		{Name: "aortic regurgitation explains it", Want: Holds, Case: func() *repair.Case {
			return exampleFlow(22, 10, 20, 20).EditStudy(func(s *repair.Study) { s.AorticGrade = repair.Grade{Scheme: repair.FiveStep, Value: "moderate"} }).Case()
		}},
		{Name: "no diameter of the annulus", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.InflowVelocityTimeIntegral, 12).
				Set(valve.OutflowTractVelocityTimeIntegral, 20).Set(valve.OutflowTractDiameter, 20).Case()
		}},
	},
}

// volumeGrid is the grid on which computed volumes are compared.
const volumeGrid = 0.1

// StrokeVolume gives a stroke volume of the section that is judged, with its
// standard uncertainty, 0 where none is known.
func (r *Reader) StrokeVolume(id valve.ID) (value, sd float64, ok bool) {
	k := r.Derived(id, valve.Nowhere, r.At().Occasion)
	value, ok = r.Metric(k)
	v, _ := r.Peek(k)
	return value, v.SD.OrElse(0), ok
}

// ShareMargin gives by how much a volume may be exceeded by one that cannot be
// larger: the site's share of it, or its number of combined standard deviations
// where that is more.
func (r *Reader) ShareMargin(of, sdOne, sdOther float64) float64 {
	share := r.Limit(settings.StrokeVolumesApart).Value / whole * of
	return max(units.Round(share, volumeGrid), r.Limit(settings.MarginSDs).Value*math.Hypot(sdOne, sdOther))
}

// exampleFlow gives an assessment with the flows of both valves; diameters in mm,
// integrals in cm.
func exampleFlow(annulus, inflow, tract, outflow float64) *repair.Example {
	return repair.NewExample().Assess("tte").Set(valve.InflowAnnulusDiameter, annulus).Set(valve.InflowVelocityTimeIntegral, inflow).
		Set(valve.OutflowTractDiameter, tract).Set(valve.OutflowTractVelocityTimeIntegral, outflow)
}
