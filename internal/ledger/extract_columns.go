package ledger

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/casefile"
	"trigone/internal/convert"
	"trigone/internal/extract"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/storage"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// extractTable is a table of an extract.
type extractTable struct {
	name    string
	field   protoreflect.FieldDescriptor // of CaseFacts; nil: the cases, the comparisons
	columns []extractColumn
	rows    int64 // that were sent
}

// extractColumn is a column with its line of the data dictionary.
type extractColumn struct {
	*trigonev1.ExtractColumn
	of func(*extractRow) *trigonev1.ExtractValue // nil: absent
	// coded says that extremes of its numbers are coded.
	coded bool
}

// extractRow is what a row is made of.
type extractRow struct {
	x          *extraction
	table      *extractTable
	uid        string
	identifier storage.Identifier
	facts      *trigonev1.CaseFacts
	key        extract.Key
	number     int64 // of the row in its case, from 1
	message    protoreflect.Message
	comparison *trigonev1.Comparison
}

func (r *extractRow) values() []*trigonev1.ExtractValue {
	list := make([]*trigonev1.ExtractValue, len(r.table.columns))
	for i, c := range r.table.columns {
		v := c.of(r)
		if v != nil && c.coded {
			v = r.coded(c, v)
		}
		if v == nil {
			v = &trigonev1.ExtractValue{}
		}
		list[i] = v
	}
	return list
}

// coded tells a number beyond the bounds of its kind as they are, and none of which there
// are too few.
func (r *extractRow) coded(c extractColumn, v *trigonev1.ExtractValue) *trigonev1.ExtractValue {
	b := r.x.bounds[valueKey{r.table.name, c.Column, metricOf(c, r.comparison)}]
	if !b.ok {
		return nil
	}
	n := min(max(numberOf(v), b.low), b.high)
	if c.Type == trigonev1.ExtractType_EXTRACT_TYPE_WHOLE {
		return wholeCell(int64(n))
	}
	return numberCell(n)
}

// metricOf gives the metric of whose numbers a number is; a number of a pump run is none.
func metricOf(c extractColumn, of *trigonev1.Comparison) string {
	if c.Type == trigonev1.ExtractType_EXTRACT_TYPE_WHOLE {
		return ""
	}
	return of.GetMetric()
}

func numberOf(v *trigonev1.ExtractValue) float64 {
	if w, ok := v.GetValue().(*trigonev1.ExtractValue_Whole); ok {
		return float64(w.Whole)
	}
	return v.GetNumber()
}

// collect counts the numbers of a row whose extremes will be coded.
func (x *extraction) collect(r *extractRow) error {
	for _, c := range r.table.columns {
		if !c.coded {
			continue
		}
		if v := c.of(r); v != nil {
			key := valueKey{r.table.name, c.Column, metricOf(c, r.comparison)}
			if x.values[key] == nil {
				x.values[key] = &extract.Values{}
			}
			x.values[key].Add(numberOf(v))
		}
	}
	return nil
}

func textCell(s string) *trigonev1.ExtractValue {
	if s == "" {
		return nil
	}
	return &trigonev1.ExtractValue{Value: &trigonev1.ExtractValue_Written{Written: s}}
}

func numberCell(n float64) *trigonev1.ExtractValue {
	if math.IsNaN(n) || math.IsInf(n, 0) {
		return nil
	}
	return &trigonev1.ExtractValue{Value: &trigonev1.ExtractValue_Number{Number: n}}
}

func wholeCell(n int64) *trigonev1.ExtractValue {
	return &trigonev1.ExtractValue{Value: &trigonev1.ExtractValue_Whole{Whole: n}}
}

// textsForOthers are the texts of facts and comparisons that leave to others: words of the
// program. Every other text stays: what a client wrote, ids that he chose, pseudonyms.
var textsForOthers = map[string]bool{
	"FindingFacts.rule": true, "Comparison.metric": true, "Comparison.class": true, "Comparison.unit": true, "Comparison.reason": true,
	"Comparison.place": true, // where it names no part of the case, see place below
}

