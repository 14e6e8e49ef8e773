package policy

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"trigone/internal/rules"
)

// siteRule is a policy with one rule whose parts a test replaces.
func siteRule(replaced ...string) string {
	text := head + `rules:
  - id: site/tried
    summary: A gradient above 3 in sinus rhythm.
    at: leaving_theatre
    reads: {gradient: {value: mean_gradient}, rhythm: {fact: rhythm}}
    when: gradient > 3 && rhythm == "sinus"
    message: "The gradient is {gradient}."
    severity: note
    tests:
      - {given: {gradient: 3.5, rhythm: sinus}, is: fires}
      - {given: {gradient: 2}, is: silent}
      - {given: {gradient: 3.5}, is: not_evaluable}
`
	for i := 0; i < len(replaced); i += 2 {
		if !strings.Contains(text, replaced[i]) {
			panic("the policy of the tests has no " + replaced[i])
		}
		text = strings.Replace(text, replaced[i], replaced[i+1], 1)
	}
	return text
}

const when = `gradient > 3 && rhythm == "sinus"`

func siteRuleFaults() []faultRow {
	expression := func(text string) string { return siteRule(when, "'"+text+"'") }
	return []faultRow{
		{"a rule without the prefix of a site", siteRule("site/tried", "tried"), "bad.yaml:5:9: rules[0].id is no id of a site's rule"},
		{"a rule at no place", siteRule("at: leaving_theatre", "at: theatre"), "bad.yaml:7:9: rules[0].at is no place at which a rule may speak; give one of assessments"},
		{"a rule without tests", siteRule("    tests:\n", "    advice:\n"), "bad.yaml"},
		{"a value that nobody measures", siteRule("mean_gradient", "gradient"), "rules[0].reads.gradient.value is neither a leaf nor a metric"},
		{"a fact that there is not", siteRule("{fact: rhythm}", "{fact: rythm}"), "rules[0].reads.rhythm.fact is no fact; the names are aetiology, age_years"},
		{"a value and a fact", siteRule("{fact: rhythm}", "{fact: rhythm, value: mean_gradient}"), "needs a value or a fact, and not both"},
		{"a place that there is not", siteRule("{value: mean_gradient}", "{value: mean_gradient, place: p4}"), "is no place"},
		{"read from nowhere", siteRule("{value: mean_gradient}", "{value: mean_gradient, from: later}"), "is nowhere that a rule may read"},
		{"a name that the rule does not read", expression("gradient > 3 && rythm == \"sinus\""), "undeclared reference to 'rythm'"},
		{"a word that never comes", expression("gradient > 3 && rhythm == \"sinuz\""), "has the word \"sinuz\", which no fact that the rule reads ever says"},
		{"no true or false", expression("gradient + 3.0"), "does not come to true or false"},
		{"a word for a number", expression("gradient > \"sinus\""), "no matching overload"},
		{"a whole number that is reckoned with", expression("gradient * 2 > 3.0"), "written with a point"},
		{"a division", expression("gradient / 2.0 > 3.0"), "undeclared reference to '_/_'"},
		{"a loop", expression("[1, 2].exists(x, x > 1)"), "undeclared reference"},
		{"a pattern", expression("rhythm.matches(\"(s+)+$\")"), "undeclared reference to 'matches'"},
		{"a clock", expression("timestamp(\"2026-01-01T00:00:00Z\").getFullYear() > 3"), "undeclared reference"},
		{"nesting", expression(strings.Repeat("(", 400) + "true" + strings.Repeat(")", 400)), "recursion limit"},
		{"nesting behind signs", expression(strings.Repeat("!(", 30) + "true" + strings.Repeat(")", 30)), "recursion limit"},
		{"an expression that is too long", expression("gradient > 3 " + strings.Repeat("|| gradient > 3 ", 100)), "has more than 1000 signs"},
		{"a message of what is not read", siteRule("{gradient}.", "{contact}."), "rules[0].message names {contact}, which the rule does not read"},
		{"a message of several lines", siteRule(`"The gradient is {gradient}."`, `"a\nb"`), "has more than one line"},
		{"a contradiction", siteRule("severity: note", "severity: contradiction"), "a rule of a site never finds a contradiction"},
		{"a caution without a source", siteRule("severity: note", "severity: caution"), "give source (what was read), answers_for_it (who at the site) and fires_percent"},
		{"a test that says otherwise", siteRule("is: fires", "is: silent"), "rules[0].tests[0] says that the rule is silent, and it is fires"},
		{"a test of what is not read", siteRule("{gradient: 2}", "{contact: 2}"), "is nothing that the rule reads"},
		{"a test by a word that never comes", siteRule("rhythm: sinus}", "rhythm: sinuz}"), "is no word of rhythm; the words are sinus"},
		{"no test in which it fires", siteRule("is: fires", "is: not_evaluable", "gradient: 3.5, rhythm: sinus", "gradient: 3.5"), "has no test in which the rule is fires"},
		{"an id twice", siteRule() + strings.SplitN(siteRule(), "rules:\n", 2)[1], "has the id site/tried, which another rule has"},
	}
}

func TestFaultsOfSiteRules(t *testing.T) {
	for _, tt := range siteRuleFaults() {
		t.Run(tt.why, func(t *testing.T) {
			if tt.why == "a rule without tests" {
				if _, err := parsed("bad.yaml", []byte(tt.text)); err == nil || !strings.Contains(err.Error(), "has no tests; every rule needs id, summary") {
					t.Error(err)
				}
				return
			}
			tt.check(t)
		})
	}
}

