package trialplan

import (
	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
)

// Ids in a case file that is made here.
const (
	valveID     = "valve"
	resectionID = "resection"
	stripID     = "base-strip"
	slidingID   = "sliding"
	plicationID = "plication"
	chordsID    = "chords"
	deviceID    = "device"
)

// draft is a case file in the making.
type draft struct {
	*Trial
	study *trigonev1.Study
	plan  *trigonev1.Plan
}

// CaseFile gives the case: what was measured as one assessment, and the plan. It is
// whole only where the trial is answerable.
func (t *Trial) CaseFile() *trigonev1.CaseFile {
	d := &draft{Trial: t, study: &trigonev1.Study{}, plan: &trigonev1.Plan{}}
	d.annulus()
	d.leaflets()
	d.flow()
	d.neighbourhood()
	d.steps()
	d.aims()
	file := &trigonev1.CaseFile{}
	if t.some(BodyHeight, BodyWeight) {
		file.Identity = &trigonev1.Identity{HeightCm: t.value(BodyHeight), WeightKg: t.value(BodyWeight)}
	}
	if proto.Size(d.study) > 0 {
		file.Assessments = []*trigonev1.Assessment{{Id: valveID, Study: d.study}}
		d.plan.AssessmentIds = []string{valveID}
	}
	file.Plan = d.plan
	return file
}

// value gives a number; nil: it was not given.
func (t *Trial) value(name string) *float64 {
	v, ok := t.numbers[name]
	if !ok {
		return nil
	}
	return &v
}

func (t *Trial) length(name string) *trigonev1.Length {
	if mm := t.value(name); mm != nil {
		return &trigonev1.Length{Mm: mm}
	}
	return nil
}

// inSystole is the context of what is read by imaging while the valve is closed.
func inSystole(method trigonev1.Method) *trigonev1.Context {
	return &trigonev1.Context{Method: method, Load: trigonev1.Load_LOAD_BEATING, CardiacPhase: trigonev1.CardiacPhase_CARDIAC_PHASE_END_SYSTOLE}
}

// heightsContext is how heights were read; nil: nobody said.
func (t *Trial) heightsContext() *trigonev1.Context {
	switch t.word(HeightsBy) {
	case Echo2D:
		return inSystole(trigonev1.Method_METHOD_ECHO_2D)
	case Echo3D:
		return inSystole(trigonev1.Method_METHOD_ECHO_3D)
	case Ruler:
		return &trigonev1.Context{Method: trigonev1.Method_METHOD_RULER, Load: trigonev1.Load_LOAD_ARRESTED}
	}
	return nil
}

func (t *Trial) height(name string, segment trigonev1.Segment, station trigonev1.Station) []*trigonev1.LeafletHeight {
	h := t.length(name)
	if h == nil {
		return nil
	}
	h.Context = t.heightsContext()
	return []*trigonev1.LeafletHeight{{At: &trigonev1.LeafletHeight_Segment{Segment: segment}, Station: station, LeafletHeight: h}}
}

func (d *draft) annulus() {
	if !d.some(AnnulusAP, AnnulusIC) {
		return
	}
	systolic := func(name string) *trigonev1.Length {
		l := d.length(name)
		if l != nil {
			l.Context = inSystole(trigonev1.Method_METHOD_UNSPECIFIED)
		}
		return l
	}
	d.study.Annulus = &trigonev1.Annulus{AnnulusAnteroPosteriorDiameter: systolic(AnnulusAP), AnnulusIntercommissuralDiameter: systolic(AnnulusIC)}
}

func (d *draft) leaflets() {
	const middle = trigonev1.Station_STATION_SEGMENT_MID
	l := &trigonev1.Leaflets{}
	l.Heights = append(l.Heights, d.height(A2, trigonev1.Segment_SEGMENT_A2, middle)...)
	l.Heights = append(l.Heights, d.height(P1, trigonev1.Segment_SEGMENT_P1, middle)...)
	l.Heights = append(l.Heights, d.height(P2, trigonev1.Segment_SEGMENT_P2, middle)...)
	l.Heights = append(l.Heights, d.height(P3, trigonev1.Segment_SEGMENT_P3, middle)...)
	if depth := d.length(DepthNow); depth != nil {
		depth.Context = inSystole(trigonev1.Method_METHOD_UNSPECIFIED)
		l.Coaptation = []*trigonev1.Coaptation{{Slice: trigonev1.Slice_SLICE_A2_P2, CoaptationDepth: depth}}
	}
	for _, word := range d.chosen[Segments] {
		if word == LateralComm || word == MedialComm {
			continue // refused
		}
		here := func() *trigonev1.Location {
			return &trigonev1.Location{At: &trigonev1.Location_Segment{Segment: segmentOf[word]}}
		}
		l.Lesions = append(l.Lesions, &trigonev1.Lesion{Id: "prolapse-" + word, Location: here()})
		l.LesionsRecorded = trigonev1.Recorded_RECORDED_COMPLETE
		l.Dysfunctions = append(l.Dysfunctions, &trigonev1.Dysfunction{Location: here(), Type: trigonev1.DysfunctionType_DYSFUNCTION_TYPE_II})
	}
	if proto.Size(l) > 0 {
		d.study.Leaflets = l
	}
}

