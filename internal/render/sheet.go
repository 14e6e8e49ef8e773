package render

import (
	"encoding/csv"
	"io"
	"regexp"
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/convert"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Sheet says how rows are written for whoever opens them in a spreadsheet.
type Sheet struct {
	// Mark puts the UTF-8 mark before everything: office programs take letters beyond
	// ASCII for others without it.
	Mark bool
	// CaseNumbers lets the hospital's numbers of cases in.
	CaseNumbers bool
	// Basis is what the rows are of; unspecified where they have none.
	Basis trigonev1.Basis
	// Invented says that the store keeps invented cases only.
	Invented bool
}

// sheetColumn is a column of a sheet: its header, its cells and its line of the data
// dictionary. What a person reads comes first, then the keys that programs count by,
// then ids.
type sheetColumn[T any] struct {
	name, meaning string
	unit          string
	words         []string // empty: any text or number
	of            func(T) string
}

// shown are the columns that a sheet has.
func shown[T any](s Sheet, columns []sheetColumn[T]) []sheetColumn[T] {
	return slices.DeleteFunc(slices.Clone(columns), func(c sheetColumn[T]) bool {
		return !s.CaseNumbers && (c.name == columnNumber || c.name == columnNumberSystem) || s.Basis == trigonev1.Basis_BASIS_UNSPECIFIED && c.name == columnBasis
	})
}

// columnName says which column it is, to those that depend on what is asked for.
const (
	columnNumber       = "case_number"
	columnNumberSystem = "case_number_system"
	columnBasis        = "basis"
	columnData         = "data"
)

// ofSheet are the columns that say of every line what the whole is.
func ofSheet[T any](s Sheet) []sheetColumn[T] {
	data := "recorded"
	if s.Invented {
		data = "invented"
	}
	return []sheetColumn[T]{
		{name: columnBasis, meaning: "Which judgement: stored, as it was answered, or restated, as it was judged again as a report.", words: enumWords(s.Basis), of: func(T) string { return wordKey(s.Basis) }},
		{name: columnData, meaning: "Whether the cases are recorded ones or invented ones.", words: []string{"recorded", "invented"}, of: func(T) string { return data }},
	}
}

// writeSheet writes a header and a line for each row.
func writeSheet[T any](w io.Writer, s Sheet, columns []sheetColumn[T], rows []T) error {
	columns = shown(s, columns)
	out, err := s.begin(w)
	if err != nil {
		return err
	}
	line := make([]string, len(columns))
	for i, c := range columns {
		line[i] = c.name
	}
	if err := out.row(line); err != nil {
		return err
	}
	for _, row := range rows {
		for i, c := range columns {
			line[i] = c.of(row)
		}
		if err := out.row(line); err != nil {
			return err
		}
	}
	return out.end()
}

// writeDictionary writes the data dictionary of a sheet, a line for each column.
func writeDictionary[T any](w io.Writer, s Sheet, about string, columns []sheetColumn[T]) error {
	out, err := s.begin(w)
	if err != nil {
		return err
	}
	profile := "Profile department: true dates and pseudonyms, no case numbers."
	if s.CaseNumbers {
		profile = "Profile department: true dates, pseudonyms and case numbers."
	}
	if s.Invented {
		about += " Invented cases: nothing in it is a real person or hospital."
	} else {
		profile += " These are personal data."
	}
	rows := [][]string{{"column", "meaning", "unit", "words"}, {"(the file)", about + " " + profile + " Absent is empty, zero is 0. Decimal point, columns parted by commas, UTF-8.", "", ""}}
	for _, c := range shown(s, columns) {
		rows = append(rows, []string{c.name, c.meaning, c.unit, strings.Join(c.words, "; ")})
	}
	for _, r := range rows {
		if err := out.row(r); err != nil {
			return err
		}
	}
	return out.end()
}

// enumWords lists the words of an enum, as they stand in cells.
func enumWords(e protoreflect.Enum) []string { return convert.EnumWords(e.Descriptor()) }

// wordKey gives an enum's word as programs count by it.
func wordKey(e protoreflect.Enum) string {
	d := e.Descriptor().Values()
	v := d.ByNumber(e.Number())
	if v == nil || v.Number() == 0 {
		return ""
	}
	return words.OfEnum(string(v.Name()), string(d.ByNumber(0).Name()))
}

func sheetNumber(v *float64) string {
	if v == nil {
		return ""
	}
	return number(*v, decimals(*v))
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

// begin begins a file.
func (s Sheet) begin(w io.Writer) (sheet, error) {
	if s.Mark {
		if _, err := io.WriteString(w, "\ufeff"); err != nil {
			return sheet{}, err
		}
	}
	return newSheet(w), nil
}

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
