package render

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"trigone/internal/convert"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// ExtractSheet writes the rows of one table of an extract, as they come.
type ExtractSheet struct {
	out     sheet
	numbers bool
}

// NewExtractSheet begins a table with its header.
func NewExtractSheet(w io.Writer, s Sheet, columns []*trigonev1.ExtractColumn) (*ExtractSheet, error) {
	out, err := s.begin(w)
	if err != nil {
		return nil, err
	}
	names := make([]string, len(columns))
	for i, c := range columns {
		names[i] = c.GetColumn()
	}
	x := &ExtractSheet{out, s.CaseNumbers}
	if s.CaseNumbers {
		names = append(names, ExtractNumberColumns()...)
	}
	return x, out.row(names)
}

// ExtractNumberColumns are the columns that case numbers add to the table of cases.
func ExtractNumberColumns() []string { return []string{columnNumber, columnNumberSystem} }

// Row writes a row.
func (x *ExtractSheet) Row(r *trigonev1.ExtractRow) error {
	cells := make([]string, len(r.GetValues()))
	for i, v := range r.GetValues() {
		cells[i] = extractCell(v)
	}
	if x.numbers {
		cells = append(cells, r.GetExternalIdentifier().GetValue(), r.GetExternalIdentifier().GetSystem())
	}
	return x.out.row(cells)
}

// End writes what is left.
func (x *ExtractSheet) End() error { return x.out.end() }

func extractCell(v *trigonev1.ExtractValue) string {
	switch x := v.GetValue().(type) {
	case *trigonev1.ExtractValue_Written:
		return x.Written
	case *trigonev1.ExtractValue_Number:
		return strconv.FormatFloat(x.Number, 'g', -1, 64)
	case *trigonev1.ExtractValue_Whole:
		return strconv.FormatInt(x.Whole, 10)
	case *trigonev1.ExtractValue_Flag:
		return strconv.FormatBool(x.Flag)
	case *trigonev1.ExtractValue_Time:
		return convert.TimeText(x.Time)
	}
	return ""
}

// ExtractDictionary writes what the columns of an extract mean, all tables in one file, and
// what the metrics are that comparisons name. The first line says for whom it was made.
func ExtractDictionary(w io.Writer, h *trigonev1.ExtractHeader, s Sheet) error {
	out, err := s.begin(w)
	if err != nil {
		return err
	}
	about := fmt.Sprintf("%s Cases as of %s UTC, change %d, policy %s. Decimal point, columns parted by commas, UTF-8; times are UTC.",
		h.GetSummary(), minute(h.GetContext().GetAsOf()), h.GetContext().GetLastChange(), h.GetContext().GetPolicyHash())
	rows := [][]string{{"table", "column", "meaning", "unit", "words", "source", "formula_number"}, {"(the extract)", "", about, "", "", "", ""}}
	add := func(table, column string, c *trigonev1.ExtractColumn) {
		formula := ""
		if n := c.GetFormulaNumber(); n > 0 {
			formula = strconv.Itoa(int(n))
		}
		rows = append(rows, []string{table, column, c.GetMeaning(), c.GetUnit(), strings.Join(c.GetWords(), "; "), c.GetSource(), formula})
	}
	for _, t := range h.GetTables() {
		for _, c := range t.GetColumns() {
			add(t.GetTable(), c.GetColumn(), c)
		}
		if s.CaseNumbers && t.GetTable() == factCases {
			add(t.GetTable(), columnNumber, &trigonev1.ExtractColumn{Meaning: "The hospital's number of the case, which names the patient to whoever can look it up."})
			add(t.GetTable(), columnNumberSystem, &trigonev1.ExtractColumn{Meaning: "What that number is of."})
		}
	}
	for _, m := range h.GetMetrics() {
		add("comparisons", "metric="+m.GetColumn(), m)
	}
	for _, r := range rows {
		if err := out.row(r); err != nil {
			return err
		}
	}
	return out.end()
}

// Extracted prints what an extract holds.
func Extracted(w io.Writer, h *trigonev1.ExtractHeader, end *trigonev1.ExtractEnd) {
	external := h.GetProfile() == trigonev1.ExtractProfile_EXTRACT_PROFILE_EXTERNAL
	wrapped(w, "", "", h.GetSummary())
	switch {
	case end.GetCaseCount() == 0 && end.GetLeftOutCaseCount() > 0:
		wrapped(w, "", "", fmt.Sprintf("No case is in it: there %s, and an extract for others needs at least 5 cases that share a combination.",
			isAre(int(end.GetLeftOutCaseCount()), "is one case", fmt.Sprintf("are %d cases", end.GetLeftOutCaseCount()))))
		return
	case end.GetCaseCount() == 0:
		wrapped(w, "", "", "No case is in it: none is recorded that matches.")
		return
	}
	for _, t := range end.GetTables() {
		printf(w, "%-12s %s\n", t.GetTable(), count(int(t.GetRowCount()), "row", "rows"))
	}
	if !external {
		return
	}
	for _, c := range end.GetCoarsened() {
		wrapped(w, "  ", "    ", fmt.Sprintf("%s coarsened: %s", count(int(c.GetCount()), "case", "cases"), words.Spaced(c.GetReason())))
	}
	if n := end.GetLeftOutCaseCount(); n > 0 {
		wrapped(w, "", "", fmt.Sprintf("%s left out: too few share even what is left.", count(int(n), "case is", "cases are")))
	}
	wrapped(w, "", "", fmt.Sprintf("The smallest cell that is left is held by %d cases.", end.GetSmallestCell()))
}

func isAre(n int, one, several string) string {
	if n == 1 {
		return one
	}
	return several
}
