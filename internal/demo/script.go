package demo

import (
	"slices"
	"strings"
	"time"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// story is one invented case and how it reaches the record.
type story struct {
	name  string // case file in testdata
	title string
	steps []step
}

// step is one call.
type step struct {
	do   action
	at   moment
	file string // submit in testdata; empty: the case file itself
	// take selects the sections that are sent, by name or by kind ("result");
	// empty: all of the file.
	take []string
	// section is the section that is retracted.
	section string
	// reason of a reviewer's decision.
	reason string
	// axes over which the plan on record is varied.
	axes []*trigonev1.ExploredAxis
	// says is printed under the case; empty: nothing.
	says string
}

type action int

const (
	send action = iota
	discardQuarantined
	retractSection
	retractCase
	// askInTheatre asks what can still be changed with what has been measured so
	// far, and has the answer recorded.
	askInTheatre
	// confirm confirms the open contradiction of the case.
	confirm
	// revoke takes the confirmation that stands back.
	revoke
	// evaluateAgain evaluates under the first rule set and under the present one.
	evaluateAgain
	// explore varies the plan on record.
	explore
)

// moment gives the time of a call from the times in the case file, so that the
// order of plan, operation and outcome is the order in which they would arrive.
type moment func(*trigonev1.CaseFile) time.Time

const hour = time.Hour

func incision(c *trigonev1.CaseFile) time.Time { return c.GetOperation().GetIncisionTime().AsTime() }

func inClinic(c *trigonev1.CaseFile) time.Time {
	if c.GetOperation() == nil {
		return c.GetPlan().GetSignedTime().AsTime().Add(-hour)
	}
	return incision(c).Add(-48 * hour)
}

func whenSigned(c *trigonev1.CaseFile) time.Time {
	return c.GetPlan().GetSignedTime().AsTime().Add(10 * time.Minute)
}

func dayBefore(c *trigonev1.CaseFile) time.Time { return incision(c).Add(-17 * hour) }

func afterTheatre(c *trigonev1.CaseFile) time.Time { return incision(c).Add(7 * hour) }

func nextDay(c *trigonev1.CaseFile) time.Time { return incision(c).Add(26 * hour) }

func twoDaysLater(c *trigonev1.CaseFile) time.Time { return incision(c).Add(50 * hour) }

func atDischarge(c *trigonev1.CaseFile) time.Time { return incision(c).Add(11 * 24 * hour) }

// inTheatre is eight minutes after the heights were measured.
func inTheatre(c *trigonev1.CaseFile) time.Time {
	return c.GetOperation().GetHeights()[0].GetTime().AsTime().Add(8 * time.Minute)
}

// onRecord gives the afternoon of the day on which the status of a follow-up was
// known.
func onRecord(id string) moment {
	return func(c *trigonev1.CaseFile) time.Time {
		for _, f := range c.GetFollowUps() {
			if day, err := time.Parse(time.DateOnly, f.GetStatusKnownOn()); err == nil && f.GetId() == id {
				return day.Add(16 * hour)
			}
		}
		return time.Time{}
	}
}

// signedAndThen counts from the plan's signature, for a case whose incision time
// was not recorded.
func signedAndThen(d time.Duration) moment {
	return func(c *trigonev1.CaseFile) time.Time { return c.GetPlan().GetSignedTime().AsTime().Add(d) }
}

// followUp sends one follow-up when its status is known.
func followUp(id string) step { return step{at: onRecord(id), take: []string{"follow_up/" + id}} }

var (
	clinic    = step{at: inClinic, take: []string{"identity", "assessment/tte", "assessment/toe-clinic", "assessment/echo"}}
	signed    = step{at: whenSigned, take: []string{"plan"}}
	theatre   = step{at: afterTheatre, take: []string{"assessment/toe", "operation", "result"}}
	discharge = step{at: atDischarge, take: []string{"follow_up"}}
)

// usual is the way of an ordinary case.
var usual = []step{clinic, signed, theatre, discharge}

// with puts more steps behind the usual ones.
func with(more ...step) []step { return append(slices.Clone(usual), more...) }

// script is the demo, case after case in the order of operations.
var script = []story{
	{"chord-rupture-sliding", "chord rupture at P2: resection, sliding, band", usual},
	{"billowing-second-run", "both leaflets billow: chords, cleft, ring, run 2", usual},
	{"commissural-conversion", "medial commissural flail: repair tried, replaced", usual},
	{"triangular-complete-ring", "triangular resection, complete ring, prediction", usual},
	{"core-only", "the smallest complete record", usual},
	{"neochordae", "fewer and shorter artificial chords; dies at home", []step{
		clinic, signed, theatre, followUp("discharge"), followUp("died-at-home"),
	}},
	{"sliding-unequal", "sliding plasty with unequal advance", usual},
	{"smaller-ring", "smaller ring than planned, high gradient", usual},
	{"ring-exchanged", "ring exchanged in a second run", usual},
	{"no-plan", "emergency without a plan; dies in theatre", []step{clinic, theatre, followUp("died-in-theatre")}},
	{"plan-signed-late", "plan signed after the operation", []step{clinic, theatre, signed, discharge}},
	{"missing-measurements", "measurements missing, with reasons", usual},
	{"disputed-corrected", "two slips, disputed and then corrected", []step{
		clinic, signed,
		{at: afterTheatre, take: []string{"operation"}},
		{at: afterTheatre, file: "disputed-perimeter-first", says: "a perimeter too short for its area arrives"},
		{at: afterTheatre, file: "disputed-gradient-first", says: "a peak gradient below the mean arrives"},
		{at: nextDay, take: []string{"assessment/toe", "result"}, says: "both are corrected"},
		discharge,
	}},
	{"wrong-patient", "another patient's echo arrives under its number", with(
		step{at: atDischarge, file: "wrong-patient-echo", says: "an echo names another patient"},
		step{at: atDischarge, do: discardQuarantined, reason: "The echo belongs to another patient; the ward was told.", says: "the reviewer discards it"},
	)},
	{"retracted-result", "a result of another theatre, retracted", []step{
		clinic, signed,
		{at: afterTheatre, file: "result-to-be-retracted", says: "a result of another theatre arrives"},
		theatre,
		{at: nextDay, do: retractSection, section: "result/off-of-theatre-2", reason: "Entered for the wrong theatre.", says: "the reviewer retracts it"},
		discharge,
	}},
	{"outcome-before-plan", "the outcome arrives before the plan", []step{
		clinic, theatre, {at: twoDaysLater, take: []string{"plan"}, says: "the plan, signed in time, arrives late"}, discharge,
	}},
	{"plan-revised", "plan revised after the echo before bypass", []step{
		clinic, {at: dayBefore, file: "plan-first-version"}, signed, theatre, followUp("discharge"), followUp("one-year"),
	}},
	{"several-differences", "substituted, relocated, added and left-out steps", usual},
	{"duplicate-case", "entered twice: the whole case is retracted", []step{
		{at: whenSigned},
		{at: whenSigned, do: retractCase, reason: "Stands under MV-2026-006 already.", says: "the reviewer retracts the case"},
	}},
	{"calcified-unit-slip", "calcified annulus; heights typed in centimetres", usual},

	{"graded-many-ways", "regurgitation graded by every parameter there is", usual},
	{"late-systolic", "late-systolic regurgitation, parameters disagree", usual},
	{"base-gap-open", "a plan whose parts leave the base open", []step{
		clinic, signed,
		{at: whenSigned, do: explore, says: "advances of 4 to 10 mm on either side", axes: []*trigonev1.ExploredAxis{
			advance(trigonev1.Side_SIDE_LATERAL, 4, 10), advance(trigonev1.Side_SIDE_MEDIAL, 4, 10),
		}},
		theatre, discharge,
	}},
	{"two-triangles", "two unlike triangular resections; dies on day 40", []step{
		clinic, signed, theatre, followUp("ward-echo"), followUp("died-in-hospital"),
	}},
	{"three-slices", "three slices predicted; dies after four years", []step{
		clinic, signed, theatre, followUp("discharge"), followUp("one-year"), followUp("four-years"),
	}},
	{"chords-hold-line", "artificial chords on both leaflets hold the line", usual},
	{"restricted-leaflets", "rheumatic, restricted: nothing is predicted", usual},
	{"ring-by-table", "ring of the site's own table, plan explored", []step{
		clinic, signed,
		{at: whenSigned, do: explore, says: "every ring of the table, P2 of 12 to 22 mm", axes: []*trigonev1.ExploredAxis{
			{Kind: &trigonev1.ExploredAxis_Ring{Ring: &trigonev1.RingAxis{Sizes: []*trigonev1.RingSizeChoice{{FamilyKey: "harbour-oval"}}}}},
			{Kind: &trigonev1.ExploredAxis_LeafletHeight{LeafletHeight: &trigonev1.HeightAxis{
				Segment: trigonev1.Segment_SEGMENT_P2, Range: lengths(12, 22, 0.5),
			}}},
		}},
		theatre, discharge,
	}},
	{"anterior-motion", "many factors; systolic anterior motion, treated", usual},
	{"saddle-annulus", "annulus and leaflets traced in three dimensions", usual},

	{"advice-in-theatre", "asked while operating; the ring follows the advice", []step{
		clinic, signed,
		{at: inTheatre, do: askInTheatre, says: "asked after the leaflet work, answer recorded"},
		theatre, discharge,
	}},
	{"measured-twice", "contradictions confirmed, revoked, lapsed", []step{
		clinic, signed, theatre,
		{at: nextDay, do: confirm, reason: "Read again on the stored loops: mean of five beats in atrial fibrillation, the volumes are of one.",
			says: "the ejection fraction contradicts the volumes; the reviewer confirms both"},
		{at: nextDay, do: revoke, reason: "The loops that were read are of the day before.", says: "and takes it back: the loops were of the day before"},
		{at: twoDaysLater, do: confirm, reason: "Read again on the loops of that day.", says: "the right loops are read"},
		{at: atDischarge, file: "measured-twice-discharge", says: "the same at discharge"},
		{at: atDischarge, do: confirm, reason: "As before.", says: "the reviewer confirms again"},
		{at: atDischarge, take: []string{"follow_up"}, says: "the ward corrects its value: that confirmation lapses"},
		{at: atDischarge, do: evaluateAgain, says: "evaluated again"},
	}},
	{"recurrence", "severe again after a year, repaired again", []step{
		clinic, signed, theatre, followUp("discharge"), followUp("one-year"), followUp("re-repair"),
	}},
	{"outside-range", "contact short of the target and of the prediction", usual},
	{"gaps-in-record", "no incision time; a step of no plan", []step{
		{at: signedAndThen(-hour), take: clinic.take}, signed,
		{at: signedAndThen(24 * hour), take: theatre.take}, {at: signedAndThen(11 * 24 * hour), take: discharge.take},
	}},
}

// advance varies one side of the sliding plasty of a plan, in steps of 1 mm.
func advance(side trigonev1.Side, low, high float64) *trigonev1.ExploredAxis {
	return &trigonev1.ExploredAxis{Kind: &trigonev1.ExploredAxis_SlidingAdvance{SlidingAdvance: &trigonev1.SlidingAdvanceAxis{
		StepId: "p-sliding", Side: side, Range: lengths(low, high, 1),
	}}}
}

func lengths(low, high, by float64) *trigonev1.LengthGrid {
	return &trigonev1.LengthGrid{MinMm: &low, MaxMm: &high, StepMm: &by}
}

// chapters stand before these cases.
var chapters = map[string]string{
	"chord-rupture-sliding": "Repairs, planned and done",
	"no-plan":               "What comes late, wrong or not at all",
	"graded-many-ways":      "What the numbers say",
	"advice-in-theatre":     "In theatre and after",
}

// The cases printed at length: one plan, and the findings on two outcomes.
const shownPlan = "triangular-complete-ring"

var shownFindings = []string{"billowing-second-run", "smaller-ring"}

// content gives what a step sends: the sections it takes of its file.
func (s step) content(name string) (*trigonev1.CaseFile, error) {
	folder, file := testdata.Cases, name
	if s.file != "" {
		folder, file = testdata.Submits, s.file
	}
	whole, err := testdata.Read(folder, file)
	if err != nil || len(s.take) == 0 {
		return whole, err
	}
	out := &trigonev1.CaseFile{ExternalIdentifier: whole.GetExternalIdentifier(), PatientIdentifier: whole.GetPatientIdentifier()}
	if s.takes("identity") {
		out.Identity = whole.GetIdentity()
	}
	if s.takes("plan") {
		out.Plan = whole.GetPlan()
	}
	if s.takes("operation") {
		out.Operation = whole.GetOperation()
	}
	for _, a := range whole.GetAssessments() {
		if s.takes("assessment/" + a.GetId()) {
			out.Assessments = append(out.Assessments, a)
		}
	}
	for _, r := range whole.GetResults() {
		if s.takes("result/" + r.GetId()) {
			out.Results = append(out.Results, r)
		}
	}
	for _, f := range whole.GetFollowUps() {
		if s.takes("follow_up/" + f.GetId()) {
			out.FollowUps = append(out.FollowUps, f)
		}
	}
	return out, nil
}

func (s step) takes(section string) bool {
	kind, _, _ := strings.Cut(section, "/")
	return slices.Contains(s.take, section) || slices.Contains(s.take, kind)
}
