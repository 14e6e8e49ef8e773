// Package evaluate says everything that can be said of one case: plan in force,
// metric values, findings, discrepancies, what is missing. It is pure: same input,
// same answer. The casebook calls it with every write.
package evaluate

import (
	"cmp"
	"slices"
	"strings"

	"trigone/internal/discrepancy"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/rules"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
)

// Caution goes with every output.
const Caution = "Decision support for qualified staff, not a medical device. Clinical judgement, local protocols and licensed practice come first. Predictions are ranges of an uncalibrated model, not advice."

// Input is a case with everything it is judged by.
type Input struct {
	Case     *repair.Case
	Settings settings.Settings
	// Tolerances are the settings in force when the operation was first received, with
	// the built-in values of then; nil: Settings.
	Tolerances *settings.Settings
	// Predictions are those stored before the operation, by plan revision.
	Predictions map[int64]discrepancy.Prediction
	// Known is what an earlier evaluation of the same state said was predicted from the
	// plan, where the case is judged again as a report: that is what was known, and
	// it stands in place of what would be predicted now. Nil: predict.
	Known *discrepancy.Prediction
	// First says that nothing of the case was evaluated before.
	First bool
	// Confirmed are the contradictions and slips, by the finding's id, whose values a
	// reviewer confirmed: they are found as before, dispute nothing and keep nothing
	// waiting.
	Confirmed map[string]bool
	// RuleSet is the version of the rule set, whose built-in values take the place of
	// those of Settings; empty: the present one.
	RuleSet string
	// SiteRules are the site's own, which judge what no contradiction disputes.
	SiteRules []rules.SiteRule
	// Software is the version of this software.
	Software string
	// Replays are the versions by which the evaluation was made that this one
	// repeats; nil: it repeats none.
	Replays *Versions
}

// Versions are what an evaluation was made by, as far as it can be repeated.
type Versions struct{ Software, RuleSet string }

// Replay says how far an evaluation repeats an earlier one.
type Replay string

// The replays; the zero Replay repeats nothing.
const (
	Exact       Replay = "exact"       // the same software under the same rule set
	Approximate Replay = "approximate" // the rules of then by the formulas and messages of now, or other rules
)

func replay(in Input) Replay {
	if in.Replays == nil {
		return ""
	}
	now := Versions{Software: in.Software, RuleSet: cmp.Or(in.RuleSet, rules.SetVersion)}
	if in.Software != "" && *in.Replays == now {
		return Exact
	}
	return Approximate
}

// Evaluation is everything said of the case.
type Evaluation struct {
	CatalogueVersion string
	RuleSetVersion   string
	PolicyHash       string
	CalibrationID    string
	Replay           Replay
	InForce          repair.InForce
	Metrics          []metric.Value // leaves first, then the catalogue in its order
	Findings         []rules.Finding
	Gaps             []rules.Gap
	Comparisons      []discrepancy.Comparison
	Suggestions      []Suggestion
}

// Discrepancies gives those of the comparisons that are discrepancies.
func (e Evaluation) Discrepancies() []discrepancy.Comparison {
	return discrepancy.Discrepancies(e.Comparisons)
}

// Suggestion says which metrics a few more numbers would give.
type Suggestion struct {
	Missing  []string
	Metrics  []valve.ID
	Occasion valve.Occasion
}

