package render

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"trigone/internal/metric"
	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Caution stands under an evaluation that carries none of its own.
const Caution = "Decision support for qualified staff, not a medical device. Clinical judgement, local protocols and licensed practice come first."

// suggestionsShown is how many suggestions are printed; the others are counted.
const suggestionsShown = 5

// EvaluationOptions say what is printed beside the usual.
type EvaluationOptions struct {
	// Title stands above; empty: none.
	Title string
	// Metrics also lists every computed value.
	Metrics bool
	// Measured also lists the computed and the measured values.
	Measured bool

	window bool // the window of the plan is told elsewhere on the page
}

// Evaluation prints an evaluation, what matters first: findings by severity with
// their sources, the prediction, the plan and its differences from the outcome with
// children under the primary one, what could not be judged, and if asked for the
// metrics by occasion.
func Evaluation(w io.Writer, e *trigonev1.Evaluation, o EvaluationOptions) {
	if o.Title != "" {
		fmt.Fprintln(w, o.Title)
	}
	wrapped(w, "", "", cmp.Or(e.GetCaution(), Caution))
	evaluation(w, e, o)
}

func evaluation(w io.Writer, e *trigonev1.Evaluation, o EvaluationOptions) {
	Findings(w, e)
	printPrediction(w, e, o.window)
	printPlan(w, e)
	printDiscrepancies(w, e)
	printGaps(w, e)
	printMetrics(w, e, o)
}

func printPlan(w io.Writer, e *trigonev1.Evaluation) {
	heading(w, "Plan")
	p := e.GetPlanInForce()
	g := newGrid("  ")
	inForce := "none"
	if p.GetRevision() > 0 {
		inForce = fmt.Sprintf("revision %d", p.GetRevision())
	}
	g.row("In force", inForce)
	g.row("Timing", cmp.Or(Word(p.GetTiming()), "not evaluable"))
	if p.GetExplanation() != "" {
		g.row("", p.GetExplanation())
	}
	g.row("Judged under", versions(e))
	g.print(w)
}

func versions(e *trigonev1.Evaluation) string {
	parts := []string{"catalogue " + cmp.Or(e.GetCatalogueVersion(), "not stated"), "rules " + cmp.Or(e.GetRuleSetVersion(), "not stated")}
	if h := e.GetPolicyHash(); h != "" {
		parts = append(parts, "policy "+h[:min(len(h), 12)])
	}
	parts = append(parts, cmp.Or(e.GetCalibrationId(), "uncalibrated"))
	if e.GetNumber() > 0 {
		parts = append(parts, fmt.Sprintf("evaluation %d", e.GetNumber()))
	}
	return strings.Join(parts, ", ")
}

func predicted(m *trigonev1.MetricValue) bool {
	return m.GetRole() == trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN ||
		m.GetRole() == trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_EXECUTION
}

