package render

import (
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"

	"trigone/internal/convert"
	"trigone/internal/metric"
	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// onEcho ends the name of the second of the two coaptation lengths.
const onEcho = " on echo"

// fromBoth stands where plan and operation give the same.
const fromBoth = "plan and what was done"

// forecast is one quantity predicted: its range, or why there is none.
type forecast struct {
	quantity, place, from string
	span, middle          string // of a range
	why                   string // empty if there is a range
}

// printPrediction prints the ranges in a table, under it what they rest on, and
// once for each reason what has no range.
func printPrediction(w io.Writer, e *trigonev1.Evaluation, windowTold bool) {
	label, calibrated := metric.UncalibratedLabel, convert.Calibrated(e.GetMetrics())
	if calibrated.Some() {
		label = "ranges of a model, not advice"
	}
	heading(w, "Prediction ("+label+")")
	if calibrated.Some() {
		wrapped(w, "  ", "    ", words.Sentence(words.Capital(calibrated.Label())))
	}
	list := forecasts(e)
	if len(list) == 0 {
		fmt.Fprintln(w, "  none: neither plan nor operation gives what the model needs")
		return
	}
	g := newGrid("  ", "Quantity", "Place", "From", "95 % range", "Middle")
	g.most(1, 44)
	g.most(4, 40)
	for _, f := range list {
		if f.why == "" {
			g.row(f.quantity, f.place, f.from, f.span, f.middle)
		}
	}
	g.print(w)
	if slices.ContainsFunc(list, func(f forecast) bool { return f.why == "" && strings.HasSuffix(f.quantity, onEcho) }) {
		wrapped(w, "  ", "    ", "The model gives two coaptation lengths: the mean contact of the two leaflets of a slice, and, on echo, the length over which "+
			"both are seen to meet. They differ where one leaflet reaches beyond the other.")
	}
	if slices.ContainsFunc(list, func(f forecast) bool { return strings.Contains(f.span+f.middle, "a gap of ") }) {
		wrapped(w, "  ", "    ", "A gap: in the model the leaflets end that far short of each other.")
	}
	if !windowTold {
		printWindow(w, e)
	}
	printBasis(w, e)
	printNoRange(w, list)
}

// printNoRange says once for each reason what has no range.
func printNoRange(w io.Writer, list []forecast) {
	var reasons []string
	byReason := map[string][]forecast{}
	for _, f := range list {
		if f.why == "" {
			continue
		}
		if _, seen := byReason[f.why]; !seen {
			reasons = append(reasons, f.why)
		}
		byReason[f.why] = append(byReason[f.why], f)
	}
	for _, why := range reasons {
		concerned := byReason[why]
		from := concerned[0].from
		everything := !slices.ContainsFunc(list, func(f forecast) bool { return f.why != why && (f.from == from || f.from == fromBoth) })
		if everything && !slices.ContainsFunc(concerned, func(f forecast) bool { return f.from != from }) {
			wrapped(w, "  ", "    ", "Nothing is predicted from "+from+". "+words.Capital(why)+".")
			continue
		}
		wrapped(w, "  ", "    ", words.Capital(why)+". This concerns "+words.And(quantities(concerned))+".")
	}
}

// quantities names what is concerned, the places of a quantity behind it.
func quantities(list []forecast) []string {
	var order []string
	places := map[string][]string{}
	for _, f := range list {
		named := strings.ToLower(f.quantity[:1]) + f.quantity[1:]
		if f.from != fromBoth {
			named += " from " + f.from
		}
		if _, seen := places[named]; !seen {
			order = append(order, named)
		}
		places[named] = append(places[named], f.place)
	}
	for i, named := range order {
		if at := strings.Join(places[named], ", "); at != "" {
			order[i] += " (" + at + ")"
		}
	}
	return order
}

// forecasts gives what is predicted, plan and operation in one where they agree.
func forecasts(e *trigonev1.Evaluation) []forecast {
	var list []forecast
	for _, m := range e.GetMetrics() {
		expected := m.GetMetric() == metric.IDExpectedGradient && m.GetOccasion() == string(valve.AtPlan)
		if !predicted(m) && !expected || slices.Contains(windowMetrics, m.GetMetric()) {
			continue
		}
		f := forecast{quantity: words.Capital(words.Spaced(m.GetMetric())), place: place(m.GetPlace()), from: "plan"}
		if m.GetRole() == trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_EXECUTION {
			f.from = "what was done"
		}
		f.span, f.middle, f.why = predictionCells(m)
		same := slices.IndexFunc(list, func(other forecast) bool {
			other.from = f.from
			return other == f
		})
		if same >= 0 {
			list[same].from = fromBoth
			continue
		}
		list = append(list, f)
	}
	return list
}

// windowMetrics are the planning window: an interval around each end of it informs
// nobody, so that it is told once, with how far the model can be off.
var windowMetrics = []string{metric.IDLowestPosterior, metric.IDHighestPosterior, metric.IDLargestRing, metric.IDRequiredAnterior}

// printWindow tells the window of the plan's coaptation aim, then how far the model can
// be off, then what it cannot tell.
func printWindow(w io.Writer, e *trigonev1.Evaluation) {
	for i, text := range windowTexts(e) {
		lead := "    "
		if i == 0 {
			lead = "  "
		}
		wrapped(w, lead, "    ", text)
	}
}

// windowTexts gives the same in paragraphs; none: there is no window.
func windowTexts(e *trigonev1.Evaluation) []string {
	at := map[string]*trigonev1.MetricValue{}
	explained, beside := "", ""
	for _, m := range e.GetMetrics() {
		if slices.Contains(windowMetrics, m.GetMetric()) && m.GetState() == trigonev1.MetricState_METRIC_STATE_VALUE && m.Value != nil {
			at[m.GetMetric()] = m
			for _, note := range strings.Split(m.GetExplanation(), "; ") {
				if text, ok := strings.CutPrefix(note, "target: "); ok {
					explained = text
				}
				if strings.HasPrefix(note, "beside it") {
					beside = note
				}
			}
		}
	}
	mm := func(m *trigonev1.MetricValue) string {
		return quantity(m.GetValue(), places(m.GetMetric(), m.GetValue()), m.GetUnit())
	}
	low, high := at[metric.IDLowestPosterior], at[metric.IDHighestPosterior]
	var parts []string
	switch {
	case low != nil && high != nil && low.GetValue() > high.GetValue():
		parts = append(parts, "no height of P2 with the planned ring (at least "+mm(low)+" for the coaptation, at most "+mm(high)+")")
	case low != nil && high != nil:
		parts = append(parts, "P2 of "+number(low.GetValue(), 1)+" to "+mm(high)+" with the planned ring")
	case low != nil:
		parts = append(parts, "P2 of at least "+mm(low)+" with the planned ring")
	}
	if ring := at[metric.IDLargestRing]; ring != nil {
		parts = append(parts, "an antero-posterior diameter of the ring of at most "+mm(ring)+" with the planned heights")
	}
	if anterior := at[metric.IDRequiredAnterior]; anterior != nil {
		parts = append(parts, "A2 of at least "+mm(anterior))
	}
	if len(parts) == 0 {
		return nil
	}
	texts := []string{"Window of the plan, by the middle of the model (" + explained + "): " + strings.Join(parts, "; ") + "."}
	if beside != "" {
		texts = append(texts, words.Sentence(words.Capital(beside)))
	}
	if low == nil || low.Lower == nil || low.Upper == nil {
		return texts
	}
	n := places(low.GetMetric(), low.GetUpper())
	return append(texts,
		"How far the model can be off: the lowest P2 has a 95 % range of "+number(low.GetLower(), n)+" to "+quantity(low.GetUpper(), n, low.GetUnit())+".",
		"So it cannot tell a P2 of "+quantity(low.GetLower(), n, low.GetUnit())+" from one of "+quantity(low.GetUpper(), n, low.GetUnit())+".")
}

func predictionCells(m *trigonev1.MetricValue) (span, middle, why string) {
	if m.GetState() != trigonev1.MetricState_METRIC_STATE_VALUE || m.Value == nil {
		why = readable(m.GetExplanation())
		if len(m.GetMissing()) > 0 {
			why = "missing " + missing(m.GetMissing())
		}
		return "", "", strings.TrimSuffix(Word(m.GetState())+": "+why, ": ")
	}
	n := places(m.GetMetric(), m.GetValue())
	low, high := number(m.GetLower(), n), quantity(m.GetUpper(), n, m.GetUnit())
	middle = quantity(m.GetValue(), n, m.GetUnit())
	if m.GetMetric() == metric.IDPredictedContact && m.GetLower() < 0 {
		low, high = gapSpan(m, n)
		middle = asGap(middle)
	}
	if m.Lower != nil && m.Upper != nil {
		span = low + " to " + high
	} else {
		span = "no range: an input has no known uncertainty"
	}
	return span, "about " + middle, ""
}

// gapSpan gives both ends of a range of coaptation that begins below 0.
func gapSpan(m *trigonev1.MetricValue, n int) (low, high string) {
	from := number(-m.GetLower(), n)
	if m.GetUpper() < 0 {
		return "a gap of " + from, quantity(-m.GetUpper(), n, m.GetUnit())
	}
	return "a gap of " + from + " " + m.GetUnit(), "contact of " + quantity(m.GetUpper(), n, m.GetUnit())
}

// asGap tells a coaptation length below 0 as what it is in the model.
func asGap(text string) string {
	if size, below := strings.CutPrefix(text, "-"); below {
		return "a gap of " + size
	}
	return text
}

// printBasis says what the predicted contact rests on: which heights, and which of
// their standard deviations are assumed.
func printBasis(w io.Writer, e *trigonev1.Evaluation) {
	for _, m := range e.GetMetrics() {
		if m.GetMetric() != metric.IDPredictedContact || m.Value == nil || m.GetExplanation() == "" {
			continue
		}
		from := "The plan's prediction"
		if m.GetRole() == trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_EXECUTION {
			from = "That from what was done"
		}
		if p := place(m.GetPlace()); p != "" {
			from += " for " + p
		}
		wrapped(w, "  ", "    ", from+" rests on: "+readable(m.GetExplanation())+".")
	}
}

// inWords are the metrics whose value says little without its list: which factors
// are present, which parameters were graded how, which rings a table gives.
var inWords = []string{
	metric.IDBandSpread, metric.IDFactorCount, metric.IDLabelByLeafletArea, metric.IDLabelByAnteriorHeight, metric.IDLabelByTrigones,
}

func printInWords(w io.Writer, e *trigonev1.Evaluation) {
	for _, id := range inWords {
		var order []string
		occasions := map[string][]string{}
		for _, m := range e.GetMetrics() {
			if m.GetMetric() != id || m.Value == nil || m.GetExplanation() == "" {
				continue
			}
			text := readable(m.GetExplanation())
			if _, seen := occasions[text]; !seen {
				order = append(order, text)
			}
			occasions[text] = append(occasions[text], occasion(m.GetOccasion()))
		}
		row, _ := metric.MetricByID(valve.ID(id))
		for _, text := range order {
			wrapped(w, "  ", "    ", words.Capital(row.Name)+" ("+strings.Join(occasions[text], "; ")+"). "+words.Capital(text)+".")
		}
	}
}

// key is an id, a place or an occasion inside an explanation.
var key = regexp.MustCompile(`\b(?:[a-z][a-z0-9-]*[/:])?[a-z][a-z0-9-]*(?:[_/][a-z0-9-]+)+\b|\b(?:step|test|lesion):[A-Za-z0-9-]+`)

// readable puts the ids of an explanation into words; that a prediction is a range
// stands above all of them.
func readable(explanation string) string {
	text := strings.TrimPrefix(explanation, metric.UncalibratedLabel+"; ")
	return key.ReplaceAllStringFunc(text, func(id string) string {
		if _, err := valve.ParsePlace(id); err == nil {
			return place(id)
		}
		if section, _, found := strings.Cut(id, "/"); found && occasionRank(section) < len(sections) {
			return occasion(id)
		}
		return words.Spaced(id)
	})
}
