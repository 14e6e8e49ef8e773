package render

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/jedib0t/go-pretty/v6/text"

	"trigone/internal/convert"
	"trigone/internal/metric"
	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// listedVariants is how many variants are printed of an order that was named; the
// file holds them all.
const listedVariants = 40

// axisColumns is the widest name of an axis, in columns.
const axisColumns = 44

// Marks of a variant, by the worst rule that it breaks.
const (
	markClear         = "."
	markNote          = "n"
	markCaution       = "C"
	markContradiction = "X"
	markNotEvaluable  = "?"
	markPlanned       = "*"
)

// ExplorationOrder is the order that the caller named; no metric: grid order.
type ExplorationOrder struct {
	Metric, Place string
	Descending    bool
}

// Exploration gathers the answers of an exploration as they come. A page shows the
// plan as it is, the variants by axis with mark and predicted range, and the rules
// behind the marks; a CSV file has one line for each variant. No variant is called
// best.
type Exploration struct {
	evaluation *trigonev1.Evaluation // of the plan as it is
	order      ExplorationOrder
	basis      *trigonev1.ExplorationBasis
	done       int
	total      int
	variants   []variant // as they came
	rules      map[ruleKey]*brokenRule
}

// variant is what is kept of a variant; thousands of messages would be much.
type variant struct {
	index   int
	values  []*trigonev1.AxisValue
	metrics []*trigonev1.VariantMetric
	broken  []*brokenRule // most severe first, each once
	gaps    []string
	added   []string // rules that the plan as it is does not break there
}

type ruleKey struct {
	rule     string
	severity trigonev1.Severity
}

// brokenRule is a rule that variants break.
type brokenRule struct {
	ruleKey
	first    int    // index of the first variant in grid order
	message  string // of that variant
	variants int
	number   int
}

// NewExploration begins with the evaluation of the plan as it is, which gives the
// planning window.
func NewExploration(e *trigonev1.Evaluation, order ExplorationOrder) *Exploration {
	return &Exploration{evaluation: e, order: order, rules: map[ruleKey]*brokenRule{}}
}

// Take takes the next answer.
func (x *Exploration) Take(r *trigonev1.ExplorePlansResponse) {
	x.done, x.total = int(r.GetProgress().GetDone()), int(r.GetProgress().GetTotal())
	if r.GetBasis() != nil {
		x.basis = r.GetBasis()
	}
	v := r.GetVariant()
	if v == nil {
		return
	}
	kept := variant{index: int(v.GetIndex()), values: v.GetValues(), metrics: v.GetMetrics(), gaps: v.GetRulesNotEvaluable()}
	for _, f := range v.GetFindings() {
		key := ruleKey{f.GetRule(), f.GetSeverity()}
		b := x.rules[key]
		if b == nil {
			b = &brokenRule{ruleKey: key, first: kept.index, message: f.GetMessage()}
			x.rules[key] = b
		}
		if kept.index < b.first {
			b.first, b.message = kept.index, f.GetMessage()
		}
		if !slices.Contains(kept.broken, b) {
			kept.broken = append(kept.broken, b)
			b.variants++
		}
		if f.GetAdded() && !slices.Contains(kept.added, b.rule) {
			kept.added = append(kept.added, b.rule)
		}
	}
	x.variants = append(x.variants, kept)
}

// Progress gives how many variants are calculated, and of how many.
func (x *Exploration) Progress() (done, total int) { return x.done, x.total }

// Print writes the page.
func (x *Exploration) Print(w io.Writer) {
	wrapped(w, "", "", cmp.Or(x.basis.GetCaution(), Caution))
	x.number()
	x.printPlan(w)
	label := metric.UncalibratedLabel
	if id := x.basis.GetCalibrationId(); id != "" {
		label = metric.CalibratedLabel(id)
	}
	heading(w, fmt.Sprintf("%s: predicted coaptation length of A2-P2 in mm (%s)", words.Capital(count(len(x.variants), "variant", "variants")), label))
	if !x.predicts() {
		fmt.Fprintln(w, "  No contact is predicted for any variant, see below for why; the marks stand alone.")
	}
	if x.order.Metric != "" {
		x.printOrder(w)
	} else {
		x.printTables(w)
	}
	x.printLegend(w)
	x.printRules(w)
	x.printOpen(w)
}

