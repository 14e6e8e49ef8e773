package rules

import (
	"math"
	"slices"

	"trigone/internal/haemo"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var ejectionFractionAgainstVolumes = Rule{
	ID: "ejection-fraction-against-volumes", Reference: "R63",
	Summary:  "The stated ejection fraction and the one from the volumes of the same study and method do not lie more than 5 points apart.",
	Severity: Contradiction, Kind: Arithmetic, Source: settings.SourceArithmetic,
	Thresholds: []string{settings.EjectionFractionApart},
	Advice:     "Correct the stated ejection fraction or the volumes, or state the method of each.",
	Since:      "1", Until: "3",
	Under: []string{"end-systolic-volume-not-below-end-diastolic"},
	Where: ejectionFractions,
	Check: func(r *Reader) Verdict {
		stated, computed, diastolic, systolic, ok := r.EjectionFractions()
		if !ok || !r.OneMethod(stated, diastolic) || !r.OneMethod(stated, systolic) {
			return Verdict{}
		}
		apart := math.Abs(r.Read(stated) - computed)
		if !r.Beyond(units.Round(apart, percentGrid), settings.EjectionFractionApart) {
			return Verdict{}
		}
		return broken("The stated ejection fraction of %s lies %s points from the %s that the volumes give.",
			r.Text(stated), units.FormatNumber(apart, percentGrid), units.Format(computed, units.Percent, percentGrid))
	},
	Examples: []Example{
		{Name: "160 and 60 mL are 62.5 %", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.LeftVentricularEndDiastolicVolume, 160).
				Set(valve.LeftVentricularEndSystolicVolume, 60).Set(valve.StatedLeftVentricularEjectionFraction, 62).Case()
		}},
		{Name: "stated 45 %", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.LeftVentricularEndDiastolicVolume, 160).
				Set(valve.LeftVentricularEndSystolicVolume, 60).Set(valve.StatedLeftVentricularEjectionFraction, 45).Case()
		}},
		{Name: "five points exactly", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.LeftVentricularEndDiastolicVolume, 160).
				Set(valve.LeftVentricularEndSystolicVolume, 60).Set(valve.StatedLeftVentricularEjectionFraction, 57.5).Case()
		}},
		{Name: "another method does not contradict", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Method(valve.Echo3D).Set(valve.LeftVentricularEndDiastolicVolume, 160).
				Set(valve.LeftVentricularEndSystolicVolume, 60).Method(valve.Visual).Set(valve.StatedLeftVentricularEjectionFraction, 45).Case()
		}},
		{Name: "one volume only", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.LeftVentricularEndDiastolicVolume, 160).
				Set(valve.StatedLeftVentricularEjectionFraction, 45).Case()
		}},
	},
}

// percentGrid is the grid on which computed shares are compared and printed.
const percentGrid = 0.1

// ejectionFractions gives the studies that state an ejection fraction and hold
// at least one of the volumes.
func ejectionFractions(c *repair.Case) []metric.At {
	return studies(c, func(s *repair.Study) bool {
		return holdsAny(c, s, valve.Nowhere, valve.StatedLeftVentricularEjectionFraction) &&
			slices.ContainsFunc(c.Studies, func(o repair.Study) bool {
				return o.StudyID == s.StudyID &&
					holdsAny(c, &o, valve.Nowhere, valve.LeftVentricularEndDiastolicVolume, valve.LeftVentricularEndSystolicVolume)
			})
	})
}

// EjectionFractions gives the stated ejection fraction of the study and the one
// from its volumes, if these were measured by one method and eject anything.
func (r *Reader) EjectionFractions() (stated valve.Key, computed float64, diastolic, systolic valve.Key, ok bool) {
	stated = r.Here(valve.StatedLeftVentricularEjectionFraction)
	diastolic = r.InStudy(valve.LeftVentricularEndDiastolicVolume, valve.Nowhere)
	systolic = r.InStudy(valve.LeftVentricularEndSystolicVolume, valve.Nowhere)
	end, start := r.Read(systolic), r.Read(diastolic)
	if !(end < start) || !r.OneMethod(diastolic, systolic) {
		return stated, 0, diastolic, systolic, false
	}
	return stated, float64(haemo.EjectionFraction(units.Volume(start), units.Volume(end))), diastolic, systolic, true
}
