package audit

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"trigone/internal/statistics"
	"trigone/internal/units"
	"trigone/internal/valve"
	"trigone/internal/words"
)

// Monitoring is what a site has chosen to follow, before it looked. Whatever is not
// chosen is a picture: it raises nothing.
type Monitoring struct {
	// BaselineFrom and BaselineBefore bound the period over whose cases limits are
	// computed. What is monitored begins where it ends. Zero: there is none.
	BaselineFrom, BaselineBefore time.Time
	Charts                       []Monitored
	// Learning is how learning charts are drawn; nil: as DefaultLearning.
	Learning *statistics.LearningChart
}

// Monitored is a chart that signals.
type Monitored struct {
	Outcome string
	// Operator by pseudonym; empty: the department.
	Operator string
	// OddsRatio is how many times the expected odds the chart looks for, above 1, and in
	// the other direction 1 by it; expected is what the model and version say. 0: there is
	// no expected risk, and the chart tells Unacceptable from Acceptable.
	OddsRatio      float64
	Model, Version string
	// Acceptable and Unacceptable rates, from 0 to 1.
	Acceptable, Unacceptable float64
	// InControl is in how many cases one false alarm is taken, of both directions together.
	InControl float64
	// CasesAYear are expected.
	CasesAYear float64
}

// FalseAlarmsAYear that are expected of the cases that the site expects.
func (m Monitored) FalseAlarmsAYear() float64 { return m.CasesAYear / m.InControl }

// FalseAlarmsAYear is the sum over all charts.
func (m Monitoring) FalseAlarmsAYear() (sum float64) {
	for _, c := range m.Charts {
		sum += c.FalseAlarmsAYear()
	}
	return sum
}

func (m Monitoring) chart(outcome, operator string) *Monitored {
	for i := range m.Charts {
		if m.Charts[i].Outcome == outcome && m.Charts[i].Operator == operator {
			return &m.Charts[i]
		}
	}
	return nil
}

// DefaultLearning is how a learning chart is drawn where a site chose nothing: a rate of
// 5 % against one of 10 %, the pair that is in use in print for failed operations on
// valves (PMC8123878, figure 2, read in). Both errors of 10 % are common practice, no
// source.
var DefaultLearning = statistics.LearningChart{Acceptable: 0.05, Unacceptable: 0.10, Alpha: 0.1, Beta: 0.1}

// MonitoringQuestion says what is asked for.
type MonitoringQuestion struct {
	// AsOf is the moment until which windows are looked at.
	AsOf time.Time
	// Zone in which days are told; nil: UTC.
	Zone *time.Location
	// Outcomes asked for; none: all.
	Outcomes []string
	// Operator by pseudonym whose cases are asked for; empty: the department's.
	Operator string
	// Part says that only some of the cases that the site monitors are given: then nothing
	// signals.
	Part bool
	Monitoring
	// Changed are the cases that were written since an earlier answer; nil: not asked.
	Changed map[string]bool
}

// Reasons why a case is on no chart of an outcome.
const (
	RepairNotIntended Reason = "repair_not_intended"
	DiedBefore        Reason = "died_before"
	SameEpisode       Reason = "further_operation_within_30_days"
	NoRisk            Reason = "no_risk_recorded"
	RiskAfterIncision Reason = "risk_not_recorded_before_incision"
	RiskCertain       Reason = "risk_of_0_or_100"
)

// Bounds of what is told (the audit's decision).
const (
	leastBaseline   = 20 // operations over which a limit is computed
	graceDays       = 90 // after its window an unknown outcome is a gap
	leastPaceDays   = 90 // over which a pace is told
	averageWeight   = 0.05
	daysOfYear      = 365.25
	monthsOfYear    = 12
	mostToldMonths  = 24 // beyond it years are told
	mostToldSignals = 5
)

// Monitor gathers cases, in any order.
type Monitor struct {
	question  MonitoringQuestion
	endpoints []*Endpoint
	cases     []onRecord
	undated   int
}

// onRecord is what a chart needs of a case.
type onRecord struct {
	uid                     string
	patient                 int64
	incision                time.Time
	received                units.Maybe[float64]
	operator, firstOperator string
	outcomes                []asked
}

type asked struct {
	came   valve.Answer
	reason Reason
	risks  map[model]float64
	late   bool
}

// NewMonitor begins to gather.
func NewMonitor(q MonitoringQuestion) *Monitor {
	m := &Monitor{question: q}
	for _, e := range endpoints {
		if len(q.Outcomes) == 0 || slices.Contains(q.Outcomes, e.Name) {
			m.endpoints = append(m.endpoints, e)
		}
	}
	if q.Zone == nil {
		m.question.Zone = time.UTC
	}
	return m
}

// Add takes an operated case.
func (m *Monitor) Add(c *Case) {
	if c.Incision.IsZero() {
		m.undated++
		return
	}
	if c.Incision.After(m.question.AsOf) {
		return
	}
	f := onRecord{uid: c.UID, patient: c.Patient, incision: c.Incision, received: c.OperationReceivedDays, operator: responsible(c), firstOperator: c.FirstOperator}
	for _, e := range m.endpoints {
		came, reason := m.judge(e, c)
		risks, late := e.expected(c)
		f.outcomes = append(f.outcomes, asked{came, reason, risks, late})
	}
	m.cases = append(m.cases, f)
}

