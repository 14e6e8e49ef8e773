package fhirmap

import (
	"slices"
	"strings"

	trigonev1 "trigone/proto/trigone/v1"
)

// TypeView is the type of a view: no resource of R4, but a model of the guide 'SQL on
// FHIR', version 2, whose runners make a table of the resources of an export.
const TypeView = "ViewDefinition"

// view is one table: a row for each resource, or for each of what forEach finds in
// one. Paths keep to the functions that the guide asks of every runner.
type view struct {
	id, title, says string
	// of is the type of the resources.
	of      string
	where   []string
	columns []column
	inner   []inner
}

type column struct{ name, path, typ, says string }

// inner are columns of what a path finds inside a resource: a row for each, or one
// row of nothing where none is found and orNull is set.
type inner struct {
	path    string
	orNull  bool
	columns []column
}

// reference gives a column with the key of what the first reference of an element
// points to.
func reference(element, of, name, says string) inner {
	return inner{element + ".first()", true, []column{{name, "getReferenceKey(" + of + ")", "string", says}}}
}

// The JSON of a view.
type (
	viewJSON struct {
		ResourceType string         `json:"resourceType"`
		ID           string         `json:"id"`
		URL          string         `json:"url"`
		Version      string         `json:"version"`
		Name         string         `json:"name"`
		Title        string         `json:"title"`
		Status       string         `json:"status"`
		Experimental bool           `json:"experimental"`
		Publisher    string         `json:"publisher"`
		Description  string         `json:"description"`
		FHIRVersion  []string       `json:"fhirVersion"`
		Resource     string         `json:"resource"`
		Constant     []viewConstant `json:"constant,omitempty"`
		Where        []viewWhere    `json:"where,omitempty"`
		Select       []viewSelect   `json:"select"`
	}
	viewConstant struct {
		Name  string `json:"name"`
		Value string `json:"valueString"`
	}
	viewWhere struct {
		Path string `json:"path"`
	}
	viewSelect struct {
		ForEach       string       `json:"forEach,omitempty"`
		ForEachOrNull string       `json:"forEachOrNull,omitempty"`
		Column        []viewColumn `json:"column"`
	}
	viewColumn struct {
		Name        string `json:"name"`
		Path        string `json:"path"`
		Type        string `json:"type"`
		Description string `json:"description,omitempty"`
	}
)

// viewConstants are the systems that paths name.
func viewConstants() []viewConstant {
	return []viewConstant{
		{"metric", metricSystem}, {"place", placeSystem}, {"step", stepSystem}, {"device", deviceSystem}, {"property", propertySystem},
		{"grade", gradeSystem}, {"stage", stageSystem}, {"method", methodSystem}, {"role", roleSystem}, {"occasion", occasionSystem},
		{"kind", kindSystem}, {"reason", reasonSystem}, {"rule", ruleSystem}, {"finding", findingSystem}, {"discrepancy", discrepancySystem},
		{"verdict", verdictSystem}, {"outcome", outcomeSystem}, {"snomed", snomed},
	}
}

// codeOf gives the path of a code of a system of ours inside a concept.
func codeOf(concept, system string) string {
	return concept + ".coding.where(system = %" + system + ").code.first()"
}

// partOf gives the path of a component with a code of ours.
func partOf(code string) string {
	return "component.where(code.coding.where(system = %kind and code = '" + code + "').exists())"
}

func extensionPath(url string) string { return "extension('" + url + "')" }

const (
	ofQuantity = "value.ofType(Quantity)"
	ofConcept  = "value.ofType(CodeableConcept)"
)

// around are the columns of a resource and its patient.
func around(patient string) []column {
	return []column{
		{"key", "getResourceKey()", "string", "What columns of other tables refer to"},
		{"id", "id", "id", "Its first 13 characters are those of the case, in every table"},
		{"patient_system", patient + ".identifier.system", "uri", ""},
		{"patient", patient + ".identifier.value", "string", ""},
		{"status", "status", "code", ""},
	}
}

