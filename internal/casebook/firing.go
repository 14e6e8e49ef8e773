package casebook

import (
	"iter"
	"strings"

	"trigone/internal/policy"
	"trigone/internal/rules"
	trigonev1 "trigone/proto/trigone/v1"
)

// Firing is in how many cases a rule of a site's own did what, each case under the
// first that holds; in the others it was silent, or had no place to speak at.
type Firing struct {
	Rule         rules.SiteRule
	Fires        int
	Failed       int // could not be judged: the rule is at fault
	NotEvaluable int // for want of something that it reads
}

// Firings judges case files by the rules of a policy of its site's own, and by nothing
// that is on record of them: no state changes.
func Firings(p policy.Policy, files iter.Seq2[*trigonev1.CaseFile, error], software string) (list []Firing, cases int, err error) {
	at := map[string]int{}
	for i, r := range p.Rules {
		list, at[r.ID] = append(list, Firing{Rule: r}), i
	}
	for file, err := range files {
		if err != nil {
			return nil, 0, err
		}
		e, err := EvaluateFile(p, file, software)
		if err != nil {
			return nil, 0, err
		}
		cases++
		seen := map[string]bool{}
		once := func(rule string, holds bool, count func(*Firing)) {
			if i, ours := at[rule]; ours && holds && !seen[rule] {
				seen[rule] = true
				count(&list[i])
			}
		}
		for _, f := range e.GetFindings() {
			once(f.GetRule(), !strings.HasPrefix(f.GetMessage(), rules.SiteRuleFailed), func(f *Firing) { f.Fires++ })
		}
		for _, f := range e.GetFindings() {
			once(f.GetRule(), true, func(f *Firing) { f.Failed++ })
		}
		for _, g := range e.GetRuleGaps() {
			once(g.GetRule(), true, func(f *Firing) { f.NotEvaluable++ })
		}
	}
	return list, cases, nil
}
