// Package strictyaml reads what is written by hand as YAML: every fault is told, all at
// once, with line and column, and nothing is taken that is read in more than one way.
// It knows no key of any file.
package strictyaml

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// Reading gathers the faults of one file. A decoder stops at its first fault; whoever
// writes a file by hand wants to hear of all of them, so the parsed tree is read here.
type Reading struct {
	// Name says where the text came from, Noun what it is, e.g. policy, Needed what it
	// holds at least.
	Name, Noun, Needed string
	// Unbounded leaves the bounds out, for a text that was within them once.
	Unbounded bool
	// Most is how many bytes the text may have; 0: MostBytes.
	Most int

	faults []fault
}

// Count is how many faults there are so far.
func (r *Reading) Count() int { return len(r.faults) }

// Forget drops the faults so far.
func (r *Reading) Forget() { r.faults = nil }

type fault struct {
	line, column int
	text         string
}

// Field is a key with its value.
type Field struct {
	Name  string
	Above string // the keys around it, with dots
	Key   ast.Node
	Value ast.Node
}

// Path names a field with the keys around it.
func (f Field) Path() string {
	if f.Above == "" {
		return f.Name
	}
	return f.Above + "." + f.Name
}

// Fault adds a fault at the value of a field, or at its key if the value is
// nothing or begins on a line of its own.
func (r *Reading) Fault(f Field, format string, args ...any) {
	node := f.Value
	switch node.(type) {
	case nil, *ast.NullNode, *ast.MappingNode, *ast.MappingValueNode:
		if f.Key != nil {
			node = f.Key
		} else {
			node = firstKey(node)
		}
	}
	r.FaultAt(node, format, args...)
}

// firstKey gives the first key of an entry of a list, which has no name of its own.
func firstKey(n ast.Node) ast.Node {
	switch m := n.(type) {
	case *ast.MappingValueNode:
		return m.Key
	case *ast.MappingNode:
		if len(m.Values) > 0 {
			return m.Values[0].Key
		}
	}
	return n
}

// FaultAt adds a fault at a node; nil: it concerns the whole file.
func (r *Reading) FaultAt(node ast.Node, format string, args ...any) {
	out := fault{text: fmt.Sprintf(format, args...)}
	if node != nil && node.GetToken() != nil && node.GetToken().Position != nil {
		out.line, out.column = node.GetToken().Position.Line, node.GetToken().Position.Column
	}
	r.faults = append(r.faults, out)
}

// Err gives all faults in the order of the text.
func (r *Reading) Err() error {
	slices.SortStableFunc(r.faults, func(a, b fault) int {
		return cmp.Or(cmp.Compare(a.line, b.line), cmp.Compare(a.column, b.column))
	})
	var list []error
	for _, f := range r.faults {
		where := r.Name
		if f.line > 0 {
			where = fmt.Sprintf("%s:%d:%d", r.Name, f.line, f.column)
		}
		list = append(list, fmt.Errorf("%s: %s", where, f.text))
	}
	return errors.Join(list...)
}

// Root gives the document.
func (r *Reading) Root(text []byte) (f Field, ok bool) {
	if !utf8.Valid(text) {
		r.FaultAt(nil, "the text is not UTF-8; save it as UTF-8")
		return Field{}, false
	}
	if !r.Unbounded && !r.bounded(text) {
		return Field{}, false
	}
	file, err := parser.ParseBytes(text, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		r.syntax(err)
		return Field{}, false
	}
	var bodies []ast.Node
	for _, d := range file.Docs {
		if d.Body != nil && d.Body.Type() != ast.CommentType {
			bodies = append(bodies, d.Body)
		}
	}
	if len(bodies) == 0 {
		r.FaultAt(nil, "the text holds nothing; give at least %s", r.Needed)
		return Field{}, false
	}
	if len(bodies) > 1 {
		r.FaultAt(bodies[1], "a second document begins here; a %s is one document", r.Noun)
		return Field{}, false
	}
	switch bodies[0].(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		return Field{Value: bodies[0]}, true
	}
	r.FaultAt(bodies[0], "the %s holds %s where keys with values are needed", r.Noun, r.kind(bodies[0]))
	return Field{}, false
}

