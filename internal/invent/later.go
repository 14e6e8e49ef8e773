package invent

import (
	"math"
	"slices"
	"strconv"
	"time"
)

// Recurrence of moderate regurgitation or more: 1.5 % in the first year and 0.9 % a year
// after it; hazard ratios of mild regurgitation left 4.23, anterior leaflet 2.57, both
// leaflets 2.00 (Suri et al. 2016, n 1,218). recurrenceScale makes them the mean of
// everybody.
const (
	recurrenceFirstYear = 0.015
	recurrenceLater     = 0.009
	recurrenceScale     = 1.8
	ratioMild           = 4.23
	ratioAnterior       = 2.57
	ratioBoth           = 2.0
)

// Late death a year at 65, and how it grows with a year of age: from memory of life
// tables, no source.
const (
	lateDeath      = 0.014
	lateDeathByAge = 0.085
)

func (c *Case) recurrenceRatio() float64 {
	ratio := 1 / recurrenceScale
	if c.Stay.DischargeGrade == Mild {
		ratio *= ratioMild
	}
	if c.Valve.Segment == "a2" {
		ratio *= ratioAnterior
	}
	if c.Valve.Both {
		ratio *= ratioBoth
	}
	return ratio
}

// recursOn gives the day of recurrence, from a unit exponential: far away is never.
func (c *Case) recursOn(unit float64) int {
	first, later := recurrenceFirstYear*c.recurrenceRatio(), recurrenceLater*c.recurrenceRatio()
	if unit < first {
		return int(365 * unit / first)
	}
	return int(min(365+365*(unit-first)/later, 1e6))
}

// diesOn gives the day of late death, by a hazard that grows with age.
func (c *Case) diesOn(unit float64) int {
	now := lateDeath * math.Exp(lateDeathByAge*float64(c.Age-65))
	return int(min(365*math.Log(1+lateDeathByAge*unit/now)/lateDeathByAge, 1e6))
}

// visit is a follow-up that is asked for: how many answer, and how many of them have
// an echo. Common practice, no source.
type visit struct {
	id, kind      string
	day, within   int
	answers, echo float64
}

var visits = []visit{
	{"thirty-days", "thirty_days", 33, 10, 0.9, 0},
	{"one-year", "one_year", 372, 45, 0.84, 0.86},
	{"three-years", "other", 1100, 60, 0.55, 0.8},
	{"five-years", "five_years", 1830, 70, 0.72, 0.82},
}

func (c *Case) later(r *draws, until time.Time) {
	s := &c.Stay
	dies, recurs := c.diesOn(r.ExpFloat64()), c.recursOn(r.ExpFloat64())
	lost := math.MaxInt
	if r.happens(0.05) {
		lost = 40 + r.IntN(1500)
	}
	severe, again, kind := r.happens(0.4), r.happens(0.6), pick(r, share[string]{"repaired_again", 0.4}, share[string]{"replaced", 0.45}, share[string]{"catheter", 0.15})
	cause := pick(r, share[string]{"other", 0.5}, share[string]{"cardiac", 0.25}, share[string]{"unknown", 0.15}, share[string]{"valve", 0.1})
	told := false
	if s.DiedOnDay >= 0 {
		dies, cause, told = s.DiedOnDay, "cardiac", true
	} else {
		dies = max(dies, max(s.Days, 30)+1)
	}
	moderate := s.DischargeGrade
	if c.Theatre.Conversion != "" || atLeastModerate(moderate) {
		recurs = math.MaxInt
	}
	at := func(day int) time.Time { return morning(c.Incision).AddDate(0, 0, day) }
	found := 0 // day of the echo that found it
	heardOn := dies
	for _, v := range visits {
		day := v.day + r.IntN(2*v.within+1) - v.within
		answers, echo, gradient := r.happens(v.answers), r.happens(v.echo), r.of(0.3, 0.6)
		grade, late, delay := r.Float64(), r.happens(0.1), r.IntN(9)
		if answers && !told && day >= dies && day < lost {
			// Who asks hears of it: a death is known no sooner, and no more often, than a life.
			told, heardOn = true, day
		}
		if day >= dies || !answers || day <= s.Days || found > 0 && severe && again {
			continue
		}
		e := Entry{ID: v.id, Kind: v.kind, Day: day, Known: at(day), Lost: day >= lost, FunctionalClass: "i"}
		if e.Received = e.Known.AddDate(0, 0, delay).Add(8 * time.Hour); late {
			e.Received = e.Received.AddDate(0, 0, 60+int(190*grade))
		}
		if e.Lost {
			c.Entries = append(c.Entries, e)
			break
		}
		if echo {
			e.Grade, e.Gradient = s.DischargeGrade, steps(max(c.Repair.ExitGradient+0.2+gradient, 0.8), 0.1)
			switch {
			case day >= recurs && severe:
				e.Grade, e.FunctionalClass = Severe, "iii"
			case day >= recurs:
				e.Grade, e.FunctionalClass = Moderate, "ii"
			case e.Grade == None && grade < 0.5:
				e.Grade = Trace
			}
			if day >= recurs && found == 0 {
				found = day
			}
		}
		c.Entries = append(c.Entries, e)
	}
	// What was severe is often operated on again.
	if wait := 30 + r.IntN(110); found > 0 && severe && again && found+wait < min(dies, lost) {
		day := found + wait + 12
		c.Entries = append(c.Entries, Entry{
			ID: "re-intervention", Kind: "other", Day: day, Known: at(day), Received: at(day).Add(9 * time.Hour),
			Reintervention: kind, ReinterventionOn: at(found + wait), FunctionalClass: "i",
		})
		dies = max(dies, day+60)
	}
	if heard := 3 + r.IntN(60); told && !s.DiedInStay && dies < lost && dies < 1e6 {
		known := at(max(dies+heard, heardOn))
		c.Entries = append(c.Entries, Entry{
			ID: "death", Kind: "other", Day: dies, Known: known, Received: known.Add(9 * time.Hour), Dead: true, DiedOn: at(dies), Cause: cause,
		})
	}
	c.Entries = slices.DeleteFunc(c.Entries, func(e Entry) bool { return e.Received.After(until) })
	slices.SortStableFunc(c.Entries, func(a, b Entry) int { return a.Known.Compare(b.Known) })
}

