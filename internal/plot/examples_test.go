package plot_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"trigone/internal/picture"
	"trigone/internal/plot"
	"trigone/internal/statistics"
)

// example is a plot of invented numbers; full ones have a golden file.
type example struct {
	name  string
	full  bool
	drawn bool // false: says why there is nothing
	of    func(t *testing.T) picture.Picture
}

func frame(name, sentence string) plot.Frame {
	return plot.Frame{
		Name: name, Sentence: sentence, Invented: true,
		Notes:  []string{"Left out: 12 with a plan of another timing, 3 with no number on one side."},
		Method: "Method 1. Record read up to change 4711, cases operated on by 31 December 2025.",
	}
}

func examples() []example {
	return []example{
		{"difference", true, true, difference(84)},
		{"difference of few", false, true, few},
		{"difference without points", false, true, func(t *testing.T) picture.Picture {
			d := differences(t, 84)
			d.Points = nil
			d.Notes = append(d.Notes, "Points are not shown.")
			return d.Picture()
		}},
		{"difference, all equal", false, true, func(*testing.T) picture.Picture {
			return plot.Difference{Frame: frame("difference-equal", "All values measured lie where they were planned."), Unit: "mm", Of: "planned", Against: "planned",
				Points: []plot.DifferencePoint{{30, 0}, {30, 0}}, Bias: &plot.Estimate{Value: 0}, Digits: 1}.Picture()
		}},
		{"difference of nothing", false, false, func(*testing.T) picture.Picture {
			return plot.Difference{Frame: frame("difference-none", "Nothing was measured."), Unit: "mm"}.Picture()
		}},
		{"difference that is no number", false, false, func(*testing.T) picture.Picture {
			return plot.Difference{Frame: frame("difference-nan", "Nothing to tell."), Unit: "mm", Bias: &plot.Estimate{Value: math.NaN()}}.Picture()
		}},
		{"funnel", true, true, funnel(9, 30, 160)},
		{"funnel of many", false, true, funnel(26, 10, 400)},
		{"funnel of nothing", false, false, func(*testing.T) picture.Picture {
			f := plot.Funnel{Frame: frame("funnel-none", "There are two operators only.")}
			f.NotDrawn = "a funnel takes 5 units with 10 cases each"
			return f.Picture()
		}},
		{"cusum", true, true, cusum(400, 0.06, 250, 0.16)},
		{"cusum of few", false, true, cusum(7, 0.06, 1, 0.06)},
		{"cusum of one", false, true, cusum(1, 0.06, 1, 0.06)},
		{"cusum of thousands", false, true, cusum(12000, 0.05, 6000, 0.07)},
		{"picture of an outcome", false, true, func(*testing.T) picture.Picture {
			m := plot.Monitoring{Frame: frame("picture", "Second runs are a picture only, for the policy names none."), Of: "second pump run", Recent: true, VLAD: true, Before: 3000}
			var times []time.Time
			for i := range 300 {
				m.Cases = append(m.Cases, plot.MonitoredCase{RecentShare: 0.1 + 0.05*math.Sin(float64(i)/20), ExpectedMinusObserved: math.Cos(float64(i) / 30)})
				times = append(times, time.Date(2023, 3, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, 3*i))
			}
			m.Years = plot.Years(times, m.Before)
			return m.Picture()
		}},
		{"cusum of nothing", false, false, func(*testing.T) picture.Picture {
			return plot.Monitoring{Frame: frame("cusum-none", "No case has an expected risk.")}.Picture()
		}},
		{"learning", true, true, learning(160)},
		{"learning of nothing", false, false, func(*testing.T) picture.Picture {
			return plot.Learning{Frame: frame("learning-none", "The operator has no case.")}.Picture()
		}},
		{"freedom", true, true, freedom},
		{"incidence", true, true, incidence},
		{"freedom of nobody", false, false, func(*testing.T) picture.Picture {
			return plot.Curves{Frame: frame("freedom-none", "Nobody was seen again.")}.Picture()
		}},
		{"freedom without an event", false, true, func(*testing.T) picture.Picture {
			return plot.Curves{Frame: frame("freedom-one", "Nobody had it."), Share: "free from recurrence", Unit: "years", Times: []float64{0, 1, 2},
				Curves: []plot.Curve{{Begin: 1, End: 2, AtRisk: []int{40, 21, 11}}}}.Picture()
		}},
		{"coverage", true, true, coverage},
		{"coverage of nothing", false, false, func(*testing.T) picture.Picture {
			return plot.Coverage{Frame: frame("coverage-none", "No range was printed."), Wanted: 0.95}.Picture()
		}},
		{"multiples", true, true, multiples},
		{"multiples of nothing", false, false, func(*testing.T) picture.Picture {
			return plot.Multiples{Frame: frame("multiples-none", "There are no cases."), Times: []string{"2025"}}.Picture()
		}},
	}
}