// observed are the columns of when, where and how.
func observed() []column {
	return []column{
		{"occasion", codeOf("category", "occasion"), "code", ""},
		{"place", codeOf("bodySite", "place"), "code", "Where in the valve"},
		{"pump_run", extensionPath(runExtension) + ".value.ofType(integer).first()", "integer", ""},
		{"at", "effective.ofType(dateTime)", "dateTime", "A clock time or a day"},
		{"during_from", "effective.ofType(Period).start", "dateTime", "Where no clock time is recorded: the operation"},
		{"during_to", "effective.ofType(Period).end", "dateTime", ""},
	}
}

func views() []view {
	stands := "status != 'entered-in-error'"
	return []view{
		{
			id: "values", title: "Values", of: typeObservation,
			says:  "Every number and grade: measured, computed or predicted, one row for each place, with its occasion. A prediction has a range and no value; what a contradiction disputes has neither, but absent = error.",
			where: []string{"code.coding.where(system = %metric).exists()", stands},
			columns: slices.Concat(around("subject"), []column{
				{"metric", codeOf("code", "metric"), "code", "Code of ours; at a prediction it begins with predicted"},
				{"public_system", "code.coding.where(system != %metric).first().system", "uri", ""},
				{"public_code", "code.coding.where(system != %metric).first().code", "code", "A public code that means the same value"},
				{"role", codeOf("category", "role"), "code", "measured, derived, predicted-from-plan, predicted-from-execution"},
				{"method", codeOf("method", "method"), "code", ""},
				{"value", ofQuantity + ".value", "decimal", ""},
				{"low", "value.ofType(Range).low.value", "decimal", "Of a prediction"},
				{"high", "value.ofType(Range).high.value", "decimal", "Of a prediction"},
				{"unit", ofQuantity + ".code", "code", "UCUM"},
				{"range_unit", "value.ofType(Range).low.code", "code", "UCUM"},
				{"uncertainty", ofQuantity + "." + extensionPath(uncertaintyExtension) + ".value.ofType(decimal).first()", "decimal", "Standard uncertainty"},
				{"grade", codeOf(ofConcept, "grade"), "code", "Scheme and rank: grades are ordered inside one scheme"},
				{"grade_word", codeOf(ofConcept, "snomed"), "code", "SNOMED CT"},
				{"absent", "dataAbsentReason.coding.code.first()", "code", "Why there is no value"},
			}, observed()),
		},
		{
			id: "steps", title: "Steps", of: typeProcedure,
			says:  "Every operation (operation is empty) and every step of one: done, taken down again (stopped), planned and left out (not-done). planned_by tells the planned step; a step done without one was not planned. place is the first, a step may have several.",
			where: []string{"partOf.exists() or code.coding.where(system = %step and code = '" + repairStep + "').exists()", stands},
			columns: slices.Concat(around("subject"), []column{
				{"step", codeOf("code", "step"), "code", ""},
				{"place", codeOf("bodySite", "place"), "code", ""},
				{"reason", codeOf("statusReason", "reason"), "code", ""},
				{"surgeon", "performer.where(function.coding.where(system = %outcome and code = '" + surgeonRole + "').exists()).actor.identifier.value.first()", "string", "Pseudonym, at the operation, where the export names who operated"},
				{"began", "performed.ofType(Period).start", "dateTime", ""},
				{"ended", "performed.ofType(Period).end", "dateTime", ""},
			}),
			inner: []inner{
				reference("partOf", typeProcedure, "operation", "Key of the operation"),
				reference("basedOn", typeRequest, "planned_by", "Key of the planned step, of the plan for an operation"),
			},
		},
		{
			id: "rings", title: "Rings", of: typeDevice,
			says:  "Every ring, band or prosthesis that was implanted; inactive: taken out again. A size is a label, comparable inside its family only.",
			where: []string{"type.coding.where(system = %device and " + anyCode("complete-ring", "posterior-band", ringDevice, prosthesisDevice) + ").exists()", stands},
			columns: slices.Concat(around("patient"), []column{
				{"kind", codeOf("type", "device"), "code", ""},
				{"label", propertyPath(labelProperty) + ".valueQuantity.value.first()", "decimal", "Labelled size"},
				{"family", propertyPath(familyProperty) + ".valueCode.coding.code.first()", "code", ""},
			}),
		},
		{
			id: "differences", title: "Differences", of: typeObservation,
			says:  "What differs between the plan in force and the outcome, or cannot be told for the error of measurement (indeterminate). A difference is no error. One with a cause stands under it: count those without one.",
			where: []string{"code.coding.where(system = %discrepancy).exists()", stands},
			columns: slices.Concat(around("subject"), []column{
				{"class", codeOf("code", "discrepancy"), "code", ""},
				{"verdict", codeOf(ofConcept, "verdict"), "code", ""},
				{"difference", partOf(kindDifference) + "." + ofQuantity + ".value.first()", "decimal", "Outcome less plan"},
				{"tolerance", partOf(kindTolerance) + "." + ofQuantity + ".value.first()", "decimal", ""},
				{"unit", partOf(kindDifference) + "." + ofQuantity + ".code.first()", "code", "UCUM"},
				{"judged_by", codeOf(partOf(kindJudgedBy)+"."+ofConcept, "kind"), "code", ""},
				{"reason", codeOf(partOf(kindReason)+"."+ofConcept, "reason"), "code", "Recorded for it"},
			}, observed()),
			inner: []inner{reference("partOf", typeProcedure, "step", "Key of the step or the operation")},
		},
		{
			id: "goals", title: "Aims and planned numbers", of: typeGoal,
			says:  "What a plan aims at and the numbers it states, one row each, of every revision of the plan: cancelled where a later one took its place. missed says that the outcome of the operation did not meet it.",
			where: []string{"lifecycleStatus != 'entered-in-error'"},
			columns: []column{
				{"key", "getResourceKey()", "string", "What columns of other tables refer to"},
				{"id", "id", "id", "Its first 13 characters are those of the case, in every table"},
				{"patient_system", "subject.identifier.system", "uri", ""},
				{"patient", "subject.identifier.value", "string", ""},
				{"lifecycle", "lifecycleStatus", "code", ""},
				{"kind", codeOf("description", "kind"), "code", "plan-target, planned-dimensions, planned-values"},
				{"missed", "achievementStatus.coding.where(code = 'not-achieved').exists()", "boolean", ""},
			},
			inner: []inner{
				reference("addresses", typeRequest, "plan", "Key of the plan or the planned step"),
				{path: "target", columns: []column{
					{"metric", codeOf("measure", "metric"), "code", ""},
					{"place", codeOf(extensionPath(placeExtension)+"."+ofConcept, "place"), "code", ""},
					{"stage", codeOf(extensionPath(stageExtension)+"."+ofConcept, "stage"), "code", ""},
					{"method", codeOf(extensionPath(methodExtension)+"."+ofConcept, "method"), "code", ""},
					{"low", "detail.ofType(Range).low.value", "decimal", ""},
					{"high", "detail.ofType(Range).high.value", "decimal", ""},
					{"value", "detail.ofType(Quantity).value", "decimal", ""},
					{"unit", "detail.ofType(Quantity).code", "code", "UCUM, of a value"},
					{"grade", codeOf("detail.ofType(CodeableConcept)", "grade"), "code", "Not to be exceeded"},
				}},
			},
		},
		{
			id: "findings", title: "Findings", of: typeIssue,
			says:  "What the rules say that a receiver has to know: contradictions and cautions. A contradiction that a reviewer confirmed is settled; an open one disputes its values.",
			where: []string{stands},
			columns: slices.Concat(around("patient"), []column{
				{"rule", codeOf("code", "rule"), "code", ""},
				{"kind", codeOf("evidence.code", "finding"), "code", "contradiction or caution"},
				{"confirmed", "mitigation.exists()", "boolean", "By a reviewer"},
				{"detail", "detail", "string", "In words"},
			}),
		},
		{
			id: "follow-up-events", title: "Follow-up events", of: typeObservation,
			says:  "What is known after the operation: vital status on a day, contact kept or lost, discharge, readmissions, complications, functional class and rhythm. A complication in theatre is here too. What was done again is in the table of reinterventions.",
			where: []string{"code.coding.where(system = %outcome and " + anyCode(factVitalStatus, factContact, factDischarge, factReadmission, factComplication, factClass, factRhythm) + ").exists()", stands},
			columns: slices.Concat(around("subject"), []column{
				{"event", codeOf("code", "outcome"), "code", ""},
				{"what", codeOf(ofConcept, "outcome"), "code", "Its word; empty where it is not known"},
				{"occasion", codeOf("category", "occasion"), "code", ""},
				{"at", "effective.ofType(dateTime)", "dateTime", "Of a status: the day on which it was known"},
				{"grade", ofOutcome(partGrade), "code", "Of a complication"},
				{"unplanned", ofOutcome(partUnplanned), "code", "Of a readmission"},
				{"died_on", outcomePart(partDeathDate) + ".value.ofType(dateTime).first()", "dateTime", ""},
				{"death_cause", ofOutcome(partDeathCause), "code", ""},
				{"death_place", ofOutcome(partDeathPlace), "code", ""},
			}),
			inner: []inner{reference("focus", typeProcedure, "operation", "Key of the operation")},
		},
		{
			id: "reinterventions", title: "Reinterventions and returns to theatre", of: typeProcedure,
			says:  "What was done again after the operation, on the mitral valve or by a return to theatre in the same stay.",
			where: []string{"partOf.empty() and code.coding.where(system = %step and code = '" + repairStep + "').empty()", "code.coding.where(system = %step).exists()", stands},
			columns: slices.Concat(around("subject"), []column{
				{"what", codeOf("code", "step"), "code", ""},
				{"why", codeOf("reasonCode", "outcome"), "code", "Mechanism, or reason of a return"},
				{"at", "performed.ofType(dateTime)", "dateTime", ""},
			}),
			inner: []inner{reference("reasonReference", typeProcedure, "operation", "Key of the operation")},
		},
	}
}

