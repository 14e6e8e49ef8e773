package archtest

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const module = "trigone"

// root is the repository's root, seen from this folder.
const root = "../.."

// rooms says which rooms of this module each room may import. A room that is not
// here may import nothing of ours: the test then names it.
var rooms = map[string][]string{
	"internal/units":       {},
	"internal/words":       {"internal/valve"},
	"internal/geometry":    {"internal/units"},
	"internal/haemo":       {"internal/units"},
	"internal/statistics":  {},
	"internal/valve":       {"internal/units"},
	"internal/repair":      {"internal/units", "internal/valve"},
	"internal/settings":    {"internal/units", "internal/valve", "internal/repair", "internal/statistics"},
	"internal/metric":      {"internal/words", "internal/units", "internal/valve", "internal/repair", "internal/settings", "internal/geometry", "internal/haemo"},
	"internal/rules":       {"internal/units", "internal/words", "internal/valve", "internal/repair", "internal/settings", "internal/geometry", "internal/haemo", "internal/metric"},
	"internal/discrepancy": {"internal/units", "internal/words", "internal/valve", "internal/repair", "internal/settings", "internal/metric"},
	"internal/evaluate":    {"internal/units", "internal/valve", "internal/repair", "internal/settings", "internal/metric", "internal/rules", "internal/discrepancy"},
	"internal/latitude":    {"internal/units", "internal/valve", "internal/repair", "internal/settings", "internal/geometry", "internal/metric", "internal/rules", "internal/discrepancy", "internal/evaluate"},
	"internal/audit":       {"internal/units", "internal/words", "internal/valve", "internal/repair", "internal/settings", "internal/metric", "internal/discrepancy", "internal/statistics"},
	"internal/invent":      {"internal/units", "internal/repair"},
	"internal/draw":        {"internal/units", "internal/words", "internal/valve", "internal/repair", "internal/settings", "internal/metric", "internal/rules", "internal/discrepancy", "internal/evaluate", "internal/explore", "internal/picture"},
	"internal/picture":     {},
	"internal/extract":     {},
	"internal/plot":        {"internal/picture"},
	"internal/explore":     {"internal/units", "internal/valve", "internal/repair", "internal/settings", "internal/metric", "internal/rules", "internal/evaluate"},

	"proto/trigone/v1": {},
	"internal/convert": {
		"proto/trigone/v1", "internal/words", "internal/units", "internal/valve", "internal/repair", "internal/settings", "internal/metric",
		"internal/rules", "internal/discrepancy", "internal/evaluate", "internal/latitude", "internal/explore", "internal/draw",
	},
	"internal/policy":              {"internal/repair", "internal/statistics", "internal/strictyaml", "internal/units", "internal/valve", "internal/settings", "internal/metric", "internal/rules", "internal/audit"},
	"internal/convert/converttest": {"internal/convert"},
	"internal/storage":             {},
	"internal/storage/sqlite":      {"internal/storage"},
	"internal/storage/storagetest": {"internal/storage"},
	"fhirmap/fhirtest":             {"proto/trigone/v1", "fhirmap", "internal/units", "internal/metric", "internal/valve", "internal/convert", "internal/rules", "internal/settings"},
	"internal/document":            {"internal/picture"},
	"internal/yearly":              {"internal/document", "internal/picture", "internal/render", "internal/words", "proto/trigone/v1"},
	"internal/note":                {"internal/document", "internal/draw", "internal/picture", "internal/words", "proto/trigone/v1", "internal/convert", "internal/metric", "internal/rules", "internal/units", "internal/valve"},
	"internal/render":              {"internal/invent", "internal/picture", "internal/plot", "internal/words", "proto/trigone/v1", "internal/units", "internal/metric", "internal/valve", "internal/convert", "internal/settings", "internal/rules"},
	"fhirmap":                      {"proto/trigone/v1", "internal/discrepancy", "internal/note", "internal/units", "internal/valve", "internal/repair", "internal/metric", "internal/rules", "internal/settings", "internal/evaluate"},
	"internal/casebook": {
		"proto/trigone/v1", "internal/units", "internal/valve", "internal/repair", "internal/settings", "internal/metric", "internal/rules",
		"internal/discrepancy", "internal/evaluate", "internal/latitude", "internal/explore", "internal/convert", "internal/policy", "internal/storage",
	},
	"internal/handover": {"proto/trigone/v1", "internal/casebook", "internal/convert", "internal/policy", "internal/settings", "internal/storage", "fhirmap", "internal/note"},
	"internal/ledger":   {"proto/trigone/v1", "internal/audit", "internal/casebook", "internal/casefile", "internal/convert", "internal/discrepancy", "internal/extract", "internal/metric", "internal/policy", "internal/repair", "internal/settings", "internal/storage", "internal/units", "internal/valve"},
	"internal/access":   {"internal/casebook", "internal/storage"},
	"server":            {"internal/deployment", "internal/identity", "proto/trigone/v1", "fhirmap", "internal/access", "internal/private", "internal/casebook", "internal/handover", "internal/ledger", "internal/convert", "internal/policy", "internal/storage", "internal/storage/sqlite", "server/fhirrest", "server/pages"},
	"server/pages":      {"proto/trigone/v1", "internal/casebook", "internal/casefile", "internal/trialplan", "internal/draw", "internal/picture", "internal/handover", "internal/ledger", "internal/audit", "internal/discrepancy", "internal/convert", "internal/policy", "internal/metric", "internal/render", "internal/valve", "internal/words"},
	"server/fhirrest":   {"proto/trigone/v1", "internal/casebook", "internal/handover", "internal/private", "fhirmap"},
	"internal/demo":     {"proto/trigone/v1", "internal/convert", "internal/metric", "internal/private", "internal/render", "internal/units", "internal/valve", "internal/words", "server", "testdata"},
	"cmd/trigoned":      {"server", "internal/policy", "internal/trial"},
	"cmd/trigone": {
		"proto/trigone/v1", "fhirmap", "internal/casebook", "internal/casefile", "internal/columnar", "internal/document", "internal/yearly", "internal/draw", "internal/picture", "internal/handover", "internal/convert", "internal/demo", "internal/department", "internal/invent", "internal/metric", "internal/policy", "internal/private", "internal/render", "internal/units", "internal/valve", "server", "testdata",
	},
	"internal/department":     {"proto/trigone/v1", "internal/convert", "internal/invent", "internal/units"},
	"internal/casefile":       {"proto/trigone/v1", "internal/convert", "internal/metric", "internal/rules", "internal/settings", "internal/strictyaml", "internal/units", "internal/valve", "internal/words"},
	"internal/trialplan":      {"proto/trigone/v1", "internal/convert", "internal/metric", "internal/repair", "internal/rules", "internal/settings", "internal/units", "internal/valve", "internal/words"},
	"internal/deployment":     {"internal/strictyaml"},
	"internal/identity":       {"internal/deployment"},
	"internal/trial":          {"internal/private"},
	"internal/columnar":       {},
	"internal/private":        {},
	"internal/strictyaml":     {},
	"internal/archtest":       {},
	"internal/tools/generate": {},
	"testdata":                {"proto/trigone/v1"},
}

