package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

// Reads gives the measured values, by leaf, that a rule reads or misses in its own
// examples, sorted. A rule that is for every leaf reads more than its examples have.
func Reads(rule Rule) []valve.ID {
	s := settings.BuiltIn("examples", "1", "UTC")
	seen := map[valve.ID]bool{}
	for _, e := range rule.Examples {
		c := e.Case()
		values := metric.Compute(c, s)
		reader := metric.NewReader(c, s, metric.At{}).AsTyped()
		places, _ := where(rule, c)
		for _, at := range places {
			r := &Reader{Reader: reader.Elsewhere(at), values: values}
			check(rule, r)
			for _, in := range r.Inputs() {
				seen[in.Key.ID] = true
			}
			for _, k := range r.Missing() {
				seen[k.ID] = true
			}
		}
	}
	var list []valve.ID
	for id := range seen {
		if _, leaf := metric.LeafByID(id); leaf {
			list = append(list, id)
		}
	}
	slices.Sort(list)
	return list
}