// notForOthers are the other fields that stay: what is told coarsened instead, what would
// tell it all the same, labels of implants, and versions, which tell the time.
var notForOthers = map[string]bool{
	"FactTimes.incision_time": true, "FactPatient.age_years": true, "FactPatient.sex": true, "FactValve.aetiology": true,
	"FactSetting.approach": true, "FactSetting.planned_approach": true, "FactSetting.approach_begun_as": true, "FactSetting.approach_change_reason": true,
	"FactConcomitant.tricuspid_label": true,
	"DeviceFacts.planned_label_min":   true, "DeviceFacts.planned_label_max": true, "DeviceFacts.implanted_label": true,
	"FactVersions.evaluation": true, "FactVersions.plan_revision": true, "Comparison.prediction_evaluation": true,
}

// leaves says whether a field leaves to others. A list of entries with fields of their own
// stays as a whole.
func leaves(f protoreflect.FieldDescriptor) bool {
	name := string(f.Parent().Name()) + "." + string(f.Name())
	switch {
	case f.Kind() == protoreflect.StringKind || f.Kind() == protoreflect.BytesKind:
		return textsForOthers[name]
	case convert.IsTime(f), f.IsList() && f.Message() != nil:
		return false
	}
	return !notForOthers[name]
}

// metricsOfFacts are the facts that are metrics of the catalogue, whatever stated them.
var metricsOfFacts = map[string]valve.ID{
	"FactPatient.body_surface_m2": metric.IDBodySurfaceRoot, "FactPatient.ejection_fraction_percent": metric.IDEjectionFraction,
	"FactPatient.pulmonary_pressure_mmhg":  metric.IDPulmonaryPressure,
	"FactPatient.end_systolic_diameter_mm": metric.LeftVentricularEndSystolicDiameter.ID,
	"EchoFacts.mean_gradient_mmhg":         metric.MeanGradient.ID,
	"EchoFacts.heart_rate_per_min":         metric.GradientHeartRate.ID,
	"EchoFacts.coaptation_length_mm":       metric.CoaptationLength.ID,
	"QueryFacts.overlap_lower_mm":          metric.IDPredictedOverlap,
	"QueryFacts.overlap_upper_mm":          metric.IDPredictedOverlap,
}

// extractTables makes the tables of a profile.
func extractTables(external bool) []*extractTable {
	facts := (&trigonev1.CaseFacts{}).ProtoReflect().Descriptor()
	without := []string{"case_name"}
	var children []*extractTable
	for _, k := range childKinds {
		f := facts.Fields().ByName(k.field)
		without = append(without, string(k.field))
		children = append(children, &extractTable{name: string(k.field), field: f, columns: slices.Concat(
			[]extractColumn{caseColumn(), rowColumn()}, fieldColumns(f.Message(), external), ofWhole(external))})
	}
	cases := &extractTable{name: tableCases, columns: []extractColumn{caseColumn()}}
	if external {
		cases.columns = append(cases.columns, keyColumns()...)
	} else {
		cases.columns = append(cases.columns, extractColumn{
			ExtractColumn: &trigonev1.ExtractColumn{Column: "previous_case", Meaning: "The number, in this extract, of the earlier case that this one follows; absent where it is not in the extract.", Source: "FactSetting.previous_case", Type: trigonev1.ExtractType_EXTRACT_TYPE_WHOLE},
			of: func(r *extractRow) *trigonev1.ExtractValue {
				name := r.facts.GetSetting().GetPreviousCase()
				if n := r.x.numbers[name[strings.LastIndexByte(name, '/')+1:]]; n > 0 {
					return wholeCell(n)
				}
				return nil
			},
		})
	}
	later := written(laterKind, "Whether the case follows an earlier one of the same patient; absent: none is named.", func(r *extractRow) string { return strings.Join(laterOperation(r.facts), "") })
	later.Words = []string{convert.Word(trigonev1.Answer_ANSWER_YES)}
	cases.columns = slices.Concat(cases.columns, []extractColumn{later}, fieldColumns(facts, external, without...), ofWhole(external))
	comparison := (&trigonev1.Comparison{}).ProtoReflect().Descriptor()
	compared := &extractTable{name: tableComparisons, columns: slices.Concat([]extractColumn{caseColumn(), rowColumn(), {
		ExtractColumn: &trigonev1.ExtractColumn{Column: "primary", Meaning: "Whether it stands under no other difference.", Source: "Comparison.parent", Type: trigonev1.ExtractType_EXTRACT_TYPE_FLAG},
		of: func(r *extractRow) *trigonev1.ExtractValue {
			return &trigonev1.ExtractValue{Value: &trigonev1.ExtractValue_Flag{Flag: r.comparison.GetParent() == ""}}
		},
	}}, fieldColumns(comparison, external), ofWhole(external))}
	return append(append([]*extractTable{cases}, children...), compared)
}

