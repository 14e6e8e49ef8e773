package archtest

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// unnamed are the rooms where the text of a leaf's id may stand: where the ids are
// declared, and rooms that only tests use, for which the text is what a client sends.
var unnamed = []string{"internal/valve", "fhirmap/fhirtest"}

// leafIDs reads the ids of the leaves where they are declared.
func leafIDs(t *testing.T) []string {
	t.Helper()
	syntax, err := parser.ParseFile(token.NewFileSet(), filepath.Join(root, "internal", "valve", "leaves.go"), nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, d := range syntax.Decls {
		if group, ok := d.(*ast.GenDecl); ok && group.Tok == token.CONST {
			ids = append(ids, literals(group)...)
		}
	}
	if len(ids) < 100 {
		t.Fatalf("only %d leaf ids were found; the test looks in the wrong place", len(ids))
	}
	return ids
}

func literals(of ast.Node) []string {
	var list []string
	ast.Inspect(of, func(n ast.Node) bool {
		if lit, ok := n.(*ast.BasicLit); ok && lit.Kind == token.STRING {
			if text, err := strconv.Unquote(lit.Value); err == nil {
				list = append(list, text)
			}
		}
		return true
	})
	return list
}

// names gives the leaves that a text names as whole words.
func names(text string, ids []string) []string {
	words := strings.FieldsFunc(text, func(r rune) bool { return r != '_' && (r < 'a' || r > 'z') && (r < '0' || r > '9') })
	return slices.DeleteFunc(slices.Clone(ids), func(id string) bool { return !slices.Contains(words, id) })
}

// TestLeavesAreNamedByTheirConstants: a slip in the text of a leaf's id would make
// a value silently missing; a slip in a constant's name does not compile.
func TestLeavesAreNamedByTheirConstants(t *testing.T) {
	ids := leafIDs(t)
	for _, s := range sources(t) {
		if slices.Contains(unnamed, s.room) || strings.HasPrefix(s.room, "proto/") {
			continue
		}
		for _, text := range literals(s.syntax) {
			for _, id := range names(text, ids) {
				t.Errorf("%s writes the leaf %s as text; take its constant in package valve", s.file, id)
			}
		}
	}
	if got := names("flail_gap of assessment/tte", ids); !slices.Equal(got, []string{"flail_gap"}) {
		t.Errorf("in a sentence that names flail_gap were found %v", got)
	}
	if got := names("stated_flail_gap", ids); len(got) != 0 {
		t.Errorf("in another id were found %v", got)
	}
}
