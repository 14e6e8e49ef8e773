package convert

import (
	"maps"
	"math"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	"trigone/internal/discrepancy"
	"trigone/internal/evaluate"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// again judges a comparison from the numbers of its message alone; ok is false
// where it holds none. Tolerance and margin say by themselves what they mean
// (evaluation.proto); 1e-9 absorbs the binary error of decimal differences.
func again(c *trigonev1.Comparison) (v trigonev1.ComparisonVerdict, ok bool) {
	const slack = 1e-9
	by := 0.0
	switch {
	case c.ActualValue != nil && (c.Lower != nil || c.Upper != nil):
		if c.Lower != nil {
			by = max(by, c.GetLower()-c.GetActualValue())
		}
		if c.Upper != nil {
			by = max(by, c.GetActualValue()-c.GetUpper())
		}
	case c.ActualValue != nil && c.PlannedValue != nil:
		by = math.Abs(c.GetActualValue() - c.GetPlannedValue())
	case c.Difference != nil && c.Margin != nil: // grades: only above counts
		by = max(0, c.GetDifference())
	default:
		return 0, false
	}
	switch {
	case by <= c.GetTolerance()+slack:
		return trigonev1.ComparisonVerdict_COMPARISON_VERDICT_AGREES, true
	case by <= c.GetMargin()+slack:
		return trigonev1.ComparisonVerdict_COMPARISON_VERDICT_INDETERMINATE, true
	}
	return trigonev1.ComparisonVerdict_COMPARISON_VERDICT_PRESENT, true
}

// judgedAlone checks what must hold of every comparison, and counts those with
// numbers by verdict.
func judgedAlone(t interface {
	Helper()
	Errorf(string, ...any)
}, name string, list []*trigonev1.Comparison, counts map[trigonev1.ComparisonVerdict]int) {
	t.Helper()
	ids := map[string]bool{}
	for _, c := range list {
		if ids[c.GetId()] {
			t.Errorf("%s: two comparisons have the id %s", name, c.GetId())
		}
		ids[c.GetId()] = true
		if c.GetKind() == 0 || c.GetVerdict() == 0 || c.GetMessage() == "" || c.GetFormulaNumber() == 0 {
			t.Errorf("%s: kind, verdict, message and formula number must be given: %v", name, c)
		}
		if c.GetLimitOnReading() && c.GetVerdict() == trigonev1.ComparisonVerdict_COMPARISON_VERDICT_INDETERMINATE {
			t.Errorf("%s: a limit on the reading is never indeterminate: %v", name, c)
		}
		switch c.GetVerdict() {
		case trigonev1.ComparisonVerdict_COMPARISON_VERDICT_NOT_APPLICABLE:
			if c.GetNotApplicableBecause() == "" || c.GetClass() != "" || c.GetDiscrepancyId() != "" {
				t.Errorf("%s: why it does not apply must be said, and it is no discrepancy: %v", name, c)
			}
			continue
		case trigonev1.ComparisonVerdict_COMPARISON_VERDICT_NOT_EVALUABLE:
			continue
		case trigonev1.ComparisonVerdict_COMPARISON_VERDICT_AGREES:
			if c.GetClass() != "" || c.GetDiscrepancyId() != "" {
				t.Errorf("%s: what agrees is no discrepancy: %v", name, c)
			}
		}
		if v, ok := again(c); ok {
			if c.GetAsTyped() && v == trigonev1.ComparisonVerdict_COMPARISON_VERDICT_PRESENT {
				v = trigonev1.ComparisonVerdict_COMPARISON_VERDICT_INDETERMINATE
			}
			counts[v]++
			if v != c.GetVerdict() {
				t.Errorf("%s: %v by its own numbers, and it says %v: %v", name, v, c.GetVerdict(), c)
			}
		}
		if c.Z != nil {
			z := (c.GetActualValue() - c.GetPlannedValue()) / math.Hypot(c.GetPlannedSd(), c.GetActualSd())
			if math.Abs(z-c.GetZ()) > 1e-9 {
				t.Errorf("%s: z is %v by its own numbers: %v", name, z, c)
			}
		}
	}
}

// Whoever has a stored comparison can judge it again from its own numbers, and
// gets its verdict: over the invented cases, and with their values changed.
func TestEveryVerdictFollowsFromItsOwnNumbers(t *testing.T) {
	counts := map[trigonev1.ComparisonVerdict]int{}
	names := testdata.Names(testdata.Cases)
	cases := map[string]Record{}
	for _, name := range names {
		file, err := testdata.Read(testdata.Cases, name)
		if err != nil {
			t.Fatal(err)
		}
		cases[name] = record(file)
		e := evaluate.Evaluate(evaluate.Input{Case: Case(cases[name]), Settings: settings.BuiltIn("harbour", "1", "UTC"), First: true})
		judgedAlone(t, name, Evaluation(&e).GetComparisons(), counts)
	}
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(names).Draw(t, "case")
		c := Case(cases[name])
		for k, m := range c.Measured {
			if v, ok := m.Value.Get(); ok && k.Occasion != valve.AtPlan && k.Role == valve.Measured {
				m.Value = units.Some(v * (1 + float64(hash(k.String()+name)%200)/100*rapid.Float64Range(-0.4, 0.4).Draw(t, "change")))
				c.Measured[k] = m
			}
		}
		list := discrepancy.Compare(discrepancy.Input{Case: c, InForce: c.PlanInForce(), Settings: settings.BuiltIn("harbour", "1", "UTC")})
		var messages []*trigonev1.Comparison
		for _, d := range list {
			messages = append(messages, comparison(d))
		}
		judgedAlone(t, name, messages, counts)
	})
	for _, v := range []trigonev1.ComparisonVerdict{
		trigonev1.ComparisonVerdict_COMPARISON_VERDICT_AGREES, trigonev1.ComparisonVerdict_COMPARISON_VERDICT_INDETERMINATE,
		trigonev1.ComparisonVerdict_COMPARISON_VERDICT_PRESENT,
	} {
		if counts[v] < 10 && !testing.Short() { // which draws fewer cases
			t.Errorf("%v was judged again %d times only", v, counts[v])
		}
	}
}

