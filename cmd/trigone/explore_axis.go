package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/metric"
	"trigone/internal/render"
	"trigone/internal/units"
	trigonev1 "trigone/proto/trigone/v1"
)

// ringWord names the only planned ring.
const ringWord = "ring"

// mostRings is how many rings one axis takes.
const mostRings = 10000

// What is varied where no axis is named, in mm.
const (
	defaultRingReach = 2.0
	defaultStep      = convert.VariedStepMM
)

// axisFlag is an axis as the caller named it.
type axisFlag struct {
	text   string // WHAT=VALUES
	what   string // segment, step or ring
	part   string // station, edge or side; may be empty
	values string
}

func (f axisFlag) refuse(format string, args ...any) error {
	return usagef("--axis %s: %s", f.text, fmt.Sprintf(format, args...))
}

// parseAxes reads what can be read without the plan.
func parseAxes(list []string) ([]axisFlag, error) {
	var axes []axisFlag
	for _, text := range list {
		what, values, found := strings.Cut(text, "=")
		f := axisFlag{text: text, values: strings.TrimSpace(values)}
		f.what, f.part, _ = strings.Cut(strings.TrimSpace(what), "/")
		if !found || f.what == "" || f.values == "" {
			return nil, f.refuse("an axis is WHAT=VALUES, such as p2=14:20:1 or ring=24:28:1")
		}
		axes = append(axes, f)
	}
	return axes, nil
}

// resolve turns an axis into the request's, of the kind that the plan gives it.
func (f axisFlag) resolve(plan *trigonev1.Plan) (*trigonev1.ExploredAxis, error) {
	if s := convert.Enum[trigonev1.Segment](f.what); s != 0 {
		return f.height(s)
	}
	if f.what == ringWord && f.part == "" {
		return f.ring("")
	}
	id := strings.TrimPrefix(f.what, "step:")
	i := slices.IndexFunc(plan.GetSteps(), func(s *trigonev1.PlannedStep) bool { return s.GetId() == id })
	if i < 0 {
		return nil, f.refuse("the plan has no step %q; name a segment, a1 to p3, ring, or a step of the plan: %s", id, steps(plan))
	}
	switch plan.GetSteps()[i].GetTechnique().GetKind().(type) {
	case *trigonev1.Technique_LeafletResection:
		axis := &trigonev1.ResectionWidthAxis{StepId: id}
		if axis.Edge = convert.Enum[trigonev1.ResectionEdge](f.part); axis.Edge == 0 && f.part != "" {
			return nil, f.refuse("%q is no edge of a resection; use free_edge, base or both", f.part)
		}
		var err error
		axis.Range, err = f.lengths()
		return &trigonev1.ExploredAxis{Kind: &trigonev1.ExploredAxis_ResectionWidth{ResectionWidth: axis}}, err
	case *trigonev1.Technique_SlidingPlasty:
		axis := &trigonev1.SlidingAdvanceAxis{StepId: id, Side: convert.Enum[trigonev1.Side](f.part)}
		if axis.Side == 0 {
			return nil, f.refuse("%q is no side of a sliding plasty; use %s/lateral or %s/medial", f.part, f.what, f.what)
		}
		var err error
		axis.Range, err = f.lengths()
		return &trigonev1.ExploredAxis{Kind: &trigonev1.ExploredAxis_SlidingAdvance{SlidingAdvance: axis}}, err
	case *trigonev1.Technique_ArtificialChord:
		lengths, err := f.whole()
		return &trigonev1.ExploredAxis{Kind: &trigonev1.ExploredAxis_ArtificialChordLength{
			ArtificialChordLength: &trigonev1.ChordLengthAxis{StepId: id, Range: lengths},
		}}, err
	case *trigonev1.Technique_Annuloplasty:
		if f.part != "" {
			return nil, f.refuse("a ring has no part %q; it is varied as a whole", f.part)
		}
		return f.ring(id)
	}
	return nil, f.refuse("the step has no dimension that can be varied; those of resections, sliding plasties, artificial chords and rings can")
}

// steps lists the steps that have something to vary.
func steps(plan *trigonev1.Plan) string {
	var list []string
	for _, s := range plan.GetSteps() {
		switch s.GetTechnique().GetKind().(type) {
		case *trigonev1.Technique_LeafletResection, *trigonev1.Technique_SlidingPlasty, *trigonev1.Technique_ArtificialChord, *trigonev1.Technique_Annuloplasty:
			list = append(list, s.GetId())
		}
	}
	if len(list) == 0 {
		return "it has none with a dimension to vary"
	}
	return strings.Join(list, ", ")
}

