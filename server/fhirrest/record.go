package fhirrest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/big"
	"strings"
	"time"

	"trigone/fhirmap"
)

// record is a resource with the values that its type's parameters search.
type record struct {
	typ, id string
	text    []byte
	// values stand in the order of the type's parameters.
	values []values
}

// values are what a resource has for one parameter; one of the lists is used.
type values struct {
	codings  []coding
	spans    []span
	pointers []pointer
	amounts  []amount
	uris     []string
	pairs    []pair
}

// pair is what a composite binds together.
type pair struct{ code, value values }

func (v values) none() bool {
	return len(v.codings)+len(v.spans)+len(v.pointers)+len(v.amounts)+len(v.uris)+len(v.pairs) == 0
}

// object is a decoded JSON object. Numbers keep their digits.
type object = map[string]any

// read takes out of an encoded resource what its type's parameters search.
func read(t *resourceType, r fhirmap.Resource, zone *time.Location) (record, error) {
	decoder := json.NewDecoder(bytes.NewReader(r.JSON))
	decoder.UseNumber()
	var content object
	if err := decoder.Decode(&content); err != nil {
		return record{}, fmt.Errorf("%s %s cannot be read: %w", r.Type, r.ID, err)
	}
	out := record{typ: r.Type, id: r.ID, text: r.JSON, values: make([]values, len(t.params))}
	for i, p := range t.params {
		for _, path := range p.paths {
			walk(content, path, func(v any) { out.values[i].add(p, v, zone) })
		}
	}
	return out, nil
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
func (v *values) add(p param, element any, zone *time.Location) {
	switch p.kind {
	case kindToken:
		v.codings = append(v.codings, codings(element, p.system)...)
	case kindDate:
		if s, ok := spanOf(element, zone); ok {
			v.spans = append(v.spans, s)
		}
	case kindReference:
		if o, ok := element.(object); ok {
			v.pointers = append(v.pointers, pointerOf(o))
		}
	case kindQuantity:
		if o, ok := element.(object); ok {
			if a, ok := amountOf(o); ok {
				v.amounts = append(v.amounts, a)
			}
		}
	case kindURI:
		if s, ok := element.(string); ok {
			v.uris = append(v.uris, s)
		}
	case kindComposite:
		var x pair
		walk(element, "code", func(c any) { x.code.add(param{kind: kindToken}, c, zone) })
		walk(element, p.value, func(c any) { x.value.add(param{kind: p.valueKind}, c, zone) })
		if !x.code.none() && !x.value.none() {
			v.pairs = append(v.pairs, x)
		}
	}
}

// codings reads a code, a Coding, a CodeableConcept or an Identifier.
func codings(element any, system string) []coding {
	switch x := element.(type) {
	case string:
		return []coding{{system, x}}
	case object:
		if list, ok := x["coding"].([]any); ok {
			var all []coding
			for _, c := range list {
				all = append(all, codings(c, "")...)
			}
			return all
		}
		for _, name := range []string{"code", "value"} {
			if c := text(x, name); c != "" {
				return []coding{{text(x, "system"), c}}
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

func pointerOf(o object) pointer {
	var p pointer
	if r := text(o, "reference"); r != "" {
		if typ, id, ok := strings.Cut(r, "/"); ok && typeNamed(typ) != nil {
			p.typ, p.id = typ, id
		} else {
			p.url = r
		}
	}
	if id, ok := o["identifier"].(object); ok {
		p.identifier = coding{text(id, "system"), text(id, "value")}
	}
	return p
}

func amountOf(o object) (amount, bool) {
	digits, ok := o["value"].(json.Number)
	if !ok {
		return amount{}, false
	}
	n, err := parseNumber(digits.String())
	if err != nil {
		return amount{}, false
	}
	a := amount{from: n.exact, until: n.exact, system: text(o, "system"), code: text(o, "code"), unit: text(o, "unit")}
	var open *big.Rat
	switch text(o, "comparator") {
	case "<", "<=":
		a.from = open
	case ">", ">=":
		a.until = open
	}
	return a, true
}
