package render

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Outcomes prints what became of the patients: each figure as the sentence that it says,
// then the numbers side by side with their parts and who is left out, then what was
// expected and how units vary.
func Outcomes(w io.Writer, r *trigonev1.SummarizeOutcomesResponse) {
	Invented(w, r.GetContext().GetInvented())
	wrapped(w, "", "", outcomesSource(r))
	for _, l := range r.GetLeftOut() {
		wrapped(w, "  ", "    ", fmt.Sprintf("%s left out: %s", count(int(l.GetCount()), "case", "cases"), words.Spaced(l.GetReason())))
	}
	if r.GetPatientCount() == 0 {
		fmt.Fprintln(w, "\nno patient was operated on among these cases")
		return
	}
	heading(w, "What became of the patients")
	var unseen []string
	for _, g := range r.GetOutcomes() {
		if notSeen(g) {
			unseen = append(unseen, strings.ToLower(g.GetTitle()[:1])+g.GetTitle()[1:])
			continue
		}
		wrapped(w, "- ", "  ", outcomeLead(g)+g.GetSentence())
	}
	if len(unseen) > 0 {
		wrapped(w, "- ", "  ", "Not recorded in any patient in the stay: "+words.And(unseen)+". The numbers below say of how many it is known, and what that leaves open.")
	}
	if len(r.GetObservedExpected()) > 0 {
		heading(w, "Against what was expected")
		for _, e := range r.GetObservedExpected() {
			wrapped(w, "- ", "  ", e.GetSentence())
		}
	}
	if len(r.GetFunnels()) > 0 {
		heading(w, "Between units")
		for _, f := range r.GetFunnels() {
			wrapped(w, "- ", "  ", f.GetSentence())
		}
	}
	heading(w, "The numbers")
	g := newGrid("", "Outcome", "Of", "Share (95 % interval)", "Not known", "Mean (95 % interval)", "Median, quartiles")
	g.right(4)
	for i, columns := range map[int]int{1: 40, 2: 18, 3: 26, 5: 26, 6: 20} {
		g.most(i, columns)
	}
	for _, o := range r.GetOutcomes() {
		g.row(o.GetTitle(), outcomeOf(o), outcomeShare(o.GetShare()), int(o.GetNotKnownCount()), meanText(o), quartiles(o))
		for _, l := range o.GetLeftOut() {
			g.row("· "+words.Spaced(l.GetReason()), outcomeOf(o), count(int(l.GetCount()), "patient", "patients")+" left out", "", "", "")
		}
		for _, p := range o.GetParts() {
			g.row("· "+words.Spaced(p.GetKind())+": "+words.Spaced(p.GetWord()), outcomeOf(o), outcomeShare(p.GetShare()), "", "", "")
		}
	}
	g.print(w)
	if r.GetStrataCount() > 0 {
		fmt.Fprintln(w)
		wrapped(w, "", "", fmt.Sprintf("%s looked at beside the whole. They describe, nothing was tested; the more one looks at, the more of them stand out by chance.",
			count(int(r.GetStrataCount()), "stratum was", "strata were")))
	}
	fmt.Fprintln(w)
	wrapped(w, "", "", r.GetContext().GetCaution())
}

func outcomesSource(r *trigonev1.SummarizeOutcomesResponse) string {
	s := fmt.Sprintf("Of %s operated on up to %s UTC %s counted, each with the first operation.",
		count(int(r.GetEligibleCaseCount()), "case", "cases"), minute(r.GetContext().GetAsOf()), count(int(r.GetPatientCount()), "patient is", "patients are"))
	if n := r.GetRetractedCaseCount(); n > 0 {
		s += fmt.Sprintf(" %s retracted, and left out.", count(int(n), "case is", "cases are"))
	}
	if n := r.GetErasedCaseCount(); n > 0 {
		s += fmt.Sprintf(" Of %s of the site that was erased nothing is known.", count(int(n), "case", "cases"))
	}
	return s
}

func outcomeOf(g *trigonev1.OutcomeFigure) string {
	if g.GetStratum() == nil {
		return "all"
	}
	return words.Spaced(g.GetStratum().GetKind()) + ": " + words.Spaced(g.GetStratum().GetWord())
}

