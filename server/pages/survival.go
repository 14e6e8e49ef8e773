package pages

import (
	"fmt"
	"strconv"

	"trigone/internal/convert"
	"trigone/internal/ledger"
	"trigone/internal/render"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// What comes to patients after the operation.

const (
	freedomPath = "/freedom"

	eventAsked    = "event"
	gradeAsked    = "grade"
	residualAsked = "residual"
)

var freedomPage = page{
	route: freedomPath, name: "Freedom", group: departmentPages, about: "how many stay free from death, reintervention and recurrence, over the years", view: "figures.html", ofRecord: true,
	reads:  trigonev1.AuditService_EstimateFreedom_FullMethodName,
	answer: answerFreedom,
}

func freedomOf(s selection) (*trigonev1.EstimateFreedomRequest, error) {
	req := &trigonev1.EstimateFreedomRequest{Filter: s.audit()}
	var err error
	if req.RecurrenceGrade, err = askedEnum[trigonev1.GradeValue](s, gradeAsked); err != nil {
		return nil, err
	}
	if req.Residual, err = askedEnum[trigonev1.ResidualRegurgitation](s, residualAsked); err != nil {
		return nil, err
	}
	event, err := askedEnum[trigonev1.FollowedEvent](s, eventAsked)
	if err != nil {
		return nil, err
	}
	if event != 0 {
		req.Events = []trigonev1.FollowedEvent{event}
	}
	if by := s.own[byAsked]; by != "" {
		req.Strata = []string{by}
	}
	return req, nil
}

func freedomChoices() []choice {
	grades := choice{Name: gradeAsked, Label: "Recurrence from", Any: "Moderate"}
	for _, o := range enumOptions(trigonev1.GradeValue(0)) {
		switch o.Value {
		case "mild", "moderate_to_severe", "severe":
			grades.Options = append(grades.Options, o)
		}
	}
	residual := choice{Name: residualAsked, Label: "Regurgitation at discharge", Any: "Left out of recurrence"}
	for _, o := range enumOptions(trigonev1.ResidualRegurgitation(0)) {
		if o.Value != "left_out" {
			residual.Options = append(residual.Options, o)
		}
	}
	return []choice{grades, residual, strataChoice(ledger.GroupKinds())}
}

func answerFreedom(v *visit) (view, error) {
	s, err := v.selection(gradeAsked, residualAsked, byAsked)
	if err != nil {
		return view{}, err
	}
	req, err := freedomOf(s)
	if err != nil {
		return view{}, err
	}
	got, err := v.rooms.Ledger.EstimateFreedom(v.ctx(), v.who(), req)
	if err != nil {
		return view{}, err
	}
	c := figuresContent{Form: v.selectionForm(freedomPath, s, freedomChoices()...), Basis: v.stamp(got.GetContext())}
	shown := view{title: "Freedom", invented: got.GetContext().GetInvented()}
	if got.GetEligibleCaseCount() == 0 {
		c.Missing, err = v.nothingOperated(s)
		shown.content = c
		return shown, err
	}
	seen := v.upToNow(s, got.GetContext())
	c.Drawn = append(c.Drawn, say(v.number(got.GetEligibleCaseCount(), "case was operated on", "cases were operated on", countedPath, seen, onlyAsked, onlyOperated), "."))
	if n := got.GetReplacedPatientCount(); n > 0 {
		text := "In " + render.Counted(int(n), "patient", "patients") + " the valve was replaced in theatre: they leave the curves on day 0"
		if k := got.GetReplacedPatientDeathCount(); k > 0 {
			text += fmt.Sprintf("; %d of them died since", k)
		}
		c.Drawn = append(c.Drawn, say(text+"."))
	}
	if text := leftOut(got.GetLeftOut(), "case", "cases"); text != "" {
		c.Drawn = append(c.Drawn, say("Left out as a whole: "+text+"."))
	}
	if text := (absentCases{got.GetRetractedCaseCount(), got.GetErasedCaseCount(), got.GetUndatedCaseCount()}).told(); text != "" {
		c.Drawn = append(c.Drawn, say(text))
	}
	list := got.GetCurves()
	for i, curve := range list {
		if curve.GetStratum() != nil {
			continue
		}
		end := i + 1
		for end < len(list) && list[end].GetStratum() != nil {
			end++
		}
		word := convert.Word(curve.GetEvent())
		f := v.curveFigure(s, curve, list[i+1:end])
		if curve.GetPatientCount() > 0 {
			f.Plot = drawn(render.EventCurvePlot("picture-"+f.ID, words.Capital(words.Spaced(word))+" after the operation, over the years.", curve, got.GetContext()))
		}
		c.Sections = append(c.Sections, figureSection{ID: "of-" + anchor(word), Name: words.Capital(words.Spaced(word)), Figures: []figure{f}})
	}
	if n := got.GetStrataCount(); n > 0 {
		c.Notes = append(c.Notes, strataLooked(n))
	}
	shown.content = c
	return shown, nil
}

// dayName says a day after the operation as one says it.
func dayName(day int32) string {
	switch {
	case day == 0:
		return "On the day of the operation"
	case day < 365:
		return "Up to " + strconv.Itoa(int(day)) + " days"
	}
	return "Up to " + render.Counted(int((float64(day)+1)/365.25+0.5), "year", "years")
}

// shareOf gives a share in percent with its interval, or a dash.
func shareOf(f *trigonev1.Figure) string {
	if f == nil || f.Value == nil {
		return "-"
	}
	text := percent(f.GetValue())
	if f.Lower != nil && f.Upper != nil {
		text += " (" + strconv.FormatFloat(100*f.GetLower(), 'f', 1, 64) + " to " + percent(f.GetUpper()) + ")"
	}
	return text
}

func (v *visit) curveFigure(s selection, curve *trigonev1.EventCurve, strata []*trigonev1.EventCurve) figure {
	type point = *trigonev1.EventCurvePoint
	type row = *trigonev1.EventCurve
	word := convert.Word(curve.GetEvent())
	f := figure{ID: "curve-" + anchor(word), Name: "Who had it, over time", Sentence: curve.GetSentence()}
	line(&f.Lines, "Followed", render.Counted(int(curve.GetPatientCount()), "patient", "patients"), "each once")
	had := link{Name: "none"}
	if n := curve.GetEventCount(); n > 0 {
		had = v.number(n, "", "", countedPath, s, eventAsked, word, gradeAsked, s.own[gradeAsked], residualAsked, s.own[residualAsked])
		had.Name = strconv.Itoa(int(n))
	}
	f.Lines = append(f.Lines, figureLine{Name: "Of these, had it", Value: say(had)})
	if n := curve.GetCompetingCount(); n > 0 {
		about := ""
		if k := curve.GetUnseenCount(); k > 0 {
			about = fmt.Sprintf("of %d of these it is not known whether they had it before", k)
		}
		line(&f.Lines, "Can't have it any more", strconv.Itoa(int(n)), about)
	}
	line(&f.Lines, "Completeness", shareOf(curve.GetCompleteness()), "time observed over that which could have been (Clark 2002)")
	if n := curve.GetResidualCount(); n > 0 {
		line(&f.Lines, "Residual regurgitation", strconv.Itoa(int(n)), "at discharge or on leaving theatre")
	}
	if n := curve.GetLateEntryCount(); n > 0 {
		line(&f.Lines, "Followed late", strconv.Itoa(int(n)), "from the day on which the service first received them")
	}
	if n := curve.GetIntervalCensoredCount(); n > 0 {
		line(&f.Lines, "Found at an echo", strconv.Itoa(int(n)), "known to lie between two examinations only")
	}
	if text := leftOut(curve.GetLeftOut(), "patient", "patients"); text != "" {
		f.Notes = append(f.Notes, words.Sentence("not followed: "+text))
	}
	var points []point
	for _, p := range curve.GetPoints() {
		if p.GetAtRiskCount() > 0 || p.GetShare().GetValue() > 0 {
			points = append(points, p)
		}
	}
	f.Tables = tableOf("", points, func(p point) telling { return say(dayName(p.GetDay())) },
		textColumn("Still followed", func(p point) string { return strconv.Itoa(int(p.GetAtRiskCount())) }),
		textColumn("Had it", func(p point) string { return strconv.Itoa(int(p.GetEventCount())) }),
		textColumn("Share (95 % interval)", func(p point) string { return shareOf(p.GetShare()) }),
		textColumn("At the earliest", func(p point) string { return shareOf(p.GetEarliestShare()) }),
	)
	for i := range f.Tables {
		f.Tables[i].Name = "On some days; no share where fewer than 10 are followed"
	}
	f.Tables = append(f.Tables, tableOf("", strata, func(a row) telling { return v.stratumLink(freedomPath, s, a.GetStratum()) },
		textColumn("Followed", func(a row) string { return strconv.Itoa(int(a.GetPatientCount())) }),
		textColumn("Had it", func(a row) string { return strconv.Itoa(int(a.GetEventCount())) }),
		textColumn("Says", row.GetSentence),
	)...)
	return f
}

// eventCases gives the cases that had an event.
func eventCases(v *visit, s selection) (namedCases, error) {
	req, err := freedomOf(s)
	if err != nil {
		return namedCases{}, err
	}
	got, err := v.rooms.Ledger.EstimateFreedom(v.ctx(), v.who(), req)
	if err != nil {
		return namedCases{}, err
	}
	out := namedCases{told: words.Spaced(s.own[eventAsked]) + " after the operation"}
	for _, curve := range got.GetCurves() {
		for _, c := range curve.GetCases() {
			out.names = append(out.names, c.GetCaseName())
		}
		out.most = int(curve.GetEventCount()) > len(curve.GetCases())
	}
	return out, nil
}
