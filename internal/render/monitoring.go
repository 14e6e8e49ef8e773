package render

import (
	"fmt"
	"io"
	"strconv"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Monitoring prints outcomes followed from operation to operation: what they say, what
// belongs to it, then limits and run lengths side by side.
func Monitoring(w io.Writer, r *trigonev1.MonitorOutcomesResponse) {
	Invented(w, r.GetContext().GetInvented())
	wrapped(w, "", "", r.GetSentence())
	wrapped(w, "", "", monitoringSource(r))
	if n := r.PolicyFalseAlarmsAYear; n != nil {
		wrapped(w, "", "", fmt.Sprintf("Of all charts that the policy names %s false alarms a year are expected together, of the operations that it expects.", short(*n)))
	}
	for _, c := range r.GetCharts() {
		heading(w, monitoringTitle(c))
		wrapped(w, "", "", c.GetSentence())
		for _, note := range c.GetNotes() {
			wrapped(w, "- ", "  ", note)
		}
		for _, l := range c.GetLeftOut() {
			wrapped(w, "- ", "  ", fmt.Sprintf("%s not on it: %s.", count(int(l.GetCount()), "operation", "operations"), words.Spaced(l.GetReason())))
		}
	}
	if l := r.GetLearning(); l != nil {
		heading(w, "Learning chart")
		wrapped(w, "", "", l.GetSentence())
	}
	monitoringLimits(w, r.GetCharts())
	fmt.Fprintln(w)
	wrapped(w, "", "", r.GetContext().GetCaution())
}

// short prints a number with two significant digits.
func short(v float64) string { return strconv.FormatFloat(v, 'g', 2, 64) }

func monitoringTitle(c *trigonev1.MonitoringChart) string {
	title := words.Capital(words.Spaced(c.GetOutcome()))
	if c.GetOperator() != "" {
		title += ", " + c.GetOperator()
	}
	return title
}

func monitoringSource(r *trigonev1.MonitorOutcomesResponse) string {
	s := fmt.Sprintf("Of %s up to %s UTC.", count(int(r.GetOperationCount()), "operation", "operations"), minute(r.GetContext().GetAsOf()))
	if n := r.GetUndatedCaseCount(); n > 0 {
		s += fmt.Sprintf(" %s no time of incision, and on no chart.", count(int(n), "operation has", "operations have"))
	}
	if n := r.GetRetractedCaseCount(); n > 0 {
		s += fmt.Sprintf(" %s retracted, and left out.", count(int(n), "case is", "cases are"))
	}
	if n := r.GetErasedCaseCount(); n > 0 {
		s += fmt.Sprintf(" Of %s of the site that was erased nothing is known.", count(int(n), "case", "cases"))
	}
	return s
}

// monitoringLimits prints by what charts that can signal do it.
func monitoringLimits(w io.Writer, charts []*trigonev1.MonitoringChart) {
	g := newGrid("", "Chart", "Looks for", "Limit", "Now", "False alarm after", "If odds are so, after")
	limits := false
	for _, c := range charts {
		for _, arm := range []struct {
			of  *trigonev1.MonitoringArm
			now func(*trigonev1.MonitoringPoint) *float64
		}{{c.GetUpper(), func(p *trigonev1.MonitoringPoint) *float64 { return p.Upper }}, {c.GetLower(), func(p *trigonev1.MonitoringPoint) *float64 { return p.Lower }}} {
			if arm.of == nil {
				continue
			}
			limits = true
			now := "-"
			if n := len(c.GetPoints()); n > 0 {
				if v := arm.now(c.GetPoints()[n-1]); v != nil {
					now = number(*v, 2)
				}
			}
			g.row(monitoringTitle(c), "odds of "+strconv.FormatFloat(arm.of.GetOddsRatio(), 'g', 3, 64), number(arm.of.GetLimit(), 2), now,
				runText(arm.of.GetInControlCases(), arm.of.InControlMonths), runText(arm.of.GetOutOfControlCases(), arm.of.OutOfControlMonths))
		}
	}
	if limits {
		heading(w, "Limits")
		g.print(w)
	}
}

func runText(cases float64, months *float64) string {
	s := fmt.Sprintf("%.0f operations", cases)
	if months != nil {
		s += fmt.Sprintf(" (%s months)", strconv.FormatFloat(*months, 'f', 0, 64))
	}
	return s
}

// monitored is a line of a sheet of charts.
type monitored struct {
	chart  *trigonev1.MonitoringChart
	number int
	point  *trigonev1.MonitoringPoint
}

func monitoringColumns(s Sheet) []sheetColumn[monitored] {
	word := func(name, meaning string, of func(monitored) string) sheetColumn[monitored] {
		return sheetColumn[monitored]{name: name, meaning: meaning, of: of}
	}
	value := func(name, meaning string, of func(monitored) *float64) sheetColumn[monitored] {
		return sheetColumn[monitored]{name: name, meaning: meaning, of: func(r monitored) string { return plainNumber(of(r)) }}
	}
	held := func(name, meaning string, of func(monitored) bool) sheetColumn[monitored] {
		return sheetColumn[monitored]{name: name, meaning: meaning, words: []string{"true", "false"}, of: func(r monitored) string { return strconv.FormatBool(of(r)) }}
	}
	limit := func(arm *trigonev1.MonitoringArm) *float64 {
		if arm == nil {
			return nil
		}
		return &arm.Limit
	}
	columns := []sheetColumn[monitored]{
		word("outcome", "What is followed.", func(r monitored) string { return r.chart.GetOutcome() }),
		word("operator", "Pseudonym of the operator; empty: the department.", func(r monitored) string { return r.chart.GetOperator() }),
		{name: "weighs_by", meaning: "By what the chart weighs outcomes; a picture signals nothing.", words: enumWords(trigonev1.MonitoringChartKind(0)), of: func(r monitored) string { return wordKey(r.chart.GetKind()) }},
		word("number", "Number of the operation on the chart, in order of incision.", func(r monitored) string { return strconv.Itoa(r.number) }),
		word("incision_time", "Incision, UTC.", func(r monitored) string { return instantCell(r.point.GetIncisionTime()) }),
		{name: "outcome_state", meaning: "What is known of the outcome.", words: enumWords(trigonev1.MonitoringPointState(0)), of: func(r monitored) string { return wordKey(r.point.GetState()) }},
		value("risk", "Risk by which it was weighed, from 0 to 1.", func(r monitored) *float64 { return r.point.Risk }),
		value("upper", "Path of more failures than expected.", func(r monitored) *float64 { return r.point.Upper }),
		value("upper_limit", "Where that signals.", func(r monitored) *float64 { return limit(r.chart.GetUpper()) }),
		held("upper_signal", "Whether it did with this operation; the next begins at 0.", func(r monitored) bool { return r.point.GetUpperSignal() }),
		value("lower", "Path of fewer failures than expected.", func(r monitored) *float64 { return r.point.Lower }),
		value("lower_limit", "Where that signals.", func(r monitored) *float64 { return limit(r.chart.GetLower()) }),
		held("lower_signal", "Whether it did with this operation.", func(r monitored) bool { return r.point.GetLowerSignal() }),
		value("worst", "Path of more failures if every outcome that is not known were one.", func(r monitored) *float64 { return r.point.Worst }),
		value("expected_minus_observed", "Failures expected so far minus those that came; a picture, from which no alarm is read.", func(r monitored) *float64 { return r.point.ExpectedMinusObserved }),
		value("recent_rate", "Share of failures, the newest operations weighing most; a picture.", func(r monitored) *float64 { return r.point.RecentRate }),
		held("late_received", "Whether the operation was first received after the end of its window.", func(r monitored) bool { return r.point.GetLateReceived() }),
		held("changed", "Whether the case was written since the change asked for.", func(r monitored) bool { return r.point.GetChanged() }),
	}
	columns = append(columns, ofSheet[monitored](s)...)
	return append(columns, word("case_name", "The case.", func(r monitored) string { return r.point.GetCaseName() }))
}

// MonitoringCSV writes the charts as lines, one for each operation of each chart.
func MonitoringCSV(w io.Writer, r *trigonev1.MonitorOutcomesResponse, s Sheet) error {
	var rows []monitored
	for _, c := range r.GetCharts() {
		for i, p := range c.GetPoints() {
			rows = append(rows, monitored{c, int(c.GetPointsBeforeCount()) + i + 1, p})
		}
	}
	return writeSheet(w, s, monitoringColumns(s), rows)
}

// MonitoringDictionary writes what the columns of that mean.
func MonitoringDictionary(w io.Writer, s Sheet) error {
	return writeDictionary(w, s, "Outcomes followed from operation to operation, one line for each operation of each chart.", monitoringColumns(s))
}
