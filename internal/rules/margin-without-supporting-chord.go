package rules

import (
	"slices"
	"strings"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var marginWithoutSupportingChord = Rule{
	ID: "margin-without-supporting-chord", Reference: "",
	Summary:  "Each margin of a resection keeps a supporting chord, or one is added there.",
	Severity: Caution, Kind: Clinical, Source: settings.SourceCommonPractice,
	Advice: "Add an artificial chord at this margin or transfer one; an unsupported margin prolapses.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		if c.Operation == nil || c.Operation.Converted() {
			return nil
		}
		var list []metric.At
		for _, s := range repair.Of(stepsAt(c, valve.AtOperation), repair.LeafletResection) {
			for _, side := range []valve.Side{valve.Lateral, valve.Medial} {
				here := at(valve.AtOperation)
				here.Place = valve.AtStepSide(s.ID, side)
				list = append(list, here)
			}
		}
		return list
	},
	Check: func(r *Reader) Verdict {
		o := r.Case().Operation
		step := r.Step()
		segments := segmentsOf(step)
		kept, listed := 0, false
		for _, m := range o.MarginChords {
			if m.StepID != step.ID || valve.AtStepSide(step.ID, m.Side) != r.At().Place {
				continue
			}
			n, known := r.Count("chords kept", m.Count, valve.AtOperation)
			if !known {
				return Verdict{}
			}
			listed = true
			kept += n
			if m.Segment != "" {
				segments = []valve.Segment{m.Segment}
			}
		}
		if !listed && !r.Complete("margin_chords_recorded", o.MarginChordsRecorded, valve.AtOperation) {
			return Verdict{}
		}
		if kept > 0 || chordAdded(o.Steps, segments) || !r.Complete("steps_recorded", o.StepsRecorded, valve.AtOperation) {
			return Verdict{}
		}
		side, _, _ := strings.Cut(string(r.At().Place[len(valve.AtStep(step.ID))+1:]), "_")
		return broken("The %s margin of a resection keeps no supporting chord, and none is added.", side)
	},
	Examples: []Example{
		{Name: "a chord kept on each side", Want: Holds, Case: func() *repair.Case {
			return exampleMargins(1, 2).Case()
		}},
		{Name: "none on the medial side", Want: Broken, Case: func() *repair.Case {
			return exampleMargins(1, 0).Case()
		}},
		{Name: "none kept, artificial chords added", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleMargins(0, 0).Step("o2", repair.ArtificialChord, valve.P2).Case()
		}},
		{Name: "the list is complete and names no margin", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Resect("o1", repair.Triangular, valve.P2).
				EditOperation(func(o *repair.Operation) { o.MarginChordsRecorded = valve.Complete }).Case()
		}},
		{Name: "margins not recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Resect("o1", repair.Triangular, valve.P2).Case()
		}},
	},
}

// chordAdded says whether a chord was added to one of the segments and is in
// place at the end.
func chordAdded(steps []repair.Step, segments []valve.Segment) bool {
	return slices.ContainsFunc(repair.InPlaceAtEnd(steps), func(s repair.Step) bool {
		return (s.Technique == repair.ArtificialChord || s.Technique == repair.ChordTransfer) && slices.ContainsFunc(segments, s.At)
	})
}

func exampleMargins(lateral, medial int) *repair.Example {
	return repair.NewExample().Operation().Resect("o1", repair.Triangular, valve.P2).EditOperation(func(o *repair.Operation) {
		o.MarginChords = []repair.MarginChords{
			{StepID: "o1", Side: valve.Lateral, Count: units.Some(lateral)},
			{StepID: "o1", Side: valve.Medial, Count: units.Some(medial)},
		}
		o.MarginChordsRecorded = valve.Complete
	})
}
