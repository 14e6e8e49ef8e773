package department

import (
	"time"

	"trigone/internal/invent"
	trigonev1 "trigone/proto/trigone/v1"
)

// What is known before the operation: who it is, the examinations, the plan.

const (
	transthoracic    = "tte"
	transoesophageal = "toe-clinic"
)

func (w writer) identity() *trigonev1.Identity {
	return &trigonev1.Identity{
		Sex: word[trigonev1.Sex](w.c.Sex), AgeYears: ptr(int32(w.c.Age)), HeightCm: ptr(w.c.HeightCM), WeightKg: ptr(w.c.WeightKG),
	}
}

func echoContext(observer string) *trigonev1.Context {
	return &trigonev1.Context{
		Method: trigonev1.Method_METHOD_ECHO_2D, Load: trigonev1.Load_LOAD_BEATING,
		Observer: observer, ObserverRole: trigonev1.OperatorRole_OPERATOR_ROLE_ECHOCARDIOGRAPHER,
	}
}

// rhythm follows what fibrillation there was.
func (w writer) rhythm() trigonev1.Rhythm {
	if w.c.Valve.Fibrillation == "persistent" {
		return trigonev1.Rhythm_RHYTHM_ATRIAL_FIBRILLATION
	}
	return trigonev1.Rhythm_RHYTHM_SINUS
}

func (w writer) haemodynamics(systolic float64) *trigonev1.Haemodynamics {
	return &trigonev1.Haemodynamics{
		SystolicArterialPressure: mmhg(systolic), DiastolicArterialPressure: mmhg(systolic - 52),
		HeartRate: rate(w.c.Valve.Rate), Rhythm: w.rhythm(),
	}
}

func prolapses(where string) *trigonev1.Dysfunction {
	return &trigonev1.Dysfunction{Location: inSegment(where), Type: trigonev1.DysfunctionType_DYSFUNCTION_TYPE_II}
}

// lesion is the one that is repaired; other is that of the other leaflet.
const (
	lesion = "lesion-1"
	other  = "lesion-2"
)

