package ledger

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"trigone/internal/audit"
	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// SummarizeLedger says how the record itself is kept.
func (l *Ledger) SummarizeLedger(ctx context.Context, who casebook.Principal, req *trigonev1.SummarizeLedgerRequest) (*trigonev1.SummarizeLedgerResponse, error) {
	archive := l.archives[0]
	site, err := archive.Admit(who, req)
	if err != nil {
		return nil, err
	}
	if err := casebook.RefuseFields(append(convert.Check(req), unknownKinds("filter.groups", req.GetFilter().GetGroups())...)); err != nil {
		return nil, err
	}
	late, unreasoned := staff{who: who}, staff{who: who}
	walked, err := l.tally(ctx, archive, site, tallyQuestion{filter: req.GetFilter(), basis: req.GetBasis(), asOf: instant(req.GetAsOf())}, func(c *audit.Case) error {
		switch c.Timing {
		case audit.Prospective:
			late.add(c.Signer, 0)
		case "late_arrival", "retrospective":
			late.add(c.Signer, 1)
		}
		unreasoned.add(c.FirstOperator, c.DifferencesWithoutReason)
		return nil
	})
	if err != nil {
		return nil, err
	}
	resp := &trigonev1.SummarizeLedgerResponse{
		Context: walked.context, CaseCount: int32(walked.cases), Queries: &trigonev1.QueryCount{},
		LatePlans: late.list(), DifferencesWithoutReason: unreasoned.list(),
	}
	_, before := until(archive, req.GetFilter(), walked.asOf)
	facts := storage.FactsFilter{
		Restated: restated(req.GetBasis()), Groups: storedGroups(req.GetFilter().GetGroups()), IncisionFrom: instant(req.GetFilter().GetIncisionFrom()), IncisionBefore: before,
	}
	rules := ruleCounts{}
	if err := l.eachFacts(ctx, site, facts, func(f *trigonev1.CaseFacts) {
		rules.add(f.GetFindings())
		countQueries(resp.Queries, f.GetQueries())
	}); err != nil {
		return nil, notBuilt(err, req.GetBasis())
	}
	if !facts.Restated {
		if resp.RestatedUnder, err = l.restatedBeside(ctx, site, facts, rules); err != nil {
			return nil, err
		}
	}
	resp.Rules = rules.list()
	if err := l.happened(ctx, site, facts.IncisionFrom, before, resp); err != nil {
		return nil, err
	}
	resp.Sentence = recordSentence(resp)
	return resp, nil
}

// eachFacts walks the facts of the cases that match.
func (l *Ledger) eachFacts(ctx context.Context, site string, f storage.FactsFilter, do func(*trigonev1.CaseFacts)) error {
	after := ""
	for {
		rows, next, err := l.archives[0].Store.Facts(ctx, []string{site}, f, after, rowsAtOnce)
		if err != nil {
			return err
		}
		for _, row := range rows {
			facts, err := joined(row.Facts, row.Children)
			if err != nil {
				return err
			}
			do(facts)
		}
		if next == "" {
			return nil
		}
		after = next
	}
}

// restatedBeside counts what the rules find in the same cases as they were judged again,
// where they were, and gives the versions that did.
func (l *Ledger) restatedBeside(ctx context.Context, site string, f storage.FactsFilter, rules ruleCounts) (under string, err error) {
	projections, err := l.archives[0].Store.Projections(ctx)
	if err != nil {
		return "", err
	}
	i := slices.IndexFunc(projections, func(p storage.Projection) bool { return p.Name == storage.ProjectionRestated && p.Standing })
	if i < 0 {
		return "", nil
	}
	f.Restated = true
	again := ruleCounts{}
	if err := l.eachFacts(ctx, site, f, func(f *trigonev1.CaseFacts) { again.add(f.GetFindings()) }); err != nil {
		return "", err
	}
	for k, n := range again {
		rules.of(k.rule, k.severity).RestatedCount = &n.FoundCount
	}
	for _, n := range rules {
		if n.RestatedCount == nil {
			n.RestatedCount = new(int32)
		}
	}
	return projections[i].Under, nil
}

type ruleKey struct {
	rule     string
	severity trigonev1.Severity
}

type ruleCounts map[ruleKey]*trigonev1.RuleCount

func (r ruleCounts) of(rule string, severity trigonev1.Severity) *trigonev1.RuleCount {
	k := ruleKey{rule, severity}
	if r[k] == nil {
		r[k] = &trigonev1.RuleCount{Rule: rule, Severity: severity}
	}
	return r[k]
}

func (r ruleCounts) add(findings []*trigonev1.FindingFacts) {
	for _, f := range findings {
		n := r.of(f.GetRule(), f.GetSeverity())
		if f.GetSeverity() != trigonev1.Severity_SEVERITY_UNSPECIFIED {
			n.FoundCount++
			switch {
			case f.GetOpen():
				n.OpenCount++
			default:
				n.ConfirmedCount++
			}
		}
		switch f.GetConfirmation() {
		case trigonev1.ConfirmationState_CONFIRMATION_STATE_LAPSED:
			n.LapsedCount++
		case trigonev1.ConfirmationState_CONFIRMATION_STATE_REVOKED:
			n.RevokedCount++
		}
	}
}

