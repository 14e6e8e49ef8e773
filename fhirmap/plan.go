package fhirmap

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"
	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/discrepancy"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

func (p PlanState) signed() bool { return usable(p.Plan.GetSignedTime()) }

// Keys of what a revision of the plan asks for.
func planKey(revision int64) string { return "plan/" + strconv.FormatInt(revision, 10) }

func plannedStepKey(revision int64, id string) string { return planKey(revision) + "/step/" + id }
func plannedRingKey(revision int64, id string) string { return planKey(revision) + "/ring/" + id }
func targetKey(revision int64, id string) string      { return planKey(revision) + "/target/" + id }
func dimensionsKey(revision int64, id string) string  { return planKey(revision) + "/dimensions/" + id }
func plannedKey(revision int64, id string) string     { return planKey(revision) + "/values/" + id }

// awaited is a goal whose outcome is looked for once the outcomes are made.
type awaited struct {
	revision PlanState
	goal     *fhir.Goal
	target   *trigonev1.Target // nil: of planned values
	step     string            // planned step; empty: of none
	values   []*trigonev1.MetricValue
}

// requested makes the requests and goals of every revision of the plan.
func (p *producer) requested() error {
	for i, r := range p.plans {
		p.from = source{string(valve.AtPlan), r.Revision}
		var before *PlanState
		if i > 0 {
			before = &p.plans[i-1]
		}
		if err := p.revision(r, before, i == len(p.plans)-1); err != nil {
			return err
		}
	}
	p.from = source{}
	return nil
}

// governs says whether the revision is the plan in force.
func (p *producer) governs(r PlanState) bool {
	return p.inForce && r.Revision == p.ev.GetPlanInForce().GetRevision()
}

// planStatus: the plan in force is completed with the operation, revoked where the
// repair was given up for a replacement; a later revision revokes an earlier one; one
// that did not govern the operation is revoked as well, and where that cannot be told
// its status is unknown. What nobody signed is a draft.
func (p *producer) planStatus(r PlanState, newest bool) fhir.RequestStatus {
	op := p.file.GetOperation()
	switch {
	case p.governs(r) && converted(op):
		return fhir.RequestStatusRevoked
	case p.governs(r) && op != nil && p.over(op):
		return fhir.RequestStatusCompleted
	case p.governs(r):
		return fhir.RequestStatusActive
	case !newest:
		return fhir.RequestStatusRevoked
	case !r.signed():
		return fhir.RequestStatusDraft
	case op == nil:
		return fhir.RequestStatusActive
	case p.inForce, p.ev.GetPlanInForce().GetTiming() == trigonev1.PlanTiming_PLAN_TIMING_RETROSPECTIVE:
		return fhir.RequestStatusRevoked
	}
	return fhir.RequestStatusUnknown
}

// stepStatus: of the plan in force after the operation, a step that was left out or
// done by another technique is revoked, one that was answered completed; any other
// went with a repair that was given up, or nothing is known of it.
func (p *producer) stepStatus(r PlanState, plan fhir.RequestStatus, id string) fhir.RequestStatus {
	if !p.governs(r) || plan == fhir.RequestStatusActive {
		return plan
	}
	for _, d := range p.ev.GetDiscrepancies() {
		if (d.GetClass() == classOmitted || d.GetClass() == classSubstituted) && d.GetPlannedStepId() == id {
			if d.GetVerdict() == present {
				return fhir.RequestStatusRevoked
			}
			return fhir.RequestStatusUnknown
		}
	}
	for _, s := range p.file.GetOperation().GetSteps() {
		if p.answers(s) == id {
			return fhir.RequestStatusCompleted
		}
	}
	if plan == fhir.RequestStatusRevoked {
		return plan
	}
	return fhir.RequestStatusUnknown
}