func (w writer) assessments() []*trigonev1.Assessment {
	v := &w.c.Valve
	jet := trigonev1.JetDirection_JET_DIRECTION_ANTERIOR
	if v.Segment == "a2" {
		jet = trigonev1.JetDirection_JET_DIRECTION_POSTERIOR
	}
	if v.Both {
		jet = trigonev1.JetDirection_JET_DIRECTION_CENTRAL
	}
	excess := []*trigonev1.Dysfunction{prolapses(v.Segment)}
	if v.Both {
		excess = append(excess, prolapses("a2"))
	}
	clinic := &trigonev1.Study{
		StudyId: "tte-1", Time: at(v.Clinic), Context: echoContext("echo-1"),
		Regurgitation: &trigonev1.Regurgitation{
			Grade: grade(invent.Severe), Timing: trigonev1.RegurgitationTiming_REGURGITATION_TIMING_HOLOSYSTOLIC,
			Jets:                         []*trigonev1.Jet{{Origin: inSegment(v.Segment), Direction: jet, WallImpinging: answer(!v.Both)}},
			JetsRecorded:                 complete,
			VenaContractaWidth:           mm(v.VenaWidth),
			StatedRegurgitantOrificeArea: cm2(v.Orifice),
			StatedRegurgitantVolume:      ml(v.RegurgVolume),
			Mechanisms:                   []trigonev1.RegurgitationMechanism{trigonev1.RegurgitationMechanism_REGURGITATION_MECHANISM_PROLAPSE},
			MechanismsRecorded:           complete,
		},
		Chambers: &trigonev1.Chambers{
			LeftVentricularEndDiastolicVolume: ml(v.EDV), LeftVentricularEndSystolicVolume: ml(v.ESV),
			LeftVentricularEndDiastolicDiameter: mm(v.EDD), LeftVentricularEndSystolicDiameter: mm(v.ESD),
			StatedLeftVentricularEjectionFraction: percent(v.EjectionFraction), LeftAtrialVolume: ml(v.AtriumVolume),
			TricuspidRegurgitationPeakVelocity: velocity(v.TricuspidVelocity), RightAtrialPressure: mmhg(5),
			BasalSeptumThickness: mm(v.Septum), CoaptationToSeptumDistance: mm(v.ToSeptum),
			AortoMitralAngle:   &trigonev1.Angle{Deg: ptr(v.Angle)},
			WallMotionRecorded: complete,
		},
		Leaflets: &trigonev1.Leaflets{Dysfunctions: excess},
		OtherValves: &trigonev1.OtherValves{
			AorticRegurgitation: grade(invent.None), TricuspidRegurgitation: grade(v.TricuspidGrade),
		},
		AnteriorMotion: &trigonev1.AnteriorMotion{State: trigonev1.AnteriorMotionState_ANTERIOR_MOTION_STATE_NONE},
		Haemodynamics:  w.haemodynamics(126),
	}
	scale := 1.0
	if w.c.Theatre.Slip == invent.SlipUnits {
		scale = 10
	}
	kinds := []trigonev1.LesionKind{trigonev1.LesionKind_LESION_KIND_CHORD_ELONGATION}
	if v.Flail {
		kinds[0] = trigonev1.LesionKind_LESION_KIND_CHORD_RUPTURE
	}
	if v.Aetiology == "myxomatous" {
		kinds = append(kinds, trigonev1.LesionKind_LESION_KIND_EXCESS_TISSUE)
	}
	lesions := []*trigonev1.Lesion{{Id: lesion, Location: inSegment(v.Segment), Kinds: kinds, Flail: answer(v.Flail), FlailWidth: mm(v.FlailWidthMM)}}
	if v.Both {
		lesions = append(lesions, &trigonev1.Lesion{
			Id: other, Location: inSegment("a2"), Kinds: []trigonev1.LesionKind{trigonev1.LesionKind_LESION_KIND_CHORD_ELONGATION}, Flail: no,
		})
	}
	middle := trigonev1.Station_STATION_SEGMENT_MID
	volume := &trigonev1.Study{
		StudyId: "toe-1", Time: at(v.Transoesophageal),
		Context: &trigonev1.Context{
			Method: trigonev1.Method_METHOD_ECHO_3D, Load: trigonev1.Load_LOAD_BEATING, CardiacPhase: trigonev1.CardiacPhase_CARDIAC_PHASE_END_SYSTOLE,
			Observer: "echo-2", ObserverRole: trigonev1.OperatorRole_OPERATOR_ROLE_ECHOCARDIOGRAPHER,
		},
		Regurgitation: &trigonev1.Regurgitation{Grade: grade(invent.Severe)},
		Chambers:      &trigonev1.Chambers{CircumflexToAnnulusDistance: mm(v.Circumflex)},
		Annulus: &trigonev1.Annulus{
			AnnulusAnteroPosteriorDiameter: mm(v.APDiameter), AnnulusIntercommissuralDiameter: mm(v.ICDiameter),
			AnnulusArea: cm2(v.AnnulusArea), AnnulusPerimeter: mm(v.Perimeter),
			IntertrigonalDistance: mm(26.7), Calcification: trigonev1.CalcificationExtent_CALCIFICATION_EXTENT_NONE,
		},
		Leaflets: &trigonev1.Leaflets{
			Heights: []*trigonev1.LeafletHeight{
				height("a2", middle, v.ReadA2/scale), height("p1", middle, v.P1), height("p2", middle, v.ReadP2/scale), height("p3", middle, v.P3),
			},
			Scallops:         []*trigonev1.Scallop{{Segment: posterior(v.Segment), ScallopFreeEdgeWidth: mm(v.ScallopMM)}},
			LeafletThickness: mm(v.Thickness),
			Coaptation: []*trigonev1.Coaptation{{
				Slice: trigonev1.Slice_SLICE_A2_P2, CoaptationDepth: mm(v.ReadDepth),
				CoaptationLength: &trigonev1.Length{AbsentReason: trigonev1.AbsentReason_ABSENT_REASON_NOT_APPLICABLE},
			}},
			Lesions: lesions, LesionsRecorded: complete, Dysfunctions: excess,
		},
		Haemodynamics: w.haemodynamics(124),
	}
	return []*trigonev1.Assessment{
		{Id: transthoracic, Kind: trigonev1.AssessmentKind_ASSESSMENT_KIND_TRANSTHORACIC, Study: clinic},
		{Id: transoesophageal, Kind: trigonev1.AssessmentKind_ASSESSMENT_KIND_TRANSOESOPHAGEAL_AWAKE, Study: volume},
	}
}

// posterior is the segment whose width was read.
func posterior(where string) trigonev1.Segment {
	if where == "a2" {
		where = "p2"
	}
	return segment(where)
}

