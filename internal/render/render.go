// Package render prints what the service answers: evaluations, explorations of a
// plan, discrepancies, cases, changes and the tables of metrics and rules, as
// aligned text of at most 120 columns, and any message as JSON in one canonical
// form. It decides nothing and computes nothing; the command line and the demo
// call it.
package render

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/metric"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// The width of a line, in columns: usual where nobody says how wide a page is.
const (
	usual  = 120
	narrow = 80
)

// Screen is a page of a width of its own, between 80 and 120 columns; any other
// writer has 120.
type Screen struct {
	io.Writer
	Width int
}

func (s Screen) pageWidth() int { return min(max(s.Width, narrow), usual) }

func pageWidth(w io.Writer) int {
	if s, ok := w.(interface{ pageWidth() int }); ok {
		return s.pageWidth()
	}
	return usual
}

// JSON gives a message as protobuf JSON with two spaces of indent. The same
// message gives the same bytes, which protojson alone does not promise.
func JSON(m proto.Message) ([]byte, error) {
	raw, err := protojson.Marshal(m)
	if err != nil {
		return nil, err
	}
	return IndentJSON(raw)
}

// IndentJSON gives JSON text in that same form.
func IndentJSON(raw []byte) ([]byte, error) {
	var compact, out bytes.Buffer
	if err := json.Compact(&compact, raw); err != nil {
		return nil, err
	}
	if err := json.Indent(&out, compact.Bytes(), "", "  "); err != nil {
		return nil, err
	}
	out.WriteByte('\n')
	return escaped(out.Bytes()), nil
}

// Word gives an enum value in words, without its prefix; unspecified is empty.
func Word(e protoreflect.Enum) string {
	d := e.Descriptor()
	v := d.Values().ByNumber(e.Number())
	if v == nil {
		return fmt.Sprintf("unknown (%d)", e.Number())
	}
	if v.Number() == 0 {
		return ""
	}
	return words.Spaced(words.OfEnum(string(v.Name()), string(d.Values().ByNumber(0).Name())))
}

// unitText gives a UCUM unit as it is printed; a pure number has none.
func unitText(ucum string) string {
	for _, u := range units.Units() {
		if u.UCUM() == ucum {
			return u.Text()
		}
	}
	return ucum
}

// decimals counts the decimals a value on its grid needs; binary noise is not
// one of them.
func decimals(v float64) int {
	s := strconv.FormatFloat(v, 'f', 6, 64)
	s = strings.TrimRight(s, "0")
	if i := strings.IndexByte(s, '.'); i >= 0 {
		return len(s) - i - 1
	}
	return 0
}

// places gives the decimals of a metric's grid, so that a column of its values
// lines up; of a metric this program does not know, those that the value needs.
func places(id string, v float64) int {
	if _, grid, ok := metric.Describe(valve.ID(id)); ok {
		if n, err := units.Decimals(grid); err == nil {
			return n
		}
	}
	return decimals(v)
}

func number(v float64, places int) string {
	if v == 0 || math.Abs(v) < math.Pow10(-places)/2 {
		v = 0
	}
	return strconv.FormatFloat(v, 'f', places, 64)
}

// quantity gives a value with its unit.
func quantity(v float64, places int, ucum string) string {
	return strings.TrimSpace(number(v, places) + " " + unitText(ucum))
}

// signed gives a difference with its sign and unit.
func signed(v float64, places int, ucum string) string {
	s := quantity(v, places, ucum)
	if v > 0 {
		s = "+" + s
	}
	return s
}

func minute(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().UTC().Format("2006-01-02 15:04")
}

// wrapped writes a paragraph with every line indented, hanging lines more.
func wrapped(w io.Writer, first, hanging, s string) {
	lines := strings.Split(text.WrapSoft(plain(s), pageWidth(w)-max(text.StringWidth(first), len(hanging))), "\n")
	for i, line := range lines {
		lead := hanging
		if i == 0 {
			lead = first
		}
		fmt.Fprintln(w, strings.TrimRight(lead+strings.TrimRight(line, " "), " "))
	}
}

