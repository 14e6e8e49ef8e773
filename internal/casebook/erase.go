package casebook

import (
	"context"
	"errors"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

const (
	methodEraseIdentity = "EraseIdentity"
	methodEraseCase     = "EraseCase"
)

// What an erasure tells.
const (
	notReached     = " Exports, notes and bundles that were handed on, and backups, still hold it: remove them where they lie. When an older backup is restored, give the list of erasures, so that this one is made again."
	erasedIdentity = "Identifiers, free text, serial numbers, reasons and quarantined submits of the case are removed, with every hash made of them; measurements stay and count. Receivers are sent the case once more, without its patient."
	erasedCase     = "The case is removed: sections, evaluations, findings, texts and everything that lists say of it. Its name, its versions, its changes and who looked at it stay. Receivers are told of every resource that it was entered in error."
	erasedCut      = " As the policy of the site says, it goes on to count without its name: if it was operated and not retracted, the year, the age by decade, the techniques and how it ended are kept."
	notOverwritten = " The bytes may still lie in free pages of the file or in its log: send the same request again, with the same request_id, until overwritten is true."
	notErased      = "Nothing was removed: validate_only. "
)

// EraseIdentity removes what identifies the patient of a case.
func (b *Book) EraseIdentity(ctx context.Context, who Principal, req *trigonev1.EraseIdentityRequest) (*trigonev1.EraseIdentityResponse, error) {
	return erasing(ctx, b, who, methodEraseIdentity, req, func(c storage.Case) *trigonev1.EraseIdentityResponse {
		return &trigonev1.EraseIdentityResponse{CaseName: b.CaseName(c.UID), CaseVersion: c.Version, Message: erasedIdentity}
	}, storage.EraseIdentity)
}

// EraseCase removes a case.
func (b *Book) EraseCase(ctx context.Context, who Principal, req *trigonev1.EraseCaseRequest) (*trigonev1.EraseCaseResponse, error) {
	return erasing(ctx, b, who, methodEraseCase, req, func(c storage.Case) *trigonev1.EraseCaseResponse {
		return &trigonev1.EraseCaseResponse{
			CaseName: b.CaseName(c.UID), CaseVersion: c.Version, State: convert.Enum[trigonev1.CaseState](c.State), Message: erasedCase,
		}
	}, storage.EraseWhole)
}

type erasureRequest interface {
	proto.Message
	GetRequestId() string
	GetCase() *trigonev1.CaseReference
	GetCaseVersion() int64
	GetValidateOnly() bool
}

// erasing makes the call and then overwrites what it removed. A repeated request
// overwrites again: the first one may have failed at it.
func erasing[R proto.Message](ctx context.Context, b *Book, who Principal, method string, req erasureRequest, answer func(storage.Case) R, what storage.Erasure) (R, error) {
	var none R
	if _, err := b.Admit(who, req); err != nil {
		return none, err
	}
	if err := RefuseFields(convert.Check(req)); err != nil {
		return none, err
	}
	resp, err := call[R]{
		book: b, who: who, method: method, request: req, validateOnly: req.GetValidateOnly(),
		prepare: func(ctx context.Context, now time.Time) (*change, func() R, error) {
			ch, err := b.prepareErasure(ctx, who, req.GetCase(), req.GetCaseVersion(), what, now)
			if err != nil {
				return nil, nil, err
			}
			return ch, func() R { return answer(ch.after.Case) }, nil
		},
	}.run(ctx)
	if err != nil {
		return none, err
	}
	overwritten := false
	if !req.GetValidateOnly() {
		overwritten = b.Store.Purge(ctx) == nil // the answer says so; the case is erased either way
	}
	b.tellErasure(resp, req.GetValidateOnly(), overwritten)
	return resp, nil
}

func (b *Book) tellErasure(resp proto.Message, validateOnly, overwritten bool) {
	says := func(s string) string {
		if validateOnly {
			return notErased + s + notReached
		}
		if s += notReached; !overwritten {
			s += notOverwritten
		}
		return s
	}
	switch r := resp.(type) {
	case *trigonev1.EraseIdentityResponse:
		r.Overwritten, r.Message = overwritten, says(erasedIdentity)
	case *trigonev1.EraseCaseResponse:
		told := erasedCase
		if b.Policy.CutErased {
			told += erasedCut
		}
		r.Overwritten, r.Message = overwritten, says(told)
	}
}

func (b *Book) prepareErasure(ctx context.Context, who Principal, ref *trigonev1.CaseReference, version int64, what storage.Erasure, now time.Time) (*change, error) {
	c, err := b.Find(ctx, ref)
	if err != nil {
		return nil, err
	}
	if !c.ErasedTime.IsZero() {
		return standing(&Folder{Case: c}, now)
	}
	if version != c.Version {
		return nil, staleVersion(c, version)
	}
	f, err := b.Load(ctx, c)
	if err != nil {
		return nil, err
	}
	ch := begin(f, who, now)
	ch.judged = false // nothing of what was said of it was made of what identifies
	ch.write.Erase = what
	after := ch.after
	after.Case.ExternalIdentifier, after.Case.Patient, after.Case.FormerPatients = storage.Identifier{}, storage.Identifier{}, nil
	after.withoutIdentity()
	kind := trigonev1.ChangeKind_CHANGE_KIND_IDENTITY_ERASED
	if what == storage.EraseWhole {
		kind = trigonev1.ChangeKind_CHANGE_KIND_CASE_ERASED
		if after.Case.State == storage.CaseActive {
			after.Case.State = storage.CaseRetracted
		}
	}
	ch.tell(kind, storage.Change{})
	// As of any submit that is discarded, it is not told to which case it was addressed.
	ch.write.Discarded = &storage.Change{
		Kind: convert.Word(trigonev1.ChangeKind_CHANGE_KIND_QUARANTINE_DISCARDED), Reason: convert.Word(kind), Time: now,
	}
	return ch, nil
}

// withoutIdentity takes what identifies from the folder, as a store that erased it
// would give it.
func (f *Folder) withoutIdentity() {
	for i, r := range f.revisions {
		bare := r.Revision
		bare.Erased = bare.Erased || bare.Identifying != nil
		bare.Identifying, bare.RetractionText = nil, ""
		f.revisions[i] = &revision{Revision: bare}
	}
	for i := range f.confirmations {
		f.confirmations[i].Reason = ""
	}
}

// cut keeps of a case what counts, before it goes.
func (b *Book) cut(ch *change, before *State) (err error) {
	if before == nil || before.Case.State != storage.CaseActive {
		return nil
	}
	for _, p := range b.projectors {
		if c, ok := p.(Cutter); ok && ch.write.Remains == nil {
			if ch.write.Remains, err = c.Cut(before); err != nil {
				return err
			}
		}
	}
	return nil
}

// emptied leaves of a case that is erased what stays of it. The rows of the write
// are made before: they tell receivers what was.
func (ch *change) emptied() {
	c := &ch.after.Case
	c.Sections, c.Evaluation, c.IncisionTime, c.PlanTiming = nil, 0, time.Time{}, ""
	c.ErasedTime = ch.at
	for i := range ch.write.Projected {
		if p := &ch.write.Projected[i]; p.Name != storage.ProjectionResources && p.Name != storage.ProjectionSearch {
			p.Rows = storage.Rows{}
		}
	}
}

// EraseAgain erases from a record that was set back to an earlier copy what was erased
// since; done is false where the copy knows of it, or has no such case.
func (b *Book) EraseAgain(ctx context.Context, who Principal, uid string, what storage.Erasure) (done bool, err error) {
	site := b.Policy.Settings.Site
	c, err := b.Store.Case(ctx, site, uid)
	switch {
	case errors.Is(err, storage.ErrNotFound):
		return false, nil
	case err != nil:
		return false, err
	case !c.ErasedTime.IsZero():
		return false, nil
	}
	if what == storage.EraseIdentity {
		gone, err := b.identityIsGone(ctx, c)
		if err != nil || gone {
			return false, err
		}
	}
	now := b.now().UTC()
	ch, err := b.prepareErasure(ctx, who, &trigonev1.CaseReference{Name: b.CaseName(uid)}, c.Version, what, now)
	if err != nil {
		return false, err
	}
	ctx = WithAccess(ctx, NewAccess(storage.Access{Time: now, Site: site, Caller: who.Name, Method: "EraseAgain"}))
	return true, b.write(ctx, ch)
}

// identityIsGone says whether nothing of a case identifies its patient.
func (b *Book) identityIsGone(ctx context.Context, c storage.Case) (bool, error) {
	if c.Patient != (storage.Identifier{}) || c.ExternalIdentifier != (storage.Identifier{}) || len(c.FormerPatients) > 0 {
		return false, nil
	}
	revisions, err := b.Store.Revisions(ctx, c.Site, c.UID)
	return !slices.ContainsFunc(revisions, func(r storage.Revision) bool { return r.Identifying != nil }), err
}
