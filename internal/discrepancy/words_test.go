package discrepancy

import (
	"slices"
	"strings"
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

// A commissure borders on both leaflets and goes with either; so does a place that is
// none of a leaflet.
func TestStepsOfOneLeaflet(t *testing.T) {
	segment := func(s valve.Segment) repair.Location { return repair.Location{Segment: s} }
	commissure := repair.Location{Commissure: valve.LateralCommissure}
	for _, r := range []struct {
		why  string
		a, b []repair.Location
		want bool
	}{
		{"both posterior", []repair.Location{segment(valve.P1)}, []repair.Location{segment(valve.P3)}, true},
		{"one of each", []repair.Location{segment(valve.A2)}, []repair.Location{segment(valve.P2)}, false},
		{"one place of several in common", []repair.Location{segment(valve.A2), segment(valve.P2)}, []repair.Location{segment(valve.P1)}, true},
		{"a commissure and a segment", []repair.Location{commissure}, []repair.Location{segment(valve.P1)}, true},
		{"a segment and a commissure", []repair.Location{segment(valve.A1)}, []repair.Location{commissure}, true},
		{"a boundary of one, a leaflet of the other", []repair.Location{{Boundary: valve.P1P2}}, []repair.Location{{Leaflet: valve.Anterior}}, false},
		{"nowhere", nil, []repair.Location{segment(valve.P1)}, false},
	} {
		a, b := repair.Step{Technique: repair.LeafletResection, Places: r.a}, repair.Step{Technique: repair.LeafletResection, Places: r.b}
		if got := sameLeaflet(&a, &b); got != r.want {
			t.Errorf("%s: %v", r.why, got)
		}
	}
}

// What stands in place of a planned step, and why: the reason is that of the step that was
// planned, done and not kept, or else of the other one.
func TestReasonsOfSubstitutes(t *testing.T) {
	for _, r := range []struct {
		why, says string
		change    func(f *fixture)
	}{
		{"tried, taken down, then the other", "in place of the planned neochord placement at A3, which was performed and not kept; reason recorded: test failed", func(f *fixture) {
			f.step("s2").Fate, f.step("s2").Reason = repair.TakenDown, "test_failed"
			f.addStep(repair.Step{ID: "s4", Technique: repair.ChordTransfer, Places: at(valve.A3), Run: 1, Order: 4, Reason: "tissue_quality"})
		}},
		{"the other at once", "was performed in place of the planned neochord placement at A3; reason recorded: tissue quality", func(f *fixture) {
			s := f.step("s2")
			s.Technique, s.Chords, s.Reason = repair.ChordTransfer, nil, "tissue_quality"
		}},
	} {
		f := newFixture()
		r.change(f)
		list := f.compare()
		i := slices.IndexFunc(list, func(d Comparison) bool { return d.Class == StepSubstituted })
		if i < 0 || !strings.Contains(list[i].Message, r.says) {
			t.Errorf("%s: %+v", r.why, list)
		}
	}
}

// A count differs by whole things, fewer below 0, without a tolerance.
func TestCountsDifferSigned(t *testing.T) {
	for pairs, want := range map[int]float64{1: -1, 3: 1, 5: 3} {
		f := newFixture()
		f.step("s2").Chords.PairCount = n(pairs)
		list := f.compare()
		if len(list) != 1 || list[0].Kind != KindStepDimension || list[0].Difference.OrElse(0) != want || list[0].Tolerance.OrElse(1) != 0 {
			t.Errorf("%d pairs of 2 planned: %+v", pairs, list)
		}
	}
}
