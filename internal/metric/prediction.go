package metric

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"trigone/internal/geometry"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// The ids of the prediction, beside those in the catalogue's list.
const (
	IDPredictedOverlap       = "predicted_overlap"
	IDUnsupportedAnteriorTip = "predicted_unsupported_anterior_tip"
	IDSideToMiddle           = "predicted_side_to_middle_ratio"
	IDSliceDiameter          = "predicted_slice_diameter"
)

// UncalibratedLabel stands with every prediction.
const UncalibratedLabel = "range of an uncalibrated model, not advice"

// Standard deviations of the prediction of the mean contact, in mm: of the model
// itself, and of one measured coaptation length. Both are assumed; no study
// validates the absolute prediction. The two leaflets' errors are taken as
// independent and equal, so that their difference has twice the error of their
// mean. A ratio taken over from the shape of the ring alone was off by 0.16 in
// one of the two regions in which it could be compared (Gogoladze 2010, abstract
// read).
const (
	contactModelSD       = 2.0
	contactObservationSD = 1.2
	tipModelSD           = 2 * contactModelSD
	selfSimilarModelSD   = 0.16
)

// Behind a band the diameter is made from its length and what is known of the annulus.
var bandInputs = []valve.ID{
	valve.BandLength, valve.RingInnerTransverseDiameter, valve.IntertrigonalDistance,
	valve.AnnulusAnteroPosteriorDiameter, valve.AnnulusIntercommissuralDiameter,
}

var predictionInputs = slices.Concat([]valve.ID{valve.RingInnerAnteroPosteriorDiameter, valve.CoaptationDepth}, finalHeightInputs, bandInputs)

// Of a side slice the ring's shape is needed too.
var sliceInputs = append(slices.Clone(predictionInputs), valve.RingOrificeArea)

var hinge = []string{settings.RingHingeOffset}

var overlapMetric = Metric{
	ID: IDPredictedOverlap, Name: "predicted coaptation length on echo, over which both leaflets meet",
	Unit: units.MM, Grid: 0.1,
	Formula: "free leaflets: the mean contact, not below 0; line held by artificial chords at a measured share s of the diameter d: min(a − √((s·d)² + h²), p − √(((1−s)·d)² + h²)), not below 0; held at an unknown share: not evaluable",
	Inputs:  append([]valve.ID{valve.AnteriorClosureShare}, sliceInputs...), Thresholds: hinge,
	Source: settings.SourceOwnModel, Since: "2",
	Where:   wherePredicted,
	Compute: predictedOverlap,
}

