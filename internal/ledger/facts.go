package ledger

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// Facts reads the facts of a case. It judges nothing: equal states give equal facts,
// under any version of the rules.
func Facts(s *casebook.State) *trigonev1.CaseFacts { return newReader(s).facts() }

func (r *reader) facts() *trigonev1.CaseFacts {
	return &trigonev1.CaseFacts{
		CaseName: r.Name,
		Times:    r.times(), Team: r.team(), Setting: r.setting(), Patient: r.patient(), Valve: r.valve(),
		Repair: r.repair(), Outcome: r.outcome(), Counts: r.counts(), Versions: r.versions(),
		Runs: r.runs(), Devices: r.devices(), Echoes: r.echoes(), Statuses: r.statuses(),
		Events: r.events(), Findings: r.findings(), Queries: r.queries(),
		Concomitant: r.concomitant(), Theatre: r.theatre(),
	}
}

// reader has the state of a case with what several facts are read from.
type reader struct {
	*casebook.State
	operation *trigonev1.Operation
	plan      *trigonev1.Plan // the one in force, or else the head
	incision  time.Time       // to the minute; zero: not recorded
	day       time.Time       // civil day of the incision at midnight UTC

	assessments []*trigonev1.Assessment // in order of time, inspection last
	results     []*trigonev1.Result     // in order of time
	followUps   []*trigonev1.FollowUp   // in order of the day

	values      map[at]*trigonev1.MetricValue // those with a value
	comparisons []*trigonev1.Comparison
	complete    bool // whether agreements were recorded
}

// at is where a value of an evaluation stands.
type at struct{ metric, place, occasion string }

func newReader(s *casebook.State) *reader {
	r := &reader{State: s, operation: s.File.GetOperation(), plan: s.File.GetPlan(), values: map[at]*trigonev1.MetricValue{}}
	inForce := s.Evaluation.GetPlanInForce().GetRevision()
	for _, p := range s.Plans {
		if p.Revision == inForce && inForce != 0 {
			r.plan = p.Plan
		}
	}
	if t := r.operation.GetIncisionTime(); t != nil {
		r.incision = minute(t)
		r.day = civil(r.incision.In(r.Zone).Format(time.DateOnly))
	}
	r.assessments = slices.SortedStableFunc(slices.Values(s.File.GetAssessments()), func(a, b *trigonev1.Assessment) int {
		return cmp.Or(cmp.Compare(inspection(a), inspection(b)), byTime(a.GetStudy(), b.GetStudy()), cmp.Compare(a.GetId(), b.GetId()))
	})
	r.results = slices.SortedStableFunc(slices.Values(s.File.GetResults()), func(a, b *trigonev1.Result) int {
		return cmp.Or(cmp.Compare(a.GetRun(), b.GetRun()), cmp.Compare(a.GetStage(), b.GetStage()),
			byTime(a.GetStudy(), b.GetStudy()), cmp.Compare(a.GetId(), b.GetId()))
	})
	r.followUps = slices.SortedStableFunc(slices.Values(s.File.GetFollowUps()), func(a, b *trigonev1.FollowUp) int {
		return cmp.Or(cmp.Compare(dayOf(a), dayOf(b)), cmp.Compare(a.GetId(), b.GetId()))
	})
	for _, m := range s.Evaluation.GetMetrics() {
		k := at{m.GetMetric(), m.GetPlace(), m.GetOccasion()}
		_, have := r.values[k]
		if !have && m.Value != nil && m.GetState() == trigonev1.MetricState_METRIC_STATE_VALUE {
			r.values[k] = m
		}
	}
	r.comparisons, r.complete = Comparisons(s.Evaluation, r.operation != nil || len(r.results) > 0)
	return r
}

// inspection orders direct inspection after all imaging: the heart is open then.
func inspection(a *trigonev1.Assessment) int {
	if a.GetKind() == trigonev1.AssessmentKind_ASSESSMENT_KIND_DIRECT_INSPECTION {
		return 1
	}
	return 0
}

// byTime orders studies by time, those without one first.
func byTime(a, b *trigonev1.Study) int { return instant(a.GetTime()).Compare(instant(b.GetTime())) }

// dayOf gives the day of an entry, by which entries are ordered.
func dayOf(f *trigonev1.FollowUp) string {
	return cmp.Or(f.GetStatusKnownOn(), f.GetEchoOn(), f.GetDiedOn())
}

