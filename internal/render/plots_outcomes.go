package render

import (
	"fmt"
	"slices"

	"trigone/internal/picture"
	"trigone/internal/plot"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// OutcomePlots draws how outcomes vary between the units of the answer: half-years and
// operators each in a row of their own, one small plot an outcome, with the interval of
// each share. Limits and who lies outside them are told in the sentences below.
func OutcomePlots(r *trigonev1.SummarizeOutcomesResponse) []picture.Picture {
	titles := map[string]string{}
	for _, o := range r.GetOutcomes() {
		if o.GetStratum() == nil {
			titles[o.GetOutcome()] = o.GetTitle()
		}
	}
	m := plot.Multiples{Frame: auditFrame("outcomes", "How outcomes ran from half-year to half-year.", r.GetContext())}
	m.Counted = count(int(r.GetPatientCount()), "patient", "patients")
	m.NotDrawn = "no half-year, or operator, has 10 patients of whom an outcome is known"
	for _, f := range r.GetFunnels() {
		for _, q := range f.GetPoints() {
			if !slices.Contains(m.Times, q.GetLabel()) {
				m.Times = append(m.Times, q.GetLabel())
			}
		}
		if f.GetUnits() == trigonev1.OutcomeUnits_OUTCOME_UNITS_OPERATORS {
			m.Sentence = "How outcomes vary between operators, by letter."
		}
	}
	slices.Sort(m.Times)
	for _, f := range r.GetFunnels() {
		title := titles[f.GetOutcome()]
		if title == "" {
			title = words.Capital(words.Spaced(f.GetOutcome()))
		}
		panel := plot.SmallPanel{Name: title + ", %", Percent: true, Points: make([]plot.SmallPoint, len(m.Times))}
		if f.Target != nil {
			panel.Reference, panel.ReferenceName = f.Target, f.GetTargetSource()
		}
		known := false
		for _, q := range f.GetPoints() {
			e := estimate(q.GetShare().GetShare())
			known = known || e != nil
			panel.Points[slices.Index(m.Times, q.GetLabel())] = plot.SmallPoint{Estimate: e, Of: int(q.GetShare().GetOf())}
		}
		if !known {
			continue
		}
		m.Panels = append(m.Panels, panel)
		m.Notes = append(m.Notes, f.GetSentence())
		if n := f.GetSmallUnitCount(); n > 0 {
			m.Notes = append(m.Notes, fmt.Sprintf("%s with fewer than 10 patients left out.", count(int(n), "unit", "units")))
		}
	}
	if len(m.Panels) == 0 {
		return []picture.Picture{plot.Nothing(m.Frame)}
	}
	for i, t := range m.Times {
		m.Times[i] = halfYear(t)
	}
	return []picture.Picture{m.Picture()}
}

// halfYear shortens 2026-H1 to 1/26, so that years stand beside each other.
func halfYear(label string) string {
	if len(label) == 7 && label[4:6] == "-H" {
		return label[6:] + "/" + label[2:4]
	}
	return label
}