var predictionMetrics = slices.Concat([]Metric{
	{
		ID: IDPredictedContact, Name: "predicted coaptation length of a slice, the mean contact of both leaflets",
		Unit: units.SignedMM, Grid: 0.1, Signed: true,
		Formula: "(a + p − d·√(1 + 4h²/(d² − (a − p)²))) / 2, which is (a + p − d) / 2 without a depth h; a, p final heights of A2 and P2, d hinge to hinge across a complete ring, or behind a posterior band across the ellipse whose perimeter is the band and 1.05 times the distance between the trigones; with a measured line held by artificial chords (a + p − √((s·d)² + h²) − √(((1−s)·d)² + h²)) / 2; below 0 a gap",
		Inputs:  append([]valve.ID{valve.AnteriorClosureShare}, sliceInputs...), Thresholds: hinge,
		Source: settings.SourceOwnModel, Since: "1",
		Where:   wherePredicted,
		Compute: predictedContact,
	},
	overlapMetric,
	{
		ID: IDPredictedAnteriorShare, Name: "predicted share of the antero-posterior diameter in front of the closure line",
		Unit: units.Percent, Grid: 0.1, Most: 100, Low: 5, High: 95,
		Formula: "100 · (d² − δ² + 2·δ·(a − c)) / (2·d²) with δ = a − p and c the contact, which is 100 · (½ + δ/(2·d)) without a depth; both leaflets sliding freely",
		Inputs:  sliceInputs, Thresholds: hinge,
		Source: settings.SourceOwnModel, Since: "1",
		Where:   wherePredicted,
		Compute: predictedShare,
	},
	{
		ID: IDUnsupportedAnteriorTip, Name: "predicted anterior leaflet beyond the overlap, without support",
		Unit: units.MM, Grid: 0.1,
		Formula: "a − √((s·d)² + h²) − overlap, the line held by artificial chords at a measured share s of the diameter",
		Inputs:  append([]valve.ID{valve.AnteriorClosureShare}, predictionInputs...), Thresholds: hinge,
		Source: settings.SourceOwnModel, Since: "2",
		Where:   whereHeld,
		Compute: unsupportedTip,
	},
	{
		ID: IDSliceDiameter, High: 45, Name: "predicted antero-posterior diameter of a side slice, hinge to hinge",
		Unit: units.MM, Grid: 0.1,
		Formula: "AP·(1 − 0.7ⁿ)^(1/n), n the exponent of the superellipse that the ring's orifice area and inner diameters make, 2 without an orifice area and for a band",
		Inputs:  slices.Concat([]valve.ID{valve.RingInnerAnteroPosteriorDiameter, valve.RingOrificeArea}, bandInputs), Thresholds: hinge,
		Source: settings.SourceOwnModel, Since: "2",
		Where: whereSides,
		Compute: func(r *Reader) float64 {
			p, ok := predictionAt(r, sliceAt(r))
			if !ok {
				return nan
			}
			return float64(p.diameter(r))
		},
	},
	{
		ID: IDSideToMiddle, Name: "predicted coaptation length of a side slice over that of the middle",
		Unit: units.One, Grid: 0.01, High: 3,
		Formula: "mean contact of A1-P1 or A3-P3 / mean contact of A2-P2; without heights at the side those of the middle scaled to the ring, which is the diameter of the side slice over that of the middle",
		Inputs:  append([]valve.ID{valve.AnteriorClosureShare}, sliceInputs...), Thresholds: hinge,
		Source: settings.SourceOwnModel, Since: "2",
		Where:   whereSides,
		Compute: sideToMiddle,
	},
}, windowMetrics, outcomeMetrics)

// wherePredicted gives the plan and the last run: the middle slice, and the side
// slices both heights of which were asked for.
func wherePredicted(c *repair.Case) []At {
	list := predictedAt(c, valve.A2P2)
	for _, slice := range []valve.Slice{valve.A1P1, valve.A3P3} {
		if heightsAt(c, slice) {
			list = append(list, predictedAt(c, slice)...)
		}
	}
	return list
}

func predictedAt(c *repair.Case, s valve.Slice) []At {
	var list []At
	slice := valve.AtSlice(s)
	if c.Plan != nil && len(c.Plan.Steps) > 0 {
		list = append(list, At{Place: slice, Occasion: valve.AtPlan, Role: valve.PredictedFromPlan, Stage: valve.LeavingTheatre})
	}
	if c.Operation != nil && len(c.Operation.Steps) > 0 {
		list = append(list, At{
			Place: slice, Occasion: valve.AtOperation, Role: valve.PredictedFromExecution,
			Run: max(c.Operation.LastRun(), 1), Stage: valve.LeavingTheatre,
		})
	}
	return list
}

func heightsAt(c *repair.Case, s valve.Slice) bool {
	anterior, posterior := s.Segments()
	var a, p bool
	for k := range c.Measured {
		if k.ID == valve.LeafletHeight {
			a = a || k.Place.Segment() == anterior
			p = p || k.Place.Segment() == posterior
		}
	}
	return a && p
}

// whereSides gives the side slices of which anything is known: their heights, or
// the orifice area that gives the ring its shape.
func whereSides(c *repair.Case) []At {
	var list []At
	for _, slice := range []valve.Slice{valve.A1P1, valve.A3P3} {
		heights := heightsAt(c, slice)
		for _, at := range predictedAt(c, slice) {
			m := momentAt(at)
			ring := ringInPlace(m.steps(c))
			if heights || ring != nil && recorded(c, m.stepKey(valve.RingOrificeArea, ring.ID)) {
				list = append(list, at)
			}
		}
	}
	return list
}

func whereHeld(c *repair.Case) []At {
	return slices.DeleteFunc(predictedAt(c, valve.A2P2), func(at At) bool { return !heldLine(momentAt(at).steps(c)) })
}

// prediction is what one slice at one moment is predicted from.
type prediction struct {
	slice  valve.Slice
	moment moment
	steps  []repair.Step
	ring   *repair.Step
}

