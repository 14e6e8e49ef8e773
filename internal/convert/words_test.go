package convert

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"trigone/internal/repair"
	trigonev1 "trigone/proto/trigone/v1"
)

func wordsIn(e protoreflect.EnumDescriptor) []string {
	var list []string
	for _, w := range newVocabulary(e.Values()).word {
		list = append(list, w)
	}
	return list
}

// wordTypes says whose words a type of a pure room holds.
var wordTypes = map[string]protoreflect.Enum{
	"valve.Segment": trigonev1.Segment(0), "valve.Leaflet": trigonev1.Leaflet(0), "valve.Commissure": trigonev1.Commissure(0),
	"valve.Side": trigonev1.Side(0), "valve.Boundary": trigonev1.Boundary(0), "valve.Slice": trigonev1.Slice(0),
	"valve.Station": trigonev1.Station(0), "valve.Stage": trigonev1.Stage(0), "valve.Method": trigonev1.Method(0),
	"valve.Load": trigonev1.Load(0), "valve.CardiacPhase": trigonev1.CardiacPhase(0), "valve.Recorded": trigonev1.Recorded(0),
	"valve.Answer": trigonev1.Answer(0), "valve.AbsentReason": trigonev1.AbsentReason(0), "valve.Role": trigonev1.MetricRole(0),
	"repair.Timing": trigonev1.PlanTiming(0),
	"metric.State":  trigonev1.MetricState(0), "metric.Tier": trigonev1.Tier(0),
	"rules.Severity": trigonev1.Severity(0), "rules.Kind": trigonev1.RuleKind(0),
	"discrepancy.Kind": trigonev1.ComparisonKind(0), "discrepancy.Verdict": trigonev1.ComparisonVerdict(0), "discrepancy.JudgedBy": trigonev1.JudgedBy(0),
	"settings.Owner": trigonev1.LimitOwner(0), "settings.Strength": trigonev1.SourceStrength(0),
}

// otherTypes hold words that are no enum of the contract, with the reason.
var otherTypes = map[string]string{
	"settings.PatientForm": "of the policy file",
	"valve.ID":             "names of fields, of metrics, and of two tolerances", "valve.Place": "the empty place", "valve.Occasion": "names of sections",
	"repair.StudyKind": "kinds of sections", "repair.Intent": "inside the comparison only", "repair.TechniqueClass": "of the policy file, by which calibrations are apart",
	"metric.Equivalence": "goes to FHIR, not to the contract", "metric.SiteCodeField": "columns of a site's own codes", "rules.Outcome": "of examples",
	"discrepancy.Class": "a text of the contract, so that classes may be added", "settings.SourceID": "a text of the contract",
}

// complete are the types whose words are all the words of their enum: a word of
// the contract that no constant has would be a hole.
var complete = []string{
	"valve.Segment", "valve.Leaflet", "valve.Commissure", "valve.Side", "valve.Boundary", "valve.Slice", "valve.Station", "valve.Stage",
	"valve.Method", "valve.Load", "valve.CardiacPhase", "valve.Recorded", "valve.Answer", "valve.AbsentReason", "valve.Role", "repair.Timing",
	"metric.State", "metric.Tier", "rules.Severity", "rules.Kind", "discrepancy.Kind", "discrepancy.Verdict", "discrepancy.JudgedBy", "settings.Owner", "settings.Strength",
}

