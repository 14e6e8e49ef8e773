package audit

import (
	"fmt"
	"slices"
	"strings"

	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/words"
)

// sentence is what a figure says, to be repeated as it stands.
func (o *Outcomes) sentence(m *measure, g *Outcome) string {
	if o.counted == 0 {
		return "No patient was operated on among these cases."
	}
	var said []string
	if m.value != nil {
		said = append(said, m.measuredSentence(g))
	}
	if m.judge != nil && (m.value == nil || g.Share.Of > 0) {
		limit := o.question.Settings.Threshold(settings.GradientHigh).String()
		said = append(said, m.shareSentence(g, strings.ReplaceAll(m.did, "{limit}", limit)))
	}
	return strings.Join(said, " ")
}

func (m *measure) shareSentence(g *Outcome, did string) string {
	var b strings.Builder
	s := g.Share
	if s.Count == 1 {
		if rest, ok := strings.CutPrefix(did, "were "); ok {
			did = "was " + rest
		}
	}
	switch {
	case s.Of == 0 && g.Unknown == 0 && g.NotOver == 0:
		return "There is no patient among these " + cut(m.whom, "of whom it could be told whether they "+did) + "."
	case s.Of == 0 && g.Unknown == 0:
		fmt.Fprintf(&b, "It is too early to say how many %s.", did)
	case s.Of == 0:
		fmt.Fprintf(&b, "Of none of %s is it known whether they %s.", counted(g.Unknown, m.whom), did)
	case m.exact && manyUnknown(s.Of, g.Unknown):
		low, _ := g.Lowest.Get()
		highest, _ := g.Highest.Get()
		fmt.Fprintf(&b, "%s of %s %s, and of %d of them it is not known: the share lies between %s and %s %%.", none(s.Count), counted(s.Of+g.Unknown, m.whom), did, g.Unknown,
			m.percent(low, s.Of), m.percent(highest, s.Of))
	case s.Count == 0:
		high, _ := s.Upper.Get()
		fmt.Fprintf(&b, "None of %s %s; the share may still be up to %s %% (95 %% interval).", counted(s.Of, m.whom), did, m.percent(high, s.Of))
	case s.Count == s.Of && s.Of == 1:
		fmt.Fprintf(&b, "1 of %s %s: of one nothing follows.", counted(1, m.whom), did)
	default:
		fmt.Fprintf(&b, "%d of %s %s (%s).", s.Count, counted(s.Of, m.whom), did, m.interval95(s))
	}
	bounds := m.exact && manyUnknown(s.Of, g.Unknown)
	if low, ok := g.Lowest.Get(); ok && s.Of > 0 && !bounds {
		highest, _ := g.Highest.Get()
		fmt.Fprintf(&b, " Of %d more it is not known: with all of them counted the share lies between %s and %s %%.", g.Unknown, m.percent(low, s.Of), m.percent(highest, s.Of))
	}
	if g.NotOver > 0 {
		fmt.Fprintf(&b, " For %d the time is not over, so that they are not counted", g.NotOver)
		if g.NotOverEvents > 0 {
			fmt.Fprintf(&b, "; it has happened to %d of them", g.NotOverEvents)
		}
		b.WriteString(".")
	}
	return b.String()
}

func none(n int) string {
	if n == 0 {
		return "None"
	}
	return fmt.Sprint(n)
}

// manyUnknown: an event is recorded where it happened, so that a share of those of whom
// it is known is too high; from 5 % unknown on only its bounds are told.
func manyUnknown(known, unknown int) bool { return unknown*20 > known+unknown }

// cut gives what says whom, or else the other words.
func cut(whom, other string) string {
	if whom != "" {
		return whom
	}
	return other
}

func counted(n int, whom string) string {
	s := fmt.Sprintf("%d patients", n)
	if n == 1 {
		s = "1 patient"
	}
	if whom != "" {
		s += " " + whom
	}
	return s
}

// fineShare: from 100 patients on a share is told with a decimal; one of safety always.
const fineShare = 100

func (m *measure) percent(share float64, of int) string {
	grid := 1.0
	if of >= fineShare || m.exact {
		grid = 0.1
	}
	return units.FormatNumber(100*share, grid)
}

// interval95 tells a share with its interval.
func (m *measure) interval95(f *ShareFigure) string {
	value, _ := f.Figure.Value.Get()
	low, _ := f.Lower.Get()
	high, _ := f.Upper.Get()
	return fmt.Sprintf("%s %%, 95 %% interval %s to %s %%", m.percent(value, f.Of), m.percent(low, f.Of), m.percent(high, f.Of))
}

// measuredSentence tells a quantity.
func (m *measure) measuredSentence(g *Outcome) string {
	fine := m.grid / 10
	text := func(v float64) string { return units.FormatNumber(v, fine) }
	mean, ok := g.Mean.Value.Get()
	low, _ := g.LowerQuartile.Get()
	high, _ := g.UpperQuartile.Get()
	median, _ := g.Median.Value.Get()
	switch {
	case !ok:
		return words.Sentence("no value is recorded of " + strings.TrimSuffix(m.called, ","))
	case g.Measured == 1:
		return words.Sentence(m.called + " of the only patient with one was " + units.Format(mean, m.unit, m.grid))
	case low == high && median == low && g.Mean.Lower == g.Mean.Upper:
		return words.Sentence(fmt.Sprintf("in each of %d patients %s was %s", g.Measured, m.called, units.Format(mean, m.unit, m.grid)))
	}
	s := fmt.Sprintf("in %d patients %s was on average %s", g.Measured, m.called, units.Format(mean, m.unit, fine))
	if from, ok := g.Mean.Lower.Get(); ok {
		to, _ := g.Mean.Upper.Get()
		s += fmt.Sprintf(" (95 %% interval %s to %s)", text(from), text(to))
	}
	s += fmt.Sprintf("; the median was %s, quartiles %s and %s", text(median), text(low), units.Format(high, m.unit, fine))
	if g.Measured < leastForLimits {
		s += "; so few tell little"
	}
	return words.Sentence(s)
}

// listSentence tells what the theatre list says.
func (o *Outcomes) listSentence(m *measure, g *Outcome) string {
	list := o.question.Theatre
	if list.Because != "" || list.Months == 0 {
		return words.Sentence("the repair rate of the theatre list can't be told: " + g.Share.Because)
	}
	s := fmt.Sprintf("The theatre list of %s names %s", months(list.Months), cutNumber(g.Share.Of, "operation", "operations")+" for degenerative regurgitation")
	switch {
	case g.Share.Of == 0:
		s += "."
	case g.Share.Count == 0:
		s += "; none of them was a repair."
	default:
		s += fmt.Sprintf(", of which %d were repairs (%s).", g.Share.Count, m.interval95(g.Share))
	}
	if list.Untold > 0 {
		s += fmt.Sprintf(" Of %s it does not tell the disease.", cutNumber(list.Untold, "more", "more"))
	}
	if len(list.Missing) > 0 {
		s += " It has not been submitted" + forMonths(list.Missing) + "."
	}
	return s
}

func months(n int) string { return cutNumber(n, "month", "months") }

func cutNumber(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}

// mostMonths are named one by one.
const mostMonths = 6

func forMonths(list []string) string {
	list = slices.Sorted(slices.Values(list))
	switch {
	case len(list) == 0:
		return ""
	case len(list) > mostMonths:
		return fmt.Sprintf(" for %d months between %s and %s", len(list), list[0], list[len(list)-1])
	}
	return " for " + words.And(list)
}