func caseColumn() extractColumn {
	return extractColumn{
		ExtractColumn: &trigonev1.ExtractColumn{Column: "case", Meaning: "Number of the case in this extract, by which its rows are joined. It is made for this extract and tells nothing of the order of operations.", Type: trigonev1.ExtractType_EXTRACT_TYPE_WHOLE},
		of:            func(r *extractRow) *trigonev1.ExtractValue { return wholeCell(r.x.numbers[r.uid]) },
	}
}

func rowColumn() extractColumn {
	return extractColumn{
		ExtractColumn: &trigonev1.ExtractColumn{Column: "row", Meaning: "Number of the row in its case.", Type: trigonev1.ExtractType_EXTRACT_TYPE_WHOLE},
		of:            func(r *extractRow) *trigonev1.ExtractValue { return wholeCell(r.number) },
	}
}

// written is a column of text.
func written(name, meaning string, of func(*extractRow) string, words ...string) extractColumn {
	return extractColumn{
		ExtractColumn: &trigonev1.ExtractColumn{Column: name, Meaning: meaning, Words: words, Type: trigonev1.ExtractType_EXTRACT_TYPE_TEXT},
		of:            func(r *extractRow) *trigonev1.ExtractValue { return textCell(of(r)) },
	}
}

// keyColumns are what cases are told apart by for others, as far as enough share it.
func keyColumns() []extractColumn {
	const coarse = " withheld: too few cases share it."
	words := func(of protoreflect.Enum) []string {
		return append(convert.EnumWords(of.Descriptor()), extract.Withheld)
	}
	return []extractColumn{
		written("operated_in", "Half-year of the operation, or its year where too few cases share the half-year; absent: not operated, or not recorded;"+coarse, func(r *extractRow) string { return r.key.Period }),
		written("age_band", "Age at operation in bands of five years, from 90 on one band;"+coarse, func(r *extractRow) string { return r.key.AgeBand }),
		written("sex", "Sex at birth;"+coarse, func(r *extractRow) string { return r.key.Sex }, words(trigonev1.Sex(0))...),
		written("aetiology", "Disease of the valve;"+coarse, func(r *extractRow) string { return r.key.Aetiology }, words(trigonev1.Aetiology(0))...),
		written("approach", "Approach of the operation;"+coarse, func(r *extractRow) string { return r.key.Approach }, words(trigonev1.Approach(0))...),
		written("technique_class", "Class of the techniques done; other: another one, or too few cases share it. Comparisons of steps are left out of such cases.", func(r *extractRow) string { return r.key.Technique }, techniqueClasses()...),
		written("ring_family", "Key, in the site's ring table, of the family of the ring that was left in place;"+coarse, func(r *extractRow) string { return r.key.RingFamily }),
		written("ring_label", "Its label;"+coarse, func(r *extractRow) string { return r.key.RingLabel }),
	}
}