// predicts says whether any variant has a range.
func (x *Exploration) predicts() bool {
	return slices.ContainsFunc(x.variants, func(v variant) bool { return contactOf(v.metrics).why == "" })
}

// number numbers the broken rules, the most severe first, then those that most
// variants break.
func (x *Exploration) number() {
	for i, b := range x.brokenRules() {
		b.number = i + 1
	}
}

func (x *Exploration) brokenRules() []*brokenRule {
	return slices.SortedFunc(maps.Values(x.rules), func(a, b *brokenRule) int {
		return cmp.Or(cmp.Compare(a.severity, b.severity), -cmp.Compare(a.variants, b.variants), cmp.Compare(a.rule, b.rule))
	})
}

func (x *Exploration) printPlan(w io.Writer) {
	heading(w, "The plan as it is")
	p := x.basis.GetPlan()
	g := newGrid("  ")
	const contactLabel = "Predicted coaptation length, A2-P2"
	for i, a := range x.basis.GetAxes() {
		name := axisName(a)
		g.row(name, x.planValue(a, p.GetValues()[i]))
	}
	g.most(1, axisColumns)
	reach := contactOf(p.GetMetrics())
	if reach.why != "" {
		g.row(contactLabel, reach.word+": "+reach.why)
	} else {
		g.row(contactLabel, strings.TrimSpace(reach.word+" "+reach.unit))
	}
	var rules []string
	for _, f := range p.GetFindings() {
		if text := fmt.Sprintf("%s (%s)", f.GetRule(), Word(f.GetSeverity())); !slices.Contains(rules, text) {
			rules = append(rules, text)
		}
	}
	g.row("Rules it breaks", cmp.Or(strings.Join(rules, ", "), "none that can be judged"))
	g.row("Rules that cannot be judged", len(p.GetRulesNotEvaluable()))
	g.row("Judged under", x.versions())
	g.print(w)
	x.printWindow(w)
	for _, r := range x.basis.GetRemarks() {
		wrapped(w, "  Remark: ", "    ", r+".")
	}
}

// versions names what the variants were judged under.
func (x *Exploration) versions() string {
	return versions(&trigonev1.Evaluation{
		CatalogueVersion: x.basis.GetCatalogueVersion(), RuleSetVersion: x.basis.GetRuleSetVersion(),
		PolicyHash: x.basis.GetPolicyHash(), CalibrationId: x.basis.GetCalibrationId(),
	})
}

func (x *Exploration) printWindow(w io.Writer) {
	why := ""
	for _, m := range x.evaluation.GetMetrics() {
		if !slices.Contains(windowMetrics, m.GetMetric()) || m.GetOccasion() != string(valve.AtPlan) {
			continue
		}
		if m.Value != nil {
			printWindow(w, x.evaluation)
			return
		}
		why = cmp.Or(why, missingOr(m))
	}
	if why != "" {
		wrapped(w, "  ", "  ", "No planning window: "+why+".")
		return
	}
	fmt.Fprintln(w, "  No planning window: the plan has no target of coaptation, or nothing is predicted from it.")
}

func missingOr(m *trigonev1.MetricValue) string {
	if len(m.GetMissing()) > 0 {
		return "missing " + missing(m.GetMissing())
	}
	return cmp.Or(m.GetExplanation(), Word(m.GetState()))
}

// contact is the predicted contact of a variant as text; without a range why says
// the reason.
type contact struct{ low, high, word, unit, why string }

// contactOf gives the contact of the middle slice: always a range, never one value.
func contactOf(list []*trigonev1.VariantMetric) contact {
	i := slices.IndexFunc(list, func(m *trigonev1.VariantMetric) bool {
		return m.GetMetric() == metric.IDPredictedContact && m.GetPlace() == string(valve.A2P2)
	})
	if i < 0 {
		return contact{word: "no prediction", why: "the model needs final heights of A2 and P2 and a planned ring"}
	}
	return rangeOf(list[i])
}

