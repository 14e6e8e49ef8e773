package settings

import "strings"

// PatientForm says how the resources of a site refer to the patient.
type PatientForm string

// The forms. In each the patient's identifier stands in the reference.
const (
	PatientLogical     PatientForm = "logical"     // by the identifier alone
	PatientLiteral     PatientForm = "literal"     // also by an id that is made of it
	PatientConditional PatientForm = "conditional" // in transactions also by a search for it
)

// PatientForms are all of them; the first is built in.
func PatientForms() []PatientForm {
	return []PatientForm{PatientLogical, PatientLiteral, PatientConditional}
}

// PatientReference is a site's choice of how resources refer to the patient; the
// zero value is the logical form. Nothing is judged by it.
type PatientReference struct {
	Form PatientForm
	// System and Template are of the literal form alone: the system of the identifiers
	// of which the receiver's ids are made, and how. An identifier is only unique in its
	// system, so that of another one no id is made.
	System   string
	Template string
}

// PatientTemplatePattern is the form of a template, and PatientSystemPattern that of
// the system beside it.
const (
	PatientTemplatePattern = `^Patient/[A-Za-z0-9.-]{0,32}\{value\}[A-Za-z0-9.-]{0,31}$`
	PatientSystemPattern   = `^[A-Za-z][A-Za-z0-9+.-]*:\S+$`
	patientValue           = "{value}"
)

// mostOfID is how long an id may be.
const mostOfID = 64

// isPatient says whether a text is Patient/id, with an id as HL7 FHIR R4 4.0.1 has it
// (type id).
func isPatient(target string) bool {
	id, is := strings.CutPrefix(target, "Patient/")
	return is && id != "" && len(id) <= mostOfID && !strings.ContainsFunc(id, func(r rune) bool {
		return (r < 'a' || r > 'z') && (r < 'A' || r > 'Z') && (r < '0' || r > '9') && r != '.' && r != '-'
	})
}

// Logical says whether the identifier stands alone, always.
func (p PatientReference) Logical() bool { return p.Form == "" || p.Form == PatientLogical }

// Target gives Patient/id for an identifier; false: none can be made of it.
func (p PatientReference) Target(system, value string) (target string, ok bool) {
	if p.Form != PatientLiteral || system != p.System || value == "" {
		return "", false
	}
	target = strings.Replace(p.Template, patientValue, value, 1)
	return target, isPatient(target)
}

// Value gives the identifier's value of which a target was made; false: it is made
// of none.
func (p PatientReference) Value(target string) (value string, ok bool) {
	if p.Form != PatientLiteral {
		return "", false
	}
	before, after, _ := strings.Cut(p.Template, patientValue)
	rest, begins := strings.CutPrefix(target, before)
	value, ends := strings.CutSuffix(rest, after)
	return value, begins && ends && value != "" && isPatient(target)
}
