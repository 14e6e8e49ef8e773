package handover

import (
	"context"
	"errors"
	"fmt"
	"time"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/note"
	"trigone/internal/policy"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// Media types of a note.
const (
	mediaText = "text/plain; charset=utf-8"
	mediaHTML = "text/html; charset=utf-8"
	mediaPDF  = "application/pdf"
)

// NoteOptions are what a note is asked for beside its case.
type NoteOptions struct {
	// Annex adds what is no part of what is signed.
	Annex bool
	// WithQueries tells in the body what the software was asked.
	WithQueries bool
}

// GetOperativeNote gives the operative note of a case, a draft for signature, or what
// was signed of it as it was.
func (d *Desk) GetOperativeNote(ctx context.Context, who casebook.Principal, req *trigonev1.GetOperativeNoteRequest) (*trigonev1.GetOperativeNoteResponse, error) {
	c, end, err := d.begin(ctx, who, req)
	if err != nil {
		return nil, err
	}
	defer end()
	if req.GetSignedNote() > 0 {
		return d.signed(ctx, c, req)
	}
	n, err := d.note(ctx, c, req)
	if err != nil {
		return nil, err
	}
	content, media, err := writeNote(n.Note, req.GetFormat())
	if err != nil {
		return nil, err
	}
	return &trigonev1.GetOperativeNoteResponse{
		Content: content, MediaType: media, HistoryNumber: n.History, CaseVersion: n.version, SignedNotes: n.signed,
	}, nil
}

// signed gives what was signed.
func (d *Desk) signed(ctx context.Context, c storage.Case, req *trigonev1.GetOperativeNoteRequest) (*trigonev1.GetOperativeNoteResponse, error) {
	if req.GetAnnex() || req.GetWithQueries() || req.GetCaseVersion() != 0 {
		return nil, casebook.RefuseField("signed_note", "stands alone: what was signed is given as it is, so leave annex, with_queries and case_version out")
	}
	s, content, err := d.archive.SignedNote(ctx, c, req.GetSignedNote())
	if err != nil {
		return nil, err
	}
	if f := req.GetFormat(); f != trigonev1.NoteFormat_NOTE_FORMAT_UNSPECIFIED && mediaOf(f) != s.GetMediaType() {
		return nil, casebook.Refuse(casebook.FailedPrecondition, casebook.ReasonOtherFormat,
			"it was signed as %s and is given as it was signed; leave the format out", s.GetMediaType())
	}
	all, err := d.archive.SignedNotes(ctx, c)
	return &trigonev1.GetOperativeNoteResponse{
		Content: content, MediaType: s.GetMediaType(), HistoryNumber: d.historyNumber(c), CaseVersion: s.GetCaseVersion(), SignedNotes: all,
	}, err
}

// WriteSigned gives what writes the notes that are signed at a site.
func WriteSigned(p policy.Policy) casebook.WriteNote {
	return func(s casebook.Signing) ([]byte, string, error) {
		zone, err := time.LoadLocation(p.Settings.Zone)
		if err != nil {
			return nil, "", fmt.Errorf("zone of the policy: %w", err)
		}
		in := note.Input{
			Site: p.Settings.Site, Zone: zone, Case: s.Case, WithQueries: s.Request.GetWithQueries(),
			Signed: signatures(s.Earlier), Signature: signature(s.Signed), Addendum: s.Request.GetAddendum(),
		}
		for _, r := range s.Plans {
			in.Plans = append(in.Plans, note.PlanRevision{Number: r.Revision, Plan: r.Plan})
		}
		n, err := note.Build(in)
		switch {
		case errors.Is(err, note.ErrNoOperation), err == nil && s.Case.GetCaseFile().GetOperation() == nil:
			return nil, "", casebook.Refuse(casebook.FailedPrecondition, casebook.ReasonNoOperation, "no operation is recorded, so that there is no operative note to sign; submit the operation first")
		case err != nil:
			return nil, "", err
		}
		format := s.Request.GetFormat()
		if format == trigonev1.NoteFormat_NOTE_FORMAT_UNSPECIFIED {
			format = trigonev1.NoteFormat_NOTE_FORMAT_PDF
		}
		return writeNote(n, format)
	}
}

func signature(s *trigonev1.SignedNote) *note.Signature {
	return &note.Signature{Signer: s.GetSigner(), Role: s.GetRole(), Time: s.GetSignedTime().AsTime()}
}

// signatures are those that a note tells of; what was erased is told of no more.
func signatures(list []*trigonev1.SignedNote) []note.Signed {
	var out []note.Signed
	for _, s := range list {
		if !s.GetErased() {
			out = append(out, note.Signed{Signature: *signature(s), Version: s.GetCaseVersion(), Addendum: s.GetAddendum(), Changed: s.GetRecordChanged()})
		}
	}
	return out
}

// noteOf is a note with the version of the case that it says.
type noteOf struct {
	note.Note
	version int64
	signed  []*trigonev1.SignedNote
}

// note builds the note of a case on record.
func (d *Desk) note(ctx context.Context, c storage.Case, req *trigonev1.GetOperativeNoteRequest) (noteOf, error) {
	f, err := d.archive.AsOf(ctx, c, req.GetCaseVersion())
	if err != nil {
		return noteOf{}, err
	}
	out, err := d.archive.Present(f)
	if err != nil {
		return noteOf{}, err
	}
	if out.Evaluation, err = f.Newest(); err != nil {
		return noteOf{}, err
	}
	signed, err := d.archive.SignedNotes(ctx, f.Case)
	if err != nil {
		return noteOf{}, err
	}
	in := note.Input{Signed: signatures(signed), Annex: req.GetAnnex(), WithQueries: req.GetWithQueries(), Case: out, History: d.historyNumber(f.Case)}
	if f.Case.Version != c.Version {
		in.Newest = c.Version
	}
	n, err := buildNote(d.archive.Policy, f, in)
	return noteOf{n, f.Case.Version, signed}, err
}

// document gives a case as a FHIR document: the note with the resources it speaks of.
func (d *Desk) document(ctx context.Context, c storage.Case) (*trigonev1.GetBundleResponse, error) {
	a, err := d.account(ctx, c)
	if err != nil {
		return nil, err
	}
	n, err := buildNote(d.archive.Policy, a.folder, note.Input{Case: a.history.Current.Case, History: a.history.Number(), Annex: true})
	if err != nil {
		return nil, err
	}
	bundle, err := fhirmap.Document(a.history, n)
	switch {
	case errors.Is(err, fhirmap.ErrNothing):
		return nil, casebook.Refuse(casebook.FailedPrecondition, casebook.ReasonNothingAccepted, "no section of this case is accepted, so there is nothing to hand over")
	case err != nil:
		return nil, fmt.Errorf("document: %w", d.refused(c, err))
	}
	return &trigonev1.GetBundleResponse{Bundle: string(bundle), MediaType: fhirmap.MediaType, HistoryNumber: a.history.Number()}, nil
}

// buildNote builds a note with what it is a function of beside its input: the site,
// its zone and the revisions of the plan.
func buildNote(p policy.Policy, f *casebook.Folder, in note.Input) (note.Note, error) {
	zone, err := time.LoadLocation(p.Settings.Zone)
	if err != nil {
		return note.Note{}, fmt.Errorf("zone of the policy: %w", err)
	}
	rec, err := f.Record()
	if err != nil {
		return note.Note{}, err
	}
	in.Site, in.Zone = p.Settings.Site, zone
	for _, r := range rec.Plans {
		in.Plans = append(in.Plans, note.PlanRevision{Number: r.Revision, Plan: r.Plan})
	}
	n, err := note.Build(in)
	switch {
	case errors.Is(err, note.ErrNoOperation):
		return n, casebook.Refuse(casebook.FailedPrecondition, casebook.ReasonNoOperation, "the case has no operation and no plan, so that there is nothing to write a note of; submit the operation first")
	case errors.Is(err, note.ErrRetracted):
		return n, casebook.Refuse(casebook.FailedPrecondition, casebook.ReasonClosedCase, "the case is retracted or merged, so that there is no operative note of it; its revisions are on record")
	}
	return n, err
}

// NoteOfFile builds the note of a case file alone, in process and without a store.
func NoteOfFile(p policy.Policy, in *trigonev1.CaseFile, software string, o NoteOptions) (note.Note, error) {
	f, e, err := casebook.JudgeFile(p, in, software)
	if err != nil {
		return note.Note{}, err
	}
	return buildNote(p, f, note.Input{
		Case: &trigonev1.Case{State: trigonev1.CaseState_CASE_STATE_ACTIVE, CaseFile: in, Evaluation: e}, Annex: o.Annex, WithQueries: o.WithQueries,
	})
}

// WriteNote writes a note in a format; unset: text.
func WriteNote(n note.Note, format trigonev1.NoteFormat) ([]byte, error) {
	content, _, err := writeNote(n, format)
	return content, err
}

// mediaOf is the media type of a format.
func mediaOf(format trigonev1.NoteFormat) string {
	switch format {
	case trigonev1.NoteFormat_NOTE_FORMAT_HTML:
		return mediaHTML
	case trigonev1.NoteFormat_NOTE_FORMAT_PDF:
		return mediaPDF
	}
	return mediaText
}

func writeNote(n note.Note, format trigonev1.NoteFormat) (content []byte, media string, err error) {
	switch format {
	case trigonev1.NoteFormat_NOTE_FORMAT_HTML:
		content, err = note.HTML(n)
	case trigonev1.NoteFormat_NOTE_FORMAT_PDF:
		content, err = note.PDF(n)
	default:
		content = note.Text(n)
	}
	return content, mediaOf(format), err
}
