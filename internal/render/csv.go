package render

import (
	"io"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Basis says above a list that it is no list of what was answered.
func Basis(w io.Writer, basis trigonev1.Basis) {
	if basis == trigonev1.Basis_BASIS_RESTATED {
		wrapped(w, "", "", "Basis restated: the cases as they were judged again later, as a report. What was answered stands on record (basis stored). Cases written since are not in it.")
	}
}

// Invented says above a list that it is none of patients.
func Invented(w io.Writer, invented bool) {
	if invented {
		wrapped(w, "", "", "Invented cases: this store keeps no others.")
	}
}

// fieldRow is a message that is written as a line, and the name of its case.
type fieldRow struct {
	caseName string
	message  protoreflect.Message
}

// fieldColumns make columns of the fields of a message: a message inside gives a
// column for each of its fields; what is absent is empty. Words are the contract's in
// lower case, times UTC. Of a list the entries stand apart by a semicolon, and the
// fields of an entry by a colon. Fields named in without are left out. says gives the
// meaning of a field.
func fieldColumns(of protoreflect.MessageDescriptor, says func(protoreflect.Descriptor) string, without ...string) []sheetColumn[fieldRow] {
	var list []sheetColumn[fieldRow]
	for _, f := range csvFields(of, "", without) {
		last := f.path[len(f.path)-1]
		c := sheetColumn[fieldRow]{name: f.name, unit: unitOfName(f.name), of: func(r fieldRow) string { return f.of(r.message) }}
		if says != nil {
			c.meaning = says(last)
		}
		switch {
		case isTime(last):
			c.unit = "UTC"
		case last.Enum() != nil:
			for i := range last.Enum().Values().Len() {
				if v := last.Enum().Values().Get(i); v.Number() != 0 {
					c.words = append(c.words, words.OfEnum(string(v.Name()), string(last.Enum().Values().ByNumber(0).Name())))
				}
			}
		case last.Kind() == protoreflect.BoolKind:
			c.words = []string{"true", "false"}
		case last.IsList() && last.Message() != nil:
			var parts []string
			for i := range last.Message().Fields().Len() {
				parts = append(parts, string(last.Message().Fields().Get(i).Name()))
			}
			c.meaning = strings.TrimSpace(c.meaning + " Each entry: " + strings.Join(parts, ":") + ".")
		}
		list = append(list, c)
	}
	return list
}

// unitsOfNames are the units that the names of facts end with.
var unitsOfNames = []struct{ ending, unit string }{
	{"_per_min", "/min"}, {"_mmhg", "mmHg"}, {"_mm", "mm"}, {"_m2", "m²"}, {"_min", "min"}, {"_hours", "h"}, {"_percent", "%"}, {"_years", "years"},
	{"_days", "days"}, {"since_discharge", "days"}, {"_day", "days after incision"},
}

func unitOfName(name string) string {
	for _, u := range unitsOfNames {
		if strings.HasSuffix(name, u.ending) {
			return u.unit
		}
	}
	return ""
}

type csvField struct {
	name string
	path []protoreflect.FieldDescriptor
}

func csvFields(d protoreflect.MessageDescriptor, lead string, without []string) []csvField {
	var list []csvField
	for i := range d.Fields().Len() {
		f := d.Fields().Get(i)
		switch {
		case slices.Contains(without, string(f.Name())):
		case f.Message() == nil || f.IsList() || isTime(f):
			list = append(list, csvField{lead + string(f.Name()), []protoreflect.FieldDescriptor{f}})
		default:
			for _, c := range csvFields(f.Message(), lead+string(f.Name())+"_", nil) {
				list = append(list, csvField{c.name, append([]protoreflect.FieldDescriptor{f}, c.path...)})
			}
		}
	}
	return list
}

func isTime(f protoreflect.FieldDescriptor) bool {
	return f.Message() != nil && f.Message().FullName() == (&timestamppb.Timestamp{}).ProtoReflect().Descriptor().FullName()
}

func (c csvField) of(m protoreflect.Message) string {
	for _, f := range c.path[:len(c.path)-1] {
		if !m.Has(f) {
			return ""
		}
		m = m.Get(f).Message()
	}
	f := c.path[len(c.path)-1]
	// A number or an answer without presence says something at its zero value too.
	if !m.Has(f) && (f.HasPresence() || f.IsList()) {
		return ""
	}
	if !f.IsList() {
		return csvValue(f, m.Get(f))
	}
	entries := make([]string, m.Get(f).List().Len())
	for i := range entries {
		entries[i] = csvValue(f, m.Get(f).List().Get(i))
	}
	return strings.Join(entries, "; ")
}

func csvValue(f protoreflect.FieldDescriptor, v protoreflect.Value) string {
	switch {
	case isTime(f):
		return sheetTime(v.Message().Interface().(*timestamppb.Timestamp))
	case f.Message() != nil:
		var parts []string
		for i := range f.Message().Fields().Len() {
			inner := f.Message().Fields().Get(i)
			text := ""
			if v.Message().Has(inner) && !inner.IsList() {
				text = csvValue(inner, v.Message().Get(inner))
			}
			parts = append(parts, text)
		}
		return strings.Join(parts, ":")
	case f.Enum() != nil:
		value := f.Enum().Values().ByNumber(v.Enum())
		if value == nil || value.Number() == 0 {
			return ""
		}
		return words.OfEnum(string(value.Name()), string(f.Enum().Values().ByNumber(0).Name()))
	case f.Kind() == protoreflect.DoubleKind:
		return strconv.FormatFloat(v.Float(), 'g', -1, 64)
	}
	return v.String()
}