func rangeOf(m *trigonev1.VariantMetric) contact {
	switch {
	case m.Value == nil:
		return contact{word: Word(m.GetState()), why: cmp.Or(missingOrWhy(m.GetExplanation()), "no reason is given")}
	case m.Lower == nil || m.Upper == nil:
		return contact{word: "no range", why: "an input has no known uncertainty"}
	}
	n := places(m.GetMetric(), m.GetValue())
	c := contact{low: number(m.GetLower(), n), high: number(m.GetUpper(), n), unit: unitText(m.GetUnit())}
	c.word = c.low + " to " + c.high
	return c
}

// missingOrWhy gives what is missing in words, or else the explanation.
func missingOrWhy(explanation string) string {
	names, found := strings.CutPrefix(explanation, "missing: ")
	if !found {
		return explanation
	}
	names, _, _ = strings.Cut(names, "; ") // what else must be known is for a value that is there
	return "missing " + missing(strings.Split(names, ", "))
}

// axisName names an axis by what it sets and where.
func axisName(a *trigonev1.AxisDescription) string {
	return words.Capital(cmp.Or(words.Spaced(strings.Join(a.GetLeaves(), " and ")), "ring")) + ", " + place(a.GetPlace())
}

func isRing(a *trigonev1.AxisDescription) bool { return len(a.GetLeaves()) == 0 }

// planned gives the length that an axis replaces. Of a height that the plan does
// not state there it is the final height that follows from the plan.
func (x *Exploration) planned(a *trigonev1.AxisDescription, v *trigonev1.AxisValue) (mm float64, stated, known bool) {
	if v.Mm != nil {
		return v.GetMm(), true, true
	}
	for _, m := range x.basis.GetPlan().GetMetrics() {
		if m.GetMetric() == metric.IDFinalPosteriorHeight && m.Value != nil && slices.Equal(a.GetLeaves(), []string{string(valve.LeafletHeight)}) {
			if segment, _, _ := strings.Cut(a.GetPlace(), "/"); segment == m.GetPlace() {
				return m.GetValue(), false, true
			}
		}
	}
	return 0, false, false
}

// planValue gives the value that an axis replaces, in words.
func (x *Exploration) planValue(a *trigonev1.AxisDescription, v *trigonev1.AxisValue) string {
	if !isRing(a) {
		switch mm, stated, known := x.planned(a, v); {
		case stated:
			return quantity(mm, decimals(mm), "mm")
		case known:
			return quantity(mm, decimals(mm), "mm") + ", as it follows from the rest of the plan"
		}
		return "not stated in the plan"
	}
	r := v.GetRing()
	parts := []string{strings.TrimSpace(Word(r.GetKind()) + " " + r.GetFamilyKey())}
	add := func(format string, v *float64) {
		if v != nil {
			parts = append(parts, fmt.Sprintf(format, number(*v, decimals(*v))))
		}
	}
	add("label %s", r.Label)
	add("inner antero-posterior diameter %s mm", r.InnerAnteroPosteriorMm)
	add("inner transverse diameter %s mm", r.InnerTransverseMm)
	add("orifice area %s cm²", r.OrificeAreaCm2)
	add("band length %s mm", r.BandLengthMm)
	return strings.TrimPrefix(strings.Join(parts, ", "), ", ")
}

// scale is an axis with its values as they head rows and columns.
type scale struct {
	name   string
	title  string // the name, and what the numbers are
	unit   string // of one of them alone
	values []string
	now    []bool // is what the plan says as it is
}