// correction sends heights that were typed in centimetres once more, in half of
// these cases.
func (w writer) correction() *Letter {
	if w.c.Theatre.Slip != invent.SlipUnits || w.c.Number%2 == 0 {
		return nil
	}
	right := *w.c
	right.Theatre.Slip = ""
	f := &trigonev1.CaseFile{
		ExternalIdentifier: w.number(), PatientIdentifier: w.patient(),
		Assessments: writer{d: w.d, c: &right}.assessments()[1:],
	}
	return &Letter{At: w.c.Received.Operation.Add(26 * time.Hour), Case: w.c, File: f}
}

func (w writer) setting(planned bool) *trigonev1.CaseSetting {
	s, v := &w.c.Setting, &w.c.Valve
	out := &trigonev1.CaseSetting{
		Approach: word[trigonev1.Approach](s.Approach), Urgency: word[trigonev1.Urgency](s.Urgency), PreviousCardiacSurgery: answer(w.c.Reoperation > 0),
		Complexity: word[trigonev1.Complexity](s.Complexity), FibrillationBefore: word[trigonev1.AtrialFibrillation](v.Fibrillation),
		CoronaryDominance: trigonev1.CoronaryDominance_CORONARY_DOMINANCE_RIGHT, PreviousProceduresRecorded: complete,
	}
	if w.c.Reoperation > 0 {
		out.PreviousProcedures = []trigonev1.PreviousProcedure{trigonev1.PreviousProcedure_PREVIOUS_PROCEDURE_MITRAL_REPAIR}
	}
	member := func(who string, role trigonev1.OperatorRole) {
		out.Operators = append(out.Operators, &trigonev1.Operator{Pseudonym: who, Role: role})
	}
	if w.c.Supervisor != "" {
		member(w.c.Supervisor, trigonev1.OperatorRole_OPERATOR_ROLE_SUPERVISOR)
		member(w.c.Operator, trigonev1.OperatorRole_OPERATOR_ROLE_TRAINEE)
	} else {
		member(w.c.Operator, trigonev1.OperatorRole_OPERATOR_ROLE_SURGEON)
	}
	member("echo-2", trigonev1.OperatorRole_OPERATOR_ROLE_ECHOCARDIOGRAPHER)
	if !s.RiskMissing && (planned || w.c.Received.Plan.IsZero()) {
		out.ExpectedRisks = []*trigonev1.ExpectedRisk{
			risk(trigonev1.RiskOutcome_RISK_OUTCOME_DEATH_30_DAYS, s.DeathRisk, invent.DeathModel, w.c.Valve.Clinic, trigonev1.RiskHorizon_RISK_HORIZON_STAY_OR_THIRTY_DAYS),
			risk(trigonev1.RiskOutcome_RISK_OUTCOME_CONVERSION, s.ConversionRisk, invent.ConversionModel, w.c.Valve.Clinic, trigonev1.RiskHorizon_RISK_HORIZON_STAY),
		}
	}
	out.IntendedProcedure = &trigonev1.IntendedProcedure{
		Kind: trigonev1.IntendedProcedureKind_INTENDED_PROCEDURE_KIND_REPAIR, StatedBy: w.responsible(), StatedTime: at(w.c.Incision.Add(-16 * time.Hour)),
	}
	return out
}

func risk(of trigonev1.RiskOutcome, p float64, model string, on time.Time, horizon trigonev1.RiskHorizon) *trigonev1.ExpectedRisk {
	return &trigonev1.ExpectedRisk{
		Outcome: of, ExpectedProbability: percent(round(100*p, 0.01)), Model: model, Version: invent.ModelVersion, Horizon: horizon, CalculatedOn: day(on),
	}
}

func (w writer) responsible() string {
	if w.c.Supervisor != "" {
		return w.c.Supervisor
	}
	return w.c.Operator
}

// earlierPlan is the version before the one in force: with the next larger ring.
func (w writer) earlierPlan() *trigonev1.Plan {
	before := *w.c
	before.Plan.Ring = nextLarger(before.Plan.Ring)
	p := writer{d: w.d, c: &before}.plan()
	if p.GetSignedTime() != nil {
		p.SignedTime = at(w.c.Plan.Signed.Add(-25 * time.Hour))
	}
	return p
}

func nextLarger(r invent.Ring) invent.Ring {
	for _, row := range invent.Rings() {
		if row.Family == r.Family && row.Label == r.Label+2 {
			return row
		}
	}
	return r
}