// notSeen says whether it is a complication that nobody had, of the whole.
func notSeen(g *trigonev1.OutcomeFigure) bool {
	return strings.HasPrefix(g.GetOutcome(), "complication_") && g.GetStratum() == nil && g.GetShare().GetCount() == 0 && g.GetShare().GetOf() > 0 && g.GetNotOverEventCount() == 0
}

func outcomeLead(g *trigonev1.OutcomeFigure) string {
	if g.GetStratum() == nil {
		return ""
	}
	return words.Capital(outcomeOf(g)) + ". "
}

// outcomeShare prints a share to a tenth of a per cent: deaths are rare.
func outcomeShare(s *trigonev1.ShareFigure) string {
	if s.GetOf() == 0 {
		return "-"
	}
	if s.GetShare().Value == nil {
		return fmt.Sprintf("%d of %d", s.GetCount(), s.GetOf())
	}
	return fmt.Sprintf("%d of %d (%s to %s %%)", s.GetCount(), s.GetOf(), number(100*s.GetShare().GetLower(), 1), number(100*s.GetShare().GetUpper(), 1))
}

func meanText(g *trigonev1.OutcomeFigure) string {
	if g.GetMeasuredCount() == 0 {
		return "-"
	}
	s := quantity(g.GetMean().GetValue(), figureDecimals, g.GetUnit())
	if m := g.GetMean(); m.Lower != nil && m.Upper != nil {
		s += fmt.Sprintf(" (%s to %s)", number(m.GetLower(), figureDecimals), number(m.GetUpper(), figureDecimals))
	}
	return s
}

func quartiles(g *trigonev1.OutcomeFigure) string {
	if g.GetMeasuredCount() == 0 {
		return "-"
	}
	return fmt.Sprintf("%s, %s to %s", number(g.GetMedian().GetValue(), figureDecimals), number(g.GetLowerQuartile(), figureDecimals), number(g.GetUpperQuartile(), figureDecimals))
}

// outcomeLine is a figure, or a part of one, as a sheet has it.
type outcomeLine struct {
	of    *trigonev1.OutcomeFigure
	part  *trigonev1.OutcomePart
	share *trigonev1.ShareFigure
}

func outcomeLines(r *trigonev1.SummarizeOutcomesResponse) []outcomeLine {
	var list []outcomeLine
	for _, o := range r.GetOutcomes() {
		list = append(list, outcomeLine{o, nil, o.GetShare()})
		for _, p := range o.GetParts() {
			list = append(list, outcomeLine{o, p, p.GetShare()})
		}
	}
	return list
}