// ofWhole are the columns that say of every row what the extract is.
func ofWhole(external bool) []extractColumn {
	profile := trigonev1.ExtractProfile_EXTRACT_PROFILE_DEPARTMENT
	if external {
		profile = trigonev1.ExtractProfile_EXTRACT_PROFILE_EXTERNAL
	}
	return []extractColumn{
		written("profile", "For whom the extract is made.", func(*extractRow) string { return convert.Word(profile) }, convert.EnumWords(profile.Descriptor())...),
		written("basis", "Which judgement: stored, as it was answered, or restated, as it was judged again as a report.", func(r *extractRow) string { return convert.Word(named(r.x.req.GetBasis())) }, convert.EnumWords(trigonev1.Basis(0).Descriptor())...),
		written("data", "Whether the cases are recorded ones or invented ones.", func(r *extractRow) string {
			if r.x.invented {
				return "invented"
			}
			return "recorded"
		}, "recorded", "invented"),
	}
}

// fieldColumns makes columns of the fields of a message.
func fieldColumns(of protoreflect.MessageDescriptor, external bool, without ...string) []extractColumn {
	var list []extractColumn
	for _, c := range convert.Columns(of, without...) {
		f := c.Field()
		full := string(f.Parent().Name()) + "." + string(f.Name())
		if external && !leaves(f) || full == "FactSetting.previous_case" {
			continue
		}
		column := extractColumn{
			ExtractColumn: &trigonev1.ExtractColumn{Column: c.Name, Meaning: casefile.Meaning(f), Unit: c.Unit(), Words: c.Words(), Source: full, Type: typeOf(f)},
			of:            func(r *extractRow) *trigonev1.ExtractValue { return valueOf(c, r.message) },
		}
		if id := metricsOfFacts[full]; id != "" {
			n, _ := metric.FormulaNumber(id)
			column.FormulaNumber = int32(n)
		}
		if external {
			column.coded = column.Type == trigonev1.ExtractType_EXTRACT_TYPE_NUMBER || column.Type == trigonev1.ExtractType_EXTRACT_TYPE_WHOLE
			if column.coded {
				column.Meaning = strings.TrimSpace(column.Meaning + " Beyond the 1st and the 99th percentile told as these; absent too where fewer than ten are recorded.")
			}
			switch full {
			case "Comparison.place":
				column.of = func(r *extractRow) *trigonev1.ExtractValue { return textCell(placeForOthers(r.comparison.GetPlace())) }
			case "Comparison.difference", "Comparison.formula_number", "Comparison.metric_formula_number":
			default:
				if column.coded && of.Name() == "Comparison" {
					column.of = func(r *extractRow) *trigonev1.ExtractValue {
						if tellsRing(r.comparison) {
							return nil
						}
						return valueOf(c, r.message)
					}
				}
			}
			if strings.HasSuffix(full, "formula_number") {
				column.coded, column.Meaning = false, casefile.Meaning(f)
			}
		}
		list = append(list, column)
	}
	return list
}

// placeForOthers gives a place of the valve; one that names a part of the case by an id
// that the client gave is left out.
func placeForOthers(place string) string {
	p := valve.Place(place)
	if head, _, _ := strings.Cut(place, "/"); strings.Contains(head, ":") || p.Step() != "" {
		return ""
	}
	if _, err := valve.ParsePlace(place); err != nil {
		return ""
	}
	return place
}

// tellsRing says whether the two sides of a comparison tell the label of the ring, or what
// follows from it. Their difference does not.
func tellsRing(c *trigonev1.Comparison) bool {
	switch c.GetKind() {
	case trigonev1.ComparisonKind_COMPARISON_KIND_RING_LABEL, trigonev1.ComparisonKind_COMPARISON_KIND_RING_DIMENSION, trigonev1.ComparisonKind_COMPARISON_KIND_EXPECTED_GRADIENT:
		return true
	}
	return false
}

func typeOf(f protoreflect.FieldDescriptor) trigonev1.ExtractType {
	switch {
	case f.IsList():
		return trigonev1.ExtractType_EXTRACT_TYPE_TEXT
	case convert.IsTime(f):
		return trigonev1.ExtractType_EXTRACT_TYPE_TIME
	case f.Kind() == protoreflect.DoubleKind:
		return trigonev1.ExtractType_EXTRACT_TYPE_NUMBER
	case f.Kind() == protoreflect.Int32Kind || f.Kind() == protoreflect.Int64Kind:
		return trigonev1.ExtractType_EXTRACT_TYPE_WHOLE
	case f.Kind() == protoreflect.BoolKind:
		return trigonev1.ExtractType_EXTRACT_TYPE_FLAG
	}
	return trigonev1.ExtractType_EXTRACT_TYPE_TEXT
}

