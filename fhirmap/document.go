package fhirmap

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"trigone/internal/note"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// documentSystem holds the kinds of documents. No public code of an operative note
// was verified.
const documentSystem = Base + "/CodeSystem/document"

const operativeNote = "operative-note"

var documentConcepts = []Concept{{operativeNote, "Operative note of a mitral valve repair, draft"}}

const typeComposition = "Composition"

// The wire form of a document: no entry has a request.
type (
	document struct {
		ResourceType string          `json:"resourceType"`
		Meta         *fhir.Meta      `json:"meta,omitempty"`
		Identifier   fhir.Identifier `json:"identifier"`
		Type         fhir.BundleType `json:"type"`
		Timestamp    *string         `json:"timestamp"`
		Entry        []documentEntry `json:"entry"`
	}
	documentEntry struct {
		FullURL  string `json:"fullUrl"`
		Resource any    `json:"resource"`
	}
	composition struct {
		ResourceType string `json:"resourceType"`
		*fhir.OtherComposition
	}
)

// Document gives the case as a document bundle, in JSON: the operative note as a
// Composition of status preliminary, with the narrative of every section, and
// behind it the resources of the present state, each referred to from the section
// that speaks of it. What earlier states produced and this one does not is no part
// of a document: it says what is, and a transaction corrects what a receiver has.
//
// Errors: ErrNothing; note.ErrRetracted for a retracted or merged case; a fault as
// Transaction finds it.
func Document(h History, n note.Note) ([]byte, error) {
	n = n.Words() // a narrative takes no drawing
	switch h.Current.Case.GetState() {
	case trigonev1.CaseState_CASE_STATE_RETRACTED, trigonev1.CaseState_CASE_STATE_MERGED:
		return nil, note.ErrRetracted
	}
	if _, err := h.patientLink(); err != nil {
		return nil, err
	}
	resources, err := produce(h)
	if err != nil {
		return nil, err
	}
	author := resourceID(h.UID, typeDevice, softwareKey(h.Current.Case.GetEvaluation()))
	resources = slices.DeleteFunc(resources, func(r resource) bool { return ofHistory(r, author) })
	if !slices.ContainsFunc(resources, func(r resource) bool { return r.id == author }) {
		return nil, ErrNothing
	}
	c, err := compose(h, n, resources, author)
	if err != nil {
		return nil, err
	}
	version := strconv.FormatInt(h.Number(), 10)
	d := document{
		ResourceType: "Bundle", Meta: bundleMeta(h), Type: fhir.BundleTypeDocument,
		// Each history number has a document of its own.
		Identifier: identifierOf(h.UID, "document/"+version),
		Timestamp:  text(c.Date),
		Entry:      []documentEntry{{urn(*c.Id), composition{typeComposition, (*fhir.OtherComposition)(c)}}},
	}
	for _, r := range resources {
		if err := cmp.Or(h.asked(), r.checkStatus()); err != nil {
			return nil, err
		}
		d.Entry = append(d.Entry, documentEntry{urn(r.id), r.wrapped()})
	}
	return h.leaving(json.Marshal(d))
}

// compose makes the Composition.
func compose(h History, n note.Note, resources []resource, author string) (*fhir.Composition, error) {
	const key = "note"
	language, identifier := note.Language, identifierOf(h.UID, key)
	c := &fhir.Composition{
		Id: text(resourceID(h.UID, typeComposition, key)), Meta: tagOf(h), Extension: historyOf(h), Language: &language,
		Identifier: &identifier,
		Status:     fhir.CompositionStatusPreliminary, Type: *local(documentSystem, operativeNote),
		Subject: subjectOf(h), Date: n.Created.UTC().Format(layout), Title: n.Title,
		Author: []fhir.Reference{{Reference: text(urn(author))}},
	}
	var whole []note.Block
	for _, status := range n.Status {
		whole = append(whole, note.Block{Paragraph: status})
	}
	if rows := n.Subject; len(rows) > 0 {
		t := &note.Table{Header: []string{"Of", "Value"}}
		for _, f := range rows {
			t.Rows = append(t.Rows, []string{f.Name, f.Value})
		}
		whole = append(whole, note.Block{Table: t})
	}
	for _, f := range n.Footer {
		whole = append(whole, note.Block{Paragraph: f})
	}
	var err error
	if c.Text, err = noteNarrative(whole); err != nil {
		return nil, err
	}
	entries := sectionEntries(h.UID, author, n, resources)
	for i, s := range n.Sections {
		title := s.Heading
		if s.Annex {
			title = "Annex: " + title
		}
		section := fhir.CompositionSection{Title: text(title), Entry: entries[i]}
		if section.Text, err = noteNarrative(s.Blocks); err != nil {
			return nil, err
		}
		c.Section = append(c.Section, section)
	}
	return c, nil
}