func source(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 7)) }

func differences(t *testing.T, n int) plot.Difference {
	t.Helper()
	r := source(1)
	d := plot.Difference{
		Frame: frame("difference", "Coaptation comes out 0.8 mm shorter than predicted; 95 % of the patients lie between 4.4 mm shorter and 2.7 mm longer."),
		Unit:  "mm", Of: "predicted", Against: "mean of predicted and measured", Digits: 1,
	}
	d.Counted = fmt.Sprintf("%d patients, one pair each, plans signed before incision", n)
	var sum, squares float64
	for range n {
		predicted := math.Round(2*(9+1.6*r.NormFloat64())) / 2
		measured := math.Round(2*(predicted-0.8+1.8*r.NormFloat64())) / 2
		d.Points = append(d.Points, plot.DifferencePoint{At: (predicted + measured) / 2, Difference: measured - predicted})
		sum += measured - predicted
		squares += (measured - predicted) * (measured - predicted)
	}
	mean := sum / float64(n)
	sd := math.Sqrt((squares - sum*mean) / float64(n-1))
	inner, outer := 1.75*sd, 2.3*sd
	estimate := func(v, below, above float64) *plot.Estimate {
		return &plot.Estimate{Value: v, Interval: &plot.Interval{Lower: v - below, Upper: v + above}}
	}
	d.Bias = estimate(mean, 0.4, 0.4)
	d.Upper = &plot.Estimate{Value: mean + 1.96*sd, Interval: &plot.Interval{Lower: mean + inner, Upper: mean + outer}}
	d.Lower = &plot.Estimate{Value: mean - 1.96*sd, Interval: &plot.Interval{Lower: mean - outer, Upper: mean - inner}}
	return d
}

func difference(n int) func(*testing.T) picture.Picture {
	return func(t *testing.T) picture.Picture { return differences(t, n).Picture() }
}

func few(*testing.T) picture.Picture {
	d := plot.Difference{
		Frame: frame("difference-few", "Six patients are too few for limits: the single differences stand in the plot."),
		Unit:  "mm", Of: "planned", Against: "planned", Digits: 1,
		Points: []plot.DifferencePoint{{16, -1}, {17, 0}, {17, 0.5}, {18, 2}, {18, 0}, {20, -0.5}},
	}
	d.Counted = "6 patients"
	return d.Picture()
}

func funnel(units, least, most int) func(*testing.T) picture.Picture {
	return func(t *testing.T) picture.Picture {
		r := source(uint64(units))
		f := plot.Funnel{
			Frame: frame("funnel", "Of 9 operators one converts to replacement more often than chance alone would make it: look at these cases."),
			Share: "conversion to replacement", Target: 0.06, TargetFrom: "of all others' cases",
		}
		f.Counted = fmt.Sprintf("%d operators", units)
		for i := range units {
			n := least + r.IntN(most-least)
			k := 0
			risk := 0.06
			if i == 3 {
				risk = 0.17
			}
			for range n {
				if r.Float64() < risk {
					k++
				}
			}
			f.Units = append(f.Units, plot.FunnelUnit{Letter: string(rune('A' + i)), Count: k, Of: n, Own: i == 5})
		}
		for n := 5; n <= most; n++ {
			inner, err := statistics.Funnel(n, f.Target, 0.95)
			if err != nil {
				t.Fatal(err)
			}
			outer, err := statistics.Funnel(n, f.Target, 0.998)
			if err != nil {
				t.Fatal(err)
			}
			f.Limits = append(f.Limits, plot.FunnelLimit{Of: n, Inner: plot.Interval{Lower: inner.Lower, Upper: inner.Upper}, Outer: plot.Interval{Lower: outer.Lower, Upper: outer.Upper}})
		}
		return f.Picture()
	}
}

