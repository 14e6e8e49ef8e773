package pages

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"trigone/internal/audit"
	"trigone/internal/convert"
	"trigone/internal/ledger"
	"trigone/internal/render"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// How far results lie from plans and predictions.

const (
	agreementPath    = "/agreement"
	agreementFile    = "/agreement.csv"
	agreementColumns = "/agreement-columns.csv"

	viewAsked = "view"
)

var agreementPage = page{
	route: agreementPath, name: "Agreement", group: departmentPages, about: "how far measured values lie from planned and predicted ones", view: "figures.html", ofRecord: true,
	reads:  trigonev1.AuditService_SummarizeAgreement_FullMethodName,
	answer: answerAgreement,
}

func agreementsOf(s selection) (*trigonev1.SummarizeAgreementRequest, error) {
	req := &trigonev1.SummarizeAgreementRequest{Filter: s.audit()}
	kind, err := askedEnum[trigonev1.ComparisonKind](s, kindAsked)
	if err != nil {
		return nil, err
	}
	if kind != 0 {
		req.Kinds = []trigonev1.ComparisonKind{kind}
	}
	if req.PlanTimings, err = timings(s); err != nil {
		return nil, err
	}
	if req.View, err = askedEnum[trigonev1.AuditView](s, viewAsked); err != nil {
		return nil, err
	}
	if by := s.own[byAsked]; by != "" {
		req.Strata = []string{by}
	}
	for name, into := range map[string]*[]string{metricAsked: &req.Metrics, placeAsked: &req.Places} {
		if s.own[name] != "" {
			*into = []string{s.own[name]}
		}
	}
	return req, nil
}

// agreementAsked are the names by which figures are told apart.
var agreementAsked = []string{kindAsked, metricAsked, placeAsked, byAsked, viewAsked, timingAsked}

func agreementChoices() []choice {
	kinds := choice{Name: kindAsked, Label: "Compared", Any: "Everything"}
	for _, k := range audit.Kinds() {
		kinds.Options = append(kinds.Options, option{Value: string(k), Text: words.Capital(words.Spaced(string(k)))})
	}
	timing := choice{Name: timingAsked, Label: "Plans", Any: "Signed and received before incision"}
	for _, o := range enumOptions(trigonev1.PlanTiming(0)) {
		switch o.Value {
		case "late_arrival", "retrospective", "unsigned":
			timing.Options = append(timing.Options, o)
		}
	}
	return []choice{
		kinds, strataChoice(ledger.GroupKinds()), timing,
		{Name: viewAsked, Label: "Cases", Any: "All that were planned", Options: []option{{Value: "as_executed", Text: "Only where steps and ring came as planned"}}},
	}
}