func noteNarrative(blocks []note.Block) (*fhir.Narrative, error) {
	div, err := note.Narrative(blocks)
	if err != nil {
		return nil, fmt.Errorf("narrative of the note: %w", err)
	}
	return &fhir.Narrative{Status: fhir.NarrativeStatusGenerated, Div: div}, nil
}

// sectionEntries refers to every resource from a section, a panel instead of its
// members; the software is the author.
func sectionEntries(uid, author string, n note.Note, resources []resource) [][]fhir.Reference {
	entries := make([][]fhir.Reference, len(n.Sections))
	for _, r := range resources {
		key := sectionOf(uid, author, r)
		if key == "" {
			continue
		}
		i := slices.IndexFunc(n.Sections, func(s note.Section) bool { return s.Key == key })
		if i < 0 {
			i = len(n.Sections) - 1
		}
		if i >= 0 {
			entries[i] = append(entries[i], fhir.Reference{Reference: text(urn(r.id))})
		}
	}
	return entries
}

// ofHistory says whether a resource tells how the record came about: provenance, and
// software of the past. A document says what is.
func ofHistory(r resource, author string) bool {
	return r.provenance != nil || r.device != nil && isSoftware(r.device) && r.id != author
}

func isSoftware(d *fhir.Device) bool {
	return d.Type != nil && slices.ContainsFunc(d.Type.Coding, func(c fhir.Coding) bool { return c.Code != nil && *c.Code == softwareDevice })
}

// sectionOf gives the section that speaks of a resource; none for what a panel
// names and for the software.
func sectionOf(uid, author string, r resource) string {
	switch {
	case r.id == author:
		return ""
	case r.procedure != nil:
		for _, what := range []string{againReintervention, againReturn} {
			if section := sectionOfOccasion(uid, what+"/", r.procedure.Identifier); section != "" {
				return section
			}
		}
		return note.KeySteps
	case r.issue != nil:
		return note.KeyContradictions
	case r.device != nil:
		return note.KeyRing
	case r.request != nil, r.ringRequest != nil, r.goal != nil:
		return note.KeyPlan
	case r.report != nil:
		return sectionOfOccasion(uid, reportPrefix, r.report.Identifier)
	}
	if strings.HasPrefix(keyIn(uid, r.observation.Identifier), differencePrefix) {
		return note.KeyChanges
	}
	if section := sectionOfFact(uid, r.observation); section != "" {
		return section
	}
	return sectionOfOccasion(uid, panelPrefix, r.observation.Identifier)
}

// sectionOfFact gives the section of what is told in words.
func sectionOfFact(uid string, o *fhir.Observation) string {
	code := orEmpty(o.Code.Coding[0].Code)
	if orEmpty(o.Code.Coding[0].System) != outcomeSystem {
		return ""
	}
	section := sectionOfOccasion(uid, factPrefix+code+"/", o.Identifier)
	if section != note.KeyTests {
		return section
	}
	switch code {
	case factComplication, factVitalStatus:
		return note.KeyComplications
	case factApproach:
		return note.KeyAccess
	}
	return note.KeyProcedure
}

// sectionOfOccasion gives the section of what is named by a prefix and an occasion.
func sectionOfOccasion(uid, prefix string, identifiers []fhir.Identifier) string {
	name, named := strings.CutPrefix(keyIn(uid, identifiers), prefix)
	if !named {
		return ""
	}
	switch kindOf(valve.Occasion(name).Section()) {
	case kindIdentity:
		return note.KeyIndication
	case kindPlan:
		return note.KeyPrediction
	case kindOperation:
		return note.KeyTests
	case kindResult:
		return note.KeyResult
	case kindFollowUp:
		return note.KeyFollowUp
	}
	return note.KeyFindings
}
