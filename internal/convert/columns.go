package convert

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/words"
)

// Column is a field of a message as a column of a table of such messages.
type Column struct {
	// Name is the way to the field: the names on it, joined by an underscore.
	Name string
	path []protoreflect.FieldDescriptor
}

// Columns makes columns of the fields of a message: one inside gives a column for each of
// its fields. Fields named in without are left out.
func Columns(of protoreflect.MessageDescriptor, without ...string) []Column {
	return columns(of, "", without)
}

func columns(d protoreflect.MessageDescriptor, lead string, without []string) []Column {
	var list []Column
	for i := range d.Fields().Len() {
		f := d.Fields().Get(i)
		switch {
		case slices.Contains(without, string(f.Name())):
		case f.Message() == nil || f.IsList() || IsTime(f):
			list = append(list, Column{lead + string(f.Name()), []protoreflect.FieldDescriptor{f}})
		default:
			for _, c := range columns(f.Message(), lead+string(f.Name())+"_", nil) {
				list = append(list, Column{c.Name, append([]protoreflect.FieldDescriptor{f}, c.path...)})
			}
		}
	}
	return list
}

// Field gives the field at the end of the way.
func (c Column) Field() protoreflect.FieldDescriptor { return c.path[len(c.path)-1] }

// Unit gives the unit that the column's name says.
func (c Column) Unit() string {
	if IsTime(c.Field()) {
		return "UTC"
	}
	for _, u := range unitsOfNames {
		if strings.HasSuffix(c.Name, u.ending) {
			return u.unit
		}
	}
	return ""
}

// unitsOfNames are the units that the names of facts end with.
var unitsOfNames = []struct{ ending, unit string }{
	{"_per_min", "/min"}, {"_mmhg", "mmHg"}, {"_mm", "mm"}, {"_m2", "m²"}, {"_min", "min"}, {"_hours", "h"}, {"_percent", "%"}, {"_years", "years"},
	{"_days", "days"}, {"since_discharge", "days"}, {"_day", "days after incision"},
}

// Words lists the words of the column; none: any text or number.
func (c Column) Words() []string {
	if e := c.Field().Enum(); e != nil {
		return EnumWords(e)
	}
	return nil
}

// EnumWords lists the words of an enum but the one that says nothing.
func EnumWords(e protoreflect.EnumDescriptor) []string {
	var list []string
	for i := range e.Values().Len() {
		if v := e.Values().Get(i); v.Number() != 0 {
			list = append(list, words.OfEnum(string(v.Name()), string(e.Values().ByNumber(0).Name())))
		}
	}
	return list
}

// Value gives the field of a message; ok is false where it is absent.
func (c Column) Value(m protoreflect.Message) (v protoreflect.Value, ok bool) {
	for _, f := range c.path[:len(c.path)-1] {
		if !m.Has(f) {
			return v, false
		}
		m = m.Get(f).Message()
	}
	f := c.Field()
	// A number or an answer without presence says something at its zero value too.
	if !m.Has(f) && (f.HasPresence() || f.IsList()) {
		return v, false
	}
	return m.Get(f), true
}

// Text gives the field of a message as text; what is absent is empty. Words are the
// contract's in lower case, times UTC. Of a list the entries stand apart by a semicolon,
// and the fields of an entry by a colon.
func (c Column) Text(m protoreflect.Message) string {
	v, ok := c.Value(m)
	if !ok {
		return ""
	}
	f := c.Field()
	if !f.IsList() {
		return textOf(f, v)
	}
	entries := make([]string, v.List().Len())
	for i := range entries {
		entries[i] = textOf(f, v.List().Get(i))
	}
	return strings.Join(entries, "; ")
}

// IsTime says whether a field is a time.
func IsTime(f protoreflect.FieldDescriptor) bool {
	return f.Message() != nil && f.Message().FullName() == (&timestamppb.Timestamp{}).ProtoReflect().Descriptor().FullName()
}

// TimeText gives a time as spreadsheets know one and sort it, in UTC.
func TimeText(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().UTC().Format(time.DateTime)
}

func textOf(f protoreflect.FieldDescriptor, v protoreflect.Value) string {
	switch {
	case IsTime(f):
		return TimeText(v.Message().Interface().(*timestamppb.Timestamp))
	case f.Message() != nil:
		var parts []string
		for i := range f.Message().Fields().Len() {
			inner := f.Message().Fields().Get(i)
			text := ""
			if v.Message().Has(inner) && !inner.IsList() {
				text = textOf(inner, v.Message().Get(inner))
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
