package render

import (
	"fmt"
	"io"
	"strconv"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Record prints how the record itself is kept.
func Record(w io.Writer, r *trigonev1.SummarizeLedgerResponse) {
	Invented(w, r.GetContext().GetInvented())
	wrapped(w, "", "", r.GetSentence())
	if len(r.GetRules()) > 0 {
		heading(w, "What the rules found")
		again := r.GetRestatedUnder() != ""
		columns := []any{"Rule", "Severity", "Found", "Open", "Confirmed", "Lapsed", "Taken back"}
		if again {
			columns = append(columns, "Judged again")
		}
		g := newGrid("", columns...)
		for i := 2; i < len(columns); i++ {
			g.right(i)
		}
		g.most(0, 46)
		for _, n := range r.GetRules() {
			severity := Word(n.GetSeverity())
			if n.GetSeverity() == trigonev1.Severity_SEVERITY_UNSPECIFIED {
				severity = "no longer found"
			}
			row := []any{words.Spaced(n.GetRule()), severity, int(n.GetFoundCount()), int(n.GetOpenCount()), int(n.GetConfirmedCount()), int(n.GetLapsedCount()), int(n.GetRevokedCount())}
			if again {
				row = append(row, int(n.GetRestatedCount()))
			}
			g.row(row...)
		}
		g.print(w)
		if again {
			fmt.Fprintln(w)
			wrapped(w, "", "", "Judged again: the same cases under the versions of the last restating, a report that changed no record.")
		}
	}
	heading(w, "What happened to the record")
	q := r.GetQuarantine()
	if q.GetReceivedCount() == 0 {
		fmt.Fprintln(w, "- No submit was set aside because it named another patient.")
	} else {
		wrapped(w, "- ", "  ", fmt.Sprintf("%s set aside because they named another patient: %d filed, %d discarded, %d open%s.", count(int(q.GetReceivedCount()), "submit", "submits"),
			q.GetFiledCount(), q.GetDiscardedCount(), q.GetOpenCount(), decided(q.GetDaysToDecision())))
	}
	wrapped(w, "- ", "  ", fmt.Sprintf("%s and %s retracted, %s amended.", count(int(r.GetRetractedSectionCount()), "section", "sections"), count(int(r.GetRetractedCaseCount()), "case", "cases"),
		count(int(r.GetAmendedIdentityCount()), "identity", "identities")))
	if n := r.GetQueries(); n.GetAskedCount() > 0 {
		wrapped(w, "- ", "  ", fmt.Sprintf("%s asked while operating: %d cited and followed, %d cited and not followed, of %d cited that cannot be told, %d cited by no step.",
			count(int(n.GetAskedCount()), "question", "questions"), n.GetFollowedCount(), n.GetNotFollowedCount(), n.GetCannotBeToldCount(), n.GetNotCitedCount()))
	}
	staffTable(w, "Plans signed, or received, after incision", "Signer", "Late", r.GetLatePlans())
	staffTable(w, "Differences without a reason", "First operator", "Differences", r.GetDifferencesWithoutReason())
	fmt.Fprintln(w)
	wrapped(w, "", "", r.GetContext().GetCaution())
}

func decided(f *trigonev1.Figure) string {
	if f == nil || f.Value == nil {
		return ""
	}
	return fmt.Sprintf("; half were decided on within %s days", number(f.GetValue(), 1))
}

func staffTable(w io.Writer, title, who, what string, list []*trigonev1.StaffCount) {
	if len(list) == 0 {
		return
	}
	heading(w, title)
	g := newGrid("", who, what, "Cases")
	g.right(1)
	g.right(2)
	for _, n := range list {
		name := n.GetPseudonym()
		if name == "" {
			name = "nobody named"
		}
		g.row(name, int(n.GetCount()), int(n.GetCaseCount()))
	}
	g.print(w)
}

func recordColumns(s Sheet) []sheetColumn[*trigonev1.RuleCount] {
	type row = *trigonev1.RuleCount
	counted := func(name, meaning string, of func(row) int32) sheetColumn[row] {
		return sheetColumn[row]{name: name, meaning: meaning, of: func(n row) string { return strconv.Itoa(int(of(n))) }}
	}
	columns := []sheetColumn[row]{
		{name: "rule", meaning: "Rule, by name.", of: row.GetRule},
		{name: "severity", meaning: "Its severity; empty: it is no longer found, and was confirmed once.", words: enumWords(trigonev1.Severity(0)), of: func(n row) string { return wordKey(n.GetSeverity()) }},
		counted("found", "Findings.", row.GetFoundCount),
		counted("open", "Of these, those that nobody confirmed; notes are never confirmed.", row.GetOpenCount),
		counted("confirmed", "Of these, those that a person confirmed.", row.GetConfirmedCount),
		counted("lapsed", "Confirmations that ended because the values changed.", row.GetLapsedCount),
		counted("taken_back", "Confirmations that were taken back.", row.GetRevokedCount),
		{name: "judged_again", meaning: "Findings of the rule as the cases were judged again; empty: they were not.", of: func(n row) string {
			if n.RestatedCount == nil {
				return ""
			}
			return strconv.Itoa(int(n.GetRestatedCount()))
		}},
	}
	return append(columns, ofSheet[row](s)...)
}

// RecordCSV writes what the rules found, one line a rule.
func RecordCSV(w io.Writer, r *trigonev1.SummarizeLedgerResponse, s Sheet) error {
	return writeSheet(w, s, recordColumns(s), r.GetRules())
}

// RecordDictionary writes what the columns of that mean.
func RecordDictionary(w io.Writer, s Sheet) error {
	return writeDictionary(w, s, "What the rules found and what became of it, one line for each rule and severity.", recordColumns(s))
}