// Bounds of a text, judged before it is parsed: the parser takes memory with the
// square of the depth. Such a file has a few kilobytes and few levels.
const (
	MostBytes = 256 << 10 // of a text
	MostDepth = 32        // of lists or lines in each other
)

// bounded says whether a text is within the bounds. It reads no YAML: brackets
// count wherever they stand, and so do dashes, question marks and colons with a
// blank behind them that follow each other, and lines that each begin further to
// the right than the one they stand under.
func (r *Reading) bounded(text []byte) bool {
	if most := cmp.Or(r.Most, MostBytes); len(text) > most {
		r.FaultAt(nil, "the text has more than %d bytes; a %s is a file of some kilobytes, check which file this is", most, r.Noun)
		return false
	}
	return r.shallow(text) && r.narrow(text)
}

// narrow says whether no line stands in more than MostDepth others.
func (r *Reading) narrow(text []byte) bool {
	var begins []int
	line := 0
	for row := range bytes.Lines(text) {
		line++
		rest := bytes.TrimLeft(row, " ")
		if len(bytes.TrimSpace(rest)) == 0 || rest[0] == '#' {
			continue
		}
		at := len(row) - len(rest)
		for len(begins) > 0 && begins[len(begins)-1] >= at {
			begins = begins[:len(begins)-1]
		}
		begins = append(begins, at)
		if len(begins) > MostDepth {
			r.faults = append(r.faults, fault{line, at + 1, fmt.Sprintf("more than %d levels of lines stand in each other here; a %s has a few levels, check how far the lines are set in", MostDepth, r.Noun)})
			return false
		}
	}
	return true
}

// shallow says whether no more than MostDepth lists stand in each other.
func (r *Reading) shallow(text []byte) bool {
	brackets, row, line, column := 0, 0, 1, 0
	for i, b := range text {
		column++
		switch b {
		case '\n':
			line, column, row = line+1, 0, 0
		case ' ', '\t':
		case '-', '?', ':':
			if i+1 < len(text) && (text[i+1] == ' ' || text[i+1] == '\t') {
				row++
			}
		default:
			row = 0
		}
		switch b {
		case '[', '{':
			brackets++
		case ']', '}':
			brackets = max(brackets-1, 0)
		}
		if max(brackets, row) > MostDepth {
			r.faults = append(r.faults, fault{line, column, fmt.Sprintf("more than %d lists stand in each other here; a %s has a few levels, close them or leave them out", MostDepth, r.Noun)})
			return false
		}
	}
	return true
}

// syntax tells the parser's fault in its own words, without the excerpt of the
// text.
func (r *Reading) syntax(err error) {
	var y yaml.Error
	if !errors.As(err, &y) {
		r.FaultAt(nil, "the text is no YAML: %v", err)
		return
	}
	out := fault{text: "the text is no YAML: " + strings.ReplaceAll(y.GetMessage(), "\n", " ")}
	if t := y.GetToken(); t != nil && t.Position != nil {
		out.line, out.column = t.Position.Line, t.Position.Column
	}
	r.faults = append(r.faults, out)
}

// Fields gives the entries of a field by name; only these names may stand there.
func (r *Reading) Fields(f Field, names ...string) map[string]Field {
	list := map[string]Field{}
	for _, e := range r.Entries(f) {
		if !slices.Contains(names, e.Name) {
			r.FaultAt(e.Key, "%s is no key here; the keys are %s", e.Path(), strings.Join(names, ", "))
			continue
		}
		list[e.Name] = e
	}
	return list
}

