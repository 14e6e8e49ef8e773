package casebook

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/evaluate"
	"trigone/internal/metric"
	"trigone/internal/rules"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

const (
	methodConfirm = "ConfirmFinding"
	methodRevoke  = "RevokeConfirmation"
)

// Reasons of the changes of state that a reviewer's word makes.
const (
	byConfirmation = "confirmed by a reviewer"
	byRevocation   = "a confirmation was revoked"
)

// confirmed gives the findings whose confirmation stands: the last entry of each
// says so. What lapsed or was revoked stands again only after a new confirmation.
func (f *Folder) confirmed() map[string]bool {
	stands := map[string]bool{}
	for _, c := range f.confirmations {
		stands[c.FindingID] = c.Kind == storage.Confirmed
		if !stands[c.FindingID] {
			delete(stands, c.FindingID)
		}
	}
	return stands
}

// lapse ends the confirmations whose contradiction or slip is no longer found.
func (ch *change) lapse(findings []rules.Finding) {
	stands := ch.after.confirmed()
	for _, c := range slices.Clone(ch.after.confirmations) {
		found := slices.ContainsFunc(findings, func(x rules.Finding) bool {
			return x.ID == c.FindingID && x.Confirmable()
		})
		if stands[c.FindingID] && !found {
			delete(stands, c.FindingID)
			ch.enter(storage.Confirmation{FindingID: c.FindingID, Rule: c.Rule, Kind: storage.ConfirmationLapsed})
		}
	}
}

// confirmationMessages gives every confirmation of the case with how it ended.
func (f *Folder) confirmationMessages() []*trigonev1.Confirmation {
	var list []*trigonev1.Confirmation
	open := map[string]*trigonev1.Confirmation{}
	for _, c := range f.confirmations {
		if c.Kind == storage.Confirmed {
			m := &trigonev1.Confirmation{
				FindingId: c.FindingID, Rule: c.Rule, State: trigonev1.ConfirmationState_CONFIRMATION_STATE_STANDING,
				Caller: c.Caller, Time: Timestamp(c.Time), Reason: c.Reason,
			}
			open[c.FindingID] = m
			list = append(list, m)
			continue
		}
		m := open[c.FindingID]
		if m == nil {
			continue
		}
		m.State = trigonev1.ConfirmationState_CONFIRMATION_STATE_LAPSED
		if c.Kind == storage.ConfirmationRevoked {
			m.State = trigonev1.ConfirmationState_CONFIRMATION_STATE_REVOKED
		}
		m.EndedCaller, m.EndedTime, m.EndedReason = c.Caller, Timestamp(c.Time), c.Reason
		delete(open, c.FindingID)
	}
	return list
}

// confirmationOf gives the last confirmation of a finding, or nil.
func (f *Folder) confirmationOf(findingID string) *trigonev1.Confirmation {
	var last *trigonev1.Confirmation
	for _, m := range f.confirmationMessages() {
		if m.GetFindingId() == findingID {
			last = m
		}
	}
	return last
}

func checkWord(req interface {
	proto.Message
	GetFindingId() string
	GetReason() string
}) error {
	list := convert.Check(req)
	if req.GetFindingId() == "" {
		list = append(list, convert.Violation{Path: "finding_id", Message: "is missing; give the id of the finding as GetCase answers it"})
	}
	if strings.TrimSpace(req.GetReason()) == "" {
		list = append(list, convert.Violation{Path: "reason", Message: "is missing; say why"})
	}
	return RefuseFields(list)
}

