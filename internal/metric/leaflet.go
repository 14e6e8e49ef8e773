package metric

import (
	"trigone/internal/geometry"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Leaves from which a final height may be made.
var finalHeightInputs = []valve.ID{valve.LeafletHeight, valve.HeightRemoved, valve.ResectionFreeEdgeWidth}

var leafletMetrics = []Metric{
	{
		ID: IDHeightRatio, Name: "height of A2 over height of P2",
		Unit: units.One, Grid: 0.01,
		Formula: "A2 / P2, in one study or set; at the plan and after each pump run with the final heights",
		Inputs:  finalHeightInputs,
		Source:  settings.SourceArithmetic, Since: "1",
		Where: func(c *repair.Case) []At {
			list := middleHeights(c)
			return append(list, finalHeights(valve.AtSlice(valve.A2P2))(c)...)
		},
		Compute: func(r *Reader) float64 {
			a, p := middlePair(r)
			return float64(a.Over(p))
		},
	},
	{
		ID: IDLeafletToAnnulusIndex, Name: "sum of the heights of A2 and P2 over the antero-posterior diameter of the annulus",
		Unit: units.One, Grid: 0.01, Formula: "(A2 + P2) / antero-posterior diameter",
		Inputs: []valve.ID{valve.LeafletHeight, valve.AnnulusAnteroPosteriorDiameter},
		Source: settings.SourceManzan2018, Since: "1",
		Where: func(c *repair.Case) []At {
			var list []At
			for _, s := range c.Studies {
				if heightRecorded(c, s.Occasion) {
					at := atStudy(s)
					at.Place = valve.AtSlice(valve.A2P2)
					list = append(list, at)
				}
			}
			return list
		},
		Compute: func(r *Reader) float64 {
			a, p := measuredPair(r)
			o := r.At().Occasion
			diameter := AnnulusAnteroPosteriorDiameter.Key(valve.Nowhere, o, valve.Measured)
			compare(r, false, heightKey(valve.A2, valve.SegmentMid, o, valve.Measured), diameter)
			return float64(geometry.LeafletToAnnulusIndex(a, p, units.Length(r.Read(diameter))))
		},
	},
	{
		ID: IDFinalPosteriorHeight, Name: "final height of P1, P2 or P3",
		Unit: units.MM, Grid: 0.1,
		Formula: "as planned or measured after the leaflet work (after a resection down to the annulus at the seam, or the mean of its edges); else native − height removed + w²/(8·native) of a closed triangle; native where no step lowers it",
		Inputs:  finalHeightInputs,
		Source:  settings.SourceOwnModel, Since: "1",
		Where: whereFinalPosterior,
		Compute: func(r *Reader) float64 {
			m := momentOf(r)
			if !m.plan && replaced(r, m.run) {
				return nan
			}
			h, _ := finalHeight(r, r.At().Place.Segment(), m, "")
			return float64(h)
		},
	},
	{
		ID: IDResectedArea, Name: "leaflet area resected",
		Unit: units.CM2, Grid: 0.01, Formula: "½ · (width along the free edge + width along the base) · height; base 0 for a triangle",
		Inputs: []valve.ID{valve.ResectionFreeEdgeWidth, valve.ResectionBaseWidth, valve.ResectionHeight},
		Source: settings.SourceArithmetic, Since: "1",
		Where: atSteps(repair.LeafletResection),
		Compute: func(r *Reader) float64 {
			step := stepAt(r)
			if step == nil {
				return nan
			}
			return float64(resectedArea(r, r.At(), *step))
		},
	},
	{
		ID: IDBaseGap, Name: "posterior base gap left after advance and plication, before the ring",
		Unit: units.SignedMM, Grid: 0.1, Signed: true,
		Formula: "Σ width resected along the base − advance lateral − advance medial − plication; below 0 more was closed than cut",
		Inputs:  []valve.ID{valve.ResectionBaseWidth, valve.SlidingAdvance, valve.PlicationLength},
		Source:  settings.SourceArithmetic, Since: "1",
		Where:   whereBaseGap,
		Compute: baseGap,
	},
}

// whereFinalPosterior gives the final heights of P2, and of its neighbours where
// a height of theirs was asked for.
func whereFinalPosterior(c *repair.Case) []At {
	list := finalHeights(valve.AtSegment(valve.P2))(c)
	for _, seg := range []valve.Segment{valve.P1, valve.P3} {
		for k := range c.Measured {
			if k.ID == valve.LeafletHeight && k.Place.Segment() == seg {
				list = append(list, finalHeights(valve.AtSegment(seg))(c)...)
				break
			}
		}
	}
	return list
}

func heightRecorded(c *repair.Case, o valve.Occasion) bool {
	return recorded(c, heightKey(valve.A2, valve.SegmentMid, o, valve.Measured)) ||
		recorded(c, heightKey(valve.P2, valve.SegmentMid, o, valve.Measured))
}

// middleHeights gives the studies and the sets of the field with a height of A2
// or P2. A set without a stage cannot be told from the state after its run and
// is left out.
func middleHeights(c *repair.Case) []At {
	var list []At
	for _, s := range c.Studies {
		if heightRecorded(c, s.Occasion) {
			at := atStudy(s)
			at.Place = valve.AtSlice(valve.A2P2)
			list = append(list, at)
		}
	}
	if c.Operation == nil {
		return list
	}
	for _, f := range c.Operation.FieldSets {
		if f.Stage != "" && heightRecorded(c, f.Occasion) {
			list = append(list, At{
				Place: valve.AtSlice(valve.A2P2), Occasion: f.Occasion, Role: valve.Derived, Run: f.Run, Stage: f.Stage,
			})
		}
	}
	return list
}

// middlePair gives the heights of A2 and P2 where a metric of the middle slice
// is asked for: measured together, or final at the plan or after a run.
func middlePair(r *Reader) (anterior, posterior units.Length) {
	at := r.At()
	if at.Occasion == valve.AtPlan {
		return finalPair(r, moment{plan: true})
	}
	if at.Run > 0 && at.Occasion == valve.InRun(at.Run, "") {
		if replaced(r, at.Run) {
			return units.Length(nan), units.Length(nan)
		}
		return finalPair(r, moment{run: at.Run})
	}
	return measuredPair(r)
}

// measuredPair reads both heights in one study or set.
func measuredPair(r *Reader) (anterior, posterior units.Length) {
	o := r.At().Occasion
	a, p := heightKey(valve.A2, valve.SegmentMid, o, valve.Measured), heightKey(valve.P2, valve.SegmentMid, o, valve.Measured)
	compare(r, true, a, p)
	return units.Length(r.Read(a)), units.Length(r.Read(p))
}

// finalPair gives the final heights of A2 and P2.
func finalPair(r *Reader, m moment) (anterior, posterior units.Length) {
	a, p, _, _ := slicePair(r, m, valve.A2P2)
	return a, p
}

// atSteps gives every planned and performed step of a technique.
func atSteps(t repair.Technique) func(*repair.Case) []At {
	return func(c *repair.Case) []At {
		var list []At
		if c.Plan != nil {
			for _, s := range repair.Of(c.Plan.Steps, t) {
				list = append(list, At{Place: valve.AtStep(s.ID), Occasion: valve.AtPlan, Role: valve.Planned})
			}
		}
		if c.Operation != nil {
			for _, s := range repair.Of(c.Operation.Steps, t) {
				list = append(list, At{Place: valve.AtStep(s.ID), Occasion: valve.AtOperation, Role: valve.Derived, Run: s.Run})
			}
		}
		return list
	}
}

// stepAt gives the step of the place being answered, or nil.
func stepAt(r *Reader) *repair.Step {
	var steps []repair.Step
	switch c := r.Case(); {
	case r.At().Occasion == valve.AtPlan && c.Plan != nil:
		steps = c.Plan.Steps
	case r.At().Occasion == valve.AtOperation && c.Operation != nil:
		steps = c.Operation.Steps
	}
	for i := range steps {
		if steps[i].ID == r.At().Place.Step() {
			return &steps[i]
		}
	}
	return nil
}

// dimensionKey gives the key of a dimension of the step of a place.
func dimensionKey(at At, leaf valve.ID) valve.Key {
	role := valve.Measured
	if at.Occasion == valve.AtPlan {
		role = valve.Planned
	}
	return valve.Key{ID: leaf, Place: at.Place, Occasion: at.Occasion, Role: role}
}

// cutsBase says whether a resection leaves a gap at the annulus: of the
// posterior leaflet and down to the annulus.
func cutsBase(s repair.Step) bool {
	return s.ReachesAnnulus() && (s.At(valve.P1) || s.At(valve.P2) || s.At(valve.P3))
}

func baseGapMoments(c *repair.Case) []At {
	var list []At
	if c.Plan != nil {
		list = append(list, At{Occasion: valve.AtPlan, Role: valve.Planned})
	}
	if c.Operation != nil {
		list = append(list, At{Occasion: valve.AtOperation, Role: valve.Derived, Run: c.Operation.LastRun(), Stage: valve.AfterLeafletWork})
	}
	return list
}

func baseGapSteps(c *repair.Case, o valve.Occasion) []repair.Step {
	if o == valve.AtPlan {
		return firm(c.Plan.Steps)
	}
	return repair.InPlaceAtEnd(c.Operation.Steps)
}

func whereBaseGap(c *repair.Case) []At {
	var list []At
	for _, at := range baseGapMoments(c) {
		for _, s := range baseGapSteps(c, at.Occasion) {
			if cutsBase(s) {
				list = append(list, at)
				break
			}
		}
	}
	return list
}

func baseGap(r *Reader) float64 {
	at := r.At()
	if at.Occasion == valve.AtOperation && r.Case().Operation.Converted() {
		r.DoesNotApply("the valve was replaced")
		return nan
	}
	var cut, lateral, medial, plicated units.Length
	for _, s := range baseGapSteps(r.Case(), at.Occasion) {
		step := At{Place: valve.AtStep(s.ID), Occasion: at.Occasion}
		read := func(leaf valve.ID) units.Length { return units.Length(r.Read(dimensionKey(step, leaf))) }
		advance := func(side valve.Side) units.Length {
			there := At{Place: valve.AtStepSide(s.ID, side), Occasion: at.Occasion}
			return units.Length(r.Read(dimensionKey(there, SlidingAdvance.ID)))
		}
		switch {
		case cutsBase(s):
			cut = cut.Plus(read(ResectionBaseWidth.ID))
		case s.Technique == repair.SlidingPlasty:
			lateral = lateral.Plus(advance(valve.Lateral))
			medial = medial.Plus(advance(valve.Medial))
		case s.Technique == repair.Plication:
			plicated = plicated.Plus(read(PlicationLength.ID))
		}
	}
	return float64(geometry.BaseGap(cut, lateral, medial, plicated))
}