// predictionAt gives what a slice is predicted from at the moment being answered;
// ok is false outside the model's domain, which is looked at before any number.
func predictionAt(r *Reader, slice valve.Slice) (p prediction, ok bool) {
	r.Explain(UncalibratedLabel)
	r.TellSDs()
	m := momentOf(r)
	p = prediction{slice: slice, moment: m, steps: r.memo.steps(r.c, m)}
	if why := r.memo.outside(r.c, m); len(why) > 0 {
		r.DoesNotApply("outside the model's domain: " + words.And(why))
		return p, false
	}
	if !lesionsKnown(r.Case()) {
		r.Explain("no assessment states a complete list of lesions: the domain could not be checked in full")
	}
	p.ring = ringInPlace(p.steps)
	switch {
	case p.ring == nil:
		r.DoesNotApply("there is no ring; its inner antero-posterior diameter sets the diameter of the slice")
		return p, false
	case p.ring.Ring == nil || p.ring.Ring.Kind == "":
		r.Refuse("whether it is a complete ring or a posterior band is not recorded")
		return p, false
	}
	return p, true
}

func (p prediction) band() bool { return p.ring.Ring.Kind == repair.PosteriorBand }

func sliceAt(r *Reader) valve.Slice { return valve.Slice(r.At().Place) }

// side gives the position of the slice along the ring.
func (p prediction) side() units.Ratio {
	if p.slice == valve.A2P2 {
		return 0
	}
	return geometry.SideSlice
}

// tableDimension gives what a row of the site's table says of a dimension of the
// ring that is not recorded.
var tableDimension = map[valve.ID]func(settings.RingSize) units.Maybe[float64]{
	valve.RingInnerAnteroPosteriorDiameter: func(s settings.RingSize) units.Maybe[float64] { return s.InnerAnteroPosteriorMM },
	valve.RingInnerTransverseDiameter:      func(s settings.RingSize) units.Maybe[float64] { return s.InnerTransverseMM },
	valve.RingOrificeArea:                  func(s settings.RingSize) units.Maybe[float64] { return s.OrificeAreaCM2 },
	valve.BandLength:                       func(s settings.RingSize) units.Maybe[float64] { return s.BandLengthMM },
}

func (p prediction) has(r *Reader, leaf valve.ID) bool {
	size, ok := tableSize(r, p.ring)
	return r.Has(p.moment.stepKey(leaf, p.ring.ID)) || ok && tableDimension[leaf](size).IsSome()
}

func (p prediction) dimension(r *Reader, leaf valve.ID) float64 {
	k := p.moment.stepKey(leaf, p.ring.ID)
	if size, ok := tableSize(r, p.ring); ok && !r.Has(k) {
		if v, known := tableDimension[leaf](size).Get(); known {
			r.Explain("inner dimensions of the ring from the site's ring table, by label")
			return r.Assume(leaf, k.Place, v)
		}
	}
	return r.Read(k)
}

// diameter gives the diameter of the slice from hinge to hinge.
func (p prediction) diameter(r *Reader) units.Length {
	ap := p.anteroPosterior(r)
	across := ap
	if offset := units.Length(r.s.Threshold(settings.RingHingeOffset).Value); offset > 0 && !p.band() {
		r.Explain("the hinges are taken to lie " + units.Format(float64(offset), units.MM, lengthGrid) + " outside the ring's inner edge on either side")
		across = ap.Plus(offset.Scaled(2))
	}
	if p.side() == 0 {
		return across
	}
	return geometry.Chord(across, p.side(), p.exponent(r, ap))
}

// anteroPosterior gives the inner antero-posterior diameter of a complete ring, or
// that of the annulus behind which a band lies.
func (p prediction) anteroPosterior(r *Reader) units.Length {
	if p.band() {
		return p.bandDiameter(r)
	}
	return units.Length(p.dimension(r, valve.RingInnerAnteroPosteriorDiameter))
}

// transverse gives the inner transverse diameter of the ring, or that of the
// annulus that a band makes.
func (p prediction) transverse(r *Reader) units.Length {
	if p.band() && !p.has(r, valve.RingInnerTransverseDiameter) {
		ap, transverse := p.nativeDiameters(r)
		return transverse.Scaled(p.anteroPosterior(r).Over(ap))
	}
	return units.Length(p.dimension(r, valve.RingInnerTransverseDiameter))
}

