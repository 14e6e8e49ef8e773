package casebook

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/convert"
	"trigone/internal/discrepancy"
	"trigone/internal/evaluate"
	"trigone/internal/metric"
	"trigone/internal/policy"
	"trigone/internal/repair"
	"trigone/internal/rules"
	"trigone/internal/settings"
	"trigone/internal/storage"
	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// judgement is an evaluation with its message.
type judgement struct {
	record  convert.Record
	of      *repair.Case
	result  evaluate.Evaluation
	message *trigonev1.Evaluation
}

// judge evaluates a case as the folder has it.
func (b *Book) judge(ctx context.Context, f *Folder, at time.Time) (judgement, error) {
	return b.judgeUnder(ctx, f, at, under{policy: b.Policy})
}

// under is what an evaluation is made by.
type under struct {
	policy  policy.Policy
	ruleSet string             // empty: the present one
	repeats *evaluate.Versions // versions of the evaluation that is repeated; nil: none
	// restates judges by this policy alone, by whichever the outcome was judged before,
	// and predicts nothing from the plan that was not known.
	restates bool
}

// judgeUnder evaluates a case under another policy or an earlier rule set. The
// tolerances are those in force when the operation came, unless it is restated.
func (b *Book) judgeUnder(ctx context.Context, f *Folder, at time.Time, by under) (judgement, error) {
	rec, err := f.Record()
	if err != nil {
		return judgement{}, err
	}
	of := convert.Case(rec)
	predictions, err := storedPrediction(f.Earlier, of.PlanInForce())
	if err != nil {
		return judgement{}, err
	}
	in := evaluate.Input{
		Case: of, Settings: by.policy.Settings, Predictions: predictions, First: len(f.Earlier) == 0,
		Confirmed: f.confirmed(), RuleSet: by.ruleSet, SiteRules: by.policy.Rules, Software: b.software, Replays: by.repeats,
	}
	if by.restates {
		in.Known, err = known(f)
	} else {
		in.Tolerances, err = b.tolerances(ctx, f.Earlier, by.policy)
	}
	if err != nil {
		return judgement{}, err
	}
	result := evaluate.Evaluate(in)
	message := convert.Evaluation(&result)
	message.Time = timestamppb.New(at)
	message.SoftwareVersion = b.software
	for _, r := range f.heads() {
		message.Sections = append(message.Sections, &trigonev1.SectionRevision{Section: r.Section, Revision: r.number()})
	}
	return judgement{record: rec, of: of, result: result, message: message}, nil
}

// EvaluateFile evaluates a case file alone, in process and without a store.
func EvaluateFile(p policy.Policy, in *trigonev1.CaseFile, software string) (*trigonev1.Evaluation, error) {
	_, e, err := JudgeFile(p, in, software)
	return e, err
}

// JudgeFile is EvaluateFile with the folder that was evaluated.
func JudgeFile(p policy.Policy, in *trigonev1.CaseFile, software string) (*Folder, *trigonev1.Evaluation, error) {
	if err := RefuseFields(convert.CheckSections(in)); err != nil {
		return nil, nil, err
	}
	f := &Folder{}
	now := time.Time{}
	lay(f, in, now)
	b := &Book{Archive: &Archive{Policy: p}, software: software}
	j, err := b.judge(context.Background(), f, now)
	if err != nil {
		return nil, nil, err
	}
	j.message.Time = nil
	return f, j.message, nil
}

// lay puts every section of a case file on the folder as a new head, which is not
// to be stored.
func lay(f *Folder, in *trigonev1.CaseFile, at time.Time) {
	for name, section := range convert.Sections(in) {
		next := f.last(name) + 1
		f.add(storage.Revision{Section: name, Revision: next, ReceivedTime: at}, section)
		f.setHead(name, next, storage.SectionAccepted)
	}
}

// storedPrediction gives, for the plan in force, the prediction by which an outcome
// is judged: of the newest evaluation that read it before any outcome came, or else
// of the first that read it.
func storedPrediction(earlier []*Evaluation, inForce repair.InForce) (map[int64]discrepancy.Prediction, error) {
	if inForce.Revision == nil {
		return nil, nil
	}
	revision := inForce.Revision.Revision
	var chosen *Evaluation
	for _, e := range earlier {
		if e.PlanRevision == revision && (chosen == nil || !e.OutcomeSeen) {
			chosen = e
		}
	}
	if chosen == nil || revision == 0 {
		return nil, nil
	}
	message, err := chosen.Message()
	if err != nil {
		return nil, err
	}
	return map[int64]discrepancy.Prediction{revision: {
		Predicted: predictedBy(message), Values: predictedValues(message),
	}}, nil
}

// known gives what the newest evaluation said was predicted from the plan.
func known(f *Folder) (*discrepancy.Prediction, error) {
	newest, err := f.Newest()
	if err != nil || newest == nil {
		return nil, err
	}
	values := predictedValues(newest)
	i := 0
	for _, m := range newest.GetMetrics() {
		if m.GetRole() == trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN {
			values[i].Missing, values[i].Band = m.GetMissing(), m.GetBand()
			i++
		}
	}
	return &discrepancy.Prediction{Predicted: predictedBy(newest), Values: values}, nil
}

func predictedBy(e *trigonev1.Evaluation) discrepancy.Predicted {
	return discrepancy.Predicted{Evaluation: e.GetNumber(), CatalogueVersion: e.GetCatalogueVersion()}
}

