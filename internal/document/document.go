// Package document lays out what is handed in on paper: a structure of sections,
// paragraphs, lists, small tables and pictures, as one page of HTML and as PDF. It
// knows nothing of what is written; the operative note and the yearly report are such
// documents. The same document gives the same bytes.
package document

import (
	"time"

	"trigone/internal/picture"
)

// Document is what the renderers read. Every text in it is plain: without markup, on
// one line; a number and its unit have a space between them that does not break.
type Document struct {
	Title string
	// Status says what it is worth; Final that it is not a draft.
	Status []string
	Final  bool
	// Head stands on every page.
	Head Head
	// Subject says of what it is, as name and value.
	Subject  []Field
	Sections []Section
	// Footer are sentences that stand under it.
	Footer []string
	// Created is the time that stands for its own: a document made again is the same.
	Created time.Time
	// Language, as HTML names it.
	Language string
	// AnnexTitle and AnnexIntro stand before the sections that are an annex.
	AnnexTitle, AnnexIntro string
}

// Head is what stands on every page, in two lines, beside the number of the page.
type Head struct {
	// First line; FirstShort where the page is too narrow for it.
	First, FirstShort string
	Second            string
	Status            string
}

// KeySignature is the key of the section in which is signed: it stays with what
// stands before it.
const KeySignature = "signature"

// Field is a name with its value.
type Field struct{ Name, Value string }

// Section is one section. Key is a stable word for links and for the resources
// that belong to it.
type Section struct {
	Key, Heading string
	Blocks       []Block
	// Annex says that the section is no part of what is signed.
	Annex bool
}

// Block is one part of a section; exactly one field is set.
type Block struct {
	Subheading string
	Paragraph  string
	List       *List
	Table      *Table
	// Fill is what is to be filled in by hand; room for it stands behind it.
	Fill string
	// Drawing is a picture; who reads words only takes Words of the note.
	Drawing *picture.Picture
}

// List is a list of sentences.
type List struct {
	Numbered bool
	Items    []Item
}

// Item is an entry of a list with what stands under it.
type Item struct {
	Text string
	Sub  []string
}

// Table is a small table; the first cell of a row names the row. An empty cell has
// room to be filled in by hand.
type Table struct {
	Caption string
	Header  []string
	Rows    [][]string
}

// Each changes every text of a block.
func (b *Block) Each(change func(string) string) {
	for _, s := range []*string{&b.Subheading, &b.Paragraph, &b.Fill} {
		*s = change(*s)
	}
	if b.List != nil {
		for i := range b.List.Items {
			item := &b.List.Items[i]
			item.Text = change(item.Text)
			for j := range item.Sub {
				item.Sub[j] = change(item.Sub[j])
			}
		}
	}
	if b.Table != nil {
		b.Table.Caption = change(b.Table.Caption)
		for _, row := range append([][]string{b.Table.Header}, b.Table.Rows...) {
			for j := range row {
				row[j] = change(row[j])
			}
		}
	}
}
