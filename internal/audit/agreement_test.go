package audit

import (
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trigone/internal/discrepancy"
	"trigone/internal/units"
	"trigone/internal/valve"
)

var height = Key{Kind: discrepancy.KindHeight, Metric: string(valve.LeafletHeight), Place: "p2", Method: valve.Ruler, Formula: 1}

// pair has both sides in steps of 0.1, the grid of a length.
func pair(k Key, planned, actual int64) Pair {
	return Pair{Key: k, Planned: units.Some(units.FromGrid(planned, 0.1)), Actual: units.Some(units.FromGrid(actual, 0.1)), Verdict: discrepancy.Agrees, Run: 1}
}

// What was predicted by another formula, or under another calibration, is another figure.
func TestPredictionsOfTwoKindsStandApart(t *testing.T) {
	plain := Key{Kind: discrepancy.KindPredictionFromPlan, Metric: string(valve.CoaptationLength), Place: "a2_p2", Formula: 1, PredictionFormula: 2}
	calibrated, again, formula := plain, plain, plain
	calibrated.Calibration, again.Calibration, formula.PredictionFormula = "cal-1", "cal-2", 3
	a := NewAgreements(AgreementQuestion{})
	for range 12 {
		for _, k := range []Key{calibrated, formula, plain, again} {
			add(a, prospective(), []Pair{pair(k, 80, 81)})
		}
	}
	var got []Key
	for _, g := range a.Answer().Agreements {
		got = append(got, g.Key)
		if g.Pairs != 12 {
			t.Errorf("%+v: %d pairs", g.Key, g.Pairs)
		}
		if named := strings.Contains(g.Sentence, "under calibration cal-"); named != (g.Calibration != "") {
			t.Errorf("%+v: %s", g.Key, g.Sentence)
		}
	}
	if want := []Key{plain, calibrated, again, formula}; !slices.Equal(got, want) {
		t.Errorf("%+v\nwant %+v", got, want)
	}
}

func add(a *Agreements, c *Case, pairs []Pair) {
	if a.AddCase(c) {
		a.AddPairs(c, pairs)
	}
}

func prospective() *Case { return &Case{Timing: Prospective} }

// The peak flows of Bland & Altman, Lancet 1986 (read in public copies), given as if they
// were heights: the figures that a person meets are the published ones.
func TestPublishedExample(t *testing.T) {
	large := []int64{494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427}
	mini := []int64{512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451}
	a := NewAgreements(AgreementQuestion{})
	for i := range large {
		add(a, prospective(), []Pair{pair(height, mini[i], large[i])})
	}
	answer := a.Answer()
	if answer.Eligible != 17 || answer.Paired != 17 || len(answer.Agreements) != 1 {
		t.Fatalf("%+v", answer)
	}
	g := answer.Agreements[0]
	grid := g.Grid
	for _, r := range []struct {
		what string
		got  units.Maybe[float64]
		want float64
	}{
		{"bias", g.Bias.Value, -2.1}, {"SD", g.SD.Value, 38.8}, {"lower limit", g.LowerLimit.Value, -78.1}, {"upper limit", g.UpperLimit.Value, 73.9},
		{"upper end of the bias", g.Bias.Upper, 17.8},
	} {
		if got, ok := r.got.Get(); !ok || math.Abs(got/grid-r.want) > 0.1 {
			t.Errorf("%s: %v steps, want %v", r.what, got/grid, r.want)
		}
	}
	const want = "In 17 patients leaflet height at P2 (ruler) was on average 0.21 mm less than planned (95 % interval -2.20 to 1.78); " +
		"95 % of the differences are expected between -7.81 and 7.39 mm, which so few can tell only roughly."
	if g.Sentence != want {
		t.Errorf("sentence:\n%s\nwant\n%s", g.Sentence, want)
	}
}