func (w writer) plan() *trigonev1.Plan {
	p, v := &w.c.Plan, &w.c.Valve
	out := &trigonev1.Plan{
		Context: trigonev1.PlanContext_PLAN_CONTEXT_CLINIC, AssessmentIds: []string{transthoracic, transoesophageal},
		Indication: &trigonev1.Indication{
			Aetiology: word[trigonev1.Aetiology](v.Aetiology), FunctionalClass: word[trigonev1.FunctionalClass](v.FunctionalClass),
			Triggers: w.triggers(), TriggersRecorded: complete,
		},
		Setting: w.setting(true), StepsRecorded: complete, ReferenceSegment: segment("p1"),
	}
	if !p.Unsigned {
		out.Signer, out.SignedTime = w.responsible(), at(p.Signed)
	}
	for _, s := range w.steps(p.Technique, p.ResectionMM, p.StripMM, p.ChordMM, p.Pairs) {
		out.Steps = append(out.Steps, &trigonev1.PlannedStep{
			Id: "p-" + s.id, Technique: s.technique, LesionIds: s.lesions, ExpectedEffect: trigonev1.ExpectedEffect_EXPECTED_EFFECT_CORRECTS,
		})
	}
	if p.Ring.Label > 0 {
		ring := annuloplasty(p.Ring)
		ring.PlannedLabelMin, ring.PlannedLabelMax = ptr(p.Ring.Label), ptr(p.Ring.Label)
		if !p.Ring.Band {
			ring.RingInnerAnteroPosteriorDiameter = mm(p.Ring.AP)
		}
		out.Steps = append(out.Steps, &trigonev1.PlannedStep{Id: "p-ring", Technique: &trigonev1.Technique{Kind: &trigonev1.Technique_Annuloplasty{Annuloplasty: ring}}})
	}
	middle := trigonev1.Station_STATION_SEGMENT_MID
	if v.Segment != "p2" || p.Technique == invent.Chords {
		out.PlannedHeights = append(out.PlannedHeights, height("p2", middle, p.HeightP2))
	} else {
		out.PlannedHeights = append(out.PlannedHeights, height("p2", trigonev1.Station_STATION_SEAM, p.HeightP2))
	}
	out.PlannedHeights = append(out.PlannedHeights, height("a2", middle, v.ReadA2))
	leaving := trigonev1.Stage_STAGE_LEAVING_THEATRE
	out.Targets = []*trigonev1.Target{
		{Id: "t-contact", Stage: leaving, Aim: &trigonev1.Target_CoaptationLength{CoaptationLength: &trigonev1.CoaptationTarget{
			Slice: trigonev1.Slice_SLICE_A2_P2, Range: &trigonev1.LengthRange{MinMm: ptr(p.ContactLow), MaxMm: ptr(p.ContactHigh)},
		}}},
		{Id: "t-gradient", Stage: leaving, Method: trigonev1.Method_METHOD_DOPPLER, Aim: &trigonev1.Target_MeanGradient{MeanGradient: &trigonev1.PressureRange{MaxMmhg: ptr(5.0)}}},
		{Id: "t-regurgitation", Stage: leaving, Aim: &trigonev1.Target_RegurgitationGradeAtMost{RegurgitationGradeAtMost: grade(invent.Trace)}},
	}
	return out
}

func (w writer) triggers() []trigonev1.IndicationTrigger {
	v := &w.c.Valve
	var list []trigonev1.IndicationTrigger
	for _, t := range []struct {
		is      bool
		trigger trigonev1.IndicationTrigger
	}{
		{v.FunctionalClass != "i", trigonev1.IndicationTrigger_INDICATION_TRIGGER_SYMPTOMS},
		{v.EjectionFraction <= 60 || v.ESD >= 40, trigonev1.IndicationTrigger_INDICATION_TRIGGER_LEFT_VENTRICULAR_DYSFUNCTION},
		{v.Fibrillation != "none", trigonev1.IndicationTrigger_INDICATION_TRIGGER_ATRIAL_FIBRILLATION},
	} {
		if t.is {
			list = append(list, t.trigger)
		}
	}
	if list == nil {
		list = append(list, trigonev1.IndicationTrigger_INDICATION_TRIGGER_EARLY_REPAIR)
	}
	return list
}

// step is one step, planned or done.
type step struct {
	id        string
	technique *trigonev1.Technique
	lesions   []string
}

