package casefile

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"

	validate "buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/reflect/protoreflect"
)

type object = map[string]any

// Schema gives the JSON Schema of case files, one definition for each message. It
// says less than the reader: what fields say together, that a time is one, that only
// one of alternatives is given, that an entry has its id (one in which nothing is filled
// in yet has none).
func Schema() ([]byte, error) {
	s := schema{defs: object{}}
	top, err := s.message(root())
	if err != nil {
		return nil, err
	}
	top["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	top["title"] = "Case file of trigone"
	top["$defs"] = s.defs
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	err = e.Encode(top)
	return out.Bytes(), err
}

type schema struct{ defs object }

// message gives the schema of a message. Fields have the contract's names; those of
// JSON are taken and not offered.
func (s *schema) message(md protoreflect.MessageDescriptor) (object, error) {
	properties, inJSON := object{}, object{}
	for i := range md.Fields().Len() {
		fd := md.Fields().Get(i)
		name := string(fd.Name())
		p, err := s.field(fd)
		if err != nil {
			return nil, err
		}
		properties[name] = p
		if fd.JSONName() != name {
			inJSON["^"+fd.JSONName()+"$"] = p
		}
	}
	out := object{
		"type": []string{"object", "null"}, "description": comment(md),
		"properties": properties, "additionalProperties": false,
	}
	if len(inJSON) > 0 {
		out["patternProperties"] = inJSON
	}
	return out, nil
}

// field gives the schema of a field.
func (s *schema) field(fd protoreflect.FieldDescriptor) (object, error) {
	rules, err := protovalidate.ResolveFieldRules(fd)
	if err != nil {
		return nil, fmt.Errorf("the rules of %s: %w", fd.FullName(), err)
	}
	of := rules
	if fd.IsList() {
		of = rules.GetRepeated().GetItems()
	}
	one, err := s.value(fd, of)
	if err != nil {
		return nil, err
	}
	if fd.IsList() {
		one = object{"type": []string{"array", "null"}, "items": one}
		if rules.GetRepeated().HasMaxItems() {
			one["maxItems"] = rules.GetRepeated().GetMaxItems()
		}
	}
	about := comment(fd)
	if leaf, ok := leafOf(fd); ok {
		about += fmt.Sprintf(" Plausible: %s.", plausible(leaf))
	}
	one["description"] = about
	return one, nil
}

// value gives the schema of one value: nothing stands for what is left out.
func (s *schema) value(fd protoreflect.FieldDescriptor, rules *validate.FieldRules) (object, error) {
	switch fd.Kind() {
	case protoreflect.MessageKind:
		if isTime(fd.Message()) {
			return object{"type": []string{"string", "null"}, "pattern": `^\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d+)?)?(Z|[+-]\d{2}:\d{2})?$`}, nil
		}
		name := string(fd.Message().Name())
		if _, done := s.defs[name]; !done {
			s.defs[name] = nil // it is being made
			made, err := s.message(fd.Message())
			if err != nil {
				return nil, err
			}
			if fd.Message().ParentFile().Package() != root().ParentFile().Package() {
				made["type"] = []string{"object", "string", "null"} // JSON has a form of its own for it
			}
			s.defs[name] = made
		}
		return object{"$ref": "#/$defs/" + name}, nil
	case protoreflect.EnumKind:
		name := string(fd.Enum().Name())
		s.defs[name] = schemaOfWords(fd.Enum())
		return object{"$ref": "#/$defs/" + name}, nil
	case protoreflect.BoolKind:
		return object{"type": []string{"boolean", "null"}}, nil
	case protoreflect.StringKind:
		out := object{"type": []string{"string", "number", "boolean", "null"}} // one without quotes is taken as it is written
		if r := rules.GetString(); r.HasPattern() {
			out["pattern"] = r.GetPattern()
		}
		if r := rules.GetString(); r.HasMaxLen() {
			out["maxLength"] = r.GetMaxLen()
		}
		return out, nil
	case protoreflect.DoubleKind:
		out := object{"type": []string{"number", "null"}}
		if r := rules.GetDouble(); r.HasGte() {
			out["minimum"], out["maximum"] = r.GetGte(), r.GetLte()
		}
		return out, nil
	case protoreflect.Int32Kind:
		out := object{"type": []string{"integer", "null"}}
		if r := rules.GetInt32(); r.HasGte() {
			out["minimum"], out["maximum"] = r.GetGte(), r.GetLte()
		}
		return out, nil
	}
	return object{"type": []string{"integer", "string", "null"}}, nil // 64 bits: JSON writes them as text
}

// schemaOfWords gives the schema of an enum: its words are offered, with the prefix they are
// taken.
func schemaOfWords(ed protoreflect.EnumDescriptor) object {
	var full []string
	var said []any
	for i := range ed.Values().Len() {
		v := ed.Values().Get(i)
		full = append(full, string(v.Name()))
		if v.Number() != 0 {
			said = append(said, object{"const": wordOf(v), "description": comment(v)})
		}
	}
	return object{
		"description": comment(ed),
		"anyOf":       append(said, object{"type": "null"}, object{"pattern": "^(" + strings.Join(full, "|") + ")$", "type": "string"}),
	}
}