// judge says whether an outcome came, empty where that is not known, or why the case is not
// among those of whom it is asked.
func (m *Monitor) judge(e *Endpoint, c *Case) (valve.Answer, Reason) {
	switch v := e.of(c); v.state {
	case yes:
		return valve.Yes, ""
	case no:
		if e.open != nil && e.open(c) && !past(c.Incision, m.question.AsOf, e.WindowDays) {
			return "", ""
		}
		return valve.No, ""
	case outside:
		return "", v.reason
	case notKnown, notOver, notOverEvent:
	}
	return "", ""
}

// Operators is how many operators have at least so many operations among the cases that
// were given.
func (m *Monitor) Operators(operations int) (n int) {
	counts := map[string]int{}
	for i := range m.cases {
		if by := m.cases[i].operator; by != "" {
			counts[by]++
		}
	}
	for _, k := range counts {
		if k >= operations {
			n++
		}
	}
	return n
}

// responsible is whose figures a case belongs to: the supervisor's, where a trainee
// operated.
func responsible(c *Case) string {
	if c.Trainee == valve.Yes && c.Supervisor != "" {
		return c.Supervisor
	}
	return c.FirstOperator
}

// MonitoringAnswer is what was asked for.
type MonitoringAnswer struct {
	// Operations on record up to the moment asked for, those of the operator alone where
	// one is asked for; Undated have no time of incision and stand on no chart.
	Operations, Undated int
	Charts              []Chart
	Learning            *Learning
	// FalseAlarmsAYear are expected of all charts of this answer that signal, at the pace
	// of the year up to the last operation.
	FalseAlarmsAYear units.Maybe[float64]
	// FalseAlarmsChosen a year are expected of all charts that the site chose, of the
	// cases that it expects.
	FalseAlarmsChosen units.Maybe[float64]
	Sentence          string
}

// ChartKind says what a chart weighs by.
type ChartKind string

// The kinds.
const (
	RiskAdjusted ChartKind = "risk_adjusted"
	FixedRates   ChartKind = "fixed_rates"
	Picture      ChartKind = "picture"
)

// PointState says what is known of the outcome of a case.
type PointState string

// The states.
const (
	Failed  PointState = "failed"
	Fine    PointState = "not_failed"
	Awaited PointState = "awaited" // past its window by up to 90 days
	Gap     PointState = "gap"
)

// Chart is one outcome followed from operation to operation.
type Chart struct {
	Endpoint *Endpoint
	Operator string
	Kind     ChartKind
	// Why a chart is a picture, or why none can be drawn, in words.
	Why string
	// Chosen by the site; nil: not chosen.
	Chosen   *Monitored
	Baseline Baseline
	Upper    Arm
	Lower    Arm
	// OperationsAYear of such a chart, in the year up to the last of them.
	OperationsAYear, FalseAlarmsAYear units.Maybe[float64]
	// Operations on the chart; Known of them have an outcome, Failed of those failed.
	Operations, Known, Failed int
	// Expected failures of those known; absent: nothing is expected.
	Expected units.Maybe[float64]
	// Awaited and Gaps are operations on the chart whose outcome is not known, up to 90
	// days past its window, and longer. Waiting ones come after its end.
	Awaited, Gaps, Waiting int
	// Through is the last operation on the chart.
	Through time.Time
	// Left are operations that stand on no such chart, of baseline and monitored period.
	Left []Left
	// WithoutRisk are the failures of those left out for want of an expected risk.
	WithoutRisk ShareFigure
	// LateReceived operations were first received after the end of their window: answers
	// before did not have them.
	LateReceived int
	// ChangedSince is how many operations of the chart were written since an earlier
	// answer, BaselineChanged how many of the baseline.
	ChangedSince, BaselineChanged int
	Points                        []ChartPoint
	Signals                       []Signal
	// WorstSignals are those of more failures if all unknown ones had failed.
	WorstSignals int
	Sentence     string
	Notes        []string
}

// Baseline is what limits are computed over.
type Baseline struct {
	From, Before time.Time
	// Operations in it that could stand on the chart; Known of them have an outcome.
	Operations, Known, Failed int
	// Expected failures of those known, by the model as it is.
	Expected units.Maybe[float64]
	// Ratio of observed to expected.
	Ratio Figure
	// Rate of failures.
	Rate ShareFigure
	// Shift of the log odds by which the model was recalibrated; absent: it was not.
	Shift units.Maybe[float64]
}

// Arm is one direction of a chart.
type Arm struct {
	// Ratio of odds that it looks for; Limit at which it signals.
	Ratio, Limit float64
	// InControl and OutOfControl are after how many operations it signals on average when
	// odds are as expected, and when they are Ratio times that.
	InControl, OutOfControl             statistics.RunLength
	InControlMonths, OutOfControlMonths units.Maybe[float64]
}

