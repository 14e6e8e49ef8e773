package explore_test

import (
	"cmp"
	"fmt"
	"math"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"trigone/internal/convert"
	"trigone/internal/evaluate"
	"trigone/internal/explore"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/rules"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// Everything here is invented. What is expected of a variant is what package
// evaluate says of the case file with the same values written into it.

// tried is the site's ring table: invented rings.
var tried = []settings.RingSize{
	{Family: "ring-family-a", Label: 30, Kind: repair.CompleteRing, InnerAnteroPosteriorMM: units.Some(24.0), InnerTransverseMM: units.Some(31.0), OrificeAreaCM2: units.Some(6.0)},
	{Family: "ring-family-a", Label: 32, Kind: repair.CompleteRing, InnerAnteroPosteriorMM: units.Some(25.5), InnerTransverseMM: units.Some(34.0), OrificeAreaCM2: units.Some(7.1)},
	{Family: "ring-family-a", Label: 34, Kind: repair.CompleteRing, InnerAnteroPosteriorMM: units.Some(27.0), InnerTransverseMM: units.Some(36.0)},
	{Family: "band-family-b", Label: 30, Kind: repair.PosteriorBand, BandLengthMM: units.Some(61.0)},
	{Family: "band-family-b", Label: 34, Kind: repair.PosteriorBand},
}

func site() settings.Settings {
	s := settings.BuiltIn("demo", "1", "UTC")
	s.Rings = tried
	return s
}

func record(f *trigonev1.CaseFile) convert.Record {
	rec := convert.Record{
		Identity: f.Identity, Assessments: f.Assessments, Plan: f.Plan, Operation: f.Operation, Results: f.Results, FollowUps: f.FollowUps,
	}
	day := time.Date(2026, 1, 5, 8, 0, 0, 0, time.UTC)
	if f.Plan != nil {
		rec.PlanRevision, rec.Plans = 1, []convert.PlanRevision{{Revision: 1, Received: day, Plan: f.Plan}}
	}
	if f.Operation != nil {
		rec.OperationReceived = day.AddDate(0, 3, 0)
	}
	return rec
}

func asked(f *trigonev1.CaseFile) evaluate.Input {
	return evaluate.Input{Case: convert.Case(record(f)), Settings: site()}
}

func read(t interface{ Fatal(...any) }, name string) *trigonev1.CaseFile {
	f, err := testdata.Read(testdata.Cases, name)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func span(low, high, step float64) explore.Range {
	return explore.Range{Min: units.Some(low), Max: units.Some(high), Step: units.Some(step)}
}

func mustNew(t interface{ Fatal(...any) }, in evaluate.Input, q explore.Question) *explore.Exploration {
	e, faults := explore.New(in, q)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return e
}

func all(e *explore.Exploration, workers int) []explore.Variant {
	var list []explore.Variant
	for _, v := range e.Variants(workers) {
		list = append(list, v)
	}
	return list
}

// axesOf gives every axis that a plan allows, with values drawn.
func axesOf(p *trigonev1.Plan, draw func(label string, low, high float64) float64) []explore.Axis {
	length := func(label string, low, high float64) explore.Range {
		a, b := draw(label+" from", low, high), draw(label+" to", low, high)
		return span(min(a, b), max(a, b), max((max(a, b)-min(a, b))/2, 0.1))
	}
	list := []explore.Axis{
		{Kind: explore.LeafletHeight, Segment: valve.P2, Range: length("p2", 5, 32)},
		{Kind: explore.LeafletHeight, Segment: valve.A2, Station: valve.SegmentMid, Range: length("a2", 15, 40)},
		{Kind: explore.LeafletHeight, Segment: valve.P1, Station: valve.SeamLateralEdge, Range: length("p1", 5, 25)},
	}
	for _, s := range p.GetSteps() {
		switch s.GetTechnique().GetKind().(type) {
		case *trigonev1.Technique_LeafletResection:
			for _, edge := range []string{explore.FreeEdge, explore.Base, explore.BothEdge} {
				list = append(list, explore.Axis{Kind: explore.ResectionWidth, StepID: s.GetId(), Edge: edge, Range: length("width", 0, 45)})
			}
		case *trigonev1.Technique_SlidingPlasty:
			list = append(list,
				explore.Axis{Kind: explore.SlidingAdvance, StepID: s.GetId(), Side: valve.Lateral, Range: length("lateral", 0, 20)},
				explore.Axis{Kind: explore.SlidingAdvance, StepID: s.GetId(), Side: valve.Medial, Range: length("medial", 0, 20)})
		case *trigonev1.Technique_ArtificialChord:
			list = append(list, explore.Axis{Kind: explore.ChordLength, StepID: s.GetId(), Range: length("chord", 5, 30)})
		case *trigonev1.Technique_Annuloplasty:
			list = append(list,
				explore.Axis{Kind: explore.Ring, StepID: s.GetId(), Sizes: []explore.Size{{Family: "ring-family-a"}, {Family: "band-family-b", Label: units.Some(30.0)}}})
			if s.GetTechnique().GetAnnuloplasty().GetKind() == trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_COMPLETE_RING {
				list = append(list, explore.Axis{Kind: explore.Ring, StepID: s.GetId(), Dimensions: []explore.Dimensions{
					{AnteroPosteriorMM: units.Some(draw("ring", 18, 36))},
					{AnteroPosteriorMM: units.Some(26.0), TransverseMM: units.Some(draw("across", 20, 44)), OrificeCM2: units.Some(draw("orifice", 3, 12))},
				}})
			}
		}
	}
	return list
}

// written writes the values of a variant into a copy of the case file, as its
// author would.
func written(f *trigonev1.CaseFile, axes []explore.Axis, v explore.Variant) *trigonev1.CaseFile {
	out := proto.CloneOf(f)
	plan := out.GetPlan()
	put := func(l **trigonev1.Length, mm float64) {
		if *l == nil {
			*l = &trigonev1.Length{}
		}
		(*l).Mm, (*l).AbsentReason = proto.Float64(mm), 0
	}
	device := func(m units.Maybe[float64]) *trigonev1.Length {
		if mm, ok := m.Get(); ok {
			return &trigonev1.Length{Mm: proto.Float64(mm)}
		}
		return nil
	}
	technique := func(id string) *trigonev1.Technique {
		i := slices.IndexFunc(plan.GetSteps(), func(s *trigonev1.PlannedStep) bool { return s.GetId() == id })
		return plan.GetSteps()[i].GetTechnique()
	}
	for i, a := range axes {
		mm, _ := v.Values[i].MM.Get()
		switch a.Kind {
		case explore.LeafletHeight:
			station := a.Station
			if station == "" {
				station = metric.PlannedStation(convert.Case(record(f)), a.Segment)
			}
			j := slices.IndexFunc(plan.GetPlannedHeights(), func(h *trigonev1.LeafletHeight) bool {
				have := valve.Station(convert.Word(h.GetStation()))
				return convert.Word(h.GetSegment()) == string(a.Segment) && (have == station || have == "" && station == valve.SegmentMid)
			})
			if j < 0 {
				plan.PlannedHeights = append(plan.PlannedHeights, &trigonev1.LeafletHeight{
					At:      &trigonev1.LeafletHeight_Segment{Segment: convert.Enum[trigonev1.Segment](string(a.Segment))},
					Station: convert.Enum[trigonev1.Station](string(station)),
				})
				j = len(plan.PlannedHeights) - 1
			}
			put(&plan.PlannedHeights[j].LeafletHeight, mm)
		case explore.ResectionWidth:
			r := technique(a.StepID).GetLeafletResection()
			if a.Edge != explore.Base {
				put(&r.ResectionFreeEdgeWidth, mm)
			}
			if a.Edge == explore.Base || a.Edge == explore.BothEdge {
				put(&r.ResectionBaseWidth, mm)
			}
		case explore.SlidingAdvance:
			s := technique(a.StepID).GetSlidingPlasty()
			side := &s.Lateral
			if a.Side == valve.Medial {
				side = &s.Medial
			}
			if *side == nil {
				*side = &trigonev1.SlidingSide{}
			}
			put(&(*side).SlidingAdvance, mm)
		case explore.ChordLength:
			put(&technique(a.StepID).GetArtificialChord().ArtificialChordLength, mm)
		case explore.Ring:
			r, ring := technique(a.StepID).GetAnnuloplasty(), v.Values[i].Ring
			if r.GetFamilyKey() != ring.Family || ring.Family == "" {
				r.Rigidity = 0
			}
			r.Kind, r.FamilyKey = convert.Enum[trigonev1.AnnuloplastyKind](ring.Kind), ring.Family
			r.PlannedLabelMin, r.PlannedLabelMax = nil, nil
			if label, ok := ring.Label.Get(); ok {
				r.PlannedLabelMin, r.PlannedLabelMax = proto.Float64(label), proto.Float64(label)
			}
			r.RingInnerAnteroPosteriorDiameter, r.RingInnerTransverseDiameter = device(ring.AnteroPosteriorMM), device(ring.TransverseMM)
			r.RingOrificeArea, r.BandLength = nil, device(ring.BandLengthMM)
			if cm2, ok := ring.OrificeCM2.Get(); ok {
				r.RingOrificeArea = &trigonev1.Area{Cm2: proto.Float64(cm2)}
			}
		}
	}
	return out
}

// said is what package evaluate says of a case file, as far as a variant tells it.
func said(in evaluate.Input, metrics []valve.ID) ([]explore.Metric, []string, map[string]bool) {
	e := evaluate.Evaluate(in)
	var values []explore.Metric
	for _, v := range e.Metrics {
		if v.Key.Occasion != valve.AtPlan || !slices.Contains(metrics, v.Key.ID) {
			continue
		}
		m := explore.Metric{Key: v.Key, State: v.State, Calibration: v.Calibration}
		if v.State == metric.HasValue {
			m.Value, m.Lower, m.Upper = v.Value, v.Lower, v.Upper
		}
		values = append(values, m)
	}
	gaps := map[string]bool{}
	for _, g := range e.Gaps {
		gaps[fmt.Sprint(g.Rule, g.At)] = true
	}
	var findings []string
	for _, f := range e.Findings {
		findings = append(findings, findingText(f.Rule, f.Severity, f.Message, f.At))
	}
	slices.Sort(findings)
	return values, findings, gaps
}

func findingText(rule string, s rules.Severity, message string, at metric.At) string {
	return fmt.Sprint(rule, " ", s, " ", at, ": ", message)
}

// planMetrics are all metrics that speak of a plan.
func planMetrics(in evaluate.Input) []valve.ID {
	var ids []valve.ID
	for _, v := range metric.Compute(in.Case, in.Settings) {
		if v.Key.Occasion == valve.AtPlan && !slices.Contains(ids, v.Key.ID) {
			ids = append(ids, v.Key.ID)
		}
	}
	return ids
}

func withPlan(t interface{ Fatal(...any) }) []string {
	return slices.DeleteFunc(testdata.Names(testdata.Cases), func(n string) bool { return read(t, n).GetPlan() == nil })
}

func notRing(s *trigonev1.PlannedStep) int {
	if s.GetTechnique().GetAnnuloplasty() != nil {
		return 0
	}
	return 1
}

// A variant is what evaluating the case file one by one would say: the same
// metrics, the same findings, and the rules that cannot be judged.
func TestVariantsAreWhatEvaluationSays(t *testing.T) {
	names := withPlan(t)
	rapid.Check(t, func(t *rapid.T) {
		f := read(t, rapid.SampledFrom(names).Draw(t, "case"))
		if rapid.Bool().Draw(t, "the ring is the first step") {
			slices.SortStableFunc(f.GetPlan().GetSteps(), func(a, b *trigonev1.PlannedStep) int {
				return cmp.Compare(notRing(a), notRing(b))
			})
		}
		if rapid.Bool().Draw(t, "before the operation") {
			f.Operation, f.Results, f.FollowUps = nil, nil, nil
		}
		if rapid.Bool().Draw(t, "with a contradiction of its own") && len(f.Assessments) > 0 {
			// A perimeter too short for its area: arithmetic.
			s := f.Assessments[0].GetStudy()
			if s.Annulus == nil {
				s.Annulus = &trigonev1.Annulus{}
			}
			s.Annulus.AnnulusArea, s.Annulus.AnnulusPerimeter = &trigonev1.Area{Cm2: proto.Float64(14)}, &trigonev1.Length{Mm: proto.Float64(60)}
		}
		in := asked(f)
		possible := axesOf(f.GetPlan(), func(label string, low, high float64) float64 {
			return float64(rapid.IntRange(int(low*2), int(high*2)).Draw(t, label)) / 2
		})
		axes := rapid.SliceOfNDistinct(rapid.SampledFrom(possible), 1, min(3, len(possible)), axisKey).Draw(t, "axes")
		q := explore.Question{Axes: axes, Metrics: planMetrics(in)}
		e, faults := explore.New(in, q)
		if len(faults) > 0 {
			t.Fatal(faults)
		}
		base, findings, before := said(in, q.Metrics)
		if !same(t, e, e.Plan, base, findings) {
			t.Fatal("the plan as it is differs")
		}
		list := all(e, 1)
		for range min(3, len(list)) {
			v := list[rapid.IntRange(0, len(list)-1).Draw(t, "variant")]
			changed := asked(written(f, axes, v))
			values, findings, gaps := said(changed, q.Metrics)
			if !same(t, e, v, values, findings) {
				t.Fatalf("variant %d differs", v.Index)
			}
			var want []string
			for _, g := range evaluate.Evaluate(changed).Gaps {
				if !before[fmt.Sprint(g.Rule, g.At)] && !slices.Contains(want, g.Rule) {
					want = append(want, g.Rule)
				}
			}
			slices.Sort(want)
			if !slices.Equal(want, v.NotEvaluable) {
				t.Fatalf("variant %d: not evaluable are %v of %d gaps, told are %v", v.Index, want, len(gaps), v.NotEvaluable)
			}
		}
	})
}

// axisKey tells axes apart by what they set; the edges of a resection overlap.
func axisKey(a explore.Axis) string { return fmt.Sprint(a.Kind, a.StepID, a.Segment, a.Side) }

func same(t *rapid.T, e *explore.Exploration, v explore.Variant, values []explore.Metric, findings []string) bool {
	var got []explore.Metric
	for _, m := range v.Metrics {
		m.Explanation = ""
		got = append(got, m)
	}
	if !reflect.DeepEqual(got, values) {
		t.Logf("metrics\n%+v\nwant\n%+v", got, values)
		return false
	}
	var told []string
	for _, f := range v.Findings {
		told = append(told, findingText(f.Rule, f.Severity, f.Message, f.At))
	}
	for _, f := range e.Beside {
		told = append(told, findingText(f.Rule, f.Severity, f.Message, f.At))
	}
	slices.Sort(told)
	if !slices.Equal(told, findings) {
		t.Logf("findings\n%s\nwant\n%s", strings.Join(told, "\n"), strings.Join(findings, "\n"))
		return false
	}
	return true
}

// asking is a question of 3 · 4 · 3 variants.
func asking() explore.Question {
	return explore.Question{Axes: []explore.Axis{
		{Kind: explore.LeafletHeight, Segment: valve.P2, Range: span(12, 16, 2)},
		{Kind: explore.ResectionWidth, StepID: "p-resection", Range: span(4, 10, 2)},
		{Kind: explore.Ring, Sizes: []explore.Size{{Family: "ring-family-a"}}},
	}}
}

func TestGridOrderCountAndWorkers(t *testing.T) {
	e := mustNew(t, asked(read(t, "triangular-complete-ring")), asking())
	one := all(e, 1)
	if e.Total != 36 || len(one) != 36 {
		t.Fatalf("%d variants of %d, want 36", len(one), e.Total)
	}
	i := 0
	for _, p2 := range []float64{12, 14, 16} {
		for _, width := range []float64{4, 6, 8, 10} {
			for _, label := range []float64{30, 32, 34} {
				v := one[i]
				got := []float64{v.Values[0].MM.OrElse(-1), v.Values[1].MM.OrElse(-1), v.Values[2].Ring.Label.OrElse(-1)}
				if v.Index != i || !slices.Equal(got, []float64{p2, width, label}) {
					t.Fatalf("variant %d has index %d and %v, want %v %v %v: the last axis changes fastest", i, v.Index, got, p2, width, label)
				}
				i++
			}
		}
	}
	for _, workers := range []int{2, 3, 7, 100} {
		if !reflect.DeepEqual(one, all(e, workers)) {
			t.Errorf("%d workers give other variants than one", workers)
		}
	}
}

// Whoever stops taking gets no more, and no goroutine is left behind.
func TestStopping(t *testing.T) {
	e := mustNew(t, asked(read(t, "triangular-complete-ring")), asking())
	before := runtime.NumGoroutine()
	for _, workers := range []int{1, 4} {
		taken := 0
		for range e.Variants(workers) {
			if taken++; taken == 5 {
				break
			}
		}
		// One that has ended its work is still counted until it is gone.
		for deadline := time.Now().Add(10 * time.Second); runtime.NumGoroutine() > before && time.Now().Before(deadline); {
			runtime.Gosched()
		}
		if taken != 5 || runtime.NumGoroutine() > before {
			t.Errorf("%d workers: %d taken, %d goroutines more", workers, taken, runtime.NumGoroutine()-before)
		}
	}
}

// Only the caller's own criterion orders variants; what has no value comes last.
func TestOrder(t *testing.T) {
	q := asking()
	q.Axes[2].Sizes = append(q.Axes[2].Sizes, explore.Size{Family: "band-family-b", Label: units.Some(30.0)})
	q.Order = &explore.Order{Metric: metric.IDLargestRing, Direction: explore.Descending}
	e := mustNew(t, asked(read(t, "triangular-complete-ring")), q)
	var ranks []explore.Rank
	for _, v := range e.Variants(2) {
		ranks = append(ranks, e.Rank(v))
	}
	last, none := explore.Rank{}, 0
	for i, v := range e.Listed(e.Order(ranks), 2) {
		r := e.Rank(v)
		now, ok := r.Value.Get()
		was, had := last.Value.Get()
		switch {
		case !ok:
			none++
		case none > 0:
			t.Fatal("a variant without a value stands before one with a value")
		case i > 0 && had && (now > was || now == was && r.Index < last.Index):
			t.Fatalf("%v of variant %d after %v of variant %d", now, r.Index, was, last.Index)
		}
		last = r
	}
	if none != 12 {
		t.Errorf("%d variants without a value, want the 12 with a band", none)
	}
}

func TestFaults(t *testing.T) {
	height := explore.Axis{Kind: explore.LeafletHeight, Segment: valve.P2, Range: span(10, 18, 1)}
	ringOf := func(a explore.Axis) explore.Axis { a.Kind = explore.Ring; return a }
	for _, tt := range []struct {
		why  string
		q    explore.Question
		want string // a path
		says string
	}{
		{"an empty grid", explore.Question{}, "axes", "at least one"},
		{"an axis of nothing", explore.Question{Axes: []explore.Axis{{}}}, "axes[0]", "nothing to vary"},
		{"a step that the plan does not have", explore.Question{Axes: []explore.Axis{{Kind: explore.ResectionWidth, StepID: "none", Range: span(1, 2, 1)}}},
			"axes[0].resection_width.step_id", "no step of the plan"},
		{"a step of another technique", explore.Question{Axes: []explore.Axis{{Kind: explore.SlidingAdvance, StepID: "p-ring", Side: valve.Lateral, Range: span(1, 2, 1)}}},
			"axes[0].sliding_advance.step_id", "another technique"},
		{"a step of nothing", explore.Question{Axes: []explore.Axis{{Kind: explore.LeafletHeight, Segment: valve.P2, Range: span(10, 18, 0)}}},
			"axes[0].leaflet_height.range.step_mm", "above 0"},
		{"ends exchanged", explore.Question{Axes: []explore.Axis{{Kind: explore.LeafletHeight, Segment: valve.P2, Range: span(18, 10, 1)}}},
			"axes[0].leaflet_height.range.max_mm", "below min_mm"},
		{"no number", explore.Question{Axes: []explore.Axis{{Kind: explore.LeafletHeight, Segment: valve.P2, Range: span(math.NaN(), 10, 1)}}},
			"axes[0].leaflet_height.range.min_mm", "no length"},
		{"one dimension twice", explore.Question{Axes: []explore.Axis{height, height}}, "axes[1]", "what axes[0] sets"},
		{"more than is answered", explore.Question{Axes: []explore.Axis{height}, Most: 8}, "axes", "give 9 variants, more than the 8"},
		{"more than memory holds", explore.Question{Axes: []explore.Axis{{Kind: explore.LeafletHeight, Segment: valve.P2, Range: span(0, 2500, 1e-300)}}},
			"axes", "longer steps"},
		{"a family that the site does not have", explore.Question{Axes: []explore.Axis{ringOf(explore.Axis{Sizes: []explore.Size{{Family: "none"}}})}},
			"axes[0].ring.sizes[0].family_key", "no family"},
		{"a label that the family does not have", explore.Question{Axes: []explore.Axis{ringOf(explore.Axis{Sizes: []explore.Size{{Family: "ring-family-a", Label: units.Some(33.0)}}})}},
			"axes[0].ring.sizes[0].label", "it has 30, 32, 34"},
		{"no ring at all", explore.Question{Axes: []explore.Axis{ringOf(explore.Axis{})}}, "axes[0].ring.sizes", "is empty"},
		{"a ring without a dimension", explore.Question{Axes: []explore.Axis{ringOf(explore.Axis{Dimensions: []explore.Dimensions{{}}})}},
			"axes[0].ring.dimensions[0]", "no dimension"},
		{"no metric", explore.Question{Axes: []explore.Axis{height}, Metrics: []valve.ID{"none"}}, "metrics[0]", "no metric of the catalogue"},
		{"a metric of an echo", explore.Question{Axes: []explore.Axis{height}, Metrics: []valve.ID{metric.IDEjectionFraction}}, "metrics[0]", "does not speak of this plan"},
		{"an order without direction", explore.Question{Axes: []explore.Axis{height}, Order: &explore.Order{Metric: metric.IDPredictedContact}}, "sort_by.direction", "ascending or descending"},
	} {
		_, faults := explore.New(asked(read(t, "triangular-complete-ring")), tt.q)
		if !slices.ContainsFunc(faults, func(f explore.Fault) bool { return f.Path == tt.want && strings.Contains(f.Message, tt.says) }) {
			t.Errorf("%s: %v, want %q at %s", tt.why, faults, tt.says, tt.want)
		}
	}
	bad := explore.Question{Axes: []explore.Axis{{}, {Kind: explore.ChordLength, StepID: "none"}}, Metrics: []valve.ID{"none"}}
	if _, faults := explore.New(asked(read(t, "triangular-complete-ring")), bad); len(faults) < 5 {
		t.Errorf("not all at once: %v", faults)
	}
	for why, missing := range map[string]struct {
		r    explore.Range
		want []string
	}{
		"nothing of a range": {explore.Range{}, []string{"min_mm", "max_mm", "step_mm"}},
		"its begin alone":    {explore.Range{Min: units.Some(10.0)}, []string{"max_mm", "step_mm"}},
		"its end alone":      {explore.Range{Max: units.Some(10.0)}, []string{"min_mm", "step_mm"}},
		"no step":            {explore.Range{Min: units.Some(10.0), Max: units.Some(12.0)}, []string{"step_mm"}},
	} {
		axis := height
		axis.Range = missing.r
		_, faults := explore.New(asked(read(t, "triangular-complete-ring")), explore.Question{Axes: []explore.Axis{axis}})
		var got []string
		for _, f := range faults {
			got = append(got, strings.TrimPrefix(f.Path, "axes[0].leaflet_height.range."))
		}
		if !slices.Equal(got, missing.want) {
			t.Errorf("%s: %v, want %v", why, got, missing.want)
		}
	}
	noPlan := read(t, "triangular-complete-ring")
	noPlan.Plan = nil
	if _, faults := explore.New(asked(noPlan), asking()); len(faults) != 1 || faults[0].Path != "case_file.plan" {
		t.Errorf("without a plan: %v", faults)
	}
}

// A ring is one object: the orifice of the planned ring says nothing of another.
func TestAnotherRingTakesNothingFromThePlanned(t *testing.T) {
	q := explore.Question{Metrics: []valve.ID{metric.IDRingToAnnulus}, Axes: []explore.Axis{
		{Kind: explore.Ring, Dimensions: []explore.Dimensions{{AnteroPosteriorMM: units.Some(24.0)}}},
	}}
	e := mustNew(t, asked(read(t, "triangular-complete-ring")), q)
	if v := all(e, 1)[0]; e.Plan.Metrics[0].State != metric.HasValue || v.Metrics[0].State != metric.NotEvaluable {
		t.Errorf("planned %+v, tried %+v", e.Plan.Metrics[0], v.Metrics[0])
	}
}

// Of what cannot be judged the plan's column names what rests on the plan; what the echo
// or the operation lacks is the same for every variant and no word against one.
func TestGapsOfThePlanAreThePlansOwn(t *testing.T) {
	told := 0
	for _, name := range withPlan(t) {
		in := asked(read(t, name))
		e := mustNew(t, in, explore.Question{Axes: asking().Axes[:1]})
		told += len(e.Plan.NotEvaluable)
		var elsewhere []string
		without := in
		without.Case = in.Case.WithPlan(nil)
		for _, g := range evaluate.Evaluate(without).Gaps {
			elsewhere = append(elsewhere, g.Rule)
		}
		gaps := evaluate.Evaluate(in).Gaps
		ofPlan := func(rule string) bool {
			return slices.ContainsFunc(gaps, func(g rules.Gap) bool { return g.Rule == rule && g.At.Occasion == valve.AtPlan })
		}
		for _, g := range gaps {
			listed := slices.Contains(e.Plan.NotEvaluable, g.Rule)
			if g.At.Occasion == valve.AtPlan && !listed && !slices.Contains(elsewhere, g.Rule) {
				t.Errorf("%s: %s at %v is not told", name, g.Rule, g.At)
			}
			if !ofPlan(g.Rule) && listed && slices.Contains(elsewhere, g.Rule) {
				t.Errorf("%s: %s at %v is told of the plan", name, g.Rule, g.At)
			}
		}
	}
	if told == 0 {
		t.Error("no case has a gap of its plan")
	}
}

// A step with a condition, or one that is an alternative, is not sure to be done; an axis
// of it says so, one of another step does not.
func TestAnAxisOfAStepThatIsNotFirm(t *testing.T) {
	const says = "has a condition or is an alternative"
	axis := explore.Axis{Kind: explore.ResectionWidth, StepID: "p-resection", Range: span(4, 10, 2)}
	for why, r := range map[string]struct {
		change func(*trigonev1.PlannedStep)
		want   bool
	}{
		"a firm step": {func(*trigonev1.PlannedStep) {}, false},
		"with a condition": {func(s *trigonev1.PlannedStep) {
			s.Condition = &trigonev1.StepCondition{Kind: trigonev1.StepConditionKind_STEP_CONDITION_KIND_LEAK_ON_SALINE}
		}, true},
		"an alternative": {func(s *trigonev1.PlannedStep) { s.AlternativeOf = "p-ring" }, true},
	} {
		f := read(t, "triangular-complete-ring")
		for _, s := range f.GetPlan().GetSteps() {
			if s.GetId() == axis.StepID {
				r.change(s)
			}
		}
		e := mustNew(t, asked(f), explore.Question{Axes: []explore.Axis{axis}})
		if got := strings.Contains(strings.Join(e.Remarks, "\n"), says); got != r.want {
			t.Errorf("%s: %q", why, e.Remarks)
		}
	}
}

// An axis that nothing reads is told of.
func TestAnAxisThatNothingReads(t *testing.T) {
	q := explore.Question{Axes: []explore.Axis{{Kind: explore.LeafletHeight, Segment: valve.P3, Station: valve.SeamMedialEdge, Range: span(8, 10, 1)}}}
	e := mustNew(t, asked(read(t, "triangular-complete-ring")), q)
	if !slices.ContainsFunc(e.Remarks, func(r string) bool { return strings.Contains(r, "none of the metrics asked for reads it") }) {
		t.Errorf("remarks %q", e.Remarks)
	}
}

func BenchmarkExplore(b *testing.B) {
	f := read(b, "triangular-complete-ring")
	f.Operation, f.Results, f.FollowUps = nil, nil, nil
	in := asked(f)
	e := mustNew(b, in, explore.Question{Axes: []explore.Axis{
		{Kind: explore.LeafletHeight, Segment: valve.P2, Range: span(10, 20, 0.5)},
		{Kind: explore.ResectionWidth, StepID: "p-resection", Range: span(4, 14, 0.5)},
		{Kind: explore.Ring, Sizes: []explore.Size{{Family: "ring-family-a"}}},
	}})
	for _, workers := range []int{1, 2} {
		b.Run(fmt.Sprintf("variants/%d workers", workers), func(b *testing.B) {
			for b.Loop() {
				for range e.Variants(workers) {
				}
			}
			b.ReportMetric(float64(b.N*e.Total)/b.Elapsed().Seconds(), "variants/s")
		})
	}
	b.Run("bare metric.Compute", func(b *testing.B) {
		for b.Loop() {
			metric.Compute(in.Case, in.Settings)
		}
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "variants/s")
	})
	b.Run("evaluate.Evaluate", func(b *testing.B) {
		for b.Loop() {
			evaluate.Evaluate(in)
		}
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "variants/s")
	})
}
