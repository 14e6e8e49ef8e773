package metric

import (
	"cmp"
	"slices"

	"trigone/internal/geometry"
	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// moment is a state of the valve whose heights are asked for: as planned, or as
// it stood after a pump run.
type moment struct {
	plan bool
	run  int
}

// momentOf gives the moment of a place whose occasion is the plan, a run or the
// operation as a whole.
func momentOf(r *Reader) moment { return momentAt(r.At()) }

func momentAt(at At) moment {
	if at.Occasion == valve.AtPlan {
		return moment{plan: true}
	}
	return moment{run: at.Run}
}

func (m moment) occasion() valve.Occasion {
	if m.plan {
		return valve.AtPlan
	}
	return valve.AtOperation
}

func (m moment) role() valve.Role {
	if m.plan {
		return valve.Planned
	}
	return valve.Measured
}

// steps gives the steps that make up the moment. A planned step with a condition
// or one that is an alternative of another is not counted on.
func (m moment) steps(c *repair.Case) []repair.Step {
	if !m.plan {
		if c.Operation == nil {
			return nil
		}
		return repair.UpToRun(c.Operation.Steps, m.run)
	}
	if c.Plan == nil {
		return nil
	}
	return firm(c.Plan.Steps)
}

func firm(steps []repair.Step) []repair.Step {
	var list []repair.Step
	for _, s := range steps {
		if s.Condition == "" && s.AlternativeOf == "" {
			list = append(list, s)
		}
	}
	return list
}

func (m moment) stepKey(leaf valve.ID, stepID string) valve.Key {
	return valve.Key{ID: leaf, Place: valve.AtStep(stepID), Occasion: m.occasion(), Role: m.role()}
}

// state gives the occasion under which heights found in the field at this moment
// would stand.
func (m moment) state() valve.Occasion {
	if m.plan {
		return valve.AtPlan
	}
	return valve.InRun(m.run, valve.AfterLeafletWork)
}

func heightKey(s valve.Segment, st valve.Station, o valve.Occasion, role valve.Role) valve.Key {
	return LeafletHeight.Key(valve.AtStation(s, st), o, role)
}

// reshapes says whether a step leaves the middle of a segment at a height that
// is measured or planned and cannot be derived: a resection down to the annulus
// or of an unknown shape, a sliding plasty, a patch, and what lowers a leaflet at
// a place that is not recorded.
func reshapes(s repair.Step, seg valve.Segment) bool {
	switch s.Technique {
	case repair.HeightReduction:
		return len(s.Places) == 0
	case repair.LeafletResection:
		return len(s.Places) == 0 || s.At(seg) && (s.ReachesAnnulus() || s.Resection == nil || s.Resection.Shape != repair.Triangular)
	case repair.SlidingPlasty:
		return seg.Leaflet() == valve.Posterior
	case repair.FurtherTechnique:
		return s.Form == "patch" && s.At(seg)
	}
	return false
}

// lowers says whether a step changes the height of a segment at all.
func lowers(s repair.Step, seg valve.Segment) bool {
	return reshapes(s, seg) ||
		(s.At(seg) && (s.Technique == repair.LeafletResection || s.Technique == repair.HeightReduction))
}

// recipe is how a final height is made: the mean of the base heights, less what
// is removed, plus what closing each triangle adds. Where no height can be given
// it holds the heights that would have to be measured or planned.
type recipe struct {
	base      []valve.Key
	removed   []valve.Key
	triangles []valve.Key // widths along the free edge
	missing   []valve.Key
	notes     []string
}

// finalHeight gives the height of the middle of a segment at a moment: as it was
// planned or measured after the leaflet work, else the native height less what
// the steps took off. After a resection down to the annulus, or a sliding plasty,
// it is the height of the seam, or the mean of the seam's edges; the native height
// is then never used. It also gives the key of the height that it started from,
// native or final, for the comparison of contexts.
//
// A native height by the preferred method goes before a newer one.
func finalHeight(r *Reader, seg valve.Segment, m moment, prefer valve.Method) (units.Length, valve.Key) {
	how := r.memo.height(r.c, seg, m, prefer)
	for _, note := range how.notes {
		r.Explain(note)
	}
	if len(how.missing) > 0 {
		for _, k := range how.missing {
			r.Miss(k)
		}
		return units.Length(nan), valve.Key{}
	}
	var sum units.Length
	for _, k := range how.base {
		sum = sum.Plus(units.Length(r.Read(k)))
	}
	base := sum.Scaled(units.Ratio(1 / float64(len(how.base))))
	height := base.Offset()
	for _, k := range how.removed {
		height -= units.Offset(r.Read(k))
	}
	for _, k := range how.triangles {
		height = height.Plus(geometry.ConeExcess(units.Length(r.Read(k)), base).Offset())
	}
	switch {
	case height > 0:
	case base <= 0:
		r.Refuse("a height of 0 mm is no leaflet: check " + segmentName(seg))
	default:
		r.Refuse("what is taken off " + segmentName(seg) + " is at least as high as the leaflet")
	}
	return units.Length(height), how.base[0]
}

// slicePair gives the final heights of both segments of a slice, and of each the
// key that it started from. The anterior one is looked for by the method of the
// posterior one first.
func slicePair(r *Reader, m moment, slice valve.Slice) (anterior, posterior units.Length, aKey, pKey valve.Key) {
	front, back := slice.Segments()
	posterior, pKey = finalHeight(r, back, m, "")
	method, _ := readingOf(r, pKey)
	anterior, aKey = finalHeight(r, front, m, method)
	compare(r, true, aKey, pKey)
	return anterior, posterior, aKey, pKey
}

func heightRecipe(c *repair.Case, seg valve.Segment, m moment, steps []repair.Step, prefer valve.Method) recipe {
	var how recipe
	if !listComplete(c, m) {
		how.notes = append(how.notes, "the list of steps is not stated to be complete")
	}
	touched := slices.ContainsFunc(steps, func(s repair.Step) bool { return lowers(s, seg) })
	if m.plan {
		cut := slices.ContainsFunc(steps, func(s repair.Step) bool { return reshapes(s, seg) })
		if keys := stated(c, seg, valve.AtPlan, valve.Planned, cut); keys != nil {
			how.base = keys
			how.notes = append(how.notes, segmentName(seg)+" as planned")
			return how
		}
		return fromNative(how, c, seg, m, steps, touched, prefer)
	}
	// The last measurement of the valve as it then stood, and what was done since.
	for _, set := range finalSets(c, m.run) {
		then := repair.UpToRun(c.Operation.Steps, set.run)
		cut := slices.ContainsFunc(then, func(s repair.Step) bool { return reshapes(s, seg) })
		keys := stated(c, seg, set.occasion, valve.Measured, cut)
		if keys == nil {
			continue
		}
		if gone(then, steps, seg) {
			how.notes = append(how.notes, "a step that lowered the leaflet was revised or taken down after "+string(set.occasion)+"; heights measured before are not used")
			how.missing = []valve.Key{heightKey(seg, valve.SegmentMid, m.state(), valve.Measured)}
			return how
		}
		how.base = keys
		since := slices.DeleteFunc(slices.Clone(steps), func(s repair.Step) bool { return max(s.Run, 1) <= set.run })
		if slices.ContainsFunc(since, func(s repair.Step) bool { return lowers(s, seg) }) {
			how.notes = append(how.notes, segmentName(seg)+" from its height after run "+itoa(set.run)+" and what was taken off since")
		} else {
			how.notes = append(how.notes, segmentName(seg)+" as measured: "+string(set.occasion))
		}
		return takeOff(how, seg, m, since)
	}
	return fromNative(how, c, seg, m, steps, touched, prefer)
}

func fromNative(how recipe, c *repair.Case, seg valve.Segment, m moment, steps []repair.Step, touched bool, prefer valve.Method) recipe {
	how.base = []valve.Key{native(c, LeafletHeight.ID, valve.AtStation(seg, valve.SegmentMid), m.plan, prefer)}
	if touched {
		how.notes = append(how.notes, segmentName(seg)+" derived from the native height and what is taken off")
	} else {
		how.notes = append(how.notes, segmentName(seg)+" native: no step recorded there lowers it")
	}
	return takeOff(how, seg, m, steps)
}

// takeOff adds what the steps take off, and the triangles that they close.
func takeOff(how recipe, seg valve.Segment, m moment, steps []repair.Step) recipe {
	for _, s := range steps {
		switch {
		case reshapes(s, seg):
			return recipe{
				notes: []string{"after a resection down to the annulus, a sliding plasty, a patch, or a step of unknown shape or place, the height is measured or planned, at the seam, never derived"},
				missing: []valve.Key{
					heightKey(seg, valve.SeamLateralEdge, m.state(), m.role()),
					heightKey(seg, valve.SeamMedialEdge, m.state(), m.role()),
				},
			}
		case !s.At(seg):
		case s.Technique == repair.HeightReduction:
			how.removed = append(how.removed, m.stepKey(HeightRemoved.ID, s.ID))
		case s.Technique == repair.LeafletResection:
			how.triangles = append(how.triangles, m.stepKey(ResectionFreeEdgeWidth.ID, s.ID))
		}
	}
	return how
}

// stated gives the keys whose mean is the final height as it was planned or
// measured at an occasion, or nil: the seam or both its edges before the middle
// of the segment where the segment was reshaped, else the other way round.
func stated(c *repair.Case, seg valve.Segment, o valve.Occasion, role valve.Role, cut bool) []valve.Key {
	middle := []valve.Key{heightKey(seg, valve.SegmentMid, o, role)}
	seam := []valve.Key{heightKey(seg, valve.Seam, o, role)}
	edges := []valve.Key{heightKey(seg, valve.SeamLateralEdge, o, role), heightKey(seg, valve.SeamMedialEdge, o, role)}
	order := [][]valve.Key{middle, seam, edges}
	if cut {
		order = [][]valve.Key{seam, edges, middle}
	}
	for _, keys := range order {
		if !slices.ContainsFunc(keys, func(k valve.Key) bool { return c.Measured[k].Value.IsNone() }) {
			return keys
		}
	}
	return nil
}

// gone says whether a step that lowered the segment then no longer counts now.
func gone(then, now []repair.Step, seg valve.Segment) bool {
	return slices.ContainsFunc(then, func(s repair.Step) bool {
		return lowers(s, seg) && !slices.ContainsFunc(now, func(t repair.Step) bool { return t.ID == s.ID })
	})
}

type heightSet struct {
	occasion valve.Occasion
	run      int
	field    bool
	stage    valve.Stage
}

// finalSets gives where the heights of the repaired valve may have been
// measured up to a run, last first: in the field before an echo of the same run.
func finalSets(c *repair.Case, run int) []heightSet {
	var list []heightSet
	for _, f := range c.Operation.FieldSets {
		if f.Stage == valve.AfterLeafletWork || f.Stage == valve.AfterRing {
			list = append(list, heightSet{f.Occasion, max(f.Run, 1), true, f.Stage})
		}
	}
	for i := range c.Studies {
		if s := &c.Studies[i]; s.Kind == repair.Result {
			list = append(list, heightSet{s.Occasion, max(s.Run, 1), false, s.Stage})
		}
	}
	list = slices.DeleteFunc(list, func(s heightSet) bool { return s.run > run })
	slices.SortStableFunc(list, func(a, b heightSet) int {
		return -cmp.Or(cmp.Compare(a.run, b.run), compareBool(a.field, b.field), cmp.Compare(a.stage.Rank(), b.stage.Rank()))
	})
	return list
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

// native gives the key of a value of the valve before the repair: by the
// preferred method if one is, else the newest that has a value. For a plan, the
// assessments that it rests on go first. Heights taken in the field before the
// first cut count for the operation. Without any value it names where one would
// be looked for.
func native(c *repair.Case, leaf valve.ID, place valve.Place, forPlan bool, prefer valve.Method) valve.Key {
	var found []valve.Key // newest first
	look := func(o valve.Occasion) {
		k := valve.Key{ID: leaf, Place: place, Occasion: o, Role: valve.Measured}
		if m, ok := c.Measured[k]; ok && m.Value.IsSome() {
			found = append(found, k)
		}
	}
	if !forPlan && c.Operation != nil {
		for _, f := range slices.Backward(c.Operation.FieldSets) {
			if f.Stage == valve.Native {
				look(f.Occasion)
			}
		}
	}
	assessments := newestFirst(c)
	if forPlan && c.Plan != nil {
		slices.SortStableFunc(assessments, func(a, b *repair.Study) int {
			return -compareBool(restsOn(c.Plan, a), restsOn(c.Plan, b))
		})
	}
	for _, s := range assessments {
		look(s.Occasion)
	}
	if len(found) == 0 {
		k := valve.Key{ID: leaf, Place: place, Occasion: "assessment", Role: valve.Measured}
		if len(assessments) > 0 {
			k.Occasion = assessments[0].Occasion
		}
		return k
	}
	if prefer != "" {
		for _, k := range found {
			if c.Measured[k].Context.Method == prefer {
				return k
			}
		}
	}
	return found[0]
}

func restsOn(p *repair.Plan, s *repair.Study) bool {
	return slices.ContainsFunc(p.AssessmentIDs, func(id string) bool {
		return s.Occasion == valve.Occasion("assessment/"+id)
	})
}

// newestFirst gives the assessments in falling order of time; those without a
// time are last, the later listed first.
func newestFirst(c *repair.Case) []*repair.Study {
	var list []*repair.Study
	for i := len(c.Studies) - 1; i >= 0; i-- {
		if c.Studies[i].Kind == repair.Assessment {
			list = append(list, &c.Studies[i])
		}
	}
	slices.SortStableFunc(list, func(a, b *repair.Study) int { return b.Time.Compare(a.Time) })
	return list
}

// listComplete: an unlisted step may have lowered a leaflet.
func listComplete(c *repair.Case, m moment) bool {
	if m.plan {
		return c.Plan != nil && c.Plan.StepsRecorded == valve.Complete
	}
	return c.Operation != nil && c.Operation.StepsRecorded == valve.Complete
}

// runsWithHeights gives the runs after which a final height can be asked for.
func runsWithHeights(c *repair.Case) []int {
	o := c.Operation
	if o == nil || (len(o.Steps) == 0 && len(o.FieldSets) == 0) {
		return nil
	}
	last := max(o.LastRun(), 1)
	for _, f := range o.FieldSets {
		last = max(last, f.Run)
	}
	runs := make([]int, last)
	for i := range runs {
		runs[i] = i + 1
	}
	return runs
}

// finalHeights gives where the final heights exist: at the plan, and after each
// run.
func finalHeights(place valve.Place) func(*repair.Case) []At {
	return func(c *repair.Case) []At {
		var list []At
		if c.Plan != nil && (len(c.Plan.Steps) > 0 || hasPlannedHeight(c)) {
			list = append(list, At{Place: place, Occasion: valve.AtPlan, Role: valve.Planned})
		}
		for _, run := range runsWithHeights(c) {
			list = append(list, At{Place: place, Occasion: valve.InRun(run, ""), Role: valve.Derived, Run: run, Stage: valve.AfterRing})
		}
		return list
	}
}

func hasPlannedHeight(c *repair.Case) bool {
	for k := range c.Measured {
		if k.ID == LeafletHeight.ID && k.Occasion == valve.AtPlan {
			return true
		}
	}
	return false
}

// replaced says that nothing of the repair is left to speak of.
func replaced(r *Reader, run int) bool {
	o := r.Case().Operation
	if o.Converted() && run >= o.LastRun() {
		r.DoesNotApply("the valve was replaced")
		return true
	}
	return false
}
