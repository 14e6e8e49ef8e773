package fhirrest

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"trigone/fhirmap"
)

// record is a resource with the values that its type's parameters search.
type record struct {
	typ, id string
	// at and length say where in its case's text it stands.
	at, length int
	part       int64 // of its id
	// values stand in the order of the type's parameters; nil is none. Records of
	// one case share those that were read from the same text.
	values []*values
}

// values are what a resource has for one parameter; one of the lists is used.
type values struct {
	codings  []coding
	spans    []span
	dates    []written // the spans as they were written
	pointers []pointer
	amounts  []amount
	uris     []string
	phrases  []phrase
	hashes   []hash
	pairs    []pair
}

// pair is what a composite binds together: a code with a concept or an amount.
type pair struct {
	code    []coding
	concept []coding
	amounts []amount
}

func (v *values) none() bool {
	return len(v.codings)+len(v.spans)+len(v.pointers)+len(v.amounts)+len(v.uris)+len(v.phrases)+len(v.hashes)+len(v.pairs) == 0
}

// object is a decoded JSON object. Numbers keep their digits.
type object = map[string]any

// reader takes out of the resources of one case what can be searched.
type reader struct {
	zone *time.Location
	// presence says that of what rows do not tell only its presence is read.
	presence bool
	// inside gives the name that rows have of a system; nil: its own.
	inside func(system string) string
	// before holds what was read, by parameter and text: most of what the resources
	// of a case can be searched by, they have in common.
	before map[string]*values
	// decoded are members, by text.
	decoded map[string]any
	texts   map[string]string
	units   map[unit]*unit
}

func newReader(zone *time.Location) *reader {
	return &reader{zone: zone, before: map[string]*values{}, decoded: map[string]any{}, texts: map[string]string{}, units: map[unit]*unit{}}
}

// same gives the text as it was met first, so that it is held once.
func (r *reader) same(text string) string {
	if first, met := r.texts[text]; met {
		return first
	}
	r.texts[text] = text
	return text
}

// read takes out of an encoded resource what its type's parameters search.
func (r *reader) read(t *resourceType, res fhirmap.Resource) (record, error) {
	members, err := membersOf(res.JSON)
	if err != nil {
		return record{}, fmt.Errorf("%s %s cannot be read: %w", res.Type, res.ID, err)
	}
	out := record{typ: t.name, id: res.ID, values: make([]*values, len(t.params))}
	for i, p := range t.params {
		v, err := r.values(t, p, members)
		if err != nil {
			return record{}, fmt.Errorf("%s %s cannot be read: %w", res.Type, res.ID, err)
		}
		out.values[i] = v
	}
	return out, nil
}

// values reads those of one parameter; nil is none.
func (r *reader) values(t *resourceType, p param, members members) (*values, error) {
	key := []byte(t.name + " " + p.name)
	used := p.members()
	if r.presence && p.open() && p.direct() {
		for _, name := range used {
			if len(members.named(name)) > 0 {
				return there, nil
			}
		}
		return nil, nil
	}
	has := false
	for _, name := range used {
		text := members.named(name)
		key = append(append(key, 0), text...)
		has = has || len(text) > 0
	}
	if !has {
		return nil, nil
	}
	if v, met := r.before[string(key)]; met {
		return v, nil
	}
	content := object{}
	for _, name := range used {
		text := members.named(name)
		if len(text) == 0 {
			continue
		}
		x, err := r.decode(text)
		if err != nil {
			return nil, err
		}
		content[name] = x
	}
	v := &values{}
	for _, path := range p.paths {
		walk(content, path, func(x any) { r.add(v, p, path, x) })
	}
	if v.none() {
		v = nil
	}
	r.before[string(key)] = v
	return v, nil
}

// there stands for values of which only that there are some is asked.
var there = &values{pointers: []pointer{{}}}

