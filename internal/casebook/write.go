package casebook

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// attempts is how often a write that lost a race is prepared anew.
const attempts = 5

// call is a call that writes. All of them go the same way: a request id that was
// used before is answered as it was then; else the call prepares what changes, the
// case is judged, and everything is appended in one write. Writers of one case take
// turns; who loses the race against another process prepares anew.
type call[R proto.Message] struct {
	book    *Book
	who     Principal
	method  string
	request interface {
		proto.Message
		GetRequestId() string
	}
	// validateOnly answers what would be answered and writes nothing.
	validateOnly bool

	// prepare says what changes, and gives what makes the answer once the case is
	// judged.
	prepare func(ctx context.Context, now time.Time) (*change, func() R, error)

	// evaluation is where an answer has its evaluation; nil: nowhere. A receipt leaves
	// it out, since it is on record.
	evaluation func(R) **trigonev1.Evaluation
	// leaveOut takes from a receipt what else stands on record, putBack fills that in
	// again; nil: nothing does.
	leaveOut func(R)
	putBack  func(ctx context.Context, resp R, row storage.Request) error
}

func (c call[R]) run(ctx context.Context) (R, error) {
	var none R
	hash, err := c.book.contentHash(c.request)
	if err != nil {
		return none, err
	}
	if !c.validateOnly {
		giveBack, err := c.book.turnOf(ctx, c.request)
		if err != nil {
			return none, err
		}
		defer giveBack()
	}
	taken := false
	for range attempts {
		resp, err := c.attempt(ctx, hash)
		switch {
		case err == nil:
			return resp, nil
		case errors.Is(err, storage.ErrStale), errors.Is(err, storage.ErrRequestExists):
			continue
		case errors.Is(err, storage.ErrExternalIdentifierTaken) && !taken:
			taken = true // by a case opened meanwhile: prepared anew, the call may write to that one
			continue
		case errors.Is(err, storage.ErrExternalIdentifierTaken):
			return none, Refuse(Aborted, ReasonCaseNumberTaken,
				"another case was opened with this case number meanwhile; read it and submit to it")
		case errors.Is(err, storage.ErrOtherMark):
			continue // by a first case written meanwhile: prepared anew, it is refused in words
		default:
			return none, err
		}
	}
	return none, Refuse(Aborted, ReasonRace, "the case was written by others %d times meanwhile; submit again", attempts)
}

func (c call[R]) attempt(ctx context.Context, hash []byte) (R, error) {
	var none R
	known := c.request.GetRequestId() != "" && !c.validateOnly
	if known {
		if resp, found, err := c.again(ctx, hash); found || err != nil {
			return resp, err
		}
	}
	ch, answer, err := c.prepare(ctx, c.book.now().UTC())
	if err != nil {
		return none, err
	}
	if ch.judged {
		if err := c.book.judgeChange(ctx, ch); err != nil {
			return none, err
		}
	}
	resp := answer()
	if c.validateOnly {
		return resp, nil
	}
	if known {
		if ch.write.Request, err = c.row(ch, hash, resp); err != nil {
			return none, err
		}
	}
	return resp, c.book.write(ctx, ch)
}

// row keeps what was answered, so that a repeated request is answered alike.
func (c call[R]) row(ch *change, hash []byte, resp R) (*storage.Request, error) {
	if place := c.place(resp); place != nil {
		evaluation := *place
		*place = nil
		defer func() { *place = evaluation }()
	}
	kept := resp
	if c.leaveOut != nil {
		kept = proto.Clone(resp).(R)
		c.leaveOut(kept)
	}
	receipt, err := marshal(kept)
	if err != nil {
		return nil, err
	}
	row := &storage.Request{
		Caller: c.who.Name, Site: c.book.Policy.Settings.Site, Method: c.method, RequestID: c.request.GetRequestId(),
		ContentHash: hash, Receipt: receipt, Time: ch.at, QuarantineID: ch.quarantineID,
	}
	if ch.after != nil {
		row.CaseUID, row.CaseVersion, row.Evaluation = ch.after.Case.UID, ch.after.Case.Version, ch.after.Case.Evaluation
	}
	return row, nil
}

