package fhirmap

import (
	"cmp"
	"slices"

	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// Occasions that are neither a stage of the operation nor a follow-up of a stated
// kind.
const (
	occasionPatient   = "patient"
	occasionPlan      = "plan"
	occasionOperation = "operation"
	occasionFollowUp  = "follow-up"
)

// followUps are the codes of the kinds of follow-up, in the order of the contract.
var followUps = []struct {
	kind          trigonev1.FollowUpKind
	code, display string
}{
	{trigonev1.FollowUpKind_FOLLOW_UP_KIND_DISCHARGE, "discharge", "At discharge"},
	{trigonev1.FollowUpKind_FOLLOW_UP_KIND_THIRTY_DAYS, "30-days", "30 days after the operation"},
	{trigonev1.FollowUpKind_FOLLOW_UP_KIND_ONE_YEAR, "12-months", "12 months after the operation"},
	{trigonev1.FollowUpKind_FOLLOW_UP_KIND_FIVE_YEARS, "5-years", "5 years after the operation"},
	{trigonev1.FollowUpKind_FOLLOW_UP_KIND_OTHER, "other-follow-up", "Follow-up at another time"},
}

// occasionConcepts are in the order of time.
func occasionConcepts() []Concept {
	list := []Concept{
		{occasionPatient, "Of the patient, at no occasion of the operation"},
		{occasionPlan, "Of the plan"},
		{occasionOperation, "In the operation"},
	}
	list = append(list, enumConcepts(trigonev1.Stage(0).Descriptor(), "STAGE_")...)
	for _, f := range followUps {
		list = append(list, Concept{f.code, f.display})
	}
	return append(list, Concept{occasionFollowUp, "Follow-up, which one is not stated"})
}

// code gives the code of the occasion: of what is done in the operation its stage,
// by the value where that states one.
func (o *occasion) code(ofValue trigonev1.Stage) string {
	switch o.kind {
	case kindIdentity:
		return occasionPatient
	case kindPlan:
		return occasionPlan
	case kindAssessment:
		return stageCode(trigonev1.Stage_STAGE_NATIVE)
	case kindFollowUp:
		for _, f := range followUps {
			if f.kind == o.followUp {
				return f.code
			}
		}
		return occasionFollowUp
	}
	if stage := cmp.Or(ofValue, o.stage); stage != trigonev1.Stage_STAGE_UNSPECIFIED {
		return stageCode(stage)
	}
	return occasionOperation
}

func stageCode(s trigonev1.Stage) string { return hyphened(enumWord(s.String(), "STAGE_")) }

// occasionCode gives the code of the occasion that a difference names; none where it
// names none.
func (p *producer) occasionCode(name valve.Occasion, stage trigonev1.Stage) string {
	i := slices.IndexFunc(p.occasions, func(o *occasion) bool { return o.name == name })
	switch {
	case i >= 0:
		return p.occasions[i].code(stage)
	case stage != trigonev1.Stage_STAGE_UNSPECIFIED:
		return stageCode(stage)
	}
	return ""
}
