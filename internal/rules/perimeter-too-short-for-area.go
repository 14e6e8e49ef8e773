package rules

import (
	"trigone/internal/geometry"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var perimeterTooShortForArea = Rule{
	ID: "perimeter-too-short-for-area", Reference: "R77",
	Summary:  "No annulus has a perimeter shorter than the circle of its area: P²/(4πA) is not below 1, less what rounding explains.",
	Severity: Contradiction, Kind: Arithmetic, Source: settings.SourceArithmetic,
	Thresholds: []string{settings.IsoperimetricLow},
	Advice:     "Correct perimeter or area; they may be swapped or in another unit.",
	Since:      "1",
	Where:      pairs(valve.Nowhere, valve.AnnulusPerimeter, valve.AnnulusArea),
	Check: func(r *Reader) Verdict {
		perimeter, area := r.InStudy(valve.AnnulusPerimeter, valve.Nowhere), r.InStudy(valve.AnnulusArea, valve.Nowhere)
		p, a := r.Read(perimeter), r.Read(area)
		if a == 0 || !r.OneMethod(perimeter, area) || !r.OnePhase(perimeter, area) {
			return Verdict{}
		}
		quotient := float64(geometry.IsoperimetricQuotient(units.Length(p), units.Area(a)))
		if !r.Below(quotient, settings.IsoperimetricLow) {
			return Verdict{}
		}
		return broken("A perimeter of %s cannot enclose an area of %s: P²/(4πA) is %s, and at least 1 for any shape.",
			r.Text(perimeter), r.Text(area), units.FormatNumber(quotient, ratioGrid))
	},
	Examples: []Example{
		{Name: "an oval annulus", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.AnnulusPerimeter, 125).Set(valve.AnnulusArea, 11.5).Case()
		}},
		// The printed means of an autopsy series, area 14 and perimeter 8.3 without
		// units: swapped (Mohtaj et al., GMJ 2018;7:e1078).
		{Name: "swapped in a published abstract", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.AnnulusPerimeter, 83).Set(valve.AnnulusArea, 14).Case()
		}},
		{Name: "a circle of 36 mm, rounded", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.AnnulusPerimeter, 113).Set(valve.AnnulusArea, 10.2).Case()
		}},
		{Name: "by two methods", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Method(valve.Echo2D).Set(valve.AnnulusPerimeter, 83).Method(valve.Echo3D).Set(valve.AnnulusArea, 14).Case()
		}},
		{Name: "in systole and in diastole", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Inherit(valve.Context{Phase: valve.EndSystole}).Set(valve.AnnulusPerimeter, 83).Inherit(valve.Context{Phase: valve.EndDiastole}).Set(valve.AnnulusArea, 14).Case()
		}},
		{Name: "an area typed as 0", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.AnnulusPerimeter, 83).Set(valve.AnnulusArea, 0).Case()
		}},
		{Name: "no area", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.AnnulusPerimeter, 125).Case()
		}},
	},
}
