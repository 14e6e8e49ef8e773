package convert

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	"trigone/internal/valve"
	"trigone/testdata"

	trigonev1 "trigone/proto/trigone/v1"
)

// record puts a case file into a record as the casebook would.
func record(file *trigonev1.CaseFile) Record {
	rec := Record{
		Identity: file.GetIdentity(), Assessments: file.GetAssessments(), Plan: file.GetPlan(), Operation: file.GetOperation(),
		Results: file.GetResults(), FollowUps: file.GetFollowUps(),
	}
	if rec.Plan != nil {
		rec.PlanRevision, rec.Plans = 1, []PlanRevision{{Revision: 1, Plan: rec.Plan}}
	}
	return rec
}

// drawing draws a message: fields set or not, with fitting and unfitting values.
type drawing struct {
	t *rapid.T
	// fitting draws values that the contract takes, and one entry in every list.
	fitting bool
	depth   int
}

func (d drawing) message(m protoreflect.Message) {
	const deepest = 12
	if m.Descriptor().FullName() == "google.protobuf.Timestamp" {
		m.Set(m.Descriptor().Fields().ByName("seconds"), protoreflect.ValueOfInt64(rapid.Int64Range(0, 2_000_000_000).Draw(d.t, "seconds")))
		return
	}
	inner := d
	inner.depth++
	for i := range m.Descriptor().Fields().Len() {
		fd := m.Descriptor().Fields().Get(i)
		// What says where a value stands is always there if it is to fit.
		placing := d.fitting && slices.Contains([]protoreflect.Name{"id", "segment", "slice"}, fd.Name())
		if d.depth > deepest || !placing && rapid.IntRange(0, 2).Draw(d.t, string(fd.Name())) == 0 {
			continue
		}
		switch {
		case fd.IsList():
			list := m.Mutable(fd).List()
			entries := 1
			if !d.fitting {
				entries = rapid.IntRange(0, 3).Draw(d.t, "entries")
			}
			for range entries {
				if fd.Message() != nil {
					inner.message(list.AppendMutable().Message())
				} else {
					list.Append(d.value(fd))
				}
			}
		case fd.Message() != nil:
			inner.message(m.Mutable(fd).Message())
		default:
			m.Set(fd, d.value(fd))
		}
	}
}

func (d drawing) value(fd protoreflect.FieldDescriptor) protoreflect.Value {
	switch fd.Kind() {
	case protoreflect.EnumKind:
		// Without a place there is no key: the zero value is left out.
		first, last := 0, fd.Enum().Values().Len()
		if d.fitting {
			first, last = 1, last-1
		}
		return protoreflect.ValueOfEnum(protoreflect.EnumNumber(rapid.IntRange(first, last).Draw(d.t, "enum")))
	case protoreflect.StringKind:
		if d.fitting {
			return protoreflect.ValueOfString("a")
		}
		return protoreflect.ValueOfString(rapid.SampledFrom([]string{"", "a", "b", "2026-01-31", "2026-02-30", "x y", "a\x00", "a\xff", "step:a/p2"}).Draw(d.t, "text"))
	case protoreflect.DoubleKind:
		if d.fitting {
			return protoreflect.ValueOfFloat64(rapid.Float64Range(0, 100).Draw(d.t, "number"))
		}
		return protoreflect.ValueOfFloat64(rapid.SampledFrom([]float64{0, 12.5, -1, 1e9, math.NaN(), math.Inf(1), math.Inf(-1), math.Copysign(0, -1), math.MaxFloat64}).Draw(d.t, "number"))
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(true)
	case protoreflect.Int64Kind:
		return protoreflect.ValueOfInt64(rapid.Int64Range(-1, 20).Draw(d.t, "count"))
	}
	low, high := -1, 20
	if d.fitting {
		low, high = 1, 16
	}
	return protoreflect.ValueOfInt32(int32(rapid.IntRange(low, high).Draw(d.t, "count")))
}

// numbersIn visits every number of a message with its path, by a walk of its
// own.
func numbersIn(m protoreflect.Message, path string, visit func(path string, v float64)) {
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		at := path + "." + string(fd.Name())
		one := func(v protoreflect.Value, at string) {
			switch {
			case fd.Message() != nil:
				numbersIn(v.Message(), at, visit)
			case fd.Kind() == protoreflect.DoubleKind:
				visit(strings.TrimPrefix(at, "."), v.Float())
			}
		}
		if fd.IsList() {
			for i := range v.List().Len() {
				one(v.List().Get(i), fmt.Sprintf("%s[%d]", at, i))
			}
			return true
		}
		one(v, at)
		return true
	})
}

