package discrepancy

import (
	"slices"

	"trigone/internal/repair"
	"trigone/internal/valve"
)

// linkToRoots puts every effect beneath its cause, so that a case with one cause
// counts once: no plan in force above all that was compared with a plan, a
// conversion above the steps and aims that were not reached, a further pump run
// above what led to it and what was done in it.
func (c *comparing) linkToRoots() {
	for i := range c.list {
		e := &c.list[i]
		switch {
		case e.Parent != "":
		case e.differs():
			e.Parent = c.cause(e)
		case e.fromPlan():
			e.Parent = c.present(id(NoPlanInForce))
		}
	}
	for i := range c.list {
		e := &c.list[i]
		for range c.list {
			above := c.byID(e.Parent)
			if above == nil || above.Parent == "" {
				break
			}
			e.Parent = above.Parent
		}
	}
}

func (c *comparing) byID(discrepancyID string) *entry {
	i := slices.IndexFunc(c.list, func(e entry) bool { return discrepancyID != "" && e.DiscrepancyID == discrepancyID })
	if i < 0 {
		return nil
	}
	return &c.list[i]
}

// present gives the id if there is such a discrepancy, beyond doubt.
func (c *comparing) present(discrepancyID string) string {
	if e := c.byID(discrepancyID); e != nil && e.Verdict == Present {
		return discrepancyID
	}
	return ""
}

// againstThePlan are the kinds that hold something against a plan.
var againstThePlan = []Kind{
	KindStep, KindStepPlace, KindStepTechnique, KindStepDimension, KindHeight, KindRingLabel, KindRingKind, KindRingDimension,
	KindAim, KindGradeAim, KindPredictionFromPlan,
}

func (e *entry) fromPlan() bool { return slices.Contains(againstThePlan, e.Kind) }

// cause gives the id of the discrepancy that an entry is an effect of, or "".
func (c *comparing) cause(e *entry) string {
	if e.fromPlan() {
		if root := c.present(id(NoPlanInForce)); root != "" {
			return root
		}
	}
	conversion := c.present(id(Conversion))
	switch e.Class {
	case StepOmitted, TargetMissed, OutsideInterval, OutsideSiteTolerance:
		if conversion != "" {
			return conversion
		}
	case NewFinding, ResidualRegurgitation:
		atExit := e.Stage == valve.LeavingTheatre
		if conversion != "" && atExit && (e.Verdict == NotJudged || !c.replacedInTheatre()) {
			return conversion
		}
		if next := c.nextRun(e.Run); next != "" {
			return next
		}
		if conversion != "" && !atExit {
			return conversion
		}
	case FurtherPumpRun:
		if conversion != "" && e.Run == c.lastRun && e.Run > 1 {
			return conversion
		}
	}
	switch e.Class {
	case TargetMissed:
		if e.Metric == mitralGrade && e.Stage == valve.LeavingTheatre && e.Verdict != NotJudged {
			return c.stands(id(ResidualRegurgitation, string(valve.LeavingTheatre)))
		}
	case StepOmitted:
		return c.doneInFurtherRun(e.takenDownIn)
	case StepParameter:
		if ring := c.otherRing(e); ring != "" {
			return ring
		}
		if pairs := c.otherPairs(e); pairs != "" {
			return pairs
		}
		return c.doneInFurtherRun(e.Run)
	case RingKind:
		if other := c.otherKind(e); other != "" {
			return other
		}
		return c.doneInFurtherRun(e.Run)
	case StepAdded, StepRelocated, StepSubstituted, RingSize:
		return c.doneInFurtherRun(e.Run)
	}
	return ""
}

// otherRing gives the difference in ring size that a difference in the ring's
// dimensions follows from: another label has other dimensions.
func (c *comparing) otherRing(e *entry) string {
	if !slices.Contains(ringDimensions, valve.ID(e.Metric)) {
		return ""
	}
	i := slices.IndexFunc(c.list, func(o entry) bool {
		return o.Class == RingSize && o.Verdict == Present && o.PlannedStepID == e.PlannedStepID
	})
	if i < 0 {
		return ""
	}
	return c.list[i].DiscrepancyID
}

