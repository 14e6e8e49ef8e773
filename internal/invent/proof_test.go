package invent

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"trigone/internal/audit"
	"trigone/internal/discrepancy"
	"trigone/internal/repair"
	"trigone/internal/statistics"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// The proof by what was built in: departments with a fault and without it, drawn from
// one seed each, go through the pure rooms of the audit, and what those find is counted.

// proofSeeds is how many departments there are of each kind.
func proofSeeds() int {
	if testing.Short() {
		return 20
	}
	return 200
}

func yesNo(is bool) valve.Answer {
	if is {
		return valve.Yes
	}
	return valve.No
}

// counted gives a case as the audit knows it.
func (c *Case) counted() *audit.Case {
	grade := func(word string) repair.Grade { return repair.Grade{Scheme: repair.FiveStep, Value: word} }
	out := &audit.Case{
		UID: fmt.Sprintf("case-%06d", c.Number), Patient: int64(c.Number), Incision: c.Incision, Timing: audit.Prospective,
		OperationReceivedDays: units.Some(0.4), FirstOperator: c.Operator, Supervisor: c.Supervisor, Trainee: yesNo(c.Supervisor != ""),
		Intended: "repair", Converted: yesNo(c.Theatre.Conversion != ""), MitralFurtherRuns: units.Some(0),
		DiedInHospital: yesNo(c.Stay.DiedInStay), DiedWithin30Days: yesNo(c.Stay.DiedOnDay >= 0 && c.Stay.DiedOnDay <= 30),
		Words: []audit.Group{{Kind: audit.RingFamily, Word: c.Repair.Ring.Family}},
	}
	if c.Theatre.FurtherRun != "" {
		out.MitralFurtherRuns = units.Some(1)
	}
	if c.Theatre.ExitGrade != "" && !c.Theatre.DiedThere {
		out.Echoes = append(out.Echoes, audit.Echo{Stage: valve.LeavingTheatre, Grade: grade(c.Theatre.ExitGrade)})
	}
	if c.Stay.DischargeGrade != "" && !c.Stay.DiedInStay && !c.Stay.NoEcho && !c.Stay.Missing {
		out.Echoes = append(out.Echoes, audit.Echo{FollowUp: "discharge", Day: units.Some(c.Stay.Days), Grade: grade(c.Stay.DischargeGrade)})
	}
	if !c.Setting.RiskMissing {
		for _, r := range []struct {
			outcome, horizon, model string
			p                       float64
		}{{"death_30_days", "stay_or_thirty_days", DeathModel, c.Setting.DeathRisk}, {"conversion", "stay", ConversionModel, c.Setting.ConversionRisk}} {
			out.Risks = append(out.Risks, audit.Risk{
				Outcome: r.outcome, Horizon: r.horizon, Model: r.model, Version: ModelVersion, Percent: units.Some(100 * r.p), ReceivedDays: units.Some(-0.6),
			})
		}
	}
	return out
}

// found is what a chart made of many departments.
type found struct {
	departments int
	// after: departments with a signal of more failures after the change, with how many
	// operations passed until it.
	after  int
	delays []int
	// afterChange are the operations after the change on the charts, of all departments.
	afterChange float64
	// inControl and outOfControl are the printed run lengths, on average.
	inControl, outOfControl float64
}

func (f found) share() float64 { return float64(f.after) / float64(f.departments) }

func (f found) median() int {
	slices.Sort(f.delays)
	if len(f.delays) == 0 {
		return 0
	}
	return f.delays[len(f.delays)/2]
}

// draw draws one chart of cases, with a baseline until a date.
func draw(cases []Case, monitored time.Time, chart audit.Monitored) audit.Chart {
	m := audit.NewMonitor(audit.MonitoringQuestion{
		AsOf: cases[len(cases)-1].Incision.AddDate(1, 0, 0), Outcomes: []string{chart.Outcome},
		Monitoring: audit.Monitoring{BaselineFrom: cases[0].Incision.Add(-time.Hour), BaselineBefore: monitored, Charts: []audit.Monitored{chart}},
	})
	for i := range cases {
		m.Add(cases[i].counted())
	}
	return m.Answer().Charts[0]
}

// monitor draws one chart of departments of n cases each, with the first half as their
// baseline.
func monitor(built Built, chart audit.Monitored, n, seeds int) found {
	f := found{departments: seeds}
	for seed := range seeds {
		cases := Invent(Settings{Cases: n, Seed: uint64(seed + 1), Built: built}).Cases[:n]
		change := cases[int(float64(n)*Everything().DeteriorationFrom)].Incision
		c := draw(cases, cases[n/2].Incision, chart)
		begins := slices.IndexFunc(c.Points, func(p audit.ChartPoint) bool { return !p.Incision.Before(change) })
		f.afterChange += float64(len(c.Points) - begins)
		f.inControl += c.Upper.InControl.Cases / float64(seeds)
		f.outOfControl += c.Upper.OutOfControl.Cases / float64(seeds)
		if at := slices.IndexFunc(c.Points[begins:], func(p audit.ChartPoint) bool { return p.UpperSignal }); at >= 0 {
			f.after++
			f.delays = append(f.delays, at+1)
		}
	}
	return f
}

