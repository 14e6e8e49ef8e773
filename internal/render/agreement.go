package render

import (
	"fmt"
	"io"
	"strconv"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Agreement prints how far results lie from plans and predictions: each figure as the
// sentence that it says, then the numbers side by side, then what they are drawn from.
func Agreement(w io.Writer, r *trigonev1.SummarizeAgreementResponse) {
	Invented(w, r.GetContext().GetInvented())
	wrapped(w, "", "", agreementSource(r))
	for _, l := range r.GetLeftOut() {
		wrapped(w, "  ", "    ", fmt.Sprintf("%s left out: %s", count(int(l.GetCount()), "case", "cases"), words.Spaced(l.GetReason())))
	}
	if len(r.GetAgreements()) == 0 {
		fmt.Fprintln(w, "\nno comparison with numbers on both sides")
		return
	}
	heading(w, "What it says")
	for _, g := range r.GetAgreements() {
		wrapped(w, "- ", "  ", stratumLead(g)+g.GetSentence())
	}
	heading(w, "Measured minus planned or predicted")
	g := newGrid("", "Compared", "Place", "Of", "Pairs", "Bias (95 % interval)", "Limits of agreement (95 % of differences)", "Within tolerance")
	g.right(4)
	for i, columns := range map[int]int{1: 30, 2: 14, 3: 18, 5: 22, 6: 30} {
		g.most(i, columns)
	}
	for _, a := range r.GetAgreements() {
		g.row(words.Capital(Word(a.GetKind()))+", "+words.Spaced(a.GetMetric())+suffix(Word(a.GetStage()))+suffix(Word(a.GetMethod()))+suffix(a.GetCalibrationId()), place(a.GetPlace()), stratumText(a),
			int(a.GetPairCount()), figureText(a.GetBias(), a.GetUnit()), limitsText(a), shareText(a.GetWithinTolerance()))
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

func suffix(s string) string {
	if s == "" {
		return ""
	}
	return ", " + s
}

func agreementSource(r *trigonev1.SummarizeAgreementResponse) string {
	s := fmt.Sprintf("Of %s operated on up to %s UTC, %d have a comparison that counts.",
		count(int(r.GetEligibleCaseCount()), "case", "cases"), minute(r.GetContext().GetAsOf()), r.GetComparedCaseCount())
	if n := r.GetRetractedCaseCount(); n > 0 {
		s += fmt.Sprintf(" %s retracted, and left out.", count(int(n), "case is", "cases are"))
	}
	if n := r.GetErasedCaseCount(); n > 0 {
		s += fmt.Sprintf(" Of %s of the site that was erased nothing is known.", count(int(n), "case", "cases"))
	}
	return s
}

func stratumText(a *trigonev1.Agreement) string {
	if a.GetStratum() == nil {
		return "all"
	}
	return words.Spaced(a.GetStratum().GetKind()) + ": " + words.Spaced(a.GetStratum().GetWord())
}

func stratumLead(a *trigonev1.Agreement) string {
	if a.GetStratum() == nil {
		return ""
	}
	return words.Capital(stratumText(a)) + ". "
}

// figureText prints a figure with one decimal more than its readings have.
func figureText(f *trigonev1.Figure, unit string) string {
	if f.GetValue() == 0 && f.Value == nil {
		return "-"
	}
	s := signed(f.GetValue(), figureDecimals, unit)
	if f.Lower != nil && f.Upper != nil {
		s += fmt.Sprintf(" (%s to %s)", number(f.GetLower(), figureDecimals), number(f.GetUpper(), figureDecimals))
	}
	return s
}

// figureDecimals of a mean or a limit.
const figureDecimals = 2

func limitsText(a *trigonev1.Agreement) string {
	low, high := a.GetLowerLimit(), a.GetUpperLimit()
	switch {
	case a.GetExact() != nil:
		return "as planned " + shareText(a.GetExact()) + "; at most one size off " + shareText(a.GetWithinOneSize())
	case low.GetNotEvaluableBecause() != "":
		return "too few pairs"
	case low == nil || low.Value == nil || high.Value == nil:
		return "-"
	}
	return fmt.Sprintf("%s to %s", number(low.GetValue(), figureDecimals), quantity(high.GetValue(), figureDecimals, a.GetUnit()))
}

func shareText(s *trigonev1.ShareFigure) string {
	if s.GetOf() == 0 {
		return "-"
	}
	return fmt.Sprintf("%d of %d (%s to %s %%)", s.GetCount(), s.GetOf(), number(100*s.GetShare().GetLower(), 0), number(100*s.GetShare().GetUpper(), 0))
}

// agreementColumns are those of a sheet of figures.
func agreementColumns(s Sheet) []sheetColumn[*trigonev1.Agreement] {
	type row = *trigonev1.Agreement
	word := func(name, meaning string, of func(row) string) sheetColumn[row] {
		return sheetColumn[row]{name: name, meaning: meaning, of: of}
	}
	counted := func(name, meaning string, of func(row) int32) sheetColumn[row] {
		return sheetColumn[row]{name: name, meaning: meaning, of: func(a row) string { return strconv.Itoa(int(of(a))) }}
	}
	columns := []sheetColumn[row]{
		word("says", "What the figures say, in a sentence.", row.GetSentence),
		{name: "kind", meaning: "What is held against what.", words: enumWords(trigonev1.ComparisonKind(0)), of: func(a row) string { return wordKey(a.GetKind()) }},
		word("metric", "Metric, leaf or parameter that is compared.", row.GetMetric),
		word("place", "Place on the valve; empty: the first such step of each patient, or the whole valve.", row.GetPlace),
		{name: "stage", meaning: "When it was measured.", words: enumWords(trigonev1.Stage(0)), of: func(a row) string { return wordKey(a.GetStage()) }},
		{name: "method", meaning: "Method of the measurement.", words: enumWords(trigonev1.Method(0)), of: func(a row) string { return wordKey(a.GetMethod()) }},
		word("unit", "UCUM unit of the numbers of the line.", row.GetUnit),
		word("stratum_kind", "Kind of the word for which the line is given apart; empty: all cases.", func(a row) string { return a.GetStratum().GetKind() }),
		word("stratum", "That word.", func(a row) string { return a.GetStratum().GetWord() }),
		counted("patients", "Patients with such a comparison.", row.GetPatientCount),
		counted("pairs", "Of these, with a number on both sides.", row.GetPairCount),
	}
	figure := func(name, meaning string, of func(row) *trigonev1.Figure) {
		for _, end := range figureEnds {
			columns = append(columns, sheetColumn[row]{name: name + end.suffix, meaning: meaning + end.meaning, of: func(a row) string {
				if f := of(a); f != nil {
					return plainNumber(end.of(f))
				}
				return ""
			}})
		}
	}
	figure("bias", "Mean of measured minus planned or predicted", row.GetBias)
	figure("sd", "Standard deviation of the differences", row.GetSd)
	figure("lower_limit", "Lower 95 % limit of agreement", row.GetLowerLimit)
	figure("upper_limit", "Upper 95 % limit of agreement", row.GetUpperLimit)
	figure("mean_absolute", "Mean of the differences without their sign", row.GetMeanAbsolute)
	figure("root_mean_square", "Root of the mean squared difference", row.GetRootMeanSquare)
	figure("slope", "Slope of the difference on the plan, or on the mean of both sides for predictions", row.GetSlope)
	figure("concordance", "Concordance correlation coefficient, never to be compared between lines", row.GetConcordance)
	share := func(name, meaning string, of func(row) *trigonev1.ShareFigure) {
		counted := func(suffix, about string, n func(*trigonev1.ShareFigure) string) {
			columns = append(columns, sheetColumn[row]{name: name + suffix, meaning: meaning + about, of: func(a row) string {
				if s := of(a); s.GetOf() > 0 {
					return n(s)
				}
				return ""
			}})
		}
		counted("", ": how many.", func(s *trigonev1.ShareFigure) string { return strconv.Itoa(int(s.GetCount())) })
		counted("_of", ": of how many.", func(s *trigonev1.ShareFigure) string { return strconv.Itoa(int(s.GetOf())) })
		counted("_lower", ": lower end of the 95 % interval of the share, from 0 to 1.", func(s *trigonev1.ShareFigure) string { return plainNumber(s.GetShare().Lower) })
		counted("_upper", ": upper end of it.", func(s *trigonev1.ShareFigure) string { return plainNumber(s.GetShare().Upper) })
	}
	share("within_tolerance", "Pairs within the tolerance that they were judged by", row.GetWithinTolerance)
	share("label_as_planned", "Labels of rings as planned", row.GetExact)
	share("label_within_one_size", "Labels of rings as planned or the next size of the family", row.GetWithinOneSize)
	share("inside_range", "Measured values inside the range aimed at or predicted", func(a row) *trigonev1.ShareFigure { return a.GetInRange().GetInside() })
	outside := func(name, meaning string, of func(*trigonev1.RangeFigure) int32) {
		columns = append(columns, sheetColumn[row]{name: name, meaning: meaning, of: func(a row) string {
			if a.GetInRange() == nil {
				return ""
			}
			return strconv.Itoa(int(of(a.GetInRange())))
		}})
	}
	outside("below_range", "Measured values below that range.", (*trigonev1.RangeFigure).GetBelowCount)
	outside("above_range", "Measured values above that range.", (*trigonev1.RangeFigure).GetAboveCount)
	columns = append(columns,
		counted("formula_number", "Number of the formula of the comparison: lines with different ones are not the same figure.", row.GetFormulaNumber),
		counted("metric_formula_number", "Number of the formula of the metric; 0: it has none.", row.GetMetricFormulaNumber),
		counted("prediction_formula_number", "Number of the formula that predicted; 0: nothing was predicted, or it is not known.", row.GetPredictionFormulaNumber),
		sheetColumn[row]{name: "calibration_id", meaning: "Calibration of the predictions; empty: uncalibrated, or nothing was predicted.", of: row.GetCalibrationId})
	return append(columns, ofSheet[row](s)...)
}

// figureEnds are the three numbers of a figure.
var figureEnds = []struct {
	suffix, meaning string
	of              func(*trigonev1.Figure) *float64
}{
	{"", ", in the unit.", func(f *trigonev1.Figure) *float64 { return f.Value }},
	{"_lower", ": lower end of its 95 % interval.", func(f *trigonev1.Figure) *float64 { return f.Lower }},
	{"_upper", ": upper end of it.", func(f *trigonev1.Figure) *float64 { return f.Upper }},
}

// AgreementCSV writes the figures as lines: a number with the ends of its interval beside
// it, empty where there is none.
func AgreementCSV(w io.Writer, r *trigonev1.SummarizeAgreementResponse, s Sheet) error {
	return writeSheet(w, s, agreementColumns(s), r.GetAgreements())
}

// AgreementDictionary writes what the columns of that mean.
func AgreementDictionary(w io.Writer, s Sheet) error {
	return writeDictionary(w, s, "How far results lie from plans, aims and predictions, one line for each figure.", agreementColumns(s))
}

func plainNumber(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'f', -1, 64)
}
