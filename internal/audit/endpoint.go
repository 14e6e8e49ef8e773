package audit

import (
	"slices"
	"time"

	"trigone/internal/units"
	"trigone/internal/valve"
)

// Endpoint is an outcome that is followed from case to case. What counts is what counts
// among outcomes: the same word is the same figure.
type Endpoint struct {
	// Name is a word; Events says what is counted, as a sentence begins.
	Name, Events string
	// Definition in sentences: what counts, of which operations, and until when.
	Definition string
	// WindowDays after the incision until which it may still come; 0: it is known when the
	// patient leaves theatre.
	WindowDays int
	of         func(*Case) verdict
	// open says that what did not come yet still may, inside the window; nil: what is known
	// is known.
	open func(*Case) bool
}

// endPoint is what a model of risk speaks of, and until when: words of the contract.
type endPoint struct{ outcome, horizon string }

// HasRisk says whether there are expected risks of it.
func (e *Endpoint) HasRisk() bool { return slices.Contains(modelled, e.Name) }

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
		Name: OperativeMortality, Events: "Deaths in the stay or within 30 days", Definition: definitionOf(OperativeMortality),
		WindowDays: thirtyDays, of: deadOperative,
	},
	{
		Name: Conversion, Events: "Conversions to a replacement", Definition: definitionOf(Conversion),
		WindowDays: thirtyDays, of: func(c *Case) verdict { return converted(c, nil) },
		open: func(c *Case) bool { return c.DischargedDay.IsNone() && c.DiedInHospital != valve.Yes },
	},
	{
		Name: FurtherMitralRun, Events: "Operations with a further pump run for the mitral valve", Definition: definitionOf(FurtherMitralRun),
		of: func(c *Case) verdict { return ranAgain(c, nil) },
	},
	{
		Name: RegurgitationAtExit, Events: "Valves with at least moderate regurgitation on leaving theatre", Definition: definitionOf(RegurgitationAtExit),
		of: func(c *Case) verdict { return residual(c, exitScope(c), atExit(c)) },
	},
	{
		Name: RegurgitationAtDischarge, Events: "Valves with at least moderate regurgitation at discharge", Definition: definitionOf(RegurgitationAtDischarge),
		WindowDays: thirtyDays, of: func(c *Case) verdict { return residual(c, dischargeScope(c), atDischarge(c)) },
	},
	{
		Name: AnyFailure, Events: "Operations that failed in any way",
		Definition: "Of those in whom repair was the procedure intended at incision: death in the stay or within 30 days, conversion to replacement, or at least moderate regurgitation in the last graded echo on leaving theatre or at discharge. " +
			"A further pump run is not in it: one that ends well is good care. Nor is a later operation: that there was none is recorded too seldom.",
		WindowDays: thirtyDays, of: failed,
	},
}

func definitionOf(id string) string {
	i := slices.IndexFunc(measures, func(m measure) bool { return m.id == id })
	return measures[i].definition
}

// failed says whether any of three things went wrong.
func failed(c *Case) verdict {
	if v := meant(c); v.state != yes {
		return v
	}
	all := []verdict{deadOperative(c), converted(c, nil), residual(c, is(true), slices.Concat(atExit(c), atDischarge(c)))}
	for _, s := range []state{yes, notKnown} {
		if i := slices.IndexFunc(all, func(v verdict) bool { return v.state == s }); i >= 0 {
			return all[i]
		}
	}
	return is(false)
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
		if !ok || endPoints[endPoint{r.Outcome, r.Horizon}] != e.Name {
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
