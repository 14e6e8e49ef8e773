package fhirmap

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"trigone/internal/metric"
	"trigone/internal/rules"
	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// reading is a value with what the Observation that it becomes says around it.
type reading struct {
	value    *trigonev1.MetricValue // nil: of a grade or a panel
	metric   valve.ID
	role     trigonev1.MetricRole
	method   trigonev1.Method
	occasion *occasion
	// instance is the step, test or lesion the value belongs to, as in the grammar of
	// places; its id is no code.
	instance string
	place    valve.Place // within the instance
}

func (p *producer) readingOf(v *trigonev1.MetricValue) reading {
	of, rest := instance(v.GetPlace())
	return reading{
		value: v, metric: valve.ID(v.GetMetric()), role: v.GetRole(), method: v.GetMethod(),
		occasion: p.occasionOf(v), instance: of, place: rest,
	}
}

// valueKey names a value: metric, occasion, role, method if one is stated, and place
// if there is one.
func valueKey(v *trigonev1.MetricValue) string {
	parts := []string{"value", v.GetMetric(), v.GetOccasion(), roleCode(v.GetRole())}
	if v.GetMethod() != 0 {
		parts = append(parts, methodCode(v.GetMethod()))
	}
	if v.GetPlace() != "" {
		parts = append(parts, v.GetPlace())
	}
	return strings.Join(parts, "|")
}

func roleCode(r trigonev1.MetricRole) string { return hyphened(enumWord(r.String(), "METRIC_ROLE_")) }
func methodCode(m trigonev1.Method) string   { return hyphened(enumWord(m.String(), "METHOD_")) }

// inputKey finds the Observation of a value that was read.
type inputKey struct {
	metric, place, occasion string
	role                    trigonev1.MetricRole
}

// sent says whether a value becomes part of an Observation.
func sent(v *trigonev1.MetricValue) bool {
	switch v.GetRole() {
	case trigonev1.MetricRole_METRIC_ROLE_MEASURED:
		switch v.GetState() {
		case trigonev1.MetricState_METRIC_STATE_VALUE, trigonev1.MetricState_METRIC_STATE_DISPUTED, trigonev1.MetricState_METRIC_STATE_ABSENT:
			return !notSentLeaf(v.GetMetric())
		}
	case trigonev1.MetricRole_METRIC_ROLE_DERIVED:
		return v.GetState() == trigonev1.MetricState_METRIC_STATE_VALUE
	case trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN, trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_EXECUTION:
		return v.GetState() == trigonev1.MetricState_METRIC_STATE_VALUE && v.Lower != nil && v.Upper != nil
	}
	return false
}

// instance splits a place into what it belongs to and where on that it is.
func instance(place string) (of string, rest valve.Place) {
	for _, prefix := range []string{"step:", "test:", "lesion:"} {
		if strings.HasPrefix(place, prefix) {
			of, tail, _ := strings.Cut(place, "/")
			return of, valve.Place(tail)
		}
	}
	return "", valve.Place(place)
}

// observations makes the Observations of the values and grades, the panels and
// the issues, and says which Observation holds a value.
func (p *producer) observations() (seen map[inputKey]string, err error) {
	var order []*trigonev1.MetricValue
	seen = map[inputKey]string{}
	once := map[string]bool{}
	for _, v := range p.ev.GetMetrics() {
		if !sent(v) || p.retracted[valve.Occasion(v.GetOccasion()).Section()] {
			continue
		}
		key := valueKey(v)
		if once[key] {
			return nil, fmt.Errorf("%s stands twice in the evaluation; evaluate the case again", where(v))
		}
		once[key] = true
		input := inputKey{v.GetMetric(), v.GetPlace(), v.GetOccasion(), v.GetRole()}
		if _, other := seen[input]; !other {
			seen[input] = resourceID(p.uid, typeObservation, key)
		}
		order = append(order, v)
	}
	for _, v := range order {
		if err := p.asked(); err != nil {
			return nil, err
		}
		if err := p.observation(p.readingOf(v), seen); err != nil {
			return nil, err
		}
	}
	p.grades()
	p.panels()
	p.from = source{}
	p.issues(seen)
	return seen, nil
}

func where(v *trigonev1.MetricValue) string {
	return valve.Key{ID: valve.ID(v.GetMetric()), Place: valve.Place(v.GetPlace()), Occasion: valve.Occasion(v.GetOccasion())}.String()
}

