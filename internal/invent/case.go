package invent

import "time"

// Case is one operation and what became of the patient. Lengths are in mm, areas in
// cm2, pressures in mmHg; words are those of the contract.
type Case struct {
	// Number counts the cases in the order of operation, from 1.
	Number int
	// Share of the cases that came before it.
	Share    float64
	Incision time.Time

	Sex                string
	Age                int
	HeightCM, WeightKG float64

	Valve   Valve
	Setting Setting

	// Operator is who operated first: a surgeon, or who is in training under Supervisor.
	Operator, Supervisor string
	// OperatorCase counts the cases of Operator, from 1.
	OperatorCase int

	Plan    Plan
	Repair  Repair
	Theatre Theatre
	Stay    Stay
	Entries []Entry

	// Reoperation is the number of the case whose repair is repaired here; 0: none.
	Reoperation int
	// Backfilled: operated on before the record began, entered afterwards.
	Backfilled bool
	// Twice: the case was opened a second time under another number; that one is
	// retracted.
	Twice bool
	// When what was sent arrived; zero: never.
	Received Received
}

// Received says when each part of a case arrived.
type Received struct{ Clinic, Plan, Operation, Discharge time.Time }

// Valve is the valve before the operation, as it is and as echo reads it.
type Valve struct {
	Aetiology string
	// Segment that prolapses; Both: the one of the other leaflet does, too.
	Segment string
	Both    bool
	Flail   bool
	// FlailWidthMM is the width of the prolapsing part along the free edge.
	FlailWidthMM float64
	// True heights of the middle segments; the others are as read.
	A2, P2                   float64
	ReadA2, ReadP2, P1, P3   float64
	ScallopMM                float64 // free edge of the posterior segment that prolapses
	APDiameter, ICDiameter   float64
	AnnulusArea, Perimeter   float64
	Depth                    float64 // of the closure, true
	ReadDepth                float64
	Septum, ToSeptum, Angle  float64
	Circumflex, Thickness    float64
	EDV, ESV, EDD, ESD       float64
	EjectionFraction         float64
	AtriumVolume, VenaWidth  float64
	Orifice, RegurgVolume    float64
	TricuspidVelocity        float64
	Fibrillation             string
	Rate                     float64
	FunctionalClass          string
	TricuspidGrade           string
	Clinic, Transoesophageal time.Time
}

// Setting is what kind of operation it is.
type Setting struct {
	Approach, Urgency, Complexity string
	Bypass                        bool // coronary bypass beside it
	DeathRisk, ConversionRisk     float64
	RiskMissing                   bool
}

// Techniques of leaflet work.
const (
	Triangular = "triangular" // triangular resection
	Sliding    = "sliding"    // quadrangular resection and sliding plasty
	Chords     = "chords"     // artificial chords
)

// Plan is what was meant to be done.
type Plan struct {
	// None: there is no plan. Unsigned: nobody signed it.
	None, Unsigned bool
	Signed         time.Time
	Technique      string
	// ResectionMM is the width of the resection along the free edge.
	ResectionMM float64
	// StripMM is the height that is taken at the base.
	StripMM  float64
	ChordMM  float64
	Pairs    int
	HeightP2 float64
	Ring     Ring
	// ContactLow and ContactHigh are the coaptation length aimed at.
	ContactLow, ContactHigh float64
	// Revised: an earlier version with another ring was signed two days before.
	Revised bool
}

// Ring is a ring as the table of its family has it.
type Ring struct {
	Family     string
	Band       bool
	Label      float64
	AP, Across float64
	Area       float64
}

// Repair is what was done and how the valve closes after it.
type Repair struct {
	Technique   string
	ResectionMM float64
	StripMM     float64
	ChordMM     float64
	Pairs       int
	// P2 is the final height, true; ReadP2 as the ruler reads it.
	P2, ReadP2 float64
	Ring       Ring
	// RingAP is the diameter of the ring implanted as a calliper reads it; MeasuredRing: it
	// was read.
	RingAP       float64
	MeasuredRing bool
	// Contact is the true coaptation length; OffBypass and Exit as echo reads it.
	Contact, OffBypass, Exit float64
	Depth, ClosureShare      float64
	Gradient, ExitGradient   float64
	ExitRate                 float64
	// Differs says why what was done is not what was planned; empty: it is, or nobody
	// said why.
	Differs string
}

// Theatre is how the operation went.
type Theatre struct {
	ClampMin, BypassMin float64
	// FirstGrade is what was seen off bypass after the first run, ExitGrade on leaving
	// theatre.
	FirstGrade, ExitGrade string
	// AnteriorMotion came off bypass; it went with treatment or led to a further run.
	AnteriorMotion bool
	// FurtherRun has the reason of a second run; empty: there was one run.
	FurtherRun                   string
	SecondClampMin, SecondBypass float64
	// Conversion has the reason for replacement; empty: the valve was repaired.
	Conversion string
	DiedThere  bool
	// Ablated and Declined: what was done of paroxysmal fibrillation; persistent one is
	// always ablated. Neither: nobody said.
	Ablated, Declined bool
	// Unchecked: nobody looked at the flow of the circumflex artery.
	Unchecked bool
	// LeakSeen: the saline test showed what a further run was then needed for.
	LeakSeen bool
	// NoExitEcho: what was seen on leaving theatre was not recorded.
	NoExitEcho bool
	// Slip is a number typed wrongly; empty: none.
	Slip string
}

// Slips that are typed on purpose.
const (
	SlipPeak  = "peak gradient below the mean"
	SlipClamp = "clamp stated longer than bypass"
	SlipUnits = "heights typed in centimetres"
)

// Stay is from leaving theatre to discharge.
type Stay struct {
	Days           int
	DischargeGrade string
	NoEcho         bool
	Gradient       float64
	Complications  []Complication
	// DiedOnDay is the day of death counted from the operation; negative: alive at day
	// 30 or at discharge, whichever is later.
	DiedOnDay int
	// DiedInStay: before discharge.
	DiedInStay bool
	// Missing: the entry at discharge never came.
	Missing bool
}

// Complication in the stay.
type Complication struct {
	Kind, Grade string
	Day         int
}

// Entry is what became known at a time after discharge.
type Entry struct {
	ID, Kind string
	Day      int // since the operation
	Known    time.Time
	Received time.Time
	Dead     bool
	DiedOn   time.Time
	Cause    string
	Lost     bool
	// Grade by echo; empty: there was none.
	Grade    string
	Gradient float64
	// Reintervention on the valve since the last entry, and when; empty: none.
	Reintervention   string
	ReinterventionOn time.Time
	FunctionalClass  string
}

// Failed says whether something failed in any way, as the audit's chart counts it: early
// death, a valve replaced, moderate regurgitation or more in the last reading up to
// discharge. A further run that ends well is none.
func (c *Case) Failed() bool {
	grade := c.Stay.DischargeGrade
	if c.Stay.Missing || c.Stay.NoEcho || c.Stay.DiedInStay {
		grade = c.Theatre.ExitGrade
	}
	return c.DiedEarly() || c.Theatre.Conversion != "" || atLeastModerate(grade)
}

// Grades of regurgitation, five steps.
const (
	None     = "none"
	Trace    = "trace"
	Mild     = "mild"
	Moderate = "moderate"
	Severe   = "severe"
)

func atLeastModerate(grade string) bool { return grade == Moderate || grade == Severe }

// DiedEarly says whether the patient died in the stay, or within 30 days wherever.
func (c *Case) DiedEarly() bool {
	return c.Stay.DiedOnDay >= 0 && (c.Stay.DiedInStay || c.Stay.DiedOnDay <= 30)
}