// scales reads the values of every axis from the variants.
func (x *Exploration) scales() []scale {
	axes := x.basis.GetAxes()
	values := make([][]*trigonev1.AxisValue, len(axes))
	for i, a := range axes {
		values[i] = make([]*trigonev1.AxisValue, a.GetCount())
	}
	for _, v := range x.variants {
		for i := range axes {
			values[i][x.choices(v.index)[i]] = v.values[i]
		}
	}
	list := make([]scale, len(axes))
	for i, a := range axes {
		now := x.basis.GetPlan().GetValues()[i]
		if isRing(a) {
			list[i] = ringScale(a, values[i], now.GetRing())
			continue
		}
		n := 0
		for _, v := range values[i] {
			n = max(n, decimals(v.GetMm()))
		}
		list[i].name, list[i].title, list[i].unit = axisName(a), axisName(a)+", mm", " mm"
		mm, _, known := x.planned(a, now)
		for _, v := range values[i] {
			list[i].values = append(list[i].values, number(v.GetMm(), n))
			list[i].now = append(list[i].now, known && mm == v.GetMm())
		}
	}
	return list
}

// ringScale heads rings by the label, with the diameter where it is known, or by
// the dimensions alone.
func ringScale(a *trigonev1.AxisDescription, list []*trigonev1.AxisValue, now *trigonev1.ExploredRing) scale {
	families, across, diameter := map[string]bool{}, false, ""
	for _, v := range list {
		families[v.GetRing().GetFamilyKey()] = true
		if v.GetRing().InnerAnteroPosteriorMm != nil {
			diameter = " (inner antero-posterior diameter, mm)"
		}
		across = across || v.GetRing().InnerTransverseMm != nil && v.GetRing().GetFamilyKey() == ""
	}
	s := scale{name: axisName(a), title: axisName(a)}
	switch {
	case len(families) > 1:
		s.title += ", family and label" + diameter
	case !families[""]:
		s.title += ", label of " + list[0].GetRing().GetFamilyKey() + diameter
	case across:
		s.title += ", inner antero-posterior x transverse diameter, mm"
	default:
		s.title += ", inner antero-posterior diameter, mm"
	}
	n := 0
	for _, v := range list {
		n = max(n, decimals(v.GetRing().GetInnerAnteroPosteriorMm()))
	}
	exact := func(v *float64, n int) string {
		if v == nil {
			return "unknown"
		}
		return number(*v, max(n, decimals(*v)))
	}
	for _, v := range list {
		r := v.GetRing()
		same := func(a, b *float64) bool { return a != nil && b != nil && *a == *b }
		if r.GetFamilyKey() == "" {
			head := exact(r.InnerAnteroPosteriorMm, n)
			if across {
				head += " x " + exact(r.InnerTransverseMm, 0)
			}
			s.values = append(s.values, head)
			s.now = append(s.now, same(r.InnerAnteroPosteriorMm, now.InnerAnteroPosteriorMm) &&
				(r.InnerTransverseMm == nil || same(r.InnerTransverseMm, now.InnerTransverseMm)))
			continue
		}
		head := exact(r.Label, 0)
		if len(families) > 1 {
			head = r.GetFamilyKey() + " " + head
		}
		if r.InnerAnteroPosteriorMm != nil {
			head += " (" + exact(r.InnerAnteroPosteriorMm, n) + ")"
		}
		s.values = append(s.values, head)
		s.now = append(s.now, r.GetFamilyKey() == now.GetFamilyKey() && same(r.Label, now.Label))
	}
	return s
}

// choices gives which value of each axis a variant has: the last axis changes
// fastest.
func (x *Exploration) choices(index int) []int {
	axes := x.basis.GetAxes()
	list := make([]int, len(axes))
	for i := len(axes) - 1; i >= 0; i-- {
		n := int(axes[i].GetCount())
		list[i], index = index%n, index/n
	}
	return list
}

// openEverywhere gives the rules that cannot be judged of any variant although
// they can of the plan as it is. They belong to the axes, not to a variant: they
// are told once, so that the marks show what differs.
func (x *Exploration) openEverywhere() []string {
	if len(x.variants) == 0 {
		return nil
	}
	list := slices.Clone(x.variants[0].gaps)
	for _, v := range x.variants[1:] {
		list = slices.DeleteFunc(list, func(r string) bool { return !slices.Contains(v.gaps, r) })
	}
	return list
}