// printMetrics prints the computed values by occasion, if asked for.
func printMetrics(w io.Writer, e *trigonev1.Evaluation, o EvaluationOptions) {
	heading(w, "Metrics")
	var occasions []string
	byOccasion := map[string][]*trigonev1.MetricValue{}
	leaves, blank, computed := 0, 0, 0
	for _, m := range e.GetMetrics() {
		_, isLeaf := metric.LeafByID(valve.ID(m.GetMetric()))
		switch {
		case predicted(m):
			continue
		case isLeaf && !o.Measured && m.GetState() != trigonev1.MetricState_METRIC_STATE_DISPUTED:
			leaves++
			continue
		case m.GetState() == trigonev1.MetricState_METRIC_STATE_NOT_EVALUABLE,
			m.GetState() == trigonev1.MetricState_METRIC_STATE_NOT_APPLICABLE:
			blank++
			continue
		}
		computed++
		if _, seen := byOccasion[m.GetOccasion()]; !seen {
			occasions = append(occasions, m.GetOccasion())
		}
		byOccasion[m.GetOccasion()] = append(byOccasion[m.GetOccasion()], m)
	}
	if !o.Metrics && !o.Measured {
		printf(w, "  Not printed: %s, %s, %s.\n", count(computed, "computed value", "computed values"), count(leaves, "measured value", "measured values"),
			count(blank, "metric without a value", "metrics without a value"))
		return
	}
	slices.SortStableFunc(occasions, func(a, b string) int { return cmp.Compare(occasionRank(a), occasionRank(b)) })
	g := newGrid("  ", "Occasion, quantity", "Place", "Value", "Unit", "±", "Grade, remark")
	g.most(1, 54)
	g.right(3)
	g.right(5)
	g.most(6, 20)
	for _, o := range occasions {
		g.row(occasion(o), "", "", "", "", "")
		for _, m := range byOccasion[o] {
			g.row(metricRow(m)...)
		}
	}
	g.print(w)
	if len(occasions) > 0 {
		wrapped(w, "  ", "  ", "± is one standard uncertainty; none stands where an input has no known one. A z is the distance from the middle of "+
			"the prediction in its standard deviations. A ratio has no unit.")
	} else {
		fmt.Fprintln(w, "  none")
	}
	var rest []string
	if leaves > 0 {
		rest = append(rest, count(leaves, "measured value", "measured values"))
	}
	if blank > 0 {
		rest = append(rest, count(blank, "metric without a value", "metrics without a value"))
	}
	if len(rest) > 0 {
		printf(w, "  Not listed: %s.\n", strings.Join(rest, ", "))
	}
	printInWords(w, e)
}

// worded are the metrics whose value is a place in an order of words: the word is
// what is read.
var worded = map[valve.ID]bool{metric.IDLowestBand: true, metric.IDHighestBand: true, metric.IDPrimaryStage: true}

func metricRow(m *trigonev1.MetricValue) []any {
	name := "  " + words.Capital(words.Spaced(m.GetMetric()))
	remark := words.Spaced(m.GetBand())
	if m.Value == nil {
		return []any{name, place(m.GetPlace()), "", "", "", cmp.Or(Word(m.GetAbsentReason()), m.GetExplanation())}
	}
	n := places(m.GetMetric(), m.GetValue())
	value, spread := number(m.GetValue(), n), ""
	if worded[valve.ID(m.GetMetric())] && remark != "" {
		value = ""
	}
	switch {
	case m.StandardUncertainty != nil:
		spread = number(m.GetStandardUncertainty(), max(n, 1))
	case m.Lower != nil && m.Upper != nil:
		value = number(m.GetLower(), n) + " to " + number(m.GetUpper(), n)
	}
	if m.GetState() == trigonev1.MetricState_METRIC_STATE_DISPUTED {
		remark = "disputed"
	}
	return []any{name, place(m.GetPlace()), value, unitText(m.GetUnit()), spread, remark}
}

// sections are the beginnings of occasions, in the order of a case.
var sections = []string{"identity", "assessment", "plan", "operation", "result", "follow_up"}

// occasionRank puts occasions into the order of a case; what it does not know comes
// last.
func occasionRank(o string) int {
	if i := slices.IndexFunc(sections, func(section string) bool { return strings.HasPrefix(o, section) }); i >= 0 {
		return i
	}
	return len(sections)
}

func occasion(o string) string {
	if o == "" {
		return "whole case"
	}
	section, id, found := strings.Cut(o, "/")
	if !found {
		return words.Spaced(section)
	}
	if section == "operation" {
		return "operation, " + strings.NewReplacer("run", "run ", "/", ", ", "_", " ").Replace(id)
	}
	return words.Spaced(section) + " " + id
}

// place prints a place of the grammar: p2, a2_p2, lateral_commissure.
func place(p string) string {
	head, tail, _ := strings.Cut(p, "/")
	if id, ok := strings.CutPrefix(head, "step:"); ok {
		head = id
	} else if id, ok := strings.CutPrefix(head, "test:"); ok {
		head = id
	} else if id, ok := strings.CutPrefix(head, "lesion:"); ok {
		head = id
	} else {
		head = placeWords(head)
	}
	if tail != "" && tail != "segment_mid" {
		for part := range strings.SplitSeq(tail, "/") {
			head += ", " + placeWords(part)
		}
	}
	return head
}

