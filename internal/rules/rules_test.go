package rules

import (
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var update = flag.Bool("update", false, "write the golden files")

func exampleSettings() settings.Settings { return settings.BuiltIn("example", "1", "UTC") }

// try runs one rule on a case and gives what it says of the whole case.
func try(rule Rule, c *repair.Case) ([]Finding, []Gap, Outcome) {
	s := exampleSettings()
	if rule.Until != "" {
		s = s.Under(rule.Since)
	}
	findings, gaps := run([]Rule{rule}, c, s, metric.Compute(c, s), func(Rule) bool { return true })
	switch {
	case len(findings) > 0:
		return findings, gaps, Broken
	case len(gaps) > 0:
		return findings, gaps, NotEvaluable
	case len(rule.Where(c)) == 0:
		return findings, gaps, Inapplicable
	}
	return findings, gaps, Holds
}

func TestExamples(t *testing.T) {
	for _, rule := range All() {
		var holds, broken, edge, missing, silent bool
		for _, e := range rule.Examples {
			t.Run(rule.ID+"/"+e.Name, func(t *testing.T) {
				findings, gaps, got := try(rule, e.Case())
				if got != e.Want {
					t.Fatalf("%s, want %s; findings %+v, gaps %+v", got, e.Want, findings, gaps)
				}
				for _, g := range gaps {
					if slices.Contains(g.Missing, RuleFailed) {
						t.Errorf("the rule failed: %+v", g)
					}
				}
				for _, f := range findings {
					checkFinding(t, rule, f)
				}
			})
			holds = holds || (e.Want == Holds && !e.Edge)
			broken = broken || (e.Want == Broken && !e.Edge)
			edge = edge || e.Edge
			missing = missing || e.Want == NotEvaluable
			silent = silent || e.Want == Inapplicable
		}
		if !holds || !broken || !edge {
			t.Errorf("%s: an example is missing: holds %t, broken %t, on the edge %t", rule.ID, holds, broken, edge)
		}
		// Where a missing entry is what a rule speaks of, or there is no place
		// without a value, what it belongs to is missing instead.
		instead := silent && (rule.Kind == Completeness || rule.Kind == Plausibility || rule.Kind == Slip)
		if !missing && !instead {
			t.Errorf("%s: no example with a missing input", rule.ID)
		}
	}
}

func checkFinding(t *testing.T, rule Rule, f Finding) {
	t.Helper()
	if f.Message == "" || !strings.HasSuffix(f.Message, ".") && !strings.HasSuffix(f.Message, "?") || strings.Contains(f.Message, "%!") ||
		strings.Contains(f.Message, "NaN") || strings.Contains(f.Message, "not a number") || strings.Contains(f.Message, "not recorded") {
		t.Errorf("message %q is no clear sentence", f.Message)
	}
	if f.Advice == "" || f.ID == "" || f.At.Occasion == "" {
		t.Errorf("finding without advice, identity or occasion: %+v", f)
	}
	if len(f.Inputs) == 0 && len(f.Facts) == 0 {
		t.Errorf("finding says nothing of what it read: %q", f.Message)
	}
	for _, l := range f.Limits {
		if !slices.Contains(rule.Thresholds, l.Name) {
			t.Errorf("limit %s is not among the rule's thresholds", l.Name)
		}
	}
	if rule.Severity == Contradiction && len(f.Sections) == 0 {
		t.Errorf("contradiction disputes no section: %q", f.Message)
	}
	if rule.Severity != Contradiction && len(f.Disputes) > 0 {
		t.Errorf("only a contradiction disputes values: %q", f.Message)
	}
}

// excuses are the values that excuse what a rule speaks of: where one is missing the
// rule speaks. A high gradient must not fall silent because nobody wrote down a rate.
var excuses = map[string][]valve.ID{
	"gradient-high":                {valve.GradientHeartRate},
	"anterior-motion-not-resolved": {valve.OutflowTractGradient, valve.OutflowTractGradientProvoked},
}

// Missing input never breaks a rule: whatever value is taken away from an
// example that holds, the rule is not broken, unless the value is an excuse. A
// completeness rule asks for the entry itself.
func TestMissingInputNeverBreaks(t *testing.T) {
	for _, rule := range All() {
		if rule.Kind == Completeness {
			continue
		}
		for _, e := range rule.Examples {
			if e.Want == Broken {
				continue
			}
			for _, k := range e.Case().Measured.Keys() {
				if slices.Contains(excuses[rule.ID], k.ID) {
					continue
				}
				c := e.Case()
				if findings, _, got := try(rule, c.WithMeasured(c.Measured.Without([]valve.Key{k}))); got == Broken {
					t.Errorf("%s/%s: broken without %s: %s", rule.ID, e.Name, k, findings[0].Message)
				}
			}
		}
	}
}

var kebab = regexp.MustCompile(`^[a-z]+(-[a-z]+)*$`)

// rooms are the files of the package that hold no rule.
var rooms = []string{"engine.go", "reader.go", "reads.go", "rule.go", "seen.go", "site.go", "table.go", "where.go"}

func TestTable(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	var ruleFiles []string
	for _, f := range files {
		if !slices.Contains(rooms, f) && !strings.HasSuffix(f, "_test.go") {
			ruleFiles = append(ruleFiles, strings.TrimSuffix(f, ".go"))
		}
	}
	var ids []string
	for _, r := range table {
		ids = append(ids, r.ID)
	}
	if !slices.IsSorted(ids) || len(slices.Compact(slices.Clone(ids))) != len(ids) {
		t.Error("the table is not in the order of unique ids")
	}
	slices.Sort(ruleFiles)
	if !slices.Equal(ids, ruleFiles) {
		t.Errorf("table and files differ:\n%v\n%v", ids, ruleFiles)
	}

	built := exampleSettings()
	used := map[string]bool{}
	for _, r := range table {
		if !kebab.MatchString(r.ID) {
			t.Errorf("%q is not in kebab-case", r.ID)
		}
		for _, text := range []string{r.Summary, r.Advice} {
			if !strings.HasSuffix(text, ".") || strings.Count(text, ". ") > 1 {
				t.Errorf("%s: %q is not a sentence", r.ID, text)
			}
		}
		if !slices.Contains([]Severity{Contradiction, Caution, Note}, r.Severity) {
			t.Errorf("%s: severity %q", r.ID, r.Severity)
		}
		if !slices.Contains([]Kind{Arithmetic, Time, Definition, Plausibility, Clinical, Completeness, Slip}, r.Kind) {
			t.Errorf("%s: kind %q", r.ID, r.Kind)
		}
		if r.Since == "" || r.Where == nil || r.Check == nil {
			t.Errorf("%s: a field is empty", r.ID)
		}
		if _, ok := settings.SourceByID(r.Source); !ok {
			t.Errorf("%s: no source %q", r.ID, r.Source)
		}
		for _, name := range r.Thresholds {
			used[name] = true
			if _, ok := built.Thresholds[name]; !ok {
				t.Errorf("%s: no threshold %q", r.ID, name)
			}
		}
		for _, id := range r.Under {
			if _, ok := ByID(id); !ok || id == r.ID {
				t.Errorf("%s: stands under %q, which is no other rule", r.ID, id)
			}
		}
		if rule, ok := ByID(r.ID); !ok || rule.ID != r.ID {
			t.Errorf("ByID does not find %s", r.ID)
		}
	}
	for _, m := range metric.Metrics() {
		for _, name := range m.Thresholds {
			used[name] = true
		}
	}
	for _, name := range built.ThresholdNames() {
		if !used[name] {
			t.Errorf("no rule and no metric applies the threshold %s", name)
		}
	}
}

// What is from memory is a note at most; a contradiction rests on arithmetic,
// time or definition alone; of completeness only the missing exit echo is a
// caution.
func TestSeverityFollowsSource(t *testing.T) {
	built := exampleSettings()
	for _, r := range table {
		if r.Severity == Note {
			continue
		}
		sources := []settings.SourceID{r.Source}
		for _, name := range r.Thresholds {
			sources = append(sources, built.Threshold(name).Source)
		}
		for _, id := range sources {
			if s, _ := settings.SourceByID(id); s.Strength == settings.Memory || s.Strength == settings.Secondary {
				t.Errorf("%s is a %s and rests on %s", r.ID, r.Severity, id)
			}
		}
		if r.Severity == Contradiction && (r.Source != settings.SourceArithmetic || !slices.Contains([]Kind{Arithmetic, Time, Definition}, r.Kind)) {
			t.Errorf("%s is a contradiction of kind %s, source %s", r.ID, r.Kind, r.Source)
		}
		if r.Severity == Caution && r.Kind == Completeness && r.ID != "no-exit-echo" {
			t.Errorf("%s: a completeness rule is a note", r.ID)
		}
	}
}

// Every limit stands in the thresholds table: outside examples a rule holds no
// number but the allowed ones.
func TestNoLimitInRules(t *testing.T) {
	allowed := map[string][]string{
		"reader.go":                             {"10", "1e-3", "0.1", "0.01"},                                         // grids on which values are printed
		"ejection-fraction-against-volumes.go":  {"0.1"},                                                               // the same
		"looks-like-another-unit.go":            {"10", "0.1", "0.01", "0.001", "100", "1000", "60", "180", "7.50062"}, // definitions of units
		"inflow-below-outflow.go":               {"0.1"},                                                               // the same
		"regurgitant-fraction-above-hundred.go": {"100"},                                                               // definition of a share
		"isovelocity-radius-slip.go":            {"10"},                                                                // definition of a unit
		"engine.go":                             {"8"},                                                                 // bytes of a fingerprint
	}
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range files {
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		set := token.NewFileSet()
		tree, err := parser.ParseFile(set, file, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(tree, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.FuncDecl:
				return !strings.HasPrefix(n.Name.Name, "example")
			case *ast.KeyValueExpr:
				key, ok := n.Key.(*ast.Ident)
				return !ok || key.Name != "Examples"
			case *ast.BasicLit:
				small := n.Kind == token.INT && (n.Value == "0" || n.Value == "1" || n.Value == "2") || n.Kind == token.FLOAT && n.Value == "0.0"
				if (n.Kind == token.INT || n.Kind == token.FLOAT) && !small && !slices.Contains(allowed[file], n.Value) {
					t.Errorf("%s: the number %s belongs into the thresholds table", set.Position(n.Pos()), n.Value)
				}
			}
			return true
		})
	}
}

