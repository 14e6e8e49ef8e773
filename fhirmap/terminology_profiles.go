package fhirmap

import (
	"slices"
	"strings"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"trigone/internal/settings"
)

// profile says what every resource of one kind in a bundle is, beyond what R4
// asks. It promises only what holds always. What stands names the narrowest that it
// meets (claims.go); nobody need know them to read a bundle.
type profile struct {
	id, title, summary string
	// of is the type; base is another profile of ours, empty: the type itself.
	of, base string
	rules    []invariant
	elements []element
}

// invariant is a rule between elements, in FHIRPath.
type invariant struct{ key, says, expression string }

// element is one constraint of a differential.
type element struct {
	path string // below the type
	says string
	// min is the least number, if above what the base asks; max the most, if below.
	min int
	max string
	// types are those that may stand there; targets, of a Reference, what it may
	// point to.
	types   []string
	targets []string
	// set is the id of the value set that it is bound to.
	set string
	// fixed is a code that it has.
	code string
	uri  string
	// concept is one it holds.
	concept *fhir.CodeableConcept
	// linked says otherwise of a site that refers to the patient by more than the
	// identifier: what then is there to say, and no bound.
	linked string
}

// The profiles.
const (
	profileObservation = "observation"
	profileValue       = "metric-value"
	profileGrade       = "graded-regurgitation"
	profilePanel       = "panel"
	profileDifference  = "plan-versus-outcome"
	profileOutcome     = "outcome"
	profileProcedure   = "procedure"
	profileOperation   = "operation"
	profileStep        = "operation-step"
	profileAgain       = "later-procedure"
	profileDevice      = "device"
	profileImplant     = "implant"
	profileIssue       = "finding"
)

const r4Definitions = "http://hl7.org/fhir/StructureDefinition/"

// identifiedBy is what every resource of a case has, withdrawn ones too.
var identifiedBy = element{path: "identifier", says: "Stable identifier, the same in every bundle.", min: 1}

// patientIs says that the patient is named by an identifier, alone unless the site has
// chosen otherwise.
func patientIs(name string, least int) []element {
	return []element{
		{path: name, says: "The patient, by identifier only.", min: least, linked: "The patient, by identifier, and by what the site has chosen beside it."},
		{path: name + ".reference", says: "No literal reference: the bundle holds no Patient.", max: "0", linked: "The receiver's Patient, by an id or a search made of the identifier; none where no identifier is known, and a search in transactions only."},
		{path: name + ".type", says: "Always a patient.", min: 1, uri: "Patient"},
		{path: name + ".identifier", says: "Patient identifier, or the case where none is known.", min: 1},
		{path: name + ".display", says: "No name.", max: "0"},
	}
}

