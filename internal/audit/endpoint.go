package audit

import (
	"slices"
	"time"

	"trigone/internal/repair"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Endpoint is an outcome that is followed from case to case.
type Endpoint struct {
	// Name is a word; Events says what is counted, as a sentence begins.
	Name, Events string
	// Definition in a sentence: what counts, of which operations, and until when.
	Definition string
	// WindowDays after the incision until which it may still come; 0: it is known when the
	// patient leaves theatre.
	WindowDays int
	// risks that speak of just this.
	risks []endPoint
	// of gives whether it came, empty where that is not known, or why the case is not among
	// those that it is asked of.
	of func(*Case) (valve.Answer, Reason)
}

// endPoint is what a model of risk speaks of, and until when: words of the contract.
type endPoint struct{ outcome, horizon string }

// HasRisk says whether there are expected risks of it.
func (e *Endpoint) HasRisk() bool { return len(e.risks) > 0 }

// Endpoints gives the outcomes that can be followed.
func Endpoints() []*Endpoint { return slices.Clone(endpoints) }

// EndpointNames gives their names.
func EndpointNames() []string {
	names := make([]string, len(endpoints))
	for i, e := range endpoints {
		names[i] = e.Name
	}
	return names
}

func endpointNamed(name string) *Endpoint {
	for _, e := range endpoints {
		if e.Name == name {
			return e
		}
	}
	return nil
}

const thirtyDays = 30

// Names of endpoints.
const (
	OperativeMortality       = "operative_mortality"
	Conversion               = "conversion"
	FurtherMitralRun         = "further_mitral_run"
	RegurgitationAtExit      = "regurgitation_moderate_or_more_leaving_theatre"
	RegurgitationAtDischarge = "regurgitation_moderate_or_more_at_discharge"
	AnyFailure               = "any_failure"
)

var endpoints = []*Endpoint{
	{
		Name: OperativeMortality, Events: "Deaths in the stay or within 30 days",
		Definition: "Death in the stay of the operation, however long, or within 30 days of it, wherever.",
		WindowDays: thirtyDays, risks: []endPoint{{"death_30_days", "stay_or_thirty_days"}, {"death", "stay_or_thirty_days"}},
		of: func(c *Case) (valve.Answer, Reason) { return diedOperatively(c), "" },
	},
	{
		Name: Conversion, Events: "Conversions to a replacement",
		Definition: "The valve was replaced in the operation, of operations in which it was not meant to be, nor to be decided on inspection.",
		risks:      []endPoint{{"conversion", "stay"}},
		of: func(c *Case) (valve.Answer, Reason) {
			if c.Intended == "replacement" || c.Intended == "decide_on_inspection" {
				return "", RepairNotIntended
			}
			return c.Converted, ""
		},
	},
	{
		Name: FurtherMitralRun, Events: "Operations with a further pump run for the mitral valve",
		Definition: "A pump run after the first one whose reason was the mitral valve.",
		of: func(c *Case) (valve.Answer, Reason) {
			n, ok := c.MitralFurtherRuns.Get()
			if !ok {
				return "", ""
			}
			return answer(n > 0), ""
		},
	},
	{
		Name: RegurgitationAtExit, Events: "Valves with at least moderate regurgitation at exit",
		Definition: "Regurgitation of at least moderate (2+) in the last reading on leaving theatre or, where there is none, off bypass, of valves that were not replaced.",
		of: func(c *Case) (valve.Answer, Reason) {
			if c.Converted == valve.Yes {
				return "", ReplacedInTheatre
			}
			return moderateOrMore(exitGrade(c)), ""
		},
	},
	{
		Name: RegurgitationAtDischarge, Events: "Valves with at least moderate regurgitation at discharge",
		Definition: "Regurgitation of at least moderate (2+) in the last echo of discharge, of valves that were not replaced, in patients who did not die in the stay.",
		WindowDays: thirtyDays,
		of: func(c *Case) (valve.Answer, Reason) {
			switch {
			case c.Converted == valve.Yes:
				return "", ReplacedInTheatre
			case c.DiedInHospital == valve.Yes:
				return "", DiedBefore
			}
			return moderateOrMore(dischargeGrade(c)), ""
		},
	},
	{
		Name: AnyFailure, Events: "Operations that failed in any way",
		Definition: "Death in the stay or within 30 days, conversion to a replacement, or at least moderate regurgitation in the last reading up to discharge. " +
			"A further pump run is not in it: one that ends well is good care. Nor is a later operation: that there was none is recorded too seldom.",
		WindowDays: thirtyDays,
		of: func(c *Case) (valve.Answer, Reason) {
			if c.Intended == "replacement" || c.Intended == "decide_on_inspection" {
				return "", RepairNotIntended
			}
			grade := dischargeGrade(c)
			if !grade.Known() {
				grade = exitGrade(c)
			}
			return anyOf(diedOperatively(c), c.Converted, moderateOrMore(grade)), ""
		},
	},
}

// diedOperatively is death in the stay at any length, or within 30 days wherever.
//
// Source: Overman et al. 2013 (read in a secondary page).
func diedOperatively(c *Case) valve.Answer { return anyOf(c.DiedInHospital, c.DiedWithin30Days) }

// anyOf is yes where one is, no where all are.
func anyOf(answers ...valve.Answer) valve.Answer {
	switch {
	case slices.Contains(answers, valve.Yes):
		return valve.Yes
	case slices.ContainsFunc(answers, func(a valve.Answer) bool { return a != valve.No }):
		return ""
	}
	return valve.No
}

func answer(yes bool) valve.Answer {
	if yes {
		return valve.Yes
	}
	return valve.No
}

func moderateOrMore(g repair.Grade) valve.Answer {
	if more, ok := g.ModerateOrMore(); ok {
		return answer(more)
	}
	return ""
}

// exitGrade is that of the last reading on leaving theatre, or else off bypass.
func exitGrade(c *Case) repair.Grade {
	for _, stage := range []valve.Stage{valve.LeavingTheatre, valve.OffBypass} {
		if g := lastGrade(c, func(e *Echo) bool { return e.Stage == stage }); g.Known() {
			return g
		}
	}
	return repair.Grade{}
}

func dischargeGrade(c *Case) repair.Grade {
	return lastGrade(c, func(e *Echo) bool { return e.FollowUp == "discharge" })
}

// lastGrade is the last one that is known; echoes stand in order of time.
func lastGrade(c *Case, of func(*Echo) bool) repair.Grade {
	for _, e := range slices.Backward(c.Echoes) {
		if of(&e) && e.Grade.Known() {
			return e.Grade
		}
	}
	return repair.Grade{}
}

// past says whether at a moment more than so many whole days after that of the incision
// are over.
func past(incision, at time.Time, days int) bool {
	return !at.Before(incision.Add(time.Duration(days+1) * 24 * time.Hour))
}

// model is a model of expected risks in one version.
type model struct{ name, version string }

// expected gives the risk of an endpoint by each model, as it was known before incision:
// the last received of each. late says that there are only later ones.
func (e *Endpoint) expected(c *Case) (risks map[model]float64, late bool) {
	received := map[model]float64{}
	for _, r := range c.Risks {
		percent, ok := r.Percent.Get()
		if !ok || !slices.Contains(e.risks, endPoint{r.Outcome, r.Horizon}) {
			continue
		}
		days, told := r.ReceivedDays.Get()
		if !told || days >= 0 {
			late = true
			continue
		}
		m := model{r.Model, r.Version}
		p := float64(units.Fraction(percent).Ratio())
		if before, has := received[m]; has && (before > days || before == days && risks[m] >= p) {
			continue
		}
		if risks == nil {
			risks = map[model]float64{}
		}
		risks[m], received[m] = p, days
	}
	return risks, late && len(risks) == 0
}