// surgeonRole is the code of who operated.
var surgeonRole = enumCode(trigonev1.OperatorRole(0).Descriptor(), trigonev1.OperatorRole_OPERATOR_ROLE_SURGEON.Number())

// anyCode asks that a coding has one of the codes.
func anyCode(codes ...string) string {
	return "(code = '" + strings.Join(codes, "' or code = '") + "')"
}

func outcomePart(code string) string {
	return "component.where(code.coding.where(system = %outcome and code = '" + code + "').exists())"
}

func ofOutcome(code string) string { return codeOf(outcomePart(code)+"."+ofConcept, "outcome") }

func propertyPath(code string) string {
	return "property.where(type.coding.where(system = %property and code = '" + code + "').exists())"
}

// Views gives the ViewDefinitions by which a runner of 'SQL on FHIR' makes tables of
// an export of the site.
func Views(site Site) ([]Resource, error) {
	var list []Resource
	for _, v := range views() {
		r, err := encoded(TypeView, v.id, v.json())
		if err != nil {
			return nil, err
		}
		r.JSON = renamed(site.Named(r.JSON), "'"+Base, "'"+site.CanonicalBase(), "/") // in paths
		list = append(list, r)
	}
	return list, nil
}

func (v view) json() viewJSON {
	j := viewJSON{
		ResourceType: TypeView, ID: v.id, URL: canonical(TypeView, v.id), Version: "1", Name: "trigone_" + toUnderscores.Replace(v.id), Title: v.title,
		Status: "active", Experimental: true, Publisher: publisher, Description: v.says + " Made for dashboards; no medical device.",
		FHIRVersion: []string{"4.0.1"}, Resource: v.of, Constant: viewConstants(),
		Select: []viewSelect{{Column: columnsJSON(v.columns)}},
	}
	for _, path := range v.where {
		j.Where = append(j.Where, viewWhere{path})
	}
	for _, in := range v.inner {
		s := viewSelect{Column: columnsJSON(in.columns)}
		if in.orNull {
			s.ForEachOrNull = in.path
		} else {
			s.ForEach = in.path
		}
		j.Select = append(j.Select, s)
	}
	return j
}

func columnsJSON(list []column) []viewColumn {
	var out []viewColumn
	for _, c := range list {
		out = append(out, viewColumn{c.name, c.path, c.typ, c.says})
	}
	return out
}
