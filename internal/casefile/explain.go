package casefile

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/metric"
	"trigone/internal/rules"
)

// Explanation is what there is to say of one field.
type Explanation struct {
	Path    string   `json:"path"`
	Others  []string `json:"alsoIn,omitempty"` // where else the same field stands
	Meaning string   `json:"meaning"`
	Form    string   `json:"writtenAs"`        // how its value is written
	Bounds  string   `json:"taken,omitempty"`  // what the contract takes; empty: it states none
	Words   []Said   `json:"words,omitempty"`  // of an enum
	Fields  []Said   `json:"fields,omitempty"` // of a heading
	// Plausible, PlausibleSource and Tier are of a measured value.
	Plausible       string   `json:"plausible,omitempty"`
	PlausibleSource string   `json:"plausibleSource,omitempty"`
	Tier            string   `json:"tier,omitempty"`
	Metrics         []string `json:"metrics,omitempty"` // whose formula reads it
	Rules           []string `json:"rules,omitempty"`   // in force, that read it in their own examples
	Codes           []string `json:"codes,omitempty"`   // public ones that its value may have
	ReadBy          string   `json:"readBy,omitempty"`  // who reads it besides, where the contract says it
	// Steps are the messages and fields from the section to it, by name.
	Steps []Step `json:"-"`
}

// Said is a word or a field with what it means; where that is only the word again,
// nothing.
type Said struct {
	Name    string `json:"name"`
	Meaning string `json:"meaning,omitempty"`
}

// String says both in a line.
func (s Said) String() string {
	if s.Meaning == "" {
		return s.Name
	}
	return s.Name + ": " + s.Meaning
}

func saidOf(name, meaning string) Said {
	if strings.EqualFold(strings.TrimSuffix(meaning, "."), strings.ReplaceAll(name, "_", " ")) {
		meaning = ""
	}
	return Said{name, meaning}
}

// Step is a field on the way to another.
type Step struct{ Message, Field string }

// Explain tells of a field by its path from a section, positions or not, or by the end
// of its path alone.
func Explain(path string) (Explanation, error) {
	asked := strings.Split(plainPath(strings.TrimSpace(path)), ".")
	for i, name := range asked {
		asked[i] = snake(name)
	}
	var found [][]protoreflect.FieldDescriptor
	whole := false
	eachField(root(), nil, func(at []protoreflect.FieldDescriptor) {
		if len(at) < len(asked) {
			return
		}
		for i, fd := range at[len(at)-len(asked):] {
			if string(fd.Name()) != asked[i] {
				return
			}
		}
		if len(at) == len(asked) && !whole { // the path is whole: no other is meant
			found, whole = nil, true
		}
		if !whole || len(at) == len(asked) {
			found = append(found, at)
		}
	})
	if len(found) == 0 {
		return Explanation{}, noField(asked)
	}
	field := found[0][len(found[0])-1]
	var others, kinds []string
	for _, at := range found {
		if last := at[len(at)-1]; last != field {
			kinds = append(kinds, pathOf(at))
		}
	}
	if len(kinds) > 0 {
		several := append([]string{pathOf(found[0])}, kinds...)
		return Explanation{}, fmt.Errorf("several fields end like that; name one: %s", orList(several[:min(8, len(several))]))
	}
	eachField(root(), nil, func(at []protoreflect.FieldDescriptor) {
		if at[len(at)-1] == field && pathOf(at) != pathOf(found[0]) {
			others = append(others, pathOf(at))
		}
	})
	return explained(found[0], others)
}

// noField names the fields that are nearest to what was asked for.
func noField(asked []string) error {
	md := root()
	for _, name := range asked[:len(asked)-1] {
		if fd := fieldNamed(md, name); fd != nil && fd.Message() != nil && !isTime(fd.Message()) {
			md = fd.Message()
		}
	}
	names := fieldNames(md)
	if len(asked) == 1 {
		names = nil
		eachField(root(), nil, func(at []protoreflect.FieldDescriptor) {
			if name := string(at[len(at)-1].Name()); !slices.Contains(names, name) {
				names = append(names, name)
			}
		})
	}
	return errors.New("there is no such field of a case file; the nearest are " + orList(Nearest(asked[len(asked)-1], names)))
}

// eachField visits every field that a person fills in, with the way to it. What stands
// inside a quantity is told with the quantity.
func eachField(md protoreflect.MessageDescriptor, way []protoreflect.FieldDescriptor, visit func([]protoreflect.FieldDescriptor)) {
	for i := range md.Fields().Len() {
		fd := md.Fields().Get(i)
		if fd.Name() == fieldAdvice && len(way) == 0 {
			continue
		}
		at := append(slices.Clone(way), fd)
		visit(at)
		if fd.Message() != nil && !isTime(fd.Message()) && unitOf(fd.Message()) == "" {
			eachField(fd.Message(), at, visit)
		}
	}
}

