package fhirmap

import "slices"

// Omission is something of the record or of an evaluation that no bundle holds.
type Omission struct {
	// Section, as the case file's field names it; empty: any.
	Section string
	// Field, by its name wherever it stands; empty: the whole section.
	Field  string
	Reason string
}

// omissions lists them: sections first, then fields, then what concerns an
// evaluation.
var omissions = []Omission{
	{"plan", "", "a plan is a request and no event: it will be sent as ServiceRequest, DeviceRequest and Goal, never as Observation or Procedure"},
	{"advice", "", "an answer given while operating is a trace of the record, not a measurement of the patient"},
	{"", "expected_probability", "an expectation of the site's own model, carried and not reasoned about"},
	{"", "shape", "coordinates of annulus and leaflets belong in an imaging object, not in an Observation"},
}

// NotSent lists what no bundle holds, with the reason. Beside it: free text of the
// record (identifying), operators and observers, counts that no metric reads,
// words other than grades, steps and devices, standard uncertainties and bands of
// values, computed values that are not evaluable or not applicable, predictions
// without an interval, and findings below a contradiction.
func NotSent() []Omission { return slices.Clone(omissions) }

func notSentLeaf(id string) bool {
	return slices.ContainsFunc(omissions, func(o Omission) bool { return o.Field == id })
}
