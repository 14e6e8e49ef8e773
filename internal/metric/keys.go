package metric

import (
	"trigone/internal/repair"
	"trigone/internal/valve"
)

// FinalPosteriorHeightKey gives the key of the final height of P2: at the plan,
// or after a pump run (1 or more).
func FinalPosteriorHeightKey(plan bool, run int) valve.Key {
	return finalKey(IDFinalPosteriorHeight, valve.AtSegment(valve.P2), plan, run)
}

// FinalHeightRatioKey gives the key of A2 over P2 with the final heights: at the
// plan, or after a pump run (1 or more).
func FinalHeightRatioKey(plan bool, run int) valve.Key {
	return finalKey(IDHeightRatio, valve.AtSlice(valve.A2P2), plan, run)
}

func finalKey(id valve.ID, place valve.Place, plan bool, run int) valve.Key {
	if plan {
		return valve.Key{ID: id, Place: place, Occasion: valve.AtPlan, Role: valve.Planned}
	}
	return valve.Key{ID: id, Place: place, Occasion: valve.InRun(max(run, 1), ""), Role: valve.Derived}
}

// PredictedContactKey gives the key of the predicted mean contact of A2 and P2:
// from the plan, or from what was done.
func PredictedContactKey(fromPlan bool) valve.Key {
	k := valve.Key{ID: IDPredictedContact, Place: valve.AtSlice(valve.A2P2), Occasion: valve.AtOperation, Role: valve.PredictedFromExecution}
	if fromPlan {
		k.Occasion, k.Role = valve.AtPlan, valve.PredictedFromPlan
	}
	return k
}

// PredictedOverlapKey gives the key of the predicted overlap of A2 and P2: from
// the plan, or from what was done.
func PredictedOverlapKey(fromPlan bool) valve.Key {
	k := PredictedContactKey(fromPlan)
	k.ID = IDPredictedOverlap
	return k
}

// CoaptationZKey gives the key of the coaptation length on leaving theatre against
// the overlap predicted from the plan, or from what was done; ok is false if no
// study on leaving theatre asks for it.
func CoaptationZKey(c *repair.Case, fromPlan bool) (k valve.Key, ok bool) {
	id, role := valve.ID(IDZFromExecution), valve.PredictedFromExecution
	if fromPlan {
		id, role = IDZFromPlan, valve.PredictedFromPlan
	}
	for _, at := range whereOutcome(c, role) {
		return at.Key(id), true
	}
	return valve.Key{}, false
}

// CoaptationKey gives the key of the measured coaptation length of A2-P2 of a
// study.
func CoaptationKey(o valve.Occasion) valve.Key {
	return CoaptationLength.Key(valve.AtSlice(valve.A2P2), o, valve.Measured)
}

// ExitCoaptationKey gives the key of the coaptation length of A2-P2 on leaving
// theatre; ok is false if there is no such study or it holds no such value.
func ExitCoaptationKey(c *repair.Case) (k valve.Key, ok bool) {
	exit := c.Exit()
	if exit == nil {
		return valve.Key{}, false
	}
	k = CoaptationKey(exit.Occasion)
	return k, c.Measured[k].Value.IsSome()
}

// NativeKey gives the key of a value of the valve before the repair, for a plan
// or for the operation: see native.
func NativeKey(c *repair.Case, leaf valve.ID, place valve.Place, forPlan bool) valve.Key {
	return native(c, leaf, place, forPlan, "")
}
