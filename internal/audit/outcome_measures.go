package audit

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// measure is one respect in which it is told what became of patients.
type measure struct {
	id, title string
	// whom it is counted of, after 'patients'; did is what happened to them, in the past
	// tense.
	whom, did string
	// definition, with the limit in place of {limit}.
	definition string
	hoped      bool
	// exact: an event of safety, whose interval holds its level whatever the share.
	exact bool
	// theatre: it comes from the theatre list.
	theatre bool
	// judge says what is known of a patient; nil: a quantity only.
	judge func(c *Case, q *OutcomeQuestion) verdict
	// value of the quantity; nil: a share only. Called is how the quantity is said.
	value  func(c *Case, q *OutcomeQuestion) reading
	called string
	unit   units.Unit
	grid   float64
}

func (m *measure) of(c *Case, q *OutcomeQuestion) (v verdict, r reading) {
	if m.judge != nil {
		v = m.judge(c, q)
	}
	if m.value != nil {
		r = m.value(c, q)
	}
	return v, r
}

func (m *measure) defined(q *OutcomeQuestion) string {
	return strings.ReplaceAll(m.definition, "{limit}", q.Settings.Threshold(settings.GradientHigh).String())
}

// Words of outcomes that are read elsewhere than in the table.
const (
	repairLeavingTheatre = "repair_rate_leaving_theatre"
	repairAtDischarge    = "repair_rate_at_discharge"
	hospitalDeath        = "hospital_mortality"
	deathIn30Days        = "mortality_within_30_days"
	majorMorbidity       = "major_morbidity"
	reintervention       = "mitral_reintervention"
)

// laterOperation is the part under which a later case of a patient is counted.
var laterOperation = Group{"found_in", "later_operation_on_record"}

// Whom shares are of.
const (
	intended     = "in whom repair was intended"
	withRepair   = "who left theatre with a repaired valve"
	stillRepared = "discharged with a repaired valve"
	everybody    = ""
)

const operativeMortality = "Death in the stay of the operation, at any length, or within 30 days of it, wherever (operative mortality; STS, read in Overman et al. 2013)."

