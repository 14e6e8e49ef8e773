package fhirtest_test

import (
	"maps"
	"regexp"
	"testing"

	"trigone/fhirmap"
	"trigone/fhirmap/fhirtest"
)

var entryNumber = regexp.MustCompile(`entry\[\d+\]`)

func faultsOf(bundle []byte) map[string]int {
	had := map[string]int{}
	for _, f := range fhirtest.CheckInOrder(bundle) {
		had[entryNumber.ReplaceAllString(f, "entry")]++
	}
	return had
}

// newFaults gives the faults of a bundle that another one does not have; entries
// may have moved.
func newFaults(broken []byte, good map[string]int) []string {
	had := maps.Clone(good)
	var list []string
	for _, f := range fhirtest.CheckInOrder(broken) {
		key := entryNumber.ReplaceAllString(f, "entry")
		if had[key]--; had[key] < 0 {
			list = append(list, f)
		}
	}
	return list
}

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
		good, had = append(good, b), append(had, faultsOf(b))
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
				faults := newFaults(bundle, had[i])
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
