package convert

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/words"
)

// FieldChange is one field in which two messages differ. Old and New are nil where the
// field is not set.
type FieldChange struct {
	Path     string
	Old, New *string
}

const (
	// mostListed is how many entries of a list of numbers are told one by one.
	mostListed = 8
	// mostOfText is how much of a text is told, in characters.
	mostOfText = 500
)

// FieldChanges gives every field in which a message differs from the one before, in the
// order of the contract; nil stands for a message that is not there. Entries of a list
// are compared with those of the same id, or else of the same place.
func FieldChanges(before, after proto.Message) []FieldChange {
	var w changeWalk
	w.messages("", reflected(before), reflected(after))
	return w.found
}

func reflected(m proto.Message) protoreflect.Message {
	if m == nil || !m.ProtoReflect().IsValid() {
		return nil
	}
	return m.ProtoReflect()
}

type changeWalk struct{ found []FieldChange }

func (w *changeWalk) tell(path string, before, after *string) {
	w.found = append(w.found, FieldChange{Path: path, Old: before, New: after})
}

// messages compares two messages of one type, either of which may be nil.
func (w *changeWalk) messages(path string, before, after protoreflect.Message) {
	some := after
	if some == nil {
		some = before
	}
	if some == nil {
		return
	}
	told := len(w.found)
	fields := some.Descriptor().Fields()
	for i := range fields.Len() {
		w.field(below(path, string(fields.Get(i).Name())), fields.Get(i), before, after)
	}
	if a, b := unknownOf(before), unknownOf(after); a != b {
		w.tell(below(path, "(fields that this service does not know)"), bytesOf(a), bytesOf(b))
	}
	if (before == nil) != (after == nil) && len(w.found) == told && path != "" {
		empty := "{}"
		if before == nil {
			w.tell(path, nil, &empty)
		} else {
			w.tell(path, &empty, nil)
		}
	}
}

func unknownOf(m protoreflect.Message) string {
	if m == nil {
		return ""
	}
	return string(m.GetUnknown())
}

func bytesOf(raw string) *string {
	if raw == "" {
		return nil
	}
	s := fmt.Sprintf("%d bytes", len(raw))
	return &s
}

func (w *changeWalk) field(path string, fd protoreflect.FieldDescriptor, before, after protoreflect.Message) {
	had, has := before != nil && before.Has(fd), after != nil && after.Has(fd)
	switch {
	case !had && !has:
	case fd.IsList() && fd.Message() != nil:
		w.entries(path, listOf(before, fd, had), listOf(after, fd, has))
	case fd.IsList():
		w.numbers(path, fd, listOf(before, fd, had), listOf(after, fd, has))
	case fd.Message() != nil && !isInstant(fd.Message()):
		w.messages(path, messageOf(before, fd, had), messageOf(after, fd, has))
	case had && has && before.Get(fd).Equal(after.Get(fd)):
	default:
		w.tell(path, valueOf(before, fd, had), valueOf(after, fd, has))
	}
}

func messageOf(m protoreflect.Message, fd protoreflect.FieldDescriptor, has bool) protoreflect.Message {
	if !has {
		return nil
	}
	return m.Get(fd).Message()
}

// listOf gives a list; an empty one is none.
func listOf(m protoreflect.Message, fd protoreflect.FieldDescriptor, has bool) []protoreflect.Value {
	if !has {
		return nil
	}
	list := m.Get(fd).List()
	values := make([]protoreflect.Value, list.Len())
	for i := range values {
		values[i] = list.Get(i)
	}
	return values
}

func valueOf(m protoreflect.Message, fd protoreflect.FieldDescriptor, has bool) *string {
	if !has {
		return nil
	}
	s := told(fd, m.Get(fd))
	return &s
}

func isInstant(md protoreflect.MessageDescriptor) bool {
	return md.FullName() == (&timestamppb.Timestamp{}).ProtoReflect().Descriptor().FullName()
}