func profiles() []profile {
	// What was withdrawn conforms to the profile of all Observations only.
	stands := invariant{"tri-std-1", "It is final, or amended where an earlier state said otherwise.", "status = 'final' or status = 'amended'"}
	surgical := element{path: "category", says: "Surgical procedure.", min: 1, concept: standard(snomed, surgicalProcedure)}
	return []profile{
		{
			id: profileObservation, of: typeObservation, title: "Observation about a mitral valve repair",
			summary: "What every Observation is: final, amended, or withdrawn as entered in error; a code of ours, with a public one before it where one means the same.",
			rules: []invariant{
				{"tri-obs-1", "It is final, amended or entered in error.", "status in ('final' | 'amended' | 'entered-in-error')"},
				{"tri-obs-2", "What stands has a value, a reason why there is none, components or members.", "status in ('final' | 'amended') implies (value.exists() or dataAbsentReason.exists() or component.exists() or hasMember.exists())"},
				{"tri-obs-3", "Every component has a value.", "component.all(value.exists())"},
			},
			elements: slices.Concat([]element{
				identifiedBy,
				{path: "partOf", says: "Step or operation.", types: []string{"Reference"}, targets: []string{typeProcedure}},
				{path: "category", says: "Category, where the value comes from, and the occasion.", set: setCategory},
				{path: "basedOn", says: "What was planned.", types: []string{"Reference"}, targets: []string{typeRequest, typeRingRequest}},
				{path: "code", says: "Quantity, grade, occasion or difference.", set: setCode},
			}, patientIs("subject", 1), []element{
				{path: "effective[x]", says: "When it was; unknown where the record does not say. A period for what was measured in the operation without a clock time.", types: []string{"dateTime", "Period"}},
				{path: "value[x]", says: "A measured or computed number, a predicted range or a grade.", types: []string{"Quantity", "Range", "CodeableConcept"}},
				{path: "dataAbsentReason", says: "Why there is no value; error: a contradiction disputes it.", set: setAbsent},
				{path: "bodySite", says: "Place of the value, or where the lesion is.", set: setBodySite},
				{path: "method", says: "Method of measurement, where it is stated.", set: setMethod},
				{path: "device", says: "The software that computed it.", types: []string{"Reference"}, targets: []string{typeDevice}},
				{path: "hasMember", says: "Observations of the occasion.", types: []string{"Reference"}, targets: []string{typeObservation}},
				{path: "derivedFrom", says: "Observations whose values were read.", types: []string{"Reference"}, targets: []string{typeObservation}},
				{path: "interpretation", says: "Band of a graded value; high or low where a caution says so.", set: setInterpretation},
				{path: "component.code", says: "Part of a difference, or of what is told in words.", set: setComponent},
				{path: "component.value[x]", says: "A number, a word or a day.", types: []string{"Quantity", "CodeableConcept", "dateTime"}},
			}),
		},
		{
			id: profileValue, of: typeObservation, base: profileObservation, title: "Value of a quantity",
			summary: "One quantity at one place and one occasion, in one role, by one method.",
			rules: []invariant{
				stands,
				{"tri-val-1", "It has a value, or a reason why there is none.", "value.exists() or dataAbsentReason.exists()"},
				{"tri-val-2", "A prediction is a range, never a number.", "category.coding.where(code.startsWith('predicted')).exists() implies value.all($this is Range)"},
				{"tri-val-3", "What was not measured names the software.", "category.coding.where(code = 'measured').exists() or device.exists()"},
			},
			elements: []element{
				{path: "category", says: "Category, role and occasion.", min: 3},
				{path: "code", says: "The quantity.", set: setMetric},
				{path: "value[x]", says: "Number or range, in the one unit of the quantity.", types: []string{"Quantity", "Range"}},
				{path: "hasMember", says: "It is no panel.", max: "0"},
				{path: "component", says: "Never: each place has an Observation of its own.", max: "0"},
			},
		},
		{
			id: profileGrade, of: typeObservation, base: profileObservation, title: "Grade of regurgitation",
			summary: "A grade by the examiner's word, with its rank in a named scheme where the scheme is known.",
			rules:   []invariant{stands},
			elements: []element{
				{path: "category", says: "Category, role and occasion.", min: 3},
				{path: "code", says: "Regurgitation of which valve, and when.", set: setMetric},
				{path: "value[x]", says: "The grade; one that is not recorded is not sent.", min: 1, types: []string{"CodeableConcept"}, set: setGrade},
				{path: "dataAbsentReason", says: "Never.", max: "0"},
				{path: "hasMember", says: "It is no panel.", max: "0"},
				{path: "component", says: "Never.", max: "0"},
			},
		},
		{
			id: profilePanel, of: typeObservation, base: profileObservation, title: "Panel of one occasion",
			summary: "The Observations of one occasion together.",
			rules:   []invariant{stands},
			elements: []element{
				{path: "category", says: "Category, and the occasion.", min: 2},
				{path: "code", says: "What the occasion is.", set: setPanel},
				{path: "value[x]", says: "Never.", max: "0"},
				{path: "dataAbsentReason", says: "Never.", max: "0"},
				{path: "hasMember", says: "At least one.", min: 1},
				{path: "component", says: "Never.", max: "0"},
			},
		},
		{
			id: profileDifference, of: typeObservation, base: profileObservation, title: "Difference between plan and outcome",
			summary: "A difference, which is no error: what it concerns, by what it was judged, and the reason recorded.",
			rules:   []invariant{stands},
			elements: []element{
				{path: "category", says: "Category, role, and the occasion where it is of one.", min: 2},
				{path: "code", says: "Class of the difference.", set: setDifference},
				{path: "value[x]", says: "Present, or below what the measurement can tell.", min: 1, types: []string{"CodeableConcept"}, set: setVerdict},
				{path: "dataAbsentReason", says: "Never.", max: "0"},
				{path: "hasMember", says: "Differences that follow from this one.", types: []string{"Reference"}, targets: []string{typeObservation}},
				{path: "component.code", says: "Outcome less plan, tolerance, by what it was judged, or the reason recorded.", set: setPanel},
			},
		},
		{
			id: profileOutcome, of: typeObservation, base: profileObservation, title: "What is told in words",
			summary: "How urgent the operation was and how it was done; whether the patient is alive; what happened afterwards. An event has the operation as its focus.",
			rules:   []invariant{stands},
			elements: []element{
				{path: "category", says: "Category.", min: 1},
				{path: "code", says: "What is told.", set: setOutcome},
				{path: "value[x]", says: "The word.", types: []string{"CodeableConcept"}, set: setOutcome},
				{path: "focus", says: "The operation that it came after.", types: []string{"Reference"}, targets: []string{typeProcedure}},
				{path: "hasMember", says: "It is no panel.", max: "0"},
				{path: "component.code", says: "What belongs to it: grade, definition, cause; whether a list is all there was.", set: setOutcome},
				{path: "component.value[x]", says: "A word, or a day.", min: 1, types: []string{"CodeableConcept", "dateTime"}},
			},
		},
		{
			id: profileProcedure, of: typeProcedure, title: "Operation on the mitral valve, or a step of it",
			summary: "What every Procedure is, withdrawn ones too.",
			rules: []invariant{
				{"tri-pro-1", "Its status is one of five.", "status in ('completed' | 'stopped' | 'in-progress' | 'not-done' | 'entered-in-error')"},
			},
			elements: slices.Concat([]element{
				identifiedBy,
				{path: "partOf", says: "The operation.", types: []string{"Reference"}, targets: []string{typeProcedure}},
				{path: "statusReason", says: "Why it was stopped, revised or not done.", set: setStatusReason},
				{path: "code", says: "Operation or step.", min: 1, set: setStep},
			}, patientIs("subject", 1), []element{
				{path: "performed[x]", says: "From incision to the end, as far as they are known; of what was done later, its day.", types: []string{"Period", "dateTime"}},
				{path: "bodySite", says: "Structure and places.", set: setBodySite},
				{path: "focalDevice.action", says: "Implanted or explanted.", min: 1, set: setDeviceAction},
				{path: "reasonReference", says: "The operation that it came after.", types: []string{"Reference"}, targets: []string{typeProcedure}},
				{path: "reasonCode", says: "Why it was done again.", set: setOutcome},
				{path: "performer.function", says: "Role in the team.", set: setOutcome},
				{path: "performer.actor.reference", says: "No literal reference: whoever it was has a pseudonym.", max: "0"},
				{path: "performer.actor.identifier", says: "Pseudonym of the site's record.", min: 1},
				{path: "performer.actor.display", says: "No name.", max: "0"},
				{path: "complication", says: "Complications in theatre.", set: setOutcome},
				{path: "focalDevice.manipulated", says: "Ring, band, prosthesis or another thing implanted.", types: []string{"Reference"}, targets: []string{typeDevice}},
			}),
		},
		{
			id: profileOperation, of: typeProcedure, base: profileProcedure, title: "Operation",
			summary: "The parent of all steps: stopped where the repair was converted.",
			rules: []invariant{
				{"tri-opr-1", "It is completed, stopped or in progress; stopped says why.", "status in ('completed' | 'in-progress') or (status = 'stopped' and statusReason.exists())"},
			},
			elements: []element{
				{path: "partOf", says: "It is part of nothing.", max: "0"},
				surgical,
				{path: "code", says: "Repair of the mitral valve.", concept: local(stepSystem, repairStep)},
				{path: "bodySite", says: "Mitral valve.", min: 1, concept: standard(snomed, mitralValve)},
			},
		},
		{
			id: profileStep, of: typeProcedure, base: profileProcedure, title: "Step of an operation",
			summary: "A step done, taken down again, or planned and left out; the replacement; or a procedure beside the repair, done or decided against.",
			rules: []invariant{
				{"tri-stp-1", "It is completed, stopped or not done; the last two say why.", "status = 'completed' or (status in ('stopped' | 'not-done') and statusReason.exists())"},
				{"tri-stp-2", "What was not done has no time and no device.", "status = 'not-done' implies (performed.empty() and focalDevice.empty())"},
			},
			elements: []element{
				{path: "partOf", says: "The operation.", min: 1, max: "1"},
				surgical,
			},
		},
		{
			id: profileAgain, of: typeProcedure, base: profileProcedure, title: "Procedure after the operation",
			summary: "An intervention on the mitral valve after the operation, or a return to theatre in its stay. The operation is its reason.",
			rules:   []invariant{{"tri-aga-1", "It was done.", "status = 'completed'"}},
			elements: []element{
				{path: "partOf", says: "It is part of nothing.", max: "0"},
				{path: "performer", says: "Not recorded.", max: "0"},
			},
		},
		{
			id: profileDevice, of: typeDevice, title: "Software, ring, band, prosthesis or another thing implanted",
			summary: "What every Device is, withdrawn ones too. What names one piece of a device identifies the patient: it is in no de-identified bundle.",
			rules: []invariant{
				{"tri-dev-1", "It is active, inactive, unknown or entered in error.", "status in ('active' | 'inactive' | 'unknown' | 'entered-in-error')"},
				{"tri-dev-2", "A property has one value.", "property.all(valueQuantity.count() + valueCode.count() = 1)"},
			},
			elements: slices.Concat([]element{
				identifiedBy,
				{path: "udiCarrier.carrierHRF", says: "The whole text of the carrier, as people read it.", min: 1},
				{path: "status", says: "Inactive once it was taken out again; unknown where what became of it is not recorded.", min: 1},
				{path: "distinctIdentifier", says: "Never.", max: "0"},
				{path: "type", says: "Kind of the device.", min: 1, set: setDevice},
				{path: "version.type", says: "Of what it is the version.", min: 1, set: setProperty},
				{path: "property.type", says: "Label, family or kind.", set: setProperty},
			}, patientIs("patient", 0)),
		},
		{
			id: profileImplant, of: typeDevice, base: profileDevice, title: "Ring, band, prosthesis or another thing implanted",
			summary: "What was implanted in the patient, also if it was taken out again in the same operation; or taken out in it and there before.",
			elements: []element{
				{path: "version", says: "Never.", max: "0"},
				{path: "patient", says: "In whom.", min: 1},
			},
		},
		{
			id: profileIssue, of: typeIssue, title: "Finding of a rule",
			summary: "A contradiction, values of the record that cannot all be true: the Observations it implicates have no value, unless a reviewer confirmed them. Or a caution, which leaves values as they are.",
			rules: []invariant{
				{"tri-iss-1", "It is final or entered in error.", "status = 'final' or status = 'entered-in-error'"},
				{"tri-iss-2", "What is final says in words what was found, and by a code whether it is a contradiction or a caution.", "status = 'final' implies (detail.exists() and evidence.code.exists())"},
			},
			elements: slices.Concat([]element{
				identifiedBy,
				{path: "code", says: "The rule that it breaks.", min: 1, set: setRule},
			}, patientIs("patient", 1), []element{
				{path: "author", says: "The software.", types: []string{"Reference"}, targets: []string{typeDevice}},
				{path: "implicated", says: "Values that were read; the operation for clock times and steps, the plan for what was planned.", types: []string{"Reference"}, targets: []string{typeObservation, typeProcedure, typeRequest, typeRingRequest, typeGoal}},
				{path: "evidence.code", says: "Contradiction or caution.", set: setFinding},
				{path: "mitigation.action", says: "What was done about it.", set: setMitigation},
			}),
		},
	}
}

