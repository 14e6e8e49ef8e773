package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var prolapseWithoutPlace = Rule{
	ID: "prolapse-without-place", Reference: "R03",
	Summary:  "An assessment that records excess leaflet motion (type II) names a segment, a boundary or a commissure where it is.",
	Severity: Note, Kind: Completeness, Source: settings.SourceCommonPractice,
	Advice: "Name the segments.",
	Since:  "2",
	Where: func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool {
			return s.Kind == repair.Assessment && slices.ContainsFunc(s.Dysfunctions, func(d repair.Dysfunction) bool { return d.Type == excessMotion })
		})
	},
	Check: func(r *Reader) Verdict {
		s := r.Study()
		placed := slices.ContainsFunc(s.Dysfunctions, func(d repair.Dysfunction) bool { return d.Type == excessMotion && isPlaced(d.Where) }) ||
			slices.ContainsFunc(s.Lesions, func(l repair.Lesion) bool { return prolapses(l) && isPlaced(l.Where) })
		if placed {
			return Verdict{}
		}
		r.Fact("motion", "type II")
		return broken("Excess leaflet motion is recorded, and no segment is named.")
	},
	Examples: []Example{
		{Name: "at P2", Want: Holds, Case: func() *repair.Case {
			return exampleMotion(repair.Location{Segment: valve.P2}, "ii")
		}},
		{Name: "the posterior leaflet, no more", Want: Broken, Case: func() *repair.Case {
			return exampleMotion(repair.Location{Leaflet: valve.Posterior}, "ii")
		}},
		{Name: "a commissure is a place", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleMotion(repair.Location{Commissure: valve.MedialCommissure}, "ii")
		}},
		{Name: "no motion recorded", Want: Inapplicable, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").Case()
		}},
	},
}

// exampleMotion gives a case with motions at one place.
func exampleMotion(at repair.Location, types ...string) *repair.Case {
	return repair.NewExample().Assess("tee").EditStudy(func(s *repair.Study) {
		for _, t := range types {
			s.Dysfunctions = append(s.Dysfunctions, repair.Dysfunction{Where: at, Type: t})
		}
	}).Case()
}
