package render

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Answer prints the answer to a question asked while operating, and under it the
// evaluation that it rests on. What the answer tells is not told again below.
func Answer(w io.Writer, answer *trigonev1.EvaluatePlanResponse) {
	e := answer.GetEvaluation()
	wrapped(w, "", "", cmp.Or(e.GetCaution(), caution))
	Freedom(w, answer.GetFreedom())
	evaluation(w, e, EvaluationOptions{window: answer.GetFreedom() != nil})
}

// Freedom prints the answer to a question asked while operating: the range of each
// dimension, what binds its ends and whose that is, how far the model can be off, the
// planned steps that do not fit, what would come of changes, and the age of every
// input.
func Freedom(w io.Writer, f *trigonev1.Freedom) {
	heading(w, "Answer while operating (ranges of an uncalibrated model, not advice)")
	if f == nil {
		fmt.Fprintln(w, "  nothing of an operation is known yet")
		return
	}
	g := newGrid("  ", "What can be changed", "Place", "Range that meets what is asked", "Now", "Remark")
	g.most(1, 40)
	g.most(5, 34)
	for _, r := range f.GetRanges() {
		if r.GetState() == trigonev1.MetricState_METRIC_STATE_VALUE {
			g.row(words.Capital(words.Spaced(r.GetLeaf())), place(r.GetPlace()), Range(r.GetLeaf(), r.Lower, r.Upper, r.GetUnit()), present(r), position(r))
		}
	}
	g.print(w)
	for _, r := range f.GetRanges() {
		what := words.Capital(words.Spaced(r.GetLeaf()))
		if p := place(r.GetPlace()); p != "" {
			what += " (" + p + ")"
		}
		if r.GetState() != trigonev1.MetricState_METRIC_STATE_VALUE {
			why := readable(r.GetExplanation())
			if len(r.GetMissing()) > 0 {
				why = joinedBy("; ", why, "missing "+missing(r.GetMissing()))
			}
			wrapped(w, "  ", "    ", words.Sentence(what+": "+Word(r.GetState())+", "+why))
			ringSizes(w, r)
			continue
		}
		fmt.Fprintln(w)
		wrapped(w, "  ", "    ", words.Sentence(what+": "+readable(r.GetExplanation())))
		bindingEnd(w, r, "Lower end", r.LowerCondition)
		bindingEnd(w, r, "Upper end", r.UpperCondition)
		if r.GetUncertainty() != "" {
			wrapped(w, "    ", "      ", r.GetUncertainty())
		}
		for _, c := range r.GetBeside() {
			wrapped(w, "    ", "      ", beside(r, c))
		}
		if len(r.GetNotEstimated()) > 0 {
			wrapped(w, "    ", "      ", "Aims that nothing here estimates: "+words.And(r.GetNotEstimated())+".")
		}
		ringSizes(w, r)
	}
	for i, s := range f.GetUnfitSteps() {
		if i == 0 {
			fmt.Fprintln(w)
		}
		text := s.GetMessage()
		if s.GetReason() != trigonev1.UnfitReason_UNFIT_REASON_OUTSIDE_RANGE {
			text = s.GetPlannedStepId() + " no longer fits: " + text
		}
		wrapped(w, "  ", "    ", words.Sentence("Planned step "+text))
	}
	whatIfs(w, f)
	ages(w, f)
}

func joinedBy(separator string, parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), separator)
}

// bindingEnd says which condition binds an end of a range, and whose it is.
func bindingEnd(w io.Writer, r *trigonev1.FreedomRange, which string, c *trigonev1.FreedomCondition) {
	if c == nil {
		wrapped(w, "    ", "      ", which+": nothing binds it.")
		return
	}
	wrapped(w, "    ", "      ", words.Sentence(which+" "+Range(r.GetLeaf(), c.Value, c.Value, r.GetUnit())+": "+ownerWords(c)+c.GetWords()))
}

// ownerWords says whose a condition is.
func ownerWords(c *trigonev1.FreedomCondition) string {
	switch c.GetOwner() {
	case trigonev1.FreedomOwner_FREEDOM_OWNER_PLAN:
		return joinedBy(" ", "the plan's aim", c.GetTargetId()) + ", "
	case trigonev1.FreedomOwner_FREEDOM_OWNER_PLAUSIBILITY:
		return "plausibility, "
	case trigonev1.FreedomOwner_FREEDOM_OWNER_RING_TABLE:
		return "your ring table, "
	case trigonev1.FreedomOwner_FREEDOM_OWNER_MODEL:
		return "the model's domain, "
	}
	return "" // a limit of the policy says so in its words
}

// beside tells a condition that binds nothing.
func beside(r *trigonev1.FreedomRange, c *trigonev1.FreedomCondition) string {
	if c.Value == nil {
		return "Beside it: no value here meets " + c.GetWords() + "."
	}
	side := "at least "
	if c.GetEnd() == trigonev1.FreedomEnd_FREEDOM_END_UPPER {
		side = "at most "
	}
	return "Beside it: " + side + Range(r.GetLeaf(), c.Value, c.Value, r.GetUnit()) + " meets " + c.GetWords() + "."
}

// ringSizes says which sizes of the site's ring table fit, in the order of the table.
func ringSizes(w io.Writer, r *trigonev1.FreedomRange) {
	for _, s := range r.GetSizes() {
		text := joinedBy(" ", s.GetFamilyKey(), number(s.GetLabel(), 0)) + " (" + Range(r.GetLeaf(), s.InnerAnteroPosteriorMm, s.InnerAnteroPosteriorMm, r.GetUnit()) + ")"
		switch s.GetFits() {
		case trigonev1.Answer_ANSWER_YES:
			text += " meets all of it"
		case trigonev1.Answer_ANSWER_NO:
			text += " does not"
		}
		wrapped(w, "    ", "      ", words.Sentence(joinedBy(": ", text, readable(s.GetExplanation()))))
	}
}

func ages(w io.Writer, f *trigonev1.Freedom) {
	if len(f.GetAges()) == 0 {
		return
	}
	g := newGrid("  ", "Inputs of", "Run", "Age at "+minute(f.GetTime())+" UTC", "Read")
	g.most(1, 30)
	g.most(3, 26)
	g.most(4, 48)
	for _, a := range f.GetAges() {
		run := ""
		if a.Run != nil {
			run = strconv.Itoa(int(a.GetRun()))
		}
		var read []string
		for _, in := range a.GetInputs() {
			read = append(read, joinedBy(" ", words.Spaced(in.GetLeaf()), place(in.GetPlace()), Range(in.GetLeaf(), &in.Value, &in.Value, in.GetUnit())))
		}
		g.row(occasion(a.GetOccasion()), run, a.GetExplanation(), strings.Join(read, "; "))
	}
	fmt.Fprintln(w)
	g.print(w)
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

// whatIfs prints what would come of changes.
func whatIfs(io.Writer, *trigonev1.Freedom) {}

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