// steps are those on the leaflets.
func (w writer) steps(technique string, resection, strip, chord float64, pairs int) []step {
	v := &w.c.Valve
	var list []step
	add := func(id string, t *trigonev1.Technique, lesions ...string) {
		list = append(list, step{id, t, lesions})
	}
	switch technique {
	case invent.Triangular, invent.Sliding:
		r := &trigonev1.LeafletResection{
			Segments: []trigonev1.Segment{segment(v.Segment)}, Shape: trigonev1.ResectionShape_RESECTION_SHAPE_TRIANGULAR, ToAnnulus: no,
			ProlapsingFreeEdgeWidth: mm(v.FlailWidthMM), ResectionFreeEdgeWidth: mm(resection), ResectionBaseWidth: mm(0), ResectionHeight: mm(round(0.85*w.heightAt(v.Segment), 0.5)),
		}
		if technique == invent.Sliding {
			r.Shape, r.ToAnnulus = trigonev1.ResectionShape_RESECTION_SHAPE_QUADRANGULAR, yes
			r.ResectionBaseWidth, r.ResectionHeight = mm(resection), mm(v.ReadP2)
		}
		add("resection", &trigonev1.Technique{Kind: &trigonev1.Technique_LeafletResection{LeafletResection: r}}, lesion)
		if technique == invent.Sliding {
			lateral := round(resection/2, 1)
			side := func(advance float64) *trigonev1.SlidingSide {
				return &trigonev1.SlidingSide{
					SlidingDetachedLength: mm(advance + 14), SlidingAdvance: mm(advance), SlidingStripHeightAtCutEdge: mm(strip), SlidingStripHeightAtFarEnd: mm(1),
				}
			}
			add("sliding", &trigonev1.Technique{Kind: &trigonev1.Technique_SlidingPlasty{SlidingPlasty: &trigonev1.SlidingPlasty{
				Lateral: side(lateral), Medial: side(resection - lateral),
			}}}, lesion)
		}
	case invent.Chords:
		add("chords", w.chords(v.Segment, chord, pairs), lesion)
	}
	if v.Both {
		add("chords-a2", w.chords("a2", 25, 2), other)
	}
	return list
}

// heightAt gives the height of a posterior segment as read.
func (w writer) heightAt(where string) float64 {
	switch v := &w.c.Valve; where {
	case "p1":
		return v.P1
	case "p3":
		return v.P3
	default:
		return v.ReadP2
	}
}

func (w writer) chords(where string, length float64, pairs int) *trigonev1.Technique {
	muscle := trigonev1.PapillaryMuscle_PAPILLARY_MUSCLE_POSTEROMEDIAL
	if where == "p1" {
		muscle = trigonev1.PapillaryMuscle_PAPILLARY_MUSCLE_ANTEROLATERAL
	}
	reference := "p1"
	if where == "p1" {
		reference = "p2"
	}
	return &trigonev1.Technique{Kind: &trigonev1.Technique_ArtificialChord{ArtificialChord: &trigonev1.ArtificialChord{
		Targets: []*trigonev1.Location{inSegment(where)}, Form: trigonev1.ArtificialChordForm_ARTIFICIAL_CHORD_FORM_PAIRS,
		PairCount: ptr(int32(pairs)), StrandCount: ptr(int32(2 * pairs)), ArtificialChordLength: mm(length),
		LengthBasis: trigonev1.ChordLengthBasis_CHORD_LENGTH_BASIS_NORMAL_SEGMENT, Insertion: trigonev1.ChordInsertion_CHORD_INSERTION_FREE_EDGE,
		PapillaryMuscle: muscle, ReferenceSegment: segment(reference),
		Material: trigonev1.ChordMaterial_CHORD_MATERIAL_EXPANDED_POLYTETRAFLUOROETHYLENE,
	}}}
}

func annuloplasty(r invent.Ring) *trigonev1.Annuloplasty {
	out := &trigonev1.Annuloplasty{
		Kind: word[trigonev1.AnnuloplastyKind](r.Kind()), Rigidity: trigonev1.Rigidity_RIGIDITY_SEMI_RIGID, FamilyKey: r.Family,
		SizingBasis: trigonev1.SizingBasis_SIZING_BASIS_ANTERIOR_LEAFLET_HEIGHT, SizingMethod: trigonev1.Method_METHOD_SIZER,
	}
	if r.Band {
		out.Rigidity = trigonev1.Rigidity_RIGIDITY_FLEXIBLE
	}
	return out
}