// pure are the rooms above the wall.
var pure = []string{
	"internal/units", "internal/words", "internal/geometry", "internal/haemo", "internal/statistics", "internal/valve", "internal/repair", "internal/settings",
	"internal/metric", "internal/rules", "internal/discrepancy", "internal/evaluate", "internal/latitude", "internal/explore", "internal/audit", "internal/extract", "internal/draw", "internal/picture", "internal/plot", "internal/invent",
}

// pureImports are the packages of others that pure rooms may import: values,
// text, numbers, order, hashes; no clock, no disk, no network, no log.
var pureImports = []string{
	"cmp", "crypto/sha256", "encoding/hex", "errors", "fmt", "maps", "math", "reflect", "slices", "sort", "strconv", "strings", "time", "iter", "bytes",
	"unicode", "math/big", "math/bits", "math/rand/v2", "sync",
	"gonum.org/v1/gonum/stat/distuv", "gonum.org/v1/gonum/mat", "gonum.org/v1/gonum/mathext", "gonum.org/v1/gonum/integrate/quad", "gonum.org/v1/gonum/spatial/r3",
	"image", "image/color", "image/draw", "image/png",
	"golang.org/x/image/font", "golang.org/x/image/font/opentype", "golang.org/x/image/math/fixed", "golang.org/x/image/vector",
	"golang.org/x/image/font/gofont/goregular", "golang.org/x/image/font/gofont/gobold",
}

// clock are the members of package time that read or wait for a clock.
var clock = []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTicker", "NewTimer"}

// seeded are the members of math/rand/v2 that take their seed from the caller.
var seeded = []string{"New", "NewPCG", "NewChaCha8", "Rand", "PCG", "ChaCha8", "Source"}

type source struct {
	file    string
	room    string // folder relative to the root
	imports []string
	syntax  *ast.File
}

