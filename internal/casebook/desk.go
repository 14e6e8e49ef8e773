package casebook

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"

	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// The reviewer's desk: what was set aside, and what would become of it.

// ListQuarantined lists the submits that were set aside.
func (b *Book) ListQuarantined(ctx context.Context, who Principal, req *trigonev1.ListQuarantinedRequest) (*trigonev1.ListQuarantinedResponse, error) {
	site, err := b.Admit(who, req)
	if err != nil {
		return nil, err
	}
	if err := RefuseFields(convert.Check(req)); err != nil {
		return nil, err
	}
	filter := storage.QuarantineFilter{State: storage.QuarantineOpen}
	if req.GetState() != trigonev1.QuarantineState_QUARANTINE_STATE_UNSPECIFIED {
		filter.State = convert.Word(req.GetState())
	}
	asked := &trigonev1.ListQuarantinedRequest{State: req.GetState()}
	if req.GetCase() != nil {
		c, err := b.Find(ctx, req.GetCase())
		if err != nil {
			return nil, err
		}
		filter.CaseUID, asked.Case = c.UID, &trigonev1.CaseReference{Name: b.CaseName(c.UID)}
	}
	question, err := b.Question("ListQuarantined", asked)
	if err != nil {
		return nil, err
	}
	after, err := b.Position("page_token", req.GetPageToken(), question)
	if err != nil {
		return nil, err
	}
	list, next, err := b.Store.QuarantinedPage(ctx, site, filter, after, PageSize(req.GetPageSize()))
	if err != nil {
		return nil, err
	}
	resp := &trigonev1.ListQuarantinedResponse{}
	if resp.NextPageToken, err = b.Token(question, next); err != nil {
		return nil, err
	}
	for _, q := range list {
		c, err := b.addressed(ctx, q)
		if err != nil {
			return nil, err
		}
		AccessOf(ctx).Case(c.UID)
		resp.Quarantined = append(resp.Quarantined, b.quarantinedSummary(q, c))
	}
	return resp, nil
}

// addressed gives the case that a quarantined submit was sent to. Cases are never
// removed altogether.
func (b *Book) addressed(ctx context.Context, q storage.Quarantined) (storage.Case, error) {
	c, err := b.Store.Case(ctx, b.Policy.Settings.Site, q.CaseUID)
	if errors.Is(err, storage.ErrNotFound) {
		err = fmt.Errorf("the case of a quarantined submit: %w", storage.ErrDamaged)
	}
	return c, err
}

func (b *Book) quarantinedSummary(q storage.Quarantined, c storage.Case) *trigonev1.QuarantinedSummary {
	changed := c.Version != q.CaseVersion
	if q.CaseVersion == 0 { // set aside before it was kept
		changed = c.ChangedTime.After(q.ReceivedTime)
	}
	return &trigonev1.QuarantinedSummary{
		QuarantineId: q.ID, State: convert.Enum[trigonev1.QuarantineState](q.State),
		Reason: trigonev1.QuarantineReason_QUARANTINE_REASON_OTHER_PATIENT, ReceivedTime: Timestamp(q.ReceivedTime), Caller: q.Caller,
		CaseName: b.CaseName(c.UID), ExternalIdentifier: IdentifierMessage(c.ExternalIdentifier), Sections: q.Sections, CaseChanged: changed,
		DecidedTime: Timestamp(q.DecidedTime), DecidedCaller: q.DecidedCaller,
	}
}