func answerAgreement(v *visit) (view, error) {
	s, err := v.selection(agreementAsked...)
	if err != nil {
		return view{}, err
	}
	req, err := agreementsOf(s)
	if err != nil {
		return view{}, err
	}
	req.IncludePoints = true
	got, err := v.rooms.Ledger.SummarizeAgreement(v.ctx(), v.who(), req)
	if err != nil {
		return view{}, err
	}
	c := figuresContent{Form: v.selectionForm(agreementPath, s, agreementChoices()...), Basis: v.stamp(got.GetContext())}
	shown := view{title: "Agreement", invented: got.GetContext().GetInvented()}
	if got.GetEligibleCaseCount() == 0 {
		c.Missing, err = v.nothingOperated(s)
		shown.content = c
		return shown, err
	}
	c.Drawn = v.agreementDrawn(s, got)
	for _, kind := range audit.Kinds() {
		of := figureSection{ID: string(kind), Name: kindHeading(convert.Enum[trigonev1.ComparisonKind](string(kind)))}
		list := got.GetAgreements()
		for i, a := range list {
			switch {
			case convert.Word(a.GetKind()) != string(kind) || a.GetStratum() != nil:
			case tooFew(a):
				of.Few = append(of.Few, fewFigure{render.AgreementName(a), a.GetSentence(), v.pairs(s, a)})
			default:
				end := i + 1
				for end < len(list) && list[end].GetStratum() != nil {
					end++
				}
				f := v.agreementFigure(s, a, list[i+1:end])
				if a.GetKind() == trigonev1.ComparisonKind_COMPARISON_KIND_AIM {
					f.Plot = drawn(render.CoveragePlot("picture-"+f.ID, f.Name+": how often the aim was met.", append([]*trigonev1.Agreement{a}, list[i+1:end]...), got.GetContext()))
				} else if p, ok := render.DifferencePlot("picture-"+f.ID, a, got.GetContext()); ok {
					f.Plot = drawn(p)
				}
				of.Figures = append(of.Figures, f)
			}
		}
		if len(of.Figures)+len(of.Few) > 0 {
			c.Sections = append(c.Sections, of)
		}
	}
	if len(c.Sections) == 0 {
		c.Missing = "None of these cases has a plan or a prediction with a number that was measured too, so that there is nothing to compare. It takes a plan that was signed and received before incision, with heights, a ring or an aim, and a result after the repair; the page of a case says which of them it has not."
	}
	if n := got.GetStrataCount(); n > 0 {
		c.Notes = append(c.Notes, strataLooked(n))
	}
	c.Files = v.files(s, agreementFile, agreementColumns)
	shown.content = c
	return shown, nil
}

// kindHeading is what the figures of a kind are headed by.
func kindHeading(k trigonev1.ComparisonKind) string {
	switch k {
	case trigonev1.ComparisonKind_COMPARISON_KIND_AIM:
		return "Aims of the plan"
	case trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_PLAN:
		return "Predicted from the plan"
	case trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_EXECUTION:
		return "Predicted from what was done"
	case trigonev1.ComparisonKind_COMPARISON_KIND_RING_LABEL:
		return "Labels of rings"
	case trigonev1.ComparisonKind_COMPARISON_KIND_RING_DIMENSION:
		return "Dimensions of rings"
	case trigonev1.ComparisonKind_COMPARISON_KIND_HEIGHT:
		return "Heights of leaflets"
	case trigonev1.ComparisonKind_COMPARISON_KIND_STEP_DIMENSION:
		return "Dimensions of steps"
	}
	return words.Capital(render.Word(k))
}

// tooFew says whether a figure holds no more than its number of pairs.
func tooFew(a *trigonev1.Agreement) bool {
	return a.GetBias().GetNotEvaluableBecause() != "" && a.GetExact() == nil && a.GetInRange().GetInside().GetOf() < leastToShow
}

// leastToShow is how many there are before a share is shown by itself.
const leastToShow = 10

func (v *visit) agreementDrawn(s selection, got *trigonev1.SummarizeAgreementResponse) (list []telling) {
	s = v.upToNow(s, got.GetContext())
	compared := fmt.Sprintf("%d of them have", got.GetComparedCaseCount())
	switch got.GetComparedCaseCount() {
	case 0:
		compared = "none of them has"
	case 1:
		compared = "1 of them has"
	}
	list = append(list, say(
		v.number(got.GetEligibleCaseCount(), "case was operated on", "cases were operated on", countedPath, s, onlyAsked, onlyOperated),
		"; "+compared+" a comparison that counts. One pair counts of a patient; places, methods and formulas are never pooled.",
	))
	if text := leftOut(got.GetLeftOut(), "case", "cases"); text != "" {
		list = append(list, say("Left out as a whole: "+text+"."))
	}
	if text := (absentCases{retracted: got.GetRetractedCaseCount(), erased: got.GetErasedCaseCount()}).told(); text != "" {
		list = append(list, say(text))
	}
	return list
}

