package casebook

import (
	"fmt"
	"slices"
	"strconv"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// Folder is one case with what the store has of it, on which a write is prepared.
type Folder struct {
	Case storage.Case
	// Earlier are the evaluations that count, oldest first; of a whole folder all.
	Earlier []*Evaluation

	// revisions are those that the present state rests on, in the order of storing;
	// of a whole folder all.
	revisions []*revision
	whole     bool
	// version is the one that was read: what is newer is not on record yet.
	version int64
	// confirmations are the entries on confirmations, oldest first.
	confirmations []storage.Confirmation
}

// revision is a revision on record. It is decoded at most once, and so read only.
type revision struct {
	storage.Revision
	message proto.Message
}

func (r *revision) number() int64 { return r.Revision.Revision }

// decode gives the section as it was received; where what identifies was erased,
// without it.
func (r *revision) decode() (proto.Message, error) {
	if r.message == nil {
		m, err := convert.UnmarshalParts(r.Section, r.Content, r.Identifying)
		if err != nil {
			return nil, fmt.Errorf("revision %d of %s cannot be read: %w", r.number(), r.Section, err)
		}
		r.message = m
	}
	return r.message, nil
}

// Evaluation is an evaluation on record. Its answer is read and decoded when it is
// asked for first, and so read only.
type Evaluation struct {
	storage.EvaluationHeader
	read    func(number int64) (*trigonev1.Evaluation, error)
	message *trigonev1.Evaluation
}

// Message gives the evaluation as it was answered.
func (e *Evaluation) Message() (*trigonev1.Evaluation, error) {
	if e.message == nil {
		m, err := e.read(e.Number)
		if err != nil {
			return nil, err
		}
		e.message = m
	}
	return e.message, nil
}

// Newest gives the newest evaluation; nil: there is none.
func (f *Folder) Newest() (*trigonev1.Evaluation, error) {
	if len(f.Earlier) == 0 {
		return nil, nil
	}
	return f.Earlier[len(f.Earlier)-1].Message()
}

// revision gives one revision of a section, or nil.
func (f *Folder) revision(section string, number int64) *revision {
	for _, r := range f.revisions {
		if r.Section == section && r.number() == number {
			return r
		}
	}
	return nil
}

// section gives the state of a section, or nil if the case never had it.
func (f *Folder) section(name string) *storage.Section {
	i := slices.IndexFunc(f.Case.Sections, func(s storage.Section) bool { return s.Section == name })
	if i < 0 {
		return nil
	}
	return &f.Case.Sections[i]
}

// head gives the head revision of a section, or nil.
func (f *Folder) head(name string) *revision {
	s := f.section(name)
	if s == nil {
		return nil
	}
	return f.revision(name, s.Head)
}

// headsAreThere refuses a case of which a section's head is missing: as if it had
// never come, it would be left out without a word.
func (f *Folder) headsAreThere() error {
	for _, s := range f.Case.Sections {
		if f.revision(s.Section, s.Head) == nil {
			return fmt.Errorf("revision %d of %s, the head, is missing: %w", s.Head, s.Section, storage.ErrDamaged)
		}
	}
	return nil
}

// last gives the highest revision number of a section.
func (f *Folder) last(name string) int64 {
	if s := f.section(name); s != nil {
		return s.Last
	}
	return 0
}

// add puts a new revision of a section beside the others; m is its message, nil for a
// retraction.
func (f *Folder) add(r storage.Revision, m proto.Message) {
	f.revisions = append(f.revisions, &revision{Revision: r, message: m})
	if s := f.section(r.Section); s != nil {
		stretch(s, r, s.State == storage.SectionRetracted)
	}
}

// stretch makes a revision the last of its section; it begins a line if it ends the
// one before, or that one has ended.
func stretch(s *storage.Section, r storage.Revision, ended bool) {
	s.Last = r.Revision
	if r.Retraction || ended || s.First == 0 {
		s.First = r.Revision
	}
}

// lines says of every section where its present line began and how far it goes.
func (f *Folder) lines() {
	for i := range f.Case.Sections {
		s := &f.Case.Sections[i]
		s.First, s.Last = 0, 0
		ended := false
		for _, r := range f.revisions {
			if r.Section == s.Section {
				stretch(s, r.Revision, ended)
				ended = r.Retraction
			}
		}
	}
}

// setHead makes a revision the head of its section.
func (f *Folder) setHead(section string, revision int64, state string) {
	if s := f.section(section); s != nil {
		s.Head, s.State = revision, state
		return
	}
	f.Case.Sections = append(f.Case.Sections, storage.Section{
		Section: section, Head: revision, State: state, Order: int64(len(f.Case.Sections) + 1), First: revision, Last: revision,
	})
}

// clone gives a folder whose state can be changed without touching f.
func (f *Folder) clone() *Folder {
	c := *f
	c.Case.Sections = slices.Clone(f.Case.Sections)
	c.Case.FormerPatients = slices.Clone(f.Case.FormerPatients)
	c.revisions = slices.Clone(f.revisions)
	c.Earlier = slices.Clone(f.Earlier)
	c.confirmations = slices.Clone(f.confirmations)
	return &c
}

// heads gives the revisions a reader sees: the head of every section that is not
// retracted, in the order in which the sections came.
func (f *Folder) heads() []*revision {
	var list []*revision
	for _, s := range f.Case.Sections {
		if s.State != storage.SectionRetracted {
			if r := f.revision(s.Section, s.Head); r != nil {
				list = append(list, r)
			}
		}
	}
	return list
}

// File puts the heads together as a case file. Its sections are those that the
// folder holds, not copies.
func (f *Folder) File() (*trigonev1.CaseFile, error) {
	out := &trigonev1.CaseFile{
		ExternalIdentifier: IdentifierMessage(f.Case.ExternalIdentifier),
		PatientIdentifier:  IdentifierMessage(f.Case.Patient),
	}
	for _, r := range f.heads() {
		m, err := r.decode()
		if err != nil {
			return nil, err
		}
		convert.AddSection(out, m)
	}
	return out, nil
}

// Record gives what is evaluated: the heads, and every plan revision that is not
// retracted.
func (f *Folder) Record() (convert.Record, error) {
	heads, err := f.File()
	if err != nil {
		return convert.Record{}, err
	}
	rec := convert.Record{
		Identity: heads.Identity, Assessments: heads.Assessments, Plan: heads.Plan, Operation: heads.Operation,
		Results: heads.Results, FollowUps: heads.FollowUps,
	}
	if s := f.section(convert.SectionPlan); s != nil && heads.Plan != nil {
		rec.PlanRevision = s.Head
	}
	for _, r := range f.revisions {
		switch {
		case r.Section == convert.SectionPlan && r.Retraction:
			rec.Plans = nil
		case r.Section == convert.SectionPlan:
			m, err := r.decode()
			if err != nil {
				return convert.Record{}, err
			}
			rec.Plans = append(rec.Plans, convert.PlanRevision{
				Revision: r.number(), Received: r.ReceivedTime, Plan: m.(*trigonev1.Plan),
			})
		case r.Section == convert.SectionOperation && r.Retraction:
			rec.OperationReceived = time.Time{}
		case r.Section == convert.SectionOperation && rec.OperationReceived.IsZero():
			rec.OperationReceived = r.ReceivedTime
		}
	}
	return rec, nil
}

func etag(revision int64) string { return strconv.FormatInt(revision, 10) }

// Timestamp gives a time as the contract states it; nil: the zero time.
func Timestamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

func (f *Folder) statuses() []*trigonev1.SectionStatus {
	var list []*trigonev1.SectionStatus
	for _, s := range f.Case.Sections {
		list = append(list, f.status(s))
	}
	return list
}

func (f *Folder) status(s storage.Section) *trigonev1.SectionStatus {
	out := &trigonev1.SectionStatus{
		Section: s.Section, Revision: s.Head, Etag: etag(s.Head),
		State: convert.Enum[trigonev1.SectionState](s.State),
	}
	if r := f.revision(s.Section, s.Head); r != nil {
		out.ReceivedTime = Timestamp(r.ReceivedTime)
		out.SourceTime = Timestamp(r.SourceTime)
		out.RetractionReason = convert.Enum[trigonev1.RetractionReason](r.RetractionReason)
	}
	return out
}

// At gives the case of a whole folder as one evaluation read it.
func (f *Folder) At(e *trigonev1.Evaluation) *Folder {
	then := &Folder{Case: f.Case, revisions: f.revisions, whole: f.whole, version: f.version}
	then.Case.State = storage.CaseActive
	then.Case.Sections = nil
	disputed := map[string]bool{}
	for _, finding := range e.GetFindings() {
		if finding.GetConfirmed() {
			continue
		}
		for _, s := range finding.GetSections() {
			disputed[s] = true
		}
	}
	for _, s := range e.GetSections() {
		state := storage.SectionAccepted
		if disputed[s.GetSection()] {
			state = storage.SectionDisputed
		}
		then.setHead(s.GetSection(), s.GetRevision(), state)
	}
	return then
}
