package document

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"sync"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goitalic"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
)

// Measures of the page, in millimetres; font sizes are in points.
const (
	pageWidth, pageHeight                                      = 210.0, 297.0
	marginLeft, marginRight, marginTop, marginBottom           = 20.0, 18.0, 22.0, 19.0
	bodySize, smallSize, subheadingSize, headingSize, nameSize = 9.5, 8.0, 10.0, 12.0, 16.0
	contentWidth                                               = pageWidth - marginLeft - marginRight
	cellPadding                                                = 1.2
	rowSpace                                                   = 1.1
)

// lineHeight is the height of a line of a font size.
func lineHeight(size float64) float64 { return size * 0.47 }

// PDF gives a document as A4 pages.
func PDF(d Document) ([]byte, error) {
	// The number of pages is known when all has been laid out once.
	_, pages, err := layOut(d, 0)
	if err != nil {
		return nil, err
	}
	out, _, err := layOut(d, pages)
	return out, err
}

// sheet lays a document out.
type sheet struct {
	*fpdf.Fpdf
	y float64
}

func layOut(d Document, pages int) ([]byte, int, error) {
	pdf := fpdf.New("P", "mm", "A4", "")
	pdf.SetCreationDate(d.Created.UTC())
	pdf.SetModificationDate(d.Created.UTC())
	pdf.SetCatalogSort(true)
	pdf.SetTitle(d.Title, true)
	pdf.SetSubject(strings.Join(d.Status, " "), true)
	pdf.SetCreator("trigone", true)
	pdf.SetProducer("trigone", true)
	pdf.SetLang(d.Language)
	pdf.AddUTF8FontFromBytes("text", "", goregular.TTF)
	pdf.AddUTF8FontFromBytes("text", "B", gobold.TTF)
	pdf.AddUTF8FontFromBytes("text", "I", goitalic.TTF)
	pdf.SetMargins(marginLeft, marginTop, marginRight)
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetCellMargin(0)
	s := &sheet{Fpdf: pdf}
	pdf.SetHeaderFunc(func() { s.head(d.Head, pages) })
	s.page()
	s.heading(d)
	for i, section := range d.Sections {
		if section.Annex && (i == 0 || !d.Sections[i-1].Annex) {
			s.page()
			s.text("B", nameSize, 0, d.AnnexTitle)
			s.text("", bodySize, 0, d.AnnexIntro)
		}
		after := 0.0
		if i+1 < len(d.Sections) && d.Sections[i+1].Key == KeySignature {
			after = signatureHeight
			if i+2 == len(d.Sections) {
				after += s.height(d.Footer) + 7
			}
		}
		s.section(section, after)
	}
	s.y += 4
	s.room(s.height(d.Footer) + 3)
	pdf.SetDrawColor(109, 125, 136)
	pdf.Line(marginLeft, s.y, pageWidth-marginRight, s.y)
	s.y += 2
	for _, f := range d.Footer {
		s.text("", smallSize, 0, f)
	}
	var out bytes.Buffer
	if err := pdf.Output(&out); err != nil {
		return nil, 0, fmt.Errorf("the document cannot be written as PDF: %w", err)
	}
	return out.Bytes(), pdf.PageCount(), nil
}

// head writes what stands on every page: of what it is, which page and what it is worth.
func (s *sheet) head(h Head, pages int) {
	s.SetTextColor(90, 100, 108)
	line := func(y float64, left, right string) {
		s.SetFont("text", "B", smallSize)
		width := contentWidth - s.GetStringWidth(right) - 4
		s.SetXY(marginLeft, y)
		s.CellFormat(contentWidth, 4, right, "", 0, "R", false, 0, "")
		s.SetFont("text", "", smallSize)
		s.SetXY(marginLeft, y)
		s.CellFormat(contentWidth, 4, fitted(s.Fpdf, shown(left), width), "", 0, "L", false, 0, "")
	}
	s.SetFont("text", "", smallSize)
	first := h.First
	if s.GetStringWidth(shown(first)) > contentWidth-25 && h.FirstShort != "" {
		first = h.FirstShort
	}
	line(9, first, h.Status)
	line(12.6, h.Second, fmt.Sprintf("page %d of %d", s.PageNo(), pages))
	s.SetDrawColor(200, 208, 214)
	s.Line(marginLeft, 17.2, pageWidth-marginRight, 17.2)
}

func (s *sheet) page() {
	s.AddPage()
	s.y = marginTop
}

