package casebook

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

const (
	methodSubmit = "SubmitCase"

	nothingNew = "Nothing new: every section is equal to the one on record."
)

// SubmitCase stores the sections of a case file, all or none, and evaluates the
// case.
func (b *Book) SubmitCase(ctx context.Context, who Principal, req *trigonev1.SubmitCaseRequest) (*trigonev1.SubmitCaseResponse, error) {
	if _, err := b.Admit(who, req); err != nil {
		return nil, err
	}
	if err := RefuseFields(checkSubmit(req, b.now().UTC())); err != nil {
		return nil, err
	}
	s := submission{
		book: b, who: who, request: req, file: req.GetCaseFile(), caseName: req.GetCaseName(),
		conditions: conditions(req), validateOnly: req.GetValidateOnly(),
	}
	if req.GetSourceTime() != nil {
		s.defaultSource = req.GetSourceTime().AsTime()
	}
	return call[*trigonev1.SubmitCaseResponse]{
		book: b, who: who, method: methodSubmit, request: req, validateOnly: s.validateOnly,
		prepare:    s.prepare,
		evaluation: func(r *trigonev1.SubmitCaseResponse) **trigonev1.Evaluation { return &r.Evaluation },
	}.run(ctx)
}

func checkSubmit(req *trigonev1.SubmitCaseRequest, now time.Time) []convert.Violation {
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
	return append(list, checkSourceTimes(req, now)...)
}

// A source time further ahead of its receipt than mostAhead is that of a clock that
// is wrong, or of another century; one further ahead than the skew of clocks is
// spoken of. The skew is the one that RFC 4120, section 5.2.8, calls acceptable
// (five minutes, from memory); the other is common practice, no source.
const (
	mostAhead = 24 * time.Hour
	clockSkew = 5 * time.Minute
)