func minute(t *timestamppb.Timestamp) time.Time { return t.AsTime().Truncate(time.Minute) }

// civil reads a civil date; zero if it is none.
func civil(date string) time.Time {
	t, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return time.Time{}
	}
	return t
}

// dayAfter gives the day after the operation of a civil date, or none.
func (r *reader) dayAfter(date string) *int32 {
	t := civil(date)
	if t.IsZero() || r.day.IsZero() {
		return nil
	}
	d := int32(t.Sub(r.day) / (24 * time.Hour))
	return &d
}

// dayAt gives the day after the operation of an instant, or none.
func (r *reader) dayAt(t *timestamppb.Timestamp) *int32 {
	if t == nil {
		return nil
	}
	return r.dayAfter(t.AsTime().In(r.Zone).Format(time.DateOnly))
}

// since gives the time from incision, to the minute; ok is false if either is not
// known.
func (r *reader) since(t time.Time) (d time.Duration, ok bool) {
	if t.IsZero() || r.incision.IsZero() {
		return 0, false
	}
	return t.Truncate(time.Minute).Sub(r.incision), true
}

func (r *reader) daysSince(t time.Time) *float64 {
	d, ok := r.since(t)
	if !ok {
		return nil
	}
	days := d.Hours() / 24
	return &days
}

// value gives a number of the evaluation, or none: missing, disputed or absent.
func (r *reader) value(metric valve.ID, place, occasion string) *float64 {
	m := r.values[at{string(metric), place, occasion}]
	if m == nil {
		return nil
	}
	v := m.GetValue()
	return &v
}

func (r *reader) times() *trigonev1.FactTimes {
	out := &trigonev1.FactTimes{PlanTiming: r.Evaluation.GetPlanInForce().GetTiming()}
	if !r.incision.IsZero() {
		out.IncisionTime = timestamppb.New(r.incision)
	}
	if len(r.Plans) > 0 {
		out.PlanReceiptDays = r.daysSince(r.Plans[0].Received)
	}
	out.OperationReceiptDays = r.daysSince(r.OperationReceived)
	if d, ok := r.since(instant(r.plan.GetSignedTime())); ok {
		hours := -d.Hours()
		out.SignatureToIncisionHours = &hours
	}
	return out
}

func (r *reader) team() *trigonev1.FactTeam {
	out := &trigonev1.FactTeam{Signer: r.plan.GetSigner()}
	named := func(role trigonev1.OperatorRole) string {
		for _, o := range r.operation.GetSetting().GetOperators() {
			if o.GetRole() == role && o.GetPseudonym() != "" {
				return o.GetPseudonym()
			}
		}
		return ""
	}
	surgeon, trainee := named(trigonev1.OperatorRole_OPERATOR_ROLE_SURGEON), named(trigonev1.OperatorRole_OPERATOR_ROLE_TRAINEE)
	out.Supervisor = named(trigonev1.OperatorRole_OPERATOR_ROLE_SUPERVISOR)
	switch {
	case trainee != "":
		out.FirstOperator, out.TraineeFirst = trainee, trigonev1.Answer_ANSWER_YES
		out.Supervisor = cmp.Or(out.Supervisor, surgeon)
	case surgeon != "":
		out.FirstOperator, out.TraineeFirst = surgeon, trigonev1.Answer_ANSWER_NO
	}
	for _, o := range r.operation.GetSetting().GetOperators() {
		if o.GetPseudonym() != "" {
			out.Operators = append(out.Operators, &trigonev1.FactOperator{Pseudonym: o.GetPseudonym(), Role: o.GetRole()})
		}
	}
	slices.SortFunc(out.Operators, func(a, b *trigonev1.FactOperator) int {
		return cmp.Or(cmp.Compare(a.GetRole(), b.GetRole()), cmp.Compare(a.GetPseudonym(), b.GetPseudonym()))
	})
	return out
}