const lowest = pageHeight - marginBottom

// room begins a new page where a height does not fit on this one any more.
func (s *sheet) room(height float64) {
	if s.y+height > lowest {
		s.page()
	}
}

func (s *sheet) ink() { s.SetTextColor(27, 31, 36) }

func (s *sheet) lines(style string, size, width float64, text string) []string {
	s.SetFont("text", style, size)
	return broken(s.Fpdf, shown(text), width)
}

// text writes a paragraph, indented; of a paragraph that does not fit on the page
// no single line stands alone.
func (s *sheet) text(style string, size, indent float64, text string) {
	s.hanging(style, size, indent, "", text)
}

// hanging writes a paragraph with a mark before its first line.
func (s *sheet) hanging(style string, size, indent float64, mark, text string) {
	h := lineHeight(size)
	lines := s.lines(style, size, contentWidth-indent, text)
	if len(lines) <= keptLines {
		s.room(float64(len(lines)) * h)
	}
	for i, line := range lines {
		left := len(lines) - i
		switch {
		case i == 0 && len(lines) > 1, left == 2:
			s.room(2 * h)
		default:
			s.room(h)
		}
		s.SetFont("text", style, size)
		s.ink()
		if i == 0 && mark != "" {
			s.SetXY(marginLeft+indent-s.GetStringWidth(mark)-1.6, s.y)
			s.CellFormat(s.GetStringWidth(mark), h, mark, "", 0, "L", false, 0, "")
		}
		s.SetXY(marginLeft+indent, s.y)
		s.CellFormat(contentWidth-indent, h, line, "", 0, "L", false, 0, "")
		s.y += h
	}
}

// keptLines is the longest paragraph, in lines, that is never broken over pages.
const keptLines = 4

// height is that of some paragraphs in small print.
func (s *sheet) height(paragraphs []string) float64 {
	n := 0
	for _, p := range paragraphs {
		n += len(s.lines("", smallSize, contentWidth, p))
	}
	return float64(n) * lineHeight(smallSize)
}

func (s *sheet) heading(d Document) {
	s.text("B", nameSize, 0, d.Title)
	s.y++
	for _, status := range d.Status {
		s.text("B", bodySize, 0, status)
	}
	s.y += 2.5
	const names = 36.0
	h := lineHeight(bodySize)
	for _, f := range d.Subject {
		values := s.lines("", bodySize, contentWidth-names, f.Value)
		s.room(float64(len(values)) * h)
		s.SetTextColor(90, 100, 108)
		s.SetXY(marginLeft, s.y)
		s.CellFormat(names, h, shown(f.Name), "", 0, "L", false, 0, "")
		s.ink()
		for _, v := range values {
			s.SetXY(marginLeft+names, s.y)
			s.CellFormat(contentWidth-names, h, v, "", 0, "L", false, 0, "")
			s.y += h
		}
	}
}

// section writes a section; after is the height that must fit below its last lines.
func (s *sheet) section(section Section, after float64) {
	h := lineHeight(headingSize)
	s.y += 4.5
	// A heading is never the last on its page: what follows has room for its beginning.
	s.room(h + 2.5 + s.beginning(section.Blocks))
	s.SetTextColor(36, 80, 107)
	s.SetFont("text", "B", headingSize)
	s.SetXY(marginLeft, s.y)
	s.CellFormat(contentWidth, h, shown(section.Heading), "", 0, "L", false, 0, "")
	s.y += h + 0.4
	s.SetDrawColor(201, 211, 218)
	s.Line(marginLeft, s.y, pageWidth-marginRight, s.y)
	s.y += 1.4
	for i := 0; i < len(section.Blocks); i++ {
		var names []string
		for ; i < len(section.Blocks) && section.Blocks[i].Fill != ""; i++ {
			names = append(names, section.Blocks[i].Fill)
		}
		if len(names) > 0 {
			s.fills(names, after)
			i--
			continue
		}
		s.block(section.Blocks[i], section.Blocks[i+1:])
	}
}

// beginning is the height that the first of some blocks needs at least.
func (s *sheet) beginning(list []Block) float64 {
	if len(list) == 0 {
		return 0
	}
	h := lineHeight(bodySize)
	switch b := list[0]; {
	case b.Subheading != "":
		return lineHeight(subheadingSize) + 2 + s.beginning(list[1:])
	case b.Table != nil:
		return s.tableBeginning(b.Table)
	case b.List != nil && len(b.List.Items) > 0:
		return s.textBeginning(6, b.List.Items[0].Text)
	case b.List != nil:
		return h
	case b.Fill != "":
		return fillHeight
	case b.Drawing != nil:
		return drawingBeginning(b.Drawing)
	default:
		return s.textBeginning(0, b.Paragraph)
	}
}

