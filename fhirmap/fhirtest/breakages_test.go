package fhirtest_test

import (
	"testing"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
)

// Every breakage is seen in every example in which there is something to break so,
// or says why it cannot be.
func TestBreakagesAreSeen(t *testing.T) {
	var good [][]byte
	var had []map[string]int
	for _, e := range fhirtest.Examples() {
		b, err := fhirmap.Transaction(e.History)
		if err != nil {
			t.Fatal(err)
		}
		good, had = append(good, b), append(had, fhirtest.FaultsOf(b))
	}
	seeds := 2
	if testing.Short() {
		seeds = 1
	}
	names := map[string]bool{}
	seen, unseen := 0, 0
	for _, b := range fhirtest.Breakages() {
		if names[b.Name] {
			t.Errorf("%q stands twice", b.Name)
		}
		names[b.Name] = true
		broken, missed := 0, 0
		for i, g := range good {
			for seed := range uint64(seeds) {
				bundle, ok := b.Break(g, seed)
				if !ok {
					break
				}
				broken++
				faults := fhirtest.NewFaults(bundle, had[i])
				if len(faults) == 0 {
					missed++
				}
				switch {
				case b.Unseen == "" && len(faults) == 0:
					t.Errorf("%s is not seen in example %d, seed %d", b.Name, i, seed)
				case b.Unseen != "" && len(faults) > 0:
					t.Errorf("%s is seen, and said not to be (%s): %s", b.Name, b.Unseen, faults[0])
				}
			}
		}
		if broken == 0 {
			t.Errorf("%s breaks no example", b.Name)
		}
		if missed > 0 {
			unseen++
		} else {
			seen++
		}
	}
	t.Logf("%d breakages: %d are seen, %d are not", len(names), seen, unseen)
}
