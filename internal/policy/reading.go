package policy

import "trigone/internal/strictyaml"

// field is a key with its value.
type field = strictyaml.Field

// reading reads one policy.
type reading struct {
	*strictyaml.Reading
	stored bool // a policy that was in force once
	terms  Terms
}

func read(name string, terms Terms, stored bool) *reading {
	return &reading{&strictyaml.Reading{Name: name, Noun: "policy", Needed: "site, version and zone", Unbounded: stored}, stored, terms}
}
