package render

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// What is printed may hold text that others wrote, and a terminal obeys some of it:
// an escape sequence hides a line, a change of direction turns a number around.
// Such a character is printed as its number.

// commands says whether a character is none to be read: a control, or one that
// changes the direction of writing or ends a line.
func commands(r rune) bool {
	return unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) || r == '\u2028' || r == '\u2029'
}

func numbered(r rune) string { return fmt.Sprintf("<U+%04X>", r) }

// plain gives a text as it may be printed in a line: breaks and tabs are blanks.
func plain(s string) string {
	if !strings.ContainsFunc(s, commands) && utf8.ValidString(s) {
		return s
	}
	var b strings.Builder
	for _, r := range strings.ToValidUTF8(s, "\uFFFD") {
		switch {
		case r == '\n', r == '\r', r == '\t':
			b.WriteByte(' ')
		case commands(r):
			b.WriteString(numbered(r))
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// allPlain makes the texts among some values plain.
func allPlain(values []any) []any {
	out := make([]any, len(values))
	for i, v := range values {
		if s, ok := v.(string); ok {
			v = plain(s)
		}
		out[i] = v
	}
	return out
}

// printf is fmt.Fprintf for texts that others wrote.
func printf(w io.Writer, format string, values ...any) { fmt.Fprintf(w, format, allPlain(values)...) }

// Terminal gives a writer for what a terminal may show: what plain lets through, and
// breaks and tabs as they are. A character cut off at the end of all is left out.
// It is as wide as the page it writes on.
func Terminal(w io.Writer) io.Writer { return &terminal{w: w} }

func (t *terminal) pageWidth() int { return pageWidth(t.w) }

type terminal struct {
	w    io.Writer
	rest []byte // the beginning of a character whose end has not come
}

// Write implements io.Writer.
func (t *terminal) Write(p []byte) (int, error) {
	text := slices.Concat(t.rest, p)
	var b strings.Builder
	b.Grow(len(text))
	for len(text) > 0 && utf8.FullRune(text) {
		r, size := utf8.DecodeRune(text)
		if commands(r) && r != '\n' && r != '\t' {
			b.WriteString(numbered(r))
		} else {
			b.WriteRune(r)
		}
		text = text[size:]
	}
	t.rest = append([]byte(nil), text...)
	if _, err := io.WriteString(t.w, b.String()); err != nil {
		return 0, err
	}
	return len(p), nil
}

// escaped gives JSON in which those characters are written by their numbers; it
// means the same.
func escaped(json []byte) []byte {
	if strings.IndexFunc(string(json), func(r rune) bool { return r != '\n' && commands(r) }) < 0 {
		return json
	}
	var b strings.Builder
	for _, r := range string(json) {
		if r != '\n' && commands(r) {
			fmt.Fprintf(&b, `\u%04x`, r)
		} else {
			b.WriteRune(r)
		}
	}
	return []byte(b.String())
}
