package main

import (
	"bytes"
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"trigone/internal/handover"
	"trigone/internal/private"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/server"
)

// Formats of a note.
const (
	formatText = "text"
	formatPDF  = "pdf"
)

var noteFormats = map[string]trigonev1.NoteFormat{
	formatTable: trigonev1.NoteFormat_NOTE_FORMAT_TEXT, // the default of the flag
	formatText:  trigonev1.NoteFormat_NOTE_FORMAT_TEXT,
	formatHTML:  trigonev1.NoteFormat_NOTE_FORMAT_HTML,
	formatPDF:   trigonev1.NoteFormat_NOTE_FORMAT_PDF,
}

func (a *app) noteCommand() *cobra.Command {
	var out string
	var asked noteAsked
	c := &cobra.Command{
		Use:   "note CASE|FILE",
		Short: "Write the operative note of a case, a draft for signature",
		Long: `note writes the operative note of a case on record, or of a case file without a
server. It says what the record says, in the order of an operation, and ends when the
patient leaves theatre. Nothing is invented: what a reader looks for and the record
does not have stands in one block at the end, to be filled in by hand, and a value
that an open contradiction names is marked. It is a draft: whoever operated checks and
signs it. A case that was planned and not operated on yet gives its plan sheet.

Measurements, plan, prediction, findings of rules, follow-up, questions asked of the
software, and versions are no part of what is signed: --annex adds them.`,
		Example: `  trigone note 'urn:example:harbour-hospital:case|MV-2026-009'
  trigone note 'urn:example:harbour-hospital:case|MV-2026-009' --format pdf --out note.pdf
  trigone note 'urn:example:harbour-hospital:case|MV-2026-009' --as-of 3 --annex
  trigone note case.json --format html --out note.html`,
		Args: exactly("CASE or FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatText, formatHTML, formatPDF, formatTable); err != nil {
				return usagef("--format %s is not possible here; use text, html or pdf", a.format)
			}
			if (a.format == formatPDF || asked.signed != 0) && out == "" {
				return usagef("a PDF, or what was signed, needs --out FILE, the file to write to")
			}
			content, err := a.note(cmd, args[0], asked)
			if err != nil {
				return err
			}
			if out == "" {
				// A screen has no pages: they stand one below the other.
				_, err = cmd.OutOrStdout().Write(bytes.ReplaceAll(content, []byte("\f"), []byte("\n")))
				return err
			}
			if err := private.Write(out, content); err != nil {
				return fmt.Errorf("write the note: %w", err)
			}
			return nil
		},
	}
	c.Flags().StringVar(&out, "out", "", "file to write to (default: standard output; a PDF needs one)")
	c.Flags().BoolVar(&asked.annex, "annex", false, "add what is no part of what is signed")
	c.Flags().BoolVar(&asked.queries, "with-queries", false, "tell in the note what the software was asked while operating")
	c.Flags().Int64Var(&asked.version, "as-of", 0, "version of the case that the note says (default: the newest)")
	c.Flags().Int32Var(&asked.signed, "signed", 0, "number of a note or addendum that was signed: it is given as it was signed")
	return c
}

// noteAsked is what a note is asked for beside its case.
type noteAsked struct {
	annex, queries bool
	version        int64
	signed         int32
}

// note gives the note of CASE, or of FILE without a server.
func (a *app) note(cmd *cobra.Command, arg string, asked noteAsked) ([]byte, error) {
	format := noteFormats[a.format]
	if asked.signed != 0 && a.format == formatTable {
		format = trigonev1.NoteFormat_NOTE_FORMAT_UNSPECIFIED // the one in which it was signed
	}
	if isCase(arg) {
		reference, err := caseReference(arg)
		if err != nil {
			return nil, err
		}
		var content []byte
		err = a.call(cmd, func(ctx context.Context, s services) error {
			answer, err := s.fhir.GetOperativeNote(ctx, &trigonev1.GetOperativeNoteRequest{
				Case: reference, Format: format, Annex: asked.annex, WithQueries: asked.queries, CaseVersion: asked.version, SignedNote: asked.signed,
			})
			content = answer.GetContent()
			return err
		})
		return content, err
	}
	if asked.version != 0 || asked.signed != 0 {
		return nil, usagef("--as-of and --signed go with a CASE on record; a file has no versions")
	}
	clinical, err := a.settings()
	if err != nil {
		return nil, err
	}
	zone, err := zoneOf(clinical)
	if err != nil {
		return nil, err
	}
	file, err := readCaseFile(cmd, arg, zone)
	if err != nil {
		return nil, err
	}
	n, err := handover.NoteOfFile(clinical, file, server.Version(), handover.NoteOptions{Annex: asked.annex, WithQueries: asked.queries})
	if err != nil {
		return nil, err
	}
	return handover.WriteNote(n, format)
}

// isCase tells CASE from FILE: a case is a name or has its system before a bar.
func isCase(arg string) bool {
	return strings.HasPrefix(arg, "sites/") || strings.Contains(arg, "|")
}