var measures = append(append([]measure{
	{id: repairLeavingTheatre, title: "Repair rate on leaving theatre", whom: intended, did: "left theatre alive with a repaired valve", hoped: true,
		definition: "Left theatre alive and not converted to replacement in theatre, of those in whom repair was the procedure intended at incision.", judge: leftRepaired},
	{id: repairAtDischarge, title: "Repair rate at discharge", whom: intended, did: "were discharged alive with a repaired valve", hoped: true,
		definition: "Discharged alive, not converted to replacement in the stay, of those in whom repair was the procedure intended at incision.", judge: dischargedRepaired},
	{id: "repair_rate_theatre_list", title: "Repair rate of the theatre list", hoped: true, theatre: true,
		definition: "Repairs of all operations for degenerative regurgitation that the theatre list names, whether or not they are in this record."},
	{id: "success_at_discharge", title: "Success by the echo at discharge", whom: intended, did: "met every part of success at discharge", hoped: true,
		definition: "Discharged alive with a repaired valve; in the echo at discharge regurgitation at most mild and resting mean gradient not above {limit}; no obstruction by anterior motion at the last reading of the stay. Every part must be known.",
		judge:      func(c *Case, q *OutcomeQuestion) verdict { return success(c, q, atDischarge(c)) }},
	{id: "success_by_exit_echo", title: "Success by the echo on leaving theatre", whom: intended, did: "met every part of success by the echo on leaving theatre", hoped: true,
		definition: "As success at discharge, regurgitation and gradient read in the last echo in theatre.",
		judge:      func(c *Case, q *OutcomeQuestion) verdict { return success(c, q, atExit(c)) }},
	{id: RegurgitationAtExit, title: "Residual regurgitation on leaving theatre", whom: withRepair, did: "had moderate or more regurgitation on leaving theatre",
		definition: "Grade of the last echo on leaving theatre, of the last pump run; moderate or more by the scheme in which it was graded. By grade within each scheme. Read in theatre, by the transoesophageal probe as a rule: never pooled with the echo at discharge.",
		judge:      func(c *Case, _ *OutcomeQuestion) verdict { return residual(c, exitScope(c), atExit(c)) }},
	{id: RegurgitationAtDischarge, title: "Residual regurgitation at discharge", whom: stillRepared, did: "had moderate or more regurgitation in the echo at discharge",
		definition: "Grade of the echo of the entry of discharge; moderate or more by the scheme in which it was graded. By grade within each scheme. Transthoracic as a rule: never pooled with the echo in theatre.",
		judge:      func(c *Case, _ *OutcomeQuestion) verdict { return residual(c, dischargeScope(c), atDischarge(c)) }},
	{id: "gradient_leaving_theatre", title: "Resting mean gradient on leaving theatre", whom: withRepair, did: "had a resting mean gradient above {limit} on leaving theatre",
		definition: "Last mean gradient on leaving theatre that was read at rest: not under exercise, an inotrope or a rate above the site's limit. The share is of those above {limit}.",
		called:     "the resting mean gradient on leaving theatre", unit: units.MMHg, grid: gradientGrid,
		judge: func(c *Case, q *OutcomeQuestion) verdict { return high(resting(c, q, exitScope(c), atExit(c))) },
		value: func(c *Case, q *OutcomeQuestion) reading { _, r := resting(c, q, exitScope(c), atExit(c)); return r }},
	{id: "gradient_at_discharge", title: "Resting mean gradient at discharge", whom: stillRepared, did: "had a resting mean gradient above {limit} at discharge",
		definition: "Mean gradient of the echo at discharge that was read at rest: not under exercise, an inotrope or a rate above the site's limit. The share is of those above {limit}.",
		called:     "the resting mean gradient at discharge", unit: units.MMHg, grid: gradientGrid,
		judge: func(c *Case, q *OutcomeQuestion) verdict {
			return high(resting(c, q, dischargeScope(c), atDischarge(c)))
		},
		value: func(c *Case, q *OutcomeQuestion) reading {
			_, r := resting(c, q, dischargeScope(c), atDischarge(c))
			return r
		}},
	{id: "gradient_not_at_rest_leaving_theatre", title: "Mean gradient on leaving theatre, not at rest", whom: withRepair,
		definition: "Last mean gradient on leaving theatre of those that were read under an inotrope, under exercise or at a rate above the site's limit. The limit at rest does not apply.",
		called:     "the mean gradient on leaving theatre, read under an inotrope or at a fast rate,", unit: units.MMHg, grid: gradientGrid,
		value: func(c *Case, q *OutcomeQuestion) reading { return stirred(q, exitScope(c), atExit(c)) }},
	{id: "gradient_not_at_rest_at_discharge", title: "Mean gradient at discharge, not at rest", whom: stillRepared,
		definition: "Mean gradient of the echo at discharge where it was read under an inotrope, under exercise or at a rate above the site's limit. The limit at rest does not apply.",
		called:     "the mean gradient at discharge, read under exercise, an inotrope or at a fast rate,", unit: units.MMHg, grid: gradientGrid,
		value: func(c *Case, q *OutcomeQuestion) reading { return stirred(q, dischargeScope(c), atDischarge(c)) }},
	{id: FurtherMitralRun, title: "Further pump run for the mitral valve", whom: "in whom replacement was not the intention", did: "had a further pump run for the mitral valve",
		definition: "Bypass resumed for the mitral valve at least once, of those whose runs are recorded as complete. By reason, a patient once under each.", judge: ranAgain},
	{id: Conversion, title: "Conversion to replacement", whom: intended, did: "were converted to replacement",
		definition: "Valve replaced in theatre or later in the stay, of those in whom repair was the procedure intended at incision. By reason and by point.", judge: converted},
	{id: "anterior_motion_in_theatre", title: "Systolic anterior motion in theatre", whom: everybody, did: "had systolic anterior motion of the leaflet off bypass",
		definition: "Anterior motion of the leaflet in any reading off bypass, of those in whom its presence or absence is recorded; of chords only it is counted beside. By the most that was seen and by how it ended.",
		judge:      func(c *Case, _ *OutcomeQuestion) verdict { return motion(c, offBypass(c)) }},
	{id: "anterior_motion_at_discharge", title: "Systolic anterior motion at discharge", whom: stillRepared, did: "had systolic anterior motion of the leaflet at discharge",
		definition: "Anterior motion of the leaflet in the echo at discharge, of those in whom its presence or absence is recorded.",
		judge: func(c *Case, _ *OutcomeQuestion) verdict {
			if v := dischargeScope(c); v.state != yes {
				return v
			}
			return motion(c, atDischarge(c))
		}},
	{id: "steps_or_ring_otherwise", title: "Steps or ring otherwise than planned", whom: "with a plan signed and received before incision", did: "had a step or a ring otherwise than planned",
		definition: "At least one difference of a step or a ring between the plan in force and what was done. A difference is not an error.", judge: otherwise},
	{id: "difference_without_reason", title: "Differences without a reason", whom: "who had a step or a ring otherwise than planned", did: "had at least one such difference without a recorded reason",
		definition: "Of those with a difference of a step or a ring: at least one of them has no recorded reason.", judge: unexplained},
	{id: OperativeMortality, title: "Operative mortality", exact: true, did: "died in the stay or within 30 days", definition: operativeMortality, judge: diedOperative},
	{id: hospitalDeath, title: "Mortality in the stay", exact: true, did: "died in the stay", definition: "Death in the stay of the operation, at any length, in theatre included.", judge: diedInStay},
	{id: deathIn30Days, title: "Mortality within 30 days", exact: true, did: "died within 30 days", definition: "Death within 30 days of the operation, wherever.", judge: diedIn30},
	{id: majorMorbidity, title: "Major morbidity", exact: true, did: "had a major complication in the stay",
		definition: "Any of ventilation over 24 h, deep wound infection, stroke, kidney injury of stage 3 or new dialysis, return to theatre for bleeding, tamponade, a valve or another cardiac reason, in the stay. " +
			"After the composite of STS (read in its measure's page), which asks for infection of the sternum; the site of a wound is not told apart here.",
		judge: morbid},
	{id: "death_or_major_morbidity", title: "Operative mortality or major morbidity", exact: true, did: "died in the stay or within 30 days, or had a major complication in the stay",
		definition: "Operative mortality or major morbidity, as above.", judge: deadOrMorbid},
	{id: "returned_to_theatre", title: "Return to theatre", exact: true, did: "were taken back to theatre in the stay",
		definition: "Any return to theatre in the stay, of those for whom all of them are recorded. By reason, a patient once under each.", judge: returned},
	{id: "readmitted_within_30_days", title: "Readmission within 30 days", exact: true, whom: "discharged alive", did: "were readmitted unplanned within 30 days of discharge",
		definition: "Unplanned readmission within 30 days of discharge, of those for whom all of them are recorded up to then.", judge: readmitted},
	{id: reintervention, title: "Further operation on the mitral valve", exact: true, whom: withRepair, did: "had a further operation or catheter procedure on the mitral valve",
		definition: "Any reintervention on the mitral valve that a follow-up records, or a later operation of the same patient among these cases, as far as follow-up goes: it is no rate over time. Those without one count where a follow-up records all of them.", judge: reintervened},
}, complications()...),
	minutes("clamp_first_run", "Cross-clamp time of the first run", "the cross-clamp time of the first run", firstRun((*Run).clamp)),
	minutes("clamp_total", "Cross-clamp time of all runs", "the cross-clamp time of all runs", allRuns((*Run).clamp)),
	minutes("bypass_first_run", "Bypass time of the first run", "the bypass time of the first run", firstRun((*Run).bypass)),
	minutes("bypass_total", "Bypass time of all runs", "the bypass time of all runs", allRuns((*Run).bypass)),
)

