package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var annulusAnteroPosteriorAboveTransverse = Rule{
	ID: "annulus-antero-posterior-above-transverse", Reference: "R31",
	Summary:  "The antero-posterior diameter of an annulus seldom exceeds its intercommissural or its anterolateral to posteromedial diameter.",
	Severity: Note, Kind: Definition, Source: settings.SourceCommonPractice,
	Advice: "Check whether the diameters are swapped, and in which phase each was taken.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool {
			return holdsAny(c, s, valve.Nowhere, valve.AnnulusAnteroPosteriorDiameter)
		})
	},
	Check: func(r *Reader) Verdict {
		depth := r.Here(valve.AnnulusAnteroPosteriorDiameter)
		across := []valve.Key{r.Here(valve.AnnulusIntercommissuralDiameter), r.Here(valve.AnnulusAnterolateralPosteromedialDiameter)}
		known := slices.DeleteFunc(across, func(k valve.Key) bool { return !r.Has(k) })
		if len(known) == 0 {
			r.Read(r.Here(valve.AnnulusIntercommissuralDiameter))
			return Verdict{}
		}
		for _, width := range known {
			if r.Greater(r.Read(depth), r.Read(width)) && r.OnePhase(depth, width) {
				return broken("The annulus measures %s from front to back and only %s across.", r.Text(depth), r.Text(width))
			}
		}
		return Verdict{}
	},
	Examples: []Example{
		{Name: "an oval annulus", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.AnnulusAnteroPosteriorDiameter, 36).Set(valve.AnnulusIntercommissuralDiameter, 43).Case()
		}},
		{Name: "swapped", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.AnnulusAnteroPosteriorDiameter, 43).Set(valve.AnnulusIntercommissuralDiameter, 36).Case()
		}},
		{Name: "round", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.AnnulusAnteroPosteriorDiameter, 40).Set(valve.AnnulusAnterolateralPosteromedialDiameter, 40).Case()
		}},
		{Name: "no diameter across", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set(valve.AnnulusAnteroPosteriorDiameter, 36).Case()
		}},
	},
}