func cusum(n int, risk float64, from int, then float64) func(*testing.T) picture.Picture {
	return func(*testing.T) picture.Picture {
		r := source(11)
		c := plot.Monitoring{
			Frame: frame(fmt.Sprintf("cusum-%d", n), "Deaths and conversions came more often than expected: the chart signals worse odds, last with case 327 in 2024."),
			Of:    "death or conversion", Limit: 3.1, LowerLimit: 2.9, Chart: true, VLAD: true,
		}
		c.Counted = counted(n)
		c.Notes = append(c.Notes, "Odds twice and half those expected are looked for. In control a signal comes once in 410 cases (49 months here), with doubled odds after 61 (7 months); 0.5 false alarms a year are expected.")
		up, down := statistics.RiskCUSUM{Ratio: 2}, statistics.RiskCUSUM{Ratio: 0.5}
		var u, d, worst, sum float64
		for i := range n {
			p := risk * (0.5 + r.Float64())
			rate := p
			if i >= from {
				rate = p * then / risk
			}
			trial := statistics.Trial{Risk: p, Failed: r.Float64() < rate}
			m := plot.MonitoredCase{}
			if n > 20 && i > 120 && i < 126 {
				m.State = plot.Missing
			}
			if n > 20 && i > n-9 {
				m.State = plot.Awaited
			}
			w, _ := up.Weight(trial)
			v, _ := down.Weight(trial)
			bad, _ := up.Weight(statistics.Trial{Risk: p, Failed: true})
			if m.State != plot.Known {
				worst = max(0, worst+bad)
			} else {
				u, d, worst = max(0, u+w), max(0, d+v), max(0, worst+w)
				sum += p
				if trial.Failed {
					sum--
				}
			}
			m.Up, m.Down, m.WorstUp, m.ExpectedMinusObserved = u, d, worst, sum
			m.More, m.Fewer = m.State == plot.Known && u >= c.Limit, m.State == plot.Known && d >= c.LowerLimit
			if m.More {
				u, worst = 0, 0
			}
			if m.Fewer {
				d = 0
			}
			c.Cases = append(c.Cases, m)
			if i%(n/8+1) == 0 {
				year := ""
				if i/(n/8+1)%2 == 0 {
					year = fmt.Sprint(2021 + i/(n/8+1)/2)
				}
				c.Years = append(c.Years, plot.Mark{Case: i + 1, Text: year})
			}
		}
		return c.Picture()
	}
}

func counted(n int) string {
	if n == 1 {
		return "1 case"
	}
	return fmt.Sprintf("%d cases", n)
}

func learning(n int) func(*testing.T) picture.Picture {
	return func(*testing.T) picture.Picture {
		r := source(5)
		chart := statistics.LearningChart{Acceptable: 0.05, Unacceptable: 0.15, Alpha: 0.05, Beta: 0.1}
		var failed []bool
		for i := range n {
			failed = append(failed, r.Float64() < 0.16*math.Exp(-float64(i)/40)+0.03)
		}
		_, upper, lower := chart.Steps()
		l := plot.Learning{
			Frame: frame("learning", "After 122 cases your second runs fit a rate of 5 % better than one of 15 %."),
			Of:    "second pump run", Path: chart.Path(failed), Upper: upper, Lower: lower, Acceptable: 0.05, Unacceptable: 0.15,
			Years: []plot.Mark{{1, "2023"}, {61, "2024"}, {118, "2025"}},
		}
		l.Counted = counted(n)
		l.Method = "Wald's sequential test as it is drawn: alpha 0.05, beta 0.1."
		return l.Picture()
	}
}

func followed(n int) []statistics.Followed {
	r := source(3)
	var list []statistics.Followed
	for range n {
		end := int(365 * 8 * r.Float64())
		event := int(365 * 30 * r.ExpFloat64())
		death := int(365 * 25 * r.ExpFloat64())
		f := statistics.Followed{Day: end}
		if event < f.Day {
			f = statistics.Followed{Day: event, Cause: 1}
		}
		if death < f.Day {
			f = statistics.Followed{Day: death, Cause: 2}
		}
		list = append(list, f)
	}
	return list
}

func steps(list []statistics.Step) []plot.CurveStep {
	var out []plot.CurveStep
	for _, s := range list {
		step := plot.CurveStep{At: float64(s.Day) / 365.25, Share: s.Value}
		if s.Interval != nil {
			step.Interval = &plot.Interval{Lower: s.Interval.Lower, Upper: s.Interval.Upper}
		}
		out = append(out, step)
	}
	return out
}

func shifted(list []plot.CurveStep, by float64) []plot.CurveStep {
	var out []plot.CurveStep
	for _, s := range list {
		out = append(out, plot.CurveStep{At: max(0, s.At+by), Share: s.Share})
	}
	return out
}

func atRisk(list []statistics.Followed, times []float64) []int {
	var out []int
	for _, t := range times {
		out = append(out, statistics.AtRisk(list, int(t*365.25)))
	}
	return out
}

