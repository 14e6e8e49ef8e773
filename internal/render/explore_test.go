package render

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
)

// Everything here is invented. What a stream says is made up by rules of this
// file, so that the pages do not change with the catalogue or the rules.

// grid values of one axis.
type exploredAxis struct {
	about  *trigonev1.AxisDescription
	values []*trigonev1.AxisValue
	now    *trigonev1.AxisValue
}

func heightAxis(segment string, now float64, values ...float64) exploredAxis {
	a := exploredAxis{
		about: &trigonev1.AxisDescription{Leaves: []string{"leaflet_height"}, Place: segment + "/segment_mid", Count: int32(len(values))},
		now:   &trigonev1.AxisValue{Mm: &now},
	}
	for _, v := range values {
		a.values = append(a.values, &trigonev1.AxisValue{Mm: proto.Float64(v)})
	}
	return a
}

func ringAxis(now *trigonev1.ExploredRing, rings ...*trigonev1.ExploredRing) exploredAxis {
	a := exploredAxis{
		about: &trigonev1.AxisDescription{Place: "step:p-ring", Count: int32(len(rings))},
		now:   &trigonev1.AxisValue{Ring: now},
	}
	for _, r := range rings {
		a.values = append(a.values, &trigonev1.AxisValue{Ring: r})
	}
	return a
}

func diameters(values ...float64) []*trigonev1.ExploredRing {
	var list []*trigonev1.ExploredRing
	for _, v := range values {
		list = append(list, &trigonev1.ExploredRing{Kind: trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_COMPLETE_RING, InnerAnteroPosteriorMm: proto.Float64(v)})
	}
	return list
}

func sized(family string, label, diameter float64) *trigonev1.ExploredRing {
	return &trigonev1.ExploredRing{
		Kind: trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_COMPLETE_RING, FamilyKey: family, Label: &label, InnerAnteroPosteriorMm: &diameter,
	}
}

var plannedRing = sized("ring-family-a", 32, 25.5)

// explored plays a stream over the axes: A2 is 26 mm high, the contact that of the
// planar model without a depth, give or take 5 mm; each rule is broken where its
// line says.
func explored(order ExplorationOrder, indices []int, axes ...exploredAxis) *Exploration {
	x := NewExploration(&trigonev1.Evaluation{Metrics: []*trigonev1.MetricValue{
		windowValue("lowest_posterior_height_for_target", 11.5), windowValue("highest_posterior_height_for_target", 18),
	}}, order)
	total := 1
	basis := &trigonev1.ExplorationBasis{
		Plan:             &trigonev1.PlanVariant{},
		CatalogueVersion: "2", RuleSetVersion: "2", PolicyHash: "0123456789abcdef",
		Caution: "Decision support for qualified staff, not a medical device.",
		FindingsBesidePlan: []*trigonev1.Finding{
			{Rule: "no-exit-echo", Severity: trigonev1.Severity_SEVERITY_CAUTION}, {Rule: "no-exit-echo", Severity: trigonev1.Severity_SEVERITY_CAUTION},
		},
		Remarks: []string{"an operation is on record"},
	}
	var now []*trigonev1.AxisValue
	for _, a := range axes {
		total *= len(a.values)
		basis.Axes = append(basis.Axes, a.about)
		now = append(now, a.now)
	}
	basis.Plan = exploredVariant(-1, now, axes)
	basis.Plan.Index = nil
	x.Take(&trigonev1.ExplorePlansResponse{Basis: basis, Progress: &trigonev1.ExplorationProgress{Total: int32(total)}})
	if indices == nil {
		for i := range total {
			indices = append(indices, i)
		}
	}
	for done, index := range indices {
		values := make([]*trigonev1.AxisValue, len(axes))
		rest := index
		for i := len(axes) - 1; i >= 0; i-- {
			n := len(axes[i].values)
			values[i], rest = axes[i].values[rest%n], rest/n
		}
		x.Take(&trigonev1.ExplorePlansResponse{
			Variant:  exploredVariant(index, values, axes),
			Progress: &trigonev1.ExplorationProgress{Done: int32(done + 1), Total: int32(total)},
		})
	}
	return x
}