func (p prediction) nativeDiameters(r *Reader) (anteroPosterior, transverse units.Length) {
	read := func(leaf valve.ID) units.Length {
		return units.Length(r.Covered(r.memo.native(r.c, leaf, p.moment.plan)))
	}
	return read(valve.AnnulusAnteroPosteriorDiameter), read(valve.AnnulusIntercommissuralDiameter)
}

// Standard deviations of the antero-posterior diameter behind a band, in mm, which
// cover what it is made from. A complete ring holds it to 1 mm. Where the width of
// the annulus is not known either, it may be 0.70 to 0.90 times as deep as wide:
// that is about 2 mm more to either side. Assumed, as no study gives one.
const (
	bandDiameterSD   = 2.0
	bandOfShapeSD    = 3.0
	bandCovers       = "assumed of a diameter that a band does not hold"
	flatBandSentence = "a posterior band leaves the antero-posterior diameter free: "
)

// bandDiameter gives the antero-posterior diameter of the annulus behind which a
// band lies: as given, else of the ellipse around which go the band and the anterior
// arc that belongs to the distance between the trigones.
func (p prediction) bandDiameter(r *Reader) units.Length {
	place := p.ring.ID
	suppose := func(ap units.Length, sd float64, how string) units.Length {
		if !r.probe && !math.IsNaN(float64(ap)) {
			r.Explain(flatBandSentence + "taken as " + units.Format(float64(ap), units.MM, lengthGrid) + how + ", with a standard deviation of " + units.Format(sd, units.MM, 1))
		}
		return units.Length(r.Suppose(valve.AnnulusAnteroPosteriorDiameter, valve.AtStep(place), float64(ap), sd, bandCovers))
	}
	covered := func(leaf valve.ID) units.Length {
		k := p.moment.stepKey(leaf, place)
		r.own(k, 0, "covered")
		r.own(valve.Key{ID: leaf, Place: k.Place}, 0, "covered") // by the site's table
		return units.Length(p.dimension(r, leaf))
	}
	if p.has(r, valve.RingInnerAnteroPosteriorDiameter) {
		return suppose(covered(valve.RingInnerAnteroPosteriorDiameter), bandDiameterSD, " as given")
	}
	trigones := units.Length(r.Covered(r.memo.native(r.c, valve.IntertrigonalDistance, p.moment.plan)))
	perimeter := covered(valve.BandLength).Plus(geometry.AnteriorArcOfTrigones(trigones))
	if !p.has(r, valve.RingInnerTransverseDiameter) {
		ap, transverse := p.nativeDiameters(r)
		return suppose(geometry.AnteroPosteriorOfShape(perimeter, ap, transverse), bandOfShapeSD,
			" from its length, the distance between the trigones and the shape of the annulus before the repair")
	}
	transverse := covered(valve.RingInnerTransverseDiameter)
	ap, err := geometry.AnteroPosteriorOfPerimeter(perimeter, transverse)
	if err != nil {
		if len(r.missing) == 0 {
			r.Refuse("band and anterior arc, " + units.Format(float64(perimeter), units.MM, lengthGrid) + " together, do not go round an annulus " +
				units.Format(float64(transverse), units.MM, lengthGrid) + " wide: check length, width and distance between the trigones")
		}
		ap = units.Length(nan)
	}
	return suppose(ap, bandDiameterSD, " from its length and width and the distance between the trigones")
}

// exponent gives the exponent of the superellipse that the ring is.
func (p prediction) exponent(r *Reader, ap units.Length) units.Ratio {
	if p.band() {
		return ellipse
	}
	if !p.has(r, valve.RingOrificeArea) {
		r.Explain("the ring is taken as an ellipse: its orifice area is not given")
		return ellipse
	}
	orifice, transverse := units.Area(p.dimension(r, valve.RingOrificeArea)), units.Length(p.dimension(r, valve.RingInnerTransverseDiameter))
	if r.probe {
		// An orifice moved by its uncertainty stays one that the diameters can have.
		box := ap.Times(transverse)
		orifice = min(max(orifice, box.Scaled(geometry.LeastFilling)), box.Scaled(geometry.MostFilling))
	}
	n, err := geometry.RingExponent(orifice, ap, transverse)
	if err != nil {
		if len(r.missing) == 0 {
			r.Refuse("the ring's orifice area over the product of its inner diameters lies outside 0.70 to 0.95: one of the three is no inner dimension, or mistyped")
		}
		return units.Ratio(nan)
	}
	r.Explain("ring of the shape that its orifice area and diameters make, exponent " + units.FormatNumber(float64(n), ratioGrid))
	return n
}

