package render

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"trigone/internal/metric"
	trigonev1 "trigone/proto/trigone/v1"
)

func forecastAt(low, middle, high float64) *trigonev1.MetricValue {
	return &trigonev1.MetricValue{
		Metric: metric.IDPredictedOverlap, State: trigonev1.MetricState_METRIC_STATE_VALUE, Unit: "mm",
		Role:  trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN,
		Value: &middle, Lower: &low, Upper: &high,
	}
}

func TestHowARangeStandsToAnAim(t *testing.T) {
	none := (*float64)(nil)
	for _, row := range []struct {
		reason    string
		low, high *float64
		want      string
	}{ // of 2 to 12 mm, about 7 mm
		{"no aim", none, none, ""},
		{"around it", proto.Float64(1), proto.Float64(20), "The whole range lies within your aim of 1.0 to 20.0 mm."},
		{"its ends belong to an aim", proto.Float64(2), proto.Float64(12), "The whole range lies within your aim of 2.0 to 12.0 mm."},
		{"inside it", proto.Float64(6), proto.Float64(10), "The middle lies within your aim of 6.0 to 10.0 mm; the range goes beyond it on both sides."},
		{"its lower part", proto.Float64(0), proto.Float64(8), "The middle lies within your aim of 0.0 to 8.0 mm; the range ends above it."},
		{"its upper part", proto.Float64(6), proto.Float64(20), "The middle lies within your aim of 6.0 to 20.0 mm; the range begins below it."},
		{"above the middle", proto.Float64(8), none, "The range reaches your aim of at least 8.0 mm; its middle lies below it."},
		{"below the middle", none, proto.Float64(5.25), "The range reaches your aim of at most 5.25 mm; its middle lies above it."},
		{"above all", proto.Float64(13), none, "The whole range lies below your aim of at least 13.0 mm."},
		{"below all", none, proto.Float64(1), "The whole range lies above your aim of at most 1.0 mm."},
		{"one number in it", proto.Float64(7), proto.Float64(7), "The middle lies within your aim of 7.0 mm; the range goes beyond it on both sides."},
		{"one number beside its middle", proto.Float64(9), proto.Float64(9), "The range reaches your aim of 9.0 mm; its middle lies below it."},
	} {
		if got := aimText(forecastAt(2, 7, 12), row.low, row.high); got != row.want {
			t.Errorf("%s: %q, want %q", row.reason, got, row.want)
		}
	}
}

// Each part of the sentence is true of any range and any aim.
func TestWhatIsSaidOfAnAimIsTrue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Float64Range(0, 20), 3, 3).Draw(t, "range")
		low, middle, high := min(v[0], v[1], v[2]), v[0]+v[1]+v[2]-min(v[0], v[1], v[2])-max(v[0], v[1], v[2]), max(v[0], v[1], v[2])
		middle = min(max(middle, low), high)
		from, to := rapid.Float64Range(0, 20).Draw(t, "from"), rapid.Float64Range(0, 20).Draw(t, "to")
		from, to = min(from, to), max(from, to)
		text := aimText(forecastAt(low, middle, high), &from, &to)
		for said, is := range map[string]bool{
			"whole range lies within": low >= from && high <= to, "whole range lies below": high < from, "whole range lies above": low > to,
			"The range reaches": high >= from && low <= to, "its middle lies below": middle < from, "its middle lies above": middle > to,
			"The middle lies within": middle >= from && middle <= to, "on both sides": low < from && high > to,
			"begins below": low < from, "ends above": high > to,
		} {
			if strings.Contains(text, said) && !is {
				t.Fatalf("%g to %g, about %g, aim %g to %g: %q", low, high, middle, from, to, text)
			}
		}
		if text == "" {
			t.Fatal("nothing is said of an aim")
		}
	})
}

func planOf(kinds ...trigonev1.AnnuloplastyKind) *trigonev1.Plan {
	plan := &trigonev1.Plan{}
	for _, k := range kinds {
		plan.Steps = append(plan.Steps, &trigonev1.PlannedStep{Technique: &trigonev1.Technique{Kind: &trigonev1.Technique_Annuloplasty{Annuloplasty: &trigonev1.Annuloplasty{Kind: k}}}})
	}
	return plan
}

// Both harms are told whatever there is: a range, or why there is none.
func TestATrialTellsBothHarms(t *testing.T) {
	empty := TrialOf(&trigonev1.Evaluation{}, planOf())
	if empty.NoGradient != "No gradient is shown: the plan has no ring and no band." || len(empty.Contact) != 1 || empty.Contact[0].Why == "" {
		t.Errorf("without a device: %+v", empty)
	}
	ring := planOf(trigonev1.AnnuloplastyKind_ANNULOPLASTY_KIND_COMPLETE_RING)
	if got := TrialOf(&trigonev1.Evaluation{}, ring); !strings.Contains(got.NoGradient, "heart rate and forward flow together") {
		t.Errorf("without flow: %q", got.NoGradient)
	}
	gradient := forecastAt(1.5, 3.5, 8)
	gradient.Metric, gradient.Occasion, gradient.Place, gradient.Unit = metric.IDExpectedGradient, "plan", "step:device", "mm[Hg]"
	gradient.Role = trigonev1.MetricRole_METRIC_ROLE_PLANNED
	ring.Targets = []*trigonev1.Target{{Aim: &trigonev1.Target_MeanGradient{MeanGradient: &trigonev1.PressureRange{MaxMmhg: proto.Float64(4)}}}}
	got := TrialOf(&trigonev1.Evaluation{Metrics: []*trigonev1.MetricValue{gradient}}, ring)
	if len(got.Gradient) != 1 || got.NoGradient != "" || got.Gradient[0].Range != "1.5 to 8.0 mmHg" || got.Gradient[0].Aim != "The middle lies within your aim of at most 4.0 mmHg; the range ends above it." {
		t.Errorf("with flow: %+v", got)
	}
	gradient.Value, gradient.Lower, gradient.Upper, gradient.State = nil, nil, nil, trigonev1.MetricState_METRIC_STATE_NOT_EVALUABLE
	gradient.Missing = []string{"ring_inner_transverse_diameter at step:device of plan", "heart_rate of assessment/valve"}
	got = TrialOf(&trigonev1.Evaluation{Metrics: []*trigonev1.MetricValue{gradient}}, ring)
	if got.NoGradient != "No gradient is shown. Cannot be told without ring inner transverse diameter and heart rate." {
		t.Errorf("without the opening: %q", got.NoGradient)
	}
}