func (r ruleCounts) list() []*trigonev1.RuleCount {
	// What is no longer found comes last.
	order := func(s trigonev1.Severity) int {
		if s == trigonev1.Severity_SEVERITY_UNSPECIFIED {
			return math.MaxInt
		}
		return int(s)
	}
	return slices.SortedFunc(maps.Values(r), func(a, b *trigonev1.RuleCount) int {
		return cmp.Or(cmp.Compare(order(a.GetSeverity()), order(b.GetSeverity())), cmp.Compare(b.GetFoundCount(), a.GetFoundCount()), cmp.Compare(a.GetRule(), b.GetRule()))
	})
}

func countQueries(n *trigonev1.QueryCount, queries []*trigonev1.QueryFacts) {
	for _, q := range queries {
		n.AskedCount++
		said := map[trigonev1.AnswerFollowed]bool{}
		for _, s := range q.GetSteps() {
			said[s.GetFollowed()] = true
		}
		switch {
		case said[trigonev1.AnswerFollowed_ANSWER_FOLLOWED_NO]:
			n.NotFollowedCount++
		case said[trigonev1.AnswerFollowed_ANSWER_FOLLOWED_YES]:
			n.FollowedCount++
		case len(q.GetFollowedByStepIds()) > 0:
			n.CannotBeToldCount++
		default:
			n.NotCitedCount++
		}
	}
}

// staff counts by pseudonym, of whom the one who asks may see: everybody, or himself.
type staff struct {
	who    casebook.Principal
	counts map[string]*trigonev1.StaffCount
}

func (s *staff) add(pseudonym string, n int) {
	if !s.who.Sees(pseudonym) {
		return
	}
	if s.counts == nil {
		s.counts = map[string]*trigonev1.StaffCount{}
	}
	c := s.counts[pseudonym]
	if c == nil {
		c = &trigonev1.StaffCount{Pseudonym: pseudonym}
		s.counts[pseudonym] = c
	}
	c.Count += int32(n)
	c.CaseCount++
}

// list is in the order of names: it ranks nobody.
func (s *staff) list() []*trigonev1.StaffCount {
	return slices.SortedFunc(maps.Values(s.counts), func(a, b *trigonev1.StaffCount) int { return cmp.Compare(a.GetPseudonym(), b.GetPseudonym()) })
}

// happened counts what happened to the record between two times.
func (l *Ledger) happened(ctx context.Context, site string, from, before time.Time, resp *trigonev1.SummarizeLedgerResponse) error {
	resp.Quarantine = &trigonev1.QuarantineCount{}
	received := map[string]time.Time{}
	var days []float64
	var after int64
	for {
		changes, err := l.archives[0].Store.Changes(ctx, site, after, rowsAtOnce)
		if err != nil {
			return err
		}
		for _, c := range changes {
			after = c.Number
			within := !c.Time.Before(from) && c.Time.Before(before)
			kind := convert.Enum[trigonev1.ChangeKind](c.Kind)
			switch {
			case kind == trigonev1.ChangeKind_CHANGE_KIND_QUARANTINED && within:
				received[c.QuarantineID] = c.Time
				resp.Quarantine.ReceivedCount++
			case kind == trigonev1.ChangeKind_CHANGE_KIND_QUARANTINE_FILED || kind == trigonev1.ChangeKind_CHANGE_KIND_QUARANTINE_DISCARDED:
				came, ok := received[c.QuarantineID]
				if !ok || c.Time.After(resp.GetContext().GetAsOf().AsTime()) {
					continue
				}
				delete(received, c.QuarantineID)
				days = append(days, c.Time.Sub(came).Hours()/24)
				if kind == trigonev1.ChangeKind_CHANGE_KIND_QUARANTINE_FILED {
					resp.Quarantine.FiledCount++
				} else {
					resp.Quarantine.DiscardedCount++
				}
			case !within:
			case kind == trigonev1.ChangeKind_CHANGE_KIND_RETRACTED:
				resp.RetractedSectionCount++
			case kind == trigonev1.ChangeKind_CHANGE_KIND_CASE_RETRACTED:
				resp.RetractedCaseCount++
			case kind == trigonev1.ChangeKind_CHANGE_KIND_IDENTITY_AMENDED:
				resp.AmendedIdentityCount++
			}
		}
		if len(changes) < rowsAtOnce {
			break
		}
	}
	resp.Quarantine.OpenCount = int32(len(received))
	resp.Quarantine.DaysToDecision = &trigonev1.Figure{NotEvaluableBecause: "none was decided on"}
	if n := len(days); n > 0 {
		slices.Sort(days)
		median := (days[(n-1)/2] + days[n/2]) / 2
		resp.Quarantine.DaysToDecision = &trigonev1.Figure{Value: &median}
	}
	return nil
}

func recordSentence(r *trigonev1.SummarizeLedgerResponse) string {
	if r.GetCaseCount() == 0 {
		return "No case with an operation matches: there is nothing to say of how the record is kept."
	}
	open, found := int32(0), int32(0)
	for _, n := range r.GetRules() {
		if n.GetSeverity() == trigonev1.Severity_SEVERITY_CONTRADICTION {
			open += n.GetOpenCount()
			found += n.GetFoundCount()
		}
	}
	s := fmt.Sprintf("%d contradictions were found in %d operations; open are %d.", found, r.GetCaseCount(), open)
	if found == 0 {
		s = fmt.Sprintf("No contradiction was found in %d operations.", r.GetCaseCount())
	}
	if n := r.GetQuarantine(); n.GetReceivedCount() > 0 {
		s += fmt.Sprintf(" Submits set aside because they named another patient: %d; waiting for a decision: %d.", n.GetReceivedCount(), n.GetOpenCount())
	}
	return s
}
