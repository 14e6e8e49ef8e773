package render

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Calibrations prints what fits of predictions say: the sentence of each, the numbers side
// by side, who was left out, and what is offered for the site's policy.
func Calibrations(w io.Writer, r *trigonev1.CalibratePredictionResponse) {
	Invented(w, r.GetContext().GetInvented())
	s := fmt.Sprintf("%s operated on up to %s UTC.", count(int(r.GetEligibleCaseCount()), "case", "cases"), minute(r.GetContext().GetAsOf()))
	if n := r.GetRetractedCaseCount(); n > 0 {
		s += fmt.Sprintf(" %s retracted, and left out.", count(int(n), "case is", "cases are"))
	}
	if n := r.GetErasedCaseCount(); n > 0 {
		s += fmt.Sprintf(" Of %s of the site that was erased nothing is known.", count(int(n), "case", "cases"))
	}
	wrapped(w, "", "", s)
	for _, l := range r.GetLeftOut() {
		wrapped(w, "  ", "    ", fmt.Sprintf("%s left out: %s", count(int(l.GetCount()), "case", "cases"), words.Spaced(l.GetReason())))
	}
	if len(r.GetCalibrations()) == 0 {
		fmt.Fprintln(w, "\nno prediction was held against a measured coaptation length")
		return
	}
	heading(w, "What it says")
	for _, c := range r.GetCalibrations() {
		wrapped(w, "- ", "  ", c.GetSentence())
		for _, used := range c.GetInUse() {
			wrapped(w, "  ", "    ", fmt.Sprintf("Under calibration %s the range held in %s%s.", used.GetCalibrationId(), shareText(used.GetInside()), fewRanges(used)))
		}
		for _, l := range c.GetLeftOut() {
			wrapped(w, "  ", "    ", fmt.Sprintf("%s left out: %s", count(int(l.GetCount()), "comparison", "comparisons"), words.Spaced(l.GetReason())))
		}
	}
	heading(w, "Root mean squared error in cases left out, and how often 95 % ranges held")
	g := newGrid("", "Predicted", "Techniques", "Patients", "As it is", "Mean of such", "Corrected", "Range as it is", "Range of the fit", "Verdict")
	g.right(2)
	for i, columns := range map[int]int{0: 18, 1: 14, 6: 18, 7: 18} {
		g.most(i, columns)
	}
	for _, c := range r.GetCalibrations() {
		g.row(strings.TrimPrefix(Word(c.GetKind()), "prediction "), orNone(words.Spaced(c.GetTechnique())), int(c.GetFittedPatientCount()),
			errorText(c.GetModelError(), c.GetUnit()), errorText(c.GetMeanError(), c.GetUnit()), errorText(c.GetFitError(), c.GetUnit()),
			shareText(c.GetBefore().GetInside()), shareText(c.GetAfter().GetInside()), Word(c.GetVerdict()))
	}
	g.print(w)
	if fragment := r.GetPolicyFragment(); fragment != "" {
		heading(w, "For the site's clinical policy, once somebody has signed it")
		fmt.Fprint(w, fragment)
		fmt.Fprintln(w)
		wrapped(w, "", "", "Who answers for an entry gives signed_by, signed_at and note; trigone check-policy refuses it before. Predictions made from then on carry its id, those made before stay as they are.")
	}
	fmt.Fprintln(w)
	wrapped(w, "", "", r.GetContext().GetCaution())
}

func orNone(s string) string {
	if s == "" {
		return "not recorded"
	}
	return s
}

func fewRanges(c *trigonev1.CalibrationCoverage) string {
	if c.GetEnough() {
		return ""
	}
	return ": too few to say"
}

func errorText(f *trigonev1.Figure, unit string) string {
	if f.GetNotEvaluableBecause() != "" || f == nil || f.Value == nil {
		return "-"
	}
	return quantity(f.GetValue(), figureDecimals, unit)
}

