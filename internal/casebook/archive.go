package casebook

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sync/semaphore"
	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/policy"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// Archive is what is on record at one site, to be read: it finds cases by what a
// request calls them and loads them, each as it was at one moment. Casebook,
// handover and ledger share one. It is safe for concurrent use.
type Archive struct {
	Tokens

	// Store is the way to disk. Only the casebook writes.
	Store storage.Store
	// Policy is the one in force.
	Policy policy.Policy
	// Now gives the time at which something is asked.
	Now func() time.Time

	known atomic.Pointer[storage.Mark]
	zones sync.Map            // by hash of the policy
	heavy *semaphore.Weighted // nil: nobody else calculates
}

func openArchive(ctx context.Context, store storage.Store, p policy.Policy) (*Archive, error) {
	secret, err := store.Secret(ctx)
	if err != nil {
		return nil, fmt.Errorf("read the store's secret: %w", err)
	}
	return &Archive{Tokens: Tokens{secret: secret, site: p.Settings.Site}, Store: store, Policy: p, Now: time.Now, heavy: newHeavyTurns()}, nil
}

// CaseName names a case.
func (a *Archive) CaseName(uid string) string {
	return "sites/" + a.Policy.Settings.Site + "/cases/" + uid
}

// uidOf takes a case name apart.
func (a *Archive) uidOf(name string) (string, error) {
	uid, ok := strings.CutPrefix(name, "sites/"+a.Policy.Settings.Site+"/cases/")
	if !ok || uid == "" || strings.Contains(uid, "/") {
		return "", a.noCaseName()
	}
	return uid, nil
}

func (a *Archive) noCaseName() error {
	return Refuse(NotFound, ReasonUnknownCase,
		"the name is not one of a case at this site; a case is named sites/%s/cases/{uid}", a.Policy.Settings.Site)
}

// Find gives the case a reference names, and tells the access record.
func (a *Archive) Find(ctx context.Context, ref *trigonev1.CaseReference) (storage.Case, error) {
	c, err := a.find(ctx, ref)
	if err == nil {
		AccessOf(ctx).Case(c.UID)
	}
	return c, err
}

func (a *Archive) find(ctx context.Context, ref *trigonev1.CaseReference) (storage.Case, error) {
	switch {
	case ref.GetName() != "":
		return a.caseByName(ctx, ref.GetName())
	case ref.GetExternalIdentifier().GetValue() != "":
		c, err := a.Store.CaseByExternalIdentifier(ctx, a.Policy.Settings.Site, identifier(ref.GetExternalIdentifier()))
		if errors.Is(err, storage.ErrNotFound) {
			return c, Refuse(NotFound, ReasonUnknownCase, "no case of this site that is not retracted has this case number")
		}
		return c, err
	}
	return storage.Case{}, RefuseField("case", "name the case, or give its external_identifier")
}

func (a *Archive) caseByName(ctx context.Context, name string) (storage.Case, error) {
	uid, err := a.uidOf(name)
	if err != nil {
		return storage.Case{}, err
	}
	c, err := a.Store.Case(ctx, a.Policy.Settings.Site, uid)
	if errors.Is(err, storage.ErrNotFound) {
		return c, Refuse(NotFound, ReasonUnknownCase, "there is no case of this name")
	}
	return c, err
}

// Load gives a case as it was when c was read, with what its present state rests on:
// the heads, the revisions of the plan in its present line, the first of the
// operation, and the evaluations that count. What was before is read by Whole.
// What evaluations answered is read under ctx when it is asked for.
func (a *Archive) Load(ctx context.Context, c storage.Case) (*Folder, error) {
	plan, ranges, known := readFrom(c)
	if !known {
		return a.Whole(ctx, c)
	}
	revisions, err := a.Store.RevisionsIn(ctx, c.Site, c.UID, ranges)
	if err != nil {
		return nil, err
	}
	evaluations, err := a.Store.EvaluationsThatCount(ctx, c.Site, c.UID, c.Evaluation, plan.From, plan.To)
	if err != nil {
		return nil, err
	}
	f, err := a.folder(ctx, c, revisions, evaluations)
	if err != nil {
		return nil, err
	}
	return f, a.meanwhile(ctx, c, f.headsAreThere())
}

// meanwhile tells what is missing of a case because it was erased while it was read from
// what is damaged.
func (a *Archive) meanwhile(ctx context.Context, c storage.Case, err error) error {
	if !errors.Is(err, storage.ErrDamaged) {
		return err
	}
	if now, failed := a.Store.Case(ctx, c.Site, c.UID); failed == nil && now.Version != c.Version && !now.ErasedTime.IsZero() {
		return Refuse(Aborted, ReasonRace, "the case was erased while it was read; ask again")
	}
	return err
}

