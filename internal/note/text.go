package note

import (
	"fmt"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
)

// textWidth is the widest line of a note in plain text, in columns.
const textWidth = 96

// Text gives a note as plain text.
func Text(n Note) []byte {
	w := &strings.Builder{}
	line := func(s string) { fmt.Fprintln(w, strings.TrimRight(s, " ")) }
	line(n.Title)
	line(strings.Repeat("=", text.StringWidth(n.Title)))
	wrapped(w, "", "", n.Status)
	line("")
	widest := 0
	for _, f := range n.Subject {
		widest = max(widest, text.StringWidth(f.Name))
	}
	for _, f := range n.Subject {
		first := f.Name + strings.Repeat(" ", widest-text.StringWidth(f.Name)+2)
		wrapped(w, first, strings.Repeat(" ", widest+2), f.Value)
	}
	for _, s := range n.Sections {
		line("")
		line(s.Heading)
		line(strings.Repeat("-", text.StringWidth(s.Heading)))
		for i, b := range s.Blocks {
			textBlock(w, b, i == 0)
		}
	}
	line("")
	line(strings.Repeat("-", textWidth))
	for _, f := range n.Footer {
		wrapped(w, "", "", f)
	}
	return []byte(strings.ReplaceAll(w.String(), unbroken, " "))
}

func textBlock(w *strings.Builder, b Block, first bool) {
	switch {
	case b.Subheading != "":
		if !first {
			fmt.Fprintln(w)
		}
		fmt.Fprintln(w, b.Subheading+":")
	case b.Paragraph != "":
		wrapped(w, "", "", b.Paragraph)
	case b.List != nil:
		for i, item := range b.List.Items {
			mark := "- "
			if b.List.Numbered {
				mark = fmt.Sprintf("%d. ", i+1)
			}
			wrapped(w, "  "+mark, strings.Repeat(" ", 2+len(mark)), item.Text)
			for _, s := range item.Sub {
				wrapped(w, strings.Repeat(" ", 2+len(mark))+"- ", strings.Repeat(" ", 4+len(mark)), s)
			}
		}
	case b.Table != nil:
		textTable(w, b.Table)
	}
}

// wrapped writes a paragraph with its first line and the others indented.
func wrapped(w *strings.Builder, first, hanging, s string) {
	for i, line := range strings.Split(text.WrapSoft(s, textWidth-text.StringWidth(first)), "\n") {
		lead := hanging
		if i == 0 {
			lead = first
		}
		fmt.Fprintln(w, strings.TrimRight(lead+strings.TrimRight(line, " "), " "))
	}
}

func textTable(w *strings.Builder, t *Table) {
	if t.Caption != "" {
		fmt.Fprintln(w, "  "+t.Caption)
	}
	g := table.NewWriter()
	style := table.StyleDefault
	style.Options = table.OptionsNoBordersAndSeparators
	style.Options.SeparateHeader = true
	style.Box.PaddingLeft, style.Box.PaddingRight = "", "  "
	style.Box.MiddleHorizontal = "-"
	style.Format.Header = text.FormatDefault
	g.SetStyle(style)
	row := func(cells []string) table.Row {
		r := make(table.Row, len(cells))
		for i, c := range cells {
			r[i] = c
		}
		return r
	}
	g.AppendHeader(row(t.Header))
	for _, cells := range t.Rows {
		g.AppendRow(row(cells))
	}
	var columns []table.ColumnConfig
	for i, width := range columnWidths(t, textWidth-2-2*len(t.Header), text.StringWidth) {
		columns = append(columns, table.ColumnConfig{Number: i + 1, WidthMax: width, WidthMaxEnforcer: text.WrapSoft})
	}
	g.SetColumnConfigs(columns)
	for line := range strings.Lines(g.Render()) {
		fmt.Fprintln(w, strings.TrimRight("  "+strings.TrimRight(line, "\n"), " "))
	}
}

// columnWidths shares a width among the columns of a table: what a column needs
// for its longest cell, and where that is too much for all, the wide columns give,
// but not below their longest word while another can give.
func columnWidths[N int | float64](t *Table, width N, measure func(string) N) []N {
	needs, least := make([]N, len(t.Header)), make([]N, len(t.Header))
	var sum N
	for i := range t.Header {
		for _, cells := range append([][]string{t.Header}, t.Rows...) {
			needs[i] = max(needs[i], measure(cells[i]))
			for _, word := range strings.Fields(cells[i]) {
				least[i] = max(least[i], measure(word))
			}
		}
		sum += least[i]
	}
	if sum > width {
		return share(needs, width)
	}
	for i := range needs {
		needs[i] -= least[i]
	}
	for i, more := range share(needs, width-sum) {
		least[i] += more
	}
	return least
}

// share cuts the widest of a list of widths until their sum fits.
func share[N int | float64](needs []N, width N) []N {
	out := make([]N, len(needs))
	open := make([]int, len(needs))
	for i := range needs {
		open[i] = i
	}
	for len(open) > 0 {
		fair := width / N(len(open))
		still := slices.DeleteFunc(slices.Clone(open), func(i int) bool { return needs[i] <= fair })
		if len(still) == len(open) {
			for _, i := range open {
				out[i] = fair
			}
			break
		}
		for _, i := range open {
			if needs[i] <= fair {
				out[i] = needs[i]
				width -= needs[i]
			}
		}
		open = still
	}
	return out
}