// ChartPoint is where a chart stands after an operation.
type ChartPoint struct {
	UID      string
	Incision time.Time
	State    PointState
	// Risk by which it was weighed.
	Risk units.Maybe[float64]
	// Upper rises with failures, Lower with fewer than expected; Worst is Upper if every
	// unknown outcome were a failure. Absent of pictures.
	Upper, Lower, Worst      units.Maybe[float64]
	UpperSignal, LowerSignal bool
	WorstSignal              bool
	// Fewer is how many failures fewer than expected there were so far; absent: nothing
	// is expected.
	Fewer units.Maybe[float64]
	// Recent is the weighted share of failures, the newest weighing most.
	Recent units.Maybe[float64]
	// Changed: written since an earlier answer. LateReceived: after its window.
	Changed, LateReceived bool
}

// Signal is where a chart reached its limit.
type Signal struct {
	// Number of the operation on the chart, from 1.
	Number   int
	UID      string
	Incision time.Time
	// More failures than expected, or fewer.
	More bool
}

// Answer draws the charts: an operation stands where its incision stands in time, ties by
// their uid.
func (m *Monitor) Answer() MonitoringAnswer {
	slices.SortFunc(m.cases, func(a, b onRecord) int { return cmp.Or(a.incision.Compare(b.incision), cmp.Compare(a.uid, b.uid)) })
	a := MonitoringAnswer{Undated: m.undated}
	for i := range m.cases {
		if m.question.Operator == "" || m.cases[i].operator == m.question.Operator {
			a.Operations++
		}
	}
	again := m.sameEpisode()
	var alarms float64
	charts := 0
	for i, e := range m.endpoints {
		c := m.draw(i, e, again)
		if c.Kind != Picture {
			charts++
			if n, ok := c.FalseAlarmsAYear.Get(); ok {
				alarms += n
			}
		}
		a.Charts = append(a.Charts, c)
		if e.Name == AnyFailure && m.question.Operator != "" {
			a.Learning = m.learn(i, e, again)
		}
	}
	if charts > 0 {
		a.FalseAlarmsAYear = units.Some(alarms)
	}
	if len(m.question.Charts) > 0 {
		a.FalseAlarmsChosen = units.Some(m.question.FalseAlarmsAYear())
	}
	a.Sentence = a.sentence()
	return a
}

// sameEpisode gives the operations that follow another one of the same patient within 30
// days: what came of them came of that one.
func (m *Monitor) sameEpisode() []bool {
	again := make([]bool, len(m.cases))
	first := map[int64]time.Time{}
	for i, f := range m.cases {
		if f.patient == 0 {
			continue
		}
		before, has := first[f.patient]
		if again[i] = has && !past(before, f.incision, thirtyDays); !again[i] {
			first[f.patient] = f.incision
		}
	}
	return again
}

// placed is a case of a series.
type placed struct {
	*onRecord
	came valve.Answer
	risk float64
}

func (p placed) trial() statistics.Trial {
	return statistics.Trial{Risk: p.risk, Failed: p.came == valve.Yes}
}

func (m *Monitor) draw(at int, e *Endpoint, again []bool) Chart {
	q := &m.question
	c := Chart{Endpoint: e, Operator: q.Operator, Kind: Picture, Chosen: q.chart(e.Name, q.Operator)}
	switch {
	case q.Part && c.Chosen != nil:
		c.Why = "only a part of the operations was asked for, and limits are those of all of them"
	case c.Chosen == nil:
		c.Why = "the policy does not name it among what is monitored"
	case c.Chosen.OddsRatio > 0:
		c.Kind = RiskAdjusted
	default:
		c.Kind = FixedRates
	}
	series, by := m.series(&c, at, again)
	baseline, monitored := m.parted(&c, series)
	switch c.Kind {
	case FixedRates:
		for _, part := range [][]placed{baseline, monitored} {
			for i := range part {
				part[i].risk = c.Chosen.Acceptable
			}
		}
		by = true
	case RiskAdjusted:
	case Picture:
	}
	c.baseline(baseline, by)
	if shift, ok := c.Baseline.Shift.Get(); ok {
		for i := range monitored {
			monitored[i].risk = statistics.Shifted(monitored[i].risk, shift)
		}
		for i := range baseline {
			baseline[i].risk = statistics.Shifted(baseline[i].risk, shift)
		}
	}
	for _, p := range baseline {
		if q.Changed[p.uid] {
			c.BaselineChanged++
		}
	}
	c.pace(series)
	c.limits(baseline)
	c.follow(q, m.shown(&c, monitored), by)
	c.Sentence = c.sentence(q.Zone)
	c.Notes = c.notes(q.Zone)
	return c
}