func windowValue(id string, v float64) *trigonev1.MetricValue {
	return &trigonev1.MetricValue{
		Metric: id, Place: "a2_p2", Occasion: "plan", Role: trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN,
		State: trigonev1.MetricState_METRIC_STATE_VALUE, Value: &v, Lower: proto.Float64(v - 9), Upper: proto.Float64(v + 9), Unit: "mm",
		Explanation: "range of an uncalibrated model, not advice; target: coaptation 6 to 11 mm; A2 as planned",
	}
}

func exploredVariant(index int, values []*trigonev1.AxisValue, axes []exploredAxis) *trigonev1.PlanVariant {
	posterior, diameter := 16.0, 25.5
	known := true
	for i, a := range axes {
		switch {
		case a.about.GetPlace() == "p2/segment_mid" && values[i].Mm != nil:
			posterior = values[i].GetMm()
		case values[i].Ring != nil:
			diameter, known = values[i].GetRing().GetInnerAnteroPosteriorMm(), values[i].GetRing().InnerAnteroPosteriorMm != nil
		}
	}
	v := &trigonev1.PlanVariant{Index: proto.Int32(int32(index)), Values: values}
	predicted := &trigonev1.VariantMetric{
		Metric: "predicted_mean_contact", Place: "a2_p2", Role: trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN, Unit: "mm",
		State: trigonev1.MetricState_METRIC_STATE_NOT_EVALUABLE, Explanation: "missing: ring_inner_antero_posterior_diameter at step:p-ring of plan; A2 as planned",
	}
	if known {
		contact := (26 + posterior - diameter) / 2
		predicted.State, predicted.Explanation = trigonev1.MetricState_METRIC_STATE_VALUE, ""
		predicted.Value, predicted.Lower, predicted.Upper = &contact, proto.Float64(contact-5), proto.Float64(contact+5)
	}
	v.Metrics = []*trigonev1.VariantMetric{
		{
			Metric: "final_posterior_height", Place: "p2", Role: trigonev1.MetricRole_METRIC_ROLE_DERIVED, Unit: "mm",
			State: trigonev1.MetricState_METRIC_STATE_VALUE, Value: &posterior, Lower: proto.Float64(posterior - 2), Upper: proto.Float64(posterior + 2),
		},
		predicted,
	}
	breaks := func(rule string, s trigonev1.Severity, message string) {
		v.Findings = append(v.Findings, &trigonev1.VariantFinding{Rule: rule, Severity: s, Message: message, Occasion: "plan", Place: "p2", Added: index >= 0})
	}
	if posterior > 26 {
		breaks("higher-than-it-was", trigonev1.Severity_SEVERITY_CONTRADICTION, fmt.Sprintf("P2 cannot be %g mm high, its native height is 26 mm.", posterior))
	}
	if known && diameter < 24 {
		breaks("ring-much-smaller", trigonev1.Severity_SEVERITY_CAUTION, fmt.Sprintf("The ring of %g mm is small, and \"small\", as said here, needs a comma.", diameter))
	}
	if posterior > 15 {
		breaks("posterior-leaflet-high", trigonev1.Severity_SEVERITY_NOTE, fmt.Sprintf("P2 is %g mm high.", posterior))
	}
	if index >= 0 {
		v.RulesNotEvaluable = []string{"open-everywhere"}
		if diameter == 27 || !known {
			v.RulesNotEvaluable = append(v.RulesNotEvaluable, "open-here")
		}
	}
	return v
}