// direct says whether the values of a parameter are members of the resource
// themselves.
func (p param) direct() bool {
	return !slices.ContainsFunc(p.paths, func(path string) bool { return path == whole || strings.Contains(path, ".") })
}

// decode reads a member; most have been read before.
func (r *reader) decode(text []byte) (x any, err error) {
	if x, met := r.decoded[string(text)]; met {
		return x, nil
	}
	decoder := json.NewDecoder(bytes.NewReader(text))
	decoder.UseNumber()
	if err := decoder.Decode(&x); err != nil {
		return nil, err
	}
	r.decoded[string(text)] = x
	return x, nil
}

// members are those of an encoded object, as they stand in it.
type members []jsonMember

type jsonMember struct{ name, value []byte }

func (m members) named(name string) []byte {
	for i := range m {
		if string(m[i].name) == name {
			return m[i].value
		}
	}
	return nil
}

var errNoObject = errors.New("it is no JSON object")

// membersOf finds the members of an object that was encoded here: valid, without
// space between its parts, with names that need no escape.
func membersOf(text []byte) (list members, err error) {
	if len(text) < 2 || text[0] != '{' || text[len(text)-1] != '}' {
		return nil, errNoObject
	}
	for at := 1; at < len(text)-1; {
		end := endOf(text, at)
		if text[at] != '"' || end >= len(text) || text[end] != ':' {
			return nil, errNoObject
		}
		from := end + 1
		until := endOf(text, from)
		if until >= len(text) || text[until] != ',' && until != len(text)-1 {
			return nil, errNoObject
		}
		list = append(list, jsonMember{text[at+1 : end-1], text[from:until]})
		at = until + 1
	}
	return list, nil
}

// endOf gives where the value that begins at a place ends.
func endOf(text []byte, at int) int {
	for depth := 0; at < len(text); at++ {
		switch text[at] {
		case '"':
			at++
			for at < len(text) && text[at] != '"' {
				if text[at] == '\\' {
					at++
				}
				at++
			}
			if depth == 0 {
				return at + 1
			}
		case '{', '[':
			depth++
		case '}', ']':
			if depth--; depth == 0 {
				return at + 1
			}
			if depth < 0 {
				return at
			}
		case ',', ':':
			if depth == 0 {
				return at
			}
		}
	}
	return at
}

// members gives the members of the resource that a parameter's values stand in.
func (p param) members() []string {
	var list []string
	for _, path := range p.paths {
		if path == whole {
			list = append(list, "code", p.value)
			continue
		}
		head, _, _ := strings.Cut(path, ".")
		if !slices.Contains(list, head) {
			list = append(list, head)
		}
	}
	return list
}

// walk visits every value at a path, through lists.
func walk(v any, path string, visit func(any)) {
	if list, ok := v.([]any); ok {
		for _, x := range list {
			walk(x, path, visit)
		}
		return
	}
	if path == whole {
		visit(v)
		return
	}
	o, ok := v.(object)
	if !ok {
		return
	}
	name, rest, _ := strings.Cut(path, ".")
	if x, has := o[name]; has {
		walk(x, rest, visit)
	}
}

func text(o object, name string) string {
	s, _ := o[name].(string)
	return s
}

