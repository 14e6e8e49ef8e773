package rules

import (
	"slices"

	"trigone/internal/haemo"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var operatedWithoutTrigger = Rule{
	ID: "operated-without-trigger", Reference: "R61",
	Summary:  "A patient without symptoms whose ventricle is compensated and whose regurgitation is not severe has a trigger for the operation recorded, or another operation beside it.",
	Severity: Note, Kind: Clinical, Source: settings.SourceGuideline2020,
	Advice: "Record what counts towards the operation.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		if c.Plan == nil || c.Plan.FunctionalClass != "i" {
			return nil
		}
		return []metric.At{at(valve.AtPlan)}
	},
	Check: func(r *Reader) Verdict {
		p := r.Case().Plan
		if len(p.Triggers) > 0 || r.Case().Operation != nil && len(r.Case().Operation.ConcomitantProcedures) > 0 {
			return Verdict{}
		}
		grade := repair.Grade{}
		for _, s := range newest(r.Case()) {
			if s.Grade.Known() {
				grade = s.Grade
				break
			}
		}
		compensated, known := r.Compensated()
		_, graded := r.Word("grade", grade.Value, "assessment")
		if !known || !graded || !compensated || severe(grade) || !r.Complete("triggers", p.TriggersRecorded, valve.AtPlan) {
			return Verdict{}
		}
		return broken("No symptoms, a compensated ventricle and %s regurgitation are recorded, and no trigger for the operation.", grade)
	},
	Examples: []Example{
		{Name: "severe", Want: Holds, Case: func() *repair.Case { return exampleTrigger(65, "severe").Case() }},
		{Name: "moderate, nothing else", Want: Broken, Case: func() *repair.Case { return exampleTrigger(65, "moderate").Case() }},
		{Name: "an ejection fraction of 60 % exactly counts", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleTrigger(60, "moderate").Case() }},
		{Name: "beside a coronary bypass", Want: Holds, Case: func() *repair.Case {
			return exampleTrigger(65, "moderate").EditOperation(func(o *repair.Operation) { o.ConcomitantProcedures = []string{"coronary_bypass"} }).Case()
		}},
		{Name: "the triggers may not be all", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleTrigger(65, "moderate").Edit(func(c *repair.Case) { c.Plan.TriggersRecorded = valve.NotRecorded }).Case()
		}},
	},
}

// severe says whether a grade is the highest of its scheme, or next to it with
// plus signs.
func severe(g repair.Grade) bool {
	return slices.Contains([]string{"severe", "plus_3", "plus_4"}, g.Value)
}

// Compensated says whether the ventricle is compensated before the operation:
// neither ejection fraction nor end-systolic diameter calls for an operation by
// itself.
func (r *Reader) Compensated() (compensated, known bool) {
	ejection := native(r.Case(), valve.AtPlan, valve.StatedLeftVentricularEjectionFraction, valve.Nowhere)
	systole := native(r.Case(), valve.AtPlan, valve.LeftVentricularEndSystolicDiameter, valve.Nowhere)
	e, s := r.Read(ejection), r.Read(systole)
	if !r.Has(ejection) || !r.Has(systole) {
		return false, false
	}
	return !haemo.EjectionReduced(units.Fraction(e)) && !haemo.SystoleDilated(units.Length(s)), true
}

// exampleTrigger gives a plan for a patient without symptoms.
func exampleTrigger(ejection float64, grade string) *repair.Example {
	return repair.NewExample().Assess("tee").Graded(repair.FiveStep, grade).Set(valve.StatedLeftVentricularEjectionFraction, ejection).
		Set(valve.LeftVentricularEndSystolicDiameter, 34).Plan().Edit(func(c *repair.Case) {
		c.Plan.FunctionalClass, c.Plan.TriggersRecorded = "i", valve.Complete
	})
}
