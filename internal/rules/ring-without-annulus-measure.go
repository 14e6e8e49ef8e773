package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var ringWithoutAnnulusMeasure = Rule{
	ID: "ring-without-annulus-measure", Reference: "R25",
	Summary:  "A plan with a ring or band rests on a measurement of the native annulus or of the anterior leaflet's surface.",
	Severity: Note, Kind: Completeness, Source: settings.SourceCommonPractice,
	Advice: "Send a diameter, the area, the perimeter or the intertrigonal distance.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		if c.Plan == nil || len(repair.Of(c.Plan.Steps, repair.Annuloplasty)) == 0 {
			return nil
		}
		return []metric.At{at(valve.AtPlan)}
	},
	Check: func(r *Reader) Verdict {
		for _, s := range beforeOperation(r.Case()) {
			if asked(r.Case(), &s, valve.Nowhere, annulusMeasures...) {
				return Verdict{}
			}
		}
		r.Fact("planned", "ring or band")
		return broken("A ring or band is planned, and no measurement of the annulus is recorded.")
	},
	Examples: []Example{
		{Name: "one diameter", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.AnnulusAnteroPosteriorDiameter, 36).Plan().Device("s1", repair.CompleteRing).Case()
		}},
		{Name: "none", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.A2, 26).Plan().Device("s1", repair.CompleteRing).Case()
		}},
		{Name: "tried and not possible is an entry", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Absent(valve.AnnulusArea, valve.Nowhere, valve.AbsentNotPossible).Plan().Device("s1", repair.CompleteRing).Case()
		}},
		{Name: "no ring planned", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Plan().Step("s1", repair.CleftClosure).Case()
		}},
	},
}

// annulusMeasures are the leaves that size the native annulus.
var annulusMeasures = []valve.ID{
	valve.AnnulusAnteroPosteriorDiameter, valve.AnnulusIntercommissuralDiameter, valve.AnnulusAnterolateralPosteromedialDiameter,
	valve.AnnulusArea, valve.AnnulusPerimeter, valve.IntertrigonalDistance, valve.PosteriorAnnulusLength, valve.AnteriorLeafletArea,
}
