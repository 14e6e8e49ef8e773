package casefile

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/convert"
	"trigone/internal/strictyaml"
)

// reader makes a message of the nodes of a text.
type reader struct {
	*strictyaml.Reading
	zone *time.Location
	at   map[string]strictyaml.Field // by path in the message
}

// tell adds violations where their field stands, or the nearest around it.
func (r *reader) tell(violations []convert.Violation) {
	for _, v := range violations {
		for path := v.Path; ; path = around(path) {
			f, known := r.at[path]
			if known || path == "" {
				if known {
					r.Fault(f, "%s: %s", v.Path, v.Message)
				} else {
					r.FaultAt(nil, "%s: %s", v.Path, v.Message)
				}
				break
			}
		}
	}
}

// around gives the path of what a path stands in.
func around(path string) string {
	if strings.HasSuffix(path, "]") {
		return path[:strings.LastIndexByte(path, '[')]
	}
	return path[:max(strings.LastIndexByte(path, '.'), 0)]
}

// message fills a message. A key with nothing behind it is left out, and so is a
// message of such keys alone: given says that something was there.
func (r *reader) message(f strictyaml.Field, m protoreflect.Message) (given bool) {
	md := m.Descriptor()
	entries := r.Entries(f)
	if len(entries) == 0 {
		return !isNothing(f.Value) // {} says that it is there
	}
	for _, e := range entries {
		fd := fieldNamed(md, e.Name)
		if fd == nil {
			r.unknown(md, e)
			given = true
			continue
		}
		e.Name = string(fd.Name()) // paths are the contract's
		if r.field(e, fd, m) {
			given = true
		}
	}
	return given
}

// field sets a field of a message.
func (r *reader) field(f strictyaml.Field, fd protoreflect.FieldDescriptor, m protoreflect.Message) (given bool) {
	r.at[f.Path()] = f
	if isNothing(f.Value) {
		return false
	}
	if fd.IsList() {
		return r.list(f, fd, m)
	}
	v, given, ok := r.value(f, fd, m.NewField(fd))
	if !given || !ok {
		return given
	}
	if one := fd.ContainingOneof(); one != nil && !one.IsSynthetic() {
		if other := m.WhichOneof(one); other != nil && other != fd {
			r.FaultAt(f.Key, "%s stands beside %s, and only one of them can be; keep the one that holds", f.Path(), other.Name())
			return true
		}
	}
	m.Set(fd, v)
	return true
}

func (r *reader) list(f strictyaml.Field, fd protoreflect.FieldDescriptor, m protoreflect.Message) (given bool) {
	before := r.Count()
	items := r.Items(f)
	if r.Count() > before {
		return true
	}
	list := m.NewField(fd).List()
	for _, item := range items {
		if isNothing(item.Value) {
			continue
		}
		item.Name = fmt.Sprintf("%s[%d]", f.Name, list.Len()) // as the message counts
		r.at[item.Path()] = item
		v, there, ok := r.value(item, fd, list.NewElement())
		given = given || there
		if there && ok {
			list.Append(v)
		}
	}
	if list.Len() > 0 {
		m.Set(fd, protoreflect.ValueOfList(list))
	}
	return given
}

// value reads one value; fresh is the empty one to fill if it is a message. ok is
// false if it was refused.
func (r *reader) value(f strictyaml.Field, fd protoreflect.FieldDescriptor, fresh protoreflect.Value) (v protoreflect.Value, given, ok bool) {
	before := r.Count()
	given = true
	switch fd.Kind() {
	case protoreflect.MessageKind:
		switch {
		case isTime(fd.Message()):
			v = r.time(f)
		case unitOf(fd.Message()) != "" && isScalar(f.Value):
			r.bare(f, unitOf(fd.Message()))
		default:
			given = r.message(f, fresh.Message())
			v = fresh
		}
	case protoreflect.EnumKind:
		v = r.word(f, fd.Enum())
	case protoreflect.BoolKind:
		is, _ := r.Bool(f)
		v = protoreflect.ValueOfBool(is)
	case protoreflect.StringKind:
		v = r.text(f)
	case protoreflect.DoubleKind:
		v = protoreflect.ValueOfFloat64(r.number(f))
	case protoreflect.Int32Kind:
		v = protoreflect.ValueOfInt32(int32(r.whole(f, math.MinInt32, math.MaxInt32)))
	case protoreflect.Int64Kind:
		v = protoreflect.ValueOfInt64(r.whole(f, math.MinInt64, math.MaxInt64))
	default:
		panic("casefile: no reader for " + fd.Kind().String() + " of " + string(fd.FullName()))
	}
	return v, given, r.Count() == before
}

// text reads a text; what is written without quotes is taken as it is written.
func (r *reader) text(f strictyaml.Field) protoreflect.Value {
	if n, is := f.Value.(*ast.BoolNode); is {
		return protoreflect.ValueOfString(n.Token.Value)
	}
	text, _ := r.Text(f)
	return protoreflect.ValueOfString(text)
}

var (
	decimal     = regexp.MustCompile(`^[-+]?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][-+]?[0-9]+)?$`)
	withComma   = regexp.MustCompile(`^[-+]?[0-9]+,[0-9]+$`)
	withUnit    = regexp.MustCompile(`^([-+]?[0-9]+(?:\.[0-9]+)?) *(?:[A-Za-z%°][A-Za-z0-9/%²]*)$`)
	mostDecimal = 24
)

