package main

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"trigone/testdata"
)

// Every example is judged as it stands, from standard input too.
func TestExamplesEvaluate(t *testing.T) {
	names := strings.Fields(call(t, "example", "--list").want(t, 0).stdout)
	if len(names) != len(testdata.Names(testdata.Cases)) {
		t.Errorf("%d examples are listed of %d cases", len(names), len(testdata.Names(testdata.Cases)))
	}
	for _, name := range append(names, "") {
		args := []string{"example"}
		if name != "" {
			args = append(args, name)
		}
		text := call(t, args...).want(t, 0).stdout
		got := feed(t, text, "evaluate", "-")
		if got.code != exitOK && got.code != exitContradiction || got.stdout == "" {
			t.Errorf("%q ends with %d: %s", name, got.code, got.stderr)
		}
		if name != "" {
			raw, err := testdata.Raw(testdata.Cases, name)
			if err != nil {
				t.Fatal(err)
			}
			if asJSON := feed(t, string(raw), "evaluate", "-"); asJSON != got {
				t.Errorf("%s is judged otherwise as YAML than as JSON", name)
			}
		}
	}
	feed(t, call(t, "example").want(t, 0).stdout, "evaluate", "-").want(t, 0)
	says(t, "stderr", call(t, "example", "core").want(t, exitUsage).stderr, "the nearest are core-only")
}

func TestTemplateAndNothing(t *testing.T) {
	for _, tier := range []string{"core", "model", "full"} {
		for _, purpose := range []string{"", "assessment", "plan", "operation", "result", "follow_up"} {
			text := call(t, "template", "--tier", tier, "--for", purpose).want(t, 0).stdout
			for _, command := range []string{"evaluate", "note"} {
				got := feed(t, text, command, "-").want(t, exitNothingYet)
				says(t, "stderr", got.stderr, "nothing to judge yet: start with")
			}
		}
	}
	says(t, "stderr", call(t, "template", "--tier", "all").want(t, exitUsage).stderr, "core, model or full")
	says(t, "stderr", call(t, "template", "--for", "echo").want(t, exitUsage).stderr, "assessment, plan, operation, result, follow_up")
	for _, command := range []string{"evaluate", "note"} {
		for _, text := range []string{"{}", "external_identifier: {system: s, value: v}"} {
			says(t, "stderr", feed(t, text, command, "-").want(t, exitRefused).stderr, "give at least one of identity, assessments, plan, operation")
		}
	}
}

func TestSchemaCommand(t *testing.T) {
	says(t, "stdout", call(t, "schema").want(t, 0).stdout, `"https://json-schema.org/draft/2020-12/schema"`, `"^heightCm$"`, `"const": "female"`)
}

