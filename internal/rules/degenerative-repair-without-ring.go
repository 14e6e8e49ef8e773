package rules

import (
	"slices"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var degenerativeRepairWithoutRing = Rule{
	ID: "degenerative-repair-without-ring", Reference: "R33",
	Summary:  "A repair for degenerative disease has a ring or band, or a reason why it was taken down.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Advice: "Record the ring or band; without one regurgitation returns more often.",
	Since:  "2",
	Where:  setPlaces(func(steps []repair.Step) bool { return len(steps) > 0 }),
	Check: func(r *Reader) Verdict {
		here := r.At().Occasion
		all := stepsAt(r.Case(), here)
		if here == valve.AtOperation {
			all = r.Case().Operation.Steps
		}
		for _, s := range repair.Of(all, repair.Annuloplasty) {
			if s.Done() || s.Reason != "" {
				return Verdict{}
			}
		}
		aetiology := ""
		if r.Case().Plan != nil {
			aetiology = r.Case().Plan.Aetiology
		}
		word, known := r.Word("aetiology", aetiology, valve.AtPlan)
		if !known || !slices.Contains(degenerative, word) || !r.Complete("steps_recorded", stepsRecorded(r.Case(), here), here) {
			return Verdict{}
		}
		return broken("The disease is degenerative, and no ring or band is recorded.")
	},
	Examples: []Example{
		{Name: "with a band", Want: Holds, Case: func() *repair.Case {
			return exampleAetiology("myxomatous").Plan().Resect("s1", repair.Triangular, valve.P2).Device("s2", repair.PosteriorBand).Case()
		}},
		{Name: "without", Want: Broken, Case: func() *repair.Case {
			return exampleAetiology("myxomatous").Plan().Resect("s1", repair.Triangular, valve.P2).Case()
		}},
		{Name: "taken down for a reason", Edge: true, Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Device("o1", repair.CompleteRing).EditStep(func(s *repair.Step) {
				s.Fate, s.TakenDownInRun, s.Reason = repair.TakenDown, 2, "anatomy"
			}).Case()
		}},
		{Name: "taken down for a reason, chords stay", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleAetiology("myxomatous").Operation().Step("o1", repair.ArtificialChord, valve.P2).Device("o2", repair.CompleteRing).
				EditStep(func(s *repair.Step) { s.Fate, s.TakenDownInRun, s.Reason = repair.TakenDown, 2, "anatomy" }).Case()
		}},
		{Name: "disease not recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Plan().Resect("s1", repair.Triangular, valve.P2).Case()
		}},
	},
}

// degenerative are the aetiologies of degenerative disease.
var degenerative = []string{"fibroelastic_deficiency", "myxomatous", "degenerative_intermediate"}

// exampleAetiology gives a plan, still without steps, for a disease.
func exampleAetiology(word string) *repair.Example {
	return repair.NewExample().Plan().Edit(func(c *repair.Case) { c.Plan.Aetiology = word })
}
