package fhirtest

import (
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/fhirmap"
	"trigone/internal/metric"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// Example is an invented history with a name for its golden file. Hospital,
// patients and values are made up.
type Example struct {
	Name    string
	History fhirmap.History
	// States are those that the history comes from, oldest first.
	States []fhirmap.Snapshot
}

// Of gives the history of a case by its states, oldest first.
func Of(uid string, states ...fhirmap.Snapshot) fhirmap.History {
	h, err := fhirmap.Replay(site, uid, states, nil)
	if err != nil {
		panic(err) // the invented states can be sent
	}
	return h
}

// Examples gives the histories whose bundles are kept as golden files.
func Examples() []Example {
	alone := func(name string, h fhirmap.History) Example { return Example{name, h, []fhirmap.Snapshot{h.Current}} }
	return []Example{
		alone("complete", Complete()),
		alone("disputed", Disputed()),
		alone("converted", Converted()),
		{"retracted", Retracted(), RetractedStates()},
		alone("core", CoreOnly()),
		{"revised", Revised(), RevisedStates()},
		{"planned", Planned(), PlannedStates()},
	}
}

const (
	site = "harbour"
	uid  = "3b0f6a52-77c1-4d0e-9a44-6f1d2c8e5b90"
	// Leak is part of every free text of the examples; it must be in no bundle.
	Leak = "FREE-TEXT"
)

const caution = "Decision support for qualified staff, not a medical device. Predictions are ranges of an uncalibrated model, not advice."

var day = time.Date(2026, time.March, 3, 0, 0, 0, 0, time.UTC)

func clock(hour, minute int) *timestamppb.Timestamp {
	return timestamppb.New(day.Add(time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute))
}

const (
	measured      = trigonev1.MetricRole_METRIC_ROLE_MEASURED
	planned       = trigonev1.MetricRole_METRIC_ROLE_PLANNED
	derived       = trigonev1.MetricRole_METRIC_ROLE_DERIVED
	fromPlan      = trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN
	fromExecution = trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_EXECUTION
)

// option changes a metric value.
type option func(*trigonev1.MetricValue)

func by(m trigonev1.Method) option {
	return func(v *trigonev1.MetricValue) { v.Method = m }
}

func atStage(run int32, s trigonev1.Stage) option {
	return func(v *trigonev1.MetricValue) { v.Run, v.Stage = run, s }
}

func absent(r trigonev1.AbsentReason) option {
	return func(v *trigonev1.MetricValue) {
		v.State, v.Value, v.AbsentReason = trigonev1.MetricState_METRIC_STATE_ABSENT, nil, r
	}
}

func disputed(v *trigonev1.MetricValue) { v.State = trigonev1.MetricState_METRIC_STATE_DISPUTED }

func between(low, high float64) option {
	return func(v *trigonev1.MetricValue) { v.Lower, v.Upper = proto.Float64(low), proto.Float64(high) }
}

func from(inputs ...*trigonev1.MetricValue) option {
	return func(v *trigonev1.MetricValue) {
		for _, in := range inputs {
			v.Inputs = append(v.Inputs, inputOf(in))
		}
	}
}

func inputOf(v *trigonev1.MetricValue) *trigonev1.InputValue {
	return &trigonev1.InputValue{
		Leaf: v.GetMetric(), Place: v.GetPlace(), Occasion: v.GetOccasion(), Role: v.GetRole(), Value: v.GetValue(), Unit: v.GetUnit(),
	}
}

// val makes a value of the catalogue; an id that the catalogue does not hold has
// the unit 1.
func val(id, place, occasion string, role trigonev1.MetricRole, x float64, options ...option) *trigonev1.MetricValue {
	unit := "1"
	if u, _, ok := metric.Describe(valve.ID(id)); ok {
		unit = u.UCUM()
	}
	v := &trigonev1.MetricValue{
		Metric: id, Place: place, Occasion: occasion, Role: role, Unit: unit,
		State: trigonev1.MetricState_METRIC_STATE_VALUE, Value: proto.Float64(x),
	}
	for _, o := range options {
		o(v)
	}
	return v
}

// snapshot makes a case of version n whose sections are all accepted at the given
// revisions.
func snapshot(n int64, file *trigonev1.CaseFile, ev *trigonev1.Evaluation, revisions map[string]int64) fhirmap.Snapshot {
	c := &trigonev1.Case{
		Name: "sites/" + site + "/cases/" + uid, CaseVersion: n, State: trigonev1.CaseState_CASE_STATE_ACTIVE,
		CaseFile: file, Evaluation: ev,
		OpenedTime: clock(-48, 0), ChangedTime: timestamppb.New(day.Add(time.Duration(n) * 24 * time.Hour)),
	}
	section := func(name string) {
		revision := revisions[name]
		if revision == 0 {
			revision = 1
		}
		c.Sections = append(c.Sections, &trigonev1.SectionStatus{
			Section: name, Revision: revision, State: trigonev1.SectionState_SECTION_STATE_ACCEPTED,
		})
	}
	if file.GetIdentity() != nil {
		section("identity")
	}
	for _, a := range file.GetAssessments() {
		section("assessment/" + a.GetId())
	}
	if file.GetPlan() != nil {
		section("plan")
	}
	if file.GetOperation() != nil {
		section("operation")
	}
	for _, r := range file.GetResults() {
		section("result/" + r.GetId())
	}
	for _, u := range file.GetFollowUps() {
		section("follow_up/" + u.GetId())
	}
	ev.Number, ev.Time = n, c.ChangedTime
	ev.CatalogueVersion, ev.RuleSetVersion, ev.SoftwareVersion, ev.Caution = "1", "1", "0.1.0", caution
	return fhirmap.Snapshot{Case: c}
}

func patient() *trigonev1.Identifier {
	return &trigonev1.Identifier{System: "urn:oid:2.999.1", Value: "P-0001"}
}

func at(s trigonev1.Segment) *trigonev1.Location {
	return &trigonev1.Location{At: &trigonev1.Location_Segment{Segment: s}}
}

func grade(scheme trigonev1.GradeScheme, v trigonev1.GradeValue) *trigonev1.Grade {
	return &trigonev1.Grade{Scheme: scheme, Value: v}
}

const (
	fiveStep = trigonev1.GradeScheme_GRADE_SCHEME_FIVE_STEP
	split    = trigonev1.GradeScheme_GRADE_SCHEME_SPLIT_MODERATE
	plus     = trigonev1.GradeScheme_GRADE_SCHEME_PLUS_SIGNS
)

func resectionOf(segments ...trigonev1.Segment) *trigonev1.Technique {
	return &trigonev1.Technique{Kind: &trigonev1.Technique_LeafletResection{LeafletResection: &trigonev1.LeafletResection{
		Segments: segments, Shape: trigonev1.ResectionShape_RESECTION_SHAPE_TRIANGULAR,
	}}}
}

func ringOf(kind trigonev1.AnnuloplastyKind, label float64) *trigonev1.Technique {
	return &trigonev1.Technique{Kind: &trigonev1.Technique_Annuloplasty{Annuloplasty: &trigonev1.Annuloplasty{
		Kind: kind, FamilyKey: "family-a", ImplantedLabel: proto.Float64(label),
	}}}
}

func cleftOf(b trigonev1.Boundary) *trigonev1.Technique {
	return &trigonev1.Technique{Kind: &trigonev1.Technique_CleftClosure{CleftClosure: &trigonev1.CleftClosure{
		Location: &trigonev1.Location{At: &trigonev1.Location_Boundary{Boundary: b}},
	}}}
}

func slidingOf() *trigonev1.Technique {
	return &trigonev1.Technique{Kind: &trigonev1.Technique_SlidingPlasty{SlidingPlasty: &trigonev1.SlidingPlasty{}}}
}

func chordsOf(s trigonev1.Segment) *trigonev1.Technique {
	return &trigonev1.Technique{Kind: &trigonev1.Technique_ArtificialChord{ArtificialChord: &trigonev1.ArtificialChord{
		Targets: []*trigonev1.Location{at(s)},
	}}}
}

// Complete is a plan and its operation with results and a follow-up: one planned
// step was left out, one ring was taken down, values stand at several places,
// some are recorded as absent.
func Complete() fhirmap.History {
	return fhirmap.History{Site: site, UID: uid, Current: completeSnapshot(1)}
}

func completeSnapshot(n int64) fhirmap.Snapshot {
	file := &trigonev1.CaseFile{
		ExternalIdentifier: &trigonev1.Identifier{System: "urn:oid:2.999.2", Value: "C-0001"},
		PatientIdentifier:  patient(),
		Identity: &trigonev1.Identity{
			Sex: trigonev1.Sex_SEX_FEMALE, AgeYears: proto.Int32(61), HeightCm: proto.Float64(168), WeightKg: proto.Float64(64.5),
			HeightOn: "2026-02-27",
		},
		Assessments: []*trigonev1.Assessment{{
			Id: "tee", Kind: trigonev1.AssessmentKind_ASSESSMENT_KIND_PRE_BYPASS, Note: Leak,
			Study: &trigonev1.Study{
				Time:          clock(7, 30),
				Context:       &trigonev1.Context{CardiacPhase: trigonev1.CardiacPhase_CARDIAC_PHASE_END_SYSTOLE},
				Regurgitation: &trigonev1.Regurgitation{Grade: grade(fiveStep, trigonev1.GradeValue_GRADE_VALUE_SEVERE)},
				Annulus: &trigonev1.Annulus{
					AnnulusArea:                    &trigonev1.Area{Cm2: proto.Float64(11.2)},
					AnnulusAnteroPosteriorDiameter: &trigonev1.Length{Mm: proto.Float64(35)},
				},
				Leaflets: &trigonev1.Leaflets{Lesions: []*trigonev1.Lesion{{
					Id: "flail", Location: at(trigonev1.Segment_SEGMENT_P2), FlailGap: &trigonev1.Length{Mm: proto.Float64(6)},
				}}},
				OtherValves: &trigonev1.OtherValves{
					AorticRegurgitation:    grade(fiveStep, trigonev1.GradeValue_GRADE_VALUE_TRACE),
					TricuspidRegurgitation: grade(split, trigonev1.GradeValue_GRADE_VALUE_MILD_TO_MODERATE),
				},
			},
		}},
		Plan: &trigonev1.Plan{
			Signer: "surgeon-7", SignedTime: clock(6, 45), Rationale: Leak,
			Setting: &trigonev1.CaseSetting{Urgency: trigonev1.Urgency_URGENCY_SALVAGE, Approach: trigonev1.Approach_APPROACH_THORACOTOMY},
			Steps: []*trigonev1.PlannedStep{
				{Id: "p-resection", Technique: resectionOf(trigonev1.Segment_SEGMENT_P2), Rationale: Leak},
				{Id: "p-cleft", Technique: cleftOf(trigonev1.Boundary_BOUNDARY_P2_P3)},
				{Id: "p-ring", Technique: ringOf(trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_COMPLETE_RING, 32)},
			},
		},
		Operation: &trigonev1.Operation{
			IncisionTime: clock(8, 15), EndTime: clock(12, 40), FirstLeafletCutTime: clock(9, 20), Note: Leak,
			Steps: []*trigonev1.PerformedStep{
				{Id: "s-resection", Run: proto.Int32(1), Technique: resectionOf(trigonev1.Segment_SEGMENT_P2), Fate: trigonev1.StepFate_STEP_FATE_IN_PLACE, PlannedStepId: "p-resection"},
				{
					Id: "s-ring-1", Run: proto.Int32(1), Technique: ringOf(trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_COMPLETE_RING, 30),
					Fate: trigonev1.StepFate_STEP_FATE_TAKEN_DOWN, TakenDownInRun: proto.Int32(1),
					Reason: trigonev1.DeviationReason_DEVIATION_REASON_TEST_FAILED, ReasonText: Leak, PlannedStepId: "p-ring",
				},
				{Id: "s-ring-2", Run: proto.Int32(1), Technique: ringOf(trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_COMPLETE_RING, 32), PlannedStepId: "p-ring"},
			},
			Heights: []*trigonev1.FieldHeights{{
				Run: proto.Int32(1), Stage: trigonev1.Stage_STAGE_AFTER_RING, Time: clock(10, 50),
			}},
			SalineTests:      []*trigonev1.SalineTest{{Id: "saline-1", Run: proto.Int32(1), Stage: trigonev1.Stage_STAGE_AFTER_RING, Time: clock(10, 55)}},
			InkTests:         []*trigonev1.InkTest{{Id: "ink-1", Run: proto.Int32(1), Stage: trigonev1.Stage_STAGE_AFTER_RING}},
			LeftTheatreAlive: trigonev1.Answer_ANSWER_YES,
			Setting: &trigonev1.CaseSetting{
				Urgency: trigonev1.Urgency_URGENCY_URGENT, Approach: trigonev1.Approach_APPROACH_STERNOTOMY, Complexity: trigonev1.Complexity_COMPLEXITY_SIMPLE,
				IntendedProcedure: &trigonev1.IntendedProcedure{Kind: trigonev1.IntendedProcedureKind_INTENDED_PROCEDURE_KIND_REPAIR, StatedBy: "resident-5", StatedTime: clock(7, 50)},
				Operators: []*trigonev1.Operator{
					{Pseudonym: "surgeon-7", Role: trigonev1.OperatorRole_OPERATOR_ROLE_SUPERVISOR, StepIds: []string{"s-ring-2"}},
					{Pseudonym: "fellow-3", Role: trigonev1.OperatorRole_OPERATOR_ROLE_TRAINEE, StepIds: []string{"s-resection", "s-ring-1"}},
					{Role: trigonev1.OperatorRole_OPERATOR_ROLE_PERFUSIONIST},
				},
			},
			Admission: &trigonev1.Admission{AdmittedOn: "2026-03-02", EncounterIdentifier: &trigonev1.Identifier{System: "urn:oid:2.999.3", Value: "STAY-0001"}},
			ApproachChange: &trigonev1.ApproachChange{
				Changed: trigonev1.Answer_ANSWER_YES, BegunAs: trigonev1.Approach_APPROACH_THORACOTOMY, Reason: trigonev1.ApproachChangeReason_APPROACH_CHANGE_REASON_ADHESIONS, ReasonText: Leak,
			},
			Devices: []*trigonev1.Device{
				{
					Id: "d-ring", Kind: trigonev1.DeviceKind_DEVICE_KIND_ANNULOPLASTY, StepId: "s-ring-2", Fate: trigonev1.DeviceFate_DEVICE_FATE_IN_PLACE,
					Maker: "Invented Rings Ltd", Model: "INV-R-32", Size: "32", LotNumber: "LOT-77001", SerialNumber: "SER-880001",
					UniqueDeviceIdentification: "(01)00000000000017(17)290131(10)LOT-77001(21)SER-880001", ExpiresOn: "2029-01-31",
				},
				{
					Id: "d-tried", Kind: trigonev1.DeviceKind_DEVICE_KIND_ANNULOPLASTY, StepId: "s-ring-1", Fate: trigonev1.DeviceFate_DEVICE_FATE_REMOVED,
					Maker: "Invented Rings Ltd", Model: "INV-R-30", LotNumber: "LOT-77002",
				},
				{Id: "d-clip", Kind: trigonev1.DeviceKind_DEVICE_KIND_APPENDAGE_OCCLUDER, Size: "medium", Fate: trigonev1.DeviceFate_DEVICE_FATE_IN_PLACE, UniqueDeviceIdentification: "INVENTED-CARRIER-1"},
				{Id: "d-patch", Kind: trigonev1.DeviceKind_DEVICE_KIND_PATCH, StepId: "s-resection"},
				{Id: "d-old", Kind: trigonev1.DeviceKind_DEVICE_KIND_OTHER, Fate: trigonev1.DeviceFate_DEVICE_FATE_EXPLANTED},
				{Id: "d-opened", Kind: trigonev1.DeviceKind_DEVICE_KIND_ANNULOPLASTY, Fate: trigonev1.DeviceFate_DEVICE_FATE_NOT_IMPLANTED, LotNumber: "LOT-77003"},
			},
			ConcomitantProcedures: []*trigonev1.ConcomitantProcedure{
				{
					Kind: trigonev1.ConcomitantKind_CONCOMITANT_KIND_ABLATION, Planned: trigonev1.Answer_ANSWER_YES,
					Detail: &trigonev1.ConcomitantProcedure_Ablation{Ablation: &trigonev1.AblationProcedure{
						Lines:    []trigonev1.AblationLine{trigonev1.AblationLine_ABLATION_LINE_PULMONARY_VEINS, trigonev1.AblationLine_ABLATION_LINE_MITRAL},
						Energies: []trigonev1.AblationEnergy{trigonev1.AblationEnergy_ABLATION_ENERGY_CRYOTHERMY},
					}},
				},
				{Kind: trigonev1.ConcomitantKind_CONCOMITANT_KIND_OTHER},
				{Kind: trigonev1.ConcomitantKind_CONCOMITANT_KIND_OTHER, Planned: trigonev1.Answer_ANSWER_NO},
			},
			DeclinedProcedures: []*trigonev1.DeclinedProcedure{
				{Kind: trigonev1.ConcomitantKind_CONCOMITANT_KIND_TRICUSPID_REPAIR, Reason: trigonev1.DeclineReason_DECLINE_REASON_NOT_NEEDED, ReasonText: Leak},
			},
			Complications:         []*trigonev1.Complication{{Id: "c-low", Kind: trigonev1.ComplicationKind_COMPLICATION_KIND_LOW_OUTPUT, Grade: trigonev1.ComplicationGrade_COMPLICATION_GRADE_BALLOON_PUMP}},
			ComplicationsRecorded: trigonev1.Recorded_RECORDED_COMPLETE,
		},
		Results: []*trigonev1.Result{{
			Id: "exit", Run: proto.Int32(1), Stage: trigonev1.Stage_STAGE_LEAVING_THEATRE, DecisionText: Leak,
			Study: &trigonev1.Study{
				Time:          clock(12, 20),
				Regurgitation: &trigonev1.Regurgitation{Grade: grade(fiveStep, trigonev1.GradeValue_GRADE_VALUE_NONE)},
			},
		}},
		FollowUps: []*trigonev1.FollowUp{{
			Id: "one-year", Kind: trigonev1.FollowUpKind_FOLLOW_UP_KIND_ONE_YEAR, StatusKnownOn: "2027-03-02", EchoOn: "2027-03-01", Note: Leak,
			VitalStatus: trigonev1.VitalStatus_VITAL_STATUS_ALIVE, Lost: trigonev1.Answer_ANSWER_NO, FunctionalClass: trigonev1.FunctionalClass_FUNCTIONAL_CLASS_II,
			Rhythm: trigonev1.Rhythm_RHYTHM_SINUS, Discharge: &trigonev1.Discharge{DischargedOn: "2026-03-12", Destination: trigonev1.DischargeDestination_DISCHARGE_DESTINATION_REHABILITATION},
			Complications: []*trigonev1.Complication{
				{
					Id: "c-kidney", Kind: trigonev1.ComplicationKind_COMPLICATION_KIND_KIDNEY_INJURY, Date: "2026-03-05", Grade: trigonev1.ComplicationGrade_COMPLICATION_GRADE_STAGE_2,
					Definition: &trigonev1.OutcomeDefinition{Key: "kidney_injury", Version: "1"}, NewDialysis: trigonev1.Answer_ANSWER_NO,
				},
				{Kind: trigonev1.ComplicationKind_COMPLICATION_KIND_OTHER, Date: "2026-03-06", Definition: &trigonev1.OutcomeDefinition{Key: "own.rule", Version: "2"}},
			},
			ComplicationsRecorded: trigonev1.Recorded_RECORDED_PARTIAL, ReinterventionsRecorded: trigonev1.Recorded_RECORDED_COMPLETE,
			Reinterventions: []*trigonev1.Reintervention{
				{Id: "r-1", On: "2026-09-01", Kind: trigonev1.ReinterventionKind_REINTERVENTION_KIND_CATHETER, Mechanism: trigonev1.RegurgitationMechanism_REGURGITATION_MECHANISM_PROLAPSE},
			},
			ReturnsToTheatre: []*trigonev1.ReturnToTheatre{{Date: "2026-03-04", Reason: trigonev1.ReturnReason_RETURN_REASON_BLEEDING, ReasonText: Leak}},
			Readmissions: []*trigonev1.Readmission{
				{Id: "a-1", AdmittedOn: "2026-05-01", Unplanned: trigonev1.Answer_ANSWER_YES, Cause: trigonev1.ReadmissionCause_READMISSION_CAUSE_HEART_FAILURE},
				{AdmittedOn: "2026-06-01"},
			},
			Study: &trigonev1.Study{Regurgitation: &trigonev1.Regurgitation{Grade: grade(plus, trigonev1.GradeValue_GRADE_VALUE_PLUS_1)}},
		}},
	}
	const (
		tee     = "assessment/tee"
		field   = "operation/run1/after_ring"
		exit    = "result/exit"
		oneYear = "follow_up/one-year"
	)
	set := atStage(1, trigonev1.Stage_STAGE_AFTER_RING)
	leaving := atStage(1, trigonev1.Stage_STAGE_LEAVING_THEATRE)
	height := val("body_height", "", "identity", measured, 168)
	weight := val("body_weight", "", "identity", measured, 64.5)
	annulus := val("annulus_area", "", tee, measured, 11.2, by(trigonev1.Method_METHOD_ECHO_3D))
	ap := val("annulus_antero_posterior_diameter", "", tee, measured, 35, by(trigonev1.Method_METHOD_ECHO_3D))
	radius := val("proximal_isovelocity_radius", "", tee, measured, 9.5)
	aliasing := val("aliasing_velocity", "", tee, measured, 38.5)
	peak := val("regurgitation_peak_velocity", "", tee, measured, 510)
	a2 := val("leaflet_height", "a2/segment_mid", tee, measured, 24, by(trigonev1.Method_METHOD_ECHO_3D))
	p2 := val("leaflet_height", "p2/segment_mid", tee, measured, 19, by(trigonev1.Method_METHOD_ECHO_3D))
	seam := val("leaflet_height", "p2/seam", field, measured, 13.5, by(trigonev1.Method_METHOD_RULER), set)
	ringArea := val("ring_orifice_area", "step:s-ring-2", "operation", measured, 6.1)
	ev := &trigonev1.Evaluation{
		PlanInForce: &trigonev1.PlanInForce{Revision: 1, Timing: trigonev1.PlanTiming_PLAN_TIMING_PROSPECTIVE},
		Metrics: []*trigonev1.MetricValue{
			height, weight,
			annulus, ap, radius, aliasing, peak,
			a2, p2,
			val("leaflet_height", "lateral_commissure", tee, measured, 0, by(trigonev1.Method_METHOD_ECHO_3D), absent(trigonev1.AbsentReason_ABSENT_REASON_NOT_POSSIBLE)),
			val("leaflet_height", "p1/segment_mid", tee, measured, 11, by(trigonev1.Method_METHOD_ECHO_2D)),
			val("flail_gap", "lesion:flail", tee, measured, 6),
			val("vena_contracta_width", "", tee, measured, 0, absent(trigonev1.AbsentReason_ABSENT_REASON_NOT_PERFORMED)),
			val("heart_rate", "", tee, measured, 72),
			val("leaflet_height", "p2/seam", "plan", planned, 14),
			val("ring_orifice_area", "step:p-ring", "plan", planned, 6.1),
			val("resection_free_edge_width", "step:s-resection", "operation", measured, 12.5, by(trigonev1.Method_METHOD_RULER)),
			val("resection_base_width", "step:s-resection", "operation", measured, 0, by(trigonev1.Method_METHOD_RULER)),
			ringArea, seam,
			val("leaflet_height", "p1/segment_mid", field, measured, 12, by(trigonev1.Method_METHOD_RULER), set),
			val("saline_pressure", "test:saline-1", field, measured, 80, set),
			val("ink_depth_beyond_line", "test:ink-1/p1", field, measured, 6, set),
			val("ink_depth_beyond_line", "test:ink-1/p2", field, measured, 7.5, set),
			val("mean_gradient", "", exit, measured, 3.2, by(trigonev1.Method_METHOD_DOPPLER), leaving),
			val("gradient_heart_rate", "", exit, measured, 84, leaving),
			val("coaptation_length", "a2_p2", exit, measured, 8.4, by(trigonev1.Method_METHOD_ECHO_2D), leaving),
			val("heart_rate", "", oneYear, measured, 66),
			val("mean_gradient", "", oneYear, measured, 0, absent(trigonev1.AbsentReason_ABSENT_REASON_NOT_RECORDED)),

			val("regurgitant_orifice_area_by_flow_convergence", "", tee, derived, 0.43, from(radius, aliasing, peak)),
			val("ring_to_native_annulus_area_ratio", "step:s-ring-2", "operation", derived, 0.54, from(ringArea, annulus)),
			val("predicted_mean_contact", "a2_p2", "plan", fromPlan, 9.1, between(4.3, 13.9), from(a2, val("leaflet_height", "p2/seam", "plan", planned, 14))),
			val("predicted_mean_contact", "a2_p2", "operation", fromExecution, 8.7, between(3.9, 13.5), from(a2, seam, ringArea)),
			{
				Metric: "regurgitant_volume_by_flow_convergence", Occasion: tee, Role: derived, Unit: "mL",
				State: trigonev1.MetricState_METRIC_STATE_NOT_EVALUABLE, Missing: []string{"regurgitation_velocity_time_integral of assessment/tee"},
			},
		},
		Findings: []*trigonev1.Finding{{
			Id: "0a0a0a0a0a0a0a0a", Rule: "a-note-is-not-sent", Severity: trigonev1.Severity_SEVERITY_NOTE, Message: "invented note", Occasion: tee,
		}},
		Discrepancies: []*trigonev1.Discrepancy{
			{
				Id: "step_omitted/p-cleft", Class: "step_omitted", Reference: "D01", PlannedStepId: "p-cleft",
				Verdict: trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT, Reason: "finding_differed",
			},
			{
				Id: "step_omitted/p-unknown", Class: "step_omitted", Reference: "D01", PlannedStepId: "p-resection",
				Verdict: trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_NOT_EVALUABLE,
			},
		},
	}
	return snapshot(n, file, ev, nil)
}

// Disputed is a record in which two values of one study contradict each other and
// the clock of the operation contradicts itself; everything else flows on.
func Disputed() fhirmap.History {
	s := completeSnapshot(1)
	s.Case.CaseFile.Operation.EndTime = clock(7, 0)
	s.Case.Sections[1].State = trigonev1.SectionState_SECTION_STATE_DISPUTED
	var contradicting []*trigonev1.InputValue
	for _, v := range s.Case.Evaluation.Metrics {
		switch v.GetMetric() {
		case "annulus_area", "annulus_antero_posterior_diameter":
			disputed(v)
			contradicting = append(contradicting, inputOf(v))
		}
	}
	// What was computed from them is no longer there.
	kept := s.Case.Evaluation.Metrics[:0]
	for _, v := range s.Case.Evaluation.Metrics {
		if v.GetMetric() == "ring_to_native_annulus_area_ratio" {
			v.State, v.Value = trigonev1.MetricState_METRIC_STATE_NOT_EVALUABLE, nil
		}
		kept = append(kept, v)
	}
	s.Case.Evaluation.Metrics = kept
	s.Case.Evaluation.Findings = append(s.Case.Evaluation.Findings,
		&trigonev1.Finding{
			Id: "1f1f1f1f1f1f1f1f", Rule: "perimeter-too-short-for-area", Severity: trigonev1.Severity_SEVERITY_CONTRADICTION,
			Message: "invented: area 11.20 cm² < what 35.0 mm allow", Occasion: "assessment/tee",
			Inputs: contradicting, Disputes: contradicting, Sections: []string{"assessment/tee"},
		},
		&trigonev1.Finding{
			Id: "2e2e2e2e2e2e2e2e", Rule: "operation-ends-before-incision", Severity: trigonev1.Severity_SEVERITY_CONTRADICTION,
			Message: "invented: the operation ends before the incision", Occasion: "operation", Sections: []string{"operation"},
		})
	return fhirmap.History{Site: site, UID: uid, Current: s}
}

// Converted is a repair that was tried and given up for a replacement; the steps
// of the plan that were not reached stand under the conversion.
func Converted() fhirmap.History {
	file := &trigonev1.CaseFile{
		PatientIdentifier: patient(),
		Identity:          &trigonev1.Identity{Sex: trigonev1.Sex_SEX_MALE, AgeYears: proto.Int32(70)},
		Plan: &trigonev1.Plan{Signer: "surgeon-7", SignedTime: clock(6, 45), Steps: []*trigonev1.PlannedStep{
			{Id: "p-chords", Technique: chordsOf(trigonev1.Segment_SEGMENT_P3)},
			{Id: "p-ring", Technique: ringOf(trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_POSTERIOR_BAND, 0)},
		}},
		Operation: &trigonev1.Operation{
			IncisionTime: clock(8, 0), EndTime: clock(14, 5),
			Steps: []*trigonev1.PerformedStep{{
				Id: "s-chords", Technique: chordsOf(trigonev1.Segment_SEGMENT_P3), Fate: trigonev1.StepFate_STEP_FATE_TAKEN_DOWN,
			}},
			Conversion: &trigonev1.Conversion{
				Converted: trigonev1.Answer_ANSWER_YES, Point: trigonev1.ConversionPoint_CONVERSION_POINT_AFTER_WEANING,
				Reason: trigonev1.ConversionReason_CONVERSION_REASON_RESIDUAL_REGURGITATION, ReasonText: Leak,
				Prosthesis: trigonev1.ProsthesisKind_PROSTHESIS_KIND_BIOLOGICAL, ProsthesisLabel: proto.Float64(29),
				ParaprostheticLeak: grade(fiveStep, trigonev1.GradeValue_GRADE_VALUE_NONE),
			},
		},
	}
	ev := &trigonev1.Evaluation{
		PlanInForce: &trigonev1.PlanInForce{Revision: 1, Timing: trigonev1.PlanTiming_PLAN_TIMING_LATE_ARRIVAL},
		Metrics: []*trigonev1.MetricValue{
			val("artificial_chord_length", "step:s-chords", "operation", measured, 21),
			val("prosthesis_mean_gradient", "", "operation", measured, 4.5, by(trigonev1.Method_METHOD_DOPPLER)),
		},
		Discrepancies: []*trigonev1.Discrepancy{
			{Id: "conversion", Class: "conversion", Reference: "D14", Verdict: trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT},
			{
				Id: "step_omitted/p-ring", Class: "step_omitted", Reference: "D01", PlannedStepId: "p-ring", Parent: "conversion",
				Verdict: trigonev1.DiscrepancyVerdict_DISCREPANCY_VERDICT_PRESENT,
			},
		},
	}
	return fhirmap.History{Site: site, UID: uid, Current: snapshot(1, file, ev, nil)}
}

// Retracted is the complete case, retracted by the next write.
func Retracted() fhirmap.History { return Of(uid, RetractedStates()...) }

// RetractedStates gives the two states of Retracted.
func RetractedStates() []fhirmap.Snapshot {
	return []fhirmap.Snapshot{completeSnapshot(1), {Case: &trigonev1.Case{
		Name: "sites/" + site + "/cases/" + uid, CaseVersion: 2, State: trigonev1.CaseState_CASE_STATE_RETRACTED,
		CaseFile: &trigonev1.CaseFile{PatientIdentifier: patient()}, ChangedTime: clock(30, 0),
	}}}
}

// CoreOnly is a case with little more than its core values: no plan, no clock of
// the study, no method.
func CoreOnly() fhirmap.History {
	file := &trigonev1.CaseFile{
		PatientIdentifier: &trigonev1.Identifier{Value: "P-0002"},
		Identity:          &trigonev1.Identity{Sex: trigonev1.Sex_SEX_MALE, AgeYears: proto.Int32(58)},
		Assessments: []*trigonev1.Assessment{{Id: "echo", Study: &trigonev1.Study{
			Regurgitation: &trigonev1.Regurgitation{Grade: grade(split, trigonev1.GradeValue_GRADE_VALUE_SEVERE)},
		}}},
		Operation: &trigonev1.Operation{
			IncisionTime:     clock(8, 0),
			LeftTheatreAlive: trigonev1.Answer_ANSWER_YES,
			Steps: []*trigonev1.PerformedStep{
				{Id: "1", Technique: resectionOf(trigonev1.Segment_SEGMENT_P2)},
				{Id: "2", Technique: ringOf(trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_UNSPECIFIED, 30)},
			},
		},
		Results: []*trigonev1.Result{{Id: "exit", Stage: trigonev1.Stage_STAGE_LEAVING_THEATRE, Study: &trigonev1.Study{
			Regurgitation: &trigonev1.Regurgitation{Grade: grade(split, trigonev1.GradeValue_GRADE_VALUE_TRACE)},
		}}},
	}
	leaving := atStage(0, trigonev1.Stage_STAGE_LEAVING_THEATRE)
	ev := &trigonev1.Evaluation{
		PlanInForce: &trigonev1.PlanInForce{Timing: trigonev1.PlanTiming_PLAN_TIMING_NO_PLAN},
		Metrics: []*trigonev1.MetricValue{
			val("leaflet_height", "a2/segment_mid", "assessment/echo", measured, 23),
			val("resection_free_edge_width", "step:1", "operation", measured, 10),
			val("mean_gradient", "", "result/exit", measured, 4, leaving),
			val("heart_rate", "", "result/exit", measured, 90, leaving),
			val("coaptation_length", "a2_p2", "result/exit", measured, 7.5, leaving),
		},
	}
	return fhirmap.History{Site: site, UID: uid, Current: snapshot(1, file, ev, nil)}
}

// Revised is a case of three states: the second withdraws a step, a result and a
// finding of the first and revises the plan; the third retracts a section and
// brings the finding back.
func Revised() fhirmap.History { return Of(uid, RevisedStates()...) }

// RevisedStates gives the three states of Revised.
func RevisedStates() []fhirmap.Snapshot {
	first := Disputed().Current

	second := completeSnapshot(2)
	c := second.Case
	c.CaseFile.PatientIdentifier = &trigonev1.Identifier{System: "urn:oid:2.999.1", Value: "P-0009"}
	c.CaseFile.Operation.Steps = c.CaseFile.Operation.Steps[1:]
	c.CaseFile.Plan.Steps = c.CaseFile.Plan.Steps[:1]
	for _, s := range c.Sections {
		if s.GetSection() == "plan" {
			s.Revision = 2
		}
	}
	c.CaseFile.Results = nil
	keep(c, func(v *trigonev1.MetricValue) bool {
		return v.GetOccasion() != "result/exit" && v.GetPlace() != "step:s-resection"
	})
	// The plan in force is still the first revision: signed before incision.
	c.Evaluation.PlanInForce.Revision = 1

	third := proto.Clone(first.Case).(*trigonev1.Case)
	third.CaseVersion = 3
	third.CaseFile.PatientIdentifier = c.CaseFile.PatientIdentifier
	third.CaseFile.Assessments = nil
	for _, s := range third.Sections {
		switch s.GetSection() {
		case "assessment/tee":
			s.State = trigonev1.SectionState_SECTION_STATE_RETRACTED
		case "plan":
			s.Revision = 2
		}
	}
	keep(third, func(v *trigonev1.MetricValue) bool { return v.GetOccasion() != "assessment/tee" })
	third.Evaluation.Findings = third.Evaluation.Findings[2:]
	return []fhirmap.Snapshot{first, second, {Case: third}}
}

func keep(c *trigonev1.Case, wanted func(*trigonev1.MetricValue) bool) {
	var kept []*trigonev1.MetricValue
	for _, v := range c.GetEvaluation().GetMetrics() {
		if wanted(v) {
			kept = append(kept, v)
		}
	}
	c.Evaluation.Metrics = kept
}
