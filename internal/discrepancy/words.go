package discrepancy

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"trigone/internal/repair"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// placeWords prints a place: P2, boundary P1-P2, lateral commissure.
func placeWords(p valve.Place) string {
	text := string(p)
	switch {
	case p.Segment() != "":
		segment, station, has := strings.Cut(text, "/")
		if !has {
			return strings.ToUpper(segment)
		}
		return strings.ToUpper(segment) + " (" + words.Spaced(station) + ")"
	case slices.Contains([]valve.Place{"a1_a2", "a2_a3", "p1_p2", "p2_p3"}, p):
		return "the boundary " + strings.ToUpper(strings.ReplaceAll(text, "_", "-"))
	case slices.Contains([]valve.Place{"a1_p1", "a2_p2", "a3_p3"}, p):
		return strings.ToUpper(strings.ReplaceAll(text, "_", "-"))
	case p == valve.AtCommissure(valve.LateralCommissure), p == valve.AtCommissure(valve.MedialCommissure):
		return "the " + words.Spaced(text)
	case p == valve.AtLeaflet(valve.Anterior), p == valve.AtLeaflet(valve.Posterior):
		return "the " + text + " leaflet"
	}
	return words.Spaced(text)
}

// where prints a list of places.
func where(places []valve.Place) string {
	list := make([]string, len(places))
	for i, p := range places {
		list[i] = placeWords(p)
	}
	return words.And(list)
}

// describe prints a step: leaflet resection at P2.
func describe(s *repair.Step) string {
	text := cmp.Or(words.Spaced(string(s.Technique)), "step whose technique is not recorded")
	switch {
	case s.Technique == repair.Annuloplasty && s.Ring != nil && s.Ring.Kind != "":
		return words.Spaced(s.Ring.Kind)
	case s.Technique == repair.FurtherTechnique && s.Form != "":
		text = words.Spaced(s.Form)
	case s.Technique == repair.EdgeToEdge && s.Slice != "":
		return text + " at " + placeWords(valve.AtSlice(s.Slice))
	}
	if at := locations(s); len(at) > 0 {
		text += " at " + where(at)
	}
	return text
}

// techniqueWords prints a technique without its place.
func techniqueWords(s *repair.Step) string {
	text := words.Spaced(string(s.Technique))
	if s.Technique == repair.FurtherTechnique && s.Form != "" {
		text = words.Spaced(s.Form)
	}
	return text
}

// number prints a label or a count.
func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// span prints a range of numbers with one form for both ends.
func span(low, high float64, text func(float64) string) string {
	if low == high {
		return text(low)
	}
	return text(low) + " to " + text(high)
}

// because adds a recorded reason to a sentence.
func because(reason string) string {
	if reason == "" {
		return ""
	}
	return "; reason recorded: " + words.Spaced(reason)
}
