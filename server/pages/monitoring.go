package pages

import (
	"fmt"
	"strconv"

	"trigone/internal/render"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Outcomes followed from operation to operation.

const (
	monitoringPath = "/monitoring"

	operatorAsked = "operator"
	// chartAsked is the outcome whose failures are listed.
	chartAsked = "chart"
)

var monitoringPage = page{
	route: monitoringPath, name: "Monitoring", group: departmentPages, about: "outcomes from operation to operation, and where a chart signals", view: "figures.html", ofRecord: true,
	reads:  trigonev1.AuditService_MonitorOutcomes_FullMethodName,
	answer: answerMonitoring,
}

func answerMonitoring(v *visit) (view, error) {
	s, err := v.selection(operatorAsked)
	if err != nil {
		return view{}, err
	}
	req := &trigonev1.MonitorOutcomesRequest{Operator: s.own[operatorAsked]}
	if s.narrowed() {
		req.Filter = s.audit()
	}
	got, err := v.rooms.Ledger.MonitorOutcomes(v.ctx(), v.who(), req)
	if err != nil {
		return view{}, err
	}
	operators := choice{Name: operatorAsked, Label: "Operations of", Any: "The department"}
	for _, o := range got.GetMonitoredOperators() {
		operators.Options = append(operators.Options, option{Value: o, Text: o})
	}
	var own []choice
	if len(operators.Options) > 0 || s.own[operatorAsked] != "" {
		own = append(own, operators)
	}
	c := figuresContent{Form: v.selectionForm(monitoringPath, s, own...), Lead: got.GetSentence(), Basis: v.stamp(got.GetContext())}
	shown := view{title: "Monitoring", invented: got.GetContext().GetInvented()}
	if got.GetOperationCount() == 0 && s.own[operatorAsked] == "" {
		c.Lead = ""
		c.Missing, err = v.nothingOperated(s)
		shown.content = c
		return shown, err
	}
	seen := v.upToNow(s, got.GetContext())
	operations := v.number(got.GetOperationCount(), "operation", "operations", countedPath, seen, onlyAsked, onlyOperated)
	if s.own[operatorAsked] != "" {
		operations.Address = "" // cases are not listed by who operated
	}
	c.Drawn = append(c.Drawn, say(operations, " are looked at, in order of incision. A signal asks to look at the operations before it; it is no verdict, and the pictures raise none."))
	if text := (absentCases{got.GetRetractedCaseCount(), got.GetErasedCaseCount(), got.GetUndatedCaseCount()}).told(); text != "" {
		c.Drawn = append(c.Drawn, say(text))
	}
	if got.FalseAlarmsAYear != nil {
		c.Notes = append(c.Notes, fmt.Sprintf("All charts of this page together are expected to signal falsely %.2g times a year.", got.GetFalseAlarmsAYear()))
	}
	if got.PolicyFalseAlarmsAYear != nil {
		c.Notes = append(c.Notes, fmt.Sprintf("All charts that the policy names are expected to signal falsely %.2g times a year.", got.GetPolicyFalseAlarmsAYear()))
	}
	signalling := figureSection{ID: "charts", Name: "Charts that can signal"}
	pictures := figureSection{ID: "pictures", Name: "Pictures", About: "The policy of the site does not name these outcomes, or their limits cannot be computed: nothing signals here, whatever a line does."}
	for _, chart := range got.GetCharts() {
		f := v.chartFigure(s, chart)
		if p, ok := render.MonitoringPlot("picture-"+f.ID, chart, got.GetContext()); ok {
			f.Plot = drawn(p)
		}
		if chart.GetKind() == trigonev1.MonitoringChartKind_MONITORING_CHART_KIND_PICTURE {
			pictures.Figures = append(pictures.Figures, f)
		} else {
			signalling.Figures = append(signalling.Figures, f)
		}
	}
	learning := figureSection{ID: "learning", Name: "Learning"}
	if l := got.GetLearning(); l != nil {
		f := learningFigure(l)
		f.Plot = drawn(render.LearningPlot("picture-"+f.ID, l, got.GetContext()))
		learning.Figures = append(learning.Figures, f)
	}
	for _, of := range []figureSection{signalling, learning, pictures} {
		if len(of.Figures) > 0 {
			c.Sections = append(c.Sections, of)
		}
	}
	if len(signalling.Figures) == 0 {
		c.Notes = append(c.Notes, "No chart can signal: the site's policy names none, or the cases are narrowed. Which outcomes and operators are followed, and by which odds, is the policy's to say (monitoring); trigone check-policy reads it.")
	}
	shown.content = c
	return shown, nil
}

func (v *visit) chartFigure(s selection, chart *trigonev1.MonitoringChart) figure {
	f := figure{ID: "chart-" + anchor(chart.GetOutcome()), Name: words.Capital(words.Spaced(chart.GetOutcome())), Tag: render.Word(chart.GetKind()), Sentence: chart.GetSentence()}
	known := link{Name: strconv.Itoa(int(chart.GetKnownCount()))}
	f.Lines = append(f.Lines, figureLine{Name: "With a known outcome", Value: say(known), About: fmt.Sprintf("of %s on the chart", render.Counted(int(chart.GetOperationCount()), "operation", "operations"))})
	failed := link{Name: "none"}
	if n := chart.GetFailedCount(); n > 0 {
		failed = v.number(n, "", "", countedPath, s, chartAsked, chart.GetOutcome(), operatorAsked, s.own[operatorAsked])
		failed.Name = strconv.Itoa(int(n))
	}
	about := ""
	if chart.Expected != nil {
		about = fmt.Sprintf("expected %.1f", chart.GetExpected())
	}
	f.Lines = append(f.Lines, figureLine{Name: "Of these, failures", Value: say(failed), About: about})
	waits := ""
	for _, w := range []struct {
		n     int32
		about string
	}{{chart.GetAwaitedCount(), "not known yet"}, {chart.GetGapCount(), "not known long after their time: gaps"}, {chart.GetWaitingCount(), "after the end of the chart, which waits for them"}} {
		if w.n > 0 {
			if waits != "" {
				waits += "; "
			}
			waits += fmt.Sprintf("%d %s", w.n, w.about)
		}
	}
	line(&f.Lines, "Not known", waits, "")
	if b := chart.GetBaseline(); b.GetOperationCount() > 0 {
		period := b.GetFromTime().AsTime().In(v.zone()).Format("2 Jan 2006") + " to " + b.GetBeforeTime().AsTime().In(v.zone()).AddDate(0, 0, -1).Format("2 Jan 2006")
		line(&f.Lines, "Baseline", period, fmt.Sprintf("%s, %d failures of %d known; no part of what is monitored", render.Counted(int(b.GetOperationCount()), "operation", "operations"), b.GetFailedCount(), b.GetKnownCount()))
		if b.GetObservedOverExpected().GetValue() != 0 {
			text := unsigned(b.GetObservedOverExpected(), "1")
			odds := ""
			if b.OddsFactor != nil {
				odds = fmt.Sprintf("all odds are multiplied by %.2f before they are weighed", b.GetOddsFactor())
			}
			line(&f.Lines, "Observed over expected there", text, odds)
		}
	}
	for _, arm := range []struct {
		name string
		arm  *trigonev1.MonitoringArm
	}{{"More failures than expected", chart.GetUpper()}, {"Fewer", chart.GetLower()}} {
		if arm.arm == nil {
			continue
		}
		line(&f.Lines, arm.name, fmt.Sprintf("signals at %.2f", arm.arm.GetLimit()), fmt.Sprintf("odds ratio %.2f; on average after %s where odds are as expected, after %s where they are that much off",
			arm.arm.GetOddsRatio(), run(arm.arm.GetInControlCases(), arm.arm.InControlMonths), run(arm.arm.GetOutOfControlCases(), arm.arm.OutOfControlMonths)))
	}
	if chart.FalseAlarmsAYear != nil {
		line(&f.Lines, "False alarms expected", fmt.Sprintf("%.2g a year", chart.GetFalseAlarmsAYear()), "")
	}
	if n := chart.GetWorstSignalCount(); n > 0 {
		line(&f.More, "Signals if all that is not known had failed", strconv.Itoa(int(n)), "")
	}
	if n := chart.GetLateReceivedCount(); n > 0 {
		line(&f.More, "Received after their time", strconv.Itoa(int(n)), "")
	}
	line(&f.More, "Failures of those without an expected risk", render.ShareText(chart.GetWithoutRisk()), "")
	if chart.GetModel() != "" {
		line(&f.More, "Model of expected risks", chart.GetModel()+" "+chart.GetModelVersion(), "")
	}
	type row = *trigonev1.MonitoringSignal
	f.Tables = tableOf("Signals", chart.GetSignals(), func(m row) telling { return say(v.caseLink(m.GetCaseName(), v.incised(m.GetIncisionTime()))) },
		textColumn("Operation", func(m row) string { return strconv.Itoa(int(m.GetNumber())) }),
		textColumn("There were", func(m row) string {
			if m.GetMore() {
				return "more failures than expected"
			}
			return "fewer failures than expected"
		}))
	if chart.GetDefinition() != "" {
		f.Notes = append(f.Notes, words.Sentence(chart.GetDefinition()))
	}
	f.Notes = append(f.Notes, chart.GetNotes()...)
	if text := leftOut(chart.GetLeftOut(), "operation", "operations"); text != "" {
		f.Notes = append(f.Notes, words.Sentence("on no chart: "+text))
	}
	return f
}

// run is how long a chart goes on average until it signals.
func run(cases float64, months *float64) string {
	text := fmt.Sprintf("%.0f operations", cases)
	if months != nil {
		text += fmt.Sprintf(" (%.0f months)", *months)
	}
	return text
}

func learningFigure(l *trigonev1.LearningChart) figure {
	f := figure{ID: "learning-" + anchor(l.GetOutcome()), Name: words.Capital(words.Spaced(l.GetOutcome())), Tag: "learning chart", Sentence: l.GetSentence()}
	line(&f.Lines, "Rates told apart", percent(l.GetAcceptableRate())+" and "+percent(l.GetUnacceptableRate()), fmt.Sprintf("chance of either mistake %s and %s", percent(l.GetAlpha()), percent(l.GetBeta())))
	line(&f.Lines, "Operations", strconv.Itoa(int(l.GetOperationCount())), fmt.Sprintf("%d failures of %d known", l.GetFailedCount(), l.GetKnownCount()))
	if l.ToldAt != nil {
		told := "the acceptable rate"
		if l.GetToldUnacceptable() {
			told = "the unacceptable rate"
		}
		line(&f.Lines, "Told", told, fmt.Sprintf("at operation %d", l.GetToldAt()))
	}
	return f
}

// chartCases gives the failures on the chart of an outcome.
func chartCases(v *visit, s selection) (namedCases, error) {
	req := &trigonev1.MonitorOutcomesRequest{Outcomes: []string{s.own[chartAsked]}, Operator: s.own[operatorAsked]}
	if s.narrowed() {
		req.Filter = s.audit()
	}
	got, err := v.rooms.Ledger.MonitorOutcomes(v.ctx(), v.who(), req)
	if err != nil {
		return namedCases{}, err
	}
	out := namedCases{told: "failures on the chart of " + words.Spaced(s.own[chartAsked])}
	for _, chart := range got.GetCharts() {
		out.most = out.most || chart.GetPointsBeforeCount() > 0
		for _, p := range chart.GetPoints() {
			if p.GetState() == trigonev1.MonitoringPointState_MONITORING_POINT_STATE_FAILED {
				out.names = append(out.names, p.GetCaseName())
			}
		}
	}
	return out, nil
}