func calibrationColumns() []sheetColumn[*trigonev1.PredictionCalibration] {
	type row = *trigonev1.PredictionCalibration
	word := func(name, meaning string, of func(row) string) sheetColumn[row] {
		return sheetColumn[row]{name: name, meaning: meaning, of: of}
	}
	counted := func(name, meaning string, of func(row) int32) sheetColumn[row] {
		return word(name, meaning, func(c row) string { return strconv.Itoa(int(of(c))) })
	}
	corrected := func(name, meaning string, of func(*trigonev1.PredictionCorrection) *float64) sheetColumn[row] {
		return word(name, meaning, func(c row) string {
			if c.GetCorrection() == nil {
				return ""
			}
			return plainNumber(of(c.GetCorrection()))
		})
	}
	columns := []sheetColumn[row]{
		word("says", "What the fit says, in a sentence.", row.GetSentence),
		{name: "kind", meaning: "Prediction from the plan or from what was done.", words: enumWords(trigonev1.ComparisonKind(0)), of: func(c row) string { return wordKey(c.GetKind()) }},
		word("quantity", "What is predicted and measured.", row.GetQuantity),
		word("technique", "Class of the techniques; empty: none is recorded.", row.GetTechnique),
		{name: "method", meaning: "Method of the measurements.", words: enumWords(trigonev1.Method(0)), of: func(c row) string { return wordKey(c.GetMethod()) }},
		word("unit", "UCUM unit of the numbers of the line.", row.GetUnit),
		counted("formula_number", "Number of the formula whose predictions are fitted.", row.GetFormulaNumber),
		{name: "verdict", meaning: "What the fit is good for.", words: enumWords(trigonev1.CalibrationVerdict(0)), of: func(c row) string { return wordKey(c.GetVerdict()) }},
		counted("patients", "Patients fitted, one pair each.", row.GetFittedPatientCount),
		counted("later_patients", "Patients operated on after the last one fitted.", row.GetLaterPatientCount),
		word("last_case", "When the last operation fitted began, UTC.", func(c row) string {
			if c.GetLastCaseTime() == nil {
				return ""
			}
			return c.GetLastCaseTime().AsTime().UTC().Format(time.DateTime)
		}),
		word("correction_id", "Id of the correction; empty: none is offered.", func(c row) string { return c.GetCorrection().GetId() }),
		corrected("shift", "Shift, in the unit.", func(c *trigonev1.PredictionCorrection) *float64 { return proto.Float64(c.GetShift()) }),
		corrected("stretch", "Stretch about the centre; empty: not fitted.", func(c *trigonev1.PredictionCorrection) *float64 { return c.Stretch }),
		corrected("centre", "Mean of the predictions fitted, in the unit.", func(c *trigonev1.PredictionCorrection) *float64 { return proto.Float64(c.GetCentre()) }),
		corrected("scatter", "Sum of their squared distances from it.", func(c *trigonev1.PredictionCorrection) *float64 { return proto.Float64(c.GetScatter()) }),
		corrected("spread", "Standard deviation of measured about corrected, in the unit.", func(c *trigonev1.PredictionCorrection) *float64 { return proto.Float64(c.GetSpread()) }),
	}
	for _, f := range []struct {
		name, meaning string
		of            func(row) *trigonev1.Figure
	}{
		{"difference", "Mean of measured minus predicted", row.GetDifference},
		{"model_error", "Root mean squared error of the model as it is, in cases left out", row.GetModelError},
		{"mean_error", "That of the mean of what was measured in such repairs", row.GetMeanError},
		{"fit_error", "That of the fit", row.GetFitError},
	} {
		for _, end := range figureEnds {
			columns = append(columns, word(f.name+end.suffix, f.meaning+end.meaning, func(c row) string {
				if g := f.of(c); g != nil {
					return plainNumber(end.of(g))
				}
				return ""
			}))
		}
	}
	for _, f := range []struct {
		name, meaning string
		of            func(row) *trigonev1.CalibrationCoverage
	}{
		{"before", "Ranges printed without a calibration that held", row.GetBefore},
		{"after", "Ranges of the fit that held, never of the cases as they were fitted", row.GetAfter},
	} {
		shared := func(suffix, about string, of func(*trigonev1.CalibrationCoverage) string) {
			columns = append(columns, word(f.name+suffix, f.meaning+about, func(c row) string {
				if f.of(c).GetInside().GetOf() == 0 {
					return ""
				}
				return of(f.of(c))
			}))
		}
		shared("", ": how many.", func(c *trigonev1.CalibrationCoverage) string { return strconv.Itoa(int(c.GetInside().GetCount())) })
		shared("_of", ": of how many.", func(c *trigonev1.CalibrationCoverage) string { return strconv.Itoa(int(c.GetInside().GetOf())) })
		shared("_lower", ": lower end of the 95 % interval of the share, from 0 to 1.", func(c *trigonev1.CalibrationCoverage) string { return plainNumber(c.GetInside().GetShare().Lower) })
		shared("_upper", ": upper end of it.", func(c *trigonev1.CalibrationCoverage) string { return plainNumber(c.GetInside().GetShare().Upper) })
	}
	return append(columns, word("from_later_cases", "yes: both are of cases operated on after the last one fitted; no: of the fitted ones, each left out once.", func(c row) string {
		if c.GetFromLaterCases() {
			return "yes"
		}
		return "no"
	}))
}

// CalibrationsCSV writes the fits as lines.
func CalibrationsCSV(w io.Writer, r *trigonev1.CalibratePredictionResponse, s Sheet) error {
	return writeSheet(w, s, append(calibrationColumns(), ofSheet[*trigonev1.PredictionCalibration](s)...), r.GetCalibrations())
}

// CalibrationsDictionary writes what the columns of that mean.
func CalibrationsDictionary(w io.Writer, s Sheet) error {
	return writeDictionary(w, s, "Whether predictions fitted to the site's cases foretell better, one line for each fit.",
		append(calibrationColumns(), ofSheet[*trigonev1.PredictionCalibration](s)...))
}
