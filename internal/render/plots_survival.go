package render

import (
	"fmt"
	"math"

	"trigone/internal/picture"
	"trigone/internal/plot"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// EventCurvePlots draws every curve of the answer, with the numbers at risk below it.
func EventCurvePlots(r *trigonev1.EstimateFreedomResponse) []picture.Picture {
	var list []picture.Picture
	for i, c := range r.GetCurves() {
		list = append(list, eventCurvePlot(fmt.Sprintf("freedom-%d", i+1), c, r.GetContext()))
	}
	if len(list) == 0 {
		f := auditFrame("freedom", "What becomes of patients can't be told.", r.GetContext())
		f.NotDrawn = "no patient is followed"
		return []picture.Picture{plot.Nothing(f)}
	}
	return drawnOf(list, "--event, --by")
}

const daysAYear = 365.25

func eventCurvePlot(name string, c *trigonev1.EventCurve, context *trigonev1.AuditContext) picture.Picture {
	lead := ""
	if c.GetStratum() != nil {
		lead = words.Capital(words.Spaced(c.GetStratum().GetKind())+": "+words.Spaced(c.GetStratum().GetWord())) + ". "
	}
	p := curvesOf(auditFrame(name, lead+c.GetSentence(), context), c)
	p.Notes = leftOutNotes(c.GetLeftOut())
	if e := estimate(c.GetCompleteness()); e != nil {
		p.Notes = append(p.Notes, fmt.Sprintf("Observed %s %% of the time that could have been.", number(100*e.Value, 0)))
	}
	if n := c.GetLateEntryCount(); n > 0 {
		p.Notes = append(p.Notes, fmt.Sprintf("%s followed only from the day on which the case was first received.", count(int(n), "patient is", "patients are")))
	}
	if c.GetCompetingRisks() {
		p.Notes = append(p.Notes, "Cumulative incidence, with death competing.")
	} else {
		p.Notes = append(p.Notes, "1 minus the product limit (Kaplan and Meier).")
	}
	return p.Picture()
}

// EventCurvePlot draws a curve beside which its sentence stands, and who is left out.
func EventCurvePlot(name, sentence string, c *trigonev1.EventCurve, context *trigonev1.AuditContext) picture.Picture {
	return curvesOf(plot.Frame{Name: name, Sentence: sentence, Invented: context.GetInvented()}, c).Picture()
}

// curvesOf gives what is drawn of a curve.
func curvesOf(f plot.Frame, c *trigonev1.EventCurve) plot.Curves {
	event := words.Spaced(Word(c.GetEvent()))
	p := plot.Curves{Frame: f, Share: event + " so far", Unit: "years"}
	p.Counted = fmt.Sprintf("%s, %d with the event", count(int(c.GetPatientCount()), "patient", "patients"), c.GetEventCount())
	if c.GetCompetingCount() > 0 {
		p.Counted += fmt.Sprintf(", %d who can't have it any more", c.GetCompetingCount())
	}
	curve := plot.Curve{Steps: curveSteps(c.GetSteps()), Earliest: curveSteps(c.GetEarliestSteps())}
	end := 0
	for _, s := range c.GetSteps() {
		end = max(end, int(s.GetDay()))
	}
	for _, q := range c.GetPoints() {
		if q.GetShare().GetNotEvaluableBecause() == "" && q.GetShare() != nil && q.GetShare().Value != nil {
			end = max(end, int(q.GetDay()))
		}
	}
	curve.End = float64(end) / daysAYear
	for _, q := range c.GetPoints() {
		if q.GetDay() > 0 && q.GetDay() < 365 {
			continue // no room beside the day of the operation
		}
		p.Times = append(p.Times, math.Round(float64(q.GetDay())/daysAYear))
		curve.AtRisk = append(curve.AtRisk, int(q.GetAtRiskCount()))
		if int(q.GetDay()) >= end {
			break
		}
	}
	if c.GetPatientCount() > 0 && end > 0 {
		p.Curves = []plot.Curve{curve}
	}
	p.NotDrawn = "fewer than 10 patients are followed"
	return p
}

func curveSteps(list []*trigonev1.EventCurveStep) []plot.CurveStep {
	var out []plot.CurveStep
	for _, s := range list {
		e := estimate(s.GetShare())
		if e == nil {
			continue
		}
		out = append(out, plot.CurveStep{At: float64(s.GetDay()) / daysAYear, Share: e.Value, Interval: e.Interval})
	}
	return out
}
