package pages

import (
	"fmt"
	"strconv"

	"trigone/internal/convert"
	"trigone/internal/ledger"
	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

// Whether measured values fall inside the ranges that were printed before.

const predictionPath = "/prediction"

var predictionPage = page{
	route: predictionPath, name: "Prediction", group: departmentPages, about: "whether measured values fall inside the printed ranges", view: "figures.html", ofRecord: true,
	reads:  trigonev1.AuditService_SummarizeAgreement_FullMethodName,
	answer: answerPrediction,
}

var predictionKinds = []trigonev1.ComparisonKind{
	trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_PLAN, trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_EXECUTION,
}

func answerPrediction(v *visit) (view, error) {
	s, err := v.selection(byAsked, viewAsked)
	if err != nil {
		return view{}, err
	}
	req, err := agreementsOf(s)
	if err != nil {
		return view{}, err
	}
	req.Kinds = predictionKinds
	got, err := v.rooms.Ledger.SummarizeAgreement(v.ctx(), v.who(), req)
	if err != nil {
		return view{}, err
	}
	executed := choice{Name: viewAsked, Label: "Cases", Any: "All that were planned", Options: []option{{Value: "as_executed", Text: "Only where steps and ring came as planned"}}}
	c := figuresContent{
		Form: v.selectionForm(predictionPath, s, strataChoice(ledger.GroupKinds()), executed), Basis: v.stamp(got.GetContext()),
		Lead: "A predicted range is printed as one in which 95 of 100 measured values should lie. This page counts how many did: each patient once, by the first reading off bypass, apart for each method, formula and calibration.",
	}
	shown := view{title: "Prediction", invented: got.GetContext().GetInvented()}
	if got.GetEligibleCaseCount() == 0 {
		c.Missing, err = v.nothingOperated(s)
		shown.content = c
		return shown, err
	}
	c.Drawn = v.agreementDrawn(s, got)
	list := got.GetAgreements()
	for _, kind := range predictionKinds {
		of := figureSection{ID: convert.Word(kind), Name: kindHeading(kind)}
		for i, a := range list {
			if a.GetKind() != kind || a.GetStratum() != nil {
				continue
			}
			if a.GetInRange().GetInside().GetOf() == 0 {
				of.Few = append(of.Few, fewFigure{render.AgreementName(a), a.GetSentence(), v.pairs(s, a)})
				continue
			}
			end := i + 1
			for end < len(list) && list[end].GetStratum() != nil {
				end++
			}
			f := v.predictionFigure(s, a, list[i+1:end])
			f.Plot = drawn(render.CoveragePlot("picture-"+f.ID, f.Name+": how often the range held.", append([]*trigonev1.Agreement{a}, list[i+1:end]...), got.GetContext()))
			of.Figures = append(of.Figures, f)
		}
		if len(of.Figures)+len(of.Few) > 0 {
			c.Sections = append(c.Sections, of)
		}
	}
	if len(c.Sections) == 0 {
		c.Missing = "None of these cases has a predicted range and a value that was measured after it. A prediction takes the heights of both leaflets, the ring, and a valve that the model holds for; the page of a case says what it lacks."
	}
	if n := got.GetStrataCount(); n > 0 {
		c.Notes = append(c.Notes, strataLooked(n))
	}
	shown.content = c
	return shown, nil
}

func (v *visit) predictionFigure(s selection, a *trigonev1.Agreement, strata []*trigonev1.Agreement) figure {
	type row = *trigonev1.Agreement
	r := a.GetInRange()
	f := figure{Name: render.AgreementName(a), Sentence: insideSentence(a)}
	f.ID = anchor(convert.Word(a.GetKind()), f.Name, strconv.Itoa(int(a.GetFormulaNumber())), strconv.Itoa(int(a.GetMetricFormulaNumber())), a.GetCalibrationId())
	f.Tag = "uncalibrated"
	if a.GetCalibrationId() != "" {
		f.Tag = "calibration " + a.GetCalibrationId()
	}
	f.Lines = append(f.Lines, figureLine{Name: "Patients counted", Value: say(v.pairs(s, a)), About: fmt.Sprintf("of %s with such a prediction", render.Counted(int(a.GetPatientCount()), "patient", "patients"))})
	line(&f.Lines, "Inside the range", render.ShareText(r.GetInside()), "95 % exact interval of the share")
	line(&f.Lines, "Below it", strconv.Itoa(int(r.GetBelowCount())), "")
	line(&f.Lines, "Above it", strconv.Itoa(int(r.GetAboveCount())), "")
	line(&f.Lines, "Mean difference", render.FigureText(a.GetBias(), a.GetUnit()), "measured minus predicted")
	if r.ZMean != nil {
		line(&f.Lines, "Misses in predicted standard deviations", fmt.Sprintf("mean %.2f, spread %.2f", r.GetZMean(), r.GetZSd()), "0 and 1 are right; a spread below 1: the range is wider than it need be")
	}
	f.Notes = leftOutNotes(a)
	if tenths := r.GetTenthCounts(); len(tenths) > 0 {
		table := figureTable{Name: "Where measured values lie in what was predicted"}
		row := figureRow{Of: say("Values")}
		for i, n := range tenths {
			table.Columns = append(table.Columns, fmt.Sprintf("%d-%d %%", 10*i, 10*(i+1)))
			row.Cells = append(row.Cells, say(strconv.Itoa(int(n))))
		}
		table.Rows = []figureRow{row}
		f.Tables = append(f.Tables, table)
		about := "Each tenth of the predicted distribution should hold about as many."
		if r.TenthsP != nil {
			about += fmt.Sprintf(" So uneven a count comes by chance with probability %.2g.", r.GetTenthsP())
		}
		f.Notes = append(f.Notes, about)
	}
	f.Tables = append(f.Tables, tableOf("", strata, func(a row) telling { return v.stratumLink(predictionPath, s, a.GetStratum()) },
		column[row]{"Patients", func(a row) telling { return say(v.pairs(s, a)) }},
		textColumn("Inside the range", func(a row) string { return render.ShareText(a.GetInRange().GetInside()) }),
		textColumn("Below", func(a row) string { return strconv.Itoa(int(a.GetInRange().GetBelowCount())) }),
		textColumn("Above", func(a row) string { return strconv.Itoa(int(a.GetInRange().GetAboveCount())) }),
		textColumn("Mean difference", func(a row) string { return render.FigureText(a.GetBias(), a.GetUnit()) }),
	)...)
	return f
}

// insideSentence says how often the range held.
func insideSentence(a *trigonev1.Agreement) string {
	r := a.GetInRange()
	text := fmt.Sprintf("Of %s the measured value lay inside the predicted range in %d.", render.Counted(int(r.GetInside().GetOf()), "patient", "patients"), r.GetInside().GetCount())
	if !r.GetEnough() {
		return text + " Below 60 patients that is too few to say how often the range holds."
	}
	low, high := r.GetInside().GetShare().GetLower(), r.GetInside().GetShare().GetUpper()
	switch {
	case high < promised:
		return text + " The range held less often than it promises."
	case low > promised:
		return text + " The range held more often than it promises: it is wider than it need be."
	}
	return text + " That is as often as it promises, as far as so many can tell."
}

// promised is the share of measured values that a predicted range is printed for.
const promised = 0.95
