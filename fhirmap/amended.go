package fhirmap

import (
	"reflect"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// amend marks a result that an earlier state sent with other content: a receiver
// that has shown the former one must see that it was changed. Whether it was wrong
// or measured anew is not known, so that it is amended and never corrected.
func (r resource) amend(earlier resource) {
	switch {
	case r.observation != nil && earlier.observation != nil:
		if !reflect.DeepEqual(saidBy(r.observation), saidBy(earlier.observation)) {
			r.observation.Status = fhir.ObservationStatusAmended
		}
	case r.report != nil && earlier.report != nil:
		now, then := r.report, earlier.report
		if !reflect.DeepEqual(now.ConclusionCode, then.ConclusionCode) || !reflect.DeepEqual(now.EffectiveDateTime, then.EffectiveDateTime) {
			r.report.Status = fhir.DiagnosticReportStatusAmended
		}
	}
}

// statement is what an Observation says of the patient. Members, inputs, ranges and
// uncertainties may grow around it without changing it.
type statement struct {
	value, low, high number
	word, absent     *fhir.CodeableConcept
	count            *int
	when             *string
	period           *fhir.Period
	components       map[string]statement
}

type number struct{ value, unit string }

func numberOf(q *fhir.Quantity) number {
	if q == nil || q.Value == nil || q.Code == nil {
		return number{}
	}
	return number{q.Value.String(), *q.Code}
}

func saidBy(o *fhir.Observation) statement {
	s := statement{
		value: numberOf(o.ValueQuantity), word: o.ValueCodeableConcept, absent: o.DataAbsentReason,
		when: o.EffectiveDateTime, period: o.EffectivePeriod, components: map[string]statement{},
	}
	if o.ValueRange != nil {
		s.low, s.high = numberOf(o.ValueRange.Low), numberOf(o.ValueRange.High)
	}
	for _, c := range o.Component {
		part := statement{value: numberOf(c.ValueQuantity), word: c.ValueCodeableConcept, absent: c.DataAbsentReason, count: c.ValueInteger}
		if c.ValueRange != nil {
			part.low, part.high = numberOf(c.ValueRange.Low), numberOf(c.ValueRange.High)
		}
		s.components[*c.Code.Coding[0].System+"|"+*c.Code.Coding[0].Code] = part
	}
	return s
}
