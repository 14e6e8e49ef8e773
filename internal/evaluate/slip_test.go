package evaluate

import (
	"strings"
	"testing"

	"trigone/internal/discrepancy"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// typedInCentimetres is a repair whose radius before and whose coaptation after were
// typed in centimetres. The aim is 6 mm at least.
func typedInCentimetres(radius, contact float64) *repair.Case {
	return repair.NewExample().
		Assess("tee").Method(valve.Echo2D).Graded(repair.FiveStep, "severe").Set(valve.ProximalIsovelocityRadius, radius).
		Method(valve.Doppler).Set(valve.AliasingVelocity, 40).Set(valve.RegurgitationPeakVelocity, 500).
		Plan().Device("s1", repair.CompleteRing).
		Edit(func(c *repair.Case) {
			c.Plan.Targets = []repair.Target{{
				ID: "t1", Leaf: valve.CoaptationLength, Place: valve.AtSlice(valve.A2P2), Stage: valve.LeavingTheatre, Low: units.Some(6.0),
			}}
		}).
		Operation().Device("o1", repair.CompleteRing).
		Result("exit", 1, valve.LeavingTheatre).Graded(repair.FiveStep, "trace").Method(valve.Echo2D).Coaptation(contact).Case()
}

const orifice = "regurgitant_orifice_area_by_flow_convergence"

// A slip stands as typed: what is computed of it waits, a caution says so, an aim
// that it misses is not missed, and no section is disputed.
func TestSlipWaitsForAWord(t *testing.T) {
	e := Evaluate(Input{Case: typedInCentimetres(0.9, 0.75), Settings: settings.BuiltIn("demo", "1", "UTC"), First: true})
	radius, contact := finding(t, e, "isovelocity-radius-slip", tee), finding(t, e, "coaptation-slip", exit)
	if len(radius.Questions) != 1 || len(radius.Disputes)+len(radius.Sections) > 0 {
		t.Errorf("a slip questions its value and disputes nothing: %+v", radius)
	}
	if v, _ := value(e, valve.ProximalIsovelocityRadius, tee); v.State != metric.HasValue || v.Value != 0.9 || v.Explanation == "" {
		t.Errorf("the value stands as typed: %+v", v)
	}
	if v, _ := value(e, orifice, tee); v.State != metric.NotEvaluable || !strings.Contains(strings.Join(v.Missing, " "), metric.UntilConfirmed) {
		t.Errorf("what is computed of it waits: %+v", v)
	}
	short := finding(t, e, "coaptation-short", exit)
	if !strings.HasSuffix(short.Message, "(as typed).") || short.Root != "" {
		t.Errorf("the caution is said as typed, by itself: %q under %q", short.Message, short.Root)
	}
	aim := comparison(t, e, discrepancy.KindAim)
	if aim.Verdict != discrepancy.Indeterminate || !aim.AsTyped {
		t.Errorf("the aim is %s, as typed %t", aim.Verdict, aim.AsTyped)
	}
	for _, s := range e.Suggestions {
		if strings.Contains(strings.Join(s.Missing, " "), metric.UntilConfirmed) {
			t.Errorf("a value that is there is asked for: %v", s.Missing)
		}
	}

	// Confirmed, they are values like others.
	e = Evaluate(Input{Case: typedInCentimetres(0.9, 0.75), Settings: settings.BuiltIn("demo", "1", "UTC"), First: true,
		Confirmed: map[string]bool{radius.ID: true, contact.ID: true}})
	if !finding(t, e, "coaptation-slip", exit).Confirmed {
		t.Error("the slip stays, confirmed")
	}
	if v, _ := value(e, orifice, tee); v.State != metric.HasValue {
		t.Errorf("of a confirmed radius the orifice is %s", v.State)
	}
	if f := finding(t, e, "coaptation-short", exit); strings.Contains(f.Message, "as typed") || f.ID != short.ID {
		t.Errorf("the caution is the same, without doubt: %q", f.Message)
	}
	if aim := comparison(t, e, discrepancy.KindAim); aim.Verdict != discrepancy.Present || aim.AsTyped {
		t.Errorf("the aim is %s, as typed %t", aim.Verdict, aim.AsTyped)
	}

	// Under the set before, and with values that are none, nothing is a slip.
	e = Evaluate(Input{Case: typedInCentimetres(0.9, 0.75), Settings: settings.BuiltIn("demo", "1", "UTC"), First: true, RuleSet: "2"})
	if v, _ := value(e, orifice, tee); v.State != metric.HasValue || has(e, "coaptation-slip", exit) {
		t.Errorf("set 2 knows no slip; the orifice is %s", v.State)
	}
	if e := evaluated(typedInCentimetres(9, 7.5)); has(e, "coaptation-slip", exit) || has(e, "isovelocity-radius-slip", tee) {
		t.Error("9 and 7.5 mm are no slips")
	}
}

func comparison(t *testing.T, e Evaluation, kind discrepancy.Kind) discrepancy.Comparison {
	t.Helper()
	for _, c := range e.Comparisons {
		if c.Kind == kind {
			return c
		}
	}
	t.Fatalf("no comparison of kind %s", kind)
	return discrepancy.Comparison{}
}
