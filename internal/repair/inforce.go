package repair

import "time"

// Timing says how the plan stands in relation to incision.
type Timing string

// The timings.
const (
	Prospective    Timing = "prospective"   // signed and received before incision
	LateArrival    Timing = "late_arrival"  // signed before, received after
	Retrospective  Timing = "retrospective" // signed after incision only
	Unsigned       Timing = "unsigned"      // never signed
	NoPlan         Timing = "no_plan"
	NoIncisionTime Timing = "no_incision_time"
)

// InForce is the plan revision by which an outcome is judged. With Retrospective
// and Unsigned no plan is in force: Revision then is the last one, to which
// differences are shown beneath that root.
type InForce struct {
	Revision    *PlanRevision
	Timing      Timing
	Explanation string
}

// PlanInForce derives the plan in force: among the plan revisions not retracted
// the one last signed before incision, ties by revision.
func (c *Case) PlanInForce() InForce {
	if len(c.Plans) == 0 {
		return InForce{Timing: NoPlan, Explanation: "no plan was received"}
	}
	last := &c.Plans[0]
	for i := range c.Plans {
		if c.Plans[i].Revision > last.Revision {
			last = &c.Plans[i]
		}
	}
	if c.Operation == nil {
		return InForce{Revision: last, Timing: NoIncisionTime,
			Explanation: "no operation was received yet; the plan last signed before incision will be in force"}
	}
	if c.Operation.IncisionTime.IsZero() {
		return InForce{Revision: last, Timing: NoIncisionTime,
			Explanation: "the incision time is not recorded, so no plan can be said to be in force"}
	}
	incision := c.Operation.IncisionTime
	best := lastSigned(c.Plans, func(t time.Time) bool { return t.Before(incision) })
	switch {
	case best == nil && lastSigned(c.Plans, func(time.Time) bool { return true }) != nil:
		return InForce{Revision: last, Timing: Retrospective,
			Explanation: "every signed plan was signed at or after incision; none is in force"}
	case best == nil:
		return InForce{Revision: last, Timing: Unsigned, Explanation: "no plan was signed; none is in force"}
	case best.Received.IsZero():
		return InForce{Revision: best, Timing: Prospective,
			Explanation: "signed before incision; when it was received is not known"}
	case best.Received.Before(incision):
		return InForce{Revision: best, Timing: Prospective, Explanation: "signed and received before incision"}
	}
	return InForce{Revision: best, Timing: LateArrival, Explanation: "signed before incision, received after it"}
}

// RevisedBeforeCut gives the revision last signed at or after incision and before
// the first leaflet cut, or nil: what differs from the plan in force but not from
// this one was changed on purpose before anything was cut.
func (c *Case) RevisedBeforeCut() *PlanRevision {
	if c.Operation == nil || c.Operation.IncisionTime.IsZero() || c.Operation.FirstLeafletCutTime.IsZero() {
		return nil
	}
	from, to := c.Operation.IncisionTime, c.Operation.FirstLeafletCutTime
	return lastSigned(c.Plans, func(t time.Time) bool { return !t.Before(from) && t.Before(to) })
}

func lastSigned(plans []PlanRevision, accept func(time.Time) bool) *PlanRevision {
	var best *PlanRevision
	for i := range plans {
		p := &plans[i]
		signed := p.Plan.SignedTime
		if p.Plan.Signer == "" || signed.IsZero() || !accept(signed) {
			continue
		}
		if best == nil || signed.After(best.Plan.SignedTime) ||
			(signed.Equal(best.Plan.SignedTime) && p.Revision > best.Revision) {
			best = p
		}
	}
	return best
}

// Effective says whether a plan is in force.
func (f InForce) Effective() bool {
	return f.Revision != nil && (f.Timing == Prospective || f.Timing == LateArrival)
}