func (r *reader) setting() *trigonev1.FactSetting {
	planned, done := r.plan.GetSetting(), r.operation.GetSetting()
	out := &trigonev1.FactSetting{
		PlannedApproach: planned.GetApproach(), Approach: done.GetApproach(),
		Urgency:                cmp.Or(done.GetUrgency(), planned.GetUrgency()),
		PreviousCardiacSurgery: cmp.Or(done.GetPreviousCardiacSurgery(), planned.GetPreviousCardiacSurgery()),
		PreviousCase:           cmp.Or(done.GetPreviousCase(), planned.GetPreviousCase()),
		Complexity:             cmp.Or(done.GetComplexity(), planned.GetComplexity()),
		ConcomitantRecorded:    r.operation.GetConcomitantProceduresRecorded(),
	}
	out.Concomitant = kindsOf(r.operation.GetConcomitantProcedures(), (*trigonev1.ConcomitantProcedure).GetKind)
	before := done
	if len(done.GetPreviousProcedures()) == 0 && done.GetPreviousProceduresRecorded() == 0 {
		before = planned
	}
	out.PreviousProcedures, out.PreviousProceduresRecorded = once(before.GetPreviousProcedures()), before.GetPreviousProceduresRecorded()
	r.intention(out)
	for _, risk := range planned.GetExpectedRisks() {
		out.ExpectedRisks = append(out.ExpectedRisks, r.risk(risk, r.firstWith(risk)))
	}
	for _, risk := range done.GetExpectedRisks() {
		if !slices.ContainsFunc(planned.GetExpectedRisks(), func(p *trigonev1.ExpectedRisk) bool { return sameRisk(p, risk) }) {
			out.ExpectedRisks = append(out.ExpectedRisks, r.risk(risk, r.OperationReceived))
		}
	}
	return out
}

// concomitant gives the detail of what was done beside the mitral valve.
func (r *reader) concomitant() *trigonev1.FactConcomitant {
	out := &trigonev1.FactConcomitant{
		Declined:        kindsOf(r.operation.GetDeclinedProcedures(), (*trigonev1.DeclinedProcedure).GetKind),
		AcceptedLesions: kindsOf(r.operation.GetAcceptedLesions(), (*trigonev1.AcceptedLesion).GetKind),
	}
	for _, p := range r.operation.GetConcomitantProcedures() {
		switch d := p.GetDetail().(type) {
		case *trigonev1.ConcomitantProcedure_Tricuspid:
			t := d.Tricuspid
			out.TricuspidTechniques = once(append(out.TricuspidTechniques, t.GetTechniques()...))
			out.TricuspidRingKind = cmp.Or(t.GetRingKind(), out.TricuspidRingKind)
			if t.ImplantedLabel != nil {
				out.TricuspidLabel = t.ImplantedLabel
			}
		case *trigonev1.ConcomitantProcedure_Ablation:
			a := d.Ablation
			out.AblationLines = once(append(out.AblationLines, a.GetLines()...))
			out.AblationEnergies = once(append(out.AblationEnergies, a.GetEnergies()...))
			out.AblationLinesRecorded = cmp.Or(a.GetLinesRecorded(), out.AblationLinesRecorded)
			out.AblationBlockConfirmed = cmp.Or(a.GetBlockConfirmed(), out.AblationBlockConfirmed)
		case *trigonev1.ConcomitantProcedure_Appendage:
			out.AppendageTechnique = cmp.Or(d.Appendage.GetTechnique(), out.AppendageTechnique)
			out.AppendageClosedOnEcho = cmp.Or(d.Appendage.GetClosedOnEcho(), out.AppendageClosedOnEcho)
		case *trigonev1.ConcomitantProcedure_Coronary:
			if d.Coronary.GetGraftsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE {
				n := out.GetGraftCount() + int32(len(d.Coronary.GetGrafts()))
				out.GraftCount = &n
			}
		}
	}
	return out
}

func (r *reader) theatre() *trigonev1.FactTheatre {
	o := r.operation
	return &trigonev1.FactTheatre{
		ArterialCannulas: once(o.GetCannulation().GetArterial()), VenousCannulas: once(o.GetCannulation().GetVenous()),
		Support: o.GetSupport(), SupportRecorded: o.GetSupportRecorded(), Blood: o.GetBlood(),
	}
}

// firstWith gives when a plan with this risk was first received.
func (r *reader) firstWith(risk *trigonev1.ExpectedRisk) time.Time {
	for _, p := range r.Plans {
		if slices.ContainsFunc(p.Plan.GetSetting().GetExpectedRisks(), func(q *trigonev1.ExpectedRisk) bool { return sameRisk(q, risk) }) {
			return p.Received
		}
	}
	return time.Time{}
}

func sameRisk(a, b *trigonev1.ExpectedRisk) bool {
	return a.GetOutcome() == b.GetOutcome() && a.GetModel() == b.GetModel() && a.GetVersion() == b.GetVersion() && a.GetHorizon() == b.GetHorizon() &&
		(a.GetExpectedProbability().Percent == nil) == (b.GetExpectedProbability().Percent == nil) &&
		a.GetExpectedProbability().GetPercent() == b.GetExpectedProbability().GetPercent()
}

