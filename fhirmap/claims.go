package fhirmap

import (
	"github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// profileID gives the profile of ours that a resource meets, the narrowest; empty:
// there is none for it. What is withdrawn claims none.
func (r resource) profileID() string {
	switch {
	case r.observation != nil:
		for _, c := range r.observation.Code.Coding {
			switch orEmpty(c.System) {
			case metricSystem:
				if r.observation.ValueCodeableConcept != nil {
					return profileGrade
				}
				return profileValue
			case kindSystem:
				return profilePanel
			case discrepancySystem:
				return profileDifference
			case outcomeSystem:
				return profileOutcome
			}
		}
	case r.procedure != nil:
		switch {
		case len(r.procedure.PartOf) > 0:
			return profileStep
		case isCode(r.procedure.Code, stepSystem, repairStep):
			return profileOperation
		}
		return profileAgain
	case r.device != nil:
		if isSoftware(r.device) {
			return profileDevice
		}
		return profileImplant
	case r.issue != nil:
		return profileIssue
	}
	return ""
}

func isCode(c *fhir.CodeableConcept, system, code string) bool {
	if c == nil {
		return false
	}
	for _, x := range c.Coding {
		if orEmpty(x.System) == system && orEmpty(x.Code) == code {
			return true
		}
	}
	return false
}

// claim writes the profile that a resource meets into its meta.
func (p *producer) claim(r resource) {
	id := r.profileID()
	if id == "" {
		return
	}
	if p.claims[id] == nil {
		meta := *p.meta
		meta.Profile = []string{canonical(TypeStructureDefinition, id)}
		p.claims[id] = &meta
	}
	switch meta := p.claims[id]; {
	case r.observation != nil:
		r.observation.Meta = meta
	case r.procedure != nil:
		r.procedure.Meta = meta
	case r.device != nil:
		r.device.Meta = meta
	case r.issue != nil:
		r.issue.Meta = meta
	}
}
