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
	// says is printed under the case; empty: nothing.
	says string
}

type action int

const (
	send action = iota
	discardQuarantined
	retractSection
	retractCase
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
	{"neochordae", "fewer and shorter artificial chords than planned", usual},
	{"sliding-unequal", "sliding plasty with unequal advance", usual},
	{"smaller-ring", "smaller ring than planned, high gradient", usual},
	{"ring-exchanged", "ring exchanged in a second run", usual},
	{"no-plan", "emergency without a plan", []step{clinic, theatre, discharge}},
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
		clinic, {at: dayBefore, file: "plan-first-version"}, signed, theatre, discharge,
	}},
	{"several-differences", "substituted, relocated, added and left-out steps", usual},
	{"duplicate-case", "entered twice: the whole case is retracted", []step{
		{at: whenSigned},
		{at: whenSigned, do: retractCase, reason: "Stands under MV-2026-006 already.", says: "the reviewer retracts the case"},
	}},
	{"calcified-unit-slip", "calcified annulus; heights typed in centimetres", usual},
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
