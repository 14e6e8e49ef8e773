// Package converttest fills what the contract marks as identifying with texts that
// tests then look for where they must not be. Tests of every room call it.
package converttest

import (
	"fmt"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/convert"
)

// Marker is part of every text that Flood writes, and of no other.
const Marker = "MARKED-TEXT"

// Flood gives every field of a message that the contract marks as identifying a
// text of its own, wherever it stands, and makes the messages on the way to one
// where there are none. The texts begin with Marker and source. It gives the name of
// each field by its text.
func Flood(m proto.Message, source string) map[string]protoreflect.FullName {
	f := flood{source: source, fields: map[string]protoreflect.FullName{}, leads: map[protoreflect.FullName]bool{}}
	f.message(m.ProtoReflect())
	return f.fields
}

type flood struct {
	source string
	fields map[string]protoreflect.FullName
	made   int
	leads  map[protoreflect.FullName]bool // whether a message holds a marked field
}

func (f *flood) message(m protoreflect.Message) {
	for i := range m.Descriptor().Fields().Len() {
		fd := m.Descriptor().Fields().Get(i)
		switch {
		case convert.Identifying(fd):
			text := fmt.Sprintf("%s %s %d", Marker, f.source, len(f.fields)+1)
			f.fields[text] = fd.FullName()
			if fd.Kind() == protoreflect.BytesKind {
				m.Set(fd, protoreflect.ValueOfBytes([]byte(text)))
			} else {
				m.Set(fd, protoreflect.ValueOfString(text))
			}
		case fd.Message() == nil || !f.leadsToOne(fd.Message()):
		case fd.IsList():
			list := m.Mutable(fd).List()
			if list.Len() == 0 {
				f.entry(list.AppendMutable().Message())
			}
			for i := range list.Len() {
				f.message(list.Get(i).Message())
			}
		default:
			f.message(m.Mutable(fd).Message())
		}
	}
}

// entry gives a new entry of a list the id or the number that it must have.
func (f *flood) entry(m protoreflect.Message) {
	f.made++
	fields := m.Descriptor().Fields()
	if id := fields.ByName("id"); id != nil {
		m.Set(id, protoreflect.ValueOfString(fmt.Sprintf("made-%d", f.made)))
	}
	if number := fields.ByName("number"); number != nil {
		m.Set(number, protoreflect.ValueOfInt32(1))
	}
}

func (f *flood) leadsToOne(md protoreflect.MessageDescriptor) bool {
	if known, ok := f.leads[md.FullName()]; ok {
		return known
	}
	f.leads[md.FullName()] = false // a message within itself
	for i := range md.Fields().Len() {
		if fd := md.Fields().Get(i); convert.Identifying(fd) || fd.Message() != nil && f.leadsToOne(fd.Message()) {
			f.leads[md.FullName()] = true
			break
		}
	}
	return f.leads[md.FullName()]
}