// mark gives the mark of a variant, of which so many rules are open everywhere.
func (v variant) mark(everywhere int) string {
	m := markClear
	if len(v.broken) > 0 {
		m = severityMark(v.broken[0].severity)
	}
	switch {
	case len(v.gaps) == everywhere:
		return m
	case m == markClear:
		return markNotEvaluable
	}
	return m + markNotEvaluable
}

func severityMark(s trigonev1.Severity) string {
	switch s {
	case trigonev1.Severity_SEVERITY_CONTRADICTION:
		return markContradiction
	case trigonev1.Severity_SEVERITY_CAUTION:
		return markCaution
	}
	return markNote
}

// cells gives every variant as mark and range, ranges under each other, and the
// columns of the marks. Where no variant has a range, its word would only repeat
// itself.
func (x *Exploration) cells() (cells map[int]string, marks int) {
	list := make([]contact, len(x.variants))
	open := len(x.openEverywhere())
	var low, high int
	some := x.predicts()
	for i, v := range x.variants {
		list[i] = contactOf(v.metrics)
		marks, low, high = max(marks, len(v.mark(open))), max(low, len(list[i].low)), max(high, len(list[i].high))
	}
	cells = make(map[int]string, len(list))
	for i, v := range x.variants {
		c := fmt.Sprintf("%-*s", marks, v.mark(open))
		switch {
		case list[i].why == "":
			c += fmt.Sprintf(" %*s to %*s", low, list[i].low, high, list[i].high)
		case some:
			c += " " + list[i].word
		}
		cells[v.index] = c
	}
	return cells, marks
}

func (x *Exploration) printTables(w io.Writer) {
	scales := x.scales()
	cells, marks := x.cells()
	rows := scales[0]
	columns := scale{values: []string{"95 % range"}, now: []bool{false}}
	if !x.predicts() {
		columns.values[0] = ""
	}
	wrapped(w, "  Down:   ", "          ", rows.title+".")
	if len(scales) > 1 {
		columns = scales[1]
		wrapped(w, "  Across: ", "          ", columns.title+".")
	}
	inner := 1 // variants for each cell of a table: those of the further axes
	for _, s := range scales[min(2, len(scales)):] {
		inner *= len(s.values)
	}
	wide := 0
	for _, c := range cells {
		wide = max(wide, text.StringWidth(c))
	}
	aboveRange := strings.Repeat(" ", marks+1)
	for i := range columns.values {
		wide = max(wide, text.StringWidth(aboveRange+columns.head(i)))
	}
	lead := 0
	for i := range rows.values {
		lead = max(lead, text.StringWidth(rows.head(i)))
	}
	// Tables of about equal width, as few as possible.
	fit := max((pageWidth(w)-len(gap)-lead)/(wide+len(gap)), 1)
	tables := (len(columns.values) + fit - 1) / fit
	each := (len(columns.values) + tables - 1) / tables
	for further := range inner {
		fmt.Fprintln(w)
		if len(scales) > 2 {
			choice := x.choices(further)
			var at []string
			for i, s := range scales[2:] {
				at = append(at, s.name+": "+s.alone(choice[i+2]))
			}
			wrapped(w, "  ", "    ", strings.Join(at, "; "))
		}
		for from := 0; from < len(columns.values); from += each {
			if from > 0 {
				fmt.Fprintln(w)
			}
			upTo := min(from+each, len(columns.values))
			header := []any{""}
			for i := from; i < upTo; i++ {
				header = append(header, aboveRange+columns.head(i))
			}
			g := newGrid("  ", header...)
			for r := range rows.values {
				row := []any{rows.padded(r)}
				for c := from; c < upTo; c++ {
					row = append(row, cells[(r*len(columns.values)+c)*inner+further])
				}
				g.row(row...)
			}
			g.right(1)
			g.print(w)
		}
	}
}

// head is a value with the mark of the plan as it is.
func (s scale) head(i int) string {
	if s.now[i] {
		return s.values[i] + markPlanned
	}
	return s.values[i]
}