func TestWhoIsLeftOut(t *testing.T) {
	prediction := Key{Kind: discrepancy.KindPredictionFromPlan, Metric: string(valve.CoaptationLength), Place: "a2_p2", Formula: 1}
	at := func(p Pair, order int64, run int, stage valve.Stage) Pair {
		p.Order, p.Run, p.Stage = order, run, stage
		return p
	}
	for _, r := range []struct {
		reason   string
		question AgreementQuestion
		c        Case
		pairs    []Pair
		// sum of the differences that count, and what is left out
		pairsOf int
		sum     int64
		cases   []Left
		rows    []Left
	}{
		{"an ordinary case", AgreementQuestion{}, Case{Timing: Prospective}, []Pair{pair(height, 10, 13)}, 1, 3, nil, nil},
		{"a plan received after incision was no plan", AgreementQuestion{}, Case{Timing: "retrospective"}, []Pair{pair(height, 10, 13)}, 0, 0, []Left{{OtherTiming, 1}}, nil},
		{"unless it is asked for", AgreementQuestion{Timings: []string{"retrospective"}}, Case{Timing: "retrospective"}, []Pair{pair(height, 10, 13)}, 1, 3, nil, nil},
		{"no plan at all", AgreementQuestion{}, Case{Timing: "no_plan"}, []Pair{pair(height, 10, 13)}, 0, 0, []Left{{NoPlan, 1}}, nil},
		{"a patient counts once", AgreementQuestion{}, Case{Timing: Prospective, Later: true}, []Pair{pair(height, 10, 13)}, 0, 0, []Left{{LaterCase, 1}}, nil},
		{"otherwise than planned counts among all", AgreementQuestion{}, Case{Timing: Prospective}, []Pair{pair(height, 10, 13)}, 1, 3, nil, nil},
		{"and not among the executed", AgreementQuestion{View: AsExecuted}, Case{Timing: Prospective}, []Pair{pair(height, 10, 13)}, 0, 0, []Left{{NotAsExecuted, 1}}, nil},
		{"the last run is what was left", AgreementQuestion{}, Case{Timing: Prospective}, []Pair{at(pair(height, 10, 13), 1, 1, ""), at(pair(height, 10, 12), 2, 2, "")}, 1, 2, nil, []Left{{OtherRun, 1}}},
		{"the first run where it is asked for", AgreementQuestion{FirstRun: true}, Case{Timing: Prospective}, []Pair{at(pair(height, 10, 12), 2, 2, ""), at(pair(height, 10, 13), 1, 1, "")}, 1, 3, nil, []Left{{OtherRun, 1}}},
		{"two steps at one place", AgreementQuestion{}, Case{Timing: Prospective}, []Pair{at(pair(height, 10, 15), 2, 1, ""), at(pair(height, 10, 11), 1, 1, "")}, 1, 1, nil, []Left{{SecondPair, 1}}},
		{"nothing measured", AgreementQuestion{}, Case{Timing: Prospective}, []Pair{{Key: height, Planned: units.Some(1.0)}}, 0, 0, nil, []Left{{NoNumber, 1}}},
		{"a disputed value has a comparison that is not evaluable", AgreementQuestion{}, Case{Timing: Prospective}, []Pair{{Key: height, Planned: units.Some(1.0), Actual: units.Some(9.0), Verdict: discrepancy.NotJudged}}, 0, 0, nil, []Left{{NotEvaluable, 1}}},
		{"a prediction is for the first reading off bypass", AgreementQuestion{}, Case{Timing: Prospective},
			[]Pair{at(pair(prediction, 80, 90), 1, 1, valve.OffBypass), at(pair(prediction, 80, 70), 2, 2, valve.LeavingTheatre), at(pair(prediction, 80, 75), 3, 2, valve.OffBypass)},
			1, 10, nil, []Left{{OtherRun, 1}, {OtherStage, 1}}},
	} {
		t.Run(r.reason, func(t *testing.T) {
			a := NewAgreements(r.question)
			add(a, &r.c, r.pairs)
			answer := a.Answer()
			if !reflect.DeepEqual(answer.Left, r.cases) {
				t.Errorf("cases left out: %v, want %v", answer.Left, r.cases)
			}
			if r.cases != nil {
				if len(answer.Agreements) != 0 || answer.Paired != 0 {
					t.Errorf("figures of a case that was left out: %+v", answer)
				}
				return
			}
			g := answer.Agreements[0]
			if g.Pairs != r.pairsOf || !reflect.DeepEqual(g.Left, r.rows) {
				t.Errorf("%d pairs, left %v, want %d, %v", g.Pairs, g.Left, r.pairsOf, r.rows)
			}
			if g.Pairs == 1 && g.Points[0][1]-g.Points[0][0] != r.sum {
				t.Errorf("pair %v, want a difference of %d", g.Points[0], r.sum)
			}
			if g.Bias.Value.IsSome() || g.Bias.Because == "" {
				t.Errorf("of one patient a bias is told: %+v", g.Bias)
			}
		})
	}
}