// readFrom gives where the revisions lie that the present state of a case rests on.
// known is false where the case was written before that was kept.
func readFrom(c storage.Case) (plan storage.RevisionRange, ranges []storage.RevisionRange, known bool) {
	plan = storage.RevisionRange{From: 1}
	for _, s := range c.Sections {
		if s.Last == 0 {
			return plan, nil, false
		}
		switch head := (storage.RevisionRange{Section: s.Section, From: s.Head, To: s.Head}); {
		case s.Section == convert.SectionPlan:
			plan = storage.RevisionRange{Section: s.Section, From: s.First, To: s.Last}
			ranges = append(ranges, plan)
		case s.Section == convert.SectionOperation && s.First != s.Head:
			ranges = append(ranges, storage.RevisionRange{Section: s.Section, From: s.First, To: s.First}, head)
		default:
			ranges = append(ranges, head)
		}
	}
	return plan, ranges, true
}

// Whole is Load with all that is on record of the case.
func (a *Archive) Whole(ctx context.Context, c storage.Case) (*Folder, error) {
	f, err := a.whole(ctx, c)
	if err != nil {
		return nil, err
	}
	return f, a.meanwhile(ctx, c, f.headsAreThere())
}

// whole is Whole for a case whose heads may not be stored yet.
func (a *Archive) whole(ctx context.Context, c storage.Case) (*Folder, error) {
	revisions, err := a.Store.Revisions(ctx, c.Site, c.UID)
	if err != nil {
		return nil, err
	}
	evaluations, err := a.Store.EvaluationHeaders(ctx, c.Site, c.UID)
	if err != nil {
		return nil, err
	}
	f, err := a.folder(ctx, c, revisions, evaluations)
	if err != nil {
		return nil, err
	}
	f.whole = true
	f.lines()
	return f, nil
}

// AsOf is Load of a case as it was at one of its versions; 0: the newest. What it is
// called by and whether it is retracted is told as it stands now.
func (a *Archive) AsOf(ctx context.Context, c storage.Case, version int64) (*Folder, error) {
	if version == 0 || version == c.Version {
		return a.Load(ctx, c)
	}
	if version > c.Version {
		return nil, Refuse(NotFound, ReasonUnknownVersion, "the case has no version %d; its newest is %d", version, c.Version)
	}
	f, err := a.Whole(ctx, c)
	if err != nil {
		return nil, err
	}
	last := -1
	for i, e := range f.Earlier {
		if e.CaseVersion <= version {
			last = i
		}
	}
	if last < 0 {
		return nil, Refuse(NotFound, ReasonUnknownVersion, "nothing was evaluated at version %d of the case yet; its newest is %d", version, c.Version)
	}
	e, err := f.Earlier[last].Message()
	if err != nil {
		return nil, err
	}
	then := f.At(e)
	then.Case.State, then.Case.Version, then.Case.ChangedTime = c.State, version, f.Earlier[last].Time
	then.Earlier = f.Earlier[:last+1]
	then.revisions = slices.DeleteFunc(slices.Clone(f.revisions), func(r *revision) bool { return r.CaseVersion > version })
	then.confirmations = slices.DeleteFunc(slices.Clone(f.confirmations), func(x storage.Confirmation) bool { return x.CaseVersion > version })
	return then, nil
}

// complete gives a folder with all that is on record behind it.
func (a *Archive) complete(ctx context.Context, f *Folder) (*Folder, error) {
	if f.whole {
		return f, nil
	}
	read := f.Case
	read.Version = f.version
	whole, err := a.whole(ctx, read)
	if err != nil {
		return nil, err
	}
	whole.Case, whole.confirmations = f.Case, f.confirmations
	for _, r := range f.revisions {
		if r.CaseVersion > f.version {
			whole.revisions = append(whole.revisions, r)
		}
	}
	for _, e := range f.Earlier {
		if e.CaseVersion > f.version {
			whole.Earlier = append(whole.Earlier, e)
		}
	}
	return whole, nil
}

func (a *Archive) folder(ctx context.Context, c storage.Case, revisions []storage.Revision, evaluations []storage.EvaluationHeader) (*Folder, error) {
	confirmations, err := a.Store.Confirmations(ctx, c.Site, c.UID)
	if err != nil {
		return nil, err
	}
	// They are read one after the other: what a write added meanwhile is newer than
	// the state, and nothing of it belongs to what is answered.
	f := &Folder{
		Case: c, version: c.Version,
		confirmations: slices.DeleteFunc(confirmations, func(x storage.Confirmation) bool { return x.CaseVersion > c.Version }),
	}
	for _, r := range revisions {
		if r.CaseVersion <= c.Version {
			f.revisions = append(f.revisions, &revision{Revision: r})
		}
	}
	// Answers never change, so that one can be read later than the rest.
	read := func(number int64) (*trigonev1.Evaluation, error) {
		e, err := a.StoredEvaluation(ctx, c.Site, c.UID, number)
		return e, a.meanwhile(ctx, c, err)
	}
	for _, e := range evaluations {
		if e.CaseVersion <= c.Version {
			f.Earlier = append(f.Earlier, &Evaluation{EvaluationHeader: e, read: read})
		}
	}
	return f, nil
}

