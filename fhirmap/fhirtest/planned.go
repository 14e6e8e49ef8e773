package fhirtest

import (
	"google.golang.org/protobuf/proto"

	"trigone/fhirmap"
	trigonev1 "trigone/proto/trigone/v1"
)

// Planned is a case whose plan was revised before incision, operated on by the
// second revision, and signed once more afterwards: aims that were met, missed and
// not judged, a step that was not planned, one left out, a ring exchanged, a
// caution with its limit, a planned value that is disputed.
func Planned() fhirmap.History { return Of(uid, PlannedStates()...) }

// PlannedStates gives the four states of Planned: first revision, second revision,
// operated on, third revision.
func PlannedStates() []fhirmap.Snapshot {
	return []fhirmap.Snapshot{plannedState(1), plannedState(2), plannedState(3), plannedState(4)}
}

func plannedRing(low, high float64) *trigonev1.Technique {
	return &trigonev1.Technique{Kind: &trigonev1.Technique_Annuloplasty{Annuloplasty: &trigonev1.Annuloplasty{
		Kind: trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_COMPLETE_RING, FamilyKey: "family-a", Rigidity: trigonev1.Rigidity_RIGIDITY_SEMI_RIGID,
		PlannedLabelMin: proto.Float64(low), PlannedLabelMax: proto.Float64(high),
	}}}
}

func revisedPlan(revision int) *trigonev1.Plan {
	plan := &trigonev1.Plan{
		Signer: "surgeon-7", SignedTime: clock(-30, 0), Rationale: Leak, AssessmentIds: []string{"tte"},
		Indication: &trigonev1.Indication{
			Aetiology: trigonev1.Aetiology_AETIOLOGY_MYXOMATOUS,
			Triggers:  []trigonev1.IndicationTrigger{trigonev1.IndicationTrigger_INDICATION_TRIGGER_SYMPTOMS},
		},
		Steps: []*trigonev1.PlannedStep{
			{Id: "p-resection", Technique: resectionOf(trigonev1.Segment_SEGMENT_P2), Rationale: Leak, ExpectedEffect: trigonev1.ExpectedEffect_EXPECTED_EFFECT_CORRECTS},
			{Id: "p-ring", Technique: plannedRing(30, 34)},
		},
		Targets: []*trigonev1.Target{
			{Id: "t-gradient", Method: trigonev1.Method_METHOD_DOPPLER, Aim: &trigonev1.Target_MeanGradient{MeanGradient: &trigonev1.PressureRange{MaxMmhg: proto.Float64(4.5)}}},
		},
	}
	if revision == 1 {
		return plan
	}
	plan.SignedTime = clock(7, 0)
	plan.Steps[1].Technique = plannedRing(32, 34)
	plan.Steps = append(plan.Steps,
		&trigonev1.PlannedStep{
			Id: "p-cleft", Technique: cleftOf(trigonev1.Boundary_BOUNDARY_P2_P3),
			Condition: &trigonev1.StepCondition{Kind: trigonev1.StepConditionKind_STEP_CONDITION_KIND_OPEN_INDENTATION, Text: Leak},
		},
		&trigonev1.PlannedStep{Id: "p-chords", Technique: chordsOf(trigonev1.Segment_SEGMENT_P2), AlternativeOf: "p-resection"})
	plan.Targets = append(plan.Targets,
		&trigonev1.Target{Id: "t-contact", Aim: &trigonev1.Target_CoaptationLength{CoaptationLength: &trigonev1.CoaptationTarget{
			Range: &trigonev1.LengthRange{MinMm: proto.Float64(6), MaxMm: proto.Float64(11)},
		}}},
		&trigonev1.Target{Id: "t-grade", Aim: &trigonev1.Target_RegurgitationGradeAtMost{
			RegurgitationGradeAtMost: grade(fiveStep, trigonev1.GradeValue_GRADE_VALUE_MILD),
		}},
		&trigonev1.Target{Id: "t-height", Stage: trigonev1.Stage_STAGE_AFTER_RING, Method: trigonev1.Method_METHOD_RULER, Aim: &trigonev1.Target_LeafletHeight{
			LeafletHeight: &trigonev1.HeightTarget{Segment: trigonev1.Segment_SEGMENT_P2, Station: trigonev1.Station_STATION_SEAM, Range: &trigonev1.LengthRange{MaxMm: proto.Float64(15)}},
		}})
	if revision == 3 {
		plan.SignedTime = clock(13, 0)
	}
	return plan
}

