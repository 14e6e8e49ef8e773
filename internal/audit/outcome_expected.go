package audit

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"

	"trigone/internal/statistics"
	"trigone/internal/units"
)

// expectedKey is one version of one model for one end-point: they are never pooled.
type expectedKey struct{ endPoint, horizon, model, version string }

// expected gathers who has a risk of it.
type expected struct {
	trials []statistics.Trial
	// open are the risks of those whose outcome is not known.
	open []float64
	left left
	has  int
	used statistics.Share
}

// endPoints are the end-points of models, until a horizon, that an outcome has too. Death
// or morbidity as a model defines it is none of them: the model's definition is not ours.
var endPoints = map[endPoint]string{
	{"death_30_days", "stay_or_thirty_days"}: OperativeMortality,
	{"death", "stay_or_thirty_days"}:         OperativeMortality,
	{"death", "stay"}:                        hospitalDeath,
	{"death", "thirty_days"}:                 deathIn30Days,
	{"conversion", "stay"}:                   Conversion,
	{"stroke", "stay"}:                       ComplicationPrefix + "stroke",
}

// EndPoints lists end-point and horizon of the risks that outcomes are held against.
func EndPoints() (list [][2]string) {
	for k := range endPoints {
		list = append(list, [2]string{k.outcome, k.horizon})
	}
	return list
}

// endPointKnown says whether an outcome has the end-point, until one horizon at least.
func endPointKnown(word string) bool {
	for k := range endPoints {
		if k.outcome == word {
			return true
		}
	}
	return false
}

// ObservedExpected is what happened against what one version of one model expected.
type ObservedExpected struct {
	Outcome, EndPoint, Horizon, Model, Version string
	// Observed, of those with a usable risk and a known outcome; exact interval.
	Observed ShareFigure
	Expected float64
	// Ratio of both; none below 5 expected.
	Ratio Figure
	// Lowest and Highest ratio if those with a risk whose outcome is not known are counted,
	// as spared or as struck.
	Lowest, Highest units.Maybe[float64]
	Unknown         int
	Left            []Left
	// WithoutRisk: in how many of the patients without a usable risk it happened.
	WithoutRisk ShareFigure
	// Others are those without a usable risk, of whom it is known or not.
	Others   int
	Sentence string
}

// risk counts the risks of a patient: of each model and version the last that was
// recorded before incision.
func (o *Outcomes) risk(c *Case) {
	usable := map[expectedKey]Risk{}
	reasons := map[expectedKey]Reason{}
	for _, r := range c.Risks {
		if !endPointKnown(r.Outcome) || r.Model == "" {
			continue
		}
		k := expectedKey{r.Outcome, r.Horizon, r.Model, r.Version}
		received, dated := r.ReceivedDays.Get()
		p, ok := r.Percent.Get()
		switch {
		case r.Horizon == "":
			reasons[k] = RiskOtherHorizon
		case endPoints[endPoint{r.Outcome, r.Horizon}] == "":
			continue
		case !ok:
			reasons[k] = NoRisk
		case !dated || received >= 0:
			reasons[k] = RiskAfterIncision
		case p <= 0 || p >= 100:
			reasons[k] = RiskCertain
		default:
			last, have := usable[k]
			if !have || cmp.Or(cmp.Compare(received, last.ReceivedDays.OrElse(0)), cmp.Compare(p, last.Percent.OrElse(0))) > 0 {
				usable[k] = r
			}
		}
	}
	for k, r := range usable {
		e := o.expectedOf(k)
		v := o.happenedTo(c, k)
		if v.state != outside {
			e.has++
		}
		if v.state != yes && v.state != no {
			e.left[stateReason(v)]++
			if v.state == notKnown {
				e.open = append(e.open, r.Percent.OrElse(0)/100)
			}
			continue
		}
		count(v, &e.used)
		e.trials = append(e.trials, statistics.Trial{Risk: r.Percent.OrElse(0) / 100, Failed: v.state == yes})
	}
	for k, why := range reasons {
		if _, ok := usable[k]; ok {
			continue
		}
		e := o.expectedOf(k)
		if o.happenedTo(c, k).state != outside {
			e.has++
		}
		e.left[why]++
	}
	o.everyone(c)
}

func stateReason(v verdict) Reason {
	switch v.state {
	case notOver, notOverEvent:
		return NotOver
	case notKnown:
		return OutcomeUnknown
	}
	return v.reason
}

func count(v verdict, s *statistics.Share) {
	switch v.state {
	case yes:
		s.Count++
		s.Of++
	case no:
		s.Of++
	}
}

func (o *Outcomes) expectedOf(k expectedKey) *expected {
	e := o.expected[k]
	if e == nil {
		e = &expected{left: left{}}
		o.expected[k] = e
	}
	return e
}

// happenedTo gives the outcome that an end-point is held against.
func (o *Outcomes) happenedTo(c *Case, k expectedKey) verdict {
	return o.verdictOf(c, endPoints[endPoint{k.endPoint, k.horizon}])
}

func (o *Outcomes) verdictOf(c *Case, id string) verdict {
	for i := range measures {
		if measures[i].id == id {
			return measures[i].judge(c, &o.question)
		}
	}
	return dunno(OutcomeUnknown)
}

// everyone counts the outcomes that models speak of for all patients, so that what
// happened to those without a risk can be told.
func (o *Outcomes) everyone(c *Case) {
	for _, id := range modelled {
		v := o.verdictOf(c, id)
		s := o.all[id]
		if v.state != outside {
			o.asked[id]++
		}
		count(v, &s)
		o.all[id] = s
	}
}

