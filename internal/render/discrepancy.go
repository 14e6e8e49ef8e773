package render

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"trigone/internal/convert"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// family is a root with what stands under it.
type family struct {
	root     *trigonev1.Discrepancy
	children []*trigonev1.Discrepancy
}

// families puts children under their roots and keeps the order. A child whose
// root is not in the list is a root of its own.
func families(list []*trigonev1.Discrepancy) []family {
	index := map[string]int{}
	var out []family
	for _, d := range list {
		if d.GetParent() == "" || !slices.ContainsFunc(list, func(r *trigonev1.Discrepancy) bool { return r.GetId() == d.GetParent() }) {
			index[d.GetId()] = len(out)
			out = append(out, family{root: d})
		}
	}
	for _, d := range list {
		if i, ok := index[d.GetParent()]; ok && d.GetParent() != "" {
			out[i].children = append(out[i].children, d)
		}
	}
	return out
}

// judged leaves out what could not be judged; those are counted instead.
func judged(list []*trigonev1.Discrepancy) (kept []*trigonev1.Discrepancy, left int) {
	for _, d := range list {
		if d.GetVerdict() == trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_NOT_EVALUABLE {
			left++
			continue
		}
		kept = append(kept, d)
	}
	return kept, left
}

func printDiscrepancies(w io.Writer, e *trigonev1.Evaluation) {
	kept, _ := judged(e.GetDiscrepancies())
	all := families(kept)
	heading(w, "Plan against outcome: "+count(len(all), "primary difference", "primary differences")+" (a difference, not an error)")
	g := newGrid("  ", "Difference", "Place", "Planned", "Is", "By", "Verdict, remark")
	discrepancyWidths(g, 1, 0)
	for _, f := range all {
		g.row(discrepancyCells(f.root, "")...)
		for _, c := range f.children {
			g.row(discrepancyCells(c, "└ ")...)
		}
	}
	if len(all) == 0 {
		fmt.Fprintln(w, "  none present")
	}
	g.print(w)
	wrapped(w, "  ", "  ", thingsPlanned(e)+".")
	if text := comparisons(e.GetComparisons()); text != "" {
		wrapped(w, "  ", "  ", "In detail "+text+".")
	}
}

// thingsPlanned says how the things planned came out.
func thingsPlanned(e *trigonev1.Evaluation) string {
	list := e.GetComparisons()
	switch {
	case len(list) == 0 && len(e.GetDiscrepancies()) == 0:
		return "Nothing is compared before an operation or a result is there"
	case len(list) == 0:
		return "What agreed was not recorded when this evaluation was made"
	}
	text := convert.ThingsText(convert.ThingsPlanned(list))
	if e.GetPlanInForce().GetRevision() == 0 && convert.ThingsPlanned(list).GetTotal() > 0 {
		return "No plan was in force; by the last plan revision " + text
	}
	return words.Capital(text)
}

// verdictWords are the verdicts as a count is told of them.
var verdictWords = []struct {
	verdict trigonev1.ComparisonVerdict
	words   string
}{
	{trigonev1.ComparisonVerdict_COMPARISON_VERDICT_AGREES, "agree"},
	{trigonev1.ComparisonVerdict_COMPARISON_VERDICT_PRESENT, "differ"},
	{trigonev1.ComparisonVerdict_COMPARISON_VERDICT_INDETERMINATE, "cannot be told"},
	{trigonev1.ComparisonVerdict_COMPARISON_VERDICT_NOT_EVALUABLE, "not evaluable"},
	{trigonev1.ComparisonVerdict_COMPARISON_VERDICT_NOT_APPLICABLE, "not applicable"},
}

// comparisons counts comparisons by verdict in words; empty where there are none.
func comparisons(list []*trigonev1.Comparison) string {
	if len(list) == 0 {
		return ""
	}
	var parts []string
	for _, v := range verdictWords {
		if n := verdicts(list, v.verdict); n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, v.words))
		}
	}
	return fmt.Sprintf("%s, predictions and limits among them: %s", count(len(list), "comparison", "comparisons"), strings.Join(parts, ", "))
}

func verdicts(list []*trigonev1.Comparison, v trigonev1.ComparisonVerdict) int {
	n := 0
	for _, c := range list {
		if c.GetVerdict() == v {
			n++
		}
	}
	return n
}

// notCompared counts the comparisons that could not be made.
func notCompared(e *trigonev1.Evaluation) int {
	if list := e.GetComparisons(); len(list) > 0 {
		return verdicts(list, trigonev1.ComparisonVerdict_COMPARISON_VERDICT_NOT_EVALUABLE)
	}
	_, left := judged(e.GetDiscrepancies())
	return left
}

// ComparedByKind prints how many comparisons of several cases agree and differ, a row
// for each kind, and how the things planned came out.
func ComparedByKind(w io.Writer, cases []*trigonev1.Evaluation) {
	columns := []any{"Compared"}
	for _, v := range verdictWords {
		columns = append(columns, words.Capital(v.words))
	}
	g := newGrid("", append(columns, "All")...)
	for i := range columns {
		g.right(i + 2)
	}
	var all []*trigonev1.Comparison
	var lists [][]*trigonev1.Comparison
	for _, e := range cases {
		all = append(all, e.GetComparisons()...)
		if e.GetPlanInForce().GetRevision() > 0 {
			lists = append(lists, e.GetComparisons())
		}
	}
	row := func(name string, list []*trigonev1.Comparison) {
		cells := []any{name}
		for _, v := range verdictWords {
			cells = append(cells, verdicts(list, v.verdict))
		}
		g.row(append(cells, len(list))...)
	}
	kinds := trigonev1.ComparisonKind(0).Descriptor().Values()
	for i := 1; i < kinds.Len(); i++ {
		kind := trigonev1.ComparisonKind(kinds.Get(i).Number())
		var of []*trigonev1.Comparison
		for _, c := range all {
			if c.GetKind() == kind {
				of = append(of, c)
			}
		}
		if len(of) > 0 {
			row(words.Capital(Word(kind)), of)
		}
	}
	row("All", all)
	g.print(w)
	wrapped(w, "", "", fmt.Sprintf("%s: %s. A step, a ring, a height or an aim is one thing planned; predictions and limits are none.",
		count(len(lists), "case with a plan in force", "cases with a plan in force"), convert.ThingsText(convert.ThingsPlanned(lists...))))
}