// Entries gives the entries of a field in their order; one without a value, or
// one that is not there, has none.
func (r *Reading) Entries(f Field) []Field {
	var values []*ast.MappingValueNode
	switch n := f.Value.(type) {
	case nil, *ast.NullNode:
		return nil
	case *ast.MappingNode:
		values = n.Values
	case *ast.MappingValueNode:
		values = []*ast.MappingValueNode{n}
	default:
		r.Fault(f, "%s%s where keys with values are needed", r.subject(f), r.kind(f.Value))
		return nil
	}
	var list []Field
	first := map[string]ast.Node{}
	above := f.Path()
	for _, v := range values {
		key, ok := v.Key.(*ast.StringNode)
		if !ok {
			r.FaultAt(v.Key, "%s%s where the name of a key is needed", r.subject(f), r.kind(v.Key))
			continue
		}
		e := Field{Name: Named(key.Value), Above: above, Key: v.Key, Value: v.Value}
		if one, again := first[e.Name]; again {
			r.FaultAt(v.Key, "%s is given a second time, first in line %d; give it once", e.Path(), one.GetToken().Position.Line)
			continue
		}
		first[e.Name] = v.Key
		list = append(list, e)
	}
	return list
}

// Items gives the entries of a list in their order; one without a value, or one
// that is not there, has none.
func (r *Reading) Items(f Field) []Field {
	switch n := f.Value.(type) {
	case nil, *ast.NullNode:
		return nil
	case *ast.SequenceNode:
		list := make([]Field, 0, len(n.Values))
		for i, v := range n.Values {
			list = append(list, Field{Name: fmt.Sprintf("%s[%d]", f.Name, i), Above: f.Above, Value: v})
		}
		return list
	}
	r.Fault(f, "%s%s where a list is needed, each entry after a dash", r.subject(f), r.kind(f.Value))
	return nil
}

func (r *Reading) subject(f Field) string {
	if f.Path() == "" {
		return "the " + r.Noun + " holds "
	}
	return f.Path() + " holds "
}

// PlainKey is the form of a key that can be printed as it is.
var PlainKey = regexp.MustCompile(`^[A-Za-z0-9_-]{1,100}$`)

// Named gives a key as it can be printed.
func Named(key string) string {
	if PlainKey.MatchString(key) {
		return key
	}
	return fmt.Sprintf("%.100q", key)
}

// Text reads a text; a number is taken as it is written.
func (r *Reading) Text(f Field) (text string, ok bool) {
	switch n := f.Value.(type) {
	case *ast.StringNode:
		return n.Value, true
	case *ast.LiteralNode:
		return n.Value.Value, true
	case *ast.IntegerNode:
		return n.Token.Value, true
	case *ast.FloatNode:
		return n.Token.Value, true
	}
	r.Fault(f, "%s%s where a text is needed", r.subject(f), r.kind(f.Value))
	return "", false
}

// decimal is how a number is written. The library would read 010 as 8, and takes
// other bases; 1.2e3 saves nothing here.
var decimal = regexp.MustCompile(`^[-+]?(0|[1-9][0-9]*)(\.[0-9]+)?$`)

// Number reads a finite number.
func (r *Reading) Number(f Field) (v float64, ok bool) {
	switch f.Value.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
	default:
		r.Fault(f, "%s%s where a number is needed", r.subject(f), r.kind(f.Value))
		return 0, false
	}
	text := f.Value.GetToken().Value
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || !decimal.MatchString(text) {
		r.Fault(f, "%sa number in another form; write it in decimals, e.g. 2 or 0.5", r.subject(f))
		return 0, false
	}
	return v, true
}

// Bool reads true or false.
func (r *Reading) Bool(f Field) (v, ok bool) {
	if n, is := f.Value.(*ast.BoolNode); is {
		return n.Value, true
	}
	r.Fault(f, "%s%s where true or false is needed", r.subject(f), r.kind(f.Value))
	return false, false
}

// kind says what a node is, in words.
func (r *Reading) kind(n ast.Node) string {
	switch n.(type) {
	case nil, *ast.NullNode:
		return "nothing"
	case *ast.StringNode, *ast.LiteralNode:
		return "a text"
	case *ast.IntegerNode, *ast.FloatNode:
		return "a number"
	case *ast.InfinityNode, *ast.NanNode:
		return "what is no finite number"
	case *ast.BoolNode:
		return "true or false"
	case *ast.MappingNode, *ast.MappingValueNode:
		return "keys with values"
	case *ast.SequenceNode:
		return "a list"
	}
	return "an anchor, an alias, a tag or a merged key, which a " + r.Noun + " does not use,"
}