// series gives the operations that may stand on a chart, in order, and whether each has an
// expected risk. What is left out is counted.
func (m *Monitor) series(c *Chart, at int, again []bool) (list []placed, weighed bool) {
	out := left{}
	var without statistics.Share
	var by *model
	switch c.Kind {
	case RiskAdjusted:
		by = &model{c.Chosen.Model, c.Chosen.Version}
	case Picture:
		by = m.onlyModel(c, at, again)
	case FixedRates:
	}
	for i := range m.cases {
		f := &m.cases[i]
		if c.Operator != "" && f.operator != c.Operator {
			continue
		}
		o := f.outcomes[at]
		switch {
		case again[i]:
			out[SameEpisode]++
			continue
		case o.reason != "":
			out[o.reason]++
			continue
		}
		p := placed{onRecord: f, came: o.came}
		if by != nil {
			risk, has := o.risks[*by]
			reason := NoRisk
			switch {
			case !has && o.late:
				reason = RiskAfterIncision
			case has && !(risk > 0 && risk < 1):
				reason = RiskCertain
			case has:
				reason = ""
			}
			if reason != "" {
				out[reason]++
				if o.came != "" {
					without.Of++
				}
				if o.came == valve.Yes {
					without.Count++
				}
				continue
			}
			p.risk = risk
		}
		list = append(list, p)
	}
	c.Left = out.followed()
	c.WithoutRisk = wilson(without)
	return list, by != nil
}

// followed lists what is left of outcomes that are followed.
func (l left) followed() (list []Left) {
	told := map[Reason]bool{}
	for _, r := range slices.Concat(outcomeReasons, reasons) {
		if l[r] > 0 && !told[r] {
			told[r] = true
			list = append(list, Left{r, l[r]})
		}
	}
	return list
}

// onlyModel gives the model by which a picture tells what was expected: the only one
// there is, if every operation has its risk. Models are never pooled, and no operation
// is left out of a picture for want of a risk.
func (m *Monitor) onlyModel(c *Chart, at int, again []bool) *model {
	var only *model
	for i := range m.cases {
		f := &m.cases[i]
		o := f.outcomes[at]
		if c.Operator != "" && f.operator != c.Operator || again[i] || o.reason != "" {
			continue
		}
		if len(o.risks) != 1 {
			return nil
		}
		for by, risk := range o.risks {
			if only != nil && *only != by || !(risk > 0 && risk < 1) {
				return nil
			}
			only = &by
		}
	}
	return only
}

// parted gives the baseline and what follows it.
func (m *Monitor) parted(c *Chart, series []placed) (baseline, monitored []placed) {
	q := &m.question
	c.Baseline.From, c.Baseline.Before = q.BaselineFrom, q.BaselineBefore
	if q.BaselineBefore.IsZero() || q.Part {
		c.Baseline = Baseline{}
		return nil, series
	}
	for _, p := range series {
		switch {
		case !p.incision.Before(q.BaselineBefore):
			monitored = append(monitored, p)
		case !p.incision.Before(q.BaselineFrom):
			baseline = append(baseline, p)
		}
	}
	return baseline, monitored
}

// baseline holds the outcomes of the baseline against what was expected of them.
func (c *Chart) baseline(cases []placed, weighed bool) {
	b := &c.Baseline
	b.Operations = len(cases)
	var known []statistics.Trial
	for _, p := range cases {
		if p.came != "" {
			known = append(known, p.trial())
			b.Known++
		}
		if p.came == valve.Yes {
			b.Failed++
		}
	}
	b.Rate = wilson(statistics.Share{Count: b.Failed, Of: b.Known})
	if !weighed {
		b.Ratio = Figure{Because: "nothing is expected: there is no model of this outcome"}
		return
	}
	observed, err := statistics.Observed(known)
	b.Ratio = Figure{}
	if err != nil {
		b.Ratio.Because = err.Error()
	}
	if len(known) > 0 {
		b.Expected = units.Some(observed.Expected)
	}
	if observed.Ratio != nil {
		b.Ratio.Value = units.Some(*observed.Ratio)
	}
	if i := observed.Interval; i != nil {
		b.Ratio.Lower, b.Ratio.Upper = units.Some(i.Lower), units.Some(i.Upper)
		if observed.Ratio == nil {
			b.Ratio.Because = statistics.NoEvent.Error()
		}
		if c.Kind == RiskAdjusted && b.off() {
			if shift, err := statistics.Shift(known); err == nil {
				b.Shift = units.Some(shift)
			}
		}
	}
}

// off says whether the interval of observed over expected excludes 1.
func (b *Baseline) off() bool {
	low, ok := b.Ratio.Lower.Get()
	high, ok2 := b.Ratio.Upper.Get()
	return ok && ok2 && (low > 1 || high < 1)
}

// pace is how many operations of such a chart there were in the year up to the last one.
func (c *Chart) pace(series []placed) {
	if len(series) == 0 {
		return
	}
	at := series[len(series)-1].incision
	from := at.Add(-time.Duration(daysOfYear * 24 * float64(time.Hour)))
	if first := series[0].incision; first.After(from) {
		from = first
	}
	days := at.Sub(from).Hours() / 24
	if days < leastPaceDays {
		return
	}
	n := 0
	for _, p := range series {
		if !p.incision.Before(from) {
			n++
		}
	}
	if n > 0 {
		c.OperationsAYear = units.Some(float64(n) * daysOfYear / days)
	}
}