func TestThresholds(t *testing.T) {
	built := exampleSettings()
	for _, name := range built.ThresholdNames() {
		l := built.Threshold(name)
		if !(l.Lowest <= l.Value && l.Value <= l.Highest) || l.Lowest >= l.Highest {
			t.Errorf("%s: %g is not within %g to %g", name, l.Value, l.Lowest, l.Highest)
		}
		if _, ok := settings.SourceByID(l.Source); !ok || l.Summary == "" || !l.Unit.Valid() {
			t.Errorf("%s: source, summary or unit is missing", name)
		}
	}
}

func here(o valve.Occasion) func(*repair.Case) []metric.At {
	return func(*repair.Case) []metric.At { return []metric.At{at(o)} }
}

// A rule that breaks down never holds, and never hides the others.
func TestRuleThatFails(t *testing.T) {
	c := repair.NewExample().Assess("tee").Set("mean_gradient", 0).Case()
	rows := []struct {
		name string
		rule Rule
		want []string
	}{
		{"a check that panics", Rule{ID: "a", Where: here("assessment/tee"), Check: func(*Reader) Verdict { panic("fault") }}, []string{RuleFailed}},
		{"a place that panics", Rule{ID: "a", Where: func(*repair.Case) []metric.At { panic("fault") }}, []string{RuleFailed}},
		{"not a number above a limit", Rule{ID: "a", Where: here("assessment/tee"), Check: func(r *Reader) Verdict {
			zero := r.Read(r.Here("mean_gradient"))
			if r.Beyond(zero/zero, settings.GradientHigh) {
				return broken("never said.")
			}
			return Verdict{}
		}}, []string{RuleFailed}},
		{"infinity below a limit", Rule{ID: "a", Where: here("assessment/tee"), Check: func(r *Reader) Verdict {
			return Verdict{Broken: r.Below(1/r.Read(r.Here("mean_gradient")), settings.GradientHigh)}
		}}, []string{RuleFailed}},
		{"two values of which one is not a number", Rule{ID: "a", Where: here("assessment/tee"), Check: func(r *Reader) Verdict {
			return Verdict{Broken: r.Greater(math.NaN(), 1) || r.AtLeast(math.NaN(), 1)}
		}}, []string{RuleFailed}},
		{"a missing value is missing, not a fault", Rule{ID: "a", Where: here("assessment/tee"), Check: func(r *Reader) Verdict {
			return Verdict{Broken: r.Beyond(r.Read(r.Here("peak_gradient")), settings.GradientHigh)}
		}}, []string{"peak_gradient of assessment/tee"}},
		{"a panic over a missing value is a fault", Rule{ID: "a", Where: here("assessment/tee"), Check: func(r *Reader) Verdict {
			r.Read(r.Here("peak_gradient"))
			panic("fault")
		}}, []string{RuleFailed}},
	}
	always := Rule{ID: "b", Severity: Note, Where: here("assessment/tee"), Check: func(*Reader) Verdict { return broken("said.") }}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			findings, gaps := run([]Rule{row.rule, always}, c, exampleSettings(), nil, func(Rule) bool { return true })
			if len(gaps) != 1 || gaps[0].Rule != "a" || !slices.Equal(gaps[0].Missing, row.want) {
				t.Errorf("gaps %+v, want missing %v", gaps, row.want)
			}
			if len(findings) != 1 || findings[0].Rule != "b" {
				t.Errorf("findings %+v: the other rule must still speak, this one not", findings)
			}
		})
	}
}