var segmentOf = map[string]trigonev1.Segment{
	"a1": trigonev1.Segment_SEGMENT_A1, "a2": trigonev1.Segment_SEGMENT_A2, "a3": trigonev1.Segment_SEGMENT_A3,
	"p1": trigonev1.Segment_SEGMENT_P1, "p2": trigonev1.Segment_SEGMENT_P2, "p3": trigonev1.Segment_SEGMENT_P3,
}

// Millilitres a beat and beats a minute make litres a minute.
const mlPerLitre = 1000

func (d *draft) flow() {
	rate := d.value(HeartRate)
	if rate != nil {
		d.study.Haemodynamics = &trigonev1.Haemodynamics{HeartRate: &trigonev1.Rate{PerMin: rate}}
	}
	f := &trigonev1.Flow{OutflowTractDiameter: d.length(Outflow)}
	if integral := d.value(OutflowVTI); integral != nil {
		f.OutflowTractVelocityTimeIntegral = &trigonev1.StrokeDistance{Cm: integral}
	}
	if stroke := d.value(Stroke); stroke != nil && rate != nil {
		f.CardiacOutput = &trigonev1.CardiacOutput{LPerMin: proto.Float64(round(*stroke * *rate / mlPerLitre))}
	}
	if proto.Size(f) > 0 {
		d.study.Flow = f
	}
}

func (d *draft) neighbourhood() {
	c := &trigonev1.Chambers{
		BasalSeptumThickness: d.length(Septum), CoaptationToSeptumDistance: d.length(ToSeptum), LeftVentricularEndDiastolicDiameter: d.length(Diastole),
	}
	if c.CoaptationToSeptumDistance != nil {
		c.CoaptationToSeptumDistance.Context = inSystole(trigonev1.Method_METHOD_UNSPECIFIED)
	}
	if angle := d.value(Angle); angle != nil {
		c.AortoMitralAngle = &trigonev1.Angle{Deg: angle}
	}
	if proto.Size(c) > 0 {
		d.study.Chambers = c
	}
}

// cutSegments gives where a resection lies, and a strip at the base.
func (d *draft) cutSegments() []trigonev1.Segment {
	if at := d.word(CutAt); at != "" {
		return []trigonev1.Segment{segmentOf[at]}
	}
	return []trigonev1.Segment{trigonev1.Segment_SEGMENT_P2}
}

func (d *draft) step(id string, t *trigonev1.Technique) {
	d.plan.Steps = append(d.plan.Steps, &trigonev1.PlannedStep{Id: id, Technique: t})
}

func (d *draft) steps() {
	if disease := diseases[d.word(Disease)]; disease != trigonev1.Aetiology_AETIOLOGY_UNSPECIFIED {
		d.plan.Indication = &trigonev1.Indication{Aetiology: disease}
	}
	work := d.word(Work)
	if shape, cut := shapes[work]; cut {
		r := &trigonev1.LeafletResection{
			Segments: d.cutSegments(), Shape: shape,
			ResectionFreeEdgeWidth: d.length(FreeEdge), ResectionBaseWidth: d.length(Base), ResectionHeight: d.length(CutDepth),
		}
		d.step(resectionID, &trigonev1.Technique{Kind: &trigonev1.Technique_LeafletResection{LeafletResection: r}})
	}
	if work == HeightOnly || d.filled(Strip) {
		h := &trigonev1.HeightReduction{Segments: d.cutSegments(), HeightRemoved: d.length(Strip)}
		if d.filled(Strip) {
			h.Form = trigonev1.HeightReductionForm_HEIGHT_REDUCTION_FORM_BASE_STRIP
		}
		d.step(stripID, &trigonev1.Technique{Kind: &trigonev1.Technique_HeightReduction{HeightReduction: h}})
	}
	if d.some(Lateral, Medial) {
		s := &trigonev1.SlidingPlasty{}
		if d.filled(Lateral) {
			s.Lateral = &trigonev1.SlidingSide{SlidingAdvance: d.length(Lateral)}
		}
		if d.filled(Medial) {
			s.Medial = &trigonev1.SlidingSide{SlidingAdvance: d.length(Medial)}
		}
		d.step(slidingID, &trigonev1.Technique{Kind: &trigonev1.Technique_SlidingPlasty{SlidingPlasty: s}})
	}
	if d.filled(Plication) {
		p := &trigonev1.Plication{Segments: d.cutSegments(), PlicationLength: d.length(Plication)}
		d.step(plicationID, &trigonev1.Technique{Kind: &trigonev1.Technique_Plication{Plication: p}})
	}
	if at := d.word(ChordsAt); at != "" {
		c := &trigonev1.ArtificialChord{
			Targets: []*trigonev1.Location{{At: &trigonev1.Location_Segment{Segment: segmentOf[at]}}}, ArtificialChordLength: d.length(ChordLong),
		}
		if n, ok := d.numbers[ChordPairs]; ok {
			c.Form, c.PairCount = trigonev1.ArtificialChordForm_ARTIFICIAL_CHORD_FORM_PAIRS, proto.Int32(int32(n))
		}
		d.step(chordsID, &trigonev1.Technique{Kind: &trigonev1.Technique_ArtificialChord{ArtificialChord: c}})
	}
	d.device()
	if d.filled(Work) && (d.filled(Device) || d.kind() != "") {
		d.plan.StepsRecorded = trigonev1.Recorded_RECORDED_COMPLETE
	}
}