// GetQuarantined gives a submit that was set aside, and tries filing it on a case.
func (b *Book) GetQuarantined(ctx context.Context, who Principal, req *trigonev1.GetQuarantinedRequest) (*trigonev1.GetQuarantinedResponse, error) {
	site, err := b.Admit(who, req)
	if err != nil {
		return nil, err
	}
	list := convert.Check(req)
	if req.GetQuarantineId() == "" {
		list = append(list, convert.Violation{Path: "quarantine_id", Message: "is missing; give the id answered to the submit; ListQuarantined lists them"})
	}
	out := &trigonev1.Quarantined{}
	list = append(list, checkMask(req.GetReadMask(), out)...)
	if err := RefuseFields(list); err != nil {
		return nil, err
	}
	q, err := b.quarantined(ctx, site, req.GetQuarantineId())
	if err != nil {
		return nil, err
	}
	sent, err := b.addressed(ctx, q)
	if err != nil {
		return nil, err
	}
	into := sent
	if req.GetIntoCase() != "" {
		if into, err = b.caseByName(ctx, req.GetIntoCase()); err != nil {
			return nil, err
		}
	}
	AccessOf(ctx).Case(into.UID)
	out.Summary, out.Decision = b.quarantinedSummary(q, sent), q.Decision
	if into.UID != sent.UID {
		out.Summary.ExternalIdentifier = nil
	}
	if q.State == storage.QuarantineOpen {
		out.Etag = b.quarantineEtag(q, sent, into)
		out.CaseName, out.CaseVersion, out.ExternalIdentifier = b.CaseName(into.UID), into.Version, IdentifierMessage(into.ExternalIdentifier)
		out.CasePatientIdentifier = IdentifierMessage(into.Patient)
		for _, id := range into.FormerPatients {
			out.FormerPatientIdentifiers = append(out.FormerPatientIdentifiers, IdentifierMessage(id))
		}
	}
	if q.Body != nil {
		file, err := bodyOf(q)
		if err != nil {
			return nil, err
		}
		out.PatientIdentifier = file.GetPatientIdentifier()
		out.CaseFile, _ = convert.FileWithoutPoints(file)
		if q.State == storage.QuarantineOpen {
			out.Explanation = otherPatient(identifier(file.GetPatientIdentifier()), into)
			s := submission{book: b, who: who, file: file, caseName: b.CaseName(into.UID), filing: &q}
			if err := s.try(ctx, b.now().UTC(), out); err != nil {
				return nil, err
			}
		}
	}
	applyMask(req.GetReadMask(), out, "summary", "etag")
	return &trigonev1.GetQuarantinedResponse{Quarantined: out}, nil
}

func (b *Book) quarantined(ctx context.Context, site, id string) (storage.Quarantined, error) {
	q, err := b.Store.Quarantined(ctx, site, id)
	if errors.Is(err, storage.ErrNotFound) {
		return q, Refuse(NotFound, ReasonUnknownQuarantine, "no submit of this id was set aside at this site")
	}
	return q, err
}

func bodyOf(q storage.Quarantined) (*trigonev1.CaseFile, error) {
	body := &trigonev1.SubmitCaseRequest{}
	if err := proto.Unmarshal(q.Body, body); err != nil {
		return nil, fmt.Errorf("the submit set aside cannot be read: %w", err)
	}
	return body.GetCaseFile(), nil
}

// try fills in what would become of a submit if it were filed, and stores nothing.
func (s submission) try(ctx context.Context, now time.Time, out *trigonev1.Quarantined) error {
	f, err := s.open(ctx, now)
	var refused *Error
	if errors.As(err, &refused) {
		out.Obstacle = refused.Message
		return nil
	}
	if err != nil {
		return err
	}
	ch := begin(f, s.who, now)
	receipts, wrote, err := s.place(ch)
	if errors.As(err, &refused) {
		out.Obstacle = refused.Message
		return nil
	}
	if err != nil {
		return err
	}
	out.Message = nothingNew
	if wrote {
		if err := s.book.judgeChange(ctx, ch); err != nil {
			return err
		}
		complete(receipts, ch.after)
		out.Message = summary(receipts, ch.evaluation)
	}
	out.Sections = receipts
	told := 0
	for _, r := range receipts {
		switch r.GetOutcome() {
		case trigonev1.SectionOutcome_SECTION_OUTCOME_CREATED, trigonev1.SectionOutcome_SECTION_OUTCOME_REPLACED:
		default:
			continue
		}
		var onRecord proto.Message
		if have := f.section(r.GetSection()); have != nil && have.State != storage.SectionRetracted {
			if onRecord, err = f.head(r.GetSection()).decode(); err != nil {
				return err
			}
		}
		for _, c := range convert.FieldChanges(onRecord, convert.Section(s.file, r.GetSection())) {
			m := &trigonev1.FieldChange{Section: r.GetSection(), Path: c.Path, OldValue: c.Old, NewValue: c.New}
			if told += proto.Size(m); len(out.Changes) == mostChanges || told > mostBytesOfChanges {
				out.ChangesLeftOut++
				continue
			}
			out.Changes = append(out.Changes, m)
		}
	}
	return nil
}

