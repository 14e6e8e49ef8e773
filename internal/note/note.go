// Package note writes the operative note of one case: a structure of sections,
// paragraphs, lists and small tables, built from the record, its newest
// evaluation and the revisions of the plan, and three renderers (text, HTML, PDF)
// that read only that structure. It decides nothing, computes nothing and asks no
// clock; casebook and fhirmap call it.
//
// # What is said of what is missing
//
// The note invents nothing. What a reader looks for in an operative note is
// named, and where the record has it not the note says 'not recorded', or the
// reason that the record gives (not performed, not possible): indication,
// functional class and disease; the grade before the operation; heights of the
// leaflets and the diameters of the annulus; the plan in force; times of incision,
// bypass and clamp; of each step the dimension that the catalogue counts as CORE;
// of each ring kind, labelled size, inner diameters and what it was sized by; the
// saline test; grade, gradient, heart rate, coaptation and anterior motion on
// leaving theatre; complications, conversion, whether the patient left theatre
// alive; follow-up. 'None' is said only where the record says that a list is
// complete. Everything else is left out where it is not recorded. Cautions and
// notes of the rules are left out: they speak to the surgeon before the note is
// written, not to its reader.
//
// A measured value that an open contradiction names is shown and marked
// '[disputed: rule]'; one whose contradiction a reviewer confirmed is marked
// '[confirmed by a reviewer]'. Where a contradiction names no measured value (an
// order of times, facts that exclude each other) the mark stands behind what the
// section says of that run. A prediction is a range or nothing.
package note

import (
	"errors"
	"time"
)

// Language of every note.
const Language = "en"

// Note is the structure that the renderers read. Every text in it is plain:
// without markup, on one line; a number and its unit have a space between them
// that does not break.
type Note struct {
	Title  string
	Status string
	// Running stands on every page: what the note is of.
	Running string
	// Subject says whose operation it was, as name and value.
	Subject  []Field
	Sections []Section
	// Footer are sentences on how the note was made.
	Footer []string
	// Created is the time in the record that stands for the note's own: a note made
	// again is the same.
	Created time.Time
	// History is the history number of the case; 0: not on record.
	History int64
}

// Field is a name with its value.
type Field struct{ Name, Value string }

// Section is one section. Key is a stable word for links and for the resources
// that belong to it.
type Section struct {
	Key, Heading string
	Blocks       []Block
}

// Block is one part of a section; exactly one field is set.
type Block struct {
	Subheading string
	Paragraph  string
	List       *List
	Table      *Table
}

// List is a list of sentences.
type List struct {
	Numbered bool
	Items    []Item
}

// Item is an entry of a list with what stands under it.
type Item struct {
	Text string
	Sub  []string
}

// Table is a small table; the first cell of a row names the row.
type Table struct {
	Caption string
	Header  []string
	Rows    [][]string
}

// Keys of the sections, in their order.
const (
	KeyIndication     = "indication"
	KeyFindings       = "findings"
	KeyPlan           = "plan"
	KeyChanges        = "changes"
	KeySteps          = "steps"
	KeyRing           = "ring"
	KeyTests          = "tests"
	KeyRuns           = "runs"
	KeyResult         = "result"
	KeyComplications  = "complications"
	KeyFollowUp       = "follow-up"
	KeyPrediction     = "prediction"
	KeyContradictions = "contradictions"
)

// Errors of Build.
var (
	// ErrNoEvaluation says that the case comes without an evaluation, by which
	// disputed values are known.
	ErrNoEvaluation = errors.New("the case has no evaluation, so that nobody knows which of its values are disputed")
	// ErrRetracted says that the case is retracted or merged: a note of it would
	// be taken for a valid one.
	ErrRetracted = errors.New("the case is retracted or merged, so that there is no note of it")
)