// written gives a scalar as it is written.
func written(n ast.Node) string {
	switch n := n.(type) {
	case *ast.StringNode:
		return n.Value
	case *ast.LiteralNode:
		return n.Value.Value
	}
	return n.GetToken().Value
}

// scalar gives one value as it is written; lists, keys and anchors are refused.
func (r *reader) scalar(f strictyaml.Field) (text string, ok bool) {
	if !isScalar(f.Value) {
		return r.Text(f)
	}
	return written(f.Value), true
}

// number reads a number.
func (r *reader) number(f strictyaml.Field) float64 {
	text, ok := r.scalar(f)
	if !ok {
		return 0
	}
	if v, err := strconv.ParseFloat(text, 64); err == nil && decimal.MatchString(text) && len(text) <= mostDecimal {
		return v
	}
	r.Fault(f, "%s needs a number%s", f.Path(), hintOfNumber(text))
	return 0
}

// hintOfNumber says how to write what was meant as a number.
func hintOfNumber(text string) string {
	if withComma.MatchString(text) {
		if v, ok := shortNumber(strings.Replace(text, ",", ".", 1)); ok {
			return " with a point: write " + v
		}
	}
	if m := withUnit.FindStringSubmatch(text); m != nil {
		if v, ok := shortNumber(m[1]); ok {
			return " alone, the field has its unit: write " + v
		}
	}
	return ", in decimals, e.g. 2 or 0.5"
}

// whole reads a whole number.
func (r *reader) whole(f strictyaml.Field, low, high int64) int64 {
	before := r.Count()
	v := r.number(f)
	if r.Count() > before {
		return 0
	}
	if v != math.Trunc(v) || v < float64(low) || v >= float64(high)+1 {
		r.Fault(f, "%s needs a whole number", f.Path())
		return 0
	}
	return int64(v)
}

// bare tells how to write a quantity that was written as a number alone.
func (r *reader) bare(f strictyaml.Field, unit string) {
	text := strings.Replace(written(f.Value), ",", ".", 1)
	if m := withUnit.FindStringSubmatch(text); m != nil {
		text = m[1]
	}
	if v, ok := shortNumber(text); ok && !strings.ContainsAny(text, "eExXnN_") {
		r.Fault(f, "%s is a quantity and names its unit: write %s: %s below it, or {%s: %s}", f.Path(), unit, v, unit, v)
		return
	}
	r.Fault(f, "%s is a quantity and names its unit: write %s: and the number below it", f.Path(), unit)
}

// word reads a word of an enum, with or without the enum's prefix.
func (r *reader) word(f strictyaml.Field, ed protoreflect.EnumDescriptor) protoreflect.Value {
	text, ok := r.scalar(f)
	if !ok {
		return protoreflect.ValueOfEnum(0)
	}
	if v := ed.Values().ByName(protoreflect.Name(text)); v != nil {
		return protoreflect.ValueOfEnum(v.Number())
	}
	words := wordsOf(ed)
	said := strings.ToLower(strings.TrimSpace(text))
	for i := range ed.Values().Len() {
		if v := ed.Values().Get(i); v.Number() != 0 && wordOf(v) == said {
			return protoreflect.ValueOfEnum(v.Number())
		}
	}
	if len(words) > mostWords {
		near := Nearest(strings.NewReplacer(" ", "_", "-", "_").Replace(said), words)
		r.Fault(f, "%s needs one of its %d words; the nearest are %s; 'trigone explain %s' lists all", f.Path(), len(words), orList(near), plainPath(f.Path()))
	} else {
		r.Fault(f, "%s needs one of its words: %s", f.Path(), orList(words))
	}
	return protoreflect.ValueOfEnum(0)
}

// So many words and fields are listed in a fault; of more, the nearest three.
const (
	mostWords  = 12
	mostFields = 6
)

// time reads an instant.
func (r *reader) time(f strictyaml.Field) protoreflect.Value {
	text, ok := r.scalar(f)
	at, wrong := instant(text, r.zone)
	if ok && wrong != "" {
		r.Fault(f, "%s %s", f.Path(), wrong)
	}
	return protoreflect.ValueOfMessage(timestamppb.New(at).ProtoReflect())
}

var wordLike = regexp.MustCompile(`^[A-Za-z_]{1,60}$`)

// unknown tells of a key that is no field. The key is repeated only if it looks like
// one.
func (r *reader) unknown(md protoreflect.MessageDescriptor, e strictyaml.Field) {
	name := "this key"
	if wordLike.MatchString(e.Name) {
		name = e.Name
	}
	where := "of a case file"
	if e.Above != "" {
		where = "of " + e.Above
	}
	if below := placesOf(md, e.Name); len(below) > 0 {
		r.FaultAt(e.Key, "%s is no field %s; it stands in %s", name, where, orList(below))
		return
	}
	names := fieldNames(md)
	if len(names) > mostFields {
		names = Nearest(snake(e.Name), names)
		r.FaultAt(e.Key, "%s is no field %s; the nearest are %s", name, where, orList(names))
		return
	}
	slices.SortStableFunc(names, byDistance(snake(e.Name)))
	r.FaultAt(e.Key, "%s is no field %s; its fields are %s", name, where, orList(names))
}

func isNothing(n ast.Node) bool {
	switch n.(type) {
	case nil, *ast.NullNode:
		return true
	}
	return false
}

func isScalar(n ast.Node) bool {
	switch n.(type) {
	case *ast.StringNode, *ast.LiteralNode, *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return true
	}
	return false
}
