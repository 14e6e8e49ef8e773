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
			return holdsAny(c, s, valve.Nowhere, "annulus_antero_posterior_diameter")
		})
	},
	Check: func(r *Reader) Verdict {
		depth := r.Here("annulus_antero_posterior_diameter")
		across := []valve.Key{r.Here("annulus_intercommissural_diameter"), r.Here("annulus_anterolateral_posteromedial_diameter")}
		known := slices.DeleteFunc(across, func(k valve.Key) bool { return !r.Has(k) })
		if len(known) == 0 {
			r.Read(r.Here("annulus_intercommissural_diameter"))
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
			return repair.NewExample().Assess("tee").Set("annulus_antero_posterior_diameter", 36).Set("annulus_intercommissural_diameter", 43).Case()
		}},
		{Name: "swapped", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set("annulus_antero_posterior_diameter", 43).Set("annulus_intercommissural_diameter", 36).Case()
		}},
		{Name: "round", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set("annulus_antero_posterior_diameter", 40).Set("annulus_anterolateral_posteromedial_diameter", 40).Case()
		}},
		{Name: "no diameter across", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").Set("annulus_antero_posterior_diameter", 36).Case()
		}},
	},
}