// modelled are the outcomes that models speak of.
var modelled = slices.Compact(slices.Sorted(maps.Values(endPoints)))

func (o *Outcomes) observedExpected() []ObservedExpected {
	keys := slices.SortedFunc(maps.Keys(o.expected), func(a, b expectedKey) int {
		return cmp.Or(cmp.Compare(a.endPoint, b.endPoint), cmp.Compare(a.horizon, b.horizon), cmp.Compare(a.model, b.model), cmp.Compare(a.version, b.version))
	})
	var list []ObservedExpected
	for _, k := range keys {
		e := o.expected[k]
		id := endPoints[endPoint{k.endPoint, k.horizon}]
		if len(o.question.Outcomes) > 0 && !slices.Contains(o.question.Outcomes, id) && id != "" {
			continue
		}
		list = append(list, o.held(k, id, e))
	}
	return list
}

func (o *Outcomes) held(k expectedKey, id string, e *expected) ObservedExpected {
	r := ObservedExpected{Outcome: id, EndPoint: k.endPoint, Horizon: k.horizon, Model: k.model, Version: k.version, Observed: exactly(e.used)}
	if missing := o.asked[id] - e.has; id != "" && missing > 0 {
		e.left[NoRisk] += missing
	}
	r.Left = e.left.outcomes()
	all := o.all[id]
	r.WithoutRisk = exactly(statistics.Share{Count: all.Count - e.used.Count, Of: all.Of - e.used.Of})
	// Sums of risks don't depend on the order of cases.
	trials := slices.SortedFunc(slices.Values(e.trials), func(a, b statistics.Trial) int { return cmp.Compare(a.Risk, b.Risk) })
	held, err := statistics.Observed(trials)
	r.Expected = held.Expected
	switch {
	case err != nil:
		r.Ratio = Figure{Because: err.Error()}
	case held.Ratio == nil:
		r.Ratio = Figure{Because: statistics.NoEvent.Error(), Lower: units.Some(held.Interval.Lower), Upper: units.Some(held.Interval.Upper)}
	default:
		r.Ratio = figure(*held.Ratio, nil).within(*held.Interval, nil)
	}
	if r.Unknown = len(e.open); r.Unknown > 0 && r.Ratio.Because != statistics.NothingExpected.Error() {
		all := r.Expected
		for _, p := range slices.Sorted(slices.Values(e.open)) {
			all += p
		}
		r.Lowest, r.Highest = units.Some(float64(held.Observed)/all), units.Some(float64(held.Observed+r.Unknown)/all)
	}
	r.Others = o.asked[id] - e.used.Of - len(e.open)
	r.Sentence = r.sentence(errors.Is(err, statistics.NothingExpected), o.did(id))
	return r
}

func exactly(s statistics.Share) ShareFigure {
	v, err := s.Value()
	return ShareFigure{s, figure(v, err).within(s.Exact())}
}

func (o *Outcomes) did(id string) string {
	for i := range measures {
		if measures[i].id == id {
			return measures[i].did
		}
	}
	return ""
}

func (r *ObservedExpected) sentence(few bool, did string) string {
	model := r.Model
	if r.Version != "" {
		model += " " + r.Version
	}
	var s string
	expected := units.FormatNumber(r.Expected, 0.1)
	switch ratio, ok := r.Ratio.Value.Get(); {
	case r.Outcome == "":
		return fmt.Sprintf("Risks by %s don't say until when they count, so that nothing is held against them.", model)
	case r.Observed.Of == 0:
		s = fmt.Sprintf("No patient has both a risk by %s recorded before incision and a known outcome.", model)
	case few:
		s = fmt.Sprintf("Of %s with a risk by %s recorded before incision %d %s, %s were expected: too few expected for a ratio.", counted(r.Observed.Of, ""), model, r.Observed.Count, did, expected)
	case !ok:
		upper, _ := r.Ratio.Upper.Get()
		s = fmt.Sprintf("Of %s with a risk by %s recorded before incision none %s, %s were expected: at most %s times as many as expected (95 %% interval).",
			counted(r.Observed.Of, ""), model, did, expected, units.FormatNumber(upper, 0.01))
	default:
		low, _ := r.Ratio.Lower.Get()
		high, _ := r.Ratio.Upper.Get()
		s = fmt.Sprintf("Of %s with a risk by %s recorded before incision %d %s, %s were expected: %s times as many (95 %% interval %s to %s).", counted(r.Observed.Of, ""), model,
			r.Observed.Count, did, expected, units.FormatNumber(ratio, 0.01), units.FormatNumber(low, 0.01), units.FormatNumber(high, 0.01))
	}
	if r.Unknown > 0 {
		s += fmt.Sprintf(" Of %d more with such a risk the outcome is not known", r.Unknown)
		if low, ok := r.Lowest.Get(); ok {
			high, _ := r.Highest.Get()
			s += fmt.Sprintf(": with them it lies between %s and %s times", units.FormatNumber(low, 0.01), units.FormatNumber(high, 0.01))
		}
		s += "."
	}
	if r.Others > 0 {
		s += fmt.Sprintf(" Of the %d others %d %s", r.Others, r.WithoutRisk.Count, did)
		if open := r.Others - r.WithoutRisk.Of; open > 0 {
			s += fmt.Sprintf(", and of %d of them it is not known", open)
		}
		s += "."
	}
	return s
}