// deteriorated is the fault that doubles the odds of failure of the whole department
// from a date on.
var deteriorated = Built{DeteriorationOddsRatio: 2, DeteriorationFrom: Everything().DeteriorationFrom}

var charts = []struct {
	why   string
	chart audit.Monitored
}{
	{"by expected risk", audit.Monitored{Outcome: audit.Conversion, OddsRatio: 2, Model: ConversionModel, Version: ModelVersion, InControl: 400, CasesAYear: 70}},
	// 9 % is what fails without a fault, 16.5 % are twice the odds of it.
	{"by rates", audit.Monitored{Outcome: audit.AnyFailure, Acceptable: 0.09, Unacceptable: 0.165, InControl: 400, CasesAYear: 70}},
}

// Over departments of 400 cases whose odds of failure double at 60 % of them, and others
// in which they don't: how often the chart signals after that, how late, and how often it
// does where nothing changed. The bounds are what the printed run lengths say, a run being
// at worst as uneven as an exponential one, with 3.5 standard errors of so many
// departments.
func TestDeteriorationIsFound(t *testing.T) {
	t.Parallel()
	const n = 400
	seeds := proofSeeds()
	for _, r := range charts {
		with, without := monitor(deteriorated, r.chart, n, seeds), monitor(Built{}, r.chart, n, seeds)
		t.Logf("%s, %s: found in %.0f %% of %d departments after a median of %d operations (printed run %.0f); falsely in %.0f %% of as many without the fault (printed run %.0f)",
			r.chart.Outcome, r.why, 100*with.share(), seeds, with.median(), with.outOfControl, 100*without.share(), without.inControl)
		// Operations after the change that stand on the chart.
		stretch := with.afterChange / float64(seeds)
		chance := func(p float64) float64 { return 3.5 * math.Sqrt(p*(1-p)/float64(seeds)) }
		if least := 1 - math.Exp(-stretch/with.outOfControl); with.share() < least-chance(least) {
			t.Errorf("%s: found in %.2f, the printed run says at least %.2f", r.chart.Outcome, with.share(), least)
		}
		if most := 1 - math.Exp(-stretch/without.inControl); without.share() > most+chance(most) {
			t.Errorf("%s: falsely found in %.2f, the printed run says at most %.2f", r.chart.Outcome, without.share(), most)
		}
		if float64(with.median()) > with.outOfControl {
			t.Errorf("%s: median delay of %d operations, the printed mean is %.0f", r.chart.Outcome, with.median(), with.outOfControl)
		}
	}
}

// Over one department of many cases signals come as often as the printed run lengths
// say, with the fault and without it. Every signal begins anew, so that their number over n operations
// has mean n/run and, a run being nearly exponential, about that variance.
func TestRunLengthsHoldInADepartment(t *testing.T) {
	t.Parallel()
	n := 24_000
	if testing.Short() {
		n = 8_000
	}
	for _, r := range charts {
		for _, odds := range []float64{0, 2} {
			b := Built{DeteriorationOddsRatio: odds, DeteriorationFrom: 0.25}
			cases := Invent(Settings{Cases: n, Seed: 11, Built: b}).Cases[:n]
			c := draw(cases, cases[n/4].Incision, r.chart)
			alarms, run := 0, c.Upper.InControl.Cases
			if odds > 0 {
				run = c.Upper.OutOfControl.Cases
			}
			for _, p := range c.Points {
				if p.UpperSignal {
					alarms++
				}
			}
			want := float64(c.Known) / run
			t.Logf("%s, odds ratio %g: %d signals in %d operations, %.1f expected by a run of %.1f", r.chart.Outcome, max(odds, 1), alarms, c.Known, want, run)
			if c.Baseline.Shift.IsSome() {
				t.Errorf("%s: the model was recalibrated, though it is the one that cases are drawn by", r.chart.Outcome)
			}
			if math.Abs(float64(alarms)-want) > 3.5*math.Sqrt(want) {
				t.Errorf("%s, odds ratio %g: %d signals in %d operations, the printed run of %.1f says %.1f", r.chart.Outcome, max(odds, 1), alarms, c.Known, run, want)
			}
		}
	}
}