func hash(text string) (sum int) {
	for _, b := range []byte(text) {
		sum = (sum*31 + int(b)) % 1000003
	}
	return sum
}

// notCompared are the fields of a technique that are not held against the plan,
// with the reason; every other one makes a comparison.
var notCompared = map[string]string{
	"annuloplasty.implanted_label":       "only of the ring implanted: held against the planned labels",
	"annuloplasty.sizers":                "what was tried in theatre, which no plan can state",
	"annuloplasty.sizing_basis":          "how the ring was sized, which says nothing of the valve",
	"annuloplasty.sizing_method":         "how the ring was sized, which says nothing of the valve",
	"annuloplasty.orientation_deg":       "no tolerance was found for it; for the record",
	"artificial_chord.length_basis":      "how the length was found, which says nothing of the valve; the length is compared",
	"artificial_chord.reference_segment": "how the length was found, which says nothing of the valve; the length is compared",
}

// comparedOtherwise are fields that are compared with another field.
var comparedOtherwise = map[string]string{
	"annuloplasty.planned_label_min": "with the label implanted",
	"annuloplasty.planned_label_max": "with the label implanted",
}

// techniqueSample gives a technique with the field set, and one with another value
// in it.
func techniqueSample(kind protoreflect.FieldDescriptor, path []protoreflect.FieldDescriptor) (one, other *trigonev1.Technique) {
	make1 := func(variant int) *trigonev1.Technique {
		tech := &trigonev1.Technique{}
		m := tech.ProtoReflect().Mutable(kind).Message()
		for i, fd := range path {
			if i < len(path)-1 {
				m = m.Mutable(fd).Message()
				continue
			}
			setSample(m, fd, variant)
		}
		return tech
	}
	return make1(1), make1(2)
}

func setSample(m protoreflect.Message, fd protoreflect.FieldDescriptor, variant int) {
	scalar := func(fd protoreflect.FieldDescriptor) protoreflect.Value {
		switch fd.Kind() {
		case protoreflect.EnumKind:
			return protoreflect.ValueOfEnum(protoreflect.EnumNumber(variant))
		case protoreflect.Int32Kind:
			return protoreflect.ValueOfInt32(int32(variant))
		case protoreflect.DoubleKind:
			return protoreflect.ValueOfFloat64(float64(20 * variant))
		}
		return protoreflect.ValueOfString(strings.Repeat("x", variant))
	}
	if fd.IsList() {
		list := m.Mutable(fd).List()
		if fd.Message() == nil {
			list.Append(scalar(fd))
			return
		}
		element := list.NewElement()
		inner := element.Message()
		setSample(inner, inner.Descriptor().Fields().Get(0), variant)
		list.Append(element)
		return
	}
	if fd.Message() == nil {
		m.Set(fd, scalar(fd))
		return
	}
	inner := m.Mutable(fd).Message()
	setSample(inner, inner.Descriptor().Fields().Get(0), variant)
}

