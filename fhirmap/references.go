package fhirmap

import "bytes"

// Base of the URLs that stand for resources where a bundle refers to them by type
// and id. They name; nothing answers there.
const resourceBase = Base + "/"

// urnReference is how every reference of an encoded resource begins. Quotes inside
// a JSON string are escaped, so that no text of a resource can look like it.
var urnReference = []byte(`"reference":"urn:uuid:`)

// Literal rewrites every reference of encoded resources from urn:uuid:ID to the
// literal form Type/ID, as NDJSON and whoever answers for single resources need
// it. It takes what this package encodes, without blanks; types gives the type of
// an id. A reference to an id that types does not know stays as it is. Where
// nothing changes the bytes given are answered.
func Literal(encoded []byte, types map[string]string) []byte {
	var out []byte
	rest := encoded
	for {
		i := bytes.Index(rest, urnReference)
		if i < 0 {
			break
		}
		begin := i + len(urnReference)
		length := bytes.IndexByte(rest[begin:], '"')
		if length < 0 {
			break
		}
		if out == nil {
			out = make([]byte, 0, len(encoded))
		}
		id := rest[begin : begin+length]
		if typ, known := types[string(id)]; known {
			out = append(out, rest[:begin-len("urn:uuid:")]...)
			out = append(append(append(out, typ...), '/'), id...)
		} else {
			out = append(out, rest[:begin+length]...)
		}
		rest = rest[begin+length:]
	}
	if out == nil {
		return encoded
	}
	return append(out, rest...)
}

// TypesByID gives what Literal needs of the resources of one case: every
// reference of a case's resource leads to a resource of the same case.
func TypesByID(list []Resource) map[string]string {
	types := make(map[string]string, len(list))
	for _, r := range list {
		types[r.ID] = r.Type
	}
	return types
}
