package metric

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"trigone/internal/geometry"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// The ids of the planning window.
const (
	IDLowestPosterior  = "lowest_posterior_height_for_target"
	IDHighestPosterior = "highest_posterior_height_for_target"
	IDLargestRing      = "largest_ring_antero_posterior_diameter_for_target"
	IDRequiredAnterior = "required_anterior_height_for_target"
)

// The window turns the model round: a contact that is off by its error needs a
// posterior height that is off by twice as much, as does the line, which the
// height moves by a half.
const (
	heightWindowModelSD   = 2 * contactModelSD
	diameterWindowModelSD = 2 * contactModelSD
)

var windowLimits = []string{settings.AnteriorShareWanted, settings.RingHingeOffset}

var windowMetrics = []Metric{
	{
		ID: IDLowestPosterior, Name: "lowest final height of P2 that meets the plan's coaptation target",
		Unit: units.MM, Grid: 0.1, Low: plausible(valve.LeafletHeight).Low, High: plausible(valve.LeafletHeight).High,
		Formula: "2·t + d − A2 without a depth; with one the height that brings both tips level at the contact t; t the lower end of the target, d the planned ring's diameter",
		Inputs:  predictionInputs, Thresholds: windowLimits,
		Source: settings.SourceOwnModel, Since: "2",
		Where:   whereTarget,
		Compute: lowestPosterior,
	},
	{
		ID: IDHighestPosterior, Name: "highest final height of P2 that keeps the closure line away from the outflow tract and within the plan's coaptation target",
		Unit: units.MM, Grid: 0.1, Low: plausible(valve.LeafletHeight).Low, High: plausible(valve.LeafletHeight).High,
		Formula: "the lower of 2·u + d − A2, u the upper end of the target, and A2 − (2·s − 1)·d, s the least share of the diameter that the plan aims at in front of the line, both without a depth; with one the heights that bring the tips level there; not applicable where the plan aims at neither",
		Inputs:  predictionInputs, Thresholds: windowLimits,
		Source: settings.SourceOwnModel, Since: "2",
		Where:   whereTarget,
		Compute: highestPosterior,
	},
	{
		ID: IDLargestRing, Name: "largest inner antero-posterior diameter of a ring that meets the plan's coaptation target",
		Unit: units.MM, Grid: 0.1, Low: plausible(valve.RingInnerAnteroPosteriorDiameter).Low, High: plausible(valve.RingInnerAnteroPosteriorDiameter).High,
		Formula: "min(A2 + P2 − 2·t, (A2 − P2)/(2·s − 1)) without a depth, less what the hinges lie outside the ring; t the lower end of the target, s the least share of the diameter that the plan aims at in front of the line, if it aims at one",
		Inputs:  append([]valve.ID{valve.CoaptationDepth}, finalHeightInputs...), Thresholds: windowLimits,
		Source: settings.SourceOwnModel, Since: "2",
		Where:   whereTarget,
		Compute: largestRing,
	},
	{
		ID: IDRequiredAnterior, Name: "lowest height of A2 with which any height of P2 meets the plan's coaptation target",
		Unit: units.MM, Grid: 0.1, Low: plausible(valve.LeafletHeight).Low, High: plausible(valve.LeafletHeight).High,
		Formula: "t + √((s·d)² + h²), t the lower end of the target, s the least share of the diameter that the plan aims at in front of the line, d the planned ring's diameter; not applicable where it aims at none",
		Inputs:  slices.Concat([]valve.ID{valve.RingInnerAnteroPosteriorDiameter, valve.CoaptationDepth}, bandInputs), Thresholds: windowLimits,
		Source: settings.SourceOwnModel, Since: "2",
		Where:   whereTarget,
		Compute: requiredAnterior,
	},
}

// plausible gives the leaf whose range bounds what a window may hold.
func plausible(id valve.ID) Leaf {
	leaf, _ := LeafByID(id)
	return leaf
}

