package convert

import (
	"cmp"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// Case turns a record into the case that is reasoned about. It takes whatever it
// is given and never fails: of a value that Check would refuse it keeps what can
// be kept, and a nil entry reads as an empty one.
func Case(rec Record) *repair.Case {
	col := newCollector()
	c := &repair.Case{}
	if rec.Identity != nil {
		c.Identity = &repair.Identity{Sex: Word(rec.Identity.GetSex()), AgeYears: maybeInt(rec.Identity.AgeYears)}
		col.identity(rec.Identity, "")
	}
	for _, s := range rec.Assessments {
		name := kindAssessment + "/" + s.GetId()
		col.measure(name, s, "")
		st := study(repair.Assessment, name, s.GetStudy())
		st.Modality = Word(s.GetKind())
		c.Studies = append(c.Studies, st)
	}
	for _, s := range rec.Results {
		name := kindResult + "/" + s.GetId()
		col.measure(name, s, "")
		st := study(repair.Result, name, s.GetStudy())
		st.Run, st.Stage, st.Decision = int(s.GetRun()), valve.Stage(Word(s.GetStage())), Word(s.GetDecision())
		c.Studies = append(c.Studies, st)
	}
	for _, s := range rec.FollowUps {
		name := kindFollowUp + "/" + s.GetId()
		col.measure(name, s, "")
		c.Studies = append(c.Studies, followUp(name, s))
	}
	slices.SortStableFunc(c.Studies, func(a, b repair.Study) int {
		if a.Time.IsZero() != b.Time.IsZero() {
			if a.Time.IsZero() {
				return 1
			}
			return -1
		}
		return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Occasion, b.Occasion))
	})
	for _, r := range rec.Plans {
		own := newCollector()
		own.measure(SectionPlan, r.Plan, "")
		c.Plans = append(c.Plans, repair.PlanRevision{Revision: r.Revision, Received: r.Received, Plan: plan(r.Plan), Measured: own.into})
	}
	if rec.Plan != nil {
		col.measure(SectionPlan, rec.Plan, "")
		c.Plan, c.PlanRevision = headPlan(rec, c.Plans)
	}
	if rec.Operation != nil {
		col.measure(SectionOperation, rec.Operation, "")
		c.Operation = operation(rec.Operation)
		c.Operation.Received = rec.OperationReceived
	}
	c.Measured = col.into
	return c
}

// headPlan gives the head's struct with its number, the same struct as among the
// revisions. The number tells which it is: the messages were decoded apart.
func headPlan(rec Record, revisions []repair.PlanRevision) (*repair.Plan, int64) {
	for i := range revisions {
		if revisions[i].Revision == rec.PlanRevision {
			return revisions[i].Plan, rec.PlanRevision
		}
	}
	return plan(rec.Plan), 0
}

// orEmpty gives a message whose fields may be read, for the optional numbers:
// getters give a missing one as 0.
func orEmpty[T any](m *T) *T {
	if m == nil {
		return new(T)
	}
	return m
}

func instant(t *timestamppb.Timestamp) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.AsTime()
}

func maybeInt(v *int32) units.Maybe[int] {
	if v == nil {
		return units.None[int]()
	}
	return units.Some(int(*v))
}

func maybeFloat(v *float64) units.Maybe[float64] {
	if v == nil {
		return units.None[float64]()
	}
	return units.Some(*v)
}

func answer(a trigonev1.Answer) valve.Answer { return valve.Answer(Word(a)) }

func recorded(r trigonev1.Recorded) valve.Recorded { return valve.Recorded(Word(r)) }

func location(l *trigonev1.Location) repair.Location {
	return repair.Location{
		Segment: segment(l.GetSegment()), Boundary: valve.Boundary(Word(l.GetBoundary())),
		Commissure: valve.Commissure(Word(l.GetCommissure())), Leaflet: valve.Leaflet(Word(l.GetLeaflet())),
	}
}

func locations(list []*trigonev1.Location) []repair.Location {
	var out []repair.Location
	for _, l := range list {
		out = append(out, location(l))
	}
	return out
}

func atSegments(list []trigonev1.Segment) []repair.Location {
	var out []repair.Location
	for _, s := range list {
		out = append(out, repair.Location{Segment: segment(s)})
	}
	return out
}

