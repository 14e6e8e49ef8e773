package render

import (
	"cmp"
	"io"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/convert"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// compared is a line of discrepancies or of comparisons.
type compared struct {
	caseName  string
	number    *trigonev1.Identifier
	incision  *timestamppb.Timestamp
	timing    trigonev1.PlanTiming
	c         *trigonev1.Comparison
	reference string // of a class of discrepancies
	recorded  bool   // whether agreements of its case were
}

func comparedOf(list []*trigonev1.CaseComparison) []compared {
	rows := make([]compared, len(list))
	for i, c := range list {
		rows[i] = compared{c.GetCaseName(), c.GetExternalIdentifier(), c.GetIncisionTime(), c.GetPlanTiming(), c.GetComparison(), "", c.GetAgreementsRecorded()}
	}
	return rows
}

// differing gives discrepancies as lines of the same columns.
func differing(list []*trigonev1.CaseDiscrepancy) []compared {
	rows := make([]compared, len(list))
	for i, c := range list {
		d := c.GetDiscrepancy()
		rows[i] = compared{c.GetCaseName(), c.GetExternalIdentifier(), c.GetIncisionTime(), c.GetPlanTiming(), &trigonev1.Comparison{
			Id: d.GetId(), Class: d.GetClass(), Verdict: trigonev1.ComparisonVerdict(d.GetVerdict()), Message: d.GetMessage(),
			PlannedStepId: d.GetPlannedStepId(), PerformedStepId: d.GetPerformedStepId(), Metric: d.GetMetric(), Place: d.GetPlace(),
			Occasion: d.GetOccasion(), Run: d.GetRun(), Stage: d.GetStage(), Method: d.GetMethod(), Planned: d.GetPlanned(), Actual: d.GetActual(),
			PlannedValue: d.PlannedValue, ActualValue: d.ActualValue, Difference: d.Difference, Lower: c.Lower, Upper: c.Upper, Unit: d.GetUnit(),
			Margin: d.Tolerance, JudgedBy: d.GetJudgedBy(), JudgedByVersion: d.GetJudgedByVersion(), Reason: d.GetReason(), Parent: d.GetParent(),
			PlanRevised: d.GetPlanRevised(), Missing: d.GetMissing(),
		}, d.GetReference(), true}
	}
	return rows
}

// comparedColumns are the columns of both; agreeing says that lines which agree are
// among them.
func comparedColumns(s Sheet, agreeing bool) []sheetColumn[compared] {
	list := slices.Concat(comparedShown(agreeing), comparedKeys(agreeing), comparedIDs(agreeing), ofSheet[compared](s))
	return slices.DeleteFunc(list, func(c sheetColumn[compared]) bool { return c.of == nil })
}

// only leaves a column out where it has nothing to say.
func only(is bool, of func(compared) string) func(compared) string {
	if !is {
		return nil
	}
	return of
}

// comparedShown is what a person reads.
func comparedShown(agreeing bool) []sheetColumn[compared] {
	return []sheetColumn[compared]{
		{name: columnNumber, meaning: "Number of the case in the hospital.", of: func(r compared) string { return r.number.GetValue() }},
		{name: "incision_time", meaning: "Incision.", unit: "UTC", of: func(r compared) string { return convert.TimeText(r.incision) }},
		{name: "kind_words", meaning: "What is held against what, as it is said; its word stands under kind.", of: only(agreeing, func(r compared) string { return Word(r.c.GetKind()) })},
		{name: "class_words", meaning: "What kind of difference it is or would be, as it is said; its word stands under class.", of: func(r compared) string { return words.Spaced(r.c.GetClass()) }},
		{name: "metric_words", meaning: "What was compared, as it is said; its id stands under metric.", of: func(r compared) string { return words.Spaced(r.c.GetMetric()) }},
		{name: "place_words", meaning: "Where, as it is said; its key stands under place.", of: func(r compared) string { return place(r.c.GetPlace()) }},
		{name: "stage_words", meaning: "When in the operation, or on which occasion, as it is said; the keys stand under stage and occasion.", of: func(r compared) string {
			if r.c.GetStage() == trigonev1.Stage_STAGE_UNSPECIFIED && r.c.GetOccasion() != "" {
				return occasion(r.c.GetOccasion())
			}
			return Word(r.c.GetStage())
		}},
		{name: "planned", meaning: "What was planned, predicted or limited, in words or with its unit.", of: func(r compared) string { return r.c.GetPlanned() }},
		{name: "planned_low", meaning: "Lower end of the aim or of the predicted range; empty: open, or no range.", unit: unitHere, of: func(r compared) string { return sheetNumber(r.c.Lower) }},
		{name: "planned_high", meaning: "Upper end of that; empty: open, or no range.", unit: unitHere, of: func(r compared) string { return sheetNumber(r.c.Upper) }},
		{name: "actual", meaning: "What was done or found, in words or with its unit.", of: func(r compared) string { return r.c.GetActual() }},
		{name: "planned_value", meaning: plannedValue(agreeing), unit: unitHere, of: func(r compared) string { return sheetNumber(r.c.PlannedValue) }},
		{name: "actual_value", meaning: "What was done or found, as a number.", unit: unitHere, of: func(r compared) string { return sheetNumber(r.c.ActualValue) }},
		{name: "difference", meaning: "Actual value minus planned value; of what has no unit a count, such as sizes of a ring or grades.", unit: unitHere, of: func(r compared) string { return sheetNumber(r.c.Difference) }},
		{name: "unit_words", meaning: "Unit of the numbers, as it is printed; its UCUM code stands under unit.", of: func(r compared) string { return unitText(r.c.GetUnit()) }},
		{name: "tolerance", meaning: "Beyond this a difference is present: the larger of the site's tolerance and the error of both sides.", unit: unitHere, of: func(r compared) string { return sheetNumber(r.c.Margin) }},
		{name: "site_tolerance", meaning: "Tolerance of the site; between it and tolerance a difference is indeterminate.", unit: unitHere, of: only(agreeing, func(r compared) string { return sheetNumber(r.c.Tolerance) })},
		{name: "planned_sd", meaning: "Standard deviation of the planned value.", unit: unitHere, of: only(agreeing, func(r compared) string { return sheetNumber(r.c.PlannedSd) })},
		{name: "actual_sd", meaning: "Standard deviation of the actual value.", unit: unitHere, of: only(agreeing, func(r compared) string { return sheetNumber(r.c.ActualSd) })},
		{name: "z", meaning: "Difference from the predicted middle in standard uncertainties of both sides.", of: only(agreeing, func(r compared) string { return sheetNumber(r.c.Z) })},
		{name: "verdict_words", meaning: "Whether it differs, as it is said; its word stands under verdict.", of: func(r compared) string { return verdictText(r.c.GetVerdict()) }},
		{name: "reason_words", meaning: "Reason that the record gives, as it is said; its word stands under reason.", of: func(r compared) string { return words.Spaced(reasonWord(r.c.GetReason())) }},
		{name: "message", meaning: "All in one sentence. A difference is no error and carries no blame.", of: func(r compared) string { return r.c.GetMessage() }},
		{name: "missing", meaning: "What is missing, where it could not be compared.", of: func(r compared) string { return strings.Join(r.c.GetMissing(), "; ") }},
		{name: "not_applicable_because", meaning: "Why it does not apply, where it does not.", of: only(agreeing, func(r compared) string { return r.c.GetNotApplicableBecause() })},
	}
}

// unitHere says where the unit of a number stands.
const unitHere = "that of the line, under unit_words"

func plannedValue(agreeing bool) string {
	if agreeing {
		return "What was planned, predicted or limited, as a number; of a range its middle or the end that counts."
	}
	return "What was planned or limited, as a number; of a range the end that was passed."
}

// comparedKeys is what programs count by.
func comparedKeys(agreeing bool) []sheetColumn[compared] {
	verdicts := enumWords(trigonev1.ComparisonVerdict(0))
	if !agreeing {
		verdicts = enumWords(trigonev1.DiscrepancyVerdict(0))
	}
	return []sheetColumn[compared]{
		{name: "kind", meaning: "What is held against what.", words: enumWords(trigonev1.ComparisonKind(0)), of: only(agreeing, func(r compared) string { return wordKey(r.c.GetKind()) })},
		{name: "class", meaning: "Class of differences, a word of the list of classes; empty: it has none.", of: func(r compared) string { return r.c.GetClass() }},
		{name: "verdict", meaning: "Verdict.", words: verdicts, of: func(r compared) string { return wordKey(r.c.GetVerdict()) }},
		{name: "metric", meaning: "Metric or leaf compared, by the id that the command metrics lists, or a counted or worded parameter.", of: func(r compared) string { return r.c.GetMetric() }},
		{name: "place", meaning: "Place in the valve, or step:ID.", of: func(r compared) string { return r.c.GetPlace() }},
		{name: "occasion", meaning: "Section whose value was compared.", of: func(r compared) string { return r.c.GetOccasion() }},
		{name: "stage", meaning: "Stage.", words: enumWords(trigonev1.Stage(0)), of: func(r compared) string { return wordKey(r.c.GetStage()) }},
		{name: "run", meaning: "Pump run, from 1.", of: func(r compared) string { return fromOne(int64(r.c.GetRun())) }},
		{name: "method", meaning: "Method by which it was measured.", words: enumWords(trigonev1.Method(0)), of: func(r compared) string { return wordKey(r.c.GetMethod()) }},
		{name: "unit", meaning: "Unit of the numbers, as UCUM writes it.", of: func(r compared) string { return r.c.GetUnit() }},
		{name: "judged_by", meaning: "What it was judged by.", words: enumWords(trigonev1.JudgedBy(0)), of: func(r compared) string { return wordKey(r.c.GetJudgedBy()) }},
		{name: "owner", meaning: "Whose the tolerance or limit is.", words: enumWords(trigonev1.LimitOwner(0)), of: only(agreeing, func(r compared) string { return wordKey(r.c.GetOwner()) })},
		{name: "limit_on_reading", meaning: "Whether the limit holds for the reading itself.", words: yesOrNo, of: only(agreeing, func(r compared) string { return strconv.FormatBool(r.c.GetLimitOnReading()) })},
		{name: "reason", meaning: "Reason that the record gives, a word of the contract.", of: func(r compared) string { return reasonWord(r.c.GetReason()) }},
		{name: "plan_timing", meaning: "How the plan stands to the operation.", words: enumWords(trigonev1.PlanTiming(0)), of: func(r compared) string { return wordKey(r.timing) }},
		{name: "plan_revised", meaning: "Whether it differs only because the plan was revised before the first cut.", words: yesOrNo, of: func(r compared) string { return strconv.FormatBool(r.c.GetPlanRevised()) }},
		{name: "as_typed", meaning: "Whether the value is one that an open slip names, compared as typed.", words: yesOrNo, of: only(agreeing, func(r compared) string { return strconv.FormatBool(r.c.GetAsTyped()) })},
		{name: "agreements_recorded", meaning: "Whether agreements of its case were recorded; false: what is not listed may have agreed.", words: yesOrNo, of: only(agreeing, func(r compared) string { return strconv.FormatBool(r.recorded) })},
	}
}

var yesOrNo = []string{"true", "false"}

// comparedIDs is what names it.
func comparedIDs(agreeing bool) []sheetColumn[compared] {
	parent := "Id of the difference under which it stands; empty: a primary one, which alone is counted."
	return []sheetColumn[compared]{
		{name: "thing_planned", meaning: "The thing planned that it is counted with.", of: only(agreeing, func(r compared) string { return r.c.GetThingPlanned() })},
		{name: "planned_step", meaning: "Planned step, by its id.", of: func(r compared) string { return r.c.GetPlannedStepId() }},
		{name: "performed_step", meaning: "Step done, by its id.", of: func(r compared) string { return r.c.GetPerformedStepId() }},
		{name: "target", meaning: "Aim of the plan, by its id.", of: only(agreeing, func(r compared) string { return r.c.GetTargetId() })},
		{name: "reference", meaning: "Number of the class, from D01.", of: only(!agreeing, func(r compared) string { return r.reference })},
		{name: "judged_by_version", meaning: "Plan revision, evaluation or policy that it was judged by.", of: func(r compared) string { return r.c.GetJudgedByVersion() }},
		{name: "formula_number", meaning: "Formula number of this kind of comparison.", of: only(agreeing, func(r compared) string { return fromOne(int64(r.c.GetFormulaNumber())) })},
		{name: "metric_formula_number", meaning: "Formula number of the metric or leaf.", of: only(agreeing, func(r compared) string { return fromOne(int64(r.c.GetMetricFormulaNumber())) })},
		{name: "prediction_evaluation", meaning: "Number of the evaluation that made the prediction; 0: the newest; empty: no prediction.", of: only(agreeing, func(r compared) string {
			if r.c.PredictionEvaluation == nil {
				return ""
			}
			return strconv.FormatInt(r.c.GetPredictionEvaluation(), 10)
		})},
		{name: "prediction_role", meaning: "What it was predicted from.", words: enumWords(trigonev1.MetricRole(0)), of: only(agreeing, func(r compared) string { return wordKey(r.c.GetPredictionRole()) })},
		{name: "prediction_catalogue_version", meaning: "Catalogue version of the prediction.", of: only(agreeing, func(r compared) string { return r.c.GetPredictionCatalogueVersion() })},
		{name: "prediction_calibration_id", meaning: "Calibration of the prediction; empty: uncalibrated.", of: only(agreeing, func(r compared) string { return r.c.GetPredictionCalibrationId() })},
		{name: "id", meaning: "Its id in the case, stable over evaluations.", of: func(r compared) string { return r.c.GetId() }},
		{name: "discrepancy_id", meaning: "Id of the discrepancy as published; empty: it is none.", of: only(agreeing, func(r compared) string { return r.c.GetDiscrepancyId() })},
		{name: "parent", meaning: parent, of: func(r compared) string { return r.c.GetParent() }},
		{name: "case", meaning: "The case.", of: func(r compared) string { return r.caseName }},
		{name: columnNumberSystem, meaning: "System of the number of the case.", of: func(r compared) string { return r.number.GetSystem() }},
	}
}

func fromOne(n int64) string {
	if n < 1 {
		return ""
	}
	return strconv.FormatInt(n, 10)
}

// DiscrepanciesCSV writes every discrepancy as one line of comma-separated values
// under a header. A text that would begin a formula has an apostrophe before it.
func DiscrepanciesCSV(w io.Writer, list []*trigonev1.CaseDiscrepancy, s Sheet) error {
	s.Basis = cmp.Or(s.Basis, trigonev1.Basis_BASIS_STORED)
	return writeSheet(w, s, comparedColumns(s, false), differing(list))
}

// DiscrepanciesDictionary writes what the columns of that mean.
func DiscrepanciesDictionary(w io.Writer, s Sheet) error {
	s.Basis = cmp.Or(s.Basis, trigonev1.Basis_BASIS_STORED)
	return writeDictionary(w, s, "Differences between plan and outcome, and what could not be compared, one line for each.", comparedColumns(s, false))
}

// ComparisonsCSV writes every comparison as one line under a header.
func ComparisonsCSV(w io.Writer, list []*trigonev1.CaseComparison, s Sheet) error {
	s.Basis = cmp.Or(s.Basis, trigonev1.Basis_BASIS_STORED)
	return writeSheet(w, s, comparedColumns(s, true), comparedOf(list))
}

// ComparisonsDictionary writes what the columns of that mean.
func ComparisonsDictionary(w io.Writer, s Sheet) error {
	s.Basis = cmp.Or(s.Basis, trigonev1.Basis_BASIS_STORED)
	return writeDictionary(w, s, "Everything that was compared, agreement included, one line for each.", comparedColumns(s, true))
}
