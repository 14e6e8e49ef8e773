package convert

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strings"
	"sync"
	"unicode/utf8"

	validate "buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	trigonev1 "trigone/proto/trigone/v1"
)

// The contract itself states its ranges, lengths and patterns; here they become
// sentences.

var validator = sync.OnceValues(func() (protovalidate.Validator, error) {
	return protovalidate.New(protovalidate.WithMessages(requests()...))
})

// Warm prepares the checks of every request, which the first calls would
// otherwise pay for. It panics if the contract's ranges cannot be compiled.
func Warm() {
	check(&trigonev1.SubmitCaseRequest{CaseFile: &trigonev1.CaseFile{}})
	wireShapes()
}

// requests gives an empty message of every method's request.
func requests() []proto.Message {
	var list []proto.Message
	pkg := trigonev1.File_trigone_v1_case_file_proto.Package()
	protoregistry.GlobalFiles.RangeFilesByPackage(pkg, func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			methods := file.Services().Get(i).Methods()
			for j := range methods.Len() {
				if mt, err := protoregistry.GlobalTypes.FindMessageByName(methods.Get(j).Input().FullName()); err == nil {
					list = append(list, mt.New().Interface())
				}
			}
		}
		return true
	})
	return list
}

// ranges adds what the contract's own rules refuse.
func (c *checker) ranges(m proto.Message) {
	v, err := validator()
	if err != nil {
		panic(fmt.Sprintf("convert: the contract's ranges cannot be compiled: %v", err))
	}
	err = v.Validate(m)
	if err == nil {
		return
	}
	var failed *protovalidate.ValidationError
	if !errors.As(err, &failed) {
		panic(fmt.Sprintf("convert: the contract's ranges cannot be judged: %v", err))
	}
	for _, v := range failed.Violations {
		path := protovalidate.FieldPathString(v.Proto.GetField())
		if !c.within[path] {
			c.add(path, "%s", sentence(v))
			if bound := passed(v); bound != nil {
				c.limit(path, bound)
			}
		}
	}
}

// passed gives the bound of the contract that a value lies beyond; nil: it lies beyond
// none.
func passed(v *protovalidate.Violation) any {
	if v.FieldDescriptor == nil || v.FieldDescriptor.IsList() {
		return nil
	}
	rules, value := fieldRules(v.FieldDescriptor), v.FieldValue
	switch v.FieldDescriptor.Kind() {
	case protoreflect.DoubleKind:
		if r := rules.GetDouble(); value.Float() > r.GetLte() {
			return r.GetLte()
		}
		return rules.GetDouble().GetGte()
	case protoreflect.Int32Kind:
		if r := rules.GetInt32(); value.Int() > int64(r.GetLte()) {
			return r.GetLte()
		}
		return rules.GetInt32().GetGte()
	case protoreflect.StringKind:
		if r := rules.GetString(); r.HasMaxLen() && uint64(utf8.RuneCountInString(value.String())) > r.GetMaxLen() {
			return r.GetMaxLen()
		}
	}
	return nil
}

// sentence says what is wrong, the limit and what to do. A number is repeated, a
// text never is: it may be of the record.
func sentence(v *protovalidate.Violation) string {
	asItHas := "is not as the contract has it: " + strings.TrimPrefix(v.Proto.GetMessage(), "value ") + "; correct it"
	if v.FieldDescriptor == nil { // of an entry of a list
		return asItHas
	}
	rules := fieldRules(v.FieldDescriptor)
	switch value := v.FieldValue; v.FieldDescriptor.Kind() {
	case protoreflect.DoubleKind:
		if !v.FieldDescriptor.IsList() {
			r := rules.GetDouble()
			return fmt.Sprintf("is %g; the contract takes %g to %g; check the value and its unit", value.Float(), r.GetGte(), r.GetLte())
		}
	case protoreflect.Int32Kind:
		if !v.FieldDescriptor.IsList() {
			r := rules.GetInt32()
			return fmt.Sprintf("is %d; the contract takes %d to %d; check the value", value.Int(), r.GetGte(), r.GetLte())
		}
	case protoreflect.StringKind:
		if !v.FieldDescriptor.IsList() {
			return textSentence(rules.GetString(), value.String())
		}
	}
	return asItHas
}

