package rules

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/valve"
)

// Words of the contract that several rules compare with.
const (
	excessMotion  = "ii"
	normalMotion  = "i"
	leakNone      = "none"
	leakDiscrete  = "discrete"
	leakDiffuse   = "diffuse"
	motionNone    = "none"
	dysfunctional = "left_ventricular_dysfunction"
)

// prolapseKinds are the kinds of a lesion that let a leaflet prolapse; excessKinds
// those of too much tissue.
var (
	prolapseKinds = []string{"chord_rupture", "chord_elongation", "papillary_muscle"}
	excessKinds   = []string{"billowing", "excess_tissue"}
)

func hasAny(l repair.Lesion, kinds []string) bool { return slices.ContainsFunc(kinds, l.Has) }

// prolapses says whether a lesion lets its place prolapse.
func prolapses(l repair.Lesion) bool { return l.Flail == valve.Yes || hasAny(l, prolapseKinds) }

// isPlaced says whether a location names more than a leaflet.
func isPlaced(l repair.Location) bool {
	return l.Segment != "" || l.Boundary != "" || l.Commissure != ""
}

// covers says whether a location is the other or the whole leaflet that the other
// lies in.
func covers(l, other repair.Location) bool {
	return l == other || l.Leaflet != "" && l.Leaflet == other.Segment.Leaflet()
}

// beforeOperation gives the assessments.
func beforeOperation(c *repair.Case) []repair.Study { return c.OfKind(repair.Assessment) }

// prolapsing gives every place at which an assessment saw prolapse, flail or
// excess motion, in the order of the assessments, and the ids of the lesions.
func prolapsing(c *repair.Case) (where []repair.Location, lesionIDs map[repair.Location][]string) {
	lesionIDs = map[repair.Location][]string{}
	add := func(l repair.Location, id string) {
		if l == (repair.Location{}) {
			return
		}
		if !slices.Contains(where, l) {
			where = append(where, l)
		}
		if id != "" {
			lesionIDs[l] = append(lesionIDs[l], id)
		}
	}
	for _, s := range beforeOperation(c) {
		for _, l := range s.Lesions {
			if prolapses(l) {
				add(l.Where, l.ID)
			}
		}
		for _, d := range s.Dysfunctions {
			if d.Type == excessMotion {
				add(d.Where, "")
			}
		}
	}
	return where, lesionIDs
}

// Prolapsing gives the places at which an assessment saw prolapse or flail.
func Prolapsing(c *repair.Case) []repair.Location {
	where, _ := prolapsing(c)
	return where
}

// prolapseSeen says whether an assessment saw prolapse, or too much tissue, at a
// place.
func prolapseSeen(c *repair.Case, at repair.Location) bool {
	where, _ := prolapsing(c)
	return slices.ContainsFunc(where, func(l repair.Location) bool { return covers(l, at) }) || lesionSeen(c, at, func(l repair.Lesion) bool {
		return hasAny(l, excessKinds)
	})
}

// lesionSeen says whether an assessment saw an accepted lesion at a place.
func lesionSeen(c *repair.Case, at repair.Location, accept func(repair.Lesion) bool) bool {
	return slices.ContainsFunc(beforeOperation(c), func(s repair.Study) bool {
		return slices.ContainsFunc(s.Lesions, func(l repair.Lesion) bool { return covers(l.Where, at) && accept(l) })
	})
}

// LesionsKnown records that an assessment tells all lesions there were, or that
// none does.
func (r *Reader) LesionsKnown() bool {
	for _, s := range beforeOperation(r.Case()) {
		if s.LesionsRecorded == valve.Complete {
			r.Fact("lesions of "+string(s.Occasion), string(valve.Complete))
			return true
		}
	}
	section := valve.Occasion("assessment")
	if list := beforeOperation(r.Case()); len(list) > 0 {
		section = list[len(list)-1].Occasion
	}
	r.MissFact("lesions_recorded", section)
	return false
}

// name prints a location.
func name(l repair.Location) string {
	switch {
	case l.Segment != "":
		return segmentName(l.Segment)
	case l.Boundary != "":
		return strings.ToUpper(strings.ReplaceAll(string(l.Boundary), "_", "-"))
	case l.Commissure != "":
		return "the " + string(l.Commissure) + " commissure"
	case l.Leaflet != "":
		return "the " + string(l.Leaflet) + " leaflet"
	}
	return "no place"
}

func names(list []repair.Location) string {
	var text []string
	for _, l := range list {
		text = append(text, name(l))
	}
	return strings.Join(text, ", ")
}

// saline gives the saline tests that were done, in the order of run, stage and
// time.
func saline(c *repair.Case) []repair.Test {
	if c.Operation == nil {
		return nil
	}
	list := slices.DeleteFunc(slices.Clone(c.Operation.SalineTests), func(t repair.Test) bool { return t.Performed == valve.No })
	slices.SortStableFunc(list, func(a, b repair.Test) int {
		return cmp.Or(cmp.Compare(a.Run, b.Run), cmp.Compare(a.Stage.Rank(), b.Stage.Rank()), timeOrder(a.Time, b.Time))
	})
	return list
}

// timeOrder orders two times; one that is not recorded orders nothing.
func timeOrder(a, b time.Time) int {
	if a.IsZero() || b.IsZero() {
		return 0
	}
	return a.Compare(b)
}

// lastSaline gives the last saline test of a run.
func lastSaline(c *repair.Case, run int) (test repair.Test, ok bool) {
	for _, t := range saline(c) {
		if t.Run == run {
			test, ok = t, true
		}
	}
	return test, ok
}

// keyPlaces gives each key of a leaf that is accepted as a place, whether it has
// a value or the reason why there is none.
func keyPlaces(leaf valve.ID, accept func(valve.Place) bool) func(*repair.Case) []metric.At {
	return func(c *repair.Case) []metric.At {
		var keys []valve.Key
		for k := range c.Measured {
			if k.ID == leaf && accept(k.Place) {
				keys = append(keys, k)
			}
		}
		slices.SortFunc(keys, valve.Key.Compare)
		var list []metric.At
		for _, k := range keys {
			here := atValue(k, c.Measured[k])
			here.Place = k.Place
			list = append(list, here)
		}
		return list
	}
}

// atMark says whether a place is the mark of an ink test on one of the segments.
func atMark(segments ...valve.Segment) func(valve.Place) bool {
	return func(p valve.Place) bool {
		return slices.ContainsFunc(segments, func(s valve.Segment) bool { return strings.HasSuffix(string(p), "/"+string(s)) })
	}
}