// ringStatus is that of its step, unless a ring of another kind was implanted.
func (p *producer) ringStatus(r PlanState, step fhir.RequestStatus, id string) fhir.RequestStatus {
	if p.governs(r) && step == fhir.RequestStatusCompleted && slices.ContainsFunc(p.ev.GetDiscrepancies(), func(d *trigonev1.Discrepancy) bool {
		return d.GetClass() == classRingKind && d.GetMetric() == classRingKind && d.GetVerdict() == present && d.GetPlannedStepId() == id
	}) {
		return fhir.RequestStatusRevoked
	}
	return step
}

// lifecycle of a goal is that of the request it belongs to; a plan of which it is
// not known what became of it was accepted at least.
func lifecycle(s fhir.RequestStatus) fhir.GoalLifecycleStatus {
	switch s {
	case fhir.RequestStatusDraft:
		return fhir.GoalLifecycleStatusProposed
	case fhir.RequestStatusActive:
		return fhir.GoalLifecycleStatusActive
	case fhir.RequestStatusCompleted:
		return fhir.GoalLifecycleStatusCompleted
	case fhir.RequestStatusRevoked:
		return fhir.GoalLifecycleStatusCancelled
	}
	return fhir.GoalLifecycleStatusAccepted
}

func (p *producer) revision(r PlanState, before *PlanState, newest bool) error {
	status := p.planStatus(r, newest)
	whole := &fhir.ServiceRequest{
		Status: status, Code: local(stepSystem, repairStep), BodySite: []fhir.CodeableConcept{*standard(snomed, mitralValve)},
		ReasonCode: indication(r.Plan.GetIndication()), OrderDetail: settingDetails(r.Plan.GetSetting()),
	}
	if before != nil {
		whole.Replaces = []fhir.Reference{{Reference: text(urn(resourceID(p.uid, typeRequest, planKey(before.Revision))))}}
	}
	parent := p.addRequest(r, planKey(r.Revision), whole)

	values := plannedValues(r)
	byStep := map[string][]*trigonev1.MetricValue{}
	for _, v := range values {
		if of, _ := instance(v.GetPlace()); strings.HasPrefix(of, "step:") {
			byStep[stepOf(of)] = append(byStep[stepOf(of)], v)
		}
	}
	statuses := map[string]fhir.RequestStatus{}
	for _, s := range r.Plan.GetSteps() {
		id := s.GetId()
		if _, twice := statuses[id]; twice {
			continue
		}
		statuses[id] = p.stepStatus(r, status, id)
		child := p.addRequest(r, plannedStepKey(r.Revision, id), &fhir.ServiceRequest{
			Status: statuses[id], Code: local(stepSystem, stepCode(s.GetTechnique())), BodySite: bodySites(s.GetTechnique()),
			BasedOn: []fhir.Reference{parent}, OrderDetail: details(s), AsNeededCodeableConcept: condition(s),
		})
		if ring := s.GetTechnique().GetAnnuloplasty(); ring != nil {
			if err := p.plannedRing(r, before, id, ring, child, p.ringStatus(r, statuses[id], id), byStep[id]); err != nil {
				return err
			}
			byStep[id] = slices.DeleteFunc(byStep[id], ofRing)
		}
	}
	for _, t := range r.Plan.GetTargets() {
		p.target(r, t, status)
	}
	return p.plannedGoals(r, status, statuses, values, byStep)
}

func (p *producer) addRequest(r PlanState, key string, q *fhir.ServiceRequest) fhir.Reference {
	id := resourceID(p.uid, typeRequest, key)
	q.Id, q.Meta, q.Identifier, q.Subject = text(id), p.meta, p.identifiers(key), *p.subject
	q.Intent, q.Requisition = fhir.RequestIntentPlan, p.requisition(r)
	q.Category = []fhir.CodeableConcept{*standard(snomed, surgicalProcedure)}
	q.AuthoredOn, q.Requester = instant(r.Plan.GetSignedTime()), p.person(r.Plan.GetSigner())
	q.Priority = priority(r.Plan.GetSetting().GetUrgency())
	return p.add(resource{typ: typeRequest, id: id, request: q, unsigned: q.Status == fhir.RequestStatusDraft})
}

