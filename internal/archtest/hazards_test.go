package archtest

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// hazards that the table must hold, by the beginning of their row.
var hazards = []string{
	"wrong patient filed", "slip of ten", "stale plan in theatre", "range read as advice", "a smaller ring chosen for contact",
	"silence taken for 'checked'", "rule or policy changed after signing", "wrong side", "software down in theatre",
	"synthetic data in a real store", "note signed before correction", "recall not answered",
}

// Every hazard has a row, and every row names tests that exist: a control whose test
// has gone is none.
func TestHazardsNameTheirTests(t *testing.T) {
	exist := testFunctions(t)
	text, err := os.ReadFile(filepath.Join(root, "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, section, found := strings.Cut(string(text), "\n## Hazards\n")
	if !found {
		t.Fatal("DEVELOPERS.md has no section Hazards")
	}
	section, _, _ = strings.Cut(section, "\n## ")
	named := regexp.MustCompile("`(Test[A-Za-z0-9_]+)`")
	rows := map[string]bool{}
	for line := range strings.Lines(section) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		if len(cells) < 2 || strings.HasPrefix(cells[0], "---") || strings.TrimSpace(cells[0]) == "hazard" {
			continue
		}
		hazard := strings.TrimSpace(cells[0])
		rows[hazard] = true
		if len(cells) != 6 {
			t.Errorf("%s: %d columns, want hazard, cause, harm, control, test, reader", hazard, len(cells))
			continue
		}
		for i, cell := range cells {
			if strings.TrimSpace(cell) == "" {
				t.Errorf("%s: column %d is empty", hazard, i+1)
			}
		}
		tests := named.FindAllStringSubmatch(cells[4], -1)
		if len(tests) == 0 {
			t.Errorf("%s: no test is named", hazard)
		}
		for _, name := range tests {
			if !exist[name[1]] {
				t.Errorf("%s: there is no test %s", hazard, name[1])
			}
		}
	}
	for _, hazard := range hazards {
		if !rows[hazard] {
			t.Errorf("the hazard %q has no row", hazard)
		}
	}
}

// testFunctions names every test of the module.
func testFunctions(t *testing.T) map[string]bool {
	t.Helper()
	names := map[string]bool{}
	err := filepath.WalkDir(root, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		for _, d := range file.Decls {
			if f, ok := d.(*ast.FuncDecl); ok && f.Recv == nil && strings.HasPrefix(f.Name.Name, "Test") {
				names[f.Name.Name] = true
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return names
}
