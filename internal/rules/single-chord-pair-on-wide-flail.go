package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var singleChordPairOnWideFlail = Rule{
	ID: "single-chord-pair-on-wide-flail", Reference: "R23",
	Summary:  "A flail part wider than 4 mm that is not resected gets two pairs of artificial chords or more.",
	Severity: Note, Kind: Clinical, Source: settings.SourceSurgeryTextbook,
	Thresholds: []string{settings.FlailWide},
	Advice:     "Consider a second pair: one chord every 4 mm supports a free edge.",
	Since:      "2",
	Where: func(c *repair.Case) []metric.At {
		return slices.DeleteFunc(stepPlaces(repair.ArtificialChord, func(s repair.Step) bool { return s.Chords != nil })(c), func(here metric.At) bool {
			for _, s := range stepsAt(c, here.Occasion) {
				if s.ID == here.Place.Step() {
					_, ok := flailUnder(c, s, stepsAt(c, here.Occasion))
					return !ok
				}
			}
			return true
		})
	},
	Check: func(r *Reader) Verdict {
		steps := stepsAt(r.Case(), r.At().Occasion)
		step := r.Step()
		width, _ := flailUnder(r.Case(), step, steps)
		if !r.Beyond(r.Read(width), settings.FlailWide) {
			return Verdict{}
		}
		pairs := 0
		for _, s := range repair.Of(steps, repair.ArtificialChord) {
			if s.Chords == nil || !slices.ContainsFunc(s.Places, func(l repair.Location) bool { return slices.Contains(step.Places, l) }) {
				continue
			}
			n, known := r.Count("pair_count", s.Chords.PairCount, r.At().Occasion)
			if !known {
				return Verdict{}
			}
			pairs += n
		}
		if pairs != 1 {
			return Verdict{}
		}
		return broken("A flail part %s wide at %s is held by one pair of artificial chords.", r.Text(width), names(step.Places))
	},
	Examples: []Example{
		{Name: "two pairs for 9 mm", Want: Holds, Case: func() *repair.Case { return exampleFlail(9, units.Some(2)) }},
		{Name: "one pair for 9 mm", Want: Broken, Case: func() *repair.Case { return exampleFlail(9, units.Some(1)) }},
		{Name: "one pair for 4 mm exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleFlail(4, units.Some(1)) }},
		{Name: "one pair for 5 mm exactly", Want: Broken, Case: func() *repair.Case { return exampleFlail(5, units.Some(1)) }},
		{Name: "pairs not counted", Want: NotEvaluable, Case: func() *repair.Case { return exampleFlail(9, units.None[int]()) }},
	},
}

// flailUnder gives the width of a flail part at a place that a step goes to and
// that no step resects, as the newest assessment that has it.
func flailUnder(c *repair.Case, step repair.Step, steps []repair.Step) (width valve.Key, ok bool) {
	for _, s := range newest(c) {
		for _, l := range s.Lesions {
			k := valve.Key{ID: valve.FlailWidth, Place: valve.AtLesion(l.ID), Occasion: s.Occasion, Role: valve.Measured}
			resected := slices.ContainsFunc(repair.Of(steps, repair.LeafletResection), func(other repair.Step) bool { return slices.Contains(other.Places, l.Where) })
			if l.Flail == valve.Yes && has(c, k) && slices.Contains(step.Places, l.Where) && !resected {
				return k, true
			}
		}
	}
	return valve.Key{}, false
}

func exampleFlail(width float64, pairs units.Maybe[int]) *repair.Case {
	return exampleProlapse(valve.P2).SetAt(valve.FlailWidth, valve.AtLesion("l1"), width).
		Plan().Step("s1", repair.ArtificialChord, valve.P2).EditStep(func(s *repair.Step) { s.Chords.PairCount = pairs }).Case()
}
