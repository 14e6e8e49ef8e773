package metric

import (
	"math"
	"strings"
	"testing"

	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

// A divisor that is its own standard deviation can be nothing: the value stands
// without an interval, and says why. Found by spoiling the invented cases.
func TestNoIntervalOverADivisorNextToNothing(t *testing.T) {
	height := 1.2000000000000002
	c := repair.NewExample().Field(1, valve.AfterRing).Context(valve.Context{Method: valve.Ruler, Load: valve.Arrested}).
		Height(valve.A2, 25).Height(valve.P2, height).SD(1.2).Case()
	found := false
	for _, v := range Compute(c, settings.BuiltIn("demo", "1", "UTC")) {
		if v.Key != FinalHeightRatioKey(false, 1) {
			continue
		}
		found = true
		if v.State != HasValue || v.SD.IsSome() || v.Lower.IsSome() || v.Upper.IsSome() || !strings.Contains(v.Explanation, "no interval") {
			t.Errorf("want the ratio alone and the reason: %+v", v)
		}
		if math.Abs(v.Value-20.83) > 1e-9 {
			t.Errorf("25 over 1.2 is %v", v.Value)
		}
	}
	if !found {
		t.Error("there is no ratio")
	}
}
