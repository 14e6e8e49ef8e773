package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var strandsFewerThanPairs = Rule{
	ID: "strands-fewer-than-pairs", Reference: "R20",
	Summary:  "Artificial chords have at least as many strands in all as pairs or loops.",
	Severity: Contradiction, Kind: Arithmetic, Source: settings.SourceArithmetic,
	Advice: "Correct one of the two counts.",
	Since:  "2",
	Where: stepPlaces(repair.ArtificialChord, func(s repair.Step) bool {
		return s.Chords != nil && (s.Chords.PairCount.IsSome() || s.Chords.StrandCount.IsSome())
	}),
	Check: func(r *Reader) Verdict {
		chords := r.Step().Chords
		pairs, both := r.Count("pair_count", chords.PairCount, r.At().Occasion)
		strands, known := r.Count("strand_count", chords.StrandCount, r.At().Occasion)
		if !both || !known || strands >= pairs {
			return Verdict{}
		}
		v := broken("%d pairs of artificial chords cannot have only %d strands.", pairs, strands)
		v.Sections = []string{r.At().Occasion.Section()}
		return v
	},
	Examples: []Example{
		{Name: "two pairs, four strands", Want: Holds, Case: func() *repair.Case { return exampleStrands(2, 4) }},
		{Name: "four pairs, two strands", Want: Broken, Case: func() *repair.Case { return exampleStrands(4, 2) }},
		{Name: "as many as pairs", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleStrands(2, 2) }},
		{Name: "strands not recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Step("o1", repair.ArtificialChord, valve.P2).
				EditStep(func(s *repair.Step) { s.Chords.PairCount = units.Some(2) }).Case()
		}},
	},
}

func exampleStrands(pairs, strands int) *repair.Case {
	return repair.NewExample().Operation().Step("o1", repair.ArtificialChord, valve.P2).
		EditStep(func(s *repair.Step) {
			s.Chords.PairCount, s.Chords.StrandCount = units.Some(pairs), units.Some(strands)
		}).Case()
}