// ConfirmFinding confirms the values that an open contradiction disputes or an open
// slip questions.
func (b *Book) ConfirmFinding(ctx context.Context, who Principal, req *trigonev1.ConfirmFindingRequest) (*trigonev1.ConfirmFindingResponse, error) {
	if _, err := b.Admit(who, req); err != nil {
		return nil, err
	}
	if err := checkWord(req); err != nil {
		return nil, err
	}
	return call[*trigonev1.ConfirmFindingResponse]{
		book: b, who: who, method: methodConfirm, request: req,
		prepare: func(ctx context.Context, now time.Time) (*change, func() *trigonev1.ConfirmFindingResponse, error) {
			ch, err := b.prepareConfirming(ctx, who, req, now)
			return ch, func() *trigonev1.ConfirmFindingResponse {
				return &trigonev1.ConfirmFindingResponse{
					CaseVersion: ch.after.Case.Version, Sections: ch.after.statuses(),
					Confirmation: ch.after.confirmationOf(req.GetFindingId()), Evaluation: ch.evaluation,
				}
			}, err
		},
		evaluation: func(r *trigonev1.ConfirmFindingResponse) **trigonev1.Evaluation { return &r.Evaluation },
		leaveOut:   func(r *trigonev1.ConfirmFindingResponse) { withoutReasons(r.GetConfirmation()) },
		putBack: func(ctx context.Context, r *trigonev1.ConfirmFindingResponse, row storage.Request) error {
			return b.fillReasons(ctx, r.GetConfirmation(), row)
		},
	}.run(ctx)
}

func (b *Book) prepareConfirming(ctx context.Context, who Principal, req *trigonev1.ConfirmFindingRequest, now time.Time) (*change, error) {
	f, err := b.openFor(ctx, req.GetCase())
	if err != nil {
		return nil, err
	}
	if f.confirmed()[req.GetFindingId()] {
		return standing(f, now)
	}
	said, err := b.judgedAsNow(ctx, f, now)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(said.GetFindings(), func(x *trigonev1.Finding) bool {
		return x.GetId() == req.GetFindingId() && confirmable(x)
	})
	if i < 0 {
		return nil, Refuse(FailedPrecondition, ReasonNoContradiction,
			"no open contradiction and no open slip of this case has this id; GetCase gives the findings with their ids, and what neither disputes nor questions a value needs no confirmation")
	}
	ch := begin(f, who, now)
	ch.reason = byConfirmation
	ch.enter(storage.Confirmation{
		FindingID: req.GetFindingId(), Rule: said.GetFindings()[i].GetRule(), Kind: storage.Confirmed, Caller: who.Name, Reason: req.GetReason(),
	})
	return ch, nil
}

// confirmable is what rules.Finding.Confirmable says, of a finding as answered.
func confirmable(f *trigonev1.Finding) bool {
	return f.GetSeverity() == trigonev1.Severity_SEVERITY_CONTRADICTION || f.GetKind() == trigonev1.RuleKind_RULE_KIND_SLIP
}

// judgedAsNow gives what is said of a case under the present rules and policy: the
// newest evaluation if it was made by them, or else what judging it would say.
func (b *Book) judgedAsNow(ctx context.Context, f *Folder, now time.Time) (*trigonev1.Evaluation, error) {
	if i := len(f.Earlier) - 1; i >= 0 {
		e := f.Earlier[i]
		if e.CaseVersion == f.Case.Version && e.PolicyHash == b.Policy.Hash && e.SoftwareVersion == b.software &&
			e.RuleSetVersion == rules.SetVersion && e.CatalogueVersion == metric.CatalogueVersion {
			return e.Message()
		}
	}
	j, err := b.judge(ctx, f, now)
	return j.message, err
}