func heading(w io.Writer, s string) {
	s = plain(s)
	fmt.Fprintf(w, "\n%s\n%s\n", s, strings.Repeat("-", text.StringWidth(s)))
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// grid gives a table without boxes: columns two spaces apart, a line under the
// header, no trailing blanks, as wide as the page at most.
type grid struct {
	indent  string
	header  []any
	rows    [][]any
	aligned map[int]bool
	whole   map[int]bool
	widest  map[int]int
}

func newGrid(indent string, header ...any) *grid {
	return &grid{indent: indent, header: header, aligned: map[int]bool{}, whole: map[int]bool{}, widest: map[int]int{}}
}

// Table prints rows under a header, as wide as the page at most; numbers stand to the
// right, and a first column of ids is never broken.
func Table(w io.Writer, header []any, rows ...[]any) {
	g := newGrid("", header...)
	g.keep(1)
	for _, row := range rows {
		for i, cell := range row {
			if _, isNumber := cell.(int); isNumber {
				g.right(i + 1)
			}
		}
		g.row(row...)
	}
	g.print(w)
}

// right aligns a column, counted from 1, to the right, and never wraps it.
func (g *grid) right(column int) { g.aligned[column], g.whole[column] = true, true }

// keep never wraps a column, counted from 1: an id is what a program is given.
func (g *grid) keep(column int) { g.whole[column] = true }

// most wraps a column, counted from 1, at a width.
func (g *grid) most(column, columns int) { g.widest[column] = columns }

func (g *grid) row(cells ...any) { g.rows = append(g.rows, allPlain(cells)) }

// gap stands between two columns.
const gap = "  "

// leastText is how narrow a column of text may become before a page is left too wide.
const leastText = 12

// fit narrows the widest columns of text until the table has a width.
func (g *grid) fit(width int) map[int]int {
	widths := map[int]int{}
	for _, row := range append([][]any{g.header}, g.rows...) {
		for i, cell := range row {
			wide := text.LongestLineLen(fmt.Sprint(cell))
			if most, ok := g.widest[i+1]; ok {
				wide = min(wide, most)
			}
			widths[i+1] = max(widths[i+1], wide)
		}
	}
	over := text.StringWidth(g.indent) - width
	for _, wide := range widths {
		over += wide + len(gap)
	}
	for ; over > 0; over-- {
		widest := 0
		for column := 1; column <= len(widths); column++ {
			if !g.whole[column] && widths[column] > leastText && widths[column] > widths[widest] {
				widest = column
			}
		}
		if widest == 0 {
			break
		}
		widths[widest]--
		g.widest[widest] = widths[widest]
	}
	return g.widest
}

func (g *grid) print(w io.Writer) {
	if len(g.rows) == 0 {
		return
	}
	t := table.NewWriter()
	style := table.StyleDefault
	style.Options = table.OptionsNoBordersAndSeparators
	style.Options.SeparateHeader = len(g.header) > 0
	style.Box.PaddingLeft, style.Box.PaddingRight = "", gap
	style.Box.MiddleHorizontal = "-"
	style.Format.Header = text.FormatDefault
	t.SetStyle(style)
	if len(g.header) > 0 {
		t.AppendHeader(g.header)
	}
	for _, row := range g.rows {
		t.AppendRow(row)
	}
	var configs []table.ColumnConfig
	for column := range g.aligned {
		configs = append(configs, table.ColumnConfig{Number: column, Align: text.AlignRight, AlignHeader: text.AlignRight})
	}
	for column, most := range g.fit(pageWidth(w)) {
		configs = append(configs, table.ColumnConfig{Number: column, WidthMax: most, WidthMaxEnforcer: text.WrapSoft})
	}
	t.SetColumnConfigs(configs)
	for line := range strings.Lines(t.Render()) {
		fmt.Fprintln(w, strings.TrimRight(g.indent+strings.TrimRight(line, "\n"), " "))
	}
}
