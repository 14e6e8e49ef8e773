package rules

import (
	"strings"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var inkDepthShort = Rule{
	ID: "ink-depth-short", Reference: "R43",
	Summary:  "On an ink test at least 4 mm of A2 and of P2 lie beyond the line.",
	Severity: Note, Kind: Clinical, Source: settings.SourceTechniqueAtlas,
	Thresholds: []string{settings.InkDepthShort},
	Advice:     "Compare with the coaptation length by echo; restrictive chords, the ring's size or a cleft may hold the edge back.",
	Since:      "2",
	Where:      keyPlaces(valve.InkDepthBeyondLine, atMark(valve.A2, valve.P2)),
	Check: func(r *Reader) Verdict {
		depth := r.Here(valve.InkDepthBeyondLine)
		if !r.Below(r.Read(depth), settings.InkDepthShort) {
			return Verdict{}
		}
		return broken("Only %s of %s lie beyond the ink line, less than %s.", r.Text(depth), markName(r.At().Place), r.LimitText(settings.InkDepthShort))
	},
	Examples: []Example{
		{Name: "8 mm at P2", Want: Holds, Case: func() *repair.Case { return exampleInk(valve.P2, 8) }},
		{Name: "3 mm at P2", Want: Broken, Case: func() *repair.Case { return exampleInk(valve.P2, 3) }},
		{Name: "4 mm exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleInk(valve.A2, 4) }},
		{Name: "6 mm exactly", Want: Holds, Case: func() *repair.Case { return exampleInk(valve.A2, 6) }},
		{Name: "a side segment is not judged by this limit", Want: Inapplicable, Case: func() *repair.Case { return exampleInk(valve.P3, 3) }},
		{Name: "not possible to read", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Field(1, valve.AfterRing).
				Absent(valve.InkDepthBeyondLine, valve.AtTestSegment("t1", valve.P2), valve.AbsentNotPossible).Case()
		}},
	},
}

// markName prints the segment of an ink mark.
func markName(p valve.Place) string {
	_, segment, _ := strings.Cut(string(p), "/")
	return segmentName(valve.Segment(segment))
}

func exampleInk(at valve.Segment, depth float64) *repair.Case {
	return repair.NewExample().Field(1, valve.AfterRing).SetAt(valve.InkDepthBeyondLine, valve.AtTestSegment("t1", at), depth).Case()
}