// alone is a value that stands in a sentence.
func (s scale) alone(i int) string {
	if s.now[i] {
		return s.values[i] + s.unit + " " + markPlanned
	}
	return s.values[i] + s.unit
}

// padded is a head whose number stands under the others.
func (s scale) padded(i int) string {
	if !s.now[i] && slices.Contains(s.now, true) {
		return s.values[i] + " "
	}
	return s.head(i)
}

// printOrder lists the variants in the order that the caller named, every broken
// rule beside them.
func (x *Exploration) printOrder(w io.Writer) {
	direction := "smallest"
	if x.order.Descending {
		direction = "largest"
	}
	where := ""
	if x.order.Place != "" {
		where = " at " + place(x.order.Place)
	}
	wrapped(w, "  ", "  ", fmt.Sprintf("In the order asked for, %s first of %s%s; variants without a value last, equal ones in grid order. "+
		"A larger or smaller number is not a better plan.", direction, words.Spaced(x.order.Metric), where))
	scales := x.scales()
	cells, _ := x.cells()
	byContact := x.order.Metric == metric.IDPredictedContact
	header := []any{"No."}
	for i, s := range scales {
		wrapped(w, fmt.Sprintf("  [%d] ", i+1), "      ", s.title+".")
		header = append(header, fmt.Sprintf("[%d]", i+1))
	}
	fmt.Fprintln(w)
	header = append(header, "Mark, contact")
	if !byContact {
		header = append(header, "Order by")
	}
	header = append(header, "Rules broken")
	g := newGrid("  ", header...)
	g.right(1)
	for i, s := range scales {
		if s.unit != "" {
			g.right(i + 2)
		}
	}
	g.most(len(header), 36)
	for i, v := range x.variants {
		if i == listedVariants {
			break
		}
		row := []any{i + 1}
		for j, c := range x.choices(v.index) {
			row = append(row, scales[j].padded(c))
		}
		row = append(row, cells[v.index])
		if !byContact {
			row = append(row, x.criterion(v))
		}
		var numbers []string
		for _, b := range v.broken {
			numbers = append(numbers, fmt.Sprintf("%s%d", severityMark(b.severity), b.number))
		}
		g.row(append(row, strings.Join(numbers, " "))...)
	}
	g.print(w)
	if rest := len(x.variants) - listedVariants; rest > 0 {
		printf(w, "  %s more; --csv writes all of them in this order.\n", count(rest, "variant", "variants"))
	}
}

// criterion gives the value that a variant stands by: of a prediction its range.
func (x *Exploration) criterion(v variant) string {
	for _, m := range v.metrics {
		if m.GetMetric() != x.order.Metric || x.order.Place != "" && m.GetPlace() != x.order.Place {
			continue
		}
		if m.Value != nil && !isPrediction(m) {
			return quantity(m.GetValue(), places(m.GetMetric(), m.GetValue()), m.GetUnit())
		}
		r := rangeOf(m)
		return strings.TrimSpace(r.word + " " + r.unit)
	}
	return "no value"
}

func isPrediction(m *trigonev1.VariantMetric) bool {
	return m.GetRole() == trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN
}

