package render

import (
	"cmp"
	"slices"
	"strings"

	"trigone/internal/metric"
	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// What follows are the pieces that the printed tables and the pages of the service
// have in common: each is a text, and says the same in both.

// Limit gives a limit with its unit, its name and whose it is.
func Limit(l *trigonev1.AppliedLimit) string { return limitText(l) }

// Counted gives a number of things.
func Counted(n int, one, many string) string { return count(n, one, many) }

// Unit gives a UCUM unit as it is printed; a pure number has none.
func Unit(ucum string) string { return unitText(ucum) }

// Occasion gives an occasion in words; empty: the whole case.
func Occasion(o string) string { return occasion(o) }

// Place gives a place of the grammar in words.
func Place(p string) string { return place(p) }

// ThingsPlanned says how the things planned came out.
func ThingsPlanned(e *trigonev1.Evaluation) string { return thingsPlanned(e) }

// CountedFindings counts findings by severity, in words.
func CountedFindings(e *trigonev1.Evaluation) string { return Count(e).findings() }

// Versions says under which versions an evaluation was made.
func Versions(e *trigonev1.Evaluation) string { return versions(e) }

// Compared is one comparison as a row of a table.
type Compared struct {
	What, Place, Against, Is, Verdict string
	Differs                           bool
}

// ComparedRow gives a comparison as a row.
func ComparedRow(c *trigonev1.Comparison) Compared {
	cells := comparisonCells(c)
	text := func(i int) string {
		s, _ := cells[i].(string)
		return plain(s)
	}
	return Compared{text(0), text(1), text(2), text(3), text(4), c.GetVerdict() == trigonev1.ComparisonVerdict_COMPARISON_VERDICT_PRESENT}
}

// Predicted is one quantity that is predicted, as a row of a table: its range, or why
// there is none.
type Predicted struct{ What, Place, From, Range, Middle, Why string }

// PredictedRows gives what is predicted, plan and operation in one where they agree.
func PredictedRows(e *trigonev1.Evaluation) []Predicted {
	var list []Predicted
	for _, f := range forecasts(e) {
		list = append(list, Predicted{f.quantity, f.place, f.from, f.span, f.middle, f.why})
	}
	return list
}

// Measured is a value as a row of a table.
type Measured struct {
	// Leaf says that it was measured, and not computed.
	Leaf                                     bool
	Metric, What, Place, Value, Unit, Spread string
	Remark                                   string
}

// MeasuredAt are the values of one occasion.
type MeasuredAt struct {
	Occasion string
	Values   []Measured
}

// MeasuredRows gives what was measured and computed, by occasion in the order of a case;
// what has no value is counted.
func MeasuredRows(e *trigonev1.Evaluation) (list []MeasuredAt, without int) {
	at := map[string]int{}
	for _, m := range e.GetMetrics() {
		switch {
		case predicted(m):
			continue
		case m.GetState() == trigonev1.MetricState_METRIC_STATE_NOT_EVALUABLE, m.GetState() == trigonev1.MetricState_METRIC_STATE_NOT_APPLICABLE:
			without++
			continue
		}
		i, seen := at[m.GetOccasion()]
		if !seen {
			i = len(list)
			at[m.GetOccasion()], list = i, append(list, MeasuredAt{Occasion: m.GetOccasion()})
		}
		cells := metricRow(m)
		text := func(i int) string {
			s, _ := cells[i].(string)
			return strings.TrimSpace(plain(s))
		}
		_, isLeaf := metric.LeafByID(valve.ID(m.GetMetric()))
		list[i].Values = append(list[i].Values, Measured{isLeaf, m.GetMetric(), text(0), text(1), text(2), text(3), text(4), text(5)})
	}
	slices.SortStableFunc(list, func(a, b MeasuredAt) int { return cmp.Compare(occasionRank(a.Occasion), occasionRank(b.Occasion)) })
	return list, without
}

// Gaps says of what nothing could be said for want of a number, and what a few more
// numbers would give.
func Gaps(e *trigonev1.Evaluation) (told string, suggestions []string) {
	metrics := 0
	for _, m := range e.GetMetrics() {
		if m.GetState() == trigonev1.MetricState_METRIC_STATE_NOT_EVALUABLE {
			metrics++
		}
	}
	told = strings.Join([]string{count(metrics, "metric", "metrics"), count(len(e.GetRuleGaps()), "rule", "rules"), count(notCompared(e), "comparison", "comparisons")}, ", ") +
		": an input is missing, which is neither a pass nor a zero."
	return told, sameSuggestions(e.GetSuggestions())
}

// Difference is one difference as a row of a table.
type Difference struct {
	What, Place, Planned, Is, Remark string
	// Under says that it stands under another one.
	Under bool
}

// DifferenceRow gives a difference as a row.
func DifferenceRow(d *trigonev1.Discrepancy) Difference {
	cells := discrepancyCells(d, "")
	text := func(i int) string {
		s, _ := cells[i].(string)
		return plain(s)
	}
	return Difference{What: text(0), Place: text(1), Planned: text(2), Is: text(3), Remark: text(5), Under: d.GetParent() != ""}
}

// FigureText gives a figure with its interval, or a dash where there is none.
func FigureText(f *trigonev1.Figure, unit string) string { return figureText(f, unit) }

// ShareText gives how many of how many, with the interval of the share, or a dash.
func ShareText(s *trigonev1.ShareFigure) string { return shareText(s) }

// LimitsText gives the limits of agreement, or how labels of rings came, or a dash.
func LimitsText(a *trigonev1.Agreement) string { return limitsText(a) }

// AgreementName says what is compared, where, when and how.
func AgreementName(a *trigonev1.Agreement) string {
	s := words.Spaced(a.GetMetric())
	if p := place(a.GetPlace()); p != "" {
		s += ", " + p
	}
	return words.Capital(s + suffix(Word(a.GetStage())) + suffix(Word(a.GetMethod())))
}

// StratumText says of which cases a figure is.
func StratumText(a *trigonev1.Agreement) string { return words.Capital(stratumText(a)) }