func (f axisFlag) height(s trigonev1.Segment) (*trigonev1.ExploredAxis, error) {
	axis := &trigonev1.HeightAxis{Segment: s, Station: convert.Enum[trigonev1.Station](f.part)}
	if f.part != "" && axis.Station == 0 {
		return nil, f.refuse("%q is no station of a segment; use segment_mid, seam, seam_lateral_edge or seam_medial_edge", f.part)
	}
	var err error
	axis.Range, err = f.lengths()
	return &trigonev1.ExploredAxis{Kind: &trigonev1.ExploredAxis_LeafletHeight{LeafletHeight: axis}}, err
}

// whole reads lengths of something that has no parts.
func (f axisFlag) whole() (*trigonev1.LengthGrid, error) {
	if f.part != "" {
		return nil, f.refuse("artificial chords have no part %q; they are varied as a whole", f.part)
	}
	return f.lengths()
}

// lengths reads FROM:TO:STEP, FROM:TO or one length.
func (f axisFlag) lengths() (*trigonev1.LengthGrid, error) {
	parts := strings.Split(f.values, ":")
	if len(parts) > 3 {
		return nil, f.refuse("a range is FROM:TO:STEP, not %q", f.values)
	}
	var numbers []float64
	for _, p := range parts {
		v, err := f.number(p)
		if err != nil {
			return nil, err
		}
		numbers = append(numbers, v)
	}
	from, to, step := numbers[0], numbers[0], defaultStep
	if len(numbers) > 1 {
		to = numbers[1]
	}
	if len(numbers) > 2 {
		step = numbers[2]
	}
	switch {
	case to < from:
		return nil, f.refuse("the range ends at %g mm, below its beginning at %g mm", to, from)
	case step <= 0:
		return nil, f.refuse("the step is %g mm; it must be above 0", step)
	}
	return &trigonev1.LengthGrid{MinMm: &from, MaxMm: &to, StepMm: &step}, nil
}

func (f axisFlag) number(s string) (float64, error) {
	v, err := strconv.ParseFloat(strings.TrimSpace(s), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, f.refuse("%q is no length; give a number of mm with a decimal point, such as 14.5", s)
	}
	if v < 0 {
		return 0, f.refuse("%g mm is no length; it must not be below 0", v)
	}
	return v, nil
}

// ring reads a range of diameters, diameters with the transverse one, or sizes of
// the site's ring table.
func (f axisFlag) ring(step string) (*trigonev1.ExploredAxis, error) {
	axis := &trigonev1.RingAxis{StepId: step}
	made := &trigonev1.ExploredAxis{Kind: &trigonev1.ExploredAxis_Ring{Ring: axis}}
	if strings.Contains(f.values, ":") {
		r, err := f.lengths()
		if err != nil {
			return nil, err
		}
		// The last diameter belongs to it although three steps of 0.1 are not 0.3.
		n := math.Floor((r.GetMaxMm()-r.GetMinMm())/r.GetStepMm()+1e-9) + 1
		if n > mostRings {
			return nil, f.refuse("gives %.0f rings, more than the %d that one axis takes; take longer steps", n, mostRings)
		}
		for i := range int(n) {
			mm := units.Round(r.GetMinMm()+float64(i)*r.GetStepMm(), 1e-6)
			axis.Dimensions = append(axis.Dimensions, &trigonev1.RingDimensions{InnerAnteroPosteriorMm: &mm})
		}
		return made, nil
	}
	for _, one := range strings.Split(f.values, ",") {
		one = strings.TrimSpace(one)
		family, label, labelled := strings.Cut(one, "/")
		antero, transverse, both := strings.Cut(one, "x")
		_, err := strconv.ParseFloat(antero, 64)
		switch {
		case one == "" || family == "":
			return nil, f.refuse("a ring in the list is empty; parted by commas, give diameters, diameters as 24x31, or FAMILY/LABEL")
		case err == nil:
			d := &trigonev1.RingDimensions{}
			v, err := f.number(antero)
			if err != nil {
				return nil, err
			}
			d.InnerAnteroPosteriorMm = &v
			if both {
				across, err := f.number(transverse)
				if err != nil {
					return nil, err
				}
				d.InnerTransverseMm = &across
			}
			axis.Dimensions = append(axis.Dimensions, d)
		default:
			size := &trigonev1.RingSizeChoice{FamilyKey: family}
			if labelled {
				v, err := strconv.ParseFloat(label, 64)
				if err != nil {
					return nil, f.refuse("%q is no label; a label is a number", label)
				}
				size.Label = proto.Float64(v)
			}
			axis.Sizes = append(axis.Sizes, size)
		}
	}
	if len(axis.Sizes) > 0 && len(axis.Dimensions) > 0 {
		return nil, f.refuse("mixes diameters and families; give one of the two")
	}
	return made, nil
}