// requisition is what all requests of one revision share.
func (p *producer) requisition(r PlanState) *fhir.Identifier {
	id := identifierOf(p.uid, planKey(r.Revision)+"/requisition")
	return &id
}

// indication gives the disease and what counted towards the operation.
func indication(i *trigonev1.Indication) []fhir.CodeableConcept {
	var list []fhir.CodeableConcept
	if code := enumCode(i.GetAetiology().Descriptor(), i.GetAetiology().Number()); code != "" {
		list = append(list, *local(indicationSystem, code))
	}
	for _, t := range i.GetTriggers() {
		if code := enumCode(t.Descriptor(), t.Number()); code != "" {
			list = append(list, *local(indicationSystem, code))
		}
	}
	return list
}

// details gives the words that say how a planned step is to be done.
func details(s *trigonev1.PlannedStep) []fhir.CodeableConcept {
	var list []fhir.CodeableConcept
	if s.GetAlternativeOf() != "" {
		list = append(list, *local(detailSystem, alternativeStep))
	}
	m := s.GetTechnique().ProtoReflect()
	field := m.WhichOneof(m.Descriptor().Oneofs().ByName("kind"))
	if field != nil {
		kind := m.Get(field).Message()
		fields := kind.Descriptor().Fields()
		for i := range fields.Len() {
			f := fields.Get(i)
			if f.Kind() != protoreflect.EnumKind || f.IsList() || !isDetail(f.Enum()) {
				continue
			}
			if code := enumCode(f.Enum(), kind.Get(f).Enum()); code != "" {
				list = append(list, *local(detailSystem, code))
			}
		}
	}
	if code := enumCode(s.GetExpectedEffect().Descriptor(), s.GetExpectedEffect().Number()); code != "" {
		list = append(list, *local(detailSystem, code))
	}
	return list
}

// settingDetails gives what kind of operation is meant.
func settingDetails(s *trigonev1.CaseSetting) []fhir.CodeableConcept {
	var list []fhir.CodeableConcept
	for _, x := range []enum{s.GetUrgency(), s.GetApproach(), s.GetIntendedProcedure().GetKind(), s.GetComplexity()} {
		if code := enumCode(x.Descriptor(), x.Number()); code != "" {
			list = append(list, *local(detailSystem, code))
		}
	}
	return list
}

// condition gives what must be found for the step to be done.
func condition(s *trigonev1.PlannedStep) *fhir.CodeableConcept {
	kind := s.GetCondition().GetKind()
	if code := enumCode(kind.Descriptor(), kind.Number()); code != "" {
		return local(detailSystem, code)
	}
	return nil
}

// plannedValues gives the planned values of a revision: those of the evaluation
// made while it was the head. What is only computed from the plan is no aim and is
// left out.
func plannedValues(r PlanState) []*trigonev1.MetricValue {
	var list []*trigonev1.MetricValue
	for _, v := range r.Evaluation.GetMetrics() {
		if v.GetRole() != trigonev1.MetricRole_METRIC_ROLE_PLANNED || v.GetOccasion() != string(valve.AtPlan) ||
			rows()[valve.ID(v.GetMetric())].formula || notSentLeaf(v.GetMetric()) || WhyNotSent(kindPlan, "", v.GetMetric()) != "" {
			continue
		}
		switch v.GetState() {
		case trigonev1.MetricState_METRIC_STATE_VALUE, trigonev1.MetricState_METRIC_STATE_DISPUTED, trigonev1.MetricState_METRIC_STATE_ABSENT:
			list = append(list, v)
		}
	}
	return list
}

// detail gives a planned number, or an empty quantity that says why there is none.
func detail(v *trigonev1.MetricValue) (*fhir.Quantity, error) {
	x, err := valueOf(v)
	if err != nil {
		return nil, err
	}
	if x.absent != nil {
		return &fhir.Quantity{Extension: []fhir.Extension{{Url: absentExtension, ValueCode: x.absent.Coding[0].Code}}}, nil
	}
	return x.quantity, nil
}

