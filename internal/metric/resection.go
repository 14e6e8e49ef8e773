package metric

import (
	"slices"

	"trigone/internal/geometry"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// The ids of this file.
const (
	IDTriangleExcess    = "triangular_closure_excess"
	IDResectedShare     = "resected_share_of_scallop"
	IDProlapseShare     = "resected_share_of_prolapsing_width"
	IDStripArea         = "sliding_strip_area"
	IDRemovedArea       = "leaflet_area_removed"
	IDFreeEdgeLeft      = "posterior_free_edge_after_resection"
	IDBasePerAnnulus    = "posterior_base_per_annular_length"
	IDWidthClosedByRing = "base_width_closed_by_ring"
	IDHeightUniformity  = "posterior_height_lowest_to_highest"
	IDHeightVariation   = "posterior_height_variation"
	IDHeightAsymmetry   = "posterior_height_side_asymmetry"
	noCutOff            = "no published cut-off: reported, not judged"
)

var (
	posteriorSegments = []valve.Segment{valve.P1, valve.P2, valve.P3}
	deviceArcInputs   = []valve.ID{valve.RingInnerAnteroPosteriorDiameter, valve.RingInnerTransverseDiameter, valve.BandLength}
	nativeBaseInputs  = []valve.ID{valve.PosteriorAnnulusLength, valve.ScallopAnnularWidth}
)

var resectionMetrics = []Metric{
	{
		ID: IDTriangleExcess, Name: "height that closing a triangle adds at the suture line",
		Unit: units.MM, Grid: 0.1,
		Formula: "w² / (8 · native height), w the width removed along the free edge; a wide triangle leaves a billow; " + noCutOff,
		Inputs:  []valve.ID{valve.ResectionFreeEdgeWidth, valve.LeafletHeight}, Source: settings.SourceOwnModel, Since: "2",
		Where: resectionsWhere(func(_ *repair.Case, _ At, s repair.Step) bool {
			return s.Resection != nil && s.Resection.Shape == repair.Triangular && !s.ReachesAnnulus() && len(segmentsOf(s)) > 0
		}),
		Compute: func(r *Reader) float64 {
			// Of several segments the first one, lateral to medial, holds the axis.
			height := nativeLength(r, valve.LeafletHeight, valve.AtStation(segmentsOf(*stepAt(r))[0], valve.SegmentMid))
			return float64(geometry.ConeExcess(stepLength(r, r.At(), valve.ResectionFreeEdgeWidth), height))
		},
	},
	{
		ID: IDResectedShare, Name: "area resected over the area of the scallops it lies in",
		Unit: units.Percent, Grid: 0.1,
		Formula: "100 · area resected / Σ ½ · (free edge + base) · height of the scallops spanned",
		Inputs:  []valve.ID{valve.ResectionFreeEdgeWidth, valve.ResectionBaseWidth, valve.ResectionHeight, valve.ScallopFreeEdgeWidth, valve.ScallopAnnularWidth, valve.LeafletHeight},
		Source:  settings.SourceArithmetic, Since: "2",
		Where: resectionsWhere(func(c *repair.Case, _ At, s repair.Step) bool {
			return onPosteriorOnly(s) && anyLeaf(c, valve.ScallopFreeEdgeWidth, valve.ScallopAnnularWidth)
		}),
		Compute: func(r *Reader) float64 {
			var scallops units.Area
			for _, seg := range segmentsOf(*stepAt(r)) {
				scallops = scallops.Plus(geometry.TrapezoidResectionArea(
					nativeLength(r, valve.ScallopFreeEdgeWidth, valve.AtSegment(seg)),
					nativeLength(r, valve.ScallopAnnularWidth, valve.AtSegment(seg)),
					nativeLength(r, valve.LeafletHeight, valve.AtStation(seg, valve.SegmentMid))))
			}
			return float64(resectedArea(r, r.At(), *stepAt(r)).Over(scallops).Percent())
		},
	},
	{
		ID: IDProlapseShare, Name: "width resected along the free edge over the prolapsing width",
		Unit: units.Percent, Grid: 0.1, Formula: "100 · width along the free edge / prolapsing width along the free edge",
		Inputs: []valve.ID{valve.ResectionFreeEdgeWidth, valve.ProlapsingFreeEdgeWidth}, Source: settings.SourceArithmetic, Since: "2",
		Where: resectionsWhere(func(c *repair.Case, at At, _ repair.Step) bool {
			return recorded(c, dimensionKey(at, valve.ProlapsingFreeEdgeWidth))
		}),
		Compute: func(r *Reader) float64 {
			return float64(stepLength(r, r.At(), valve.ResectionFreeEdgeWidth).Over(stepLength(r, r.At(), valve.ProlapsingFreeEdgeWidth)).Percent())
		},
	},
	{
		ID: IDStripArea, Name: "area of the base strips that a sliding plasty takes off",
		Unit: units.CM2, Grid: 0.01,
		Formula: "Σ sides ½ · (strip at the cut edge + strip at the far end) · detached length",
		Inputs:  []valve.ID{valve.SlidingDetachedLength, valve.SlidingStripHeightAtCutEdge, valve.SlidingStripHeightAtFarEnd}, Source: settings.SourceArithmetic, Since: "2",
		Where: func(c *repair.Case) []At {
			return slices.DeleteFunc(atSteps(repair.SlidingPlasty)(c), func(at At) bool { return len(stripSides(c, at)) == 0 })
		},
		Compute: func(r *Reader) float64 { return float64(stripArea(r, r.At())) },
	},
	{
		ID: IDRemovedArea, Name: "leaflet area removed by all resections and base strips",
		Unit: units.CM2, Grid: 0.01, Formula: "Σ areas resected + Σ base strips; height reductions not counted, their width is not recorded",
		Inputs: []valve.ID{valve.ResectionFreeEdgeWidth, valve.ResectionBaseWidth, valve.ResectionHeight, valve.SlidingDetachedLength, valve.SlidingStripHeightAtCutEdge, valve.SlidingStripHeightAtFarEnd},
		Source: settings.SourceArithmetic, Since: "2",
		Where:   momentsWith(func(s repair.Step) bool { return s.Technique == repair.LeafletResection }),
		Compute: removedArea,
	},
	{
		ID: IDFreeEdgeLeft, Name: "free edge of the posterior leaflet that the resections leave",
		Unit: units.MM, Grid: 0.1, Formula: "Σ native free edge of P1, P2 and P3 − Σ width resected along the free edge",
		Inputs: []valve.ID{valve.ScallopFreeEdgeWidth, valve.ResectionFreeEdgeWidth}, Source: settings.SourceArithmetic, Since: "2",
		Where: func(c *repair.Case) []At {
			if !anyLeaf(c, valve.ScallopFreeEdgeWidth) {
				return nil
			}
			return momentsWith(func(s repair.Step) bool {
				return s.Technique == repair.LeafletResection && onPosteriorOnly(s)
			})(c)
		},
		Compute: func(r *Reader) float64 {
			if repairGone(r) {
				return nan
			}
			var edge, cut units.Length
			for _, seg := range posteriorSegments {
				edge = edge.Plus(nativeLength(r, valve.ScallopFreeEdgeWidth, valve.AtSegment(seg)))
			}
			for _, s := range baseGapSteps(r.c, r.At().Occasion) {
				if s.Technique == repair.LeafletResection && onPosteriorOnly(s) {
					cut = cut.Plus(stepLength(r, stepIn(r.At(), s), valve.ResectionFreeEdgeWidth))
				}
			}
			left := edge.Minus(cut)
			if left <= 0 {
				r.Refuse("what is resected is as wide as the whole free edge")
			}
			return float64(left)
		},
	},
	{
		ID: IDBasePerAnnulus, Name: "base of the posterior leaflet over the length of annulus that ring or band leave it",
		Unit: units.One, Grid: 0.01,
		Formula: "(native base − Σ width resected along the base) / posterior arc, trigone to trigone: ¾ of a complete ring's ellipse, or the band's length; base: posterior annulus length, else Σ annular widths of the scallops; says something once the device is in; " + noCutOff,
		Inputs:  slices.Concat(nativeBaseInputs, deviceArcInputs, []valve.ID{valve.ResectionBaseWidth}),
		Source:  settings.SourceOwnModel, Since: "2",
		Where: whereDeviceArc,
		Compute: func(r *Reader) float64 {
			if repairGone(r) {
				return nan
			}
			var cut units.Length
			for _, s := range baseGapSteps(r.c, r.At().Occasion) {
				if cutsBase(s) {
					cut = cut.Plus(stepLength(r, stepIn(r.At(), s), valve.ResectionBaseWidth))
				}
			}
			base := nativeBase(r)
			if cut >= base {
				r.Refuse("what is resected is as wide as the whole base")
			}
			return float64(geometry.BasePerAnnulus(base, cut, deviceArc(r)))
		},
	},
	{
		ID: IDWidthClosedByRing, Name: "width of leaflet base that ring or band take in by themselves",
		Unit: units.SignedMM, Grid: 0.1, Signed: true,
		Formula: "native base of the posterior leaflet − posterior arc of ring or band (both as in posterior_base_per_annular_length); a resection no wider leaves the base uncrowded; below 0 the device is longer",
		Inputs:  slices.Concat(nativeBaseInputs, deviceArcInputs), Source: settings.SourceOwnModel, Since: "2",
		Where: whereDeviceArc,
		Compute: func(r *Reader) float64 {
			if repairGone(r) {
				return nan
			}
			return float64(geometry.WidthClosedByRing(nativeBase(r), deviceArc(r)))
		},
	},
	{
		ID: IDHeightUniformity, Name: "lowest over highest final height of P1, P2 and P3",
		Unit: units.One, Grid: 0.01, Most: 1, Formula: "min / max of the final heights; 1 is level; " + noCutOff,
		Inputs: finalHeightInputs, Source: settings.SourceOwnModel, Since: "2", Where: whereProfile,
		Compute: func(r *Reader) float64 { return float64(profile(r, posteriorSegments...).LowestToHighest) },
	},
	{
		ID: IDHeightVariation, Name: "variation of the final heights of P1, P2 and P3",
		Unit: units.Percent, Grid: 0.1, Formula: "100 · standard deviation (divisor 3) / mean of the final heights; " + noCutOff,
		Inputs: finalHeightInputs, Source: settings.SourceOwnModel, Since: "2", Where: whereProfile,
		Compute: func(r *Reader) float64 { return float64(profile(r, posteriorSegments...).Variation.Percent()) },
	},
	{
		ID: IDHeightAsymmetry, Name: "difference of the final heights of P1 and P3 over their sum",
		Unit: units.One, Grid: 0.01, Most: 1, Formula: "|P1 − P3| / (P1 + P3); " + noCutOff,
		Inputs: finalHeightInputs, Source: settings.SourceOwnModel, Since: "2", Where: whereProfile,
		Compute: func(r *Reader) float64 { return float64(profile(r, valve.P1, valve.P1, valve.P3).SideAsymmetry) },
	},
}

// resectionsWhere gives the resections, planned and performed, that a metric is
// about.
func resectionsWhere(keep func(*repair.Case, At, repair.Step) bool) func(*repair.Case) []At {
	return func(c *repair.Case) []At {
		return slices.DeleteFunc(atSteps(repair.LeafletResection)(c), func(at At) bool {
			steps := []repair.Step(nil)
			if at.Occasion == valve.AtPlan {
				steps = c.Plan.Steps
			} else {
				steps = c.Operation.Steps
			}
			i := slices.IndexFunc(steps, func(s repair.Step) bool { return s.ID == at.Place.Step() })
			return i < 0 || !keep(c, at, steps[i])
		})
	}
}

// momentsWith gives the plan and the operation where a step of theirs counts.
func momentsWith(counts func(repair.Step) bool) func(*repair.Case) []At {
	return func(c *repair.Case) []At {
		return slices.DeleteFunc(baseGapMoments(c), func(at At) bool {
			return !slices.ContainsFunc(baseGapSteps(c, at.Occasion), counts)
		})
	}
}

// segmentsOf gives the segments a step is done at, in anatomical order.
func segmentsOf(s repair.Step) []valve.Segment {
	var list []valve.Segment
	for _, seg := range valve.Segments() {
		if s.At(seg) {
			list = append(list, seg)
		}
	}
	return list
}

// onPosteriorOnly says whether a step names segments, all of the posterior
// leaflet.
func onPosteriorOnly(s repair.Step) bool {
	segments := segmentsOf(s)
	return len(segments) > 0 && !slices.ContainsFunc(segments, func(seg valve.Segment) bool { return seg.Leaflet() != valve.Posterior })
}

// anyLeaf says whether one of the leaves was asked for anywhere in the case.
func anyLeaf(c *repair.Case, leafIDs ...valve.ID) bool {
	for k := range c.Measured {
		if k.Role == valve.Measured && slices.Contains(leafIDs, k.ID) {
			return true
		}
	}
	return false
}

func stepIn(at At, s repair.Step) At { return At{Place: valve.AtStep(s.ID), Occasion: at.Occasion} }

func stepLength(r *Reader, at At, leaf valve.ID) units.Length {
	return units.Length(r.Read(dimensionKey(at, leaf)))
}

func nativeLength(r *Reader, leaf valve.ID, place valve.Place) units.Length {
	return units.Length(r.Read(r.memo.nativeAtPlace(r.c, leaf, place, r.At().Occasion == valve.AtPlan)))
}

// repairGone says that the valve was replaced in the end.
func repairGone(r *Reader) bool {
	if r.At().Occasion == valve.AtOperation && r.c.Operation.Converted() {
		r.DoesNotApply("the valve was replaced")
		return true
	}
	return false
}

// resectedArea gives the area of one resection; a triangle has no base.
func resectedArea(r *Reader, at At, s repair.Step) units.Area {
	base := units.Length(0)
	if s.Resection == nil || s.Resection.Shape != repair.Triangular {
		base = stepLength(r, at, valve.ResectionBaseWidth)
	}
	return geometry.TrapezoidResectionArea(stepLength(r, at, valve.ResectionFreeEdgeWidth), base, stepLength(r, at, valve.ResectionHeight))
}

// stripSides gives the sides of a sliding plasty at which a strip was recorded.
func stripSides(c *repair.Case, at At) []valve.Side {
	var sides []valve.Side
	for _, side := range []valve.Side{valve.Lateral, valve.Medial} {
		there := At{Place: valve.AtStepSide(at.Place.Step(), side), Occasion: at.Occasion}
		if recorded(c, dimensionKey(there, valve.SlidingStripHeightAtCutEdge)) || recorded(c, dimensionKey(there, valve.SlidingStripHeightAtFarEnd)) {
			sides = append(sides, side)
		}
	}
	return sides
}

func stripArea(r *Reader, at At) units.Area {
	var sum units.Area
	for _, side := range stripSides(r.c, at) {
		there := At{Place: valve.AtStepSide(at.Place.Step(), side), Occasion: at.Occasion}
		sum = sum.Plus(geometry.SlidingStripArea(
			stepLength(r, there, valve.SlidingDetachedLength), stepLength(r, there, valve.SlidingStripHeightAtCutEdge), stepLength(r, there, valve.SlidingStripHeightAtFarEnd)))
	}
	return sum
}

func removedArea(r *Reader) float64 {
	if repairGone(r) {
		return nan
	}
	var sum units.Area
	for _, s := range baseGapSteps(r.c, r.At().Occasion) {
		at := stepIn(r.At(), s)
		switch s.Technique {
		case repair.LeafletResection:
			sum = sum.Plus(resectedArea(r, at, s))
		case repair.SlidingPlasty:
			if len(stripSides(r.c, at)) == 0 {
				r.Explain("no base strip is recorded for a sliding plasty")
			}
			sum = sum.Plus(stripArea(r, at))
		case repair.HeightReduction:
			r.Explain("a height reduction is not counted")
		}
	}
	return float64(sum)
}

// whereDeviceArc gives the plan and the operation where there is a ring or band
// and anything of the native base was asked for.
func whereDeviceArc(c *repair.Case) []At {
	if !anyLeaf(c, valve.PosteriorAnnulusLength, valve.ScallopAnnularWidth) {
		return nil
	}
	list := momentsWith(func(s repair.Step) bool { return s.Technique == repair.Annuloplasty })(c)
	for i := range list {
		list[i].Stage = valve.AfterRing
	}
	return list
}

// nativeBase gives the base of the native posterior leaflet, trigone to trigone.
func nativeBase(r *Reader) units.Length {
	whole := r.memo.native(r.c, valve.PosteriorAnnulusLength, r.At().Occasion == valve.AtPlan)
	if r.Has(whole) || !anyLeaf(r.c, valve.ScallopAnnularWidth) {
		return units.Length(r.Read(whole))
	}
	r.Explain("base as the sum of the scallops' annular widths")
	var sum units.Length
	for _, seg := range posteriorSegments {
		sum = sum.Plus(nativeLength(r, valve.ScallopAnnularWidth, valve.AtSegment(seg)))
	}
	return sum
}

// deviceArc gives the posterior arc of the ring or band that stays.
func deviceArc(r *Reader) units.Length {
	step := ringInPlace(baseGapSteps(r.c, r.At().Occasion))
	at := stepIn(r.At(), *step)
	size, inTable := tableSize(r, step)
	if step.Ring != nil && step.Ring.Kind == repair.PosteriorBand {
		if length, known := size.BandLengthMM.Get(); inTable && known && !r.Has(dimensionKey(at, valve.BandLength)) {
			r.Explain("length of the band from the site's ring table, by label")
			return units.Length(length)
		}
		return stepLength(r, at, valve.BandLength)
	}
	if !completeRing(r, step) {
		return units.Length(nan)
	}
	transverse := dimensionKey(at, valve.RingInnerTransverseDiameter)
	if width, known := size.InnerTransverseMM.Get(); inTable && known && !r.Has(transverse) {
		r.Explain("inner transverse diameter from the site's ring table, by label")
		return geometry.PosteriorArcOfRing(ringAnteroPosterior(r, at, step), units.Length(width))
	}
	return geometry.PosteriorArcOfRing(ringAnteroPosterior(r, at, step), units.Length(r.Read(transverse)))
}

// whereProfile gives the moments of the final heights where a height of P1 or P3
// was asked for.
func whereProfile(c *repair.Case) []At {
	for k := range c.Measured {
		if seg := k.Place.Segment(); k.ID == valve.LeafletHeight && (seg == valve.P1 || seg == valve.P3) {
			return finalHeights(valve.AtLeaflet(valve.Posterior))(c)
		}
	}
	return nil
}

// profile gives how even the final heights of three places of the posterior
// leaflet are, lateral to medial.
func profile(r *Reader, segments ...valve.Segment) geometry.HeightProfile {
	m := momentOf(r)
	if !m.plan && replaced(r, m.run) {
		return geometry.HeightProfile{}
	}
	var heights [3]units.Length
	var keys []valve.Key
	prefer := valve.Method("")
	for i, seg := range segments {
		h, k := finalHeight(r, seg, m, prefer)
		if measured, known := r.Measurement(k); known && prefer == "" {
			prefer = measured.Context.Method
		}
		heights[i], keys = h, append(keys, k)
	}
	compare(r, true, keys...)
	p, err := geometry.Profile(heights[0], heights[1], heights[2])
	if err != nil {
		return geometry.HeightProfile{LowestToHighest: units.Ratio(nan), Variation: units.Ratio(nan), SideAsymmetry: units.Ratio(nan)}
	}
	return p
}
