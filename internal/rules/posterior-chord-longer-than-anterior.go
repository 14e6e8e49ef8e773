package rules

import (
	"slices"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var posteriorChordLongerThanAnterior = Rule{
	ID: "posterior-chord-longer-than-anterior", Reference: "R22",
	Summary:  "The longest artificial chord of P2 is not longer than the longest of A2.",
	Severity: Note, Kind: Clinical, Source: settings.SourceChordLength,
	Thresholds: []string{settings.PosteriorChordLonger},
	Advice:     "Check both lengths and the segments; chords of the posterior leaflet usually are the shorter ones.",
	Since:      "2",
	Where: setPlaces(func(steps []repair.Step) bool {
		return len(chordsOf(steps, valve.A2)) > 0 && len(chordsOf(steps, valve.P2)) > 0
	}),
	Check: func(r *Reader) Verdict {
		steps := firmSteps(r.Case(), r.At().Occasion)
		longest := func(s valve.Segment) float64 {
			length := 0.0
			for _, step := range chordsOf(steps, s) {
				for _, key := range chordLengths(r, step.ID) {
					if v := r.Read(key); r.Greater(v, length) {
						length = v
					}
				}
			}
			return length
		}
		anterior, posterior := longest(valve.A2), longest(valve.P2)
		if !r.Beyond(units.Round(posterior-anterior, lengthGrid), settings.PosteriorChordLonger) {
			return Verdict{}
		}
		return broken("Artificial chords of P2 are %s long, those of A2 only %s.", millimetres(posterior), millimetres(anterior))
	},
	Examples: []Example{
		{Name: "14 against 23 mm", Want: Holds, Case: func() *repair.Case { return exampleChords(23, 14) }},
		{Name: "25 against 14 mm", Want: Broken, Case: func() *repair.Case { return exampleChords(14, 25) }},
		{Name: "as long", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleChords(20, 20) }},
		{Name: "5 mm longer exactly", Want: Broken, Case: func() *repair.Case { return exampleChords(15, 20) }},
		{Name: "the longest of two lengths in a step, 22 against 14 mm", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Step("o1", repair.ArtificialChord, valve.A2).Dim(valve.ArtificialChordLength, 14).
				Step("o2", repair.ArtificialChord, valve.P2).
				SetAt(valve.ArtificialChordLength, valve.Within("o2", valve.AtSegmentSide(valve.P2, valve.Lateral)), 15).
				SetAt(valve.ArtificialChordLength, valve.Within("o2", valve.AtSegmentSide(valve.P2, valve.Medial)), 22).Case()
		}},
		{Name: "no length at A2", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Step("o1", repair.ArtificialChord, valve.A2).
				Step("o2", repair.ArtificialChord, valve.P2).Dim(valve.ArtificialChordLength, 14).Case()
		}},
	},
}

// chordLengths gives where the lengths of a step's artificial chords stand: each at
// its place, or the one of the whole step.
func chordLengths(r *Reader, stepID string) []valve.Key {
	var keys []valve.Key
	for _, p := range valve.WithinSteps() {
		if key := r.Beside(valve.ArtificialChordLength, valve.Within(stepID, p)); r.Has(key) {
			keys = append(keys, key)
		}
	}
	if whole := r.Beside(valve.ArtificialChordLength, valve.AtStep(stepID)); len(keys) == 0 || r.Has(whole) {
		keys = append(keys, whole)
	}
	return keys
}

// chordsOf gives the artificial chords that go to one segment alone.
func chordsOf(steps []repair.Step, segment valve.Segment) []repair.Step {
	return slices.DeleteFunc(repair.Of(steps, repair.ArtificialChord), func(s repair.Step) bool {
		return len(s.Places) != 1 || s.Places[0].Segment != segment
	})
}

func exampleChords(anterior, posterior float64) *repair.Case {
	return repair.NewExample().Operation().Step("o1", repair.ArtificialChord, valve.A2).Dim(valve.ArtificialChordLength, anterior).
		Step("o2", repair.ArtificialChord, valve.P2).Dim(valve.ArtificialChordLength, posterior).Case()
}
