package fhirmap

import (
	"fmt"
	"strings"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// differencePrefix begins the key of a difference; the discrepancy's id follows.
const differencePrefix = "discrepancy|"

// deviations makes an Observation of every difference between the plan in force
// and the outcome. It is no DetectedIssue: a difference is no error and carries no
// blame. The planned number is not repeated, since a plan is no observation: the
// request and its goal have it. What could not be compared sends nothing. A root has
// what stands under it as members, so that it is counted once.
func (p *producer) deviations(seen map[inputKey]string) error {
	made := map[string]*fhir.Observation{}
	for _, d := range p.ev.GetDiscrepancies() {
		verdict := ""
		switch d.GetVerdict() {
		case present:
			verdict = "present"
		case trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_INDETERMINATE:
			verdict = "indeterminate"
		}
		class := hyphened(d.GetClass())
		key := differencePrefix + d.GetId()
		_, known := localIndex()[systemCode{discrepancySystem, class}]
		if verdict == "" || !known || p.known[resourceID(p.uid, typeObservation, key)] {
			continue
		}
		o := &fhir.Observation{
			Status: fhir.ObservationStatusFinal, Code: *local(discrepancySystem, class),
			Category:             []fhir.CodeableConcept{*standard(categorySystem, "procedure"), *local(roleSystem, deviationRole)},
			ValueCodeableConcept: local(verdictSystem, verdict), Extension: runOf(d.GetRun()),
		}
		if at := p.occasionCode(valve.Occasion(d.GetOccasion()), d.GetStage()); at != "" {
			o.Category = append(o.Category, *local(occasionSystem, at))
		}
		if software, ok := p.reference(typeDevice, softwareKey(p.ev)); ok {
			o.Device = &software
		}
		if d.GetMethod() != 0 {
			o.Method = local(methodSystem, methodCode(d.GetMethod()))
		}
		if err := p.differences(o, d); err != nil {
			return fmt.Errorf("discrepancy %s %w", class, err)
		}
		p.deviationPlace(o, d, seen)
		p.addObservation(key, o, nil)
		made[d.GetId()] = o
	}
	for _, d := range p.ev.GetDiscrepancies() {
		root, child := made[d.GetParent()], made[d.GetId()]
		if root != nil && child != nil && root != child {
			root.HasMember = append(root.HasMember, fhir.Reference{Reference: text(urn(*child.Id))})
		}
	}
	return nil
}

// differences adds outcome less plan, its tolerance, what it was judged by and the
// reason of the record: one comparison of several parts, none of which says anything
// by itself.
func (p *producer) differences(o *fhir.Observation, d *trigonev1.Discrepancy) error {
	add := func(code string, c fhir.ObservationComponent) {
		c.Code = *local(kindSystem, code)
		o.Component = append(o.Component, c)
	}
	unit := d.GetUnit()
	if unit == "" && rows()[valve.ID(d.GetMetric())].unit == "" {
		unit = units.One.UCUM()
	}
	if d.Difference != nil {
		q, err := quantityOf(valve.ID(d.GetMetric()), unit, d.GetDifference())
		if err != nil {
			return err
		}
		add(kindDifference, fhir.ObservationComponent{ValueQuantity: q})
	}
	if d.Tolerance != nil {
		q, err := quantityOf(valve.ID(d.GetMetric()), unit, d.GetTolerance())
		if err != nil {
			return err
		}
		number := threeFigures(d.GetTolerance())
		q.Value = &number
		add(kindTolerance, fhir.ObservationComponent{ValueQuantity: q})
	}
	if by := d.GetJudgedBy(); by != trigonev1.JudgedBy_JUDGED_BY_UNSPECIFIED {
		add(kindJudgedBy, fhir.ObservationComponent{
			ValueCodeableConcept: local(kindSystem, kindJudgedBy+"-"+hyphened(enumWord(by.String(), "JUDGED_BY_"))),
		})
	}
	reason := hyphened(enumWord(d.GetReason(), deviationPrefix))
	if reason == "" && d.GetPlanRevised() {
		reason = reasonPlanRevised
	}
	if _, ok := localIndex()[systemCode{reasonSystem, reason}]; ok {
		add(kindReason, fhir.ObservationComponent{ValueCodeableConcept: local(reasonSystem, reason)})
	}
	return nil
}

// deviationPlace says what the difference is between: the request of the plan, the
// step performed, the value found, the place and the time.
func (p *producer) deviationPlace(o *fhir.Observation, d *trigonev1.Discrepancy, seen map[inputKey]string) {
	o.BasedOn = p.basedOnStep(d.GetPlannedStepId())
	if o.BasedOn == nil && d.GetClass() != classAdded && d.GetJudgedBy() != trigonev1.JudgedBy_JUDGED_BY_UNSPECIFIED {
		o.BasedOn = p.basedOn(planKey)
	}
	for _, key := range []string{stepKey(d.GetPerformedStepId()), parentKey} {
		if step, ok := p.reference(typeProcedure, key); ok {
			o.PartOf = []fhir.Reference{step}
			break
		}
	}
	name := valve.Occasion(d.GetOccasion())
	if id, ok := seen[inputKey{d.GetMetric(), d.GetPlace(), d.GetOccasion(), trigonev1.MetricRole_METRIC_ROLE_MEASURED}]; ok {
		o.DerivedFrom = []fhir.Reference{{Reference: text(urn(id))}}
	} else if grade, ok := p.reference(typeObservation, gradeKey(d.GetMetric(), name)); ok {
		o.DerivedFrom = []fhir.Reference{grade}
	}
	if _, place := instance(d.GetPlace()); place != valve.Nowhere && !strings.Contains(d.GetPlace(), ":") {
		if code := hyphened(string(place)); localIndex()[systemCode{placeSystem, code}] != "" {
			o.BodySite = placeConcept(place)
		}
	}
	when := operationClock(p.file.GetOperation())
	for _, in := range p.occasions {
		if in.name == name && in.clock.known() {
			when = in.clock
		}
	}
	o.EffectiveDateTime, o.EffectivePeriod = when.at, when.period()
}