// RevokeConfirmation takes a confirmation back.
func (b *Book) RevokeConfirmation(ctx context.Context, who Principal, req *trigonev1.RevokeConfirmationRequest) (*trigonev1.RevokeConfirmationResponse, error) {
	if _, err := b.Admit(who, req); err != nil {
		return nil, err
	}
	if err := checkWord(req); err != nil {
		return nil, err
	}
	return call[*trigonev1.RevokeConfirmationResponse]{
		book: b, who: who, method: methodRevoke, request: req,
		prepare: func(ctx context.Context, now time.Time) (*change, func() *trigonev1.RevokeConfirmationResponse, error) {
			ch, err := b.prepareRevoking(ctx, who, req, now)
			return ch, func() *trigonev1.RevokeConfirmationResponse {
				return &trigonev1.RevokeConfirmationResponse{
					CaseVersion: ch.after.Case.Version, Sections: ch.after.statuses(),
					Confirmation: ch.after.confirmationOf(req.GetFindingId()), Evaluation: ch.evaluation,
				}
			}, err
		},
		evaluation: func(r *trigonev1.RevokeConfirmationResponse) **trigonev1.Evaluation { return &r.Evaluation },
		leaveOut:   func(r *trigonev1.RevokeConfirmationResponse) { withoutReasons(r.GetConfirmation()) },
		putBack: func(ctx context.Context, r *trigonev1.RevokeConfirmationResponse, row storage.Request) error {
			return b.fillReasons(ctx, r.GetConfirmation(), row)
		},
	}.run(ctx)
}

func (b *Book) prepareRevoking(ctx context.Context, who Principal, req *trigonev1.RevokeConfirmationRequest, now time.Time) (*change, error) {
	f, err := b.openFor(ctx, req.GetCase())
	if err != nil {
		return nil, err
	}
	if !f.confirmed()[req.GetFindingId()] {
		return nil, Refuse(FailedPrecondition, ReasonNotConfirmed,
			"no confirmation of a finding with this id stands in this case; GetCase lists its confirmations")
	}
	ch := begin(f, who, now)
	ch.reason = byRevocation
	ch.enter(storage.Confirmation{
		FindingID: req.GetFindingId(), Rule: f.confirmationOf(req.GetFindingId()).GetRule(), Kind: storage.ConfirmationRevoked,
		Caller: who.Name, Reason: req.GetReason(),
	})
	return ch, nil
}

// withoutReasons takes the free text out of a receipt: it stands with the
// confirmation alone.
func withoutReasons(m *trigonev1.Confirmation) {
	m.Reason, m.EndedReason = "", ""
}

// fillReasons puts back what withoutReasons took.
func (b *Book) fillReasons(ctx context.Context, m *trigonev1.Confirmation, row storage.Request) error {
	confirmations, err := b.Store.Confirmations(ctx, row.Site, row.CaseUID)
	if err != nil {
		return err
	}
	for _, have := range (&Folder{confirmations: confirmations}).confirmationMessages() {
		if have.GetFindingId() != m.GetFindingId() || !proto.Equal(have.GetTime(), m.GetTime()) {
			continue
		}
		m.Reason = have.GetReason()
		if m.GetEndedTime() != nil {
			m.EndedReason = have.GetEndedReason()
		}
	}
	return nil
}

// EvaluateAgain evaluates a case under an earlier rule set or policy. It stores
// nothing.
func (b *Book) EvaluateAgain(ctx context.Context, who Principal, req *trigonev1.EvaluateAgainRequest) (*trigonev1.EvaluateAgainResponse, error) {
	if _, err := b.Admit(who, req); err != nil {
		return nil, err
	}
	if err := RefuseFields(convert.Check(req)); err != nil {
		return nil, err
	}
	c, err := b.Find(ctx, req.GetCase())
	if err != nil {
		return nil, err
	}
	f, err := b.Whole(ctx, c)
	if err != nil {
		return nil, err
	}
	ruleSet, err := knownRuleSet(req.GetRuleSetVersion())
	if err != nil {
		return nil, err
	}
	by, err := b.PolicyByHash(ctx, req.GetPolicyHash())
	if err != nil {
		return nil, err
	}
	base := comparedWith(f.Earlier, req.GetEvaluation(), ruleSet, by.Hash)
	if base == nil {
		return nil, Refuse(NotFound, ReasonUnknownEvaluation, "this case has no such evaluation; its newest is number %d", c.Evaluation)
	}
	stored, err := base.Message()
	if err != nil {
		return nil, err
	}
	if req.GetEvaluation() > 0 {
		f = f.back(base, stored)
	}
	j, err := b.judgeUnder(ctx, f, b.now().UTC(), under{
		policy: by, ruleSet: ruleSet, repeats: &evaluate.Versions{Software: base.SoftwareVersion, RuleSet: base.RuleSetVersion},
	})
	if err != nil {
		return nil, err
	}
	return &trigonev1.EvaluateAgainResponse{
		Evaluation: j.message, Fidelity: convert.Enum[trigonev1.Fidelity](string(j.result.Replay)),
		Explanation: fidelityText(j, base), ComparedWith: base.Number,
		Appeared: without(j.message.GetFindings(), stored.GetFindings()),
		Vanished: without(stored.GetFindings(), j.message.GetFindings()),
	}, nil
}