// sources parses every Go file of the module that is not a test.
func sources(t *testing.T) []source {
	t.Helper()
	var list []source
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel := filepath.ToSlash(strings.TrimPrefix(strings.TrimPrefix(p, root), string(filepath.Separator)))
		if d.IsDir() {
			if strings.HasPrefix(d.Name(), ".") && rel != "" || isNestedModule(p, rel) {
				return filepath.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(rel, ".go") || strings.HasSuffix(rel, "_test.go") {
			return nil
		}
		syntax, err := parser.ParseFile(token.NewFileSet(), p, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		s := source{file: rel, room: path.Dir(rel), syntax: syntax}
		for _, spec := range syntax.Imports {
			name, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				return err
			}
			s.imports = append(s.imports, name)
		}
		list = append(list, s)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(list) < len(pure) {
		t.Fatalf("only %d files were found below %s; the test looks in the wrong place", len(list), root)
	}
	return list
}

func isNestedModule(p, rel string) bool {
	if rel == "" {
		return false
	}
	_, err := os.Stat(filepath.Join(p, "go.mod"))
	return err == nil
}

func TestRoomsImportOnlyWhatTheyMay(t *testing.T) {
	for _, s := range sources(t) {
		allowed, known := rooms[s.room]
		if !known {
			t.Errorf("%s: room %s is not on the map of rooms; add it with what it may import, and to DEVELOPERS.md", s.file, s.room)
			continue
		}
		for _, imported := range s.imports {
			ours, isOurs := strings.CutPrefix(imported, module+"/")
			if isOurs && !slices.Contains(allowed, ours) {
				t.Errorf("%s imports %s, which room %s may not", s.file, ours, s.room)
			}
		}
	}
}

func TestPureRoomsArePure(t *testing.T) {
	all := sources(t)
	byRoom := map[string][]source{}
	for _, s := range all {
		byRoom[s.room] = append(byRoom[s.room], s)
	}
	for _, room := range pure {
		if len(byRoom[room]) == 0 {
			t.Errorf("pure room %s has no files", room)
		}
		for _, reached := range reach(byRoom, room) {
			if !slices.Contains(pure, reached) {
				t.Errorf("%s reaches %s, which is below the wall", room, reached)
			}
		}
		for _, s := range byRoom[room] {
			for _, imported := range s.imports {
				if !strings.HasPrefix(imported, module+"/") && !slices.Contains(pureImports, imported) {
					t.Errorf("%s imports %s, which is not on the list of what a pure room may import", s.file, imported)
				}
			}
			for _, name := range members(s.syntax, "time") {
				if slices.Contains(clock, name) {
					t.Errorf("%s uses time.%s; a pure room takes a time as an argument", s.file, name)
				}
			}
			for _, name := range members(s.syntax, "rand") {
				if !slices.Contains(seeded, name) {
					t.Errorf("%s uses rand.%s, whose seed nobody gave", s.file, name)
				}
			}
		}
	}
}

// reach gives every room of ours that a room imports, over any number of steps.
func reach(byRoom map[string][]source, from string) []string {
	var found []string
	queue := []string{from}
	for len(queue) > 0 {
		room := queue[0]
		queue = queue[1:]
		for _, s := range byRoom[room] {
			for _, imported := range s.imports {
				ours, isOurs := strings.CutPrefix(imported, module+"/")
				if isOurs && !slices.Contains(found, ours) {
					found = append(found, ours)
					queue = append(queue, ours)
				}
			}
		}
	}
	return found
}

// members gives what a file uses of a package, by the package's usual name.
func members(f *ast.File, name string) []string {
	var list []string
	ast.Inspect(f, func(n ast.Node) bool {
		sel, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		if x, ok := sel.X.(*ast.Ident); ok && x.Name == name {
			list = append(list, sel.Sel.Name)
		}
		return true
	})
	return list
}

// TestOneWayOntoTheRecord: a second place that appends would forget what the first
// does beside it, such as the request row or the rows of the projections.
func TestOneWayOntoTheRecord(t *testing.T) {
	places := map[string]int{}
	for _, s := range sources(t) {
		if slices.Contains([]string{"internal/storage", "internal/storage/sqlite", "internal/storage/storagetest"}, s.room) || !imports(s, "internal/storage") {
			continue
		}
		ast.Inspect(s.syntax, func(n ast.Node) bool {
			if sel, ok := n.(*ast.SelectorExpr); ok && sel.Sel.Name == "Append" {
				places[s.file]++
			}
			return true
		})
	}
	if len(places) != 1 || places["internal/casebook/write.go"] != 1 {
		t.Errorf("the store is written to in %v; only internal/casebook/write.go may, once", places)
	}
}

// TestFilesAreMadePrivate: a file that others may read would give away a patient.
func TestFilesAreMadePrivate(t *testing.T) {
	makers := []string{"internal/private", "internal/storage/sqlite", "internal/tools/generate"}
	for _, s := range sources(t) {
		if slices.Contains(makers, s.room) {
			continue
		}
		for _, name := range members(s.syntax, "os") {
			if slices.Contains([]string{"Create", "OpenFile", "WriteFile", "Mkdir", "MkdirAll"}, name) {
				t.Errorf("%s uses os.%s; files and folders are made by internal/private, readable by their owner only", s.file, name)
			}
		}
	}
}

func imports(s source, room string) bool { return slices.Contains(s.imports, module+"/"+room) }

// TestTheWallCanFail shows that the walk over imports finds a leak that is two
// steps away.
func TestTheWallCanFail(t *testing.T) {
	byRoom := map[string][]source{
		"internal/evaluate": {{room: "internal/evaluate", imports: []string{"trigone/internal/metric"}}},
		"internal/metric":   {{room: "internal/metric", imports: []string{"trigone/internal/storage"}}},
	}
	if !slices.Contains(reach(byRoom, "internal/evaluate"), "internal/storage") {
		t.Error("a leak two steps away was not seen")
	}
	syntax, err := parser.ParseFile(token.NewFileSet(), "x.go", "package x\nimport \"time\"\nvar t = time.Now()\n", 0)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Contains(members(syntax, "time"), "Now") {
		t.Error("time.Now was not seen")
	}
}
