package ledger

import (
	"cmp"
	"math"
	"slices"

	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/convert"
	"trigone/internal/metric"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// middleSlice is the slice that stands for the valve.
var middleSlice = string(valve.AtSlice(valve.A2P2))

func (r *reader) runs() []*trigonev1.RunFacts {
	var list []*trigonev1.RunFacts
	for _, run := range r.operation.GetRuns() {
		list = append(list, &trigonev1.RunFacts{
			Section: convert.SectionOperation, Run: run.GetNumber(), Reason: run.GetReason(), ForMitralValve: run.GetForMitralValve(),
			ClampMin:   lasted(run.GetClampStart(), run.GetClampEnd(), run.StatedClampMin),
			BypassMin:  lasted(run.GetBypassStart(), run.GetBypassEnd(), run.StatedBypassMin),
			Protection: run.GetProtection().GetKind(), AorticOcclusion: run.GetProtection().GetAorticOcclusion(),
		})
	}
	slices.SortStableFunc(list, func(a, b *trigonev1.RunFacts) int { return cmp.Compare(a.GetRun(), b.GetRun()) })
	return list
}

// lasted gives a duration in minutes from both its times, or as stated.
func lasted(start, end *timestamppb.Timestamp, stated *float64) *float64 {
	if start == nil || end == nil {
		return stated
	}
	m := minute(end).Sub(minute(start)).Minutes()
	return &m
}

// devices gives the rings and bands in the order in which the record has them,
// planned ones that nothing answers last.
func (r *reader) devices() []*trigonev1.DeviceFacts {
	answers := map[string]string{} // planned step by the performed one
	for _, c := range r.comparisons {
		if c.GetPlannedStepId() != "" && c.GetPerformedStepId() != "" {
			answers[c.GetPerformedStepId()] = c.GetPlannedStepId()
		}
	}
	planned := map[string]*trigonev1.Annuloplasty{}
	for _, s := range r.plan.GetSteps() {
		if ring := s.GetTechnique().GetAnnuloplasty(); ring != nil {
			planned[s.GetId()] = ring
		}
	}
	var list []*trigonev1.DeviceFacts
	answered := map[string]bool{}
	for _, s := range r.operation.GetSteps() {
		ring := s.GetTechnique().GetAnnuloplasty()
		if ring == nil {
			continue
		}
		d := &trigonev1.DeviceFacts{
			Section: convert.SectionOperation, PerformedStepId: s.GetId(), Kind: ring.GetKind(), Rigidity: ring.GetRigidity(),
			FamilyKey: ring.GetFamilyKey(), Sizers: ring.GetSizers(), ImplantedLabel: ring.ImplantedLabel, Run: s.Run, Fate: s.GetFate(),
		}
		d.PlannedStepId = cmp.Or(s.GetPlannedStepId(), answers[s.GetId()])
		if p := planned[d.PlannedStepId]; p != nil {
			answered[d.PlannedStepId] = true
			d.PlannedLabelMin, d.PlannedLabelMax = p.PlannedLabelMin, p.PlannedLabelMax
		}
		list = append(list, d)
	}
	for _, s := range r.plan.GetSteps() {
		if p := planned[s.GetId()]; p != nil && !answered[s.GetId()] {
			list = append(list, &trigonev1.DeviceFacts{
				Section: convert.SectionPlan, PlannedStepId: s.GetId(), Kind: p.GetKind(), Rigidity: p.GetRigidity(),
				FamilyKey: p.GetFamilyKey(), PlannedLabelMin: p.PlannedLabelMin, PlannedLabelMax: p.PlannedLabelMax,
			})
		}
	}
	if c := r.operation.GetConversion(); c.GetConverted() == trigonev1.Answer_ANSWER_YES {
		list = append(list, &trigonev1.DeviceFacts{
			Section: convert.SectionOperation, Prosthesis: c.GetProsthesis(), ImplantedLabel: c.ProsthesisLabel,
		})
	}
	return r.identified(list)
}

func (r *reader) echoes() []*trigonev1.EchoFacts {
	var list []*trigonev1.EchoFacts
	for _, a := range r.assessments {
		switch a.GetKind() {
		case trigonev1.AssessmentKind_ASSESSMENT_KIND_DIRECT_INSPECTION, trigonev1.AssessmentKind_ASSESSMENT_KIND_CT,
			trigonev1.AssessmentKind_ASSESSMENT_KIND_MAGNETIC_RESONANCE:
			continue
		}
		if a.GetStudy() != nil {
			e := r.echo(convert.SectionName(a), a.GetStudy())
			e.AssessmentKind = a.GetKind()
			list = append(list, e)
		}
	}
	for _, s := range r.results {
		if s.GetStudy() != nil {
			e := r.echo(convert.SectionName(s), s.GetStudy())
			e.Stage, e.Run, e.Decision = s.GetStage(), s.Run, s.GetDecision()
			list = append(list, e)
		}
	}
	for _, f := range r.followUps {
		if f.GetStudy() != nil {
			e := r.echo(convert.SectionName(f), f.GetStudy())
			e.FollowUpKind = f.GetKind()
			if d := r.dayAfter(f.GetEchoOn()); d != nil {
				e.Day = d
			}
			list = append(list, e)
		}
	}
	return list
}

func (r *reader) echo(occasion string, s *trigonev1.Study) *trigonev1.EchoFacts {
	e := &trigonev1.EchoFacts{
		Section: occasion, Day: r.dayAt(s.GetTime()), Method: s.GetContext().GetMethod(),
		Provocation: s.GetHaemodynamics().GetProvocation(), Inotrope: s.GetHaemodynamics().GetInotrope(),
		Mechanisms:        s.GetRegurgitation().GetMechanisms(),
		ReadIndependently: s.GetReadIndependently(),
		AnteriorMotion:    s.GetAnteriorMotion().GetState(), AnteriorMotionEnd: s.GetAnteriorMotion().GetEnd(),
		MeanGradientMmhg:   r.value(metric.MeanGradient.ID, "", occasion),
		HeartRatePerMin:    r.value(metric.GradientHeartRate.ID, "", occasion),
		CoaptationLengthMm: r.value(metric.CoaptationLength.ID, middleSlice, occasion),
	}
	if e.HeartRatePerMin == nil {
		e.HeartRatePerMin = r.value(metric.HeartRate.ID, "", occasion)
	}
	if g := s.GetRegurgitation().GetGrade(); g.GetValue() != 0 {
		e.Grade, e.GradeRank = g, rank(g)
	}
	if g := s.GetOtherValves().GetTricuspidRegurgitation(); g.GetValue() != 0 {
		e.TricuspidRegurgitation = g
	}
	return e
}

func (r *reader) statuses() []*trigonev1.StatusFacts {
	var list []*trigonev1.StatusFacts
	if alive := r.operation.GetLeftTheatreAlive(); alive != 0 {
		s := &trigonev1.StatusFacts{
			Section: convert.SectionOperation, VitalStatus: trigonev1.VitalStatus_VITAL_STATUS_ALIVE,
			ComplicationsRecorded: r.operation.GetComplicationsRecorded(),
		}
		if !r.day.IsZero() {
			s.Day = new(int32)
		}
		if alive == trigonev1.Answer_ANSWER_NO {
			s.VitalStatus, s.DiedOnDay = trigonev1.VitalStatus_VITAL_STATUS_DEAD, s.Day
			s.DeathPlace = trigonev1.DeathPlace_DEATH_PLACE_THEATRE
		}
		list = append(list, s)
	}
	for _, f := range r.followUps {
		rhythm, paced := f.GetRhythm(), f.GetPaced()
		if rhythm == 0 && paced == 0 {
			rhythm, paced = f.GetStudy().GetHaemodynamics().GetRhythm(), f.GetStudy().GetHaemodynamics().GetPaced()
		}
		care := f.GetIntensiveCare()
		status := &trigonev1.StatusFacts{
			Section: convert.SectionName(f), Kind: f.GetKind(), Day: r.dayAfter(f.GetStatusKnownOn()), VitalStatus: f.GetVitalStatus(),
			DiedOnDay: r.dayAfter(f.GetDiedOn()), DeathCause: f.GetDeathCause(), Lost: f.GetLost(), FunctionalClass: f.GetFunctionalClass(),
			EchoNotDoneReason: f.GetEchoNotDoneReason(), ReinterventionsRecorded: f.GetReinterventionsRecorded(),
			ComplicationsRecorded: f.GetComplicationsRecorded(), DeathPlace: f.GetDeathPlace(),
			ReturnsToTheatreRecorded: f.GetReturnsToTheatreRecorded(), ReadmissionsRecorded: f.GetReadmissionsRecorded(),
			Rhythm: rhythm, Paced: paced, Antithrombotics: once(f.GetAntithrombotics()), AntithromboticsRecorded: f.GetAntithromboticsRecorded(),
			Support: care.GetSupport(), SupportRecorded: care.GetSupportRecorded(), Blood: care.GetBlood(),
		}
		if care != nil {
			status.VentilationHours, status.IntensiveCareHours = care.VentilationHours, care.IntensiveCareHours
		}
		list = append(list, status)
	}
	return list
}

func (r *reader) events() []*trigonev1.EventFacts {
	var list []*trigonev1.EventFacts
	for _, c := range r.operation.GetComplications() {
		list = append(list, r.complication(convert.SectionOperation, c))
	}
	discharged, _ := r.discharge()
	for _, f := range r.followUps {
		for _, c := range f.GetComplications() {
			list = append(list, r.complication(convert.SectionName(f), c))
		}
		list = append(list, r.after(f, discharged)...)
	}
	return list
}

func (r *reader) findings() []*trigonev1.FindingFacts {
	last := map[string]*trigonev1.Confirmation{}
	for _, c := range r.Confirmations {
		last[c.GetFindingId()] = c
	}
	confirmed := func(f *trigonev1.FindingFacts, c *trigonev1.Confirmation) *trigonev1.FindingFacts {
		f.Confirmation, f.ConfirmedBy, f.ConfirmedDay = c.GetState(), c.GetCaller(), r.dayAt(c.GetTime())
		return f
	}
	var list []*trigonev1.FindingFacts
	for _, f := range r.Evaluation.GetFindings() {
		list = append(list, confirmed(&trigonev1.FindingFacts{
			Occasion: f.GetOccasion(), Rule: f.GetRule(), Severity: f.GetSeverity(), Open: !f.GetConfirmed(), FinalState: f.GetFinalState(),
		}, last[f.GetId()]))
		delete(last, f.GetId())
	}
	for _, c := range r.Confirmations {
		if last[c.GetFindingId()] == c {
			list = append(list, confirmed(&trigonev1.FindingFacts{Rule: c.GetRule()}, c))
		}
	}
	return list
}

func (r *reader) queries() []*trigonev1.QueryFacts {
	asked := slices.SortedStableFunc(slices.Values(r.File.GetAdvice()), func(a, b *trigonev1.Advice) int {
		return cmp.Or(instant(a.GetTime()).Compare(instant(b.GetTime())), cmp.Compare(a.GetId(), b.GetId()))
	})
	var list []*trigonev1.QueryFacts
	for _, a := range asked {
		q := &trigonev1.QueryFacts{Section: convert.SectionName(a), Run: a.Run, Stage: a.GetStage()}
		if d, ok := r.since(instant(a.GetTime())); ok {
			m := math.Round(d.Minutes())
			q.AskedAfterIncisionMin = &m
		}
		q.OverlapLowerMm, q.OverlapUpperMm = answeredRange(a.GetAnswer())
		for _, s := range r.operation.GetSteps() {
			if slices.Contains(s.GetAdviceIds(), a.GetId()) {
				q.FollowedByStepIds = append(q.FollowedByStepIds, s.GetId())
				f := convert.FollowedAnswer(r.operation, s, a)
				q.Steps = append(q.Steps, &trigonev1.QueryStepFacts{
					StepId: s.GetId(), Followed: f.Verdict, Leaf: string(f.Leaf), Value: f.Value, Lower: f.Lower, Upper: f.Upper,
					Unit: f.Unit.UCUM(), Explanation: f.Why,
				})
			}
		}
		list = append(list, q)
	}
	return list
}

// answeredRange gives the range of the overlap of the middle slice: predicted from
// what was done, or else from the plan.
func answeredRange(e *trigonev1.Evaluation) (lower, upper *float64) {
	for _, role := range []trigonev1.MetricRole{
		trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_EXECUTION, trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN,
	} {
		for _, m := range e.GetMetrics() {
			if m.GetMetric() == metric.IDPredictedOverlap && m.GetPlace() == middleSlice && m.GetRole() == role &&
				m.GetState() == trigonev1.MetricState_METRIC_STATE_VALUE {
				return m.Lower, m.Upper
			}
		}
	}
	return nil, nil
}