// Everything that a plan can state of a step is held against what was done, or is
// named with the reason: each field alone, planned and done otherwise, makes a
// comparison that differs; planned and done alike one that agrees.
func TestEverythingPlannedOfAStepIsCompared(t *testing.T) {
	used := map[string]bool{}
	var check func(kind protoreflect.FieldDescriptor, path []protoreflect.FieldDescriptor, m protoreflect.MessageDescriptor)
	check = func(kind protoreflect.FieldDescriptor, path []protoreflect.FieldDescriptor, m protoreflect.MessageDescriptor) {
		for i := range m.Fields().Len() {
			fd := m.Fields().Get(i)
			here := append(slices.Clone(path), fd)
			if fd.Message() != nil && !isQuantity(fd) && !fd.IsList() && fd.Message().Name() != "Location" {
				check(kind, here, fd.Message())
				continue
			}
			name := string(kind.Name())
			for _, p := range here {
				name += "." + string(p.Name())
			}
			one, other := techniqueSample(kind, here)
			differs := compared(one, other, trigonev1.ComparisonVerdict_COMPARISON_VERDICT_PRESENT)
			agrees := compared(one, proto.Clone(one).(*trigonev1.Technique), trigonev1.ComparisonVerdict_COMPARISON_VERDICT_AGREES)
			reason, listed := notCompared[name]
			if used[name] = true; listed {
				if reason == "" || len(differs) > 0 {
					t.Errorf("%s is listed as not compared (%q) and makes %v", name, reason, differs)
				}
				continue
			}
			if comparedOtherwise[name] != "" {
				continue
			}
			alike := slices.DeleteFunc(agrees, func(c string) bool { return c == "step " || c == "step_technique " && name != "further_technique.kind" })
			if len(differs) == 0 || len(alike) == 0 {
				t.Errorf("%s is not held against the plan: compare it, or name the reason; differs %v, agrees %v", name, differs, alike)
			}
		}
	}
	kinds := (&trigonev1.Technique{}).ProtoReflect().Descriptor().Fields()
	for i := range kinds.Len() {
		check(kinds.Get(i), nil, kinds.Get(i).Message())
	}
	for _, name := range slices.Concat(slices.Collect(maps.Keys(notCompared)), slices.Collect(maps.Keys(comparedOtherwise))) {
		if !used[name] {
			t.Errorf("%s is named and is no field of a technique", name)
		}
	}
}

// compared gives the comparisons with a verdict of one planned and one performed technique that are linked.
func compared(planned, done *trigonev1.Technique, verdict trigonev1.ComparisonVerdict) []string {
	signed := &trigonev1.Plan{
		Signer: "s", StepsRecorded: trigonev1.Recorded_RECORDED_COMPLETE,
		Steps: []*trigonev1.PlannedStep{{Id: "p", Technique: planned}},
	}
	op := &trigonev1.Operation{
		StepsRecorded: trigonev1.Recorded_RECORDED_COMPLETE,
		Steps:         []*trigonev1.PerformedStep{{Id: "s", Technique: done, PlannedStepId: "p"}},
	}
	c := Case(Record{Plan: signed, PlanRevision: 1, Plans: []PlanRevision{{Revision: 1, Plan: signed}}, Operation: op})
	var list []string
	in := discrepancy.Input{Case: c, Settings: settings.BuiltIn("harbour", "1", "UTC"),
		InForce: repair.InForce{Revision: &c.Plans[0], Timing: repair.Prospective}}
	for _, d := range discrepancy.Compare(in) {
		if d.PlannedStepID == "p" && Enum[trigonev1.ComparisonVerdict](string(d.Verdict)) == verdict {
			list = append(list, string(d.Kind)+" "+d.Metric)
		}
	}
	return list
}