// gradientGrid is that of the leaf.
const gradientGrid = 0.1

func out(r Reason) verdict    { return verdict{state: outside, reason: r} }
func dunno(r Reason) verdict  { return verdict{state: notKnown, reason: r} }
func is(held bool) verdict    { return verdict{state: whether(held)} }
func whether(held bool) state { return map[bool]state{false: no, true: yes}[held] }

// answered reads an answer of the record.
func answered(a valve.Answer, why Reason) verdict {
	switch a {
	case valve.Yes:
		return is(true)
	case valve.No:
		return is(false)
	}
	return dunno(why)
}

// meant says whether repair was intended at incision: stated by then.
func meant(c *Case) verdict {
	stated, ok := c.IntendedHoursBefore.Get()
	switch {
	case c.Intended == "":
		return out(IntentionNotStated)
	case c.Intended != "repair":
		return out(RepairNotIntended)
	case ok && stated < 0:
		return out(IntentionAfterwards)
	}
	return is(true)
}

const sameStay = "same_stay"

// leftTheatre says whether the patient left theatre alive.
func leftTheatre(c *Case) verdict {
	later := func(day units.Maybe[int]) bool { d, ok := day.Get(); return ok && d > 0 }
	if c.LeftTheatreAlive == "" && (later(c.DiedDay) || later(c.DischargedDay) || later(c.StatusKnownUntilDay)) {
		return is(true)
	}
	return answered(c.LeftTheatreAlive, NotRecorded)
}

// leftRepaired says it of the valve and of the patient on leaving theatre.
func leftRepaired(c *Case, _ *OutcomeQuestion) verdict {
	if v := meant(c); v.state != yes {
		return v
	}
	return exitRepaired(c)
}

func exitRepaired(c *Case) verdict {
	alive := leftTheatre(c)
	switch {
	case alive.state == no:
		return is(false)
	case c.Converted == valve.Yes && c.ConversionPoint != sameStay && c.ConversionPoint != "":
		return is(false)
	case c.Converted == "", c.Converted == valve.Yes && c.ConversionPoint == "":
		return dunno(ReplacedUnknown)
	}
	return alive
}

