package rules

import (
	"cmp"
	"maps"
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/valve"
)

// at gives one occasion as a place.
func at(o valve.Occasion) metric.At {
	role := valve.Measured
	if o == valve.AtPlan {
		role = valve.Planned
	}
	return metric.At{Occasion: o, Role: role}
}

// atStudy gives a study as a place.
func atStudy(s *repair.Study) metric.At {
	here := at(s.Occasion)
	here.Run, here.Stage = s.Run, s.Stage
	return here
}

// atRun gives a run on the pump as a place.
func atRun(run int) metric.At {
	here := at(valve.InRun(run, ""))
	here.Run = run
	return here
}

// inOperation is the operation as a place, if there is one.
func inOperation(c *repair.Case) []metric.At {
	if c.Operation == nil {
		return nil
	}
	return []metric.At{at(valve.AtOperation)}
}

// has says whether a case holds a value.
func has(c *repair.Case, k valve.Key) bool {
	m, ok := c.Measured[k]
	return ok && m.Value.IsSome()
}

// studies gives the studies that are accepted as places.
func studies(c *repair.Case, accept func(*repair.Study) bool) []metric.At {
	var list []metric.At
	for i := range c.Studies {
		if accept(&c.Studies[i]) {
			list = append(list, atStudy(&c.Studies[i]))
		}
	}
	return list
}

// holdsAny says whether a study holds any of the leaves at the place.
func holdsAny(c *repair.Case, s *repair.Study, place valve.Place, leaves ...valve.ID) bool {
	return slices.ContainsFunc(leaves, func(leaf valve.ID) bool {
		return has(c, valve.Key{ID: leaf, Place: place, Occasion: s.Occasion, Role: valve.Measured})
	})
}

// pairs gives each study that holds one of two leaves once: the section that
// holds the first, or the one that holds the second where no section of the
// study holds the first.
func pairs(place valve.Place, first, second valve.ID) func(*repair.Case) []metric.At {
	return func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool {
			if holdsAny(c, s, place, first) {
				return true
			}
			return holdsAny(c, s, place, second) && !slices.ContainsFunc(c.Studies, func(o repair.Study) bool {
				return o.StudyID == s.StudyID && holdsAny(c, &o, place, first)
			})
		})
	}
}

// repaired says whether a study looked at the repaired valve: after a run on the
// pump, and not at a prosthesis.
func repaired(c *repair.Case, s *repair.Study) bool {
	switch s.Kind {
	case repair.Result:
		return !c.Operation.Converted() || beforeConversion(c, s)
	case repair.FollowUp:
		return !c.Operation.Converted() && !replacedLater(c, s)
	}
	return false
}

// beforeConversion says whether a result was taken before the repair was given
// up: after an earlier run, or before a conversion later in the same stay.
func beforeConversion(c *repair.Case, s *repair.Study) bool {
	last := c.Operation.LastRun()
	if c.Operation.Conversion.Point == "same_stay" && last <= 1 {
		return true
	}
	return s.Run > 0 && s.Run < last
}

// replacedLater says whether the valve was replaced after the operation and not
// known to be so only after this follow-up's echo.
func replacedLater(c *repair.Case, s *repair.Study) bool {
	for _, other := range c.Studies {
		for _, again := range other.Reinterventions {
			if again.Kind == "replaced" && (again.On == "" || s.EchoOn == "" || again.On <= s.EchoOn) {
				return true
			}
		}
	}
	return false
}

// asked says whether a study holds any of the leaves at the place, or the reason
// why it does not.
func asked(c *repair.Case, s *repair.Study, place valve.Place, leaves ...valve.ID) bool {
	return slices.ContainsFunc(leaves, func(leaf valve.ID) bool {
		_, ok := c.Measured[valve.Key{ID: leaf, Place: place, Occasion: s.Occasion, Role: valve.Measured}]
		return ok
	})
}

// afterRepair gives the studies of the repaired valve in which any of the leaves
// was asked for at the place; the place of what is judged is the whole valve.
func afterRepair(place valve.Place, leaves ...valve.ID) func(*repair.Case) []metric.At {
	return func(c *repair.Case) []metric.At {
		return studies(c, func(s *repair.Study) bool { return repaired(c, s) && asked(c, s, place, leaves...) })
	}
}

// exit gives the echo on leaving theatre with a repaired valve as a place.
func exit(c *repair.Case) []metric.At {
	s := c.Exit()
	if s == nil || !repaired(c, s) {
		return nil
	}
	return []metric.At{atStudy(s)}
}

// stepsAt gives the steps of the plan or those of the operation that are in
// place at the end. Planned alternatives and steps under a condition are left
// out where sets of steps are judged; see firmSteps.
func stepsAt(c *repair.Case, o valve.Occasion) []repair.Step {
	switch {
	case o == valve.AtPlan && c.Plan != nil:
		return c.Plan.Steps
	case o.Section() == string(valve.AtOperation) && c.Operation != nil:
		return repair.InPlaceAtEnd(c.Operation.Steps)
	}
	return nil
}

// firmSteps gives the steps that belong together: those in place at the end, or
// the planned ones that are neither alternatives nor under a condition.
func firmSteps(c *repair.Case, o valve.Occasion) []repair.Step {
	var list []repair.Step
	for _, s := range stepsAt(c, o) {
		if o != valve.AtPlan || (s.AlternativeOf == "" && s.Condition == "") {
			list = append(list, s)
		}
	}
	return list
}

