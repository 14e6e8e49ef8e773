package evaluate_test

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	"trigone/internal/convert"
	"trigone/internal/evaluate"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/rules"
	"trigone/internal/settings"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// notFinite gives the paths of all numbers in a value that are no numbers.
func notFinite(path string, v reflect.Value) []string {
	var list []string
	switch v.Kind() {
	case reflect.Float64:
		if math.IsNaN(v.Float()) || math.IsInf(v.Float(), 0) {
			list = append(list, path)
		}
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() {
			list = notFinite(path, v.Elem())
		}
	case reflect.Struct:
		for i := range v.NumField() {
			list = append(list, notFinite(path+"."+v.Type().Field(i).Name, v.Field(i))...)
		}
	case reflect.Slice, reflect.Array:
		for i := range v.Len() {
			list = append(list, notFinite(fmt.Sprintf("%s[%d]", path, i), v.Index(i))...)
		}
	case reflect.Map:
		for _, k := range v.MapKeys() {
			list = append(list, notFinite(fmt.Sprintf("%s[%v]", path, k), v.MapIndex(k))...)
		}
	}
	return list
}

// runAside runs both passes by hand and gives the ids of all findings.
func runAside(c *repair.Case, s settings.Settings, version string) []string {
	s = s.Under(version)
	var ids []string
	var disputed, slips []valve.Key
	first, _ := rules.Run(c, s, metric.Compute(c, s), version, func(r rules.Rule) bool { return r.JudgesAll(version) })
	for _, f := range first {
		ids = append(ids, f.ID)
		for _, d := range f.Disputes {
			disputed = append(disputed, d.Key)
		}
		for _, q := range f.Questions {
			slips = append(slips, q.Key)
		}
	}
	clean := evaluate.Withhold(c, disputed, slips)
	second, _ := rules.Run(clean, s, metric.Compute(clean, s), version, func(r rules.Rule) bool { return !r.JudgesAll(version) })
	for _, f := range second {
		ids = append(ids, f.ID)
	}
	slices.Sort(ids)
	return ids
}

// judge evaluates a file that intake takes in: nothing that is no number comes
// out, no rule breaks down, no finding is lost between the rules and the
// evaluation, every group has its root.
func judge(t interface{ Errorf(string, ...any) }, file *trigonev1.CaseFile) {
	s := settings.BuiltIn("example", "1", "Europe/London")
	for _, version := range rules.SetVersions() {
		c := convert.Case(record(file))
		e := evaluate.Evaluate(evaluate.Input{Case: c, Settings: s, RuleSet: version})
		for _, v := range e.Metrics {
			if list := notFinite(v.Key.String(), reflect.ValueOf(v)); len(list) > 0 {
				t.Errorf("no numbers: %v of %+v", list, v)
			}
		}
		if list := notFinite("evaluation", reflect.ValueOf(e)); len(list) > 0 {
			t.Errorf("no numbers: %v", list)
		}
		var ids []string
		roots := map[string]bool{}
		for _, f := range e.Findings {
			ids = append(ids, f.ID)
			roots[f.ID] = f.Root == ""
			if strings.Contains(f.Message, "NaN") || strings.Contains(f.Message, "Inf") || strings.Contains(f.Message, "not recorded") {
				t.Errorf("%s: %s", f.Rule, f.Message)
			}
		}
		for _, f := range e.Findings {
			if f.Root != "" && !roots[f.Root] {
				t.Errorf("%s stands under %s, which is no root", f.Rule, f.Root)
			}
		}
		for _, g := range e.Gaps {
			if slices.Contains(g.Missing, rules.RuleFailed) {
				t.Errorf("%s at %+v: the rule failed", g.Rule, g.At)
			}
		}
		slices.Sort(ids)
		if want := runAside(convert.Case(record(file)), s, version); !slices.Equal(ids, want) {
			t.Errorf("set %s: findings %v, the rules gave %v", version, ids, want)
		}
		if len(slices.Compact(slices.Clone(ids))) != len(ids) {
			for _, f := range e.Findings {
				t.Errorf("two findings have one identity: %s %s %+v %s", f.ID, f.Rule, f.At, f.Message)
			}
		}
	}
}

// Whatever the bytes. What intake refuses is never stored, and so never
// evaluated.
func FuzzEvaluate(f *testing.F) {
	for _, folder := range []string{testdata.Cases, testdata.Submits} {
		for _, name := range testdata.Names(folder) {
			file, err := testdata.Read(folder, name)
			if err != nil {
				f.Fatal(err)
			}
			raw, err := proto.Marshal(file)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(raw)
		}
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		file := &trigonev1.CaseFile{}
		if proto.Unmarshal(raw, file) == nil && len(convert.CheckFile(file)) == 0 {
			judge(t, file)
		}
	})
}

// spoil changes scalar fields of a message at random: another number, another
// word of the contract, or none.
func spoil(t *rapid.T, m protoreflect.Message) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() { // in order, so that a failure can be repeated
		fd := fields.Get(i)
		if !m.Has(fd) {
			continue
		}
		v := m.Get(fd)
		switch {
		case fd.IsMap():
		case fd.Message() != nil && fd.IsList():
			for i := range v.List().Len() {
				spoil(t, v.List().Get(i).Message())
			}
		case fd.Message() != nil:
			spoil(t, v.Message())
		case fd.IsList() || rapid.IntRange(0, 39).Draw(t, "spoil") > 0:
		case fd.Kind() == protoreflect.DoubleKind:
			factor := rapid.SampledFrom([]float64{0, 0.1, 0.5, 0.99, 1.01, 2, 10, 100}).Draw(t, "factor")
			m.Set(fd, protoreflect.ValueOfFloat64(v.Float()*factor))
		case fd.Kind() == protoreflect.Int32Kind:
			m.Set(fd, protoreflect.ValueOfInt32(rapid.Int32Range(1, 3).Draw(t, "number")))
		case fd.Kind() == protoreflect.EnumKind:
			values := fd.Enum().Values()
			m.Set(fd, protoreflect.ValueOfEnum(values.Get(rapid.IntRange(0, values.Len()-1).Draw(t, "word")).Number()))
		case fd.Kind() == protoreflect.StringKind && strings.HasSuffix(string(fd.Name()), "_on"):
			m.Clear(fd)
		}
	}
}

// The invented cases with numbers and words changed at random. Bytes alone seldom
// make a record that intake takes in.
func TestSpoiltCases(t *testing.T) {
	judged := 0
	rapid.Check(t, func(t *rapid.T) {
		file, err := testdata.Read(testdata.Cases, rapid.SampledFrom(testdata.Names(testdata.Cases)).Draw(t, "case"))
		if err != nil {
			t.Fatal(err)
		}
		spoil(t, file.ProtoReflect())
		if len(convert.CheckFile(file)) == 0 {
			judged++
			judge(t, file)
		}
	})
	if judged == 0 {
		t.Error("no spoilt case was taken in")
	}
	t.Logf("%d spoilt cases judged", judged)
}