// dischargedRepaired says it at the end of the stay.
func dischargedRepaired(c *Case, _ *OutcomeQuestion) verdict {
	if v := meant(c); v.state != yes {
		return v
	}
	switch {
	case c.Converted == valve.Yes, c.DiedInHospital == valve.Yes, leftTheatre(c).state == no, replacedInStay(c):
		return is(false)
	case c.Converted == "":
		return dunno(ReplacedUnknown)
	case c.DiedInHospital == "" && c.DischargedDay.IsNone():
		return dunno(NoGoing)
	}
	return is(true)
}

// replacedInStay says whether a follow-up tells of a replacement before discharge.
func replacedInStay(c *Case) bool {
	discharged, ok := c.DischargedDay.Get()
	return ok && slices.ContainsFunc(c.Events, func(e Event) bool {
		day, dated := e.Day.Get()
		return e.Reintervention == "replaced" && dated && day <= discharged
	})
}

// exitScope says whether there is a repaired valve to look at on leaving theatre.
func exitScope(c *Case) verdict {
	switch v := exitRepaired(c); {
	case leftTheatre(c).state == no:
		return out(DiedBefore)
	case v.state == no:
		return out(ReplacedBefore)
	case v.reason == ReplacedUnknown:
		return out(ReplacedUnknown)
	}
	return is(true)
}

// dischargeScope says it of discharge.
func dischargeScope(c *Case) verdict {
	switch {
	case c.DiedInHospital == valve.Yes, leftTheatre(c).state == no:
		return out(DiedBefore)
	case c.Converted == valve.Yes, replacedInStay(c):
		return out(ReplacedBefore)
	case c.Converted == "":
		return out(ReplacedUnknown)
	}
	return is(true)
}

// atExit gives the echoes on leaving theatre of the last pump run, in order.
func atExit(c *Case) []Echo {
	run := 0
	for _, e := range c.Echoes {
		if e.Stage == valve.LeavingTheatre {
			run = max(run, e.Run.OrElse(0))
		}
	}
	return echoes(c, func(e *Echo) bool { return e.Stage == valve.LeavingTheatre && e.Run.OrElse(0) == run })
}

func atDischarge(c *Case) []Echo {
	return echoes(c, func(e *Echo) bool { return e.FollowUp == "discharge" })
}

func offBypass(c *Case) []Echo {
	return echoes(c, func(e *Echo) bool { return e.Stage == valve.OffBypass || e.Stage == valve.LeavingTheatre })
}

func echoes(c *Case, which func(*Echo) bool) (list []Echo) {
	for i := range c.Echoes {
		if which(&c.Echoes[i]) {
			list = append(list, c.Echoes[i])
		}
	}
	return list
}

// residual gives the grade of the last echo that has one.
func residual(_ *Case, scope verdict, list []Echo) verdict {
	if scope.state != yes {
		return scope
	}
	for _, e := range slices.Backward(list) {
		if more, ok := e.Grade.ModerateOrMore(); ok {
			v := is(more)
			v.parts = []part{{Group: Group{e.Grade.Scheme, e.Grade.Value}}}
			// Every grade of the scheme is told, those that nobody has too.
			for _, g := range repair.Grades(e.Grade.Scheme) {
				if g != e.Grade {
					v.parts = append(v.parts, part{Group: Group{g.Scheme, g.Value}, fails: true})
				}
			}
			return v
		}
	}
	return dunno(NoEcho)
}

// judged gives how a gradient stands to its limit and whether it was read at rest.
func judged(q *OutcomeQuestion, e Echo, mean float64) (verdict metric.GradientVerdict, rest bool) {
	study := &repair.Study{Inotrope: e.Inotrope, Provocation: e.Provocation}
	if e.Stage != "" {
		study.Kind = repair.Result
	} else {
		study.Kind = repair.FollowUp
	}
	past := metric.JudgeGradient(q.Settings, study, math.Inf(1), e.HeartRatePerMin)
	return metric.JudgeGradient(q.Settings, study, mean, e.HeartRatePerMin).Verdict, past.Verdict != metric.GradientProvoked && past.Under == ""
}

// resting gives the last gradient that was read at rest.
func resting(_ *Case, q *OutcomeQuestion, scope verdict, list []Echo) (verdict, reading) {
	if scope.state != yes {
		return scope, reading{}
	}
	why := NoEcho
	for _, e := range slices.Backward(list) {
		mean, ok := e.MeanGradientMmHg.Get()
		if !ok {
			continue
		}
		if _, rest := judged(q, e, mean); !rest {
			why = NotAtRest
			continue
		}
		return is(true), reading{value: units.Some(mean), beyond: q.Settings.Threshold(settings.GradientHigh).Beyond(mean)}
	}
	return dunno(why), reading{}
}

func high(v verdict, r reading) verdict {
	if v.state == yes {
		return is(r.beyond)
	}
	return v
}