// receipts draws when what was written down reached the record. How often it is late:
// common practice, no source.
func (c *Case) receipts(r *draws, served time.Time) {
	got, p := &c.Received, &c.Plan
	apart, planLate, operationLate, dischargeLate := r.happens(0.15), r.happens(0.03), r.happens(0.07), r.happens(0.08)
	c.Twice = r.happens(0.008) && !p.None
	days := func(n int) time.Duration { return time.Duration(n) * 24 * time.Hour }
	got.Operation = c.Incision.Add(9 * time.Hour)
	if operationLate {
		got.Operation = got.Operation.Add(days(1 + r.IntN(14)))
	}
	got.Plan = p.Signed.Add(10 * time.Minute)
	if p.Unsigned {
		got.Plan = c.Incision.Add(-15 * time.Hour)
	}
	if planLate {
		got.Plan = c.Incision.Add(days(2 + r.IntN(20)))
	}
	got.Clinic = c.Incision.Add(-20 * time.Hour)
	switch {
	case p.None:
		got.Plan = time.Time{}
		got.Clinic = c.Incision.Add(-time.Hour)
	case apart && c.Setting.Urgency != "emergency":
		got.Clinic = c.Valve.Clinic.Add(6 * time.Hour)
	case got.Plan.Before(c.Incision):
		got.Clinic = got.Plan
	}
	got.Discharge = morning(c.Incision).Add(days(c.Stay.Days+1) + 7*time.Hour)
	if dischargeLate {
		got.Discharge = got.Discharge.Add(days(30 + r.IntN(120)))
	}
	// Whoever calls after 30 days often enters the discharge, too.
	if together := r.happens(0.45); together && !c.Backfilled {
		for i := range c.Entries {
			if e := &c.Entries[i]; e.ID == "thirty-days" && e.Received.After(got.Discharge) {
				got.Discharge = e.Received
			}
		}
	}
	if c.Stay.Missing {
		got.Discharge = time.Time{}
	}
	c.Backfilled = c.Incision.Before(served)
	if !c.Backfilled {
		return
	}
	c.Twice = false
	at := served.Add(time.Duration(c.Number) * time.Minute)
	for _, t := range []*time.Time{&got.Clinic, &got.Plan, &got.Operation, &got.Discharge} {
		if !t.IsZero() {
			*t = at
		}
	}
	for i := range c.Entries {
		if c.Entries[i].Received.Before(at) {
			c.Entries[i].Received = at
		}
	}
}

// reoperations adds a case for each valve that was repaired again in this department.
func (d *Department) reoperations() {
	for i := range d.Settings.Cases {
		first := d.Cases[i]
		for _, e := range first.Entries {
			if e.Reintervention != "repaired_again" {
				continue
			}
			day := morning(e.ReinterventionOn).Add(25 * time.Minute)
			c := Case{Number: len(d.Cases) + 1, Share: 1, Incision: day, Sex: first.Sex, HeightCM: first.HeightCM, WeightKG: first.WeightKG, Reoperation: first.Number}
			c.Age = first.Age + e.Day/365
			of := func(what part) *draws { return stream(d.Settings.Seed, c.Number, what) }
			c.valve(of(partValve))
			c.Valve.Aetiology, c.Valve.Segment, c.Valve.Both, c.Valve.FlailWidthMM = "failed_repair", "p2", false, min(c.Valve.FlailWidthMM, 11)
			c.Operator, c.Setting.Approach, c.Setting.Urgency = "surgeon-1", "sternotomy", "elective"
			c.plan(of(partPlan))
			c.Plan.Technique, c.Plan.StripMM, c.Plan.ResectionMM, c.Plan.HeightP2 = Chords, 0, 0, c.Valve.ReadP2
			c.Plan.ChordMM, c.Plan.Pairs, c.Plan.Ring, c.Plan.None, c.Plan.Unsigned, c.Plan.Revised = 16, 3, Ring{}, false, false, false
			c.Plan.Signed = c.Incision.Add(-16 * time.Hour)
			c.Setting.Complexity = "complex"
			c.risks(of(partRisks))
			c.repair(of(partRepair), Built{})
			c.Repair.Technique, c.Repair.ChordMM, c.Repair.Pairs, c.Repair.ResectionMM, c.Repair.StripMM = Chords, 16, 3, 0, 0
			c.Repair.Ring, c.Repair.MeasuredRing, c.Repair.Differs = Ring{}, false, ""
			c.Repair.P2, c.Repair.ReadP2 = c.Valve.P2, c.Valve.ReadP2
			c.theatre(of(partTheatre), Built{})
			c.Theatre.Slip = ""
			c.stay(of(partStay), Built{})
			c.receipts(of(partReceipts), d.Served)
			c.Twice = false
			d.Cases = append(d.Cases, c)
		}
	}
}

// Name gives a case its number in this department.
func (d Department) Name(c *Case) string {
	return "D" + strconv.FormatUint(d.Settings.Seed, 10) + "-" + pad(c.Number)
}

func pad(n int) string {
	s := strconv.Itoa(n)
	for len(s) < 4 {
		s = "0" + s
	}
	return s
}