// observation makes one Observation and enters it in its occasion's panel.
func (p *producer) observation(r reading, seen map[inputKey]string) error {
	v := r.value
	value, err := valueOf(v)
	if err != nil {
		return err
	}
	if err := uncertain(v, value.quantity); err != nil {
		return err
	}
	o := &fhir.Observation{
		Code: p.metricConcept(r), Status: fhir.ObservationStatusFinal, Extension: runOf(v.GetRun()),
		ValueQuantity: value.quantity, ValueRange: value.interval, DataAbsentReason: value.absent,
	}
	o.Interpretation, o.ReferenceRange = p.judged(r)
	if r.method != 0 {
		o.Method = local(methodSystem, methodCode(r.method))
	}
	if r.role != trigonev1.MetricRole_METRIC_ROLE_MEASURED {
		if software, ok := p.reference(typeDevice, softwareKey(p.ev)); ok {
			o.Device = &software
		}
		// Planned values are no Observations.
		o.DerivedFrom = observationsOf(v.GetInputs(), seen)
	}
	if predicted(r.role) {
		if caution := p.ev.GetCaution(); caution != "" {
			o.Note = []fhir.Annotation{{Text: caution}}
		}
	}
	p.place(o, r)
	category := category(r)
	if isVital(o.Code) {
		// The code obliges to the vital signs profile, which wants a time.
		if effective(o) {
			category = "vital-signs"
		} else {
			o.Code = notVital(o.Code)
		}
	}
	o.Category = []fhir.CodeableConcept{
		*standard(categorySystem, category), *local(roleSystem, roleCode(r.role)), *local(occasionSystem, r.occasion.code(v.GetStage())),
	}
	p.from = source{}
	if r.role == trigonev1.MetricRole_METRIC_ROLE_MEASURED {
		p.from = p.sourceOf(r.occasion.name.Section())
	}
	p.addObservation(valueKey(v), o, r.occasion)
	return nil
}

// runOf states the pump run; R4 has no element for it, and it is no part of a value.
func runOf(run int32) []fhir.Extension {
	if run <= 0 {
		return nil
	}
	n := int(run)
	return []fhir.Extension{{Url: runExtension, ValueInteger: &n}}
}

func effective(o *fhir.Observation) bool {
	return o.EffectiveDateTime != nil || o.EffectivePeriod != nil
}

func isVital(c fhir.CodeableConcept) bool { return slices.ContainsFunc(c.Coding, obliges) }

func obliges(c fhir.Coding) bool { return *c.System == loinc && slices.Contains(vitalSigns, *c.Code) }

// notVital leaves out the code that obliges to the vital signs profile.
func notVital(c fhir.CodeableConcept) fhir.CodeableConcept {
	c.Coding = slices.DeleteFunc(slices.Clone(c.Coding), obliges)
	return c
}

// place says when, where and of what a value is: part of the step or the operation,
// about the ring, at its place or that of its lesion.
func (p *producer) place(o *fhir.Observation, r reading) {
	when := r.occasion.clock
	if r.occasion.inTheatre && !predicted(r.role) {
		if parent, ok := p.reference(typeProcedure, parentKey); ok {
			o.PartOf = []fhir.Reference{parent}
		}
	}
	at := r.place
	switch {
	case strings.HasPrefix(r.instance, "step:"):
		if step, ok := p.reference(typeProcedure, stepKey(stepOf(r.instance))); ok {
			o.PartOf = []fhir.Reference{step}
		}
		if ring, ok := p.reference(typeDevice, ringKey(stepOf(r.instance))); ok {
			o.Focus = []fhir.Reference{ring}
		}
	case strings.HasPrefix(r.instance, "test:"):
		if t := p.testTime(strings.TrimPrefix(r.instance, "test:")); t.known() {
			when = t
		}
	case strings.HasPrefix(r.instance, "lesion:") && at == valve.Nowhere:
		at = p.lesionPlace(r.occasion.name, strings.TrimPrefix(r.instance, "lesion:"))
	}
	switch r.metric {
	case valve.BodyHeight:
		when = clock{at: date(p.file.GetIdentity().GetHeightOn())}
	case valve.BodyWeight:
		when = clock{at: date(p.file.GetIdentity().GetWeightOn())}
	}
	if at != valve.Nowhere {
		o.BodySite = placeConcept(at)
	}
	o.EffectiveDateTime, o.EffectivePeriod = when.at, when.period()
}

func (p *producer) testTime(id string) clock {
	op := p.file.GetOperation()
	for _, t := range op.GetSalineTests() {
		if t.GetId() == id {
			return at(t.GetTime())
		}
	}
	for _, t := range op.GetInkTests() {
		if t.GetId() == id {
			return at(t.GetTime())
		}
	}
	return clock{}
}

