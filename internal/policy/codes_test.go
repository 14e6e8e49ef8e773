package policy

import (
	"fmt"
	"strings"
	"testing"

	"trigone/fhirmap"
	"trigone/internal/metric"
)

const (
	codesHead     = head + "codes:\n"
	snomedAddress = "http://snomed.info/sct"
	loincAddress  = "http://loinc.org"
)

// code writes an entry of the list.
func code(localSystem, localCode, system, public, equivalence string) string {
	return fmt.Sprintf("{local_system: %s, local_code: %s, system: %q, code: %q, display: invented display, equivalence: %s, verified: a release}",
		localSystem, localCode, system, public, equivalence)
}

// codeFaults are lists that must be refused. 19198003 and 46807008 are codes of DICOM
// PS3.16 CID 12339, 80071-4 and 82341-9 of CID 12300 and 12337.
func codeFaults() []faultRow {
	one := func(localSystem, localCode, system, public, equivalence string) string {
		return codesHead + "  - " + code(localSystem, localCode, system, public, equivalence) + "\n"
	}
	return []faultRow{
		{"codes are no list", head + "codes: {a: 1}\n", "bad.yaml:4:1: codes holds keys with values where a list is needed"},
		{"a code that is a text", codesHead + "  - 19198003\n", "bad.yaml:5:5: codes[0] holds a number where keys with values are needed"},
		{"a code without a note where it was verified", codesHead + "  - {local_system: step, local_code: patch, system: \"http://snomed.info/sct\", code: \"19198003\", display: x, equivalence: wider}\n", "bad.yaml:5:6: codes[0] has no verified"},
		{"an unknown key of a code", strings.Replace(one("step", "patch", snomedAddress, "19198003", "wider"), "}", ", url: x}", 1), "codes[0].url is no key here"},
		{"a system of ours that there is not", one("steps", "patch", snomedAddress, "19198003", "wider"), "bad.yaml:5:20: codes[0].local_system is no code system of ours; give one of band, device,"},
		{"a code of ours that there is not", one("step", "patches", snomedAddress, "19198003", "wider"), "codes[0].local_code is no code of step; the command trigone terminology writes all of them"},
		{"an unknown equivalence", one("step", "patch", snomedAddress, "19198003", "relatedto"), "codes[0].equivalence is none of equivalent, wider and narrower"},
		{"unmatched is for the program to say", one("step", "patch", snomedAddress, "19198003", "unmatched"), "codes[0].equivalence is none of"},
		{"a system of ours", one("step", "patch", fhirmap.Base+"/CodeSystem/place", "p2", "wider"), "codes[0].system is a system of ours; give a public one"},
		{"a name for an address", one("step", "patch", "SNOMED", "19198003", "wider"), "codes[0].system is no address of a code system"},
		{"an empty code", one("step", "patch", "http://example.org/codes", "", "wider"), "codes[0].code is no code"},
		{"an empty display", strings.Replace(one("step", "patch", snomedAddress, "19198003", "wider"), "invented display", `" "`, 1), "codes[0].display is empty"},
		{"an empty note", strings.Replace(one("step", "patch", snomedAddress, "19198003", "wider"), "a release", `""`, 1), "codes[0].verified is empty"},
		{"a LOINC code typed wrongly", one("step", "patch", loincAddress, "80071-5", "wider"), "codes[0].code is no LOINC code: its check digit is wrong"},
		{"a SNOMED CT code typed wrongly", one("step", "patch", snomedAddress, "19189003", "wider"), "codes[0].code is no SNOMED CT code: its check digit is wrong"},
		{"a vital sign", one("metric", "body-height", loincAddress, "8302-2", "equivalent"), "codes[0].code obliges to the vital signs profile"},
		{"a built-in code", one("metric", "regurgitant-orifice-area-by-flow-convergence", loincAddress, "80071-4", "equivalent"), "codes[0].code is built in for regurgitant-orifice-area-by-flow-convergence as equivalent; leave it out"},
		{"a built-in code told otherwise", one("metric", "gradient-heart-rate", loincAddress, "8867-4", "narrower"), "codes[0].code is built in for gradient-heart-rate as wider"},
		{"a second equivalent beside a built-in one", one("metric", "regurgitant-orifice-area-by-flow-convergence", loincAddress, "82341-9", "equivalent"), "codes[0].code would stand beside 80071-4, which already means the same as regurgitant-orifice-area-by-flow-convergence"},
		{"a public code of another code of ours", one("metric", "predicted-body-surface-area-root-formula", loincAddress, "8277-6", "equivalent"), "codes[0].code already means the same as body-surface-area-root-formula, which is another code of ours"},
		{"one code twice", codesHead + strings.Repeat("  - "+code("place", "medial-commissure", snomedAddress, "19198003", "wider")+"\n", 2), "bad.yaml:6:98: codes[1].code stands twice for medial-commissure"},
		{"two equivalents in one system", codesHead + "  - " + code("step", "patch", snomedAddress, "19198003", "equivalent") + "\n  - " + code("step", "patch", snomedAddress, "46807008", "equivalent") + "\n", "codes[1].code would stand beside 19198003"},
		{"one public code for two of ours", codesHead + "  - " + code("step", "patch", snomedAddress, "19198003", "equivalent") + "\n  - " + code("step", "plication", snomedAddress, "19198003", "equivalent") + "\n", "codes[1].code already means the same as patch"},
	}
}