// ofRing says whether a planned value is a dimension of the ring as a whole.
func ofRing(v *trigonev1.MetricValue) bool {
	_, rest := instance(v.GetPlace())
	return rest == valve.Nowhere
}

// plannedRing asks for a ring: its kind, the labels planned, its dimensions.
func (p *producer) plannedRing(r PlanState, before *PlanState, step string, ring *trigonev1.Annuloplasty, child fhir.Reference, status fhir.RequestStatus, values []*trigonev1.MetricValue) error {
	key := plannedRingKey(r.Revision, step)
	id := resourceID(p.uid, typeRingRequest, key)
	q := &deviceRequest{
		ResourceType: typeRingRequest, ID: text(id), Meta: p.meta, Identifier: p.identifiers(key), Subject: *p.subject,
		Intent: fhir.RequestIntentPlan, Status: status, BasedOn: []fhir.Reference{child}, GroupIdentifier: p.requisition(r),
		CodeCodeableConcept: local(deviceSystem, ringCode(ring)), AuthoredOn: instant(r.Plan.GetSignedTime()), Requester: p.person(r.Plan.GetSigner()),
	}
	if before != nil {
		if prior, ok := p.reference(typeRingRequest, plannedRingKey(before.Revision, step)); ok {
			q.PriorRequest = []fhir.Reference{prior}
		}
	}
	if (ring.PlannedLabelMin != nil || ring.PlannedLabelMax != nil) && !upsideDown(ring.PlannedLabelMin, ring.PlannedLabelMax) {
		sizes := &fhir.Range{}
		if ring.PlannedLabelMin != nil {
			sizes.Low = labelQuantity(ring.GetPlannedLabelMin())
		}
		if ring.PlannedLabelMax != nil {
			sizes.High = labelQuantity(ring.GetPlannedLabelMax())
		}
		q.Parameter = append(q.Parameter, fhir.DeviceRequestParameter{Code: local(propertySystem, labelProperty), ValueRange: sizes})
	}
	if ring.GetFamilyKey() != "" {
		q.Parameter = append(q.Parameter, fhir.DeviceRequestParameter{
			Code: local(propertySystem, familyProperty), ValueCodeableConcept: p.family(ring),
		})
	}
	for _, v := range values {
		if !ofRing(v) {
			continue
		}
		number, err := detail(v)
		if err != nil {
			return err
		}
		q.Parameter = append(q.Parameter, fhir.DeviceRequestParameter{Code: measure(valve.ID(v.GetMetric()), v.GetMethod()), ValueQuantity: number})
	}
	p.add(resource{typ: typeRingRequest, id: id, ringRequest: q, unsigned: status == fhir.RequestStatusDraft})
	return nil
}

// measure gives the code of what an aim is about: a public one where it means what
// is measured by the method of the aim.
func measure(id valve.ID, method trigonev1.Method) *fhir.CodeableConcept {
	own := localCoding(metricSystem, metricCode(id, trigonev1.MetricRole_METRIC_ROLE_TARGET))
	var t metric.Taken
	if method != 0 {
		t.Method = valve.Method(enumWord(method.String(), methodPrefix))
	}
	if public := publicCode(rows()[id].codes, t); public != nil {
		public.Coding = append(public.Coding, own)
		return public
	}
	return &fhir.CodeableConcept{Coding: []fhir.Coding{own}}
}

