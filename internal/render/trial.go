package render

import (
	"cmp"
	"slices"
	"strings"

	"trigone/internal/metric"
	"trigone/internal/valve"
	"trigone/internal/words"
	trigonev1 "trigone/proto/trigone/v1"
)

// Trial is what an evaluation says of a plan that is tried: of its own numbers alone,
// nothing was done yet.
type Trial struct {
	// Predicts says that the geometry gives a contact.
	Predicts bool
	// Contact tells the coaptation of A2 and P2, Line and Gradient the two harms.
	Contact, Line, Gradient []Forecast
	// NoGradient says what is missing for one; empty: Gradient tells it.
	NoGradient string
	// Factors are those of systolic anterior motion.
	Factors []string
	Window  []string
	// Heights say which heights the contact rests on, Basis all that it was predicted
	// from.
	Heights []string
	Basis   string
	// Disputed says that a contradiction names numbers of the plan.
	Disputed bool
	Findings []TrialFinding
	// Counts tells how many findings there are of each kind.
	Counts string
	// Computed is what else the entries give, each with one standard uncertainty.
	Computed []TrialValue
	// Unjudged are the rules for which an input is missing.
	Unjudged []string
	Sources  []TrialSource
	Versions string
	Caution  string
}

// Forecast is one quantity predicted: its range, then its middle, then how both stand
// to the plan's own aim; or why there is none.
type Forecast struct {
	Quantity, Range, Middle, Aim string
	Why                          string
}

// TrialValue is a computed value in words.
type TrialValue struct{ Name, Place, Value string }

// TrialFinding is a rule that the plan breaks.
type TrialFinding struct {
	Severity, Rule, Place   string
	Message, Advice, Limits string
	Source                  int // number of its source; 0: none
}

// TrialSource is a source that a finding cites.
type TrialSource struct {
	Number   int
	Citation string
}

// TrialOf puts the evaluation of a plan before the operation into words.
func TrialOf(e *trigonev1.Evaluation, plan *trigonev1.Plan) Trial {
	t := Trial{
		Window: windowTexts(e), Counts: Count(e).findings(), Versions: versions(e), Caution: cmp.Or(e.GetCaution(), Caution),
	}
	overlap := planned(e, metric.IDPredictedOverlap, middleSlice)
	mean := planned(e, metric.IDPredictedContact, middleSlice)
	low, high := contactAim(plan)
	t.Predicts = mean != nil && mean.Value != nil
	if t.Predicts {
		basis := readable(mean.GetExplanation())
		t.Basis = words.Sentence(words.Capital(basis))
		for _, note := range strings.Split(basis, "; ") {
			if strings.HasPrefix(note, "A2 ") || strings.HasPrefix(note, "P2 ") {
				t.Heights = append(t.Heights, words.Sentence(note))
			}
		}
	}
	onEchoRow := forecastOf(overlap, "Contact of A2 and P2, the length over which both meet", low, high)
	meanRow := forecastOf(mean, "Mean contact of both leaflets in the model", low, high)
	switch {
	case deviceOf(plan) == nil:
		t.Contact = []Forecast{{Quantity: onEchoRow.Quantity, Why: "not predicted: the plan has no ring and no band, whose inner antero-posterior diameter sets that of the slice"}}
	case onEchoRow.Why != "" && meanRow.Why == onEchoRow.Why, onEchoRow.Why == "" && onEchoRow.Middle == meanRow.Middle:
		t.Contact = []Forecast{onEchoRow}
	default:
		meanRow.Aim = "" // the aim is one of what echo sees
		t.Contact = []Forecast{onEchoRow, meanRow}
	}
	if line := planned(e, metric.IDPredictedAnteriorShare, middleSlice); line != nil && deviceOf(plan) != nil {
		low, high := lineAim(plan)
		t.Line = []Forecast{forecastOf(line, "Closure line, from the anterior hinge", low, high)}
	}
	t.gradient(e, plan)
	t.factors(e)
	t.findings(e)
	t.computed(e)
	for _, gap := range e.GetRuleGaps() {
		text := words.Spaced(gap.GetRule())
		if len(gap.GetMissing()) > 0 {
			text += ": missing " + lacking(gap.GetMissing())
		}
		if !slices.Contains(t.Unjudged, text) {
			t.Unjudged = append(t.Unjudged, text)
		}
	}
	return t
}