// limits computes both limits over the risks of the baseline.
func (c *Chart) limits(baseline []placed) {
	if c.Kind == Picture {
		return
	}
	var risks []float64
	ratio := c.Chosen.OddsRatio
	if c.Kind == FixedRates {
		risks = []float64{c.Chosen.Acceptable}
		ratio = odds(c.Chosen.Unacceptable) / odds(c.Chosen.Acceptable)
	} else {
		if len(baseline) < leastBaseline {
			c.none(fmt.Sprintf("the baseline period has %s with an expected risk by the model that the policy names, and %d are needed to compute limits over them", ops(len(baseline)), leastBaseline))
			return
		}
		for _, p := range baseline {
			risks = append(risks, p.risk)
		}
	}
	var rate float64
	for _, arm := range []*Arm{&c.Upper, &c.Lower} {
		arm.Ratio = ratio
		if arm == &c.Lower {
			arm.Ratio = 1 / ratio
		}
		chart := statistics.RiskCUSUM{Ratio: arm.Ratio}
		var err error
		// Each arm goes on by itself after the other one's signal: their false alarms add up.
		if arm.Limit, arm.InControl, err = chart.Limit(risks, 2*c.Chosen.InControl); err == nil {
			arm.OutOfControl, err = chart.RunLength(risks, arm.Limit, arm.Ratio)
		}
		if err != nil {
			c.none(err.Error())
			return
		}
		if math.IsInf(arm.InControl.Cases, 0) || math.IsInf(arm.OutOfControl.Cases, 0) {
			c.none(statistics.Never.Error())
			return
		}
		rate += 1 / arm.InControl.Cases
		if a, ok := c.OperationsAYear.Get(); ok {
			arm.InControlMonths, arm.OutOfControlMonths = inMonths(arm.InControl.Cases, a), inMonths(arm.OutOfControl.Cases, a)
		}
	}
	if a, ok := c.OperationsAYear.Get(); ok {
		c.FalseAlarmsAYear = units.Some(a * rate)
	}
}

// none makes a picture of a chart that can't signal.
func (c *Chart) none(why string) {
	c.Kind, c.Why, c.Upper, c.Lower = Picture, why, Arm{}, Arm{}
}

func inMonths(cases, aYear float64) units.Maybe[float64] {
	return units.Some(cases / aYear * monthsOfYear)
}

func odds(p float64) float64 { return p / (1 - p) }

// shown gives the operations up to the last one before which every outcome is known or
// past its window.
func (m *Monitor) shown(c *Chart, monitored []placed) []placed {
	for i, p := range monitored {
		if p.came == "" && !past(p.incision, m.question.AsOf, c.Endpoint.WindowDays) {
			c.Waiting = len(monitored) - i
			return monitored[:i]
		}
	}
	return monitored
}

// follow draws the paths.
func (c *Chart) follow(q *MonitoringQuestion, cases []placed, weighed bool) {
	c.Operations = len(cases)
	var known, worst []statistics.Trial
	for _, p := range cases {
		t := p.trial()
		if p.came != "" {
			known = append(known, t)
		} else {
			t.Failed = true
		}
		worst = append(worst, t)
	}
	upper, lower, worstPath := c.path(c.Upper, known), c.path(c.Lower, known), c.path(c.Upper, worst)
	var fewer []float64
	var recent []statistics.EWMAPoint
	if weighed {
		fewer = statistics.VLAD(known)
		var sum float64
		for _, t := range known {
			sum += t.Risk
		}
		c.Expected = units.Some(sum)
		if len(known) > 0 {
			failed := make([]float64, len(known))
			for i, t := range known {
				if t.Failed {
					failed[i] = 1
				}
			}
			recent = statistics.EWMA{Target: sum / float64(len(known)), Weight: averageWeight}.Path(failed, true)
		}
	}
	var last ChartPoint
	for i, p := range cases {
		// What is not known leaves the paths where they stood.
		point := ChartPoint{Upper: last.Upper, Lower: last.Lower, Fewer: last.Fewer, Recent: last.Recent}
		if last.UpperSignal {
			point.Upper = units.Some(0.0)
		}
		if last.LowerSignal {
			point.Lower = units.Some(0.0)
		}
		point.UID, point.Incision = p.uid, p.incision
		point.Changed = q.Changed[p.uid]
		if days, ok := p.received.Get(); ok && days > float64(c.Endpoint.WindowDays+1) {
			point.LateReceived = true
			c.LateReceived++
		}
		if weighed {
			point.Risk = units.Some(p.risk)
		}
		switch {
		case p.came == "" && past(p.incision, q.AsOf, c.Endpoint.WindowDays+graceDays):
			point.State = Gap
			c.Gaps++
		case p.came == "":
			point.State = Awaited
			c.Awaited++
		default:
			point.State = Fine
			if p.came == valve.Yes {
				point.State = Failed
				c.Failed++
			}
			if c.Kind != Picture {
				point.Upper, point.Lower = units.Some(upper[c.Known].Value), units.Some(lower[c.Known].Value)
				point.UpperSignal, point.LowerSignal = upper[c.Known].Signal, lower[c.Known].Signal
			}
			if weighed {
				point.Fewer, point.Recent = units.Some(fewer[c.Known]), units.Some(recent[c.Known].Value)
			}
			c.Known++
		}
		if c.Kind != Picture {
			point.Worst, point.WorstSignal = units.Some(worstPath[i].Value), worstPath[i].Signal
			if point.WorstSignal {
				c.WorstSignals++
			}
		}
		for _, s := range []struct{ signal, more bool }{{point.UpperSignal, true}, {point.LowerSignal, false}} {
			if s.signal {
				c.Signals = append(c.Signals, Signal{Number: i + 1, UID: p.uid, Incision: p.incision, More: s.more})
			}
		}
		c.Points = append(c.Points, point)
		c.Through = p.incision
		last = point
	}
	for _, p := range c.Points {
		if p.Changed {
			c.ChangedSince++
		}
	}
}

