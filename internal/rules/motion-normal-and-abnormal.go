package rules

import (
	"slices"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var motionNormalAndAbnormal = Rule{
	ID: "motion-normal-and-abnormal", Reference: "R02",
	Summary:  "One place is not recorded in one assessment both with normal motion (type I) and with another type.",
	Severity: Contradiction, Kind: Definition, Source: settings.SourceArithmetic,
	Advice: "Keep the one that was seen.",
	Since:  "2",
	Where:  motionPlaces,
	Check: func(r *Reader) Verdict {
		types, known := r.MotionHere()
		abnormal := slices.ContainsFunc(types, func(t string) bool { return t != normalMotion })
		if !known || !abnormal || !slices.Contains(types, normalMotion) {
			return Verdict{}
		}
		v := broken("%s is recorded both with normal and with abnormal motion.", upperFirst(name(motionAt(r))))
		v.Sections = []string{r.At().Occasion.Section()}
		return v
	},
	Examples: []Example{
		{Name: "type I at P1", Want: Holds, Case: func() *repair.Case {
			return exampleMotion(repair.Location{Segment: valve.P1}, "i")
		}},
		{Name: "types I and II at P2", Want: Broken, Case: func() *repair.Case {
			return exampleMotion(repair.Location{Segment: valve.P2}, "i", "ii")
		}},
		{Name: "the leaflet normal, one of its segments not: two places", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().Assess("tee").EditStudy(func(s *repair.Study) {
				s.Dysfunctions = []repair.Dysfunction{
					{Where: repair.Location{Leaflet: valve.Posterior}, Type: "i"}, {Where: repair.Location{Segment: valve.P2}, Type: "ii"},
				}
			}).Case()
		}},
		{Name: "a motion without type", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleMotion(repair.Location{Segment: valve.P2}, "i", "")
		}},
	},
}
