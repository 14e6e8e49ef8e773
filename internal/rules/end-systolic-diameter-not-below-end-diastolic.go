package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var endSystolicDiameterNotBelowEndDiastolic = Rule{
	ID: "end-systolic-diameter-not-below-end-diastolic", Reference: "R63",
	Summary:  "The left ventricular end-systolic diameter is below the end-diastolic diameter of the same study and method.",
	Severity: Contradiction, Kind: Arithmetic, Source: settings.SourceArithmetic,
	Advice: "Correct the diameters; they may be swapped.",
	Since:  "1",
	Where:  pairs(valve.Nowhere, valve.LeftVentricularEndSystolicDiameter, valve.LeftVentricularEndDiastolicDiameter),
	Check: func(r *Reader) Verdict {
		systolic := r.InStudy(valve.LeftVentricularEndSystolicDiameter, valve.Nowhere)
		diastolic := r.InStudy(valve.LeftVentricularEndDiastolicDiameter, valve.Nowhere)
		if !r.AtLeast(r.Read(systolic), r.Read(diastolic)) || !r.OneMethod(systolic, diastolic) {
			return Verdict{}
		}
		return broken("The end-systolic diameter of %s is not below the end-diastolic diameter of %s.", r.Text(systolic), r.Text(diastolic))
	},
	Examples: []Example{
		{Name: "36 of 58 mm", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.LeftVentricularEndSystolicDiameter, 36).Set(valve.LeftVentricularEndDiastolicDiameter, 58).Case()
		}},
		{Name: "swapped", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.LeftVentricularEndSystolicDiameter, 58).Set(valve.LeftVentricularEndDiastolicDiameter, 36).Case()
		}},
		{Name: "equal", Edge: true, Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.LeftVentricularEndSystolicDiameter, 50).Set(valve.LeftVentricularEndDiastolicDiameter, 50).Case()
		}},
		{Name: "no end-systolic diameter", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.LeftVentricularEndDiastolicDiameter, 58).Case()
		}},
	},
}