// narrowed says at which place and stage and by which method an aim is judged: R4
// has no elements for them.
func narrowed(t *fhir.GoalTarget, place valve.Place, stage trigonev1.Stage, method trigonev1.Method) {
	add := func(url string, concept *fhir.CodeableConcept) {
		t.Extension = append(t.Extension, fhir.Extension{Url: url, ValueCodeableConcept: concept})
	}
	if place != valve.Nowhere {
		add(placeExtension, placeConcept(place))
	}
	if stage != trigonev1.Stage_STAGE_UNSPECIFIED {
		add(stageExtension, local(stageSystem, stageCode(stage)))
	}
	if method != trigonev1.Method_METHOD_UNSPECIFIED {
		add(methodExtension, local(methodSystem, methodCode(method)))
	}
}

// aim is a target in the terms of the catalogue.
type aim struct {
	leaf      valve.ID
	place     valve.Place
	low, high *float64
	grade     *trigonev1.Grade
}

// aimOf reads a target; a slice that is not stated is A2-P2, a station that is not
// stated the middle of the segment.
func aimOf(t *trigonev1.Target) aim {
	switch x := t.GetAim().(type) {
	case *trigonev1.Target_CoaptationLength:
		slice := valve.A2P2
		if s := x.CoaptationLength.GetSlice(); s != 0 {
			slice = valve.Slice(enumWord(s.String(), "SLICE_"))
		}
		low, high := ends(x.CoaptationLength.GetRange())
		return aim{leaf: valve.CoaptationLength, place: valve.AtSlice(slice), low: low, high: high}
	case *trigonev1.Target_MeanGradient:
		low, high := ends(x.MeanGradient)
		return aim{leaf: valve.MeanGradient, low: low, high: high}
	case *trigonev1.Target_RegurgitationGradeAtMost:
		return aim{leaf: gradeAtMost, grade: x.RegurgitationGradeAtMost}
	case *trigonev1.Target_LeafletHeight:
		low, high := ends(x.LeafletHeight.GetRange())
		place := valve.Nowhere
		if s := x.LeafletHeight.GetSegment(); s != 0 {
			station := valve.Station("")
			if st := x.LeafletHeight.GetStation(); st != 0 {
				station = valve.Station(enumWord(st.String(), "STATION_"))
			}
			place = valve.AtStation(valve.Segment(enumWord(s.String(), "SEGMENT_")), station)
		}
		return aim{leaf: valve.LeafletHeight, place: place, low: low, high: high}
	case *trigonev1.Target_AnteriorClosureShare:
		low, high := ends(x.AnteriorClosureShare)
		return aim{leaf: valve.AnteriorClosureShare, place: valve.AtSlice(valve.A2P2), low: low, high: high}
	case *trigonev1.Target_OutflowTractGradient:
		low, high := ends(x.OutflowTractGradient)
		return aim{leaf: valve.OutflowTractGradient, low: low, high: high}
	case *trigonev1.Target_PlanimetryOrificeArea:
		low, high := ends(x.PlanimetryOrificeArea)
		return aim{leaf: valve.PlanimetryOrificeArea, low: low, high: high}
	}
	return aim{}
}

// ends gives the two ends of a range message, nil for an open one: its first two
// fields.
func ends(m interface{ ProtoReflect() protoreflect.Message }) (low, high *float64) {
	r := m.ProtoReflect()
	end := func(number protoreflect.FieldNumber) *float64 {
		f := r.Descriptor().Fields().ByNumber(number)
		if !r.IsValid() || f == nil || !r.Has(f) {
			return nil
		}
		x := r.Get(f).Float()
		return &x
	}
	return end(1), end(2)
}

// stageOf gives the stage at which a target is judged.
func stageOf(t *trigonev1.Target) trigonev1.Stage {
	if t.GetStage() == trigonev1.Stage_STAGE_UNSPECIFIED {
		return trigonev1.Stage_STAGE_LEAVING_THEATRE
	}
	return t.GetStage()
}

// bound writes an end of a range as it was sent.
func bound(leaf valve.ID, x *float64) *fhir.Quantity {
	if x == nil {
		return nil
	}
	unit := rows()[leaf].unit
	number := json.Number(strconv.FormatFloat(*x, 'f', -1, 64))
	return &fhir.Quantity{Value: &number, Unit: text(unitTexts()[unit]), System: text(ucum), Code: text(unit)}
}

