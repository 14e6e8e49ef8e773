package render

import (
	"cmp"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// What a reviewer reads: cases, revisions, changes, and what was set aside. Names and
// ids are printed whole, since other commands take them.

// Cases prints cases in a line each; more says that there are others.
func Cases(w io.Writer, list []*trigonev1.CaseSummary, more bool) {
	g := newGrid("", "Case", "Case number", "Changed (UTC)", "Version", "What is open")
	g.keep(1)
	g.right(4)
	g.most(2, 16)
	for _, c := range list {
		g.row(c.GetName(), c.GetExternalIdentifier().GetValue(), minute(c.GetChangedTime()), c.GetCaseVersion(), openIn(c))
	}
	if len(list) == 0 {
		fmt.Fprintln(w, "no case")
	}
	g.print(w)
	if more {
		fmt.Fprintln(w, "There are older ones: ask for more with --most.")
	}
}

// openIn says what somebody may have to look at.
func openIn(c *trigonev1.CaseSummary) string {
	var parts []string
	if c.GetState() != trigonev1.CaseState_CASE_STATE_ACTIVE {
		parts = append(parts, Word(c.GetState()))
	}
	for _, n := range []struct {
		n         int32
		one, many string
	}{
		{c.GetContradictionCount(), "contradiction", "contradictions"}, {c.GetCautionCount(), "caution", "cautions"},
		{c.GetNoteCount(), "note", "notes"}, {c.GetDiscrepancyCount(), "difference", "differences"},
	} {
		if n.n > 0 {
			parts = append(parts, count(int(n.n), n.one, n.many))
		}
	}
	return cmp.Or(strings.Join(parts, ", "), "nothing")
}

func instantCell(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().UTC().Format(time.RFC3339)
}

// wordCell gives a word as the contract has it.
func wordCell(e protoreflect.Enum) string { return strings.ReplaceAll(Word(e), " ", "_") }

func numberCell[N ~int32 | ~int64](n N) string { return strconv.FormatInt(int64(n), 10) }

// caseColumns are those of a sheet of cases.
func caseColumns() []sheetColumn[*trigonev1.CaseSummary] {
	type row = *trigonev1.CaseSummary
	return []sheetColumn[row]{
		{name: "case_name", meaning: "The case, by the name that calls take.", of: row.GetName},
		{name: columnNumberSystem, meaning: "What the number of the case is of.", of: func(c row) string { return c.GetExternalIdentifier().GetSystem() }},
		{name: columnNumber, meaning: "The hospital's number of the case, which names the patient to whoever can look it up.", of: func(c row) string { return c.GetExternalIdentifier().GetValue() }},
		{name: "state", meaning: "State of the case.", words: enumWords(trigonev1.CaseState(0)), of: func(c row) string { return wordCell(c.GetState()) }},
		{name: "version", meaning: "Version of the case: how many writes it has had.", of: func(c row) string { return numberCell(c.GetCaseVersion()) }},
		{name: "changed_time", meaning: "When it was written last.", unit: "UTC", of: func(c row) string { return instantCell(c.GetChangedTime()) }},
		{name: "plan_timing", meaning: "Timing of the plan.", words: enumWords(trigonev1.PlanTiming(0)), of: func(c row) string { return wordCell(c.GetPlanTiming()) }},
		{name: "incision_time", meaning: "Incision; empty: not recorded.", unit: "UTC", of: func(c row) string { return instantCell(c.GetIncisionTime()) }},
		{name: "contradictions", meaning: "Contradictions of the newest evaluation.", of: func(c row) string { return numberCell(c.GetContradictionCount()) }},
		{name: "cautions", meaning: "Cautions.", of: func(c row) string { return numberCell(c.GetCautionCount()) }},
		{name: "notes", meaning: "Notes.", of: func(c row) string { return numberCell(c.GetNoteCount()) }},
		{name: "differences", meaning: "Differences from the plan.", of: func(c row) string { return numberCell(c.GetDiscrepancyCount()) }},
	}
}

// CasesCSV writes cases as lines of comma-separated values.
func CasesCSV(w io.Writer, list []*trigonev1.CaseSummary, s Sheet) error {
	return writeSheet(w, s, caseColumns(), list)
}

// CasesDictionary writes what its columns mean.
func CasesDictionary(w io.Writer, s Sheet) error {
	return writeDictionary(w, s, "Cases, the newest change first, one line for each.", caseColumns())
}

// Revisions prints revisions in the order of storing.
func Revisions(w io.Writer, list []*trigonev1.Revision) {
	g := newGrid("", "Section", "Revision", "Received (UTC)", "Source time (UTC)", "From", "What")
	g.keep(1)
	g.right(2)
	for _, r := range list {
		g.row(r.GetSection(), r.GetRevision(), minute(r.GetReceivedTime()), minute(r.GetSourceTime()), r.GetCaller(), whatRevision(r))
	}
	g.print(w)
}

func whatRevision(r *trigonev1.Revision) string {
	what := ""
	if r.GetHead() {
		what = "head"
	}
	if r.GetRetraction() {
		what = strings.TrimPrefix(what+", retracted: "+Word(r.GetRetractionReason()), ", ")
	}
	return what
}

// RevisionsCSV writes revisions as lines of comma-separated values, without their
// content.
func RevisionsCSV(w io.Writer, list []*trigonev1.Revision) error {
	out := newSheet(w)
	if err := out.row([]string{"section", "revision", "received_time", "source_time", "caller", "head", "retraction", "retraction_reason"}); err != nil {
		return err
	}
	for _, r := range list {
		if err := out.row([]string{
			r.GetSection(), numberCell(r.GetRevision()), instantCell(r.GetReceivedTime()), instantCell(r.GetSourceTime()), r.GetCaller(),
			strconv.FormatBool(r.GetHead()), strconv.FormatBool(r.GetRetraction()), wordCell(r.GetRetractionReason()),
		}); err != nil {
			return err
		}
	}
	return out.end()
}

// Changes prints changes, oldest first: those of one write stand under its case.
func Changes(w io.Writer, list []*trigonev1.Change, cursor string) {
	for i := 0; i < len(list); {
		first := list[i]
		last := i + 1
		for last < len(list) && list[last].GetCaseName() == first.GetCaseName() && list[last].GetCaseVersion() == first.GetCaseVersion() && first.GetCaseName() != "" {
			last++
		}
		of := cmp.Or(first.GetCaseName(), "of no case")
		if first.GetCaseName() != "" {
			of += fmt.Sprintf(", version %d", first.GetCaseVersion())
		}
		printf(w, "%s  %s\n", minute(first.GetTime()), of)
		g := newGrid("  ")
		g.right(1)
		g.keep(3)
		for _, c := range list[i:last] {
			g.row(c.GetNumber(), Word(c.GetKind()), concerns(c), joined(Word(c.GetState()), c.GetReason()))
		}
		g.print(w)
		i = last
	}
	printf(w, "Next cursor: %s\n", cursor)
}

func joined(parts ...string) string {
	var list []string
	for _, p := range parts {
		if p != "" {
			list = append(list, p)
		}
	}
	return strings.Join(list, ", ")
}

// concerns names what a change is about, as other commands take it.
func concerns(c *trigonev1.Change) string {
	what := c.GetSection()
	if c.GetRevision() > 0 {
		what += fmt.Sprintf(" revision %d", c.GetRevision())
	}
	return strings.TrimSpace(cmp.Or(what, c.GetQuarantineId(), c.GetFindingId()))
}

// ChangesCSV writes changes as lines of comma-separated values.
func ChangesCSV(w io.Writer, list []*trigonev1.Change) error {
	out := newSheet(w)
	if err := out.row([]string{"number", "time", "kind", "case_name", "case_version", "section", "revision", "state", "reason", "quarantine_id", "finding_id"}); err != nil {
		return err
	}
	for _, c := range list {
		if err := out.row([]string{
			numberCell(c.GetNumber()), instantCell(c.GetTime()), wordCell(c.GetKind()), c.GetCaseName(), numberCell(c.GetCaseVersion()), c.GetSection(),
			numberCell(c.GetRevision()), wordCell(c.GetState()), c.GetReason(), c.GetQuarantineId(), c.GetFindingId(),
		}); err != nil {
			return err
		}
	}
	return out.end()
}

// Quarantine prints submits that were set aside in a line each.
func Quarantine(w io.Writer, list []*trigonev1.QuarantinedSummary) {
	g := newGrid("", "Id", "Received (UTC)", "From", "Sent to case", "Sections", "Since then")
	g.keep(1)
	for i, columns := range []int{36, 16, 12, 14, 19, 13} {
		g.most(1+i, columns)
	}
	for _, q := range list {
		g.row(q.GetQuarantineId(), minute(q.GetReceivedTime()), q.GetCaller(), cmp.Or(q.GetExternalIdentifier().GetValue(), "without number"),
			strings.Join(q.GetSections(), ", "), sinceThen(q))
	}
	if len(list) == 0 {
		fmt.Fprintln(w, "nothing is set aside")
	}
	g.print(w)
}

func sinceThen(q *trigonev1.QuarantinedSummary) string {
	if q.GetState() != trigonev1.QuarantineState_QUARANTINE_STATE_OPEN {
		return strings.TrimSpace(Word(q.GetState()) + " " + minute(q.GetDecidedTime()) + " " + q.GetDecidedCaller())
	}
	if q.GetCaseChanged() {
		return "case was written"
	}
	return ""
}

// QuarantineCSV writes them as lines of comma-separated values.
func QuarantineCSV(w io.Writer, list []*trigonev1.QuarantinedSummary) error {
	out := newSheet(w)
	if err := out.row([]string{
		"quarantine_id", "state", "reason", "received_time", "caller", "case_name", "case_number_system", "case_number", "sections", "case_changed", "decided_time", "decided_caller",
	}); err != nil {
		return err
	}
	for _, q := range list {
		if err := out.row([]string{
			q.GetQuarantineId(), wordCell(q.GetState()), wordCell(q.GetReason()), instantCell(q.GetReceivedTime()), q.GetCaller(), q.GetCaseName(),
			q.GetExternalIdentifier().GetSystem(), q.GetExternalIdentifier().GetValue(), strings.Join(q.GetSections(), "; "), strconv.FormatBool(q.GetCaseChanged()),
			instantCell(q.GetDecidedTime()), q.GetDecidedCaller(),
		}); err != nil {
			return err
		}
	}
	return out.end()
}

// Quarantined prints a submit that was set aside, and what filing it would change.
func Quarantined(w io.Writer, q *trigonev1.Quarantined) {
	s := q.GetSummary()
	printf(w, "%s: %s, came %s UTC from %s\n", s.GetQuarantineId(), Word(s.GetState()), minute(s.GetReceivedTime()), s.GetCaller())
	if s.GetState() != trigonev1.QuarantineState_QUARANTINE_STATE_OPEN {
		printf(w, "%s %s UTC by %s", words.Capital(Word(s.GetState())), minute(s.GetDecidedTime()), s.GetDecidedCaller())
		if q.GetDecision() != "" {
			printf(w, ": %s", q.GetDecision())
		}
		printf(w, "\nCase: %s\n", s.GetCaseName())
		return
	}
	wrapped(w, "", "", q.GetExplanation())
	fmt.Fprintln(w)
	g := newGrid("", "", "The submit", "The case")
	number := func(id *trigonev1.Identifier) string { return cmp.Or(joined(id.GetSystem(), id.GetValue()), "none") }
	g.row("Patient", number(q.GetPatientIdentifier()), number(q.GetCasePatientIdentifier()))
	for _, id := range q.GetFormerPatientIdentifiers() {
		g.row("", "", "formerly "+number(id))
	}
	g.row("Case number", cmp.Or(q.GetCaseFile().GetExternalIdentifier().GetValue(), "none"), cmp.Or(q.GetExternalIdentifier().GetValue(), "none"))
	g.print(w)
	state := "not written since the submit came"
	switch {
	case q.GetCaseName() != s.GetCaseName():
		state = "not the case that it was sent to"
	case s.GetCaseChanged():
		state = "written since the submit came"
	}
	printf(w, "\n%s, version %d: %s\n", q.GetCaseName(), q.GetCaseVersion(), state)
	if q.GetObstacle() != "" {
		wrapped(w, "", "", "It cannot be filed into this case: "+q.GetObstacle()+".")
	} else {
		wrapped(w, "", "", "If it is filed: "+q.GetMessage())
		sections := newGrid("", "Section", "What would be done", "What else")
		for _, r := range q.GetSections() {
			sections.row(r.GetSection(), Word(r.GetOutcome()), r.GetNote())
		}
		sections.print(w)
	}
	if len(q.GetChanges()) > 0 {
		heading(w, "What would change")
		changes := newGrid("", "Section", "Field", "On record", "Submitted")
		for _, c := range q.GetChanges() {
			changes.row(c.GetSection(), c.GetPath(), orNothing(c.OldValue), orNothing(c.NewValue))
		}
		changes.print(w)
		if n := q.GetChangesLeftOut(); n > 0 {
			fmt.Fprintf(w, "and %d more\n", n)
		}
	}
	heading(w, "To decide, once it is read")
	if q.GetObstacle() == "" {
		printf(w, "trigone quarantine file %s \\\n  --into %s --etag %s --reason '...'\n", s.GetQuarantineId(), q.GetCaseName(), q.GetEtag())
	}
	printf(w, "trigone quarantine discard %s \\\n  --etag %s --reason '...'\n", s.GetQuarantineId(), q.GetEtag())
}

func orNothing(s *string) string {
	if s == nil {
		return "-"
	}
	return *s
}
