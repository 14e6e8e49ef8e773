package render

import (
	"testing"

	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
)

func TestValue(t *testing.T) {
	has, derived, planned := trigonev1.MetricState_METRIC_STATE_VALUE, trigonev1.MetricRole_METRIC_ROLE_DERIVED, trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN
	for _, c := range []struct {
		reason string
		metric *trigonev1.MetricValue
		want   string
	}{
		{"a value with its band", &trigonev1.MetricValue{
			Metric: "regurgitant_orifice_area_by_flow_convergence", State: has, Role: derived, Value: proto.Float64(0.6),
			StandardUncertainty: proto.Float64(0.07), Lower: proto.Float64(0.46), Upper: proto.Float64(0.74), Unit: "cm2", Band: "severe",
		}, "0.60 cm² (severe)"},
		{"a prediction is a range first", &trigonev1.MetricValue{
			Metric: "predicted_overlap", State: has, Role: planned, Value: proto.Float64(7.4),
			StandardUncertainty: proto.Float64(2.4), Lower: proto.Float64(2.1), Upper: proto.Float64(12.7), Unit: "mm",
		}, "2.1 to 12.7 mm (about 7.4 mm)"},
		{"so is what has no single uncertainty", &trigonev1.MetricValue{
			Metric: "expected_mean_gradient", State: has, Role: derived, Value: proto.Float64(2.2), Lower: proto.Float64(1.4), Upper: proto.Float64(4), Unit: "mm[Hg]",
		}, "1.4 to 4.0 mmHg (about 2.2 mmHg)"},
		{"no value is told with its reason", &trigonev1.MetricValue{
			Metric: "predicted_overlap", State: trigonev1.MetricState_METRIC_STATE_NOT_APPLICABLE, Role: planned, Explanation: "there is no ring",
		}, "not applicable: there is no ring"},
	} {
		if got := Value(c.metric); got != c.want {
			t.Errorf("%s: %q, want %q", c.reason, got, c.want)
		}
	}
}

func TestRange(t *testing.T) {
	for _, c := range []struct {
		reason, id   string
		lower, upper *float64
		want         string
	}{
		{"both ends", "unknown", proto.Float64(16.5), proto.Float64(26.5), "16.5 to 26.5 mm"},
		{"one value", "unknown", proto.Float64(27), proto.Float64(27), "27 mm"},
		{"open below", "unknown", nil, proto.Float64(26), "up to 26 mm"},
		{"open above", "unknown", proto.Float64(12), nil, "from 12 mm"},
		{"a known leaf has the decimals of its grid", "leaflet_height", proto.Float64(12), proto.Float64(17.24), "12.0 to 17.2 mm"},
		{"open at both ends", "unknown", nil, nil, "any"},
	} {
		if got := Range(c.id, c.lower, c.upper, "mm"); got != c.want {
			t.Errorf("%s: %q, want %q", c.reason, got, c.want)
		}
	}
}
