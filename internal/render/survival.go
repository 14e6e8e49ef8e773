package render

import (
	"fmt"
	"io"
	"strconv"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// EventCurves prints what became of patients: each curve as the sentence that it says, then
// the curves side by side at their points, then who is left out.
func EventCurves(w io.Writer, r *trigonev1.EstimateFreedomResponse) {
	Invented(w, r.GetContext().GetInvented())
	wrapped(w, "", "", eventCurveSource(r))
	for _, l := range r.GetLeftOut() {
		wrapped(w, "  ", "    ", leftOutLine(l, "case", "cases"))
	}
	heading(w, "What it says")
	for _, c := range r.GetCurves() {
		wrapped(w, "- ", "  ", curveLead(c)+c.GetSentence())
	}
	heading(w, "Over the days since the operation")
	g := newGrid("", "Event", "Of", "Within", "Still followed", "Had it", "Of 100 (95 % interval)", "If begun after the last echo without it")
	g.right(4)
	g.right(5)
	for i, columns := range map[int]int{1: 16, 2: 24, 7: 22} {
		g.most(i, columns)
	}
	for _, c := range r.GetCurves() {
		for i, p := range c.GetPoints() {
			if i == 0 || p.GetAtRiskCount() > 0 {
				g.row(words.Capital(Word(c.GetEvent())), stratumName(c.GetStratum()), words.Days(int(p.GetDay())), int(p.GetAtRiskCount()), int(p.GetEventCount()),
					ofHundred(p.GetShare()), ofHundred(p.GetEarliestShare()))
			}
		}
	}
	g.print(w)
	for _, c := range r.GetCurves() {
		for _, l := range c.GetLeftOut() {
			wrapped(w, "  ", "    ", curveLead(c)+words.Capital(Word(c.GetEvent()))+": "+leftOutLine(l, "patient", "patients"))
		}
	}
	fmt.Fprintln(w)
	wrapped(w, "", "", "An event counts on its day; who had none is followed up to the last day on which it would have been known. Death competes with "+
		"re-intervention and recurrence: who died can have neither any more. A curve stops where fewer than 10 are followed.")
	strataNote(w, r.GetStrataCount())
	fmt.Fprintln(w)
	wrapped(w, "", "", r.GetContext().GetCaution())
}

func leftOutLine(l *trigonev1.LeftOut, one, many string) string {
	return fmt.Sprintf("%s left out: %s", count(int(l.GetCount()), one, many), words.Spaced(l.GetReason()))
}

// strataNote says how often it was looked.
func strataNote(w io.Writer, strata int32) {
	if strata > 0 {
		fmt.Fprintln(w)
		wrapped(w, "", "", fmt.Sprintf("%s looked at beside the whole. They describe, nothing was tested; the more one looks at, the more of them stand out by chance.",
			count(int(strata), "stratum was", "strata were")))
	}
}

func eventCurveSource(r *trigonev1.EstimateFreedomResponse) string {
	s := fmt.Sprintf("%s operated on, as known on %s UTC.", count(int(r.GetEligibleCaseCount()), "case", "cases"), minute(r.GetContext().GetAsOf()))
	if n := r.GetReplacedPatientCount(); n > 0 {
		died := "none of them is known to have died since"
		if d := r.GetReplacedPatientDeathCount(); d > 0 {
			died = fmt.Sprintf("%d of them died since", d)
		}
		s += fmt.Sprintf(" In %s the valve was replaced in theatre: they leave on day 0; %s.", count(int(n), "patient", "patients"), died)
	}
	if n := r.GetUndatedCaseCount(); n > 0 {
		s += fmt.Sprintf(" %s no time of incision: in no curve.", count(int(n), "operated case of the site has", "operated cases of the site have"))
	}
	return s + gone(r.GetRetractedCaseCount(), r.GetErasedCaseCount())
}

// gone tells of cases that can't be read any more.
func gone(retracted, erased int32) string {
	s := ""
	if retracted > 0 {
		s += fmt.Sprintf(" %s retracted, and left out.", count(int(retracted), "case is", "cases are"))
	}
	if erased > 0 {
		s += fmt.Sprintf(" Of %s of the site that was erased nothing is known.", count(int(erased), "case", "cases"))
	}
	return s
}

func stratumName(s *trigonev1.Stratum) string {
	if s == nil {
		return "all"
	}
	return words.Spaced(s.GetKind()) + ": " + words.Spaced(s.GetWord())
}

func curveLead(c *trigonev1.EventCurve) string {
	if c.GetStratum() == nil {
		return ""
	}
	return words.Capital(stratumName(c.GetStratum())) + ". "
}

// ofHundred prints a share as how many of 100, with its interval.
func ofHundred(f *trigonev1.Figure) string {
	if f == nil || f.Value == nil {
		return "-"
	}
	s := number(100*f.GetValue(), 1)
	if f.Lower != nil && f.Upper != nil {
		s += fmt.Sprintf(" (%s to %s)", number(100*f.GetLower(), 1), number(100*f.GetUpper(), 1))
	}
	return s
}

// curveDay is a line of the sheet: a curve on a day at which it is told.
type curveDay struct {
	of    *trigonev1.EventCurve
	point *trigonev1.EventCurvePoint
}

// eventCurveColumns are those of a sheet of curves.
func eventCurveColumns(s Sheet) []sheetColumn[curveDay] {
	counted := func(name, meaning string, of func(curveDay) int32) sheetColumn[curveDay] {
		return sheetColumn[curveDay]{name: name, meaning: meaning, of: func(d curveDay) string { return strconv.Itoa(int(of(d))) }}
	}
	columns := []sheetColumn[curveDay]{
		{name: "says", meaning: "What the curve says, in a sentence.", of: func(d curveDay) string { return d.of.GetSentence() }},
		{name: "event", meaning: "What patients are followed for.", words: enumWords(trigonev1.FollowedEvent(0)), of: func(d curveDay) string { return wordKey(d.of.GetEvent()) }},
		{name: "stratum_kind", meaning: "Kind of the word for which the line is given apart; empty: all patients.", of: func(d curveDay) string { return d.of.GetStratum().GetKind() }},
		{name: "stratum", meaning: "That word.", of: func(d curveDay) string { return d.of.GetStratum().GetWord() }},
		{name: "day", meaning: "Day after the operation.", unit: "d", of: func(d curveDay) string { return strconv.Itoa(int(d.point.GetDay())) }},
		counted("at_risk", "Patients still followed on it, before what happens on it.", func(d curveDay) int32 { return d.point.GetAtRiskCount() }),
		counted("events_so_far", "Patients who had the event up to it.", func(d curveDay) int32 { return d.point.GetEventCount() }),
	}
	figure := func(name, meaning string, of func(curveDay) *trigonev1.Figure) {
		for _, end := range figureEnds {
			columns = append(columns, sheetColumn[curveDay]{name: name + end.suffix, meaning: meaning + end.meaning, unit: "1", of: func(d curveDay) string {
				if f := of(d); f != nil {
					return plainNumber(end.of(f))
				}
				return ""
			}})
		}
	}
	figure("share", "Share that had the event up to the day, from 0 to 1; empty where fewer than 10 are at risk", func(d curveDay) *trigonev1.Figure { return d.point.GetShare() })
	figure("earliest_share", "Of recurrence: the same if each began on the day after the last echo without it", func(d curveDay) *trigonev1.Figure { return d.point.GetEarliestShare() })
	figure("completeness", "Of the whole curve: time observed over that which could have been", func(d curveDay) *trigonev1.Figure { return d.of.GetCompleteness() })
	columns = append(columns,
		sheetColumn[curveDay]{name: "method", meaning: "How the share is made: 1 minus the product limit (Kaplan and Meier), or the cumulative incidence with death competing.",
			words: []string{"product_limit", "cumulative_incidence"}, of: func(d curveDay) string {
				if d.of.GetCompetingRisks() {
					return "cumulative_incidence"
				}
				return "product_limit"
			}},
		counted("patients", "Of the whole curve: patients followed, each once.", func(d curveDay) int32 { return d.of.GetPatientCount() }),
		counted("events", "Of the whole curve: patients who had the event.", func(d curveDay) int32 { return d.of.GetEventCount() }),
		counted("competing", "Of the whole curve: patients who can't have it any more.", func(d curveDay) int32 { return d.of.GetCompetingCount() }),
		counted("unseen", "Of these, after the last day on which it would have been known.", func(d curveDay) int32 { return d.of.GetUnseenCount() }),
		counted("late_entries", "Of the whole curve: patients followed only from the day on which their case was first received.", func(d curveDay) int32 { return d.of.GetLateEntryCount() }),
		counted("residual", "Of the whole curve: patients with regurgitation of that grade at discharge.", func(d curveDay) int32 { return d.of.GetResidualCount() }),
	)
	return append(columns, ofSheet[curveDay](s)...)
}

// EventCurvesCSV writes the curves as lines, one for each day at which they are told.
func EventCurvesCSV(w io.Writer, r *trigonev1.EstimateFreedomResponse, s Sheet) error {
	var rows []curveDay
	for _, c := range r.GetCurves() {
		for _, p := range c.GetPoints() {
			rows = append(rows, curveDay{c, p})
		}
	}
	return writeSheet(w, s, eventCurveColumns(s), rows)
}

// EventCurvesDictionary writes what the columns of that mean.
func EventCurvesDictionary(w io.Writer, s Sheet) error {
	return writeDictionary(w, s, "What became of patients after their first operation, one line for each curve and day at which it is told.", eventCurveColumns(s))
}
