package evaluate

import (
	"slices"
	"testing"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/rules"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

const tee = valve.Occasion("assessment/tee")

// slipped gives an annulus of 13.1 cm2 whose perimeter of 130 mm was typed in cm.
func slipped(perimeter float64) *repair.Case {
	return repair.NewExample().Assess("tee").Method(valve.Echo3D).Set("annulus_area", 13.1).Set("annulus_perimeter", perimeter).
		Set("annulus_antero_posterior_diameter", 37).Case()
}

// A slip of the unit that also breaks arithmetic is named, and is the cause of
// the contradiction; the value stays disputed all the same.
func TestASlipIsTheCauseOfItsContradiction(t *testing.T) {
	e := evaluated(slipped(13))
	slip := finding(t, e, "looks-like-another-unit", tee)
	contradiction := finding(t, e, "perimeter-too-short-for-area", tee)
	if contradiction.Root != slip.ID || slip.Root != "" {
		t.Errorf("the contradiction stands under %q, want the slip %q, which stands under %q", contradiction.Root, slip.ID, slip.Root)
	}
	if contradiction.Severity != rules.Contradiction || len(contradiction.Disputes) != 2 || len(slip.Disputes) != 0 {
		t.Errorf("both values stay disputed, by the contradiction alone: %+v", contradiction)
	}
	if v, _ := value(e, "annulus_perimeter", tee); v.State != metric.Disputed {
		t.Errorf("the perimeter is %s", v.State)
	}
	if e := evaluated(slipped(130)); len(e.Findings) != 0 {
		t.Errorf("130 mm around 13.1 cm2 is no finding: %+v", e.Findings)
	}
	// 11.5 mm looks like cm as well, but nothing contradicts it: no cause of anything.
	alone := evaluated(repair.NewExample().Assess("tee").Set("annulus_perimeter", 11.5).Case())
	if f := finding(t, alone, "looks-like-another-unit", tee); len(alone.Findings) != 1 || f.Root != "" {
		t.Errorf("a slip alone: %+v", alone.Findings)
	}
}

// An implausible value that nothing explains is still spoken of when a
// contradiction disputes it.
func TestADisputedValueMayBeImplausible(t *testing.T) {
	c := repair.NewExample().Assess("tte").Set("left_ventricular_end_diastolic_volume", 420).
		Set("left_ventricular_end_systolic_volume", 425).Case()
	e := evaluated(c)
	finding(t, e, "end-systolic-volume-not-below-end-diastolic", "assessment/tte")
	if f := finding(t, e, "implausible-value", "assessment/tte"); len(f.Inputs) == 0 {
		t.Error("the values must be named")
	}
}

// In the first rule set a slip was looked for among the values that were left.
func TestTheFirstRuleSetLooksForSlipsLast(t *testing.T) {
	e := Evaluate(Input{Case: slipped(13), Settings: settings.BuiltIn("demo", "1", "UTC"), RuleSet: "1"})
	if e.RuleSetVersion != "1" || has(e, "looks-like-another-unit", tee) {
		t.Errorf("set %s says %+v", e.RuleSetVersion, e.Findings)
	}
	if f := finding(t, e, "perimeter-too-short-for-area", tee); f.Root != "" {
		t.Errorf("it stands under %q", f.Root)
	}
	for _, f := range e.Findings {
		if r, _ := rules.ByID(f.Rule); !r.InSet("1") {
			t.Errorf("%s is no rule of set 1", f.Rule)
		}
	}
}

// A confirmed contradiction disputes nothing: its values count again, and it is
// still there. It lapses when a value changes.
func TestConfirmedContradiction(t *testing.T) {
	s := settings.BuiltIn("demo", "1", "UTC")
	open := finding(t, evaluated(swappedGradients(9, 3)), "peak-gradient-below-mean", exit)
	confirmed := map[string]bool{open.ID: true}

	e := Evaluate(Input{Case: swappedGradients(9, 3), Settings: s, Confirmed: confirmed})
	f := finding(t, e, "peak-gradient-below-mean", exit)
	if !f.Confirmed || f.ID != open.ID || len(f.Disputes) != 2 {
		t.Errorf("the finding stays, confirmed, with what it would dispute: %+v", f)
	}
	if v, _ := value(e, "mean_gradient", exit); v.State != metric.HasValue {
		t.Errorf("a confirmed value is %s", v.State)
	}
	if !has(e, "gradient-high", exit) {
		t.Error("a confirmed gradient of 9 mmHg is judged again")
	}

	e = Evaluate(Input{Case: swappedGradients(9, 4), Settings: s, Confirmed: confirmed})
	if f := finding(t, e, "peak-gradient-below-mean", exit); f.Confirmed || f.ID == open.ID {
		t.Errorf("another value lapses the confirmation: %+v", f)
	}
	if v, _ := value(e, "mean_gradient", exit); v.State != metric.Disputed {
		t.Errorf("after the lapse the value is %s", v.State)
	}

	// A confirmation given under the first rule set binds: the rule says the same.
	first := Evaluate(Input{Case: swappedGradients(9, 3), Settings: s, RuleSet: "1"})
	if f := finding(t, first, "peak-gradient-below-mean", exit); f.ID != open.ID {
		t.Errorf("fingerprint %s under set 1, %s now", f.ID, open.ID)
	}

	// What is no contradiction cannot be confirmed.
	high := finding(t, evaluated(swappedGradients(9, 15)), "gradient-high", exit)
	e = Evaluate(Input{Case: swappedGradients(9, 15), Settings: s, Confirmed: map[string]bool{high.ID: true}})
	if finding(t, e, "gradient-high", exit).Confirmed {
		t.Error("a caution is not confirmed")
	}
}

// Two contradictions that share a value: one confirmed, the other still disputes
// it.
func TestAnotherContradictionStillDisputes(t *testing.T) {
	c := func() *repair.Case {
		return repair.NewExample().Assess("tte").Method(valve.Echo3D).
			Set("left_ventricular_end_diastolic_volume", 100).Set("left_ventricular_end_systolic_volume", 40).
			Set("stated_left_ventricular_ejection_fraction", 30).Set("stated_regurgitant_volume", 90).Case()
	}
	const tte = valve.Occasion("assessment/tte")
	open := evaluated(c())
	fraction := finding(t, open, "ejection-fraction-contradicts-volumes", tte)
	finding(t, open, "regurgitant-volume-above-stroke-volume", tte)
	e := Evaluate(Input{Case: c(), Settings: settings.BuiltIn("demo", "1", "UTC"), Confirmed: map[string]bool{fraction.ID: true}})
	if v, _ := value(e, "left_ventricular_end_diastolic_volume", tte); v.State != metric.Disputed {
		t.Errorf("the volume is %s", v.State)
	}
	if v, _ := value(e, "stated_left_ventricular_ejection_fraction", tte); v.State != metric.HasValue {
		t.Errorf("the confirmed fraction is %s", v.State)
	}
}

func TestReplay(t *testing.T) {
	rows := []struct {
		why     string
		in      Input
		replays *Versions
		want    Replay
	}{
		{"it repeats nothing", Input{Software: "1.0"}, nil, ""},
		{"the same software and rules", Input{Software: "1.0"}, &Versions{"1.0", rules.SetVersion}, Exact},
		{"the same, named", Input{Software: "1.0", RuleSet: "1"}, &Versions{"1.0", "1"}, Exact},
		{"other software", Input{Software: "1.1", RuleSet: "1"}, &Versions{"1.0", "1"}, Approximate},
		{"other rules", Input{Software: "1.0", RuleSet: "1"}, &Versions{"1.0", "2"}, Approximate},
		{"software that is not known cannot be the same", Input{RuleSet: "1"}, &Versions{"", "1"}, Approximate},
	}
	for _, r := range rows {
		r.in.Case, r.in.Settings, r.in.Replays = repair.NewExample().Case(), settings.BuiltIn("demo", "1", "UTC"), r.replays
		if got := Evaluate(r.in).Replay; got != r.want {
			t.Errorf("%s: %q, want %q", r.why, got, r.want)
		}
	}
}

func TestEveryRootIsAFinding(t *testing.T) {
	e := evaluated(slipped(13))
	for _, f := range e.Findings {
		if f.Root != "" && !slices.ContainsFunc(e.Findings, func(o rules.Finding) bool { return o.ID == f.Root && o.Root == "" }) {
			t.Errorf("%s stands under %s, which is no root", f.Rule, f.Root)
		}
	}
}