// Evaluate evaluates a case. It runs twice: metrics on all values with the rules
// that can find a contradiction or a slip or name the cause of one, then metrics
// without the values that are disputed or likely slips with all other rules, which
// judge a slip as typed. Where there is neither the metrics of the first run are
// those of the second.
func Evaluate(in Input) Evaluation {
	in.Settings = in.Settings.Under(in.RuleSet)
	all := in.Case
	values := compute(in, all)
	findings, gapsA := rules.Run(all, in.Settings, values, in.RuleSet, func(r rules.Rule) bool { return r.JudgesAll(in.RuleSet) })

	var disputes []valve.InputValue
	var disputed, slips []valve.Key
	for i := range findings {
		f := &findings[i]
		if !f.Confirmable() {
			continue
		}
		if f.Confirmed = in.Confirmed[f.ID]; f.Confirmed {
			continue
		}
		for _, d := range f.Disputes {
			disputes = append(disputes, d)
			disputed = append(disputed, d.Key)
		}
		for _, q := range f.Questions {
			slips = append(slips, q.Key)
		}
	}
	clean := Withhold(all, disputed, slips)
	if clean != all {
		values = compute(in, clean)
	}
	others, gapsB := rules.Run(clean, in.Settings, values, in.RuleSet, func(r rules.Rule) bool { return !r.JudgesAll(in.RuleSet) })
	ofSite, gapsC := rules.RunSite(in.SiteRules, clean, in.Settings, values)

	inForce := all.PlanInForce()
	e := Evaluation{
		CatalogueVersion: metric.CatalogueVersion,
		RuleSetVersion:   cmp.Or(in.RuleSet, rules.SetVersion),
		PolicyHash:       in.Settings.PolicyHash,
		CalibrationID:    Calibrations(values, func(v metric.Value) string { return v.Calibration }),
		Replay:           replay(in),
		InForce:          inForce,
		Metrics:          append(metric.LeafValues(Withhold(all, nil, slips), disputed), values...),
		Findings:         slices.Concat(findings, others, ofSite),
		Gaps:             slices.Concat(gapsA, gapsB, gapsC),
	}
	finish(e.Findings, all, in.RuleSet)
	e.Suggestions = suggest(values)
	present := discrepancy.Prediction{
		Predicted: discrepancy.Predicted{CatalogueVersion: e.CatalogueVersion}, Values: values,
	}
	e.Comparisons = discrepancy.Compare(discrepancy.Input{
		Case: clean, InForce: inForce, Settings: tolerances(in), Disputed: disputes,
		Prediction: prediction(in, inForce, present), Present: present, Known: in.Known,
	})
	return e
}

// CautionUnder is the caution of an evaluation some of whose predictions were corrected
// by the site's calibrations; empty: of none.
func CautionUnder(calibrations string) string {
	if calibrations == "" {
		return Caution
	}
	return "Decision support for qualified staff, not a medical device. Clinical judgement, local protocols and licensed practice come first. " +
		"Predictions are ranges of a model, not advice; the site has calibrated some of them (" + calibrations + "), the others are uncalibrated."
}