// Present gives the heads of a case without its evaluation.
func (a *Archive) Present(f *Folder) (*trigonev1.Case, error) {
	heads, err := f.File()
	if err != nil {
		return nil, err
	}
	return a.present(f, heads), nil
}

func (a *Archive) present(f *Folder, heads *trigonev1.CaseFile) *trigonev1.Case {
	out := &trigonev1.Case{
		Name: a.CaseName(f.Case.UID), CaseVersion: f.Case.Version, State: convert.Enum[trigonev1.CaseState](f.Case.State),
		CaseFile: heads, Sections: f.statuses(),
		OpenedTime: Timestamp(f.Case.OpenedTime), ChangedTime: Timestamp(f.Case.ChangedTime), ErasedTime: Timestamp(f.Case.ErasedTime),
	}
	out.Confirmations = f.confirmationMessages()
	for _, id := range f.Case.FormerPatients {
		out.FormerPatientIdentifiers = append(out.FormerPatientIdentifiers, IdentifierMessage(id))
	}
	return out
}

// Evaluation gives the newest evaluation of a case; nil: there is none.
func (a *Archive) Evaluation(ctx context.Context, c storage.Case) (*trigonev1.Evaluation, error) {
	if c.Evaluation == 0 {
		return nil, nil
	}
	e, err := a.StoredEvaluation(ctx, c.Site, c.UID, c.Evaluation)
	return e, a.meanwhile(ctx, c, err)
}

// StoredEvaluation gives the evaluation of a number that is on record, as it was
// answered.
func (a *Archive) StoredEvaluation(ctx context.Context, site, uid string, number int64) (*trigonev1.Evaluation, error) {
	answer, err := a.Store.Answer(ctx, site, uid, number)
	if errors.Is(err, storage.ErrNotFound) {
		err = storage.ErrDamaged
	}
	if err != nil {
		return nil, fmt.Errorf("evaluation %d: %w", number, err)
	}
	e := &trigonev1.Evaluation{}
	if err := proto.Unmarshal(answer, e); err != nil {
		return nil, fmt.Errorf("evaluation %d cannot be read: %w", number, err)
	}
	return e, nil
}

func (a *Archive) policyRow(ctx context.Context, hash string) (storage.Policy, error) {
	row, err := a.Store.Policy(ctx, a.Policy.Settings.Site, hash)
	if errors.Is(err, storage.ErrNotFound) {
		return row, Refuse(NotFound, ReasonUnknownPolicy, "no evaluation of this site was made under a policy of this hash")
	}
	if err == nil && policy.HashOf([]byte(row.Text)) != row.Hash {
		return storage.Policy{}, fmt.Errorf("policy %s: %w", row.Hash, storage.ErrDamaged)
	}
	return row, err
}

// PolicyByHash gives the policy in force (empty), or an earlier one.
func (a *Archive) PolicyByHash(ctx context.Context, hash string) (policy.Policy, error) {
	if hash == "" || hash == a.Policy.Hash {
		return a.Policy, nil
	}
	row, err := a.policyRow(ctx, hash)
	if err != nil {
		return policy.Policy{}, err
	}
	p, err := policy.ParseStored("policy "+row.Hash, []byte(row.Text))
	if err != nil {
		return p, Refuse(FailedPrecondition, ReasonPolicyUnreadable,
			"this software cannot read that policy any more, because a name or a limit in it is gone; the evaluations made under it are on record")
	}
	return p, nil
}

// GetPolicy gives the clinical policy in force, or an earlier one by its hash.
func (a *Archive) GetPolicy(ctx context.Context, who Principal, req *trigonev1.GetPolicyRequest) (*trigonev1.GetPolicyResponse, error) {
	site, err := a.Admit(who, req)
	if err != nil {
		return nil, err
	}
	if req.GetHash() == "" || req.GetHash() == a.Policy.Hash {
		return &trigonev1.GetPolicyResponse{Site: site, Version: a.Policy.Settings.Version, Hash: a.Policy.Hash, Text: a.Policy.Text}, nil
	}
	row, err := a.policyRow(ctx, req.GetHash())
	if err != nil {
		return nil, err
	}
	return &trigonev1.GetPolicyResponse{Site: site, Version: row.Version, Hash: row.Hash, Text: row.Text}, nil
}
