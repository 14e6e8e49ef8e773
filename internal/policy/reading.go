package policy

import (
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

// A decoder stops at its first fault. A policy is written by hand, and whoever
// writes it wants to hear of all of them: so the parsed tree is read here.

// reading gathers the faults of one file.
type reading struct {
	name   string
	stored bool // a policy that was in force once
	terms  Terms
	faults []fault
}

type fault struct {
	line, column int
	text         string
}

// field is a key with its value.
type field struct {
	name  string
	above string // the keys around it, with dots
	key   ast.Node
	value ast.Node
}

func (f field) path() string {
	if f.above == "" {
		return f.name
	}
	return f.above + "." + f.name
}

// fault adds a fault at the value of a field, or at its key if the value is
// nothing or begins on a line of its own.
func (r *reading) fault(f field, format string, args ...any) {
	node := f.value
	switch node.(type) {
	case nil, *ast.NullNode, *ast.MappingNode, *ast.MappingValueNode:
		if f.key != nil {
			node = f.key
		} else {
			node = firstKey(node)
		}
	}
	r.faultAt(node, format, args...)
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

// faultAt adds a fault at a node; nil: it concerns the whole file.
func (r *reading) faultAt(node ast.Node, format string, args ...any) {
	out := fault{text: fmt.Sprintf(format, args...)}
	if node != nil && node.GetToken() != nil && node.GetToken().Position != nil {
		out.line, out.column = node.GetToken().Position.Line, node.GetToken().Position.Column
	}
	r.faults = append(r.faults, out)
}

// err gives all faults in the order of the text.
func (r *reading) err() error {
	slices.SortStableFunc(r.faults, func(a, b fault) int {
		return cmp.Or(cmp.Compare(a.line, b.line), cmp.Compare(a.column, b.column))
	})
	var list []error
	for _, f := range r.faults {
		where := r.name
		if f.line > 0 {
			where = fmt.Sprintf("%s:%d:%d", r.name, f.line, f.column)
		}
		list = append(list, fmt.Errorf("%s: %s", where, f.text))
	}
	return errors.Join(list...)
}

// root gives the document.
func (r *reading) root(text []byte) (f field, ok bool) {
	if !utf8.Valid(text) {
		r.faultAt(nil, "the text is not UTF-8; save it as UTF-8")
		return field{}, false
	}
	if !r.stored && !r.bounded(text) {
		return field{}, false
	}
	file, err := parser.ParseBytes(text, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		r.syntax(err)
		return field{}, false
	}
	var bodies []ast.Node
	for _, d := range file.Docs {
		if d.Body != nil && d.Body.Type() != ast.CommentType {
			bodies = append(bodies, d.Body)
		}
	}
	if len(bodies) == 0 {
		r.faultAt(nil, "the text holds nothing; give at least site, version and zone")
		return field{}, false
	}
	if len(bodies) > 1 {
		r.faultAt(bodies[1], "a second document begins here; a policy is one document")
		return field{}, false
	}
	switch bodies[0].(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		return field{value: bodies[0]}, true
	}
	r.faultAt(bodies[0], "the policy holds %s where keys with values are needed", kind(bodies[0]))
	return field{}, false
}

// Bounds of a text, judged before it is parsed: the parser takes memory with the
// square of the depth. A site's policy has a few kilobytes and four levels.
const (
	mostBytes = 256 << 10
	mostDepth = 32
)

// bounded says whether a text is within the bounds. It reads no YAML: brackets
// count wherever they stand, and so do dashes, question marks and colons with a
// blank behind them that follow each other.
func (r *reading) bounded(text []byte) bool {
	if len(text) > mostBytes {
		r.faultAt(nil, "the text has more than %d bytes; a policy is a file of some kilobytes, check which file this is", mostBytes)
		return false
	}
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
		if max(brackets, row) > mostDepth {
			r.faults = append(r.faults, fault{line, column, fmt.Sprintf("more than %d lists stand in each other here; a policy has a few levels, close them or leave them out", mostDepth)})
			return false
		}
	}
	return true
}

// syntax tells the parser's fault in its own words, without the excerpt of the
// text.
func (r *reading) syntax(err error) {
	var y yaml.Error
	if !errors.As(err, &y) {
		r.faultAt(nil, "the text is no YAML: %v", err)
		return
	}
	out := fault{text: "the text is no YAML: " + strings.ReplaceAll(y.GetMessage(), "\n", " ")}
	if t := y.GetToken(); t != nil && t.Position != nil {
		out.line, out.column = t.Position.Line, t.Position.Column
	}
	r.faults = append(r.faults, out)
}

// fields gives the entries of a field by name; only these names may stand there.
func (r *reading) fields(f field, names ...string) map[string]field {
	list := map[string]field{}
	for _, e := range r.entries(f) {
		if !slices.Contains(names, e.name) {
			r.faultAt(e.key, "%s is no key here; the keys are %s", e.path(), strings.Join(names, ", "))
			continue
		}
		list[e.name] = e
	}
	return list
}

// entries gives the entries of a field in their order; one without a value, or
// one that is not there, has none.
func (r *reading) entries(f field) []field {
	var values []*ast.MappingValueNode
	switch n := f.value.(type) {
	case nil, *ast.NullNode:
		return nil
	case *ast.MappingNode:
		values = n.Values
	case *ast.MappingValueNode:
		values = []*ast.MappingValueNode{n}
	default:
		r.fault(f, "%s%s where keys with values are needed", subject(f), kind(f.value))
		return nil
	}
	var list []field
	first := map[string]ast.Node{}
	above := f.path()
	for _, v := range values {
		key, ok := v.Key.(*ast.StringNode)
		if !ok {
			r.faultAt(v.Key, "%s%s where the name of a key is needed", subject(f), kind(v.Key))
			continue
		}
		e := field{name: named(key.Value), above: above, key: v.Key, value: v.Value}
		if one, again := first[e.name]; again {
			r.faultAt(v.Key, "%s is given a second time, first in line %d; give it once", e.path(), one.GetToken().Position.Line)
			continue
		}
		first[e.name] = v.Key
		list = append(list, e)
	}
	return list
}

// items gives the entries of a list in their order; one without a value, or one
// that is not there, has none.
func (r *reading) items(f field) []field {
	switch n := f.value.(type) {
	case nil, *ast.NullNode:
		return nil
	case *ast.SequenceNode:
		list := make([]field, 0, len(n.Values))
		for i, v := range n.Values {
			list = append(list, field{name: fmt.Sprintf("%s[%d]", f.name, i), above: f.above, value: v})
		}
		return list
	}
	r.fault(f, "%s%s where a list is needed, each entry after a dash", subject(f), kind(f.value))
	return nil
}

func subject(f field) string {
	if f.path() == "" {
		return "the policy holds "
	}
	return f.path() + " holds "
}

var plainKey = regexp.MustCompile(`^[A-Za-z0-9_-]{1,100}$`)

// named gives a key as it can be printed.
func named(key string) string {
	if plainKey.MatchString(key) {
		return key
	}
	return fmt.Sprintf("%.100q", key)
}

// text reads a text; a number is taken as it is written.
func (r *reading) text(f field) (text string, ok bool) {
	switch n := f.value.(type) {
	case *ast.StringNode:
		return n.Value, true
	case *ast.IntegerNode:
		return n.Token.Value, true
	case *ast.FloatNode:
		return n.Token.Value, true
	}
	r.fault(f, "%s%s where a text is needed", subject(f), kind(f.value))
	return "", false
}

// decimal is how a number is written. The library would read 010 as 8, and takes
// other bases; 1.2e3 saves nothing here.
var decimal = regexp.MustCompile(`^[-+]?(0|[1-9][0-9]*)(\.[0-9]+)?$`)

// number reads a finite number.
func (r *reading) number(f field) (v float64, ok bool) {
	switch f.value.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
	default:
		r.fault(f, "%s%s where a number is needed", subject(f), kind(f.value))
		return 0, false
	}
	text := f.value.GetToken().Value
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || !decimal.MatchString(text) {
		r.fault(f, "%sa number in another form; write it in decimals, e.g. 2 or 0.5", subject(f))
		return 0, false
	}
	return v, true
}

// kind says what a node is, in words.
func kind(n ast.Node) string {
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
	return "an anchor, an alias, a tag or a merged key, which a policy does not use,"
}
