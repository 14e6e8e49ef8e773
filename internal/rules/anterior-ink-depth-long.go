package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var anteriorInkDepthLong = Rule{
	ID: "anterior-ink-depth-long", Reference: "R44",
	Summary:  "On an ink test not more than 10 mm of A2 lie beyond the line.",
	Severity: Note, Kind: Clinical, Source: settings.SourceTechniqueAtlas,
	Thresholds: []string{settings.AnteriorInkDepthLong},
	Advice:     "Look for systolic anterior motion off bypass, provoked too.",
	Since:      "2",
	Where:      keyPlaces(valve.InkDepthBeyondLine, atMark(valve.A2)),
	Check: func(r *Reader) Verdict {
		depth := r.Here(valve.InkDepthBeyondLine)
		if !r.Beyond(r.Read(depth), settings.AnteriorInkDepthLong) {
			return Verdict{}
		}
		return broken("%s of A2 lie beyond the ink line, more than %s.", r.Text(depth), r.LimitText(settings.AnteriorInkDepthLong))
	},
	Examples: []Example{
		{Name: "8 mm", Want: Holds, Case: func() *repair.Case { return exampleInk(valve.A2, 8) }},
		{Name: "14 mm", Want: Broken, Case: func() *repair.Case { return exampleInk(valve.A2, 14) }},
		{Name: "10 mm exactly", Edge: true, Want: Holds, Case: func() *repair.Case { return exampleInk(valve.A2, 10) }},
		{Name: "not possible to read", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Field(1, valve.AfterRing).
				Absent(valve.InkDepthBeyondLine, valve.AtTestSegment("t1", valve.A2), valve.AbsentNotPossible).Case()
		}},
	},
}
