package rules

import (
	"slices"
	"strings"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var edgeToEdgeWithoutProlapse = Rule{
	ID: "edge-to-edge-without-prolapse", Reference: "R69",
	Summary:  "An edge-to-edge suture is done where an assessment saw prolapse or excess tissue, or against systolic anterior motion.",
	Severity: Note, Kind: Clinical, Source: settings.SourceCommonPractice,
	Advice: "Record the lesion that it answers.",
	Since:  "2",
	Where:  stepPlaces(repair.EdgeToEdge, func(repair.Step) bool { return true }),
	Check: func(r *Reader) Verdict {
		step := r.Step()
		slice, known := r.Word("slice", string(step.Slice), r.At().Occasion)
		moved := slices.ContainsFunc(r.Case().Studies, func(s repair.Study) bool { return s.AnteriorMotion != "" && s.AnteriorMotion != motionNone })
		if !known || moved || len(step.LesionIDs) > 0 {
			return Verdict{}
		}
		anterior, posterior := step.Slice.Segments()
		if prolapseSeen(r.Case(), repair.Location{Segment: anterior}) || prolapseSeen(r.Case(), repair.Location{Segment: posterior}) || !r.LesionsKnown() {
			return Verdict{}
		}
		return broken("An edge-to-edge suture at %s is recorded, where no assessment saw prolapse or excess tissue.", strings.ToUpper(strings.ReplaceAll(slice, "_", "-")))
	},
	Examples: []Example{
		{Name: "prolapse of A2", Want: Holds, Case: func() *repair.Case { return exampleEdgeAt(valve.A2, valve.A2P2).Case() }},
		{Name: "prolapse of P3, the suture in the middle", Want: Broken, Case: func() *repair.Case { return exampleEdgeAt(valve.P3, valve.A2P2).Case() }},
		{Name: "against systolic anterior motion", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleEdgeAt(valve.P3, valve.A2P2).Result("off", 1, valve.OffBypass).
				EditStudy(func(s *repair.Study) { s.AnteriorMotion = "leaflet_with_obstruction" }).Case()
		}},
		{Name: "slice not recorded", Want: NotEvaluable, Case: func() *repair.Case { return exampleEdgeAt(valve.P3, "").Case() }},
	},
}

func exampleEdgeAt(prolapse valve.Segment, slice valve.Slice) *repair.Example {
	return exampleProlapse(prolapse).Operation().Step("o1", repair.EdgeToEdge).EditStep(func(s *repair.Step) { s.Slice = slice })
}