func (p profile) definition(patient settings.PatientReference) fhir.StructureDefinition {
	base := r4Definitions + p.of
	if p.base != "" {
		base = canonical(TypeStructureDefinition, p.base)
	}
	d := fhir.StructureDefinition{
		Id: text(p.id), Url: canonical(TypeStructureDefinition, p.id), Version: text("1"), Name: computable(p.id) + "Profile", Title: text(p.title),
		Status: fhir.PublicationStatusActive, Publisher: text(publisher), Description: text(p.summary),
		FhirVersion: pointer(fhir.FHIRVersion4_0_1), Kind: fhir.StructureDefinitionKindResource,
		Type: p.of, BaseDefinition: &base, Derivation: pointer(fhir.TypeDerivationRuleConstraint),
		Differential: &fhir.StructureDefinitionDifferential{},
	}
	add := func(e fhir.ElementDefinition) { d.Differential.Element = append(d.Differential.Element, e) }
	if len(p.rules) > 0 {
		root := fhir.ElementDefinition{Id: text(p.of), Path: p.of}
		for _, r := range p.rules {
			root.Constraint = append(root.Constraint, fhir.ElementDefinitionConstraint{
				Key: r.key, Severity: fhir.ConstraintSeverityError, Human: r.says, Expression: text(r.expression), Source: text(d.Url),
			})
		}
		add(root)
	}
	for _, e := range p.elements {
		if !patient.Logical() && e.linked != "" {
			e.says, e.max = e.linked, ""
			d.Version = text("1-patient-" + string(patient.Form))
		}
		add(e.definition(p.of))
	}
	return d
}