func (r *reader) risk(risk *trigonev1.ExpectedRisk, received time.Time) *trigonev1.FactRisk {
	out := &trigonev1.FactRisk{
		Outcome: risk.GetOutcome(), Model: risk.GetModel(), Version: risk.GetVersion(), ReceiptDays: r.daysSince(received),
		Horizon: risk.GetHorizon(), CalculatedDay: r.dayAfter(risk.GetCalculatedOn()),
	}
	if p := risk.GetExpectedProbability(); p != nil {
		out.ProbabilityPercent = p.Percent
	}
	return out
}

func (r *reader) patient() *trigonev1.FactPatient {
	identity, indication := r.File.GetIdentity(), r.plan.GetIndication()
	out := &trigonev1.FactPatient{
		Sex: identity.GetSex(), FunctionalClass: indication.GetFunctionalClass(),
		BodySurfaceM2:      r.value(metric.IDBodySurfaceRoot, "", convert.SectionIdentity),
		FibrillationBefore: cmp.Or(r.operation.GetSetting().GetFibrillationBefore(), r.plan.GetSetting().GetFibrillationBefore()),
		RiskFactors:        r.operation.GetSetting().GetRiskFactors(),
	}
	if out.RiskFactors == nil {
		out.RiskFactors = r.plan.GetSetting().GetRiskFactors()
	}
	if identity != nil {
		out.AgeYears = identity.AgeYears
	}
	for _, a := range r.assessments {
		occasion := convert.SectionName(a)
		// Of one assessment the stated value goes before the computed one.
		set := func(into **float64, metrics ...valve.ID) {
			for _, m := range metrics {
				if v := r.value(m, "", occasion); v != nil {
					*into = v
					return
				}
			}
		}
		set(&out.EjectionFractionPercent, metric.StatedLeftVentricularEjectionFraction.ID, metric.IDEjectionFraction)
		set(&out.EndSystolicDiameterMm, metric.LeftVentricularEndSystolicDiameter.ID)
		set(&out.PulmonaryPressureMmhg, metric.StatedPulmonaryArterySystolicPressure.ID, metric.IDPulmonaryPressure)
		out.Rhythm = cmp.Or(a.GetStudy().GetHaemodynamics().GetRhythm(), out.Rhythm)
	}
	return out
}

func (r *reader) valve() *trigonev1.FactValve {
	out := &trigonev1.FactValve{Aetiology: r.plan.GetIndication().GetAetiology()}
	for _, a := range r.assessments {
		study := a.GetStudy()
		out.Calcification = cmp.Or(study.GetAnnulus().GetCalcification(), out.Calcification)
		if g := study.GetRegurgitation().GetGrade(); g.GetValue() != 0 {
			out.Grade = g
		}
		if leaflets := study.GetLeaflets(); len(leaflets.GetLesions())+len(leaflets.GetDysfunctions()) > 0 {
			places(out, leaflets)
		}
	}
	return out
}

// places puts into the facts where a valve is diseased.
func places(out *trigonev1.FactValve, found *trigonev1.Leaflets) {
	types, leaflets := map[trigonev1.DysfunctionType]bool{}, map[trigonev1.Leaflet]bool{}
	segments, commissures := map[trigonev1.Segment]bool{}, map[trigonev1.Commissure]bool{}
	boundaries := map[trigonev1.Boundary]bool{}
	add := func(l *trigonev1.Location) {
		switch l.GetAt().(type) {
		case *trigonev1.Location_Segment:
			segments[l.GetSegment()] = true
			leaflets[leafletOf[l.GetSegment()]] = true
		case *trigonev1.Location_Boundary:
			boundaries[l.GetBoundary()] = true
			leaflets[besides[l.GetBoundary()]] = true
		case *trigonev1.Location_Commissure:
			commissures[l.GetCommissure()] = true
		case *trigonev1.Location_Leaflet:
			leaflets[l.GetLeaflet()] = true
		}
	}
	for _, d := range found.GetDysfunctions() {
		types[d.GetType()] = true
		if d.GetType() > trigonev1.DysfunctionType_DYSFUNCTION_TYPE_I {
			add(d.GetLocation())
		}
	}
	delete(types, trigonev1.DysfunctionType_DYSFUNCTION_TYPE_I)
	for _, l := range found.GetLesions() {
		add(l.GetLocation())
	}
	out.Dysfunctions, out.Leaflets, out.Segments = words(types), words(leaflets), words(segments)
	out.Commissures, out.Boundaries = words(commissures), words(boundaries)
}

