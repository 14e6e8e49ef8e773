package rules

import (
	"slices"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var chordWithoutProlapse = Rule{
	ID: "chord-without-prolapse", Reference: "R19",
	Summary:  "Artificial chords go to a place that an assessment saw prolapse, billow or with excess tissue, or to the margin of a resection.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Advice: "Record the prolapse, or check the segment.",
	Since:  "2",
	Where:  stepPlaces(repair.ArtificialChord, func(s repair.Step) bool { return len(s.Places) > 0 }),
	Check: func(r *Reader) Verdict {
		step := r.Step()
		resected := repair.Of(stepsAt(r.Case(), r.At().Occasion), repair.LeafletResection)
		fits := slices.ContainsFunc(step.Places, func(l repair.Location) bool {
			return prolapseSeen(r.Case(), l) || slices.ContainsFunc(resected, func(s repair.Step) bool { return besides(s, l) })
		})
		if fits || len(step.LesionIDs) > 0 || !r.LesionsKnown() {
			return Verdict{}
		}
		return broken("Artificial chords go to %s, where no assessment saw prolapse or excess tissue.", names(step.Places))
	},
	Examples: []Example{
		{Name: "to the prolapsing A2", Want: Holds, Case: func() *repair.Case {
			return exampleProlapse(valve.A2).Plan().Step("s1", repair.ArtificialChord, valve.A2).Case()
		}},
		{Name: "P2 prolapses, the chords go to A2", Want: Broken, Case: func() *repair.Case {
			return exampleProlapse(valve.P2).Plan().Step("s1", repair.ArtificialChord, valve.A2).Case()
		}},
		{Name: "to P3 beside a resection of P2: they support its margin", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleProlapse(valve.P2).Plan().Resect("s1", repair.Triangular, valve.P2).Step("s2", repair.ArtificialChord, valve.P3).Case()
		}},
		{Name: "the lesions may not be all", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Plan().Step("s1", repair.ArtificialChord, valve.A2).Case()
		}},
	},
}

// besides says whether a place is one of a step's segments or a neighbour of it.
func besides(s repair.Step, l repair.Location) bool {
	return slices.ContainsFunc(segmentsOf(s), func(seg valve.Segment) bool {
		apart := seg.Index() - l.Segment.Index()
		return l.Segment != "" && seg.Leaflet() == l.Segment.Leaflet() && apart >= -1 && apart <= 1
	})
}