// defaultAxes are what is varied where no axis is named: the final height of P2,
// and the planned ring.
func defaultAxes(ctx context.Context, e explorer, first *trigonev1.Evaluation) ([]axisFlag, error) {
	var list []string
	for _, m := range first.GetMetrics() {
		if m.GetMetric() == metric.IDFinalPosteriorHeight && m.GetOccasion() == "plan" && m.GetPlace() == "p2" && m.Value != nil {
			list = append(list, "p2="+around(m.GetValue(), convert.HeightReachMM))
		}
	}
	var rings []*trigonev1.PlannedStep
	for _, s := range e.plan.GetSteps() {
		if s.GetTechnique().GetAnnuloplasty() != nil {
			rings = append(rings, s)
		}
	}
	if len(rings) == 1 {
		values, err := defaultRing(ctx, e, rings[0].GetTechnique().GetAnnuloplasty())
		if err != nil {
			return nil, err
		}
		if values != "" {
			list = append(list, "step:"+rings[0].GetId()+"="+values)
		}
	}
	if len(list) == 0 {
		return nil, usagef("the plan gives neither a final height of P2 nor one ring with a known diameter to vary; name a dimension with --axis, such as --axis p2=12:18:1")
	}
	return parseAxes(list)
}

// defaultRing gives the values of the planned ring's axis; empty: there is nothing
// to go by.
func defaultRing(ctx context.Context, e explorer, ring *trigonev1.Annuloplasty) (string, error) {
	clinical, err := e.policy(ctx)
	if err != nil {
		return "", err
	}
	if ring.GetFamilyKey() != "" && len(clinical.Settings.RingFamily(ring.GetFamilyKey())) > 0 {
		return ring.GetFamilyKey(), nil
	}
	diameter := ring.GetRingInnerAnteroPosteriorDiameter()
	if ring.GetKind() != trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_COMPLETE_RING || diameter == nil || diameter.Mm == nil {
		return "", nil
	}
	return around(diameter.GetMm(), defaultRingReach), nil
}

// around gives a range that holds the middle itself.
func around(middle, reach float64) string {
	low, high := convert.Around(middle, reach)
	return fmt.Sprintf("%g:%g:%g", low, high, defaultStep)
}

// parseOrder reads METRIC[@PLACE][:desc].
func parseOrder(s string) (*trigonev1.VariantOrder, render.ExplorationOrder, error) {
	if s == "" {
		return nil, render.ExplorationOrder{}, nil
	}
	name, direction := s, ""
	// A place may hold a colon: step:{id}.
	if i := strings.LastIndexByte(s, ':'); i >= 0 && (!strings.Contains(s[:i], "@") || !strings.HasSuffix(s[:i], "@step")) {
		name, direction = s[:i], s[i+1:]
	}
	out := &trigonev1.VariantOrder{Direction: trigonev1.SortDirection_SORT_DIRECTION_ASCENDING}
	switch direction {
	case "", "asc":
	case "desc":
		out.Direction = trigonev1.SortDirection_SORT_DIRECTION_DESCENDING
	default:
		return nil, render.ExplorationOrder{}, usagef("--sort %s: %q is no direction; use asc or desc", s, direction)
	}
	out.Metric, out.Place, _ = strings.Cut(name, "@")
	if out.Metric == "" {
		return nil, render.ExplorationOrder{}, usagef("--sort %s names no metric; it is METRIC[@PLACE][:desc], such as predicted_mean_contact:desc", s)
	}
	return out, render.ExplorationOrder{
		Metric: out.Metric, Place: out.Place, Descending: out.GetDirection() == trigonev1.SortDirection_SORT_DIRECTION_DESCENDING,
	}, nil
}
