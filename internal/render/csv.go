package render

import (
	"encoding/csv"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// basisColumn says which judgement of its case a line is of.
const basisColumn = "basis"

// Basis says above a list that it is no list of what was answered.
func Basis(w io.Writer, basis trigonev1.Basis) {
	if basis == trigonev1.Basis_BASIS_RESTATED {
		wrapped(w, "", "", "Basis restated: the cases as they were judged again later, as a report. What was answered stands on record (basis stored). Cases written since are not in it.")
	}
}

// csvLine is a message to be written as a line, behind cells of another origin.
type csvLine struct {
	lead    []string
	message proto.Message
}

// messagesCSV writes messages of one type as lines of comma-separated values. A
// column is a field, and a message inside gives a column for each of its fields;
// what is absent is empty. Words are the contract's in lower case, times UTC. Of a
// list the entries stand apart by a semicolon, and the fields of an entry by a
// colon. lead names the cells before the message, and the last one is the basis of the
// line; fields named in without are left out.
func messagesCSV(w io.Writer, basis trigonev1.Basis, lead []string, of protoreflect.MessageDescriptor, lines []csvLine, without ...string) error {
	out := newSheet(w)
	columns := csvColumns(of, "", without)
	header := slices.Clone(lead)
	for _, c := range columns {
		header = append(header, c.name)
	}
	header = append(header, basisColumn)
	if err := out.row(header); err != nil {
		return err
	}
	for _, l := range lines {
		line := slices.Clone(l.lead)
		for _, c := range columns {
			line = append(line, c.of(l.message.ProtoReflect()))
		}
		line = append(line, Word(basis))
		if err := out.row(line); err != nil {
			return err
		}
	}
	return out.end()
}

type csvColumn struct {
	name string
	path []protoreflect.FieldDescriptor
}

func csvColumns(d protoreflect.MessageDescriptor, lead string, without []string) []csvColumn {
	var list []csvColumn
	for i := range d.Fields().Len() {
		f := d.Fields().Get(i)
		switch {
		case slices.Contains(without, string(f.Name())):
		case f.Message() == nil || f.IsList() || isTime(f):
			list = append(list, csvColumn{lead + string(f.Name()), []protoreflect.FieldDescriptor{f}})
		default:
			for _, c := range csvColumns(f.Message(), lead+string(f.Name())+"_", nil) {
				list = append(list, csvColumn{c.name, append([]protoreflect.FieldDescriptor{f}, c.path...)})
			}
		}
	}
	return list
}

func isTime(f protoreflect.FieldDescriptor) bool {
	return f.Message() != nil && f.Message().FullName() == (&timestamppb.Timestamp{}).ProtoReflect().Descriptor().FullName()
}

func (c csvColumn) of(m protoreflect.Message) string {
	for _, f := range c.path[:len(c.path)-1] {
		if !m.Has(f) {
			return ""
		}
		m = m.Get(f).Message()
	}
	f := c.path[len(c.path)-1]
	// A number or an answer without presence says something at its zero value too.
	if !m.Has(f) && (f.HasPresence() || f.IsList()) {
		return ""
	}
	if !f.IsList() {
		return csvValue(f, m.Get(f))
	}
	entries := make([]string, m.Get(f).List().Len())
	for i := range entries {
		entries[i] = csvValue(f, m.Get(f).List().Get(i))
	}
	return strings.Join(entries, "; ")
}

func csvValue(f protoreflect.FieldDescriptor, v protoreflect.Value) string {
	switch {
	case isTime(f):
		return v.Message().Interface().(*timestamppb.Timestamp).AsTime().UTC().Format(time.RFC3339)
	case f.Message() != nil:
		var parts []string
		for i := range f.Message().Fields().Len() {
			inner := f.Message().Fields().Get(i)
			text := ""
			if v.Message().Has(inner) && !inner.IsList() {
				text = csvValue(inner, v.Message().Get(inner))
			}
			parts = append(parts, text)
		}
		return strings.Join(parts, ":")
	case f.Enum() != nil:
		value := f.Enum().Values().ByNumber(v.Enum())
		if value == nil || value.Number() == 0 {
			return ""
		}
		return words.OfEnum(string(value.Name()), string(f.Enum().Values().ByNumber(0).Name()))
	case f.Kind() == protoreflect.DoubleKind:
		return strconv.FormatFloat(v.Float(), 'g', -1, 64)
	}
	return v.String()
}

// aNumber is what may begin with a sign in a cell.
var aNumber = regexp.MustCompile(`^[-+]?[0-9]+(\.[0-9]+)?(e[-+][0-9]+)?$`)

// cell gives a text as a cell of a file that a spreadsheet opens. One that would
// begin a formula there has an apostrophe before it, which spreadsheets read as
// 'text follows'.
func cell(s string) string {
	beginsFormula := s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) && !aNumber.MatchString(s)
	if s = plain(s); beginsFormula {
		s = "'" + s
	}
	return s
}

// sheet writes rows of cells, separated by commas.
type sheet struct{ out *csv.Writer }

func newSheet(w io.Writer) sheet { return sheet{csv.NewWriter(w)} }

func (s sheet) row(texts []string) error {
	cells := make([]string, len(texts))
	for i, t := range texts {
		cells[i] = cell(t)
	}
	return s.out.Write(cells)
}

func (s sheet) end() error {
	s.out.Flush()
	return s.out.Error()
}
