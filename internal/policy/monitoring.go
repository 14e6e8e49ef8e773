package policy

import (
	"fmt"
	"regexp"
	"strings"
	"time"

	"trigone/internal/audit"
	"trigone/internal/statistics"
)

// Keys of the section monitoring.
const (
	keyCasesAYear = "cases_a_year"
	keyBaseline   = "baseline"
	keyBefore     = "before"
	keyCharts     = "charts"
	keyLearning   = "learning"

	keyOutcome      = "outcome"
	keyOperator     = "operator"
	keyOddsRatio    = "odds_ratio"
	keyModel        = "model"
	keyModelVersion = "model_version"
	keyAcceptable   = "acceptable_percent"
	keyUnacceptable = "unacceptable_percent"
	keyInControl    = "in_control_cases"
	keyAlpha        = "alpha_percent"
	keyBeta         = "beta_percent"
)

// Bounds of the section.
const (
	mostCharts     = 100
	mostOddsRatio  = 10
	leastInControl = 20
	mostInControl  = 1_000_000
	mostCasesAYear = 10_000
	mostModelName  = 128
)

// pseudonym is how the contract has one.
var pseudonym = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$`)

// monitoring reads which outcomes are followed by charts that signal.
func (r *reading) monitoring(f field, zone string) audit.Monitoring {
	var m audit.Monitoring
	if r.stored {
		return m
	}
	given := r.Fields(f, keyCasesAYear, keyBaseline, keyCharts, keyLearning)
	in, err := time.LoadLocation(zone)
	if err != nil {
		in = time.UTC
	}
	if b, has := given[keyBaseline]; has {
		m.BaselineFrom, m.BaselineBefore = r.baseline(b, in)
	}
	cases := 0.0
	if c, has := given[keyCasesAYear]; has {
		cases = r.between(c, 0, mostCasesAYear)
	}
	items := r.Items(given[keyCharts])
	if len(items) > mostCharts {
		r.Fault(given[keyCharts], "%s has %d entries; a site may give %d", given[keyCharts].Path(), len(items), mostCharts)
		return m
	}
	for _, item := range items {
		before := r.Count()
		c := r.chart(item, cases, !m.BaselineBefore.IsZero())
		if r.Count() > before {
			continue
		}
		for _, o := range m.Charts {
			if o.Outcome == c.Outcome && o.Operator == c.Operator {
				r.Fault(item, "%s follows %s a second time; give each outcome once for the department and once for each operator", item.Path(), c.Outcome)
			}
		}
		m.Charts = append(m.Charts, c)
	}
	if l, has := given[keyLearning]; has {
		m.Learning = r.learning(l)
	}
	return m
}

func (r *reading) baseline(f field, zone *time.Location) (from, before time.Time) {
	parts := r.Fields(f, keyFrom, keyBefore)
	from, ok := r.day(f, parts, keyFrom, zone)
	before, ok2 := r.day(f, parts, keyBefore, zone)
	if ok && ok2 && !from.Before(before) {
		r.Fault(parts[keyBefore], "%s is not after %s; the baseline is the days from the one to the day before the other", parts[keyBefore].Path(), parts[keyFrom].Path())
	}
	return from, before
}

func (r *reading) day(above field, parts map[string]field, key string, zone *time.Location) (time.Time, bool) {
	f, has := parts[key]
	if !has {
		r.Fault(above, "%s has no %s; give the first day of the baseline as %s and the day after its last one as %s, such as 2024-01-01", above.Path(), key, keyFrom, keyBefore)
		return time.Time{}, false
	}
	text, ok := r.Text(f)
	if !ok {
		return time.Time{}, false
	}
	t, err := time.ParseInLocation(time.DateOnly, text, zone)
	if err != nil {
		r.Fault(f, "%s is no day; give one such as 2024-01-01", f.Path())
		return time.Time{}, false
	}
	return t, true
}

// between reads a number above low and at most high.
func (r *reading) between(f field, low, high float64) float64 {
	v, ok := r.Number(f)
	if ok && !(v > low && v <= high) {
		r.Fault(f, "%s is %g; give a number above %g and at most %g", f.Path(), v, low, high)
	}
	return v
}

func (r *reading) chart(item field, cases float64, baseline bool) audit.Monitored {
	before := r.Count()
	given := r.Fields(item, keyOutcome, keyOperator, keyOddsRatio, keyModel, keyModelVersion, keyAcceptable, keyUnacceptable, keyInControl, keyCasesAYear)
	text := func(key string, most int) string {
		f, has := given[key]
		if !has {
			return ""
		}
		s, ok := r.Text(f)
		if ok && (strings.TrimSpace(s) == "" || len(s) > most) {
			r.Fault(f, "%s is empty or has more than %d letters", f.Path(), most)
		}
		return s
	}
	c := audit.Monitored{
		Outcome: text(keyOutcome, mostModelName), Operator: text(keyOperator, mostModelName),
		Model: text(keyModel, mostModelName), Version: text(keyModelVersion, mostModelName), CasesAYear: cases,
	}
	number := func(key string, low, high float64) float64 {
		if f, has := given[key]; has {
			return r.between(f, low, high)
		}
		return 0
	}
	c.OddsRatio = number(keyOddsRatio, 1, mostOddsRatio)
	c.Acceptable, c.Unacceptable = r.rates(given)
	c.InControl = number(keyInControl, leastInControl, mostInControl)
	if f, has := given[keyCasesAYear]; has {
		c.CasesAYear = r.between(f, 0, mostCasesAYear)
	}
	has := func(key string) bool { _, ok := given[key]; return ok }
	risk, rates := has(keyOddsRatio), has(keyAcceptable) || has(keyUnacceptable)
	// The next fault of an entry may come of the one before.
	if r.Count() > before {
		return c
	}
	for _, need := range []struct {
		ok   bool
		what string
	}{
		{has(keyOutcome), "has no outcome; give one of " + strings.Join(audit.EndpointNames(), ", ")},
		{has(keyInControl), "has no in_control_cases; say in how many operations you take one false alarm, such as 1000"},
		{has(keyCasesAYear) || cases > 0, "has no cases_a_year, nor has the section; say how many operations a year you expect, so that false alarms a year can be told"},
		{risk != rates, "needs either odds_ratio, where each patient has an expected risk, or acceptable_percent and unacceptable_percent, where none has"},
		{!rates || has(keyAcceptable) && has(keyUnacceptable), "needs both acceptable_percent and unacceptable_percent"},
		{!risk || has(keyModel), "has no model; name the model of expected risks as the plans do: models are never pooled"},
		{!risk || baseline, "has an odds_ratio and needs a baseline beside charts, over whose risks its limits are computed"},
		{risk || !has(keyModel) && !has(keyModelVersion), "names a model without odds_ratio; leave it out"},
		{!has(keyOperator) || pseudonym.MatchString(c.Operator), "names an operator by what is no pseudonym; give it as the operations do"},
	} {
		if !need.ok {
			r.Fault(item, "%s %s", item.Path(), need.what)
			return c
		}
	}
	if err := c.Check(); err != nil && r.Count() == before {
		r.Fault(item, "%s can't be followed: %v", item.Path(), err)
	}
	return c
}

// rates reads the acceptable and the unacceptable rate, in percent.
func (r *reading) rates(given map[string]field) (acceptable, unacceptable float64) {
	low, hasLow := given[keyAcceptable]
	high, hasHigh := given[keyUnacceptable]
	if hasLow {
		acceptable = r.share(low)
	}
	if hasHigh {
		unacceptable = r.share(high)
	}
	if hasLow && hasHigh && acceptable >= unacceptable {
		r.Fault(high, "%s is not above %s", high.Path(), low.Path())
	}
	return acceptable, unacceptable
}

// share reads a percentage between 0 and 100, both excluded.
func (r *reading) share(f field) float64 {
	v, ok := r.Number(f)
	if ok && !(v > 0 && v < 100) {
		r.Fault(f, "%s is %g; give a number above 0 and below 100", f.Path(), v)
	}
	return v / 100
}

func (r *reading) learning(f field) *statistics.LearningChart {
	given := r.Fields(f, keyAcceptable, keyUnacceptable, keyAlpha, keyBeta)
	l := audit.DefaultLearning
	_, low := given[keyAcceptable]
	_, high := given[keyUnacceptable]
	if low != high {
		r.Fault(f, "%s needs both %s and %s, or neither", f.Path(), keyAcceptable, keyUnacceptable)
		return nil
	}
	if low {
		l.Acceptable, l.Unacceptable = r.rates(given)
	}
	for key, into := range map[string]*float64{keyAlpha: &l.Alpha, keyBeta: &l.Beta} {
		f, has := given[key]
		if !has {
			continue
		}
		if *into = r.share(f); *into >= 0.5 {
			r.Fault(f, "%s is 50 or more; a chance to be wrong lies below that", f.Path())
		}
	}
	return &l
}

// monitoringChanges tells what a site follows.
func monitoringChanges(m audit.Monitoring) (list []Change) {
	if !m.BaselineBefore.IsZero() {
		list = append(list, Change{keyMonitoring + "." + keyBaseline, fmt.Sprintf("%s to before %s", m.BaselineFrom.Format(time.DateOnly), m.BaselineBefore.Format(time.DateOnly)), "none"})
	}
	for _, c := range m.Charts {
		name := keyMonitoring + "." + c.Outcome
		if c.Operator != "" {
			name += ", " + c.Operator
		}
		text := fmt.Sprintf("odds %g times those expected by %s %s", c.OddsRatio, c.Model, c.Version)
		if c.OddsRatio == 0 {
			text = fmt.Sprintf("%.3g %% against %.3g %%", 100*c.Unacceptable, 100*c.Acceptable)
		}
		text = strings.TrimSpace(text) + fmt.Sprintf(", one false alarm in %g operations: %.2g a year of %g operations", c.InControl, c.FalseAlarmsAYear(), c.CasesAYear)
		list = append(list, Change{name, text, "not followed"})
	}
	if l := m.Learning; l != nil {
		list = append(list, Change{keyMonitoring + "." + keyLearning, learningText(*l), learningText(audit.DefaultLearning)})
	}
	return list
}

func learningText(l statistics.LearningChart) string {
	return fmt.Sprintf("%.3g %% against %.3g %%, alpha %.3g %%, beta %.3g %%", 100*l.Unacceptable, 100*l.Acceptable, 100*l.Alpha, 100*l.Beta)
}

// monitoringSchema is the schema of the section.
func monitoringSchema() object {
	above := func(low, high float64, about string) object {
		return object{"type": "number", "exclusiveMinimum": low, "maximum": high, "description": about}
	}
	share := func(about string) object {
		return object{"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 100, "description": about}
	}
	name := func(most int, about string) object {
		return object{"type": []string{"string", "number"}, "maxLength": most, "pattern": `\S`, "description": about}
	}
	casesAYear := above(0, mostCasesAYear, "operations a year that the site expects")
	var risks []string
	for _, e := range audit.Endpoints() {
		if e.HasRisk() {
			risks = append(risks, e.Name)
		}
	}
	chart := entries(object{
		keyOutcome:      object{"enum": audit.EndpointNames(), "description": "what is followed"},
		keyOperator:     object{"type": []string{"string", "number"}, "pattern": pseudonym.String(), "description": "pseudonym of the operator; left out: the department"},
		keyOddsRatio:    above(1, mostOddsRatio, "how many times the expected odds the chart looks for"),
		keyModel:        name(mostModelName, "model of expected risks, as plans name it"),
		keyModelVersion: name(mostModelName, "its version, as plans name it"),
		keyAcceptable:   share("rate of failures that is acceptable, in percent, where there is no expected risk"),
		keyUnacceptable: share("rate that is not"),
		keyInControl:    above(leastInControl, mostInControl, "in how many operations one false alarm is taken, of both directions together"),
		keyCasesAYear:   casesAYear,
	})
	chart["type"] = "object"
	chart["required"] = []string{keyOutcome, keyInControl}
	chart["if"] = object{"required": []string{keyOddsRatio}}
	chart["then"] = object{"required": []string{keyModel}, "properties": object{keyAcceptable: false, keyUnacceptable: false, keyOutcome: object{"enum": risks}}}
	chart["else"] = object{"required": []string{keyAcceptable, keyUnacceptable}, "properties": object{keyModel: false, keyModelVersion: false}}
	baseline := entries(object{
		keyFrom:   object{"type": "string", "pattern": `^[0-9]{4}-[0-9]{2}-[0-9]{2}$`, "description": "first day"},
		keyBefore: object{"type": "string", "pattern": `^[0-9]{4}-[0-9]{2}-[0-9]{2}$`, "description": "day after the last one; what is monitored begins on it"},
	})
	baseline["required"] = []string{keyFrom, keyBefore}
	baseline["type"] = "object"
	baseline["description"] = "period over whose operations limits are computed"
	learning := entries(object{
		keyAcceptable:   with(share("acceptable rate of failures, in percent"), 100*audit.DefaultLearning.Acceptable),
		keyUnacceptable: with(share("rate that is not"), 100*audit.DefaultLearning.Unacceptable),
		keyAlpha:        with(object{"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 50, "description": "chance to call an acceptable rate unacceptable, in percent"}, 100*audit.DefaultLearning.Alpha),
		keyBeta:         with(object{"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 50, "description": "chance the other way, in percent"}, 100*audit.DefaultLearning.Beta),
	})
	learning["dependentRequired"] = object{keyAcceptable: []string{keyUnacceptable}, keyUnacceptable: []string{keyAcceptable}}
	learning["description"] = "how learning charts of operators are drawn"
	section := entries(object{
		keyCasesAYear: casesAYear,
		keyBaseline:   baseline,
		keyCharts:     object{"type": []string{"array", "null"}, "maxItems": mostCharts, "items": chart, "description": "charts that signal; whatever is not named is a picture"},
		keyLearning:   learning,
	})
	section["description"] = "which outcomes are followed by charts that signal"
	return section
}
