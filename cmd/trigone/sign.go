package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"trigone/internal/private"
	trigonev1 "trigone/proto/trigone/v1"
)

func (a *app) signCommand() *cobra.Command {
	var out, role string
	var req trigonev1.SignOperativeNoteRequest
	c := &cobra.Command{
		Use:   "sign CASE",
		Short: "Sign the operative note of a case, or an addendum to it",
		Long: `sign keeps the operative note of a case as it is, with who signed it and when, and
gives it. What was signed can be had again byte for byte with note --signed, whatever
is recorded later: a later change of the case makes a new draft, which says that the
record has changed. --version is the version of the case that was read before; the
head of every page of the draft names it. What is added afterwards is an addendum,
with its own date and signature. Whether this is a signature by the rules of the
hospital is for the hospital to say.`,
		Example: `  trigone sign 'urn:example:harbour-hospital:case|MV-2026-009' --version 1 --signer surgeon-1 --role surgeon --out note.pdf
  trigone sign 'urn:example:harbour-hospital:case|MV-2026-009' --version 2 --signer surgeon-1 --role surgeon --addendum 'The label read 34.' --out addendum.pdf`,
		Args: exactly("CASE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.formats(formatText, formatHTML, formatPDF, formatTable); err != nil {
				return usagef("--format %s is not possible here; use text, html or pdf", a.format)
			}
			if out == "" {
				return usagef("%s needs --out FILE, the file to write to", cmd.CommandPath())
			}
			number, known := trigonev1.OperatorRole_value["OPERATOR_ROLE_"+strings.ToUpper(role)]
			if !known || number == 0 {
				return usagef("--role %q is none; use surgeon, assistant, trainee, supervisor, anaesthetist, echocardiographer or perfusionist", role)
			}
			of, err := caseReference(args[0])
			if err != nil {
				return err
			}
			req.Case, req.Role = of, trigonev1.OperatorRole(number)
			if a.format != formatTable {
				req.Format = noteFormats[a.format]
			}
			return a.write(cmd, &req.RequestId, func(ctx context.Context, s services) error {
				answer, err := s.fhir.SignOperativeNote(ctx, &req)
				if err != nil {
					return err
				}
				if err := private.Write(out, answer.GetContent()); err != nil {
					return fmt.Errorf("it is signed, but cannot be written here; read it with note --signed %d: %w", answer.GetSignedNote().GetNumber(), err)
				}
				what := "note"
				if answer.GetSignedNote().GetAddendum() {
					what = "addendum"
				}
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "Signed: %s %d, of version %d of the case, SHA-256 %s. The case is now at version %d.\n",
					what, answer.GetSignedNote().GetNumber(), answer.GetSignedNote().GetCaseVersion(), answer.GetSignedNote().GetSha256(), answer.GetCaseVersion())
				return err
			})
		},
	}
	flags := c.Flags()
	flags.Int64Var(&req.CaseVersion, "version", 0, "version of the case that was read before signing")
	flags.StringVar(&req.Signer, "signer", "", "pseudonym of who signs")
	flags.StringVar(&role, "role", "", "what that person was at the operation, e.g. surgeon")
	flags.BoolVar(&req.WithQueries, "with-queries", false, "tell in the note what the software was asked while operating")
	flags.StringVar(&req.Addendum, "addendum", "", "sign an addendum with this text to the note that was signed")
	flags.StringVar(&req.RequestId, "request-id", "", requestIDHelp)
	flags.StringVar(&out, "out", "", "file to write to")
	return c
}