// span gives a range, nil where both ends are open and where the lower lies above
// the upper: no value can meet such an aim, and no Range of FHIR can say it.
func span(leaf valve.ID, low, high *float64) *fhir.Range {
	if low == nil && high == nil || upsideDown(low, high) {
		return nil
	}
	return &fhir.Range{Low: bound(leaf, low), High: bound(leaf, high)}
}

func upsideDown(low, high *float64) bool { return low != nil && high != nil && *low > *high }

// target makes the goal of an aim of the plan.
func (p *producer) target(r PlanState, t *trigonev1.Target, status fhir.RequestStatus) {
	x := aimOf(t)
	if x.leaf == "" || p.known[resourceID(p.uid, typeGoal, targetKey(r.Revision, t.GetId()))] {
		return
	}
	target := fhir.GoalTarget{Measure: measure(x.leaf, t.GetMethod()), DetailRange: span(x.leaf, x.low, x.high)}
	if x.grade != nil {
		target.DetailCodeableConcept = gradeConcept(x.grade)
	}
	narrowed(&target, x.place, stageOf(t), t.GetMethod())
	goal := &fhir.Goal{Description: *local(kindSystem, kindTarget), Target: []fhir.GoalTarget{target}}
	p.addGoal(targetKey(r.Revision, t.GetId()), goal, status, planKey(r.Revision))
	p.goals = append(p.goals, awaited{revision: r, goal: goal, target: t})
}

func (p *producer) addGoal(key string, goal *fhir.Goal, status fhir.RequestStatus, addresses string) {
	id := resourceID(p.uid, typeGoal, key)
	goal.Id, goal.Meta, goal.Identifier, goal.Subject = text(id), p.meta, p.identifiers(key), *p.subject
	goal.LifecycleStatus = lifecycle(status)
	if request, ok := p.reference(typeRequest, addresses); ok {
		goal.Addresses = []fhir.Reference{request}
	}
	p.add(resource{typ: typeGoal, id: id, goal: goal, unsigned: status == fhir.RequestStatusDraft})
}

// plannedGoals makes a goal of the dimensions of every planned step, and of every
// metric that is planned for the valve; its targets must all be met.
func (p *producer) plannedGoals(r PlanState, plan fhir.RequestStatus, steps map[string]fhir.RequestStatus, values []*trigonev1.MetricValue, byStep map[string][]*trigonev1.MetricValue) error {
	made := map[string]bool{}
	for _, v := range values {
		of, _ := instance(v.GetPlace())
		key, kind, addresses, status := plannedKey(r.Revision, v.GetMetric()), kindPlanned, planKey(r.Revision), plan
		var group []*trigonev1.MetricValue
		step := ""
		if strings.HasPrefix(of, "step:") {
			step = stepOf(of)
			key, kind, addresses = dimensionsKey(r.Revision, step), kindDimensions, plannedStepKey(r.Revision, step)
			if own, ok := steps[step]; ok {
				status = own
			}
			group = byStep[step]
		} else {
			for _, w := range values {
				if in, _ := instance(w.GetPlace()); in == "" && w.GetMetric() == v.GetMetric() {
					group = append(group, w)
				}
			}
		}
		if made[key] || len(group) == 0 {
			continue
		}
		made[key] = true
		goal := &fhir.Goal{Description: *local(kindSystem, kind)}
		for _, w := range group {
			number, err := detail(w)
			if err != nil {
				return err
			}
			target := fhir.GoalTarget{Measure: measure(valve.ID(w.GetMetric()), w.GetMethod()), DetailQuantity: number}
			_, rest := instance(w.GetPlace())
			narrowed(&target, rest, trigonev1.Stage_STAGE_UNSPECIFIED, w.GetMethod())
			goal.Target = append(goal.Target, target)
		}
		p.addGoal(key, goal, status, addresses)
		p.goals = append(p.goals, awaited{revision: r, goal: goal, step: step, values: group})
	}
	return nil
}