func (c call[R]) place(resp R) **trigonev1.Evaluation {
	if c.evaluation == nil {
		return nil
	}
	return c.evaluation(resp)
}

// again answers as an earlier request of the same id was answered.
func (c call[R]) again(ctx context.Context, hash []byte) (resp R, found bool, err error) {
	row, err := c.book.Store.Request(ctx, c.who.Name, c.book.Policy.Settings.Site, c.method, c.request.GetRequestId())
	switch {
	case errors.Is(err, storage.ErrNotFound):
		return resp, false, nil
	case err != nil:
		return resp, false, err
	case !bytes.Equal(row.ContentHash, hash):
		return resp, false, Refuse(AlreadyExists, ReasonRequestIDReused,
			"this request_id was used for other content; use a new one for every new request, and the same only to repeat one unchanged")
	}
	AccessOf(ctx).Case(row.CaseUID)
	resp = resp.ProtoReflect().New().Interface().(R)
	if err := proto.Unmarshal(row.Receipt, resp); err != nil {
		return resp, false, fmt.Errorf("the answer to an earlier request cannot be read: %w", err)
	}
	if place := c.place(resp); place != nil && row.Evaluation > 0 {
		if *place, err = c.book.StoredEvaluation(ctx, row.Site, row.CaseUID, row.Evaluation); err != nil {
			return resp, false, err
		}
	}
	if c.putBack != nil {
		err = c.putBack(ctx, resp, row)
	}
	return resp, true, err
}

// change is what a call changes on record.
type change struct {
	at  time.Time
	who Principal
	// before is the case as it was read, nil where it is opened; after is what it
	// becomes, nil where the change is of no case.
	before, after *Folder
	// judged says that the case is evaluated anew; reason is the one of states that
	// change thereby.
	judged bool
	reason string
	// evaluation is what the case is answered with: the newest.
	evaluation *trigonev1.Evaluation
	// quarantineID names the submit that was set aside.
	quarantineID string
	// write is what is appended; closing stands behind its changes.
	write   storage.Write
	closing []storage.Change
}

// begin begins a change that gives the case a new version, and judges it.
func begin(f *Folder, who Principal, now time.Time) *change {
	after := f.clone()
	after.Case.Version++
	after.Case.ChangedTime = now
	ch := &change{
		at: now, who: who, before: f, after: after, judged: true, reason: writtenElsewhere,
		write: storage.Write{Expected: f.Case.Version, Case: &after.Case},
	}
	if f.Case.Version == 0 {
		ch.before = nil
	}
	return ch
}

// standing answers with the case as it is: at most the request is kept.
func standing(f *Folder, now time.Time) (*change, error) {
	evaluation, err := f.Newest()
	return &change{at: now, before: f, after: f, evaluation: evaluation}, err
}

// add adds a revision; m is its message, nil for a retraction.
func (ch *change) add(r storage.Revision, m proto.Message) {
	r.ReceivedTime, r.Caller, r.CaseVersion = ch.at, ch.who.Name, ch.after.Case.Version
	ch.after.add(r, m)
	ch.write.Revisions = append(ch.write.Revisions, r)
}

// tell adds a change to the site's order of changes. The state of a section is
// filled in when the case is judged.
func (ch *change) tell(kind trigonev1.ChangeKind, c storage.Change) {
	c.Kind, c.Time = convert.Word(kind), ch.at
	ch.write.Changes = append(ch.write.Changes, c)
}

// retract ends the lines of sections.
func (ch *change) retract(sections []string, reason trigonev1.RetractionReason, text string) {
	for _, name := range sections {
		number := ch.after.last(name) + 1
		ch.add(storage.Revision{
			Section: name, Revision: number, Retraction: true, RetractionReason: convert.Word(reason), RetractionText: text,
		}, nil)
		ch.after.setHead(name, number, storage.SectionRetracted)
		ch.tell(trigonev1.ChangeKind_CHANGE_KIND_RETRACTED, storage.Change{Section: name, Revision: number, Reason: convert.Word(reason)})
	}
}