const middleSlice = string(valve.A2P2)

// planned gives a value of the plan; nil: there is none.
func planned(e *trigonev1.Evaluation, id, place string) *trigonev1.MetricValue {
	for _, m := range e.GetMetrics() {
		if m.GetMetric() == id && m.GetOccasion() == string(valve.AtPlan) && (place == "" || m.GetPlace() == place) {
			return m
		}
	}
	return nil
}

// lacking names what is missing of a plan that has one assessment, and at most one step
// of a kind: neither needs to be named.
func lacking(names []string) string {
	var list []string
	for _, n := range names {
		leaf, _, _ := strings.Cut(n, " of ")
		leaf, where, _ := strings.Cut(leaf, " at ")
		text := words.Spaced(leaf)
		if p := place(where); p != "" && !strings.HasPrefix(where, "step:") {
			text += " at " + p
		}
		if !slices.Contains(list, text) {
			list = append(list, text)
		}
	}
	return words.And(list)
}

func forecastOf(m *trigonev1.MetricValue, quantityName string, low, high *float64) Forecast {
	f := Forecast{Quantity: quantityName}
	if m == nil {
		f.Why = "not predicted"
		return f
	}
	f.Range, f.Middle, f.Why = predictionCells(m)
	if len(m.GetMissing()) > 0 {
		f.Why = "cannot be told without " + lacking(m.GetMissing())
	}
	if f.Why == "" {
		f.Aim = aimText(m, low, high)
	}
	return f
}

// aimText says how the range and its middle stand to an aim; empty: there is none.
func aimText(m *trigonev1.MetricValue, low, high *float64) string {
	if low == nil && high == nil {
		return ""
	}
	n := places(m.GetMetric(), m.GetValue())
	said := func(v float64) string { return quantity(v, max(n, decimals(v)), m.GetUnit()) }
	aim := ""
	switch {
	case low != nil && high != nil && *low == *high:
		aim = said(*low)
	case low != nil && high != nil:
		aim = number(*low, max(n, decimals(*low))) + " to " + said(*high)
	case low != nil:
		aim = "at least " + said(*low)
	default:
		aim = "at most " + said(*high)
	}
	aim = "your aim of " + aim
	below := func(v *float64) bool { return v != nil && low != nil && *v < *low }
	above := func(v *float64) bool { return v != nil && high != nil && *v > *high }
	within := func(v *float64) bool { return v != nil && !below(v) && !above(v) }
	switch {
	case m.Lower == nil || m.Upper == nil:
		switch {
		case below(m.Value):
			return "The middle lies below " + aim + "."
		case above(m.Value):
			return "The middle lies above " + aim + "."
		}
		return "The middle lies within " + aim + "."
	case below(m.Upper):
		return "The whole range lies below " + aim + "."
	case above(m.Lower):
		return "The whole range lies above " + aim + "."
	case within(m.Lower) && within(m.Upper):
		return "The whole range lies within " + aim + "."
	case below(m.Value):
		return "The range reaches " + aim + "; its middle lies below it."
	case above(m.Value):
		return "The range reaches " + aim + "; its middle lies above it."
	case below(m.Lower) && above(m.Upper):
		return "The middle lies within " + aim + "; the range goes beyond it on both sides."
	case below(m.Lower):
		return "The middle lies within " + aim + "; the range begins below it."
	}
	return "The middle lies within " + aim + "; the range ends above it."
}

func contactAim(plan *trigonev1.Plan) (low, high *float64) {
	for _, t := range plan.GetTargets() {
		if c := t.GetCoaptationLength(); c != nil && c.GetRange() != nil {
			return c.GetRange().MinMm, c.GetRange().MaxMm
		}
	}
	return nil, nil
}

func lineAim(plan *trigonev1.Plan) (low, high *float64) {
	for _, t := range plan.GetTargets() {
		if s := t.GetAnteriorClosureShare(); s != nil {
			return s.MinPercent, s.MaxPercent
		}
	}
	return nil, nil
}

func gradientAim(plan *trigonev1.Plan) (low, high *float64) {
	for _, t := range plan.GetTargets() {
		if p := t.GetMeanGradient(); p != nil {
			return p.MinMmhg, p.MaxMmhg
		}
	}
	return nil, nil
}