func outcomeColumns(s Sheet) []sheetColumn[outcomeLine] {
	type column = sheetColumn[outcomeLine]
	// Of a part only the share is its own.
	whole := func(of func(*trigonev1.OutcomeFigure) string) func(outcomeLine) string {
		return func(l outcomeLine) string {
			if l.part != nil {
				return ""
			}
			return of(l.of)
		}
	}
	shared := func(of func(*trigonev1.ShareFigure) string) func(outcomeLine) string {
		return func(l outcomeLine) string {
			if l.share.GetOf() == 0 {
				return ""
			}
			return of(l.share)
		}
	}
	columns := []column{
		{name: "says", meaning: "What the figure says, in a sentence; empty: a part of the line above.", of: whole((*trigonev1.OutcomeFigure).GetSentence)},
		{name: "title", meaning: "The outcome as it is said.", of: func(l outcomeLine) string { return l.of.GetTitle() }},
		{name: "outcome", meaning: "The outcome as a word.", of: func(l outcomeLine) string { return l.of.GetOutcome() }},
		{name: "stratum_kind", meaning: "Kind of the word for which the line is given apart; empty: all patients.", of: func(l outcomeLine) string { return l.of.GetStratum().GetKind() }},
		{name: "stratum", meaning: "That word.", of: func(l outcomeLine) string { return l.of.GetStratum().GetWord() }},
		{name: "part_kind", meaning: "What the line is a part by, such as a scheme of grades or reason; empty: the whole outcome.", of: func(l outcomeLine) string { return l.part.GetKind() }},
		{name: "part", meaning: "Word of the part.", of: func(l outcomeLine) string { return l.part.GetWord() }},
		{name: "count", meaning: "Patients in whom it is so.", of: shared(func(s *trigonev1.ShareFigure) string { return strconv.Itoa(int(s.GetCount())) })},
		{name: "of", meaning: "Patients of whom it is known.", of: func(l outcomeLine) string {
			if l.share == nil {
				return ""
			}
			return strconv.Itoa(int(l.share.GetOf()))
		}},
		{name: "share", meaning: "The share, from 0 to 1.", of: shared(func(s *trigonev1.ShareFigure) string { return plainNumber(s.GetShare().Value) })},
		{name: "share_lower", meaning: "Lower end of its 95 % interval.", of: shared(func(s *trigonev1.ShareFigure) string { return plainNumber(s.GetShare().Lower) })},
		{name: "share_upper", meaning: "Upper end of it.", of: shared(func(s *trigonev1.ShareFigure) string { return plainNumber(s.GetShare().Upper) })},
		{name: "interval", meaning: "Which interval: exact, or by the score.", words: []string{"exact", "score"}, of: func(l outcomeLine) string {
			switch {
			case l.share == nil:
				return ""
			case l.of.GetExactInterval():
				return "exact"
			}
			return "score"
		}},
		{name: "not_known", meaning: "Patients of whom it should be known and is not.", of: whole(func(g *trigonev1.OutcomeFigure) string { return strconv.Itoa(int(g.GetNotKnownCount())) })},
		{name: "share_lowest", meaning: "The share if it had happened to none of these; empty: it is known of all.", of: whole(func(g *trigonev1.OutcomeFigure) string { return plainNumber(g.LowestShare) })},
		{name: "share_highest", meaning: "The share if it had happened to all of these.", of: whole(func(g *trigonev1.OutcomeFigure) string { return plainNumber(g.HighestShare) })},
		{name: "not_over", meaning: "Patients not in the share because their time is not over.", of: whole(func(g *trigonev1.OutcomeFigure) string { return strconv.Itoa(int(g.GetNotOverCount())) })},
		{name: "unit", meaning: "UCUM unit of the quantity; empty: there is none.", of: whole((*trigonev1.OutcomeFigure).GetUnit)},
		{name: "measured", meaning: "Patients with a value of the quantity.", of: whole(func(g *trigonev1.OutcomeFigure) string {
			if g.GetUnit() == "" {
				return ""
			}
			return strconv.Itoa(int(g.GetMeasuredCount()))
		})},
	}
	figure := func(name, meaning string, of func(*trigonev1.OutcomeFigure) *trigonev1.Figure) {
		for _, end := range figureEnds {
			columns = append(columns, column{name: name + end.suffix, meaning: meaning + end.meaning, of: whole(func(g *trigonev1.OutcomeFigure) string {
				if f := of(g); f != nil {
					return plainNumber(end.of(f))
				}
				return ""
			})})
		}
	}
	figure("mean", "Mean of the quantity", (*trigonev1.OutcomeFigure).GetMean)
	figure("median", "Median of the quantity", (*trigonev1.OutcomeFigure).GetMedian)
	columns = append(columns,
		column{name: "lower_quartile", meaning: "Lower quartile of the quantity.", of: whole(func(g *trigonev1.OutcomeFigure) string { return plainNumber(g.LowerQuartile) })},
		column{name: "upper_quartile", meaning: "Upper quartile of the quantity.", of: whole(func(g *trigonev1.OutcomeFigure) string { return plainNumber(g.UpperQuartile) })},
		column{name: "definition", meaning: "How it is counted, and by whose definition.", of: whole((*trigonev1.OutcomeFigure).GetDefinition)})
	return append(columns, ofSheet[outcomeLine](s)...)
}

// OutcomesCSV writes the figures as lines, each outcome before its parts: a number with
// the ends of its interval beside it, empty where there is none.
func OutcomesCSV(w io.Writer, r *trigonev1.SummarizeOutcomesResponse, s Sheet) error {
	return writeSheet(w, s, outcomeColumns(s), outcomeLines(r))
}

// OutcomesDictionary writes what the columns of that mean.
func OutcomesDictionary(w io.Writer, s Sheet) error {
	return writeDictionary(w, s, "What became of the patients, one line for each outcome and for each of its parts.", outcomeColumns(s))
}
