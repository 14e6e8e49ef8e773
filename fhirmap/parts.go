package fhirmap

import (
	"bytes"
	"fmt"
	"net/url"
	"slices"

	"github.com/goccy/go-json"
	"github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// PartForm is a form of a bundle that can be given in parts.
type PartForm int

// The forms.
const (
	// PartTransaction: each part is a transaction of PUT requests.
	PartTransaction PartForm = iota
	// PartBatch: PUT requests that do not stand or fall together, for receivers whose
	// transactions are switched off.
	PartBatch
	// PartConditional: each part is a transaction of updates by our identifier, without
	// resources that have none.
	PartConditional
	// PartCollection: the resources alone.
	PartCollection
)

var partTypes = map[PartForm]fhir.BundleType{
	PartTransaction: fhir.BundleTypeTransaction, PartBatch: fhir.BundleTypeBatch, PartConditional: fhir.BundleTypeTransaction, PartCollection: fhir.BundleTypeCollection,
}

// Parts gives what Transaction sends in bundles of at most the given number of
// entries (0: one bundle), for receivers that take no more. A resource stands behind
// all it refers to, in the same part or an earlier one, so that a receiver that checks
// references takes the parts in their order. References are literal, those of the
// conditional form to another part searches for our identifier: none is to a urn of
// another part. Each part may be sent again, at any time: it says the same.
//
// The parts are a function of the history: a part belongs to those of the same
// history number and to no others. The errors are those of Transaction.
func Parts(h History, form PartForm, entries int) ([][]byte, error) {
	if form == PartTransaction || form == PartConditional {
		h = h.inTransaction()
	}
	a, err := assemble(h)
	if err != nil {
		return nil, err
	}
	list, err := a.resources()
	if err != nil {
		return nil, err
	}
	pieces, err := piecesOf(list, form == PartConditional)
	if err != nil {
		return nil, err
	}
	if entries <= 0 {
		entries = max(1, len(pieces))
	}
	where := map[string]int{}
	for i, p := range pieces {
		where[p.ID] = i / entries
	}
	var parts [][]byte
	for group := range slices.Chunk(pieces, entries) {
		if err := h.asked(); err != nil {
			return nil, err
		}
		part, err := h.leaving(writePart(h, form, len(parts), group, pieces, where))
		if err != nil {
			return nil, err
		}
		parts = append(parts, part)
	}
	return parts, nil
}

// piece is a resource with what it refers to.
type piece struct {
	Resource
	// identifier names it where it has one.
	identifier *fhir.Identifier
}

// piecesOf gives the resources in the order of their references: each behind all it
// refers to. Without named ones only where that is asked for.
func piecesOf(list []Resource, named bool) ([]piece, error) {
	index := make(map[string]int, len(list))
	for i, r := range list {
		index[r.ID] = i
	}
	var pieces []piece
	visited := make([]bool, len(list))
	var visit func(i int) error
	visit = func(i int) error {
		r := list[i]
		if visited[i] {
			return nil // there is no circle, which a test holds
		}
		visited[i] = true
		for _, id := range referred(r.JSON) {
			to, known := index[id]
			if !known {
				return fmt.Errorf("%s %s refers to %s, which the case does not have", r.Type, r.ID, id)
			}
			if err := visit(to); err != nil {
				return err
			}
		}
		p := piece{Resource: r}
		if named {
			var form struct {
				Identifier []fhir.Identifier `json:"identifier"`
			}
			if err := json.Unmarshal(r.JSON, &form); err != nil {
				return fmt.Errorf("%s %s: %w", r.Type, r.ID, err)
			}
			if len(form.Identifier) == 0 {
				return nil
			}
			p.identifier = &form.Identifier[0]
			p.JSON = bytes.Replace(r.JSON, []byte(`"id":"`+r.ID+`",`), nil, 1)
		}
		pieces = append(pieces, p)
		return nil
	}
	for i := range list {
		if err := visit(i); err != nil {
			return nil, err
		}
	}
	return pieces, nil
}

// referred gives the ids of the resources that an encoded resource refers to.
func referred(text []byte) []string {
	var ids []string
	for {
		_, after, found := bytes.Cut(text, []byte(referencePrefix))
		if !found || len(after) < uuidLength {
			return ids
		}
		ids = append(ids, string(after[:uuidLength]))
		text = after[uuidLength:]
	}
}

func writePart(h History, form PartForm, number int, group, all []piece, where map[string]int) ([]byte, error) {
	head, err := envelope(h, partTypes[form], nil, nil)
	if err != nil {
		return nil, err
	}
	out, err := json.Marshal(head)
	if err != nil {
		return nil, err
	}
	out = append(out[:len(out)-1], `,"entry":[`...)
	named := make(map[string]piece, len(all))
	for _, p := range all {
		named[p.ID] = p
	}
	refer := func(id string) (string, error) {
		target, known := named[id]
		switch {
		case !known:
			return "", fmt.Errorf("a part refers to %s, which is in none", id)
		case form != PartConditional:
			return target.Type + "/" + id, nil
		case where[id] == number:
			return urn(id), nil
		}
		return target.search(), nil
	}
	for i, p := range group {
		text, err := rewritten(p.JSON, refer)
		if err != nil {
			return nil, fmt.Errorf("%s %s: %w", p.Type, p.ID, err)
		}
		full, asked := resourceBase+p.Type+"/"+p.ID, p.Type+"/"+p.ID
		if form == PartConditional {
			full, asked = urn(p.ID), p.search()
		}
		if i > 0 {
			out = append(out, ',')
		}
		// URLs are made of types, ids and escaped text: nothing in them needs quoting.
		out = append(out, `{"fullUrl":"`+full+`","resource":`...)
		out = append(out, text...)
		if form != PartCollection {
			out = append(out, `,"request":{"method":"PUT","url":"`+asked+`"}`...)
		}
		out = append(out, '}')
	}
	return append(out, `]}`...), nil
}

// search finds the resource by our identifier.
func (p piece) search() string {
	return p.Type + "?identifier=" + url.QueryEscape(searchToken(p.identifier))
}

// rewritten gives an encoded resource with other references.
func rewritten(text []byte, refer func(id string) (string, error)) ([]byte, error) {
	var out []byte
	for {
		before, after, found := bytes.Cut(text, []byte(referencePrefix))
		if !found {
			return append(out, text...), nil
		}
		if len(after) < uuidLength {
			return nil, fmt.Errorf("a reference ends after %d characters", len(after))
		}
		to, err := refer(string(after[:uuidLength]))
		if err != nil {
			return nil, err
		}
		out = append(append(out, before...), `"reference":"`+to...)
		text = after[uuidLength:]
	}
}
