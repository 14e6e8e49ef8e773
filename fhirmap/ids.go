package fhirmap

import (
	"crypto/sha256"
	"encoding/binary"
	"strings"

	"github.com/google/uuid"
	"github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// Every id is a UUID of version 8 (RFC 9562, section 5.8: of the maker's own kind)
// that knows its case:
//
//	bits 0-47    the first 48 bits of SHA-256("case" NUL uid)
//	bits 48-51   the version, 8
//	bits 52-63   bits 4-15 of SHA-256("resource" NUL uid NUL type NUL key)
//	bits 64-65   the variant, binary 10
//	bits 66-127  bits 18-79 of the same hash
//
// All parts are bytes of UTF-8; NUL is one byte of zero, which is in no uid and no
// type. No secret is in an id: it is one way, and no more than that. Who knows the
// case's uid and the key can make it again, on any store.
const (
	caseBytes    = 6
	purposeCase  = "case"
	purposeThing = "resource"
)

func hashOf(parts ...string) [sha256.Size]byte {
	text := make([]byte, 0, 256) // on the stack
	for i, part := range parts {
		if i > 0 {
			text = append(text, 0)
		}
		text = append(text, part...)
	}
	return sha256.Sum256(text)
}

// resourceID makes the id of a resource of a case from its key, which names what
// it is about and never a position.
func resourceID(uid, typ, key string) string {
	of, thing := hashOf(purposeCase, uid), hashOf(purposeThing, uid, typ, key)
	var id uuid.UUID
	copy(id[:caseBytes], of[:])
	copy(id[caseBytes:], thing[:])
	return versionEight(id).String()
}

// versionEight sets the bits that say of which kind a UUID is.
func versionEight(id uuid.UUID) uuid.UUID {
	id[6], id[8] = id[6]&0x0f|0x80, id[8]&0x3f|0x80
	return id
}

// Receivers cut what they are asked to find at bars and commas, whether these are
// escaped or not, and R4 gives a meaning to dollars and backslashes beside: none of
// the four is in a value that we make. A bar between the parts of a key becomes a
// tilde, every other sign of them its percent form, so that two keys never share a
// value.
var (
	toIdentifier   = strings.NewReplacer("%", "%25", "~", "%7E", "|", "~", ",", "%2C", "$", "%24", `\`, "%5C")
	fromIdentifier = strings.NewReplacer("~", "|", "%7E", "~", "%2C", ",", "%24", "$", "%5C", `\`, "%25", "%")
)

// identifierOf gives the stable identifier of what a key names in a case.
func identifierOf(uid, key string) fhir.Identifier {
	return fhir.Identifier{System: text(IdentifierSystem), Value: text(toIdentifier.Replace(uid + "/" + key))}
}

// keyIn gives the key of our identifier among others; none: "".
func keyIn(uid string, list []fhir.Identifier) string {
	for _, id := range list {
		if orEmpty(id.System) != IdentifierSystem {
			continue
		}
		if key, ours := strings.CutPrefix(fromIdentifier.Replace(orEmpty(id.Value)), uid+"/"); ours {
			return key
		}
	}
	return ""
}

// CasePrefix gives the first 48 bits of every resource id of a case. Two cases may
// share them; a whole id belongs to one.
func CasePrefix(uid string) int64 {
	of := hashOf(purposeCase, uid)
	return prefix(of[:])
}

// PrefixOf gives the first 48 bits of an id, by which its case is looked up; not
// for a text that cannot be an id of ours. Other spellings of a UUID are other ids.
func PrefixOf(id string) (bits int64, ok bool) {
	u, err := uuid.Parse(id)
	if err != nil || u.String() != id || u.Version() != 8 || u.Variant() != uuid.RFC4122 {
		return 0, false
	}
	return prefix(u[:]), true
}

func prefix(b []byte) int64 {
	return int64(binary.BigEndian.Uint64(append([]byte{0, 0}, b[:caseBytes]...)))
}

// CaseOfIdentifier gives the uid of the case that an identifier of a resource says it
// is of; empty: it is none of ours.
func CaseOfIdentifier(value string) string {
	uid, _, ours := strings.Cut(fromIdentifier.Replace(value), "/")
	if !ours {
		return ""
	}
	return uid
}

// partBits are what is kept of an id beside the prefix of its case: enough to tell
// the resources of one case apart, few enough for six bytes.
const partBits = 44

// PartOf gives the bits of an id that follow those of its case and of its version,
// in the order of ids; 0 for a text that is no id of ours. Two resources of a case
// may share them.
func PartOf(id string) int64 {
	u, err := uuid.Parse(id)
	if err != nil {
		return 0
	}
	return int64(binary.BigEndian.Uint64(append([]byte{0, 0}, u[caseBytes:2*caseBytes]...)) & (1<<partBits - 1))
}