func pathOf(at []protoreflect.FieldDescriptor) string {
	var names []string
	for _, fd := range at {
		names = append(names, string(fd.Name()))
	}
	return strings.Join(names, ".")
}

func explained(at []protoreflect.FieldDescriptor, others []string) (Explanation, error) {
	fd := at[len(at)-1]
	x := Explanation{Path: pathOf(at), Others: others, Meaning: meaning(fd), Form: formOf(fd)}
	if said := strings.TrimSpace(readBy.FindString(comment(fd))); said != "" {
		x.ReadBy = strings.TrimSuffix(strings.TrimPrefix(said, "Read by "), ".")
	}
	for _, step := range at {
		x.Steps = append(x.Steps, Step{string(step.ContainingMessage().Name()), string(step.Name())})
	}
	value := fd
	if fd.Message() != nil && unitOf(fd.Message()) != "" {
		value = fd.Message().Fields().ByName(protoreflect.Name(unitOf(fd.Message())))
	}
	r, err := protovalidate.ResolveFieldRules(value)
	if err != nil {
		return Explanation{}, fmt.Errorf("the rules of %s: %w", value.FullName(), err)
	}
	switch {
	case r.GetDouble().HasGte():
		x.Bounds = fmt.Sprintf("%g to %g", r.GetDouble().GetGte(), r.GetDouble().GetLte())
		if value != fd {
			x.Bounds += " " + unitOf(fd.Message())
		}
	case r.GetInt32().HasGte():
		x.Bounds = fmt.Sprintf("%d to %d", r.GetInt32().GetGte(), r.GetInt32().GetLte())
	case r.GetString().HasMaxLen():
		x.Bounds = fmt.Sprintf("at most %d characters", r.GetString().GetMaxLen())
	case r.GetRepeated().HasMaxItems():
		x.Bounds = fmt.Sprintf("at most %d entries", r.GetRepeated().GetMaxItems())
	}
	if fd.Enum() != nil {
		for i := range fd.Enum().Values().Len() {
			if v := fd.Enum().Values().Get(i); v.Number() != 0 {
				x.Words = append(x.Words, saidOf(wordOf(v), meaning(v)))
			}
		}
	}
	if fd.Message() != nil && !isTime(fd.Message()) && unitOf(fd.Message()) == "" {
		for i := range fd.Message().Fields().Len() {
			inner := fd.Message().Fields().Get(i)
			x.Fields = append(x.Fields, saidOf(string(inner.Name()), meaning(inner)))
		}
	}
	if leaf, ok := leafOf(fd); ok {
		x.Plausible, x.PlausibleSource, x.Tier = plausible(leaf), string(leaf.RangeSource), string(leaf.Tier)
		for _, c := range leaf.Codes {
			x.Codes = append(x.Codes, strings.TrimSpace(fmt.Sprintf("%s %s %s", c.System, c.Code, c.Display)))
		}
		for _, m := range metric.Metrics() {
			if slices.Contains(m.Inputs, leaf.ID) {
				x.Metrics = append(x.Metrics, string(m.ID))
			}
		}
		for _, rule := range rules.All() {
			if rule.Until == "" && slices.Contains(rules.Reads(rule), leaf.ID) {
				x.Rules = append(x.Rules, rule.ID)
			}
		}
	}
	return x, nil
}

// formOf says how the value of a field is written.
func formOf(fd protoreflect.FieldDescriptor) string {
	form := "a text"
	switch fd.Kind() {
	case protoreflect.MessageKind:
		switch unit := unitOf(fd.Message()); {
		case isTime(fd.Message()):
			form = "a time: 2026-03-02T15:10 in the site's time, or with its zone 2026-03-02T15:10+01:00"
		case unit != "":
			form = fmt.Sprintf("a quantity: {%s: the number}, with sd and context beside it or absent_reason in place of it", unit)
		default:
			form = "a heading with fields below it"
		}
	case protoreflect.EnumKind:
		form = "a word"
	case protoreflect.BoolKind:
		form = "true or false"
	case protoreflect.DoubleKind:
		form = "a number"
	case protoreflect.Int32Kind, protoreflect.Int64Kind:
		form = "a whole number"
	}
	if fd.IsList() {
		form = "a list, each entry " + form
	}
	if fd.ContainingOneof() != nil && !fd.ContainingOneof().IsSynthetic() {
		form += "; only one of its alternatives can be there"
	}
	return form
}