func study(kind repair.StudyKind, section string, s *trigonev1.Study) repair.Study {
	r := s.GetRegurgitation()
	out := repair.Study{
		Kind: kind, Occasion: valve.Occasion(section), StudyID: cmp.Or(s.GetStudyId(), section), Time: instant(s.GetTime()),
		HasRegurgitation: r != nil, Grade: gradeOf(r.GetGrade()), Timing: Word(r.GetTiming()),
		MechanismsRecorded: recorded(r.GetMechanismsRecorded()),
		AorticGrade:        gradeOf(s.GetOtherValves().GetAorticRegurgitation()),
		TricuspidGrade:     gradeOf(s.GetOtherValves().GetTricuspidRegurgitation()),
		LesionsRecorded:    recorded(s.GetLeaflets().GetLesionsRecorded()),
		Calcification:      Word(s.GetAnnulus().GetCalcification()),
		Shape:              annulusShape(s),
		AnteriorMotion:     Word(s.GetAnteriorMotion().GetState()),
		AnteriorMotionEnd:  Word(s.GetAnteriorMotion().GetEnd()),
		GradeWithMotion:    gradeOf(s.GetAnteriorMotion().GetRegurgitationWithMotion()),
		Inotrope:           answer(s.GetHaemodynamics().GetInotrope()),
		Rhythm:             Word(s.GetHaemodynamics().GetRhythm()),
		Provocation:        Word(s.GetHaemodynamics().GetProvocation()),
	}
	for _, m := range r.GetMechanisms() {
		out.Mechanisms = append(out.Mechanisms, Word(m))
	}
	for _, j := range r.GetJets() {
		out.Jets = append(out.Jets, repair.Jet{Origin: location(j.GetOrigin()), Direction: Word(j.GetDirection())})
	}
	for _, l := range s.GetLeaflets().GetLesions() {
		lesion := repair.Lesion{ID: l.GetId(), Where: location(l.GetLocation()), Flail: answer(l.GetFlail())}
		for _, k := range l.GetKinds() {
			lesion.Kinds = append(lesion.Kinds, Word(k))
		}
		out.Lesions = append(out.Lesions, lesion)
	}
	for _, d := range s.GetLeaflets().GetDysfunctions() {
		out.Dysfunctions = append(out.Dysfunctions, repair.Dysfunction{Where: location(d.GetLocation()), Type: Word(d.GetType())})
	}
	for _, m := range s.GetAnteriorMotion().GetManoeuvres() {
		out.Manoeuvres = append(out.Manoeuvres, Word(m.GetKind()))
	}
	for _, w := range s.GetChambers().GetWallMotion() {
		abnormal := w.GetState() != trigonev1.WallMotionState_WALL_MOTION_STATE_UNSPECIFIED && w.GetState() != trigonev1.WallMotionState_WALL_MOTION_STATE_NORMAL
		if w.GetTerritory() == trigonev1.WallTerritory_WALL_TERRITORY_LATERAL && abnormal && w.GetNewSinceBaseline() == trigonev1.Answer_ANSWER_YES {
			out.NewLateral = true
		}
	}
	return out
}

func followUp(section string, f *trigonev1.FollowUp) repair.Study {
	out := study(repair.FollowUp, section, f.GetStudy())
	out.FollowUpKind = Word(f.GetKind())
	out.EchoOn, out.EchoNotDoneReason = f.GetEchoOn(), Word(f.GetEchoNotDoneReason())
	out.StatusKnownOn, out.VitalStatus, out.DiedOn = f.GetStatusKnownOn(), Word(f.GetVitalStatus()), f.GetDiedOn()
	for _, r := range f.GetReinterventions() {
		out.Reinterventions = append(out.Reinterventions, repair.Reintervention{On: r.GetOn(), Kind: Word(r.GetKind())})
	}
	out.Complications = complications(f.GetComplications())
	for _, r := range f.GetReadmissions() {
		out.Readmissions = append(out.Readmissions, repair.Event{Kind: Word(r.GetCause()), On: r.GetAdmittedOn()})
	}
	return out
}

func complications(list []*trigonev1.Complication) []repair.Event {
	var out []repair.Event
	for _, c := range list {
		out = append(out, repair.Event{Kind: Word(c.GetKind()), On: c.GetDate()})
	}
	return out
}