// add enters one element under its parameter. An element of another shape than
// the parameter searches is not searched.
func (r *reader) add(v *values, p param, path string, element any) {
	if p.staff {
		o, _ := element.(object)
		if id, ok := o["identifier"].(object); ok && text(id, "value") != "" {
			system := text(id, "system")
			if r.inside != nil {
				system = r.inside(system)
			}
			for _, h := range []hash{staffHash(text(id, "value")), staffHash(system, text(id, "value"))} {
				if !slices.Contains(v.hashes, h) {
					v.hashes = append(v.hashes, h)
				}
			}
		}
		return
	}
	if p.hashed {
		s, _ := element.(string)
		if p.within != nil {
			s = p.within(path, s)
		}
		if h, ok := hashOf(s); ok && !slices.Contains(v.hashes, h) {
			v.hashes = append(v.hashes, h)
		}
		return
	}
	switch p.kind {
	case kindToken:
		v.codings = append(v.codings, r.codings(element, p.system)...)
	case kindDate:
		if s, ok := spanOf(element, r.zone); ok {
			v.spans, v.dates = append(v.spans, s), append(v.dates, writtenAs(element))
		}
	case kindReference:
		if o, ok := element.(object); ok {
			v.pointers = append(v.pointers, r.pointer(o))
		}
	case kindQuantity:
		v.amounts = append(v.amounts, r.amounts(element)...)
	case kindURI:
		if s, ok := element.(string); ok {
			v.uris = append(v.uris, s)
		}
	case kindString:
		if s, ok := element.(string); ok {
			v.phrases = append(v.phrases, phraseOf(r.same(s)))
		}
	case kindComposite:
		var x pair
		walk(element, "code", func(c any) { x.code = append(x.code, r.codings(c, "")...) })
		walk(element, p.value, func(c any) {
			if p.valueKind == kindQuantity {
				x.amounts = append(x.amounts, r.amounts(c)...)
			} else {
				x.concept = append(x.concept, r.codings(c, "")...)
			}
		})
		if len(x.code) > 0 && len(x.amounts)+len(x.concept) > 0 {
			v.pairs = append(v.pairs, x)
		}
	}
}

// codings reads a code, a Coding, a CodeableConcept or an Identifier.
func (r *reader) codings(element any, system string) []coding {
	switch x := element.(type) {
	case string:
		return []coding{{r.same(system), r.same(x)}}
	case object:
		if list, ok := x["coding"].([]any); ok {
			all := make([]coding, 0, len(list))
			for _, c := range list {
				all = append(all, r.codings(c, "")...)
			}
			return all
		}
		for _, name := range []string{"code", "value"} {
			if c := text(x, name); c != "" {
				return []coding{{r.same(text(x, "system")), r.same(c)}}
			}
		}
	}
	return nil
}

// spanOf reads a date, a time or a Period.
func spanOf(element any, zone *time.Location) (span, bool) {
	switch x := element.(type) {
	case string:
		s, err := parseSpan(x, zone)
		return s, err == nil
	case object:
		period := span{always, never}
		from, until := text(x, "start"), text(x, "end")
		if from != "" {
			s, err := parseSpan(from, zone)
			if err != nil {
				return span{}, false
			}
			period.from = s.from
		}
		if until != "" {
			s, err := parseSpan(until, zone)
			if err != nil {
				return span{}, false
			}
			period.until = s.until
		}
		return period, from != "" || until != ""
	}
	return span{}, false
}

func writtenAs(element any) written {
	if o, ok := element.(object); ok {
		return written{period: true, start: text(o, "start"), end: text(o, "end")}
	}
	at, _ := element.(string)
	return written{start: at}
}

func (r *reader) pointer(o object) pointer {
	var p pointer
	if target := text(o, "reference"); target != "" {
		p.target = r.same(target)
	}
	if id, ok := o["identifier"].(object); ok {
		p.identifier = &coding{r.same(text(id, "system")), r.same(text(id, "value"))}
	}
	return p
}

// amounts reads a Quantity.
func (r *reader) amounts(element any) []amount {
	o, ok := element.(object)
	if !ok {
		return nil
	}
	digits, ok := o["value"].(json.Number)
	if !ok {
		return nil
	}
	x, err := strconv.ParseFloat(digits.String(), 64)
	if err != nil {
		return nil
	}
	u := unit{r.same(text(o, "system")), r.same(text(o, "code")), r.same(text(o, "unit"))}
	if r.units[u] == nil {
		r.units[u] = &u
	}
	return []amount{amount{unit: r.units[u], open: text(o, "comparator")}.at(x)}
}