// A confirmation binds to the fingerprint: it lapses when a value or a fact that
// was read changes, and only then.
func TestFingerprint(t *testing.T) {
	id := func(rule string, c *repair.Case) string {
		r, _ := ByID(rule)
		findings, gaps, _ := try(r, c)
		if len(findings) != 1 {
			t.Fatalf("%s: %d findings, gaps %+v", rule, len(findings), gaps)
		}
		return findings[0].ID
	}
	swapped := func(mean, peak, rate float64) *repair.Case {
		return repair.NewExample().Result("exit", 1, valve.LeavingTheatre).
			Set("mean_gradient", mean).Set("peak_gradient", peak).Set("gradient_heart_rate", rate).Case()
	}
	first := id("peak-gradient-below-mean", swapped(7, 3, 70))
	if id("peak-gradient-below-mean", swapped(7, 3, 90)) != first {
		t.Error("what was not read changes the identity")
	}
	if id("peak-gradient-below-mean", swapped(8, 3, 70)) == first {
		t.Error("another value keeps the identity")
	}
	pump := func(end int) *repair.Case {
		return repair.NewExample().Pump(repair.Run{Number: 1, BypassStart: repair.Clock(11, 0), BypassEnd: repair.Clock(end, 0)}).Case()
	}
	if id("bypass-ends-before-start", pump(9)) == id("bypass-ends-before-start", pump(10)) {
		t.Error("another time keeps the identity")
	}
}

