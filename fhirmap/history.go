package fhirmap

import (
	"cmp"
	"slices"

	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/metric"
	"trigone/internal/settings"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// Snapshot is a case as one write left it: the record's heads and the evaluation
// made of them. Retracted sections are not in the record.
type Snapshot struct {
	// Case carries name, version, state, sections, case file and evaluation.
	Case *trigonev1.Case
	// Limits are those of the policy under which it was evaluated, by name; nil: they
	// are not known.
	Limits map[string]settings.Threshold
}

// History is what a bundle is a function of: the case as it stands, and a short
// account of what was sent of it before. No earlier state is part of it, so that a
// bundle of a case that was written a thousand times is made as fast as one of its
// first.
type History struct {
	Site    string // site id
	UID     string // case uid; every resource id derives from it alone
	Current Snapshot
	// Plans are the revisions of the plan that were its head since it was last begun,
	// in their order. That of the current state may be among them and is added
	// otherwise.
	Plans []PlanState
	// Sent has a row for every resource that was ever sent.
	Sent []Sent
	// LastPatient names the subject where the current state does not.
	LastPatient *trigonev1.Identifier
	// Mapping is the site's number of the mapping and of its codes. It rises whenever
	// one of them changes, and is part of the history number.
	Mapping int64
	// softwareBefore is the Device of the software of the state before, as long as
	// the rows do not tell.
	softwareBefore string
	// Codes are the public codes of the site by the policy in force; see
	// SiteCodeFaults for what they must be. They change no id.
	Codes []metric.SiteCode
	// Patient is how the site refers to the patient, by the policy in force.
	Patient settings.PatientReference
	// Base is the site's own base of what is ours; empty: the built-in one.
	Base        string
	transaction bool // see inTransaction
	// WithoutStaff leaves out who operated and who signed.
	WithoutStaff bool
	// Asked is called before each resource is made and before each is written; its
	// error ends the mapping and is returned. A caller gives the Err of his context.
	// nil: nobody asks.
	Asked func() error
}

func (h History) asked() error {
	if h.Asked == nil {
		return nil
	}
	return h.Asked()
}

// PlanState is a revision of the plan while it was the head.
type PlanState struct {
	Revision int64
	Plan     *trigonev1.Plan
	// Evaluation is the newest that was made while it was the head: its planned
	// values.
	Evaluation *trigonev1.Evaluation
	Received   *timestamppb.Timestamp
}

// mappingRoom is how far apart the history numbers of two versions of a case are.
const mappingRoom = 1000

// HistoryNumber gives the number that every resource of a case carries, by which a
// receiver knows what is newer. Both parts only ever rise, so that it rises with
// each of them and is never used again, however large the second one becomes.
func HistoryNumber(caseVersion, mapping int64) int64 { return caseVersion*mappingRoom + mapping }

// Number gives the history number.
func (h History) Number() int64 { return HistoryNumber(h.Current.Case.GetCaseVersion(), h.Mapping) }

// accepted says whether the state has a section that is not retracted.
func (s Snapshot) accepted() bool {
	switch s.Case.GetState() {
	case trigonev1.CaseState_CASE_STATE_RETRACTED, trigonev1.CaseState_CASE_STATE_MERGED:
		return false
	}
	return slices.ContainsFunc(s.Case.GetSections(), func(status *trigonev1.SectionStatus) bool {
		switch status.GetState() {
		case trigonev1.SectionState_SECTION_STATE_ACCEPTED, trigonev1.SectionState_SECTION_STATE_DISPUTED:
			return true
		}
		return false
	})
}

// plans gives the revisions of the plan that are spoken of, in their order. A
// retraction ends all that came before it, as does a state without the section.
func (h History) plans() []PlanState {
	c := h.Current.Case
	i := slices.IndexFunc(c.GetSections(), func(s *trigonev1.SectionStatus) bool { return s.GetSection() == string(valve.AtPlan) })
	if i < 0 || !h.Current.accepted() || c.GetSections()[i].GetState() == trigonev1.SectionState_SECTION_STATE_RETRACTED {
		return nil
	}
	list := slices.Clone(h.Plans)
	if status, plan := c.GetSections()[i], c.GetCaseFile().GetPlan(); plan != nil {
		list = slices.DeleteFunc(list, func(p PlanState) bool { return p.Revision == status.GetRevision() })
		list = append(list, PlanState{
			Revision: status.GetRevision(), Plan: plan, Evaluation: c.GetEvaluation(), Received: receivedOf(status, c),
		})
	}
	slices.SortFunc(list, func(a, b PlanState) int { return cmp.Compare(a.Revision, b.Revision) })
	return list
}

// patient gives the identifier of the patient; nil: none is known.
func (h History) patient() *trigonev1.Identifier {
	if id := h.Current.Case.GetCaseFile().GetPatientIdentifier(); id.GetValue() != "" {
		return id
	}
	return h.LastPatient
}
