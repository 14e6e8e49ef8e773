package metric

import (
	"go/ast"
	"go/parser"
	"go/token"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// quantityFields walks the contract's sections and gives every field that holds
// a quantity, with the name of its message.
func quantityFields(t *testing.T) map[string]string {
	t.Helper()
	found := map[string]string{}
	seen := map[protoreflect.FullName]bool{}
	var walk func(protoreflect.MessageDescriptor)
	walk = func(m protoreflect.MessageDescriptor) {
		if seen[m.FullName()] {
			return
		}
		seen[m.FullName()] = true
		for i := range m.Fields().Len() {
			f := m.Fields().Get(i)
			sub := f.Message()
			if sub == nil || !strings.HasPrefix(string(sub.FullName()), "trigone.v1.") {
				continue
			}
			if sub.Fields().ByName("absent_reason") == nil || sub.Fields().ByName("sd") == nil {
				walk(sub)
				continue
			}
			id, kind := string(f.Name()), string(sub.Name())
			if other, ok := found[id]; ok && other != kind {
				t.Errorf("field %s is a %s and a %s", id, other, kind)
			}
			found[id] = kind
		}
	}
	walk((&trigonev1.CaseFile{}).ProtoReflect().Descriptor())
	return found
}

// Every quantity of the contract has a row of its kind, and no row is left over.
func TestLeavesAreTheContract(t *testing.T) {
	want := quantityFields(t)
	if len(want) < 90 {
		t.Fatalf("the walk found only %d quantities", len(want))
	}
	// Bare numbers of identity.
	want["body_height"], want["body_weight"] = "BodyHeight", "BodyWeight"
	for id, kind := range want {
		leaf, ok := LeafByID(valve.ID(id))
		if !ok {
			t.Errorf("the contract's %s %s has no row", kind, id)
			continue
		}
		if leaf.Unit.Kind() != kind {
			t.Errorf("%s is a %s in the contract and a %s in the table", id, kind, leaf.Unit.Kind())
		}
	}
	for _, l := range Leaves() {
		if _, ok := want[string(l.ID)]; !ok {
			t.Errorf("row %s is no quantity of the contract", l.ID)
		}
	}
}

var snake = regexp.MustCompile(`^[a-z][a-z0-9]*(_[a-z0-9]+)*$`)

// Abbreviations that are published but spelled out in ids, and eponyms.
var notInIDs = regexp.MustCompile(`(^|_)(pisa|vti|eroa|rvol|rf|lvef|lvesd|lvedd|lavi|bsa|pht|mva|pasp|vc|ap|ic|lv|la|al|pl|sam|lvot|mosteller|gorlin|du_bois|simpson|ramanujan)(_|$)`)

func TestLeafTable(t *testing.T) {
	core := 0
	seen := map[valve.ID]bool{}
	for _, l := range Leaves() {
		if !snake.MatchString(string(l.ID)) || notInIDs.MatchString(string(l.ID)) || seen[l.ID] {
			t.Errorf("id %q is doubled, no snake_case or abbreviated", l.ID)
		}
		seen[l.ID] = true
		if l.Name == "" || !l.Unit.Valid() {
			t.Errorf("%s has no name or no unit", l.ID)
		}
		if _, err := units.Decimals(l.Grid); err != nil {
			t.Errorf("%s: %v", l.ID, err)
		}
		if l.Low >= l.High || l.RangeSource == "" {
			t.Errorf("%s has no plausible range", l.ID)
		}
		if l.High > 1e4*l.Grid*10 {
			t.Errorf("%s: a grid of %g is too fine for values to %g", l.ID, l.Grid, l.High)
		}
		if _, ok := settings.SourceByID(l.RangeSource); !ok {
			t.Errorf("%s: no source %q", l.ID, l.RangeSource)
		}
		if _, assumed := l.AssumedSD(valve.Nowhere, 1); assumed {
			if _, ok := settings.SourceByID(l.SDSource); !ok {
				t.Errorf("%s: assumed standard deviation without a source", l.ID)
			}
		}
		if (l.SD > 0 && l.SDPercent > 0) || (l.PosteriorSD > 0 && l.SD == 0) {
			t.Errorf("%s: two ways to a standard deviation", l.ID)
		}
		checkCodes(t, string(l.ID), l.Codes)
		switch l.Tier {
		case Core:
			core++
		case Model, Full:
		default:
			t.Errorf("%s has no tier", l.ID)
		}
	}
	// The smallest complete record is at most 40 values, most of them no
	// quantities (contract's list).
	if core == 0 || core > 20 {
		t.Errorf("%d core quantities", core)
	}
}

func checkCodes(t *testing.T, id string, codes []Coding) {
	t.Helper()
	for _, c := range codes {
		if c.System == "" || c.Code == "" || c.Display == "" ||
			!slices.Contains([]Equivalence{Equivalent, Wider, Narrower}, c.Equivalence) {
			t.Errorf("%s: code %+v is not complete", id, c)
		}
	}
}

// Restrictions of the standard's codes: systolic annulus and 3D coaptation codes
// of DICOM context group 12335, method-bound chamber codes of group 12300
// (PS3.16, read in two derived copies).
func TestCodesAreRestricted(t *testing.T) {
	rows := []struct {
		leaf   valve.ID
		method valve.Method
		phase  valve.CardiacPhase
		want   string
		why    string
	}{
		{"coaptation_length", valve.Echo3D, valve.EndSystole, "131190", "defined as a 3D systolic value"},
		{"coaptation_length", valve.Echo2D, valve.EndSystole, "", "a 2D value is another concept"},
		{"coaptation_length", valve.Echo3D, "", "", "a phase that is not stated is not systole"},
		{"annulus_area", valve.Echo3D, valve.MidSystole, "131183", "systolic"},
		{"annulus_area", valve.Echo3D, valve.EndDiastole, "20264-8", "the code without a phase remains"},
		{"annulus_antero_posterior_diameter", valve.Echo3D, valve.EndSystole, "131182", "systolic"},
		{"annulus_antero_posterior_diameter", valve.Echo3D, valve.EndDiastole, "", "diastolic"},
		{"left_ventricular_end_systolic_diameter", valve.Echo2D, "", "80011-0", "2D"},
		{"left_ventricular_end_systolic_diameter", valve.MMode, "", "80012-8", "M-mode"},
		{"left_ventricular_end_systolic_diameter", valve.CT, "", "", "no code for CT"},
		{"leaflet_height", valve.Echo3D, valve.EndSystole, "", "the standard's leaflet lengths run along the hinge"},
		{"mean_gradient", valve.Doppler, "", "80073-0", "unrestricted"},
	}
	for _, row := range rows {
		leaf, _ := LeafByID(row.leaf)
		got := ""
		for _, c := range leaf.Codes {
			if c.Equivalence == Equivalent && c.Fits(row.method, row.phase) {
				got = c.Code
				break
			}
		}
		if got != row.want {
			t.Errorf("%s by %q in %q has code %q, want %q (%s)", row.leaf, row.method, row.phase, got, row.want, row.why)
		}
	}
}

// Assumed standard deviations of manual 3D measurement, in mm and cm2: rebuilt
// from Cardiovasc Ultrasound 2016, doi 10.1186/s12947-016-0061-8 (agreement read
// in the abstract, population spreads assumed).
func TestAssumedSD(t *testing.T) {
	rows := []struct {
		leaf  valve.ID
		place valve.Place
		value float64
		want  float64
	}{
		{"leaflet_height", valve.AtStation(valve.A2, ""), 26, 2.1},
		{"leaflet_height", valve.AtStation(valve.P2, ""), 16, 1.2},
		{"leaflet_height", valve.AtStation(valve.P2, valve.Seam), 16, 1.2},
		{"leaflet_height", valve.AtCommissure(valve.LateralCommissure), 8, 2.1},
		{"annulus_intercommissural_diameter", valve.Nowhere, 38, 2.2},
		{"annulus_area", valve.Nowhere, 12, 0.9},
		{"aliasing_velocity", valve.Nowhere, 40, 2},
	}
	for _, row := range rows {
		leaf, _ := LeafByID(row.leaf)
		if got, ok := leaf.AssumedSD(row.place, row.value); !ok || got != row.want {
			t.Errorf("%s at %q: %v, %v, want %v", row.leaf, row.place, got, ok, row.want)
		}
	}
	leaf, _ := LeafByID("cardiac_output")
	if sd, ok := leaf.AssumedSD(valve.Nowhere, 5); ok {
		t.Errorf("cardiac output has an assumed standard deviation of %v", sd)
	}
}

// Every leaf has one handle, named like its constant, whose type is the row's
// kind. Constants are named like their text.
func TestHandles(t *testing.T) {
	parse := func(path string) *ast.File {
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		return file
	}
	specs := func(file *ast.File, visit func(name string, value ast.Expr)) {
		ast.Inspect(file, func(n ast.Node) bool {
			if spec, ok := n.(*ast.ValueSpec); ok {
				visit(spec.Names[0].Name, spec.Values[0])
			}
			return true
		})
	}
	ids := map[string]valve.ID{} // by the constant's name
	specs(parse("../valve/leaves.go"), func(name string, value ast.Expr) {
		id := valve.ID(strings.Trim(value.(*ast.BasicLit).Value, `"`))
		ids[name] = id
		if _, found := LeafByID(id); !found {
			t.Errorf("constant %s is no leaf", name)
		}
		if strings.ToLower(name) != strings.ReplaceAll(string(id), "_", "") {
			t.Errorf("constant %s is not named after %s", name, id)
		}
	})
	seen := map[valve.ID]bool{}
	specs(parse("handles.go"), func(name string, value ast.Expr) {
		lit := value.(*ast.CompositeLit)
		kind := lit.Type.(*ast.IndexExpr).Index.(*ast.SelectorExpr).Sel.Name
		constant := lit.Elts[0].(*ast.SelectorExpr).Sel.Name
		leaf, _ := LeafByID(ids[constant])
		switch {
		case name != constant:
			t.Errorf("handle %s is not named after %s", name, constant)
		case leaf.Unit.Kind() != kind:
			t.Errorf("handle %s is a %s, the leaf a %s", name, kind, leaf.Unit.Kind())
		case seen[leaf.ID]:
			t.Errorf("two handles for %s", leaf.ID)
		}
		seen[leaf.ID] = true
	})
	for _, l := range Leaves() {
		if !seen[l.ID] {
			t.Errorf("%s has no handle", l.ID)
		}
	}
}
