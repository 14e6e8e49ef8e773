package fhirmap

import (
	"slices"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	trigonev1 "trigone/proto/trigone/v1"
)

// operatorSystem is the system of the pseudonyms by which a site's record names its
// staff.
func operatorSystem(site string) string { return Base + "/sites/" + site + "/operator" }

// person refers to somebody by pseudonym; nil where nobody is named, or where who
// receives the bundle may not know.
func (p *producer) person(pseudonym string) *fhir.Reference {
	if pseudonym == "" || p.nobody {
		return nil
	}
	return &fhir.Reference{Type: text("Practitioner"), Identifier: &fhir.Identifier{System: text(operatorSystem(p.site)), Value: text(pseudonym)}}
}

// performers gives the team of the operation, each with a role; of a step, those of
// whom the record says that they did it.
func (p *producer) performers(step string) []fhir.ProcedurePerformer {
	var list []fhir.ProcedurePerformer
	for _, o := range p.file.GetOperation().GetSetting().GetOperators() {
		if step != "" && !slices.Contains(o.GetStepIds(), step) {
			continue
		}
		who := p.person(o.GetPseudonym())
		if who == nil {
			continue
		}
		performer := fhir.ProcedurePerformer{Actor: *who}
		if code := enumCode(o.GetRole().Descriptor(), o.GetRole().Number()); code != "" {
			performer.Function = local(outcomeSystem, code)
		}
		list = append(list, performer)
	}
	return list
}

// encounter refers to the stay of the operation by the hospital's number; nil where
// the record has none.
func (p *producer) encounter() *fhir.Reference {
	id := p.file.GetOperation().GetAdmission().GetEncounterIdentifier()
	if id.GetValue() == "" {
		return nil
	}
	return &fhir.Reference{Type: text("Encounter"), Identifier: &fhir.Identifier{System: text(id.GetSystem()), Value: text(id.GetValue())}}
}

// priority of a plan by its urgency: HL7 FHIR R4 4.0.1, RequestPriority. Which of
// emergency and salvage it is stands in the details.
func priority(u trigonev1.Urgency) *fhir.RequestPriority {
	var p fhir.RequestPriority
	switch u {
	case trigonev1.Urgency_URGENCY_ELECTIVE:
		p = fhir.RequestPriorityRoutine
	case trigonev1.Urgency_URGENCY_URGENT:
		p = fhir.RequestPriorityUrgent
	case trigonev1.Urgency_URGENCY_EMERGENCY, trigonev1.Urgency_URGENCY_SALVAGE:
		p = fhir.RequestPriorityStat
	default:
		return nil
	}
	return &p
}