func knownRuleSet(version string) (string, error) {
	if version == "" {
		return rules.SetVersion, nil
	}
	if !slices.Contains(rules.SetVersions(), version) {
		return "", Refuse(NotFound, ReasonUnknownRuleSet, "this software knows no rule set of this version; it knows %s", strings.Join(rules.SetVersions(), ", "))
	}
	return version, nil
}

// comparedWith gives the evaluation of a number; with 0 the newest one under this
// rule set and policy, or else the newest. Nil: there is none.
func comparedWith(earlier []*Evaluation, number int64, ruleSet, policyHash string) *Evaluation {
	var newest *Evaluation
	same := false
	for _, e := range earlier {
		if number > 0 {
			if e.Number == number {
				return e
			}
			continue
		}
		alike := e.RuleSetVersion == ruleSet && e.PolicyHash == policyHash
		if alike || !same {
			newest, same = e, alike
		}
	}
	return newest
}

// back gives the case as one evaluation read it, with what was on record then.
func (f *Folder) back(row *Evaluation, e *trigonev1.Evaluation) *Folder {
	then := f.At(e)
	then.Case.Version = row.CaseVersion
	then.revisions = slices.DeleteFunc(slices.Clone(f.revisions), func(r *revision) bool { return r.CaseVersion > row.CaseVersion })
	then.Earlier = slices.DeleteFunc(slices.Clone(f.Earlier), func(x *Evaluation) bool { return x.Number >= row.Number })
	then.confirmations = slices.DeleteFunc(slices.Clone(f.confirmations), func(c storage.Confirmation) bool { return c.CaseVersion > row.CaseVersion })
	return then
}

// fidelityText says why an evaluation is exact or approximate: only the rules have
// a history, the formulas are those of this software.
func fidelityText(j judgement, base *Evaluation) string {
	now := j.message
	if j.result.Replay == evaluate.Exact {
		return fmt.Sprintf("exact: evaluation %d was made by this software, %s, under rule set %s", base.Number, now.GetSoftwareVersion(), now.GetRuleSetVersion())
	}
	text := fmt.Sprintf("approximate: evaluation %d, with which it is compared, was made by software %s under rule set %s", base.Number, base.SoftwareVersion, base.RuleSetVersion)
	if base.RuleSetVersion != now.GetRuleSetVersion() {
		text += fmt.Sprintf(", and this one under rule set %s", now.GetRuleSetVersion())
	}
	if base.SoftwareVersion != now.GetSoftwareVersion() {
		text += fmt.Sprintf("; formulas and messages are those of software %s", now.GetSoftwareVersion())
	}
	return text
}

// without gives the findings of one list that the other does not have, told apart
// by rule and place: the fingerprint holds the version of the rule set.
func without(list, other []*trigonev1.Finding) []*trigonev1.Finding {
	type key struct {
		rule, occasion, place string
		run                   int32
		stage                 trigonev1.Stage
	}
	of := func(f *trigonev1.Finding) key {
		return key{f.GetRule(), f.GetOccasion(), f.GetPlace(), f.GetRun(), f.GetStage()}
	}
	have := map[key]bool{}
	for _, f := range other {
		have[of(f)] = true
	}
	var rest []*trigonev1.Finding
	for _, f := range list {
		if !have[of(f)] {
			rest = append(rest, f)
		}
	}
	return rest
}