// answerGoals says of the goals of the plan in force which Observations answer
// them, and that they were missed where a comparison says so. Where none says
// anything the goal says nothing either.
func (p *producer) answerGoals(seen map[inputKey]string) {
	for _, g := range p.goals {
		if !p.governs(g.revision) {
			continue
		}
		var outcome []string
		missed := false
		if g.target != nil {
			outcome, missed = p.targetOutcome(g.target, seen)
		} else {
			outcome, missed = p.plannedOutcome(g, seen)
		}
		for _, id := range outcome {
			g.goal.OutcomeReference = append(g.goal.OutcomeReference, fhir.Reference{Reference: text(urn(id))})
		}
		if missed {
			g.goal.AchievementStatus = standard(achievementSystem, "not-achieved")
		}
	}
}

const (
	present = trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT

	classTarget      = string(discrepancy.TargetMissed)
	classSubstituted = string(discrepancy.StepSubstituted)
	classRingKind    = string(discrepancy.RingKind)
)

// targetOutcome finds the newest value of the last run at the target's stage.
func (p *producer) targetOutcome(t *trigonev1.Target, seen map[inputKey]string) (ids []string, missed bool) {
	x := aimOf(t)
	var compared string // occasion
	for _, d := range p.ev.GetDiscrepancies() {
		if d.GetClass() == classTarget && strings.HasPrefix(d.GetId(), classTarget+"|"+t.GetId()+"|") {
			missed, compared = d.GetVerdict() == present, d.GetOccasion()
		}
	}
	if x.grade != nil {
		for _, r := range p.file.GetResults() {
			occasion := resultName + r.GetId()
			if r.GetStage() != stageOf(t) || compared != "" && compared != occasion {
				continue
			}
			if _, ok := p.reference(typeObservation, gradeKey(mitralGrade, valve.Occasion(occasion))); ok && r.GetRun() >= p.lastRun() {
				ids = []string{resourceID(p.uid, typeObservation, gradeKey(mitralGrade, valve.Occasion(occasion)))}
			}
		}
		return ids, missed
	}
	for _, v := range p.ev.GetMetrics() {
		switch {
		case v.GetRole() != trigonev1.MetricRole_METRIC_ROLE_MEASURED, valve.ID(v.GetMetric()) != x.leaf, v.GetPlace() != string(x.place), v.GetStage() != stageOf(t):
		case t.GetMethod() != 0 && v.GetMethod() != 0 && v.GetMethod() != t.GetMethod():
		case compared != "" && compared != v.GetOccasion(), v.GetRun() != 0 && v.GetRun() < p.lastRun():
		default:
			if id, ok := seen[inputKey{v.GetMetric(), v.GetPlace(), v.GetOccasion(), v.GetRole()}]; ok {
				ids = []string{id}
			}
		}
	}
	return ids, missed
}

// lastRun is the number of the last pump run that anything was recorded of.
func (p *producer) lastRun() int32 {
	last := int32(0)
	for _, r := range p.file.GetOperation().GetRuns() {
		last = max(last, r.GetNumber())
	}
	for _, r := range p.file.GetResults() {
		last = max(last, r.GetRun())
	}
	return last
}