// stepPlaces gives each step of a technique that is accepted as a place, planned
// ones first.
func stepPlaces(t repair.Technique, accept func(repair.Step) bool) func(*repair.Case) []metric.At {
	return func(c *repair.Case) []metric.At {
		var list []metric.At
		for _, o := range []valve.Occasion{valve.AtPlan, valve.AtOperation} {
			for _, s := range repair.Of(stepsAt(c, o), t) {
				if accept(s) {
					here := at(o)
					here.Place = valve.AtStep(s.ID)
					list = append(list, here)
				}
			}
		}
		return list
	}
}

// setPlaces gives the plan and the operation as places if the steps that belong
// together are accepted.
func setPlaces(accept func(steps []repair.Step) bool) func(*repair.Case) []metric.At {
	return func(c *repair.Case) []metric.At {
		var list []metric.At
		for _, o := range []valve.Occasion{valve.AtPlan, valve.AtOperation} {
			if o == valve.AtOperation && c.Operation.Converted() {
				continue
			}
			if accept(firmSteps(c, o)) {
				list = append(list, at(o))
			}
		}
		return list
	}
}

// reachesBase gives the resections of the posterior leaflet that go down to the
// annulus.
func reachesBase(steps []repair.Step) []repair.Step {
	return slices.DeleteFunc(slices.Clone(steps), func(s repair.Step) bool {
		return !s.ReachesAnnulus() || !onPosterior(s)
	})
}

// onPosterior says whether a step is done at the posterior leaflet alone, or
// nowhere that is stated.
func onPosterior(s repair.Step) bool {
	for _, l := range s.Places {
		if l.Segment != "" && l.Segment.Leaflet() != valve.Posterior {
			return false
		}
	}
	return true
}

// stepsRecorded gives how complete the list of steps is at an occasion.
func stepsRecorded(c *repair.Case, o valve.Occasion) valve.Recorded {
	switch {
	case o == valve.AtPlan && c.Plan != nil:
		return c.Plan.StepsRecorded
	case c.Operation != nil:
		return c.Operation.StepsRecorded
	}
	return ""
}

// newest gives the assessments, the newest first and those without a time last.
func newest(c *repair.Case) []repair.Study {
	list := c.OfKind(repair.Assessment)
	slices.SortStableFunc(list, func(a, b repair.Study) int { return b.Time.Compare(a.Time) })
	return list
}

// fieldSets gives the occasions of the heights taken in the field at a stage.
func fieldSets(c *repair.Case, stages ...valve.Stage) []repair.FieldSet {
	if c.Operation == nil {
		return nil
	}
	return slices.DeleteFunc(slices.Clone(c.Operation.FieldSets), func(f repair.FieldSet) bool {
		return !slices.Contains(stages, f.Stage)
	})
}

// native gives the key of a value of the untouched valve, as the metrics take it.
func native(c *repair.Case, o valve.Occasion, leaf valve.ID, place valve.Place) valve.Key {
	return metric.NativeKey(c, leaf, place, o == valve.AtPlan)
}

// fieldNative gives the key of a height taken in the field before anything was
// cut.
func fieldNative(c *repair.Case, place valve.Place) valve.Key {
	k := valve.Key{ID: valve.LeafletHeight, Place: place, Occasion: valve.InRun(0, valve.Native), Role: valve.Measured}
	for i, f := range fieldSets(c, valve.Native) {
		here := k
		here.Occasion = f.Occasion
		if i == 0 || has(c, here) {
			k = here
		}
		if has(c, here) {
			break
		}
	}
	return k
}

// places gives what each value of the case is put to, once, in order; put says
// false for a value that is of no concern.
func places(c *repair.Case, put func(valve.Key, valve.Measurement) (metric.At, bool)) []metric.At {
	seen := map[metric.At]bool{}
	for k, m := range c.Measured {
		if !m.Value.IsSome() {
			continue
		}
		if here, ok := put(k, m); ok {
			seen[here] = true
		}
	}
	return slices.SortedFunc(maps.Keys(seen), func(a, b metric.At) int {
		return cmp.Or(cmp.Compare(a.Occasion, b.Occasion), cmp.Compare(a.Place, b.Place), cmp.Compare(a.Role, b.Role))
	})
}

// atValue gives the occasion of a value as a place.
func atValue(k valve.Key, m valve.Measurement) metric.At {
	return metric.At{Occasion: k.Occasion, Role: k.Role, Run: m.Run, Stage: m.Stage}
}

// runs gives each run on the pump that is accepted as a place.
func runs(accept func(repair.Run) bool) func(*repair.Case) []metric.At {
	return func(c *repair.Case) []metric.At {
		if c.Operation == nil {
			return nil
		}
		var list []metric.At
		for _, run := range c.Operation.Runs {
			if accept(run) {
				list = append(list, atRun(run.Number))
			}
		}
		return list
	}
}

// segmentsOf gives the segments a step is done at.
func segmentsOf(s repair.Step) []valve.Segment {
	var list []valve.Segment
	for _, l := range s.Places {
		if l.Segment != "" {
			list = append(list, l.Segment)
		}
	}
	return list
}
