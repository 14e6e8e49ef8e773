package discrepancy

import (
	"testing"

	"trigone/internal/repair"
	"trigone/internal/valve"
)

// A step is called as its surgeon calls it, and where is told only if it is known.
func TestStepsInWords(t *testing.T) {
	at := []repair.Location{{Segment: valve.P2}}
	for _, r := range []struct {
		step repair.Step
		want string
	}{
		{repair.Step{}, "step whose technique is not recorded"},
		{repair.Step{Technique: repair.LeafletResection, Places: at}, "leaflet resection at P2"},
		{repair.Step{Technique: repair.LeafletResection}, "leaflet resection"},
		{repair.Step{Technique: repair.EdgeToEdge, Slice: valve.A2P2}, "edge-to-edge at A2-P2"},
		{repair.Step{Technique: repair.EdgeToEdge}, "edge-to-edge"},
		{repair.Step{Technique: repair.LeafletResection, Slice: valve.A2P2, Places: at}, "leaflet resection at P2"},
		{repair.Step{Technique: repair.Annuloplasty, Ring: &repair.Ring{Kind: repair.PosteriorBand}}, "posterior band"},
		{repair.Step{Technique: repair.Annuloplasty, Ring: &repair.Ring{}}, "annuloplasty"},
		{repair.Step{Technique: repair.Annuloplasty}, "annuloplasty"},
		{repair.Step{Technique: repair.FurtherTechnique}, "further technique"},
	} {
		if got := describe(&r.step); got != r.want {
			t.Errorf("%+v: %q, want %q", r.step, got, r.want)
		}
	}
}
