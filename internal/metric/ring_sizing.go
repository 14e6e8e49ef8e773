package metric

import (
	"cmp"
	"math"
	"slices"

	"trigone/internal/geometry"
	"trigone/internal/haemo"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// The ids of this file.
const (
	IDIndexedRingOrifice    = "indexed_ring_orifice_area"
	IDEffectiveRingOrifice  = "ring_effective_orifice_estimate"
	IDExpectedGradient      = "expected_mean_gradient"
	IDDiameterReduction     = "antero_posterior_diameter_reduction"
	IDBandLengthByTrigones  = "band_length_by_intertrigonal_distance"
	IDLabelByLeafletArea    = "ring_label_by_anterior_leaflet_area"
	IDLabelByAnteriorHeight = "ring_label_by_anterior_height"
	IDLabelByTrigones       = "ring_label_by_intertrigonal_distance"
	labelGrid               = 0.5
	noRingTable             = "not computable: the site's policy holds no ring table; a label means nothing outside its family"
)

var ringInputs = []valve.ID{valve.RingOrificeArea, valve.RingInnerAnteroPosteriorDiameter, valve.RingInnerTransverseDiameter}

var ringSizingMetrics = []Metric{
	{
		ID: IDIndexedRingOrifice, Name: "inner orifice area of a complete ring per body surface (square-root formula)",
		Unit: units.MM2PerM2, Grid: 1, Formula: "ring orifice / body surface; reported, not judged",
		Inputs: slices.Concat(ringInputs, bodySurfaceInputs), Source: settings.SourceDoi2014, Since: "2",
		Where:   atSteps(repair.Annuloplasty),
		Compute: func(r *Reader) float64 { return float64(haemo.IndexedArea(ringOrifice(r), bodySurface(r))) },
	},
	{
		ID: IDEffectiveRingOrifice, Name: "effective orifice of the valve within a ring, estimated",
		Unit: units.CM2, Grid: 0.01,
		Formula: "0.36 · √(4.87 cm2 · A), A the inner orifice of a complete ring, or the orifice given of a band, which has 1.07 times as much; for 3.0 to 7.2 cm2, above as at 7.2; ± 25 %",
		Inputs:  ringInputs, Source: settings.SourceOwnModel, Since: "2",
		Where:   atSteps(repair.Annuloplasty),
		Compute: func(r *Reader) float64 { return float64(effectiveOrifice(r, r.At(), stepAt(r))) },
	},
	{
		ID: IDExpectedGradient, Name: "mean Doppler gradient to expect across the ring, from flow and rate",
		Unit: units.MMHg, Grid: 0.1, High: plausible(valve.MeanGradient).High,
		Formula: "4 · 1.3 · (Q / (100 · EOA))², Q forward stroke volume / filling time at the rate, EOA estimated from the ring; interval: 2.3 times less and more, as gradients after a repair spread between patients; refused without a rate",
		Inputs:  slices.Concat(ringInputs, []valve.ID{valve.CardiacOutput, valve.OutflowTractDiameter, valve.OutflowTractVelocityTimeIntegral, valve.HeartRate, valve.GradientHeartRate}),
		Source:  settings.SourceOwnModel, Since: "2",
		Where:   whereExpectedGradient,
		Compute: expectedGradient,
	},
	{
		ID: IDDiameterReduction, Name: "shortening of the antero-posterior diameter by a complete ring",
		Unit: units.Percent, Grid: 0.1, Signed: true,
		Formula: "100 · (1 − inner antero-posterior diameter of the ring / native antero-posterior diameter); no published cut-off: reported, not judged",
		Inputs:  []valve.ID{valve.RingInnerAnteroPosteriorDiameter, valve.AnnulusAnteroPosteriorDiameter}, Source: settings.SourceArithmetic, Since: "2",
		Where: atSteps(repair.Annuloplasty),
		Compute: func(r *Reader) float64 {
			step := stepAt(r)
			if !completeRing(r, step) {
				return nan
			}
			native := units.Length(r.Read(r.memo.native(r.c, valve.AnnulusAnteroPosteriorDiameter, r.At().Occasion == valve.AtPlan)))
			return float64(geometry.DiameterReduction(native, ringAnteroPosterior(r, r.At(), step)))
		},
	},
	{
		ID: IDBandLengthByTrigones, Name: "length of the posterior annulus that belongs to the intertrigonal distance",
		Unit: units.MM, Grid: 0.1, Formula: "3.33 · intertrigonal distance", Inputs: []valve.ID{valve.IntertrigonalDistance},
		Source: settings.SourceTrigones2007, Since: "2", Where: inStudies(valve.IntertrigonalDistance),
		Compute: func(r *Reader) float64 {
			return float64(geometry.PosteriorArcOfTrigones(IntertrigonalDistance.Of(r)))
		},
	},
	{
		ID: IDLabelByLeafletArea, Name: "label of the ring's family by the area of the anterior leaflet",
		Unit: units.One, Grid: labelGrid, Steps: true,
		Formula: "label of the site's ring table whose range holds the native anterior leaflet area; a reading of the table, no advice",
		Inputs:  []valve.ID{valve.AnteriorLeafletArea}, Source: settings.SourceSitePolicy, Since: "2",
		Where: whereSized(valve.AnteriorLeafletArea),
		Compute: func(r *Reader) float64 {
			k := r.memo.native(r.c, valve.AnteriorLeafletArea, r.At().Occasion == valve.AtPlan)
			return labelBy(r, k, settings.RingSize.AnteriorLeafletAreaCM2)
		},
	},
	{
		ID: IDLabelByAnteriorHeight, Name: "label of the ring's family by the height of A2",
		Unit: units.One, Grid: labelGrid, Steps: true,
		Formula: "label of the site's ring table whose range holds the native height of A2; a reading of the table, no advice",
		Inputs:  []valve.ID{valve.LeafletHeight}, Source: settings.SourceSitePolicy, Since: "2",
		Where: whereSized(valve.LeafletHeight),
		Compute: func(r *Reader) float64 {
			k := r.memo.nativeAtPlace(r.c, valve.LeafletHeight, valve.AtStation(valve.A2, valve.SegmentMid), r.At().Occasion == valve.AtPlan)
			return labelBy(r, k, settings.RingSize.AnteriorHeightMM)
		},
	},
	{
		ID: IDLabelByTrigones, Name: "label of the ring's family by the intertrigonal distance",
		Unit: units.One, Grid: labelGrid, Steps: true,
		Formula: "label of the site's ring table whose range holds the native intertrigonal distance; a reading of the table, no advice",
		Inputs:  []valve.ID{valve.IntertrigonalDistance}, Source: settings.SourceSitePolicy, Since: "2",
		Where: whereSized(valve.IntertrigonalDistance),
		Compute: func(r *Reader) float64 {
			k := r.memo.native(r.c, valve.IntertrigonalDistance, r.At().Occasion == valve.AtPlan)
			return labelBy(r, k, settings.RingSize.IntertrigonalMM)
		},
	},
}

// effectiveOrifice estimates the effective orifice within a ring or band. Below the
// rings that the estimate was made from it says nothing: carried on downwards it
// would promise a smaller ring too low a gradient.
func effectiveOrifice(r *Reader, at At, step *repair.Step) units.Area {
	given := dimensionKey(at, valve.RingOrificeArea)
	band := step != nil && step.Ring != nil && step.Ring.Kind == repair.PosteriorBand && r.Has(given)
	var inner units.Area
	if band {
		inner = units.Area(r.Read(given))
	} else {
		inner = orificeOf(r, at, step)
	}
	if inner < haemo.SmallestRingOrifice && !r.probe {
		r.DoesNotApply("the orifice of " + areaText(inner) + " is smaller than those the estimate was made from, " + areaText(haemo.SmallestRingOrifice) + " and more; a smaller ring lets less through")
		return units.Area(nan)
	}
	if most := units.Area(plausible(valve.RingOrificeArea).High); inner > most && !r.probe {
		r.DoesNotApply("an orifice of " + areaText(inner) + " is none of a ring: check its dimensions")
		return units.Area(nan)
	}
	if inner > haemo.LargestRingOrifice {
		r.Explain("the orifice of " + areaText(inner) + " is larger than those the estimate was made from; taken as " + areaText(haemo.LargestRingOrifice))
	}
	orifice := haemo.EffectiveRingOrifice(inner)
	if band {
		r.Explain("a band with a given orifice: gradients of bands were a little lower than those of rings")
		orifice = haemo.EffectiveBandOrifice(inner)
	}
	r.ModelSD(float64(orifice.Scaled(haemo.EffectiveShareError)))
	return orifice
}

func areaText(a units.Area) string { return units.Format(float64(a), units.CM2, areaGrid) }

// ringAnteroPosterior gives the inner antero-posterior diameter of a complete
// ring: as recorded, else by its label from the site's table.
func ringAnteroPosterior(r *Reader, at At, step *repair.Step) units.Length {
	k := dimensionKey(at, valve.RingInnerAnteroPosteriorDiameter)
	if size, ok := tableSize(r, step); ok && !r.Has(k) {
		if d, known := size.InnerAnteroPosteriorMM.Get(); known {
			r.Explain("inner antero-posterior diameter from the site's ring table, by label")
			return units.Length(d)
		}
	}
	return units.Length(r.Read(k))
}

// whereExpectedGradient gives the planned rings where an assessment holds
// anything of the flow, and the studies after the operation that do so with a
// gradient.
func whereExpectedGradient(c *repair.Case) []At {
	var list []At
	if len(nativeFlow(c)) > 0 {
		for _, at := range atSteps(repair.Annuloplasty)(c) {
			if at.Occasion == valve.AtPlan {
				list = append(list, at)
			}
		}
	}
	if c.Operation == nil || c.Operation.Converted() {
		return list
	}
	for _, at := range inStudiesWith(c, []valve.ID{valve.MeanGradient, valve.GradientHeartRate}, []valve.ID{valve.CardiacOutput, valve.OutflowTractVelocityTimeIntegral}) {
		if c.StudyAt(at.Occasion).Kind != repair.Assessment && ringInPlace(ringMoment(c, at).steps(c)) != nil {
			list = append(list, at)
		}
	}
	return list
}

// ringMoment gives the state of the valve that a study after the operation saw.
func ringMoment(c *repair.Case, at At) moment {
	if at.Run > 0 {
		return moment{run: at.Run}
	}
	return moment{run: max(c.Operation.LastRun(), 1)}
}

// nativeFlow gives the assessments with anything of the forward flow, newest
// first, those that the plan rests on before others.
func nativeFlow(c *repair.Case) []valve.Occasion {
	var list []valve.Occasion
	assessments := newestFirst(c)
	if c.Plan != nil {
		slices.SortStableFunc(assessments, func(a, b *repair.Study) int {
			return -compareBool(restsOn(c.Plan, a), restsOn(c.Plan, b))
		})
	}
	for _, s := range assessments {
		if slices.ContainsFunc([]valve.ID{valve.CardiacOutput, valve.OutflowTractVelocityTimeIntegral}, func(leaf valve.ID) bool {
			return recorded(c, valve.Key{ID: leaf, Occasion: s.Occasion, Role: valve.Measured})
		}) {
			list = append(list, s.Occasion)
		}
	}
	return list
}

func expectedGradient(r *Reader) float64 {
	at := r.At()
	o, ringAt, step := at.Occasion, at, (*repair.Step)(nil)
	if at.Occasion == valve.AtPlan {
		flows := nativeFlow(r.c)
		if len(flows) == 0 {
			r.Miss(OutflowTractVelocityTimeIntegral.Key(valve.Nowhere, "assessment", valve.Measured))
			return nan
		}
		o, step = flows[0], stepAt(r)
		r.Explain("forward flow and rate of " + string(o) + ", before the operation; what still leaks after the repair is not added")
	} else {
		if step = ringInPlace(ringMoment(r.c, at).steps(r.c)); step == nil {
			r.DoesNotApply("there is no ring")
			return nan
		}
		ringAt = At{Place: valve.AtStep(step.ID), Occasion: valve.AtOperation}
		r.Explain("what still leaks is not added to the forward flow")
	}
	rateLeaf := valve.GradientHeartRate
	if !r.Has(valve.Key{ID: rateLeaf, Occasion: o, Role: valve.Measured}) && r.Has(valve.Key{ID: valve.HeartRate, Occasion: o, Role: valve.Measured}) {
		rateLeaf = valve.HeartRate
	}
	flow := fillingFlow(r, o, rateLeaf)
	expected := haemo.MeanDopplerGradientFromFlow(flow, effectiveOrifice(r, ringAt, step))
	if r.notApplicable {
		return nan
	}
	if most := units.Pressure(plausible(valve.MeanGradient).High); expected > most {
		r.DoesNotApply("flow and rate would give " + units.Format(float64(expected), units.MMHg, 0.1) + " across this ring, more than is plausible after a repair: check output, rate and the ring's dimensions")
		return nan
	}
	low, high := haemo.GradientRange(expected)
	r.Between(float64(low), float64(high))
	r.Explain("a range, not advice: gradients after a repair spread by 45 % of their mean between patients; the filling time is estimated from the rate")
	return float64(expected)
}

// whereSized gives the rings where the measure that sizes them was taken.
func whereSized(leaf valve.ID) func(*repair.Case) []At {
	return func(c *repair.Case) []At {
		for k := range c.Measured {
			anterior := k.ID != valve.LeafletHeight || k.Place == valve.AtStation(valve.A2, valve.SegmentMid)
			if k.ID == leaf && k.Role == valve.Measured && anterior {
				return atSteps(repair.Annuloplasty)(c)
			}
		}
		return nil
	}
}

// labelBy reads the site's ring table: the label of the step's family whose range
// holds a native measure. Where several do, the one whose range lies nearest
// around it; all are told.
func labelBy(r *Reader, k valve.Key, property func(settings.RingSize) settings.Range) float64 {
	step := stepAt(r)
	measured := r.Read(k)
	switch {
	case len(r.s.Rings) == 0:
		r.Refuse(noRingTable)
		return nan
	case step == nil || step.Ring == nil || step.Ring.FamilyKey == "":
		r.Refuse("the ring's family is not recorded; a label means nothing outside its family")
		return nan
	}
	var fitting []settings.RingSize
	given := false
	for _, size := range r.s.RingFamily(step.Ring.FamilyKey) {
		span := property(size)
		given = given || span.Given()
		if span.Holds(measured) {
			fitting = append(fitting, size)
		}
	}
	switch {
	case !given:
		r.Refuse("not computable: the site's ring table gives no such range for this family")
		return nan
	case math.IsNaN(measured):
		return nan
	case len(fitting) == 0:
		r.Refuse("no label of this family is made for this measure, by the site's ring table")
		return nan
	}
	if len(fitting) > 1 {
		labels := make([]string, len(fitting))
		for i, size := range fitting {
			labels[i] = units.FormatNumber(size.Label, labelGrid)
		}
		r.Explain("the ranges of labels " + words.And(labels) + " hold the measure; that of the nearest middle is given")
	}
	return slices.MinFunc(fitting, func(a, b settings.RingSize) int {
		return cmp.Compare(fromMiddle(property(a), measured), fromMiddle(property(b), measured))
	}).Label
}

// fromMiddle gives how far a value lies from the middle of a range; from the end
// that there is, where the other is open.
func fromMiddle(s settings.Range, v float64) float64 {
	low, hasLow := s.Low.Get()
	high, hasHigh := s.High.Get()
	switch {
	case hasLow && hasHigh:
		return math.Abs(v - (low+high)/2)
	case hasLow:
		return math.Abs(v - low)
	}
	return math.Abs(v - high)
}
