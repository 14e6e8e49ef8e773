package note

import (
	"fmt"
	"slices"
	"strings"

	"trigone/internal/document"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
)

// textWidth is the widest line of a note in plain text, in columns.
const textWidth = 96

// pageLines is the height of a printed page in lines, its head included.
const pageLines = 60

// Text gives a note as plain text, in pages that begin with the head of the note
// and are divided by form feeds.
func Text(n Note) []byte {
	var pages [][]string
	var page []string
	for _, c := range chunks(n.Words()) {
		if len(page) > 0 && len(page)+len(c) > pageLines-len(textHead(n.Head, 1, 1)) {
			pages = append(pages, page)
			page = nil
		}
		if len(page) == 0 && c[0] == "" {
			c = c[1:] // no page begins with an empty line
		}
		page = append(page, c...)
	}
	pages = append(pages, page)
	w := &strings.Builder{}
	for i, p := range pages {
		if i > 0 {
			w.WriteString("\f")
		}
		for _, line := range slices.Concat(textHead(n.Head, i+1, len(pages)), p) {
			fmt.Fprintln(w, strings.TrimRight(line, " "))
		}
	}
	return []byte(strings.ReplaceAll(w.String(), unbroken, " "))
}

// textHead is what stands on every page.
func textHead(h Head, page, pages int) []string {
	var lines []string
	for _, row := range [][2]string{
		{"Patient " + joined(" ", h.Patient, bracketed(h.PatientSystem)), h.Status},
		{joined(", ", "Case "+h.Case, "operation "+h.Operation, "record "+h.Version), fmt.Sprintf("page %d of %d", page, pages)},
	} {
		left := strings.Split(text.WrapSoft(row[0], textWidth-text.StringWidth(row[1])-2), "\n")
		for i, l := range left {
			l = strings.TrimRight(l, " ")
			if i == 0 {
				l += strings.Repeat(" ", max(2, textWidth-text.StringWidth(l)-text.StringWidth(row[1]))) + row[1]
			}
			lines = append(lines, l)
		}
	}
	return append(lines, strings.Repeat("-", textWidth), "")
}

// chunks are the lines of a note in parts that a page does not break; a heading
// stays with what follows it.
func chunks(n Note) [][]string {
	first := []string{n.Title, strings.Repeat("=", text.StringWidth(n.Title))}
	for _, s := range n.Status {
		first = append(first, wrapped("", "", s)...)
	}
	first = append(first, "")
	widest := 0
	for _, f := range n.Subject {
		widest = max(widest, text.StringWidth(f.Name))
	}
	for _, f := range n.Subject {
		first = append(first, wrapped(f.Name+strings.Repeat(" ", widest-text.StringWidth(f.Name)+2), strings.Repeat(" ", widest+2), f.Value)...)
	}
	list := [][]string{first}
	annex := false
	for _, s := range n.Sections {
		var lead []string
		if s.Annex && !annex {
			annex = true
			lead = []string{"", strings.Repeat("=", textWidth), annexTitle, annexIntro}
		}
		lead = append(lead, "", s.Heading, strings.Repeat("-", text.StringWidth(s.Heading)))
		for i := 0; i < len(s.Blocks); i++ {
			b := s.Blocks[i]
			// Two short names to be filled in share a line.
			if i+1 < len(s.Blocks) && narrowFill(b) && narrowFill(s.Blocks[i+1]) {
				list = append(list, append(lead, fillLine(b.Fill, textWidth/2-2)+"  "+fillLine(s.Blocks[i+1].Fill, textWidth/2)))
				lead = nil
				i++
				continue
			}
			if b.Subheading != "" {
				if i > 0 {
					lead = append(lead, "")
				}
				lead = append(lead, b.Subheading+":")
				continue
			}
			if b.Table != nil && i > 0 && s.Blocks[i-1].Table != nil {
				lead = append(lead, "")
			}
			for _, c := range textBlock(b) {
				list = append(list, append(lead, c...))
				lead = nil
			}
		}
		if len(lead) > 0 {
			list = append(list, lead)
		}
		if s.Key == KeySignature { // never alone on its page
			from := max(1, len(list)-4)
			list = append(list[:from], slices.Concat(list[from:]...))
		}
	}
	foot := []string{"", strings.Repeat("-", textWidth)}
	for _, f := range n.Footer {
		foot = append(foot, wrapped("", "", f)...)
	}
	// Nor does what stands under the note stand alone.
	last := len(list) - 1
	list[last] = append(list[last], foot...)
	return list
}

