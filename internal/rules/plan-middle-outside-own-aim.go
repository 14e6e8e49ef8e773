package rules

import (
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var planMiddleOutsideOwnAim = Rule{
	ID: "plan-middle-outside-own-aim", Reference: "",
	Summary:  "The middle of what the plan's own numbers predict does not lie outside the plan's own aim where the range reaches it.",
	Severity: Note, Kind: Clinical, Source: settings.SourceOwnModel,
	Advice: "Look once more at heights and ring; the range reaches the aim, and the model is not calibrated.",
	Since:  "3",
	Where:  plannedAims,
	Check: func(r *Reader) Verdict {
		const calibrated = "Look once more at heights and ring; the range, of a model under the site's calibration, reaches the aim."
		return againstOwnAims(r, calibrated, func(p ownPrediction) string {
			if p.whollyOutside() || !p.middleOutside() {
				return ""
			}
			return p.subject + " is predicted from the plan itself at about " + p.amount(p.predicted.Value) + " (range " + p.span() +
				"), the middle outside the plan's own aim of " + p.aimText() + "."
		})
	},
	Examples: []Example{
		{Name: "9 mm predicted, 6 to 12 mm aimed at", Want: Holds, Case: func() *repair.Case { return exampleAim(18, 6, 12) }},
		{Name: "5 mm predicted, 6 to 12 mm aimed at", Want: Broken, Case: func() *repair.Case { return exampleAim(10, 6, 12) }},
		{Name: "12.5 mm predicted, 12 mm at most aimed at", Want: Broken, Case: func() *repair.Case { return exampleAim(25, 6, 12) }},
		{Name: "a gradient about 4 mmHg, 3 at most aimed at", Want: Broken, Case: func() *repair.Case { return exampleGradientAim(4, 3) }},
		{Name: "6 mm predicted, 6 mm at least aimed at", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleAim(12, 6, 12) }},
		{Name: "the whole range outside is another rule's", Want: Holds, Case: func() *repair.Case { return exampleAim(8, 10, 14) }},
		{Name: "the native heights are missing", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Plan().Device("ring", repair.CompleteRing).Dim(valve.RingInnerAnteroPosteriorDiameter, 26).
				Edit(aimsAt(exampleCoaptationAim(6, 12))).Case()
		}},
		{Name: "an aim that nothing predicts", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Plan().Device("ring", repair.CompleteRing).
				Edit(aimsAt(repair.Target{ID: "t", Leaf: metric.PlanimetryOrificeArea.ID, Low: exampleCoaptationAim(2, 3).Low})).Case()
		}},
	},
}
