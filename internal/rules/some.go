package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

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
	for _, rule := range table {
		places, failed := where(rule, c)
		if failed && wanted(rule, metric.At{}) {
			list = append(list, Judgement{Rule: rule.ID, Severity: rule.Severity, Outcome: NotEvaluable, Missing: []string{RuleFailed}})
		}
		for _, at := range places {
			if !wanted(rule, at) {
				continue
			}
			r := &Reader{Reader: metric.NewReader(c, s, at), values: values}
			j := Judgement{Rule: rule.ID, Severity: rule.Severity, At: at}
			var gap Gap
			j.Finding, gap, j.Outcome = judgeWith(rule, r, at)
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
