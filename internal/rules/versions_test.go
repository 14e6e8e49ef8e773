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

// sayings gives what the rules of a set say of their examples, of the textbook and
// of the faults, each under its name.
func sayings(ruleSet string, old func(rules.Rule) bool) []saying {
	var list []saying
	add := func(name string, c *repair.Case) {
		var b strings.Builder
		told(&b, name, c, ruleSet)
		list = append(list, saying{name, b.String()})
	}
	for _, r := range rules.All() {
		if !old(r) {
			continue
		}
		for _, e := range r.Examples {
			add(r.ID+": "+e.Name, e.Case())
		}
	}
	for _, row := range textbook() {
		add(row.name, row.c)
	}
	for _, row := range faults() {
		row.change(row.c)
		add(row.name, row.c)
	}
	return list
}

type saying struct{ name, text string }

// recorded reads what a golden file holds: a name, and indented under it what was
// said.
func recorded(t *testing.T, file string) []saying {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", file))
	if err != nil {
		t.Fatal(err)
	}
	var list []saying
	for line := range strings.Lines(string(text)) {
		if !strings.HasPrefix(line, "  ") {
			list = append(list, saying{name: strings.TrimSuffix(line, "\n")})
		}
		list[len(list)-1].text += line
	}
	return list
}

// The findings of an earlier rule set, written down when it was the newest: its
// examples and the textbook cases say today what they said then, fingerprints
// included, so that a confirmation given then still binds. The pages are history:
// -update leaves them alone, and a new example or case is not asked for.
func TestEarlierRuleSetsSayWhatTheySaid(t *testing.T) {
	for _, set := range []struct {
		version string
		old     func(rules.Rule) bool
	}{
		{"1", func(r rules.Rule) bool { return r.Since == "1" }},
		{"2", func(r rules.Rule) bool { return r.Since == "1" || r.Since == "2" }},
	} {
		now := map[string]string{}
		for _, s := range sayings(set.version, set.old) {
			now[s.name] += s.text
		}
		said := map[string]string{}
		for _, s := range recorded(t, "ruleset"+set.version+".golden") {
			said[s.name] += s.text
		}
		if len(said) < 200 {
			t.Errorf("set %s: only %d sayings are on record", set.version, len(said))
		}
		for name, was := range said {
			if now[name] != was {
				t.Errorf("a rule of set %s says something else; give the change an id of its own and end the old rule with Until. Said:\n%ssays:\n%s", set.version, was, now[name])
			}
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
	if got := rules.SetVersions(); !slices.Equal(got, []string{"1", "2", "3"}) {
		t.Errorf("versions %v", got)
	}
	for version, want := range map[string]int{"1": 54, "2": 102, "0": 0, "4": 0, "x": 0} {
		if got := count(version); got != want {
			t.Errorf("set %q has %d rules, want %d", version, got, want)
		}
	}
	if present := count(""); present != count(rules.SetVersion) || present < 100 {
		t.Errorf("the present set has %d rules", present)
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
		if r.JudgesAllSince != "" && (r.Kind != rules.Plausibility && r.Kind != rules.Slip || !slices.Contains(rules.SetVersions(), r.JudgesAllSince)) {
			t.Errorf("%s: only what may name a cause judges disputed values, since a version", r.ID)
		}
		if r.Explains && r.JudgesAllSince == "" {
			t.Errorf("%s: a rule that names causes judges disputed values", r.ID)
		}
	}
}