// lesionPlace gives where the study of the occasion saw the lesion.
func (p *producer) lesionPlace(occasion valve.Occasion, id string) valve.Place {
	for _, s := range p.studies() {
		if s.name != occasion {
			continue
		}
		for _, l := range s.study.GetLeaflets().GetLesions() {
			if l.GetId() == id {
				return locationPlace(l.GetLocation())
			}
		}
	}
	return valve.Nowhere
}

type namedStudy struct {
	name  valve.Occasion
	study *trigonev1.Study
}

func (p *producer) studies() []namedStudy {
	var list []namedStudy
	for _, a := range p.file.GetAssessments() {
		list = append(list, namedStudy{valve.Occasion(assessmentName + a.GetId()), a.GetStudy()})
	}
	for _, r := range p.file.GetResults() {
		list = append(list, namedStudy{valve.Occasion(resultName + r.GetId()), r.GetStudy()})
	}
	for _, u := range p.file.GetFollowUps() {
		list = append(list, namedStudy{valve.Occasion(followUpName + u.GetId()), u.GetStudy()})
	}
	return list
}

// category: by the method where it is stated, else by the occasion; pressure and
// rate of the circulation are examined, not imaged.
func category(r reading) string {
	switch r.metric {
	case valve.HeartRate, valve.SystolicArterialPressure, valve.DiastolicArterialPressure:
		return "exam"
	}
	switch r.method {
	case trigonev1.Method_METHOD_ECHO_2D, trigonev1.Method_METHOD_ECHO_3D, trigonev1.Method_METHOD_DOPPLER,
		trigonev1.Method_METHOD_M_MODE, trigonev1.Method_METHOD_CT, trigonev1.Method_METHOD_MAGNETIC_RESONANCE:
		return "imaging"
	case trigonev1.Method_METHOD_RULER, trigonev1.Method_METHOD_CALLIPER, trigonev1.Method_METHOD_SIZER,
		trigonev1.Method_METHOD_CATHETER, trigonev1.Method_METHOD_VISUAL:
		return "procedure"
	}
	return r.occasion.category
}