func valueOf(c convert.Column, m protoreflect.Message) *trigonev1.ExtractValue {
	v, ok := c.Value(m)
	if !ok {
		return nil
	}
	switch typeOf(c.Field()) {
	case trigonev1.ExtractType_EXTRACT_TYPE_TIME:
		return &trigonev1.ExtractValue{Value: &trigonev1.ExtractValue_Time{Time: v.Message().Interface().(*timestamppb.Timestamp)}}
	case trigonev1.ExtractType_EXTRACT_TYPE_NUMBER:
		return numberCell(v.Float())
	case trigonev1.ExtractType_EXTRACT_TYPE_WHOLE:
		return wholeCell(v.Int())
	case trigonev1.ExtractType_EXTRACT_TYPE_FLAG:
		return &trigonev1.ExtractValue{Value: &trigonev1.ExtractValue_Flag{Flag: v.Bool()}}
	}
	return textCell(c.Text(m))
}

// What whoever receives an extract must know.
const (
	summaryDepartment = "Profile department: true dates and pseudonyms"
	summaryExternal   = "Profile external: the operation as half-year or year and everything else as days since it, ages in bands of five years, no operator, no text that anybody wrote, no identity of an implant. " +
		"No combination of half-year, technique class, ring, approach, aetiology, sex and band of age is held by fewer than 5 cases. Numbers beyond the 1st and the 99th percentile are told as these. " +
		"Other columns are not coarsened, and what they let one guess remains: this is made for people who have agreed not to look for patients, not for everybody."
)

func (x *extraction) summary() string {
	s := summaryExternal
	if !x.external {
		s = summaryDepartment + ", no case numbers."
		if x.req.GetWithCaseNumbers() {
			s = summaryDepartment + ", and case numbers."
		}
		if !x.invented {
			s += " These are personal data."
		}
	}
	if x.invented {
		s += " Invented cases: nothing in it is a real person or hospital."
	}
	return s + " Absent is not zero, and not 'no'."
}

func (x *extraction) header() *trigonev1.ExtractHeader {
	profile := trigonev1.ExtractProfile_EXTRACT_PROFILE_DEPARTMENT
	if x.external {
		profile = trigonev1.ExtractProfile_EXTRACT_PROFILE_EXTERNAL
	}
	h := &trigonev1.ExtractHeader{
		Context: &trigonev1.AuditContext{
			Parent: "sites/" + x.site, AsOf: timestamppb.New(x.asOf), LastChange: x.lastChange, Basis: named(x.req.GetBasis()),
			Filter: &trigonev1.AuditFilter{IncisionFrom: x.req.GetIncisionFrom(), IncisionBefore: x.req.GetIncisionBefore()}, MethodVersion: methodVersion,
			PolicyHash: x.archive.Policy.Hash, Caution: figuresCaution, Invented: x.invented,
		},
		Profile: profile, Summary: x.summary(),
	}
	for _, t := range x.tables {
		columns := &trigonev1.ExtractTableColumns{Table: t.name}
		for _, c := range t.columns {
			columns.Columns = append(columns.Columns, c.ExtractColumn)
		}
		h.Tables = append(h.Tables, columns)
	}
	if x.table(tableComparisons) != nil {
		for _, m := range convert.MetricDefinitions(true).GetMetrics() {
			h.Metrics = append(h.Metrics, &trigonev1.ExtractColumn{
				Column: m.GetId(), Meaning: cmp.Or(m.GetFormula(), m.GetName()), Unit: m.GetUnit(), Source: m.GetSource(), FormulaNumber: m.GetFormulaNumber(), Type: trigonev1.ExtractType_EXTRACT_TYPE_NUMBER,
			})
		}
	}
	return h
}

func techniqueClasses() (list []string) {
	for _, c := range repair.TechniqueClasses() {
		list = append(list, string(c))
	}
	return list
}
