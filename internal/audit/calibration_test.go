package audit

import (
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"trigone/internal/discrepancy"
	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// foretold gives a prediction from what was done with what was measured off bypass.
func foretold(predicted, measured float64) Pair {
	k := Key{
		Kind: discrepancy.KindPredictionFromExecution, Metric: string(valve.CoaptationLength), Place: "a2_p2", Stage: valve.OffBypass, Method: valve.Echo2D,
		Formula: 1, MetricFormula: 1, PredictionFormula: formulaOf(discrepancy.KindPredictionFromExecution),
	}
	predicted, measured = units.Round(predicted, 0.1), units.Round(measured, 0.1)
	return Pair{
		Key: k, Planned: units.Some(predicted), Actual: units.Some(measured), Lower: units.Some(max(0, predicted-5)), Upper: units.Some(predicted + 5), Verdict: discrepancy.Agrees, Run: 1,
	}
}

func fromPlan(p Pair) Pair {
	p.Kind, p.PredictionFormula = discrepancy.KindPredictionFromPlan, formulaOf(discrepancy.KindPredictionFromPlan)
	return p
}

// resected is a case of a resection, operated on at a day.
func resected(uid string, day int) *Case {
	return &Case{
		UID: uid, Incision: time.Date(2026, 1, 1, 8, 0, 0, 0, time.UTC).AddDate(0, 0, day), Timing: Prospective,
		Words: []Group{{TechniqueDone, "annuloplasty"}, {TechniqueDone, "leaflet_resection"}, {TechniquePlanned, "annuloplasty"}, {TechniquePlanned, "artificial_chord"}},
	}
}

type foretoldCase struct {
	c     *Case
	pairs []Pair
}

func fitted(q CalibrationQuestion, list []foretoldCase) CalibrationAnswer {
	a := NewCalibrations(q)
	for _, x := range list {
		if a.AddCase(x.c) {
			a.AddPairs(x.c, x.pairs)
		}
	}
	return a.Answer()
}

// drawn gives a department: measured is what link makes of predicted.
func drawnDepartment(n int, link func(r *rand.Rand, predicted float64) float64) (list []foretoldCase) {
	r := rand.New(rand.NewPCG(31, uint64(n)))
	for i := range n {
		predicted := 8 + 2*r.NormFloat64()
		list = append(list, foretoldCase{resected(string(rune('a'+i%26))+string(rune('a'+i/26)), i), []Pair{foretold(predicted, link(r, predicted))}})
	}
	return list
}

func shifted(r *rand.Rand, predicted float64) float64 { return predicted - 2 + 1.2*r.NormFloat64() }

func TestFitsOfDepartments(t *testing.T) {
	for _, r := range []struct {
		why     string
		n       int
		link    func(r *rand.Rand, predicted float64) float64
		verdict CalibrationVerdict
		says    string
	}{
		{"a shift", 60, shifted, Corrects, "In 60 repairs by resection the coaptation length measured by echo 2d off bypass was on average "},
		{"right as it is", 60, func(r *rand.Rand, p float64) float64 { return p + 1.2*r.NormFloat64() }, NoCorrection, "The prediction needs no correction: in cases that it has not seen it is off by "},
		{"no relation", 60, func(r *rand.Rand, _ float64) float64 { return 9 + 1.5*r.NormFloat64() }, ExplainsNothing, "The prediction explains nothing here that the mean of such repairs does not"},
		{"29", 29, shifted, TooFewPairs, "Only 29 repairs by resection have a coaptation length that was predicted from what was done and measured by echo 2d off bypass: too few, a correction is fitted to 30."},
		{"one", 1, shifted, TooFewPairs, "Only 1 repair by resection has a coaptation length"},
		{"always the same difference", 40, func(_ *rand.Rand, p float64) float64 { return units.Round(p, 0.1) - 1 }, NoSpread, "no measuring gives that; see where the values come from"},
	} {
		answer := fitted(CalibrationQuestion{}, drawnDepartment(r.n, r.link))
		if len(answer.Calibrated) != 1 {
			t.Fatalf("%s: %+v", r.why, answer)
		}
		c := answer.Calibrated[0]
		if c.Verdict != r.verdict || !strings.Contains(c.Sentence, r.says) || strings.Contains(c.Sentence, "NaN") {
			t.Errorf("%s: %s: %s", r.why, c.Verdict, c.Sentence)
		}
		if offered := c.Calibration != nil; offered != (r.verdict == Corrects) || offered && c.Calibration.ID != c.Calibration.ContentID() {
			t.Errorf("%s: offered %+v", r.why, c.Calibration)
		}
		if told := c.FitError.Value.IsSome(); told != (r.verdict != TooFewPairs) || !told && c.FitError.Because == "" {
			t.Errorf("%s: error %+v", r.why, c.FitError)
		}
	}
	if empty := fitted(CalibrationQuestion{}, nil); empty.Eligible != 0 || len(empty.Calibrated) != 0 {
		t.Errorf("of nothing: %+v", empty)
	}
}

// The order in which cases come changes nothing.
func TestFitInAnyOrder(t *testing.T) {
	list := drawnDepartment(120, shifted)
	q := CalibrationQuestion{FittedUntil: list[79].c.Incision}
	want := fitted(q, list)
	for seed := range uint64(3) {
		r := rand.New(rand.NewPCG(seed, 1))
		r.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
		if got := fitted(q, list); !reflect.DeepEqual(got, want) {
			t.Errorf("%+v\nwant %+v", got, want)
		}
	}
}

// Later cases are no part of the fit, and say whether it holds once there are 30.
func TestLaterCasesSayWhetherAFitHolds(t *testing.T) {
	list := drawnDepartment(100, shifted)
	for _, r := range []struct {
		until, fitted, of int
		later             bool
	}{{59, 60, 40, true}, {69, 70, 30, true}, {70, 71, 71, false}} {
		c := fitted(CalibrationQuestion{FittedUntil: list[r.until].c.Incision}, list).Calibrated[0]
		if c.Fitted != r.fitted || c.Later != 100-r.fitted || c.FromLater != r.later || c.After.Of != r.of || c.Before.Of != r.of || !c.LastCase.Equal(list[r.until].c.Incision) {
			t.Errorf("fitted until case %d: %+v", r.until, c)
		}
		alone := fitted(CalibrationQuestion{}, list[:r.fitted]).Calibrated[0]
		if *c.Calibration != *alone.Calibration {
			t.Errorf("later cases moved the fit: %+v, without them %+v", c.Calibration, alone.Calibration)
		}
		if said := strings.Contains(c.Sentence, "of cases operated on after the last one fitted"); said != r.later {
			t.Error(c.Sentence)
		}
		if c.After.Count < c.After.Of*85/100 {
			t.Errorf("%d of %d ranges held", c.After.Count, c.After.Of)
		}
	}
}

func TestWhoIsNotFitted(t *testing.T) {
	other := func(change func(*Pair)) []Pair {
		p := foretold(8, 7)
		change(&p)
		return []Pair{p}
	}
	for _, r := range []struct {
		why    string
		change func(*Case)
		pairs  []Pair
		whole  bool // left out as a case
		reason Reason
	}{
		{"a later operation of the same patient", func(c *Case) { c.Later = true }, []Pair{foretold(8, 7)}, true, LaterCase},
		{"no time by which it could be last", func(c *Case) { c.Incision = time.Time{} }, []Pair{foretold(8, 7)}, true, NoIncision},
		{"no technique", func(c *Case) { c.Words = nil }, []Pair{foretold(8, 7)}, false, NoTechnique},
		{"a plan that came late predicts nothing", func(c *Case) { c.Timing = "retrospective" }, []Pair{fromPlan(foretold(8, 7))}, false, OtherTiming},
		{"no plan in force", func(c *Case) { c.Timing = "no_plan" }, []Pair{fromPlan(foretold(8, 7))}, false, NoPlan},
		{"another formula", func(*Case) {}, other(func(p *Pair) { p.PredictionFormula-- }), false, OtherFormula},
		{"a formula that is not told", func(*Case) {}, other(func(p *Pair) { p.PredictionFormula = 0 }), false, OtherFormula},
		{"a gap is no length", func(*Case) {}, []Pair{foretold(0, 3)}, false, NothingForetold},
		{"read when leaving theatre", func(*Case) {}, other(func(p *Pair) { p.Stage = valve.LeavingTheatre }), false, OtherStage},
		{"outside the domain there is no number", func(*Case) {}, other(func(p *Pair) {
			p.Planned, p.Lower, p.Upper = units.None[float64](), units.None[float64](), units.None[float64]()
		}), false, NoNumber},
		{"another method than most", func(*Case) {}, other(func(p *Pair) { p.Method = valve.Echo3D }), false, OtherMethod},
	} {
		odd := foretoldCase{resected("zz", 400), r.pairs}
		r.change(odd.c)
		answer := fitted(CalibrationQuestion{}, append(drawnDepartment(40, shifted), odd))
		var found []Left
		if r.whole {
			found = answer.Left
		}
		for _, c := range answer.Calibrated {
			if c.Technique == repair.ClassResection && c.Kind == discrepancy.KindPredictionFromExecution && c.Fitted != 40 {
				t.Errorf("%s: %d are fitted", r.why, c.Fitted)
			}
			if !r.whole {
				found = append(found, c.Left...)
			}
		}
		if !reflect.DeepEqual(found, []Left{{r.reason, 1}}) {
			t.Errorf("%s: %+v", r.why, found)
		}
	}
}

// A prediction from the plan is of the techniques planned, and one that was calibrated is
// fitted by what the model said before.
func TestWhatIsFitted(t *testing.T) {
	list := drawnDepartment(40, shifted)
	for i := range list {
		p := fromPlan(list[i].pairs[0])
		p.Uncalibrated, p.Calibration = p.Planned, "cal-before"
		p.Planned = units.Some(p.Planned.OrElse(0) - 1.5)
		list[i].pairs = append(list[i].pairs, p)
	}
	answer := fitted(CalibrationQuestion{}, list)
	if len(answer.Calibrated) != 2 {
		t.Fatalf("%+v", answer)
	}
	plan, done := answer.Calibrated[0], answer.Calibrated[1]
	if plan.Technique != repair.ClassChords || done.Technique != repair.ClassResection {
		t.Errorf("%s by the plan, %s done", plan.Technique, done.Technique)
	}
	if plan.Difference != done.Difference || plan.Calibration.Correction != done.Calibration.Correction || plan.Calibration.ID == done.Calibration.ID {
		t.Errorf("%+v\n%+v", plan, done)
	}
	if len(plan.InUse) != 1 || plan.InUse[0].ID != "cal-before" || plan.InUse[0].Of != 40 || plan.Before.Of != 0 || done.Before.Of != 40 {
		t.Errorf("in use %+v, before %+v and %+v", plan.InUse, plan.Before, done.Before)
	}
}
