package render

import (
	"cmp"
	"fmt"
	"io"
	"strings"

	"trigone/internal/convert"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Comparisons prints the comparisons of many cases, a block for each case.
func Comparisons(w io.Writer, list []*trigonev1.CaseComparison, counts *trigonev1.ComparisonCounts) {
	g := newGrid("", "Case", "Compared", "Place", "Held against", "Is", "Verdict, remark")
	for i, columns := range []int{12, 26, 13, 20, 20, 15} {
		g.most(1+i, columns)
	}
	last := ""
	for _, c := range list {
		name := cmp.Or(c.GetExternalIdentifier().GetValue(), c.GetCaseName())
		cells := comparisonCells(c.GetComparison())
		if c.GetCaseName() == last {
			name = ""
		}
		last = c.GetCaseName()
		g.row(append([]any{name}, cells...)...)
	}
	if len(list) == 0 {
		fmt.Fprintln(w, "no comparison")
	}
	g.print(w)
	printComparisonCounts(w, counts)
}

func comparisonCells(c *trigonev1.Comparison) []any {
	name := words.Capital(cmp.Or(Word(c.GetKind()), words.Spaced(c.GetClass())))
	if metric := words.Spaced(c.GetMetric()); metric != "" && metric != Word(c.GetKind()) {
		name += ", " + metric
	}
	// One prediction is held against several sets.
	if ofPrediction(c) && c.GetStage() != trigonev1.Stage_STAGE_UNSPECIFIED {
		name += ", " + Word(c.GetStage())
	}
	where := place(c.GetPlace())
	if where == "" && c.GetRun() > 0 {
		where = fmt.Sprintf("run %d", c.GetRun())
	}
	where = cmp.Or(where, c.GetPlannedStepId(), c.GetPerformedStepId())
	planned := valueText(c.GetPlanned(), c.PlannedValue, c.GetUnit())
	// An aim and a prediction are ranges, whatever stands in their middle.
	if c.Lower != nil || c.Upper != nil {
		planned = Range(c.GetMetric(), c.Lower, c.Upper, c.GetUnit())
	}
	actual := valueText(c.GetActual(), c.ActualValue, c.GetUnit())
	switch {
	case c.GetNotApplicableBecause() != "":
		actual = c.GetNotApplicableBecause()
	case actual == "" && len(c.GetMissing()) > 0:
		actual = "missing: " + missing(c.GetMissing())
	case c.Z != nil: // its difference is one from the middle, which is not shown
		actual += fmt.Sprintf(" (z %+.1f)", c.GetZ())
	case c.Difference != nil && c.GetVerdict() != trigonev1.ComparisonVerdict_COMPARISON_VERDICT_AGREES:
		actual = strings.TrimSpace(actual + " (" + signed(c.GetDifference(), places(c.GetMetric(), c.GetDifference()), c.GetUnit()) + ")")
	}
	return []any{name, where, planned, actual, comparisonRemark(c)}
}

// ofPrediction says whether a comparison holds a set against what was predicted or
// expected, be it evaluable or not.
func ofPrediction(c *trigonev1.Comparison) bool {
	switch c.GetKind() {
	case trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_PLAN, trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_EXECUTION,
		trigonev1.ComparisonKind_COMPARISON_KIND_EXPECTED_GRADIENT:
		return true
	}
	return false
}

func comparisonRemark(c *trigonev1.Comparison) string {
	parts := []string{verdictText(c.GetVerdict())}
	if c.GetPlanRevised() {
		parts = append(parts, "plan revised")
	}
	if c.GetReason() != "" {
		parts = append(parts, words.Spaced(reasonWord(c.GetReason())))
	}
	return strings.Join(parts, ", ")
}

// verdictText says a verdict: the word present alone does not say what is there.
func verdictText(v trigonev1.ComparisonVerdict) string {
	if v == trigonev1.ComparisonVerdict_COMPARISON_VERDICT_PRESENT {
		return "differs"
	}
	return Word(v)
}

func printComparisonCounts(w io.Writer, c *trigonev1.ComparisonCounts) {
	if c == nil {
		return
	}
	printf(w, "Drawn from %s, %d with a plan in force; %d with a difference.\n",
		count(int(c.GetOperatedCaseCount()), "operated case", "operated cases"), c.GetPlannedCaseCount(), c.GetDifferingCaseCount())
	var verdicts []string
	for _, v := range c.GetVerdicts() {
		verdicts = append(verdicts, fmt.Sprintf("%s %d", verdictText(v.GetVerdict()), v.GetCount()))
	}
	if len(verdicts) > 0 {
		printf(w, "Comparisons listed by verdict: %s.\n", strings.Join(verdicts, ", "))
	}
	if c.GetThingsPlanned().GetTotal() > 0 {
		wrapped(w, "", "", words.Capital(convert.ThingsText(c.GetThingsPlanned()))+", in all these cases.")
	}
	if n := c.GetAgreementsNotRecordedCaseCount(); n > 0 {
		wrapped(w, "", "", fmt.Sprintf("Agreements were not recorded for %s, evaluated by an earlier version: what is not listed of them may have agreed or may never have been compared, and their things planned are not counted.",
			count(int(n), "case", "cases")))
	}
	printf(w, "Left out: %s, %s.\n", count(int(c.GetRetractedCaseCount()), "retracted case", "retracted cases"),
		count(int(c.GetRetractedSectionCount()), "retracted section", "retracted sections"))
	fmt.Fprintln(w, "A difference is no error and carries no blame.")
}
