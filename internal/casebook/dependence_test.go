package casebook

import (
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	"trigone/internal/metric"
	"trigone/internal/policy"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

func key(m *trigonev1.MetricValue) string {
	return m.GetMetric() + " " + m.GetPlace() + " " + m.GetOccasion() + " " + m.GetRole().String()
}

func byKey(e *trigonev1.Evaluation) map[string]*trigonev1.MetricValue {
	out := map[string]*trigonev1.MetricValue{}
	for _, m := range e.GetMetrics() {
		out[key(m)] = m
	}
	return out
}

// Changing one input height moves exactly the numbers that depend on it: every
// number that moved read the height, and every number that read it moved.
func TestOneHeightMovesWhatDependsOnIt(t *testing.T) {
	const place = "a2/segment_mid"
	isA2 := func(h *trigonev1.LeafletHeight) bool {
		return h.GetSegment() == trigonev1.Segment_SEGMENT_A2 && h.GetLeafletHeight().Mm != nil
	}
	for _, tt := range []struct {
		why    string
		change func(*trigonev1.CaseFile) (occasion string)
		least  int // leaf and what is known to read it
	}{
		{"native height: leaf, height ratio, leaflet-to-annulus index", func(f *trigonev1.CaseFile) (occasion string) {
			for _, a := range f.GetAssessments() {
				for _, h := range a.GetStudy().GetLeaflets().GetHeights() {
					if isA2(h) {
						*h.LeafletHeight.Mm += 1.5
						occasion = "assessment/" + a.GetId()
					}
				}
			}
			return occasion
		}, 3},
		{"planned height: leaf, predicted contact, closure share, height ratio", func(f *trigonev1.CaseFile) (occasion string) {
			for _, h := range f.GetPlan().GetPlannedHeights() {
				if isA2(h) {
					*h.LeafletHeight.Mm += 1.5
					occasion = "plan"
				}
			}
			return occasion
		}, 4},
	} {
		t.Run(tt.why, func(t *testing.T) {
			before, err := testdata.Read(testdata.Cases, "triangular-complete-ring")
			if err != nil {
				t.Fatal(err)
			}
			after := proto.Clone(before).(*trigonev1.CaseFile)
			occasion := tt.change(after)
			if occasion == "" {
				t.Fatal("the case has no such height")
			}
			was, is := evaluated(t, before), evaluated(t, after)
			if len(was) != len(is) {
				t.Fatalf("%d values before, %d after", len(was), len(is))
			}
			moved := 0
			for k, m := range was {
				reads := m.GetMetric() == "leaflet_height" && m.GetPlace() == place && m.GetOccasion() == occasion ||
					slices.ContainsFunc(m.GetInputs(), func(in *trigonev1.InputValue) bool {
						return in.GetLeaf() == "leaflet_height" && in.GetPlace() == place && in.GetOccasion() == occasion
					})
				changed := m.GetValue() != is[k].GetValue()
				// A count or a label of a table moves only with a step that is long enough.
				row, _ := metric.MetricByID(valve.ID(m.GetMetric()))
				if changed != reads && (changed || !row.Steps) {
					t.Errorf("%s: reads it %v, moved %v (%v to %v)", k, reads, changed, m.GetValue(), is[k].GetValue())
				}
				if changed {
					moved++
				}
			}
			if moved < tt.least {
				t.Errorf("only %d numbers moved", moved)
			}
		})
	}
}

func evaluated(t *testing.T, f *trigonev1.CaseFile) map[string]*trigonev1.MetricValue {
	t.Helper()
	p, err := policy.BuiltIn()
	if err != nil {
		t.Fatal(err)
	}
	e, err := EvaluateFile(p, f, "test")
	if err != nil {
		t.Fatal(err)
	}
	return byKey(e)
}
