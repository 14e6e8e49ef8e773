package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
	"trigone/internal/words"
)

var fibrillationUnanswered = Rule{
	ID:       "fibrillation-unanswered",
	Summary:  "Atrial fibrillation before the operation is answered by ablation or closure of the appendage, or by the word that neither was done.",
	Severity: Note, Kind: Completeness, Source: settings.SourceCommonPractice,
	Advice: "Send ablation or closure of the appendage, or among the procedures decided against why there was neither.",
	Since:  "3",
	Where: func(c *repair.Case) []metric.At {
		before := c.FibrillationBefore()
		seen := slices.ContainsFunc(beforeOperation(c), func(s repair.Study) bool { return s.Rhythm == "atrial_fibrillation" })
		if before == "none" || before == "" && !seen {
			return nil
		}
		return inOperation(c)
	},
	Check: func(r *Reader) Verdict {
		before, known := r.Word("fibrillation_before", r.Case().FibrillationBefore(), valve.AtOperation)
		if !known || r.answered("ablation", "appendage_closure") {
			return Verdict{}
		}
		return broken("Atrial fibrillation before the operation (%s) is on record, and neither ablation, closure of the appendage nor why there was neither.",
			words.Spaced(before))
	},
	Examples: []Example{
		{Name: "ablated", Want: Holds, Case: func() *repair.Case {
			return exampleFibrillation("persistent", func(o *repair.Operation) { o.ConcomitantProcedures = []string{"ablation"} })
		}},
		{Name: "nothing said", Want: Broken, Case: func() *repair.Case { return exampleFibrillation("persistent", nil) }},
		{Name: "the appendage alone is an answer", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleFibrillation("permanent", func(o *repair.Operation) { o.ConcomitantProcedures = []string{"appendage_closure"} })
		}},
		{Name: "paroxysmal counts too", Edge: true, Want: Broken, Case: func() *repair.Case { return exampleFibrillation("paroxysmal", nil) }},
		{Name: "decided against", Want: Holds, Case: func() *repair.Case {
			return exampleFibrillation("persistent", func(o *repair.Operation) { o.DeclinedProcedures = []string{"ablation"} })
		}},
		{Name: "seen on the echo, its type is not known", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tte").EditStudy(func(s *repair.Study) { s.Rhythm = "atrial_fibrillation" }).
				EditOperation(func(o *repair.Operation) { o.ConcomitantRecorded = valve.Complete }).Case()
		}},
		{Name: "none", Want: Inapplicable, Case: func() *repair.Case { return exampleFibrillation("none", nil) }},
	},
}

func exampleFibrillation(kind string, edit func(*repair.Operation)) *repair.Case {
	return repair.NewExample().EditOperation(func(o *repair.Operation) {
		o.FibrillationBefore, o.ConcomitantRecorded = kind, valve.Complete
		if edit != nil {
			edit(o)
		}
	}).Case()
}
