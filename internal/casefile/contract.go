package casefile

import (
	"regexp"
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/convert"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

func root() protoreflect.MessageDescriptor {
	return (&trigonev1.CaseFile{}).ProtoReflect().Descriptor()
}

// fieldNamed gives a field by its name in the contract or in JSON; nil: there is none.
func fieldNamed(md protoreflect.MessageDescriptor, name string) protoreflect.FieldDescriptor {
	if fd := md.Fields().ByName(protoreflect.Name(name)); fd != nil {
		return fd
	}
	return md.Fields().ByJSONName(name)
}

func fieldNames(md protoreflect.MessageDescriptor) []string {
	var names []string
	for i := range md.Fields().Len() {
		names = append(names, string(md.Fields().Get(i).Name()))
	}
	return names
}

// isTime says whether a message is an instant.
func isTime(md protoreflect.MessageDescriptor) bool {
	return md.FullName() == "google.protobuf.Timestamp"
}

// unitOf gives the field with the value of a quantity, which names its unit; empty: the
// message is no quantity.
func unitOf(md protoreflect.MessageDescriptor) string { return convert.ValueField(md) }

// wordOf gives the word of a value of an enum.
func wordOf(v protoreflect.EnumValueDescriptor) string {
	return words.OfEnum(string(v.Name()), string(v.Parent().(protoreflect.EnumDescriptor).Values().ByNumber(0).Name()))
}

// wordsOf gives the words of an enum in the contract's order.
func wordsOf(ed protoreflect.EnumDescriptor) []string {
	var list []string
	for i := range ed.Values().Len() {
		if v := ed.Values().Get(i); v.Number() != 0 {
			list = append(list, wordOf(v))
		}
	}
	return list
}

// levelsBelow is how far below a message a misplaced field is looked for.
const levelsBelow = 3

// placesOf gives where fields of a name stand below a message, nearest first, at most
// three.
func placesOf(md protoreflect.MessageDescriptor, name string) []string {
	name = snake(name)
	var found []string
	type place struct {
		md   protoreflect.MessageDescriptor
		path string
	}
	level := []place{{md: md}}
	for range levelsBelow {
		var next []place
		for _, p := range level {
			for i := range p.md.Fields().Len() {
				fd := p.md.Fields().Get(i)
				if fd.Message() == nil || isTime(fd.Message()) || unitOf(fd.Message()) != "" || fd.Name() == fieldAdvice {
					continue
				}
				path := strings.TrimPrefix(p.path+"."+string(fd.Name()), ".")
				if fd.Message().Fields().ByName(protoreflect.Name(name)) != nil && !slices.Contains(found, path) {
					found = append(found, path)
				}
				next = append(next, place{fd.Message(), path})
			}
		}
		if len(found) > 0 {
			return found[:min(3, len(found))]
		}
		level = next
	}
	return nil
}

// fieldAdvice is what a program kept while operating: nobody writes it by hand.
const fieldAdvice = "advice"

var positions = regexp.MustCompile(`\[[0-9]*\]`)

// plainPath gives a path without positions, as explain takes it.
func plainPath(path string) string { return positions.ReplaceAllString(path, "") }
