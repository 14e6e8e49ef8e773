package convert

import (
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/discrepancy"
	"trigone/internal/evaluate"
	"trigone/internal/latitude"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/rules"
	"trigone/internal/settings"
	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// Evaluation turns an evaluation into its message; number, time, sections and
// software version are the caller's to fill in.
func Evaluation(e *evaluate.Evaluation) *trigonev1.Evaluation {
	out := &trigonev1.Evaluation{
		CatalogueVersion: e.CatalogueVersion, RuleSetVersion: e.RuleSetVersion, PolicyHash: e.PolicyHash, CalibrationId: e.CalibrationID,
		PlanInForce: planInForce(e.InForce), Caution: evaluate.CautionUnder(e.CalibrationID),
	}
	for _, v := range e.Metrics {
		out.Metrics = append(out.Metrics, metricValue(v))
	}
	var cited []settings.SourceID
	for _, f := range e.Findings {
		out.Findings = append(out.Findings, finding(f))
		if !slices.Contains(cited, f.Source) {
			cited = append(cited, f.Source)
		}
	}
	slices.Sort(cited)
	for _, id := range cited {
		if s, ok := settings.SourceByID(id); ok {
			out.Sources = append(out.Sources, source(s))
		}
	}
	for _, g := range e.Gaps {
		out.RuleGaps = append(out.RuleGaps, &trigonev1.RuleGap{Rule: g.Rule, Occasion: string(g.At.Occasion), Place: string(g.At.Place), Missing: g.Missing})
	}
	for _, c := range e.Comparisons {
		m := comparison(c)
		out.Comparisons = append(out.Comparisons, m)
		if c.Differs() {
			out.Discrepancies = append(out.Discrepancies, Discrepancy(m))
		}
	}
	for _, s := range e.Suggestions {
		out.Suggestions = append(out.Suggestions, &trigonev1.Suggestion{Missing: s.Missing, Metrics: texts[string](s.Metrics), Occasion: string(s.Occasion)})
	}
	return out
}

// Calibrated names what the predictions among values were corrected by.
func Calibrated(values []*trigonev1.MetricValue) (c metric.Calibrated) {
	for _, m := range values {
		c.Add(valve.Role(Word(m.GetRole())), m.GetCalibrationId())
	}
	return c
}

func planInForce(f repair.InForce) *trigonev1.PlanInForce {
	out := &trigonev1.PlanInForce{Timing: Enum[trigonev1.PlanTiming](string(f.Timing)), Explanation: f.Explanation}
	if f.Effective() {
		out.Revision = f.Revision.Revision
	}
	return out
}

func pointer(m units.Maybe[float64]) *float64 {
	v, ok := m.Get()
	if !ok {
		return nil
	}
	return &v
}

func metricValue(v metric.Value) *trigonev1.MetricValue {
	unit, _, _ := metric.Describe(v.Key.ID)
	out := &trigonev1.MetricValue{
		Metric: string(v.Key.ID), Place: string(v.Key.Place), Occasion: string(v.Key.Occasion), Role: Enum[trigonev1.MetricRole](string(v.Key.Role)),
		Method: Enum[trigonev1.Method](string(v.Method)), State: Enum[trigonev1.MetricState](string(v.State)), Unit: unit.UCUM(),
		StandardUncertainty: pointer(v.SD), Lower: pointer(v.Lower), Upper: pointer(v.Upper),
		Explanation: v.Explanation, Inputs: inputs(v.Inputs), Missing: v.Missing, Band: v.Band,
		AbsentReason: Enum[trigonev1.AbsentReason](string(v.Absent)), Stage: Enum[trigonev1.Stage](string(v.Stage)), Run: int32(v.Run),
		CalibrationId: v.Calibration, UncalibratedValue: pointer(v.Uncalibrated),
	}
	if v.State == metric.HasValue || v.State == metric.Disputed {
		out.Value = proto.Float64(v.Value)
	}
	return out
}

func inputs(list []valve.InputValue) []*trigonev1.InputValue {
	if len(list) == 0 {
		return nil
	}
	out, all := make([]*trigonev1.InputValue, len(list)), make([]trigonev1.InputValue, len(list))
	for i, in := range list {
		m := &all[i]
		m.Leaf, m.Place, m.Occasion = string(in.Key.ID), string(in.Key.Place), string(in.Key.Occasion)
		m.Role, m.Value, m.Unit = Enum[trigonev1.MetricRole](string(in.Key.Role)), in.Value, in.Unit.UCUM()
		out[i] = m
	}
	return out
}

func finding(f rules.Finding) *trigonev1.Finding {
	return &trigonev1.Finding{
		Id: f.ID, Rule: f.Rule, Severity: Enum[trigonev1.Severity](string(f.Severity)), Message: f.Message,
		Occasion: string(f.At.Occasion), Place: string(f.At.Place), Run: int32(f.At.Run), Stage: Enum[trigonev1.Stage](string(f.At.Stage)),
		Inputs: inputs(f.Inputs), Limits: limits(f.Limits), Source: string(f.Source), Kind: Enum[trigonev1.RuleKind](string(f.Kind)),
		Disputes: inputs(f.Disputes), Root: f.Root, FinalState: f.Final, Advice: f.Advice, Sections: f.Sections,
		Confirmed: f.Confirmed, Questions: inputs(f.Questions),
	}
}

func limits(list []settings.Threshold) []*trigonev1.AppliedLimit {
	var out []*trigonev1.AppliedLimit
	for _, t := range list {
		out = append(out, &trigonev1.AppliedLimit{
			Threshold: t.Name, Value: t.Value, Unit: t.Unit.UCUM(), Inclusive: t.Inclusive, Owner: Enum[trigonev1.LimitOwner](string(t.Owner)),
		})
	}
	return out
}

func comparison(c discrepancy.Comparison) *trigonev1.Comparison {
	out := &trigonev1.Comparison{
		Id: c.ID, Kind: Enum[trigonev1.ComparisonKind](string(c.Kind)), Verdict: Enum[trigonev1.ComparisonVerdict](string(c.Verdict)),
		Class: string(c.Class), DiscrepancyId: c.DiscrepancyID, ThingPlanned: c.Thing, Message: c.Message,
		PlannedStepId: c.PlannedStepID, PerformedStepId: c.PerformedStepID, TargetId: c.TargetID,
		Metric: c.Metric, Place: string(c.Place), Occasion: string(c.Occasion), Run: int32(c.Run), Stage: Enum[trigonev1.Stage](string(c.Stage)),
		Method: Enum[trigonev1.Method](string(c.Method)), Planned: c.Planned, Actual: c.Actual,
		PlannedValue: pointer(c.PlannedValue), PlannedSd: pointer(c.PlannedSD), ActualValue: pointer(c.ActualValue), ActualSd: pointer(c.ActualSD),
		Difference: pointer(c.Difference), Lower: pointer(c.Lower), Upper: pointer(c.Upper),
		Tolerance: pointer(c.Tolerance), Margin: pointer(c.Margin), Z: pointer(c.Z), Unit: unit(c.Unit),
		JudgedBy: Enum[trigonev1.JudgedBy](string(c.JudgedBy)), JudgedByVersion: c.JudgedByVersion,
		Owner: Enum[trigonev1.LimitOwner](string(c.Owner)), LimitOnReading: c.LimitOnReading, AsTyped: c.AsTyped,
		Reason: c.Reason, Parent: c.Parent, PlanRevised: c.PlanRevised, Missing: c.Missing, NotApplicableBecause: c.NotApplicableBecause,
		FormulaNumber: int32(c.FormulaNumber), UncalibratedValue: pointer(c.Uncalibrated),
	}
	if n, known := c.MetricFormulaNumber.Get(); known {
		out.MetricFormulaNumber = proto.Int32(int32(n))
	}
	if p := c.Predicted; p != nil {
		out.PredictionEvaluation, out.PredictionCatalogueVersion = proto.Int64(p.Evaluation), p.CatalogueVersion
		out.PredictionCalibrationId, out.PredictionRole = p.CalibrationID, Enum[trigonev1.MetricRole](string(p.Role))
	}
	return out
}

// Discrepancy gives a comparison that is a discrepancy in the form of one.
func Discrepancy(c *trigonev1.Comparison) *trigonev1.Discrepancy {
	planned, apart := discrepancy.Comparison{
		Metric: c.GetMetric(), JudgedBy: discrepancy.JudgedBy(Word(c.GetJudgedBy())), PlannedValue: maybeFloat(c.PlannedValue),
		ActualValue: maybeFloat(c.ActualValue), Difference: maybeFloat(c.Difference), Lower: maybeFloat(c.Lower), Upper: maybeFloat(c.Upper),
	}.AgainstEnd()
	return &trigonev1.Discrepancy{
		Id: c.GetDiscrepancyId(), Class: c.GetClass(), Reference: discrepancy.Class(c.GetClass()).Reference(),
		Verdict: trigonev1.DiscrepancyVerdict(c.GetVerdict()), Message: c.GetMessage(),
		PlannedStepId: c.GetPlannedStepId(), PerformedStepId: c.GetPerformedStepId(),
		Metric: c.GetMetric(), Place: c.GetPlace(), Occasion: c.GetOccasion(), Run: c.GetRun(), Stage: c.GetStage(),
		Planned: c.GetPlanned(), Actual: c.GetActual(), PlannedValue: pointer(planned), ActualValue: c.ActualValue, Difference: pointer(apart),
		Unit: c.GetUnit(), Tolerance: c.Margin, JudgedBy: c.GetJudgedBy(), JudgedByVersion: c.GetJudgedByVersion(),
		Method: c.GetMethod(), Reason: c.GetReason(), Parent: c.GetParent(), PlanRevised: c.GetPlanRevised(), Missing: c.GetMissing(),
	}
}

func unit(u units.Unit) string {
	if !u.Valid() {
		return ""
	}
	return u.UCUM()
}

// ThingsPlanned counts how the things planned came out, of one case or of several:
// the lists are of one case each.
func ThingsPlanned(cases ...[]*trigonev1.Comparison) *trigonev1.ThingsPlanned {
	n := things(cases)
	return &trigonev1.ThingsPlanned{
		Total: int32(n.Total), AsPlanned: int32(n.AsPlanned), Otherwise: int32(n.Otherwise),
		CannotBeTold: int32(n.CannotBeTold), NotEvaluable: int32(n.NotEvaluable), NotApplicable: int32(n.NotApplicable),
	}
}

// ThingsText puts a count of things planned into words.
func ThingsText(n *trigonev1.ThingsPlanned) string {
	return discrepancy.Things{
		Total: int(n.GetTotal()), AsPlanned: int(n.GetAsPlanned()), Otherwise: int(n.GetOtherwise()),
		CannotBeTold: int(n.GetCannotBeTold()), NotEvaluable: int(n.GetNotEvaluable()), NotApplicable: int(n.GetNotApplicable()),
	}.String()
}

func things(cases [][]*trigonev1.Comparison) discrepancy.Things {
	var all discrepancy.Things
	for _, list := range cases {
		var t discrepancy.Tally
		for _, c := range list {
			t.Add(c.GetThingPlanned(), discrepancy.Verdict(Word(c.GetVerdict())))
		}
		all = all.Plus(t.Things())
	}
	return all
}

func source(s settings.Source) *trigonev1.Source {
	return &trigonev1.Source{Id: string(s.ID), Citation: s.Citation, Strength: Enum[trigonev1.SourceStrength](string(s.Strength))}
}

// Changes reads what is asked about beside the state as it is.
func Changes(list []*trigonev1.WhatIf) []latitude.Change {
	var changes []latitude.Change
	for _, w := range list {
		var c latitude.Change
		if r := w.GetRing(); r != nil {
			c.Ring = &latitude.RingChoice{Family: r.GetFamilyKey(), Label: maybeFloat(r.Label)}
		}
		for _, h := range w.GetHeights() {
			c.Heights = append(c.Heights, latitude.HeightChoice{Segment: valve.Segment(Word(h.GetSegment())), MM: maybeFloat(h.Mm)})
		}
		for _, x := range w.GetChords() {
			c.Chords = append(c.Chords, latitude.ChordChoice{StepID: x.GetStepId(), MM: maybeFloat(x.Mm)})
		}
		changes = append(changes, c)
	}
	return changes
}

// Freedom turns what can still be changed into its message; asked are the changes that
// were asked about.
func Freedom(f latitude.Latitude, asked []*trigonev1.WhatIf) *trigonev1.Freedom {
	out := &trigonev1.Freedom{Time: timestamppb.New(f.Time), Explanation: evaluate.Caution}
	for _, r := range f.Ranges {
		m := &trigonev1.FreedomRange{
			Leaf: string(r.Leaf), Place: string(r.Place), State: Enum[trigonev1.MetricState](string(r.State)),
			Lower: pointer(r.Lower), Upper: pointer(r.Upper), Unit: r.Unit.UCUM(), Explanation: r.Explanation,
			Inputs: inputs(r.Inputs), Missing: r.Missing, Present: pointer(r.Present),
			Position: Enum[trigonev1.FreedomPosition](string(r.Position())), Done: r.Done,
			LowerCondition: condition(r.LowerBy), UpperCondition: condition(r.UpperBy),
			Reach: pointer(r.Reach), Uncertainty: r.Uncertainty, NotEstimated: r.NotEstimated,
		}
		for _, c := range r.Beside {
			m.Beside = append(m.Beside, condition(&c))
		}
		for _, size := range r.Sizes {
			m.Sizes = append(m.Sizes, &trigonev1.FreedomRingSize{
				FamilyKey: size.Family, Label: &size.Label, InnerAnteroPosteriorMm: pointer(size.InnerAnteroPosteriorMM),
				Fits: Enum[trigonev1.Answer](string(size.Fits)), Explanation: size.Explanation,
			})
		}
		out.Ranges = append(out.Ranges, m)
	}
	for _, u := range f.Unfit {
		out.UnfitSteps = append(out.UnfitSteps, &trigonev1.UnfitStep{
			PlannedStepId: u.PlannedStepID, Reason: Enum[trigonev1.UnfitReason](string(u.Reason)), Message: u.Message,
			FindingId: u.FindingID, DiscrepancyId: u.DiscrepancyID,
		})
	}
	for _, a := range f.Ages {
		m := &trigonev1.InputAge{Occasion: string(a.Occasion), Explanation: a.Explanation, Inputs: inputs(a.Inputs)}
		if a.Run > 0 {
			m.Run = proto.Int32(int32(a.Run))
		}
		if age, known := a.Age.Get(); known {
			m.Time, m.Age = timestamppb.New(a.Time), durationpb.New(age)
		}
		out.Ages = append(out.Ages, m)
	}
	for _, w := range f.WhatIfs {
		m := &trigonev1.WhatIfAnswer{Words: w.Words, Explanation: w.Explanation, Measured: inputs(w.Measured)}
		if w.Change >= 0 {
			m.Change = asked[w.Change]
		}
		for _, v := range w.Values {
			unit, _, _ := metric.Describe(v.Key.ID)
			value := &trigonev1.WhatIfValue{
				Metric: string(v.Key.ID), Place: string(v.Key.Place), State: Enum[trigonev1.MetricState](string(v.State)),
				Lower: pointer(v.Lower), Upper: pointer(v.Upper), Unit: unit.UCUM(), Explanation: v.Explanation,
				Inputs: inputs(v.Inputs), Missing: v.Missing,
			}
			if v.State == metric.HasValue {
				value.Value = &v.Value
			}
			m.Values = append(m.Values, value)
		}
		out.WhatIfs = append(out.WhatIfs, m)
	}
	return out
}

func condition(c *latitude.Condition) *trigonev1.FreedomCondition {
	if c == nil {
		return nil
	}
	return &trigonev1.FreedomCondition{
		Owner: Enum[trigonev1.FreedomOwner](string(c.Owner)), TargetId: c.TargetID, Metric: string(c.Metric), Words: c.Words,
		Value: pointer(c.Value), End: Enum[trigonev1.FreedomEnd](string(c.End)),
	}
}

// Sources gives every source.
func Sources() *trigonev1.ListSourcesResponse {
	out := &trigonev1.ListSourcesResponse{}
	for _, s := range settings.Sources() {
		out.Sources = append(out.Sources, source(s))
	}
	return out
}

// MetricDefinitions gives the catalogue, with the measured leaves before it if
// asked.
func MetricDefinitions(includeLeaves bool) *trigonev1.ListMetricsResponse {
	out := &trigonev1.ListMetricsResponse{CatalogueVersion: metric.CatalogueVersion}
	if includeLeaves {
		for _, l := range metric.Leaves() {
			d := &trigonev1.MetricDefinition{
				Id: string(l.ID), Name: l.Name, Unit: l.Unit.UCUM(), Grid: l.Grid, Leaf: true, Tier: Enum[trigonev1.Tier](string(l.Tier)),
				FormulaNumber: formulaNumber(l.ID),
			}
			withCode(d, l.Codes)
			out.Metrics = append(out.Metrics, d)
		}
	}
	for _, m := range metric.Metrics() {
		d := &trigonev1.MetricDefinition{
			Id: string(m.ID), Name: m.Name, Unit: m.Unit.UCUM(), Grid: m.Grid, Formula: m.Formula, Inputs: texts[string](m.Inputs), Source: string(m.Source),
			FormulaNumber: formulaNumber(m.ID),
		}
		withCode(d, m.Codes)
		out.Metrics = append(out.Metrics, d)
	}
	return out
}

// withCode gives the first public code that values of it may have.
func withCode(d *trigonev1.MetricDefinition, codes []metric.Coding) {
	for _, c := range codes {
		if c.Equivalence == metric.Equivalent {
			d.CodeSystem, d.Code, d.CodeDisplay = c.System, c.Code, c.Display
			return
		}
	}
}

func formulaNumber(id valve.ID) int32 {
	n, _ := metric.FormulaNumber(id)
	return int32(n)
}

// RuleDefinitions gives every rule with the limits in force, and then the site's own.
func RuleDefinitions(s settings.Settings, ofSite []rules.SiteRule) *trigonev1.ListRulesResponse {
	out := &trigonev1.ListRulesResponse{RuleSetVersion: rules.SetVersion}
	for _, r := range rules.All() {
		var in []settings.Threshold
		for _, name := range r.Thresholds {
			in = append(in, s.Threshold(name))
		}
		out.Rules = append(out.Rules, &trigonev1.RuleDefinition{
			Id: r.ID, Reference: r.Reference, Summary: r.Summary, Severity: Enum[trigonev1.Severity](string(r.Severity)),
			Kind: Enum[trigonev1.RuleKind](string(r.Kind)), Source: string(r.Source), Limits: limits(in), Since: r.Since, Until: r.Until,
		})
	}
	for _, r := range ofSite {
		out.Rules = append(out.Rules, &trigonev1.RuleDefinition{
			Id: r.ID, Summary: r.Summary + r.Basis, Severity: Enum[trigonev1.Severity](string(r.Severity)),
			Kind: trigonev1.RuleKind_RULE_KIND_CLINICAL, Source: string(settings.SourceSitePolicy),
		})
	}
	return out
}

// texts turns a list of one kind of text into another's.
func texts[To, From ~string](list []From) []To {
	if list == nil {
		return nil
	}
	out := make([]To, len(list))
	for i, t := range list {
		out[i] = To(t)
	}
	return out
}