func TestExplain(t *testing.T) {
	tests := []struct {
		reason, path string
		says         []string
	}{
		{"a measured value: unit, ranges, readers, codes", "annulus_area", []string{
			"assessments.study.annulus.annulus_area", "{cm2: the number}", "0 to 500 cm2", "4 to 25 cm²", "model",
			"annulus_isoperimetric_quotient", "perimeter-too-short-for-area", "LOINC", "results.study.annulus.annulus_area",
		}},
		{"positions are no part of a way", "plan.steps[0].technique.plication.plication_length", []string{"plan.steps.technique.plication.plication_length", "Length of annulus taken in"}},
		{"a word and what each means", "sex", []string{"identity.sex", "words         female\n", "other: Another.", "not sent: the receiver's own Patient says it"}},
		{"names as JSON has them", "identity.heightCm", []string{"identity.height_cm", "100 to 220 cm", "body_surface_area_root_formula"}},
		{"a heading and its fields", "plan.indication", []string{"aetiology: Disease of the valve."}},
		{"who else reads it", "plan.setting.fibrillation_before", []string{"the operative note and the facts of the case"}},
		{"what holds it is not sent", "operation.blood.red_cell_units", []string{"not sent: theatre, perfusion"}},
	}
	for _, tt := range tests {
		t.Run(tt.reason, func(t *testing.T) {
			got := call(t, "explain", tt.path).want(t, 0).stdout
			for _, want := range tt.says {
				if !strings.Contains(strings.ToLower(got), strings.ToLower(want)) {
					t.Errorf("it does not say %q:\n%s", want, got)
				}
			}
		})
	}
	var x struct {
		Path, WrittenAs, Taken, Plausible string
		AlsoIn, Metrics, FHIR             []string
		Words                             []struct{ Name, Meaning string }
	}
	asJSON := func(path string) {
		t.Helper()
		if err := json.Unmarshal([]byte(call(t, "explain", path, "--format", "json").want(t, 0).stdout), &x); err != nil {
			t.Fatal(err)
		}
	}
	asJSON("annulus_area")
	if x.Path != "assessments.study.annulus.annulus_area" || x.Taken != "0 to 500 cm2" || x.Plausible != "4 to 25 cm²" ||
		!slices.Contains(x.Metrics, "annulus_isoperimetric_quotient") || !slices.Contains(x.AlsoIn, "results.study.annulus.annulus_area") || len(x.FHIR) < 2 {
		t.Errorf("JSON says otherwise: %+v", x)
	}
	asJSON("identity.sex")
	if len(x.Words) != 3 || x.Words[0].Name != "female" || x.Words[0].Meaning != "" || x.Words[2].Meaning != "Another." {
		t.Errorf("words in JSON: %+v", x.Words)
	}
	says(t, "stderr", call(t, "explain", "anulus_area").want(t, exitUsage).stderr, "the nearest are annulus_area")
	says(t, "stderr", call(t, "explain", "plan.singer").want(t, exitUsage).stderr, "the nearest are signer")
	says(t, "stderr", call(t, "explain", "leaflet_height").want(t, exitUsage).stderr, "several fields end like that", "plan.targets.leaflet_height")
}

func TestDidYouMean(t *testing.T) {
	for said, meant := range map[string]string{"evalute": "evaluate", "templates": "template", "xyzzy": "", "exampel": "example"} {
		got := call(t, said).want(t, exitUsage).stderr
		says(t, "stderr", got, `there is no command "`+said+`"`)
		if meant != "" {
			says(t, "stderr", got, "did you mean "+meant+"?")
		} else if strings.Contains(got, "did you mean") {
			t.Errorf("%s is like no command: %s", said, got)
		}
	}
}

// A time without a zone is the policy's site's; before a server no other is known.
func TestTimesWithoutZone(t *testing.T) {
	elsewhere := write(t, []byte("site: elsewhere\nversion: \"1\"\nzone: Europe/Berlin\n"))
	const text = "plan: {signer: s-1, signed_time: %s}\noperation: {incision_time: %s}"
	at := func(signed, incision string, args ...string) string {
		return feed(t, fmt.Sprintf(text, signed, incision), append([]string{"evaluate", "-", "--format", "json"}, args...)...).want(t, 0).stdout
	}
	summer := at("2026-07-02T09:00", "2026-07-02T10:00")
	if summer != at("2026-07-02T09:00:00+01:00", "2026-07-02T09:00:00Z") {
		t.Error("the built-in policy's zone does not hold")
	}
	if at("2026-07-02T09:00", "2026-07-02T10:00", "--policy", elsewhere) != at("2026-07-02T07:00:00Z", "2026-07-02T08:00:00Z", "--policy", elsewhere) {
		t.Error("the zone of the policy that is named does not hold")
	}
	for _, command := range []string{"submit", "advise"} {
		says(t, "stderr", feed(t, "plan: {signed_time: 2026-07-02T09:00}", command, "-", "--server", "127.0.0.1:1").want(t, exitRefused).stderr, "1:21: plan.signed_time has no zone")
		feed(t, "plan: {signed_time: 2026-07-02T09:00}", command, "-", "--server", "127.0.0.1:1", "--policy", elsewhere).want(t, exitFailed)
	}
}
