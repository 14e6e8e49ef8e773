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
		{"a base with a slash at its end", fhirHead + "  canonical_base: https://fhir.north.example/trigone/\n", "bad.yaml:5:19: fhir.canonical_base is no absolute http or https URL and no URN"},
		{"a base with a query", fhirHead + "  canonical_base: https://fhir.north.example/trigone?a=b\n", "fhir.canonical_base is no absolute"},
		{"a base with a fragment", fhirHead + "  canonical_base: \"https://fhir.north.example/trigone#a\"\n", "fhir.canonical_base is no absolute"},
		{"a base with a user", fhirHead + "  canonical_base: https://me@fhir.north.example/trigone\n", "fhir.canonical_base is no absolute"},
		{"a base of a file", fhirHead + "  canonical_base: file:///fhir\n", "fhir.canonical_base is no absolute"},
		{"a name for a base", fhirHead + "  canonical_base: north\n", "fhir.canonical_base is no absolute"},
		{"a base with a way up", fhirHead + "  canonical_base: https://fhir.north.example/../trigone\n", "fhir.canonical_base is no absolute"},
		{"an empty base", fhirHead + "  canonical_base: \"\"\n", "fhir.canonical_base"},
		{"a base that is a number", fhirHead + "  canonical_base: [1]\n", "bad.yaml:5:19: fhir.canonical_base holds a list"},
		{"a base of a standard", fhirHead + "  canonical_base: http://terminology.hl7.org/CodeSystem\n", "bad.yaml:5:19: fhir.canonical_base is under a name of a standard"},
		{"a base that nothing can be added to", fhirHead + "  canonical_base: urn:oid:2.999.1\n", "fhir.canonical_base is under a name of a standard, or a URN to which nothing can be added"},
		{"a long base", fhirHead + "  canonical_base: https://fhir.north.example/" + strings.Repeat("a", 100) + "\n", "fhir.canonical_base has 127 letters, at most 120 are taken"},
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

// A base is taken as it is written, and told as the site's.
func TestCanonicalBase(t *testing.T) {
	for _, want := range []string{
		"", "https://fhir.north.example/trigone", "http://fhir.north.example:8080", "https://north.example/a/b_c/~d", "urn:example:north:trigone", "urn:example:north/trigone",
		"https://example.org/fhir/trigone", "https://nothl7.org/fhir",
	} {
		text := fhirHead
		if want != "" {
			text += "  canonical_base: " + want + "\n"
		}
		p, err := parsed("north.yaml", []byte(text))
		if err != nil || p.CanonicalBase != want || !p.Patient.Logical() {
			t.Errorf("%q: %q, %v", want, p.CanonicalBase, err)
		}
		told := ""
		for _, c := range p.Changes() {
			if c.Name == "fhir.canonical_base" {
				told = c.Site
			}
		}
		if told != want {
			t.Errorf("%q is told as %q", want, told)
		}
		if err := compiled(t).Validate(must(document(text))); err != nil {
			t.Errorf("%q: the schema refuses what the reader takes: %v", want, err)
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
