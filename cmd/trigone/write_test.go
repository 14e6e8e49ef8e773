package main

import (
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