func TestDisputes(t *testing.T) {
	rows := []struct {
		name, rule, example string
		keys                []string
		sections            []string
	}{
		{"all that was read", "peak-gradient-below-mean", "two sections of one study",
			[]string{"mean_gradient of assessment/a", "peak_gradient of assessment/b"}, []string{"assessment/a", "assessment/b"}},
		{"a plan's value, not the echo that it rests on", "height-removed-not-below-height", "more than there is",
			[]string{"height_removed at step:s1 of plan"}, []string{"plan"}},
		{"times dispute sections, no value", "result-before-incision", "echo at seven, incision at eight",
			nil, []string{"operation", "result/off"}},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			rule, _ := ByID(row.rule)
			i := slices.IndexFunc(rule.Examples, func(e Example) bool { return e.Name == row.example })
			findings, _, _ := try(rule, rule.Examples[i].Case())
			var keys []string
			for _, d := range findings[0].Disputes {
				keys = append(keys, d.Key.String())
			}
			slices.Sort(keys)
			if !slices.Equal(keys, row.keys) || !slices.Equal(findings[0].Sections, row.sections) {
				t.Errorf("disputes %v in %v, want %v in %v", keys, findings[0].Sections, row.keys, row.sections)
			}
		})
	}
}

// The day of the operation is told in the site's zone: an incision at 08:00 UTC
// on 2 March falls on 1 March, 22:00, at -10 h.
func TestOperationDayInSiteZone(t *testing.T) {
	rule, _ := ByID("follow-up-before-operation")
	c := repair.NewExample().Operation().FollowUp("f").EditStudy(func(s *repair.Study) { s.EchoOn = "2026-03-01" }).Case()
	for zone, want := range map[string]int{"Pacific/Kiritimati": 1, "UTC": 1, "Pacific/Honolulu": 0} {
		s := settings.BuiltIn("example", "1", zone)
		if findings, _ := run([]Rule{rule}, c, s, nil, func(Rule) bool { return true }); len(findings) != want {
			t.Errorf("%s: %d findings, want %d", zone, len(findings), want)
		}
	}
	s := settings.BuiltIn("example", "1", "Nowhere/None")
	if findings, gaps := run([]Rule{rule}, c, s, nil, func(Rule) bool { return true }); len(findings) != 0 || len(gaps) != 1 {
		t.Errorf("unknown zone: findings %v, gaps %v; want one gap", findings, gaps)
	}
}