const ellipse units.Ratio = 2

// flagRing says, beside a value that does not need it, that the ring's dimensions
// do not fit each other.
func (p prediction) flagRing(r *Reader) {
	if r.probe {
		return
	}
	var v [3]float64
	for i, leaf := range []valve.ID{valve.RingOrificeArea, valve.RingInnerAnteroPosteriorDiameter, valve.RingInnerTransverseDiameter} {
		m, _ := r.Measurement(p.moment.stepKey(leaf, p.ring.ID))
		x, ok := m.Value.Get()
		if !ok {
			return
		}
		v[i] = x
	}
	if _, err := geometry.RingExponent(units.Area(v[0]), units.Length(v[1]), units.Length(v[2])); err != nil {
		r.Explain("the orifice area given does not fit the two inner diameters: check that all three are inner dimensions")
	}
}

// room gives how long a coaptation there can be: no longer than the lower leaflet and
// one standard deviation of it; where chords hold the line, the mean contact of both
// no longer than their mean height.
func (p prediction) room(r *Reader, c closing) (most float64, text string) {
	_, _, aKey, pKey := slicePair(r, p.moment, p.slice)
	lower, k := c.Anterior, aKey
	if c.Posterior < lower {
		lower, k = c.Posterior, pKey
	}
	sd, _ := r.inputSD(k)
	if p.held() {
		return float64(c.Anterior.Plus(c.Posterior).Scaled(0.5)) + sd, "the mean of both leaflets and one standard deviation"
	}
	return float64(lower) + sd, "the lower leaflet and one standard deviation of it"
}

// heights gives the lengths of both leaflets along the slice.
func (p prediction) heights(r *Reader) (anterior, posterior units.Length) {
	anterior, posterior, aKey, pKey := slicePair(r, p.moment, p.slice)
	p.tellReading(r, aKey, pKey)
	return p.along(r, anterior, aKey), p.along(r, posterior, pKey)
}

// along lengthens a height by ruler, which stands at right angles to the annulus,
// to an oblique slice; by echo a height is taken in the slice. Of a planned height
// without a method half the difference between both readings is a standard
// deviation.
func (p prediction) along(r *Reader, height units.Length, k valve.Key) units.Length {
	method, read := readingOf(r, k)
	if p.side() == 0 || method != valve.Ruler && !read {
		return height
	}
	oblique := geometry.HeightAlongSlice(height, geometry.Obliquity(p.anteroPosterior(r), p.transverse(r), p.side()))
	byRuler := units.Ratio(0)
	if method == valve.Ruler {
		r.Explain("heights by ruler stand at right angles to the annulus and are lengthened to the oblique slice")
		byRuler = 1
	}
	if read {
		byRuler += units.Ratio(r.Suppose("planned_height_reading", valve.AtSlice(p.slice), 0, 0.5, "half the difference between both readings"))
	}
	return units.Length(height.Offset() + oblique.Minus(height).Scaled(byRuler))
}

// readingOf gives the method by which a height is read: its own, and of a planned
// height without one that of the native height of its segment on which the plan
// rests, else the ruler; read says that it is a reading.
func readingOf(r *Reader, k valve.Key) (method valve.Method, read bool) {
	m, known := r.Measurement(k)
	if m.Context.Method != "" || !known || k.Role != valve.Planned {
		return m.Context.Method, false
	}
	native, _ := r.Measurement(r.memo.nativeAtPlace(r.c, valve.LeafletHeight, valve.AtStation(k.Place.Segment(), valve.SegmentMid), true))
	return cmp.Or(native.Context.Method, valve.Ruler), true
}

// tellReading says how the planned heights of the slice are read.
func (p prediction) tellReading(r *Reader, keys ...valve.Key) {
	if r.probe {
		return
	}
	var methods []valve.Method
	var segments []string
	for _, k := range keys {
		if method, read := readingOf(r, k); read {
			methods = append(methods, method)
			segments = append(segments, segmentName(k.Place.Segment()))
		}
	}
	switch {
	case len(methods) == 0:
	case len(methods) == 1 || methods[0] == methods[1]:
		r.Explain("planned heights read as by " + methodName(methods[0]) + " (" + words.And(segments) + ")")
	default:
		r.Explain("planned heights read as by " + methodName(methods[0]) + " (" + segments[0] + ") and by " + methodName(methods[1]) + " (" + segments[1] + ")")
	}
}

