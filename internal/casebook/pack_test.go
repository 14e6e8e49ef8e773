package casebook

import (
	"testing"

	"pgregory.net/rapid"

	"trigone/internal/metric"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// What is packed comes back on the grid, and a cut row is refused, never misread.
func TestPackRoundTrip(t *testing.T) {
	leaves := metric.Leaves()
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) metric.Value {
			leaf := rapid.SampledFrom(leaves).Draw(t, "leaf")
			return metric.Value{
				Key: valve.Key{
					ID: leaf.ID, Place: rapid.SampledFrom([]valve.Place{"", "p2/seam", "step:x"}).Draw(t, "place"),
					Occasion: rapid.SampledFrom([]valve.Occasion{"plan", "result/exit"}).Draw(t, "occasion"), Role: valve.Measured,
				},
				State: metric.HasValue,
				Value: units.Round(rapid.Float64Range(-2000, 2000).Draw(t, "value"), leaf.Grid),
			}
		}), 0, 40).Draw(t, "values")
		row, err := pack(append(values, metric.Value{Key: valve.Key{ID: leaves[0].ID}, State: metric.Absent}))
		if err != nil {
			t.Fatal(err)
		}
		got, err := unpack(row)
		if err != nil {
			t.Fatal(err)
		}
		if len(got) != len(values) {
			t.Fatalf("%d values came back of %d", len(got), len(values))
		}
		for i, v := range values {
			leaf, _ := metric.LeafByID(v.Key.ID)
			if got[i].Key != v.Key || units.FromGrid(got[i].Steps, leaf.Grid) != v.Value {
				t.Fatalf("%v came back as %v", v, got[i])
			}
		}
		cut := rapid.IntRange(0, len(row)-1).Draw(t, "cut")
		if _, err := unpack(row[:cut]); err == nil {
			t.Fatalf("a row cut at %d of %d was read", cut, len(row))
		}
	})
}
