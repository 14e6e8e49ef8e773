package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var dysfunctionNamedWithoutSigns = Rule{
	ID: "dysfunction-named-without-signs", Reference: "R62",
	Summary:  "Left ventricular dysfunction as a trigger goes with an ejection fraction of 60 % or less or an end-systolic diameter of 40 mm or more.",
	Severity: Note, Kind: Clinical, Source: settings.SourceGuideline2020,
	Advice: "Check the trigger, or send the measurement that shows it.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		if c.Plan == nil || !slices.Contains(c.Plan.Triggers, dysfunctional) {
			return nil
		}
		return []metric.At{at(valve.AtPlan)}
	},
	Check: func(r *Reader) Verdict {
		compensated, known := r.Compensated()
		if !known || !compensated {
			return Verdict{}
		}
		r.Fact("trigger", dysfunctional)
		var said []string
		for _, leaf := range []valve.ID{valve.StatedLeftVentricularEjectionFraction, valve.LeftVentricularEndSystolicDiameter} {
			said = append(said, r.Text(native(r.Case(), valve.AtPlan, leaf, valve.Nowhere)))
		}
		return broken("Left ventricular dysfunction is named as a trigger, with an ejection fraction of %s and an end-systolic diameter of %s.", said[0], said[1])
	},
	Examples: []Example{
		{Name: "an ejection fraction of 52 %", Want: Holds, Case: func() *repair.Case { return exampleNamed(52) }},
		{Name: "an ejection fraction of 68 %", Want: Broken, Case: func() *repair.Case { return exampleNamed(68) }},
		{Name: "60 % exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleNamed(60) }},
		{Name: "no diameter", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Set(valve.StatedLeftVentricularEjectionFraction, 68).
				Plan().Edit(func(c *repair.Case) { c.Plan.Triggers = []string{dysfunctional} }).Case()
		}},
	},
}

func exampleNamed(ejection float64) *repair.Case {
	return exampleTrigger(ejection, "severe").Edit(func(c *repair.Case) { c.Plan.Triggers = []string{dysfunctional} }).Case()
}
