// Package trialplan is the form of a plan that is tried before an operation: which
// inputs there are, how what somebody types is read, and the case that is made of it.
// It computes nothing of a valve: the case is evaluated by whoever evaluates any other.
//
//	t := trialplan.Read(typed, sizes)
//	if !t.Answerable() {
//		// t.Faults and t.Refusals say why
//	}
//	file := t.CaseFile()
//
// A case made here has no patient, no signer, no signed time and no incision, so that
// its plan can only be unsigned.
package trialplan

import (
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/convert"
	"trigone/internal/metric"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// Group is a part of the form, in the order in which it is filled in.
type Group string

// The groups.
const (
	First  Group = "First answer"
	Valve  Group = "More of the valve"
	Repair Group = "More of the repair"
	Aims   Group = "More aims"
	Body   Group = "Body, flow and outflow tract"
)

// Groups gives them in order.
func Groups() []Group { return []Group{First, Valve, Repair, Aims, Body} }

// Input is one thing that is asked: a number or a few that belong together.
type Input struct {
	// Number is its place in the list of inputs, by which tests know it.
	Number int
	Title  string
	Group  Group
	// Hint says what is meant, where the title may be misread.
	Hint string
	// Adds says what the input gives that is not known without it; empty for those of
	// the first answer.
	Adds  string
	Parts []Part
}

// Part is one field of the form: a number, one word or several.
type Part struct {
	// Name of the field, the same in the form and in faults.
	Name string
	// Label beside the field; empty where the input's title is enough.
	Label string
	// Leaf whose plausible range a number has; empty: of none.
	Leaf valve.ID
	// Unit as it is printed; empty: a count, or words.
	Unit string
	// Words to choose from; none: a number.
	Words []Word
	// Several may be chosen.
	Several bool
	// Whole numbers only.
	Whole bool

	bound number
}

// Word is one that may be chosen.
type Word struct{ Value, Label string }

// IsNumber says whether a number is typed.
func (p Part) IsNumber() bool { return len(p.Words) == 0 && p.Name != Size }

// Bounds gives what the contract takes of the number.
func (p Part) Bounds() (low, high float64) {
	low, high, _ = convert.Bounds(p.bound.descriptor())
	return low, high
}

// Plausible gives the range of the catalogue in which such a value usually lies; ok is
// false where it states none.
func (p Part) Plausible() (low, high float64, ok bool) {
	leaf, ok := metric.LeafByID(p.Leaf)
	return leaf.Low, leaf.High, ok
}

// number names a number of the contract.
type number struct {
	in    proto.Message
	field protoreflect.Name
}

func (n number) descriptor() protoreflect.FieldDescriptor {
	return n.in.ProtoReflect().Descriptor().Fields().ByName(n.field)
}

// The numbers of the contract that the inputs become.
var (
	aLength   = number{(*trigonev1.Length)(nil), "mm"}
	aRate     = number{(*trigonev1.Rate)(nil), "per_min"}
	aVolume   = number{(*trigonev1.Volume)(nil), "ml"}
	aStroke   = number{(*trigonev1.StrokeDistance)(nil), "cm"}
	anAngle   = number{(*trigonev1.Angle)(nil), "deg"}
	aPressure = number{(*trigonev1.PressureRange)(nil), "max_mmhg"}
	aShare    = number{(*trigonev1.FractionRange)(nil), "min_percent"}
	anAim     = number{(*trigonev1.LengthRange)(nil), "min_mm"}
	bodyLong  = number{(*trigonev1.Identity)(nil), "height_cm"}
	bodyHeavy = number{(*trigonev1.Identity)(nil), "weight_kg"}
	pairs     = number{(*trigonev1.ArtificialChord)(nil), "pair_count"}
)

// The names of the fields.
const (
	Disease    = "disease"
	Segments   = "segments"
	A2         = "a2"
	P2         = "p2"
	HeightsBy  = "heights_read"
	P1         = "p1"
	P3         = "p3"
	AnnulusAP  = "annulus_ap"
	AnnulusIC  = "annulus_ic"
	Depth      = "depth_expected"
	DepthNow   = "depth_before"
	Work       = "work"
	CutAt      = "cut_at"
	FreeEdge   = "cut_free_edge"
	Base       = "cut_base"
	CutDepth   = "cut_depth"
	Strip      = "strip"
	Lateral    = "advance_lateral"
	Medial     = "advance_medial"
	Plication  = "plication"
	Aimed      = "p2_aimed"
	AimedLat   = "p2_aimed_lateral"
	AimedMed   = "p2_aimed_medial"
	ChordsAt   = "chords_at"
	ChordPairs = "chord_pairs"
	ChordLong  = "chord_length"
	Device     = "device"
	RingAP     = "ring_ap"
	Size       = "ring_size"
	RingAcross = "ring_transverse"
	BandLength = "band"
	ContactLow = "contact_low"
	ContactTop = "contact_high"
	Gradient   = "gradient_most"
	LineLow    = "line_least"
	LineTop    = "line_most"
	BodyHeight = "height_cm"
	BodyWeight = "weight_kg"
	HeartRate  = "rate"
	Stroke     = "stroke_volume"
	Outflow    = "outflow_diameter"
	OutflowVTI = "outflow_integral"
	Septum     = "septum"
	ToSeptum   = "closure_to_septum"
	Angle      = "angle"
	Diastole   = "end_diastolic"
)

// Words of the fields.
const (
	Echo2D       = "echo_2d"
	Echo3D       = "echo_3d"
	Ruler        = "ruler"
	NoWork       = "none"
	Triangular   = "triangular"
	Quadrangular = "quadrangular"
	HeightOnly   = "height"
	ChordsOnly   = "chords"
	Complete     = "complete_ring"
	Band         = "posterior_band"
	NoDevice     = "none"
	LateralComm  = "lateral_commissure"
	MedialComm   = "medial_commissure"
)

var segmentWords = []Word{{"a1", "A1"}, {"a2", "A2"}, {"a3", "A3"}, {"p1", "P1"}, {"p2", "P2"}, {"p3", "P3"}}

func length(name, label string, leaf valve.ID) Part {
	return Part{Name: name, Label: label, Leaf: leaf, Unit: "mm", bound: aLength}
}

// inputs are all that is asked, in the order of the form.
var inputs = []Input{
	{Number: 3, Title: "Anterior height, A2", Group: First, Hint: "hinge to free edge, middle of A2",
		Parts: []Part{length(A2, "", valve.LeafletHeight)}},
	{Number: 4, Title: "Native posterior height at the lesion, P2", Group: First, Hint: "hinge to free edge, before anything is done",
		Parts: []Part{length(P2, "", valve.LeafletHeight)}},
	{Number: 5, Title: "How the heights were read", Group: First,
		Parts: []Part{{Name: HeightsBy, Words: []Word{
			{Echo2D, "echo in systole, 2D"}, {Echo3D, "echo in systole, 3D"}, {Ruler, "ruler in the arrested heart"}}}}},
	{Number: 14, Title: "Posterior height aimed at, P2", Group: First, Hint: "after the leaflet work; where the two edges of the suture line differ, give both edges instead",
		Parts: []Part{
			length(Aimed, "height", valve.LeafletHeight),
			length(AimedLat, "or lateral edge", valve.LeafletHeight),
			length(AimedMed, "and medial edge", valve.LeafletHeight)}},
	{Number: 17, Title: "Inner antero-posterior diameter of the device", Group: First, Hint: "of the opening inside, not a label",
		Parts: []Part{
			length(RingAP, "diameter", valve.RingInnerAnteroPosteriorDiameter),
			{Name: Size, Label: "or a size of the site's table"}}},
	{Number: 19, Title: "Contact aimed at, A2 to P2", Group: First, Hint: "length over which both leaflets meet, on leaving theatre",
		Parts: []Part{
			{Name: ContactLow, Label: "lowest", Leaf: valve.CoaptationLength, Unit: "mm", bound: anAim},
			{Name: ContactTop, Label: "highest", Leaf: valve.CoaptationLength, Unit: "mm", bound: anAim}}},

	{Number: 1, Title: "Disease", Group: Valve, Adds: "whether the plan fits the disease",
		Parts: []Part{{Name: Disease, Words: []Word{
			{"fibroelastic_deficiency", "fibroelastic deficiency"}, {"billowing", "billowing"}, {"between", "between the two"}, {"other", "other"}}}}},
	{Number: 2, Title: "Segments that prolapse or are flail", Group: Valve, Adds: "whether each of them has a step, and whether the geometry holds for this valve",
		Parts: []Part{{Name: Segments, Several: true, Words: append(append([]Word{}, segmentWords...),
			Word{LateralComm, "lateral commissure"}, Word{MedialComm, "medial commissure"})}}},
	{Number: 6, Title: "Native heights of P1 and P3", Group: Valve, Adds: "how even the posterior leaflet is left",
		Parts: []Part{length(P1, "P1", valve.LeafletHeight), length(P3, "P3", valve.LeafletHeight)}},
	{Number: 7, Title: "Annulus, antero-posterior, in systole", Group: Valve, Adds: "how the leaflets measure against it, and by how much a complete ring shortens it",
		Parts: []Part{length(AnnulusAP, "", valve.AnnulusAnteroPosteriorDiameter)}},
	{Number: 8, Title: "Annulus, intercommissural, in systole", Group: Valve, Adds: "area, perimeter and shape of the annulus, with its antero-posterior diameter",
		Parts: []Part{length(AnnulusIC, "", valve.AnnulusIntercommissuralDiameter)}},
	{Number: 9, Title: "Depth of the closure point below the annular plane", Group: Valve,
		Hint: "where nothing is expected, it is taken as before the repair; where neither is given, as 0 mm",
		Adds: "the contact at the depth that you expect",
		Parts: []Part{
			length(Depth, "expected after repair", valve.CoaptationDepth),
			length(DepthNow, "before the repair", valve.CoaptationDepth)}},

	{Number: 10, Title: "Leaflet work", Group: Repair, Adds: "whether heights, widths and steps fit together",
		Parts: []Part{{Name: Work, Words: []Word{
			{NoWork, "none"}, {Triangular, "triangular resection"}, {Quadrangular, "quadrangular resection"}, {HeightOnly, "height only"}, {ChordsOnly, "chords only"}}}}},
	{Number: 11, Title: "Resection", Group: Repair, Adds: "how much is taken, and whether the gap that it leaves is closed",
		Parts: []Part{
			{Name: CutAt, Label: "at (empty: P2)", Words: segmentWords[3:]},
			length(FreeEdge, "width at the free edge", valve.ResectionFreeEdgeWidth),
			length(Base, "width at the base", valve.ResectionBaseWidth),
			length(CutDepth, "depth", valve.ResectionHeight)}},
	{Number: 12, Title: "Height taken at the base, a strip", Group: Repair, Adds: "whether the height aimed at is what is left of the native one",
		Parts: []Part{length(Strip, "", valve.HeightRemoved)}},
	{Number: 13, Title: "Closing the base", Group: Repair, Hint: "advance of each cut edge along the annulus, and annulus taken in", Adds: "whether they close what a quadrangular resection opens",
		Parts: []Part{
			length(Lateral, "advance, lateral", valve.SlidingAdvance),
			length(Medial, "advance, medial", valve.SlidingAdvance),
			length(Plication, "plication", valve.PlicationLength)}},
	{Number: 15, Title: "Artificial chords", Group: Repair, Hint: "a pair is two strands; the length is from the tip of the papillary muscle to the free edge",
		Adds: "whether a prolapse is answered by them; on A2 or P2 they hold the closure line, and the geometry says less",
		Parts: []Part{
			{Name: ChordsAt, Label: "to", Words: segmentWords},
			{Name: ChordPairs, Label: "pairs", Whole: true, bound: pairs},
			length(ChordLong, "length", valve.ArtificialChordLength)}},
	{Number: 16, Title: "Device", Group: Repair, Hint: "where a diameter is given and nothing is chosen, a complete ring is taken", Adds: "whether the diameter is held by a ring, or left free by a band",
		Parts: []Part{{Name: Device, Words: []Word{{Complete, "complete ring"}, {Band, "posterior band"}, {NoDevice, "none"}}}}},
	{Number: 18, Title: "More of the device", Group: Repair, Adds: "the opening inside a complete ring, which a gradient needs",
		Parts: []Part{
			length(RingAcross, "inner transverse diameter", valve.RingInnerTransverseDiameter),
			length(BandLength, "length of a band", valve.BandLength)}},

	{Number: 20, Title: "Gradient and closure line aimed at", Group: Aims, Hint: "the closure line in % of the antero-posterior diameter, from the anterior hinge",
		Adds: "whether gradient and closure line keep to your own limits",
		Parts: []Part{
			{Name: Gradient, Label: "mean gradient at most", Leaf: valve.MeanGradient, Unit: "mmHg", bound: aPressure},
			{Name: LineLow, Label: "closure line at least", Leaf: valve.AnteriorClosureShare, Unit: "%", bound: aShare},
			{Name: LineTop, Label: "closure line at most", Leaf: valve.AnteriorClosureShare, Unit: "%", bound: aShare}}},

	{Number: 21, Title: "Body", Group: Body, Adds: "body surface, and the opening of a complete ring for it",
		Parts: []Part{
			{Name: BodyHeight, Label: "height", Leaf: valve.BodyHeight, Unit: "cm", bound: bodyLong},
			{Name: BodyWeight, Label: "weight", Leaf: valve.BodyWeight, Unit: "kg", bound: bodyHeavy}}},
	{Number: 22, Title: "Rate and forward flow", Group: Body, Hint: "stroke volume, or diameter and velocity-time integral of the outflow tract; nothing is assumed where they are empty",
		Adds: "the gradient to expect across a complete ring whose inner diameters are given",
		Parts: []Part{
			{Name: HeartRate, Label: "heart rate", Leaf: valve.HeartRate, Unit: "/min", bound: aRate},
			{Name: Stroke, Label: "forward stroke volume", Unit: "mL", bound: aVolume},
			length(Outflow, "or outflow tract, diameter", valve.OutflowTractDiameter),
			{Name: OutflowVTI, Label: "and its integral", Leaf: valve.OutflowTractVelocityTimeIntegral, Unit: "cm", bound: aStroke}}},
	{Number: 23, Title: "Septum and angle", Group: Body, Hint: "basal septum at the end of diastole; angle between the aortic and the mitral plane", Adds: "whether these factors of systolic anterior motion are there",
		Parts: []Part{
			length(Septum, "septum, thickness", valve.BasalSeptumThickness),
			length(ToSeptum, "closure point to septum", valve.CoaptationToSeptumDistance),
			{Name: Angle, Label: "aorto-mitral angle", Leaf: valve.AortoMitralAngle, Unit: "degrees", bound: anAngle}}},
	{Number: 24, Title: "Ventricle, end-diastolic diameter", Group: Body, Adds: "whether a small ventricle is one of those factors",
		Parts: []Part{length(Diastole, "", valve.LeftVentricularEndDiastolicDiameter)}},
}

// Inputs gives what is asked, in the order of the form.
func Inputs() []Input { return inputs }

// Refusal is something that is there and for which this form has no answer.
type Refusal struct{ Value, Label, Sentence string }

// Not is the field of what this form has no answer for.
const Not = "not_for_this"

var refusals = []Refusal{
	{"cleft", "a cleft or indentation that stays open", "A cleft or indentation that stays open leaks whatever the heights are, and the geometry here does not know it."},
	{"restriction", "restricted motion of a leaflet", "A leaflet whose motion is restricted does not reach where its height would let it, and the geometry here does not know it."},
	{"edge_to_edge", "an edge-to-edge suture", "An edge-to-edge suture makes two openings and holds the leaflets together, and the geometry here does not know it."},
	{"calcification", "calcification of the annulus beyond a spot", "Where the annulus is calcified beyond a spot, ring and leaflet do not lie as the geometry here has them."},
	{"anterior_motion", "systolic anterior motion before the operation", "Where the anterior leaflet moves into the outflow tract before the operation, the geometry here does not hold."},
}

const commissureSentence = "A commissure that prolapses is closed by other leaflets than A2 and P2, and the geometry here does not know it."

// Refusals gives what this form has no answer for.
func Refusals() []Refusal { return refusals }

// part gives a field by its name.
func part(name string) (Input, Part, bool) {
	for _, in := range inputs {
		for _, p := range in.Parts {
			if p.Name == name {
				return in, p, true
			}
		}
	}
	return Input{}, Part{}, false
}

// Names gives the label of a field with the title of its input.
func (in Input) Names(p Part) string {
	if p.Label == "" {
		return in.Title
	}
	return in.Title + ": " + p.Label
}

// Template fills in the words of a usual plan, and no number.
type Template struct {
	Name, Label string
	words       map[string][]string
}

var templates = []Template{
	{"triangular", "Triangular resection of P2, complete ring", map[string][]string{Segments: {"p2"}, Work: {Triangular}, CutAt: {"p2"}, Device: {Complete}}},
	{"quadrangular", "Quadrangular resection of P2, complete ring", map[string][]string{Segments: {"p2"}, Work: {Quadrangular}, CutAt: {"p2"}, Device: {Complete}}},
	{"height", "Height taken off P2, complete ring", map[string][]string{Segments: {"p2"}, Work: {HeightOnly}, Device: {Complete}}},
	{"chords_p2", "Artificial chords to P2, posterior band", map[string][]string{Segments: {"p2"}, Work: {ChordsOnly}, ChordsAt: {"p2"}, Device: {Band}}},
	{"chords_a2", "Artificial chords to A2, complete ring", map[string][]string{Segments: {"a2"}, Work: {ChordsOnly}, ChordsAt: {"a2"}, Device: {Complete}}},
}

// Templates gives plans to start from.
func Templates() []Template { return templates }

// FromTemplate gives what a template fills in; nil: there is none of that name.
func FromTemplate(name string) map[string][]string {
	for _, t := range templates {
		if t.Name == name {
			return t.words
		}
	}
	return nil
}
