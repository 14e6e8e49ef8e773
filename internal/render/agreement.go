package render

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Agreement prints how far results lie from plans and predictions: each figure as the
// sentence that it says, then the numbers side by side, then what they are drawn from.
func Agreement(w io.Writer, r *trigonev1.SummarizeAgreementResponse) {
	if r.GetContext().GetInvented() {
		fmt.Fprintln(w, "Invented cases: these figures say nothing of any department.")
	}
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
		g.row(words.Capital(Word(a.GetKind()))+", "+words.Spaced(a.GetMetric())+suffix(Word(a.GetStage()))+suffix(Word(a.GetMethod())), place(a.GetPlace()), stratumText(a),
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
		s += fmt.Sprintf(" %s of the site erased: nothing is known of them.", count(int(n), "case was", "cases were"))
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

// AgreementCSV writes the figures as lines: a number with the ends of its interval beside
// it, empty where there is none.
func AgreementCSV(w io.Writer, r *trigonev1.SummarizeAgreementResponse) error {
	out := newSheet(w)
	header := []string{"kind", "metric", "place", "stage", "method", "unit", "stratum_kind", "stratum", "patients", "pairs"}
	figures := []string{"bias", "sd", "lower_limit", "upper_limit", "mean_absolute", "root_mean_square", "slope", "concordance"}
	for _, f := range figures {
		header = append(header, f, f+"_lower", f+"_upper")
	}
	shares := []string{"within_tolerance", "label_as_planned", "label_within_one_size", "inside_range"}
	for _, s := range shares {
		header = append(header, s, s+"_of", s+"_lower", s+"_upper")
	}
	header = append(header, "below_range", "above_range", "formula_number", "metric_formula_number", "sentence", basisColumn)
	if err := out.row(header); err != nil {
		return err
	}
	for _, a := range r.GetAgreements() {
		line := []string{Word(a.GetKind()), a.GetMetric(), a.GetPlace(), Word(a.GetStage()), Word(a.GetMethod()), a.GetUnit(),
			a.GetStratum().GetKind(), a.GetStratum().GetWord(), strconv.Itoa(int(a.GetPatientCount())), strconv.Itoa(int(a.GetPairCount()))}
		for _, f := range []*trigonev1.Figure{a.GetBias(), a.GetSd(), a.GetLowerLimit(), a.GetUpperLimit(), a.GetMeanAbsolute(), a.GetRootMeanSquare(), a.GetSlope(), a.GetConcordance()} {
			line = append(line, plainNumber(f.Value), plainNumber(f.Lower), plainNumber(f.Upper))
		}
		for _, s := range []*trigonev1.ShareFigure{a.GetWithinTolerance(), a.GetExact(), a.GetWithinOneSize(), a.GetInRange().GetInside()} {
			if s.GetOf() == 0 {
				line = append(line, "", "", "", "")
				continue
			}
			line = append(line, strconv.Itoa(int(s.GetCount())), strconv.Itoa(int(s.GetOf())), plainNumber(s.GetShare().Lower), plainNumber(s.GetShare().Upper))
		}
		below, above := "", ""
		if in := a.GetInRange(); in != nil {
			below, above = strconv.Itoa(int(in.GetBelowCount())), strconv.Itoa(int(in.GetAboveCount()))
		}
		line = append(line, below, above, strconv.Itoa(int(a.GetFormulaNumber())), strconv.Itoa(int(a.GetMetricFormulaNumber())), a.GetSentence(), Word(r.GetContext().GetBasis()))
		if err := out.row(line); err != nil {
			return err
		}
	}
	return out.end()
}

func plainNumber(v *float64) string {
	if v == nil {
		return ""
	}
	return strings.TrimSuffix(strconv.FormatFloat(*v, 'f', -1, 64), ".0")
}
