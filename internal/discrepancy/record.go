package discrepancy

import (
	"fmt"
	"slices"

	"trigone/internal/repair"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// recordConflicts speaks of references and counts in the record of the operation
// that do not fit each other. What one side says of the valve is judged by rules.
func (c *comparing) recordConflicts() {
	conflict := func(performed performedStep, kind, planned, actual, message string) {
		e := entry{performed: performed.order, Comparison: Comparison{
			Kind: KindRecord, Class: RecordConflict, Verdict: Present, Occasion: valve.AtOperation,
			Metric: kind, Planned: planned, Actual: actual, Message: message,
		}}
		stepID := ""
		if performed.Step != nil {
			stepID, e.PerformedStepID, e.Run = performed.ID, performed.ID, performed.Run
		}
		e.ID = key(KindRecord, stepID, kind, valve.Nowhere, string(valve.AtOperation))
		e.DiscrepancyID = id(RecordConflict, kind, stepID)
		c.add(e)
	}
	for _, s := range c.steps {
		what := describe(s.Step)
		if s.PlannedStepID != "" && len(c.in.Case.Plans) > 0 && !c.everPlanned(s.PlannedStepID) {
			conflict(s, "planned_step_id", "a step of a plan", "no plan revision holds it",
				words.Capital(what)+" answers a planned step that no plan revision holds")
		}
		if s.Fate == repair.Revised && s.RevisedBy != "" {
			switch {
			case !c.performedStep(s.RevisedBy):
				conflict(s, "revised_by", "a step of the operation", "the operation does not hold it",
					words.Capital(what)+" is revised by a step that the operation does not hold")
			case c.inCircle(s):
				conflict(s, "revised_by", "a chain with an end", "a circle",
					words.Capital(what)+" is part of a circle of revisions")
			}
		}
		if s.TakenDownInRun > 0 && s.TakenDownInRun < s.Run {
			conflict(s, "taken_down_in_run", fmt.Sprintf("run %d or later", s.Run), fmt.Sprintf("run %d", s.TakenDownInRun),
				words.Capital(what)+" is taken down in a pump run before the one in which it was done")
		}
		if s.Run > 0 && c.runMissing(s.Run) {
			conflict(s, "run", "a run of the list", fmt.Sprintf("run %d", s.Run),
				fmt.Sprintf("%s was done in pump run %d, which the complete list of runs does not hold", words.Capital(what), s.Run))
		}
		if s.Fate == repair.InPlace && c.op.Converted() && slices.Contains(c.op.Conversion.TriedStepIDs, s.ID) {
			conflict(s, "tried_step_ids", "taken down", "in place",
				words.Capital(what)+" is in place at the end and listed as tried before the replacement")
		}
	}
	c.resultConflicts()
	c.conversionConflicts(conflict)
	if !slices.ContainsFunc(c.list, func(e entry) bool { return e.Kind == KindRecord }) {
		c.add(entry{Comparison: Comparison{
			ID: key(KindRecord, "", "", valve.Nowhere, string(valve.AtOperation)), Kind: KindRecord, Class: RecordConflict, Verdict: Agrees,
			Occasion: valve.AtOperation, Message: "References and counts in the record of the operation fit each other",
		}})
	}
}

// resultConflicts compares the results with the list of pump runs.
func (c *comparing) resultConflicts() {
	for _, s := range c.in.Case.OfKind(repair.Result) {
		if s.Run > 0 && c.runMissing(s.Run) {
			e := atSet(KindRecord, RecordConflict, "run", &s, "run")
			e.Planned, e.Actual = "a run of the list", fmt.Sprintf("run %d", s.Run)
			e.Message = fmt.Sprintf("A result follows pump run %d, which the complete list of runs does not hold", s.Run)
			c.add(e)
		}
		if s.Decision == "further_run" && s.Run > 0 && s.Run >= c.lastRun && c.op.RunsRecorded == valve.Complete {
			e := atSet(KindRecord, RecordConflict, "decision", &s, "decision")
			e.Planned, e.Actual = "a further pump run", fmt.Sprintf("the last is run %d", c.lastRun)
			e.Message = fmt.Sprintf("After pump run %d the decision was to go back on bypass, and the complete list holds no later run", s.Run)
			c.add(e)
		}
	}
}

// conversionConflicts compares what is said of a conversion with itself.
func (c *comparing) conversionConflicts(conflict func(s performedStep, kind, planned, actual, message string)) {
	conv := c.op.Conversion
	if conv == nil {
		return
	}
	if conv.Converted == valve.No && (conv.Point != "" || conv.Reason != "" || len(conv.TriedStepIDs) > 0) {
		conflict(performedStep{}, "conversion", "no conversion", "a conversion is described",
			"It is recorded that there was no conversion, and yet its point, its reason or the steps tried before it are given")
	}
	unknown := 0
	for _, stepID := range conv.TriedStepIDs {
		if !c.performedStep(stepID) {
			unknown++
		}
	}
	if unknown > 0 {
		conflict(performedStep{}, "tried_step_ids", "steps of the operation", fmt.Sprintf("%d unknown", unknown),
			"Steps listed as tried before the replacement are not among the steps of the operation")
	}
}

// everPlanned says whether any plan revision holds the step.
func (c *comparing) everPlanned(stepID string) bool {
	return slices.ContainsFunc(c.in.Case.Plans, func(r repair.PlanRevision) bool {
		return slices.ContainsFunc(r.Plan.Steps, func(s repair.Step) bool { return s.ID == stepID })
	})
}

func (c *comparing) performedStep(stepID string) bool {
	return slices.ContainsFunc(c.steps, func(s performedStep) bool { return s.ID == stepID })
}

// inCircle says whether following the revisions of s leads back to it.
func (c *comparing) inCircle(s performedStep) bool {
	next := s
	for range c.steps {
		i := slices.IndexFunc(c.steps, func(t performedStep) bool { return t.ID == next.RevisedBy })
		if i < 0 || next.Fate != repair.Revised {
			return false
		}
		if next = c.steps[i]; next.ID == s.ID {
			return true
		}
	}
	return false
}

// runMissing says whether the complete list of pump runs lacks a number.
func (c *comparing) runMissing(n int) bool {
	return c.op.RunsRecorded == valve.Complete &&
		!slices.ContainsFunc(c.op.Runs, func(r repair.Run) bool { return r.Number == n })
}