func freedom(t *testing.T) picture.Picture {
	list := followed(380)
	for i := range list {
		if list[i].Cause == 2 {
			list[i].Cause = 0
		}
	}
	curve, err := statistics.Freedom(list)
	if err != nil {
		t.Fatal(err)
	}
	times := []float64{0, 1, 2, 3, 4, 5, 6}
	c := plot.Curves{
		Frame: frame("freedom", "Five years after repair 87 % are free from moderate or worse regurgitation (81 to 91 %)."),
		Share: "free from recurrence", Unit: "years", Times: times,
		Curves: []plot.Curve{{Begin: 1, Steps: steps(curve), End: 6, AtRisk: atRisk(list, times), Earliest: shifted(steps(curve), -0.5), Latest: shifted(steps(curve), 0.02)}},
	}
	c.Counted = "380 patients, 36 with recurrence; echo complete for 61 % of the time that could have been seen"
	return c.Picture()
}

func incidence(t *testing.T) picture.Picture {
	list := followed(380)
	again, err := statistics.Incidence(list, 1)
	if err != nil {
		t.Fatal(err)
	}
	death, err := statistics.Incidence(list, 2)
	if err != nil {
		t.Fatal(err)
	}
	times := []float64{0, 1, 2, 3, 4, 5, 6}
	c := plot.Curves{
		Frame: frame("incidence", "Five years after repair 13 % have had a recurrence (9 to 17 %) and 15 % have died without one."),
		Share: "with the event so far", Unit: "years", Times: times,
		Curves: []plot.Curve{
			{Name: "recurrence", Steps: steps(again), End: 6, AtRisk: atRisk(list, times)},
			{Name: "death without recurrence", Steps: steps(death), End: 6},
		},
	}
	c.Counted = "380 patients"
	return c.Picture()
}

func coverage(*testing.T) picture.Picture {
	c := plot.Coverage{Frame: frame("coverage", "The printed 95 % range of coaptation held for 178 of 190 patients; that of the gradient for too few."), Wanted: 0.95}
	for _, r := range []struct {
		name       string
		in, of     int
		below, few bool
	}{
		{"coaptation in slice A2-P2, from the plan", 178, 190, false, false},
		{"coaptation in slice A2-P2, from what was done", 186, 190, false, false},
		{"mean gradient on leaving theatre, from the plan, as calibrated in March 2025", 57, 60, true, false},
		{"closure line from the anterior hinge, from the plan", 22, 31, true, true},
	} {
		share := statistics.Share{Count: r.in, Of: r.of}
		v, _ := share.Value()
		e, _ := share.Exact()
		row := plot.CoverageRow{Name: r.name, Inside: r.in, Of: r.of, Few: r.few, Share: &plot.Estimate{Value: v, Interval: &plot.Interval{Lower: e.Lower, Upper: e.Upper}}}
		row.Above = r.of - r.in
		if r.below {
			row.Below, row.Above = row.Above-1, 1
		}
		c.Rows = append(c.Rows, row)
	}
	return c.Picture()
}

func multiples(*testing.T) picture.Picture {
	r := source(9)
	m := plot.Multiples{
		Frame: frame("multiples", "Since the first half of 2024 second runs have become more frequent; the rest stands still."),
		Times: []string{"1/22", "2/22", "1/23", "2/23", "1/24", "2/24", "1/25", "2/25"},
	}
	m.Counted = "Half-years, by the day of operation"
	reference := 0.95
	for i, name := range []string{"left theatre repaired, % of repairs intended", "second pump run, % of cases", "mean gradient at discharge, mmHg"} {
		panel := plot.SmallPanel{Name: name, Percent: i < 2}
		if i == 0 {
			panel.Reference, panel.ReferenceName = &reference, "the department's own aim"
		}
		for j := range m.Times {
			n := 18 + r.IntN(20)
			if i == 2 && j == 3 {
				panel.Points = append(panel.Points, plot.SmallPoint{})
				continue
			}
			v, half := 3.2+0.2*r.NormFloat64(), 0.5
			if i < 2 {
				p := []float64{0.95, 0.08}[i]
				if i == 1 && j > 3 {
					p = 0.2
				}
				k := 0
				for range n {
					if r.Float64() < p {
						k++
					}
				}
				share := statistics.Share{Count: k, Of: n}
				v, _ = share.Value()
				w, _ := share.Wilson()
				panel.Points = append(panel.Points, plot.SmallPoint{Estimate: &plot.Estimate{Value: v, Interval: &plot.Interval{Lower: w.Lower, Upper: w.Upper}}, Of: n})
				continue
			}
			panel.Points = append(panel.Points, plot.SmallPoint{Estimate: &plot.Estimate{Value: v, Interval: &plot.Interval{Lower: v - half, Upper: v + half}}, Of: n})
		}
		m.Panels = append(m.Panels, panel)
	}
	return m.Picture()
}
