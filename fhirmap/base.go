package fhirmap

import (
	"bytes"
	"cmp"
	"net/url"
	"strings"
)

// Everything of ours is named under Base as long as it is inside: in the tables, in
// what the store keeps of resources that were sent, in the rows by which they are
// found, in digests and ids. A site's own base is put in its place where something
// leaves, by the exported functions that make it. So a change of the base changes
// nothing that is kept, no row is older than the base, and what was kept under a
// former base leaves under the present one.

// ownBase gives a site's base; empty: it is what is built in.
func ownBase(base string) string {
	if base == Base {
		return ""
	}
	return base
}

// CanonicalBase gives the base of everything that is our own at the site.
func (s Site) CanonicalBase() string { return cmp.Or(s.Base, Base) }

// Canonical gives the canonical URL of a resource of Terminology, Guide or Views at
// the site; a resource of a case has none.
func (s Site) Canonical(typ, id string) string { return s.CanonicalBase() + "/" + typ + "/" + id }

// Named gives encoded JSON of ours with the names that the site has for what is ours.
func (s Site) Named(text []byte) []byte {
	base := ownBase(s.Base)
	if base == "" {
		return text
	}
	text = renamed(text, `"`+Base, `"`+base, `/"`)
	// In the search for an identifier of ours.
	const asked = "?identifier="
	return bytes.ReplaceAll(text, []byte(asked+url.QueryEscape(Base+"/")), []byte(asked+url.QueryEscape(base+"/")))
}

// Inside gives the built-in name of what the site gives a name of ours; a name of
// another stays as it is. The built-in name is none of a site with a base of its own:
// what is given for it is no name of anything.
func (s Site) Inside(name string) string {
	base := ownBase(s.Base)
	if base == "" {
		return name
	}
	if rest, ours := strings.CutPrefix(name, base+"/"); ours {
		return Base + "/" + rest
	}
	if strings.HasPrefix(name, Base+"/") {
		return "\x00" + name
	}
	return name
}

// renamed puts one beginning of a string of JSON in the place of another, where one of
// some signs follows. A quote that is part of a string has a backslash before it.
func renamed(text []byte, from, to, before string) []byte {
	out := make([]byte, 0, len(text)+len(text)/16)
	for at := 0; ; {
		i := bytes.Index(text[at:], []byte(from))
		if i < 0 {
			return append(out, text[at:]...)
		}
		i += at
		end := i + len(from)
		ours := end < len(text) && bytes.IndexByte([]byte(before), text[end]) >= 0 && (i == 0 || text[i-1] != '\\')
		out = append(out, text[at:i]...)
		if ours {
			out = append(out, to...)
		} else {
			out = append(out, from...)
		}
		at = end
	}
}

// leaving gives what is made of a history with the names of its site. The identifier of
// the patient is the record's, whatever it looks like.
func (h History) leaving(text []byte, err error) ([]byte, error) {
	site := Site{Base: h.Base}
	if err != nil || ownBase(h.Base) == "" {
		return text, err
	}
	who, err := subjectJSON(h)
	if err != nil || h.patient().GetValue() == "" || !bytes.Contains(who, []byte(Base)) && !bytes.Contains(who, []byte(url.QueryEscape(Base))) {
		return site.Named(text), err
	}
	pieces := bytes.Split(text, who)
	for i := range pieces {
		pieces[i] = site.Named(pieces[i])
	}
	return bytes.Join(pieces, who), nil
}

// leavingAll does it with each resource by itself.
func (h History) leavingAll(list []Resource, err error) ([]Resource, error) {
	for i := range list {
		if err != nil {
			return nil, err
		}
		list[i].JSON, err = h.leaving(list[i].JSON, nil)
	}
	return list, err
}