// pairs is the number of pairs of a figure, which leads to them.
func (v *visit) pairs(s selection, a *trigonev1.Agreement) link {
	timing := s.own[timingAsked]
	if timing == "" {
		timing = convert.Word(trigonev1.PlanTiming_PLAN_TIMING_PROSPECTIVE)
	}
	if st := a.GetStratum(); st != nil {
		s = s.with(st.GetKind(), st.GetWord())
	}
	n := max(a.GetPairCount(), a.GetExact().GetOf(), a.GetInRange().GetInside().GetOf())
	l := v.number(n, "", "", comparisonsPath, s, kindAsked, convert.Word(a.GetKind()), metricAsked, a.GetMetric(), placeAsked, a.GetPlace(),
		stageAsked, convert.Word(a.GetStage()), methodAsked, convert.Word(a.GetMethod()), timingAsked, timing)
	l.Name = strconv.Itoa(int(n))
	return l
}

// strata makes the table of the figures of one quantity.
func (v *visit) strata(s selection, list []*trigonev1.Agreement) []figureTable {
	type row = *trigonev1.Agreement
	return tableOf("", list, func(a row) telling { return v.stratumLink(agreementPath, s, a.GetStratum()) },
		column[row]{"Pairs", func(a row) telling { return say(v.pairs(s, a)) }},
		textColumn("Mean difference (95 % interval)", func(a row) string {
			if a.GetKind() == trigonev1.ComparisonKind_COMPARISON_KIND_AIM {
				return "-"
			}
			return render.FigureText(a.GetBias(), a.GetUnit())
		}),
		textColumn("Limits of agreement", func(a row) string {
			if a.GetPairCount() == 0 || a.GetExact() != nil || a.GetKind() == trigonev1.ComparisonKind_COMPARISON_KIND_AIM {
				return "-"
			}
			return render.LimitsText(a)
		}),
		textColumn("Within tolerance", func(a row) string { return render.ShareText(a.GetWithinTolerance()) }),
		textColumn("Label as planned", func(a row) string { return render.ShareText(a.GetExact()) }),
		textColumn("Inside the range", func(a row) string { return render.ShareText(a.GetInRange().GetInside()) }),
	)
}

func (v *visit) agreementFigure(s selection, a *trigonev1.Agreement, strata []*trigonev1.Agreement) figure {
	f := figure{Name: render.AgreementName(a), Sentence: a.GetSentence(), Tables: v.strata(s, strata)}
	f.ID = anchor(convert.Word(a.GetKind()), f.Name, strconv.Itoa(int(a.GetFormulaNumber())), strconv.Itoa(int(a.GetMetricFormulaNumber())), a.GetCalibrationId())
	pairs := v.pairs(s, a)
	f.Lines = append(f.Lines, figureLine{Name: "Patients counted", Value: say(pairs), About: fmt.Sprintf("of %s with such a comparison", render.Counted(int(a.GetPatientCount()), "patient", "patients"))})
	unit := a.GetUnit()
	if a.GetKind() == trigonev1.ComparisonKind_COMPARISON_KIND_AIM {
		// Where a range was met there is no planned number to subtract.
		line(&f.Lines, "Inside the aim", render.ShareText(a.GetInRange().GetInside()), fmt.Sprintf("%d below, %d above", a.GetInRange().GetBelowCount(), a.GetInRange().GetAboveCount()))
		f.Notes = leftOutNotes(a)
		return f
	}
	line(&f.Lines, "Mean difference", render.FigureText(a.GetBias(), unit), "measured minus "+otherSide(a.GetKind()))
	if a.GetExact() == nil && a.GetPairCount() > 0 {
		line(&f.Lines, "Limits of agreement", render.LimitsText(a), limitsAbout(a, unit))
	}
	if a.GetExact() != nil {
		line(&f.Lines, "Label as planned", render.ShareText(a.GetExact()), "")
		line(&f.Lines, "At most one size away", render.ShareText(a.GetWithinOneSize()), "by the family's own sizes in the site's table")
	}
	line(&f.Lines, "Within tolerance", render.ShareText(a.GetWithinTolerance()), "each by the tolerance that it was judged by")
	if r := a.GetInRange(); r.GetInside().GetOf() > 0 {
		about := fmt.Sprintf("%d below, %d above", r.GetBelowCount(), r.GetAboveCount())
		if !r.GetEnough() {
			about += "; below 60 it cannot be said how often a 95 % range holds"
		}
		line(&f.Lines, "Inside the predicted 95 % range", render.ShareText(r.GetInside()), about)
	}
	line(&f.More, "Standard deviation of the differences", render.FigureText(a.GetSd(), unit), "")
	line(&f.More, "Mean size of the difference", render.FigureText(a.GetMeanAbsolute(), unit), "without its sign")
	line(&f.More, "Root of the mean squared difference", render.FigureText(a.GetRootMeanSquare(), unit), "")
	line(&f.More, "Slope of the difference", render.FigureText(a.GetSlope(), "1"), slopeAbout(a.GetKind()))
	line(&f.More, "Concordance", render.FigureText(a.GetConcordance(), "1"), "grows with the range of the cases: never to be compared with that of others")
	if z := a.GetInRange(); z != nil && z.ZMean != nil {
		line(&f.More, "Misses in predicted standard deviations", fmt.Sprintf("mean %.2f, spread %.2f", z.GetZMean(), z.GetZSd()), "0 and 1 are right")
	}
	f.Notes = leftOutNotes(a)
	return f
}

