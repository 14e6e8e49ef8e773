package invent

import (
	"math"
	"reflect"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestSameSeedSameCases(t *testing.T) {
	s := Settings{Cases: 200, Seed: 7, Built: Everything()}
	if !reflect.DeepEqual(Invent(s), Invent(s)) {
		t.Error("the same settings give other cases")
	}
	other := s
	other.Seed = 8
	if reflect.DeepEqual(Invent(s).Cases[0].Valve, Invent(other).Cases[0].Valve) {
		t.Error("another seed gives the same first valve")
	}
}

// A fault that is left out changes nothing else: who is operated on, when, by whom and
// for what is the same with and without.
func TestAFaultChangesOnlyWhatItChanges(t *testing.T) {
	with, without := Invent(Settings{Cases: 300, Seed: 5, Built: Everything()}), Invent(Settings{Cases: 300, Seed: 5})
	for i := range 300 {
		a, b := with.Cases[i], without.Cases[i]
		if a.Incision != b.Incision || a.Valve != b.Valve || a.Operator != b.Operator || a.Setting != b.Setting || a.Plan != b.Plan {
			t.Fatalf("case %d is another one with faults built in", a.Number)
		}
		// What failed without them fails with them, too.
		if b.Theatre.Conversion != "" && a.Theatre.Conversion == "" {
			t.Errorf("case %d is replaced without faults, and not with them", a.Number)
		}
	}
}

// The means and spreads that were published, each with its source, are those of what is
// drawn. within is the tolerance of a mean in its own unit where the model cuts or mixes what was
// published; the sampling error of 20,000 cases is far smaller. The faults are left
// out where a source knows none.
func TestDistributions(t *testing.T) {
	const n = 20_000
	plain, faulty := Invent(Settings{Cases: n, Seed: 1}), Invent(Settings{Cases: n, Seed: 1, Built: Built{PredictionBiasMM: Everything().PredictionBiasMM}})
	yes := func(is bool) float64 {
		if is {
			return 1
		}
		return 0
	}
	all := func(*Case) bool { return true }
	for _, r := range []struct {
		what, source string
		of           Department
		take         func(*Case) bool
		value        func(*Case) float64
		mean, within float64
		sd, sdWithin float64 // 0: the source gives none
	}{
		{"A2 height, mm", "McCarthy et al., n 1,026", plain, all, func(c *Case) float64 { return c.Valve.A2 }, 27.2, 0.3, 4.5, 0.5},
		{"final height of P2, mm", "McCarthy et al., n 1,026", plain, all, func(c *Case) float64 { return c.Repair.P2 }, 13.9, 0.5, 2.3, 0.5},
		{"coaptation length, mm", "McCarthy et al.: what was measured lies below the flat model", faulty, all, func(c *Case) float64 { return c.Repair.Exit }, 6.4, 0.6, 1.7, 0.7},
		{"gradient off bypass, mmHg", "Murashita et al. 2016, n 1,147", plain, all, func(c *Case) float64 { return c.Repair.Gradient }, 3.1, 0.1, 1.4, 0.15},
		{"annular area in deficiency, cm2", "s12947-016-0073-4, n 32", plain, func(c *Case) bool { return c.Valve.Aetiology == "fibroelastic_deficiency" }, func(c *Case) float64 { return c.Valve.AnnulusArea }, 13.3, 0.15, 2.4, 0.2},
		{"annular area with excess tissue, cm2", "s12947-016-0073-4, n 27", plain, func(c *Case) bool { return c.Valve.Aetiology == "myxomatous" }, func(c *Case) float64 { return c.Valve.AnnulusArea }, 15, 0.15, 2.8, 0.2},
		// Cut at 0.9 mm, the smallest that was seen: that takes the lowest 6 % away.
		{"circumflex artery to annulus, mm", "Kruse et al. 2025, n 315", plain, all, func(c *Case) float64 { return c.Valve.Circumflex }, 6.97, 0.6, 3.85, 0.5},
		{"early death", "53,462 patients, acc.org 2023-02-14", plain, all, func(c *Case) float64 { return yes(c.DiedEarly()) }, 0.0116, 0.002, 0, 0},
		{"expected risk of early death", "53,462 patients, acc.org 2023-02-14", plain, all, func(c *Case) float64 { return c.Setting.DeathRisk }, 0.0116, 0.002, 0, 0},
		{"conversion", "53,462 patients, acc.org 2023-02-14", plain, all, func(c *Case) float64 { return yes(c.Theatre.Conversion != "") }, 0.0636, 0.006, 0, 0},
		{"death or major morbidity", "53,462 patients, acc.org 2023-02-14", plain, all, func(c *Case) float64 { return yes(c.DiedEarly() || c.major()) }, 0.0888, 0.008, 0, 0},
		{"anterior motion off bypass", "45 of 549, Kuperstein et al. 2015", plain, func(c *Case) bool { return c.Theatre.Conversion == "" }, func(c *Case) float64 { return yes(c.Theatre.AnteriorMotion) }, 0.082, 0.008, 0, 0},
		{"a further run, conversions among them", "5 to 11 %, Cardiovasc Ultrasound 2007;5:25", plain, all, func(c *Case) float64 { return yes(c.Theatre.FurtherRun != "") }, 0.08, 0.03, 0, 0},
		{"moderate on leaving theatre", "944 patients, COHN ch. 40", plain, all, func(c *Case) float64 { return yes(c.Theatre.ExitGrade == Moderate) }, 0.007, 0.003, 0, 0},
		{"ratio of the hazards of recurrence", "1, or the rates would not be those of everybody (Suri et al. 2016)", plain, all, func(c *Case) float64 { return c.recurrenceRatio() }, 1, 0.1, 0, 0},
	} {
		var count, sum, squares float64
		for i := range r.of.Cases {
			if c := &r.of.Cases[i]; c.Reoperation == 0 && r.take(c) {
				v := r.value(c)
				count, sum, squares = count+1, sum+v, squares+v*v
			}
		}
		mean := sum / count
		sd := math.Sqrt(squares/count - mean*mean)
		t.Logf("%-40s %.4g (%.4g), SD %.3g (%.3g): %s", r.what, mean, r.mean, sd, r.sd, r.source)
		if math.Abs(mean-r.mean) > r.within {
			t.Errorf("%s: mean %.4f, published %.4f (%s)", r.what, mean, r.mean, r.source)
		}
		if r.sd > 0 && math.Abs(sd-r.sd) > r.sdWithin {
			t.Errorf("%s: SD %.4f, published %.4f (%s)", r.what, sd, r.sd, r.source)
		}
	}
}

func (c *Case) major() bool {
	for _, got := range c.Stay.Complications {
		for _, k := range complications {
			if k.fails && k.kind == got.Kind && k.grade == got.Grade {
				return true
			}
		}
	}
	return false
}

// A case is in an order that can have been, whatever is drawn.
func TestCasesCanHaveBeen(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		s := Settings{Cases: rapid.IntRange(1, 60).Draw(r, "cases"), Seed: rapid.Uint64().Draw(r, "seed")}
		if rapid.Bool().Draw(r, "faults") {
			s.Built = Everything()
		}
		d := Invent(s)
		if len(d.Cases) < s.Cases {
			r.Fatalf("%d cases of %d", len(d.Cases), s.Cases)
		}
		for i := range d.Cases {
			c := &d.Cases[i]
			if i > 0 && i < s.Cases && c.Incision.Before(d.Cases[i-1].Incision) {
				r.Errorf("case %d was operated on before case %d", c.Number, c.Number-1)
			}
			if got := c.Received; got.Operation.Before(c.Incision) {
				r.Errorf("case %d: the operation was received before it began", c.Number)
			}
			last := time.Time{}
			for _, e := range c.Entries {
				switch {
				case e.Known.Before(last):
					r.Errorf("case %d: entries out of order", c.Number)
				case e.Received.Before(e.Known):
					r.Errorf("case %d: %s was received before it was known", c.Number, e.ID)
				case c.Stay.DiedInStay:
					r.Errorf("case %d: %s of a patient who died in the stay", c.Number, e.ID)
				case c.Stay.DiedOnDay >= 0 && !e.Dead && e.Day >= c.Stay.DiedOnDay:
					r.Errorf("case %d: %s of a patient who is dead", c.Number, e.ID)
				}
				last = e.Known
			}
		}
	})
}

// The ring of the table that is off is off by 3 mm in what a calliper reads, and by
// nothing where that is left out.
func TestRingOff(t *testing.T) {
	for _, r := range []struct {
		why  string
		off  float64
		want float64
	}{{"built in", 3, 3}, {"left out", 0, 0}} {
		d := Invent(Settings{Cases: 4000, Seed: 2, Built: Built{RingOffMM: r.off}})
		var n, sum float64
		for i := range d.Cases {
			if c := &d.Cases[i]; c.Repair.MeasuredRing && c.Repair.Ring.Family == MiscalibratedFamily {
				n, sum = n+1, sum+c.Repair.RingAP-c.Repair.Ring.AP
			}
		}
		// 4 standard errors of callipers that read within 0.4 mm.
		if got := sum / n; math.Abs(got-r.want) > 4*0.45/math.Sqrt(n) {
			t.Errorf("%s: %.3f mm off on average in %.0f rings, want %g", r.why, got, n, r.want)
		}
	}
}