func plan(p *trigonev1.Plan) *repair.Plan {
	out := &repair.Plan{
		Signer: p.GetSigner(), SignedTime: instant(p.GetSignedTime()), AssessmentIDs: p.GetAssessmentIds(),
		Aetiology:       Word(p.GetIndication().GetAetiology()),
		FunctionalClass: Word(p.GetIndication().GetFunctionalClass()), StepsRecorded: recorded(p.GetStepsRecorded()),
		TriggersRecorded:   recorded(p.GetIndication().GetTriggersRecorded()),
		FibrillationBefore: Word(p.GetSetting().GetFibrillationBefore()), Intended: Word(p.GetSetting().GetIntendedProcedure().GetKind()),
	}
	for _, t := range p.GetIndication().GetTriggers() {
		out.Triggers = append(out.Triggers, Word(t))
	}
	for _, s := range p.GetSteps() {
		step := technique(s.GetTechnique())
		step.ID, step.LesionIDs = s.GetId(), s.GetLesionIds()
		step.Condition, step.AlternativeOf = Word(s.GetCondition().GetKind()), s.GetAlternativeOf()
		step.ExpectedEffect = Word(s.GetExpectedEffect())
		out.Steps = append(out.Steps, step)
	}
	for _, t := range p.GetTargets() {
		out.Targets = append(out.Targets, target(t))
	}
	return out
}

func target(t *trigonev1.Target) repair.Target {
	out := repair.Target{ID: t.GetId(), Stage: valve.Stage(Word(t.GetStage())), Method: valve.Method(Word(t.GetMethod()))}
	if out.Stage == "" {
		out.Stage = valve.LeavingTheatre
	}
	switch aim := t.GetAim().(type) {
	case *trigonev1.Target_CoaptationLength:
		slice := valve.Slice(Word(aim.CoaptationLength.GetSlice()))
		if slice == "" {
			slice = valve.A2P2
		}
		out.Leaf, out.Place = valve.CoaptationLength, valve.AtSlice(slice)
		out.Low, out.High = lengths(aim.CoaptationLength.GetRange())
	case *trigonev1.Target_MeanGradient:
		span := orEmpty(aim.MeanGradient)
		out.Leaf = valve.MeanGradient
		out.Low, out.High = maybeFloat(span.MinMmhg), maybeFloat(span.MaxMmhg)
	case *trigonev1.Target_RegurgitationGradeAtMost:
		out.Grade = gradeOf(aim.RegurgitationGradeAtMost)
	case *trigonev1.Target_LeafletHeight:
		out.Leaf = valve.LeafletHeight
		out.Place = valve.AtStation(segment(aim.LeafletHeight.GetSegment()), valve.Station(Word(aim.LeafletHeight.GetStation())))
		out.Low, out.High = lengths(aim.LeafletHeight.GetRange())
	case *trigonev1.Target_AnteriorClosureShare:
		span := orEmpty(aim.AnteriorClosureShare)
		out.Leaf, out.Place = valve.AnteriorClosureShare, valve.AtSlice(valve.A2P2)
		out.Low, out.High = maybeFloat(span.MinPercent), maybeFloat(span.MaxPercent)
	case *trigonev1.Target_OutflowTractGradient:
		span := orEmpty(aim.OutflowTractGradient)
		out.Leaf = valve.OutflowTractGradient
		out.Low, out.High = maybeFloat(span.MinMmhg), maybeFloat(span.MaxMmhg)
	case *trigonev1.Target_PlanimetryOrificeArea:
		span := orEmpty(aim.PlanimetryOrificeArea)
		out.Leaf = valve.PlanimetryOrificeArea
		out.Low, out.High = maybeFloat(span.MinCm2), maybeFloat(span.MaxCm2)
	}
	return out
}

func lengths(r *trigonev1.LengthRange) (low, high units.Maybe[float64]) {
	if r == nil {
		return low, high
	}
	return maybeFloat(r.MinMm), maybeFloat(r.MaxMm)
}