func (x *Exploration) printLegend(w io.Writer) {
	have := map[string]bool{}
	word := map[string]string{}
	without := map[string]int{}
	everywhere := x.openEverywhere()
	gaps := false
	for _, v := range x.variants {
		for _, m := range v.mark(len(everywhere)) {
			have[string(m)] = true
		}
		c := contactOf(v.metrics)
		if c.why != "" {
			without[c.why]++
			word[c.why] = c.word
		}
		gaps = gaps || strings.HasPrefix(c.low, "-")
	}
	none := "clear: breaks no rule that can be judged"
	if n := len(everywhere); n > 0 {
		none += fmt.Sprintf("; %s cannot be judged of any variant, see the end", count(n, "rule", "rules"))
	}
	fmt.Fprintln(w)
	g := newGrid("  ")
	for _, l := range [][2]string{
		{markClear, none},
		{markNote, "note is the worst that a broken rule says: local or expert view, or a limit from memory"},
		{markCaution, "caution is the worst: a limit from a source that was read, or plain safety"},
		{markContradiction, "contradiction: arithmetic, geometry, time or definition forbid it; the values that it disputes are left out of the prediction"},
		{markNotEvaluable, "not evaluable: a rule that can be judged of the plan as it is, and of other variants, cannot be judged, for want of an input"},
	} {
		if have[l[0]] {
			g.row(l[0], l[1])
		}
	}
	if slices.ContainsFunc(x.scales(), func(s scale) bool { return slices.Contains(s.now, true) }) {
		g.row(markPlanned, "as in the plan")
	}
	g.print(w)
	for _, why := range slices.Sorted(maps.Keys(without)) {
		wrapped(w, "  ", "    ", fmt.Sprintf("%s (%s): %s.", words.Capital(word[why]), count(without[why], "variant", "variants"), why))
	}
	if gaps {
		fmt.Fprintln(w, "  A contact below 0 is a gap.")
	}
	wrapped(w, "  ", "  ", "The marks are the rules'; the range stands beside them, to be read against the plan's own target. "+
		"Each range is for one observation in one patient. No variant is called best: more contact comes with a taller posterior "+
		"leaflet or a smaller ring, and both have harms of their own.")
}

func (x *Exploration) printRules(w io.Writer) {
	heading(w, "Rules behind the marks")
	if len(x.rules) == 0 {
		fmt.Fprintln(w, "  none is broken")
	}
	planned := map[string]bool{}
	for _, f := range x.basis.GetPlan().GetFindings() {
		planned[f.GetRule()] = true
	}
	for _, b := range x.brokenRules() {
		also := ""
		if planned[b.rule] {
			also = "; the plan as it is too"
		}
		lead := fmt.Sprintf("  %-4s", fmt.Sprintf("%s%d", severityMark(b.severity), b.number))
		wrapped(w, lead, "      ", fmt.Sprintf("%s  (%d of %s%s)", b.rule, b.variants, count(len(x.variants), "variant", "variants"), also))
		wrapped(w, "      ", "      ", "First: "+b.message)
	}
	if list := x.basis.GetFindingsBesidePlan(); len(list) > 0 {
		wrapped(w, "  ", "    ", "Whatever the plan says the case breaks "+besides(list)+"; evaluate tells them whole.")
	}
}

// besides lists the rules that are broken beside the plan.
func besides(list []*trigonev1.Finding) string {
	var rules []string
	for _, f := range list {
		if text := fmt.Sprintf("%s (%s)", f.GetRule(), Word(f.GetSeverity())); !slices.Contains(rules, text) {
			rules = append(rules, text)
		}
	}
	return strings.Join(rules, ", ")
}

// printOpen says which rules variants leave open.
func (x *Exploration) printOpen(w io.Writer) {
	open := map[string]int{}
	for _, v := range x.variants {
		for _, r := range v.gaps {
			open[r]++
		}
	}
	if len(open) == 0 {
		return
	}
	heading(w, "Rules that cannot be judged of variants, though they can of the plan as it is")
	for _, r := range slices.Sorted(maps.Keys(open)) {
		wrapped(w, "  "+markNotEvaluable+"   ", "      ", fmt.Sprintf("%s  (%d of %s)", r, open[r], count(len(x.variants), "variant", "variants")))
	}
}

