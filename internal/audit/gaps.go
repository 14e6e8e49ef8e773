package audit

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"trigone/internal/units"
	"trigone/internal/valve"
)

// GapKind is what is missing in the record of a case: a word of the contract.
type GapKind string

// The kinds, in the order in which they are told: what spoils figures first.
const (
	OpenContradiction    GapKind = "open_contradiction"
	ResultMissing        GapKind = "result_missing"
	IncisionTimeMissing  GapKind = "incision_time_missing"
	OperationMissing     GapKind = "operation_missing"
	PlanNeverSigned      GapKind = "plan_never_signed"
	PlanLate             GapKind = "plan_late"
	ReasonMissing        GapKind = "reason_missing"
	DischargeMissing     GapKind = "discharge_missing"
	ThirtyDaysOverdue    GapKind = "thirty_days_overdue"
	OneYearOverdue       GapKind = "one_year_overdue"
	FiveYearsOverdue     GapKind = "five_years_overdue"
	EchoMissing          GapKind = "echo_missing"
	operationAwaitedDays         = 30
)

// gapRow is one kind: which cases could have the gap, and which do.
type gapRow struct {
	kind GapKind
	// could says whether a case that was operated on so many days ago could have the gap;
	// nil: it is of cases without an operation or without a time of one.
	could func(c *Case, days int) bool
	has   func(c *Case) bool
	// due is the day from which it is missing; -1: it is of no day.
	due int
	// of names those that could have it, has says what is missing, act what to do.
	of, missing, act string
}

// Days after which something is overdue (the audit's decision; common practice, no
// source). A visit counts for a date from which it is not further away than early.
const (
	dischargeOverdue = 60
	echoOverdue      = 90
	monthEarly       = 30
	quarterEarly     = 90
)

func every(*Case, int) bool { return true }

// statusDue is a row of a status that is due on a day, overdue some days later and known
// if it was known at most some days before it was due.
func statusDue(kind GapKind, due, late, early int, when string) gapRow {
	return gapRow{
		kind: kind, due: due,
		could: func(c *Case, days int) bool {
			died, dead := c.DiedDay.Get()
			return days > due+late && !c.lost() && (!dead || died >= due) && !c.diedUndated()
		},
		has: func(c *Case) bool {
			known, ok := c.StatusKnownUntilDay.Get()
			return !ok || known < due-early
		},
		of: fmt.Sprintf("operated on more than %d days ago, not known to have died and not lost", due+late), missing: "have no status known " + when, act: "ask for it",
	}
}

// gapTable has a row for each kind.
var gapTable = []gapRow{
	{OpenContradiction, every, func(c *Case) bool { return c.OpenContradictions > 0 }, -1,
		"operated on", "have an open contradiction, so that its numbers count nowhere", "let a reviewer decide"},
	{ResultMissing, every, func(c *Case) bool { return !c.hasResult() }, 0,
		"operated on", "have no result recorded in theatre", "record it from the echo on leaving theatre"},
	{IncisionTimeMissing, nil, nil, -1, "operated on", "have no time of incision, so that they are in no figure", "add it to the operation"},
	{OperationMissing, nil, nil, 0, "planned and without an operation", fmt.Sprintf("have not changed for %d days", operationAwaitedDays), "record the operation, or retract the case if it will not come"},
	{PlanNeverSigned, every, func(c *Case) bool { return c.Timing == "unsigned" || c.Timing == "no_plan" }, -1,
		"operated on", "had no signed plan before the operation, so that nothing can be compared", "sign plans before incision"},
	{PlanLate, every, func(c *Case) bool { return c.Timing == "late_arrival" || c.Timing == "retrospective" }, -1,
		"operated on", "had a plan that was signed, or received, after incision", "send plans when they are signed"},
	{ReasonMissing, every, func(c *Case) bool { return c.DifferencesWithoutReason > 0 }, -1,
		"operated on", "went otherwise in steps or ring without a recorded reason", "record why"},
	{DischargeMissing, func(c *Case, days int) bool { return days > dischargeOverdue && !c.diedInStay() }, func(c *Case) bool { return c.DischargedDay.IsNone() }, 0,
		fmt.Sprintf("operated on more than %d days ago and not known to have died in the stay", dischargeOverdue), "have no discharge recorded", "record it"},
	statusDue(ThirtyDaysOverdue, 30, 30, 0, "at 30 days"),
	statusDue(OneYearOverdue, 365, quarterEarly, monthEarly, "at one year"),
	statusDue(FiveYearsOverdue, 1826, 2*quarterEarly, quarterEarly, "at five years"),
	{EchoMissing, func(c *Case, days int) bool {
		died, dead := c.DiedDay.Get()
		return days > echoOverdue && !c.lost() && (!dead || died >= echoOverdue) && !c.diedUndated() && !c.diedInStay()
	}, func(c *Case) bool { return !c.echoAfterwards() }, 0,
		fmt.Sprintf("operated on more than %d days ago, not known to have died by then and not lost", echoOverdue), "have no echo recorded after leaving theatre and no reason why", "record one, or why there is none"},
}