// textBeginning is what a paragraph needs on the page on which it begins.
func (s *sheet) textBeginning(indent float64, text string) float64 {
	n := len(s.lines("", bodySize, contentWidth-indent, text))
	if n > keptLines {
		n = 2
	}
	return float64(n) * lineHeight(bodySize)
}

// tableBeginning is what a table needs on the page on which it begins: all of a
// small one, else caption, header and a row.
func (s *sheet) tableBeginning(t *Table) float64 {
	widths := s.widths(t)
	need := s.rowHeight(t.Header, widths, "B") + 0.8
	if t.Caption != "" {
		need += lineHeight(tableSize) + 0.4
	}
	whole := need
	for _, cells := range t.Rows {
		whole += s.rowHeight(cells, widths, "")
	}
	if whole <= keptHeight || len(t.Rows) == 0 {
		return whole
	}
	return need + s.rowHeight(t.Rows[0], widths, "")
}

func (s *sheet) block(b Block, rest []Block) {
	switch {
	case b.Subheading != "":
		h := lineHeight(subheadingSize)
		s.y += 1.6
		s.room(h + 1 + s.beginning(rest))
		s.text("B", subheadingSize, 0, b.Subheading)
		s.y += 0.4
	case b.Paragraph != "":
		if strings.HasSuffix(b.Paragraph, ":") {
			s.room(lineHeight(bodySize) + s.beginning(rest))
		}
		s.text("", bodySize, 0, b.Paragraph)
		s.y++
	case b.Fill != "":
		s.fills([]string{b.Fill}, 0)
	case b.List != nil:
		for i, item := range b.List.Items {
			mark := "•"
			if b.List.Numbered {
				mark = fmt.Sprintf("%d.", i+1)
			}
			s.hanging("", bodySize, 6, mark, item.Text)
			for _, sub := range item.Sub {
				s.hanging("", bodySize, 11, "–", sub)
			}
			s.y += 0.6
		}
		s.y += 0.6
	case b.Table != nil:
		s.table(b.Table)
	case b.Drawing != nil:
		s.drawing(b.Drawing)
	}
}

const (
	// fillHeight is the room of a line to be filled in by hand.
	fillHeight = 7.2
	fillGap    = 8.0 // between two that share a line
	// signatureHeight is that of the block for the signature.
	signatureHeight = 26.0
)

// fills writes names with a line behind each, two beside each other where both
// leave enough room to write in. The last ones go to the page on which what follows
// them stands.
func (s *sheet) fills(names []string, after float64) {
	const half = (contentWidth - fillGap) / 2
	for len(names) > 0 {
		if after > 0 && len(names) <= 4 {
			s.room(float64((len(names)+1)/2)*fillHeight + after)
			after = 0
		}
		s.SetFont("text", "", bodySize)
		fits := func(name string) bool { return s.GetStringWidth(shown(name)+":") <= half*0.55 }
		if len(names) > 1 && fits(names[0]) && fits(names[1]) {
			s.room(fillHeight)
			s.fill(names[0], marginLeft, half)
			s.y -= fillHeight
			s.fill(names[1], marginLeft+half+fillGap, half)
			names = names[2:]
			continue
		}
		s.fill(names[0], marginLeft, contentWidth)
		names = names[1:]
	}
}

// fill writes a name with a line behind it.
func (s *sheet) fill(name string, x, width float64) {
	h := lineHeight(bodySize)
	lines := s.lines("", bodySize, width*0.7, name+":")
	s.room(float64(len(lines)-1)*h + fillHeight)
	s.ink()
	s.y += fillHeight - h - 0.8
	for i, line := range lines {
		s.SetXY(x, s.y)
		s.CellFormat(width, h, line, "", 0, "L", false, 0, "")
		if i == len(lines)-1 {
			s.SetDrawColor(150, 160, 168)
			s.Line(x+s.GetStringWidth(line)+2, s.y+h-0.6, x+width, s.y+h-0.6)
		}
		s.y += h
	}
	s.y += 0.8
}

const (
	tableSize = 9.0
	// keptHeight is the height of a table that is never broken over pages.
	keptHeight = 70.0
)

