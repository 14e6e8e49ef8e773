package rules

import (
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var heightRemovedNotBelowHeight = Rule{
	ID: "height-removed-not-below-height", Reference: "R09",
	Summary:  "The height taken off a segment is less than the height the segment had, by the assessment for a planned step and by the field for a performed one.",
	Severity: Contradiction, Kind: Arithmetic, Source: settings.SourceArithmetic,
	Advice: "Correct the height that is taken off or the native height; a unit may have slipped.",
	Since:  "1",
	Where:  stepPlaces(repair.HeightReduction, func(repair.Step) bool { return true }),
	Check: func(r *Reader) Verdict {
		here := r.At().Occasion
		removed := r.Here(valve.HeightRemoved)
		segments := segmentsOf(r.Step())
		if len(segments) == 0 {
			r.MissFact("segments of "+string(r.At().Place), here)
		}
		verdict := Verdict{}
		for _, segment := range segments {
			place := valve.AtStation(segment, valve.SegmentMid)
			height := native(r.Case(), here, valve.LeafletHeight, place)
			if here != valve.AtPlan {
				height = fieldNative(r.Case(), place)
			}
			if !r.AtLeast(r.Read(removed), r.Read(height)) || !r.MayCompare(removed, height) || verdict.Broken {
				continue
			}
			verdict = broken("%s is taken off %s, which is %s high.", r.Text(removed), segmentName(segment), r.Text(height))
			verdict.Disputes = within(here.Section(), removed, height)
		}
		return verdict
	},
	Examples: []Example{
		{Name: "6 of 22 mm", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 22).
				Plan().Step("s1", repair.HeightReduction, valve.P2).Dim(valve.HeightRemoved, 6).Case()
		}},
		{Name: "more than there is", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 12).
				Plan().Step("s1", repair.HeightReduction, valve.P2).Dim(valve.HeightRemoved, 15).Case()
		}},
		{Name: "all of it: nothing is left", Edge: true, Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Field(1, valve.Native).Method(valve.Ruler).Height(valve.P2, 12).
				Operation().Step("o1", repair.HeightReduction, valve.P2).Dim(valve.HeightRemoved, 12).Case()
		}},
		{Name: "a ruler's height judges no removal that was planned on the echo", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Method(valve.Ruler).Height(valve.P2, 12).
				Plan().Step("s1", repair.HeightReduction, valve.P2).Method(valve.Echo3D).Dim(valve.HeightRemoved, 15).Case()
		}},
		{Name: "of two segments the second is taken off whole", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 22).Height(valve.P3, 12).
				Plan().Step("s1", repair.HeightReduction, valve.P2, valve.P3).Dim(valve.HeightRemoved, 15).Case()
		}},
		{Name: "the echo's height does not judge what was measured in the field", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Height(valve.P2, 12).
				Operation().Step("o1", repair.HeightReduction, valve.P2).Dim(valve.HeightRemoved, 15).Case()
		}},
	},
}