// An answer lists no more changes than these.
const (
	mostChanges        = 2000
	mostBytesOfChanges = 1 << 20
)

// quarantineEtag says which submit was read, as a reviewer of the case that it was sent
// to and of the one that filing was tried on.
func (b *Book) quarantineEtag(q storage.Quarantined, sent, into storage.Case) string {
	return b.quarantineMark(q, sent) + "-" + b.quarantineMark(q, into)
}

func (b *Book) quarantineMark(q storage.Quarantined, c storage.Case) string {
	hash := b.KeyedHash([]byte("etag of a quarantined submit"), []byte(q.ID), []byte(c.UID), []byte(strconv.FormatInt(c.Version, 10)))
	return hex.EncodeToString(hash[:6])
}

// wasRead refuses to decide about a submit that was not read as it stands. into is where
// it is filed; nil: it is discarded.
func (b *Book) wasRead(ctx context.Context, q storage.Quarantined, given string, into *storage.Case) error {
	if given == "" {
		return Refuse(FailedPrecondition, ReasonNoCondition,
			"give the etag that GetQuarantined answers; who files or discards a submit has read what it holds and would change")
	}
	sent, err := b.addressed(ctx, q)
	if err != nil {
		return err
	}
	first, second, _ := strings.Cut(given, "-")
	if into == nil && first == b.quarantineMark(q, sent) || into != nil && second == b.quarantineMark(q, *into) {
		return nil
	}
	beside := sent
	if into != nil {
		beside = *into
	}
	return refuseAbout(aboutVersion(beside.Version), Aborted, ReasonStaleEtag,
		"the etag is not that of this submit beside the case as it stands: the case was written since it was read, or it was read beside another case, or the etag is not the one that was answered; read it again beside the case it is filed into, and decide anew")
}

// otherPatient says how the two identifiers differ, and repeats neither.
func otherPatient(named storage.Identifier, c storage.Case) string {
	const lead = "It names another patient than the case: "
	switch {
	case knows(c, named):
		return "The patient that it names is that of the case by now. Sent again, the submit would be taken as it is."
	case c.Patient == storage.Identifier{}:
		return lead + "the case has no patient identifier any more."
	case named.System != c.Patient.System && bare(named.Value) == bare(c.Patient.Value):
		return lead + "the number is the same, of another system of numbers."
	case named.System != c.Patient.System:
		return lead + "a number of another system. Two numbers may stand for one patient; if so, amend the identity of the case (merge) and send it again."
	case bare(named.Value) == bare(c.Patient.Value):
		return lead + "the numbers differ only in capitals, in zeros at the beginning or in signs that are neither letter nor digit."
	}
	return lead + "another number of the same system."
}

// bare gives letters and digits alone, for a comparison that forgives how a number is
// written.
func bare(s string) string {
	return strings.TrimLeft(strings.Map(func(r rune) rune {
		if !unicode.IsLetter(r) && !unicode.IsDigit(r) {
			return -1
		}
		return unicode.ToLower(r)
	}, s), "0")
}

// discarded marks a submit as discarded.
func discarded(q storage.Quarantined, who Principal, now time.Time) *storage.Quarantined {
	q.State, q.DecidedTime, q.DecidedCaller = storage.QuarantineDiscarded, now, who.Name
	return &q
}

// filed marks a submit as filed into a case. What it held is the case's from then on,
// and the rest goes with that one too, so that its erasure finds all there is of it.
func filed(q storage.Quarantined, into storage.Case, who Principal, now time.Time) *storage.Quarantined {
	q.State, q.DecidedTime, q.DecidedCaller = storage.QuarantineFiled, now, who.Name
	q.CaseUID, q.CaseVersion, q.Body = into.UID, into.Version, nil
	return &q
}

// openQuarantine gives one that nobody has decided yet.
func (b *Book) openQuarantine(ctx context.Context, id string) (storage.Quarantined, error) {
	q, err := b.quarantined(ctx, b.Policy.Settings.Site, id)
	if err == nil && q.State != storage.QuarantineOpen {
		err = Refuse(FailedPrecondition, ReasonDecided, "this submit was %s already", q.State)
	}
	return q, err
}
