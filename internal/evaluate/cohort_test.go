package evaluate_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"trigone/internal/convert"
	"trigone/internal/evaluate"
	"trigone/internal/rules"
	"trigone/internal/settings"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

var update = flag.Bool("update", false, "write the golden files")

// record gives a case file as a record whose operation came after its plan.
func record(f *trigonev1.CaseFile) convert.Record {
	rec := convert.Record{
		Identity: f.GetIdentity(), Assessments: f.GetAssessments(), Plan: f.GetPlan(),
		Operation: f.GetOperation(), Results: f.GetResults(), FollowUps: f.GetFollowUps(),
	}
	if f.GetPlan() != nil {
		rec.PlanRevision, rec.Plans = 1, []convert.PlanRevision{{Revision: 1, Plan: f.GetPlan()}}
		if t := f.GetPlan().GetSignedTime(); t != nil {
			rec.Plans[0].Received = t.AsTime()
		}
	}
	if t := f.GetOperation().GetEndTime(); t != nil {
		rec.OperationReceived = t.AsTime()
	}
	return rec
}

// justified are the cautions that may fire in more than a tenth of the invented
// cases, with the reason: the cases were invented to show them.
var justified = map[string]string{}

// firings gives, under a version of the rule set, the invented cases in which each
// rule fires.
func firings(t *testing.T, names []string, ruleSet string) map[string][]string {
	t.Helper()
	fired := map[string][]string{}
	for _, name := range names {
		file, err := testdata.Read(testdata.Cases, name)
		if err != nil {
			t.Fatal(err)
		}
		e := evaluate.Evaluate(evaluate.Input{Case: convert.Case(record(file)), Settings: settings.BuiltIn("example", "1", "UTC"), RuleSet: ruleSet})
		for _, f := range e.Findings {
			if !slices.Contains(fired[f.Rule], name) {
				fired[f.Rule] = append(fired[f.Rule], name)
			}
		}
	}
	return fired
}

// golden compares a page with its golden file.
func golden(t *testing.T, name, page string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(page), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if page != string(want) {
		t.Errorf("%s differs; look at the difference and run the test with -update. Got:\n%s", name, page)
	}
}

// What a rule set says of the invented cases that the one before did not say, and the
// other way round: who installs it reads this page first.
func TestDeviationsFromTheRuleSetBefore(t *testing.T) {
	names := testdata.Names(testdata.Cases)
	versions := rules.SetVersions()
	before := versions[len(versions)-2]
	then, now := firings(t, names, before), firings(t, names, rules.SetVersion)
	var page strings.Builder
	fmt.Fprintf(&page, "In how many of the %d invented cases a rule fires under rule set %s and under rule set %s, where that differs.\n\n", len(names), before, rules.SetVersion)
	rows := 0
	for _, r := range rules.All() {
		if slices.Equal(then[r.ID], now[r.ID]) && r.InSet(before) == r.InSet(rules.SetVersion) {
			continue
		}
		said := func(set string, cases []string) string {
			if !r.InSet(set) {
				return "  no rule"
			}
			return fmt.Sprintf("%2d (%2.0f %%)", len(cases), 100*float64(len(cases))/float64(len(names)))
		}
		rows++
		fmt.Fprintf(&page, "%-13s %-46s %s  %s\n", r.Severity, r.ID, said(before, then[r.ID]), said(rules.SetVersion, now[r.ID]))
	}
	if rows == 0 {
		page.WriteString("none\n")
	}
	golden(t, "deviations.golden", page.String())
}

// Over the invented cases: how often each rule fires. A caution that fires often
// is a nuisance or a note.
func TestFiringRates(t *testing.T) {
	const most = 0.10
	names := testdata.Names(testdata.Cases)
	fired := firings(t, names, rules.SetVersion)
	var page strings.Builder
	fmt.Fprintf(&page, "How often each rule fires over the %d invented cases of testdata/cases, each once.\n\n", len(names))
	silent := 0
	for _, r := range inForce() {
		cases := fired[r.ID]
		if len(cases) == 0 {
			silent++
			continue
		}
		share := float64(len(cases)) / float64(len(names))
		fmt.Fprintf(&page, "%-13s %-40s %2d  %3.0f %%  %s\n", r.Severity, r.ID, len(cases), 100*share, strings.Join(cases, ", "))
		reason, excused := justified[r.ID]
		switch {
		case r.Severity != rules.Caution && excused:
			t.Errorf("%s is no caution and needs no reason", r.ID)
		case r.Severity == rules.Caution && share > most && !excused:
			t.Errorf("the caution %s fires in %d of %d cases (%s): make it a note, or say why it may", r.ID, len(cases), len(names), strings.Join(cases, ", "))
		case r.Severity == rules.Caution && share <= most && excused:
			t.Errorf("%s fires seldom and needs no reason %q any more", r.ID, reason)
		}
	}
	fmt.Fprintf(&page, "\n%d rules fire, %d stay silent:\n", len(inForce())-silent, silent)
	for _, r := range inForce() {
		if len(fired[r.ID]) == 0 {
			fmt.Fprintf(&page, "  %s\n", r.ID)
		}
	}
	for id := range justified {
		if _, ok := rules.ByID(id); !ok {
			t.Errorf("no rule %s to excuse", id)
		}
	}
	golden(t, "firing.golden", page.String())
}

// inForce gives the rules of the present set.
func inForce() []rules.Rule {
	return slices.DeleteFunc(rules.All(), func(r rules.Rule) bool { return !r.InSet("") })
}
