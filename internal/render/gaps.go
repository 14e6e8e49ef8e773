package render

import (
	"fmt"
	"io"
	"strconv"

	trigonev1 "trigone/proto/trigone/v1"
)

// RecordGaps prints what is missing in the record: what it says, then case by case.
func RecordGaps(w io.Writer, r *trigonev1.ListGapsResponse) {
	Invented(w, r.GetContext().GetInvented())
	wrapped(w, "", "", r.GetSentence())
	heading(w, "What is missing")
	for _, n := range r.GetCounts() {
		wrapped(w, "- ", "  ", n.GetSentence())
	}
	if len(r.GetMonths()) > 0 {
		heading(w, "The theatre list")
		var unlisted []*trigonev1.TheatreMonth
		operations := 0
		for _, m := range r.GetMonths() {
			if m.ListedCount == nil {
				unlisted = append(unlisted, m)
				operations += int(m.GetRecordedCount())
				continue
			}
			wrapped(w, "- ", "  ", m.GetSentence())
		}
		switch n := len(unlisted); {
		case n == 1:
			wrapped(w, "- ", "  ", unlisted[0].GetSentence())
		case n > 1:
			wrapped(w, "- ", "  ", fmt.Sprintf("For %d months from %s to %s, with %s on record, the theatre list was not submitted: nobody can say whether that is all.",
				n, unlisted[0].GetMonth(), unlisted[n-1].GetMonth(), count(operations, "operation", "operations")))
		}
	}
	if len(r.GetGaps()) > 0 {
		heading(w, "Case by case")
		g := newGrid("", "Missing", "Case", "Operation", "Overdue")
		for _, gap := range r.GetGaps() {
			overdue := "-"
			if gap.OverdueDays != nil {
				overdue = count(int(gap.GetOverdueDays()), "day", "days")
			}
			operated := "-"
			if gap.GetIncisionTime() != nil {
				operated = minute(gap.GetIncisionTime())
			}
			g.row(Word(gap.GetKind()), caseText(gap.GetExternalIdentifier(), gap.GetCaseName()), operated, overdue)
		}
		g.print(w)
	}
	fmt.Fprintln(w)
	wrapped(w, "", "", r.GetContext().GetCaution())
}

// caseText names a case as people do, by the hospital's number where it has one.
func caseText(id *trigonev1.Identifier, name string) string {
	if id.GetValue() != "" {
		return id.GetValue()
	}
	return name
}

func gapColumns(s Sheet) []sheetColumn[*trigonev1.Gap] {
	type row = *trigonev1.Gap
	columns := []sheetColumn[row]{
		{name: "missing", meaning: "What is missing.", words: enumWords(trigonev1.GapKind(0)), of: func(g row) string { return wordKey(g.GetKind()) }},
		{name: columnNumber, meaning: "Number of the case in the hospital.", of: func(g row) string { return g.GetExternalIdentifier().GetValue() }},
		{name: columnNumberSystem, meaning: "System of the number of the case.", of: func(g row) string { return g.GetExternalIdentifier().GetSystem() }},
		{name: "case", meaning: "Name of the case.", of: row.GetCaseName},
		{name: "incision_time", meaning: "Skin incision, UTC; empty: not recorded.", of: func(g row) string { return minute(g.GetIncisionTime()) }},
		{name: "overdue_days", meaning: "For how many days it has been missing, from when it was due; empty: that is of no day.", of: func(g row) string {
			if g.OverdueDays == nil {
				return ""
			}
			return strconv.Itoa(int(g.GetOverdueDays()))
		}},
	}
	return append(columns, ofSheet[row](s)...)
}

// RecordGapsCSV writes what is missing case by case.
func RecordGapsCSV(w io.Writer, r *trigonev1.ListGapsResponse, s Sheet) error {
	return writeSheet(w, s, gapColumns(s), r.GetGaps())
}

// RecordGapsDictionary writes what the columns of that mean.
func RecordGapsDictionary(w io.Writer, s Sheet) error {
	return writeDictionary(w, s, "What is missing in the record, one line for each case and kind.", gapColumns(s))
}