// Whatever the case file: no panic, no number that is none passes, each path is
// told once with a sentence, and the answer is the same the second time.
func TestAnyCaseFile(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		file := &trigonev1.CaseFile{}
		drawing{t: t}.message(file.ProtoReflect())
		list := CheckFile(file)
		told := map[string]bool{}
		for _, v := range list {
			if told[v.Path] || v.Path == "" || v.Message == "" {
				t.Fatalf("told twice or not at all: %+v", v)
			}
			told[v.Path] = true
			if !utf8.ValidString(v.Message) || strings.ContainsRune(v.Message, 0) {
				t.Fatalf("text is echoed: %q", v)
			}
		}
		numbersIn(file.ProtoReflect(), "", func(path string, v float64) {
			if !math.IsNaN(v) && !math.IsInf(v, 0) {
				return
			}
			// In a list of numbers the first is named for all, unless the list is
			// refused as a whole.
			points, _, listed := strings.Cut(path, "_mm[")
			named := func(v Violation) bool { return strings.HasPrefix(v.Path, points+"_mm") }
			if !told[path] && (!listed || !slices.ContainsFunc(list, named)) {
				t.Fatalf("%v at %s passed: %v", v, path, told)
			}
		})
		if again := CheckFile(file); !slices.Equal(list, again) {
			t.Fatalf("checked again:\n%v\n%v", list, again)
		}
		Case(record(file))
	})
}

// quantitiesIn counts the quantities with a value or a reason that are reasoned
// about, by a walk of its own.
func quantitiesIn(m protoreflect.Message) int {
	name := m.Descriptor().FullName()
	if _, skip := notReasoned[name]; skip {
		return 0
	}
	if value, ok := quantities[name]; ok {
		if m.Has(m.Descriptor().Fields().ByName(value)) || m.Has(m.Descriptor().Fields().ByName("absent_reason")) {
			return 1
		}
		return 0
	}
	n := 0
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.Message() == nil:
		case fd.IsList():
			for i := range v.List().Len() {
				n += quantitiesIn(v.List().Get(i).Message())
			}
		default:
			n += quantitiesIn(v.Message())
		}
		return true
	})
	return n
}

// Nothing measured gets lost: with one entry in every list, so that no key is
// given twice, a case holds as many values as its file holds quantities, at
// places of the grammar, under the plan's role in the plan and nowhere else.
func TestEveryQuantityBecomesAMeasurement(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		file := &trigonev1.CaseFile{}
		drawing{t: t, fitting: true}.message(file.ProtoReflect())
		want := quantitiesIn(file.ProtoReflect())
		if id := file.GetIdentity(); id != nil {
			for _, v := range []*float64{id.HeightCm, id.WeightKg} {
				if v != nil {
					want++
				}
			}
		}
		c := Case(record(file))
		if len(c.Measured) != want {
			t.Fatalf("%d quantities became %d values: %v", want, len(c.Measured), c.Measured.Keys())
		}
		for k, m := range c.Measured {
			if _, err := valve.ParsePlace(string(k.Place)); err != nil {
				t.Fatalf("%s: %v", k, err)
			}
			if planned := k.Occasion == valve.AtPlan; planned != (k.Role == valve.Planned) {
				t.Fatalf("%s has the role %s", k, k.Role)
			}
			if m.StudyID == "" {
				t.Fatalf("%s belongs to no study", k)
			}
			if m.Value.IsNone() && m.Absent == "" {
				t.Fatalf("%s has neither a value nor a reason", k)
			}
		}
		if p := file.GetPlan(); p != nil && len(c.Plans[0].Measured) != quantitiesIn(p.ProtoReflect()) {
			t.Fatalf("the plan's own values are %v", c.Plans[0].Measured.Keys())
		}
	})
}

