package convert

import (
	"trigone/internal/evaluate"
	"trigone/internal/explore"
	"trigone/internal/metric"
	"trigone/internal/rules"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// Exploration turns a request into the question that is asked of each variant.
// Like Case it takes whatever it is given.
func Exploration(req *trigonev1.ExplorePlansRequest) explore.Question {
	q := explore.Question{Most: int(req.GetMaxVariants()), Metrics: texts[valve.ID](req.GetMetrics())}
	for _, a := range req.GetAxes() {
		q.Axes = append(q.Axes, exploredAxis(a))
	}
	if o := req.GetSortBy(); o != nil {
		q.Order = &explore.Order{Metric: valve.ID(o.GetMetric()), Place: valve.Place(o.GetPlace()), Direction: Word(o.GetDirection())}
	}
	return q
}

func exploredAxis(a *trigonev1.ExploredAxis) explore.Axis {
	switch k := a.GetKind().(type) {
	case *trigonev1.ExploredAxis_LeafletHeight:
		h := k.LeafletHeight
		return explore.Axis{
			Kind: explore.LeafletHeight, Segment: segment(h.GetSegment()), Station: valve.Station(Word(h.GetStation())), Range: lengthGrid(h.GetRange()),
		}
	case *trigonev1.ExploredAxis_ResectionWidth:
		r := k.ResectionWidth
		return explore.Axis{Kind: explore.ResectionWidth, StepID: r.GetStepId(), Edge: Word(r.GetEdge()), Range: lengthGrid(r.GetRange())}
	case *trigonev1.ExploredAxis_SlidingAdvance:
		s := k.SlidingAdvance
		return explore.Axis{Kind: explore.SlidingAdvance, StepID: s.GetStepId(), Side: valve.Side(Word(s.GetSide())), Range: lengthGrid(s.GetRange())}
	case *trigonev1.ExploredAxis_ArtificialChordLength:
		c := k.ArtificialChordLength
		return explore.Axis{Kind: explore.ChordLength, StepID: c.GetStepId(), Range: lengthGrid(c.GetRange())}
	case *trigonev1.ExploredAxis_Ring:
		out := explore.Axis{Kind: explore.Ring, StepID: k.Ring.GetStepId()}
		for _, s := range k.Ring.GetSizes() {
			out.Sizes = append(out.Sizes, explore.Size{Family: s.GetFamilyKey(), Label: maybeFloat(orEmpty(s).Label)})
		}
		for _, d := range k.Ring.GetDimensions() {
			d = orEmpty(d)
			out.Dimensions = append(out.Dimensions, explore.Dimensions{
				AnteroPosteriorMM: maybeFloat(d.InnerAnteroPosteriorMm), TransverseMM: maybeFloat(d.InnerTransverseMm), OrificeCM2: maybeFloat(d.OrificeAreaCm2),
			})
		}
		return out
	}
	return explore.Axis{}
}

func lengthGrid(g *trigonev1.LengthGrid) explore.Range {
	g = orEmpty(g)
	return explore.Range{Min: maybeFloat(g.MinMm), Max: maybeFloat(g.MaxMm), Step: maybeFloat(g.StepMm)}
}

// ExplorationBasis turns what variants are made from into its message; sections,
// versions of policy and software are the caller's to fill in.
func ExplorationBasis(e *explore.Exploration) *trigonev1.ExplorationBasis {
	calibrations := evaluate.Calibrations(e.Plan.Metrics, func(m explore.Metric) string { return m.Calibration })
	out := &trigonev1.ExplorationBasis{
		CalibrationId: calibrations, Plan: PlanVariant(e.Plan), Remarks: e.Remarks, CatalogueVersion: metric.CatalogueVersion, RuleSetVersion: rules.SetVersion,
		Caution: evaluate.CautionUnder(calibrations),
	}
	for _, a := range e.Axes {
		out.Axes = append(out.Axes, &trigonev1.AxisDescription{Leaves: texts[string](a.Leaves), Place: string(a.Place), Count: int32(a.Count)})
	}
	for _, f := range e.Beside {
		out.FindingsBesidePlan = append(out.FindingsBesidePlan, finding(f))
	}
	return out
}

// PlanVariant turns a variant into its message.
func PlanVariant(v explore.Variant) *trigonev1.PlanVariant {
	out := &trigonev1.PlanVariant{RulesNotEvaluable: v.NotEvaluable}
	if v.Index >= 0 {
		index := int32(v.Index)
		out.Index = &index
	}
	for _, value := range v.Values {
		a := &trigonev1.AxisValue{Mm: pointer(value.MM)}
		if r := value.Ring; r != nil {
			a.Ring = &trigonev1.ExploredRing{
				FamilyKey: r.Family, Label: pointer(r.Label), Kind: Enum[trigonev1.AnnuloplastyKind](r.Kind),
				InnerAnteroPosteriorMm: pointer(r.AnteroPosteriorMM), InnerTransverseMm: pointer(r.TransverseMM),
				OrificeAreaCm2: pointer(r.OrificeCM2), BandLengthMm: pointer(r.BandLengthMM),
			}
		}
		out.Values = append(out.Values, a)
	}
	for _, m := range v.Metrics {
		unit, _, _ := metric.Describe(m.Key.ID)
		told := &trigonev1.VariantMetric{
			Metric: string(m.Key.ID), Place: string(m.Key.Place), Role: Enum[trigonev1.MetricRole](string(m.Key.Role)),
			State: Enum[trigonev1.MetricState](string(m.State)), Lower: pointer(m.Lower), Upper: pointer(m.Upper),
			Unit: unit.UCUM(), Explanation: m.Explanation,
		}
		if m.State == metric.HasValue {
			told.Value = &m.Value
		}
		out.Metrics = append(out.Metrics, told)
	}
	for _, f := range v.Findings {
		out.Findings = append(out.Findings, &trigonev1.VariantFinding{
			Rule: f.Rule, Severity: Enum[trigonev1.Severity](string(f.Severity)), Message: f.Message,
			Occasion: string(f.At.Occasion), Place: string(f.At.Place), Added: f.Added,
		})
	}
	return out
}
