package render

import (
	"fmt"
	"io"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Freedom prints what can still be changed while operating: the range of each
// dimension, the planned steps that no longer fit and the age of every input.
func Freedom(w io.Writer, f *trigonev1.Freedom) {
	heading(w, "While operating (ranges of an uncalibrated model, not advice)")
	if f == nil {
		fmt.Fprintln(w, "  nothing of an operation is known yet")
		return
	}
	g := newGrid("  ", "What can be changed", "Place", "Range that meets the target", "Now", "Remark")
	g.most(1, 40)
	g.most(5, 34)
	for _, r := range f.GetRanges() {
		if r.GetState() == trigonev1.MetricState_METRIC_STATE_VALUE {
			g.row(words.Capital(words.Spaced(r.GetLeaf())), place(r.GetPlace()), Range(r.GetLeaf(), r.Lower, r.Upper, r.GetUnit()), present(r), position(r))
		}
	}
	g.print(w)
	for _, r := range f.GetRanges() {
		if r.GetState() == trigonev1.MetricState_METRIC_STATE_VALUE {
			continue
		}
		why := readable(r.GetExplanation())
		if len(r.GetMissing()) > 0 {
			why = "missing " + missing(r.GetMissing())
		}
		what := words.Capital(words.Spaced(r.GetLeaf()))
		if p := place(r.GetPlace()); p != "" {
			what += " (" + p + ")"
		}
		wrapped(w, "  ", "    ", what+": "+Word(r.GetState())+", "+why+".")
	}
	for _, s := range f.GetUnfitSteps() {
		wrapped(w, "  ", "    ", "No longer fits: planned step "+s.GetPlannedStepId()+". "+s.GetMessage())
	}
	if len(f.GetAges()) > 0 {
		ages := newGrid("  ", "Inputs of", "Age at "+minute(f.GetTime())+" UTC")
		ages.most(1, 50)
		ages.most(2, 50)
		for _, a := range f.GetAges() {
			ages.row(occasion(a.GetOccasion()), a.GetExplanation())
		}
		fmt.Fprintln(w)
		ages.print(w)
	}
}

func present(r *trigonev1.FreedomRange) string {
	if r.Present == nil {
		return "not known"
	}
	return Range(r.GetLeaf(), r.Present, r.Present, r.GetUnit())
}

func position(r *trigonev1.FreedomRange) string {
	text := Word(r.GetPosition())
	switch {
	case text != "" && r.GetDone():
		return text + "; done already"
	case r.GetDone():
		return "done already"
	}
	return text
}

// Confirmed prints the answer to a confirmation or its revocation.
func Confirmed(w io.Writer, c *trigonev1.Confirmation, caseVersion int64, sections []*trigonev1.SectionStatus, e *trigonev1.Evaluation) {
	printf(w, "%s (finding %s): %s, case version %d\n\n", words.Capital(words.Spaced(c.GetRule())), c.GetFindingId(), Word(c.GetState()), caseVersion)
	Sections(w, sections)
	printf(w, "\n%s\n", Count(e).findings())
}

// Again prints an evaluation that repeats an earlier one: how faithful it is, and
// what it says otherwise.
func Again(w io.Writer, r *trigonev1.EvaluateAgainResponse) {
	printf(w, "%s, compared with evaluation %d: %s\n", words.Capital(Word(r.GetFidelity())), r.GetComparedWith(), versions(r.GetEvaluation()))
	wrapped(w, "", "", r.GetExplanation())
	for _, part := range []struct {
		title string
		list  []*trigonev1.Finding
	}{{"Found now, not then", r.GetAppeared()}, {"Found then, not now", r.GetVanished()}} {
		heading(w, part.title+": "+count(len(part.list), "finding", "findings"))
		numbers := newCitations(&trigonev1.Evaluation{Findings: part.list, Sources: r.GetEvaluation().GetSources()})
		for _, f := range part.list {
			printFinding(w, f, "  ", numbers)
		}
		numbers.print(w)
	}
}