// path of one arm; none of a picture. Its risks were looked at before.
func (c *Chart) path(arm Arm, series []statistics.Trial) []statistics.Point {
	if c.Kind == Picture {
		return nil
	}
	path, err := statistics.RiskCUSUM{Ratio: arm.Ratio}.Path(series, arm.Limit)
	if err != nil {
		panic(err)
	}
	return path
}

// Learning is Wald's sequential test over the operations that somebody did as first
// operator.
type Learning struct {
	statistics.LearningChart
	Endpoint *Endpoint
	Operator string
	// Upper and Lower limit of the path; Step is what each operation takes from it.
	Upper, Lower, Step float64
	Operations, Known  int
	Failed             int
	Waiting            int
	Points             []LearningPoint
	// Told is the number of the operation at which the test first told one of the rates,
	// from 1; 0: not yet. ToldUnacceptable says which.
	Told             int
	ToldUnacceptable bool
	Sentence         string
}

// LearningPoint is where the chart stands after an operation.
type LearningPoint struct {
	UID      string
	Incision time.Time
	State    PointState
	Value    units.Maybe[float64]
}

func (m *Monitor) learn(at int, e *Endpoint, again []bool) *Learning {
	l := &Learning{LearningChart: DefaultLearning, Endpoint: e, Operator: m.question.Operator}
	if chosen := m.question.Learning; chosen != nil {
		l.LearningChart = *chosen
	}
	l.Step, l.Upper, l.Lower = l.Steps()
	var sum float64
	for i := range m.cases {
		f := &m.cases[i]
		o := f.outcomes[at]
		if f.firstOperator != l.Operator || again[i] || o.reason != "" {
			continue
		}
		if l.Waiting > 0 || o.came == "" && !past(f.incision, m.question.AsOf, e.WindowDays) {
			l.Waiting++
			continue
		}
		l.Operations++
		point := LearningPoint{UID: f.uid, Incision: f.incision}
		switch {
		case o.came != "":
			l.Known++
			sum -= l.Step
			point.State = Fine
			if o.came == valve.Yes {
				sum++
				l.Failed++
				point.State = Failed
			}
		case past(f.incision, m.question.AsOf, e.WindowDays+graceDays):
			point.State = Gap
		default:
			point.State = Awaited
		}
		point.Value = units.Some(sum)
		if l.Told == 0 && o.came != "" && (sum >= l.Upper || sum <= -l.Lower) {
			l.Told, l.ToldUnacceptable = l.Operations, sum > 0
		}
		l.Points = append(l.Points, point)
	}
	l.Sentence = l.sentence()
	return l
}

func (l *Learning) sentence() string {
	if l.Operations == 0 {
		return "No operation as first operator whose outcome is due: no learning chart."
	}
	rates := fmt.Sprintf("%s rather than %s", percent(l.Acceptable), percent(l.Unacceptable))
	if l.Told > 0 && l.ToldUnacceptable {
		rates = fmt.Sprintf("%s rather than %s", percent(l.Unacceptable), percent(l.Acceptable))
	}
	errs := fmt.Sprintf("alpha %s, beta %s", percent(l.Alpha), percent(l.Beta))
	of := fmt.Sprintf("%d of %d operations as first operator failed in any way", l.Failed, l.Known)
	if l.Told == 0 {
		return fmt.Sprintf("%s: the test can't tell yet whether the rate is %s (%s).", of, strings.Replace(rates, "rather than", "or", 1), errs)
	}
	return fmt.Sprintf("%s: with the %s operation the test told a rate of failures of %s (%s). What came after it is a picture.", of, ordinal(l.Told), rates, errs)
}

