package settings

import "testing"

func TestPatientTarget(t *testing.T) {
	const system = "urn:example:patient"
	id64 := "0123456789012345678901234567890123456789012345678901234567890123"
	for _, tt := range []struct {
		why, template, system, value, want string // none: refused
	}{
		{"the value is the id", "Patient/{value}", system, "P-1.a", "Patient/P-1.a"},
		{"the value within the id", "Patient/kis-{value}.0", system, "17", "Patient/kis-17.0"},
		{"as long as an id may be", "Patient/{value}", system, id64, "Patient/" + id64},
		{"longer than an id may be", "Patient/{value}", system, id64 + "4", ""},
		{"longer with what stands before it", "Patient/a{value}", system, id64, ""},
		{"an underscore is in no id", "Patient/{value}", system, "P_1", ""},
		{"a slash would name another resource", "Patient/{value}", system, "1/_history/2", ""},
		{"a value that is a template", "Patient/{value}", system, "{value}", ""},
		{"another letter of the same look", "Patient/{value}", system, "Р1", ""},
		{"a line end behind it", "Patient/{value}", system, "1\n", ""},
		{"no value", "Patient/a{value}", system, "", ""},
		{"the same value in another system is somebody else", "Patient/{value}", "urn:example:other", "P-1", ""},
	} {
		p := PatientReference{Form: PatientLiteral, System: system, Template: tt.template}
		got, ok := p.Target(tt.system, tt.value)
		if ok != (tt.want != "") || ok && got != tt.want {
			t.Errorf("%s: %q, %v", tt.why, got, ok)
		}
		if !ok {
			continue
		}
		if back, ok := p.Value(got); !ok || back != tt.value {
			t.Errorf("%s: read back as %q, %v", tt.why, back, ok)
		}
	}
	p := PatientReference{Form: PatientLiteral, System: system, Template: "Patient/a-{value}"}
	for _, target := range []string{"Patient/b-1", "Patient/a-", "Patient/a-1/x", "Group/a-1", ""} {
		if value, ok := p.Value(target); ok {
			t.Errorf("%q is made of %q", target, value)
		}
	}
	for _, p := range []PatientReference{{}, {Form: PatientLogical}, {Form: PatientConditional}} {
		if target, ok := p.Target(system, "1"); ok || p.Logical() == (p.Form == PatientConditional) {
			t.Errorf("%+v gives %q", p, target)
		}
	}
}
