package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var endSystolicVolumeNotBelowEndDiastolic = Rule{
	ID: "end-systolic-volume-not-below-end-diastolic", Reference: "R63",
	Summary:  "The left ventricular end-systolic volume is below the end-diastolic volume of the same study and method.",
	Severity: Contradiction, Kind: Arithmetic, Source: settings.SourceArithmetic,
	Advice: "Correct the volumes; they may be swapped.",
	Since:  "1",
	Where:  pairs(valve.Nowhere, valve.LeftVentricularEndSystolicVolume, valve.LeftVentricularEndDiastolicVolume),
	Check: func(r *Reader) Verdict {
		systolic := r.InStudy(valve.LeftVentricularEndSystolicVolume, valve.Nowhere)
		diastolic := r.InStudy(valve.LeftVentricularEndDiastolicVolume, valve.Nowhere)
		if !r.AtLeast(r.Read(systolic), r.Read(diastolic)) || !r.OneMethod(systolic, diastolic) {
			return Verdict{}
		}
		return broken("The end-systolic volume of %s is not below the end-diastolic volume of %s.", r.Text(systolic), r.Text(diastolic))
	},
	Examples: []Example{
		{Name: "60 of 160 mL", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.LeftVentricularEndSystolicVolume, 60).Set(valve.LeftVentricularEndDiastolicVolume, 160).Case()
		}},
		{Name: "swapped", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.LeftVentricularEndSystolicVolume, 160).Set(valve.LeftVentricularEndDiastolicVolume, 60).Case()
		}},
		{Name: "equal: nothing would be ejected", Edge: true, Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.LeftVentricularEndSystolicVolume, 120).Set(valve.LeftVentricularEndDiastolicVolume, 120).Case()
		}},
		{Name: "no end-diastolic volume", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.LeftVentricularEndSystolicVolume, 60).Case()
		}},
	},
}