// agreement gives the figure of one kind of the cases with rings of a family.
func agreement(cases []Case, family string, pairs func(*Case) []audit.Pair) audit.Agreement {
	a := audit.NewAgreements(audit.AgreementQuestion{})
	for i := range cases {
		if cases[i].Repair.Ring.Family != family {
			continue
		}
		if one := cases[i].counted(); a.AddCase(one) {
			if list := pairs(&cases[i]); len(list) > 0 {
				a.AddPairs(one, list)
			}
		}
	}
	for _, g := range a.Answer().Agreements {
		return g
	}
	return audit.Agreement{}
}

var (
	ringKey = audit.Key{Kind: discrepancy.KindRingDimension, Metric: string(valve.RingInnerAnteroPosteriorDiameter), Method: valve.Calliper, Formula: 1}
	// contactKey: the prediction as the service would make it, but by the flat model alone.
	contactKey = audit.Key{Kind: discrepancy.KindPredictionFromPlan, Metric: string(valve.CoaptationLength), Place: "a2_p2", Stage: valve.OffBypass, Method: valve.Echo2D, Formula: 1}
)

// ringPair is what was planned of the ring and what the calliper read.
func ringPair(c *Case) []audit.Pair {
	if !c.Repair.MeasuredRing || c.Plan.None {
		return nil
	}
	return []audit.Pair{{
		Key: ringKey, Run: 1, Verdict: discrepancy.Agrees, Planned: units.Some(c.Plan.Ring.AP), Actual: units.Some(c.Repair.RingAP), Tolerance: units.Some(1.0),
	}}
}

// predicted is what was read before the operation, put through the flat model.
func (c *Case) predicted() float64 {
	return units.Round(contact(c.Valve.ReadA2, c.Plan.HeightP2, c.Plan.Ring.AP, c.Valve.ReadDepth), 0.1)
}

func (c *Case) hasContact() bool {
	return !c.Plan.None && !c.Plan.Ring.Band && c.Plan.Ring.Label > 0 && c.Theatre.FirstGrade != "" && c.Theatre.Conversion == "" && c.Repair.Technique == c.Plan.Technique
}

func contactPair(c *Case) []audit.Pair {
	if !c.hasContact() {
		return nil
	}
	p := c.predicted()
	return []audit.Pair{{
		Key: contactKey, Run: 1, Verdict: discrepancy.Agrees, Planned: units.Some(p), Actual: units.Some(c.Repair.OffBypass), Tolerance: units.Some(2.0),
		Lower: units.Some(max(p-4, 0)), Upper: units.Some(p + 4),
	}}
}

// away says whether the interval of a bias leaves 0 out.
func away(g audit.Agreement) bool {
	low, ok := g.Bias.Lower.Get()
	high, ok2 := g.Bias.Upper.Get()
	return ok && ok2 && (low > 0 || high < 0)
}

// apart says whether two biases are further apart than both of their intervals allow by
// chance.
func apart(a, b audit.Agreement) bool {
	x, ok := a.Bias.Value.Get()
	y, ok2 := b.Bias.Value.Get()
	low, ok3 := a.Bias.Lower.Get()
	below, ok4 := b.Bias.Lower.Get()
	return ok && ok2 && ok3 && ok4 && math.Abs(x-y) > math.Hypot(x-low, y-below)
}

// How often a ring family that is off is seen, by how much it is off and how many cases
// there were: where a calliper reads the ring, and where nobody does, by how far contact
// lies from the prediction compared with the first family. Falsely found is what a table that is
// right gives.
func TestMiscalibratedRingIsFound(t *testing.T) {
	t.Parallel()
	sizes := []int{40, 80, 160}
	seeds := proofSeeds()
	for _, off := range []float64{0, 1, 2, 3} {
		byRing, byContact := make([]int, len(sizes)), make([]int, len(sizes))
		for seed := range seeds {
			all := Invent(Settings{Cases: sizes[len(sizes)-1], Seed: uint64(1000 + seed), Built: Built{RingOffMM: off}}).Cases
			for i, n := range sizes {
				if away(agreement(all[:n], MiscalibratedFamily, ringPair)) {
					byRing[i]++
				}
				if apart(agreement(all[:n], MiscalibratedFamily, contactPair), agreement(all[:n], FirstFamily, contactPair)) {
					byContact[i]++
				}
			}
		}
		for i, n := range sizes {
			ring, contact := float64(byRing[i])/float64(seeds), float64(byContact[i])/float64(seeds)
			t.Logf("%g mm off, %d cases: found by the calliper in %.1f %%, by contact in %.1f %% of %d departments", off, n, 100*ring, 100*contact, seeds)
			// 95 % intervals leave out a true 0 in 5 %, and no more than that in 3.5 standard errors.
			chance := 0.05 + 3.5*math.Sqrt(0.05*0.95/float64(seeds))
			switch {
			case off == 0 && max(ring, contact) > chance:
				t.Errorf("%d cases: a table that is right is called wrong in %.3f and %.3f, at most %.3f by chance", n, ring, contact, chance)
			case off == 3 && n >= 160 && ring < 1-chance:
				t.Errorf("%d cases: 3 mm are found by the calliper in %.3f only", n, ring)
			case off == 3 && n >= 160 && contact < 1-2*chance:
				t.Errorf("%d cases: 3 mm are found by contact in %.3f only", n, contact)
			}
		}
	}
}