// GapKinds gives the kinds in the order in which they are told.
func GapKinds() (list []GapKind) {
	for _, r := range gapTable {
		list = append(list, r.kind)
	}
	return list
}

func (c *Case) hasResult() bool {
	return c.Decision != "" || slices.ContainsFunc(c.Echoes, func(e Echo) bool { return e.Stage != "" && e.Stage != valve.Native })
}

func (c *Case) echoAfterwards() bool {
	return slices.ContainsFunc(c.Echoes, func(e Echo) bool { return e.FollowUp != "" }) ||
		slices.ContainsFunc(c.Statuses, func(s Status) bool { return s.EchoNotDoneReason != "" })
}

func (c *Case) lost() bool {
	return slices.ContainsFunc(c.Statuses, func(s Status) bool { return s.Lost == valve.Yes })
}

// diedUndated says whether the patient is known to have died, and not when.
func (c *Case) diedUndated() bool {
	return c.DiedDay.IsNone() && (c.DiedInHospital == valve.Yes || c.DiedWithin30Days == valve.Yes ||
		slices.ContainsFunc(c.Statuses, func(s Status) bool { return s.Vital == "dead" }))
}

func (c *Case) diedInStay() bool {
	return c.DiedInHospital == valve.Yes || c.LeftTheatreAlive == valve.No
}

// Missing is what is missing of one case.
type Missing struct {
	Kind GapKind
	UID  string
	// Incision; zero: not recorded.
	Incision time.Time
	// OverdueDays since it was due; absent: it is of no day.
	OverdueDays units.Maybe[int]
}

// GapCount is how many cases have a gap of those that could.
type GapCount struct {
	Kind      GapKind
	Count, Of int
	Sentence  string
}

// WithoutOperation is a case with a plan and without an operation, and since when nothing of it
// changed.
type WithoutOperation struct {
	UID     string
	Changed time.Time
}

// Gaps gathers what is missing as of a moment. Cases may come in any order.
type Gaps struct {
	asOf  time.Time
	zone  *time.Location
	kinds []GapKind
	list  []Missing
	count map[GapKind]*GapCount
}

// NewGaps begins to gather gaps of these kinds, of all where none is given.
func NewGaps(asOf time.Time, zone *time.Location, kinds []GapKind) *Gaps {
	g := &Gaps{asOf: asOf, zone: zone, kinds: kinds, count: map[GapKind]*GapCount{}}
	if len(kinds) == 0 {
		g.kinds = GapKinds()
	}
	for _, k := range g.kinds {
		g.count[k] = &GapCount{Kind: k}
	}
	return g
}