// The pairs of a figure are given where they were asked for, up to 500.
func TestPoints(t *testing.T) {
	for _, r := range []struct {
		reason  string
		pairs   int
		asked   bool
		points  int
		because string
	}{
		{"too few for limits: always", 9, false, 9, tooFewForLimits},
		{"enough for limits, not asked for", 10, false, 0, ""},
		{"asked for", 10, true, 10, ""},
		{"as many as are given", mostPoints, true, mostPoints, ""},
		{"more", mostPoints + 1, true, 0, ""},
	} {
		a := NewAgreements(AgreementQuestion{Points: r.asked})
		for i := range r.pairs {
			add(a, prospective(), []Pair{pair(height, 100, 100+int64(i%7))})
		}
		g := a.Answer().Agreements[0]
		if g.Pairs != r.pairs || len(g.Points) != r.points || g.Bias.Because != r.because {
			t.Errorf("%s: %d pairs, %d points, bias %+v", r.reason, g.Pairs, len(g.Points), g.Bias)
		}
	}
}

// The order in which cases come changes nothing, to the last bit.
func TestOrderOfArrival(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		n := rapid.IntRange(0, 60).Draw(t, "cases")
		type entry struct {
			c     *Case
			pairs []Pair
		}
		var list []entry
		for range n {
			c := prospective()
			c.Words = []Group{{"technique", []string{"triangular", "chords"}[r.IntN(2)]}}
			c.Later = r.IntN(10) == 0
			list = append(list, entry{c, []Pair{pair(height, 100+r.Int64N(30), 100+r.Int64N(30))}})
		}
		ask := func(list []entry) AgreementAnswer {
			a := NewAgreements(AgreementQuestion{Strata: []string{"technique"}})
			for _, e := range list {
				c := *e.c
				add(a, &c, e.pairs)
			}
			return a.Answer()
		}
		one, other := ask(list), ask(rapid.Permutation(list).Draw(t, "order"))
		if !reflect.DeepEqual(one, other) {
			t.Fatalf("%+v\nin another order\n%+v", one, other)
		}
		for _, g := range one.Agreements {
			if (g.Pairs < leastForLimits) != (g.Points != nil) || (g.Pairs < leastForLimits) == g.LowerLimit.Value.IsSome() {
				t.Fatalf("%d pairs: %+v", g.Pairs, g)
			}
		}
	})
}

func TestRingLabels(t *testing.T) {
	label := Key{Kind: discrepancy.KindRingLabel, Metric: "ring_label", Formula: 1}
	a := NewAgreements(AgreementQuestion{RingSizes: map[string][]float64{"harbour-complete": {26, 28, 30, 33, 36}}})
	for _, actual := range []float64{30, 33, 28, 36} {
		c := prospective()
		c.Words = []Group{{"ring_family", "harbour-complete"}}
		add(a, c, []Pair{ring(label, 30, 30, actual)})
	}
	c := prospective()
	c.Words = []Group{{"ring_family", "not-in-the-table"}}
	add(a, c, []Pair{ring(label, 30, 30, 32)})
	two := prospective()
	two.Words = []Group{{"ring_family", "harbour-complete"}}
	add(a, two, []Pair{ring(label, 28, 30, 28)})
	g := a.Answer().Agreements[0]
	if g.Exact.Count != 2 || g.Exact.Of != 6 {
		t.Errorf("exact: %+v, want 2 of 6", g.Exact.Share)
	}
	// 33 is the size after 30, three more on the label; 32 has no place in any table.
	if g.WithinOneSize.Count != 4 || g.WithinOneSize.Of != 5 {
		t.Errorf("within one size: %+v, want 4 of 5", g.WithinOneSize.Share)
	}
	const want = "The ring implanted had a label that was planned in 2 of 6, and was at most one size of its family away in 4 of 5."
	if g.Sentence != want || g.Bias.Value.IsSome() {
		t.Errorf("%s\nwant\n%s", g.Sentence, want)
	}
}

