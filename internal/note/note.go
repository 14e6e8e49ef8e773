// Package note writes the operative note of one case: a structure of sections,
// paragraphs, lists and small tables, built from the record, its newest
// evaluation and the revisions of the plan, and three renderers (text, HTML, PDF)
// that read only that structure. It decides nothing, computes nothing and asks no
// clock; handover and fhirmap call it.
//
// # What stands in it
//
// The body is what a surgeon signs: what was found, done and left behind, in the
// order of an operation, ending when the patient leaves theatre. It holds no
// range of the model, no finding of a rule, no version of software. Those, what
// came later and the questions asked of the software stand in the annex, which is
// written only when it is asked for and is no part of what is signed.
//
// # What is said of what is missing
//
// The note invents nothing. What a reader looks for in an operative note and the
// record does not have stands in one block at the end, each with room to be
// filled in by hand; the sentences before it leave it out. Two things say 'not
// recorded' in their place, because nobody may overlook them: the identity of
// what was implanted, and complications. A value that could not be or was not
// measured says so in its place. 'None' is said only where the record says that a
// list is complete.
//
// A value that an open contradiction names is shown and marked '[disputed]'; one
// that may have been typed in another unit '[as typed: check the unit]', one that a
// reviewer confirmed '[confirmed by a reviewer]'. Where a
// contradiction names no measured value (an order of times, facts that exclude
// each other) the mark stands behind what the section says of that run. The annex
// says which rule it is.
package note

import (
	"errors"
	"slices"
	"time"

	"trigone/internal/document"
)

// Language of every note.
const Language = "en"

// Note is the structure that the renderers read. Every text in it is plain:
// without markup, on one line; a number and its unit have a space between them
// that does not break.
type Note struct {
	Title string
	// Status says what the note is worth: a draft, or signed by whom.
	Status []string
	// Head stands on every page.
	Head Head
	// Subject says whose operation it was, as name and value.
	Subject  []Field
	Sections []Section
	// Footer are sentences that stand under it.
	Footer []string
	// Created is the time in the record that stands for the note's own: a note made
	// again is the same.
	Created time.Time
	// History is the history number of the case; 0: not on record.
	History int64
}

// Head is what stands on every page, beside its number.
type Head struct {
	// Patient and PatientSystem identify the patient, Case is the hospital's number.
	Patient, PatientSystem, Case string
	Operation                    string // its date
	Version                      string // of the record
	Status                       string // draft or final
}

// The parts of a note are those of every document.
type (
	// Field is a line of a name and a value.
	Field = document.Field
	// Section is a heading with its blocks.
	Section = document.Section
	// Block is one of the things that stand under a heading.
	Block = document.Block
	// List is a block of items.
	List = document.List
	// Item is an entry of a list.
	Item = document.Item
	// Table is a block of rows.
	Table = document.Table
)

// Words gives the note without its drawings, and without the sections that are
// nothing else: for those who read words only.
func (n Note) Words() Note {
	var sections []Section
	for _, s := range n.Sections {
		s.Blocks = slices.DeleteFunc(slices.Clone(s.Blocks), func(b Block) bool { return b.Drawing != nil })
		if len(s.Blocks) > 0 {
			sections = append(sections, s)
		}
	}
	n.Sections = sections
	return n
}

// document gives the note to what lays documents out. The identifier is never cut for
// its system's sake.
func (n Note) document() document.Document {
	h := n.Head
	return document.Document{
		Title: n.Title, Status: n.Status, Final: h.Status == "FINAL", Subject: n.Subject, Sections: n.Sections, Footer: n.Footer, Created: n.Created, Language: Language,
		Head: document.Head{
			First: "Patient " + joined(" ", h.Patient, bracketed(h.PatientSystem)), FirstShort: "Patient " + h.Patient,
			Second: joined(", ", "Case "+h.Case, "operation "+h.Operation, "record "+h.Version), Status: h.Status,
		},
		AnnexTitle: annexTitle, AnnexIntro: annexIntro,
	}
}

// HTML gives a note as one page: no script, nothing fetched, every text escaped.
func HTML(n Note) ([]byte, error) { return document.HTML(n.document()) }

// PDF gives a note as a document of A4 pages. The same note gives the same bytes.
func PDF(n Note) ([]byte, error) { return document.PDF(n.document()) }

// Narrative gives blocks as the XHTML division that FHIR asks for; none of them is a
// drawing, which FHIR does not take (see Words).
func Narrative(list []Block) (string, error) { return document.Narrative(list, Language) }

// Keys of the sections, in their order.
const (
	KeyProcedure     = "procedure"
	KeyDiagnosis     = "diagnosis"
	KeyPeople        = "people"
	KeyIndication    = "indication"
	KeyFindings      = "findings"
	KeyAccess        = "access"
	KeySteps         = "steps"
	KeyTests         = "tests"
	KeyRing          = "implants"
	KeyResult        = "result"
	KeyChanges       = "changes"
	KeyComplications = "complications"
	KeyClosing       = "closing"
	KeyInstructions  = "instructions"
	KeyPlanned       = "planned"
	KeyAddendum      = "addendum"
	KeyNotRecorded   = "not-recorded"
	KeySignature     = document.KeySignature

	// Of the annex; questions asked stand in the body where that is asked for.
	KeyQuestions      = "questions"
	KeyPlan           = "plan"
	KeyMeasurements   = "measurements"
	KeyPrediction     = "prediction"
	KeyDrawings       = "drawings"
	KeyFollowUp       = "follow-up"
	KeyContradictions = "contradictions"
	KeyMade           = "made"
)

// Errors of Build.
var (
	// ErrNoEvaluation says that the case comes without an evaluation, by which
	// disputed values are known.
	ErrNoEvaluation = errors.New("the case has no evaluation, so that nobody knows which of its values are disputed")
	// ErrRetracted says that the case is retracted or merged: a note of it would
	// be taken for a valid one.
	ErrRetracted = errors.New("the case is retracted or merged, so that there is no note of it")
	// ErrNoOperation says that there is neither an operation nor a plan to write of.
	ErrNoOperation = errors.New("the case has no operation and no plan, so that there is nothing to write a note of")
)