func (d *draft) device() {
	kind, there := deviceKinds[d.kind()]
	if !there {
		return
	}
	a := &trigonev1.Annuloplasty{
		Kind: kind, RingInnerAnteroPosteriorDiameter: d.length(RingAP), RingInnerTransverseDiameter: d.length(RingAcross), BandLength: d.length(BandLength),
	}
	if size, ok := d.size(d.word(Size)); ok {
		a.FamilyKey, a.PlannedLabelMin, a.PlannedLabelMax = size.Family, proto.Float64(size.Label), proto.Float64(size.Label)
	}
	d.step(deviceID, &trigonev1.Technique{Kind: &trigonev1.Technique_Annuloplasty{Annuloplasty: a}})
}

func (d *draft) aims() {
	const p2 = trigonev1.Segment_SEGMENT_P2
	station := trigonev1.Station_STATION_SEGMENT_MID
	if d.word(Work) == Quadrangular || d.some(Lateral, Medial) {
		station = trigonev1.Station_STATION_SEAM // of which the height is planned then
	}
	p := d.plan
	p.PlannedHeights = append(p.PlannedHeights, d.height(Aimed, p2, station)...)
	p.PlannedHeights = append(p.PlannedHeights, d.height(AimedLat, p2, trigonev1.Station_STATION_SEAM_LATERAL_EDGE)...)
	p.PlannedHeights = append(p.PlannedHeights, d.height(AimedMed, p2, trigonev1.Station_STATION_SEAM_MEDIAL_EDGE)...)
	if depth := d.length(Depth); depth != nil {
		p.ExpectedClosure = &trigonev1.ExpectedClosure{CoaptationDepth: depth}
	}
	if d.some(ContactLow, ContactTop) {
		p.Targets = append(p.Targets, &trigonev1.Target{Id: "contact", Aim: &trigonev1.Target_CoaptationLength{CoaptationLength: &trigonev1.CoaptationTarget{
			Slice: trigonev1.Slice_SLICE_A2_P2, Range: &trigonev1.LengthRange{MinMm: d.value(ContactLow), MaxMm: d.value(ContactTop)},
		}}})
	}
	if d.filled(Gradient) {
		p.Targets = append(p.Targets, &trigonev1.Target{Id: "gradient", Aim: &trigonev1.Target_MeanGradient{
			MeanGradient: &trigonev1.PressureRange{MaxMmhg: d.value(Gradient)},
		}})
	}
	if d.some(LineLow, LineTop) {
		p.Targets = append(p.Targets, &trigonev1.Target{Id: "closure-line", Aim: &trigonev1.Target_AnteriorClosureShare{
			AnteriorClosureShare: &trigonev1.FractionRange{MinPercent: d.value(LineLow), MaxPercent: d.value(LineTop)},
		}})
	}
}

var shapes = map[string]trigonev1.ResectionShape{
	Triangular: trigonev1.ResectionShape_RESECTION_SHAPE_TRIANGULAR, Quadrangular: trigonev1.ResectionShape_RESECTION_SHAPE_QUADRANGULAR,
}

var deviceKinds = map[string]trigonev1.AnnuloplastyKind{
	Complete: trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_COMPLETE_RING, Band: trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_POSTERIOR_BAND,
}

var diseases = map[string]trigonev1.Aetiology{
	"fibroelastic_deficiency": trigonev1.Aetiology_AETIOLOGY_FIBROELASTIC_DEFICIENCY,
	"billowing":               trigonev1.Aetiology_AETIOLOGY_MYXOMATOUS,
	"between":                 trigonev1.Aetiology_AETIOLOGY_DEGENERATIVE_INTERMEDIATE,
	"other":                   trigonev1.Aetiology_AETIOLOGY_OTHER,
}