func operation(o *trigonev1.Operation) *repair.Operation {
	out := &repair.Operation{
		IncisionTime: instant(o.GetIncisionTime()), FirstLeafletCutTime: instant(o.GetFirstLeafletCutTime()), EndTime: instant(o.GetEndTime()),
		RunsRecorded: recorded(o.GetRunsRecorded()), StepsRecorded: recorded(o.GetStepsRecorded()),
		MarginChordsRecorded: recorded(o.GetMarginChordsRecorded()), TestsRecorded: recorded(o.GetTestsRecorded()),
		LeftTheatreAlive:    answer(o.GetLeftTheatreAlive()),
		ConcomitantRecorded: recorded(o.GetConcomitantProceduresRecorded()),
		FibrillationBefore:  Word(o.GetSetting().GetFibrillationBefore()),
		Intended:            Word(o.GetSetting().GetIntendedProcedure().GetKind()),
	}
	for _, r := range o.GetRuns() {
		r = orEmpty(r)
		out.Runs = append(out.Runs, repair.Run{
			Number: int(r.GetNumber()), BypassStart: instant(r.GetBypassStart()), BypassEnd: instant(r.GetBypassEnd()),
			ClampStart: instant(r.GetClampStart()), ClampEnd: instant(r.GetClampEnd()),
			StatedBypassMinutes: maybeFloat(r.StatedBypassMin), StatedClampMinutes: maybeFloat(r.StatedClampMin),
			Reason: Word(r.GetReason()), ForMitralValve: answer(r.GetForMitralValve()),
			Protection: Word(r.GetProtection().GetKind()), AorticOcclusion: Word(r.GetProtection().GetAorticOcclusion()),
		})
	}
	for _, s := range o.GetSteps() {
		step := technique(s.GetTechnique())
		step.ID, step.LesionIDs = s.GetId(), s.GetLesionIds()
		step.Run, step.Order, step.Fate = int(s.GetRun()), int(s.GetOrder()), Word(s.GetFate())
		step.RevisedBy, step.TakenDownInRun = s.GetRevisedBy(), int(s.GetTakenDownInRun())
		step.Reason, step.PlannedStepID = Word(s.GetReason()), s.GetPlannedStepId()
		out.Steps = append(out.Steps, step)
	}
	for _, h := range o.GetHeights() {
		run, stage := int(h.GetRun()), valve.Stage(Word(h.GetStage()))
		out.FieldSets = append(out.FieldSets, repair.FieldSet{Occasion: valve.InRun(run, stage), Run: run, Stage: stage, Time: instant(h.GetTime())})
	}
	for _, m := range o.GetMarginChords() {
		out.MarginChords = append(out.MarginChords, repair.MarginChords{
			StepID: m.GetStepId(), Side: valve.Side(Word(m.GetSide())), Segment: segment(m.GetSegment()), Count: maybeInt(orEmpty(m).ChordCount),
		})
	}
	for _, t := range o.GetSalineTests() {
		out.SalineTests = append(out.SalineTests, repair.Test{
			ID: t.GetId(), Run: int(t.GetRun()), Stage: valve.Stage(Word(t.GetStage())), Performed: answer(t.GetPerformed()),
			Time: instant(t.GetTime()), Leak: Word(t.GetLeak()), LeakAt: locations(t.GetLeakLocations()), LineSymmetric: answer(t.GetClosureLineSymmetric()),
		})
	}
	for _, t := range o.GetInkTests() {
		out.InkTests = append(out.InkTests, repair.Test{
			ID: t.GetId(), Run: int(t.GetRun()), Stage: valve.Stage(Word(t.GetStage())), Performed: answer(t.GetPerformed()),
			Time: instant(t.GetTime()),
		})
	}
	if cv := o.GetConversion(); cv != nil {
		out.Conversion = &repair.Conversion{
			Converted: answer(cv.GetConverted()), Point: Word(cv.GetPoint()), Reason: Word(cv.GetReason()), TriedStepIDs: cv.GetTriedStepIds(),
		}
	}
	if n := o.GetNeighbourhood(); n != nil {
		out.Neighbourhood = repair.Neighbourhood{
			SuturesNearAorticValve: answer(n.GetSuturesNearAorticValve()), AorticValveChecked: answer(n.GetAorticValveChecked()),
			CircumflexFlowChecked: answer(n.GetCircumflexFlowChecked()), LateralWallChecked: answer(n.GetLateralWallChecked()),
			LateralWallNewlyAbnormal: answer(n.GetLateralWallNewlyAbnormal()), CoronaryAction: Word(n.GetCoronaryAction()),
		}
	}
	for _, p := range o.GetConcomitantProcedures() {
		out.ConcomitantProcedures = append(out.ConcomitantProcedures, Word(p.GetKind()))
	}
	for _, p := range o.GetDeclinedProcedures() {
		out.DeclinedProcedures = append(out.DeclinedProcedures, Word(p.GetKind()))
	}
	for _, l := range o.GetAcceptedLesions() {
		out.AcceptedLesions = append(out.AcceptedLesions, repair.AcceptedLesion{
			LesionID: l.GetLesionId(), Kind: Word(l.GetKind()), Where: location(l.GetLocation()), Reason: Word(l.GetReason()),
		})
	}
	out.Complications = complications(o.GetComplications())
	return out
}

