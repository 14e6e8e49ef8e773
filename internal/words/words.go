// Package words is where the words of the contract become what people read: how a
// word stands in a line or in a sentence, and which values of an enum are said
// otherwise than they are spelled. It knows words only.
package words

import (
	"strings"
	"unicode"
)

const unspecified = "UNSPECIFIED"

// OfEnum gives the word of an enum value: its name in lower case without the
// enum's prefix, which the name of the zero value tells.
func OfEnum(name, zero string) string {
	return strings.ToLower(strings.TrimPrefix(name, strings.TrimSuffix(zero, unspecified)))
}

var spaces = strings.NewReplacer("_", " ", "-", " ")

// joined are the compounds of the trade that are written with a hyphen.
var joined = strings.NewReplacer("antero posterior", "antero-posterior", "aorto mitral", "aorto-mitral",
	"anterolateral posteromedial", "anterolateral-posteromedial", "velocity time", "velocity-time", "half time", "half-time",
	"end systolic", "end-systolic", "end diastolic", "end-diastolic", "edge to edge", "edge-to-edge", "follow up", "follow-up")

// Spaced prints a word or an id as the trade says it, and where it says the same,
// with spaces: after_leaflet_work as 'after leaflet work'.
func Spaced[T ~string](word T) string {
	if said, ok := trade[string(word)]; ok {
		return said
	}
	return joined.Replace(spaces.Replace(string(word)))
}

// Capital begins with a capital letter.
func Capital(s string) string {
	for i, r := range s {
		return string(unicode.ToUpper(r)) + s[i+len(string(r)):]
	}
	return s
}

// Sentence begins with a capital and ends with a full stop.
func Sentence(s string) string {
	s = Capital(strings.TrimSpace(s))
	if s == "" || strings.HasSuffix(s, ".") || strings.HasSuffix(s, ".”") {
		return s
	}
	return s + "."
}

// And joins words as a sentence does: a, b and c.
func And(list []string) string {
	last := len(list) - 1
	if last < 1 {
		return strings.Join(list, "")
	}
	return strings.Join(list[:last], ", ") + " and " + list[last]
}
