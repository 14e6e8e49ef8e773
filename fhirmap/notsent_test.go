package fhirmap_test

import (
	"bytes"
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/fhirmap"
	"trigone/internal/convert"
	"trigone/internal/evaluate"
	"trigone/internal/metric"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// place of a field of the contract: the section it stands in, its message, its name.
type place struct{ section, message, field string }

// TestEveryFieldIsSentOrListed fills the contract, takes one field after the other
// away and looks whether the bundle changes. A field whose absence nobody sees stands
// in the list of what is not sent, with a reason, and no field that is seen does.
func TestEveryFieldIsSentOrListed(t *testing.T) {
	// What the walk cannot show, because what it fills answers first.
	elsewhere := map[place]string{
		{"assessments", "Study", "context"}:   "read where a value states none",
		{"results", "Study", "context"}:       "read where a value states none",
		{"follow_ups", "Study", "context"}:    "read where a value states none",
		{"operation", "InkTest", "context"}:   "read where a value states none",
		{"follow_ups", "FollowUp", "echo_on"}: "read where the study has no time",
		{"operation", "SalineTest", "time"}:   "both tests have the same id here",
		{"operation", "InkTest", "time"}:      "both tests have the same id here",
		{"operation", "Conversion", "point"}:  "read of a replacement later in the stay",
		{"plan", "Grade", "scheme"}:           "read where the scheme has the grade",
	}
	const tries = 3 // of a field whose absence nobody sees
	seen, unseen, tried := map[place]bool{}, map[place]bool{}, map[place]int{}
	for variant := range 12 {
		full := &trigonev1.CaseFile{}
		fill(full.ProtoReflect(), variant, nil)
		sections := full.ProtoReflect().Descriptor().Fields()
		for i := range sections.Len() {
			section := string(sections.Get(i).Name())
			file := proto.Clone(full).(*trigonev1.CaseFile)
			alone(file, section)
			whole := told(t, file)
			var walk func(m protoreflect.Message)
			walk = func(m protoreflect.Message) {
				var fields []protoreflect.FieldDescriptor
				m.Range(func(f protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
					fields = append(fields, f)
					return true
				})
				for _, f := range fields {
					at := place{section, string(m.Descriptor().Name()), string(f.Name())}
					switch {
					case at.message == "CaseFile" && at.field != section:
						continue
					case f.Message() != nil && isQuantity(f.Message()):
						continue // TestEveryMeasuredLeafIsSentOrListed
					case tried[at] == tries:
						continue
					}
					kept := keep(m, f)
					if !seen[at] {
						m.Clear(f)
						changed := !bytes.Equal(told(t, file), whole)
						m.Set(f, kept)
						if !changed {
							unseen[at] = true
							tried[at]++
							continue
						}
						seen[at] = true
						delete(unseen, at)
					}
					switch {
					case f.Message() == nil:
					case f.IsList():
						if kept.List().Len() > 0 {
							walk(kept.List().Get(0).Message())
						}
					case f.Message().FullName() != "google.protobuf.Timestamp":
						walk(kept.Message())
					}
				}
			}
			walk(file.ProtoReflect())
		}
	}
	listed := map[string]int{}
	var faults []string
	for at := range unseen {
		if seen[at] || elsewhere[at] != "" {
			continue
		}
		if reason := fhirmap.WhyNotSent(at.section, at.message, at.field); reason == "" {
			faults = append(faults, fmt.Sprintf("%s: %s.%s is neither sent nor listed as not sent", at.section, at.message, at.field))
		} else {
			listed[reason]++
		}
	}
	for at := range seen {
		if reason := fhirmap.WhyNotSent(at.section, at.message, at.field); reason != "" {
			faults = append(faults, fmt.Sprintf("%s: %s.%s is sent and listed as not sent: %s", at.section, at.message, at.field, reason))
		}
	}
	slices.Sort(faults)
	for _, f := range faults {
		t.Error(f)
	}
	if len(seen) < 150 {
		t.Errorf("%d fields are seen in the bundle: the walk does not see the contract", len(seen))
	}
	for _, o := range fhirmap.NotSent() {
		if listed[o.Reason] == 0 && !slices.Contains(o.Fields, string(valve.ExpectedProbability)) { // a leaf: those have a walk of their own
			t.Errorf("%+v lists nothing", o)
		}
	}
	t.Logf("%d fields sent, %d listed by %d reasons", len(seen), len(unseen), len(slices.Collect(maps.Keys(listed))))
}

// alone leaves of a file the section that is looked at, and beside it what it is seen
// with: less is made anew for each field.
func alone(file *trigonev1.CaseFile, section string) {
	with := map[string][]string{"plan": {"operation", "assessments"}, "operation": {"plan"}, "follow_ups": {"operation"}, "identity": {"plan"}}[section]
	with = append(with, "identity")
	m := file.ProtoReflect()
	m.Range(func(f protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
		if name := string(f.Name()); name != section && !slices.Contains(with, name) {
			m.Clear(f)
		}
		return true
	})
}

// keep gives the value of a field, such that it outlives its clearing: a list is a view.
func keep(m protoreflect.Message, f protoreflect.FieldDescriptor) protoreflect.Value {
	v := m.Get(f)
	if !f.IsList() {
		return v
	}
	list := m.NewField(f)
	for i := range v.List().Len() {
		list.List().Append(v.List().Get(i))
	}
	return list
}

// told gives the bundle of a file.
func told(t *testing.T, file *trigonev1.CaseFile) []byte {
	t.Helper()
	ev := convert.Evaluation(&evaluate.Evaluation{Metrics: metric.LeafValues(convert.Case(record(file)), nil)})
	slices.SortFunc(ev.Metrics, func(a, b *trigonev1.MetricValue) int {
		return cmp.Or(cmp.Compare(a.GetMetric(), b.GetMetric()), cmp.Compare(a.GetOccasion(), b.GetOccasion()), cmp.Compare(a.GetPlace(), b.GetPlace()), cmp.Compare(a.GetRole(), b.GetRole()))
	})
	ev.PlanInForce = &trigonev1.PlanInForce{Revision: 1, Timing: trigonev1.PlanTiming_PLAN_TIMING_PROSPECTIVE}
	return transaction(t, historyOf(file, ev))
}

// fill sets every field: ids and references to them alike, so that they meet, words by
// the variant, of several alternatives one.
func fill(m protoreflect.Message, variant int, around []protoreflect.MessageDescriptor) {
	around = append(around, m.Descriptor())
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if one := f.ContainingOneof(); one != nil && !one.IsSynthetic() {
			if one.Fields().Get(variant%one.Fields().Len()) != f {
				continue
			}
		}
		if f.Message() != nil && slices.Contains(around, f.Message()) {
			continue
		}
		switch {
		case f.Message() != nil && f.IsList():
			child := m.Mutable(f).List().AppendMutable().Message()
			fill(child, variant, around)
		case f.Message() != nil && f.Message().FullName() == "google.protobuf.Timestamp":
			m.Set(f, protoreflect.ValueOfMessage((&timestamppb.Timestamp{Seconds: 1_770_000_000 + int64(f.Number())*60}).ProtoReflect()))
		case f.Message() != nil:
			fill(m.Mutable(f).Message(), variant, around)
		case f.IsList():
			m.Mutable(f).List().Append(filling(f, variant))
		default:
			m.Set(f, filling(f, variant))
		}
	}
}

func filling(f protoreflect.FieldDescriptor, variant int) protoreflect.Value {
	switch f.Kind() {
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(f.Enum().Values().Get(1 + variant%(f.Enum().Values().Len()-1)).Number())
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(12)
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(1)
	case protoreflect.Int64Kind:
		return protoreflect.ValueOfInt64(1)
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(true)
	}
	name := string(f.Name())
	if name == "on" || name == "date" || strings.HasSuffix(name, "_on") {
		return protoreflect.ValueOfString("2026-02-01")
	}
	return protoreflect.ValueOfString("x")
}