// A rule is compiled with the policy, is part of its hash, and is told by check-policy.
func TestSiteRules(t *testing.T) {
	p, err := parsed("p.yaml", []byte(siteRule()))
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Rules) != 1 || p.Rules[0].ID != "site/tried" || p.Rules[0].Severity != rules.Note || p.Rules[0].Basis != "" {
		t.Fatalf("%+v", p.Rules)
	}
	if changes := p.Changes(); len(changes) != 1 || changes[0].Name != "rules.site/tried" || !strings.Contains(changes[0].Site, "note: A gradient above 3") {
		t.Errorf("%+v", changes)
	}
	other, err := parsed("p.yaml", []byte(siteRule("gradient > 3 &&", "gradient > 3.1 &&")))
	if err != nil || other.Hash == p.Hash {
		t.Errorf("another limit has the same hash, or %v", err)
	}
	stored, err := ParseStored("p", []byte(siteRule()))
	if err != nil || len(stored.Rules) != 1 {
		t.Errorf("a policy that was in force once has %d rules, %v", len(stored.Rules), err)
	}
}

// A caution says whose it is, and is one only as long as it is rare.
func TestCautionsOfASite(t *testing.T) {
	caution := func(percent string) string {
		return siteRule("severity: note", "severity: caution\n    source: Guideline of the invented society 2031, table 3\n    answers_for_it: Head of the valve clinic\n    fires_percent: "+percent)
	}
	for percent, want := range map[string]rules.Severity{"0": rules.Caution, "10": rules.Caution, "10.1": rules.Note, "100": rules.Note} {
		p, err := parsed("p.yaml", []byte(caution(percent)))
		if err != nil {
			t.Fatal(err)
		}
		r := p.Rules[0]
		if r.Severity != want || !strings.Contains(r.Basis, "Source named by the site: Guideline") || !strings.Contains(r.Basis, "Answers for it: Head") {
			t.Errorf("%s %%: %s, %q", percent, r.Severity, r.Basis)
		}
	}
}

// What is not recorded keeps a rule from being judged only where it matters.
func TestWhatIsMissingMattersOnlyWhereItDecides(t *testing.T) {
	p, err := parsed("p.yaml", []byte(siteRule(when, `'gradient > 3 || rhythm == "sinus"'`, "{gradient: 2}, is: silent", `{gradient: 2, rhythm: block}, is: silent`, "{gradient: 3.5}, is: not_evaluable", "{gradient: 3.5}, is: fires}\n      - {given: {gradient: 2}, is: not_evaluable}\n      - {is: not_evaluable")))
	if err != nil {
		t.Fatal(err)
	}
	if fires, err := p.Rules[0].Fires(map[string]any{"rhythm": "sinus"}); err != nil || !fires {
		t.Errorf("%v, %v", fires, err)
	}
}

// FuzzSiteRule looks for an expression that takes long, or breaks the reader: it is
// refused or compiled, and what is compiled answers at once whatever it reads.
func FuzzSiteRule(f *testing.F) {
	for _, text := range []string{
		when, "true", "gradient in [1.0, 2.0]", "-gradient < 3", "!!!!true", "gradient > 3 ? true : false", "rhythm + rhythm == rhythm", "[[1]] == [[2]]",
		"{1: 2} == {1: 2}", "gradient.x", "\"\"", "b\"\" == b\"\"", "1e308 * 1e308 > gradient", "9223372036854775807 + 1 > 0", "has(gradient)", "type(gradient) == double", "null == null",
		strings.Repeat("[", 100), strings.Repeat("-", 100) + "1 > 0", strings.Repeat("gradient + ", 80) + "gradient > 1.0", strings.Repeat("true ? ", 90) + "true" + strings.Repeat(" : false", 90),
	} {
		f.Add(text, 1.5, "sinus")
	}
	f.Fuzz(func(t *testing.T, text string, gradient float64, rhythm string) {
		begin := time.Now()
		r := read("fuzz.yaml", nil, false)
		root, ok := r.Root([]byte(head + "when: " + fmt.Sprintf("%q", text) + "\n"))
		if !ok {
			return
		}
		entries := r.Entries(root)
		at := slices.IndexFunc(entries, func(e field) bool { return e.Name == keyWhen })
		fires := r.compiled(entries[at], []rules.SiteRead{{Name: "gradient", Value: "mean_gradient"}, {Name: "rhythm", Fact: "rhythm"}})
		if (fires == nil) != (r.Count() > 0) {
			t.Fatalf("compiled %v, faults %v", fires != nil, r.Err())
		}
		if fires != nil {
			for _, read := range []map[string]any{{}, {"gradient": gradient}, {"gradient": gradient, "rhythm": rhythm}} {
				if yes, err := fires(read); err != nil && yes {
					t.Errorf("fires with %v", err)
				}
			}
		}
		if took := time.Since(begin); took > 5*time.Second {
			t.Errorf("took %v", took)
		}
	})
}

// The README tells sites all that a rule may name, in the words of the tables.
func TestReadmeTellsWhatARuleMayName(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	var rows []string
	for _, p := range rules.SitePlaces() {
		rows = append(rows, fmt.Sprintf("| at | `%s` | %s |", p.Word, p.Text))
	}
	for _, o := range rules.SiteOrigins() {
		rows = append(rows, fmt.Sprintf("| from | `%s` | %s |", o.Word, o.Text))
	}
	for _, f := range rules.SiteFacts() {
		says := "a number"
		if len(f.Words) > 0 {
			says = strings.Join(f.Words, ", ")
		}
		rows = append(rows, fmt.Sprintf("| fact | `%s` | %s: %s |", f.Name, f.Text, says))
	}
	if want := strings.Join(rows, "\n") + "\n\n"; !strings.Contains(string(text), want) {
		t.Errorf("README.md lacks this table:\n%s", want)
	}
}