const (
	idForm         = "^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$"
	optionalIDForm = "^([A-Za-z0-9][A-Za-z0-9._-]{0,63})?$"
	dayForm        = "^([0-9]{4}-[0-9]{2}-[0-9]{2})?$"
)

// form says in words what a pattern of the contract asks for.
type form struct{ name, give string }

var anID = form{"no id", "give 1 to 64 letters, digits, dots, underscores or hyphens, the first a letter or digit"}

var forms = map[string]form{
	idForm:         anID,
	optionalIDForm: {anID.name, anID.give + ", or leave it out"},
	dayForm:        {"no day", "give YYYY-MM-DD, or leave it out"},
}

func (f form) sentence(text string) string {
	if text == "" {
		return "is missing; " + f.give
	}
	return fmt.Sprintf("(%d characters) is %s; %s", utf8.RuneCountInString(text), f.name, f.give)
}

func textSentence(r *validate.StringRules, text string) string {
	length := utf8.RuneCountInString(text)
	if r.HasMaxLen() && uint64(length) > r.GetMaxLen() {
		return fmt.Sprintf("has %d characters; the contract takes at most %d; shorten it", length, r.GetMaxLen())
	}
	return forms[r.GetPattern()].sentence(text)
}

// fieldRules gives the rules that the contract states of a field.
func fieldRules(fd protoreflect.FieldDescriptor) *validate.FieldRules {
	rules, err := protovalidate.ResolveFieldRules(fd)
	if err != nil {
		panic(fmt.Sprintf("convert: the rules of %s cannot be read: %v", fd.FullName(), err))
	}
	return rules
}

// Bounds gives the range that the contract states of a number; ok is false where it
// states none.
func Bounds(fd protoreflect.FieldDescriptor) (low, high float64, ok bool) {
	switch r := fieldRules(fd); fd.Kind() {
	case protoreflect.DoubleKind:
		return r.GetDouble().GetGte(), r.GetDouble().GetLte(), r.GetDouble().HasGte() && r.GetDouble().HasLte()
	case protoreflect.Int32Kind:
		return float64(r.GetInt32().GetGte()), float64(r.GetInt32().GetLte()), r.GetInt32().HasGte() && r.GetInt32().HasLte()
	default:
		return 0, 0, false
	}
}

// traits are what the walk asks of a field's rules, found once: resolving them
// for every value would cost more than the rest of the walk.
type traits struct {
	maxItems int
	day      bool
	prose    bool
}

var traitsOf = sync.OnceValue(func() map[protoreflect.FullName]traits {
	all := map[protoreflect.FullName]traits{}
	seen := map[protoreflect.FullName]bool{}
	var walk func(md protoreflect.MessageDescriptor)
	walk = func(md protoreflect.MessageDescriptor) {
		if seen[md.FullName()] {
			return
		}
		seen[md.FullName()] = true
		for i := range md.Fields().Len() {
			fd := md.Fields().Get(i)
			t := traits{maxItems: math.MaxInt}
			if r := fieldRules(fd); r != nil {
				if r.GetRepeated().HasMaxItems() {
					t.maxItems = int(r.GetRepeated().GetMaxItems())
				}
				t.day = r.GetString().GetPattern() == dayForm
			}
			// What identifies and is no identifier is what somebody wrote.
			t.prose = Identifying(fd) && md.FullName() != (&trigonev1.Identifier{}).ProtoReflect().Descriptor().FullName()
			all[fd.FullName()] = t
			if fd.Message() != nil {
				walk(fd.Message())
			}
		}
	}
	for _, m := range requests() {
		walk(m.ProtoReflect().Descriptor())
	}
	return all
})

// maxItems gives the longest list that the contract takes.
func maxItems(fd protoreflect.FieldDescriptor) int {
	if t, ok := traitsOf()[fd.FullName()]; ok {
		return t.maxItems
	}
	return math.MaxInt
}

// isDay says whether a text is a civil date.
func isDay(fd protoreflect.FieldDescriptor) bool { return traitsOf()[fd.FullName()].day }

// isProse says whether a text may have lines, and be in any script; every other is
// an identifier, a word or a name.
func isProse(fd protoreflect.FieldDescriptor) bool { return traitsOf()[fd.FullName()].prose }

// refersByID says whether the entries of a list are ids of other entries.
func refersByID(fd protoreflect.FieldDescriptor) bool {
	return strings.HasSuffix(string(fd.Name()), "_ids")
}

var idPattern = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(idForm) })