// leftOutNotes says who is left out of a figure.
func leftOutNotes(a *trigonev1.Agreement) []string {
	if text := leftOut(a.GetLeftOut(), "comparison", "comparisons"); text != "" {
		return []string{words.Sentence("left out here: " + text)}
	}
	return nil
}

func otherSide(k trigonev1.ComparisonKind) string {
	switch k {
	case trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_PLAN, trigonev1.ComparisonKind_COMPARISON_KIND_PREDICTION_FROM_EXECUTION:
		return "predicted"
	}
	return "planned"
}

func slopeAbout(k trigonev1.ComparisonKind) string {
	if otherSide(k) == "predicted" {
		return "on the mean of both sides; 0: the difference does not change with the size"
	}
	return "on the plan; 0: the difference does not change with what was planned"
}

// limitsAbout gives the intervals of both ends.
func limitsAbout(a *trigonev1.Agreement, unit string) string {
	low, high := a.GetLowerLimit(), a.GetUpperLimit()
	if low.GetNotEvaluableBecause() != "" || low == nil || low.Lower == nil || high.Lower == nil {
		return ""
	}
	span := func(f *trigonev1.Figure) string {
		end := func(v *float64) *trigonev1.Figure { return &trigonev1.Figure{Value: v} }
		return strings.TrimPrefix(render.FigureText(end(f.Lower), ""), "+") + " to " + strings.TrimPrefix(render.FigureText(end(f.Upper), unit), "+")
	}
	return "95 % of the differences; the lower end lies between " + span(low) + ", the upper between " + span(high)
}

var (
	agreementFilePage = page{
		route: agreementFile, ofRecord: true,
		reads: trigonev1.AuditService_SummarizeAgreement_FullMethodName,
		answer: func(v *visit) (view, error) {
			s, err := v.selection(agreementAsked...)
			if err != nil {
				return view{}, err
			}
			req, err := agreementsOf(s)
			if err != nil {
				return view{}, err
			}
			got, err := v.rooms.Ledger.SummarizeAgreement(v.ctx(), v.who(), req)
			if err != nil {
				return view{}, err
			}
			sheet := render.Sheet{Mark: true, Basis: got.GetContext().GetBasis(), Invented: got.GetContext().GetInvented()}
			return sheetFile("agreement.csv", func(w io.Writer) error { return render.AgreementCSV(w, got, sheet) })
		},
	}
	agreementColumnsPage = page{
		route: agreementColumns,
		reads: trigonev1.AuditService_SummarizeAgreement_FullMethodName,
		answer: func(v *visit) (view, error) {
			return v.columnsFile("agreement-columns.csv", render.AgreementDictionary)
		},
	}
)