func predictedValues(e *trigonev1.Evaluation) []metric.Value {
	var list []metric.Value
	for _, m := range e.GetMetrics() {
		if m.GetRole() != trigonev1.MetricRole_METRIC_ROLE_PREDICTED_FROM_PLAN {
			continue
		}
		list = append(list, metric.Value{
			Key:   valve.Key{ID: valve.ID(m.GetMetric()), Place: valve.Place(m.GetPlace()), Occasion: valve.Occasion(m.GetOccasion()), Role: valve.PredictedFromPlan},
			State: metric.State(convert.Word(m.GetState())), Value: m.GetValue(),
			SD: maybe(m.StandardUncertainty), Lower: maybe(m.Lower), Upper: maybe(m.Upper), Explanation: m.GetExplanation(),
			Calibration: m.GetCalibrationId(), Uncalibrated: maybe(m.UncalibratedValue),
		})
	}
	return list
}

func maybe(v *float64) units.Maybe[float64] {
	if v == nil {
		return units.None[float64]()
	}
	return units.Some(*v)
}

// tolerances gives the settings in force when the operation first came, with the
// built-in values of the rule set of then; nil: those it is judged by.
func (b *Book) tolerances(ctx context.Context, earlier []*Evaluation, by policy.Policy) (*settings.Settings, error) {
	i := slices.IndexFunc(earlier, func(e *Evaluation) bool { return e.OutcomeSeen })
	if i < 0 {
		return nil, nil
	}
	then := func(s settings.Settings) *settings.Settings {
		s = s.Under(earlier[i].RuleSetVersion)
		return &s
	}
	switch earlier[i].PolicyHash {
	case by.Hash:
		return then(by.Settings), nil
	case b.Policy.Hash:
		return then(b.Policy.Settings), nil
	}
	row, err := b.Store.Policy(ctx, b.Policy.Settings.Site, earlier[i].PolicyHash)
	if errors.Is(err, storage.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	p, err := policy.ParseStored("policy "+row.Hash, []byte(row.Text))
	if err != nil {
		return nil, fmt.Errorf("the policy in force when the operation came cannot be read any more: %w", err)
	}
	return then(p.Settings), nil
}

// writtenElsewhere is the reason of a change of state that nobody submitted.
const writtenElsewhere = "a write elsewhere in the case"

// judgeChange evaluates the case as the change leaves it and writes the judgement
// into the change: states of the sections, evaluation row, filterable rows, changes
// of states that nobody submitted, with their reason, and confirmations that lapsed.
func (b *Book) judgeChange(ctx context.Context, ch *change) error {
	f, w := ch.after, &ch.write
	j, err := b.judge(ctx, f, ch.at)
	if err != nil {
		return err
	}
	settle(ch, j.result.Findings)

	f.Case.Evaluation++
	j.message.Number = f.Case.Evaluation
	f.Case.PlanTiming = string(j.result.InForce.Timing)
	f.Case.IncisionTime = time.Time{}
	if t := j.record.Operation.GetIncisionTime(); t != nil {
		f.Case.IncisionTime = t.AsTime()
	}
	answer, err := marshal(j.message)
	if err != nil {
		return fmt.Errorf("the evaluation cannot be written: %w", err)
	}
	packed, err := pack(j.result.Metrics)
	if err != nil {
		return err
	}
	e := storage.Evaluation{
		EvaluationHeader: storage.EvaluationHeader{
			Number: f.Case.Evaluation, CaseVersion: f.Case.Version, Time: ch.at,
			CatalogueVersion: j.result.CatalogueVersion, RuleSetVersion: j.result.RuleSetVersion,
			PolicyHash: b.Policy.Hash, CalibrationID: j.result.CalibrationID, SoftwareVersion: b.software,
			OutcomeSeen: j.record.Operation != nil || len(j.record.Results) > 0,
		},
		Answer: answer, Metrics: packed,
	}
	if s := f.section(convert.SectionPlan); s != nil && s.State != storage.SectionRetracted {
		e.PlanRevision = s.Head
	}
	w.Evaluation = &e
	f.Earlier = append(f.Earlier, &Evaluation{EvaluationHeader: e.EvaluationHeader, message: j.message})
	ch.evaluation = j.message
	w.Policy = &storage.Policy{Hash: b.Policy.Hash, Version: b.Policy.Settings.Version, Text: b.Policy.Text, FirstUsed: ch.at}
	for _, finding := range j.result.Findings {
		severity := string(finding.Severity)
		if finding.Confirmed {
			severity = storage.SeverityConfirmed
		}
		w.Findings = append(w.Findings, storage.Finding{
			ID: finding.ID, Rule: finding.Rule, Severity: severity,
			Occasion: string(finding.At.Occasion), Place: string(finding.At.Place), Final: finding.Final,
		})
	}
	return nil
}

// settle gives every section the state that the findings leave it in, and ends
// confirmations of what is no longer found.
func settle(ch *change, findings []rules.Finding) {
	disputed := map[string]bool{}
	for _, finding := range findings {
		if finding.Confirmed {
			continue
		}
		for _, s := range finding.Sections {
			disputed[s] = true
		}
	}
	written := map[string]int{} // where the call itself tells of a section
	for i, c := range ch.write.Changes {
		if c.Section != "" {
			written[c.Section] = i
		}
	}
	for i := range ch.after.Case.Sections {
		s := &ch.after.Case.Sections[i]
		before := s.State
		if before != storage.SectionRetracted {
			s.State = storage.SectionAccepted
			if disputed[s.Section] {
				s.State = storage.SectionDisputed
			}
		}
		if i, told := written[s.Section]; told {
			ch.write.Changes[i].State = s.State
			continue
		}
		if s.State == before {
			continue
		}
		kind := trigonev1.ChangeKind_CHANGE_KIND_SETTLED
		if s.State == storage.SectionDisputed {
			kind = trigonev1.ChangeKind_CHANGE_KIND_DISPUTED
		}
		ch.tell(kind, storage.Change{Section: s.Section, Revision: s.Head, State: s.State, Reason: ch.reason})
	}
	ch.lapse(findings)
}
