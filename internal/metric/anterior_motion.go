package metric

import (
	"slices"
	"strings"

	"trigone/internal/geometry"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// The ids of this file.
const (
	IDFactorCount  = "anterior_motion_factor_count"
	IDWindowExcess = "posterior_height_above_planning_window"
)

var anteriorMotionMetrics = []Metric{
	{
		ID: IDFactorCount, Name: "factors of systolic anterior motion that are present",
		Unit: units.One, Grid: 1, Steps: true,
		Formula: "count of: final A2 / P2 low; coaptation near the septum; final P2 high; A2 or P2 long; aorto-mitral angle narrow; basal septum thick; end-diastolic diameter small. Interval: those not recorded absent or present. A count, never a probability",
		Inputs:  slices.Concat(finalHeightInputs, []valve.ID{valve.CoaptationToSeptumDistance, valve.AortoMitralAngle, valve.BasalSeptumThickness, valve.LeftVentricularEndDiastolicDiameter}),
		Thresholds: []string{
			settings.LeafletRatioLow, settings.SeptalDistanceShort, settings.PosteriorHeightLowRatio, settings.LeafletLong,
			settings.AortoMitralAngleNarrow, settings.SeptumThick, settings.EndDiastolicDiameterSmall,
		},
		Source: settings.SourcePopa2013, Since: "2",
		Where:   whereFactors,
		Compute: factorCount,
	},
	{
		ID: IDWindowExcess, Name: "final height of P2 above the upper edge of the planning window",
		Unit: units.SignedMM, Grid: 0.1, Signed: true,
		Formula:    "P2 − (A2 − √((s·d)² + h²) + √(((1−s)·d)² + h²)), which is P2 − (A2 − (2·s − 1)·d) without a depth h; d the diameter hinge to hinge, s the site's share in front of the closure line; above 0 the line lies farther forward: only the sign is trustworthy",
		Inputs:     append([]valve.ID{valve.RingInnerAnteroPosteriorDiameter, valve.CoaptationDepth}, finalHeightInputs...),
		Thresholds: []string{settings.AnteriorShareWanted, settings.AnteriorShareLow, settings.RingHingeOffset},
		Source:     settings.SourceOwnModel, Since: "2",
		Where:   whereWindow,
		Compute: windowExcess,
	},
}

// factor is one factor of systolic anterior motion: a value, the limit that it is
// held against, and the side that counts.
type factor struct {
	words     string
	threshold string
	above     bool
	compute   func(*Reader) float64
	unit      units.Unit
	grid      float64
}

func factors(r *Reader) []factor {
	m := momentOf(r)
	studied := func(leaf valve.ID) func(*Reader) float64 {
		return func(r *Reader) float64 { return r.Read(studyKey(r.c, leaf, m)) }
	}
	height := func(seg valve.Segment) func(*Reader) float64 {
		return func(r *Reader) float64 { h, _ := finalHeight(r, seg, m, ""); return float64(h) }
	}
	return []factor{
		{"A2 over P2", settings.LeafletRatioLow, false, func(r *Reader) float64 {
			a, p := finalPair(r, m)
			return float64(a.Over(p))
		}, units.One, ratioGrid},
		{"coaptation to septum", settings.SeptalDistanceShort, false, studied(valve.CoaptationToSeptumDistance), units.MM, lengthGrid},
		{"final P2", settings.PosteriorHeightLowRatio, true, height(valve.P2), units.MM, lengthGrid},
		{"longer of A2 and P2", settings.LeafletLong, true, func(r *Reader) float64 { return longerLeaflet(r, m) }, units.MM, lengthGrid},
		{"aorto-mitral angle", settings.AortoMitralAngleNarrow, false, studied(valve.AortoMitralAngle), units.Degree, angleGrid},
		{"basal septum", settings.SeptumThick, true, studied(valve.BasalSeptumThickness), units.MM, lengthGrid},
		{"end-diastolic diameter", settings.EndDiastolicDiameterSmall, false, studied(valve.LeftVentricularEndDiastolicDiameter), units.MM, lengthGrid},
	}
}

// longerLeaflet gives the longer final height of A2 and P2. One of them above the
// limit is enough; none below it is known unless both are.
func longerLeaflet(r *Reader, m moment) float64 {
	a, okA := r.try(func(r *Reader) float64 { h, _ := finalHeight(r, valve.A2, m, ""); return float64(h) })
	p, okP := r.try(func(r *Reader) float64 { h, _ := finalHeight(r, valve.P2, m, ""); return float64(h) })
	limit := r.s.Threshold(settings.LeafletLong)
	switch {
	case okA && okP:
		return max(a, p)
	case okA && limit.Beyond(units.Round(a, lengthGrid)):
		return a
	case okP && limit.Beyond(units.Round(p, lengthGrid)):
		return p
	}
	r.Refuse("both heights are needed")
	return nan
}

// studyKey gives the key of a value of the heart around the valve: of the newest
// study of that run where one holds it, else of the newest assessment.
func studyKey(c *repair.Case, leaf valve.ID, m moment) valve.Key {
	if !m.plan {
		for _, s := range slices.Backward(c.Studies) {
			k := valve.Key{ID: leaf, Occasion: s.Occasion, Role: valve.Measured}
			if s.Kind == repair.Result && max(s.Run, 1) == m.run && c.Measured[k].Value.IsSome() {
				return k
			}
		}
	}
	return native(c, leaf, valve.Nowhere, m.plan, "")
}

func whereFactors(c *repair.Case) []At {
	if !anyLeaf(c, valve.LeafletHeight, valve.CoaptationToSeptumDistance, valve.AortoMitralAngle, valve.BasalSeptumThickness, valve.LeftVentricularEndDiastolicDiameter) && !hasPlannedHeight(c) {
		return nil
	}
	return finalHeights(valve.Nowhere)(c)
}

func factorCount(r *Reader) float64 {
	m := momentOf(r)
	if !m.plan && replaced(r, m.run) {
		return nan
	}
	var present, absent, unknown []string
	list := factors(r)
	for _, f := range list {
		limit := r.s.Threshold(f.threshold)
		raw, known := r.try(f.compute)
		if !known {
			unknown = append(unknown, f.words)
			continue
		}
		v := units.Round(raw, f.grid)
		counts, side := limit.Below(v), "below"
		if f.above {
			counts, side = limit.Beyond(v), "above"
			if !limit.Inclusive {
				side = "from"
			}
		}
		source, _ := settings.SourceByID(limit.Source)
		text := f.words + " " + units.Format(v, f.unit, f.grid) + " (counts " + side + " " + limit.String() + ", " + strengthWords(source) + ")"
		if counts {
			present = append(present, text)
		} else {
			absent = append(absent, text)
		}
	}
	if len(unknown) == len(list) {
		for _, seg := range []valve.Segment{valve.A2, valve.P2} {
			r.Miss(native(r.c, valve.LeafletHeight, valve.AtStation(seg, valve.SegmentMid), m.plan, ""))
		}
		return nan
	}
	for _, group := range []struct {
		words string
		list  []string
	}{{"present: ", present}, {"absent: ", absent}, {"not known, neither present nor absent: ", unknown}} {
		if len(group.list) > 0 {
			r.Explain(group.words + strings.Join(group.list, ", "))
		}
	}
	r.Explain("a count, no probability")
	if len(unknown) > 0 {
		r.Between(float64(len(present)), float64(len(present)+len(unknown)))
	}
	return float64(len(present))
}

// strengthWords tells how far the source of a limit was read.
func strengthWords(s settings.Source) string {
	switch s.Strength {
	case settings.Read, settings.Secondary:
		return "source read"
	case settings.Memory:
		return "from memory"
	}
	return "the site's own"
}

// whereWindow gives the plan and the runs in which there is a ring.
func whereWindow(c *repair.Case) []At {
	if !anyLeaf(c, valve.LeafletHeight) && !hasPlannedHeight(c) {
		return nil
	}
	return slices.DeleteFunc(finalHeights(valve.AtSlice(valve.A2P2))(c), func(at At) bool {
		m := moment{plan: at.Occasion == valve.AtPlan, run: at.Run}
		return ringInPlace(m.steps(c)) == nil
	})
}

func windowExcess(r *Reader) float64 {
	m := momentOf(r)
	if !m.plan && replaced(r, m.run) {
		return nan
	}
	steps := r.memo.steps(r.c, m)
	ring := ringInPlace(steps)
	if !completeRing(r, ring) {
		return nan
	}
	if heldLine(steps) {
		r.DoesNotApply("artificial chords on A2 or P2 hold the closure line at an unknown place; the window holds for leaflets that slide freely")
		return nan
	}
	at := prediction{slice: valve.A2P2, moment: m, steps: steps, ring: ring}
	diameter, depth := at.diameter(r), at.depth(r)
	a, p := finalPair(r, m)
	wanted := units.Fraction(r.s.Threshold(settings.AnteriorShareWanted).Value).Ratio()
	if closed, err := geometry.FreeClosure(geometry.Slice{Anterior: a, Posterior: p, Diameter: diameter, Depth: depth}); err == nil {
		share := units.Round(float64(closed.AnteriorShare.Percent()), percentGrid)
		low := r.s.Threshold(settings.AnteriorShareLow)
		text := "closure line at " + units.Format(share, units.Percent, percentGrid) + " of the diameter from the anterior hinge"
		if low.Below(share) {
			text += ", below " + low.String() + ": the side of systolic anterior motion"
		}
		r.Explain(text)
	}
	return float64(geometry.HeightAboveWindow(a, p, diameter, depth, wanted))
}