// stirred gives the last gradient that was not read at rest.
func stirred(q *OutcomeQuestion, scope verdict, list []Echo) reading {
	if scope.state != yes {
		return reading{}
	}
	for _, e := range slices.Backward(list) {
		if mean, ok := e.MeanGradientMmHg.Get(); ok {
			if _, rest := judged(q, e, mean); !rest {
				return reading{value: units.Some(mean)}
			}
		}
	}
	return reading{}
}

// Words of anterior motion.
const (
	motionNone       = "none"
	motionChordal    = "chordal"
	motionLeaflet    = "leaflet_without_obstruction"
	motionObstructs  = "leaflet_with_obstruction"
	motionResolved   = "resolved"
	wordNotRecorded  = "not_recorded"
	kindOfMotion     = "anterior_motion"
	kindOfMotionEnd  = "anterior_motion_end"
	kindOfReason     = "reason"
	kindOfPoint      = "point"
	kindOfGrade      = "grade"
	kindOfDeathPlace = "died"
)

var motions = []string{motionNone, motionChordal, motionLeaflet, motionObstructs}

// motion gives the most that was seen, and how it ended.
func motion(_ *Case, list []Echo) verdict {
	worst, end := -1, ""
	for _, e := range list {
		if rank := slices.Index(motions, e.AnteriorMotion); rank >= 0 {
			worst = max(worst, rank)
			end = cmp.Or(e.AnteriorMotionEnd, end)
		}
	}
	if worst < 0 {
		return dunno(NotRecorded)
	}
	leaflet := worst >= slices.Index(motions, motionLeaflet)
	v := is(leaflet)
	if worst > 0 {
		v.parts = append(v.parts, part{Group: Group{kindOfMotion, motions[worst]}})
	}
	if leaflet {
		v.parts = append(v.parts, part{Group: Group{kindOfMotionEnd, cmp.Or(end, wordNotRecorded)}})
	}
	return v
}

// obstructed says whether anterior motion obstructed at the last reading of the stay
// that says something of it.
func obstructed(c *Case) verdict {
	for _, e := range slices.Backward(append(offBypass(c), atDischarge(c)...)) {
		if slices.Contains(motions, e.AnteriorMotion) {
			return is(e.AnteriorMotion == motionObstructs && e.AnteriorMotionEnd != motionResolved)
		}
	}
	return dunno(NotRecorded)
}

const kindOfSuccess = "part_of_success"

// success puts its parts together: one that fails is enough, all must be known.
func success(c *Case, q *OutcomeQuestion, list []Echo) verdict {
	repaired := dischargedRepaired(c, q)
	if repaired.state == outside {
		return repaired
	}
	grade := residual(c, is(true), list)
	gradient, value := resting(c, q, is(true), list)
	all := []struct {
		word  string
		state state
		why   Reason
	}{
		{"discharged_alive_with_repair", repaired.state, repaired.reason},
		{"regurgitation_at_most_mild", grade.state.not(), grade.reason},
		{"resting_gradient_not_high", high(gradient, value).state.not(), gradient.reason},
		{"no_obstruction", obstructed(c).state.not(), NotRecorded},
		{"alive_at_discharge", dischargedAlive(c), NoGoing},
	}
	v := is(true)
	for _, p := range all {
		switch {
		case p.state == no:
			v.state, v.reason = no, ""
		case p.state != yes && v.state == yes:
			v.state, v.reason = notKnown, p.why
		}
		if p.state == yes || p.state == no {
			v.parts = append(v.parts, part{Group: Group{kindOfSuccess, p.word}, alone: true, fails: p.state == no})
		}
	}
	return v
}

func dischargedAlive(c *Case) state {
	if dead := deadInStay(c).state; dead != notKnown || c.DischargedDay.IsNone() {
		return dead.not()
	}
	return yes
}

func (s state) not() state {
	switch s {
	case yes:
		return no
	case no:
		return yes
	}
	return s
}

func ranAgain(c *Case, _ *OutcomeQuestion) verdict {
	if c.Intended == "replacement" {
		return out(RepairNotIntended)
	}
	v, reasons := verdict{}, map[string]bool{}
	for _, r := range c.Runs {
		if r.Number > 1 && r.ForMitral == valve.Yes {
			v.state = yes
			if !reasons[r.Reason] {
				reasons[r.Reason] = true
				v.parts = append(v.parts, part{Group: Group{kindOfReason, cmp.Or(r.Reason, wordNotRecorded)}})
			}
		}
	}
	further, known := c.MitralFurtherRuns.Get()
	switch {
	case v.state == yes:
		return v
	case !known:
		return dunno(NotComplete)
	}
	return is(further > 0)
}

