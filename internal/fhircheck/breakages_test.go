package fhircheck

import (
	"cmp"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"trigone/fhirmap/fhirtest"
)

// brokenBundle is a line of the list that is written beside broken bundles.
type brokenBundle struct {
	Name   string `json:"name"`
	Unseen string `json:"unseen,omitempty"`
	Of     string `json:"of"`   // the good bundle, in TRIGONE_BUNDLES
	File   string `json:"file"` // the broken one, beside the list
}

// Bundles of the demo, each with one thing broken, are seen by the checks of the
// mapping wherever the breakage does not say why nobody can. TRIGONE_BROKEN names a
// folder for them, so that the checks of others are held against the same.
func TestBreakagesOfTheDemo(t *testing.T) {
	files := demoBundles(t)
	if len(files) == 0 {
		t.Skip("NO BUNDLE OF THE DEMO IS BROKEN: TRIGONE_BUNDLES names no folder of bundles")
	}
	good, had := map[string][]byte{}, map[string]map[string]int{}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if faults := fhirtest.Check(text); len(faults) > 0 {
			t.Fatalf("%s is no good bundle, so that it shows nothing; was it made by another version? %s", filepath.Base(file), faults[0])
		}
		good[file] = text
	}
	// Of small bundles, not all of the same one.
	slices.SortFunc(files, func(a, b string) int { return cmp.Or(cmp.Compare(len(good[a]), len(good[b])), cmp.Compare(a, b)) })
	const small = 10
	folder := os.Getenv("TRIGONE_BROKEN")
	if folder == "" {
		folder = t.TempDir()
	}
	seen, excused := 0, 0
	var list []brokenBundle
	for i, b := range fhirtest.Breakages() {
		var of string
		var bundle []byte
		for k := range files {
			var ok bool
			of = files[(i%small+k)%len(files)]
			if bundle, ok = b.Break(good[of], uint64(i)); ok {
				break
			}
		}
		if bundle != nil && had[of] == nil {
			had[of] = fhirtest.FaultsOf(good[of])
		}
		switch faults := fhirtest.NewFaults(bundle, had[of]); {
		case bundle == nil:
			t.Errorf("%s breaks no bundle of the demo", b.Name)
			continue
		case len(faults) > 0:
			seen++
		case b.Unseen != "":
			excused++
		default:
			t.Errorf("%s is not seen in %s", b.Name, filepath.Base(of))
		}
		file := strings.ReplaceAll(b.Name, " ", "-") + ".json"
		list = append(list, brokenBundle{b.Name, b.Unseen, filepath.Base(of), file})
		if err := os.WriteFile(filepath.Join(folder, file), bundle, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	text, err := json.Marshal(list)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, "list.json"), text, 0o600); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d breakages: the checks of the mapping see %d, %d say why nobody can", len(list), seen, excused)
}
