package policy

import (
	"regexp"

	"trigone/internal/settings"
)

// Keys of the section fhir.
const (
	keyPatientReference = "patient_reference"
	keyPatientTemplate  = "patient_template"
	keyPatientSystem    = "patient_system"
	keyCanonicalBase    = "canonical_base"
)

var (
	patientTemplate = regexp.MustCompile(settings.PatientTemplatePattern)
	patientSystem   = regexp.MustCompile(settings.PatientSystemPattern)
	canonicalBase   = regexp.MustCompile(settings.CanonicalBasePattern)
	takenBase       = regexp.MustCompile(settings.CanonicalBaseTakenPattern)
)

// fhir reads how what is sent as FHIR differs by site.
func (r *reading) fhir(f field) (patient settings.PatientReference, base string) {
	if r.stored {
		return patient, base
	}
	given := r.Fields(f, keyCanonicalBase, keyPatientReference, keyPatientTemplate, keyPatientSystem)
	return r.patient(given), r.canonicalBase(given)
}

// canonicalBase reads under which URI all is named that is our own; empty: the
// built-in one.
func (r *reading) canonicalBase(given map[string]field) string {
	f, has := given[keyCanonicalBase]
	if !has {
		return ""
	}
	text, ok := r.Text(f)
	switch {
	case !ok:
	case len(text) > settings.CanonicalBaseMost:
		r.Fault(f, "%s has %d letters, at most %d are taken; give a shorter one", f.Path(), len(text), settings.CanonicalBaseMost)
	case !canonicalBase.MatchString(text):
		r.Fault(f, "%s is no absolute http or https URL and no URN, or has a slash at its end, a query, a fragment, a user or signs other than letters, digits, . _ ~ and -; give one such as https://fhir.hospital.example/trigone", f.Path())
	case takenBase.MatchString(text):
		r.Fault(f, "%s is under a name of a standard, or a URN to which nothing can be added; give one that is the site's own", f.Path())
	default:
		return text
	}
	return ""
}

// patient reads how resources refer to the patient.
func (r *reading) patient(given map[string]field) settings.PatientReference {
	var p settings.PatientReference
	chosen, has := given[keyPatientReference]
	if has {
		text, ok := r.Text(chosen)
		if !ok {
			return p
		}
		switch form := settings.PatientForm(text); form {
		case settings.PatientLogical:
		case settings.PatientLiteral, settings.PatientConditional:
			p.Form = form
		default:
			r.Fault(chosen, "%s is none of logical, literal and conditional", chosen.Path())
			return p
		}
	}
	for _, part := range []struct {
		key  string
		form *regexp.Regexp
		into *string
		what string
	}{
		{keyPatientTemplate, patientTemplate, &p.Template, `no template of a reference; give "Patient/{value}", with letters, digits, . and - around {value} where the receiver's ids have them`},
		{keyPatientSystem, patientSystem, &p.System, "no address of a system of identifiers; give the one whose values the receiver's ids are made of"},
	} {
		x, has := given[part.key]
		switch {
		case has && p.Form != settings.PatientLiteral:
			r.FaultAt(x.Key, "%s is for %s: literal only; leave it out", x.Path(), keyPatientReference)
		case has:
			text, ok := r.Text(x)
			if ok && !part.form.MatchString(text) {
				r.Fault(x, "%s is %s", x.Path(), part.what)
			}
			*part.into = text
		case p.Form == settings.PatientLiteral:
			r.Fault(chosen, "%s is literal and needs %s beside it", chosen.Path(), part.key)
		}
	}
	return p
}

// fhirSchema is the schema of the section.
func fhirSchema() object {
	section := entries(object{
		keyCanonicalBase: object{
			"type": "string", "pattern": settings.CanonicalBasePattern, "maxLength": settings.CanonicalBaseMost,
			"not": object{"pattern": settings.CanonicalBaseTakenPattern}, "description": "URI under which all is named that is our own: code systems, identifiers, profiles, extensions",
		},
		keyPatientReference: object{"enum": settings.PatientForms(), "default": settings.PatientLogical, "description": "how resources refer to the patient beside the identifier"},
		keyPatientTemplate:  object{"type": "string", "pattern": settings.PatientTemplatePattern, "description": "the receiver's id of a patient, made of the identifier's value"},
		keyPatientSystem:    object{"type": "string", "pattern": settings.PatientSystemPattern, "description": "system of the identifiers that such ids are made of"},
	})
	section["description"] = "how what is sent as FHIR differs by site"
	section["if"] = object{"properties": object{keyPatientReference: object{"const": settings.PatientLiteral}}, "required": []string{keyPatientReference}}
	section["then"] = object{"required": []string{keyPatientTemplate, keyPatientSystem}}
	section["else"] = object{"properties": object{keyPatientTemplate: false, keyPatientSystem: false}}
	return section
}
