package note_test

import (
	"bytes"
	"compress/zlib"
	"fmt"
	stdhtml "html"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf16"

	"trigone/internal/handover"
	"trigone/internal/note"
	"trigone/internal/picture"
	"trigone/testdata"
)

func pdf(t *testing.T, n note.Note) []byte {
	t.Helper()
	out, err := note.PDF(n)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

var streamPattern = regexp.MustCompile(`(?s)stream\n(.*?)\nendstream`)

// pagesOf reads a document back: the strings of every page in the order in which
// they are drawn. ISO 32000-1, 7.3.4.2 (literal strings) and 9.4.3 (Tj); the font
// is addressed by two bytes for each sign.
func pagesOf(t *testing.T, document []byte) [][]string {
	t.Helper()
	var pages [][]string
	for _, content := range contentsOf(document) {
		pages = append(pages, drawnStrings(content))
	}
	return pages
}

// contentsOf gives what is drawn on every page.
func contentsOf(document []byte) [][]byte {
	var pages [][]byte
	for _, m := range streamPattern.FindAllSubmatch(document, -1) {
		raw := m[1]
		r, err := zlib.NewReader(bytes.NewReader(raw))
		if err != nil {
			continue // no compressed stream
		}
		content, err := io.ReadAll(r)
		if err != nil || !bytes.Contains(content, []byte("Tj")) || !bytes.Contains(content, []byte("BT")) {
			continue
		}
		if len(drawnStrings(content)) > 0 {
			pages = append(pages, content)
		}
	}
	return pages
}

func stringsOf(t *testing.T, document []byte) []string {
	t.Helper()
	return slices.Concat(pagesOf(t, document)...)
}

func drawnStrings(content []byte) []string {
	var list []string
	for i := 0; i < len(content); i++ {
		if content[i] != '(' {
			continue
		}
		var raw []byte
		i++
		for ; i < len(content) && content[i] != ')'; i++ {
			if content[i] == '\\' && i+1 < len(content) {
				i++
				if content[i] == 'r' {
					raw = append(raw, '\r')
					continue
				}
			}
			raw = append(raw, content[i])
		}
		if !bytes.HasPrefix(bytes.TrimLeft(content[min(i+1, len(content)):], " "), []byte("Tj")) {
			continue
		}
		codes := make([]uint16, 0, len(raw)/2)
		for j := 0; j+1 < len(raw); j += 2 {
			codes = append(codes, uint16(raw[j])<<8|uint16(raw[j+1]))
		}
		list = append(list, string(utf16.Decode(codes)))
	}
	return list
}

// placePattern finds where a string stands, in points from the lower left corner.
var placePattern = regexp.MustCompile(`BT [\d.]+ ([\d.]+) Td`)

// The last line of every page but the last one, and the last before the annex, lies
// in the lower third of what can be written on: no page is left half empty. The
// signature is never the only thing on its page.
func TestPDFPagesAreFull(t *testing.T) {
	const top, bottom = 297 - 22.0, 19.0 // mm, of the text
	for _, name := range testdata.Names(testdata.Cases) {
		file := read(t, testdata.Cases, name)
		if file.GetOperation() == nil {
			continue
		}
		document := pdf(t, buildWith(t, file, handover.NoteOptions{}))
		contents, pages := contentsOf(document), pagesOf(t, document)
		for i, content := range contents {
			lowest := 297.0
			for _, m := range placePattern.FindAllSubmatch(content, -1) {
				y, err := strconv.ParseFloat(string(m[1]), 64)
				if err != nil {
					t.Fatal(err)
				}
				lowest = min(lowest, y*25.4/72)
			}
			if empty := (lowest - bottom) / (top - bottom); i < len(contents)-1 && empty > 1.0/3 {
				t.Errorf("%s: %.0f %% of page %d are empty", name, 100*empty, i+1)
			}
			if body := pages[i][headStrings:]; body[0] == "Signature" {
				t.Errorf("%s: the signature stands alone on page %d", name, i+1)
			}
		}
	}
}

// headStrings is how many strings the head of a page has.
const headStrings = 4

// The PDF says all that the structure says, on numbered pages with a heading, and
// no heading is the last thing on its page. What stands in a drawing stands in its SVG
// and in the PDF alike.
func TestPDFHoldsEverySection(t *testing.T) {
	drawn := 0
	defer func() {
		if drawn < 2*len(testdata.Names(testdata.Cases)) {
			t.Errorf("only %d drawings", drawn)
		}
	}()
	for _, name := range testdata.Names(testdata.Cases) {
		n := build(t, read(t, testdata.Cases, name))
		pages := pagesOf(t, pdf(t, n))
		if len(pages) == 0 {
			t.Fatalf("%s: no page can be read", name)
		}
		headings := map[string]bool{}
		var all []string
		for _, s := range n.Sections {
			headings[s.Heading] = true
			for _, b := range s.Blocks {
				if b.Subheading != "" {
					headings[b.Subheading] = true
				}
			}
		}
		for i, page := range pages {
			head := strings.Join(page[:headStrings], " | ")
			for _, want := range []string{n.Head.Patient, n.Head.Case, n.Head.Operation, "record " + n.Head.Version, "DRAFT", fmt.Sprintf("page %d of %d", i+1, len(pages))} {
				if want == "" || !strings.Contains(head, want) {
					t.Errorf("%s: the head of page %d does not say %q: %s", name, i+1, want, head)
				}
			}
			body := page[headStrings:]
			if last := body[len(body)-1]; headings[last] && last != "Signature" { // which is a column, too
				t.Errorf("%s: the heading %q is the last on page %d", name, last, i+1)
			}
			all = append(all, body...)
		}
		said := words(strings.Join(all, " "))
		for _, s := range n.Sections {
			if !slices.Contains(all, s.Heading) {
				t.Errorf("%s: the section %q is not in the PDF", name, s.Heading)
			}
			for _, b := range s.Blocks {
				if b.Paragraph != "" && !strings.Contains(said, words(b.Paragraph)) {
					t.Errorf("%s: the PDF does not say %q", name, b.Paragraph)
				}
				if b.Drawing != nil {
					drawn++
					for _, text := range b.Drawing.Texts() {
						if !slices.Contains(all, text) {
							t.Errorf("%s: %q of the drawing %s is not in the PDF", name, text, b.Drawing.Name)
						}
						if svg := string(picture.SVG(*b.Drawing)); !strings.Contains(svg, ">"+stdhtml.EscapeString(text)+"<") {
							t.Errorf("%s: %q of the drawing %s is not in its SVG", name, text, b.Drawing.Name)
						}
					}
				}
				if b.List == nil {
					continue
				}
				for _, item := range b.List.Items {
					if !strings.Contains(said, words(item.Text)) {
						t.Errorf("%s: the PDF does not say %q", name, item.Text)
					}
				}
			}
		}
		for _, f := range n.Footer {
			if !strings.Contains(said, words(f)) {
				t.Errorf("%s: the PDF does not say %q", name, f)
			}
		}
	}
}

// words drops what line breaks and page breaks change.
func words(s string) string { return strings.Join(strings.Fields(s), "") }

// A paragraph that runs over a page, a row of a table that needs several lines and
// a word wider than the page are laid out without loss.
func TestPDFOfALongNote(t *testing.T) {
	long := strings.Repeat("leaflet ", 900)
	wide := strings.Repeat("x", 400)
	table := &note.Table{Caption: "Rows", Header: []string{"Row", "Text"}}
	for i := range 60 {
		table.Rows = append(table.Rows, []string{fmt.Sprintf("row %d", i), strings.Repeat("several words ", 12)})
	}
	n := note.Note{Title: "Title", Status: []string{"Draft"}, Head: note.Head{Patient: strings.Repeat("running ", 40)}, Sections: []note.Section{
		{Key: "a", Heading: "First", Blocks: []note.Block{{Paragraph: long}, {Paragraph: wide}}},
		{Key: "b", Heading: "Second", Blocks: []note.Block{{Table: table}}},
	}, Footer: []string{"The end."}}
	pages := pagesOf(t, pdf(t, n))
	all := strings.Join(slices.Concat(pages...), "")
	if got := strings.Count(all, "leaflet"); got != 900 {
		t.Errorf("%d of 900 words are left", got)
	}
	if got := strings.Count(all, "x") - strings.Count(all, "Text"); got != 400 {
		t.Errorf("%d of 400 signs of a wide word are left", got)
	}
	for i, page := range pages {
		whole := 0
		for _, s := range page {
			if strings.HasPrefix(s, "row ") {
				whole++
			}
		}
		if whole > 0 && !slices.Contains(page, "Row") {
			t.Errorf("page %d has rows and no header", i+1)
		}
		// A row is as many lines as its text: they stand on one page.
		lines := strings.Join(page, " ")
		if got := strings.Count(lines, "several"); got != 12*whole {
			t.Errorf("page %d has %d rows and %d of their words", i+1, whole, got)
		}
	}
}
