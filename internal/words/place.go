package words

import (
	"strings"

	"trigone/internal/valve"
)

// Place speaks of a place of the valve: the segments in capitals.
func Place(p valve.Place) string {
	head, station, _ := strings.Cut(string(p), "/")
	parts := strings.Split(head, "_")
	name := Spaced(head)
	switch {
	case len(parts) == 1 && len(head) == 2:
		name = strings.ToUpper(head)
	case len(parts) == 2 && len(parts[0]) == 2 && len(parts[1]) == 2 && parts[0][0] == parts[1][0]:
		name = "between " + strings.ToUpper(parts[0]) + " and " + strings.ToUpper(parts[1])
	case len(parts) == 2 && len(parts[0]) == 2 && len(parts[1]) == 2:
		name = strings.ToUpper(parts[0]) + "-" + strings.ToUpper(parts[1])
	case len(parts) == 2 && parts[1] == "commissure":
		name = "the " + name
	case head == string(valve.Anterior) || head == string(valve.Posterior):
		name = "the " + head + " leaflet"
	}
	switch valve.Station(station) {
	case "", valve.SegmentMid:
	case valve.Seam:
		name += " at the suture line"
	case valve.SeamLateralEdge:
		name += " at the lateral edge of the suture line"
	case valve.SeamMedialEdge:
		name += " at the medial edge of the suture line"
	default:
		name += ", " + Spaced(station)
	}
	return name
}

// At puts a preposition before a place; between needs none.
func At(place string) string {
	if place == "" || strings.HasPrefix(place, "between ") {
		return place
	}
	return "at " + place
}

// When says when in the course of an operation something was.
func When(s valve.Stage) string {
	switch s {
	case valve.Native:
		return "before any step"
	case valve.AfterLeafletWork:
		return "after the leaflet work"
	case valve.AfterRing:
		return "after the ring"
	case valve.LeavingTheatre:
		return "on leaving theatre"
	}
	return Spaced(s)
}
