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

// GetOperativeNote gives the operative note of a case, a draft for signature.
func (d *Desk) GetOperativeNote(ctx context.Context, who casebook.Principal, req *trigonev1.GetOperativeNoteRequest) (*trigonev1.GetOperativeNoteResponse, error) {
	c, end, err := d.begin(ctx, who, req)
	if err != nil {
		return nil, err
	}
	defer end()
	n, err := d.note(ctx, c, req)
	if err != nil {
		return nil, err
	}
	content, media, err := writeNote(n.Note, req.GetFormat())
	if err != nil {
		return nil, err
	}
	return &trigonev1.GetOperativeNoteResponse{Content: content, MediaType: media, HistoryNumber: n.History, CaseVersion: n.version}, nil
}

// noteOf is a note with the version of the case that it says.
type noteOf struct {
	note.Note
	version int64
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
	in := note.Input{Annex: req.GetAnnex(), WithQueries: req.GetWithQueries(), Case: out, History: d.historyNumber(f.Case)}
	if f.Case.Version != c.Version {
		in.Newest = c.Version
	}
	n, err := buildNote(d.archive.Policy, f, in)
	return noteOf{n, f.Case.Version}, err
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
		return nil, fmt.Errorf("document: %w", err)
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

func writeNote(n note.Note, format trigonev1.NoteFormat) (content []byte, media string, err error) {
	switch format {
	case trigonev1.NoteFormat_NOTE_FORMAT_HTML:
		content, err = note.HTML(n)
		return content, mediaHTML, err
	case trigonev1.NoteFormat_NOTE_FORMAT_PDF:
		content, err = note.PDF(n)
		return content, mediaPDF, err
	}
	return note.Text(n), mediaText, nil
}
