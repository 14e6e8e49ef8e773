package rules

import (
	"testing"

	"trigone/internal/repair"
	"trigone/internal/valve"
)

// Which planned step answers a prolapse, by place, by lesion or by effect.
func TestWhatAnswersAProlapse(t *testing.T) {
	at := func(s valve.Segment) repair.Location { return repair.Location{Segment: s} }
	lesions := []string{"l1"}
	edgeToEdge := repair.Step{Technique: repair.EdgeToEdge, Slice: valve.A2P2}
	for _, r := range []struct {
		why   string
		step  repair.Step
		place repair.Location
		want  bool
	}{
		{"a resection there", repair.Step{Technique: repair.LeafletResection, Places: []repair.Location{at(valve.P2)}}, at(valve.P2), true},
		{"a resection beside it", repair.Step{Technique: repair.LeafletResection, Places: []repair.Location{at(valve.P1)}}, at(valve.P2), false},
		{"the edges of A2 and P2 sewn together answer A2", edgeToEdge, at(valve.A2), true},
		{"and P2", edgeToEdge, at(valve.P2), true},
		{"but not A1", edgeToEdge, at(valve.A1), false},
		{"nor a place that is no segment", edgeToEdge, repair.Location{Boundary: valve.P1P2}, false},
		{"chords on the slice of A2 and P2 are no edge to edge repair", repair.Step{Technique: repair.ArtificialChord, Slice: valve.A2P2}, at(valve.A2), false},
		{"a step that names the lesion", repair.Step{Technique: repair.ArtificialChord, LesionIDs: lesions}, at(valve.A2), true},
		{"a step that names another lesion", repair.Step{Technique: repair.ArtificialChord, LesionIDs: []string{"l2"}}, at(valve.A2), false},
		{"a ring by which all is expected to resolve", repair.Step{ExpectedEffect: "resolves_with_ring"}, at(valve.A2), true},
		{"a ring by which another lesion is", repair.Step{ExpectedEffect: "resolves_with_ring", LesionIDs: []string{"l2"}}, at(valve.A2), false},
		{"sliding moves a leaflet and holds none", repair.Step{Technique: repair.SlidingPlasty, Places: []repair.Location{at(valve.P2)}}, at(valve.P2), false},
	} {
		if got := answers(r.step, r.place, lesions); got != r.want {
			t.Errorf("%s: %v", r.why, got)
		}
	}
}