func (e element) definition(of string) fhir.ElementDefinition {
	path := of + "." + e.path
	d := fhir.ElementDefinition{
		Id: text(path), Path: path, Short: text(strings.TrimSuffix(e.says, ".")), Max: text(e.max),
		PatternCode: text(e.code), PatternUri: text(e.uri), PatternCodeableConcept: withoutDisplays(e.concept),
	}
	if e.min > 0 {
		d.Min = pointer(e.min)
	}
	for _, typ := range e.types {
		t := fhir.ElementDefinitionType{Code: typ}
		for _, target := range e.targets {
			t.TargetProfile = append(t.TargetProfile, r4Definitions+target)
		}
		d.Type = append(d.Type, t)
	}
	if e.set != "" {
		d.Binding = &fhir.ElementDefinitionBinding{
			Strength: fhir.BindingStrengthRequired, ValueSet: text(canonical(TypeValueSet, e.set)),
		}
	}
	return d
}

// withoutDisplays leaves what a pattern compares: a display is for people.
func withoutDisplays(c *fhir.CodeableConcept) *fhir.CodeableConcept {
	if c == nil {
		return nil
	}
	bare := &fhir.CodeableConcept{}
	for _, coding := range c.Coding {
		bare.Coding = append(bare.Coding, fhir.Coding{System: coding.System, Code: coding.Code})
	}
	return bare
}

