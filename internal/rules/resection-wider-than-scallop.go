package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var resectionWiderThanScallop = Rule{
	ID: "resection-wider-than-scallop", Reference: "R14",
	Summary:  "A resection is not wider than the scallops it spans, free edge against free edge and base against base, by more than 2 mm and 2 combined standard deviations; one method and load.",
	Severity: Caution, Kind: Arithmetic, Source: settings.SourceArithmetic,
	Thresholds: []string{settings.HeightMargin, settings.MarginSDs},
	Advice:     "Correct the width of the resection or of the scallop, or name every segment it spans.",
	Since:      "1",
	Where: func(c *repair.Case) []metric.At {
		return slices.DeleteFunc(resectionsWith(valve.ResectionFreeEdgeWidth, valve.ResectionBaseWidth)(c), func(here metric.At) bool {
			return slices.ContainsFunc(stepsAt(c, here.Occasion), func(s repair.Step) bool {
				return s.ID == here.Place.Step() && (!onPosterior(s) || len(segmentsOf(s)) == 0)
			})
		})
	},
	Check: func(r *Reader) Verdict {
		var verdict Verdict
		judged := false
		for _, pair := range []struct {
			cut, scallop valve.ID
			edge         string
		}{
			{valve.ResectionFreeEdgeWidth, valve.ScallopFreeEdgeWidth, "free edge"},
			{valve.ResectionBaseWidth, valve.ScallopAnnularWidth, "base"},
		} {
			cut := r.Here(pair.cut)
			if !r.Has(cut) {
				continue
			}
			keys, usable, width := []valve.Key{cut}, true, 0.0
			for _, segment := range segmentsOf(r.Step()) {
				k := native(r.Case(), r.At().Occasion, pair.scallop, valve.AtSegment(segment))
				keys = append(keys, k)
				usable = usable && r.Has(k)
			}
			if !usable {
				continue
			}
			judged = true
			for _, k := range keys[1:] {
				width += r.Read(k)
				usable = usable && r.MayCompare(cut, k)
			}
			over := r.Read(cut) - width
			if usable && r.Greater(units.Round(over, lengthGrid), r.Margin(settings.HeightMargin, keys...)) && !verdict.Broken {
				verdict = broken("A resection %s wide along the %s does not fit into %s of scallop.", r.Text(cut), pair.edge, millimetres(width))
			}
		}
		if !judged {
			for _, segment := range segmentsOf(r.Step()) {
				r.Read(native(r.Case(), r.At().Occasion, valve.ScallopFreeEdgeWidth, valve.AtSegment(segment)))
			}
		}
		return verdict
	},
	Examples: []Example{
		{Name: "15 of 28 mm", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").SetAt(valve.ScallopFreeEdgeWidth, valve.AtSegment(valve.P2), 28).
				Plan().Resect("s1", repair.Triangular, valve.P2).Dim(valve.ResectionFreeEdgeWidth, 15).Case()
		}},
		{Name: "40 of 28 mm", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").SetAt(valve.ScallopFreeEdgeWidth, valve.AtSegment(valve.P2), 28).
				Plan().Resect("s1", repair.Triangular, valve.P2).Dim(valve.ResectionFreeEdgeWidth, 40).Case()
		}},
		{Name: "40 mm over two scallops", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").SetAt(valve.ScallopFreeEdgeWidth, valve.AtSegment(valve.P2), 28).
				SetAt(valve.ScallopFreeEdgeWidth, valve.AtSegment(valve.P3), 15).
				Plan().Resect("s1", repair.Triangular, valve.P2, valve.P3).Dim(valve.ResectionFreeEdgeWidth, 40).Case()
		}},
		{Name: "2 mm over exactly, well measured", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("field").SetAt(valve.ScallopAnnularWidth, valve.AtSegment(valve.P2), 20).SD(0.5).
				Operation().Resect("o1", repair.Quadrangular, valve.P2).Dim(valve.ResectionBaseWidth, 22).SD(0.5).Case()
		}},
		{Name: "the scallop is not recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Plan().Resect("s1", repair.Triangular, valve.P2).Dim(valve.ResectionFreeEdgeWidth, 15).Case()
		}},
		{Name: "the anterior leaflet has no scallops", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Plan().Resect("s1", repair.Triangular, valve.A2).Dim(valve.ResectionFreeEdgeWidth, 10).Case()
		}},
	},
}
