// Package valve holds the anatomy of the mitral valve and what was measured on
// it: the words of place, occasion and method, and the set of measured values
// under their keys. It knows no operation, no formula and no wire format. It is
// used by every room that reasons about a valve.
//
// Words are strings equal to the contract's enum values in lower case without
// their prefix; the empty word means not stated. One table in the contract is
// therefore enough, and a word prints as itself.
package valve

// Segment is a leaflet segment; 1 is lateral, 3 is medial.
type Segment string

// The segments.
const (
	A1 Segment = "a1"
	A2 Segment = "a2"
	A3 Segment = "a3"
	P1 Segment = "p1"
	P2 Segment = "p2"
	P3 Segment = "p3"
)

// Segments lists all segments, anterior first, lateral to medial.
func Segments() []Segment { return []Segment{A1, A2, A3, P1, P2, P3} }

// Leaflet is a leaflet.
type Leaflet string

// The leaflets.
const (
	Anterior  Leaflet = "anterior"
	Posterior Leaflet = "posterior"
)

// Leaflet gives the leaflet a segment belongs to.
func (s Segment) Leaflet() Leaflet {
	switch s {
	case A1, A2, A3:
		return Anterior
	case P1, P2, P3:
		return Posterior
	}
	return ""
}

// Index gives 1 for lateral, 2 for middle, 3 for medial, 0 for none.
func (s Segment) Index() int {
	if s.Leaflet() == "" {
		return 0
	}
	return int(s[1] - '0')
}

// Commissure is a commissure with its own small leaflet.
type Commissure string

// The commissures.
const (
	LateralCommissure Commissure = "lateral"
	MedialCommissure  Commissure = "medial"
)

// Side is a side of the valve.
type Side string

// The sides.
const (
	Lateral Side = "lateral"
	Medial  Side = "medial"
)

// Boundary is the boundary between two neighbouring segments.
type Boundary string

// The boundaries.
const (
	A1A2 Boundary = "a1_a2"
	A2A3 Boundary = "a2_a3"
	P1P2 Boundary = "p1_p2"
	P2P3 Boundary = "p2_p3"
)

// Slice is an antero-posterior slice.
type Slice string

// The slices.
const (
	A1P1 Slice = "a1_p1"
	A2P2 Slice = "a2_p2"
	A3P3 Slice = "a3_p3"
)

// Segments gives the anterior and the posterior segment of a slice.
func (s Slice) Segments() (anterior, posterior Segment) {
	switch s {
	case A1P1:
		return A1, P1
	case A2P2:
		return A2, P2
	case A3P3:
		return A3, P3
	}
	return "", ""
}

// Station says where along a segment a height was taken.
type Station string

// The stations.
const (
	SegmentMid      Station = "segment_mid"
	Seam            Station = "seam"
	SeamLateralEdge Station = "seam_lateral_edge"
	SeamMedialEdge  Station = "seam_medial_edge"
)

// Stage is a point in the course of the operation.
type Stage string

// The stages, in their order.
const (
	Native           Stage = "native"
	AfterLeafletWork Stage = "after_leaflet_work"
	AfterRing        Stage = "after_ring"
	OffBypass        Stage = "off_bypass"
	LeavingTheatre   Stage = "leaving_theatre"
)

// Rank orders the stages from 1; 0 is not stated.
func (s Stage) Rank() int {
	for i, stage := range []Stage{Native, AfterLeafletWork, AfterRing, OffBypass, LeavingTheatre} {
		if s == stage {
			return i + 1
		}
	}
	return 0
}

// Method is a method of measurement.
type Method string

// The methods.
const (
	Echo2D            Method = "echo_2d"
	Echo3D            Method = "echo_3d"
	Doppler           Method = "doppler"
	MMode             Method = "m_mode"
	CT                Method = "ct"
	MagneticResonance Method = "magnetic_resonance"
	Ruler             Method = "ruler"
	Calliper          Method = "calliper"
	Sizer             Method = "sizer"
	Catheter          Method = "catheter"
	Visual            Method = "visual"
)

// Load is the load on the valve during a measurement.
type Load string

// The loads.
const (
	Beating  Load = "beating"
	Arrested Load = "arrested"
	Saline   Load = "saline"
)

// CardiacPhase is a phase of the cardiac cycle.
type CardiacPhase string

// The phases.
const (
	EndDiastole  CardiacPhase = "end_diastole"
	EarlySystole CardiacPhase = "early_systole"
	MidSystole   CardiacPhase = "mid_systole"
	EndSystole   CardiacPhase = "end_systole"
	Diastole     CardiacPhase = "diastole"
)

// Recorded says whether a list is all there was.
type Recorded string

// Completeness of a list; anything but Complete forbids reading "none".
const (
	Complete    Recorded = "complete"
	Partial     Recorded = "partial"
	NotRecorded Recorded = "not_recorded"
)

// Answer is yes, no or (empty) not recorded.
type Answer string

// The answers.
const (
	Yes Answer = "yes"
	No  Answer = "no"
)

// AbsentReason says why a quantity has no value.
type AbsentReason string

// The reasons.
const (
	AbsentNotPerformed  AbsentReason = "not_performed"
	AbsentNotPossible   AbsentReason = "not_possible"
	AbsentNotRecorded   AbsentReason = "not_recorded"
	AbsentNotApplicable AbsentReason = "not_applicable"
)
