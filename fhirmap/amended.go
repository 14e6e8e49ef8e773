package fhirmap

import (
	"bytes"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// amends says whether a result of this digest says other than what was sent of it before: a
// receiver that has shown the former one must see that it was changed. Whether it
// was wrong or measured anew is not known, so that it is amended and never
// corrected.
func amends(digest []byte, sent Sent) bool { return digest != nil && !bytes.Equal(digest, sent.Digest) }

func (r resource) amend() {
	switch {
	case r.observation != nil:
		r.observation.Status = fhir.ObservationStatusAmended
	case r.report != nil:
		r.report.Status = fhir.DiagnosticReportStatusAmended
	}
}

// statement is what an Observation says of the patient. Members, inputs, ranges and
// uncertainties may grow around it without changing it.
type statement struct {
	Value      number               `json:"value,omitzero"`
	Low        number               `json:"low,omitzero"`
	High       number               `json:"high,omitzero"`
	Word       *words               `json:"word,omitempty"`
	Absent     *words               `json:"absent,omitempty"`
	When       *string              `json:"when,omitempty"`
	Start      *string              `json:"start,omitempty"`
	End        *string              `json:"end,omitempty"`
	Components map[string]statement `json:"components,omitempty"`
}

// conclusion is what a report says of the patient.
type conclusion struct {
	Codes []words `json:"codes,omitempty"`
	When  *string `json:"when,omitempty"`
}

type number struct {
	Value string `json:"value,omitempty"`
	Unit  string `json:"unit,omitempty"`
}

// words are a concept without its displays, which may be reworded.
type words struct {
	Codes []string `json:"codes,omitempty"`
	Text  string   `json:"text,omitempty"`
}

func numberOf(q *fhir.Quantity) number {
	if q == nil || q.Value == nil || q.Code == nil {
		return number{}
	}
	return number{q.Value.String(), *q.Code}
}

func wordsOf(c *fhir.CodeableConcept) *words {
	if c == nil {
		return nil
	}
	w := words{Text: orEmpty(c.Text)}
	for _, x := range c.Coding {
		w.Codes = append(w.Codes, orEmpty(x.System)+"|"+orEmpty(x.Code))
	}
	return &w
}

func saidBy(o *fhir.Observation) statement {
	s := statement{
		Value: numberOf(o.ValueQuantity), Word: wordsOf(o.ValueCodeableConcept), Absent: wordsOf(o.DataAbsentReason), When: o.EffectiveDateTime,
	}
	if p := o.EffectivePeriod; p != nil {
		s.Start, s.End = p.Start, p.End
	}
	if o.ValueRange != nil {
		s.Low, s.High = numberOf(o.ValueRange.Low), numberOf(o.ValueRange.High)
	}
	for _, c := range o.Component {
		if s.Components == nil {
			s.Components = map[string]statement{}
		}
		s.Components[*c.Code.Coding[0].System+"|"+*c.Code.Coding[0].Code] = statement{Value: numberOf(c.ValueQuantity), Word: wordsOf(c.ValueCodeableConcept), When: c.ValueDateTime}
	}
	return s
}

func concludedBy(r *fhir.DiagnosticReport) conclusion {
	c := conclusion{When: r.EffectiveDateTime}
	for _, code := range r.ConclusionCode {
		c.Codes = append(c.Codes, *wordsOf(&code))
	}
	return c
}
