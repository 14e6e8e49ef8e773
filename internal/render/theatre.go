package render

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"trigone/internal/metric"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Answer prints the answer to a question asked while operating, and under it the
// evaluation that it rests on. What the answer tells is not told again below.
func Answer(w io.Writer, answer *trigonev1.EvaluatePlanResponse) {
	e := answer.GetEvaluation()
	wrapped(w, "", "", cmp.Or(e.GetCaution(), Caution))
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

// whatIfRows name the rows of what-ifs.
var whatIfRows = map[string]string{
	metric.IDPredictedContact:       "Coaptation length, A2-P2",
	metric.IDPredictedOverlap:       "Coaptation length on echo",
	metric.IDPredictedAnteriorShare: "Closure line from the anterior hinge",
	metric.IDUnsupportedAnteriorTip: "Anterior tip beyond the overlap",
	metric.IDExpectedGradient:       "Expected mean gradient",
	metric.IDFactorCount:            "Factors of systolic anterior motion",
}

// whatIfColumns is how many changes stand beside the state as it is in a page of a width.
func whatIfColumns(width int) int { return max((width-46)/24, 1) }

// whatIfs prints what would come of changes: the state as it is in the first column of
// each table, the changes in the order in which they were asked. No cell judges.
func whatIfs(w io.Writer, f *trigonev1.Freedom) {
	list := f.GetWhatIfs()
	if len(list) == 0 {
		return
	}
	fmt.Fprintln(w)
	fmt.Fprintln(w, "  What if: the middle of the model, and the 95 % range of one observation")
	asItIs, changes := list[0], list[1:]
	for len(changes) > 0 {
		n := min(whatIfColumns(pageWidth(w)), len(changes))
		shown := append([]*trigonev1.WhatIfAnswer{asItIs}, changes[:n]...)
		changes = changes[n:]
		header := []any{""}
		for _, c := range shown {
			header = append(header, words.Capital(c.GetWords()))
		}
		g := newGrid("  ", header...)
		g.most(1, 24)
		for i := range shown {
			g.most(i+2, 20)
		}
		for i, v := range asItIs.GetValues() {
			row := []any{whatIfRows[v.GetMetric()]}
			for _, c := range shown {
				row = append(row, whatIfCell(c.GetValues()[i]))
			}
			g.row(row...)
		}
		g.print(w)
	}
	if slices.ContainsFunc(list, func(c *trigonev1.WhatIfAnswer) bool {
		return slices.ContainsFunc(c.GetValues(), func(v *trigonev1.WhatIfValue) bool {
			return v.GetMetric() == metric.IDPredictedContact && v.Lower != nil && v.GetLower() < 0
		})
	}) {
		fmt.Fprintln(w, "  A contact below 0 is a gap in the model.")
	}
	whatIfReasons(w, list)
	told := map[string]bool{}
	for _, c := range list {
		if why := c.GetExplanation(); why != "" && !told[why] {
			told[why] = true
			if why != asItIs.GetExplanation() { // else it concerns every column
				why = c.GetWords() + ": " + why
			}
			wrapped(w, "  ", "    ", words.Sentence(words.Capital(why)))
		}
	}
	var measured []string
	for _, in := range asItIs.GetMeasured() {
		measured = append(measured, joinedBy(" ", words.Spaced(in.GetLeaf()), place(in.GetPlace()), Range(in.GetLeaf(), &in.Value, &in.Value, in.GetUnit())))
	}
	if len(measured) > 0 {
		wrapped(w, "  ", "    ", "Measured in the last set ("+occasion(asItIs.GetMeasured()[0].GetOccasion())+"): "+words.And(measured)+".")
	}
}

func whatIfCell(v *trigonev1.WhatIfValue) string {
	if v.GetState() != trigonev1.MetricState_METRIC_STATE_VALUE || v.Value == nil {
		if v.GetExplanation() == "direction only" {
			return "direction only"
		}
		return "no number"
	}
	n := places(v.GetMetric(), v.GetValue())
	if v.GetMetric() == metric.IDFactorCount {
		text := number(v.GetValue(), 0) + " present"
		if v.Upper != nil && v.GetUpper() > v.GetValue() {
			text += ", " + number(v.GetUpper()-v.GetValue(), 0) + " not known"
		}
		return text
	}
	text := quantity(v.GetValue(), n, v.GetUnit())
	if v.GetMetric() == metric.IDPredictedContact && v.GetValue() < 0 {
		text = "a gap of " + quantity(-v.GetValue(), n, v.GetUnit())
	}
	if v.Lower != nil && v.Upper != nil {
		text += ", " + number(v.GetLower(), n) + " to " + number(v.GetUpper(), n)
	}
	return text
}

// presentFactors leaves out of the list of factors what is absent.
func presentFactors(list string) string {
	var kept []string
	for part := range strings.SplitSeq(list, "; ") {
		if strings.HasPrefix(part, "present: ") || strings.HasPrefix(part, "not known") {
			kept = append(kept, part)
		}
	}
	return strings.Join(kept, "; ")
}

// whatIfReasons says once for each reason why there is no number, and which factors are
// present.
func whatIfReasons(w io.Writer, list []*trigonev1.WhatIfAnswer) {
	type reason struct{ row, text string }
	var order []reason
	in := map[reason][]string{}
	for _, c := range list {
		for _, v := range c.GetValues() {
			text := readable(v.GetExplanation())
			if len(v.GetMissing()) > 0 {
				text = "missing " + missing(v.GetMissing())
			}
			known := v.GetState() == trigonev1.MetricState_METRIC_STATE_VALUE
			if known {
				text = presentFactors(text)
			}
			if known != (v.GetMetric() == metric.IDFactorCount) || text == "" || text == c.GetExplanation() || text == "direction only" {
				continue
			}
			r := reason{whatIfRows[v.GetMetric()], text}
			if _, seen := in[r]; !seen {
				order = append(order, r)
			}
			in[r] = append(in[r], c.GetWords())
		}
	}
	type shared struct{ where, text string }
	var told []shared
	rows := map[shared][]string{}
	for _, r := range order {
		where := ""
		if len(in[r]) < len(list) {
			where = " (" + strings.Join(in[r], "; ") + ")"
		}
		same := shared{where, r.text}
		if _, seen := rows[same]; !seen {
			told = append(told, same)
		}
		rows[same] = append(rows[same], r.row)
	}
	for _, t := range told {
		for i := range rows[t][1:] {
			rows[t][i+1] = strings.ToLower(rows[t][i+1][:1]) + rows[t][i+1][1:]
		}
		wrapped(w, "  ", "    ", words.Sentence(words.And(rows[t])+t.where+": "+t.text))
	}
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