func (c *Chart) sentence(zone *time.Location) string {
	if c.Operations == 0 {
		switch {
		case c.Waiting > 0:
			return fmt.Sprintf("Nothing to draw yet: the outcome of the first of %s is not known and may still come.", ops(c.Waiting))
		case c.Baseline.Operations > 0:
			return "No operation after the baseline period: nothing is followed yet."
		}
		if slices.ContainsFunc(c.Left, func(l Left) bool {
			return l.Reason == NoRisk || l.Reason == RiskAfterIncision || l.Reason == RiskCertain
		}) {
			return fmt.Sprintf("Nothing to draw: no operation has a usable expected risk by %s that was recorded before incision.", c.model())
		}
		return "No operation to follow."
	}
	seen := fmt.Sprintf("%s: %d in %s up to %s", c.Endpoint.Events, c.Failed, ops(c.Known), onDay(c.Through, zone))
	if n, ok := c.Expected.Get(); ok && c.Known > 0 {
		seen += fmt.Sprintf(", %.1f expected", n)
	}
	if c.Kind == Picture {
		return fmt.Sprintf("%s. This is a picture, from which no alarm is read: %s.", seen, c.Why)
	}
	var b strings.Builder
	if len(c.Signals) == 0 {
		fmt.Fprintf(&b, "No signal. %s.", seen)
	} else {
		var list []string
		for _, s := range c.Signals[max(0, len(c.Signals)-mostToldSignals):] {
			direction := "more"
			if !s.More {
				direction = "fewer"
			}
			list = append(list, fmt.Sprintf("%s than expected at operation %d of the chart, on %s", direction, s.Number, onDay(s.Incision, zone)))
		}
		what := signals(len(c.Signals))
		if len(c.Signals) > mostToldSignals {
			what += fmt.Sprintf(", the last %d of them", mostToldSignals)
		}
		fmt.Fprintf(&b, "%s: %s. A signal asks to look at the operations before it; it is no verdict. %s.", what, strings.Join(list, "; "), seen)
	}
	worse, right := fmt.Sprintf("the odds been %s those expected", times(c.Upper.Ratio)), "with the odds as expected"
	if c.Kind == FixedRates {
		worse, right = "the rate been "+percent(c.Chosen.Unacceptable), "at a rate of "+percent(c.Chosen.Acceptable)
	}
	fmt.Fprintf(&b, " Had %s, a signal would have come after about %s on average", worse, c.run(c.Upper.OutOfControl, c.Upper.OutOfControlMonths))
	both := 1 / (1/c.Upper.InControl.Cases + 1/c.Lower.InControl.Cases)
	span := units.None[float64]()
	if a, ok := c.OperationsAYear.Get(); ok {
		span = inMonths(both, a)
	}
	fmt.Fprintf(&b, "; %s there is one false alarm, of more or of fewer, in about %s on average.", right, c.run(statistics.RunLength{Cases: both}, span))
	return b.String()
}

// run tells a run of operations, and how long that is at the present pace.
func (c *Chart) run(r statistics.RunLength, months units.Maybe[float64]) string {
	text := ops(int(math.Round(r.Cases)))
	n, ok := months.Get()
	switch {
	case !ok:
	case n > mostToldMonths:
		text += fmt.Sprintf(" (%.1f years)", n/monthsOfYear)
	case n < 1:
		text += " (less than a month)"
	default:
		text += fmt.Sprintf(" (%.0f months)", n)
	}
	return text
}