// checkSourceTimes refuses times in the source system that lie far ahead: each would
// be newer than every correction for as long.
func checkSourceTimes(req *trigonev1.SubmitCaseRequest, now time.Time) []convert.Violation {
	var list []convert.Violation
	check := func(path string, t *timestamppb.Timestamp) {
		if t.IsValid() && t.AsTime().After(now.Add(mostAhead)) {
			list = append(list, convert.Violation{Path: path, Message: fmt.Sprintf(
				"is %s, more than 24 hours after it was received; check clock and zone of the source system, or give the etag", t.AsTime().Format(time.RFC3339))})
		}
	}
	check("source_time", req.GetSourceTime())
	for i, c := range req.GetConditions() {
		check(fmt.Sprintf("conditions[%d].source_time", i), c.GetSourceTime())
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
	who           Principal
	request       *trigonev1.SubmitCaseRequest // as it came, to be set aside
	file          *trigonev1.CaseFile
	caseName      string
	conditions    map[string]*trigonev1.SectionCondition
	defaultSource time.Time
	validateOnly  bool
	// filing is set when a reviewer files a quarantined submit: the patient is
	// not compared, and existing sections take the time of receipt as their time
	// in the source system.
	filing *storage.Quarantined
}

func (s submission) prepare(ctx context.Context, now time.Time) (*change, func() *trigonev1.SubmitCaseResponse, error) {
	f, err := s.open(ctx, now)
	if err != nil {
		return nil, nil, err
	}
	mark, err := s.book.markOf(ctx, identifier(s.file.GetPatientIdentifier()))
	if err != nil {
		return nil, nil, err
	}
	if s.filing == nil && f.Case.Version > 0 && !knows(f.Case, identifier(s.file.GetPatientIdentifier())) {
		return s.quarantine(ctx, f, mark, now)
	}
	ch := begin(f, s.who, now)
	ch.write.Mark = mark
	if number := s.number(); number.Value != "" {
		ch.after.Case.ExternalIdentifier = number
	}
	receipts, wrote, err := s.place(ch)
	if err != nil {
		return nil, nil, err
	}
	if !wrote {
		if ch, err = standing(f, now); err != nil {
			return nil, nil, err
		}
	}
	s.closeQuarantine(ch)
	return ch, func() *trigonev1.SubmitCaseResponse {
		resp := &trigonev1.SubmitCaseResponse{
			CaseName: s.book.CaseName(ch.after.Case.UID), CaseVersion: ch.after.Case.Version, Sections: receipts, Evaluation: ch.evaluation,
		}
		if !wrote {
			resp.Message = nothingNew
			return resp
		}
		complete(receipts, ch.after)
		resp.Message = summary(receipts, ch.evaluation)
		if s.validateOnly {
			resp.Message = "Not stored, validate_only: " + resp.Message
			if ch.before == nil {
				resp.CaseName = ""
			}
		}
		return resp
	}, nil
}

// complete says in the receipts how the sections stand once the case is judged.
func complete(receipts []*trigonev1.SectionReceipt, f *Folder) {
	for _, r := range receipts {
		s := f.section(r.Section)
		r.State, r.Etag = convert.Enum[trigonev1.SectionState](s.State), etag(s.Head)
		if r.Outcome != trigonev1.SectionOutcome_SECTION_OUTCOME_STORED_AS_OLDER {
			continue
		}
		head := f.head(r.Section)
		at := ordered(head.SourceTime, head.ReceivedTime)
		r.HeadTime = Timestamp(at)
		r.Note = strings.TrimSpace(fmt.Sprintf("Older than the head, revision %d of %s, which stands; if this is its correction, submit it with etag %s. %s",
			s.Head, at.UTC().Format("2006-01-02 15:04:05 UTC"), r.Etag, r.Note))
	}
}

// number is the case number that the submit gives; a reviewer who files one has
// named the case.
func (s submission) number() storage.Identifier {
	if s.filing != nil {
		return storage.Identifier{}
	}
	return identifier(s.file.GetExternalIdentifier())
}

// open finds the case, or prepares a new one.
func (s submission) open(ctx context.Context, now time.Time) (*Folder, error) {
	external := s.number()
	var c storage.Case
	var err error
	switch {
	case s.caseName != "":
		c, err = s.book.caseByName(ctx, s.caseName)
	case external.Value != "":
		c, err = s.book.Store.CaseByExternalIdentifier(ctx, s.book.Policy.Settings.Site, external)
	default:
		err = storage.ErrNotFound
	}
	if err == nil {
		AccessOf(ctx).Case(c.UID)
	}
	switch {
	case errors.Is(err, storage.ErrNotFound) && s.file.GetIdentity() == nil:
		return nil, Refuse(NotFound, ReasonUnknownCase,
			"no case of this site is known by this number, and the submit has no identity section to open one; submit identity first or with it")
	case errors.Is(err, storage.ErrNotFound):
		return &Folder{whole: true, Case: storage.Case{
			Site: s.book.Policy.Settings.Site, UID: s.book.newID(), State: storage.CaseActive, ExternalIdentifier: external,
			Patient: identifier(s.file.GetPatientIdentifier()), OpenedTime: now,
		}}, nil
	case err != nil:
		return nil, err
	case c.State != storage.CaseActive:
		return nil, Refuse(FailedPrecondition, ReasonClosedCase, "the case is %s and takes no more sections", c.State)
	case external.Value != "" && c.ExternalIdentifier.Value != "" && external != c.ExternalIdentifier:
		return nil, Refuse(FailedPrecondition, ReasonCaseNumber, "the case named has another case number; name the case or give its number, not both")
	}
	return s.book.Load(ctx, c)
}

func knows(c storage.Case, patient storage.Identifier) bool {
	return c.Patient == patient || slices.Contains(c.FormerPatients, patient)
}

// place puts every section of the file into the change. All refusals of one kind
// are told at once.
func (s submission) place(ch *change) (receipts []*trigonev1.SectionReceipt, wrote bool, err error) {
	f := ch.after
	var closed, unconditioned, stale []string
	for _, name := range convert.SectionNames(s.file) {
		section := convert.Section(s.file, name)
		content, identifying, err := convert.MarshalParts(section)
		if err != nil {
			return nil, false, fmt.Errorf("section %s cannot be written: %w", name, err)
		}
		head, state := f.head(name), f.section(name)
		next := storage.Revision{
			Section: name, Revision: f.last(name) + 1, Content: content, Identifying: identifying, SourceTime: s.sourceTime(name),
		}
		var onRecord proto.Message
		if state != nil && state.State != storage.SectionRetracted {
			if onRecord, err = head.decode(); err != nil {
				return nil, false, err
			}
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
		case proto.Equal(onRecord, section):
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
		case ordered(next.SourceTime, ch.at).Before(ordered(head.SourceTime, head.ReceivedTime)):
			receipt.Outcome = trigonev1.SectionOutcome_SECTION_OUTCOME_STORED_AS_OLDER
		}
		if ahead := next.SourceTime.Sub(ch.at); !next.SourceTime.IsZero() && ahead > clockSkew {
			receipt.Note = fmt.Sprintf("Its source_time is %s ahead of its receipt, by which it is ordered; check clock and zone of the source system.", ahead.Round(time.Minute))
		}
		wrote = true
		ch.add(next, section)
		kind := trigonev1.ChangeKind_CHANGE_KIND_STORED_AS_OLDER
		if receipt.Outcome != trigonev1.SectionOutcome_SECTION_OUTCOME_STORED_AS_OLDER {
			f.setHead(name, next.Revision, storage.SectionAccepted)
			kind = trigonev1.ChangeKind_CHANGE_KIND_SUBMITTED
		}
		ch.tell(kind, storage.Change{Section: name, Revision: next.Revision})
	}
	switch {
	case len(closed) > 0:
		return nil, false, refuseAbout(f.aboutSections(closed...), FailedPrecondition, ReasonClosedSection,
			"closed by a retraction: %s; identity, plan and operation are begun anew with the retraction's etag, a section with an id needs a new id", strings.Join(closed, ", "))
	case len(unconditioned) > 0:
		return nil, false, refuseAbout(f.aboutSections(unconditioned...), FailedPrecondition, ReasonNoCondition,
			"on record with other content: %s; give the etag last answered in conditions, or a source_time", strings.Join(unconditioned, ", "))
	case len(stale) > 0:
		return nil, false, refuseAbout(f.aboutSections(stale...), Aborted, ReasonStaleEtag,
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

// ordered gives the time by which a revision is ordered: when it was made in its
// source system, or when it was received where that is not told or lies ahead. A
// clock that is wrong must not make a revision newer than its corrections.
func ordered(source, received time.Time) time.Time {
	if source.IsZero() || source.After(received) {
		return received
	}
	return source
}

// summary says in a sentence what happened, and in one for each section what else there
// is to know.
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
	text += fmt.Sprintf("; contradictions %d, cautions %d, notes %d.",
		counts[trigonev1.Severity_SEVERITY_CONTRADICTION], counts[trigonev1.Severity_SEVERITY_CAUTION], counts[trigonev1.Severity_SEVERITY_NOTE])
	for _, r := range receipts {
		if r.GetNote() != "" {
			text += " " + r.GetSection() + ": " + r.GetNote()
		}
	}
	return text
}