func methodName(m valve.Method) string {
	switch m {
	case valve.Echo2D:
		return "2D echo"
	case valve.Echo3D:
		return "3D echo"
	}
	return words.Spaced(m)
}

// found gives the key of a value of the slice: of the newest result of the run,
// for what was done.
func (p prediction) found(c *repair.Case, leaf valve.ID) (k valve.Key, ok bool) {
	if p.moment.plan {
		return valve.Key{}, false
	}
	for _, set := range finalSets(c, p.moment.run) {
		k := valve.Key{ID: leaf, Place: valve.AtSlice(p.slice), Occasion: set.occasion, Role: valve.Measured}
		if set.run == p.moment.run && !set.field && c.Measured[k].Value.IsSome() {
			return k, true
		}
	}
	return valve.Key{}, false
}

// depth gives how far the entry of the coaptation lies from the plane.
func (p prediction) depth(r *Reader) units.Length {
	place := valve.AtSlice(p.slice)
	if k, ok := p.found(r.c, valve.CoaptationDepth); ok {
		r.Explain("depth of coaptation as found after the repair")
		return units.Length(r.Read(k))
	}
	if k := (valve.Key{ID: valve.CoaptationDepth, Place: place, Occasion: valve.AtPlan, Role: valve.Planned}); p.moment.plan && r.Has(k) {
		r.Explain("depth of coaptation as the plan expects it after the repair")
		return units.Length(r.Read(k))
	}
	if k := r.memo.nativeAtPlace(r.c, valve.CoaptationDepth, place, p.moment.plan); r.Has(k) {
		r.Explain("depth of coaptation as before the repair")
		return units.Length(r.Read(k))
	}
	r.Explain("depth of coaptation not measured: 0 assumed")
	return units.Length(r.Assume(valve.CoaptationDepth, place, 0))
}

// closing is a slice with the share at which its closure line is held, if it is
// and that is known.
type closing struct {
	geometry.Slice
	line units.Maybe[units.Ratio]
}

func (c closing) closure() (geometry.Closure, error) {
	if line, held := c.line.Get(); held {
		return geometry.HeldClosure(c.Slice, line)
	}
	return geometry.SettledClosure(c.Slice)
}

// predictedSlice gives the slice to be predicted; ok is false where nothing can be
// said of it.
func predictedSlice(r *Reader, slice valve.Slice) (c closing, p prediction, ok bool) {
	p, ok = predictionAt(r, slice)
	if !ok {
		return c, p, false
	}
	p.flagRing(r)
	c.Diameter = p.diameter(r)
	c.Anterior, c.Posterior = p.heights(r)
	c.Depth = p.depth(r)
	if p.held() {
		if k, known := p.found(r.c, valve.AnteriorClosureShare); known {
			c.line = units.Some(units.Fraction(r.Read(k)).Ratio())
			r.Explain("artificial chords hold the closure line where it was found: " + string(k.Occasion))
		}
	}
	if len(r.missing) > 0 || r.refused {
		return c, p, true // told as missing; it leads to no number
	}
	if !r.probe {
		r.AtMost(p.room(r, c))
	}
	if closed, err := c.closure(); err != nil || geometry.CheckDomain(c.Slice, closed.AnteriorShare) != nil {
		r.DoesNotApply(diameterOfDomain + ", " + depthOfDomain + " and " + lineOfDomain)
	}
	return c, p, true
}

func (p prediction) held() bool { return holdsLine(p.steps, p.slice) }

// closedSlice gives the closure of the slice; what cannot be closed is not a
// number everywhere.
func closedSlice(r *Reader, slice valve.Slice) (closed geometry.Closure, c closing, p prediction, ok bool) {
	c, p, ok = predictedSlice(r, slice)
	if !ok {
		return closed, c, p, false
	}
	closed, err := c.closure()
	return closed, c, p, err == nil
}

