package fhirmap

import (
	"cmp"
	"reflect"
	"slices"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// The bundle as it was made of all states of a case, each rendered anew: what the
// rows of Sent must come to. It has its own plan revisions, subject, amendments and
// forms of what is gone.

// ofStates gives the resources by the states alone, oldest first.
func ofStates(site, uid string, mapping int64, states []Snapshot) ([]resource, error) {
	if !slices.ContainsFunc(states, Snapshot.accepted) {
		return nil, ErrNothing
	}
	last := len(states) - 1
	newest := historyAt(site, uid, states)
	newest.Mapping = mapping
	current, err := produce(newest)
	if err != nil {
		return nil, err
	}
	living, present := map[string]bool{}, map[string]resource{}
	for _, r := range current {
		living[r.id], present[r.id] = true, r
	}
	subject, tag := subjectOf(newest), tagOf(newest)
	var gone []resource
	for i := last - 1; i >= 0; i-- {
		earlier, err := produce(historyAt(site, uid, states[:i+1]))
		if err != nil {
			return nil, err
		}
		for _, r := range earlier {
			if now, same := present[r.id]; same && differs(now, r) {
				now.amend()
			}
			if !living[r.id] {
				living[r.id] = true
				gone = append(gone, r.enteredInError(subject, tag, historyOf(newest)))
			}
		}
	}
	slices.SortFunc(gone, func(a, b resource) int { return cmp.Or(cmp.Compare(a.typ, b.typ), cmp.Compare(a.id, b.id)) })
	return append(current, gone...), nil
}

func historyAt(site, uid string, states []Snapshot) History {
	last := len(states) - 1
	h := History{Site: site, UID: uid, Current: states[last], Plans: plansIn(states)}
	for i := last; i >= 0 && h.LastPatient == nil; i-- {
		if id := states[i].Case.GetCaseFile().GetPatientIdentifier(); id.GetValue() != "" {
			h.LastPatient = id
		}
	}
	now := h.software()
	for _, s := range states[:last] {
		if then := (History{UID: uid, Current: s}).software(); then != "" && then != now {
			h.softwareBefore = then
		}
	}
	return h
}

func plansIn(states []Snapshot) []PlanState {
	byNumber := map[int64]PlanState{}
	for _, s := range states {
		i := slices.IndexFunc(s.Case.GetSections(), func(x *trigonev1.SectionStatus) bool { return x.GetSection() == string(valve.AtPlan) })
		if i < 0 || !s.accepted() || s.Case.GetSections()[i].GetState() == trigonev1.SectionState_SECTION_STATE_RETRACTED {
			clear(byNumber)
			continue
		}
		status, plan := s.Case.GetSections()[i], s.Case.GetCaseFile().GetPlan()
		if plan == nil {
			continue
		}
		byNumber[status.GetRevision()] = PlanState{
			Revision: status.GetRevision(), Plan: plan, Evaluation: s.Case.GetEvaluation(), Received: receivedOf(status, s.Case),
		}
	}
	var list []PlanState
	for _, r := range byNumber {
		list = append(list, r)
	}
	slices.SortFunc(list, func(a, b PlanState) int { return cmp.Compare(a.Revision, b.Revision) })
	return list
}

// differs says whether a result says other than it did, element by element.
func differs(now, then resource) bool {
	switch {
	case now.observation != nil && then.observation != nil:
		return !reflect.DeepEqual(said(now.observation), said(then.observation))
	case now.report != nil && then.report != nil:
		a, b := now.report, then.report
		return !reflect.DeepEqual(a.ConclusionCode, b.ConclusionCode) || !reflect.DeepEqual(a.EffectiveDateTime, b.EffectiveDateTime)
	}
	return false
}

func said(o *fhir.Observation) []any {
	quantity := func(q *fhir.Quantity) any {
		if q == nil || q.Value == nil || q.Code == nil {
			return nil
		}
		return [2]string{q.Value.String(), *q.Code}
	}
	span := func(r *fhir.Range) any {
		if r == nil {
			return nil
		}
		return [2]any{quantity(r.Low), quantity(r.High)}
	}
	components := map[string][]any{}
	for _, c := range o.Component {
		components[*c.Code.Coding[0].System+"|"+*c.Code.Coding[0].Code] = []any{
			quantity(c.ValueQuantity), c.ValueCodeableConcept, c.DataAbsentReason, c.ValueInteger, span(c.ValueRange),
		}
	}
	return []any{quantity(o.ValueQuantity), o.ValueCodeableConcept, o.DataAbsentReason, o.EffectiveDateTime, o.EffectivePeriod, span(o.ValueRange), components}
}

// SameAsOfStates compares the transaction of a history with that made of its
// states, for the tests outside this package.
func SameAsOfStates(h History, states []Snapshot) (same bool, err error) {
	list, wantErr := ofStates(h.Site, h.UID, h.Mapping, states)
	got, gotErr := Transaction(h)
	if wantErr != nil || gotErr != nil {
		return (wantErr == nil) == (gotErr == nil), nil
	}
	equivalentsOf(h.Codes).put(list)
	b, err := envelope(h, fhir.BundleTypeTransaction, list, asPut)
	if err != nil {
		return false, err
	}
	want, err := naive(b, list)
	if err != nil {
		return false, err
	}
	return sameTree(want, got)
}
