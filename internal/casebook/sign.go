package casebook

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

const methodSign = "SignOperativeNote"

// noteSigned is the kind of the entry that holds what was signed.
var noteSigned = convert.Word(trigonev1.ChangeKind_CHANGE_KIND_NOTE_SIGNED)

// Signing is what a signed note or addendum is written of.
type Signing struct {
	// Case is as it was read by who signs, Plans are the revisions of its plan.
	Case  *trigonev1.Case
	Plans []convert.PlanRevision
	// Signed is what is being signed, as far as it is known before its bytes are.
	Signed *trigonev1.SignedNote
	// Earlier was signed before, oldest first.
	Earlier []*trigonev1.SignedNote
	Request *trigonev1.SignOperativeNoteRequest
}

// WriteNote writes what is signed, and names its media type.
type WriteNote func(Signing) (content []byte, media string, err error)

// SignOperativeNote signs the operative note of a case, or an addendum to it, and
// keeps its bytes. They identify, so that erasure takes them.
func (b *Book) SignOperativeNote(ctx context.Context, who Principal, req *trigonev1.SignOperativeNoteRequest) (*trigonev1.SignOperativeNoteResponse, error) {
	if _, err := b.Admit(who, req); err != nil {
		return nil, err
	}
	list := convert.Check(req)
	if req.GetSigner() == "" {
		list = append(list, convert.Violation{Path: "signer", Message: "is missing; give the pseudonym of who signs"})
	}
	if req.GetRole() == trigonev1.OperatorRole_OPERATOR_ROLE_UNSPECIFIED {
		list = append(list, convert.Violation{Path: "role", Message: "is missing; say what the signer was at the operation, e.g. SURGEON"})
	}
	if req.GetAddendum() != "" && strings.TrimSpace(req.GetAddendum()) == "" {
		list = append(list, convert.Violation{Path: "addendum", Message: "is blank; give its text, or leave it out to sign the note"})
	}
	if req.GetAddendum() != "" && req.GetWithQueries() {
		list = append(list, convert.Violation{Path: "with_queries", Message: "goes with the note, not with an addendum"})
	}
	if err := RefuseFields(list); err != nil {
		return nil, err
	}
	if !who.Is(req.GetSigner()) {
		return nil, Refuse(PermissionDenied, ReasonNotYourself, "the signer is another person: sign under a pseudonym that the deployment file gives to you at this site (operators)")
	}
	return call[*trigonev1.SignOperativeNoteResponse]{
		book: b, who: who, method: methodSign, request: req,
		prepare: func(ctx context.Context, now time.Time) (*change, func() *trigonev1.SignOperativeNoteResponse, error) {
			return b.sign(ctx, who, req, now)
		},
		// What was signed stands with its entry alone.
		leaveOut: func(r *trigonev1.SignOperativeNoteResponse) { r.SignedNote, r.Content = nil, nil },
		putBack:  b.signedAgain,
	}.run(ctx)
}

func (b *Book) sign(ctx context.Context, who Principal, req *trigonev1.SignOperativeNoteRequest, now time.Time) (*change, func() *trigonev1.SignOperativeNoteResponse, error) {
	f, err := b.openFor(ctx, req.GetCase())
	switch {
	case err != nil:
		return nil, nil, err
	case req.GetCaseVersion() != f.Case.Version:
		return nil, nil, staleVersion(f.Case, req.GetCaseVersion())
	}
	earlier, err := b.SignedNotes(ctx, f.Case)
	if err != nil {
		return nil, nil, err
	}
	addendum := req.GetAddendum() != ""
	if addendum && !slices.ContainsFunc(earlier, func(s *trigonev1.SignedNote) bool { return !s.GetAddendum() }) {
		return nil, nil, Refuse(FailedPrecondition, ReasonNothingSigned, "no operative note of this case was signed yet, so that there is nothing to add to; sign the note first")
	}
	state, err := b.State(ctx, f)
	if err != nil {
		return nil, nil, err
	}
	signed := &trigonev1.SignedNote{
		Number: int32(len(earlier) + 1), Addendum: addendum, Signer: req.GetSigner(), Role: req.GetRole(),
		SignedTime: Timestamp(now), CaseVersion: f.Case.Version,
	}
	if b.writeNote == nil {
		return nil, nil, errors.New("this book was given nothing that writes notes")
	}
	content, media, err := b.writeNote(Signing{Case: state.Message(), Plans: state.Plans, Signed: signed, Earlier: earlier, Request: req})
	if err != nil {
		return nil, nil, err
	}
	hash := sha256.Sum256(content)
	signed.MediaType, signed.Sha256 = media, hex.EncodeToString(hash[:])
	ch := begin(f, who, now)
	ch.judged = false // a signature says nothing of the operation
	answer := &trigonev1.SignOperativeNoteResponse{SignedNote: signed, Content: content, CaseVersion: ch.after.Case.Version}
	kept, err := marshal(answer)
	if err != nil {
		return nil, nil, err
	}
	ch.amend(noteSigned, string(kept))
	ch.tell(trigonev1.ChangeKind_CHANGE_KIND_NOTE_SIGNED, storage.Change{Reason: map[bool]string{false: "note", true: "addendum"}[addendum]})
	return ch, func() *trigonev1.SignOperativeNoteResponse { return answer }, nil
}