func predictedContact(r *Reader) float64 {
	closed, c, p, ok := closedSlice(r, sliceAt(r))
	if !ok {
		return nan
	}
	if p.held() && c.line.IsNone() {
		r.Explain("artificial chords on " + p.segments() + " hold the closure line at an unknown place: this is the mean of both leaflets' contact, the overlap that echo sees is unknown")
	}
	r.ModelSD(contactModelSD)
	r.ObservationSD(contactObservationSD)
	r.drawBy(func(c geometry.Closure, model float64) float64 { return float64(c.MeanContact) + model }, false)
	if p.held() {
		return float64(closed.MeanContact) // which nobody measures
	}
	return r.calibrated(p, float64(closed.MeanContact))
}

func predictedOverlap(r *Reader) float64 {
	closed, c, p, ok := closedSlice(r, sliceAt(r))
	if !ok || !p.lineKnown(r, c) {
		return nan
	}
	r.ModelSD(contactModelSD)
	r.ObservationSD(contactObservationSD)
	r.drawBy(func(c geometry.Closure, model float64) float64 {
		return max(0, float64(min(c.ContactAnterior, c.ContactPosterior))+model)
	}, true)
	return r.calibrated(p, float64(closed.Overlap))
}

// lineKnown asks for the line where artificial chords hold it.
func (p prediction) lineKnown(r *Reader, c closing) bool {
	if !p.held() || c.line.IsSome() {
		return true
	}
	text := "artificial chords on " + p.segments() + " hold the closure line at an unknown place: the overlap is unknown"
	if p.moment.plan {
		r.Refuse(text + "; the line can be measured only once they are set")
		return false
	}
	r.Explain(text)
	k := valve.Key{ID: valve.AnteriorClosureShare, Place: valve.AtSlice(p.slice), Occasion: "result", Role: valve.Measured}
	for _, set := range finalSets(r.c, p.moment.run) {
		if set.run == p.moment.run && !set.field {
			k.Occasion = set.occasion
			break
		}
	}
	r.Miss(k)
	return false
}

func (p prediction) segments() string {
	a, b := p.slice.Segments()
	return segmentName(a) + " or " + segmentName(b)
}

func predictedShare(r *Reader) float64 {
	closed, _, p, ok := closedSlice(r, sliceAt(r))
	if !ok {
		return nan
	}
	if p.held() {
		r.DoesNotApply("artificial chords on " + p.segments() + " hold the closure line; the share holds for leaflets that slide freely")
	}
	r.most = units.None[float64]() // of a length
	// The line lies a − c from the anterior hinge, so the model's error of the
	// contact is one of the line.
	r.ModelSD(float64(units.Length(contactModelSD).Over(p.diameter(r)).Percent()))
	return float64(closed.AnteriorShare.Percent())
}

func unsupportedTip(r *Reader) float64 {
	closed, c, p, ok := closedSlice(r, sliceAt(r))
	if !ok || !p.lineKnown(r, c) {
		return nan
	}
	r.AtMost(float64(c.Anterior), "the whole anterior leaflet")
	tip := func(c geometry.Closure) units.Length {
		return c.ContactAnterior.Plus(-c.Overlap.Offset()).NotBelowZero()
	}
	r.ModelSD(tipModelSD)
	r.drawBy(func(c geometry.Closure, model float64) float64 { return max(0, float64(tip(c))+model) }, true)
	return float64(tip(closed))
}

// sideToMiddle gives the ratio of the mean contacts where the side's heights are
// known, else that of the diameters.
func sideToMiddle(r *Reader) float64 {
	p, ok := predictionAt(r, sliceAt(r))
	if !ok {
		return nan
	}
	middle := p
	middle.slice = valve.A2P2
	if !heightsAt(r.c, p.slice) {
		r.Explain("the heights at the side are not known: those of the middle are taken as scaled to the ring")
		r.ModelSD(selfSimilarModelSD)
		return float64(p.diameter(r).Over(middle.diameter(r)))
	}
	contacts := make([]units.Offset, 2)
	for i, slice := range []valve.Slice{p.slice, valve.A2P2} {
		closed, _, _, ok := closedSlice(r, slice)
		if !ok {
			return nan
		}
		contacts[i] = closed.MeanContact
	}
	r.most = units.None[float64]() // of a length
	switch {
	case len(r.missing) > 0 || r.probe:
	case contacts[1] <= 0:
		r.DoesNotApply("no contact is predicted in the middle")
	case contacts[0] < 0:
		r.DoesNotApply("a gap is predicted at the side")
	}
	ratio := float64(contacts[0] / contacts[1])
	// Both contacts carry the model's error.
	r.ModelSD(contactModelSD / float64(contacts[1]) * math.Hypot(1, ratio))
	return ratio
}

