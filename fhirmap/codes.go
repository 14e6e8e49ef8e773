package fhirmap

import (
	"cmp"
	"slices"
	"strings"
	"sync"

	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/discrepancy"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// Base is the canonical base of everything that is our own: code systems,
// identifier systems, tags. The project owns no domain, so it lies
// under the name that RFC 2606 reserves for examples. A site may choose another for
// what leaves: see base.go.
const Base = "https://example.org/fhir/trigone"

// Systems that are no code systems of ours.
const (
	// IdentifierSystem holds the stable identifier of every resource.
	IdentifierSystem = Base + "/identifier"
	// HistorySystem is the system of a tag that carries the case's history number, as
	// the extension HistoryExtension does: receivers merge tags. This mapping is the
	// last one that sends it.
	HistorySystem = Base + "/history-number"
	// CaseSubjectSystem identifies the patient by the case's uid where no
	// snapshot has a patient identifier.
	CaseSubjectSystem = Base + "/case-subject"
)

// Our code systems. Codes are the project's words with hyphens for underscores
// and slashes; they are never renamed and never given a second meaning.
const (
	metricSystem   = Base + "/CodeSystem/metric"
	placeSystem    = Base + "/CodeSystem/place"
	stepSystem     = Base + "/CodeSystem/step"
	deviceSystem   = Base + "/CodeSystem/device"
	propertySystem = Base + "/CodeSystem/device-property"
	gradeSystem    = Base + "/CodeSystem/grade"
	stageSystem    = Base + "/CodeSystem/stage"
	methodSystem   = Base + "/CodeSystem/method"
	roleSystem     = Base + "/CodeSystem/role"
	kindSystem     = Base + "/CodeSystem/record-kind"
	reasonSystem   = Base + "/CodeSystem/status-reason"
	ruleSystem     = Base + "/CodeSystem/rule"
	// findingSystem says what a finding is: a contradiction or a caution.
	findingSystem = Base + "/CodeSystem/finding"
	// mitigationSystem says what was done about a contradiction.
	mitigationSystem = Base + "/CodeSystem/mitigation"
	// bandSystem holds the catalogue's words for where a value lies.
	bandSystem = Base + "/CodeSystem/band"
	// discrepancySystem holds the classes of differences between plan and outcome.
	discrepancySystem = Base + "/CodeSystem/discrepancy"
	verdictSystem     = Base + "/CodeSystem/verdict"
	// detailSystem says how a planned step is to be done, and on what condition.
	detailSystem     = Base + "/CodeSystem/step-detail"
	indicationSystem = Base + "/CodeSystem/indication"
	// occasionSystem says at which occasion a value was found.
	occasionSystem = Base + "/CodeSystem/occasion"
	// outcomeSystem holds what is said in words of the patient and of the operation.
	outcomeSystem = Base + "/CodeSystem/outcome"
)

// Public systems.
const (
	loinc          = "http://loinc.org"
	snomed         = "http://snomed.info/sct"
	dicom          = "http://dicom.nema.org/resources/ontology/DCM"
	ucum           = "http://unitsofmeasure.org"
	categorySystem = "http://terminology.hl7.org/CodeSystem/observation-category"
	absentSystem   = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
	actionSystem   = "http://hl7.org/fhir/device-action"

	interpretationSystem = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
	operationSystem      = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
	participantSystem    = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
	achievementSystem    = "http://terminology.hl7.org/CodeSystem/goal-achievement"
	serviceSystem        = "http://terminology.hl7.org/CodeSystem/v2-0074"
)

// ringFamilySystem is the system of a site's ring family keys: labels compare
// only inside one family of one site's ring table.
func ringFamilySystem(site string) string { return Base + "/sites/" + site + "/ring-family" }

// Code is a code of a public system that a bundle may carry.
type Code struct {
	System  string
	Code    string
	Display string
	Where   string // where it was verified
}

// Where a code was verified.
const (
	inGroup339 = "DICOM PS3.16 CID 12339, one rendering"
	inAnatomy  = "DICOM PS3.16 anatomy groups 12235, 12236 and 12339, two independent renderings"
	inSeverity = "DICOM PS3.16 CID 3716, two independent renderings"
	inR4       = "HL7 FHIR R4 4.0.1 definitions"
)

// standardCodes is the closed table, with the codes of quantities, which the catalogue
// of metrics has: a public code that is in neither is never sent. None was looked up
// in a release of LOINC or SNOMED CT.
var standardCodes = append(quantityCodes(),
	[]Code{
		{snomed, mitralValve, "Mitral valve", inAnatomy},
		{snomed, anteriorLeaflet, "Anterior mitral valve leaflet", inGroup339},
		{snomed, posteriorLeaflet, "Posterior mitral valve leaflet", inGroup339},
		{snomed, mitralAnnulus, "Mitral annulus", inAnatomy},
		{snomed, chords, "Chordae tendineae cordis", inAnatomy},
		{snomed, surgicalProcedure, "Surgical procedure", "DICOM PS3.16, and " + inR4},
		{snomed, valveOperation, "Operation on heart valve", "DICOM PS3.16, one rendering"},
		{snomed, valveProsthesis, "Heart valve prosthesis", "DICOM PS3.16, one rendering"},
		{snomed, "260413007", "None", inSeverity},
		{snomed, "255604002", "Mild", inSeverity},
		{snomed, "371923003", "Mild to moderate", inSeverity},
		{snomed, "6736007", "Moderate", inSeverity},
		{snomed, "371924009", "Moderate to severe", inSeverity},
		{snomed, "24484000", "Severe", inSeverity},

		{categorySystem, "imaging", "Imaging", inR4},
		{categorySystem, "procedure", "Procedure", inR4},
		{categorySystem, "exam", "Exam", inR4},
		{categorySystem, "vital-signs", "Vital Signs", inR4},
		{absentSystem, "not-performed", "Not Performed", inR4},
		{absentSystem, "not-applicable", "Not Applicable", inR4},
		{absentSystem, "unknown", "Unknown", inR4},
		{absentSystem, "error", "Error", inR4},
		{actionSystem, "implanted", "Implanted", inR4},
		{actionSystem, "explanted", "Explanted", inR4},
		{interpretationSystem, "H", "High", inR4},
		{interpretationSystem, "L", "Low", inR4},
		{operationSystem, "CREATE", "create", inR4},
		{operationSystem, "UPDATE", "revise", inR4},
		{participantSystem, "assembler", "Assembler", inR4},
		{achievementSystem, "not-achieved", "Not Achieved", inR4},
		{serviceSystem, "CUS", "Cardiac Ultrasound", inR4},
	}...)

func quantityCodes() []Code {
	var list []Code
	for _, c := range metric.PublicCodes() {
		list = append(list, Code{c.System, c.Code, c.Display, c.Where})
	}
	return list
}

// SNOMED CT concepts that the mapping names. There is none for surgical mitral
// repair, its steps or an annuloplasty ring that was verified: those are local.
const (
	mitralValve       = "91134007"
	anteriorLeaflet   = "21498007"
	posteriorLeaflet  = "57793009"
	mitralAnnulus     = "65197004"
	chords            = "102298001"
	surgicalProcedure = "387713003"
	valveProsthesis   = "25510005"
	valveOperation    = "73544002"
)

// heartRateCode obliges whoever uses it to the vital signs profile of R4.
const heartRateCode = "8867-4"

// gradeCodes are the words of severity. A trace has no code of its own: the one
// that is sometimes used for it means negligible.
var gradeCodes = map[string]string{
	"none": "260413007", "mild": "255604002", "mild_to_moderate": "371923003",
	"moderate": "6736007", "moderate_to_severe": "371924009", "severe": "24484000",
}

// StandardCodes gives the closed table of public codes.
func StandardCodes() []Code { return slices.Clone(standardCodes) }

type systemCode struct{ system, code string }

var standardIndex = sync.OnceValue(func() map[systemCode]Code {
	index := make(map[systemCode]Code, len(standardCodes))
	for _, c := range standardCodes {
		index[systemCode{c.System, c.Code}] = c
	}
	return index
})

// Concept is one concept of a code system of ours.
type Concept struct{ Code, Display string }

// CodeSystem is one of our code systems. An open one takes codes from outside
// this package (rule ids).
type CodeSystem struct {
	URL      string
	Open     bool
	Concepts []Concept
}

var (
	toHyphens     = strings.NewReplacer("_", "-", "/", "-")
	toSpaces      = strings.NewReplacer("_", " ", "/", ", ", "-", " ")
	toUnderscores = strings.NewReplacer("-", "_")
)

// hyphened makes a code of a word of the project.
func hyphened(word string) string { return toHyphens.Replace(word) }

// spaced makes a display of a word of the project.
func spaced(word string) string { return toSpaces.Replace(word) }

// metricCode gives our code of a leaf or a metric. A prediction never shares a
// code with a measurement: who searches for the one must not find the other.
func metricCode[T ~string](id T, role trigonev1.MetricRole) string {
	if predicted(role) && !strings.HasPrefix(string(id), predictedWord) {
		return hyphened(predictedWord + string(id))
	}
	return hyphened(string(id))
}

const predictedWord = "predicted_"

func predicted(r trigonev1.MetricRole) bool {
	return r == trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN || r == trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_EXECUTION
}

// Grades of regurgitation, which the record gives as words: no leaves.
const (
	mitralGrade    = "regurgitation_grade"
	aorticGrade    = "aortic_regurgitation_grade"
	tricuspidGrade = "tricuspid_regurgitation_grade"
	motionGrade    = "regurgitation_grade_with_anterior_motion"
	leakGrade      = "paraprosthetic_leak_grade"
)

var gradeNames = []Concept{
	{mitralGrade, "Mitral regurgitation, grade given by the examiner"},
	{aorticGrade, "Aortic regurgitation, grade"},
	{tricuspidGrade, "Tricuspid regurgitation, grade"},
	{motionGrade, "Mitral regurgitation while systolic anterior motion is present, grade"},
	{leakGrade, "Leak beside the prosthesis, grade"},
}

// Steps that are no technique.
const (
	repairStep      = "mitral-valve-repair"
	replacementStep = "mitral-valve-replacement"
	unknownStep     = "step-not-stated"
	// reintervention and concomitant stand before the word of the kind.
	reintervention  = "reintervention"
	concomitant     = "concomitant"
	returnToTheatre = "return-to-theatre"
)

// Kinds of devices.
const (
	softwareDevice    = "software"
	ringDevice        = "annuloplasty-device"
	prosthesisDevice  = "heart-valve-prosthesis"
	unknownDevice     = "device-not-stated"
	labelProperty     = "labelled-size"
	familyProperty    = "ring-family"
	prosthesisKind    = "prosthesis-kind"
	softwareVersion   = "software-version"
	catalogueVersion  = "catalogue-version"
	ruleSetVersion    = "rule-set-version"
	calibrationNumber = "calibration"
)

// Reasons of a status that are no reason of the record.
const (
	reasonTakenDown   = "taken-down"
	reasonRevised     = "revised"
	reasonConversion  = "conversion"
	reasonPlanRevised = "plan-revised"
	reasonNotRecorded = "not-recorded"
	reasonExplanted   = "explanted-from-before"
	reasonDeclined    = "declined"
	kindPumpRun       = "pump-run"
	kindStage         = "stage"
)

// What was done about a contradiction.
const confirmedByReviewer = "confirmed-by-reviewer"

// Kinds of a panel: what its occasion is.
const (
	kindIdentity   = "identity"
	kindAssessment = "assessment"
	kindPlan       = "plan"
	kindOperation  = "operation"
	kindResult     = "result"
	kindFollowUp   = "follow-up"
)

// Kinds of what is no panel.
const (
	kindEchoReport   = "echo-report"
	kindTarget       = "plan-target"
	kindDimensions   = "planned-dimensions"
	kindPlanned      = "planned-values"
	kindDifference   = "difference"
	kindTolerance    = "tolerance"
	kindReason       = "reason"
	kindJudgedBy     = "judged-by"
	rangeOfTarget    = "range-of-target"
	rangeOfRule      = "range-of-rule"
	rangeOfPolicy    = "range-of-policy"
	gradeAtMost      = "regurgitation_grade_at_most"
	alternativeStep  = "alternative-of-another-step"
	plannedBefore    = "planned-before"
	notPlannedBefore = "not-planned-before"
	deviationRole    = "plan-versus-outcome"
)

// gradedBands are the bands of regurgitation, mildest first.
var gradedBands = []string{"mild", "mild to moderate", "moderate to severe", "severe"}

// bandWords are the words that the catalogue has for where a value lies: bands, two
// bands between which a value does not tell, stages, and how an outcome lies to its
// prediction.
var bandWords = func() []string {
	words := slices.Clone(gradedBands)
	for i, low := range gradedBands {
		for _, high := range gradedBands[i+1:] {
			words = append(words, low+" or "+high)
		}
	}
	return append(words, "not graded",
		"stage A, at risk", "stage B, progressive", "stage C1, severe without symptoms, ventricle compensated",
		"stage C2, severe without symptoms, ventricle decompensated", "stage D, severe with symptoms", "not staged",
		"as predicted", "outside expected", "discrepancy")
}()

// bandCode makes a code of a word for where a value lies.
func bandCode(word string) string {
	return strings.ToLower(strings.ReplaceAll(strings.ReplaceAll(word, ",", ""), " ", "-"))
}

func bandConcepts() []Concept {
	list := make([]Concept, len(bandWords))
	for i, w := range bandWords {
		list[i] = Concept{bandCode(w), w}
	}
	return list
}

// discrepancyConcepts names the classes; a difference is no error.
func discrepancyConcepts() []Concept {
	var list []Concept
	for _, c := range discrepancy.Classes() {
		list = append(list, Concept{hyphened(string(c)), c.Means()})
	}
	return list
}

// detailEnums are the words of a technique and of a planned step that a request
// carries; a code is the enum's name with the word.
var detailEnums = []protoreflect.EnumDescriptor{
	trigonev1.ResectionShape(0).Descriptor(), trigonev1.Rigidity(0).Descriptor(), trigonev1.SizingBasis(0).Descriptor(),
	trigonev1.ArtificialChordForm(0).Descriptor(), trigonev1.ChordLengthBasis(0).Descriptor(), trigonev1.ChordInsertion(0).Descriptor(),
	trigonev1.PapillaryMuscle(0).Descriptor(), trigonev1.PapillaryHead(0).Descriptor(), trigonev1.HeightReductionForm(0).Descriptor(),
	trigonev1.StepConditionKind(0).Descriptor(), trigonev1.ExpectedEffect(0).Descriptor(),
	trigonev1.Urgency(0).Descriptor(), trigonev1.Approach(0).Descriptor(), trigonev1.IntendedProcedureKind(0).Descriptor(), trigonev1.Complexity(0).Descriptor(),
	trigonev1.TricuspidTechnique(0).Descriptor(), trigonev1.TricuspidRingKind(0).Descriptor(), trigonev1.AblationLine(0).Descriptor(),
	trigonev1.AblationEnergy(0).Descriptor(), trigonev1.AppendageTechnique(0).Descriptor(), trigonev1.GraftConduit(0).Descriptor(), trigonev1.CoronaryTarget(0).Descriptor(),
}

func isDetail(d protoreflect.EnumDescriptor) bool { return slices.Contains(detailEnums, d) }

// enumCode gives the code of an enum's value below its enum's name, e.g.
// resection-shape-triangular; empty for the zero.
func enumCode(d protoreflect.EnumDescriptor, number protoreflect.EnumNumber) string {
	v := d.Values().ByNumber(number)
	if v == nil || number == 0 {
		return ""
	}
	return hyphened(strings.ToLower(string(v.Name())))
}

func prefixedConcepts(enums ...protoreflect.EnumDescriptor) []Concept {
	var list []Concept
	for _, d := range enums {
		prefix := strings.TrimSuffix(string(d.Values().ByNumber(0).Name()), "UNSPECIFIED")
		for i := range d.Values().Len() {
			v := d.Values().Get(i)
			if code := enumCode(d, v.Number()); code != "" {
				list = append(list, Concept{code, spaced(strings.TrimSuffix(code, "-"+hyphened(enumWord(string(v.Name()), prefix)))) + ": " + spaced(enumWord(string(v.Name()), prefix))})
			}
		}
	}
	return list
}

// Extensions of HL7 that the mapping uses: HL7 FHIR R4 4.0.1, extension
// definitions.
const (
	uncertaintyExtension = "http://hl7.org/fhir/StructureDefinition/iso21090-uncertainty"
	absentExtension      = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
)

// Our extensions.
const (
	intervalExtension = Base + "/StructureDefinition/interval-95"
	placeExtension    = Base + "/StructureDefinition/target-place"
	stageExtension    = Base + "/StructureDefinition/target-stage"
	methodExtension   = Base + "/StructureDefinition/target-method"
	runExtension      = Base + "/StructureDefinition/pump-run"
	detailExtension   = Base + "/StructureDefinition/procedure-detail"
	figureOfExtension = Base + "/StructureDefinition/figure-of"

	// HistoryExtension carries the case's history number: on every resource, where a
	// PUT replaces it, and in the meta of a bundle, which has no extensions.
	HistoryExtension = Base + "/StructureDefinition/history-number"
)

// Extension is an extension that a bundle may carry.
type Extension struct {
	URL     string
	Context []string // elements on which it stands
	Type    string   // of its value
	Display string
}

// Extensions gives every extension that a bundle may carry, ours and HL7's.
func Extensions() []Extension {
	return []Extension{
		{uncertaintyExtension, []string{"Quantity"}, "decimal", "Standard uncertainty in the unit of the quantity"},
		{absentExtension, []string{"Quantity"}, "code", "Why a planned number is not there"},
		{intervalExtension, []string{"Quantity"}, "Range", "95 % interval of a computed value"},
		{placeExtension, []string{"Goal.target"}, "CodeableConcept", "Place of the valve at which the aim holds"},
		{stageExtension, []string{"Goal.target"}, "CodeableConcept", "Stage of the operation at which the aim is judged"},
		{methodExtension, []string{"Goal.target"}, "CodeableConcept", "Method by which the aim is judged"},
		{runExtension, []string{"Observation"}, "integer", "Number of the pump run in which it was found"},
		{detailExtension, []string{"Procedure"}, "CodeableConcept", "How a step or a procedure beside it was done"},
		{figureOfExtension, []string{"MeasureReport.group"}, "CodeableConcept", "What a figure over cases is of: what is compared, the quantity, its place, stage, method and formulas"},
		{HistoryExtension, []string{"DomainResource", "Bundle.meta"}, "decimal", "History number of the case: of two forms of a resource the one with the higher number is newer"},
	}
}

// Codes of a finding.
const (
	contradictionFinding = "contradiction"
	cautionFinding       = "caution"
)

// CodeSystems gives our code systems with all concepts that a bundle may carry.
var CodeSystems = sync.OnceValue(func() []CodeSystem {
	return []CodeSystem{
		{URL: metricSystem, Concepts: metricConcepts()},
		{URL: figureSystem, Concepts: figureConcepts()},
		{URL: placeSystem, Concepts: placeConcepts()},
		{URL: stepSystem, Concepts: stepConcepts()},
		{URL: deviceSystem, Concepts: append([]Concept{
			{softwareDevice, "Software that computed a value"},
			{"complete-ring", "Annuloplasty ring, complete"},
			{"posterior-band", "Annuloplasty band, posterior"},
			{ringDevice, "Annuloplasty ring or band, kind not stated"},
			{prosthesisDevice, "Heart valve prosthesis"},
			{unknownDevice, "Device, kind not stated"},
		}, furtherDeviceConcepts()...)},
		{URL: propertySystem, Concepts: []Concept{
			{labelProperty, "Labelled size; a label of its family, not a dimension"},
			{familyProperty, "Family of rings within which labels compare"},
			{prosthesisKind, "Kind of prosthesis"},
			{"mechanical", "Mechanical prosthesis"},
			{"biological", "Biological prosthesis"},
			{softwareVersion, "Version of the software"},
			{catalogueVersion, "Version of the catalogue of metrics"},
			{ruleSetVersion, "Version of the rule set"},
			{calibrationNumber, "Calibration of the prediction"},
		}},
		{URL: gradeSystem, Concepts: gradeConcepts()},
		{URL: stageSystem, Concepts: enumConcepts(trigonev1.Stage(0).Descriptor(), "STAGE_")},
		{URL: methodSystem, Concepts: enumConcepts(trigonev1.Method(0).Descriptor(), "METHOD_")},
		{URL: roleSystem, Concepts: []Concept{
			{"measured", "Measured"},
			{"derived", "Computed from measured values"},
			{"predicted-from-plan", "Predicted from the plan; a range of a model, not a measurement"},
			{"predicted-from-execution", "Predicted from what was done; a range of a model, not a measurement"},
			{deviationRole, "Difference between the plan in force and the outcome; not an error"},
		}},
		{URL: kindSystem, Concepts: []Concept{
			{kindIdentity, "Body measures of the patient"},
			{kindAssessment, "Assessment before the first leaflet cut"},
			{kindPlan, "Predictions from the plan"},
			{kindOperation, "Measurements in the operating field"},
			{kindResult, "Echo off bypass or on leaving theatre"},
			{kindFollowUp, "Follow-up after leaving theatre"},
			{kindPumpRun, "Number of the pump run"},
			{kindStage, "Stage of the operation"},
			{kindEchoReport, "Echo of the mitral valve"},
			{kindTarget, "Aim of the plan for the result"},
			{kindDimensions, "Planned dimensions of a step"},
			{kindPlanned, "Planned values of the valve"},
			{kindDifference, "Outcome less plan"},
			{kindTolerance, "Difference that is tolerated"},
			{kindReason, "Reason recorded for a difference"},
			{kindJudgedBy, "What the outcome was judged by"},
			{kindJudgedBy + "-plan", "Judged by the plan's own steps and values"},
			{kindJudgedBy + "-target", "Judged by an aim of the plan"},
			{kindJudgedBy + "-prediction-interval", "Judged by the interval predicted from the plan"},
			{kindJudgedBy + "-site-tolerance", "Judged by the tolerance of the site"},
			{rangeOfTarget, "Aim of the plan in force"},
			{rangeOfRule, "Limit of a rule that was broken"},
			{rangeOfPolicy, "Limit of the policy for values after the repair"},
		}},
		{URL: reasonSystem, Concepts: reasonConcepts()},
		{URL: findingSystem, Concepts: []Concept{
			{contradictionFinding, "Contradiction: recorded values that cannot all be true"},
			{cautionFinding, "Caution: a limit from a source that was read, or plain safety"},
		}},
		{URL: mitigationSystem, Concepts: []Concept{
			{confirmedByReviewer, "A reviewer confirmed the values as they stand"},
		}},
		{URL: documentSystem, Concepts: documentConcepts},
		{URL: bandSystem, Concepts: bandConcepts()},
		{URL: discrepancySystem, Concepts: discrepancyConcepts()},
		{URL: verdictSystem, Concepts: []Concept{
			{"present", "There is a difference"},
			{"indeterminate", "The difference is below what the measurement can tell"},
		}},
		{URL: occasionSystem, Concepts: occasionConcepts()},
		{URL: detailSystem, Concepts: append(prefixedConcepts(detailEnums...),
			Concept{alternativeStep, "Alternative of another planned step: one of them is done"},
			Concept{plannedBefore, "It was planned"}, Concept{notPlannedBefore, "It was not planned"})},
		{URL: outcomeSystem, Concepts: outcomeConcepts()},
		{URL: indicationSystem, Concepts: prefixedConcepts(trigonev1.Aetiology(0).Descriptor(), trigonev1.IndicationTrigger(0).Descriptor())},
		{URL: ruleSystem, Open: true},
	}
})

var localIndex = sync.OnceValue(func() map[systemCode]string {
	index := map[systemCode]string{}
	for _, s := range CodeSystems() {
		for _, c := range s.Concepts {
			index[systemCode{s.URL, c.Code}] = c.Display
		}
	}
	return index
})

func metricConcepts() []Concept {
	var list []Concept
	add := func(id, name string, role trigonev1.MetricRole) {
		list = append(list, Concept{metricCode(id, role), name})
	}
	for _, l := range metric.Leaves() {
		add(string(l.ID), l.Name, trigonev1.MetricRole_METRIC_ROLE_MEASURED)
	}
	for _, m := range metric.Metrics() {
		add(string(m.ID), m.Name, trigonev1.MetricRole_METRIC_ROLE_DERIVED)
		if !strings.HasPrefix(string(m.ID), predictedWord) {
			add(string(m.ID), "Predicted: "+m.Name, trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN)
		}
	}
	add(gradeAtMost, "Mitral regurgitation, grade not to be exceeded", trigonev1.MetricRole_METRIC_ROLE_TARGET)
	for _, g := range gradeNames {
		add(g.Code, g.Display, trigonev1.MetricRole_METRIC_ROLE_MEASURED)
	}
	return list
}

func placeConcepts() []Concept {
	var places []valve.Place
	for _, s := range valve.Segments() {
		places = append(places, valve.AtSegment(s))
		for _, st := range []valve.Station{valve.SegmentMid, valve.Seam, valve.SeamLateralEdge, valve.SeamMedialEdge} {
			places = append(places, valve.AtStation(s, st))
		}
		places = append(places, valve.AtSegmentSide(s, valve.Lateral), valve.AtSegmentSide(s, valve.Medial))
	}
	places = append(places,
		valve.AtBoundary(valve.A1A2), valve.AtBoundary(valve.A2A3), valve.AtBoundary(valve.P1P2), valve.AtBoundary(valve.P2P3),
		valve.AtCommissure(valve.LateralCommissure), valve.AtCommissure(valve.MedialCommissure),
		valve.AtLeaflet(valve.Anterior), valve.AtLeaflet(valve.Posterior),
		valve.AtSlice(valve.A1P1), valve.AtSlice(valve.A2P2), valve.AtSlice(valve.A3P3),
		valve.AtSide(valve.Lateral), valve.AtSide(valve.Medial))
	list := make([]Concept, 0, len(places))
	for _, p := range places {
		list = append(list, Concept{hyphened(string(p)), placeDisplay(p)})
	}
	return list
}

// placeDisplay writes segments in capitals, as they are spoken of.
func placeDisplay(p valve.Place) string {
	switch p {
	case valve.AtLeaflet(valve.Anterior):
		return "Anterior leaflet"
	case valve.AtLeaflet(valve.Posterior):
		return "Posterior leaflet"
	}
	words := strings.Split(string(p), "_")
	if len(words) == 2 && len(words[0]) == 2 && len(words[1]) == 2 {
		if words[0][0] == words[1][0] {
			return "Boundary between " + strings.ToUpper(words[0]) + " and " + strings.ToUpper(words[1])
		}
		return "Slice " + strings.ToUpper(words[0]) + "-" + strings.ToUpper(words[1])
	}
	head, tail, _ := strings.Cut(string(p), "/")
	if len(head) == 2 {
		head = strings.ToUpper(head)
	}
	if tail != "" {
		return head + ", " + spaced(tail)
	}
	return spaced(head)
}

func stepConcepts() []Concept {
	list := []Concept{
		{repairStep, "Surgical repair of the mitral valve"},
		{replacementStep, "Replacement of the mitral valve"},
		{unknownStep, "Step of a repair, technique not stated"},
	}
	kinds := (&trigonev1.Technique{}).ProtoReflect().Descriptor().Oneofs().ByName("kind").Fields()
	for i := range kinds.Len() {
		word := string(kinds.Get(i).Name())
		list = append(list, Concept{hyphened(word), spaced(word)})
	}
	list = append(list, enumConcepts(trigonev1.FurtherTechniqueKind(0).Descriptor(), furtherPrefix)...)
	list = append(list,
		Concept{reintervention, "Intervention on the mitral valve after the operation, kind not stated"},
		Concept{concomitant, "Procedure beside the mitral repair, kind not stated"},
		Concept{returnToTheatre, "Return to theatre in the stay of the operation"})
	for _, c := range enumConcepts(trigonev1.ReinterventionKind(0).Descriptor(), reinterventionPrefix) {
		list = append(list, Concept{reintervention + "-" + c.Code, "Intervention on the mitral valve after the operation: " + c.Display})
	}
	for _, c := range enumConcepts(trigonev1.ConcomitantKind(0).Descriptor(), "CONCOMITANT_KIND_") {
		list = append(list, Concept{concomitant + "-" + c.Code, "Beside the mitral repair: " + c.Display})
	}
	return list
}

const furtherPrefix = "FURTHER_TECHNIQUE_KIND_"

// enumConcepts lists an enum's values without its zero.
func enumConcepts(d protoreflect.EnumDescriptor, prefix string) []Concept {
	var list []Concept
	for i := range d.Values().Len() {
		v := d.Values().Get(i)
		if v.Number() == 0 {
			continue
		}
		word := enumWord(string(v.Name()), prefix)
		list = append(list, Concept{hyphened(word), spaced(word)})
	}
	return list
}

// enumWord is the word of an enum's value: its name in lower case without the
// prefix.
func enumWord(name, prefix string) string { return strings.ToLower(strings.TrimPrefix(name, prefix)) }

// Enum prefixes.
const (
	deviationPrefix  = "DEVIATION_REASON_"
	conversionPrefix = "CONVERSION_REASON_"
	schemePrefix     = "GRADE_SCHEME_"
	valuePrefix      = "GRADE_VALUE_"
)

func reasonConcepts() []Concept {
	list := []Concept{
		{reasonTakenDown, "Taken down later in the operation"},
		{reasonRevised, "Revised by a later step"},
		{reasonConversion, "The repair was given up for a replacement"},
		{reasonPlanRevised, "The plan was revised before the first leaflet cut"},
		{reasonNotRecorded, "Reason not recorded"},
		{reasonExplanted, "There before the operation and taken out in it"},
	}
	for _, c := range enumConcepts(trigonev1.DeclineReason(0).Descriptor(), declinePrefix) {
		list = append(list, Concept{reasonDeclined + "-" + c.Code, "Considered and not done: " + c.Display})
	}
	for _, c := range enumConcepts(trigonev1.DeviationReason(0).Descriptor(), deviationPrefix) {
		list = append(list, c,
			Concept{reasonTakenDown + "-" + c.Code, "Taken down later in the operation: " + c.Display},
			Concept{reasonRevised + "-" + c.Code, "Revised by a later step: " + c.Display})
	}
	for _, c := range enumConcepts(trigonev1.ConversionReason(0).Descriptor(), conversionPrefix) {
		list = append(list, Concept{reasonConversion + "-" + c.Code, "The repair was given up for a replacement: " + c.Display})
	}
	return list
}

// gradeConcepts lists the grades of every scheme; a code is the scheme with the
// rank, so that it sorts, and grades are ordered only inside one scheme.
func gradeConcepts() []Concept {
	var list []Concept
	values := trigonev1.GradeValue(0).Descriptor().Values()
	for _, scheme := range []string{repair.FiveStep, repair.SplitModerate, repair.PlusSigns} {
		for i := range values.Len() {
			g := repair.Grade{Scheme: scheme, Value: enumWord(string(values.Get(i).Name()), valuePrefix)}
			if code, ok := gradeCode(g); ok {
				list = append(list, Concept{code, g.String() + " (" + spaced(scheme) + " scheme)"})
			}
		}
	}
	slices.SortFunc(list, func(a, b Concept) int { return cmp.Compare(a.Code, b.Code) })
	return list
}

func gradeCode(g repair.Grade) (string, bool) {
	rank, ok := g.Rank()
	if !ok {
		return "", false
	}
	return hyphened(g.Scheme) + "-" + string(rune('0'+rank)), true
}