func deviceOf(plan *trigonev1.Plan) *trigonev1.Annuloplasty {
	for _, s := range plan.GetSteps() {
		if a := s.GetTechnique().GetAnnuloplasty(); a != nil {
			return a
		}
	}
	return nil
}

func (t *Trial) gradient(e *trigonev1.Evaluation, plan *trigonev1.Plan) {
	m := planned(e, metric.IDExpectedGradient, "")
	switch {
	case deviceOf(plan) == nil:
		t.NoGradient = "No gradient is shown: the plan has no ring and no band."
	case m == nil:
		t.NoGradient = "No gradient is shown: it needs heart rate and forward flow together, and neither is assumed."
	default:
		low, high := gradientAim(plan)
		f := forecastOf(m, "Mean gradient to expect at that rate and flow", low, high)
		if f.Why != "" {
			t.NoGradient = "No gradient is shown. " + words.Sentence(words.Capital(f.Why))
			return
		}
		t.Gradient = []Forecast{f}
	}
}

func (t *Trial) factors(e *trigonev1.Evaluation) {
	m := planned(e, metric.IDFactorCount, "")
	if m == nil || m.Value == nil {
		return
	}
	for _, note := range strings.Split(readable(m.GetExplanation()), "; ") {
		for _, begin := range []string{"present: ", "absent: ", "not known, neither present nor absent: "} {
			if strings.HasPrefix(note, begin) {
				t.Factors = append(t.Factors, words.Sentence(words.Capital(note)))
			}
		}
	}
}

// told are the computed values that stand elsewhere in a trial.
var told = append([]string{metric.IDFactorCount, metric.IDExpectedGradient}, windowMetrics...)

func (t *Trial) computed(e *trigonev1.Evaluation) {
	for _, m := range e.GetMetrics() {
		row, ok := metric.MetricByID(valve.ID(m.GetMetric()))
		if !ok || predicted(m) || m.Value == nil || slices.Contains(told, m.GetMetric()) {
			continue
		}
		n := places(m.GetMetric(), m.GetValue())
		v := TrialValue{Name: words.Capital(row.Name), Place: where(m), Value: quantity(m.GetValue(), n, m.GetUnit())}
		switch {
		case m.StandardUncertainty != nil:
			v.Value = number(m.GetValue(), n) + " ± " + quantity(m.GetStandardUncertainty(), max(n, 1), m.GetUnit())
		case m.Lower != nil && m.Upper != nil:
			v.Value = number(m.GetLower(), n) + " to " + quantity(m.GetUpper(), n, m.GetUnit())
		}
		if m.GetBand() != "" {
			v.Value += " (" + words.Spaced(m.GetBand()) + ")"
		}
		t.Computed = append(t.Computed, v)
	}
}

// where gives the place of a value, and whether it is of the plan: a step needs no name
// where there is one of its kind.
func where(m *trigonev1.MetricValue) string {
	var list []string
	if p := place(m.GetPlace()); p != "" && !strings.HasPrefix(m.GetPlace(), "step:") {
		list = append(list, p)
	}
	switch {
	case m.GetOccasion() == string(valve.AtPlan):
		list = append(list, "as planned")
	case strings.HasPrefix(m.GetOccasion(), "assessment"):
		list = append(list, "before the repair")
	}
	return strings.Join(list, ", ")
}

func (t *Trial) findings(e *trigonev1.Evaluation) {
	cited := newCitations(e)
	for _, f := range e.GetFindings() {
		t.Disputed = t.Disputed || len(f.GetDisputes()) > 0 && !f.GetConfirmed()
		x := TrialFinding{Severity: Word(f.GetSeverity()), Rule: words.Spaced(f.GetRule()), Place: place(f.GetPlace()), Message: f.GetMessage(), Advice: f.GetAdvice()}
		var limits []string
		for _, l := range f.GetLimits() {
			limits = append(limits, limitText(l))
		}
		x.Limits = strings.Join(limits, "; ")
		x.Source = cited.number(f.GetSource())
		t.Findings = append(t.Findings, x)
	}
	for i, id := range cited.order {
		t.Sources = append(t.Sources, TrialSource{i + 1, cmp.Or(cited.byID[id].GetCitation(), id)})
	}
}