// ringInPlace gives the ring or band that stays, the last of several, or nil.
func ringInPlace(steps []repair.Step) *repair.Step {
	var last *repair.Step
	for i := range steps {
		s := &steps[i]
		if s.Technique != repair.Annuloplasty || !s.Done() {
			continue
		}
		if last == nil || cmp.Or(cmp.Compare(s.Run, last.Run), cmp.Compare(s.Order, last.Order)) >= 0 {
			last = s
		}
	}
	return last
}

// heldLine says whether artificial chords hold the closure line of the middle
// slice, or may do so.
func heldLine(steps []repair.Step) bool { return holdsLine(steps, valve.A2P2) }

// holdsLine says whether artificial chords hold the closure line of the slice, or
// may do so.
func holdsLine(steps []repair.Step, slice valve.Slice) bool {
	return slices.ContainsFunc(steps, func(s repair.Step) bool { return s.MayHoldLine(slice) })
}

// outsideDomain gives why the closure model says nothing of this valve.
func outsideDomain(c *repair.Case, m moment, steps []repair.Step) []string {
	var why []string
	add := func(text string, found bool) {
		if found && !slices.Contains(why, text) {
			why = append(why, text)
		}
	}
	add("the valve was replaced", !m.plan && c.Operation.Converted())
	add("edge-to-edge suture", len(repair.Of(steps, repair.EdgeToEdge)) > 0)
	for i := range c.Studies {
		s := &c.Studies[i]
		if s.Kind == repair.Result {
			add("systolic anterior motion", !m.plan && max(s.Run, 1) == m.run && movesForward(s))
		}
		if s.Kind != repair.Assessment {
			continue
		}
		for _, l := range s.Lesions {
			commissural := l.Where.Commissure != ""
			add("open cleft", l.Has("cleft") && !closed(l, steps))
			add("prolapse of a commissure", commissural &&
				(l.Flail == valve.Yes || l.Has("chord_rupture") || l.Has("chord_elongation")))
			add("restricted leaflet motion", l.Has("retraction"))
			add("calcification of unknown extent", l.Has("calcification") && s.Calcification == "")
		}
		for _, d := range s.Dysfunctions {
			add("prolapse of a commissure", d.Where.Commissure != "" && d.Type == "ii")
			add("restricted leaflet motion", d.Type == "iiia" || d.Type == "iiib")
		}
		add("restricted leaflet motion", slices.Contains(s.Mechanisms, "restriction"))
		add("calcification beyond a spot", s.Calcification != "" && s.Calcification != "none" && s.Calcification != "focal")
		add("systolic anterior motion", m.plan && movesForward(s))
	}
	return why
}

func movesForward(s *repair.Study) bool {
	return s.AnteriorMotion != "" && s.AnteriorMotion != "none" && s.AnteriorMotionEnd != "resolved"
}

// closed says whether a step closes the cleft: it names the lesion, or stands at
// its place.
func closed(l repair.Lesion, steps []repair.Step) bool {
	return slices.ContainsFunc(steps, func(s repair.Step) bool {
		return s.Technique == repair.CleftClosure &&
			(slices.Contains(s.LesionIDs, l.ID) || slices.Contains(s.Places, l.Where))
	})
}

func lesionsKnown(c *repair.Case) bool {
	for i := range c.Studies {
		if c.Studies[i].Kind == repair.Assessment && c.Studies[i].LesionsRecorded == valve.Complete {
			return true
		}
	}
	return false
}

// What ring, depth and closure line the model speaks of, in words.
var (
	diameterOfDomain = fmt.Sprintf("outside the model's domain: the ring's diameter must lie between %g and %g mm", float64(geometry.LeastDiameter), float64(geometry.MostDiameter))
	depthOfDomain    = fmt.Sprintf("the depth at most at %g mm", float64(geometry.MostDepth))
	lineOfDomain     = "the closure line at " + geometry.DomainOfLine + " of the diameter from the anterior hinge"
)