// signedAgain completes the answer to a repeated request from the entry that it was
// kept in.
func (b *Book) signedAgain(ctx context.Context, resp *trigonev1.SignOperativeNoteResponse, row storage.Request) error {
	kept, err := b.kept(ctx, row.Site, row.CaseUID)
	if err != nil {
		return err
	}
	for _, k := range kept {
		if k.GetCaseVersion() == resp.GetCaseVersion() {
			resp.SignedNote, resp.Content = k.GetSignedNote(), k.GetContent()
		}
	}
	return nil
}

// kept gives what was signed of a case, oldest first; of what was erased only when it
// was signed.
func (a *Archive) kept(ctx context.Context, site, uid string) ([]*trigonev1.SignOperativeNoteResponse, error) {
	entries, err := a.Store.Amendments(ctx, site, uid)
	if err != nil {
		return nil, err
	}
	var list []*trigonev1.SignOperativeNoteResponse
	for _, e := range entries {
		if e.Kind != noteSigned {
			continue
		}
		k := &trigonev1.SignOperativeNoteResponse{}
		if err := proto.Unmarshal([]byte(e.Reason), k); err != nil {
			return nil, fmt.Errorf("what was signed of version %d cannot be read: %w", e.CaseVersion-1, err)
		}
		if e.Reason == "" {
			k.SignedNote = &trigonev1.SignedNote{Number: int32(len(list) + 1), SignedTime: Timestamp(e.Time), CaseVersion: e.CaseVersion - 1, Erased: true}
			k.CaseVersion = e.CaseVersion
		}
		list = append(list, k)
	}
	return list, nil
}

// SignedNotes gives what was signed of a case up to the version of c, oldest first,
// and says of each whether the record changed since.
func (a *Archive) SignedNotes(ctx context.Context, c storage.Case) ([]*trigonev1.SignedNote, error) {
	kept, err := a.kept(ctx, c.Site, c.UID)
	if err != nil {
		return nil, err
	}
	kept = slices.DeleteFunc(kept, func(k *trigonev1.SignOperativeNoteResponse) bool { return k.GetCaseVersion() > c.Version })
	var list []*trigonev1.SignedNote
	for i, k := range kept {
		// Each signature is a version; any other one is a change of the record.
		later := int64(len(kept) - 1 - i)
		k.SignedNote.RecordChanged = c.Version > k.GetCaseVersion()+later
		list = append(list, k.GetSignedNote())
	}
	return list, nil
}

// SignedNote gives one of them with its bytes.
func (a *Archive) SignedNote(ctx context.Context, c storage.Case, number int32) (*trigonev1.SignedNote, []byte, error) {
	kept, err := a.kept(ctx, c.Site, c.UID)
	if err != nil {
		return nil, nil, err
	}
	if number > int32(len(kept)) {
		return nil, nil, Refuse(NotFound, ReasonNothingSigned, "nothing was signed of this case under the number %d; %d were signed", number, len(kept))
	}
	k := kept[number-1]
	if k.GetSignedNote().GetErased() {
		return nil, nil, Refuse(NotFound, ReasonErased, "what was signed under this number was erased with what identifies the patient")
	}
	return k.GetSignedNote(), k.GetContent(), nil
}