func converted(c *Case, _ *OutcomeQuestion) verdict {
	if v := meant(c); v.state != yes {
		return v
	}
	v := answered(c.Converted, ReplacedUnknown)
	if v.state == no && replacedInStay(c) {
		v.state = yes
		v.parts = []part{{Group: Group{kindOfPoint, sameStay}}, {Group: Group{kindOfReason, wordNotRecorded}}}
		return v
	}
	if v.state == yes {
		v.parts = []part{
			{Group: Group{kindOfPoint, cmp.Or(c.ConversionPoint, wordNotRecorded)}}, {Group: Group{kindOfReason, cmp.Or(c.ConversionReason, wordNotRecorded)}},
		}
	}
	return v
}

func otherwise(c *Case, _ *OutcomeQuestion) verdict {
	switch {
	case c.Timing == "" || c.Timing == "no_plan":
		return out(NoPlan)
	case c.Timing != Prospective:
		return out(OtherTiming)
	case c.DifferencesWithReason+c.DifferencesWithoutReason > 0:
		return is(true)
	case c.AsExecuted:
		return is(false)
	}
	return dunno(NotRecorded)
}

func unexplained(c *Case, q *OutcomeQuestion) verdict {
	switch v := otherwise(c, q); v.state {
	case no:
		return out(AsPlanned)
	case outside, notKnown:
		return out(v.reason)
	}
	return is(c.DifferencesWithoutReason > 0)
}

// running says whether 30 days from the operation are over by the moment asked for.
func running(c *Case, q *OutcomeQuestion) bool {
	return !past(c.Incision, q.AsOf, thirtyDays)
}

// inTime takes from a share those whose time is not over: else those to whom it has
// happened would be in it and the others not.
func inTime(c *Case, q *OutcomeQuestion, v verdict) verdict {
	if running(c, q) && v.state != outside {
		if v.state == yes {
			return verdict{state: notOverEvent}
		}
		return verdict{state: notOver}
	}
	return v
}

// deadInStay says whether the patient died in the stay.
func deadInStay(c *Case) verdict {
	if leftTheatre(c).state == no {
		return is(true)
	}
	return answered(c.DiedInHospital, NoGoing)
}

func deadIn30(c *Case) verdict {
	if leftTheatre(c).state == no {
		return is(true)
	}
	return answered(c.DiedWithin30Days, NotRecorded)
}

func diedInStay(c *Case, q *OutcomeQuestion) verdict { return inStay(c, q, deadInStay(c)) }

// inStay takes from a share of the stay those who are still in it, in the first 30 days.
func inStay(c *Case, q *OutcomeQuestion, v verdict) verdict {
	if deadInStay(c).state == notKnown && c.DischargedDay.IsNone() {
		return inTime(c, q, v)
	}
	return v
}

func diedIn30(c *Case, q *OutcomeQuestion) verdict { return inTime(c, q, deadIn30(c)) }

func diedOperative(c *Case, q *OutcomeQuestion) verdict { return inTime(c, q, deadOperative(c)) }

func deadOperative(c *Case) verdict {
	stay, month := deadInStay(c), deadIn30(c)
	switch {
	case stay.state == yes || month.state == yes:
		v := is(true)
		word := "after_discharge"
		switch {
		case leftTheatre(c).state == no:
			word = "in_theatre"
		case stay.state == yes:
			word = "in_the_stay"
		case stay.state == notKnown:
			word = "place_not_recorded"
		}
		v.parts = []part{{Group: Group{kindOfDeathPlace, word}}}
		return v
	case stay.state == notKnown:
		return stay
	}
	return month
}

func returned(c *Case, q *OutcomeQuestion) verdict {
	v := answered(c.ReturnedToTheatre, NotComplete)
	if leftTheatre(c).state == no {
		return out(DiedBefore)
	}
	if v.state == yes {
		seen := map[string]bool{}
		for _, e := range c.Events {
			if word := cmp.Or(e.ReturnReason, wordNotRecorded); e.Kind == "return_to_theatre" && !seen[word] {
				seen[word] = true
				v.parts = append(v.parts, part{Group: Group{kindOfReason, word}})
			}
		}
	}
	return inStay(c, q, v)
}

func readmitted(c *Case, q *OutcomeQuestion) verdict {
	if deadInStay(c).state == yes {
		return out(DiedBefore)
	}
	discharged, ok := c.DischargedDay.Get()
	if !ok {
		return inStay(c, q, dunno(NoGoing))
	}
	v := answered(c.ReadmittedWithin30Days, NotComplete)
	if !past(c.Incision, q.AsOf, discharged+thirtyDays) {
		if v.state == yes {
			return verdict{state: notOverEvent}
		}
		return verdict{state: notOver}
	}
	return v
}

func reintervened(c *Case, _ *OutcomeQuestion) verdict {
	if v := exitScope(c); v.state != yes {
		return v
	}
	for _, e := range c.Events {
		if e.Kind == "reintervention" {
			v := is(true)
			v.parts = []part{{Group: Group{laterOperation.Kind, cmp.Or(e.Reintervention, wordNotRecorded)}}}
			return v
		}
	}
	for _, s := range c.Statuses {
		if s.FollowUp != "" && s.ReinterventionsRecorded == complete {
			return is(false)
		}
	}
	return dunno(NotComplete)
}

