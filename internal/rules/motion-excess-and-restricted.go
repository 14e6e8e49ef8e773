package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var motionExcessAndRestricted = Rule{
	ID: "motion-excess-and-restricted", Reference: "R02",
	Summary:  "One place is not recorded in one assessment both with excess (type II) and with restricted motion (type III).",
	Severity: Note, Kind: Definition, Source: settings.SourceArithmetic,
	Advice: "Say which part moves too much and which too little; a mixed lesion is better told by two places.",
	Since:  "2",
	Where:  motionPlaces,
	Check: func(r *Reader) Verdict {
		types, known := r.MotionHere()
		excess := slices.Contains(types, excessMotion)
		restricted := slices.ContainsFunc(types, func(t string) bool { return t == "iiia" || t == "iiib" })
		if !known || !excess || !restricted {
			return Verdict{}
		}
		return broken("%s is recorded both with excess and with restricted motion.", upperFirst(name(motionAt(r))))
	},
	Examples: []Example{
		{Name: "type II at P2", Want: Holds, Case: func() *repair.Case {
			return exampleMotion(repair.Location{Segment: valve.P2}, "ii")
		}},
		{Name: "type II and type IIIb at P2", Want: Broken, Case: func() *repair.Case {
			return exampleMotion(repair.Location{Segment: valve.P2}, "ii", "iiib")
		}},
		{Name: "the same type twice", Edge: true, Want: Holds, Case: func() *repair.Case {
			return exampleMotion(repair.Location{Segment: valve.P2}, "ii", "ii")
		}},
		{Name: "a motion without type", Want: NotEvaluable, Case: func() *repair.Case {
			return exampleMotion(repair.Location{Segment: valve.P2}, "ii", "")
		}},
	},
}

// motionPlaces gives the places for which an assessment records motion, once each.
func motionPlaces(c *repair.Case) []metric.At {
	var list []metric.At
	for _, s := range beforeOperation(c) {
		for _, d := range s.Dysfunctions {
			here := atStudy(&s)
			here.Place = d.Where.Place()
			if here.Place != valve.Nowhere && !slices.Contains(list, here) {
				list = append(list, here)
			}
		}
	}
	return list
}

// motionAt gives the location that is judged.
func motionAt(r *Reader) repair.Location {
	for _, d := range r.Study().Dysfunctions {
		if d.Where.Place() == r.At().Place {
			return d.Where
		}
	}
	return repair.Location{}
}

// MotionHere gives the types of motion recorded at the place that is judged, and
// records them, or that one is missing.
func (r *Reader) MotionHere() (types []string, known bool) {
	known = true
	for _, d := range r.Study().Dysfunctions {
		if d.Where.Place() != r.At().Place {
			continue
		}
		word, ok := r.Word("type of motion", d.Type, r.At().Occasion)
		known = known && ok
		types = append(types, word)
	}
	return types, known
}
