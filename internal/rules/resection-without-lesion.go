package rules

import (
	"slices"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var resectionWithoutLesion = Rule{
	ID: "resection-without-lesion", Reference: "R01",
	Summary:  "A full-thickness resection lies where an assessment saw prolapse, flail, excess tissue or another lesion; strips at the base and reductions of height are not meant.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Advice: "Record the lesion, or check the segment.",
	Since:  "2",
	Where:  stepPlaces(repair.LeafletResection, func(s repair.Step) bool { return len(s.Places) > 0 }),
	Check: func(r *Reader) Verdict {
		step := r.Step()
		if len(step.LesionIDs) > 0 || slices.ContainsFunc(step.Places, func(l repair.Location) bool {
			return prolapseSeen(r.Case(), l) || lesionSeen(r.Case(), l, func(repair.Lesion) bool { return true })
		}) || !r.LesionsKnown() {
			return Verdict{}
		}
		return broken("A resection at %s is recorded, where no assessment saw a lesion.", names(step.Places))
	},
	Examples: []Example{
		{Name: "chord rupture at P2", Want: Holds, Case: func() *repair.Case {
			return exampleProlapse(valve.P2).Plan().Resect("s1", repair.Triangular, valve.P2).Case()
		}},
		{Name: "chord rupture at P2, P1 resected", Want: Broken, Case: func() *repair.Case {
			return exampleProlapse(valve.P2).Plan().Resect("s1", repair.Triangular, valve.P1).Case()
		}},
		{Name: "over two segments, one of them with the lesion", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleProlapse(valve.P2).Plan().Resect("s1", repair.Triangular, valve.P1, valve.P2).Case()
		}},
		{Name: "the lesions may not be all", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Plan().Resect("s1", repair.Triangular, valve.P1).Case()
		}},
	},
}