const complete = "complete"

// stayRecorded says whether all complications in theatre and in the stay are recorded.
func stayRecorded(c *Case) bool {
	theatre, after := false, false
	discharged, known := c.DischargedDay.Get()
	entry := slices.ContainsFunc(c.Statuses, func(s Status) bool { return s.FollowUp == "discharge" })
	for _, s := range c.Statuses {
		all := s.ComplicationsRecorded == complete
		day, dated := s.Day.Get()
		switch {
		case s.FollowUp == "":
			theatre = theatre || all
		case s.FollowUp == "discharge":
			after = after || all
		case !entry && known && dated && day >= discharged:
			after = after || all
		}
	}
	return theatre && (after || leftTheatre(c).state == no)
}

// occurred says whether an event of some kinds came in the stay. An event that was told
// by another definition than the default one of its kind does not count, and leaves open
// whether there was one.
func occurred(c *Case, which func(*Event) bool) (v verdict, events []Event) {
	open := Reason("")
	discharged, known := c.DischargedDay.Get()
	if died, ok := c.DiedDay.Get(); ok && c.DiedInHospital == valve.Yes && !known {
		discharged, known = died, true
	}
	// Where discharge is the only entry, what has no day is of the stay.
	only := !slices.ContainsFunc(c.Statuses, func(s Status) bool { return s.FollowUp != "" && s.FollowUp != "discharge" })
	for i := range c.Events {
		e := &c.Events[i]
		if !which(e) {
			continue
		}
		day, dated := e.Day.Get()
		switch {
		case e.InTheatre, dated && known && day <= discharged, !dated && only:
			if e.DefaultDefinition == valve.No {
				open = OtherDefinition
				continue
			}
			events = append(events, *e)
		case dated && known:
		default:
			open = NotRecorded
		}
	}
	switch {
	case len(events) > 0:
		return is(true), events
	case open != "":
		return dunno(open), nil
	case !stayRecorded(c):
		return dunno(NotComplete), nil
	}
	return is(false), nil
}

// complicationKinds in the order in which they are told, as they are said after 'had'.
var complicationKinds = []struct{ word, title, did string }{
	{"stroke", "Stroke", "had a stroke"},
	{"transient_ischaemic_attack", "Transient ischaemic attack", "had a transient ischaemic attack"},
	{"myocardial_infarction", "Myocardial infarction", "had a myocardial infarction"},
	{"circumflex_injury", "Injury of the circumflex artery", "had an injury of the circumflex artery"},
	{"groove_disruption", "Tear at the atrioventricular groove", "had a tear at the atrioventricular groove"},
	{"aortic_valve_injury", "Injury of the aortic valve", "had an injury of the aortic valve"},
	{"bleeding", "Re-exploration for bleeding", "were explored again for bleeding"},
	{"perioperative_bleeding", "Perioperative bleeding", "had perioperative bleeding that was classed"},
	{"tamponade", "Tamponade", "had a tamponade"},
	{"vascular_injury", "Injury of a vessel", "had an injury of a vessel"},
	{"low_output", "Low output", "had low output"},
	{"kidney_injury", "Acute kidney injury", "had an acute kidney injury"},
	{"prolonged_ventilation", "Ventilation for more than 24 h", "were ventilated for more than 24 h"},
	{"wound_infection", "Wound infection", "had a wound infection"},
	{"pacemaker", "New pacemaker", "had a new pacemaker"},
	{"conduction_block", "New block of conduction", "had a new block of conduction"},
	{"atrial_fibrillation", "New atrial fibrillation", "had new atrial fibrillation"},
	{"endocarditis", "Endocarditis", "had endocarditis"},
	{"thromboembolism", "Thromboembolism", "had a thromboembolism"},
	{"ring_detachment", "Detached ring", "had a detached ring"},
	{"haemolysis", "Haemolysis", "had haemolysis"},
	{"other", "Another complication", "had another complication"},
}

// ComplicationPrefix begins the word of the outcome of a kind of complication.
const ComplicationPrefix = "complication_"

func complications() (list []measure) {
	for _, k := range complicationKinds {
		list = append(list, measure{
			id: ComplicationPrefix + k.word, title: k.title, exact: true, did: k.did + " in the stay",
			definition: "Recorded in theatre or with a day up to the end of the stay, by the default definition of its kind; of those in whom it happened or all complications of the stay are recorded. By grade, where it has any.",
			judge: func(c *Case, q *OutcomeQuestion) verdict {
				v, events := occurred(c, func(e *Event) bool { return e.Complication == k.word })
				if graded := repair.ComplicationGrades(k.word); v.state == yes && graded != nil {
					v.parts = []part{{Group: Group{kindOfGrade, worstGrade(graded, events)}}}
				}
				return inStay(c, q, v)
			},
		})
	}
	return list
}

