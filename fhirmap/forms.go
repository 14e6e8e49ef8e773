package fhirmap

import (
	"bytes"
	"fmt"
	"net/url"
	"reflect"

	"github.com/goccy/go-json"
	"github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// ResourceTypes gives the types that the mapping makes, in alphabetical order.
func ResourceTypes() []string {
	return []string{typeIssue, typeDevice, typeRingRequest, typeReport, typeGoal, typeObservation, typeProcedure, typeProvenance, typeRequest}
}

// Collection gives what Transaction sends as a collection: no requests, literal
// references, each resource under a URL that agrees with its type and id. The
// errors are those of Transaction.
func Collection(h History) ([]byte, error) {
	a, err := assemble(h)
	if err != nil {
		return nil, err
	}
	text, err := a.encode(fhir.BundleTypeCollection, func(typ, id string) (string, *fhir.BundleEntryRequest) {
		return resourceBase + typ + "/" + id, nil
	})
	if err != nil {
		return nil, err
	}
	return h.leaving(literal(text, a.types()))
}

// types gives the type of every resource by its id.
func (a assembly) types() map[string]string {
	types := make(map[string]string, len(a.living)+len(a.ended))
	for _, r := range a.living {
		types[r.id] = r.typ
	}
	for _, row := range a.ended {
		types[row.ID] = row.Type
	}
	return types
}

// ConditionalTransaction gives what Transaction sends for a receiver that refuses
// ids made elsewhere: every resource without its id, in a conditional update by
// its identifier, so that the receiver makes an id the first time and finds the
// resource again by our identifier. A conditional create would not do: it never
// updates what is there, and amendments would be lost. References are the entries'
// urn:uuid, which the receiver resolves to ids of its own.
//
// A resource whose type has no identifier cannot be found again and is left out;
// nothing refers to one. The errors are those of Transaction.
func ConditionalTransaction(h History) ([]byte, error) {
	h = h.inTransaction()
	a, err := assemble(h)
	if err != nil {
		return nil, err
	}
	found := func(typ string, id *fhir.Identifier) *fhir.BundleEntryRequest {
		return put(typ + "?identifier=" + url.QueryEscape(searchToken(id)))
	}
	b, err := envelope(h, fhir.BundleTypeTransaction, a.living, func(_, id string) (string, *fhir.BundleEntryRequest) { return urn(id), nil })
	if err != nil {
		return nil, err
	}
	kept := b.Entry[:0]
	for i, r := range a.living {
		e := b.Entry[i]
		wrapped, id := withoutID(e.Resource)
		if id == nil {
			continue
		}
		e.Resource, e.Request = wrapped, found(r.typ, id)
		kept = append(kept, e)
	}
	b.Entry = kept
	text, err := json.Marshal(b)
	if err != nil {
		return nil, err
	}
	named := map[string]*fhir.Identifier{}
	for i, row := range a.ended {
		var form struct {
			Identifier []fhir.Identifier `json:"identifier"`
		}
		if err := json.Unmarshal(row.Gone, &form); err != nil {
			return nil, fmt.Errorf("%s %s: %w", row.Type, row.ID, err)
		}
		if len(form.Identifier) > 0 {
			named[row.ID] = &form.Identifier[0]
			a.ended[i].Gone = bytes.Replace(row.Gone, []byte(`"id":"`+row.ID+`",`), nil, 1)
		}
	}
	return h.leaving(a.withEnded(text, len(kept) > 0, func(typ, id string) (string, *fhir.BundleEntryRequest) {
		if named[id] == nil {
			return "", nil
		}
		return urn(id), found(typ, named[id])
	}))
}

// withoutID gives a wrapped resource without its id, and its identifier; nil if
// its type has none. Every type of the library names both fields alike, and ours is told apart.
func withoutID(wrapped any) (any, *fhir.Identifier) {
	if own, is := wrapped.(*deviceRequest); is {
		bare := *own
		bare.ID = nil
		return &bare, &own.Identifier[0]
	}
	outer := reflect.New(reflect.TypeOf(wrapped)).Elem()
	outer.Set(reflect.ValueOf(wrapped))
	inner := reflect.New(outer.Field(1).Type().Elem())
	inner.Elem().Set(outer.Field(1).Elem())
	inner.Elem().FieldByName("Id").SetZero()
	outer.Field(1).Set(inner)
	field := inner.Elem().FieldByName("Identifier")
	if !field.IsValid() {
		return outer.Interface(), nil
	}
	switch ids := field.Interface().(type) {
	case []fhir.Identifier:
		if len(ids) > 0 {
			return outer.Interface(), &ids[0]
		}
	case *fhir.Identifier:
		return outer.Interface(), ids
	}
	return outer.Interface(), nil
}

// searchToken writes an identifier of ours as the value of a search parameter: what
// R4 wants escaped in one is in none.
func searchToken(id *fhir.Identifier) string { return orEmpty(id.System) + "|" + orEmpty(id.Value) }

// orEmpty is the way back from text.
func orEmpty(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}