func placeWords(s string) string {
	if len(s) >= 2 && (s[0] == 'a' || s[0] == 'p') && s[1] >= '1' && s[1] <= '3' {
		return strings.ToUpper(strings.ReplaceAll(s, "_", "-"))
	}
	return words.Spaced(s)
}

// Arranged are the findings of one severity.
type Arranged struct {
	Severity trigonev1.Severity
	Findings []ArrangedFinding
}

// ArrangedFinding is a finding with those that stand under it.
type ArrangedFinding struct {
	*trigonev1.Finding
	// Cause is what may have caused it and is the weaker of the two; nil: nothing.
	Cause *trigonev1.Finding
	Under []*trigonev1.Finding
}

// ArrangedFindings gives findings by severity, children under their root unless it is
// the weaker of the two: a weaker root hides no stronger finding.
func ArrangedFindings(e *trigonev1.Evaluation) []Arranged {
	byID := map[string]*trigonev1.Finding{}
	for _, f := range e.GetFindings() {
		byID[f.GetId()] = f
	}
	var out []Arranged
	for _, s := range []trigonev1.Severity{trigonev1.Severity_SEVERITY_CONTRADICTION, trigonev1.Severity_SEVERITY_CAUTION, trigonev1.Severity_SEVERITY_NOTE} {
		group, found := Arranged{Severity: s}, false
		var list []*trigonev1.Finding
		for _, f := range e.GetFindings() {
			if f.GetSeverity() == s {
				list, found = append(list, f), true
			}
		}
		slices.SortStableFunc(list, func(a, b *trigonev1.Finding) int {
			return cmp.Or(-compareBool(a.GetFinalState(), b.GetFinalState()), cmp.Compare(occasionRank(a.GetOccasion()), occasionRank(b.GetOccasion())))
		})
		for _, f := range list {
			root, under := byID[f.GetRoot()]
			under = under && f.GetRoot() != ""
			if under && root.GetSeverity() <= f.GetSeverity() {
				continue
			}
			one := ArrangedFinding{Finding: f}
			if under {
				one.Cause = root
			}
			for _, child := range e.GetFindings() {
				if child.GetRoot() == f.GetId() && f.GetId() != "" && f.GetSeverity() <= child.GetSeverity() {
					one.Under = append(one.Under, child)
				}
			}
			group.Findings = append(group.Findings, one)
		}
		if found {
			out = append(out, group)
		}
	}
	return out
}

