package convert

import (
	"slices"

	"trigone/internal/discrepancy"
	"trigone/internal/draw"
	"trigone/internal/evaluate"
	"trigone/internal/explore"
	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/rules"
	"trigone/internal/settings"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// RecordOf gives the record that a case file is, with the plan as its only revision
// where none are given.
func RecordOf(file *trigonev1.CaseFile, plans ...PlanRevision) Record {
	rec := Record{
		Identity: file.GetIdentity(), Assessments: file.GetAssessments(), Plan: file.GetPlan(), Plans: plans,
		Operation: file.GetOperation(), Results: file.GetResults(), FollowUps: file.GetFollowUps(),
	}
	if rec.Plan != nil && len(plans) == 0 {
		rec.Plans = []PlanRevision{{Revision: 1, Plan: rec.Plan}}
	}
	if len(rec.Plans) > 0 && rec.Plan != nil {
		rec.PlanRevision = slices.MaxFunc(rec.Plans, func(a, b PlanRevision) int { return int(a.Revision - b.Revision) }).Revision
	}
	return rec
}

// Drawn gives what is drawn of a case: its record, and its evaluation as it is
// stored. A drawing then says what the evaluation said, whatever would be said now.
func Drawn(rec Record, e *trigonev1.Evaluation) draw.Subject {
	c := Case(rec)
	s := draw.Subject{Case: c, Evaluation: evaluate.Evaluation{
		InForce: repair.InForce{Timing: repair.Timing(Word(e.GetPlanInForce().GetTiming()))},
	}}
	for i := range c.Plans {
		if c.Plans[i].Revision == e.GetPlanInForce().GetRevision() {
			s.Evaluation.InForce.Revision = &c.Plans[i]
		}
	}
	for _, m := range e.GetMetrics() {
		s.Evaluation.Metrics = append(s.Evaluation.Metrics, drawnValue(m))
	}
	for _, f := range e.GetFindings() {
		s.Evaluation.Findings = append(s.Evaluation.Findings, drawnFinding(f))
	}
	for _, m := range e.GetComparisons() {
		s.Evaluation.Comparisons = append(s.Evaluation.Comparisons, drawnComparison(m))
	}
	return s
}

func drawnValue(m *trigonev1.MetricValue) metric.Value {
	v := metric.Value{
		Key: valve.Key{
			ID: valve.ID(m.GetMetric()), Place: valve.Place(m.GetPlace()), Occasion: valve.Occasion(m.GetOccasion()), Role: valve.Role(Word(m.GetRole())),
		},
		Method: valve.Method(Word(m.GetMethod())), Run: int(m.GetRun()), Stage: valve.Stage(Word(m.GetStage())),
		State: metric.State(Word(m.GetState())), Value: m.GetValue(), SD: maybeFloat(m.StandardUncertainty),
		Lower: maybeFloat(m.Lower), Upper: maybeFloat(m.Upper), Explanation: m.GetExplanation(), Missing: m.GetMissing(),
		Band: m.GetBand(), Absent: valve.AbsentReason(Word(m.GetAbsentReason())),
		Calibration: m.GetCalibrationId(), Uncalibrated: maybeFloat(m.UncalibratedValue),
	}
	for _, in := range m.GetInputs() {
		v.Inputs = append(v.Inputs, drawnInput(in))
	}
	return v
}

// drawnInput leaves the unit out: it is that of the leaf.
func drawnInput(in *trigonev1.InputValue) valve.InputValue {
	return valve.InputValue{Value: in.GetValue(), Key: valve.Key{
		ID: valve.ID(in.GetLeaf()), Place: valve.Place(in.GetPlace()), Occasion: valve.Occasion(in.GetOccasion()), Role: valve.Role(Word(in.GetRole())),
	}}
}

func drawnFinding(f *trigonev1.Finding) rules.Finding {
	out := rules.Finding{
		ID: f.GetId(), Rule: f.GetRule(), Severity: rules.Severity(Word(f.GetSeverity())), Confirmed: f.GetConfirmed(),
		At: metric.At{
			Place: valve.Place(f.GetPlace()), Occasion: valve.Occasion(f.GetOccasion()), Run: int(f.GetRun()), Stage: valve.Stage(Word(f.GetStage())),
		},
	}
	for _, in := range f.GetInputs() {
		out.Inputs = append(out.Inputs, drawnInput(in))
	}
	for _, in := range f.GetQuestions() {
		out.Questions = append(out.Questions, drawnInput(in))
	}
	for _, l := range f.GetLimits() {
		out.Limits = append(out.Limits, settings.Threshold{
			Name: l.GetThreshold(), Value: l.GetValue(), Inclusive: l.GetInclusive(), Owner: settings.Owner(Word(l.GetOwner())),
		})
	}
	return out
}

func drawnComparison(m *trigonev1.Comparison) discrepancy.Comparison {
	c := discrepancy.Comparison{
		Kind: discrepancy.Kind(Word(m.GetKind())), Verdict: discrepancy.Verdict(Word(m.GetVerdict())),
		PlannedStepID: m.GetPlannedStepId(), PerformedStepID: m.GetPerformedStepId(), TargetID: m.GetTargetId(),
		Metric: m.GetMetric(), Place: valve.Place(m.GetPlace()), Occasion: valve.Occasion(m.GetOccasion()), Run: int(m.GetRun()),
		Stage: valve.Stage(Word(m.GetStage())), Method: valve.Method(Word(m.GetMethod())),
		PlannedValue: maybeFloat(m.PlannedValue), ActualValue: maybeFloat(m.ActualValue), Lower: maybeFloat(m.Lower), Upper: maybeFloat(m.Upper),
		Owner: settings.Owner(Word(m.GetOwner())), LimitOnReading: m.GetLimitOnReading(), AsTyped: m.GetAsTyped(),
		NotApplicableBecause: m.GetNotApplicableBecause(), Missing: m.GetMissing(),
	}
	if m.PredictionEvaluation != nil {
		c.Predicted = &discrepancy.Predicted{Evaluation: m.GetPredictionEvaluation(), Role: valve.Role(Word(m.GetPredictionRole()))}
	}
	return c
}

// DrawnVariation gives what the window is drawn of: a plan's variants as ExplorePlans
// answers them, in grid order.
func DrawnVariation(basis *trigonev1.ExplorationBasis, variants []*trigonev1.PlanVariant) draw.Variation {
	v := draw.Variation{Plan: drawnVariant(basis.GetPlan())}
	for _, a := range basis.GetAxes() {
		v.Axes = append(v.Axes, explore.Described{Leaves: texts[valve.ID](a.GetLeaves()), Place: valve.Place(a.GetPlace()), Count: int(a.GetCount())})
	}
	for _, m := range variants {
		v.Variants = append(v.Variants, drawnVariant(m))
	}
	return v
}

func drawnVariant(m *trigonev1.PlanVariant) explore.Variant {
	v := explore.Variant{Index: -1}
	if m.GetIndex() >= 0 && m.Index != nil {
		v.Index = int(m.GetIndex())
	}
	for _, a := range m.GetValues() {
		value := explore.Value{MM: maybeFloat(a.Mm)}
		if r := a.GetRing(); r != nil {
			value.Ring = &explore.RingTried{
				Kind: Word(r.GetKind()), Label: maybeFloat(r.Label), AnteroPosteriorMM: maybeFloat(r.InnerAnteroPosteriorMm),
				TransverseMM: maybeFloat(r.InnerTransverseMm), OrificeCM2: maybeFloat(r.OrificeAreaCm2), BandLengthMM: maybeFloat(r.BandLengthMm),
			}
		}
		v.Values = append(v.Values, value)
	}
	for _, x := range m.GetMetrics() {
		v.Metrics = append(v.Metrics, explore.Metric{
			Key: valve.Key{
				ID: valve.ID(x.GetMetric()), Place: valve.Place(x.GetPlace()), Occasion: valve.AtPlan, Role: valve.Role(Word(x.GetRole())),
			},
			State: metric.State(Word(x.GetState())), Value: x.GetValue(), Lower: maybeFloat(x.Lower), Upper: maybeFloat(x.Upper), Explanation: x.GetExplanation(),
		})
	}
	for _, f := range m.GetFindings() {
		v.Findings = append(v.Findings, explore.Finding{Rule: f.GetRule(), Severity: rules.Severity(Word(f.GetSeverity())), Added: f.GetAdded()})
	}
	return v
}