// otherKind gives the difference in kind that another family of rings follows
// from.
func (c *comparing) otherKind(e *entry) string {
	if e.Metric != ringFamily {
		return ""
	}
	return c.present(id(RingKind, e.PlannedStepID, e.PerformedStepID, ringKind))
}

// otherPairs gives the difference in chord pairs that a difference in strands
// follows from: as many strands for each pair as planned.
func (c *comparing) otherPairs(e *entry) string {
	if e.Metric != strandCount {
		return ""
	}
	i := slices.IndexFunc(c.list, func(o entry) bool {
		return o.Class == StepParameter && o.Metric == pairCount && o.Verdict == Present && o.PlannedStepID == e.PlannedStepID &&
			o.PerformedStepID == e.PerformedStepID &&
			e.ActualValue.OrElse(0)*o.PlannedValue.OrElse(0) == e.PlannedValue.OrElse(0)*o.ActualValue.OrElse(0)
	})
	if i < 0 {
		return ""
	}
	return c.list[i].DiscrepancyID
}

// ringDimensions are the leaves that a ring's label decides.
var ringDimensions = []valve.ID{
	valve.RingInnerAnteroPosteriorDiameter, valve.RingInnerTransverseDiameter, valve.RingOrificeArea, valve.BandLength,
}

// stands gives the id if there is such a discrepancy, present or indeterminate.
func (c *comparing) stands(discrepancyID string) string {
	if e := c.byID(discrepancyID); e != nil && (e.Verdict == Present || e.Verdict == Indeterminate) {
		return discrepancyID
	}
	return ""
}

// doneInFurtherRun gives the further pump run of a number.
func (c *comparing) doneInFurtherRun(run int) string {
	for _, e := range c.list {
		if e.Class == FurtherPumpRun && e.Verdict == Present && run > 1 && e.Run == run {
			return e.DiscrepancyID
		}
	}
	return ""
}

// nextRun gives the further pump run that followed a run at once.
func (c *comparing) nextRun(run int) string {
	if run == 0 {
		return ""
	}
	return c.doneInFurtherRun(run + 1)
}

// markRevised marks what differs from the plan in force and not from the revision
// signed between incision and the first leaflet cut: it was changed on purpose
// before anything was cut.
func (c *comparing) markRevised() {
	revised := c.in.Case.RevisedBeforeCut()
	if revised == nil || !c.in.InForce.Effective() {
		return
	}
	in := c.in
	in.InForce = repair.InForce{Revision: revised, Timing: repair.Prospective}
	other := newComparing(in)
	other.plan = revised.Plan
	other.againstPlan()
	for i := range c.list {
		e := &c.list[i]
		judgedByPlan := e.JudgedBy == ByPlan || e.JudgedBy == ByTarget || e.Class == OutsideSiteTolerance
		if judgedByPlan && e.differs() && e.Verdict != NotJudged && !slices.ContainsFunc(other.list, e.staysAs) {
			e.PlanRevised = true
		}
	}
}

// staysAs says whether another comparison found the same difference, or another
// one about the same step.
func (e *entry) staysAs(o entry) bool {
	if !o.differs() {
		return false
	}
	if e.DiscrepancyID == o.DiscrepancyID {
		return true
	}
	stepwise := o.Class.among(StepOmitted, StepAdded, StepRelocated, StepSubstituted)
	mine := e.Class.among(StepOmitted, StepAdded, StepRelocated, StepSubstituted, StepParameter, RingSize, RingKind)
	return stepwise && mine && ((e.PlannedStepID != "" && e.PlannedStepID == o.PlannedStepID) ||
		(e.PerformedStepID != "" && e.PerformedStepID == o.PerformedStepID))
}
