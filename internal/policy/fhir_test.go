package policy

import (
	"strings"
	"testing"

	"trigone/internal/settings"
)

const fhirHead = head + "fhir:\n"

// fhirFaults are sections that must be refused.
func fhirFaults() []faultRow {
	const literal = fhirHead + "  patient_reference: literal\n"
	return []faultRow{
		{"a section that is a word", head + "fhir: literal\n", "bad.yaml:4:7: fhir holds a text where keys with values are needed"},
		{"an unknown key", fhirHead + "  patient: literal\n", "bad.yaml:5:3: fhir.patient is no key here"},
		{"an unknown form", fhirHead + "  patient_reference: contained\n", "bad.yaml:5:22: fhir.patient_reference is none of logical, literal and conditional"},
		{"a form that is a number", fhirHead + "  patient_reference: [1]\n", "bad.yaml:5:22: fhir.patient_reference holds a list"},
		{"a literal reference of no system", literal + "  patient_template: \"Patient/{value}\"\n", "bad.yaml:5:22: fhir.patient_reference is literal and needs patient_system beside it"},
		{"a literal reference without its form", literal + "  patient_system: urn:example:patient\n", "bad.yaml:5:22: fhir.patient_reference is literal and needs patient_template beside it"},
		{"a template that has no room for the value", literal + "  patient_system: urn:example:patient\n  patient_template: Patient/1\n", "bad.yaml:7:21: fhir.patient_template is no template of a reference"},
		{"a template of a search", literal + "  patient_system: urn:example:patient\n  patient_template: \"Patient?identifier={value}\"\n", "fhir.patient_template is no template of a reference"},
		{"a template of another type", literal + "  patient_system: urn:example:patient\n  patient_template: \"Person/{value}\"\n", "fhir.patient_template is no template of a reference"},
		{"a name for a system", literal + "  patient_system: ours\n  patient_template: \"Patient/{value}\"\n", "bad.yaml:6:19: fhir.patient_system is no address of a system of identifiers"},
		{"a template that nothing reads", fhirHead + "  patient_template: \"Patient/{value}\"\n", "bad.yaml:5:3: fhir.patient_template is for patient_reference: literal only"},
		{"a system that nothing reads", fhirHead + "  patient_reference: conditional\n  patient_system: urn:example:patient\n", "bad.yaml:6:3: fhir.patient_system is for patient_reference: literal only"},
	}
}

func TestFaultsOfTheSectionFHIR(t *testing.T) {
	for _, tt := range fhirFaults() {
		t.Run(tt.why, func(t *testing.T) { tt.check(t) })
	}
}

func TestPatientReference(t *testing.T) {
	for _, tt := range []struct {
		why, text string
		want      settings.PatientReference
		told      string // by Changes
	}{
		{"no section", head, settings.PatientReference{}, ""},
		{"an empty section", fhirHead, settings.PatientReference{}, ""},
		{"what is built in", fhirHead + "  patient_reference: logical\n", settings.PatientReference{}, ""},
		{"a search", fhirHead + "  patient_reference: conditional\n", settings.PatientReference{Form: settings.PatientConditional}, "conditional"},
		{
			"an id", fhirHead + "  patient_reference: literal\n  patient_system: urn:example:patient\n  patient_template: \"Patient/p-{value}\"\n",
			settings.PatientReference{Form: settings.PatientLiteral, System: "urn:example:patient", Template: "Patient/p-{value}"},
			"literal Patient/p-{value}, of urn:example:patient",
		},
	} {
		p, err := parsed("north.yaml", []byte(tt.text))
		if err != nil {
			t.Fatalf("%s: %v", tt.why, err)
		}
		told := ""
		for _, c := range p.Changes() {
			if strings.HasPrefix(c.Name, "fhir.") {
				told = c.Site
			}
		}
		if p.Patient != tt.want || told != tt.told {
			t.Errorf("%s: %+v, told as %q", tt.why, p.Patient, told)
		}
		if err := compiled(t).Validate(must(document(tt.text))); err != nil {
			t.Errorf("%s: the schema refuses what the reader takes: %v", tt.why, err)
		}
	}
}

// What was in force once is read again for judging, whatever it says of sending.
func TestStoredPolicyOutlivesItsSectionFHIR(t *testing.T) {
	p, err := ParseStored("then.yaml", []byte(fhirHead+"  of_later: 1\n"))
	if err != nil || !p.Patient.Logical() {
		t.Errorf("%+v, %v", p.Patient, err)
	}
}