func plannedState(n int64) fhirmap.Snapshot {
	revision := map[int64]int{1: 1, 2: 2, 3: 2, 4: 3}[n]
	file := &trigonev1.CaseFile{
		PatientIdentifier: patient(), Identity: &trigonev1.Identity{Sex: trigonev1.Sex_SEX_FEMALE, AgeYears: proto.Int32(61)},
		Assessments: []*trigonev1.Assessment{{
			Id: "tte", Kind: trigonev1.AssessmentKind_ASSESSMENT_KIND_TRANSTHORACIC, Note: Leak,
			Study: &trigonev1.Study{Time: clock(-40, 0), Regurgitation: &trigonev1.Regurgitation{Grade: grade(fiveStep, trigonev1.GradeValue_GRADE_VALUE_SEVERE)}},
		}},
		Plan: revisedPlan(revision),
	}
	const tte, field, off, exit = "assessment/tte", "operation/run1/after_ring", "result/off", "result/exit"
	annulus := val("annulus_area", "", tte, measured, 11.2, by(trigonev1.Method_METHOD_ECHO_3D), func(v *trigonev1.MetricValue) {
		v.StandardUncertainty = proto.Float64(0.9)
	})
	orifice := val("regurgitant_orifice_area_by_flow_convergence", "", tte, derived, 0.43, between(0.31, 0.55), func(v *trigonev1.MetricValue) {
		v.StandardUncertainty, v.Band = proto.Float64(0.0612345), "severe"
	})
	ev := &trigonev1.Evaluation{
		PlanInForce: &trigonev1.PlanInForce{Timing: trigonev1.PlanTiming_PLAN_TIMING_NO_INCISION_TIME},
		Sections:    []*trigonev1.SectionRevision{{Section: "plan", Revision: int64(revision)}, {Section: tte, Revision: 1}},
		Sources:     []*trigonev1.Source{{Id: "invented", Citation: "Invented et al. <2016>"}},
		Metrics: []*trigonev1.MetricValue{
			annulus, orifice,
			val("resection_free_edge_width", "step:p-resection", "plan", planned, 11),
			val("resection_height", "step:p-resection", "plan", planned, 14, disputed),
			val("ring_orifice_area", "step:p-ring", "plan", planned, 6.1),
			val("ring_to_native_annulus_area_ratio", "step:p-ring", "plan", planned, 0.54),
			val("leaflet_height", "p1/segment_mid", "plan", planned, 11, by(trigonev1.Method_METHOD_RULER)),
			val("leaflet_height", "p2/seam", "plan", planned, 14, by(trigonev1.Method_METHOD_RULER)),
		},
	}
	if n < 3 {
		return receivedAt(snapshot(n, file, ev, map[string]int64{"plan": int64(revision)}))
	}
	file.Operation = &trigonev1.Operation{
		IncisionTime: clock(8, 15), EndTime: clock(12, 40), Note: Leak, LeftTheatreAlive: trigonev1.Answer_ANSWER_YES,
		Steps: []*trigonev1.PerformedStep{
			{Id: "s-resection", Technique: resectionOf(trigonev1.Segment_SEGMENT_P2), Fate: trigonev1.StepFate_STEP_FATE_IN_PLACE},
			{
				Id: "s-ring-1", Technique: ringOf(trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_COMPLETE_RING, 30), PlannedStepId: "p-ring",
				Fate: trigonev1.StepFate_STEP_FATE_TAKEN_DOWN, Reason: trigonev1.DeviationReason_DEVIATION_REASON_TEST_FAILED, ReasonText: Leak,
			},
			{Id: "s-ring-2", Technique: ringOf(trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_COMPLETE_RING, 36), PlannedStepId: "p-ring"},
			{Id: "s-sliding", Technique: slidingOf(), Fate: trigonev1.StepFate_STEP_FATE_IN_PLACE},
		},
	}
	study := func(hour int) *trigonev1.Study {
		return &trigonev1.Study{Time: clock(hour, 0), Regurgitation: &trigonev1.Regurgitation{Grade: grade(fiveStep, trigonev1.GradeValue_GRADE_VALUE_TRACE)}}
	}
	file.Results = []*trigonev1.Result{
		{Id: "off", Run: proto.Int32(1), Stage: trigonev1.Stage_STAGE_OFF_BYPASS, Study: study(11)},
		{Id: "exit", Run: proto.Int32(1), Stage: trigonev1.Stage_STAGE_LEAVING_THEATRE, Study: study(12), DecisionText: Leak},
	}
	leaving := atStage(1, trigonev1.Stage_STAGE_LEAVING_THEATRE)
	gradient := val("mean_gradient", "", exit, measured, 6.5, by(trigonev1.Method_METHOD_DOPPLER), leaving)
	ev.Sections = append(ev.Sections, &trigonev1.SectionRevision{Section: "operation", Revision: 1})
	ev.PlanInForce = &trigonev1.PlanInForce{Revision: 2, Timing: trigonev1.PlanTiming_PLAN_TIMING_PROSPECTIVE}
	ev.Metrics = append(ev.Metrics,
		val("resection_free_edge_width", "step:s-resection", "operation", measured, 14, by(trigonev1.Method_METHOD_RULER)),
		val("leaflet_height", "p2/seam", field, measured, 13.5, by(trigonev1.Method_METHOD_RULER), atStage(1, trigonev1.Stage_STAGE_AFTER_RING)),
		val("mean_gradient", "", off, measured, 4, by(trigonev1.Method_METHOD_DOPPLER), atStage(1, trigonev1.Stage_STAGE_OFF_BYPASS)),
		gradient,
		val("coaptation_length", "a2_p2", exit, measured, 8, by(trigonev1.Method_METHOD_ECHO_2D), leaving),
	)
	ev.Findings = append(ev.Findings, &trigonev1.Finding{
		Id: "3c3c3c3c3c3c3c3c", Rule: "mean-gradient-high", Severity: trigonev1.Severity_SEVERITY_CAUTION, Message: "invented", Occasion: exit,
		Source: "invented", Inputs: []*trigonev1.InputValue{inputOf(gradient)}, Limits: []*trigonev1.AppliedLimit{{
			Threshold: "mean_gradient_high", Value: 5, Unit: "mm[Hg]", Inclusive: true, Owner: trigonev1.LimitOwner_LIMIT_OWNER_SITE,
		}},
	})
	ev.Discrepancies = []*trigonev1.Discrepancy{
		{
			Id: "step_omitted|p-cleft", Class: "step_omitted", PlannedStepId: "p-cleft", Place: "p2_p3", Occasion: "operation",
			Verdict: trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT, Reason: "condition_not_met", JudgedBy: trigonev1.JudgedBy_JUDGED_BY_PLAN,
		},
		{
			Id: "step_added|s-sliding", Class: "step_added", PerformedStepId: "s-sliding", Occasion: "operation",
			Verdict: trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT, JudgedBy: trigonev1.JudgedBy_JUDGED_BY_PLAN,
		},
		{
			Id: "step_parameter|p-resection|s-resection|resection_free_edge_width", Class: "step_parameter", Metric: "resection_free_edge_width",
			PlannedStepId: "p-resection", PerformedStepId: "s-resection", Parent: "step_added|s-sliding", PlanRevised: true, Place: "step:s-resection", Occasion: "operation", Unit: "mm",
			Verdict:      trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT,
			PlannedValue: proto.Float64(11), ActualValue: proto.Float64(14), Difference: proto.Float64(3), Tolerance: proto.Float64(1.1000000000000001),
			JudgedBy: trigonev1.JudgedBy_JUDGED_BY_SITE_TOLERANCE, Method: trigonev1.Method_METHOD_RULER,
		},
		{
			Id: "ring_size|p-ring|s-ring-2", Class: "ring_size", Metric: "ring_label", PlannedStepId: "p-ring", PerformedStepId: "s-ring-2",
			Occasion: "operation", Verdict: trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT, Difference: proto.Float64(2), JudgedBy: trigonev1.JudgedBy_JUDGED_BY_PLAN,
		},
		{
			Id: "target_missed|t-gradient|mean_gradient|leaving_theatre", Class: "target_missed", Metric: "mean_gradient", Occasion: exit,
			Stage: trigonev1.Stage_STAGE_LEAVING_THEATRE, Run: 1, Unit: "mm[Hg]", Difference: proto.Float64(2), Tolerance: proto.Float64(1),
			Verdict: trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT, JudgedBy: trigonev1.JudgedBy_JUDGED_BY_TARGET,
		},
		{
			Id: "target_missed|t-contact|coaptation_length|a2_p2|leaving_theatre", Class: "target_missed", Metric: "coaptation_length", Place: "a2_p2",
			Verdict: trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_NOT_EVALUABLE, JudgedBy: trigonev1.JudgedBy_JUDGED_BY_TARGET,
		},
	}
	return receivedAt(snapshot(n, file, ev, map[string]int64{"plan": int64(revision)}))
}

// receivedAt says when the plan's head was received.
func receivedAt(s fhirmap.Snapshot) fhirmap.Snapshot {
	for _, x := range s.Case.Sections {
		if x.GetSection() == "plan" {
			x.ReceivedTime = s.Case.CaseFile.Plan.SignedTime
		}
	}
	return s
}