func (c *Chart) notes(zone *time.Location) []string {
	var list []string
	add := func(format string, args ...any) { list = append(list, fmt.Sprintf(format, args...)) }
	b := &c.Baseline
	if c.Kind == RiskAdjusted {
		period := fmt.Sprintf("The baseline, %s to before %s, has %s, of which %d with a known outcome", onDay(b.From, zone), onDay(b.Before, zone), ops(b.Operations), b.Known)
		expected, _ := b.Expected.Get()
		low, _ := b.Ratio.Lower.Get()
		high, ok := b.Ratio.Upper.Get()
		switch {
		case !ok:
			add("%s: %d failures, %.1f expected by %s. That is too little to say whether the model holds here.", period, b.Failed, expected, c.model())
		case b.Shift.IsSome():
			shift, _ := b.Shift.Get()
			add("%s: %d failures, %.1f expected by %s (observed over expected, 95 %% interval %.2f to %.2f). The model does not hold here, and its odds are multiplied by %.2f before anything is weighed.", period, b.Failed, expected, c.model(), low, high, math.Exp(shift))
		case b.off():
			add("%s: %d failures, %.1f expected by %s (observed over expected, 95 %% interval %.2f to %.2f). The model does not hold here and can't be recalibrated: %s. The chart weighs by it all the same.", period, b.Failed, expected, c.model(), low, high, statistics.NoShift)
		default:
			add("%s: %d failures, %.1f expected by %s (observed over expected, 95 %% interval %.2f to %.2f), in which the model is not seen to fail.", period, b.Failed, expected, c.model(), low, high)
		}
	}
	if c.Kind == FixedRates {
		add("No expected risk of each patient is weighed: the chart holds a rate of %s against one of %s, and patients who become sicker move it.", percent(c.Chosen.Unacceptable), percent(c.Chosen.Acceptable))
		if low, ok := b.Rate.Lower.Get(); ok {
			high, _ := b.Rate.Upper.Get()
			hold := "which has the acceptable rate inside its interval"
			if low > c.Chosen.Acceptable || high < c.Chosen.Acceptable {
				hold = "so that the acceptable rate is not what this department had: the run lengths are those of that rate"
			}
			add("In the baseline, %s to before %s, %d of %s failed (95 %% interval %.1f to %.1f %%), %s.", onDay(b.From, zone), onDay(b.Before, zone), b.Failed, ops(b.Known), 100*low, 100*high, hold)
		}
	}
	if n := c.Awaited + c.Gaps; n > 0 {
		text := fmt.Sprintf("The outcome of %s on the chart is not known although it is past its window, of %d of them for more than 90 days (gaps). They are left out of the path", ops(n), c.Gaps)
		if c.Kind != Picture {
			text += fmt.Sprintf("; had all of them failed, there would be %s of more failures than expected", signals(c.WorstSignals))
		}
		add("%s.", text)
	}
	if c.Waiting > 0 {
		add("%s after the end of the chart wait, known outcomes among them: the chart ends before the first operation whose outcome is not known and may still come.", words.Capital(ops(c.Waiting)))
	}
	for _, l := range c.Left {
		if l.Reason == RiskCertain {
			add("%s with an expected risk of 0 or 100 %%: %s.", words.Capital(ops(l.Count)), statistics.CertainRisk)
		}
	}
	if s := c.WithoutRisk; s.Of > 0 {
		add("Of the operations left out for want of an expected risk %d of %d failed.", s.Count, s.Of)
	}
	if c.LateReceived > 0 {
		add("%s on the chart %s first received after the end of the window: an answer given before did not have them, and the path was drawn anew with them.", words.Capital(ops(c.LateReceived)), wasWere(c.LateReceived))
	}
	if c.BaselineChanged > 0 && c.Kind == RiskAdjusted {
		add("%s of the baseline %s written since that earlier answer: limits and what was expected may differ from those it showed.", words.Capital(ops(c.BaselineChanged)), wasWere(c.BaselineChanged))
	}
	if c.ChangedSince > 0 {
		first := slices.IndexFunc(c.Points, func(p ChartPoint) bool { return p.Changed })
		add("%s on the chart %s written since that earlier answer: from the %s on the path may differ from the one it showed, which whoever received it keeps.", words.Capital(ops(c.ChangedSince)), wasWere(c.ChangedSince), ordinal(first+1))
	}
	return list
}

func (c *Chart) model() string {
	text := c.Chosen.Model
	if c.Chosen.Version != "" {
		text += " " + c.Chosen.Version
	}
	return text
}

func (a *MonitoringAnswer) sentence() string {
	signalling, raised, events := 0, 0, 0
	for i := range a.Charts {
		if c := &a.Charts[i]; c.Kind != Picture {
			signalling++
			events += len(c.Signals)
			if len(c.Signals) > 0 {
				raised++
			}
		}
	}
	if signalling == 0 {
		return "Nothing is monitored here: what follows are pictures, from which no alarm is read."
	}
	text := fmt.Sprintf("No signal on %s that can signal", chartsOf(signalling))
	if raised > 0 {
		text = fmt.Sprintf("%s on %d of %s that can signal", words.Capital(signals(events)), raised, chartsOf(signalling))
	}
	if n, ok := a.FalseAlarmsAYear.Get(); ok && n > 0 {
		text += fmt.Sprintf("; with nothing amiss %.2g false alarms a year are expected of them together", n)
	}
	return text + "."
}

func chartsOf(n int) string { return fmt.Sprintf("%d %s", n, plural(n, "chart", "charts")) }

func plural(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

func wasWere(n int) string { return plural(n, "was", "were") }

func ops(n int) string { return fmt.Sprintf("%d %s", n, plural(n, "operation", "operations")) }

func signals(n int) string {
	if n == 0 {
		return "no signal"
	}
	return fmt.Sprintf("%d %s", n, plural(n, "signal", "signals"))
}

func percent(share float64) string { return fmt.Sprintf("%.3g %%", 100*share) }

func times(ratio float64) string {
	if ratio == 2 {
		return "twice"
	}
	return fmt.Sprintf("%.3g times", ratio)
}

func ordinal(n int) string {
	suffix := "th"
	if n%100 < 11 || n%100 > 13 {
		switch n % 10 {
		case 1:
			suffix = "st"
		case 2:
			suffix = "nd"
		case 3:
			suffix = "rd"
		}
	}
	return fmt.Sprintf("%d%s", n, suffix)
}

func onDay(t time.Time, zone *time.Location) string { return t.In(zone).Format(time.DateOnly) }

var errUnknownOutcome = errors.New("none of the outcomes that can be followed")

// Check says what is wrong with a chart that a site chose, in words; nil: nothing.
func (m Monitored) Check() error {
	e := endpointNamed(m.Outcome)
	switch {
	case e == nil:
		return fmt.Errorf("outcome is %w: %s", errUnknownOutcome, strings.Join(EndpointNames(), ", "))
	case m.OddsRatio > 0 && !e.HasRisk():
		return fmt.Errorf("there is no expected risk of %s: give acceptable_percent and unacceptable_percent, not odds_ratio", m.Outcome)
	}
	return nil
}