func ring(k Key, low, high, implanted float64) Pair {
	return Pair{Key: k, Lower: units.Some(low), Upper: units.Some(high), Actual: units.Some(implanted), Verdict: discrepancy.Agrees}
}

// 57 of 60 predicted ranges hold: 86 to 99 %, decisions of the audit F4.
func TestPredictedRanges(t *testing.T) {
	k := Key{Kind: discrepancy.KindPredictionFromPlan, Metric: string(valve.CoaptationLength), Place: "a2_p2", Stage: valve.OffBypass, Formula: 1}
	for _, n := range []int{59, 60} {
		a := NewAgreements(AgreementQuestion{})
		for i := range n {
			p := pair(k, 80, 80)
			p.Lower, p.Upper = units.Some(6.0), units.Some(10.0)
			if i < 3 {
				p.Actual = units.Some(10.5)
			}
			add(a, prospective(), []Pair{p})
		}
		g := a.Answer().Agreements[0]
		if g.InRange.Count != n-3 || g.InRange.Above != 3 || g.InRange.Below != 0 || g.InRange.Enough != (n == 60) {
			t.Errorf("%d: %+v", n, g.InRange)
		}
		want := "In 59 patients coaptation length at A2-P2 was on average 0.13 mm more than predicted from the plan (95 % interval -0.02 to 0.27); " +
			"95 % of the differences are expected between -0.96 and 1.21 mm. Of the predicted 95 % ranges 56 of 59 held: too few to say."
		if n == 60 {
			want = "In 60 patients coaptation length at A2-P2 was on average 0.13 mm more than predicted from the plan (95 % interval -0.02 to 0.27); " +
				"95 % of the differences are expected between -0.95 and 1.20 mm. The predicted 95 % range held in 57 of 60 (95 % interval 86 to 99 %); 3 above it."
		}
		if g.Sentence != want {
			t.Errorf("%s\nwant\n%s", g.Sentence, want)
		}
	}
}

func TestAims(t *testing.T) {
	k := Key{Kind: discrepancy.KindAim, Metric: string(valve.CoaptationLength), Place: "a2_p2", Stage: valve.LeavingTheatre, Formula: 1}
	a := NewAgreements(AgreementQuestion{})
	for _, v := range []float64{5, 8, 9, 30} {
		// A comparison with an aim has a number on the plan's side where it was missed, so
		// that differences would be those of the misses.
		p := Pair{Key: k, Actual: units.Some(v), Lower: units.Some(8.0), Verdict: discrepancy.Agrees}
		if v == 5 || v == 30 {
			p.Planned, p.Verdict = units.Some(8.0), discrepancy.Present
		}
		if v == 30 {
			p.Upper = units.Some(12.0)
		}
		add(a, prospective(), []Pair{p})
	}
	g := a.Answer().Agreements[0]
	const want = "Coaptation length at A2-P2 on leaving theatre was inside what was aimed at in 2 of 4; 1 below it and 1 above."
	if g.Sentence != want || g.Pairs != 4 || g.Patients != 4 || g.Bias.Value.IsSome() || g.Bias.Because != aimsApart || g.WithinTolerance.Of != 0 || len(g.Points) != 0 {
		t.Errorf("%s\nwant\n%s", g.Sentence, want)
	}
}
