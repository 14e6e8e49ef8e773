package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var calcificationUnanswered = Rule{
	ID: "calcification-unanswered", Reference: "R34",
	Summary:  "A posterior annulus calcified over more than half its length is answered by a step, or by the word that the calcium was left in place.",
	Severity: Note, Kind: Completeness, Source: settings.SourceCommonPractice,
	Advice: "Send the decalcification, or among the lesions left why it was left in place.",
	Since:  "3",
	Where: func(c *repair.Case) []metric.At {
		if c.Operation == nil || c.Operation.Converted() || calcified(c) == "" {
			return nil
		}
		return inOperation(c)
	},
	Check: func(r *Reader) Verdict {
		o := r.Case().Operation
		extent := calcified(r.Case())
		r.Fact("calcification", extent)
		if extent != "extensive" {
			return Verdict{}
		}
		done := slices.ContainsFunc(o.Steps, func(s repair.Step) bool {
			return s.Technique == repair.FurtherTechnique && s.Form == "decalcification"
		})
		left := slices.ContainsFunc(o.AcceptedLesions, func(l repair.AcceptedLesion) bool { return l.Kind == "calcification" })
		if done || left {
			return Verdict{}
		}
		whole := r.Complete("steps_recorded", o.StepsRecorded, valve.AtOperation)
		if !r.Complete("concomitant_procedures_recorded", o.ConcomitantRecorded, valve.AtOperation) || !whole {
			return Verdict{}
		}
		return broken("More than two thirds of the posterior annulus are calcified, and neither decalcification nor calcium left in place is on record.")
	},
	Examples: []Example{
		{Name: "decalcified", Want: Holds, Case: func() *repair.Case {
			return exampleCalcified("extensive").Step("o1", repair.FurtherTechnique).EditStep(func(s *repair.Step) { s.Form = "decalcification" }).Case()
		}},
		{Name: "nothing said", Want: Broken, Case: func() *repair.Case { return exampleCalcified("extensive").Case() }},
		// Up to two thirds may be less than half.
		{Name: "up to two thirds", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleCalcified("two_thirds").Case() }},
		{Name: "left in place", Want: Holds, Case: func() *repair.Case {
			return exampleCalcified("extensive").EditOperation(func(o *repair.Operation) {
				o.AcceptedLesions = []repair.AcceptedLesion{{Kind: "calcification", Reason: "risk"}}
			}).Case()
		}},
		{Name: "the list of steps may not be whole", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleCalcified("extensive").EditOperation(func(o *repair.Operation) { o.StepsRecorded = "" }).Case()
		}},
		{Name: "nobody looked for calcium", Want: Inapplicable, Case: func() *repair.Case { return exampleCalcified("").Case() }},
	},
}

// calcified gives how far the annulus is calcified, as the newest assessment that
// tells it has it.
func calcified(c *repair.Case) string {
	for _, s := range newest(c) {
		if s.Calcification != "" {
			return s.Calcification
		}
	}
	return ""
}

func exampleCalcified(extent string) *repair.Example {
	return repair.NewExample().Assess("ct").EditStudy(func(s *repair.Study) { s.Calcification = extent }).
		EditOperation(func(o *repair.Operation) { o.ConcomitantRecorded = valve.Complete })
}
