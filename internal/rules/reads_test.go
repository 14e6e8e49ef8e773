package rules

import (
	"slices"
	"testing"

	"trigone/internal/valve"
)

// What a rule reads is what its text speaks of.
func TestReads(t *testing.T) {
	reading := 0
	for _, r := range All() {
		if len(Reads(r)) > 0 {
			reading++
		}
	}
	if reading < len(All())/2 {
		t.Errorf("only %d of %d rules read a measured value in their examples", reading, len(All()))
	}
	for id, leaf := range map[string]valve.ID{"mean-gradient-high": valve.MeanGradient} {
		i := slices.IndexFunc(All(), func(r Rule) bool { return r.ID == id })
		if i < 0 {
			t.Fatalf("there is no rule %s", id)
		}
		if !slices.Contains(Reads(All()[i]), leaf) {
			t.Errorf("%s does not read %s: %v", id, leaf, Reads(All()[i]))
		}
	}
}
