package rules_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"trigone/internal/evaluate"
	"trigone/internal/repair"
	"trigone/internal/rules"
	"trigone/internal/settings"
)

// told prints everything a finding says and does, one line each.
func told(b *strings.Builder, name string, c *repair.Case, ruleSet string) {
	e := evaluate.Evaluate(evaluate.Input{Case: c, Settings: settings.BuiltIn("example", "1", "UTC"), RuleSet: ruleSet})
	fmt.Fprintf(b, "%s\n", name)
	for _, f := range e.Findings {
		var disputes []string
		for _, d := range f.Disputes {
			disputes = append(disputes, d.Key.String())
		}
		fmt.Fprintf(b, "  %s %s %s %s %s/%s final=%t root=%s disputes=%v sections=%v: %s\n",
			f.ID, f.Severity, f.Rule, f.Reference, f.At.Occasion, f.At.Place, f.Final, f.Root, disputes, f.Sections, f.Message)
	}
}

// The findings of the first rule set, written down when it was the only one: its
// examples and the textbook cases say today what they said then, fingerprints
// included, so that a confirmation given then still binds. The page is history:
// -update leaves it alone.
func TestFirstRuleSetSaysWhatItSaid(t *testing.T) {
	var b strings.Builder
	for _, r := range rules.All() {
		if r.Since != "1" {
			continue
		}
		for _, e := range r.Examples {
			told(&b, r.ID+": "+e.Name, e.Case(), "1")
		}
	}
	for _, row := range textbook() {
		told(&b, row.name, row.c, "1")
	}
	for _, row := range faults() {
		row.change(row.c)
		told(&b, row.name, row.c, "1")
	}
	want, err := os.ReadFile(filepath.Join("testdata", "ruleset1.golden"))
	if err != nil {
		t.Fatal(err)
	}
	said, says := strings.Split(string(want), "\n"), strings.Split(b.String(), "\n")
	for i := range max(len(said), len(says)) {
		if i >= len(said) || i >= len(says) || said[i] != says[i] {
			t.Fatalf("line %d differs: a rule of set 1 says something else; give the change an id of its own and end the old rule with Until. Said:\n%s\nsays:\n%s",
				i+1, strings.Join(said[i:min(i+2, len(said))], "\n"), strings.Join(says[i:min(i+2, len(says))], "\n"))
		}
	}
}

func count(version string) int {
	n := 0
	for _, r := range rules.All() {
		if r.InSet(version) {
			n++
		}
	}
	return n
}

func TestRuleSets(t *testing.T) {
	if got := rules.SetVersions(); !slices.Equal(got, []string{"1", "2"}) {
		t.Errorf("versions %v", got)
	}
	for version, want := range map[string]int{"1": 54, "2": 102, "": 102, "0": 0, "3": 0, "x": 0} {
		if got := count(version); got != want {
			t.Errorf("set %q has %d rules, want %d", version, got, want)
		}
	}
	ended := rules.Rule{Since: "1", Until: "2"}
	if !ended.InSet("1") || ended.InSet("2") || ended.InSet("") {
		t.Error("a rule that ended with set 2 is in set 1 only")
	}
	for _, r := range rules.All() {
		if _, err := strconv.Atoi(r.Since); err != nil || !slices.Contains(rules.SetVersions(), r.Since) {
			t.Errorf("%s: since %q is no version", r.ID, r.Since)
		}
		if r.Until != "" && !slices.Contains(rules.SetVersions(), r.Until) {
			t.Errorf("%s: until %q is no version", r.ID, r.Until)
		}
		if r.JudgesAllSince != "" && (r.Kind != rules.Plausibility || !slices.Contains(rules.SetVersions(), r.JudgesAllSince)) {
			t.Errorf("%s: only what may name a cause judges disputed values, since a version", r.ID)
		}
		if r.Explains && r.JudgesAllSince == "" {
			t.Errorf("%s: a rule that names causes judges disputed values", r.ID)
		}
	}
}