// observationsOf refers to the Observations of the values that were read.
func observationsOf(inputs []*trigonev1.InputValue, seen map[inputKey]string) []fhir.Reference {
	var ids []string
	for _, in := range inputs {
		id, ok := seen[inputKey{in.GetLeaf(), in.GetPlace(), in.GetOccasion(), in.GetRole()}]
		if ok && !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	var references []fhir.Reference
	for _, id := range ids {
		references = append(references, fhir.Reference{Reference: text(urn(id))})
	}
	return references
}

func (p *producer) addObservation(key string, o *fhir.Observation, in *occasion) fhir.Reference {
	id := resourceID(p.uid, typeObservation, key)
	o.Id, o.Meta, o.Identifier, o.Subject = text(id), p.meta, p.identifiers(key), p.subject
	ref := p.add(resource{typ: typeObservation, id: id, observation: o})
	if in != nil {
		in.members = append(in.members, ref)
	}
	return ref
}

// Values.

// value is a quantity, an interval or a reason; exactly one.
type value struct {
	quantity *fhir.Quantity
	interval *fhir.Range
	absent   *fhir.CodeableConcept
}

func valueOf(v *trigonev1.MetricValue) (value, error) {
	switch {
	case v.GetState() == trigonev1.MetricState_METRIC_STATE_DISPUTED:
		return value{absent: standard(absentSystem, "error")}, nil
	case v.GetState() == trigonev1.MetricState_METRIC_STATE_ABSENT:
		return value{absent: absentConcept(v.GetAbsentReason())}, nil
	case v.Value == nil:
		return value{}, fmt.Errorf("%s has a value by its state and none in fact; evaluate the case again", where(v))
	case predicted(v.GetRole()):
		low, err := quantity(v, v.GetLower())
		if err != nil {
			return value{}, err
		}
		high, err := quantity(v, v.GetUpper())
		if err != nil {
			return value{}, err
		}
		return value{interval: &fhir.Range{Low: low, High: high}}, nil
	}
	q, err := quantity(v, v.GetValue())
	return value{quantity: q}, err
}

// absentConcept gives the public reason; what was not possible was not performed,
// and the fixed text says which of the two it was.
func absentConcept(r trigonev1.AbsentReason) *fhir.CodeableConcept {
	switch r {
	case trigonev1.AbsentReason_ABSENT_REASON_NOT_PERFORMED:
		return standard(absentSystem, "not-performed")
	case trigonev1.AbsentReason_ABSENT_REASON_NOT_POSSIBLE:
		c := standard(absentSystem, "not-performed")
		c.Text = text("Not possible")
		return c
	case trigonev1.AbsentReason_ABSENT_REASON_NOT_APPLICABLE:
		return standard(absentSystem, "not-applicable")
	}
	return standard(absentSystem, "unknown")
}

// quantity writes a number with exactly the decimals of the metric's grid. The
// catalogue may have dropped a metric since the evaluation was stored: such a
// value lies on a grid already and is written as it is.
func quantity(v *trigonev1.MetricValue, x float64) (*fhir.Quantity, error) {
	q, err := quantityOf(valve.ID(v.GetMetric()), v.GetUnit(), x)
	if err != nil {
		return nil, fmt.Errorf("%s %w", where(v), err)
	}
	return q, nil
}

func quantityOf(metricID valve.ID, unit string, x float64) (*fhir.Quantity, error) {
	row := rows()[metricID]
	unit = cmp.Or(unit, row.unit)
	name, ok := unitTexts()[unit]
	if !ok {
		return nil, fmt.Errorf("has the unit %q, which the table of units does not hold; evaluate the case again", unit)
	}
	var number json.Number
	switch {
	case math.IsNaN(x) || math.IsInf(x, 0):
		return nil, errors.New("is not a finite number; evaluate the case again")
	case row.grid == 0:
		number = json.Number(strconv.FormatFloat(x, 'f', -1, 64))
	default:
		if _, err := units.ToGrid(x, row.grid); err != nil {
			return nil, fmt.Errorf("has no place on its grid: %w", err)
		}
		number = json.Number(units.FormatNumber(x, row.grid))
	}
	return &fhir.Quantity{Value: &number, Unit: text(name), System: text(ucum), Code: text(unit)}, nil
}

// unitTexts gives the printable text of every UCUM code that may be sent.
var unitTexts = sync.OnceValue(func() map[string]string {
	texts := map[string]string{}
	for _, u := range units.Units() {
		t := u.Text()
		if t == "" {
			t = u.UCUM()
		}
		texts[u.UCUM()] = t
	}
	return texts
})

// row is what the mapping needs of the catalogue.
type row struct {
	unit    string
	grid    float64
	codes   []metric.Coding
	formula bool // its phase is that of its inputs
}

var rows = sync.OnceValue(func() map[valve.ID]row {
	index := map[valve.ID]row{}
	for _, l := range metric.Leaves() {
		index[l.ID] = row{unit: l.Unit.UCUM(), grid: l.Grid, codes: l.Codes}
	}
	for _, m := range metric.Metrics() {
		index[m.ID] = row{unit: m.Unit.UCUM(), grid: m.Grid, codes: m.Codes, formula: true}
	}
	return index
})

// metricConcept gives the code of a metric: a public one first where it means the
// same for a value taken so, never at a prediction; then ours.
func (p *producer) metricConcept(r reading) fhir.CodeableConcept {
	own := localCoding(metricSystem, metricCode(r.metric, r.role))
	if !predicted(r.role) {
		if public := publicCode(rows()[r.metric].codes, p.taken(r)); public != nil {
			return fhir.CodeableConcept{Coding: append(public.Coding, own)}
		}
	}
	return fhir.CodeableConcept{Coding: []fhir.Coding{own}}
}

// Grades.

// grades makes an Observation of every grade of the record: words, not numbers.
func (p *producer) grades() {
	for _, s := range p.studies() {
		p.grade(mitralGrade, s.name, s.study.GetRegurgitation().GetGrade())
		p.grade(aorticGrade, s.name, s.study.GetOtherValves().GetAorticRegurgitation())
		p.grade(tricuspidGrade, s.name, s.study.GetOtherValves().GetTricuspidRegurgitation())
		p.grade(motionGrade, s.name, s.study.GetAnteriorMotion().GetRegurgitationWithMotion())
	}
	p.grade(leakGrade, valve.AtOperation, p.file.GetOperation().GetConversion().GetParaprostheticLeak())
}

func (p *producer) grade(id string, name valve.Occasion, g *trigonev1.Grade) {
	concept := gradeConcept(g)
	if concept == nil {
		return
	}
	in := p.occasionOf(&trigonev1.MetricValue{Occasion: string(name)})
	o := &fhir.Observation{
		Code:   *local(metricSystem, metricCode(id, trigonev1.MetricRole_METRIC_ROLE_MEASURED)),
		Status: fhir.ObservationStatusFinal, Extension: runOf(in.run),
		Category: []fhir.CodeableConcept{
			*standard(categorySystem, "imaging"), *local(roleSystem, roleCode(trigonev1.MetricRole_METRIC_ROLE_MEASURED)),
			*local(occasionSystem, in.code(in.stage)),
		},
		ValueCodeableConcept: concept,
	}
	if ranges := p.gradeRange(id, in); ranges != nil {
		o.ReferenceRange = ranges
	}
	p.place(o, reading{occasion: in, role: trigonev1.MetricRole_METRIC_ROLE_MEASURED})
	if id == leakGrade {
		if step, ok := p.reference(typeProcedure, replacementKey); ok {
			o.PartOf = []fhir.Reference{step}
		}
	}
	p.from = p.sourceOf(name.Section())
	p.addObservation(gradeKey(id, name), o, in)
}

// Panels.

// panels makes one Observation for every occasion that has any: its members.
func (p *producer) panels() {
	for _, in := range p.occasions {
		if len(in.members) == 0 {
			continue
		}
		o := &fhir.Observation{
			Code: *local(kindSystem, in.kind), Status: fhir.ObservationStatusFinal,
			Category:  []fhir.CodeableConcept{*standard(categorySystem, in.category), *local(occasionSystem, in.code(in.stage))},
			HasMember: in.members, Extension: runOf(in.run),
		}
		p.place(o, reading{occasion: in})
		p.from = p.sourceOf(in.name.Section())
		p.addObservation(panelKey(in.name), o, nil)
	}
}

func panelKey(name valve.Occasion) string { return panelPrefix + string(name) }

// panelPrefix begins the key of a panel; the occasion follows.
const panelPrefix = "panel|"

// Issues.

// findingCodes say what the findings that are sent are. A note is a local or expert
// view, or rests on a limit from memory: it stays with whoever reads evaluations.
var findingCodes = map[trigonev1.Severity]string{
	trigonev1.Severity_SEVERITY_CONTRADICTION: contradictionFinding,
	trigonev1.Severity_SEVERITY_CAUTION:       cautionFinding,
}

// issues makes a DetectedIssue of every contradiction and every caution. A
// contradiction whose values a reviewer confirmed says so by a code; the words of
// the reviewer are not sent.
func (p *producer) issues(seen map[inputKey]string) {
	for _, f := range p.ev.GetFindings() {
		kind, sent := findingCodes[f.GetSeverity()]
		if !sent || rules.IsSite(f.GetRule()) { // which no code system of ours can name
			continue
		}
		key := issueKey(f.GetId())
		id := resourceID(p.uid, typeIssue, key)
		if p.known[id] {
			continue
		}
		severity := fhir.DetectedIssueSeverityModerate
		i := &fhir.DetectedIssue{
			Id: text(id), Meta: p.meta, Identifier: p.identifiers(key), Patient: p.subject,
			Status: fhir.ObservationStatusFinal, Severity: &severity,
			Code: local(ruleSystem, f.GetRule()), Detail: text(f.GetMessage()),
			Evidence: []fhir.DetectedIssueEvidence{{Code: []fhir.CodeableConcept{*local(findingSystem, kind)}}},
		}
		if software, ok := p.reference(typeDevice, softwareKey(p.ev)); ok {
			i.Author = &software
		}
		if f.GetConfirmed() {
			i.Mitigation = []fhir.DetectedIssueMitigation{{Action: *local(mitigationSystem, confirmedByReviewer), Date: p.confirmedAt(f.GetId())}}
		}
		disputed := f.GetDisputes()
		if len(disputed) == 0 {
			disputed = f.GetInputs()
		}
		i.Implicated = observationsOf(disputed, seen)
		// Of clock times and steps there is no Observation: then the operation itself.
		ofOperation := kindOf(valve.Occasion(f.GetOccasion()).Section()) == kindOperation ||
			slices.Contains(f.GetSections(), string(valve.AtOperation))
		if parent, ok := p.reference(typeProcedure, parentKey); ok && ofOperation {
			i.Implicated = append(i.Implicated, parent)
		}
		if n := len(p.plans); n > 0 && (f.GetOccasion() == string(valve.AtPlan) || slices.Contains(f.GetSections(), string(valve.AtPlan))) {
			if plan, ok := p.reference(typeRequest, planKey(p.plans[n-1].Revision)); ok {
				i.Implicated = append(i.Implicated, plan)
			}
		}
		p.add(resource{typ: typeIssue, id: id, issue: i})
	}
}

// confirmedAt says when the values of a contradiction were confirmed; nil where the
// state does not tell.
func (p *producer) confirmedAt(finding string) *string {
	for _, c := range p.c.GetConfirmations() {
		if c.GetFindingId() == finding && c.GetState() == trigonev1.ConfirmationState_CONFIRMATION_STATE_STANDING {
			return instant(c.GetTime())
		}
	}
	return nil
}