// Every word constant of the rooms that reason, read from their source, is a
// word of the contract; an untyped one in repair, of any of its enums.
func TestWordsAreOfTheContract(t *testing.T) {
	techniques := map[string]bool{}
	kinds := (&trigonev1.Technique{}).ProtoReflect().Descriptor().Oneofs().ByName("kind").Fields()
	for i := range kinds.Len() {
		techniques[string(kinds.Get(i).Name())] = true
	}
	ofAny := map[string]bool{}
	protoregistry.GlobalTypes.RangeEnums(func(et protoreflect.EnumType) bool {
		if et.Descriptor().FullName().Parent() == "trigone.v1" {
			for _, w := range wordsIn(et.Descriptor()) {
				ofAny[w] = true
			}
		}
		return true
	})
	have := map[string][]string{}
	for _, room := range []string{"valve", "repair", "metric", "rules", "discrepancy", "settings"} {
		for _, c := range constants(t, room) {
			have[c.of] = append(have[c.of], c.word)
			enum, known := wordTypes[c.of]
			switch _, other := otherTypes[c.of]; {
			case known:
				if !slices.Contains(wordsIn(enum.Descriptor()), c.word) {
					t.Errorf("%s: %s has no value %q", c.name, enum.Descriptor().Name(), c.word)
				}
			case c.of == "repair.Technique":
				if !techniques[c.word] {
					t.Errorf("%s: the contract has no technique %q", c.name, c.word)
				}
			case other:
			case c.of == "repair.":
				if !ofAny[c.word] {
					t.Errorf("%s: no enum of the contract has a value %q", c.name, c.word)
				}
			case strings.HasSuffix(c.of, "."):
				// Names of thresholds, metrics and code systems.
			default:
				t.Errorf("%s is of the type %s: say whose words these are", c.name, c.of)
			}
		}
	}
	for _, of := range complete {
		for _, w := range wordsIn(wordTypes[of].Descriptor()) {
			if !slices.Contains(have[of], w) {
				t.Errorf("%s has no constant for %q of the contract", of, w)
			}
		}
	}
	if len(techniques) != len(repair.Techniques()) {
		t.Errorf("the contract has %d techniques, repair %d", len(techniques), len(repair.Techniques()))
	}
	for of, reason := range otherTypes {
		if len(have[of]) == 0 {
			t.Errorf("%s (%s) has no constants any more", of, reason)
		}
	}
}

type constant struct{ name, of, word string }

// constants reads the text constants of a room with their types from its source;
// one without a type is of the room itself.
func constants(t *testing.T, room string) []constant {
	t.Helper()
	files, err := filepath.Glob(filepath.Join("..", room, "*.go"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no source of %s: %v", room, err)
	}
	var list []constant
	for _, path := range files {
		if strings.HasSuffix(path, "_test.go") {
			continue
		}
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, text, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range file.Decls {
			group, ok := d.(*ast.GenDecl)
			if !ok || group.Tok != token.CONST {
				continue
			}
			for _, s := range group.Specs {
				spec := s.(*ast.ValueSpec)
				of := room + "."
				if typ, ok := spec.Type.(*ast.Ident); ok {
					of += typ.Name
				}
				for i, v := range spec.Values {
					if lit, ok := v.(*ast.BasicLit); ok && lit.Kind == token.STRING && ast.IsExported(spec.Names[i].Name) {
						word, err := strconv.Unquote(lit.Value)
						if err != nil {
							t.Fatal(err)
						}
						list = append(list, constant{room + "." + spec.Names[i].Name, of, word})
					}
				}
			}
		}
	}
	return list
}

// Every enum of the contract: a word and its value are each other's inverse, and
// no two values share a word.
func TestWordAndEnumAreInverse(t *testing.T) {
	for number := range trigonev1.Method_name {
		m := trigonev1.Method(number)
		if back := Enum[trigonev1.Method](Word(m)); back != m {
			t.Errorf("%s comes back as %s", m, back)
		}
	}
	if Enum[trigonev1.Method]("nonsense") != 0 || Enum[trigonev1.Method]("unspecified") != 0 || Word(trigonev1.Method(999)) != "" {
		t.Error("unknown words and numbers must be the zero value")
	}
	if got := Word(trigonev1.DysfunctionType_DYSFUNCTION_TYPE_IIIA); got != "iiia" {
		t.Errorf("type IIIa is the word %q", got)
	}
	seen := 0
	protoregistry.GlobalTypes.RangeEnums(func(et protoreflect.EnumType) bool {
		if et.Descriptor().FullName().Parent() != "trigone.v1" {
			return true
		}
		seen++
		values := et.Descriptor().Values()
		taken := map[string]bool{}
		for i := range values.Len() {
			w := Word(et.New(values.Get(i).Number()))
			if taken[w] {
				t.Errorf("%s has the word %q twice", et.Descriptor().Name(), w)
			}
			taken[w] = true
			if i > 0 && (w == "" || w == "unspecified") {
				t.Errorf("%s has the word %q", values.Get(i).Name(), w)
			}
		}
		return true
	})
	if seen < 50 {
		t.Errorf("only %d enums were found", seen)
	}
}