// technique gives what a step does, without what the plan or the operation says
// of it.
func technique(t *trigonev1.Technique) repair.Step {
	switch k := t.GetKind().(type) {
	case *trigonev1.Technique_Annuloplasty:
		return repair.Step{Technique: repair.Annuloplasty, Ring: ring(k.Annuloplasty)}
	case *trigonev1.Technique_ArtificialChord:
		a := orEmpty(k.ArtificialChord)
		return repair.Step{Technique: repair.ArtificialChord, Places: locations(a.GetTargets()),
			Chords: &repair.Chords{
				PairCount: maybeInt(a.PairCount), StrandCount: maybeInt(a.StrandCount), Form: Word(a.GetForm()), Insertion: Word(a.GetInsertion()),
				Papillary: Word(a.GetPapillaryMuscle()), PapillaryHead: Word(a.GetPapillaryHead()),
				Material: Word(a.GetMaterial()), Calibre: Word(a.GetCalibre()),
			}}
	case *trigonev1.Technique_ChordTransfer:
		a := orEmpty(k.ChordTransfer)
		step := repair.Step{Technique: repair.ChordTransfer, ChordCount: maybeInt(a.ChordCount)}
		if a.GetTo() != nil {
			step.Places = []repair.Location{location(a.GetTo())}
		}
		step.From = location(a.GetFrom())
		return step
	case *trigonev1.Technique_CleftClosure:
		a := k.CleftClosure
		step := repair.Step{Technique: repair.CleftClosure, ChordsKept: answer(a.GetChordsKept())}
		if a.GetLocation() != nil {
			step.Places = []repair.Location{location(a.GetLocation())}
		}
		return step
	case *trigonev1.Technique_CommissuralClosure:
		return repair.Step{Technique: repair.CommissuralClosure,
			Places: []repair.Location{{Commissure: valve.Commissure(Word(k.CommissuralClosure.GetCommissure()))}}}
	case *trigonev1.Technique_EdgeToEdge:
		return repair.Step{Technique: repair.EdgeToEdge, Slice: valve.Slice(Word(k.EdgeToEdge.GetSlice()))}
	case *trigonev1.Technique_HeightReduction:
		return repair.Step{Technique: repair.HeightReduction, Places: atSegments(k.HeightReduction.GetSegments()), Form: Word(k.HeightReduction.GetForm())}
	case *trigonev1.Technique_LeafletResection:
		a := k.LeafletResection
		step := repair.Step{Technique: repair.LeafletResection, Places: atSegments(a.GetSegments()),
			Resection: &repair.Resection{Shape: Word(a.GetShape()), ToAnnulus: answer(a.GetToAnnulus())}}
		if a.GetCommissure() != trigonev1.Commissure_COMMISSURE_UNSPECIFIED {
			step.Places = append(step.Places, repair.Location{Commissure: valve.Commissure(Word(a.GetCommissure()))})
		}
		return step
	case *trigonev1.Technique_Plication:
		return repair.Step{Technique: repair.Plication, Places: atSegments(k.Plication.GetSegments())}
	case *trigonev1.Technique_SlidingPlasty:
		return repair.Step{Technique: repair.SlidingPlasty, Sliding: &repair.Sliding{
			LateralCompressionSutures: sutures(k.SlidingPlasty.GetLateral()), MedialCompressionSutures: sutures(k.SlidingPlasty.GetMedial()),
		}}
	case *trigonev1.Technique_FurtherTechnique:
		return repair.Step{Technique: repair.FurtherTechnique, Places: locations(k.FurtherTechnique.GetLocations()), Form: Word(k.FurtherTechnique.GetKind()),
			PatchMaterial: Word(k.FurtherTechnique.GetPatchMaterial())}
	}
	return repair.Step{}
}

func sutures(s *trigonev1.SlidingSide) units.Maybe[int] {
	if s == nil {
		return units.None[int]()
	}
	return maybeInt(s.CompressionSutureCount)
}

func ring(a *trigonev1.Annuloplasty) *repair.Ring {
	a = orEmpty(a)
	out := &repair.Ring{
		Kind: Word(a.GetKind()), Rigidity: Word(a.GetRigidity()), FamilyKey: a.GetFamilyKey(),
		PlannedLabelMin: maybeFloat(a.PlannedLabelMin), PlannedLabelMax: maybeFloat(a.PlannedLabelMax), ImplantedLabel: maybeFloat(a.ImplantedLabel),
		SizingBasis: Word(a.GetSizingBasis()), SutureCount: maybeInt(a.SutureCount),
		AnteriorSutureCount: maybeInt(a.AnteriorSutureCount), CompressionSutureCount: maybeInt(a.CompressionSutureCount),
	}
	for _, s := range a.GetSizers() {
		out.SizersTried = append(out.SizersTried, maybeFloat(orEmpty(s).Label))
	}
	return out
}