// A calibration finds the bias of the prediction that is built in: the shift that it
// offers lies within 2 of its standard errors of it in 95 % of the departments, but for what reading
// errors move the flat model by themselves. Without a bias there is no shift; a stretch is offered
// where there are many cases, since errors of reading flatten every relation.
func TestBiasOfThePredictionIsFound(t *testing.T) {
	seeds := proofSeeds()
	fits := map[float64][]statistics.Fit{}
	base := 0.0
	for _, bias := range []float64{0, 1.4} {
		for seed := range seeds {
			fit := calibrate(t, Built{PredictionBiasMM: bias}, uint64(5000+seed), 150)
			fits[bias] = append(fits[bias], fit)
			if bias == 0 {
				base += fit.Shift / float64(seeds)
			}
		}
	}
	for _, bias := range []float64{0, 1.4} {
		corrects, covers := 0, 0
		shift := 0.0
		for _, fit := range fits[bias] {
			shift += fit.Shift / float64(seeds)
			if fit.Verdict == statistics.Corrects {
				corrects++
			}
			if math.Abs(fit.Shift+bias-base) <= 2*fit.ShiftSE {
				covers++
			}
		}
		t.Logf("a bias of %g mm, %d departments of 150 cases: shift %.2f mm on average, within 2 standard errors in %.1f %%; a correction is offered in %.1f %%",
			bias, seeds, shift, 100*float64(covers)/float64(seeds), 100*float64(corrects)/float64(seeds))
		if least := 0.95 - 3.5*math.Sqrt(0.95*0.05/float64(seeds)); float64(covers)/float64(seeds) < least {
			t.Errorf("a bias of %g mm: %d of %d shifts are as large, at least %.2f were to be", bias, covers, seeds, least)
		}
		if bias > 0 && corrects < seeds*9/10 {
			t.Errorf("a bias of %g mm is corrected in %d of %d departments", bias, corrects, seeds)
		}
	}
	if math.Abs(base) > 0.2 {
		t.Errorf("without a bias contact lies %.2f mm from the flat model", base)
	}
}

func calibrate(t *testing.T, b Built, seed uint64, n int) statistics.Fit {
	t.Helper()
	var pairs []statistics.Pair
	d := Invent(Settings{Cases: n, Seed: seed, Built: b})
	for i := range d.Cases {
		if c := &d.Cases[i]; c.hasContact() {
			pairs = append(pairs, statistics.Pair{Predicted: c.predicted(), Measured: c.Repair.OffBypass})
		}
	}
	fit, err := statistics.Calibrate(pairs)
	if err != nil {
		t.Fatal(err)
	}
	return fit
}

// A new operator's failures, who has to learn: those of the first 40 cases of his against those after
// 100, over all departments, and against departments where nobody has to.
func TestLearningIsThere(t *testing.T) {
	rate := func(b Built, from, to int) float64 {
		failed, of := 0, 0
		for seed := range proofSeeds() {
			d := Invent(Settings{Cases: 600, Seed: uint64(9000 + seed), Built: b})
			for i := range d.Cases {
				if c := &d.Cases[i]; c.Operator == newOperator && from <= c.OperatorCase && c.OperatorCase < to {
					of++
					if c.Failed() {
						failed++
					}
				}
			}
		}
		return float64(failed) / float64(of)
	}
	learns := Built{LearningOddsRatio: Everything().LearningOddsRatio}
	early, late, never := rate(learns, 1, 41), rate(learns, 81, 1000), rate(Built{}, 1, 41)
	t.Logf("first 40 cases of a new operator: %.1f %% fail, after 80: %.1f %%; where nobody has to learn %.1f %%", 100*early, 100*late, 100*never)
	// The odds of failure of the first 40 are 2.6 times the others' on average, after 80 at most
	// 2 times; half of that and all of it leave room for chance.
	if early < 1.8*never || late > 1.8*never {
		t.Errorf("first 40 cases: %.3f fail, after 80: %.3f, without a curve %.3f", early, late, never)
	}
}
