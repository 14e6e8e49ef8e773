package convert

import (
	"fmt"
	"slices"
	"strings"
	"sync"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	trigonev1 "trigone/proto/trigone/v1"
)

// Identifying says whether the contract marks a field as one that may tell who the
// patient is.
func Identifying(fd protoreflect.FieldDescriptor) bool {
	return proto.GetExtension(fd.Options(), trigonev1.E_Identifying).(bool)
}

// Part splits a message into what does not identify and what does: the marked
// fields and, since nobody knows what they hold, the unknown ones, wherever they
// stand. Both are of the message's own type. Every message that is there stays
// there in the clinical part; in the identifying one a list ends with its last
// entry that identifies, and those before it may be empty. Identifying is nil where
// there is nothing of the kind. The parts share memory with m: change none of them.
func Part(m proto.Message) (clinical, identifying proto.Message) {
	rest, taken := part(m.ProtoReflect())
	if taken == nil {
		return m, nil
	}
	return rest.Interface(), taken.Interface()
}

// part gives a message itself and nil, or two new ones.
func part(m protoreflect.Message) (rest, taken protoreflect.Message) {
	split := func() {
		if taken == nil {
			rest, taken = shallow(m), m.New()
			rest.SetUnknown(nil)
		}
	}
	if unknown := m.GetUnknown(); len(unknown) > 0 {
		split()
		taken.SetUnknown(unknown)
	}
	fields := fieldsOf(m.Descriptor())
	for _, fd := range fields.marked {
		if m.Has(fd) {
			split()
			taken.Set(fd, m.Get(fd))
			rest.Clear(fd)
		}
	}
	for _, fd := range fields.messages {
		switch {
		case !m.Has(fd):
		case fd.IsList():
			if restList, takenList := partList(m, fd); takenList != nil {
				split()
				rest.Set(fd, protoreflect.ValueOfList(restList))
				taken.Set(fd, protoreflect.ValueOfList(takenList))
			}
		default:
			if innerRest, innerTaken := part(m.Get(fd).Message()); innerTaken != nil {
				split()
				rest.Set(fd, protoreflect.ValueOfMessage(innerRest))
				taken.Set(fd, protoreflect.ValueOfMessage(innerTaken))
			}
		}
	}
	if taken == nil {
		return m, nil
	}
	return rest, taken
}

// partList gives two new lists, or nil if no entry identifies.
func partList(m protoreflect.Message, fd protoreflect.FieldDescriptor) (rest, taken protoreflect.List) {
	list := m.Get(fd).List()
	for i := range list.Len() {
		innerRest, innerTaken := part(list.Get(i).Message())
		if innerTaken != nil {
			if taken == nil {
				rest, taken = m.NewField(fd).List(), m.NewField(fd).List()
				for before := range i {
					rest.Append(list.Get(before))
				}
			}
			for taken.Len() < i {
				taken.AppendMutable()
			}
			taken.Append(protoreflect.ValueOfMessage(innerTaken))
		}
		if taken != nil {
			rest.Append(protoreflect.ValueOfMessage(innerRest))
		}
	}
	return rest, taken
}

// shallow gives a new message with the same fields. proto.Clone would lose a
// negative zero.
func shallow(m protoreflect.Message) protoreflect.Message {
	out := m.New()
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		out.Set(fd, v)
		return true
	})
	out.SetUnknown(m.GetUnknown())
	return out
}

// Join puts the two parts of a message together again, as they were before Part;
// identifying may be nil. A field that was unknown when the message was parted, and
// is known now, comes back as well. Parts that cannot be of one message are an
// error. The whole shares memory with its parts.
func Join(clinical, identifying proto.Message) (proto.Message, error) {
	if identifying == nil {
		return clinical, nil
	}
	whole, err := together(clinical.ProtoReflect(), identifying.ProtoReflect())
	if err != nil {
		return nil, err
	}
	return whole.Interface(), nil
}

func together(m, taken protoreflect.Message) (protoreflect.Message, error) {
	if have, want := m.Descriptor().FullName(), taken.Descriptor().FullName(); have != want {
		return nil, fmt.Errorf("a part of %s does not belong to a %s", want, have)
	}
	whole := shallow(m)
	whole.SetUnknown(slices.Concat(m.GetUnknown(), taken.GetUnknown()))
	var err error
	taken.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.Message() == nil || Identifying(fd):
			whole.Set(fd, v)
		case fd.IsList():
			var list protoreflect.List
			if list, err = listTogether(m, fd, v.List()); err == nil {
				whole.Set(fd, protoreflect.ValueOfList(list))
			}
		default:
			var inner protoreflect.Message
			if inner, err = together(m.Get(fd).Message(), v.Message()); err == nil {
				whole.Set(fd, protoreflect.ValueOfMessage(inner))
			}
		}
		return err == nil
	})
	return whole, err
}

func listTogether(m protoreflect.Message, fd protoreflect.FieldDescriptor, taken protoreflect.List) (protoreflect.List, error) {
	have := m.Get(fd).List()
	if have.Len() == 0 { // it was unknown, and came whole
		return taken, nil
	}
	if have.Len() < taken.Len() {
		return nil, fmt.Errorf("%s has %d entries, and %d of them are said to identify", fd.FullName(), have.Len(), taken.Len())
	}
	list := m.NewField(fd).List()
	for i := range have.Len() {
		if i >= taken.Len() {
			list.Append(have.Get(i))
			continue
		}
		inner, err := together(have.Get(i).Message(), taken.Get(i).Message())
		if err != nil {
			return nil, err
		}
		list.Append(protoreflect.ValueOfMessage(inner))
	}
	return list, nil
}

// partFields are the fields of a message that Part has to look at.
type partFields struct {
	marked   []protoreflect.FieldDescriptor
	messages []protoreflect.FieldDescriptor // not marked
}

var partFieldsOf sync.Map // protoreflect.MessageDescriptor: partFields

func fieldsOf(md protoreflect.MessageDescriptor) partFields {
	if known, ok := partFieldsOf.Load(md); ok {
		return known.(partFields)
	}
	var f partFields
	for i := range md.Fields().Len() {
		switch fd := md.Fields().Get(i); {
		case Identifying(fd):
			f.marked = append(f.marked, fd)
		case fd.Message() != nil:
			f.messages = append(f.messages, fd)
		}
	}
	partFieldsOf.Store(md, f)
	return f
}

// InventedSystems is what systems of invented identifiers begin with: RFC 6963 keeps
// the namespace for examples.
const InventedSystems = "urn:example:"

// Invented says whether identifiers of this system are invented. Letters of either
// case are the same in the beginning of a URN (RFC 8141, section 3.1).
func Invented(system string) bool {
	return len(system) >= len(InventedSystems) && strings.EqualFold(system[:len(InventedSystems)], InventedSystems)
}