// Add adds a case that was operated on.
func (g *Gaps) Add(c *Case) {
	days := civilDay(g.asOf.In(g.zone)) - civilDay(c.Incision.In(g.zone))
	for _, r := range gapTable {
		n := g.count[r.kind]
		if n == nil || r.could == nil {
			continue
		}
		if !r.could(c, days) {
			continue
		}
		n.Of++
		if !r.has(c) {
			continue
		}
		n.Count++
		gap := Missing{Kind: r.kind, UID: c.UID, Incision: c.Incision}
		if r.due >= 0 {
			gap.OverdueDays = units.Some(days - r.due)
		}
		g.list = append(g.list, gap)
	}
	if n := g.count[IncisionTimeMissing]; n != nil {
		n.Of++
	}
}

// AddUndated adds cases that were operated on and have no time of it.
func (g *Gaps) AddUndated(uids []string) {
	n := g.count[IncisionTimeMissing]
	if n == nil {
		return
	}
	n.Of += len(uids)
	n.Count += len(uids)
	for _, uid := range uids {
		g.list = append(g.list, Missing{Kind: IncisionTimeMissing, UID: uid})
	}
}

// AddAwaited adds a case that was planned and has no operation. One that changed lately
// may well be waiting for it.
func (g *Gaps) AddAwaited(a WithoutOperation) {
	n := g.count[OperationMissing]
	days := int(g.asOf.Sub(a.Changed) / (24 * time.Hour))
	if n == nil {
		return
	}
	n.Of++
	if days <= operationAwaitedDays {
		return
	}
	n.Count++
	g.list = append(g.list, Missing{Kind: OperationMissing, UID: a.UID, OverdueDays: units.Some(days - operationAwaitedDays)})
}

// Answer gives the gaps, by kind, the oldest operation first, how many there are of
// each kind, and what they say.
func (g *Gaps) Answer() (list []Missing, counts []GapCount, sentence string) {
	order := map[GapKind]int{}
	some, kinds, worst := map[string]bool{}, 0, GapCount{}
	for i, r := range gapTable {
		order[r.kind] = i
		n := g.count[r.kind]
		if n == nil {
			continue
		}
		n.Sentence = r.sentence(n)
		counts = append(counts, *n)
		if n.Count > 0 {
			kinds++
		}
		if n.Count > worst.Count {
			worst = *n
		}
	}
	list = slices.SortedFunc(slices.Values(g.list), func(a, b Missing) int {
		return cmp.Or(cmp.Compare(order[a.Kind], order[b.Kind]), a.Incision.Compare(b.Incision), cmp.Compare(a.UID, b.UID))
	})
	for _, gap := range list {
		some[gap.UID] = true
	}
	switch kinds {
	case 0:
		return nil, counts, "Nothing that was looked for is missing."
	case 1:
		return list, counts, fmt.Sprintf("Something is missing of %s. %s", cases(len(some)), worst.Sentence)
	}
	return list, counts, fmt.Sprintf("Something is missing of %s, of %d kinds. Most often: %s", cases(len(some)), kinds, worst.Sentence)
}

func cases(n int) string {
	if n == 1 {
		return "1 case"
	}
	return fmt.Sprintf("%d cases", n)
}

func (r *gapRow) sentence(n *GapCount) string {
	one := r.missing
	if rest, ok := strings.CutPrefix(one, "have "); ok {
		one = "has " + rest
	}
	switch n.Count {
	case 0:
		if n.Of == 0 {
			return fmt.Sprintf("There is no case %s.", r.of)
		}
		what, _, _ := strings.Cut(one, ", so that")
		return fmt.Sprintf("Of %s %s, none %s.", cases(n.Of), r.of, what)
	case 1:
		return fmt.Sprintf("Of %s %s, 1 %s: %s.", cases(n.Of), r.of, one, r.act)
	}
	return fmt.Sprintf("Of %s %s, %d %s: %s.", cases(n.Of), r.of, n.Count, r.missing, r.act)
}