// The page of all rules.
func TestGolden(t *testing.T) {
	var b strings.Builder
	counts := map[Severity]int{}
	built := exampleSettings()
	for _, r := range All() {
		counts[r.Severity]++
		fmt.Fprintf(&b, "%s\n  %s, %s", r.ID, r.Severity, r.Kind)
		if r.Reference != "" {
			fmt.Fprintf(&b, ", %s", r.Reference)
		}
		fmt.Fprintf(&b, ", source %s\n  %s\n", r.Source, r.Summary)
		for _, name := range r.Thresholds {
			l := built.Threshold(name)
			kind := "strict"
			if l.Inclusive {
				kind = "the limit itself is within"
			}
			fmt.Fprintf(&b, "  limit %s %s, %s, source %s\n", name, l, kind, l.Source)
		}
		fmt.Fprintf(&b, "  advice: %s\n", r.Advice)
		if len(r.Under) > 0 {
			fmt.Fprintf(&b, "  under: %s\n", strings.Join(r.Under, ", "))
		}
		for _, e := range r.Examples {
			findings, gaps, got := try(r, e.Case())
			fmt.Fprintf(&b, "  - %s: %s\n", e.Name, got)
			for _, f := range findings {
				fmt.Fprintf(&b, "      %s\n", f.Message)
			}
			for _, g := range gaps {
				fmt.Fprintf(&b, "      missing: %s\n", strings.Join(g.Missing, ", "))
			}
		}
		b.WriteString("\n")
	}
	for _, s := range slices.Sorted(maps.Keys(counts)) {
		fmt.Fprintf(&b, "%s: %d\n", s, counts[s])
	}
	path := filepath.Join("testdata", "rules.golden")
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if b.String() != string(want) {
		t.Errorf("the page of rules changed; look at the difference and run the test with -update")
	}
}

// fromMemory are the rules that rest on memory, themselves or by a limit: notes all of
// them, and never more than six.
var fromMemory = []string{"implausible-value", "tricuspid-regurgitation-unanswered"}

func TestWhatRestsOnMemory(t *testing.T) {
	const most = 6
	built := exampleSettings()
	var list []string
	for _, r := range table {
		sources := []settings.SourceID{r.Source}
		for _, name := range r.Thresholds {
			sources = append(sources, built.Threshold(name).Source)
		}
		if r.InSet("") && slices.ContainsFunc(sources, func(id settings.SourceID) bool {
			s, _ := settings.SourceByID(id)
			return s.Strength == settings.Memory
		}) {
			list = append(list, r.ID)
		}
	}
	if !slices.Equal(list, fromMemory) || len(list) > most {
		t.Errorf("%v rest on memory, listed are %v", list, fromMemory)
	}
}

// How many side slices of normal valves lie below the limit, if side and middle are
// independent and normal: anterior contact of 2.2 ± 0.6, 3.2 ± 0.7 and 1.8 ± 0.4 mm
// (Gogoladze et al. 2010, abstract read, 10 valves). The limit of earlier rule sets,
// one half, spoke of a fifth to a third of them.
func TestNormalSideSlicesAreSeldomUneven(t *testing.T) {
	below := func(mean, sd, limit float64) float64 {
		z := (limit*3.2 - mean) / math.Hypot(sd, limit*0.7)
		return math.Erfc(-z/math.Sqrt2) / 2
	}
	present, earlier := exampleSettings().Threshold(settings.SideCoaptationShort).Value, exampleSettings().Under("2").Threshold(settings.SideCoaptationShort).Value
	for _, row := range []struct {
		side            string
		mean, sd        float64
		now, then, near float64
	}{{"medial", 1.8, 0.4, 0.054, 0.35, 0.005}, {"lateral", 2.2, 0.6, 0.038, 0.19, 0.005}} {
		now, then := below(row.mean, row.sd, present), below(row.mean, row.sd, earlier)
		if math.Abs(now-row.now) > row.near || math.Abs(then-row.then) > row.near {
			t.Errorf("%s: %.3f of normal valves, %.3f by the limit of then; want %g and %g", row.side, now, then, row.now, row.then)
		}
	}
}