// CSV writes one line for each variant, in the order in which they came: index in
// grid order, value of each axis, metrics on the catalogue's grid (of a prediction
// both ends of its range, and no single value), the worst severity, and the rules
// broken by severity. What has no value is empty.
func (x *Exploration) CSV(w io.Writer) error {
	out := newSheet(w)
	columns := x.columns()
	header := []string{"index"}
	for _, a := range x.basis.GetAxes() {
		header = append(header, axisFieldNames(a)...)
	}
	for _, c := range columns {
		header = append(header, c.names()...)
	}
	header = append(header, "worst_severity", "contradictions", "cautions", "notes", "rules_not_broken_by_the_plan_as_it_is", "rules_not_evaluable")
	if err := out.row(header); err != nil {
		return err
	}
	for _, v := range x.variants {
		row := []string{strconv.Itoa(v.index)}
		for i, a := range x.basis.GetAxes() {
			row = append(row, axisFields(a, v.values[i])...)
		}
		for _, c := range columns {
			row = append(row, c.fields(v.metrics)...)
		}
		row = append(row, v.worst())
		for _, s := range []trigonev1.Severity{trigonev1.Severity_SEVERITY_CONTRADICTION, trigonev1.Severity_SEVERITY_CAUTION, trigonev1.Severity_SEVERITY_NOTE} {
			row = append(row, strings.Join(v.of(s), "; "))
		}
		if err := out.row(append(row, strings.Join(v.added, "; "), strings.Join(v.gaps, "; "))); err != nil {
			return err
		}
	}
	return out.end()
}

// worst gives the word of the worst rule that a variant breaks.
func (v variant) worst() string {
	if len(v.broken) == 0 {
		return "none"
	}
	return Word(v.broken[0].severity)
}

// of gives the rules of a severity.
func (v variant) of(s trigonev1.Severity) []string {
	var list []string
	for _, b := range v.broken {
		if b.severity == s {
			list = append(list, b.rule)
		}
	}
	return list
}

func axisFieldNames(a *trigonev1.AxisDescription) []string {
	if !isRing(a) {
		return []string{strings.Join(a.GetLeaves(), "+") + "@" + a.GetPlace() + "_mm"}
	}
	lead := "ring@" + a.GetPlace() + "_"
	return []string{
		lead + "kind", lead + "family_key", lead + "label", lead + "inner_antero_posterior_mm", lead + "inner_transverse_mm",
		lead + "orifice_area_cm2", lead + "band_length_mm",
	}
}

func axisFields(a *trigonev1.AxisDescription, v *trigonev1.AxisValue) []string {
	float := func(v *float64) string {
		if v == nil {
			return ""
		}
		return number(*v, decimals(*v))
	}
	if !isRing(a) {
		return []string{float(v.Mm)}
	}
	r := v.GetRing()
	return []string{
		convert.Word(r.GetKind()), r.GetFamilyKey(), float(r.Label), float(r.InnerAnteroPosteriorMm), float(r.InnerTransverseMm),
		float(r.OrificeAreaCm2), float(r.BandLengthMm),
	}
}

// column is a metric at a place, which has one column in a file, or two where it
// is a prediction.
type column struct {
	metric, place, unit string
	prediction          bool
}

// columns gives every metric that any variant has.
func (x *Exploration) columns() []column {
	var list []column
	seen := map[[2]string]bool{}
	for _, v := range x.variants {
		for _, m := range v.metrics {
			if key := [2]string{m.GetMetric(), m.GetPlace()}; !seen[key] {
				seen[key] = true
				list = append(list, column{m.GetMetric(), m.GetPlace(), m.GetUnit(), isPrediction(m)})
			}
		}
	}
	return list
}

func (c column) names() []string {
	name := c.metric
	if c.place != "" {
		name += "@" + c.place
	}
	tail := ""
	if u := unitText(c.unit); u != "" {
		tail = "_" + strings.NewReplacer("%", "percent", "²", "2", "/", "_per_", " ", "_").Replace(u)
	}
	if c.prediction {
		return []string{name + "_lower" + tail, name + "_upper" + tail}
	}
	return []string{name + tail}
}

func (c column) fields(list []*trigonev1.VariantMetric) []string {
	values := make([]string, len(c.names()))
	for _, m := range list {
		if m.GetMetric() != c.metric || m.GetPlace() != c.place || m.Value == nil {
			continue
		}
		n := places(m.GetMetric(), m.GetValue())
		switch {
		case !c.prediction:
			values[0] = number(m.GetValue(), n)
		case m.Lower != nil && m.Upper != nil:
			values[0], values[1] = number(m.GetLower(), n), number(m.GetUpper(), n)
		}
	}
	return values
}