// Calibrations names what values were corrected by, each once and in order.
func Calibrations[V any](values []V, of func(V) string) string {
	var ids []string
	for _, v := range values {
		if id := of(v); id != "" && !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	return strings.Join(ids, "+")
}

// compute computes the catalogue; what is predicted from the plan is what was known,
// if anything is given as such.
func compute(in Input, c *repair.Case) []metric.Value {
	values := metric.Compute(c, in.Settings)
	if in.Known == nil {
		return values
	}
	known := map[valve.Key]metric.Value{}
	for _, v := range in.Known.Values {
		known[v.Key] = v
	}
	kept := values[:0]
	for _, v := range values {
		if v.Key.Role == valve.PredictedFromPlan {
			then, told := known[v.Key]
			if !told {
				continue
			}
			v.State, v.Value, v.SD, v.Lower, v.Upper, v.Band = then.State, then.Value, then.SD, then.Lower, then.Upper, then.Band
			v.Explanation, v.Missing, v.Calibration, v.Uncalibrated = then.Explanation, then.Missing, then.Calibration, then.Uncalibrated
		}
		kept = append(kept, v)
	}
	return kept
}

// withheld takes the disputed values away and leaves their places: a metric all
// of whose inputs are disputed is still asked for, and not evaluable.
func withheld(m valve.Measurements, disputed []valve.Key) valve.Measurements {
	rest := m.Without(disputed)
	for _, k := range disputed {
		blank := m[k]
		blank.Value = units.None[float64]()
		rest[k] = blank
	}
	return rest
}

func tolerances(in Input) settings.Settings {
	if in.Tolerances != nil {
		return *in.Tolerances
	}
	return in.Settings
}

// prediction gives the stored prediction of the plan in force. A plan that is
// read for the first time together with its outcome, as a late arrival or in a
// file, is judged by the prediction that this very evaluation makes of it.
func prediction(in Input, f repair.InForce, present discrepancy.Prediction) *discrepancy.Prediction {
	if f.Revision == nil {
		return nil
	}
	if p, ok := in.Predictions[f.Revision.Revision]; ok {
		return &p
	}
	if f.Timing != repair.LateArrival && !in.First || f.Revision.Revision != in.Case.PlanRevision {
		return nil
	}
	return &present
}

// severityRank orders findings.
func severityRank(s rules.Severity) int {
	return slices.Index([]rules.Severity{rules.Contradiction, rules.Caution, rules.Note}, s)
}

// finish marks the findings that speak of the final state, groups those with one
// cause under it, and puts them in order.
func finish(findings []rules.Finding, c *repair.Case, ruleSet string) {
	last := c.Operation.LastRun()
	for i := range findings {
		f := &findings[i]
		f.Final = speaksOfFinalState(f, c, last)
		f.Root = cause(f, findings, ruleSet)
	}
	flatten(findings)
	slices.SortStableFunc(findings, func(a, b rules.Finding) int {
		return cmp.Or(
			cmp.Compare(severityRank(a.Severity), severityRank(b.Severity)),
			cmp.Compare(a.Rule, b.Rule),
			cmp.Compare(a.At.Occasion, b.At.Occasion),
			cmp.Compare(a.At.Place, b.At.Place),
		)
	})
}

// cause gives the finding that a finding stands under, or "": one that explains a
// value that it read, as a slip of the unit does, or else one of a rule that its
// own stands under.
func cause(f *rules.Finding, findings []rules.Finding, ruleSet string) string {
	rule, _ := rules.ByID(f.Rule)
	if !rule.Explains {
		for i := range findings {
			if other, _ := rules.ByID(findings[i].Rule); other.Explains && other.JudgesAll(ruleSet) && readOneOf(f, &findings[i]) {
				return findings[i].ID
			}
		}
	}
	for i := range findings {
		if slices.Contains(rule.Under, findings[i].Rule) && shareCause(f, &findings[i]) {
			return findings[i].ID
		}
	}
	return ""
}

// readOneOf says whether a finding read a value that the other read too.
func readOneOf(f, other *rules.Finding) bool {
	return slices.ContainsFunc(f.Inputs, func(in valve.InputValue) bool {
		return slices.ContainsFunc(other.Inputs, func(named valve.InputValue) bool { return named.Key == in.Key })
	})
}

// shareCause says whether two findings, one of whose rules stands under the
// other's, can have one cause: they judge the same place, or one value of the
// same section. Two steps, or two pump runs, are two causes.
func shareCause(a, b *rules.Finding) bool {
	if a.At.Occasion == b.At.Occasion && a.At.Place == b.At.Place {
		return true
	}
	return a.At.Occasion.Section() == b.At.Occasion.Section() && slices.ContainsFunc(a.Inputs, func(in valve.InputValue) bool {
		return in.Key.Occasion.Section() == a.At.Occasion.Section() &&
			slices.ContainsFunc(b.Inputs, func(other valve.InputValue) bool { return other.Key == in.Key })
	})
}

// flatten points every grouped finding to one that is a root itself.
func flatten(findings []rules.Finding) {
	roots := map[string]string{}
	for _, f := range findings {
		roots[f.ID] = f.Root
	}
	for i := range findings {
		f := &findings[i]
		for range findings {
			if roots[f.Root] == "" {
				break
			}
			f.Root = roots[f.Root]
		}
	}
}

// speaksOfFinalState: an operation has been recorded, and what is judged is the
// state after the last pump run or later. That a native value was read beside it
// does not matter.
func speaksOfFinalState(f *rules.Finding, c *repair.Case, lastRun int) bool {
	if c.Operation == nil {
		return false
	}
	final := func(o valve.Occasion, run int) bool {
		if s := c.StudyAt(o); s != nil {
			switch s.Kind {
			case repair.FollowUp:
				return true
			case repair.Result:
				return s.Run == 0 || s.Run >= lastRun
			}
			return false
		}
		return o.Section() == string(valve.AtOperation) && (run == 0 || run >= lastRun)
	}
	return final(f.At.Occasion, f.At.Run)
}

func suggest(values []metric.Value) []Suggestion {
	const few = 2
	var list []Suggestion
	for _, v := range values {
		if v.State != metric.NotEvaluable || len(v.Missing) == 0 || len(v.Missing) > few || len(v.Inputs) == 0 {
			continue
		}
		if slices.ContainsFunc(v.Missing, func(m string) bool { return strings.HasSuffix(m, metric.UntilConfirmed) }) {
			continue // it is there; the slip says what to do
		}
		i := slices.IndexFunc(list, func(s Suggestion) bool {
			return s.Occasion == v.Key.Occasion && slices.Equal(s.Missing, v.Missing)
		})
		if i < 0 {
			list = append(list, Suggestion{Missing: v.Missing, Metrics: []valve.ID{v.Key.ID}, Occasion: v.Key.Occasion})
			continue
		}
		if !slices.Contains(list[i].Metrics, v.Key.ID) {
			list[i].Metrics = append(list[i].Metrics, v.Key.ID)
		}
	}
	return list
}
