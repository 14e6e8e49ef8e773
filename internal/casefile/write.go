package casefile

import (
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	trigonev1 "trigone/proto/trigone/v1"
)

// Write gives a case file as YAML, in the contract's order, with its words.
func Write(file *trigonev1.CaseFile) string {
	var w writer
	w.message(file.ProtoReflect(), "")
	return w.String()
}

type writer struct{ strings.Builder }

const (
	setIn      = "  "
	widthOfRow = 100
)

// message writes the fields of a message, each on lines of its own.
func (w *writer) message(m protoreflect.Message, indent string) {
	for _, fd := range given(m) {
		fmt.Fprintf(w, "%s%s:", indent, fd.Name())
		v := m.Get(fd)
		switch {
		case fd.IsList():
			w.list(fd, v.List(), indent)
		case fd.Message() != nil && !isTime(fd.Message()):
			w.block(v.Message(), indent)
		default:
			fmt.Fprintf(w, " %s\n", scalar(fd, v))
		}
	}
}

// block writes a message behind its key: on the same line where it is short.
func (w *writer) block(m protoreflect.Message, indent string) {
	if row, short := inRow(m, widthOfRow-len(indent)-30); short {
		fmt.Fprintf(w, " %s\n", row)
		return
	}
	w.WriteByte('\n')
	w.message(m, indent+setIn)
}

func (w *writer) list(fd protoreflect.FieldDescriptor, list protoreflect.List, indent string) {
	if fd.Message() == nil {
		var all []string
		for i := range list.Len() {
			all = append(all, scalar(fd, list.Get(i)))
		}
		w.values(all, indent)
		return
	}
	w.WriteByte('\n')
	for i := range list.Len() {
		m := list.Get(i).Message()
		if row, short := inRow(m, widthOfRow-len(indent)-len(setIn)-2); short {
			fmt.Fprintf(w, "%s%s- %s\n", indent, setIn, row)
			continue
		}
		var entry writer
		entry.message(m, indent+setIn+setIn)
		fmt.Fprintf(w, "%s%s- %s", indent, setIn, strings.TrimPrefix(entry.String(), indent+setIn+setIn))
	}
}

// values writes a list of single values, in rows.
func (w *writer) values(all []string, indent string) {
	if row := strings.Join(all, ", "); len(row) < widthOfRow-30 {
		fmt.Fprintf(w, " [%s]\n", row)
		return
	}
	w.WriteString(" [\n")
	for some := range slices.Chunk(all, 12) {
		fmt.Fprintf(w, "%s%s%s,\n", indent, setIn, strings.Join(some, ", "))
	}
	fmt.Fprintf(w, "%s]\n", indent)
}

// inRow gives a message in braces, if it holds no list of messages and is no longer
// than a row.
func inRow(m protoreflect.Message, most int) (row string, short bool) {
	var parts []string
	for _, fd := range given(m) {
		v := m.Get(fd)
		switch {
		case fd.IsList() && (fd.Message() != nil || v.List().Len() > 12):
			return "", false
		case fd.IsList():
			var all []string
			for i := range v.List().Len() {
				all = append(all, scalar(fd, v.List().Get(i)))
			}
			parts = append(parts, fmt.Sprintf("%s: [%s]", fd.Name(), strings.Join(all, ", ")))
		case fd.Message() != nil && !isTime(fd.Message()):
			inner, ok := inRow(v.Message(), most)
			if !ok {
				return "", false
			}
			parts = append(parts, fmt.Sprintf("%s: %s", fd.Name(), inner))
		case fd.Kind() == protoreflect.StringKind && len(v.String()) > 40:
			return "", false
		default:
			parts = append(parts, fmt.Sprintf("%s: %s", fd.Name(), scalar(fd, v)))
		}
	}
	row = "{" + strings.Join(parts, ", ") + "}"
	return row, len(row) <= most
}

// given lists the fields that a message has, in the contract's order.
func given(m protoreflect.Message) []protoreflect.FieldDescriptor {
	var list []protoreflect.FieldDescriptor
	for i := range m.Descriptor().Fields().Len() {
		if fd := m.Descriptor().Fields().Get(i); m.Has(fd) {
			list = append(list, fd)
		}
	}
	return list
}

func scalar(fd protoreflect.FieldDescriptor, v protoreflect.Value) string {
	switch fd.Kind() {
	case protoreflect.MessageKind:
		return v.Message().Interface().(*timestamppb.Timestamp).AsTime().Format(time.RFC3339Nano)
	case protoreflect.EnumKind:
		if e := fd.Enum().Values().ByNumber(v.Enum()); e != nil {
			if e.Number() == 0 {
				return string(e.Name())
			}
			return wordOf(e)
		}
		return strconv.Itoa(int(v.Enum()))
	case protoreflect.DoubleKind:
		return strconv.FormatFloat(v.Float(), 'f', -1, 64)
	case protoreflect.StringKind:
		return quoted(v.String())
	}
	return v.String()
}

var (
	plain = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9 _./()+-]*[A-Za-z0-9.)]$`)
	aDay  = regexp.MustCompile(`^\d{4}-\d{2}-\d{2}$`)
)

// quoted writes a text so that every reader of YAML takes it as one.
func quoted(text string) string {
	switch strings.ToLower(text) {
	case "true", "false", "null", "yes", "no", "on", "off":
	default:
		if plain.MatchString(text) || aDay.MatchString(text) {
			return text
		}
	}
	var b strings.Builder
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	_ = e.Encode(text) // a text can be written
	return strings.TrimSuffix(b.String(), "\n")
}
