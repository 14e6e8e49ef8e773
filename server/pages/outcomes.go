package pages

import (
	"fmt"
	"strconv"

	"trigone/internal/ledger"
	"trigone/internal/render"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// What became of the patients.

const (
	outcomesPath = "/outcomes"

	outcomeAsked = "outcome"
	unitsAsked   = "units"
)

var outcomesPage = page{
	route: outcomesPath, name: "Outcomes", group: departmentPages, about: "what became of the patients, each share with its interval and of whom it is not known", view: "figures.html", ofRecord: true,
	reads:  trigonev1.AuditService_SummarizeOutcomes_FullMethodName,
	answer: answerOutcomes,
}

func answerOutcomes(v *visit) (view, error) {
	s, err := v.selection(byAsked, unitsAsked)
	if err != nil {
		return view{}, err
	}
	req := &trigonev1.SummarizeOutcomesRequest{Filter: s.audit()}
	if by := s.own[byAsked]; by != "" {
		req.Strata = []string{by}
	}
	if req.Units, err = askedEnum[trigonev1.OutcomeUnits](s, unitsAsked); err != nil {
		return view{}, err
	}
	got, err := v.rooms.Ledger.SummarizeOutcomes(v.ctx(), v.who(), req)
	if err != nil {
		return view{}, err
	}
	c := figuresContent{Form: v.selectionForm(outcomesPath, s, v.outcomeChoices()...), Basis: v.stamp(got.GetContext())}
	shown := view{title: "Outcomes", invented: got.GetContext().GetInvented()}
	if got.GetEligibleCaseCount() == 0 {
		c.Missing, err = v.nothingOperated(s)
		shown.content = c
		return shown, err
	}
	seen := v.upToNow(s, got.GetContext())
	c.Drawn = append(c.Drawn, say(
		v.number(got.GetEligibleCaseCount(), "case was operated on", "cases were operated on", countedPath, seen, onlyAsked, onlyOperated),
		fmt.Sprintf("; counted are %s, each with the first of these operations.", render.Counted(int(got.GetPatientCount()), "patient", "patients")),
	))
	if text := leftOut(got.GetLeftOut(), "case", "cases"); text != "" {
		c.Drawn = append(c.Drawn, say("Left out as a whole: "+text+"."))
	}
	if text := (absentCases{retracted: got.GetRetractedCaseCount(), erased: got.GetErasedCaseCount()}).told(); text != "" {
		c.Drawn = append(c.Drawn, say(text))
	}
	shares := figureSection{ID: "shares", Name: "What became of the patients", Beside: true}
	list := got.GetOutcomes()
	for i, o := range list {
		if o.GetStratum() != nil {
			continue
		}
		if o.GetShare().GetOf() == 0 && o.GetMeasuredCount() == 0 {
			shares.Few = append(shares.Few, fewFigure{o.GetTitle(), o.GetSentence(), link{Name: "nobody"}})
			continue
		}
		end := i + 1
		for end < len(list) && list[end].GetStratum() != nil {
			end++
		}
		shares.Figures = append(shares.Figures, v.outcomeFigure(s, o, list[i+1:end]))
	}
	expected := figureSection{ID: "expected", Name: "Observed and expected", About: "Only risks that were recorded before incision, by one version of one model whose end-point and horizon are those of the outcome."}
	for _, e := range got.GetObservedExpected() {
		expected.Figures = append(expected.Figures, expectedFigure(e))
	}
	units := figureSection{ID: "units", Name: "How outcomes vary", About: "A unit outside its limits is one to look at; it is no verdict."}
	for i, f := range got.GetFunnels() {
		units.Figures = append(units.Figures, funnelFigure(i, f, got.GetContext()))
	}
	for _, of := range []figureSection{shares, expected, units} {
		if len(of.Figures)+len(of.Few) > 0 {
			c.Sections = append(c.Sections, of)
		}
	}
	if n := got.GetStrataCount(); n > 0 {
		c.Notes = append(c.Notes, strataLooked(n))
	}
	shown.content = c
	return shown, nil
}

func (v *visit) outcomeChoices() []choice {
	units := choice{Name: unitsAsked, Label: "Vary by", Any: "Half-years"}
	for _, o := range enumOptions(trigonev1.OutcomeUnits(0)) {
		if o.Value != "half_years" {
			units.Options = append(units.Options, o)
		}
	}
	return []choice{strataChoice(ledger.GroupKinds()), units}
}

func (v *visit) outcomeFigure(s selection, o *trigonev1.OutcomeFigure, strata []*trigonev1.OutcomeFigure) figure {
	type row = *trigonev1.OutcomeFigure
	f := figure{ID: "outcome-" + anchor(o.GetOutcome()), Name: words.Capital(o.GetTitle()), Sentence: o.GetSentence()}
	if share := o.GetShare(); share.GetOf() > 0 {
		about := "Wilson 95 % interval"
		if o.GetExactInterval() {
			about = "exact 95 % interval"
		}
		line(&f.Lines, "Share", render.ShareText(share), about)
		otherwise := share.GetCount()
		if o.GetHopedFor() {
			otherwise = share.GetOf() - share.GetCount()
		}
		if otherwise > 0 {
			n := v.number(otherwise, "", "", countedPath, v.withStratum(s, o.GetStratum()), outcomeAsked, o.GetOutcome())
			n.Name = strconv.Itoa(int(otherwise))
			name := "Who had it"
			if o.GetHopedFor() {
				name = "Otherwise than hoped"
			}
			f.Lines = append(f.Lines, figureLine{Name: name, Value: say(n)})
		}
	}
	if n := o.GetNotKnownCount(); n > 0 {
		about := ""
		if o.LowestShare != nil && o.HighestShare != nil {
			about = fmt.Sprintf("the share would be %s if it came to none of them, %s if to all", percent(o.GetLowestShare()), percent(o.GetHighestShare()))
		}
		line(&f.Lines, "Not known", strconv.Itoa(int(n)), about)
	}
	if n := o.GetNotOverCount(); n > 0 {
		about := "patients, who are not in the share"
		if k := o.GetNotOverEventCount(); k > 0 {
			about += fmt.Sprintf("; to %d of them it came already", k)
		}
		line(&f.Lines, "Time not over yet", strconv.Itoa(int(n)), about)
	}
	if o.GetMeasuredCount() > 0 {
		unit := o.GetUnit()
		line(&f.Lines, "Measured in", render.Counted(int(o.GetMeasuredCount()), "patient", "patients"), "")
		line(&f.Lines, "Median", unsigned(o.GetMedian(), unit), quartiles(o, unit))
		line(&f.More, "Mean", unsigned(o.GetMean(), unit), "")
	}
	f.Defined = words.Sentence(o.GetDefinition())
	if text := leftOut(o.GetLeftOut(), "patient", "patients"); text != "" {
		f.Notes = append(f.Notes, words.Sentence("left out here: "+text))
	}
	f.Tables = tableOf("By part", o.GetParts(), func(p *trigonev1.OutcomePart) telling {
		return say(words.Capital(words.Spaced(p.GetKind()) + ": " + words.Spaced(p.GetWord())))
	}, textColumn("Share", func(p *trigonev1.OutcomePart) string { return render.ShareText(p.GetShare()) }))
	f.Tables = append(f.Tables, tableOf("", strata, func(a row) telling { return v.stratumLink(outcomesPath, s, a.GetStratum()) },
		textColumn("Share", func(a row) string { return render.ShareText(a.GetShare()) }),
		textColumn("Not known", func(a row) string { return strconv.Itoa(int(a.GetNotKnownCount())) }),
		textColumn("Median", func(a row) string { return unsigned(a.GetMedian(), a.GetUnit()) }),
	)...)
	return f
}

// withStratum narrows a selection to a stratum, where there is one.
func (v *visit) withStratum(s selection, st *trigonev1.Stratum) selection {
	if st == nil {
		return s
	}
	return s.with(st.GetKind(), st.GetWord())
}

func quartiles(o *trigonev1.OutcomeFigure, unit string) string {
	if o.LowerQuartile == nil || o.UpperQuartile == nil {
		return ""
	}
	return "half of them lie between " + unsigned(&trigonev1.Figure{Value: o.LowerQuartile}, "") + " and " + unsigned(&trigonev1.Figure{Value: o.UpperQuartile}, unit)
}

func expectedFigure(e *trigonev1.ObservedExpected) figure {
	f := figure{
		ID:   anchor("expected", e.GetOutcome(), e.GetModel(), e.GetVersion()),
		Name: words.Capital(words.Spaced(e.GetOutcome())), Tag: e.GetModel() + " " + e.GetVersion(), Sentence: e.GetSentence(),
	}
	line(&f.Lines, "Observed", render.ShareText(e.GetObserved()), "exact 95 % interval")
	line(&f.Lines, "Expected", strconv.FormatFloat(e.GetExpected(), 'f', 1, 64), "the sum of the risks")
	if e.GetRatio().Value != nil {
		line(&f.Lines, "Observed over expected", unsigned(e.GetRatio(), "1"), "")
	} else if because := e.GetRatio().GetNotEvaluableBecause(); because != "" {
		f.Notes = append(f.Notes, words.Sentence("no ratio: "+because))
	}
	if n := e.GetNotKnownCount(); n > 0 {
		about := ""
		if e.LowestRatio != nil && e.HighestRatio != nil {
			about = fmt.Sprintf("the ratio would be %.2f if it came to none of them, %.2f if to all", e.GetLowestRatio(), e.GetHighestRatio())
		}
		line(&f.Lines, "Not known", strconv.Itoa(int(n)), about)
	}
	line(&f.Lines, "Without a usable risk", render.ShareText(e.GetWithoutRisk()), "in whom it happened, of those of whom it is known")
	if text := leftOut(e.GetLeftOut(), "patient", "patients"); text != "" {
		f.Notes = append(f.Notes, words.Sentence("left out here: "+text))
	}
	return f
}

func unitsName(u trigonev1.OutcomeUnits) string {
	if u == trigonev1.OutcomeUnits_OUTCOME_UNITS_OPERATORS {
		return "operator"
	}
	return "half-year"
}

func funnelFigure(i int, of *trigonev1.Funnel, c *trigonev1.AuditContext) figure {
	type row = *trigonev1.FunnelPoint
	f := figure{ID: fmt.Sprintf("units-%d", i+1), Name: words.Capital(words.Spaced(of.GetOutcome())), Tag: "by " + unitsName(of.GetUnits()), Sentence: of.GetSentence()}
	if of.Target != nil {
		line(&f.Lines, "Held against", percent(of.GetTarget()), of.GetTargetSource())
	}
	if n := of.GetSmallUnitCount(); n > 0 {
		f.Notes = append(f.Notes, render.Counted(int(n), "unit has", "units have")+" fewer than 10 cases and is not shown.")
	}
	if n := of.GetNotKnownUnitCount(); n > 0 {
		f.Notes = append(f.Notes, "Of too many patients of "+render.Counted(int(n), "unit", "units")+" it is not known.")
	}
	if of.Overdispersion != nil {
		about := "mean squared distance in standard errors; 1 is chance"
		if of.GetWidened() {
			about += "; the limits were widened by it"
		}
		line(&f.Lines, "Unevenness", strconv.FormatFloat(of.GetOverdispersion(), 'f', 2, 64), about)
	}
	if p, ok := render.UnitsPlot("picture-"+f.ID, f.Name+", "+f.Tag+".", of, c); ok {
		f.Plot = drawn(p)
	}
	limits := func(low, high *float64) string {
		switch {
		case low == nil && high == nil:
			return "-"
		case low == nil:
			return "up to " + percent(*high)
		case high == nil:
			return "from " + percent(*low)
		}
		return percent(*low) + " to " + percent(*high)
	}
	f.Tables = tableOf("", of.GetPoints(), func(p row) telling {
		name := p.GetLabel()
		if p.GetOwn() {
			name += " (own)"
		}
		return say(name)
	},
		textColumn("Share", func(p row) string { return render.ShareText(p.GetShare()) }),
		textColumn("95 % of such units lie within", func(p row) string { return limits(p.Lower_95, p.Upper_95) }),
		textColumn("99.8 % of them", func(p row) string { return limits(p.Lower_998, p.Upper_998) }),
		textColumn("Look", func(p row) string {
			if p.GetLook() {
				return "outside: look"
			}
			return ""
		}),
	)
	return f
}

// outcomeCases gives the cases that went otherwise than hoped in one respect.
func outcomeCases(v *visit, s selection) (namedCases, error) {
	got, err := v.rooms.Ledger.SummarizeOutcomes(v.ctx(), v.who(), &trigonev1.SummarizeOutcomesRequest{Filter: s.audit(), Outcomes: []string{s.own[outcomeAsked]}, IncludeCases: true})
	if err != nil {
		return namedCases{}, err
	}
	var out namedCases
	for _, o := range got.GetOutcomes() {
		if o.GetStratum() != nil {
			continue
		}
		out.told, out.names = o.GetTitle()+", otherwise than hoped", o.GetCaseNames()
		otherwise := o.GetShare().GetCount()
		if o.GetHopedFor() {
			otherwise = o.GetShare().GetOf() - otherwise
		}
		out.most = int(otherwise) > len(out.names)
	}
	return out, nil
}
