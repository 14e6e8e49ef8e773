package fhirmap

import (
	"cmp"
	"fmt"
	"strings"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"
	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// What is said in words of the patient and of the operation, and is no quantity: how
// urgent it was, what came after it. Each is an Observation of a code below, with a
// word as its value. Events come with the operation as their focus; what was done
// again is a Procedure.

// Codes of outcomeSystem that are no word of an enum.
const (
	factVitalStatus  = "vital-status"
	factContact      = "contact"
	factDischarge    = "discharge"
	factReadmission  = "readmission"
	factComplication = "complication"
	factClass        = "functional-class"
	factRhythm       = "rhythm"
	factUrgency      = "urgency"
	factApproach     = "approach"
	factIntended     = "intended-procedure-kind"
	factComplexity   = "complexity"

	partDeathDate      = "date-of-death"
	partDeathCause     = "death-cause"
	partDeathPlace     = "death-place"
	partGrade          = "complication-grade"
	partDefinition     = "outcome-definition"
	partNewDialysis    = "new-dialysis"
	partDialysis       = "dialysis-at-discharge"
	partPacemaker      = "pacemaker-indication"
	partWound          = "wound-site"
	partUnplanned      = "unplanned"
	partBegunAs        = "approach-begun-as"
	partChangeReason   = "approach-change-reason"
	partComplications  = "complications-recorded"
	partReintervention = "reinterventions-recorded"
	partReturns        = "returns-to-theatre-recorded"
	partReadmissions   = "readmissions-recorded"

	contactLost = "contact-lost"
	contactKept = "contact-kept"
)

// outcomeEnums are the enums whose words are values there.
var outcomeEnums = []protoreflect.EnumDescriptor{
	trigonev1.OperatorRole(0).Descriptor(), trigonev1.VitalStatus(0).Descriptor(), trigonev1.DeathCause(0).Descriptor(), trigonev1.DeathPlace(0).Descriptor(),
	trigonev1.DischargeDestination(0).Descriptor(), trigonev1.ReadmissionCause(0).Descriptor(), trigonev1.ReturnReason(0).Descriptor(),
	trigonev1.ComplicationKind(0).Descriptor(), trigonev1.ComplicationGrade(0).Descriptor(), trigonev1.PacemakerIndication(0).Descriptor(),
	trigonev1.WoundSite(0).Descriptor(), trigonev1.FunctionalClass(0).Descriptor(), trigonev1.Rhythm(0).Descriptor(), trigonev1.Urgency(0).Descriptor(),
	trigonev1.Approach(0).Descriptor(), trigonev1.ApproachChangeReason(0).Descriptor(), trigonev1.IntendedProcedureKind(0).Descriptor(),
	trigonev1.Complexity(0).Descriptor(), trigonev1.RegurgitationMechanism(0).Descriptor(), trigonev1.Answer(0).Descriptor(),
}

func outcomeConcepts() []Concept {
	list := []Concept{
		{factVitalStatus, "Vital status"},
		{factContact, "Contact with the patient"},
		{factDischarge, "Discharge from the stay in which the operation was done"},
		{factReadmission, "Readmission after discharge, by the class of its cause"},
		{factComplication, "Complication"},
		{factClass, "Functional class by exertion"},
		{factRhythm, "Rhythm of the heart"},
		{factUrgency, "Urgency of the operation"},
		{factApproach, "Way to the heart, the last one"},
		{factIntended, "What was meant to be done to the mitral valve"},
		{factComplexity, "Complexity of the repair as judged by the surgeon"},
		{partDeathDate, "date of death"},
		{partDeathCause, "class of the cause of death"},
		{partDeathPlace, "place of death"},
		{partGrade, "grade"},
		{partDefinition, "definition"},
		{partNewDialysis, "dialysis begun that was not needed before"},
		{partDialysis, "dialysis at discharge"},
		{partPacemaker, "indication of the pacemaker"},
		{partWound, "wound"},
		{partUnplanned, "unplanned"},
		{partBegunAs, "begun as"},
		{partChangeReason, "changed because of"},
		{partComplications, "record of complications"},
		{partReintervention, "record of interventions on the mitral valve"},
		{partReturns, "record of returns to theatre"},
		{partReadmissions, "record of readmissions"},
		{contactLost, "lost"},
		{contactKept, "kept"},
		{"recorded-complete", "complete"},
		{"recorded-partial", "partial"},
	}
	for _, c := range enumConcepts(trigonev1.ComplicationKind(0).Descriptor(), complicationPrefix) {
		list = append(list, Concept{definitionOf(c.Code), "default definition of " + c.Display + ", version 1"})
	}
	for _, d := range outcomeEnums {
		prefix := strings.TrimSuffix(string(d.Values().ByNumber(0).Name()), "UNSPECIFIED")
		for i := range d.Values().Len() {
			v := d.Values().Get(i)
			if code := enumCode(d, v.Number()); code != "" {
				list = append(list, Concept{code, spaced(enumWord(string(v.Name()), prefix))})
			}
		}
	}
	return list
}

const complicationPrefix = "COMPLICATION_KIND_"

func definitionOf(kind string) string { return partDefinition + "-" + kind + "-1" }

// definitionSystem is the system of a site's own definitions of outcomes; a code is
// key and version.
func definitionSystem(site string) string { return Base + "/sites/" + site + "/outcome-definition" }

// enum is a word of the contract.
type enum interface {
	Descriptor() protoreflect.EnumDescriptor
	Number() protoreflect.EnumNumber
}

// word gives a word of the contract; nil for the zero.
func word(x enum) *fhir.CodeableConcept {
	if code := enumCode(x.Descriptor(), x.Number()); code != "" {
		return local(outcomeSystem, code)
	}
	return nil
}

// fact is one of these Observations.
type fact struct {
	// key names it within its section, beside its code; empty: there is one of a code.
	key, code string
	value     *fhir.CodeableConcept
	on        clock
	parts     []fhir.ObservationComponent
	// happened says that there is something to say although its value is not known.
	happened bool
}

// part adds a component; nothing where there is no value.
func (f *fact) part(code string, value *fhir.CodeableConcept) {
	if value != nil {
		f.parts = append(f.parts, fhir.ObservationComponent{Code: *local(outcomeSystem, code), ValueCodeableConcept: value})
	}
}

// recorded adds whether a list is all there was, without which nobody can tell none
// from not asked.
func (f *fact) recorded(code string, r trigonev1.Recorded) {
	switch r {
	case trigonev1.Recorded_RECORDED_COMPLETE:
		f.part(code, local(outcomeSystem, "recorded-complete"))
	case trigonev1.Recorded_RECORDED_PARTIAL:
		f.part(code, local(outcomeSystem, "recorded-partial"))
	}
}

// addFact sends what has a value or parts, or happened; one without a value says that
// it is not known.
func (p *producer) addFact(section string, f fact) {
	key := factPrefix + f.code + "/" + section
	if f.key != "" {
		key += "/" + f.key
	}
	if f.value == nil && len(f.parts) == 0 && !f.happened || p.known[resourceID(p.uid, typeObservation, key)] {
		return
	}
	o := &fhir.Observation{
		Status: fhir.ObservationStatusFinal, Code: *local(outcomeSystem, f.code),
		EffectiveDateTime: f.on.at, EffectivePeriod: f.on.period(), ValueCodeableConcept: f.value, Component: f.parts,
	}
	if f.value == nil {
		o.DataAbsentReason = standard(absentSystem, "unknown")
	}
	category := "exam"
	if operation, ok := p.reference(typeProcedure, parentKey); ok {
		if section == string(valve.AtOperation) {
			category, o.PartOf = "procedure", []fhir.Reference{operation}
		} else {
			o.Focus = []fhir.Reference{operation}
		}
	}
	o.Category = []fhir.CodeableConcept{*standard(categorySystem, category)}
	if code := p.occasionCode(valve.Occasion(section), trigonev1.Stage_STAGE_UNSPECIFIED); code != "" {
		o.Category = append(o.Category, *local(occasionSystem, code))
	}
	p.addObservation(key, o, nil)
}

// outcomes makes what is told in words of the operation and of the follow-ups.
func (p *producer) outcomes() {
	defer func() { p.from = source{} }()
	if op := p.file.GetOperation(); op != nil {
		p.from = p.sourceOf(string(valve.AtOperation))
		p.circumstances(op)
	}
	for _, u := range p.file.GetFollowUps() {
		p.from = p.sourceOf(followUpName + u.GetId())
		p.followedUp(u)
	}
}

// circumstances are those of the operation.
func (p *producer) circumstances(op *trigonev1.Operation) {
	section, when := string(valve.AtOperation), operationClock(op)
	setting := op.GetSetting()
	p.addFact(section, fact{code: factUrgency, value: word(setting.GetUrgency()), on: when})
	p.addFact(section, fact{code: factIntended, value: word(setting.GetIntendedProcedure().GetKind()), on: at(setting.GetIntendedProcedure().GetStatedTime())})
	p.addFact(section, fact{code: factComplexity, value: word(setting.GetComplexity()), on: when})
	approach := fact{code: factApproach, value: word(setting.GetApproach()), on: when}
	if change := op.GetApproachChange(); change.GetChanged() == trigonev1.Answer_ANSWER_YES {
		approach.part(partBegunAs, word(change.GetBegunAs()))
		approach.part(partChangeReason, word(change.GetReason()))
	}
	p.addFact(section, approach)

	status := fact{code: factVitalStatus, on: clock{at: instant(op.GetEndTime())}}
	switch op.GetLeftTheatreAlive() {
	case trigonev1.Answer_ANSWER_YES:
		status.value = word(trigonev1.VitalStatus_VITAL_STATUS_ALIVE)
	case trigonev1.Answer_ANSWER_NO:
		status.value = word(trigonev1.VitalStatus_VITAL_STATUS_DEAD)
		status.part(partDeathPlace, word(trigonev1.DeathPlace_DEATH_PLACE_THEATRE))
	}
	status.recorded(partComplications, op.GetComplicationsRecorded())
	p.addFact(section, status)
	p.complications(section, op.GetComplications())
}

// followedUp is what a follow-up knows of the patient.
func (p *producer) followedUp(u *trigonev1.FollowUp) {
	section, known := followUpName+u.GetId(), clock{at: date(u.GetStatusKnownOn())}
	status := fact{code: factVitalStatus, value: word(u.GetVitalStatus()), on: known}
	if died := date(u.GetDiedOn()); died != nil {
		status.parts = append(status.parts, fhir.ObservationComponent{Code: *local(outcomeSystem, partDeathDate), ValueDateTime: died})
	}
	status.part(partDeathCause, word(u.GetDeathCause()))
	status.part(partDeathPlace, word(u.GetDeathPlace()))
	status.recorded(partComplications, u.GetComplicationsRecorded())
	status.recorded(partReintervention, u.GetReinterventionsRecorded())
	status.recorded(partReturns, u.GetReturnsToTheatreRecorded())
	status.recorded(partReadmissions, u.GetReadmissionsRecorded())
	p.addFact(section, status)

	contact := fact{code: factContact, on: known}
	switch u.GetLost() {
	case trigonev1.Answer_ANSWER_YES:
		contact.value = local(outcomeSystem, contactLost)
	case trigonev1.Answer_ANSWER_NO:
		contact.value = local(outcomeSystem, contactKept)
	}
	p.addFact(section, contact)
	p.addFact(section, fact{code: factClass, value: word(u.GetFunctionalClass()), on: known})
	p.addFact(section, fact{code: factRhythm, value: word(u.GetRhythm()), on: known})
	if d := u.GetDischarge(); d != nil {
		left := clock{at: date(d.GetDischargedOn())}
		p.addFact(section, fact{code: factDischarge, value: word(d.GetDestination()), on: left, happened: left.known()})
	}
	for _, r := range u.GetReadmissions() {
		again := fact{
			key: cmp.Or(r.GetId(), undated(enumWord(r.GetCause().String(), "READMISSION_CAUSE_"), r.GetAdmittedOn())), code: factReadmission,
			value: word(r.GetCause()), on: clock{at: date(r.GetAdmittedOn())}, happened: true,
		}
		again.part(partUnplanned, word(r.GetUnplanned()))
		p.addFact(section, again)
	}
	p.complications(section, u.GetComplications())
	for _, r := range u.GetReinterventions() {
		p.again(section, againReintervention, cmp.Or(r.GetId(), undated(enumWord(r.GetKind().String(), reinterventionPrefix), r.GetOn())), &fhir.Procedure{
			Code: local(stepSystem, qualified(reintervention, int32(r.GetKind()), r.GetKind().String(), reinterventionPrefix)), BodySite: []fhir.CodeableConcept{*standard(snomed, mitralValve)},
			PerformedDateTime: date(r.GetOn()), ReasonCode: concepts(word(r.GetMechanism())),
		}, r.GetKind() == trigonev1.ReinterventionKind_REINTERVENTION_KIND_REPAIRED_AGAIN || r.GetKind() == trigonev1.ReinterventionKind_REINTERVENTION_KIND_REPLACED)
	}
	for _, r := range u.GetReturnsToTheatre() {
		p.again(section, againReturn, cmp.Or(r.GetId(), undated(enumWord(r.GetReason().String(), "RETURN_REASON_"), r.GetDate())), &fhir.Procedure{
			Code: local(stepSystem, returnToTheatre), PerformedDateTime: date(r.GetDate()), ReasonCode: concepts(word(r.GetReason())),
		}, true)
	}
}

const (
	reinterventionPrefix = "REINTERVENTION_KIND_"
	againReintervention  = "reintervention"
	againReturn          = "return-to-theatre"
	factPrefix           = "fact/"
)

// undated names what has no id by what it is and its day; ids have no colon.
func undated(kind, on string) string { return fmt.Sprintf("%s:%s", kind, on) }

func concepts(c *fhir.CodeableConcept) []fhir.CodeableConcept {
	if c == nil {
		return nil
	}
	return []fhir.CodeableConcept{*c}
}

// complications makes an Observation of each: what, its grade, and by which
// definition both were told.
func (p *producer) complications(section string, list []*trigonev1.Complication) {
	for _, c := range list {
		kind := enumWord(c.GetKind().String(), complicationPrefix)
		f := fact{
			key: cmp.Or(c.GetId(), undated(kind, c.GetDate())), code: factComplication,
			value: word(c.GetKind()), on: clock{at: date(c.GetDate())}, happened: true,
		}
		f.part(partGrade, word(c.GetGrade()))
		if d := c.GetDefinition(); d.GetKey() == kind && d.GetVersion() == "1" {
			f.part(partDefinition, local(outcomeSystem, definitionOf(hyphened(kind))))
		} else if d.GetKey() != "" {
			code := d.GetKey()
			if d.GetVersion() != "" {
				code += "/" + d.GetVersion()
			}
			f.part(partDefinition, &fhir.CodeableConcept{Coding: []fhir.Coding{{System: text(definitionSystem(p.site)), Code: text(code)}}})
		}
		f.part(partNewDialysis, word(c.GetNewDialysis()))
		f.part(partDialysis, word(c.GetDialysisAtDischarge()))
		f.part(partPacemaker, word(c.GetPacemakerIndication()))
		f.part(partWound, word(c.GetWoundSite()))
		p.addFact(section, f)
		if operation := p.made(parentKey); operation != nil && section == string(valve.AtOperation) && f.value != nil {
			operation.Complication = append(operation.Complication, *f.value)
		}
	}
}

// again makes the Procedure of what was done after the operation, which is its
// reason.
func (p *producer) again(section, what, id string, proc *fhir.Procedure, surgical bool) {
	key := what + "/" + section + "/" + id
	if p.known[resourceID(p.uid, typeProcedure, key)] {
		return
	}
	proc.Status = fhir.EventStatusCompleted
	if operation, ok := p.reference(typeProcedure, parentKey); ok {
		proc.ReasonReference = []fhir.Reference{operation}
	}
	p.addProcedure(key, proc)
	if !surgical {
		proc.Category = nil
	}
	if what == againReintervention {
		proc.Encounter = nil // it was in another stay
	}
}

// beside makes the children for procedures beside the mitral repair: those done, with
// how, and those considered and not done.
func (p *producer) beside(op *trigonev1.Operation, parent fhir.Reference) {
	count := map[string]int{}
	for _, c := range op.GetConcomitantProcedures() {
		code := concomitantCode(c.GetKind())
		count[code]++
		key := code
		if count[code] > 1 {
			// They have no id: the second of a kind is the second.
			key = fmt.Sprintf("%s/%d", code, count[code])
		}
		proc := &fhir.Procedure{
			Status: fhir.EventStatusCompleted, PartOf: []fhir.Reference{parent}, Code: local(stepSystem, code),
			PerformedPeriod: operationClock(op).period(),
		}
		m := c.ProtoReflect()
		if detail := m.WhichOneof(m.Descriptor().Oneofs().ByName("detail")); detail != nil {
			proc.Extension = how(m.Get(detail).Message())
		}
		switch c.GetPlanned() {
		case trigonev1.Answer_ANSWER_YES:
			proc.Extension = append(proc.Extension, howExtension(detailSystem, plannedBefore))
		case trigonev1.Answer_ANSWER_NO:
			proc.Extension = append(proc.Extension, howExtension(detailSystem, notPlannedBefore))
		}
		p.addProcedure(key, proc)
	}
	for _, d := range op.GetDeclinedProcedures() {
		code := concomitantCode(d.GetKind())
		key := "declined/" + code
		if p.known[resourceID(p.uid, typeProcedure, key)] {
			continue
		}
		reason := reasonNotRecorded
		if number := d.GetReason().Number(); number != 0 {
			reason = qualified(reasonDeclined, int32(number), d.GetReason().String(), declinePrefix)
		}
		p.addProcedure(key, &fhir.Procedure{
			Status: fhir.EventStatusNotDone, StatusReason: local(reasonSystem, reason), PartOf: []fhir.Reference{parent}, Code: local(stepSystem, code),
		})
	}
}

const declinePrefix = "DECLINE_REASON_"

func concomitantCode(k trigonev1.ConcomitantKind) string {
	return qualified(concomitant, int32(k), k.String(), "CONCOMITANT_KIND_")
}

// how gives the words of a message and of those within it that say how something was
// done, in the order of the contract, each once.
func how(m protoreflect.Message) []fhir.Extension {
	var list []fhir.Extension
	seen := map[string]bool{}
	add := func(d protoreflect.EnumDescriptor, number protoreflect.EnumNumber) {
		code := enumCode(d, number)
		if code == "" || seen[code] || !isDetail(d) {
			return
		}
		seen[code] = true
		list = append(list, howExtension(detailSystem, code))
	}
	var walk func(m protoreflect.Message)
	walk = func(m protoreflect.Message) {
		fields := m.Descriptor().Fields()
		for i := range fields.Len() {
			f := fields.Get(i)
			switch {
			case f.Kind() == protoreflect.EnumKind && f.IsList():
				for j := range m.Get(f).List().Len() {
					add(f.Enum(), m.Get(f).List().Get(j).Enum())
				}
			case f.Kind() == protoreflect.EnumKind:
				add(f.Enum(), m.Get(f).Enum())
			case f.Message() != nil && f.IsList():
				for j := range m.Get(f).List().Len() {
					walk(m.Get(f).List().Get(j).Message())
				}
			}
		}
	}
	walk(m)
	return list
}

func howExtension(system, code string) fhir.Extension {
	return fhir.Extension{Url: detailExtension, ValueCodeableConcept: local(system, code)}
}

// stepDetails says how a step was done, in the words in which a plan says it.
func stepDetails(t *trigonev1.Technique) []fhir.Extension {
	m := t.ProtoReflect()
	field := m.WhichOneof(m.Descriptor().Oneofs().ByName("kind"))
	if field == nil {
		return nil
	}
	return how(m.Get(field).Message())
}
