package convert

import (
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
)

const unspecified = "UNSPECIFIED"

// Word gives the word of an enum value: its name in lower case without the
// enum's prefix; the zero value and an unknown number have the empty word.
func Word(e protoreflect.Enum) string {
	values := e.Descriptor().Values()
	v := values.ByNumber(e.Number())
	if v == nil || v.Number() == 0 {
		return ""
	}
	return strings.ToLower(strings.TrimPrefix(string(v.Name()), prefix(values)))
}

func prefix(values protoreflect.EnumValueDescriptors) string {
	return strings.TrimSuffix(string(values.ByNumber(0).Name()), unspecified)
}

// Enum gives the enum value of a word; an unknown or empty word gives the zero
// value.
func Enum[E protoreflect.Enum](word string) E {
	var zero E
	if word == "" {
		return zero
	}
	values := zero.Descriptor().Values()
	v := values.ByName(protoreflect.Name(prefix(values) + strings.ToUpper(word)))
	if v == nil {
		return zero
	}
	return zero.Type().New(v.Number()).(E)
}
