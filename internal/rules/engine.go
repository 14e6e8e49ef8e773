package rules

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

// All gives the rules by id.
func All() []Rule {
	return slices.Clone(table)
}

// ByID gives a rule.
func ByID(id string) (Rule, bool) {
	i, known := slices.BinarySearchFunc(table, id, func(r Rule, id string) int { return cmp.Compare(r.ID, id) })
	if !known {
		return Rule{}, false
	}
	return table[i], true
}

// RuleFailed is what a gap names as missing when not the record but the rule is
// at fault: its check broke down or came to something that is not a number.
const RuleFailed = "the rule itself failed"

// Run runs the rules of a version of the rule set (empty: the present one) that
// accept admits on a case whose metrics are computed, and gives the findings in
// order and what could not be judged. A rule that breaks down is a gap that says
// so: it never holds.
func Run(c *repair.Case, s settings.Settings, values []metric.Value, version string, accept func(Rule) bool) ([]Finding, []Gap) {
	return run(table, c, s, values, func(r Rule) bool { return r.InSet(version) && accept(r) })
}

func run(list []Rule, c *repair.Case, s settings.Settings, values []metric.Value, accept func(Rule) bool) ([]Finding, []Gap) {
	var findings []Finding
	var gaps []Gap
	reader := metric.NewReader(c, s, metric.At{}).AsTyped()
	for _, rule := range list {
		if !accept(rule) {
			continue
		}
		places, failed := where(rule, c)
		if failed {
			gaps = append(gaps, Gap{Rule: rule.ID, Missing: []string{RuleFailed}})
		}
		for _, at := range places {
			finding, gap, outcome := judge(rule, &Reader{Reader: reader.Elsewhere(at), values: values}, at)
			switch outcome {
			case Broken:
				findings = append(findings, finding)
			case NotEvaluable:
				gaps = append(gaps, gap)
			}
		}
	}
	return findings, gaps
}

func where(rule Rule, c *repair.Case) (places []metric.At, failed bool) {
	defer func() {
		if recover() != nil {
			places, failed = nil, true
		}
	}()
	return rule.Where(c), false
}

func check(rule Rule, r *Reader) (verdict Verdict) {
	defer func() {
		if recover() != nil {
			verdict, r.failed = Verdict{}, true
		}
	}()
	return rule.Check(r)
}

func judge(rule Rule, r *Reader, at metric.At) (Finding, Gap, Outcome) {
	verdict, c := check(rule, r), r.Case()
	missing := r.MissingText()
	if r.failed || (r.faulty && len(missing) == 0) {
		missing = []string{RuleFailed}
	}
	if len(missing) > 0 {
		return Finding{}, Gap{Rule: rule.ID, At: at, Missing: missing}, NotEvaluable
	}
	if !verdict.Broken {
		return Finding{}, Gap{}, Holds
	}
	f := Finding{
		Rule: rule.ID, Reference: rule.Reference, Severity: rule.Severity, Kind: rule.Kind, Source: rule.Source,
		Message: verdict.Message, Advice: cmp.Or(verdict.Advice, rule.Advice), At: at,
		Inputs: r.Inputs(), Facts: r.facts, Limits: r.limits,
	}
	switch {
	case rule.Kind == Slip:
		f.Questions = f.Inputs
	case slices.ContainsFunc(f.Inputs, func(in valve.InputValue) bool { return c.Measured[in.Key].Slip }):
		f.Message = strings.TrimSuffix(f.Message, ".") + " (as typed)."
	}
	if rule.Severity == Contradiction {
		for _, in := range f.Inputs {
			if verdict.Disputes == nil || slices.Contains(verdict.Disputes, in.Key) {
				f.Disputes = append(f.Disputes, in)
			}
		}
		f.Sections = sectionsOf(f.Disputes, verdict.Sections)
	}
	f.ID = fingerprint(f, rule.Since)
	return f, Gap{}, Broken
}

// Judgement is what one rule says at one place.
type Judgement struct {
	Rule     string
	Severity Severity
	At       metric.At
	Outcome  Outcome          // Holds, Broken or NotEvaluable
	Finding  Finding          // of Broken
	Missing  []string         // of NotEvaluable
	Reads    []valve.Occasion // where the values read, or missed, stand
}

// JudgeSome judges what is wanted of what Run does, without its order, and tells
// of each rule and place what it came to. It is for those who ask the same case
// again after a few values have changed.
func JudgeSome(c *repair.Case, s settings.Settings, values []metric.Value, wanted func(Rule, metric.At) bool) []Judgement {
	var list []Judgement
	reader := metric.NewReader(c, s, metric.At{}).AsTyped()
	for _, rule := range table {
		places, failed := where(rule, c)
		if failed && wanted(rule, metric.At{}) {
			list = append(list, Judgement{Rule: rule.ID, Severity: rule.Severity, Outcome: NotEvaluable, Missing: []string{RuleFailed}})
		}
		for _, at := range places {
			if !wanted(rule, at) {
				continue
			}
			r := &Reader{Reader: reader.Elsewhere(at), values: values}
			j := Judgement{Rule: rule.ID, Severity: rule.Severity, At: at}
			var gap Gap
			j.Finding, gap, j.Outcome = judge(rule, r, at)
			j.Missing = gap.Missing
			j.Reads = occasions(r)
			list = append(list, j)
		}
	}
	return list
}

func occasions(r *Reader) []valve.Occasion {
	var list []valve.Occasion
	add := func(o valve.Occasion) {
		if !slices.Contains(list, o) {
			list = append(list, o)
		}
	}
	for _, in := range r.Inputs() {
		add(in.Key.Occasion)
	}
	for _, k := range r.Missing() {
		add(k.Occasion)
	}
	return list
}

func sectionsOf(disputed []valve.InputValue, more []string) []string {
	list := slices.Clone(more)
	for _, in := range disputed {
		list = append(list, in.Key.Occasion.Section())
	}
	slices.Sort(list)
	return slices.Compact(list)
}

// fingerprint identifies a finding by rule, the version since which the rule says
// what it says, place, inputs and values; a confirmation binds to it and lapses
// when any of them changes. A new rule elsewhere in the set changes none.
func fingerprint(f Finding, since string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n%s\n%s\n%s\n%s\n", f.Rule, since, f.At.Occasion, f.At.Place, f.At.Role)
	inputs := slices.Clone(f.Inputs)
	slices.SortFunc(inputs, func(a, b valve.InputValue) int { return a.Key.Compare(b.Key) })
	for _, in := range inputs {
		fmt.Fprintf(&b, "%s=%g\n", in.Key, in.Value)
	}
	for _, fact := range f.Facts {
		fmt.Fprintf(&b, "%s=%s\n", fact.Name, fact.Value)
	}
	sum := sha256.Sum256([]byte(b.String()))
	return hex.EncodeToString(sum[:8])
}
