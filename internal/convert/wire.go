package convert

import (
	"fmt"
	"math"
	"strconv"
	"sync"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// mostParts bounds how many messages and texts of lists a request is made of: an
// empty message takes two bytes on the wire and hundreds in memory, and the bounds
// of lists within lists multiply. The largest invented case has 407.
const mostParts = 50_000

// mostOverlong bounds how many lists are named as too long.
const mostOverlong = 40

// CheckWire counts in a request as it came, before anything is made of it, and
// gives what Check would refuse for its number: every list beyond its length, and
// a message of more parts than a server should make. It takes no memory to speak of.
// A list that is sent in pieces is counted by Check, and so is a message of no
// request of the contract; what is not well-formed is left to decoding.
func CheckWire(m proto.Message, raw []byte) []Violation {
	s := wireShapes()[m.ProtoReflect().Descriptor().FullName()]
	if s == nil {
		return nil
	}
	w := &wireWalk{left: mostParts}
	w.message(s, raw, 0)
	return w.found
}

// wireShape is what counting needs to know of a message.
type wireShape struct {
	fields []*wireField // by number; nil: unknown
	lists  int
}

type wireField struct {
	name    protoreflect.Name
	typ     protowire.Type // of one value
	packs   bool           // a list of numbers may come in one piece
	list    int            // place among the lists of its message; -1: none
	most    int
	message *wireShape // nil: not one
}

// part says whether every value of a field takes memory of its own.
func (f *wireField) part() bool {
	return f.message != nil || f.list >= 0 && f.typ == protowire.BytesType
}

// wireShapes are those of all requests and what they hold, by name.
var wireShapes = sync.OnceValue(func() map[protoreflect.FullName]*wireShape {
	all := map[protoreflect.FullName]*wireShape{}
	var shape func(protoreflect.MessageDescriptor) *wireShape
	shape = func(md protoreflect.MessageDescriptor) *wireShape {
		if s := all[md.FullName()]; s != nil {
			return s
		}
		s := &wireShape{}
		all[md.FullName()] = s
		for i := range md.Fields().Len() {
			fd := md.Fields().Get(i)
			f := &wireField{name: fd.Name(), typ: wireType(fd.Kind()), list: -1, most: math.MaxInt}
			if fd.IsList() {
				f.list, f.most, f.packs = s.lists, maxItems(fd), f.typ != protowire.BytesType
				s.lists++
			}
			if fd.Message() != nil {
				f.message = shape(fd.Message())
			}
			for len(s.fields) <= int(fd.Number()) {
				s.fields = append(s.fields, nil)
			}
			s.fields[fd.Number()] = f
		}
		return s
	}
	for _, m := range requests() {
		shape(m.ProtoReflect().Descriptor())
	}
	return all
})

func wireType(k protoreflect.Kind) protowire.Type {
	switch k {
	case protoreflect.MessageKind, protoreflect.StringKind, protoreflect.BytesKind:
		return protowire.BytesType
	case protoreflect.DoubleKind, protoreflect.Fixed64Kind, protoreflect.Sfixed64Kind:
		return protowire.Fixed64Type
	case protoreflect.FloatKind, protoreflect.Fixed32Kind, protoreflect.Sfixed32Kind:
		return protowire.Fixed32Type
	}
	return protowire.VarintType
}

// wireWalk is one walk through a message on the wire.
type wireWalk struct {
	trail []step
	left  int     // parts that may still come
	count [][]int // entries of each list of the messages that the walk stands in
	found []Violation
}

// message walks through a message at a depth; false: the walk has ended.
func (w *wireWalk) message(s *wireShape, raw []byte, depth int) bool {
	for len(w.count) <= depth {
		w.count = append(w.count, nil)
	}
	for len(w.count[depth]) < s.lists {
		w.count[depth] = append(w.count[depth], 0)
	}
	clear(w.count[depth])
	for len(raw) > 0 {
		number, typ, n := protowire.ConsumeTag(raw)
		if n < 0 {
			return false
		}
		raw = raw[n:]
		if n = protowire.ConsumeFieldValue(number, typ, raw); n < 0 {
			return false
		}
		value := raw[:n]
		raw = raw[n:]
		if int(number) >= len(s.fields) || s.fields[number] == nil {
			continue
		}
		if f := s.fields[number]; !w.field(f, typ, value, depth) {
			return false
		}
	}
	return true
}

func (w *wireWalk) field(f *wireField, typ protowire.Type, value []byte, depth int) bool {
	packed := f.packs && typ == protowire.BytesType
	if typ != f.typ && !packed {
		return true // an unknown field
	}
	if typ == protowire.BytesType {
		value, _ = protowire.ConsumeBytes(value)
	}
	before := 0
	if f.list >= 0 {
		entries := 1
		if packed {
			entries = packedEntries(f.typ, value)
		}
		before = w.count[depth][f.list]
		w.count[depth][f.list] += entries
		if before+entries > f.most {
			if before <= f.most {
				w.refuse(f, f.most, fmt.Sprintf("has more than %d entries, the most that the contract takes; leave the others out", f.most))
			}
			return len(w.found) < mostOverlong
		}
	}
	if !f.part() {
		return true
	}
	if w.left--; w.left < 0 {
		w.refuse(f, mostParts, fmt.Sprintf("is where the request comes to more than %d messages and texts of lists, the most that the service takes at once; send fewer sections", mostParts))
		return false
	}
	if f.message == nil {
		return true
	}
	trail := w.trail
	w.trail = append(w.trail, step{name: f.name})
	if f.list >= 0 {
		w.trail = append(w.trail, step{entry: before})
	}
	whole := w.message(f.message, value, depth+1)
	w.trail = trail
	return whole
}

func (w *wireWalk) refuse(f *wireField, most int, message string) {
	w.found = append(w.found, Violation{Path: below(pathOf(w.trail), string(f.name)), Message: message, Limit: strconv.Itoa(most)})
}

// packedEntries counts the numbers of a list that came in one piece.
func packedEntries(typ protowire.Type, value []byte) int {
	switch typ {
	case protowire.Fixed64Type:
		return len(value) / 8
	case protowire.Fixed32Type:
		return len(value) / 4
	}
	n := 0
	for _, b := range value {
		if b < 0x80 { // the last byte of a number
			n++
		}
	}
	return n
}
