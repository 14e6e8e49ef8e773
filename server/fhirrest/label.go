package fhirrest

import (
	"crypto/sha256"
	"errors"
	"regexp"
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// folded is what texts are compared by: capitals, accents, spaces and hyphens make no
// difference, as people type them as they come.
func folded(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.Is(unicode.Mn, r) || unicode.IsSpace(r) || r == '-' {
			return -1
		}
		return unicode.ToUpper(r)
	}, norm.NFD.String(text))
}

// phrase is a text with what it is compared by.
type phrase struct{ text, folded string }

func phraseOf(text string) phrase { return phrase{text, folded(text)} }

// hash is of a text that identifies.
type hash [12]byte

// hashOf gives the hash of what a text is compared by; of an empty one there is none.
func hashOf(text string) (h hash, ok bool) {
	text = folded(text)
	sum := sha256.Sum256([]byte(text))
	copy(h[:], sum[:])
	return h, text != ""
}

// staffHash gives the hash of a pseudonym, or of its system and itself.
func staffHash(parts ...string) (h hash) {
	sum := sha256.Sum256([]byte("staff\x00" + strings.Join(parts, "\x00")))
	copy(h[:], sum[:])
	return h
}

var errPhrase = errors.New("has no letter or digit to look for")

// phraseTest asks for texts that begin with one, or with a modifier that hold it or
// are it to the letter.
func phraseTest(modifier, part string) (test, error) {
	text, err := plain(part)
	if err != nil {
		return nil, err
	}
	asked := phraseOf(text)
	if asked.folded == "" {
		return nil, errPhrase
	}
	holds := func(p phrase) bool { return strings.HasPrefix(p.folded, asked.folded) }
	switch modifier {
	case modExact:
		holds = func(p phrase) bool { return p.text == asked.text }
	case modContains:
		holds = func(p phrase) bool { return strings.Contains(p.folded, asked.folded) }
	}
	return func(v *values) bool { return slices.ContainsFunc(v.phrases, holds) }, nil
}

var (
	// A device identifier is served of carriers of GS1 alone, whose all have 14 digits:
	// of those that begin with 14 there is none but the same.
	wholeIdentifier = regexp.MustCompile(`^[0-9]{14}$`)

	errIdentifier = errors.New("is no whole device identifier: write the 14 digits that stand behind (01) on the label; a beginning or a part is not searched")
	errHashed     = errors.New("is one text without a system: write all of it, a bar in it as \\|; a beginning or a part is not searched")
)

// hashedTest asks for a whole text.
func hashedTest(p param, part string) (test, error) {
	if parts := split(part, '|'); len(parts) == 2 && parts[0] == "" {
		part = parts[1] // a token without a system
	} else if len(parts) > 1 {
		return nil, errHashed
	}
	text, err := plain(part)
	if err != nil {
		return nil, err
	}
	if p.kind == kindString && !wholeIdentifier.MatchString(text) {
		return nil, errIdentifier
	}
	h, ok := hashOf(text)
	if !ok {
		return nil, errPhrase
	}
	return func(v *values) bool { return slices.Contains(v.hashes, h) }, nil
}