// Findings prints findings by severity, children under their root unless it is
// the weaker of the two, with the sources they cite.
func Findings(w io.Writer, e *trigonev1.Evaluation) {
	heading(w, "Findings: "+Count(e).findings())
	numbers := newCitations(e)
	for _, group := range ArrangedFindings(e) {
		printf(w, "  %s\n", words.Capital(Word(group.Severity)))
		for _, f := range group.Findings {
			printFinding(w, f.Finding, "    ", numbers)
			if f.Cause != nil {
				wrapped(w, "      ", "      ", "What may have caused it: "+words.Spaced(f.Cause.GetRule())+".")
			}
			for _, child := range f.Under {
				printFinding(w, child, "      └ ", numbers)
			}
		}
	}
	numbers.print(w)
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

// FindingWhere says of what a finding speaks, and how it is named where it is confirmed.
func FindingWhere(f *trigonev1.Finding) string {
	where := []string{occasion(f.GetOccasion())}
	if p := place(f.GetPlace()); p != "" {
		where = append(where, p)
	}
	if f.GetRun() > 0 && !strings.Contains(f.GetOccasion(), "run") {
		where = append(where, fmt.Sprintf("run %d", f.GetRun()))
	}
	if f.GetFinalState() {
		where = append(where, "final state")
	}
	if f.GetConfirmed() {
		where = append(where, "confirmed by a reviewer")
	}
	if f.GetSeverity() == trigonev1.Severity_SEVERITY_CONTRADICTION || f.GetKind() == trigonev1.RuleKind_RULE_KIND_SLIP {
		where = append(where, "finding "+f.GetId()) // by which it is confirmed
	}
	return strings.Join(where, ", ")
}

func printFinding(w io.Writer, f *trigonev1.Finding, lead string, numbers *citations) {
	body := strings.Repeat(" ", len([]rune(lead))+2)
	wrapped(w, lead, body, words.Spaced(f.GetRule())+"  ("+FindingWhere(f)+")")
	wrapped(w, body, body, f.GetMessage())
	if f.GetAdvice() != "" {
		wrapped(w, body, body, f.GetAdvice())
	}
	var limits []string
	for _, l := range f.GetLimits() {
		limits = append(limits, limitText(l))
	}
	tail := ""
	if len(limits) > 0 {
		tail = "Limit " + strings.Join(limits, "; ") + ". "
	}
	if c := numbers.cite(f.GetSource()); c != "" {
		tail += "Source " + c + "."
	}
	if tail != "" {
		wrapped(w, body, body, strings.TrimSpace(tail))
	}
}

// citations numbers the sources in the order in which they are first cited.
type citations struct {
	byID  map[string]*trigonev1.Source
	order []string
}

func newCitations(e *trigonev1.Evaluation) *citations {
	c := &citations{byID: map[string]*trigonev1.Source{}}
	for _, s := range e.GetSources() {
		c.byID[s.GetId()] = s
	}
	return c
}

func (c *citations) cite(id string) string {
	if n := c.number(id); n > 0 {
		return fmt.Sprintf("[%d]", n)
	}
	return ""
}

// number gives that of a source; 0: none is named.
func (c *citations) number(id string) int {
	if id == "" {
		return 0
	}
	i := slices.Index(c.order, id)
	if i < 0 {
		c.order = append(c.order, id)
		i = len(c.order) - 1
	}
	return i + 1
}

func (c *citations) print(w io.Writer) {
	if len(c.order) == 0 {
		return
	}
	fmt.Fprintln(w, "  Sources")
	for i, id := range c.order {
		s := c.byID[id]
		line := cmp.Or(s.GetCitation(), id)
		wrapped(w, fmt.Sprintf("    [%d] ", i+1), "        ", line)
	}
}

func printGaps(w io.Writer, e *trigonev1.Evaluation) {
	told, suggestions := Gaps(e)
	heading(w, "Not evaluable")
	wrapped(w, "  ", "  ", told)
	for i, s := range suggestions {
		if i == suggestionsShown {
			printf(w, "  %s more.\n", count(len(suggestions)-i, "suggestion", "suggestions"))
			break
		}
		wrapped(w, "  - ", "    ", s)
	}
}

// sameSuggestions puts suggestions into words; what would be given by the same
// numbers of several occasions is said once.
func sameSuggestions(list []*trigonev1.Suggestion) []string {
	var order []string
	occasions := map[string][]string{}
	for _, s := range list {
		text := "With " + listed(s.GetMissing(), s.GetOccasion()) + "%s you would also get " + missing(s.GetMetrics()) + "."
		if _, seen := occasions[text]; !seen {
			order = append(order, text)
		}
		occasions[text] = append(occasions[text], occasionIfAny(s.GetOccasion())...)
	}
	for i, text := range order {
		at := ""
		if named := occasions[text]; len(named) > 0 {
			at = " (" + words.And(named) + ")"
		}
		order[i] = strings.Replace(text, "%s", at, 1)
	}
	return order
}

func occasionIfAny(o string) []string {
	if o == "" {
		return nil
	}
	return []string{occasion(o)}
}

// missing lists what is missing, in words.
func missing(names []string) string { return listed(names, "") }

// listed lists names in words, each a leaf or a metric alone or as "leaf at place
// of occasion"; an occasion equal to known is left out.
func listed(names []string, known string) string {
	texts := make([]string, len(names))
	for i, n := range names {
		texts[i] = missingText(n, known)
	}
	return words.And(texts)
}

func missingText(name, known string) string {
	name, at, _ := strings.Cut(name, " of ")
	name, where, _ := strings.Cut(name, " at ")
	s := words.Spaced(name)
	if p := place(where); p != "" {
		s += " at " + p
	}
	if at != "" && at != known {
		s += " of " + occasion(at)
	}
	return s
}
