package archtest

import (
	"go/ast"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Rooms that start goroutines, or whose callers run them side by side, are tested
// under the race detector; it costs four times the time elsewhere and finds
// nothing there. .ci/run lists them, and a room that starts one is on its list.
func TestRoomsWithGoroutinesAreTestedForRaces(t *testing.T) {
	script, err := os.ReadFile(filepath.Join(root, ".ci", "run"))
	if err != nil {
		t.Fatal(err)
	}
	line := regexp.MustCompile(`(?m)^concurrent='([^']*)'$`).FindSubmatch(script)
	if line == nil {
		t.Fatal(".ci/run has no list named concurrent")
	}
	listed := strings.Fields(string(line[1]))
	covered := func(room string) bool {
		for _, pattern := range listed {
			name, below := strings.CutSuffix(strings.TrimPrefix(pattern, "./"), "/...")
			if room == name || below && strings.HasPrefix(room, name+"/") {
				return true
			}
		}
		return false
	}
	found := 0
	for _, s := range sources(t) {
		ast.Inspect(s.syntax, func(n ast.Node) bool {
			if _, starts := n.(*ast.GoStmt); starts {
				found++
				if !covered(s.room) {
					t.Errorf("%s starts a goroutine; add ./%s to the list named concurrent in .ci/run", s.file, s.room)
				}
			}
			return true
		})
	}
	if found == 0 {
		t.Error("no goroutine was found; the test looks in the wrong place")
	}
}
