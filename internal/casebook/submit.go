package casebook

import (
	"bytes"
	"context"
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

// attempts is how often a write that lost a race is prepared anew.
const attempts = 5

const methodSubmit = "SubmitCase"

// SubmitCase stores the sections of a case file, all or none, and evaluates the
// case.
func (b *Book) SubmitCase(ctx context.Context, caller string, req *trigonev1.SubmitCaseRequest) (*trigonev1.SubmitCaseResponse, error) {
	site, err := b.CheckParent(req.GetParent())
	if err != nil {
		return nil, err
	}
	if err := RefuseFields(checkSubmit(req)); err != nil {
		return nil, err
	}
	hash, err := b.contentHash(req, func(m proto.Message) { m.(*trigonev1.SubmitCaseRequest).RequestId = "" })
	if err != nil {
		return nil, err
	}
	s := submission{
		book: b, site: site, caller: caller, file: req.GetCaseFile(), caseName: req.GetCaseName(),
		conditions: conditions(req), defaultSource: req.GetSourceTime().AsTime(), hash: hash,
		requestID: req.GetRequestId(), dryRun: req.GetValidateOnly(),
	}
	if req.GetSourceTime() == nil {
		s.defaultSource = time.Time{}
	}
	return retry(func() (*trigonev1.SubmitCaseResponse, error) {
		if s.requestID != "" && !s.dryRun {
			resp, found, err := b.replaySubmit(ctx, s)
			if found || err != nil {
				return resp, err
			}
		}
		return s.run(ctx, req)
	})
}

// retry prepares a write anew while others win the race for the case.
func retry[T any](write func() (T, error)) (T, error) {
	var none T
	for range attempts {
		out, err := write()
		switch {
		case err == nil:
			return out, nil
		case errors.Is(err, storage.ErrStale), errors.Is(err, storage.ErrRequestExists):
			continue
		case errors.Is(err, storage.ErrExternalIdentifierTaken):
			return none, Refuse(Aborted, ReasonCaseNumberTaken,
				"another case was opened with this case number meanwhile; read it and submit to it")
		default:
			return none, err
		}
	}
	return none, Refuse(Aborted, ReasonRace, "the case was written by others %d times meanwhile; submit again", attempts)
}

func checkSubmit(req *trigonev1.SubmitCaseRequest) []convert.Violation {
	list := convert.Check(req)
	if req.GetCaseFile() == nil {
		return append(list, convert.Violation{Path: "case_file", Message: "is missing; give the sections to store"})
	}
	for _, v := range convert.CheckSubmit(req.GetCaseFile()) {
		v.Path = "case_file." + v.Path
		if !slices.ContainsFunc(list, func(have convert.Violation) bool { return have.Path == v.Path }) {
			list = append(list, v)
		}
	}
	names := convert.SectionNames(req.GetCaseFile())
	seen := map[string]bool{}
	for i, c := range req.GetConditions() {
		path := fmt.Sprintf("conditions[%d].section", i)
		switch {
		case !slices.Contains(names, c.GetSection()):
			list = append(list, convert.Violation{Path: path, Message: "names a section that is not in the case file; sections are named identity, plan, operation, assessment/{id}, result/{id}, follow_up/{id} or advice/{id}"})
		case seen[c.GetSection()]:
			list = append(list, convert.Violation{Path: path, Message: "names a section for the second time; give one condition for each"})
		case c.GetExpected() == nil:
			list = append(list, convert.Violation{Path: path, Message: "states nothing; give the etag last answered, or the source_time"})
		}
		seen[c.GetSection()] = true
	}
	return list
}

func conditions(req *trigonev1.SubmitCaseRequest) map[string]*trigonev1.SectionCondition {
	m := map[string]*trigonev1.SectionCondition{}
	for _, c := range req.GetConditions() {
		m[c.GetSection()] = c
	}
	return m
}

// submission is one submit on its way into the record.
type submission struct {
	book          *Book
	site          string
	caller        string
	file          *trigonev1.CaseFile
	caseName      string
	conditions    map[string]*trigonev1.SectionCondition
	defaultSource time.Time
	hash          []byte
	requestID     string
	dryRun        bool
	// advice is set when an answer given while operating is kept.
	advice *adviceReceipt
	// filing is set when a reviewer files a quarantined submit: the patient is
	// not compared, and existing sections take the time of receipt as their time
	// in the source system.
	filing *storage.Quarantined
}

func (s submission) run(ctx context.Context, req *trigonev1.SubmitCaseRequest) (*trigonev1.SubmitCaseResponse, error) {
	f, err := s.open(ctx)
	if err != nil {
		return nil, err
	}
	if s.filing == nil && f.Case.Version > 0 && !knows(f.Case, identifier(s.file.GetPatientIdentifier())) {
		return s.quarantine(ctx, f, req)
	}
	now := s.book.now().UTC()
	w := storage.Write{Expected: f.Case.Version}
	receipts, wrote, err := s.place(f, &w, now)
	if err != nil {
		return nil, err
	}
	f.Case.ChangedTime = now
	resp := &trigonev1.SubmitCaseResponse{CaseName: s.book.CaseName(f.Case.UID), CaseVersion: f.Case.Version, Sections: receipts}
	if !wrote {
		return s.unchanged(ctx, f, resp, now)
	}
	f.Case.Version++
	resp.CaseVersion = f.Case.Version

	j, err := s.book.judge(ctx, f, now)
	if err != nil {
		return nil, err
	}
	var submitted []string
	for _, r := range receipts {
		if r.Outcome != trigonev1.SectionOutcome_SECTION_OUTCOME_UNCHANGED {
			submitted = append(submitted, r.Section)
		}
	}
	if err := s.book.settle(f, j, &w, now, writtenElsewhere, submitted); err != nil {
		return nil, err
	}
	own := make([]storage.Change, 0, len(receipts))
	for _, r := range receipts {
		st := f.section(r.Section)
		r.State = convert.Enum[trigonev1.SectionState](st.State)
		r.Etag = etag(st.Head)
		kind := trigonev1.ChangeKind_CHANGE_KIND_SUBMITTED
		switch r.Outcome {
		case trigonev1.SectionOutcome_SECTION_OUTCOME_UNCHANGED:
			continue
		case trigonev1.SectionOutcome_SECTION_OUTCOME_STORED_AS_OLDER:
			kind = trigonev1.ChangeKind_CHANGE_KIND_STORED_AS_OLDER
		}
		own = append(own, storage.Change{Kind: convert.Word(kind), Section: r.Section, Revision: r.Revision, State: st.State, Time: now})
	}
	w.Changes = append(own, w.Changes...)
	resp.Evaluation = j.message
	resp.Message = summary(receipts, j.message)
	if s.dryRun {
		resp.Message = "Not stored, validate_only: " + resp.Message
		if w.Expected == 0 {
			resp.CaseName = ""
		}
		return resp, nil
	}
	return resp, s.write(ctx, f, w, resp, now)
}

// open finds the case, or prepares a new one.
func (s submission) open(ctx context.Context) (*Folder, error) {
	external := identifier(s.file.GetExternalIdentifier())
	if s.filing != nil {
		external = storage.Identifier{}
	}
	var c storage.Case
	var err error
	switch {
	case s.caseName != "":
		c, err = s.book.caseByName(ctx, s.caseName)
	case external.Value != "":
		c, err = s.book.Store.CaseByExternalIdentifier(ctx, s.site, external)
	default:
		err = storage.ErrNotFound
	}
	switch {
	case errors.Is(err, storage.ErrNotFound) && s.file.GetIdentity() == nil:
		return nil, Refuse(NotFound, ReasonUnknownCase,
			"no case of this site is known by this number, and the submit has no identity section to open one; submit identity first or with it")
	case errors.Is(err, storage.ErrNotFound):
		return &Folder{Case: storage.Case{
			Site: s.site, UID: s.book.newID(), State: storage.CaseActive, ExternalIdentifier: external,
			Patient: identifier(s.file.GetPatientIdentifier()), OpenedTime: s.book.now().UTC(),
		}}, nil
	case err != nil:
		return nil, err
	case c.State != storage.CaseActive:
		return nil, Refuse(FailedPrecondition, ReasonClosedCase, "the case is %s and takes no more sections", c.State)
	case external.Value != "" && c.ExternalIdentifier.Value != "" && external != c.ExternalIdentifier:
		return nil, Refuse(FailedPrecondition, ReasonCaseNumber, "the case named has another case number; name the case or give its number, not both")
	}
	if external.Value != "" {
		c.ExternalIdentifier = external
	}
	return s.book.Load(ctx, c)
}

func knows(c storage.Case, patient storage.Identifier) bool {
	return c.Patient == patient || slices.Contains(c.FormerPatients, patient)
}

// place puts every section of the file on the folder. All refusals of one kind
// are told at once.
func (s submission) place(f *Folder, w *storage.Write, now time.Time) (receipts []*trigonev1.SectionReceipt, wrote bool, err error) {
	var closed, unconditioned, stale []string
	for _, name := range convert.SectionNames(s.file) {
		section := convert.Section(s.file, name)
		content, err := convert.MarshalSection(section)
		if err != nil {
			return nil, false, fmt.Errorf("section %s cannot be written: %w", name, err)
		}
		head, state := f.head(name), f.section(name)
		next := storage.Revision{
			Section: name, Revision: f.last(name) + 1, Content: content, ReceivedTime: now, SourceTime: s.sourceTime(name), Caller: s.caller,
		}
		receipt := &trigonev1.SectionReceipt{Section: name, Revision: next.Revision, Outcome: trigonev1.SectionOutcome_SECTION_OUTCOME_REPLACED}
		receipts = append(receipts, receipt)
		expected := s.conditions[name]
		switch {
		case state == nil:
			receipt.Outcome = trigonev1.SectionOutcome_SECTION_OUTCOME_CREATED
		case state.State == storage.SectionRetracted:
			if strings.Contains(name, "/") || expected.GetEtag() != etag(state.Head) {
				closed = append(closed, name)
				continue
			}
		case bytes.Equal(head.Content, content):
			receipt.Outcome = trigonev1.SectionOutcome_SECTION_OUTCOME_UNCHANGED
			receipt.Revision = head.number()
			receipt.Etag = etag(state.Head)
			receipt.State = convert.Enum[trigonev1.SectionState](state.State)
			continue
		case expected.GetEtag() != "":
			if expected.GetEtag() != etag(state.Head) {
				stale = append(stale, name)
				continue
			}
		case next.SourceTime.IsZero():
			unconditioned = append(unconditioned, name)
			continue
		case next.SourceTime.Before(timeInSource(head)):
			receipt.Outcome = trigonev1.SectionOutcome_SECTION_OUTCOME_STORED_AS_OLDER
		}
		wrote = true
		f.add(next, section)
		w.Revisions = append(w.Revisions, next)
		if receipt.Outcome != trigonev1.SectionOutcome_SECTION_OUTCOME_STORED_AS_OLDER {
			f.setHead(name, next.Revision, storage.SectionAccepted)
		}
	}
	switch {
	case len(closed) > 0:
		return nil, false, Refuse(FailedPrecondition, ReasonClosedSection,
			"closed by a retraction: %s; identity, plan and operation are begun anew with the retraction's etag, a section with an id needs a new id", strings.Join(closed, ", "))
	case len(unconditioned) > 0:
		return nil, false, Refuse(FailedPrecondition, ReasonNoCondition,
			"on record with other content: %s; give the etag last answered in conditions, or a source_time", strings.Join(unconditioned, ", "))
	case len(stale) > 0:
		return nil, false, Refuse(Aborted, ReasonStaleEtag,
			"written meanwhile: %s; read the case, look at what changed, and submit with the present etag", strings.Join(stale, ", "))
	}
	return receipts, wrote, nil
}

func (s submission) sourceTime(section string) time.Time {
	if t := s.conditions[section].GetSourceTime(); t != nil {
		return t.AsTime()
	}
	if s.defaultSource.IsZero() && s.filing != nil {
		return s.filing.ReceivedTime
	}
	return s.defaultSource
}

// timeInSource gives when a revision was made in its source system; without a
// source time, when it was received.
func timeInSource(r *revision) time.Time {
	if r.SourceTime.IsZero() {
		return r.ReceivedTime
	}
	return r.SourceTime
}

// unchanged answers a submit that is equal to the heads. Only a request row is
// written, so that a retry finds it.
func (s submission) unchanged(ctx context.Context, f *Folder, resp *trigonev1.SubmitCaseResponse, now time.Time) (*trigonev1.SubmitCaseResponse, error) {
	resp.Message = "Nothing new: every section is equal to the one on record."
	evaluation, err := s.book.Evaluation(ctx, f.Case)
	if err != nil {
		return nil, err
	}
	resp.Evaluation = evaluation
	if s.dryRun || (s.requestID == "" && s.filing == nil) {
		return resp, nil
	}
	row, err := s.requestRow(f.Case, resp, now)
	if err != nil {
		return nil, err
	}
	w := storage.Write{Request: row}
	s.closeQuarantine(&w, now, f.Case.UID)
	return resp, s.book.Store.Append(ctx, s.site, w)
}

func (s submission) write(ctx context.Context, f *Folder, w storage.Write, resp *trigonev1.SubmitCaseResponse, now time.Time) error {
	w.Case = &f.Case
	for i := range w.Changes {
		w.Changes[i].CaseUID, w.Changes[i].CaseVersion = f.Case.UID, f.Case.Version
	}
	for i := range w.Revisions {
		w.Revisions[i].CaseVersion = f.Case.Version
	}
	w.Evaluation.CaseVersion = f.Case.Version
	row, err := s.requestRow(f.Case, resp, now)
	if err != nil {
		return err
	}
	w.Request = row
	s.closeQuarantine(&w, now, f.Case.UID)
	return s.book.Store.Append(ctx, s.site, w)
}

// requestRow keeps what was answered, without the evaluation, which the case has.
func (s submission) requestRow(c storage.Case, resp *trigonev1.SubmitCaseResponse, now time.Time) (*storage.Request, error) {
	short := proto.Clone(resp).(*trigonev1.SubmitCaseResponse)
	short.Evaluation = nil
	method, receipt := methodSubmit, proto.Message(short)
	switch {
	case s.filing != nil:
		method, receipt = methodFile, filed(short)
	case s.advice != nil:
		method, receipt = methodEvaluatePlan, s.advice.of(short)
	}
	row, err := requestRow(s.caller, s.site, method, s.requestID, s.hash, receipt, c, now)
	if row != nil {
		row.QuarantineID = resp.GetQuarantineId()
	}
	return row, err
}

// requestRow is the row by which a repeated request is known; nil without a
// request id.
func requestRow(caller, site, method, requestID string, hash []byte, receipt proto.Message, c storage.Case, now time.Time) (*storage.Request, error) {
	if requestID == "" {
		return nil, nil
	}
	content, err := marshal(receipt)
	if err != nil {
		return nil, err
	}
	return &storage.Request{
		Caller: caller, Site: site, Method: method, RequestID: requestID, ContentHash: hash,
		CaseUID: c.UID, CaseVersion: c.Version, Evaluation: c.Evaluation, Receipt: content, Time: now,
	}, nil
}

// replaySubmit answers an earlier request of the same id.
func (b *Book) replaySubmit(ctx context.Context, s submission) (*trigonev1.SubmitCaseResponse, bool, error) {
	resp := &trigonev1.SubmitCaseResponse{}
	row, found, err := b.replay(ctx, s.caller, s.site, methodSubmit, s.requestID, s.hash, resp)
	if err != nil || !found {
		return nil, found, err
	}
	if row.Evaluation > 0 {
		if resp.Evaluation, err = b.StoredEvaluation(ctx, s.site, row.CaseUID, row.Evaluation); err != nil {
			return nil, true, err
		}
	}
	return resp, true, nil
}

// replay reads what an earlier request of the same id was answered into resp.
func (b *Book) replay(ctx context.Context, caller, site, method, requestID string, hash []byte, resp proto.Message) (storage.Request, bool, error) {
	row, err := b.Store.Request(ctx, caller, site, method, requestID)
	switch {
	case errors.Is(err, storage.ErrNotFound):
		return row, false, nil
	case err != nil:
		return row, false, err
	case !bytes.Equal(row.ContentHash, hash):
		return row, false, Refuse(AlreadyExists, ReasonRequestIDReused,
			"this request_id was used for other content; use a new one for every new request, and the same only to repeat one unchanged")
	}
	if err := proto.Unmarshal(row.Receipt, resp); err != nil {
		return row, false, fmt.Errorf("the answer to an earlier request cannot be read: %w", err)
	}
	return row, true, nil
}

// summary says in one sentence what happened.
func summary(receipts []*trigonev1.SectionReceipt, e *trigonev1.Evaluation) string {
	stored, older := 0, 0
	for _, r := range receipts {
		switch r.GetOutcome() {
		case trigonev1.SectionOutcome_SECTION_OUTCOME_CREATED, trigonev1.SectionOutcome_SECTION_OUTCOME_REPLACED:
			stored++
		case trigonev1.SectionOutcome_SECTION_OUTCOME_STORED_AS_OLDER:
			older++
		}
	}
	counts := map[trigonev1.Severity]int{}
	confirmed := 0
	for _, f := range e.GetFindings() {
		if f.GetConfirmed() {
			confirmed++
			continue
		}
		counts[f.GetSeverity()]++
	}
	text := fmt.Sprintf("%d of %d sections stored", stored+older, len(receipts))
	if older > 0 {
		text += fmt.Sprintf(" (%d as older than the head)", older)
	}
	if confirmed > 0 {
		text += fmt.Sprintf("; contradictions confirmed by a reviewer %d", confirmed)
	}
	return text + fmt.Sprintf("; contradictions %d, cautions %d, notes %d.",
		counts[trigonev1.Severity_SEVERITY_CONTRADICTION], counts[trigonev1.Severity_SEVERITY_CAUTION], counts[trigonev1.Severity_SEVERITY_NOTE])
}
