package fhirmap

import (
	"slices"

	"trigone/internal/valve"
)

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
	{"advice", "", "an answer given while operating is a trace of the record, not a measurement of the patient"},
	{"", string(valve.ExpectedProbability), "an expectation of the site's own model, carried and not reasoned about"},
	{"", "shape", "coordinates of annulus and leaflets belong in an imaging object, not in an Observation"},
}

// NotSent lists what no bundle holds, with the reason. Beside it: free text of the
// record (identifying); signers, operators and observers; counts that no metric reads;
// the intended procedure, the stay, readmissions, returns to theatre, complications,
// and devices by their labels; of a plan its setting, the operator's choice of
// reference segment and which step is the alternative of which (that it is one is
// sent); words other than grades, steps, devices, indications and details of planned
// steps; computed values that are not evaluable or not applicable, and what is only
// computed from a plan; predictions without an interval; notes; differences that could
// not be judged; and that a section was retracted, beside the entered-in-error of what
// came from it.
func NotSent() []Omission { return slices.Clone(omissions) }

func notSentLeaf(id string) bool {
	return slices.ContainsFunc(omissions, func(o Omission) bool { return o.Field == id })
}