var leafletOf = map[trigonev1.Segment]trigonev1.Leaflet{
	trigonev1.Segment_SEGMENT_A1: trigonev1.Leaflet_LEAFLET_ANTERIOR, trigonev1.Segment_SEGMENT_A2: trigonev1.Leaflet_LEAFLET_ANTERIOR,
	trigonev1.Segment_SEGMENT_A3: trigonev1.Leaflet_LEAFLET_ANTERIOR, trigonev1.Segment_SEGMENT_P1: trigonev1.Leaflet_LEAFLET_POSTERIOR,
	trigonev1.Segment_SEGMENT_P2: trigonev1.Leaflet_LEAFLET_POSTERIOR, trigonev1.Segment_SEGMENT_P3: trigonev1.Leaflet_LEAFLET_POSTERIOR,
}

var besides = map[trigonev1.Boundary]trigonev1.Leaflet{
	trigonev1.Boundary_BOUNDARY_A1_A2: trigonev1.Leaflet_LEAFLET_ANTERIOR, trigonev1.Boundary_BOUNDARY_A2_A3: trigonev1.Leaflet_LEAFLET_ANTERIOR,
	trigonev1.Boundary_BOUNDARY_P1_P2: trigonev1.Leaflet_LEAFLET_POSTERIOR, trigonev1.Boundary_BOUNDARY_P2_P3: trigonev1.Leaflet_LEAFLET_POSTERIOR,
}

// words gives the values of a set in the order of their numbers, without the zero
// value, which says nothing.
func words[E ~int32](set map[E]bool) []E {
	list := slices.Sorted(maps.Keys(set))
	return slices.DeleteFunc(list, func(e E) bool { return e == 0 })
}

// once gives the words of a list, each once, in the order of their numbers.
func once[E ~int32](list []E) []E {
	set := map[E]bool{}
	for _, e := range list {
		set[e] = true
	}
	return words(set)
}

// kindsOf gives the kinds in a list, each once, in the order of their numbers.
func kindsOf[T any, E ~int32](list []T, kind func(T) E) []E {
	set := map[E]bool{}
	for _, e := range list {
		set[kind(e)] = true
	}
	return words(set)
}

// technique gives the word of a technique; empty: not stated.
func technique(t *trigonev1.Technique) string {
	if further := t.GetFurtherTechnique(); further != nil {
		return convert.Word(further.GetKind())
	}
	kind := t.ProtoReflect().WhichOneof(t.ProtoReflect().Descriptor().Oneofs().ByName("kind"))
	if kind == nil {
		return ""
	}
	return string(kind.Name())
}

func (r *reader) repair() *trigonev1.FactRepair {
	planned, done := map[string]bool{}, map[string]bool{}
	for _, s := range r.plan.GetSteps() {
		planned[technique(s.GetTechnique())] = true
	}
	for _, s := range r.operation.GetSteps() {
		done[technique(s.GetTechnique())] = true
	}
	delete(planned, "")
	delete(done, "")
	conversion := r.operation.GetConversion()
	out := &trigonev1.FactRepair{
		TechniquesPlanned: slices.Sorted(maps.Keys(planned)), TechniquesDone: slices.Sorted(maps.Keys(done)),
		Converted: conversion.GetConverted(), ConversionPoint: conversion.GetPoint(), ConversionReason: conversion.GetReason(),
		AsExecuted: r.asExecuted(),
	}
	if r.operation != nil {
		out.PlannedCase = trigonev1.Answer_ANSWER_NO
		if r.Evaluation.GetPlanInForce().GetRevision() != 0 {
			out.PlannedCase = trigonev1.Answer_ANSWER_YES
		}
	}
	for _, result := range r.results {
		out.Decision = cmp.Or(result.GetDecision(), out.Decision)
	}
	if r.operation.GetRunsRecorded() == trigonev1.Recorded_RECORDED_COMPLETE {
		n, further, known := int32(len(r.operation.GetRuns())), int32(0), true
		for _, run := range r.operation.GetRuns() {
			if run.GetNumber() <= 1 {
				continue
			}
			known = known && run.GetForMitralValve() != 0
			if run.GetForMitralValve() == trigonev1.Answer_ANSWER_YES {
				further++
			}
		}
		out.RunCount = &n
		if known {
			out.MitralFurtherRunCount = &further
		}
	}
	return out
}