// told gives a value as a case file writes it.
func told(fd protoreflect.FieldDescriptor, v protoreflect.Value) string {
	switch {
	case fd.Message() != nil:
		return v.Message().Interface().(*timestamppb.Timestamp).AsTime().UTC().Format(time.RFC3339Nano)
	case fd.Enum() != nil:
		value := fd.Enum().Values().ByNumber(v.Enum())
		if value == nil {
			return strconv.Itoa(int(v.Enum()))
		}
		return words.OfEnum(string(value.Name()), string(fd.Enum().Values().ByNumber(0).Name()))
	case fd.Kind() == protoreflect.DoubleKind, fd.Kind() == protoreflect.FloatKind:
		return strconv.FormatFloat(v.Float(), 'g', -1, 64)
	case fd.Kind() == protoreflect.BytesKind:
		return fmt.Sprintf("%d bytes", len(v.Bytes()))
	}
	text := v.String()
	if n := utf8.RuneCountInString(text); n > mostOfText {
		return string([]rune(text)[:mostOfText]) + fmt.Sprintf("... (%d characters)", n)
	}
	return text
}

// numbers compares lists of numbers, words or texts.
func (w *changeWalk) numbers(path string, fd protoreflect.FieldDescriptor, before, after []protoreflect.Value) {
	if slices.EqualFunc(before, after, protoreflect.Value.Equal) {
		return
	}
	text := func(list, other []protoreflect.Value) *string {
		if len(list) == 0 {
			return nil
		}
		var s string
		if len(list) > mostListed {
			s = fmt.Sprintf("%d entries", len(list))
			if len(list) == len(other) {
				differ := 0
				for i := range list {
					if !list[i].Equal(other[i]) {
						differ++
					}
				}
				s += fmt.Sprintf(", %d of which differ", differ)
			}
			return &s
		}
		texts := make([]string, len(list))
		for i, v := range list {
			texts[i] = told(fd, v)
		}
		s = "[" + strings.Join(texts, ", ") + "]"
		return &s
	}
	w.tell(path, text(before, nil), text(after, before))
}

// entries compares lists of messages.
func (w *changeWalk) entries(path string, before, after []protoreflect.Value) {
	old, oldKeys := keyed(before)
	now, nowKeys := keyed(after)
	for i, v := range after {
		w.messages(path+"["+nowKeys[i]+"]", old[nowKeys[i]], v.Message())
	}
	for i, v := range before {
		if now[oldKeys[i]] == nil {
			w.messages(path+"["+oldKeys[i]+"]", v.Message(), nil)
		}
	}
	kept := func(keys []string, other map[string]protoreflect.Message) []string {
		return slices.DeleteFunc(slices.Clone(keys), func(k string) bool { return other[k] == nil })
	}
	if a, b := kept(oldKeys, now), kept(nowKeys, old); !slices.Equal(a, b) {
		was, is := "in the order "+strings.Join(a, ", "), "in the order "+strings.Join(b, ", ")
		w.tell(path, &was, &is)
	}
}

// keyed gives the entries of a list by their ids, or by their places where not each has
// one of its own.
func keyed(list []protoreflect.Value) (by map[string]protoreflect.Message, keys []string) {
	by = map[string]protoreflect.Message{}
	for _, v := range list {
		m := v.Message()
		id := m.Descriptor().Fields().ByName("id")
		if id == nil || id.Kind() != protoreflect.StringKind || m.Get(id).String() == "" || by[m.Get(id).String()] != nil {
			break
		}
		key := m.Get(id).String()
		by[key], keys = m, append(keys, key)
	}
	if len(keys) == len(list) {
		return by, keys
	}
	clear(by)
	keys = nil
	for i, v := range list {
		key := strconv.Itoa(i)
		by[key], keys = v.Message(), append(keys, key)
	}
	return by, keys
}