// amend adds the entry of what a reviewer did to the case as a whole, or of what was
// signed of it. What identifies in it is in no change.
func (ch *change) amend(kind, reason string) {
	ch.write.Amendments = append(ch.write.Amendments, storage.Amendment{Kind: kind, Caller: ch.who.Name, Time: ch.at, Reason: reason})
}

// enter adds an entry on a confirmation. Its free text is in no change.
func (ch *change) enter(c storage.Confirmation) {
	c.Time, c.CaseVersion = ch.at, ch.after.Case.Version
	ch.after.confirmations = append(ch.after.confirmations, c)
	ch.write.Confirmations = append(ch.write.Confirmations, c)
	kind := map[string]trigonev1.ChangeKind{
		storage.Confirmed:           trigonev1.ChangeKind_CHANGE_KIND_CONFIRMED,
		storage.ConfirmationRevoked: trigonev1.ChangeKind_CHANGE_KIND_CONFIRMATION_REVOKED,
		storage.ConfirmationLapsed:  trigonev1.ChangeKind_CHANGE_KIND_CONFIRMATION_LAPSED,
	}[c.Kind]
	ch.tell(kind, storage.Change{Reason: c.Rule, FindingID: c.FindingID})
}

// write appends a change. Nothing else writes to the store.
func (b *Book) write(ctx context.Context, ch *change) error {
	w := &ch.write
	w.Changes = append(w.Changes, ch.closing...)
	if w.Case != nil {
		for i := range w.Changes {
			w.Changes[i].CaseUID, w.Changes[i].CaseVersion = w.Case.UID, w.Case.Version
		}
		if err := b.project(ctx, ch); err != nil {
			return err
		}
		if w.Erase == storage.EraseWhole {
			ch.emptied()
		}
	}
	if w.Case == nil && w.Request == nil && w.Quarantined == nil {
		return nil
	}
	access, uid := AccessOf(ctx), ""
	if w.Case != nil {
		uid = w.Case.UID
	}
	w.Access = access.ofWrite(uid)
	if err := b.Store.Append(ctx, b.Policy.Settings.Site, *w); err != nil {
		return err
	}
	access.wrote()
	return nil
}

// project lets the projectors make their rows.
func (b *Book) project(ctx context.Context, ch *change) error {
	if len(b.projectors) == 0 {
		return nil
	}
	var before *State
	var err error
	if ch.before != nil {
		if before, err = b.State(ctx, ch.before); err != nil {
			return err
		}
	}
	after, err := b.State(ctx, ch.after)
	if err != nil {
		return err
	}
	if before != nil {
		if before.Resources, err = b.handedOver(ctx, ch.before.Case); err != nil {
			return err
		}
		after.Resources = before.Resources
	}
	if ch.write.Erase == storage.EraseWhole && b.Policy.CutErased {
		if err := b.cut(ch, before); err != nil {
			return err
		}
	}
	for _, p := range b.projectors {
		rows, err := p.Rows(before, after)
		if err != nil {
			return fmt.Errorf("rows of %s: %w", p.Name(), err)
		}
		ch.write.Projected = append(ch.write.Projected, storage.Projected{Name: p.Name(), Version: p.Version(), Rows: rows})
	}
	return nil
}

// handedOver gives the resource ids that were handed over of a case; nil: it is not
// known which. They are of the version that the write rests on, or it is stale.
func (b *Book) handedOver(ctx context.Context, c storage.Case) ([]storage.Resource, error) {
	rows, err := b.Store.Resources(ctx, c.Site, c.UID)
	if errors.Is(err, storage.ErrNotProjected) {
		return nil, nil
	}
	if rows == nil {
		rows = []storage.Resource{}
	}
	return rows, err
}