func TestFaultsOfCodes(t *testing.T) {
	for _, tt := range codeFaults() {
		t.Run(tt.why, func(t *testing.T) { tt.check(t) })
	}
}

func TestCodes(t *testing.T) {
	text := []byte(codesHead + `
  - local_system: place
    local_code: medial-commissure
    system: http://snomed.info/sct
    code: 19198003
    display: Mitral valve commissure
    equivalence: wider
    verified: an invented release, looked up by nobody
  - ` + code("step", "patch", "urn:oid:2.16.840.1.113883.3.9999", "patch 1", "equivalent") + "\n")
	p, err := parsed("north.yaml", text)
	if err != nil {
		t.Fatal(err)
	}
	want := metric.SiteCode{
		LocalSystem: "place", LocalCode: "medial-commissure", System: snomedAddress, Code: "19198003",
		Display: "Mitral valve commissure", Equivalence: "wider", Verified: "an invented release, looked up by nobody",
	}
	if len(p.Codes) != 2 || p.Codes[0] != want {
		t.Errorf("codes %+v, want two, the first %+v", p.Codes, want)
	}
	if built, err := BuiltIn(); err != nil || len(built.Codes) != 0 {
		t.Errorf("the built-in policy has the codes %v, %v", built.Codes, err)
	}
	if err := compiled(t).Validate(must(document(string(text)))); err != nil {
		t.Errorf("the schema refuses what the reader takes: %v", err)
	}
}

func must(doc any, _ bool) any { return doc }

// A policy that was in force is read again even where one of its codes is built in
// by now; whoever starts a server with it is told.
func TestStoredPolicyOutlivesItsCodes(t *testing.T) {
	text := []byte(codesHead + "  - " + code("metric", "mean-gradient", loincAddress, "80073-0", "equivalent") + "\nthresholds: {mean_gradient_high: 6}\n")
	if _, err := parsed("now.yaml", text); err == nil {
		t.Error("a built-in code is taken")
	}
	p, err := ParseStored("then.yaml", text)
	if err != nil {
		t.Fatal(err)
	}
	if p.Codes != nil || p.Settings.Threshold("mean_gradient_high").Value != 6 {
		t.Errorf("codes %v, limit %v", p.Codes, p.Settings.Threshold("mean_gradient_high"))
	}
	if _, err := ParseStored("then.yaml", []byte(head+"thresholds: {nonsense: 1}\n")); err == nil {
		t.Error("a stored policy with a fault in what is judged by is taken")
	}
}