// extensionDefinition gives the definition of an extension of ours.
func extensionDefinition(x Extension) fhir.StructureDefinition {
	const of = "Extension"
	id := lastPart(x.URL)
	base := r4Definitions + of
	d := fhir.StructureDefinition{
		Id: text(id), Url: x.URL, Version: text("1"), Name: computable(id) + "Extension", Title: text(x.Display),
		Status: fhir.PublicationStatusActive, Publisher: text(publisher), Description: text(x.Display + "."),
		FhirVersion: pointer(fhir.FHIRVersion4_0_1), Kind: fhir.StructureDefinitionKindComplexType,
		Type: of, BaseDefinition: &base, Derivation: pointer(fhir.TypeDerivationRuleConstraint),
		Differential: &fhir.StructureDefinitionDifferential{},
	}
	for _, on := range x.Context {
		d.Context = append(d.Context, fhir.StructureDefinitionContext{Type: fhir.ExtensionContextTypeElement, Expression: on})
	}
	d.Differential.Element = []fhir.ElementDefinition{
		{Id: text(of), Path: of, Short: text(x.Display), Min: pointer(0), Max: text("1")},
		{Id: text(of + ".extension"), Path: of + ".extension", Max: text("0")},
		{Id: text(of + ".url"), Path: of + ".url", FixedUri: text(x.URL)},
		{Id: text(of + ".value[x]"), Path: of + ".value[x]", Min: pointer(1), Type: []fhir.ElementDefinitionType{{Code: x.Type}}},
	}
	return d
}