// What stands above the annex.
const (
	annexTitle = "Annex"
	annexIntro = "No part of what is signed."
)

func narrowFill(b Block) bool { return b.Fill != "" && text.StringWidth(b.Fill) <= 30 }

// fillLine is a name with room behind it.
func fillLine(name string, width int) string {
	name += ": "
	return name + strings.Repeat("_", max(14, width-text.StringWidth(name)))
}

// textBlock gives a block as parts that a page does not break.
func textBlock(b Block) [][]string {
	switch {
	case b.Paragraph != "":
		return [][]string{wrapped("", "", b.Paragraph)}
	case b.Fill != "":
		return [][]string{wrapped("", "  ", fillLine(b.Fill, textWidth))}
	case b.List != nil:
		var list [][]string
		for i, item := range b.List.Items {
			mark := "- "
			if b.List.Numbered {
				mark = fmt.Sprintf("%d. ", i+1)
			}
			indent := strings.Repeat(" ", 2+len(mark))
			lines := wrapped("  "+mark, indent, item.Text)
			for _, s := range item.Sub {
				lines = append(lines, wrapped(indent+"- ", indent+"  ", s)...)
			}
			list = append(list, lines)
		}
		return list
	case b.Table != nil:
		return textTable(b.Table)
	}
	return nil
}

// wrapped gives a paragraph with its first line and the others indented.
func wrapped(first, hanging, s string) []string {
	var lines []string
	for i, line := range strings.Split(text.WrapSoft(s, textWidth-text.StringWidth(first)), "\n") {
		lead := hanging
		if i == 0 {
			lead = first
		}
		lines = append(lines, strings.TrimRight(lead+strings.TrimRight(line, " "), " "))
	}
	return lines
}

// textTable gives a table; a small one is not broken over pages.
func textTable(t *Table) [][]string {
	g := table.NewWriter()
	style := table.StyleDefault
	style.Options = table.OptionsNoBordersAndSeparators
	style.Options.SeparateHeader = true
	style.Box.PaddingLeft, style.Box.PaddingRight = "", "  "
	style.Box.MiddleHorizontal = "-"
	style.Format.Header = text.FormatDefault
	g.SetStyle(style)
	room := strings.Repeat("_", min(22, max(6, (textWidth-4)/len(t.Header)-2)))
	row := func(cells []string) table.Row {
		r := make(table.Row, len(cells))
		for i, c := range cells {
			if r[i] = c; c == "" {
				r[i] = room
			}
		}
		return r
	}
	g.AppendHeader(row(t.Header))
	for _, cells := range t.Rows {
		g.AppendRow(row(cells))
	}
	var columns []table.ColumnConfig
	for i, width := range document.ColumnWidths(t, textWidth-2-2*len(t.Header), func(s string) int {
		if s == "" {
			return len(room)
		}
		return text.StringWidth(s)
	}) {
		columns = append(columns, table.ColumnConfig{Number: i + 1, WidthMax: width, WidthMaxEnforcer: text.WrapSoft})
	}
	g.SetColumnConfigs(columns)
	var lines []string
	if t.Caption != "" {
		lines = append(lines, "  "+t.Caption)
	}
	for line := range strings.Lines(g.Render()) {
		lines = append(lines, strings.TrimRight("  "+strings.TrimRight(line, "\n"), " "))
	}
	const small = 24
	if len(lines) <= small {
		return [][]string{lines}
	}
	list := [][]string{lines[:6]}
	for _, l := range lines[6:] {
		list = append(list, []string{l})
	}
	return list
}
