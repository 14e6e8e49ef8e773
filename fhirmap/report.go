package fhirmap

import (
	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// reportPrefix begins the key of a report; the occasion follows.
const reportPrefix = "report|"

func reportKey(name valve.Occasion) string { return reportPrefix + string(name) }

// reports makes a DiagnosticReport of every echo that has a panel: assessments by
// echo, results, follow-ups. Its conclusion is the grade given by the examiner. The
// operation refers to those made in theatre, and a plan to those it rests on.
func (p *producer) reports() {
	for _, in := range p.occasions {
		panel, ok := p.reference(typeObservation, panelKey(in.name))
		if !ok || !p.byEcho(in) {
			continue
		}
		r := &fhir.DiagnosticReport{
			Status: fhir.DiagnosticReportStatusFinal, Code: *local(kindSystem, kindEchoReport), Subject: p.subject,
			Category:          []fhir.CodeableConcept{*standard(serviceSystem, "CUS")},
			EffectiveDateTime: in.clock.at, EffectivePeriod: in.clock.period(), Result: []fhir.Reference{panel},
		}
		for _, s := range p.studies() {
			if s.name != in.name {
				continue
			}
			if grade := gradeConcept(s.study.GetRegurgitation().GetGrade()); grade != nil {
				grade.Text = text("Mitral regurgitation: " + spaced(enumWord(s.study.GetRegurgitation().GetGrade().GetValue().String(), valuePrefix)))
				r.ConclusionCode = []fhir.CodeableConcept{*grade}
			}
		}
		if in.inTheatre {
			r.Encounter = p.encounter()
		}
		key := reportKey(in.name)
		id := resourceID(p.uid, typeReport, key)
		r.Id, r.Meta, r.Identifier = text(id), p.meta, p.identifiers(key)
		p.from = p.sourceOf(in.name.Section())
		p.add(resource{typ: typeReport, id: id, report: r})
		p.from = source{}
	}
	p.linkReports()
}

// byEcho says whether the occasion is an echo; a kind that is not stated is none.
func (p *producer) byEcho(in *occasion) bool {
	switch in.kind {
	case kindResult, kindFollowUp:
		return true
	}
	for _, a := range p.file.GetAssessments() {
		if string(in.name) == assessmentName+a.GetId() {
			switch a.GetKind() {
			case trigonev1.AssessmentKind_ASSESSMENT_KIND_TRANSTHORACIC, trigonev1.AssessmentKind_ASSESSMENT_KIND_TRANSOESOPHAGEAL_AWAKE,
				trigonev1.AssessmentKind_ASSESSMENT_KIND_PRE_BYPASS:
				return true
			}
		}
	}
	return false
}

func (p *producer) linkReports() {
	operation := resourceID(p.uid, typeProcedure, parentKey)
	for _, r := range p.out {
		if r.procedure == nil || r.id != operation {
			continue
		}
		for _, result := range p.file.GetResults() {
			key := reportKey(valve.Occasion(resultName + result.GetId()))
			if _, made := p.reference(typeReport, key); made {
				// By identifier: a literal one would close a circle by way of what was found in
				// the operation, and no order would put all behind what they refer to.
				r.procedure.Report = append(r.procedure.Report, fhir.Reference{Type: text(typeReport), Identifier: &p.identifiers(key)[0]})
			}
		}
	}
	for _, plan := range p.plans {
		id := resourceID(p.uid, typeRequest, planKey(plan.Revision))
		for _, r := range p.out {
			if r.request == nil || r.id != id {
				continue
			}
			for _, a := range plan.Plan.GetAssessmentIds() {
				if report, ok := p.reference(typeReport, reportKey(valve.Occasion(assessmentName+a))); ok {
					r.request.SupportingInfo = append(r.request.SupportingInfo, report)
				}
			}
		}
	}
}