// Case never fails, of whatever Go can build: nil where the wire has nothing.
func TestCaseTakesNil(t *testing.T) {
	empty := func(rec Record) {
		if Case(rec) == nil {
			t.Error("no case was made")
		}
	}
	empty(Record{})
	empty(Record{
		Assessments: []*trigonev1.Assessment{nil, {Study: &trigonev1.Study{
			Leaflets:       &trigonev1.Leaflets{Lesions: []*trigonev1.Lesion{nil}, Heights: []*trigonev1.LeafletHeight{nil}, Dysfunctions: []*trigonev1.Dysfunction{nil}},
			AnteriorMotion: &trigonev1.AnteriorMotion{Manoeuvres: []*trigonev1.Manoeuvre{nil}},
			Chambers:       &trigonev1.Chambers{WallMotion: []*trigonev1.WallMotion{nil}},
		}}},
		Plans:     []PlanRevision{{}},
		Results:   []*trigonev1.Result{nil},
		FollowUps: []*trigonev1.FollowUp{nil, {Reinterventions: []*trigonev1.Reintervention{nil}}},
		Operation: &trigonev1.Operation{
			Runs: []*trigonev1.PumpRun{nil}, Steps: []*trigonev1.PerformedStep{nil}, Heights: []*trigonev1.FieldHeights{nil},
			MarginChords: []*trigonev1.MarginChords{nil}, SalineTests: []*trigonev1.SalineTest{nil}, InkTests: []*trigonev1.InkTest{nil},
			ConcomitantProcedures: []*trigonev1.ConcomitantProcedure{nil},
		},
	})
	for _, k := range everyWrapper(&trigonev1.Technique{}, "kind") {
		empty(Record{Plan: &trigonev1.Plan{Steps: []*trigonev1.PlannedStep{nil, {Technique: k.(*trigonev1.Technique)}}}})
	}
	for _, k := range everyWrapper(&trigonev1.Target{}, "aim") {
		empty(Record{Plan: &trigonev1.Plan{Targets: []*trigonev1.Target{nil, k.(*trigonev1.Target)}}})
	}
}

// everyWrapper gives a message for each field of a oneof, with nil in its
// wrapper.
func everyWrapper(m proto.Message, oneof protoreflect.Name) []proto.Message {
	var list []proto.Message
	fields := m.ProtoReflect().Descriptor().Oneofs().ByName(oneof).Fields()
	for i := range fields.Len() {
		one := m.ProtoReflect().New()
		one.Set(fields.Get(i), one.NewField(fields.Get(i)))
		// The field of the Go struct that holds the oneof's wrapper, whose only field
		// becomes nil.
		wrapper := reflect.ValueOf(one.Interface()).Elem().FieldByNameFunc(func(name string) bool { return strings.EqualFold(name, string(oneof)) })
		wrapper.Elem().Elem().Field(0).SetZero()
		list = append(list, one.Interface())
	}
	return list
}

// Whatever the bytes: no panic, nothing that is not finite is taken in, every
// place is of the grammar, and what is checked is not changed.
func FuzzCheckAndConvert(f *testing.F) {
	add := func(file *trigonev1.CaseFile) {
		raw, err := proto.Marshal(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(raw)
	}
	for _, folder := range []string{testdata.Cases, testdata.Submits} {
		for _, name := range testdata.Names(folder) {
			file, err := testdata.Read(folder, name)
			if err != nil {
				f.Fatal(err)
			}
			add(file)
		}
	}
	nan := math.NaN()
	add(&trigonev1.CaseFile{Identity: &trigonev1.Identity{Sex: 99, HeightCm: &nan}})
	f.Add(protowire.AppendTag(nil, 77, protowire.StartGroupType))
	f.Fuzz(func(t *testing.T, raw []byte) {
		file := &trigonev1.CaseFile{}
		if proto.Unmarshal(raw, file) != nil {
			return
		}
		before := proto.Clone(file)
		list := CheckFile(file)
		CheckSubmit(file)
		c := Case(record(file))
		if !proto.Equal(before, file) {
			t.Error("the file was changed")
		}
		for i, v := range list {
			if i > 0 && v.Path == list[i-1].Path {
				t.Errorf("%s is told twice", v.Path)
			}
		}
		if len(list) > 0 {
			return
		}
		numbersIn(file.ProtoReflect(), "", func(path string, v float64) {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%v at %s passed", v, path)
			}
		})
		for k := range c.Measured {
			if _, err := valve.ParsePlace(string(k.Place)); err != nil {
				t.Error(err)
			}
		}
	})
}