// worstGrade is the last one, in the order of the kind's grades, that an event has.
func worstGrade(graded []string, events []Event) string {
	worst := -1
	for _, e := range events {
		worst = max(worst, slices.Index(graded, e.Grade))
	}
	if worst < 0 {
		return wordNotRecorded
	}
	return graded[worst]
}

// returnsOfMorbidity are reasons of a return to theatre that make a major complication.
var returnsOfMorbidity = []string{"bleeding", "tamponade", "mitral_valve", "other_valve", "coronary", "support", "other_cardiac"}

// ReturnsOfMorbidity lists them.
func ReturnsOfMorbidity() []string { return slices.Clone(returnsOfMorbidity) }

const kindOfMorbidity = "major_complication"

func morbid(c *Case, q *OutcomeQuestion) verdict { return inStay(c, q, morbidInStay(c)) }

func morbidInStay(c *Case) verdict {
	list := []struct {
		word  string
		which func(*Event) bool
	}{
		{"stroke", func(e *Event) bool { return e.Complication == "stroke" }},
		{"prolonged_ventilation", func(e *Event) bool { return e.Complication == "prolonged_ventilation" }},
		{"deep_wound_infection", func(e *Event) bool { return e.Complication == "wound_infection" && e.Grade == "deep" }},
		{"kidney_injury_stage_3", func(e *Event) bool {
			return e.Complication == "kidney_injury" && (e.Grade == "stage_3" || e.NewDialysis == valve.Yes)
		}},
		{"explored_for_bleeding", func(e *Event) bool { return e.Complication == "bleeding" }},
	}
	all := verdict{state: no}
	for _, m := range list {
		v, _ := occurred(c, m.which)
		all = either(all, v, m.word)
	}
	back := answered(c.ReturnedToTheatre, NotComplete)
	if leftTheatre(c).state == no {
		back = is(false)
	}
	if back.state == yes {
		reasons, open := false, false
		for _, e := range c.Events {
			if e.Kind == "return_to_theatre" {
				reasons = reasons || slices.Contains(returnsOfMorbidity, e.ReturnReason)
				open = open || e.ReturnReason == ""
			}
		}
		switch {
		case !reasons && open:
			back = dunno(NotRecorded)
		default:
			back = is(reasons)
		}
	}
	return either(all, back, "return_to_theatre")
}

// either adds one more event to those of which one is enough.
func either(all, one verdict, word string) verdict {
	switch {
	case one.state == yes:
		all.state, all.reason = yes, ""
		if word != "" {
			all.parts = append(all.parts, part{Group: Group{kindOfMorbidity, word}})
		}
	case one.state == notKnown && all.state == no:
		all.state, all.reason = notKnown, one.reason
	}
	return all
}

func deadOrMorbid(c *Case, q *OutcomeQuestion) verdict {
	dead := deadOperative(c)
	dead.parts = nil
	morbid := morbidInStay(c)
	morbid.parts = nil
	return inTime(c, q, either(dead, morbid, ""))
}

func (r *Run) clamp() units.Maybe[float64]  { return r.ClampMin }
func (r *Run) bypass() units.Maybe[float64] { return r.BypassMin }

const minuteGrid = 1

func minutes(id, title, called string, value func(c *Case) units.Maybe[float64]) measure {
	return measure{
		id: id, title: title, called: called, definition: "From its times, or as stated where a time is missing; of all runs only where the runs are recorded as complete.",
		unit: units.Min, grid: minuteGrid,
		value: func(c *Case, _ *OutcomeQuestion) reading { return reading{value: value(c), reason: NotRecorded} },
	}
}

func firstRun(of func(*Run) units.Maybe[float64]) func(*Case) units.Maybe[float64] {
	return func(c *Case) units.Maybe[float64] {
		for i := range c.Runs {
			if c.Runs[i].Number == 1 {
				return of(&c.Runs[i])
			}
		}
		return units.None[float64]()
	}
}

func allRuns(of func(*Run) units.Maybe[float64]) func(*Case) units.Maybe[float64] {
	return func(c *Case) units.Maybe[float64] {
		n, ok := c.RunCount.Get()
		if !ok || n == 0 || n != len(c.Runs) {
			return units.None[float64]()
		}
		sum := 0.0
		for i := range c.Runs {
			v, ok := of(&c.Runs[i]).Get()
			if !ok {
				return units.None[float64]()
			}
			sum += v
		}
		return units.Some(sum)
	}
}

func halfYear(t time.Time) string {
	half := 1
	if t.Month() > time.June {
		half = 2
	}
	return fmt.Sprintf("%04d-H%d", t.Year(), half)
}
