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

// width is the widest line, in columns.
const width = 120

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
	lines := strings.Split(text.WrapSoft(plain(s), width-max(text.StringWidth(first), len(hanging))), "\n")
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
// header, no trailing blanks.
type grid struct {
	writer  table.Writer
	columns []table.ColumnConfig
	indent  string
}

func newGrid(indent string, header ...any) *grid {
	g := &grid{writer: table.NewWriter(), indent: indent}
	style := table.StyleDefault
	style.Options = table.OptionsNoBordersAndSeparators
	style.Options.SeparateHeader = len(header) > 0
	style.Box.PaddingLeft, style.Box.PaddingRight = "", "  "
	style.Box.MiddleHorizontal = "-"
	style.Format.Header = text.FormatDefault
	g.writer.SetStyle(style)
	if len(header) > 0 {
		g.writer.AppendHeader(header)
	}
	return g
}

// right aligns a column, counted from 1, to the right.
func (g *grid) right(column int) {
	g.columns = append(g.columns, table.ColumnConfig{Number: column, Align: text.AlignRight, AlignHeader: text.AlignRight})
}

// most wraps a column, counted from 1, at a width.
func (g *grid) most(column, columns int) {
	g.columns = append(g.columns, table.ColumnConfig{Number: column, WidthMax: columns, WidthMaxEnforcer: text.WrapSoft})
}

func (g *grid) row(cells ...any) {
	g.writer.AppendRow(allPlain(cells))
}

func (g *grid) print(w io.Writer) {
	if g.writer.Length() == 0 {
		return
	}
	g.writer.SetColumnConfigs(g.columns)
	for line := range strings.Lines(g.writer.Render()) {
		fmt.Fprintln(w, strings.TrimRight(g.indent+strings.TrimRight(line, "\n"), " "))
	}
}
