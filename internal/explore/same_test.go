package explore

import (
	"testing"

	"trigone/internal/valve"
)

// What a variant disputes is that of the plan where each holds all of the other.
func TestSameKeys(t *testing.T) {
	key := func(id valve.ID) valve.Key { return valve.Key{ID: id} }
	height, width, area := key(valve.LeafletHeight), key(valve.ResectionFreeEdgeWidth), key(valve.AnnulusArea)
	for _, r := range []struct {
		why  string
		a, b []valve.Key
		want bool
	}{
		{"nothing and nothing", nil, nil, true},
		{"in any order", []valve.Key{height, width}, []valve.Key{width, height}, true},
		{"one more", []valve.Key{height}, []valve.Key{height, width}, false},
		{"one fewer", []valve.Key{height, width}, []valve.Key{height}, false},
		{"others altogether", []valve.Key{height}, []valve.Key{area}, false},
		{"as many, one of them another", []valve.Key{height, width}, []valve.Key{height, area}, false},
	} {
		if got := sameKeys(r.a, r.b); got != r.want {
			t.Errorf("%s: %v", r.why, got)
		}
	}
}