// discrepancyWidths bounds the columns from first on; less is taken off the two
// columns of words.
func discrepancyWidths(g *grid, first, less int) {
	for i, columns := range []int{24, 11, 22 - less, 22 - less, 10, 17} {
		g.most(first+i, columns)
	}
}

func discrepancyCells(d *trigonev1.Discrepancy, lead string) []any {
	name := words.Capital(words.Spaced(d.GetClass()))
	if d.GetMetric() != "" {
		name += ", " + words.Spaced(d.GetMetric())
	}
	planned := valueText(d.GetPlanned(), d.PlannedValue, d.GetUnit())
	actual := valueText(d.GetActual(), d.ActualValue, d.GetUnit())
	if d.Difference != nil {
		actual = strings.TrimSpace(actual + " (" + signed(d.GetDifference(), places(d.GetMetric(), d.GetDifference()), d.GetUnit()) + ")")
	}
	return []any{lead + name, discrepancyPlace(d), planned, actual, judgedBy(d), remark(d)}
}

func valueText(stated string, value *float64, unit string) string {
	if stated != "" {
		return words.Spaced(stated)
	}
	if value == nil {
		return ""
	}
	return quantity(*value, decimals(*value), unit)
}

func discrepancyPlace(d *trigonev1.Discrepancy) string {
	if p := place(d.GetPlace()); p != "" {
		return p
	}
	if d.GetRun() > 0 {
		return fmt.Sprintf("run %d", d.GetRun())
	}
	return ""
}

func judgedBy(d *trigonev1.Discrepancy) string {
	switch d.GetJudgedBy() {
	case trigonev1.JudgedBy_JUDGED_BY_PREDICTION_INTERVAL:
		return "prediction"
	case trigonev1.JudgedBy_JUDGED_BY_SITE_TOLERANCE:
		return "tolerance"
	}
	return Word(d.GetJudgedBy())
}

func remark(d *trigonev1.Discrepancy) string {
	parts := []string{Word(d.GetVerdict())}
	if d.GetPlanRevised() {
		parts = append(parts, "plan revised")
	}
	if d.GetReason() != "" {
		parts = append(parts, words.Spaced(reasonWord(d.GetReason())))
	}
	return strings.Join(parts, ", ")
}

// Discrepancies prints the discrepancies of many cases, a block for each case.
func Discrepancies(w io.Writer, list []*trigonev1.CaseDiscrepancy, counts *trigonev1.DiscrepancyCounts) {
	g := newGrid("", "Case", "Difference", "Place", "Planned", "Is", "By", "Verdict, remark")
	discrepancyWidths(g, 2, 6)
	var cases []string
	byCase := map[string][]*trigonev1.CaseDiscrepancy{}
	for _, d := range list {
		if _, seen := byCase[d.GetCaseName()]; !seen {
			cases = append(cases, d.GetCaseName())
		}
		byCase[d.GetCaseName()] = append(byCase[d.GetCaseName()], d)
	}
	left := 0
	for _, name := range cases {
		rows := byCase[name]
		plain := make([]*trigonev1.Discrepancy, len(rows))
		for i, r := range rows {
			plain[i] = r.GetDiscrepancy()
		}
		kept, gone := judged(plain)
		left += gone
		first := cmp.Or(rows[0].GetExternalIdentifier().GetValue(), name)
		for _, f := range families(kept) {
			g.row(append([]any{first}, discrepancyCells(f.root, "")...)...)
			first = ""
			for _, c := range f.children {
				g.row(append([]any{""}, discrepancyCells(c, "└ ")...)...)
			}
		}
	}
	if len(g.rows) == 0 {
		fmt.Fprintln(w, "no discrepancy that could be judged")
	}
	g.print(w)
	if left > 0 {
		printf(w, "Not listed: %s.\n", count(left, "comparison that is not evaluable", "comparisons that are not evaluable"))
	}
	printCounts(w, counts)
}

func printCounts(w io.Writer, c *trigonev1.DiscrepancyCounts) {
	if c == nil {
		return
	}
	printf(w, "Drawn from %s, %d with a plan in force; %d with a difference.\n",
		count(int(c.GetOperatedCaseCount()), "operated case", "operated cases"), c.GetPlannedCaseCount(), c.GetDifferingCaseCount())
	printf(w, "Primary differences %d, indeterminate %d, not evaluable %d. Left out: %s, %s.\n",
		c.GetRootCount(), c.GetIndeterminateCount(), c.GetNotEvaluableCount(),
		count(int(c.GetRetractedCaseCount()), "retracted case", "retracted cases"),
		count(int(c.GetRetractedSectionCount()), "retracted section", "retracted sections"))
	fmt.Fprintln(w, "A discrepancy is a difference between plan and outcome, not an error, and carries no blame.")
}

// reasonWord gives a reason's word: its enum value may be of several enums.
func reasonWord(name string) string {
	if _, word, found := strings.Cut(name, "_REASON_"); found {
		name = word
	}
	return strings.ToLower(name)
}