// unreachable says that nothing plausible meets the target: the end of a window lies
// on the wrong side of what there is.
func unreachable(r *Reader, what, side string, end float64) {
	if !r.probe && !math.IsNaN(end) && len(r.missing) == 0 {
		r.DoesNotApply("no plausible " + what + " meets the target: it would have to be " + side + " " + units.Format(end, units.MM, lengthGrid))
	}
}

func whereTarget(c *repair.Case) []At {
	if coaptationTarget(c) == nil {
		return nil
	}
	return slices.DeleteFunc(predictedAt(c, valve.A2P2), func(at At) bool { return at.Role != valve.PredictedFromPlan })
}

// coaptationTarget gives the plan's target of the coaptation of the middle slice
// with a lower end above 0; of several the last stage's.
func coaptationTarget(c *repair.Case) *repair.Target {
	var last *repair.Target
	if c.Plan == nil {
		return nil
	}
	for i := range c.Plan.Targets {
		t := &c.Plan.Targets[i]
		middle := t.Place == valve.AtSlice(valve.A2P2) || t.Place == valve.Nowhere
		low, _ := t.Low.Get()
		if t.Leaf == CoaptationLength.ID && middle && low > 0 && (last == nil || t.Stage.Rank() > last.Stage.Rank()) {
			last = t
		}
	}
	return last
}

// window is what the planning window is computed from, beside the heights.
type window struct {
	prediction
	low   units.Length
	high  units.Maybe[units.Length]
	share units.Ratio // that the plan aims at in front of the line; 0: at none
}

// windowAt gives the window's ends; ok is false outside the domain, and where
// artificial chords hold the line.
func windowAt(r *Reader) (w window, ok bool) {
	if w.prediction, ok = predictionAt(r, valve.A2P2); !ok {
		return w, false
	}
	if w.held() {
		r.DoesNotApply("artificial chords on " + w.segments() + " hold the closure line; the window holds for leaflets that slide freely")
		return w, false
	}
	t := coaptationTarget(r.c)
	low, _ := t.Low.Get()
	w.low = r.before(w.prediction, units.Length(low))
	text := fmt.Sprintf("coaptation at least %g mm", low)
	if high, bounded := t.High.Get(); bounded {
		w.high = units.Some(r.before(w.prediction, units.Length(high)))
		text = fmt.Sprintf("coaptation %g to %g mm", low, high)
	}
	for _, t := range r.c.Plan.Targets {
		// Leaflets that slide freely bring the line to the middle or farther.
		if low, stated := t.Low.Get(); stated && t.Leaf == valve.AnteriorClosureShare && low >= 50 && low < 100 {
			w.share = units.Fraction(low).Ratio()
			text += fmt.Sprintf(", closure line at %.1f %% of the diameter or farther from the anterior hinge", low)
		}
	}
	r.Explain("target: " + text)
	return w, true
}

// edges gives the planning window for a lower end of coaptation; not a number where
// the anterior leaflet does not reach the entry at all.
func (w window) edges(anterior, diameter, depth, low units.Length) (lowest, highest units.Length) {
	return windowEdges(anterior, diameter, depth, low, max(w.share, 0.5))
}

func windowEdges(anterior, diameter, depth, low units.Length, share units.Ratio) (lowest, highest units.Length) {
	edges, err := geometry.PlanningWindow(anterior, diameter, depth, low, share)
	if err != nil && (!errors.Is(err, geometry.ErrNoWindow) || edges.Lowest == 0) {
		return units.Length(nan), units.Length(nan)
	}
	return edges.Lowest, edges.Highest
}

// inDomain says whether the model holds for the ring and the depth of the window.
func inDomain(r *Reader, diameter, depth units.Length) bool {
	some := geometry.Slice{Anterior: diameter, Posterior: diameter, Diameter: diameter, Depth: depth}
	if r.probe || len(r.missing) > 0 || r.refused || geometry.CheckDomain(some, 0.5) == nil {
		return true
	}
	r.DoesNotApply(diameterOfDomain + " and " + depthOfDomain)
	return false
}