// asExecuted says whether steps and ring came as planned.
func (r *reader) asExecuted() trigonev1.Answer {
	agree := false
	for _, c := range r.comparisons {
		if !ofExecution(c) {
			continue
		}
		switch c.GetVerdict() {
		case trigonev1.ComparisonVerdict_COMPARISON_VERDICT_PRESENT:
			return trigonev1.Answer_ANSWER_NO
		case trigonev1.ComparisonVerdict_COMPARISON_VERDICT_AGREES:
			agree = true
		}
	}
	if agree {
		return trigonev1.Answer_ANSWER_YES
	}
	return trigonev1.Answer_ANSWER_UNSPECIFIED
}

func (r *reader) outcome() *trigonev1.FactOutcome {
	out := &trigonev1.FactOutcome{LeftTheatreAlive: r.operation.GetLeftTheatreAlive()}
	var inHospital, within []bool // each entry that says yes or no
	var deaths []int32
	until := int32(math.MinInt32)
	switch out.LeftTheatreAlive {
	case trigonev1.Answer_ANSWER_YES:
		until = 0
	case trigonev1.Answer_ANSWER_NO:
		until, deaths = 0, []int32{0}
	}
	for _, place := range r.deathPlaces() {
		inHospital = append(inHospital, place != trigonev1.DeathPlace_DEATH_PLACE_AFTER_DISCHARGE)
	}
	for _, f := range r.followUps {
		dead := dead(f)
		alive := f.GetVitalStatus() == trigonev1.VitalStatus_VITAL_STATUS_ALIVE
		// Whoever goes to another acute hospital is not at the end of the stay.
		ended := f.GetKind() == trigonev1.FollowUpKind_FOLLOW_UP_KIND_DISCHARGE &&
			f.GetDischarge().GetDestination() != trigonev1.DischargeDestination_DISCHARGE_DESTINATION_ACUTE_HOSPITAL
		if ended && dead != alive && f.GetDeathPlace() == 0 {
			inHospital = append(inHospital, dead)
		}
		if d := r.dayAfter(f.GetDiedOn()); d != nil {
			deaths = append(deaths, *d)
		}
		known := r.dayAfter(f.GetStatusKnownOn())
		if known == nil || dead == alive {
			continue
		}
		until = max(until, *known)
		if alive && *known >= 30 {
			within = append(within, false)
		}
		if dead && f.GetDiedOn() == "" && *known <= 30 {
			within = append(within, true)
		}
	}
	for _, d := range deaths {
		within = append(within, d <= 30)
	}
	out.DiedInHospital, out.DiedWithin_30Days = agreed(inHospital), agreed(within)
	if len(slices.Compact(slices.Clone(deaths))) == 1 {
		out.DiedOnDay = &deaths[0]
		until = max(until, deaths[0])
	}
	if until != math.MinInt32 && !r.day.IsZero() {
		out.StatusKnownUntilDay = &until
	}
	r.stay(out)
	return out
}

// agreed gives what all entries say; unset if there is none or they do not agree.
func agreed(said []bool) trigonev1.Answer {
	switch {
	case len(said) == 0 || slices.Contains(said, true) == slices.Contains(said, false):
		return trigonev1.Answer_ANSWER_UNSPECIFIED
	case said[0]:
		return trigonev1.Answer_ANSWER_YES
	}
	return trigonev1.Answer_ANSWER_NO
}

func (r *reader) versions() *trigonev1.FactVersions {
	e := r.Evaluation
	return &trigonev1.FactVersions{
		Evaluation: e.GetNumber(), CatalogueVersion: e.GetCatalogueVersion(), RuleSetVersion: e.GetRuleSetVersion(),
		PolicyHash: e.GetPolicyHash(), CalibrationId: e.GetCalibrationId(), PlanRevision: e.GetPlanInForce().GetRevision(),
	}
}

// rank gives the rank of a grade within its scheme.
func rank(g *trigonev1.Grade) *int32 {
	n, ok := repair.Grade{Scheme: convert.Word(g.GetScheme()), Value: convert.Word(g.GetValue())}.Rank()
	if !ok {
		return nil
	}
	v := int32(n)
	return &v
}