func (s *sheet) widths(t *Table) []float64 {
	s.SetFont("text", "B", tableSize)
	widths := ColumnWidths(t, contentWidth, func(text string) float64 {
		if text == "" {
			return 24 // room for a hand
		}
		return s.GetStringWidth(shown(text)) + 2*cellPadding + 0.5
	})
	// What is left goes to the columns that a hand fills in.
	left, open := contentWidth, 0
	for i, w := range widths {
		left -= w
		if blank(t, i) {
			open++
		}
	}
	for i := range widths {
		if open > 0 && blank(t, i) {
			widths[i] += left / float64(open)
		}
	}
	return widths
}

// blank says whether a column has a cell to be filled in by hand.
func blank(t *Table, column int) bool {
	return slices.ContainsFunc(t.Rows, func(row []string) bool { return row[column] == "" })
}

func (s *sheet) rowHeight(cells []string, widths []float64, style string) float64 {
	most, room := 1, 0.0
	for i, c := range cells {
		most = max(most, len(s.lines(style, tableSize, widths[i]-2*cellPadding, c)))
		if c == "" {
			room = 2.6 // for a hand
		}
	}
	return float64(most)*lineHeight(tableSize) + rowSpace + room
}

// table writes a table whose rows stay whole; its header stands on every page.
func (s *sheet) table(t *Table) {
	widths := s.widths(t)
	s.y += 0.8
	s.room(s.tableBeginning(t))
	if t.Caption != "" {
		s.text("I", tableSize, 0, t.Caption)
		s.y += 0.4
	}
	header := func() {
		s.row(t.Header, widths, "B", 109, 125, 136)
	}
	header()
	for _, cells := range t.Rows {
		if s.y+s.rowHeight(cells, widths, "") > lowest {
			s.page()
			header()
		}
		s.row(cells, widths, "", 221, 227, 231)
	}
	s.y += 2
}

func (s *sheet) row(cells []string, widths []float64, style string, red, green, blue int) {
	height := s.rowHeight(cells, widths, style)
	x := marginLeft
	s.ink()
	for i, c := range cells {
		y := s.y + rowSpace/2
		for _, line := range s.lines(style, tableSize, widths[i]-2*cellPadding, c) {
			s.SetXY(x, y)
			s.CellFormat(widths[i]-cellPadding, lineHeight(tableSize), line, "", 0, "L", false, 0, "")
			y += lineHeight(tableSize)
		}
		x += widths[i]
	}
	s.y += height
	s.SetDrawColor(red, green, blue)
	s.Line(marginLeft, s.y, x, s.y)
}

// broken breaks a text into lines of a width; a word that is wider is cut.
func broken(pdf *fpdf.Fpdf, text string, width float64) []string {
	var lines []string
	line := ""
	for _, word := range strings.Split(text, " ") {
		next := word
		if line != "" {
			next = line + " " + word
		}
		if pdf.GetStringWidth(next) <= width {
			line = next
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		line = word
		for pdf.GetStringWidth(line) > width {
			head := fitting(pdf, line, width)
			lines = append(lines, head)
			line = line[len(head):]
		}
	}
	return append(lines, line)
}

// fitting gives the longest beginning of a text that fits, of one character at
// least.
func fitting(pdf *fpdf.Fpdf, text string, width float64) string {
	end := 0
	for i, r := range text {
		next := i + len(string(r))
		if end > 0 && pdf.GetStringWidth(text[:next]) > width {
			break
		}
		end = next
	}
	return text[:end]
}

// fitted cuts a text that is too wide, and says so by three dots.
func fitted(pdf *fpdf.Fpdf, text string, width float64) string {
	if pdf.GetStringWidth(text) <= width {
		return text
	}
	return fitting(pdf, text, width-pdf.GetStringWidth("...")) + "..."
}

var glyphs = sync.OnceValues(func() (*sfnt.Font, error) { return sfnt.Parse(goregular.TTF) })

// shown replaces what the font has no sign for by the number of the character, so
// that nothing is dropped in silence.
func shown(text string) string {
	font, err := glyphs()
	if err != nil {
		return text
	}
	var buffer sfnt.Buffer
	var out strings.Builder
	for _, r := range text {
		if i, err := font.GlyphIndex(&buffer, r); err != nil || i == 0 {
			fmt.Fprintf(&out, "[U+%04X]", r)
			continue
		}
		out.WriteRune(r)
	}
	return out.String()
}