func (w window) anterior(r *Reader) units.Length {
	h, _ := finalHeight(r, valve.A2, w.moment, "")
	return h
}

// heightEdges gives both edges of the window of posterior heights; bounded says whether
// the plan aims at anything that bounds them from above.
func heightEdges(r *Reader) (lowest, highest float64, bounded bool) {
	w, ok := windowAt(r)
	if !ok {
		return nan, nan, true
	}
	a, d, h := w.anterior(r), w.diameter(r), w.depth(r)
	if !inDomain(r, d, h) {
		return nan, nan, true
	}
	low, high := w.edges(a, d, h, w.low)
	bounded = w.share > 0
	if !bounded {
		wanted := r.s.Threshold(settings.AnteriorShareWanted)
		_, beside := windowEdges(a, d, h, w.low, units.Fraction(wanted.Value).Ratio())
		if !math.IsNaN(float64(beside)) {
			r.Explain("beside it, for the plan aims at no closure line and no source of the limit was read: P2 of at most " +
				units.Format(float64(beside), units.MM, lengthGrid) + " keeps the line at " + wanted.String() + " of the diameter or farther from the anterior hinge")
		}
		high = units.Length(math.Inf(1))
	}
	if most, stated := w.high.Get(); stated {
		if byTarget, _ := w.edges(a, d, h, most); byTarget < high || math.IsNaN(float64(byTarget)) {
			high = byTarget
			if bounded {
				r.Explain("the upper end of the coaptation target bounds the height, not the line")
			}
		}
		bounded = true
	}
	if bounded && low > high {
		r.Explain("no height of P2 meets both: the lowest lies above the highest")
	}
	r.ModelSD(heightWindowModelSD)
	return float64(low), float64(high), bounded
}

func lowestPosterior(r *Reader) float64 {
	low, _, _ := heightEdges(r)
	if low > plausible(valve.LeafletHeight).High {
		unreachable(r, "height of P2", "at least", low)
	}
	return low
}

func highestPosterior(r *Reader) float64 {
	_, high, bounded := heightEdges(r)
	if !bounded {
		r.DoesNotApply("the plan aims at no upper end of the coaptation and at no closure line: nothing bounds the height")
		return nan
	}
	if high < plausible(valve.LeafletHeight).Low {
		unreachable(r, "height of P2", "at most", high)
	}
	return high
}

func largestRing(r *Reader) float64 {
	w, ok := windowAt(r)
	if !ok || !completeRing(r, w.ring) {
		return nan
	}
	a, p, _, _ := slicePair(r, w.moment, valve.A2P2)
	d, err := geometry.LargestFreeDiameter(a, p, w.depth(r), w.low, w.share)
	if errors.Is(err, geometry.ErrNoWindow) {
		r.DoesNotApply("no diameter meets the target: a leaflet is lower than the coaptation wanted, or the posterior one too high for the closure line")
	}
	if err != nil {
		return nan
	}
	r.ModelSD(diameterWindowModelSD)
	offset := units.Length(r.s.Threshold(settings.RingHingeOffset).Value)
	largest := float64(d.Minus(offset.Scaled(2)))
	if largest < plausible(valve.RingInnerAnteroPosteriorDiameter).Low {
		unreachable(r, "ring", "at most", largest)
	}
	return largest
}

func requiredAnterior(r *Reader) float64 {
	w, ok := windowAt(r)
	if !ok {
		return nan
	}
	if w.share == 0 {
		r.DoesNotApply("the plan aims at no closure line: any A2 that reaches the coaptation wanted meets it with some P2")
		return nan
	}
	r.ModelSD(contactModelSD)
	d, h := w.diameter(r), w.depth(r)
	if !inDomain(r, d, h) {
		return nan
	}
	required := float64(geometry.RequiredAnterior(d, h, w.low, w.share))
	if required > plausible(valve.LeafletHeight).High {
		unreachable(r, "height of A2", "at least", required)
	}
	return required
}