// plannedOutcome finds the values that answer planned ones: of the step that
// answers the planned step, or where a comparison names them.
func (p *producer) plannedOutcome(g awaited, seen map[inputKey]string) (ids []string, missed bool) {
	add := func(metricID, place, occasion string) {
		id, ok := seen[inputKey{metricID, place, occasion, trigonev1.MetricRole_METRIC_ROLE_MEASURED}]
		if ok && !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	for _, v := range g.values {
		for _, d := range p.ev.GetDiscrepancies() {
			if d.GetMetric() != v.GetMetric() || d.GetPlannedStepId() != g.step || d.GetClass() == classTarget {
				continue
			}
			if _, rest := instance(v.GetPlace()); g.step == "" && d.GetPlace() != string(rest) {
				continue
			}
			missed = missed || d.GetVerdict() == present
			add(d.GetMetric(), d.GetPlace(), d.GetOccasion())
		}
		if g.step == "" {
			continue
		}
		for _, s := range p.file.GetOperation().GetSteps() {
			if p.answers(s) == g.step {
				tail := strings.TrimPrefix(v.GetPlace(), "step:"+g.step)
				add(v.GetMetric(), "step:"+s.GetId()+tail, string(valve.AtOperation))
			}
		}
	}
	return ids, missed
}

// answers gives the step of the plan in force that a performed step answers: its
// own link wins, then a comparison that names both. A step in place of which no
// comparison says that it was added answers the one planned step of its technique.
func (p *producer) answers(s *trigonev1.PerformedStep) string {
	if !p.inForce {
		return ""
	}
	planned := func(id string) bool {
		return slices.ContainsFunc(p.plan.GetSteps(), func(x *trigonev1.PlannedStep) bool { return x.GetId() == id })
	}
	if link := s.GetPlannedStepId(); link != "" {
		if planned(link) {
			return link
		}
		return ""
	}
	named := ""
	for _, d := range p.ev.GetDiscrepancies() {
		if d.GetPerformedStepId() != s.GetId() {
			continue
		}
		if d.GetClass() == classAdded {
			return ""
		}
		if named == "" && planned(d.GetPlannedStepId()) {
			named = d.GetPlannedStepId()
		}
	}
	switch s.GetFate() {
	case trigonev1.StepFate_STEP_FATE_UNSPECIFIED, trigonev1.StepFate_STEP_FATE_IN_PLACE:
	default:
		return named
	}
	if named != "" {
		return named
	}
	only := ""
	for _, x := range p.plan.GetSteps() {
		if code := stepCode(x.GetTechnique()); code == unknownStep || code != stepCode(s.GetTechnique()) {
			continue
		}
		if only != "" {
			return ""
		}
		only = x.GetId()
	}
	return only
}

// gradeConcept gives a grade by its public word and by its place in its scheme;
// nil for one that is not known.
func gradeConcept(g *trigonev1.Grade) *fhir.CodeableConcept {
	word := enumWord(g.GetValue().String(), valuePrefix)
	concept := &fhir.CodeableConcept{}
	if code, ok := gradeCodes[word]; ok {
		concept = standard(snomed, code)
	}
	graded := repair.Grade{Scheme: enumWord(g.GetScheme().String(), schemePrefix), Value: word}
	if code, ok := gradeCode(graded); ok {
		concept.Coding = append(concept.Coding, localCoding(gradeSystem, code))
	}
	if len(concept.Coding) == 0 {
		return nil
	}
	return concept
}

// labelQuantity writes a labelled size as it was sent: it is a name that is a
// number, and has no unit and no grid.
func labelQuantity(size float64) *fhir.Quantity {
	number := json.Number(strconv.FormatFloat(size, 'f', -1, 64))
	return &fhir.Quantity{Value: &number, Unit: text("label"), System: text(ucum), Code: text(units.One.UCUM())}
}

// family gives the site's key of a ring's family.
func (p *producer) family(ring *trigonev1.Annuloplasty) *fhir.CodeableConcept {
	return &fhir.CodeableConcept{Coding: []fhir.Coding{{System: text(ringFamilySystem(p.site)), Code: text(ring.GetFamilyKey())}}}
}

func ringCode(ring *trigonev1.Annuloplasty) string {
	if ring.GetKind() == trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_UNSPECIFIED {
		return ringDevice
	}
	return hyphened(enumWord(ring.GetKind().String(), "ANNULOPLASTY_KIND_"))
}

func gradeKey(id string, name valve.Occasion) string { return fmt.Sprintf("grade|%s|%s", id, name) }