func TestExplorationPages(t *testing.T) {
	heights := heightAxis("p2", 16, 9.5, 12, 16, 27)
	many := ringAxis(plannedRing, diameters(20, 21, 22, 23, 24, 25, 25.5, 26, 27, 28, 29, 30)...)
	sizes := ringAxis(plannedRing, sized("ring-family-a", 30, 23.5), plannedRing, sized("ring-family-b", 32, 26))
	across := ringAxis(plannedRing, &trigonev1.ExploredRing{InnerAnteroPosteriorMm: proto.Float64(25.5), InnerTransverseMm: proto.Float64(34)},
		&trigonev1.ExploredRing{InnerTransverseMm: proto.Float64(36)})
	unstated := heightAxis("p2", 0, 14, 16)
	unstated.now = &trigonev1.AxisValue{}
	band := ringAxis(plannedRing, &trigonev1.ExploredRing{
		Kind: trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_POSTERIOR_BAND, FamilyKey: "band-family-c", Label: proto.Float64(30), BandLengthMm: proto.Float64(61),
	})
	tests := []struct {
		name string // why this page
		x    *Exploration
	}{
		{"explored-one-axis", explored(ExplorationOrder{}, nil, heights)},
		{"explored-columns-wrap", explored(ExplorationOrder{}, nil, heights, many)},
		{"explored-three-axes", explored(ExplorationOrder{}, nil, heights, sizes, heightAxis("a2", 26, 24, 26))},
		{"explored-one-without-a-range", explored(ExplorationOrder{}, nil, heights, across)},
		{"explored-none-with-a-range", explored(ExplorationOrder{}, nil, heights, band)},
		{"explored-height-not-stated", explored(ExplorationOrder{}, nil, unstated)},
		{"explored-in-order", explored(ExplorationOrder{Metric: "predicted_mean_contact", Descending: true}, []int{9, 10, 11, 6, 7, 8, 3, 4, 0, 5, 1, 2}, heights, sizes)},
		{"explored-in-another-order", explored(ExplorationOrder{Metric: "final_posterior_height", Place: "p2"}, nil, heightAxis("p2", 16, manyHeights()...))},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var page, file bytes.Buffer
			tt.x.Print(&page)
			golden(t, tt.name+".golden", page.Bytes())
			if err := tt.x.CSV(&file); err != nil {
				t.Fatal(err)
			}
			rows, err := csv.NewReader(&file).ReadAll()
			if err != nil || len(rows) != len(tt.x.variants)+1 {
				t.Errorf("%d rows for %d variants, %v", len(rows), len(tt.x.variants), err)
			}
			if said := strings.ToLower(page.String()); strings.Count(said, "best") != 1 || !strings.Contains(said, "no variant is called best") {
				t.Error("the page calls a variant best, or does not say that none is")
			}
		})
	}
}

func manyHeights() []float64 {
	var list []float64
	for i := range listedVariants + 3 {
		list = append(list, 10+float64(i)/10)
	}
	return list
}

func TestExplorationFile(t *testing.T) {
	x := explored(ExplorationOrder{}, nil, heightAxis("p2", 16, 9.5, 27), ringAxis(plannedRing,
		sized("ring-family-a", 30, 23.5), &trigonev1.ExploredRing{FamilyKey: "ring-family-a", Label: proto.Float64(36)}))
	var file bytes.Buffer
	if err := x.CSV(&file); err != nil {
		t.Fatal(err)
	}
	same(t, "explored.csv.golden", file.Bytes())
}

// What a page must never hide: every mark is the worst that the variant breaks,
// and every cell is the variant of its row and column.
func TestExplorationCellsAreTheirVariants(t *testing.T) {
	heights, rings := []float64{9.5, 12, 16, 27}, []float64{23, 25.5, 27}
	x := explored(ExplorationOrder{}, nil, heightAxis("p2", 16, heights...), ringAxis(plannedRing, diameters(rings...)...))
	var page bytes.Buffer
	x.Print(&page)
	_, table, _ := strings.Cut(page.String(), "Across: ")
	lines := strings.Split(table, "\n")
	for _, h := range heights {
		i := slices.IndexFunc(lines, func(l string) bool { return strings.HasPrefix(strings.TrimSpace(l), fmt.Sprintf("%.1f", h)) })
		if i < 0 {
			t.Fatalf("no row for %g mm", h)
		}
		fields := strings.Fields(lines[i])[1:]
		for j, d := range rings {
			contact := (26 + h - d) / 2
			mark := "."
			switch { // the rules of exploredVariant, by hand
			case h > 26:
				mark = "X"
			case d < 24:
				mark = "C"
			case h > 15:
				mark = "n"
			}
			if d == 27 {
				mark = strings.TrimPrefix(mark+"?", ".")
			}
			want := fmt.Sprintf("%s %s to %s", mark, number(contact-5, 1), number(contact+5, 1))
			if got := strings.Join(fields[j*4:j*4+4], " "); got != want {
				t.Errorf("%g mm with a ring of %g mm: %q, want %q", h, d, got, want)
			}
		}
	}
}
